"""The round end of a ball-nose cutter: edge pixels vote for the centres of circles."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.outline.corners import Arm, Gradients, clearness
from wearscope.photo.small import SmallCopy

__all__ = ["WIDEST_GAP", "NoseCandidate", "nose_candidates"]

Floats = NDArray[np.float64]

_SMALLEST = 25.0
_RADIUS_STEP = 1.04
_CELL = 3
"""Votes are counted in cells of this many px: a radius off by half a step moves the centre less than one cell."""
_LEAST_ARC = np.radians(50.0)
"""A shorter arc says little about its radius: sd(R) grows with the inverse square of the angle."""
WIDEST_GAP = np.radians(8.0)
"""Over a wider one an arc is not carried on: dust and chips are narrower. Over one as wide it may run on beyond where it ends."""
_LOOKED_AT = 12
_ROUNDING = 0.5
"""Slope (grey levels per px) that rounding to whole levels makes of nothing."""


@dataclass(frozen=True, slots=True)
class NoseCandidate:
    """`points` (n, 2) along the arc in px of the small picture, `outward` +1 or -1 (side of the ground as in
    `corners.clearness`), `centre` and `radius` of the circle."""

    points: Floats
    outward: float
    centre: Floats
    radius: float
    score: float


def nose_candidates(small: SmallCopy, gradients: Gradients) -> list[NoseCandidate]:
    """Candidates, best first: long arcs, clear against quiet ground outside them."""
    lightness = cv2.GaussianBlur(small.grey, (0, 0), 1.5)
    gx, gy = cv2.Sobel(lightness, cv2.CV_16S, 1, 0), cv2.Sobel(lightness, cv2.CV_16S, 0, 1)
    quiet = 8 * max(float(np.percentile(gradients.fine, 60)), _ROUNDING)  # Sobel's weights add up to 8
    y, x = np.nonzero(cv2.Canny(gx, gy, quiet, 2 * quiet, L2gradient=True))
    if len(x) < _SMALLEST:
        return []
    place = np.stack([x, y], axis=1).astype(float)
    normal = np.stack([gx[y, x], gy[y, x]], axis=1).astype(float)
    normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
    found = []
    for votes, radius, centre in _circles(place, normal, small.grey.shape)[:_LOOKED_AT]:
        arc = _arc(place, normal, centre, radius)
        if arc is not None:
            found.append(_judge(gradients, centre, radius, arc, votes))
    return sorted(found, key=lambda c: -c.score)


def _circles(place: Floats, normal: Floats, shape: tuple[int, int]) -> list[tuple[float, float, Floats]]:
    """(share of a half circle that votes, radius, centre), best first.

    Every edge pixel votes for both sides: a round end may be darker than its ground here and lighter there.
    """
    height, width = shape
    found = []
    radius = _SMALLEST
    while radius < 0.6 * max(shape):
        margin = int(radius // _CELL) + 1
        columns, rows = width // _CELL + 2 * margin + 1, height // _CELL + 2 * margin + 1
        centres = np.concatenate([place + radius * normal, place - radius * normal])
        cell = (centres // _CELL).astype(int) + margin
        inside = np.all((cell >= 0) & (cell < (columns, rows)), axis=1)
        count = np.bincount(cell[inside, 1] * columns + cell[inside, 0], minlength=rows * columns)
        near = cv2.boxFilter(count.reshape(rows, columns).astype(np.float32), -1, (3, 3), normalize=False)
        k = int(np.argmax(near))
        centre = (np.array([k % columns, k // columns]) - margin + 0.5) * _CELL
        found.append((float(near.flat[k]) / (np.pi * radius), radius, centre))
        radius *= _RADIUS_STEP
    return sorted(found, key=lambda c: -c[0] * np.sqrt(c[1]))


def _arc(place: Floats, normal: Floats, centre: Floats, radius: float) -> tuple[float, float] | None:
    """(first, last) angle of the longest stretch of the circle with edge pixels on it that lie across its rays."""
    ray = centre - place
    distance = np.hypot(*ray.T)
    on = (np.abs(distance - radius) < 0.03 * radius + 2) & (
        np.abs(np.einsum("ij,ij->i", ray, normal)) > 0.95 * distance
    )
    angle = np.sort(np.arctan2(-ray[on, 1], -ray[on, 0]))
    if len(angle) < 8:
        return None
    around = np.concatenate([angle, angle + 2 * np.pi])
    breaks = np.flatnonzero(np.diff(around) > WIDEST_GAP)
    edges = np.concatenate([[-1], breaks, [len(around) - 1]])
    k = int(np.argmax(around[edges[1:]] - around[edges[:-1] + 1]))
    first, last = around[edges[k] + 1], around[edges[k + 1]]
    return (first, min(last, first + 2 * np.pi)) if last - first > _LEAST_ARC else None


def _judge(
    gradients: Gradients, centre: Floats, radius: float, arc: tuple[float, float], votes: float
) -> NoseCandidate:
    angle = np.linspace(*arc, max(16, round((arc[1] - arc[0]) * radius / 4)))
    points = centre + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    arm = Arm(points, np.array([1.0, 0.0]), (arc[1] - arc[0]) * radius, 0.0, 0)
    strength, sharpness = clearness(gradients, arm, -1.0, np.inf)
    length = min(arc[1] - arc[0], np.pi) * radius
    score = min(strength, 12) ** 1.5 * sharpness**2 * length * min(votes, 1.0)
    return replace(NoseCandidate(points, -1.0, centre, radius, 0.0), score=float(score))
