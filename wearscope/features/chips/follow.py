"""From the photo to one edge: straightened, traced, and held against the undamaged edge."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearscope.features.chips.odd import foreign, gleam_ends, grounds_meet, widened
from wearscope.features.chips.openings import closed, with_openings
from wearscope.features.chips.seen import FAINT, MOUTH, NEAR, Noise, SeenEdge, runs
from wearscope.geometry.baseline import Baseline, fit_baseline, tail_sigma
from wearscope.outline.shape import CornerPose, Outline
from wearscope.photo.read import Photo
from wearscope.subpixel.trace import (
    Frame,
    Strip,
    Trace,
    best_weights,
    contour_offsets,
    ground_levels,
    median_down,
    running_median,
    straighten,
    trace_edge,
)

__all__ = ["follow_edge"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_SEEN = 0.5
"""Least share of an edge that must be told from the background."""
_FAR = 12.0
"""What lies farther behind the undamaged edge than so many of its standard deviations is no scatter."""
_SHOWN = 200
"""So many columns, evenly spread, show an edge's course: blur makes neighbours alike."""
_TURNED = 0.5
"""Where the contour lies farther from the edge's direction than this share of the way from the corner, it has turned into another edge."""
_BEYOND = 0.25
"""What comes back to the line farther beyond its end than this share of its length is another edge: an end edge ends at the axis."""
_GUARD = 3.0
"""Columns next to the corner's arc that its blur still touches, in sigma_b."""


