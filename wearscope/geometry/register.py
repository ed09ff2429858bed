"""Two outlines of one thing laid over each other: a rigid motion, robust, with covariance; and the gap between them.

Outlines are polylines (n, 2), ordered; the motion turns and shifts, it never mirrors and never changes size.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

__all__ = ["Gap", "Motion", "gap_to", "register", "shared"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_TUKEY = 4.685
"""Tukey's constant for 95 % efficiency on normal scatter (Holland & Welsch 1977, from memory)."""
_ROUNDS = 15


@dataclass(frozen=True, slots=True)
class Motion:
    """A turn by `angle` (rad) about `pivot` (x, y), then a shift.

    `covariance` (3, 3) of shift x, shift y (of the pivot) and angle; `scatter`: robust standard deviation of the distances that were
    left; `weights` (n,) 0..1 of the points used.
    """

    pivot: tuple[float, float]
    shift: tuple[float, float]
    angle: float
    covariance: Floats
    scatter: float
    weights: Floats

    def __call__(self, points: Floats) -> Floats:
        """Points (n, 2), moved."""
        return np.asarray((points - self.pivot) @ _turn(self.angle).T + self.pivot + self.shift, np.float64)

    def uncertainty(self, points: Floats, normals: Floats) -> Floats:
        """Standard uncertainty (n,) of moved points (n, 2) along unit vectors (n, 2)."""
        rows = _slopes(points - np.array(self.pivot) - np.array(self.shift), normals)
        return np.asarray(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, self.covariance, rows), 0.0)))


@dataclass(frozen=True, slots=True)
class Gap:
    """From points to the nearest place of a polyline; arrays of shape (n,) or (n, 2).

    `distance` is positive where the point lies to the left of the polyline's course (y down: as seen, on the
    left hand of who walks along it). `normal`: unit vectors across the polyline to its left. `at`: index of the
    nearest place, with fraction. `beyond`: the nearest place is an end of the polyline.
    """

    distance: Floats
    normal: Floats
    at: Floats
    beyond: Bools


def _turn(angle: float) -> Floats:
    return np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])


def _slopes(arm: Floats, normals: Floats) -> Floats:
    """Change of a place along its normal with shift x, shift y and angle."""
    spin = -arm[:, 1] * normals[:, 0] + arm[:, 0] * normals[:, 1]
    return np.column_stack([normals, spin])


def gap_to(line: Floats, points: Floats) -> Gap:
    """From `points` (n, 2) to the polyline `line` (m, 2): shortest distances, with sign."""
    _, near = cKDTree(line).query(points, k=min(3, len(line)))
    first = np.concatenate([near - 1, near], axis=1)
    first = np.clip(first, 0, len(line) - 2)
    start, span = line[first], line[first + 1] - line[first]
    length2 = np.maximum((span**2).sum(axis=2), 1e-18)
    offset = points[:, None] - start
    part = np.clip((offset * span).sum(axis=2) / length2, 0.0, 1.0)
    off = offset - part[..., None] * span
    size = np.hypot(off[..., 0], off[..., 1])
    best = np.argmin(size, axis=1)
    rows = np.arange(len(points))
    span, part, off, size = span[rows, best], part[rows, best], off[rows, best], size[rows, best]
    left = np.column_stack([span[:, 1], -span[:, 0]]) / np.sqrt(length2[rows, best])[:, None]
    sign = np.where((off * left).sum(axis=1) >= 0, 1.0, -1.0)
    away = np.where((size > 1e-9)[:, None], off * (sign / np.maximum(size, 1e-9))[:, None], left)
    at = first[rows, best] + part
    return Gap(sign * size, away, at, (at <= 0) | (at >= len(line) - 1))


def register(
    points: Floats,
    reference: Floats,
    *,
    allowed: Bools | None = None,
    step: float = 1.0,
    turn: float = 0.0,
    turn_u: float = math.inf,
    rounds: int = _ROUNDS,
) -> Motion:
    """The motion that lays `points` (n, 2) on the polyline `reference`, least squares with Tukey weights.

    Both must already lie within some px of each other. `allowed` (n,): points that may count. `step`: how far apart
    points must be for their errors to be independent at the least; what neighbours share beyond that is found in
    the residuals. `turn`, `turn_u`: the turn (rad) as it is known beforehand and its standard uncertainty, for outlines that hardly
    tell, as arcs. Raises ValueError where less than a dozen points have a counterpart, or where they all lie along
    one straight line, on which an outline can slide.
    """
    allowed = np.ones(len(points), bool) if allowed is None else allowed
    pivot = points[allowed].mean(axis=0) if allowed.any() else points.mean(axis=0)
    shift, angle = np.zeros(2), turn
    motion = None
    for _ in range(rounds):
        moved = (points - pivot) @ _turn(angle).T + pivot + shift
        gap = gap_to(reference, moved)
        use = allowed & ~gap.beyond
        if use.sum() < 12:
            raise ValueError("too little of the two outlines lies side by side")
        spread = max(1.4826 * float(np.median(np.abs(gap.distance[use]))), 1e-6)
        weights = np.where(use, np.maximum(1 - (gap.distance / (_TUKEY * spread)) ** 2, 0.0) ** 2, 0.0)
        rows = _slopes(moved - pivot - shift, gap.normal)
        normal = (rows * weights[:, None]).T @ rows
        known = (spread / turn_u) ** 2
        normal[2, 2] += known
        size = np.sqrt(np.maximum(np.diag(normal), 1e-12))
        if float(np.linalg.cond(normal / np.outer(size, size))) > 1e6:
            raise ValueError("the outlines lie along one straight line only and can slide along each other")
        right = (rows * weights[:, None]).T @ -gap.distance
        move = np.linalg.solve(normal, right - [0.0, 0.0, known * (angle - turn)])
        shift, angle = shift + move[:2], angle + float(move[2])
        motion = (normal, gap.distance, weights, spread)
        if np.abs(move[:2]).max() < 1e-4 and abs(move[2]) < 1e-7:
            break
    assert motion is not None
    normal, residual, weights, _ = motion
    scatter = float(np.sqrt((weights * residual**2).sum() / max(weights.sum() - 3, 1.0)))
    covariance: Floats = np.asarray(
        scatter**2 * shared(residual, weights, step) * np.linalg.inv(normal), np.float64
    )
    return Motion(
        (float(pivot[0]), float(pivot[1])), (float(shift[0]), float(shift[1])), angle, covariance, scatter, weights
    )  # fmt: skip


def shared(residual: Floats, weights: Floats, step: float) -> float:
    """How many neighbouring points of an ordered line say the same, from residuals (n,) and weights (n,): one plus twice the sum of the correlations, up to the first that is none."""
    value = np.where(weights > 0, residual, 0.0)
    power = float(np.mean(value**2))
    if power <= 0:
        return step
    total = 1.0
    for lag in range(1, max(2, len(value) // 8)):
        correlation = float(np.mean(value[lag:] * value[:-lag])) / power
        if correlation <= 0:
            break
        total += 2 * correlation
    return max(total, step)
