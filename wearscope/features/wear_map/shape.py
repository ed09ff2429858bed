"""The outline of a corner or round end in one photo, as a wear map compares it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.register import shared
from wearscope.quantity import COVERAGE_FACTOR

__all__ = [
    "FEWEST",
    "HALF_PROFILE_PX",
    "HOLE",
    "MARGIN",
    "ROUND",
    "STEP_PX",
    "Recession",
    "Shape",
    "corner_reach",
    "polyline",
    "robust_curve",
    "round_shape",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
STEP_PX = 2.0
"""Spacing of places on the edges: about one blur, so that neighbours are nearly independent."""
HALF_PROFILE_PX = 10.0
HOLE = 5
"""An outline that is not seen over more than this many steps has a hole there, across which nothing is compared."""
MARGIN = 3.0
"""Places nearer to the worn corner than this many sigma_b are not registered on: its blur touches them."""
FEWEST = 12
"""An outline needs this many places on each side."""
ROUND = math.radians(70.0)
"""So far from its axis a round end is taken for a ball: the last twenty degrees may be a tapered flank."""


@dataclass(frozen=True, slots=True)
class Recession:
    """Of a corner, px: the value, standard uncertainties by part, and the two sides of its 95 % interval."""

    value: float
    parts: dict[str, float]
    below: float
    above: float

    def times(self, zoom: float) -> "Recession":
        parts = {name: u * zoom for name, u in self.parts.items()}
        return Recession(self.value * zoom, parts, self.below * zoom, self.above * zoom)

    def with_part(self, name: str, u: float) -> "Recession":
        """The same with a further standard uncertainty."""
        parts = {**self.parts, name: math.hypot(self.parts.get(name, 0.0), u)}
        below, above = (math.hypot(side, COVERAGE_FACTOR * u) for side in (self.below, self.above))
        return Recession(self.value, parts, min(below, self.value), above)


@dataclass(frozen=True, slots=True)
class Shape:
    """The outline of a corner in one photo, unblurred, walking with the cutter on the right hand as seen.

    `points` (n, 2) px; `u` (n,) standard uncertainty across, px; `edge` (n,): -1 on the edge before the corner, 0 on the
    corner, 1 on the edge after it; `seen` (n,): False where the edge was not found. `apex`, `before`, `after`:
    virtual corner and unit vectors along the edges away from it. `recession`: how far the
    corner lies behind it. `end_first`: the end edge is the one before the corner; None where that was guessed. `frame`: width and height of
    the photo.
    """

    points: Floats
    u: Floats
    edge: NDArray[np.int_]
    seen: Bools
    apex: Floats
    before: Floats
    after: Floats
    blur: float
    recession: Recession
    end_first: bool | None
    frame: tuple[int, int]

    @property
    def is_round(self) -> bool:
        """A round end, which has no corner: `apex` is its centre."""
        return not (self.edge == 0).any()

    @property
    def opening(self) -> float:
        """Angle between the edges, rad."""
        return math.acos(float(np.clip(self.before @ self.after, -1, 1)))


def round_shape(
    points: Floats, u: Floats, seen: Bools, edge: NDArray[np.int_], centre: Floats, axis: Floats, blur: float,
    frame: tuple[int, int],
) -> Shape:  # fmt: skip
    """The shape of a round end: its frame is the ball's centre and two directions at 45 degrees to its axis."""
    across = np.array([-axis[1], axis[0]])
    before, after = (across - axis) / math.sqrt(2), (-across - axis) / math.sqrt(2)
    nothing = Recession(0.0, {}, 0.0, 0.0)
    return Shape(points, u, edge, seen, centre, before, after, blur, nothing, None, frame)


def robust_curve(s: Floats, v: Floats, degree: int) -> tuple[Floats, Floats]:
    """Coefficients (constant first) and their covariance, Tukey weights after a start by absolute residuals."""
    span = float(np.abs(s).max())
    rows = (s / span)[:, None] ** np.arange(degree + 1)
    weight, off = np.ones(len(s)), v
    for turn in range(25):
        half = np.sqrt(weight)
        found = np.linalg.lstsq(rows * half[:, None], v * half, rcond=None)[0]
        off = np.abs(v - rows @ found)
        width = 1.4826 * float(np.median(off)) + 1e-9
        weight = (
            1 / np.maximum(off, width / 4)
            if turn < 10
            else np.maximum(1 - (off / (4.685 * width)) ** 2, 0.0) ** 2
        )
    kept = weight > 0
    scatter2 = float((weight * off**2).sum() / max(weight.sum() - degree - 1, 1.0))
    scatter2 *= shared(v - rows @ found, weight, 1.0)
    scale = span ** -np.arange(degree + 1.0)
    spread = np.linalg.inv(rows[kept].T @ (rows[kept] * weight[kept, None])) * scatter2
    return np.asarray(found * scale, np.float64), np.asarray(spread * np.outer(scale, scale), np.float64)


def corner_reach(shape: Shape) -> float:
    """How far from the virtual corner the corner's own part of the outline reaches."""
    return float(np.hypot(*(shape.points[shape.edge == 0] - shape.apex).T).max(initial=0.0))


def polyline(shape: Shape) -> Floats:
    return shape.points[shape.seen]
