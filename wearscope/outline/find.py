"""From a photo to the cutter's outline and the pose of its cutting corner.

The search runs on a small copy of the picture (about 640 px on the long side): long sharp edges, pairs of
them that end at each other, the best pair is the corner. Cutter and ground are then told apart by a
watershed that starts on both sides of those two edges, and the contour is put on the half level of linear
light in the full picture.
"""

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearscope.outline.corners import Arm, CornerCandidate, Gradients, corner_candidates, split_arms
from wearscope.outline.gate import edge_flags, exposure_flags
from wearscope.outline.mask import contour_of, cutter_mask
from wearscope.outline.nose import nose_candidates
from wearscope.outline.pose import EDGE_REACH, locate, locate_nose
from wearscope.outline.segments import coarse_segments, link_segments, straight_segments
from wearscope.outline.shape import Outline
from wearscope.outline.strips import beyond, corner_strips, nose_strips
from wearscope.outline.window import Window, best_mix
from wearscope.photo.read import Photo
from wearscope.photo.small import SmallCopy

__all__ = ["PLAIN", "Form", "find_outline"]

Floats = NDArray[np.float64]
Form = Literal["corner", "point", "nose"]

_WEAKEST = 160.0
"""Candidates with a lower score are no corner: two sharp edges of 80 px at twice their ground, with every other
edge between them, score 320."""
_FAINT = 700.0
"""Of corners with a lower score nothing good is believed: two sharp edges of 150 px at three times their ground score 700. On paper as grey as
the cutter grinding lines score up to this."""
PLAIN = 1200.0
"""Score of two edges that meet, four times as steep as their ground and 150 px long (a quarter of the small picture)."""
_LONG_EDGE = 80.0
"""An edge of this length (small picture) is a cutter's, not the flank of a chip."""
_TOO_MANY = 4
"""A cutter shows two corners, with a broken one three: a picture with more shows something else."""
_MARGIN = 30.0
"""Room left round what is measured, px of the small picture."""
_EQUAL = 0.2
"""Two corners at both ends of one end edge are both real unless one scores less than this share of the other."""

_AS_CLEAR = 0.5
"""Of two corners that score alike to a factor of two either may be the cutter's: drawn on paper as grey as the cutter wrong ones score up to twice the
right one."""
_NEXT, _ASIDE = 20.0, 0.1
"""What lies so far beyond a corner (px of the small picture), within 6 degrees of its end edge's line, is more of that edge."""

_ALIKE, _LONG_SIDE = 0.8, 0.8
"""Side edges of one tooth run the same way within 37 degrees: a helix turns, and they may taper. Of a cutter as much is in the
picture as it is wide, or it would be taken closer."""


def find_outline(photo: Photo, *, form: Form = "corner") -> Outline:
    """Find the cutter's outline and its cutting corner, without being told where.

    `form`: what to look for: a square "corner", an engraver's "point" (two edges of any angle; `corner` of the
    result then has two side edges), or the round "nose" of a ball-nose cutter.
    Returns an Outline; `corner` (or `nose`) is None and a flag says why where there is none to be believed.
    """
    small, step = photo.small, photo.small.step
    flags = exposure_flags(small)
    gradients = Gradients.of(small)
    if form == "nose":
        return _nose_outline(photo, gradients, flags)
    candidates = _corners(small, gradients, square=form == "corner")
    if not candidates or candidates[0].score < _WEAKEST:
        return _nothing(small, flags)
    best = _rake_side(candidates)
    if _another_cutter(best, candidates):
        flags += ("several_cutters",)
    if form == "corner" and (best.score < _FAINT or _rivalled(best, candidates)):
        flags += ("corner_faint",)
    strips = corner_strips(best)
    reach = EDGE_REACH + _MARGIN + 1.5 * max(arm.gap for arm in best.arms)
    window = Window.around(photo, best.apex, reach, best_mix(small.bgr, strips))
    pose, edges, steps = locate(window, best, step, any(_share_end_edge(best, other) for other in candidates))
    apex = (np.array(pose.apex_px) - (step - 1) / 2) / step
    strips = beyond(strips, apex, (pose.end_gap_px / step, pose.side_gap_px / step))
    mask = cutter_mask(small, strips)
    points = window.on_half_level(contour_of(mask, best.apex, step))
    flags += edge_flags(*edges)
    return Outline(points, mask, step, pose, flags, window.mix, score=best.score, steps=steps)


def _corners(small: SmallCopy, gradients: Gradients, *, square: bool) -> list[CornerCandidate]:
    """Candidates as they are seen with half as many pixels each way; where none of these is plain and alone, with all pixels."""
    coarse = coarse_segments(small)
    candidates = _as_it_lies(corner_candidates(link_segments(coarse), gradients, square=square))
    if candidates and candidates[0].score > PLAIN and not _another_cutter(_rake_side(candidates), candidates):
        return candidates
    chains = link_segments(straight_segments(small, coarse))
    return _as_it_lies(corner_candidates(chains, gradients, square=square))


def _nothing(small: SmallCopy, flags: tuple[str, ...]) -> Outline:
    nowhere = np.zeros(small.grey.shape, bool)
    return Outline(np.zeros((0, 2)), nowhere, small.step, None, (*flags, "no_cutter"))


