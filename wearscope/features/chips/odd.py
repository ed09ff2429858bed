"""Places along an edge where its half level is not that between ground and cutter."""

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.subpixel.trace import Ground, Strip, Trace, median_down, running_median

__all__ = ["foreign", "gleam_ends", "grounds_meet", "widened"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def foreign(strip: Strip, trace: Trace, ground: Ground, away: Floats, blur: float) -> Bools:
    """Columns where something lies across the edge that is neither ground nor cutter: dust, a fibre, a reflection.

    There the light just outside of the edge is darker or lighter than both by a third of their difference.
    """
    cutter = ground.level + np.sign(np.nanmedian(trace.inside - trace.outside)) * ground.usual
    low, high = np.minimum(ground.level, cutter), np.maximum(ground.level, cutter)
    beside = (away > -3 * blur) & (away < 0)
    beyond = np.maximum(strip.light - high, low - strip.light) - 0.33 * ground.usual - 5 * ground.noise
    return np.asarray((np.where(beside, beyond, -1.0) > 0).sum(axis=0) >= max(2, blur))


def grounds_meet(strip: Strip, ground: Ground, blur: float) -> Bools:
    """Columns where the ground beside the edge is just changing, as where a sheet ends or a shadow begins: its half level is that of neither.

    Its light, at a distance where nothing stuck to the edge reaches it, changes within six blurs by a third of the step to the cutter.
    """
    rows = strip.light[(strip.d_px < -3 * blur) & (strip.d_px > -8 * blur - 1)]
    light = median_down(rows)
    # where it is not in the picture, the ground's usual light stands in
    return _changing(np.where(np.isfinite(light), light, ground.level), ground, blur)


def gleam_ends(trace: Trace, ground: Ground, blur: float) -> Bools:
    """Columns where the cutter's light is changing likewise, and less than half of the step to the ground is left."""
    step = np.abs(running_median(trace.inside - trace.outside, 6 * blur))
    return _changing(trace.inside, ground, blur) & (step < ground.usual / 2)


def _changing(light: Floats, ground: Ground, blur: float) -> Bools:
    lag = max(1, round(3 * blur))
    calm = np.pad(running_median(light, 6 * blur), lag, mode="edge")
    return np.asarray(np.abs(calm[2 * lag :] - calm[: -2 * lag]) > ground.usual / 3)


def widened(on: Bools, by: float) -> Bools:
    reach = np.ones((1, 2 * round(by) + 1), np.uint8)
    return np.asarray(cv2.dilate(on.astype(np.uint8)[None, :], reach)[0] > 0)
