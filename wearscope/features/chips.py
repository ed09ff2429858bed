"""Chips in the cutting edges beside the corner: where the outline falls back behind the undamaged edge.

Each edge is straightened, traced at sub-pixel and compared with its baseline. A chip counts when its mouth is at
least six blurs wide and the edge, averaged over that mouth, lies deeper than chance explains (`_CHANCE` times the noise of such an average).
Its depth is then fitted to the picture through the blur. It is the outline's: the broken hollow on the rake face behind it may look much
deeper. The corner's own rounding is left out.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.baseline import Baseline, fit_baseline, moving_mean, robust_sigma, tail_sigma
from wearscope.geometry.scale import Scale
from wearscope.measures import MEASURES
from wearscope.outline.shape import CornerPose, Outline
from wearscope.photo.read import Photo, srgb_to_linear
from wearscope.quantity import ONE_SIDED_95, Quantity
from wearscope.subpixel.notch import fit_notch
from wearscope.subpixel.trace import (
    LUMINANCE,
    Frame,
    Ground,
    Openings,
    Strip,
    Trace,
    best_weights,
    contour_offsets,
    follow_openings,
    ground_levels,
    running_median,
    straighten,
    trace_edge,
    unblur,
)

__all__ = ["Chip", "EdgeScan", "measure_chips", "scan_edges"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
NAMES = ("chip_count", "chip_depth_max", "chip_length_total")
_MOUTH = 6.0
"""Least mouth of a chip, in sigma_b."""
_SURE = 4.0
"""A mean depth over the mouth of so many standard deviations of such a mean must be found; what may lie unseen is stated from it."""
_CHANCE = 3.5
"""A mean over a mouth lies so many standard deviations deep by chance once in 4,300 (normal scatter), and 100 mm of edge hold 4,000 to 6,000
mouths of six blurs of 3 um to 4 um: what is `_SURE` deep must be found although its own noise may lift it."""
_SEEN_TWICE = 3.0
"""What the contour shows must be as many standard deviations deep in the picture itself too: once in 740 by chance."""
_FITTED = 6
"""So many of the deepest chips of an edge are fitted, each for about twice the time of a JPEG's decoding: the deepest decides."""
_DESCRIBED = 9.0
"""A form that leaves three times what the light scatters by (mean square) does not describe a chip."""
_FAR = 12.0
"""What lies farther behind the undamaged edge than so many of its standard deviations is no scatter."""
_SEEN = 0.5
"""Least share of an edge that must be told from the background."""
_FOLLOWED = 1 / 3
"""Least share of an edge's outline that must be followed: an end edge may stop at the axis, half-way across the cutter."""
_NEAR = 2.5
"""The edge is traced where it stays within so many sigma_b of its course, and followed into an opening where it does not."""
_THIN = 3
"""Every so many columns of the edge show its course; blur makes neighbours alike."""
_TIP = 0.2
"""Depth that the unknown form of a tip may cost, in sigma_b: between a round and a pointed one of drawn chips."""
_FILLED = 0.27
"""What blur at most fills of a chip with the least mouth: the half level over the tip of a shallow V lies sqrt(2 / pi) sigma_b times its slope too high."""
_STEEPEST = 2.0
"""Edges break in shells: a chip is at most so many times as deep as it is wide (common practice, no source)."""
_GUARD = 3.0
"""Columns next to the corner's arc that its blur still touches, in sigma_b."""


@dataclass(frozen=True, slots=True)
class Chip:
    """One stretch of an edge that lies behind (`depth_px` > 0) or stands out of (< 0) the undamaged edge.

    `place_px` is the distance of the deepest point from the corner along the edge, `mouth_px` (start, end) likewise; `contour_px` (n, 2)
    its outline in the photo. `u_depth_px` by part: "noise", "baseline", "blur", "form", "light" (uneven beside the edge).
    """

    place_px: float
    mouth_px: tuple[float, float]
    depth_px: float
    area_px2: float
    deepest_px: tuple[float, float]
    contour_px: Floats
    u_depth_px: dict[str, float]

    @property
    def length_px(self) -> float:
        """Width of the mouth along the edge."""
        return self.mouth_px[1] - self.mouth_px[0]


