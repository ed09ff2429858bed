"""What the steps hand on: an edge as it was seen, a chip, and all that one edge shows."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.baseline import Baseline, moving_mean, tail_sigma
from wearscope.subpixel.trace import Frame

__all__ = ["FAINT", "MOUTH", "NEAR", "STEEPEST", "Chip", "EdgeScan", "Noise", "SeenEdge", "calm", "runs"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOUTH = 6.0
"""Least mouth of a chip, in sigma_b."""
NEAR = 2.5
"""The edge is traced where it stays within so many sigma_b of its course, and followed into an opening where it does not."""
STEEPEST = 2.0
"""Edges break in shells: a chip is at most so many times as deep as it is wide (common practice, no source)."""
FAINT = 0.25
"""A step that is smaller than this share of the edge's usual one may be one of the ground's own."""
_FOLLOWED = 1 / 3
"""Least share of an edge's outline that must be followed: an end edge may stop at the axis, half-way across the cutter."""


@dataclass(frozen=True)
class Noise:
    """Scatter of the undamaged edge, and of its mean over a stretch, taken from the edge itself.

    `worse` (columns,) says by how much the picture is noisier here than along most of this edge (1 or more), `level_px` what uneven
    light may move the edge by over any length.
    """

    missing: Floats
    good: Bools
    worse: Floats
    level_px: Floats
    single_px: float
    known: dict[int, float] = field(default_factory=dict)

    def of_mean(self, count: int) -> float:
        """Standard deviation of the mean over `count` columns; never below what independent columns would give."""
        least = self.single_px / np.sqrt(max(1.0, count))
        # too few windows of the full size would not show their scatter
        count = min(count, max(1, int(self.good.sum()) // 12))
        if count not in self.known:
            quiet = np.where(self.good, self.missing, np.nan)
            self.known[count] = tail_sigma(moving_mean(quiet, count)[self.good])
        return max(float(least), self.known[count])

    def local(self, count: int) -> Floats:
        """As `of_mean`, column by column, with what uneven light adds."""
        return np.hypot(self.of_mean(count) * self.worse, self.level_px)


@dataclass(frozen=True)
class SeenEdge:
    """One edge outside of the corner, arrays of shape (columns,): how far it lies behind its baseline, and how much of that may be a
    dark hollow. The outline goes on along it for `outline_px`."""

    name: str
    frame: Frame
    s_px: Floats
    missing: Floats
    doubt: Floats
    line: Baseline
    noise: Noise
    blur: float
    outline_px: float


@dataclass(frozen=True, slots=True)
class Chip:
    """One stretch of an edge that lies behind (`depth_px` > 0) or stands out of (< 0) the undamaged edge.

    `place_px` is the distance of the deepest point from the corner along the edge, `mouth_px` (start, end) likewise; `contour_px` (n, 2)
    its outline in the photo. `u_depth_px` by part: "noise", "baseline", "blur", "form", "light" (uneven beside the edge).
    """

    place_px: float
    mouth_px: tuple[float, float]
    depth_px: float
    area_px2: float
    deepest_px: tuple[float, float]
    contour_px: Floats
    u_depth_px: dict[str, float]

    @property
    def length_px(self) -> float:
        """Width of the mouth along the edge."""
        return self.mouth_px[1] - self.mouth_px[0]


@dataclass(frozen=True, slots=True)
class EdgeScan:
    """What one edge shows: chips, stuck stretches, places that something coloured hides, the undamaged edge.

    `detection_px` is the depth from which a chip is found for certain; beside the chips found nothing lies deeper than `at_most_px` (95 %).
    `length_px` of it was looked at, the outline goes on along it for `outline_px`.
    """

    name: str
    chips: tuple[Chip, ...]
    stuck: tuple[Chip, ...]
    hidden: tuple[Chip, ...]
    baseline_px: Floats
    noise_px: float
    detection_px: float
    at_most_px: float
    length_px: float
    outline_px: float

    @property
    def followed(self) -> bool:
        """Whether enough of the edge was looked at to say something about all of it."""
        return self.length_px >= _FOLLOWED * self.outline_px


def runs(on: Bools) -> Iterable[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    return zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def calm(offset: Floats, half_px: float) -> Floats:
    """Parabolas through neighbours within `half_px`: noise goes, peaks stay (Savitzky and Golay 1964).

    Never beyond those neighbours: beside a wall a parabola swings over.
    """
    kernel = _parabola(max(1, round(half_px)))
    smooth = cv2.filter2D(offset[None, :], -1, kernel[None, :], borderType=cv2.BORDER_REPLICATE)[0]
    near = np.ones((1, len(kernel)), np.uint8)
    low, high = (of(offset[None, :], near)[0] for of in (cv2.erode, cv2.dilate))
    return np.asarray(np.clip(smooth, low, high), np.float64)


@cache
def _parabola(half: int) -> Floats:
    """Weights of neighbours from -half to half for the least-squares parabola's value in the middle."""
    x = np.arange(-half, half + 1)
    return np.asarray(np.linalg.pinv(np.stack([np.ones(len(x)), x, x * x], axis=1))[0])
