"""Follow the outline of a corner, or of a round end, in a photo: both edges on their steps, the corner as it was measured."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.features.wear_map.shape import (
    FEWEST,
    HALF_PROFILE_PX,
    HOLE,
    MARGIN,
    ROUND,
    STEP_PX,
    Recession,
    Shape,
    robust_curve,
    round_shape,
)
from wearscope.finding import Finding
from wearscope.geometry.circles import fit_circle
from wearscope.geometry.scale import Scale
from wearscope.outline.shape import CornerPose, NosePose, Outline
from wearscope.photo.read import Photo
from wearscope.quantity import COVERAGE_FACTOR, ONE_SIDED_95, Quantity
from wearscope.subpixel.profile import StepFits, measure_steps

__all__ = ["trace_shape"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_REACH_PX = 800.0
_SMOOTH = 6.0
"""Standard deviation of the smoothing of an edge's direction, in steps."""
_BACKWARDS_PX = 25.0
"""A contour that runs back by more than this is no wall of a chip: it has left the edge."""
_SETTLED = 8
"""The circle through a round end settles in a few rounds."""
_AT_END = 20
"""Where a contour leaves the edge it is drawn aside for the last 40 px. The two flanks run the way the 40 px before do; between
these directions lies the axis."""
_LOST = 20
"""Round a tip an edge that is not seen over this many steps (40 px) has been left by the contour."""
_ASTRAY_PX = 6.0
"""A step found farther than this from the contour belongs to something else."""
_SOFT = 2.0
"""A step this many times as wide as is usual along the edge is two steps beside each other, or out of focus."""
_LIKE_GROUND, _EVEN = 5.0, 0.03
"""The light on the ground changes evenly along an edge; a level that differs from that by more than five times the grain, and
by more than even light leaves of the contrast, is a level on the cutter."""
_ASTRAY = 0.03
"""The direction of an edge at the corner is known to two degrees. Edges that bend away from it farther are followed as far as the
outline was sure of them."""
_KNOWN = 0.5
"""A step whose place is not known to half a blur is not seen."""
_ARC_POINTS = 17
"""An arc is drawn with at least this many points, an odd number: its middle is the place where most is gone."""
_TOGETHER = 20
"""Where the corner lies rests on at least this many places on each edge (40 px)."""
_FLAT_OR_ROUND = 0.05
"""Of a tip an arc is fitted to. A flat of the same area stands back 9 % farther at 60 degrees (computed), evenly distributed."""


def trace_shape(
    photo: Photo,
    outline: Outline,
    corner: Finding,
    scale: Scale,
    *,
    alike: bool = False,
    straight: bool = True,
) -> Shape | str:
    """The outline of a corner as it was measured: both edges followed, and the corner from `corner`, what the corner
    measurement found (its curves and its recession); or that of a round end, followed from its tip to both sides. `alike`: which of
    the two edges is which does not matter, as on a point. `straight`: the edges are more or less straight; others are followed
    wherever the contour goes. In words why not where there is none.
    """
    if outline.nose is not None:
        return _trace_nose(photo, outline, outline.nose)
    pose, curves = outline.corner, {curve.name: curve.px for curve in corner.curves}
    recession = corner.quantities.get("corner_recession")
    rounding = curves.get("arc", curves.get("broken corner"))
    if pose is None or rounding is None or recession is None:
        return next(iter(corner.not_measured.values()), "no cutting corner was found in the picture")
    size = _recession(recession.scaled(scale.px_per_mm, "px"))
    arc = _dense(rounding, 0.5, fewest=_ARC_POINTS)
    sides = []
    end, side = np.array(pose.end_direction), np.array(pose.side_direction)
    for name, joint, ahead, other, length in (
        ("end_edge", arc[0], end, side, pose.end_length_px),
        ("side_edge", arc[-1], side, end, pose.side_length_px),
    ):
        length = length if straight else _REACH_PX
        course = _course(outline, curves[name], joint, ahead, length, MARGIN * pose.blur_px)
        course = _dense(course, STEP_PX)
        touched = np.arange(len(course)) * STEP_PX < MARGIN * pose.blur_px
        cutter_right = bool(ahead[0] * other[1] - ahead[1] * other[0] > 0)
        sides.append(_on_steps(photo, outline, course, touched, pose.blur_px, cutter_right=cutter_right))
    virtual = next(m.px for m in corner.marks if m.name == "virtual_corner")
    pose = replace(pose, roles_certain=pose.roles_certain and not alike)
    if alike and "corner_radius" in corner.quantities:
        size = size.with_part("form", _FLAT_OR_ROUND * size.value)
    return _assembled(pose, np.array(virtual), sides, arc, size, photo.size)