@dataclass(frozen=True, slots=True)
class EdgeScan:
    """What one edge shows: chips, stuck stretches, the undamaged edge.

    `detection_px` is the depth from which a chip is found for certain; beside the chips found nothing lies deeper than `at_most_px` (95 %).
    `length_px` of it was looked at, the outline goes on along it for `outline_px`.
    """

    name: str
    chips: tuple[Chip, ...]
    stuck: tuple[Chip, ...]
    baseline_px: Floats
    noise_px: float
    detection_px: float
    at_most_px: float
    length_px: float
    outline_px: float

    @property
    def followed(self) -> bool:
        """Whether enough of the edge was looked at to say something about all of it."""
        return self.length_px >= _FOLLOWED * self.outline_px


def measure_chips(photo: Photo, outline: Outline, scale: Scale) -> Finding:
    """Number, greatest depth and total length of the chips along both edges.

    Without a chip the depth is an upper limit: as deep as one may be that was not told from the edge's own scatter. Where an edge could not be
    followed, or little of it, chips on the other one are lower limits, and no chip there says nothing: not measured.
    """
    scans, reasons = scan_edges(photo, outline)
    unseen = (*reasons, *(_in_part(scan, scale) for scan in scans if not scan.followed))
    chips = [chip for scan in scans for chip in scan.chips]
    stuck = [chip for scan in scans for chip in scan.stuck]
    told = bool(chips) or not unseen
    return Finding(
        quantities=_quantities(chips, scans, outline, scale, in_part=bool(unseen)) if told else {},
        not_measured={} if told else dict.fromkeys(NAMES, "; ".join(unseen)),
        marks=(*_marks("chip", chips, scale), *_marks("stuck", stuck, scale)),
        flags=("stuck_material",) if stuck else (),
        curves=tuple(_curves(scans)),
        remarks=(*unseen, *_remarks(scans, scale)),
    )


def _in_part(scan: EdgeScan, scale: Scale) -> str:
    seen, whole = (px / scale.px_per_mm for px in (scan.length_px, scan.outline_px))
    return f"{scan.name}: only {seen:.2f} of {whole:.2f} mm of it could be followed"


def _quantities(
    chips: list[Chip], scans: Iterable[EdgeScan], outline: Outline, scale: Scale, *, in_part: bool
) -> dict[str, Quantity]:
    found = {
        "chip_count": Quantity(float(len(chips)), MEASURES["chip_count"]),
        "chip_depth_max": scale.to_mm(_depth(chips, scans)),
        "chip_length_total": scale.to_mm(_length(chips, outline)),
    }
    return {name: _at_least(quantity) for name, quantity in found.items()} if in_part else found


def _at_least(quantity: Quantity) -> Quantity:
    """What is known where more may lie unseen: the one-sided 95 % bound."""
    return Quantity(quantity.bounds(floor=0.0)[0], quantity.unit, quantity.parts, "lower_limit")


def scan_edges(photo: Photo, outline: Outline) -> tuple[tuple[EdgeScan, ...], tuple[str, ...]]:
    """Every edge that could be followed, and for each that could not, why."""
    if outline.corner is None or len(outline.points_px) < 2:
        return (), ("no cutting corner was found",)
    tried = [_scan(photo, outline, outline.corner, name) for name in ("end edge", "side edge")]
    return tuple(t for t in tried if isinstance(t, EdgeScan)), tuple(t for t in tried if isinstance(t, str))


