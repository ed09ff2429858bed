"""Both sides of an edge that was found: where ground and cutter are sure to be."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.outline.corners import CornerCandidate, run_along
from wearscope.outline.nose import NoseCandidate

__all__ = ["Strip", "corner_strips", "nose_strips", "values_beside"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Strip:
    """`points` (n, 2) every px along an edge, `outward` (n, 2) unit normals towards the ground; from index `bare`
    on the edge is seen, before it is only extended (px of the small picture)."""

    points: Floats
    outward: Floats
    bare: int


def corner_strips(corner: CornerCandidate) -> list[Strip]:
    """The two edges of a corner, from the apex."""
    a, b = corner.arms
    half = 0.5 * np.arccos(np.clip(a.direction @ b.direction, -1, 1))
    clear = (
        6.0 if half > np.pi / 5 else 6.0 + 8.0 / np.tan(half)
    )  # the inside of one edge is outside the other
    strips = []
    for arm, other in ((a, b), (b, a)):
        points, tangents = run_along(arm, corner.apex, 1.0)
        normal = np.stack([-tangents[:, 1], tangents[:, 0]], axis=1)
        normal *= -np.sign(normal @ other.direction)[:, None]
        strips.append(Strip(points, normal, int(arm.gap + clear)))
    return strips


def nose_strips(nose: NoseCandidate) -> list[Strip]:
    """The curve of a round end."""
    steps = np.diff(nose.points, axis=0)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))])
    s = np.arange(0.0, run[-1], 1.0)
    points = np.stack([np.interp(s, run, nose.points[:, k]) for k in (0, 1)], axis=1)
    tangents = np.gradient(points, axis=0)
    tangents /= np.maximum(np.hypot(*tangents.T), 1e-9)[:, None]
    return [Strip(points, np.stack([-tangents[:, 1], tangents[:, 0]], axis=1) * nose.outward, 0)]


def values_beside(
    picture: NDArray[np.uint8], strip: Strip, offsets: tuple[int, ...], reach: int = 110
) -> NDArray[np.uint8]:
    """Pixels (n, len(offsets), 3) at `offsets` px outward of the edge (negative: inside), the frame's rim repeated."""
    seen = slice(strip.bare, strip.bare + reach)
    at = strip.points[seen, None] + np.array(offsets)[:, None] * strip.outward[seen, None]
    x, y = np.moveaxis(np.rint(at).astype(int), 2, 0)
    values = picture[np.clip(y, 0, picture.shape[0] - 1), np.clip(x, 0, picture.shape[1] - 1)]
    return np.asarray(values, np.uint8)