def follow_edge(photo: Photo, outline: Outline, corner: CornerPose, name: str) -> SeenEdge | str:
    """One edge outside of the corner, as far as it could be told from the ground, or why it could not."""
    frame, blur = _frame(corner, name), corner.blur_px
    walk = _walk_from_corner(outline.points_px, frame)
    start = _corner_zone(outline.points_px, corner) + _GUARD * blur + outline.mask_step
    s = np.arange(0.0, np.max(frame.to_strip(walk)[0], initial=0.0) + 1)
    rough = contour_offsets(frame, walk, s)
    ahead = np.flatnonzero(np.abs(rough) < _TURNED * s)
    too_little = f"{name}: too little of it lies outside the corner to tell damaged from undamaged"
    if not len(ahead) or s[ahead[-1]] - start < 4 * MOUTH * blur:
        return too_little
    s, rough = s[: ahead[-1] + 1], rough[: ahead[-1] + 1]
    few = s[s >= start]
    few = few[:: max(1, len(few) // _SHOWN)]
    about = np.interp(few, s[ahead], rough[ahead])
    weights = _weights(photo, frame, few, about, blur)
    # the contour is known to about half a cell of the mask
    _, _, line = _traced(photo, frame, few, about, weights, start, max(blur, 0.5 * outline.mask_step))
    if line is None:
        return f"{name}: the edge is too faint to follow"
    if line.end_px - start < 4 * MOUTH * blur:
        return too_little
    near = s <= line.end_px + _BEYOND * (line.end_px - start)
    s, rough = s[near], rough[near] - line(s[near])
    strip, trace, line = _traced(photo, frame, s, line(s), weights, start, blur, begin=line)
    if line is None:
        return f"{name}: the edge is too faint to follow"
    trace = _without_mouths(trace, rough, blur)
    ground = ground_levels(strip, trace, blur_px=blur)
    edge, doubt = with_openings(photo, strip, weights, trace, ground, rough, start, blur)
    told = np.isfinite(edge[(s >= start) & (s <= line.end_px)])
    if min(told.mean(), line.on_edge[: len(told) // 4].mean()) < _SEEN:
        return f"{name}: cutter and background look alike along most of it, or beside the corner"
    away = strip.d_px[:, None] - (line(s) - strip.course_px)
    opening = np.abs(np.nan_to_num(edge - line(s))) > NEAR * blur
    odd = (
        foreign(strip, trace, ground, away, blur)
        | grounds_meet(strip, ground, blur)
        | (gleam_ends(trace, ground, blur) & ~widened(opening, 6 * blur))
    )
    edge[widened(odd, 3 * blur)] = np.nan
    part = (s >= start) & (s <= line.end_px)
    missing = _bridged(edge[part] - line(s[part]), round(MOUTH * blur), NEAR * blur)
    # rims and grinding marks belong to the edge's own scatter, chips that stand far out of it do not
    usual = np.abs(missing) < _FAR * max(line.noise_px, tail_sigma(missing[line.on_edge[: len(missing)]]))
    if not np.any(usual & np.isfinite(trace.noise_px[part])):
        return f"{name}: no part of it is free of reflections and of what is not ground"
    noise = _noise(missing, usual, trace, part, line.noise_px, blur)
    outline_px = _outline_length(walk, frame) - start
    return SeenEdge(name, frame, s[part], missing, doubt[part], line, noise, blur, outline_px)


def _traced(
    photo: Photo,
    frame: Frame,
    s: Floats,
    course: Floats,
    weights: Floats,
    start: float,
    blur: float,
    begin: Baseline | None = None,
) -> tuple[Strip, Trace, Baseline | None]:
    """The strip along a course, the edge traced in it, and the undamaged edge through that."""
    strip = straighten(
        photo.linear_bgr,
        photo.size,
        frame,
        s_px=s,
        course_px=course,
        d_range=(-9 * blur - 2, 10 * blur + 2),
        weights=weights,
    )
    trace = trace_edge(strip, blur_px=blur)
    return strip, trace, _line(s, trace.offset_px + course, start, floor=0.0, step=3 * blur, begin=begin)


def _weights(photo: Photo, frame: Frame, s: Floats, course: Floats, blur: float) -> Floats:
    """How to mix the channels for this edge, from the colours some blurs beside it."""
    width, height = photo.size
    away = blur * np.array([-5.0, -4.0, -3.0, 3.0, 4.0, 5.0])
    few = slice(None, None, max(1, len(s) // 96))
    at = np.rint(frame.to_photo(s[few], course[few] + away[:, None])).astype(int)
    x, y = np.clip(at[..., 0], 0, width - 1), np.clip(at[..., 1], 0, height - 1)
    light = replace(photo, encoded=photo.encoded[y, x]).linear_bgr()
    return best_weights(median_down(light[3:]), median_down(light[:3]))


def _without_mouths(trace: Trace, rough: Floats, blur: float) -> Trace:
    """In a mouth that the contour (`rough`, as seen from the edge) goes round, a shadow's border or a cloud on the paper is not the edge."""
    step = np.abs(trace.inside - trace.outside)
    mouth = (rough > NEAR * blur) & (step < FAINT * np.nanmedian(step))
    return replace(trace, offset_px=np.where(mouth, np.nan, trace.offset_px))


def _bridged(values: Floats, gap: int, deep: float) -> Floats:
    """Straight lines across places that were not seen, if they are less than `gap` columns wide or the edge is `deep` down on both
    sides: it has not come back up between."""
    known = np.isfinite(values)
    if not known.any():
        return values
    columns = np.arange(len(values))
    near = closed(known, gap)
    for a, b in runs(~near):
        if a > 0 and b < len(values) and min(values[a - 1], values[b]) > deep:
            near[a:b] = True
    filled = np.interp(columns, columns[known], values[known])
    return np.where(near, filled, np.nan)


def _noise(missing: Floats, good: Bools, trace: Trace, part: Bools, single: float, blur: float) -> Noise:
    noise, level = trace.noise_px[part], trace.level_px[part]
    seen = np.isfinite(noise) & good

    def near(values: Floats) -> Floats:
        return running_median(np.where(seen, values, np.nan), 4 * MOUTH * blur)

    worse = np.maximum(1.0, near(noise) / np.median(noise[seen]))
    return Noise(missing, good, worse, near(level), single)


def _frame(corner: CornerPose, name: str) -> Frame:
    end, side = np.array(corner.end_direction), np.array(corner.side_direction)
    along, other = (end, side) if name == "end edge" else (side, end)
    into = other - (other @ along) * along
    into /= np.hypot(*into)
    return Frame(corner.apex_px, (float(along[0]), float(along[1])), (float(into[0]), float(into[1])))


def _walk_from_corner(points: Floats, frame: Frame) -> Floats:
    """The contour from its point nearest to the corner onward along the frame's edge."""
    nearest = int(np.argmin(np.hypot(*(points - np.array(frame.origin_px)).T)))
    s, _ = frame.to_strip(points)
    ahead, behind = s[nearest : nearest + 80], s[max(0, nearest - 80) : nearest + 1]
    return points[nearest:] if np.max(ahead) >= np.max(behind) else points[nearest::-1]


def _outline_length(walk: Floats, frame: Frame) -> float:
    """How far the outline goes on along an edge (px from the corner), bends of a helix and of wear included."""
    s, d = frame.to_strip(walk)
    return float(np.max(s[np.abs(d) < 0.5 * s], initial=0.0))


def _corner_zone(points: Floats, corner: CornerPose) -> float:
    """How far along both edges the corner's own loss reaches (px): the tangent length of the arc with its recession."""
    apex = np.array(corner.apex_px)
    recession = float(np.min(np.hypot(*(points - apex).T)))
    cosine = float(np.dot(corner.end_direction, corner.side_direction))
    half = np.arccos(np.clip(cosine, -0.99, 0.99)) / 2
    return float(recession * np.cos(half) / (1 - np.sin(half)))


def _line(
    s: Floats, offset: Floats, start: float, *, floor: float, step: float, begin: Baseline | None = None
) -> Baseline | None:
    part = s >= start
    return fit_baseline(s[part], offset[part], floor_px=floor, step_px=step, begin=begin)