def _nose_outline(photo: Photo, gradients: Gradients, flags: tuple[str, ...]) -> Outline:
    small, step = photo.small, photo.small.step
    candidates = nose_candidates(small, gradients)
    if not candidates or candidates[0].score < _WEAKEST:
        return _nothing(small, flags)
    best = candidates[0]
    strips = nose_strips(best)
    mask = cutter_mask(small, strips)
    window = Window.around(photo, best.centre, best.radius + _MARGIN, best_mix(small.bgr, strips))
    points = window.on_half_level(contour_of(mask, best.points.mean(axis=0), step))
    pose, edge = locate_nose(window, best, step)
    return Outline(points, mask, step, None, flags + edge_flags(edge), window.mix, pose, best.score)


def _tip_direction(end: Arm, side: Arm) -> Floats:
    """Unit normal of the end edge, pointing away from the cutter."""
    normal = np.array([-end.direction[1], end.direction[0]])
    return normal if normal @ side.direction < 0 else -normal


def _rake_side(candidates: list[CornerCandidate]) -> CornerCandidate:
    """Of two corners on one end edge, equally good or both plain, the one whose rake face looks at the lens.

    For a right-hand cutter with its tip down that is the right one (it turns clockwise seen from the spindle).
    """
    best = candidates[0]
    for other in candidates[1:]:
        if _share_end_edge(best, other) and _handed(other) > 0.5 > _handed(best):
            long = min(arm.length for arm in other.arms) > _LONG_EDGE
            if other.score > _EQUAL * best.score and long:
                return other
            if other.score > PLAIN and not _goes_on(other, candidates):
                return other
    return best


def _rivalled(best: CornerCandidate, candidates: list[CornerCandidate]) -> bool:
    """Whether a corner elsewhere, of edges of its own, is about as clear: then grinding lines or facets may be taken for edges."""
    chains = {arm.chain for arm in best.arms}
    return any(
        other.score > _AS_CLEAR * best.score
        and np.hypot(*(other.apex - best.apex)) > _LONG_EDGE / 2
        and not chains & {arm.chain for arm in other.arms}
        and not _share_end_edge(best, other)
        for other in candidates
    )


def _goes_on(corner: CornerCandidate, candidates: list[CornerCandidate]) -> bool:
    """Whether more of the end edge lies beyond a corner: then that is the rim of a chip."""
    end, _, _ = split_arms(corner)
    normal = np.array([-end.direction[1], end.direction[0]])
    for arm in (arm for other in candidates for arm in other.arms):
        away = arm.points - corner.apex
        beyond, aside = -away @ end.direction, np.abs(away @ normal)
        if np.any((beyond > _NEXT) & (aside < _ASIDE * beyond + 2)):
            return True
    return False


def _as_it_lies(candidates: list[CornerCandidate]) -> list[CornerCandidate]:
    """The same candidates, as those of a cutter that lies across the picture where two corners of one end edge say so.

    Both side edges then run the same way, about as long as the end edge or longer; the flanks of a chip are shorter than its mouth.
    """
    across = [replace(c, lying=True) for c in candidates]
    for other in across[1:]:
        best = across[0]
        if other.score > _EQUAL * best.score and _share_end_edge(best, other):
            sides = [split_arms(c)[1] for c in (best, other)]
            wide = float(np.hypot(*(other.apex - best.apex)))
            parallel = sides[0].direction @ sides[1].direction > _ALIKE
            if parallel and min(side.length for side in sides) > max(_LONG_EDGE, _LONG_SIDE * wide):
                return across
    return candidates


def _share_end_edge(a: CornerCandidate, b: CornerCandidate) -> bool:
    """Do the end edges of two corners run towards each other (within 10 degrees)?"""
    between = b.apex - a.apex
    distance = float(np.hypot(*between))
    if distance < 40:
        return False
    towards = between / distance
    return bool(
        split_arms(a)[0].direction @ towards > 0.985 and -split_arms(b)[0].direction @ towards > 0.985
    )


def _another_cutter(best: CornerCandidate, candidates: list[CornerCandidate]) -> bool:
    """A second strong corner that looks the same way and shares no edge with the first, or strong corners all over."""
    strong = [
        c
        for c in candidates
        if c.score > _EQUAL * best.score and min(arm.length for arm in c.arms) > _LONG_EDGE
    ]
    if all(c is not best for c in strong):
        return False
    chains = {arm.chain for arm in best.arms}
    second = any(
        not chains & {arm.chain for arm in other.arms}
        and np.hypot(*(other.apex - best.apex)) > _LONG_EDGE
        and _parallel(other, best)
        for other in strong
    )
    places: list[Floats] = []
    for c in strong:
        if all(np.hypot(*(c.apex - place)) > _LONG_EDGE / 2 for place in places):
            places.append(c.apex)
    return second or len(places) >= _TOO_MANY


def _parallel(a: CornerCandidate, b: CornerCandidate) -> bool:
    """Do two corners point the same way (edges within 15 degrees)?"""
    (end_a, side_a, _), (end_b, side_b, _) = split_arms(a), split_arms(b)
    return bool(min(end_a.direction @ end_b.direction, side_a.direction @ side_b.direction) > 0.966)


def _handed(candidate: CornerCandidate) -> float:
    end, side, _ = split_arms(candidate)
    tip = _tip_direction(end, side)
    return float(-end.direction @ np.array([tip[1], -tip[0]]))
