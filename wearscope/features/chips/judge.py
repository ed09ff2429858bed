"""Which stretches of an edge's contour are chips or stuck material, and how deep a chip may be that was not found."""

import numpy as np
from numpy.typing import NDArray

from wearscope.features.chips.depth import contour_chip, is_coloured, through_blur
from wearscope.features.chips.seen import MOUTH, NEAR, STEEPEST, EdgeScan, Noise, SeenEdge, calm, runs
from wearscope.geometry.baseline import moving_mean
from wearscope.photo.read import Photo
from wearscope.quantity import ONE_SIDED_95

__all__ = ["judge_edge"]

Floats = NDArray[np.float64]

_SURE = 4.0
"""A mean depth over the mouth of so many standard deviations of such a mean must be found; what may lie unseen is stated from it."""
_CHANCE = 3.2
"""A mean over a mouth lies so many standard deviations deep by chance once in 1,450 (normal scatter), and 100 mm of edge hold 4,000 to 6,000
mouths of six blurs of 3 um to 4 um; of these few, the picture itself shows (`depth.through_blur`) hardly one. What is `_SURE` deep must be
found although its own noise may lift it."""
_FITTED = 6
"""So many of the deepest chips of an edge are fitted, each for about twice the time of a JPEG's decoding: the deepest decides."""
_FILLED = 0.27
"""What blur at most fills of a chip with the least mouth: the half level over the tip of a shallow V lies sqrt(2 / pi) sigma_b times its slope too high."""


def judge_edge(photo: Photo, seen: SeenEdge) -> EdgeScan:
    """What one edge shows: stretches of its contour that count, the deepest of them measured through the blur."""
    mouth = max(3, round(MOUTH * seen.blur))
    # an edge breaks in shells, and what sticks is a layer, no taller than wide
    told = [
        (sign, chip)
        for a, b, sign in _stretches(seen.missing, seen.noise, mouth, seen.blur)
        if sign * (chip := contour_chip(seen, a, b, sign)).depth_px
        < (STEEPEST if sign > 0 else 1.0) * chip.length_px
    ]
    chips, stuck = (tuple(chip for sign, chip in told if sign == of) for of in (1.0, -1.0))
    coloured = tuple(chip for chip in chips if is_coloured(photo, seen, chip))
    chips = tuple(chip for chip in chips if all(chip is not other for other in coloured))
    deepest = sorted(chips, key=lambda chip: -chip.depth_px)[:_FITTED]
    looked_at = (
        through_blur(photo, seen, chip) if any(chip is d for d in deepest) else chip for chip in chips
    )
    certain = 2 * (_SURE + ONE_SIDED_95) * float(np.median(seen.noise.local(mouth)))
    places = np.arange(seen.s_px[0], seen.line.end_px, 4.0)
    return EdgeScan(
        seen.name,
        tuple(chip for chip in looked_at if chip is not None),
        stuck,
        coloured,
        seen.frame.to_photo(places, seen.line(places)),
        seen.line.noise_px,
        certain,
        _at_most(seen),
        float(np.isfinite(seen.missing).sum()),
        seen.outline_px,
    )


def _at_most(seen: SeenEdge) -> float:
    """How deep the deepest chip can be that was not told from the edge's own scatter (px, one-sided 95 %).

    No true chip goes deeper than what is seen at its own place, and that errs by more than 1.64 times its uncertainty once in twenty.
    """
    known = np.isfinite(seen.missing)
    shown = np.interp(seen.s_px, seen.s_px[known], seen.missing[known])
    # what the corner's own rounding leaves at the first columns is no chip
    shoulder = np.argmin(shown[: round(MOUTH * seen.blur)] > seen.noise.single_px)
    known[:shoulder] = False
    local = np.hypot(seen.noise.single_px * seen.noise.worse, seen.noise.level_px)
    u = np.hypot(local, seen.line.uncertainty(seen.s_px))
    depth = calm(shown, 1.25 * seen.blur) + ONE_SIDED_95 * u
    return float(np.max(depth[known], initial=0.0)) / (1 - _FILLED)


def _stretches(missing: Floats, noise: Noise, mouth: int, blur: float) -> list[tuple[int, int, float]]:
    """Stretches [a, b) of columns that count, with 1 where they lie behind the baseline and -1 where they stand out: wide enough, and far
    enough off on average over their own width.

    Looked for with a mean over one mouth, then over twice as much and so on; what is found is left out of the wider means.
    """
    found: list[tuple[int, int, float]] = []
    left = missing.copy()
    count = mouth
    while count <= len(missing) // 2:
        mean, least = moving_mean(left, count), _CHANCE * noise.local(count)
        for sign in (1.0, -1.0):
            deep = sign * mean > least
            if not deep.any():
                continue
            half = max(1, count // 2)
            off = sign * left
            behind = moving_mean(off, half) > 2 * noise.local(half)
            for a, b in runs(behind & np.isfinite(off)):
                closed = a > 0 and b < len(off)
                # blur may narrow the mouth of a shallow chip by about half of itself on either side
                shallow = np.max(off[a:b]) < NEAR * blur
                wide = b - a >= (mouth - blur if shallow else mouth)
                if closed and wide and deep[a:b].any() and np.mean((off / noise.local(b - a))[a:b]) > _CHANCE:
                    found.append((a, b, sign))
                    left[max(0, a - mouth) : b + mouth] = np.nan
        count *= 2
    return sorted(found)
