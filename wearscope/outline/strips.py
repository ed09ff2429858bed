"""Both sides of an edge that was found: where ground and cutter are sure to be."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.outline.corners import CornerCandidate, run_along, split_arms
from wearscope.outline.nose import WIDEST_GAP, NoseCandidate

__all__ = ["Strip", "beyond", "corner_strips", "nose_strips", "values_beside"]

Floats = NDArray[np.float64]
_CLEAR = 6.0
"""The inside of an edge is looked at from this far beyond where it begins."""


@dataclass(frozen=True, slots=True)
class Strip:
    """`points` (n, 2) every px along an edge, `outward` (n, 2) unit normals towards the ground; from index `bare`
    on the edge is seen, before it is only extended (px of the small picture)."""

    points: Floats
    outward: Floats
    bare: int


def corner_strips(corner: CornerCandidate) -> list[Strip]:
    """The end edge and the side edge of a corner, from the apex."""
    a, b, _ = split_arms(corner)
    half = 0.5 * np.arccos(np.clip(a.direction @ b.direction, -1, 1))
    clear = (
        _CLEAR if half > np.pi / 5 else _CLEAR + 8.0 / np.tan(half)
    )  # the inside of one edge is outside the other
    strips = []
    for arm, other in ((a, b), (b, a)):
        points, tangents = run_along(arm, corner.apex, 1.0)
        normal = np.stack([-tangents[:, 1], tangents[:, 0]], axis=1)
        normal *= -np.sign(normal @ other.direction)[:, None]
        strips.append(Strip(points, normal, int(arm.gap + clear)))
    return strips


def beyond(strips: list[Strip], apex: Floats, gaps: tuple[float, float]) -> list[Strip]:
    """The same strips, bare only so far from the corner's `apex` as the edges are whole (px of the small picture)."""
    away = [np.hypot(*(strip.points - apex).T) for strip in strips]
    return [
        replace(strip, bare=max(strip.bare, int(np.count_nonzero(far < gap + _CLEAR))))
        for strip, far, gap in zip(strips, away, gaps, strict=True)
    ]


def nose_strips(nose: NoseCandidate) -> list[Strip]:
    """The curve of a round end, but for its ends, where it may run on beyond what is round."""
    steps = np.diff(nose.points, axis=0)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))])
    beyond_it = WIDEST_GAP * nose.radius
    s = np.arange(beyond_it, run[-1] - beyond_it, 1.0)
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
