"""Which part of what was followed is shank."""

import numpy as np
from numpy.typing import NDArray

from wearscope.features.shank.course import DAMAGE, robust_course
from wearscope.outline.bar import Bar

__all__ = ["CannotTell", "shank_of_profile", "whole_shank"]

Floats = NDArray[np.float64]

_OFF_PRICE = 3.0
"""What a place off the line costs in places on it, when the end of a shank is looked for: a burr or a groove of a quarter of its length stays in."""


class CannotTell(Exception):
    """The sides were found, but not a shank that could be measured; the text says why."""


def whole_shank(bar: Bar) -> slice:
    if not all(bar.leaves_frame()):
        raise CannotTell(
            "an end of it is in the picture: show the shank from frame to frame, or the whole cutter with --view profile"
        )
    return slice(0, len(bar.s_px))


def shank_of_profile(bar: Bar) -> slice:
    """The stretch from the frame's border on, as far as both sides keep to their lines."""
    low, high = bar.leaves_frame()
    if low == high:
        raise CannotTell(
            "the tip is not in the picture: show it, or use --view shank for a shank alone"
            if low
            else "the shank does not reach the border of the picture: show it up to the border"
        )
    edges = [side.edge_px[::-1] if high else side.edge_px for side in bar.sides]
    stop = min(_keeps_to_line(edge, bar.blur_px) for edge in edges)
    count = len(bar.s_px)
    if stop > 0.95 * count:
        raise CannotTell(
            "the shank cannot be told from what cuts: both are as wide; show the shank alone, with --view shank"
        )
    return slice(count - stop, count) if high else slice(0, stop)


def _keeps_to_line(edge: Floats, blur: float) -> int:
    """How many places from the first on lie on one straight line, but for damage."""
    count, noise = len(edge), max(0.3 * blur, 2 * _roughness(edge))
    best = (0.0, 0)
    for share in (0.08, 0.12, 0.2, 0.3, 0.45, 0.65, 1.0):
        first = np.arange(max(40, int(share * count)))
        first = first[first < count]
        first = first[np.isfinite(edge[first])]
        if len(first) < 30:
            continue
        line = robust_course(first.astype(float), edge[first], 1)(np.arange(count, dtype=float))
        on = np.abs(edge - line) < DAMAGE * noise
        worth = np.cumsum(np.where(on, 1.0, -_OFF_PRICE))
        stop = int(np.argmax(worth))
        if worth[stop] > best[0]:
            best = (float(worth[stop]), stop + 1)
    return best[1]


def _roughness(edge: Floats) -> float:
    steps = np.diff(edge)
    steps = steps[np.isfinite(steps)]
    return float(1.4826 * np.median(np.abs(steps))) if len(steps) else 0.0
