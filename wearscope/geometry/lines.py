"""Straight lines through edge points, orthogonal and robust, with covariance."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.robust import median

__all__ = ["Line", "fit_line", "meet"]

Floats = NDArray[np.float64]
_TUKEY = 4.685
"""Tukey's constant for 95 % efficiency on normal scatter (Holland & Welsch 1977, from memory)."""

_SETTLED = 1e-10
"""One minus the cosine of the last turn, 3 um over 200 mm: far below what any edge's points tell."""


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted line through `centre` (x, y) along the unit vector `direction`.

    `u_offset` (px) and `u_angle` (rad): standard uncertainties at the centre, where they are uncorrelated;
    `scatter`: standard deviation of the points across the line; `weights` (n,): 0..1, 0 where a point was left out.
    """

    centre: tuple[float, float]
    direction: tuple[float, float]
    u_offset: float
    u_angle: float
    scatter: float
    weights: Floats

    def across(self, points: Floats) -> Floats:
        """Signed distances (n,) of points (n, 2), positive to the right of the direction (y down)."""
        dx, dy = self.direction
        out: Floats = (points[:, 1] - self.centre[1]) * dx - (points[:, 0] - self.centre[0]) * dy
        return out


def _major_axis(points: Floats, weights: Floats) -> tuple[Floats, Floats]:
    total = weights.sum()
    centre = weights @ points / total
    offset = points - centre
    (xx, xy), (_, yy) = (offset * weights[:, None]).T @ offset
    angle = math.atan2(2 * xy, xx - yy) / 2
    return centre, np.array([math.cos(angle), math.sin(angle)])


def fit_line(points: Floats, *, robust: bool = True, rounds: int = 20) -> Line:
    """Orthogonal least squares (Pearson 1901) through `points` (n, 2), with Tukey weights if `robust`.

    Needs at least three points that are not all alike; raises ValueError otherwise. The covariance counts the points
    as independent.
    """
    points = np.asarray(points, np.float64)
    if len(points) < 3 or np.ptp(points, axis=0).max() == 0:
        raise ValueError(f"a line needs at least three different points, not {len(points)}")
    weights = np.ones(len(points))
    centre, direction = _major_axis(points, weights)
    for _ in range(rounds if robust else 1):
        residual = (points - centre) @ np.array([-direction[1], direction[0]])
        spread = 1.4826 * median(np.abs(residual))
        if not robust or spread < 1e-12:
            break
        weights = np.maximum(1 - (residual / (_TUKEY * spread)) ** 2, 0.0) ** 2
        before = direction
        centre, direction = _major_axis(points, weights)
        if abs(float(before @ direction)) > 1 - _SETTLED:
            break
    residual = (points - centre) @ np.array([-direction[1], direction[0]])
    total = float(weights.sum())
    scatter = float(np.sqrt(weights @ residual**2 / max(total - 2, 1.0)))
    spread_along = float(np.sqrt(weights @ ((points - centre) @ direction) ** 2))
    return Line(
        (float(centre[0]), float(centre[1])), (float(direction[0]), float(direction[1])),
        scatter / np.sqrt(total), scatter / max(spread_along, 1e-12), scatter, weights,
    )  # fmt: skip


def meet(a: Line, b: Line) -> tuple[float, float]:
    """Where two lines meet; raises ValueError for lines within 0.1 degrees of parallel."""
    turn = a.direction[0] * b.direction[1] - a.direction[1] * b.direction[0]
    if abs(turn) < np.sin(np.radians(0.1)):
        raise ValueError("the lines are parallel and do not meet")
    gap = np.subtract(b.centre, a.centre)
    along = (gap[0] * b.direction[1] - gap[1] * b.direction[0]) / turn
    return float(a.centre[0] + along * a.direction[0]), float(a.centre[1] + along * a.direction[1])
