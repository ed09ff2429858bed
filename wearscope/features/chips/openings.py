"""Where an edge leaves its course, the outline is followed into the opening."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearscope.features.chips.seen import FAINT, MOUTH, NEAR, STEEPEST, runs
from wearscope.photo.read import Photo
from wearscope.subpixel.trace import Ground, Openings, Strip, Trace, follow_openings, straighten

__all__ = ["closed", "with_openings"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_SLIT = 0.5
"""What is narrower than a chip's mouth shows so much of the edge's own step: blur leaves 0.68 of it two blurs wide, 0.95 four; a grinding line as
light as the ground shows less."""


def with_openings(
    photo: Photo,
    strip: Strip,
    weights: Floats,
    trace: Trace,
    ground: Ground,
    rough: Floats,
    start: float,
    blur: float,
) -> tuple[Floats, Floats]:
    """Offset of the edge in the frame: the trace where it stays near the course, openings followed where it does not;
    and by how much more of an opening may be a dark hollow in the cutter.

    NaN where neither is seen: there cutter and ground look alike.
    """
    offset = trace.offset_px.copy()
    doubt = np.zeros(len(offset))
    astray = ~(np.abs(offset) < NEAR * blur) & (strip.s_px >= start)
    for a, b in runs(astray):
        # no outline seen through blur goes so far within one column, and back
        beside = np.abs(offset[[max(0, a - 1), min(b, len(offset) - 1)]])
        if b - a < 2 * blur and beside.max() < 0.5 * NEAR * blur:
            offset[a:b], astray[a:b] = np.nan, False
    pad = round(4 * blur)
    for a, b in runs(closed(astray, 2 * pad)):
        if b - a < 2 * blur:
            continue
        part = slice(max(0, a - pad), min(len(offset), b + pad))
        if not _shoulders_seen(ground, trace, a, b, blur):
            offset[a:b] = np.nan
            continue
        inner = np.zeros(part.stop - part.start, bool)
        inner[a - part.start : b - part.start] = True
        found, sure = _opening(photo, strip, weights, ground, rough, part, inner, blur)
        beside = ~(np.abs(found) > NEAR * blur) & np.isfinite(offset[part])
        offset[part] = np.where(beside, offset[part], found)
        doubt[part] = np.where(beside, 0.0, np.maximum(0.0, found - sure - 2 * blur))
    return offset + strip.course_px, np.nan_to_num(doubt)


def closed(on: Bools, gap: int) -> Bools:
    """Fill gaps of less than `gap` columns."""
    filled = on.copy()
    for a, b in runs(~on):
        if b - a < gap and a > 0 and b < len(on):
            filled[a:b] = True
    return filled


def _shoulders_seen(ground: Ground, trace: Trace, a: int, b: int, blur: float) -> bool:
    """Whether the edge is plainly seen somewhere on both sides of [a, b): it did not fade away.

    A broken hollow beside the mouth may be as dark or light as the ground; it reaches about half as far as the mouth is wide.
    """
    jump = np.where(np.isfinite(trace.offset_px), trace.inside - trace.outside, np.nan)
    whole = float(np.nanmedian(np.abs(jump)))
    # the first three blurs belong to the rounded shoulder of an opening
    rim, few = round(3 * blur), max(2, round(3 * blur))
    near = rim + max(round(6 * blur), (b - a) // 2)
    shoulders = []
    for beside in (jump[max(0, a - near) : max(0, a - rim)], jump[b + rim : b + near]):
        seen = beside[np.isfinite(beside)]
        if len(seen) < few:
            return False
        shoulders.append(float(np.percentile(seen, 75 if np.median(seen) > 0 else 25)))
    left, right = shoulders
    return left * right > 0 and min(abs(left), abs(right)) > max(FAINT * whole, 6 * ground.noise)


def _opening(
    photo: Photo,
    strip: Strip,
    weights: Floats,
    ground: Ground,
    rough: Floats,
    part: slice,
    inner: Bools,
    blur: float,
) -> tuple[Floats, Floats]:
    """How far an opening reaches in the columns of `part`, and how far it surely does; `inner` are those that went astray."""
    contour = np.nan_to_num(rough[part])
    width = part.stop - part.start
    depth = max(32.0, 0.75 * width) + 4 * blur
    usual = float(np.median(ground.level))
    near = (strip.d_px <= -1.5 * blur) & (strip.d_px >= -max(4 * blur, 2.5))  # drawings have no blur
    ground = ground.part(part)
    outside = np.median(strip.light[near][:, part][:, inner], axis=0)
    if np.median(np.abs(outside - usual)) > 0.5 * np.median(ground.usual):
        # material stands out of the edge: the ground lies beyond it
        begin = np.where(inner, -depth, -NEAR * blur)
        ground = replace(ground, level=np.full(width, usual))
    else:
        # within an opening shadows and haze lie along the edge
        begin = np.where(contour < -2 * blur, contour - 4 * blur, np.where(inner, 2 * blur, -NEAR * blur))
    for _ in range(3):
        deep = straighten(
            photo.linear_bgr,
            photo.size,
            strip.frame,
            s_px=strip.s_px[part],
            course_px=strip.course_px[part],
            d_range=(float(np.min(begin)) - 4 * blur - 2, depth),
            weights=weights,
        )
        found = follow_openings(deep, ground, begin_px=begin, blur_px=blur)
        if np.isfinite(found.place_px).all():
            break
        depth *= 2
    place = _believed(found, ground, blur)
    # ground must be seen beyond what stands out
    place[(begin < -NEAR * blur) & (found.sure_px < begin + 2 * blur)] = np.nan
    return place, found.sure_px


def _believed(found: Openings, ground: Ground, blur: float) -> Floats:
    """Places of the openings; NaN where the border is faint or as soft as a colour that fades, or where it only is a dull stretch of the cutter."""
    place = found.place_px.copy()
    faint = min(10 * ground.noise, 0.35 * float(np.median(ground.usual)))
    alike = 1.5 * ground.noise + 0.1 * ground.usual + ground.tolerance
    for a, b in runs(~(place < NEAR * blur)):
        within = found.departure[a:b]
        other = not np.isfinite(within).any() or abs(np.nanmedian(within)) > np.median(alike[a:b])
        # a bottomless or very narrow opening is a dull line in the cutter
        narrow = (
            b - a < 2 * blur
            or not np.nanmax(place[a:b], initial=0.0) < STEEPEST * (b - a)
            or np.isnan(place[a:b]).any()
        )
        slit = b - a < MOUTH * blur
        least = _SLIT * float(np.median(ground.usual[a:b])) if slit else faint
        if other or narrow or _fades(found.border[:, a:b]) or np.median(found.step[a:b]) < least:
            place[a:b] = np.nan
    return place


def _fades(border: Floats) -> bool:
    """Whether a colour fades where an outline would be as sharp as the blur: of its step, a fifteenth is seen one and a half blurs before it and
    nothing at three; together half of it, and it is none."""
    before, low, high = np.median(border, axis=1)
    return bool(before + low > high)
