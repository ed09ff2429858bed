"""Can this photo carry a measurement? Judged on the very edges that will be measured.

Every condition is a flag of `wearscope.flags`; each threshold has its reason beside it.
"""

import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.robust import median
from wearscope.photo.small import SmallCopy
from wearscope.subpixel.profile import StepFits

__all__ = ["EdgeView", "edge_flags", "exposure_flags"]

WIDEST_BLUR_PX = 5.0
"""A lens in focus on a cheap sensor gives 1 to 3 px; at 5 px a corner of 20 px cannot be told from a sharp one."""
SMEAR_RATIO = 2.0
"""Defocus blurs edges edges alike; a blur twice as wide across one edge is movement."""
DARKEST_LIGHT, BRIGHTEST_SHARE = 0.08, 0.005
"""Under 8 % of full scale in its brightest half per cent, a picture uses three of its eight bits."""
CLIPPED = 0.97
"""Linear light from which on cameras round off or clip."""
WASHED_OUT = 0.6
"""Linear light (sRGB code 203) of the darker side of an edge beside a clipped one: nothing left to tell apart."""
FEWEST_SEEN = 1 / 3
"""Share of places along an edge where a step must be visible over noise and texture: of a fainter edge only what
happens to stand out is seen, and a radius fitted to that is a guess."""
SHORTEST_EDGE_PX, SHORTEST_SHARE = 60.0, 0.07
"""Shorter edges fix the virtual corner no better than the corner itself is round; and in a picture of a cutter no edge
of its corner is shorter than this share of the frame's longer side: squares and teeth of something else are."""


class EdgeView:
    """One edge near the corner as the gate sees it: blur, levels inside and outside, share of it that is seen."""

    def __init__(
        self, fits: StepFits, outside_is_after: bool, length_px: float, frame_px: tuple[int, int]
    ) -> None:
        ok = fits.ok
        self.seen = float(ok.mean()) if len(ok) else 0.0
        self.too_short = length_px < max(SHORTEST_EDGE_PX, SHORTEST_SHARE * max(frame_px))
        self.blur_px = _median(fits.blur[ok])
        self.least_blur_px = float(np.sort(fits.blur[ok])[ok.sum() // 4]) if ok.any() else float("nan")
        self.inside = _median((fits.before if outside_is_after else fits.after)[ok])
        self.outside = _median((fits.after if outside_is_after else fits.before)[ok])


def _median(values: NDArray[np.float64]) -> float:
    return median(values) if len(values) else float("nan")


def exposure_flags(small: SmallCopy) -> tuple[str, ...]:
    """Flags of the whole picture, whether or not there is a cutter in it."""
    code = np.uint8(np.ceil(255 * (1.055 * DARKEST_LIGHT ** (1 / 2.4) - 0.055)))  # sRGB
    bright = np.count_nonzero(small.grey >= code)
    return ("underexposed",) if bright < BRIGHTEST_SHARE * small.grey.size else ()


def edge_flags(*edges: EdgeView) -> tuple[str, ...]:
    """Flags of the edges that will be measured: the two that meet in the corner, or one."""
    flags = []
    blurs = [e.blur_px for e in edges if e.seen > FEWEST_SEEN]
    if blurs and max(blurs) > WIDEST_BLUR_PX:
        certain = min(e.seen for e in edges) > 0.5
        least = [e.least_blur_px for e in edges]
        smeared = certain and max(least) > SMEAR_RATIO * min(blurs)
        flags.append("motion_blur" if smeared else "out_of_focus")
    elif min(e.seen for e in edges) < FEWEST_SEEN:
        flags.append("low_contrast")
    if any(max(e.inside, e.outside) >= CLIPPED and min(e.inside, e.outside) > WASHED_OUT for e in edges):
        flags.append("overexposed")
    elif any(e.outside >= CLIPPED for e in edges):
        flags.append("background_clipped")
    elif any(e.inside >= CLIPPED for e in edges):
        flags.append("glare")
    if any(e.too_short for e in edges):
        flags.append("edge_too_short")
    return tuple(flags)