def _trace_nose(photo: Photo, outline: Outline, nose: NosePose) -> Shape | str:
    """The contour from the tip up both flanks, as far as it does not turn back, on the steps. Blur makes a round end look
    smaller by sigma_b^2 / (2 R) (check values, section 3.3); that is put back. There is no corner on it."""
    contour = outline.points_px
    if len(contour) < 2 * FEWEST or not math.isfinite(nose.blur_px):
        return "too little of the round end shows a clear edge"
    centre = np.array(nose.centre_px)
    # a worn tip shows parts of a circle only, whose middle may lie far to one side; the contour ends on the body
    axis = centre - contour[[0, -1]].mean(axis=0)
    axis /= max(float(np.hypot(*axis)), 1e-9)
    height = (centre - contour) @ axis
    tip = int(np.argmin(height))
    runs = [_climbing(contour[way], height[way]) for way in (np.s_[tip::-1], np.s_[tip:])]
    course = _dense(np.vstack([runs[0][:0:-1], runs[1]]), STEP_PX)
    untouched = np.zeros(len(course), bool)
    side = _on_steps(photo, outline, course, untouched, nose.blur_px, cutter_right=True)
    tip = int(np.argmax(side.points @ axis))
    first, last = tip + 1 - _unbroken(side.seen[tip::-1]), tip + _unbroken(side.seen[tip:])
    whole = slice(first + _AT_END, max(last - _AT_END, first + _AT_END))
    points, u, seen = side.points[whole], side.u[whole], side.seen[whole]
    if seen.sum() <= 2 * _AT_END:
        return "too little of the round end shows a clear edge"
    ends = points[seen][[_AT_END, 0, -1 - _AT_END, -1]]
    axis = sum((a - b) / max(float(np.hypot(*(a - b))), 1e-9) for a, b in (ends[:2], ends[2:]))
    axis = axis / max(float(np.hypot(*axis)), 1e-9)
    centre = _ball_centre(points[seen], centre, axis, nose.radius_px)
    ray = points - centre
    away = np.hypot(*ray.T)
    inward = np.where(ray @ axis > math.cos(ROUND) * away, nose.blur_px**2 / (2 * nose.radius_px), 0.0)
    edge = np.where(np.arange(len(points)) < int(np.argmax(points @ axis)), -1, 1)
    return round_shape(
        points + (inward / away)[:, None] * ray, u, seen, edge, centre, axis, nose.blur_px, photo.size
    )


def _ball_centre(points: Floats, centre: Floats, axis: Floats, radius: float) -> Floats:
    """Centre of the circle through the round end, from a first guess; places that lie off it, worn ones, do not count."""
    for _ in range(_SETTLED):
        ray = points - centre
        away = np.hypot(*ray.T)
        on_ball = ray @ axis > math.cos(ROUND) * away
        off = np.abs(away - radius)
        near = on_ball & (off <= np.median(off[on_ball]) + 1.0) if on_ball.any() else on_ball
        if near.sum() < FEWEST:
            break
        circle = fit_circle(points[near])
        centre, radius = np.array(circle.centre), circle.radius
    return centre


def _climbing(run: Floats, height: Floats) -> Floats:
    """The beginning of a contour from the tip, up to where it comes down again."""
    back = np.flatnonzero(np.maximum.accumulate(height) - height > _BACKWARDS_PX)
    return run[: back[0]] if len(back) else run


def _unbroken(seen: Bools) -> int:
    """How many places of an edge from the tip onwards there are before it is lost: beyond a long hole the contour no longer
    follows the cutter."""
    at = np.flatnonzero(seen)
    lost = np.flatnonzero(np.diff(at) > _LOST)
    return int(at[lost[0]] if len(lost) else at[-1]) + 1 if len(at) else 0