def _scan(photo: Photo, outline: Outline, corner: CornerPose, name: str) -> EdgeScan | str:
    frame, blur = _frame(corner, name), corner.blur_px
    walk = _walk_from_corner(outline.points_px, frame)
    start = corner_zone(outline.points_px, corner) + _GUARD * blur + outline.mask_step
    s = np.arange(0.0, np.max(frame.to_strip(walk)[0], initial=0.0) + 1)
    rough = contour_offsets(frame, walk, s)
    shared = max(3 * blur, 2.0 * outline.mask_step)
    course = _line(s, rough, start, floor=0.25 * outline.mask_step, step=shared)
    if course is None or course.end_px - start < 4 * _MOUTH * blur:
        return f"{name}: too little of it lies outside the corner to tell damaged from undamaged"
    on = s <= course.end_px
    s, rough = s[on], rough[on] - course(s[on])
    weights = _weights(photo, frame, s[s >= start], course, blur)
    # every few columns are enough to see where the whole edge lies
    _, _, line = _traced(photo, frame, s[::_THIN], course(s[::_THIN]), weights, start, blur)
    if line is not None:
        rough += course(s) - line(s)
        strip, trace, line = _traced(photo, frame, s, line(s), weights, start, blur)
    if line is None:
        return f"{name}: the edge is too faint to follow"
    ground = ground_levels(strip, trace, blur_px=blur)
    edge, doubt = _with_openings(photo, strip, weights, trace, ground, rough, start, blur)
    told = np.isfinite(edge[(s >= start) & (s <= line.end_px)])
    if min(told.mean(), line.on_edge[: len(told) // 4].mean()) < _SEEN:
        return f"{name}: cutter and background look alike along most of it, or beside the corner"
    away = strip.d_px[:, None] - (line(s) - strip.course_px)
    opening = np.abs(np.nan_to_num(edge - line(s))) > _NEAR * blur
    odd = (
        _foreign(strip, trace, ground, away, blur)
        | _grounds_meet(strip, ground, blur)
        | (_gleam_ends(trace, ground, blur) & ~_widened(opening, 6 * blur))
    )
    edge[_widened(odd, 3 * blur)] = np.nan
    part = (s >= start) & (s <= line.end_px)
    missing = _bridged(edge[part] - line(s[part]), round(_MOUTH * blur), _NEAR * blur)
    # rims and grinding marks belong to the edge's own scatter, chips that stand far out of it do not
    usual = np.abs(missing) < _FAR * max(line.noise_px, tail_sigma(missing[line.on_edge[: len(missing)]]))
    noise = _noise(missing, usual, trace, part, line.noise_px, blur)
    seen = _Seen(frame, s[part], missing, doubt[part], line, noise, blur)
    scan = _judge(name, seen, outline_px=_outline_length(walk, frame) - start)
    deepest = sorted(scan.chips, key=lambda chip: -chip.depth_px)[:_FITTED]
    chips = (
        _through_blur(photo, seen, chip) if any(chip is d for d in deepest) else chip for chip in scan.chips
    )
    return replace(scan, chips=tuple(chip for chip in chips if chip is not None))


def _traced(
    photo: Photo, frame: Frame, s: Floats, course: Floats, weights: Floats, start: float, blur: float
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
    return strip, trace, _line(s, trace.offset_px + course, start, floor=0.0, step=3 * blur)


def _weights(photo: Photo, frame: Frame, s: Floats, course: Baseline, blur: float) -> Floats:
    """How to mix the channels for this edge, from the colours some blurs beside it."""
    width, height = photo.size
    places, away = np.meshgrid(
        s[:: max(1, len(s) // 96)], blur * np.array([-5.0, -4.0, -3.0, 3.0, 4.0, 5.0]), indexing="ij"
    )
    at = np.rint(frame.to_photo(places, course(places.ravel()).reshape(places.shape) + away)).astype(int)
    x, y = np.clip(at[..., 0], 0, width - 1), np.clip(at[..., 1], 0, height - 1)
    light = srgb_to_linear(photo.encoded[y, x] / photo.top)
    return best_weights(np.median(light[:, 3:], axis=1), np.median(light[:, :3], axis=1))


def _with_openings(
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
    astray = ~(np.abs(offset) < _NEAR * blur) & (strip.s_px >= start)
    for a, b in _runs(astray):
        # no outline seen through blur goes so far within one column, and back
        beside = np.abs(offset[[max(0, a - 1), min(b, len(offset) - 1)]])
        if b - a < 2 * blur and beside.max() < 0.5 * _NEAR * blur:
            offset[a:b], astray[a:b] = np.nan, False
    pad = round(4 * blur)
    for a, b in _runs(_closed(astray, 2 * pad)):
        if b - a < 2 * blur:
            continue
        part = slice(max(0, a - pad), min(len(offset), b + pad))
        if not _shoulders_seen(ground, trace, a, b, blur):
            offset[a:b] = np.nan
            continue
        inner = np.zeros(part.stop - part.start, bool)
        inner[a - part.start : b - part.start] = True
        found, sure = _opening(photo, strip, weights, ground, rough, part, inner, blur)
        beside = ~(np.abs(found) > _NEAR * blur) & np.isfinite(offset[part])
        offset[part] = np.where(beside, offset[part], found)
        doubt[part] = np.where(beside, 0.0, np.maximum(0.0, found - sure - 2 * blur))
    return offset + strip.course_px, np.nan_to_num(doubt)


def _foreign(strip: Strip, trace: Trace, ground: Ground, away: Floats, blur: float) -> Bools:
    """Columns where something lies across the edge that is neither ground nor cutter: dust, a fibre, a reflection.

    There the light just outside of the edge is darker or lighter than both by a third of their difference.
    """
    cutter = ground.level + np.sign(np.nanmedian(trace.inside - trace.outside)) * ground.usual
    low, high = np.minimum(ground.level, cutter), np.maximum(ground.level, cutter)
    beside = (away > -3 * blur) & (away < 0)
    beyond = np.maximum(strip.light - high, low - strip.light) - 0.33 * ground.usual - 5 * ground.noise
    return np.asarray((np.where(beside, beyond, -1.0) > 0).sum(axis=0) >= max(2, blur))


def _widened(on: Bools, by: float) -> Bools:
    reach = np.ones((1, 2 * round(by) + 1), np.uint8)
    return np.asarray(cv2.dilate(on.astype(np.uint8)[None, :], reach)[0] > 0)


def _grounds_meet(strip: Strip, ground: Ground, blur: float) -> Bools:
    """Columns where the ground beside the edge is just changing, as where a sheet ends or a shadow begins: its half level is that of neither.

    Its light, at a distance where nothing stuck to the edge reaches it, changes within six blurs by a third of the step to the cutter.
    """
    rows = strip.light[(strip.d_px < -3 * blur) & (strip.d_px > -8 * blur - 1)]
    light = np.median(rows, axis=0)
    # where it is not in the picture, the ground's usual light stands in
    return _changing(np.where(np.isfinite(light), light, ground.level), ground, blur)


def _gleam_ends(trace: Trace, ground: Ground, blur: float) -> Bools:
    """Columns where the cutter's light is changing likewise, and less than half of the step to the ground is left."""
    step = np.abs(running_median(trace.inside - trace.outside, 6 * blur))
    return _changing(trace.inside, ground, blur) & (step < ground.usual / 2)


def _changing(light: Floats, ground: Ground, blur: float) -> Bools:
    lag = max(1, round(3 * blur))
    calm = np.pad(running_median(light, 6 * blur), lag, mode="edge")
    return np.asarray(np.abs(calm[2 * lag :] - calm[: -2 * lag]) > ground.usual / 3)


def _bridged(values: Floats, gap: int, deep: float) -> Floats:
    """Straight lines across places that were not seen, if they are less than `gap` columns wide or the edge is `deep` down on both
    sides: it has not come back up between."""
    known = np.isfinite(values)
    if not known.any():
        return values
    columns = np.arange(len(values))
    near = _closed(known, gap)
    for a, b in _runs(~near):
        if a > 0 and b < len(values) and min(values[a - 1], values[b]) > deep:
            near[a:b] = True
    filled = np.interp(columns, columns[known], values[known])
    return np.where(near, filled, np.nan)


def _closed(on: Bools, gap: int) -> Bools:
    """Fill gaps of less than `gap` columns."""
    filled = on.copy()
    for a, b in _runs(~on):
        if b - a < gap and a > 0 and b < len(on):
            filled[a:b] = True
    return filled


def _shoulders_seen(ground: Ground, trace: Trace, a: int, b: int, blur: float) -> bool:
    """Whether the edge on both sides of [a, b) is mostly seen: it did not fade away."""
    jump = np.where(np.isfinite(trace.offset_px), trace.inside - trace.outside, np.nan)
    whole = float(np.nanmedian(np.abs(jump)))
    # the first three blurs belong to the rounded shoulder of an opening
    rim, near = round(3 * blur), round(9 * blur)
    shoulders = []
    for beside in (jump[max(0, a - near) : max(0, a - rim)], jump[b + rim : b + near]):
        if len(beside) == 0 or np.isfinite(beside).mean() < 0.5:
            return False
        shoulders.append(float(np.nanmedian(beside)))
    left, right = shoulders
    return left * right > 0 and min(abs(left), abs(right)) > max(0.25 * whole, 6 * ground.noise)


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
        begin = np.where(inner, -depth, -_NEAR * blur)
        ground = replace(ground, level=np.full(width, usual))
    else:
        # within an opening shadows and haze lie along the edge
        begin = np.where(contour < -2 * blur, contour - 4 * blur, np.where(inner, 2 * blur, -_NEAR * blur))
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
    place[(begin < -_NEAR * blur) & (found.sure_px < begin + 2 * blur)] = np.nan
    return place, found.sure_px


def _believed(found: Openings, ground: Ground, blur: float) -> Floats:
    """Places of the openings; NaN where the border is faint, or where it only is a dull stretch of the cutter."""
    place = found.place_px.copy()
    faint = min(10 * ground.noise, 0.35 * float(np.median(ground.usual)))
    alike = 1.5 * ground.noise + 0.1 * ground.usual + ground.tolerance
    for a, b in _runs(~(place < _NEAR * blur)):
        within = found.departure[a:b]
        other = not np.isfinite(within).any() or abs(np.nanmedian(within)) > np.median(alike[a:b])
        # a bottomless or very narrow opening is a dull line in the cutter
        narrow = (
            b - a < 2 * blur
            or not np.nanmax(place[a:b], initial=0.0) < _STEEPEST * (b - a)
            or np.isnan(place[a:b]).any()
        )
        if other or narrow or np.median(found.step[a:b]) < faint:
            place[a:b] = np.nan
    return place


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


def corner_zone(points: Floats, corner: CornerPose) -> float:
    """How far along both edges the corner's own loss reaches (px): the tangent length of the arc with its recession."""
    apex = np.array(corner.apex_px)
    recession = float(np.min(np.hypot(*(points - apex).T)))
    cosine = float(np.dot(corner.end_direction, corner.side_direction))
    half = np.arccos(np.clip(cosine, -0.99, 0.99)) / 2
    return float(recession * np.cos(half) / (1 - np.sin(half)))


def _line(s: Floats, offset: Floats, start: float, *, floor: float, step: float) -> Baseline | None:
    part = s >= start
    return fit_baseline(s[part], offset[part], floor_px=floor, step_px=step)


@dataclass(frozen=True)
class _Noise:
    """Scatter of the undamaged edge, and of its mean over a stretch, taken from the edge itself.

    `worse` (columns,) says by how much the picture is noisier here than along most of this edge (1 or more), `level_px` what uneven
    light may move the edge by over any length.
    """

    missing: Floats
    good: Bools
    worse: Floats
    level_px: Floats
    single_px: float
    known: dict[int, float] = field(default_factory=dict)

    def of_mean(self, count: int) -> float:
        """Standard deviation of the mean over `count` columns; never below what independent columns would give."""
        least = self.single_px / np.sqrt(max(1.0, count))
        # too few windows of the full size would not show their scatter
        count = min(count, max(1, int(self.good.sum()) // 12))
        if count not in self.known:
            quiet = np.where(self.good, self.missing, np.nan)
            self.known[count] = tail_sigma(moving_mean(quiet, count)[self.good])
        return max(float(least), self.known[count])

    def local(self, count: int) -> Floats:
        """As `of_mean`, column by column, with what uneven light adds."""
        return np.hypot(self.of_mean(count) * self.worse, self.level_px)


@dataclass(frozen=True)
class _Seen:
    """One edge outside of the corner, arrays of shape (columns,): how far it lies behind its baseline, and how much of that may be a
    dark hollow."""

    frame: Frame
    s_px: Floats
    missing: Floats
    doubt: Floats
    line: Baseline
    noise: "_Noise"
    blur: float


def _judge(name: str, seen: _Seen, *, outline_px: float) -> EdgeScan:
    mouth = max(3, round(_MOUTH * seen.blur))
    chips, stuck = (
        tuple(
            chip
            for a, b in _stretches(sign * seen.missing, seen.noise, mouth, seen.blur)
            if sign * (chip := _chip(seen, a, b, sign)).depth_px < steepest * chip.length_px
        )
        for sign, steepest in ((1.0, _STEEPEST), (-1.0, 1.0))  # what sticks is a layer, no taller than wide
    )
    certain = 2 * (_SURE + ONE_SIDED_95) * float(np.median(seen.noise.local(mouth)))
    places = np.arange(seen.s_px[0], seen.line.end_px, 4.0)
    return EdgeScan(
        name,
        chips,
        stuck,
        seen.frame.to_photo(places, seen.line(places)),
        seen.line.noise_px,
        certain,
        _at_most(seen),
        float(np.isfinite(seen.missing).sum()),
        outline_px,
    )


def _at_most(seen: _Seen) -> float:
    """How deep the deepest chip can be that was not told from the edge's own scatter (px, one-sided 95 %).

    No true chip goes deeper than what is seen at its own place, and that errs by more than 1.64 times its uncertainty once in twenty.
    """
    known = np.isfinite(seen.missing)
    shown = np.interp(seen.s_px, seen.s_px[known], seen.missing[known])
    # what the corner's own rounding leaves at the first columns is no chip
    shoulder = np.argmin(shown[: round(_MOUTH * seen.blur)] > seen.noise.single_px)
    known[:shoulder] = False
    local = np.hypot(seen.noise.single_px * seen.noise.worse, seen.noise.level_px)
    u = np.hypot(local, seen.line.uncertainty(seen.s_px))
    depth = _calm(shown, 1.25 * seen.blur) + ONE_SIDED_95 * u
    return float(np.max(depth[known], initial=0.0)) / (1 - _FILLED)


def _noise(missing: Floats, good: Bools, trace: Trace, part: Bools, single: float, blur: float) -> _Noise:
    noise, level = trace.noise_px[part], trace.level_px[part]
    seen = np.isfinite(noise) & good

    def near(values: Floats) -> Floats:
        return running_median(np.where(seen, values, np.nan), 4 * _MOUTH * blur)

    worse = np.maximum(1.0, near(noise) / np.median(noise[seen]))
    return _Noise(missing, good, worse, near(level), single)


def _stretches(missing: Floats, noise: _Noise, mouth: int, blur: float) -> list[tuple[int, int]]:
    """Stretches [a, b) of columns that count: wide enough, and deep enough on average over their own width.

    Looked for with a mean over one mouth, then over twice as much and so on; what is found is left out of the wider means.
    """
    found: list[tuple[int, int]] = []
    left = missing.copy()
    count = mouth
    while count <= len(missing) // 2:
        behind = moving_mean(left, max(1, count // 2)) > 2 * noise.local(count // 2)
        deep = moving_mean(left, count) > _CHANCE * noise.local(count)
        for a, b in _runs(behind & np.isfinite(left)):
            closed = a > 0 and b < len(left)
            # blur may narrow the mouth of a shallow chip by about half of itself on either side
            shallow = np.max(left[a:b]) < _NEAR * blur
            wide = b - a >= (mouth - blur if shallow else mouth)
            if closed and wide and deep[a:b].any() and np.mean((left / noise.local(b - a))[a:b]) > _CHANCE:
                found.append((a, b))
                left[max(0, a - mouth) : b + mouth] = np.nan
        count *= 2
    return sorted(found)


def _runs(on: Bools) -> Iterable[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    return zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _chip(seen: _Seen, a: int, b: int, sign: float) -> Chip:
    """A found stretch, measured on the outline with the blur taken out. Never seen columns are bridged."""
    s, blur, noise, line = seen.s_px, seen.blur, seen.noise, seen.line
    pad = round(6 * blur)
    part = slice(max(0, a - pad), min(len(s), b + pad))
    known = np.isfinite(seen.missing[part])
    shown = np.interp(s[part], s[part][known], seen.missing[part][known])
    inner = slice(a - part.start, b - part.start)
    # the trace averages columns over about one blur: that much wider is the whole blur along the edge
    sharp = unblur(shown, blur_px=1.1 * blur)
    jagged = robust_sigma((shown - _calm(shown, 2.5 * blur))[inner])
    single = max(noise.single_px, jagged)
    k, depth, shared = _deepest(sign * sharp, inner, noise.single_px, blur)
    place, flat = s[a:b][[k]], sign * float(_calm(shown, 1.25 * blur)[inner][k])
    u = {
        "noise": single / float(np.sqrt(shared)) + float(noise.level_px[a + k]),
        "baseline": float(line.uncertainty(place)[0]),
        # the blurred picture does not tell a pointed tip from a round one, nor the corner of a floor
        "blur": float(np.hypot(0.4 * (depth - flat), _TIP * min(abs(depth), blur))),
        "form": 0.5 * (float(seen.doubt[a + k]) + _spike(sign * sharp[inner], depth, blur)),
    }
    deepest = seen.frame.to_photo(place, line(place) + sign * depth)[0]
    return Chip(
        place_px=float(place[0]),
        mouth_px=(float(s[a]) - 0.5, float(s[b - 1]) + 0.5),
        depth_px=sign * depth,
        area_px2=float(np.sum(shown[inner])),
        deepest_px=(float(deepest[0]), float(deepest[1])),
        contour_px=seen.frame.to_photo(s[a:b], line(s[a:b]) + _calm(sharp, 1.25 * blur)[inner]),
        u_depth_px=u,
    )


def _through_blur(photo: Photo, seen: _Seen, chip: Chip) -> Chip | None:
    """The chip with the depth of a notch of simple form, fitted to the picture, where that describes it no worse than the followed contour.

    None where the picture does not show one.
    """
    blur, line = seen.blur, seen.line
    first, last = (int(np.searchsorted(seen.s_px, at)) for at in chip.mouth_px)
    pad = round(7 * blur)
    part = slice(max(0, first - pad), min(len(seen.s_px), last + pad))
    s = seen.s_px[part]
    along, across = seen.frame.to_strip(chip.contour_px)
    contour = np.interp(s, along, across - line(along), left=0.0, right=0.0)
    u_edge = float(np.hypot(chip.u_depth_px["baseline"], seen.noise.level_px[first]))
    strip = straighten(
        photo.linear_bgr,
        photo.size,
        seen.frame,
        s_px=s,
        course_px=line(s),
        # the contour may have lost a floor that lies deeper
        d_range=(-7 * blur, 1.8 * chip.depth_px + 6 * blur),
        weights=LUMINANCE,  # the blur was measured in it; colour is stored at half resolution in most files
    )
    notch = fit_notch(strip.light, strip.d_px, s, contour, chip.mouth_px, blur_px=blur, u_edge_px=u_edge)
    if notch is None or notch.misfit > min(notch.contour_misfit, _DESCRIBED) or notch.depth_px <= 0:
        return chip
    u_depth = {
        "baseline": chip.u_depth_px["baseline"],
        "light": float(seen.noise.level_px[first]),
        **notch.u_depth_px,
    }
    u = np.hypot.reduce(list(u_depth.values()))
    if notch.depth_px < _SEEN_TWICE * u:
        return None
    if u > np.hypot.reduce(list(chip.u_depth_px.values())):
        return chip
    place = np.array([notch.place_px])
    deepest = seen.frame.to_photo(place, line(place) + notch.depth_px)[0]
    return replace(
        chip,
        place_px=notch.place_px,
        depth_px=notch.depth_px,
        deepest_px=(float(deepest[0]), float(deepest[1])),
        u_depth_px=u_depth,
    )


def _deepest(offset: Floats, inner: slice, noise: float, blur: float) -> tuple[int, float, float]:
    """Column (within `inner`) and depth of the deepest place, and over how many times the least width it is averaged.

    The deepest of many noisy columns lies too deep, the more so the longer a flat floor is: the smoothing is widened for as
    long as that lowers the depth by no more than noise does.
    """
    widest = 1.0
    first = _calm(offset, 1.25 * blur)[inner]
    k = int(np.argmax(first))
    depth = float(first[k])
    while 2.5 * widest * blur < (inner.stop - inner.start) / 2:
        smooth = _calm(offset, 1.25 * 1.6 * widest * blur)[inner]
        if np.max(first) - np.max(smooth) > noise:
            break
        widest *= 1.6
        k, depth = int(np.argmax(smooth)), float(np.max(smooth))
    return k, depth, widest


def _spike(offset: Floats, depth: float, blur: float) -> float:
    """By how much the deepest place of a deep chip goes beyond what is three blurs wide: it may be a dark wall behind the chip."""
    if depth < _NEAR * blur:
        return 0.0
    kernel = np.ones((1, max(1, round(3 * blur))), np.uint8)
    floor = cv2.morphologyEx(
        offset[None, :].astype(np.float32), cv2.MORPH_OPEN, kernel, borderType=cv2.BORDER_REPLICATE
    )
    return max(0.0, depth - float(floor.max()))


def _calm(offset: Floats, half_px: float) -> Floats:
    """Parabolas through neighbours within `half_px`: noise goes, peaks stay (Savitzky and Golay 1964).

    Never beyond those neighbours: beside a wall a parabola swings over.
    """
    half = max(1, round(half_px))
    x = np.arange(-half, half + 1)
    kernel = np.linalg.pinv(np.stack([np.ones(len(x)), x, x * x], axis=1))[0]
    padded = np.pad(offset, half, mode="edge")
    near = np.lib.stride_tricks.sliding_window_view(padded, len(x))
    return np.clip(np.convolve(padded, kernel[::-1], mode="valid"), near.min(axis=1), near.max(axis=1))


def _depth(chips: list[Chip], scans: Iterable[EdgeScan]) -> Quantity:
    if not chips:
        return Quantity(max(scan.at_most_px for scan in scans), "px", kind="upper_limit")
    deepest = max(chips, key=lambda c: c.depth_px)
    return Quantity(deepest.depth_px, "px", deepest.u_depth_px)


def _length(chips: list[Chip], outline: Outline) -> Quantity:
    blur = outline.corner.blur_px if outline.corner else 0.0
    total = sum(chip.length_px for chip in chips)
    return Quantity(total, "px", {"blur": blur * float(np.sqrt(2.0 * max(1, len(chips))))})


def _marks(name: str, chips: Iterable[Chip], scale: Scale) -> tuple[Mark, ...]:
    return tuple(
        Mark(
            name,
            c.deepest_px,
            f"{abs(c.depth_px) / scale.px_per_mm:.3f} mm, {c.place_px / scale.px_per_mm:.2f} mm from the corner",
        )
        for c in chips
    )


def _curves(scans: Iterable[EdgeScan]) -> Iterable[Curve]:
    for scan in scans:
        yield Curve("undamaged edge", scan.baseline_px)
        yield from (Curve("chip", chip.contour_px) for chip in scan.chips)
        yield from (Curve("stuck material", chip.contour_px) for chip in scan.stuck)


def _remarks(scans: Iterable[EdgeScan], scale: Scale) -> Iterable[str]:
    for scan in scans:
        yield (
            f"{scan.name}: {scan.length_px / scale.px_per_mm:.2f} mm looked at; a chip of 6 blurs shows from "
            f"{scan.detection_px / scale.px_per_mm:.4f} mm depth"
        )