def _recession(stated: Quantity) -> Recession:
    """A stated recession without what the scale adds. A limit is symmetrical in the square, as the corner's fit is."""
    parts = {name: u for name, u in stated.parts.items() if name != "scale"}
    whole = math.hypot(*parts.values())
    if stated.kind != "upper_limit":
        by_scale = COVERAGE_FACTOR * stated.parts.get("scale", 0.0)
        below, above = (
            COVERAGE_FACTOR * whole if side is None else math.sqrt(max(side**2 - by_scale**2, 0.0))
            for side in (stated.below, stated.above)
        )
        return Recession(stated.value, parts, below, above)
    best = max(stated.value - ONE_SIDED_95 * whole, 0.0)
    spread = COVERAGE_FACTOR * (stated.value**2 - best**2) / ONE_SIDED_95
    low, high = math.sqrt(max(best**2 - spread, 0.0)), math.sqrt(best**2 + spread)
    return Recession(best, parts, best - low, high - best)


def _dense(line: Floats, step: float, fewest: int = 2) -> Floats:
    """The polyline with evenly spaced points, `step` apart or a little more, `fewest` of them at the least."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.linspace(0.0, along[-1], max(fewest, int(along[-1] / step) + 1))
    return np.column_stack([np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])])


@dataclass(frozen=True, slots=True)
class _Side:
    """One edge from the corner outwards: `points` (n, 2), `u` (n,) and `seen` (n,)."""

    points: Floats
    u: Floats
    seen: Bools


def _on_steps(
    photo: Photo, outline: Outline, course: Floats, touched: Bools, blur: float, *, cutter_right: bool
) -> _Side:
    """A course moved onto the steps between cutter and ground; what the corner's blur `touched` is left as it is.

    A step whose outer level is not the ground's is a grinding line or a bevel inside the cutter: there the edge is looked
    for again on the straight way between the nearest places where it was found.
    """
    normals = _normals(course)
    offset, u, found = _steps(photo, outline, course, normals, blur, cutter_right)
    seen = _in_runs(touched | found)
    offset = np.where(touched, 0.0, offset)
    at = np.flatnonzero(seen)
    if len(at) > 1 and len(at) < at[-1] + 1 - at[0]:
        hole = ~seen & (np.arange(len(seen)) > at[0]) & (np.arange(len(seen)) < at[-1])
        between = slice(at[0], at[-1] + 1)
        on_edge = (course + offset[:, None] * normals)[at]
        way = np.column_stack([np.interp(np.arange(at[0], at[-1] + 1), at, v) for v in on_edge.T])
        across = _normals(way)
        again, u_again, found = _steps(photo, outline, way, across, blur, cutter_right)
        late = hole[between] & found
        for whole, part in ((course, way), (normals, across), (offset, again), (u, u_again), (seen, late)):
            whole[between][late] = part[late]
        seen = _in_runs(seen)
    offset = np.where(seen & ~touched, offset, 0.0)
    return _Side(course + offset[:, None] * normals, _scatter(offset, seen, u), seen)


def _in_runs(seen: Bools) -> Bools:
    """A few places alone in a hole are chance."""
    from scipy.ndimage import binary_opening

    return np.asarray(binary_opening(seen, np.ones(HOLE, bool)), bool)


def _steps(
    photo: Photo, outline: Outline, course: Floats, normals: Floats, blur: float, cutter_right: bool
) -> tuple[Floats, Floats, Bools]:
    """Where the step to the ground lies across a course: offset along the normal, its standard uncertainty, and whether it is one."""
    low = np.maximum(np.floor(course.min(axis=0)) - 20, 0).astype(int)
    high = np.minimum(np.ceil(course.max(axis=0)) + 20, photo.size).astype(int)
    picture = photo.linear((int(low[0]), int(low[1]), int(high[0]), int(high[1])), mix=outline.mix)
    fits = measure_steps(picture, course - low, normals, half_px=HALF_PROFILE_PX)
    found = fits.ok & (np.abs(fits.position) < _ASTRAY_PX) & (fits.u_position < _KNOWN * blur)
    if found.sum() > HOLE:
        found &= fits.blur < _SOFT * float(np.median(fits.blur[found]))
        found &= _beside_ground(fits.before if cutter_right else fits.after, fits, found)
    return fits.position, fits.u_position, np.asarray(found, bool)


def _beside_ground(outer: Floats, fits: StepFits, found: Bools) -> Bools:
    """Whether the level `outer` of each step is that of the ground along this part of the edge."""
    at = np.arange(1.0, len(outer) + 1)
    ground, _ = robust_curve(at[found], outer[found], 1)
    off = np.abs(outer - np.polynomial.polynomial.polyval(at, ground))
    grain = 1.4826 * float(np.median(off[found]))
    contrast = float(np.median(np.abs(fits.after - fits.before)[found]))
    return np.asarray(off < max(_LIKE_GROUND * grain, _EVEN * contrast), bool)


def _normals(course: Floats) -> Floats:
    """Unit vectors across a course, smoothed along it: where curve and contour join it has a kink that the edge has not."""
    from scipy.ndimage import gaussian_filter1d

    tangent = gaussian_filter1d(np.gradient(course, axis=0), _SMOOTH, axis=0, mode="nearest")
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def _course(
    outline: Outline, fitted: Floats, joint: Floats, ahead: Floats, length: float, touched: float
) -> Floats:
    """Where to look for the edge: the fitted curve as far as the corner's blur has `touched` it, then the contour, which goes
    into chips, up to `length` from the joint or, farther out, to where it lies on the edge's line for the last time; the
    fitted curve alone where no contour is near."""
    fitted = _dense(fitted, STEP_PX)
    start = fitted[np.argmin(np.hypot(*(fitted - joint).T)) :]
    start = start if len(start) > 1 else np.array([joint, joint + 2 * STEP_PX * ahead])
    inner = start[: max(2, int(np.ceil(touched / STEP_PX)) + 1)]
    reach = float((inner[-1] - joint) @ ahead)
    contour = outline.points_px
    gap = np.hypot(*(contour - inner[-1]).T) if len(contour) > 1 else np.array([np.inf])
    first = int(np.argmin(gap))
    if gap[first] > _ASTRAY_PX:
        return start
    runs = [contour[first:], contour[first::-1]]
    beyond = max(runs, key=lambda run: float((run[min(20, len(run) - 1)] - run[0]) @ ahead))
    along = (beyond - joint) @ ahead
    leaves = np.flatnonzero((along > _REACH_PX) | (np.maximum.accumulate(along) - along > _BACKWARDS_PX))
    stop = int(leaves[0]) if len(leaves) else len(along)
    aside = np.abs((beyond - joint) @ np.array([-ahead[1], ahead[0]]))
    on_line = (along <= length) | (aside < _ASTRAY_PX + _ASTRAY * along)
    beyond = beyond[: int(np.flatnonzero(on_line[:stop])[-1]) + 1] if on_line[:stop].any() else beyond[:0]
    beyond = beyond[(beyond - joint) @ ahead > reach + STEP_PX]
    return np.vstack([inner, beyond])


def _scatter(offset: Floats, seen: Bools, stated: Floats) -> Floats:
    """Standard uncertainty of each place: what its own profile says, or the scatter against its neighbours if that is more."""
    both = seen[1:-1] & seen[:-2] & seen[2:]
    bend = (offset[2:] - 2 * offset[1:-1] + offset[:-2])[both]
    common = 1.4826 * float(np.median(np.abs(bend))) / math.sqrt(6) if len(bend) else 0.0
    return np.where(seen, np.maximum(stated, common), np.inf)


def _assembled(
    pose: CornerPose,
    virtual: Floats,
    sides: list[_Side],
    arc: Floats,
    recession: Recession,
    frame: tuple[int, int],
) -> Shape:
    """One walk along both edges and the corner, the cutter on the right hand."""
    end, side = np.array(pose.end_direction), np.array(pose.side_direction)
    end_first = bool(end[0] * side[1] - end[1] * side[0] < 0)
    first, last = (sides[0], sides[1]) if end_first else (sides[1], sides[0])
    corner = arc if end_first else arc[::-1]
    near = [float(np.median(s.u[s.seen][:20])) if s.seen.any() else 0.0 for s in (first, last)]
    u = np.full(
        len(corner),
        math.hypot(max(recession.below, recession.above) / COVERAGE_FACTOR, max(near) / math.sqrt(_TOGETHER)),
    )
    return Shape(
        np.vstack([first.points[:0:-1], corner, last.points[1:]]),
        np.concatenate([first.u[:0:-1], u, last.u[1:]]),
        np.repeat([-1, 0, 1], [len(first.points) - 1, len(corner), len(last.points) - 1]),
        np.concatenate([first.seen[:0:-1], np.ones(len(corner), bool), last.seen[1:]]),
        virtual,
        end if end_first else side,
        side if end_first else end,
        pose.blur_px,
        recession,
        end_first if pose.roles_certain else None,
        frame,
    )
