"""New against now: what is gone along the outline of a corner since the cutter was new.

The outline of the photo now and that of the new cutter (or of its nominal form) are laid over each other on the
edges away from the corner, which do not wear as the corner does; what lies between them is gone. What both edges
lost evenly all along cannot be seen this way: that is what a micrometer is for.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, WearMap, WearPoint
from wearscope.geometry.circles import fit_circle
from wearscope.geometry.register import Gap, Motion, gap_to, register, shared
from wearscope.geometry.scale import Scale
from wearscope.outline.shape import CornerPose, NosePose, Outline
from wearscope.photo.read import Photo
from wearscope.quantity import COVERAGE_FACTOR, ONE_SIDED_95, Quantity
from wearscope.subpixel.profile import StepFits, measure_steps

__all__ = ["Shape", "measure_wear", "nominal_shape", "trace_shape"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
NAME = "form_deviation"
_STEP_PX = 2.0
"""Spacing of places on the edges: about one blur, so that neighbours are nearly independent."""
_REACH_PX = 800.0
_SMOOTH = 6.0
"""Standard deviation of the smoothing of an edge's direction, in steps."""
_HALF_PROFILE_PX = 10.0
_BACKWARDS_PX = 25.0
"""A contour that runs back by more than this is no wall of a chip: it has left the edge."""
_HOLE = 5
"""An outline that is not seen over more than this many steps has a hole there, across which nothing is compared."""
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
_MARGIN = 3.0
"""Places nearer to the worn corner than this many sigma_b are not registered on: its blur touches them."""
_KNOWN = 0.5
"""A step whose place is not known to half a blur is not seen."""
_FAR = 0.5
"""The outer share of the edges on which the two outlines are laid over each other first."""
_FEWEST = 12
"""An outline needs this many places on each side."""
_ROUND = math.radians(70.0)
"""So far from its axis a round end is taken for a ball: the last twenty degrees may be a tapered flank."""
_TURNED = math.radians(3.0)
"""A round end's axis is seen to some degrees; where its flanks do not tell, its turn is known no better."""
_TURNS = tuple(math.radians(t) for t in (0, -3, 3, -6, 6, -9, 9, -12, 12))
_SPARSE, _APART_PX = 3, 5.0
"""Its first guess is right to a dozen degrees. Every third place is enough to tell; what is farther apart than this does not
belong together."""
_MISMATCH_PX, _MISMATCH, _BOTH = 1.0, 0.1, 0.5
"""Outlines of one corner lie on each other to a px or so along most of both edges. An angle between them that differs by
6 degrees at the first glance is another corner's."""
_ARC_POINTS = 17
"""An arc is drawn with at least this many points, an odd number: its middle is the place where most is gone."""
_TOGETHER = 20
"""Where the corner lies rests on at least this many places on each edge (40 px)."""
_NOMINAL_REACH_PX = 300.0
"""The nominal form is compared this far beyond the corner: farther out a helix is no parabola any more."""
_BENDS = 5.0
"""An edge is taken for bent where its bend differs from zero by this many standard uncertainties, and by a px."""
_WORN = 4.7
"""What is left between two edges by more than this many standard deviations is worn (Tukey's constant, as in `register`)."""
_ROUNDED = 0.05
"""Blur moves a curved edge by sigma_b^2 / (2 R): a twentieth of a blur where the floor of a loss is rounded to ten blurs."""
_ONE_IN_A_HUNDRED = 2.58
"""One in a hundred normal values lies farther off than this many standard deviations. The tail is what counts: the greatest
loss is looked for, and where grinding lines meet an edge a few places are far more astray than most."""
_HIDDEN = 0.25
"""Where more than a quarter of the edges is not compared, more may be gone there than was seen."""
_FLAT_OR_ROUND = 0.05
"""Of a tip an arc is fitted to. A flat of the same area stands back 9 % farther at 60 degrees (computed), evenly distributed."""
_PARTLY = 0.1
"""More than this share of the edges without comparison is worth saying."""
_CHANCE = 0.05
"""Loss is proven where it would be seen by chance anywhere along an unworn outline in this share of pictures."""


class _NoMap(Exception):
    """Why the two outlines cannot be compared, in words."""


@dataclass(frozen=True, slots=True)
class _Recession:
    """Of a corner, px: the value, standard uncertainties by part, and the two sides of its 95 % interval."""

    value: float
    parts: dict[str, float]
    below: float
    above: float

    def times(self, zoom: float) -> "_Recession":
        parts = {name: u * zoom for name, u in self.parts.items()}
        return _Recession(self.value * zoom, parts, self.below * zoom, self.above * zoom)

    def with_part(self, name: str, u: float) -> "_Recession":
        """The same with a further standard uncertainty."""
        parts = {**self.parts, name: math.hypot(self.parts.get(name, 0.0), u)}
        below, above = (math.hypot(side, COVERAGE_FACTOR * u) for side in (self.below, self.above))
        return _Recession(self.value, parts, min(below, self.value), above)


@dataclass(frozen=True, slots=True)
class Shape:
    """The outline of a corner in one photo, unblurred, walking with the cutter on the right hand as seen.

    `points` (n, 2) px; `u` (n,) standard uncertainty across, px; `edge` (n,): -1 on the edge before the corner, 0 on the
    corner, 1 on the edge after it; `seen` (n,): False where the edge was not found. `apex`, `before`, `after`:
    virtual corner and unit vectors along the edges away from it. `recession`: how far the
    corner lies behind it. `end_first`: the end edge is the one before the corner; None where that was guessed. `frame`: width and height of
    the photo.
    """

    points: Floats
    u: Floats
    edge: NDArray[np.int_]
    seen: Bools
    apex: Floats
    before: Floats
    after: Floats
    blur: float
    recession: _Recession
    end_first: bool | None
    frame: tuple[int, int]

    @property
    def is_round(self) -> bool:
        """A round end, which has no corner: `apex` is its centre."""
        return not (self.edge == 0).any()

    @property
    def opening(self) -> float:
        """Angle between the edges, rad."""
        return math.acos(float(np.clip(self.before @ self.after, -1, 1)))


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
    if pose is None or "arc" not in curves or recession is None:
        return next(iter(corner.not_measured.values()), "no cutting corner was found in the picture")
    size = _recession(recession.scaled(scale.px_per_mm, "px"))
    arc = _dense(curves["arc"], 0.5, fewest=_ARC_POINTS)
    sides = []
    end, side = np.array(pose.end_direction), np.array(pose.side_direction)
    for name, joint, ahead, other, length in (
        ("end_edge", arc[0], end, side, pose.end_length_px),
        ("side_edge", arc[-1], side, end, pose.side_length_px),
    ):
        length = length if straight else _REACH_PX
        course = _course(outline, curves[name], joint, ahead, length, _MARGIN * pose.blur_px)
        course = _dense(course, _STEP_PX)
        touched = np.arange(len(course)) * _STEP_PX < _MARGIN * pose.blur_px
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
    if len(contour) < 2 * _FEWEST or not math.isfinite(nose.blur_px):
        return "too little of the round end shows a clear edge"
    centre = np.array(nose.centre_px)
    # a worn tip shows parts of a circle only, whose middle may lie far to one side; the contour ends on the body
    axis = centre - contour[[0, -1]].mean(axis=0)
    axis /= max(float(np.hypot(*axis)), 1e-9)
    height = (centre - contour) @ axis
    tip = int(np.argmin(height))
    runs = [_climbing(contour[way], height[way]) for way in (np.s_[tip::-1], np.s_[tip:])]
    course = _dense(np.vstack([runs[0][:0:-1], runs[1]]), _STEP_PX)
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
    inward = np.where(ray @ axis > math.cos(_ROUND) * away, nose.blur_px**2 / (2 * nose.radius_px), 0.0)
    edge = np.where(np.arange(len(points)) < int(np.argmax(points @ axis)), -1, 1)
    return _round_shape(
        points + (inward / away)[:, None] * ray, u, seen, edge, centre, axis, nose.blur_px, photo.size
    )


def _ball_centre(points: Floats, centre: Floats, axis: Floats, radius: float) -> Floats:
    """Centre of the circle through the round end, from a first guess; places that lie off it, worn ones, do not count."""
    for _ in range(_SETTLED):
        ray = points - centre
        away = np.hypot(*ray.T)
        on_ball = ray @ axis > math.cos(_ROUND) * away
        off = np.abs(away - radius)
        near = on_ball & (off <= np.median(off[on_ball]) + 1.0) if on_ball.any() else on_ball
        if near.sum() < _FEWEST:
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


def _round_shape(
    points: Floats, u: Floats, seen: Bools, edge: NDArray[np.int_], centre: Floats, axis: Floats, blur: float,
    frame: tuple[int, int],
) -> Shape:  # fmt: skip
    """The shape of a round end: its frame is the ball's centre and two directions at 45 degrees to its axis."""
    across = np.array([-axis[1], axis[0]])
    before, after = (across - axis) / math.sqrt(2), (-across - axis) / math.sqrt(2)
    nothing = _Recession(0.0, {}, 0.0, 0.0)
    return Shape(points, u, edge, seen, centre, before, after, blur, nothing, None, frame)


def _recession(stated: Quantity) -> _Recession:
    """A stated recession without what the scale adds. A limit is symmetrical in the square, as the corner's fit is."""
    parts = {name: u for name, u in stated.parts.items() if name != "scale"}
    whole = math.hypot(*parts.values())
    if stated.kind != "upper_limit":
        by_scale = COVERAGE_FACTOR * stated.parts.get("scale", 0.0)
        below, above = (
            COVERAGE_FACTOR * whole if side is None else math.sqrt(max(side**2 - by_scale**2, 0.0))
            for side in (stated.below, stated.above)
        )
        return _Recession(stated.value, parts, below, above)
    best = max(stated.value - ONE_SIDED_95 * whole, 0.0)
    spread = COVERAGE_FACTOR * (stated.value**2 - best**2) / ONE_SIDED_95
    low, high = math.sqrt(max(best**2 - spread, 0.0)), math.sqrt(best**2 + spread)
    return _Recession(best, parts, best - low, high - best)


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

    return np.asarray(binary_opening(seen, np.ones(_HOLE, bool)), bool)


def _steps(
    photo: Photo, outline: Outline, course: Floats, normals: Floats, blur: float, cutter_right: bool
) -> tuple[Floats, Floats, Bools]:
    """Where the step to the ground lies across a course: offset along the normal, its standard uncertainty, and whether it is one."""
    low = np.maximum(np.floor(course.min(axis=0)) - 20, 0).astype(int)
    high = np.minimum(np.ceil(course.max(axis=0)) + 20, photo.size).astype(int)
    picture = photo.linear((int(low[0]), int(low[1]), int(high[0]), int(high[1])), mix=outline.mix)
    fits = measure_steps(picture, course - low, normals, half_px=_HALF_PROFILE_PX)
    found = fits.ok & (np.abs(fits.position) < _ASTRAY_PX) & (fits.u_position < _KNOWN * blur)
    if found.sum() > _HOLE:
        found &= fits.blur < _SOFT * float(np.median(fits.blur[found]))
        found &= _beside_ground(fits.before if cutter_right else fits.after, fits, found)
    return fits.position, fits.u_position, np.asarray(found, bool)


def _beside_ground(outer: Floats, fits: StepFits, found: Bools) -> Bools:
    """Whether the level `outer` of each step is that of the ground along this part of the edge."""
    at = np.arange(1.0, len(outer) + 1)
    ground, _ = _robust_curve(at[found], outer[found], 1)
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
    fitted = _dense(fitted, _STEP_PX)
    start = fitted[np.argmin(np.hypot(*(fitted - joint).T)) :]
    start = start if len(start) > 1 else np.array([joint, joint + 2 * _STEP_PX * ahead])
    inner = start[: max(2, int(np.ceil(touched / _STEP_PX)) + 1)]
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
    beyond = beyond[(beyond - joint) @ ahead > reach + _STEP_PX]
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
    recession: _Recession,
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


@dataclass(frozen=True, slots=True)
class _Course:
    """An edge near the corner: offset `across` as a polynomial (constant first) of the distance `ahead` from `apex`."""

    apex: Floats
    ahead: Floats
    across: Floats
    coefficients: Floats
    covariance: Floats
    reach: float

    def at(self, s: Floats) -> Floats:
        """Places (n, 2) at distances s."""
        offset = np.polynomial.polynomial.polyval(s, self.coefficients)
        return np.asarray(self.apex + s[:, None] * self.ahead + offset[:, None] * self.across, np.float64)

    def u(self, s: Floats) -> Floats:
        """Standard uncertainty across, at distances s."""
        rows = s[:, None] ** np.arange(len(self.coefficients))
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", rows, self.covariance, rows)), np.float64)

    def tangent(self, point: Floats) -> tuple[Floats, Floats]:
        """Of the edge abreast of a point: a place on it and its unit direction away from the corner."""
        s = (point - self.apex) @ self.ahead
        slope = np.polynomial.polynomial.polyval(s, np.polynomial.polynomial.polyder(self.coefficients))
        direction = self.ahead + slope * self.across
        return self.at(np.array([s]))[0], direction / np.hypot(*direction)


def _whole_edge(shape: Shape, name: int, ahead: Floats) -> _Course | None:
    """The edge as it was before the corner was worn: a line, bent where the edge asks for it, through what lies beyond the corner."""
    away = np.hypot(*(shape.points - shape.apex).T)
    begin = _corner_reach(shape) + _MARGIN * shape.blur
    use = (shape.edge == name) & shape.seen & (away > begin) & (away < begin + _NOMINAL_REACH_PX)
    if use.sum() < _FEWEST:
        return None
    across = np.array([-ahead[1], ahead[0]])
    s, v = (shape.points[use] - shape.apex) @ ahead, (shape.points[use] - shape.apex) @ across
    straight, bent = (_robust_curve(s, v, degree) for degree in (1, 2))
    sagitta = abs(bent[0][2]) * float(np.ptp(s)) ** 2 / 4
    asks = sagitta > 1.0 and abs(bent[0][2]) > _BENDS * math.sqrt(bent[1][2, 2])
    coefficients, covariance = bent if asks else straight
    return _Course(shape.apex, ahead, across, coefficients, covariance, float(s.max()))


def _robust_curve(s: Floats, v: Floats, degree: int) -> tuple[Floats, Floats]:
    """Coefficients (constant first) and their covariance, Tukey weights after a start by absolute residuals."""
    span = float(np.abs(s).max())
    rows = (s / span)[:, None] ** np.arange(degree + 1)
    weight, off = np.ones(len(s)), v
    for turn in range(25):
        half = np.sqrt(weight)
        found = np.linalg.lstsq(rows * half[:, None], v * half, rcond=None)[0]
        off = np.abs(v - rows @ found)
        width = 1.4826 * float(np.median(off)) + 1e-9
        weight = (
            1 / np.maximum(off, width / 4)
            if turn < 10
            else np.maximum(1 - (off / (4.685 * width)) ** 2, 0.0) ** 2
        )
    kept = weight > 0
    scatter2 = float((weight * off**2).sum() / max(weight.sum() - degree - 1, 1.0))
    scatter2 *= shared(v - rows @ found, weight, 1.0)
    scale = span ** -np.arange(degree + 1.0)
    spread = np.linalg.inv(rows[kept].T @ (rows[kept] * weight[kept, None])) * scatter2
    return np.asarray(found * scale, np.float64), np.asarray(spread * np.outer(scale, scale), np.float64)


def nominal_shape(shape: Shape, radius_px: float) -> Shape | str:
    """The form a corner should have: whole edges through what is left of those of `shape`, and an arc of the nominal radius.
    Of a round end a ball of that radius, which has still to be laid on it."""
    if shape.is_round:
        return _ball(shape, radius_px)
    courses = [_whole_edge(shape, name, d) for name, d in ((-1, shape.before), (1, shape.after))]
    if courses[0] is None or courses[1] is None:
        return "too little of the edges beside the corner is seen"
    edges = (courses[0], courses[1])
    apex = shape.apex
    for _ in range(6):
        (at, d), (other, e) = (edge.tangent(apex) for edge in edges)
        apex = at + d * float(np.linalg.solve(np.column_stack([d, -e]), other - at)[0])
    ahead = [edge.tangent(apex)[1] for edge in edges]
    half = math.acos(float(np.clip(ahead[0] @ ahead[1], -1, 1))) / 2
    tangent, turn = radius_px / math.tan(half), math.pi / 2 - half
    bisector = (ahead[0] + ahead[1]) / np.linalg.norm(ahead[0] + ahead[1])
    across = (ahead[1] - ahead[0]) / np.linalg.norm(ahead[1] - ahead[0])
    angles = np.linspace(-turn, turn, max(3, 2 * int(2 * radius_px) + 1))[:, None]
    centre = apex + bisector * radius_px / math.sin(half)
    arc = centre + radius_px * (np.sin(angles) * across - np.cos(angles) * bisector)
    pieces, us = [], []
    for edge in edges:
        start = float((apex - edge.apex) @ edge.ahead) + tangent + _STEP_PX
        s = np.arange(start, max(edge.reach, start + 2 * _STEP_PX), _STEP_PX)
        pieces.append(edge.at(s))
        us.append(edge.u(s))
    u_apex = math.hypot(us[0][0], us[1][0]) / (math.sqrt(2) * math.sin(half))
    return replace(
        shape,
        points=np.vstack([pieces[0][::-1], arc, pieces[1]]),
        u=np.concatenate([us[0][::-1], np.full(len(arc), u_apex), us[1]]),
        edge=np.repeat([-1, 0, 1], [len(pieces[0]), len(arc), len(pieces[1])]),
        seen=np.ones(len(pieces[0]) + len(arc) + len(pieces[1]), bool),
        apex=apex,
        before=ahead[0],
        after=ahead[1],
        recession=_Recession(
            radius_px * (1 / math.sin(half) - 1), {"edges": u_apex}, *2 * [COVERAGE_FACTOR * u_apex]
        ),
    )


def _ball(shape: Shape, radius_px: float) -> Shape | str:
    if radius_px <= 0:
        return "the radius of its round end is not known: give --nominal-radius"
    axis = -(shape.before + shape.after) / np.hypot(*(shape.before + shape.after))
    angles = np.arange(-_ROUND, _ROUND, _STEP_PX / radius_px)[:, None]
    across = np.array([-axis[1], axis[0]])
    ball = shape.apex + radius_px * (np.cos(angles) * axis + np.sin(angles) * across)
    edge = np.where(angles[:, 0] < 0, -1, 1)
    whole = np.ones(len(ball), bool)
    return _round_shape(ball, np.zeros(len(ball)), whole, edge, shape.apex, axis, shape.blur, shape.frame)


def measure_wear(
    now: Shape | str,
    new: Shape | str,
    scale: Scale,
    new_scale: Scale,
    *,
    reference: str,
    nominal: bool = False,
    chip: Quantity | None = None,
) -> Finding:
    """What is gone between the new outline and the one now: `form_deviation` (mm), the wear map, lines to draw.

    Both shapes are in px of their own photos. `reference` names the new one for people. `nominal`: `new` was made
    from `now` and lies on it already. `chip`: the depth of the deepest chip along the edges (mm), which counts where it
    is deeper than what this map shows: the contour does not follow steep chips to their floor. Where the outlines
    cannot be compared the finding says why.
    """
    try:
        if isinstance(now, str):
            raise _NoMap(now)
        if isinstance(new, str):
            raise _NoMap(f"{reference}: {new}")
        drawn_on = nominal and not new.is_round
        laid, motion = (
            (new, None) if drawn_on else _laid_over(now, new, scale.px_per_mm / new_scale.px_per_mm)
        )
        by_scale = _by_scale(now, laid, scale, new_scale, nominal=nominal)
        found = _compared(now, laid, motion, scale.px_per_mm, by_scale, reference, nominal=nominal)
        return _with_chip(found, chip)
    except _NoMap as why:
        return Finding(not_measured={NAME: str(why)})


def _by_scale(now: Shape, new: Shape, scale: Scale, new_scale: Scale, *, nominal: bool) -> float:
    """What the scales leave open of the loss, px: they stretch what an outline is away from where it is laid on, that is
    a recession, or the radius of a round end. The same scale in both photos stretches their difference; a nominal form has none."""
    sizes = [
        float(np.hypot(*(s.points - s.apex).T).min()) if s.is_round else s.recession.value for s in (now, new)
    ]
    if nominal:
        return sizes[0] * scale.relative_uncertainty
    if scale.id == new_scale.id:
        return abs(sizes[0] - sizes[1]) * scale.relative_uncertainty
    return math.hypot(sizes[0] * scale.relative_uncertainty, sizes[1] * new_scale.relative_uncertainty)


def _with_chip(found: Finding, chip: Quantity | None) -> Finding:
    known = found.quantities[NAME]
    if (
        chip is None
        or chip.value <= known.value
        or (chip.kind == "upper_limit" and known.kind != "upper_limit")
    ):
        return found
    return replace(found, quantities={NAME: chip})


def _laid_over(now: Shape, new: Shape, zoom: float) -> tuple[Shape, Motion]:
    """The new shape in px of the photo now, laid on the edges of the shape now."""
    if now.is_round != new.is_round:
        raise _NoMap("one of the two photos shows a round end and the other a corner")
    if None not in (now.end_first, new.end_first) and now.end_first != new.end_first:
        raise _NoMap(
            "the two photos are mirror images of each other: take both from the same side, or mirror none"
        )
    if abs(now.opening - new.opening) > _MISMATCH:
        turned = math.degrees(abs(now.opening - new.opening))
        raise _NoMap(
            f"the edges enclose another angle than in the photo of the new cutter (by {turned:.1f} degrees): another "
            "corner, or the rake face was not square to the lens"
        )
    points = (new.points - new.apex) * zoom
    turn = _heading(now) - _heading(new)
    matrix = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    placed = replace(
        new,
        points=points @ matrix.T + now.apex,
        u=new.u * zoom,
        apex=now.apex,
        before=matrix @ new.before,
        after=matrix @ new.after,
        blur=new.blur * zoom,
        recession=new.recession.times(zoom),
    )
    motion = _register(now, placed)
    return replace(placed, points=motion(placed.points), apex=motion(placed.apex[None])[0]), motion


def _heading(shape: Shape) -> float:
    middle = shape.before + shape.after
    return math.atan2(middle[1], middle[0])


def _register(now: Shape, new: Shape) -> Motion:
    """Lay the new edges on those now: first the outer parts, then all beyond what the corner and its blur touch."""
    line = _polyline(now)
    away = np.hypot(*(new.points - new.apex).T)
    worn = max(_corner_reach(now), _corner_reach(new)) + _MARGIN * max(now.blur, new.blur)
    on_edge = new.seen & (new.edge != 0) & (now.is_round | (away > worn))
    limits = {name: away[on_edge & (new.edge == name)] for name in (-1, 1)}
    if min(len(a) for a in limits.values()) < _FEWEST:
        raise _NoMap("too little of the edges beside the corner is seen in both photos")
    outer = on_edge & np.select(
        [new.edge == name for name in limits],
        [away > a.min() + (1 - _FAR) * min(a.max(), _seen_to(now, name)) for name, a in limits.items()],
        default=False,
    )
    try:
        if now.is_round:
            first = _turned_on(new.points, line, on_edge)
        else:
            first = register(new.points, line, allowed=outer if outer.sum() >= 2 * _FEWEST else on_edge)
        moved = first(new.points)
        second = register(moved, line, allowed=on_edge, turn_u=_TURNED if now.is_round else math.inf)
    except ValueError as error:
        raise _NoMap(str(error)) from error
    rough = second.scatter > max(_MISMATCH_PX, 3 * float(np.median(np.hypot(new.u[on_edge], _typical(now)))))
    beside = on_edge & ~gap_to(line, second(moved)).beyond
    sides = [new.edge != 0] if now.is_round else [new.edge == name for name in limits]
    near = [_share(second.weights[beside & side] > 0) for side in sides]
    if rough or min(near) < _BOTH:
        raise _NoMap(
            "the outlines do not lie on each other along both edges: another corner, another scale, or the rake face "
            "was not square to the lens"
        )
    angle = first.angle + second.angle
    pivot = np.array(first.pivot)
    shift = second(first(pivot[None]))[0] - pivot
    return replace(
        first,
        shift=(float(shift[0]), float(shift[1])),
        angle=angle,
        covariance=_about(second, pivot + shift),
        scatter=second.scatter,
        weights=second.weights,
    )


def _turned_on(points: Floats, line: Floats, allowed: Bools) -> Motion:
    """How a round end is laid on another, to begin with. A ball looks alike turned by any angle, and its flanks would be taken
    for worn: of several turns that one counts after which most lies together."""
    some = allowed & (np.arange(len(points)) % _SPARSE == 0)
    best: tuple[float, Motion] | None = None
    for turn in _TURNS:
        try:
            laid = register(points, line, allowed=some, turn=turn, turn_u=_TURNED)
        except ValueError:
            continue
        gap = gap_to(line, laid(points[some]))
        apart = float(np.minimum(np.abs(gap.distance), _APART_PX)[~gap.beyond].mean())
        best = (apart, laid) if best is None or apart < best[0] else best
    if best is None:
        raise ValueError("too little of the two outlines lies side by side")
    return best[1]


def _share(of: Bools) -> float:
    """How many are true; none of too few."""
    return float(np.mean(of)) if len(of) >= _FEWEST else 0.0


def _about(motion: Motion, place: Floats) -> Floats:
    """Covariance of shift and angle about another place than the motion's own pivot."""
    arm = place - np.array(motion.pivot) - np.array(motion.shift)
    move = np.array([[1, 0, -arm[1]], [0, 1, arm[0]], [0, 0, 1]])
    return np.asarray(move @ motion.covariance @ move.T)


def _typical(shape: Shape) -> float:
    u = shape.u[shape.seen & (shape.edge != 0)]
    return float(np.median(u)) if len(u) else 0.0


def _seen_to(shape: Shape, name: int) -> float:
    on = shape.seen & (shape.edge == name)
    return float(np.hypot(*(shape.points[on] - shape.apex).T).max(initial=0.0))


def _corner_reach(shape: Shape) -> float:
    """How far from the virtual corner the corner's own part of the outline reaches."""
    return float(np.hypot(*(shape.points[shape.edge == 0] - shape.apex).T).max(initial=0.0))


def _polyline(shape: Shape) -> Floats:
    return shape.points[shape.seen]


def _compared(
    now: Shape,
    new: Shape,
    motion: Motion | None,
    px: float,
    by_scale: float,
    reference: str,
    *,
    nominal: bool,
) -> Finding:
    line = _polyline(now)
    gap = gap_to(line, new.points)
    use = new.seen & ~gap.beyond & ~_in_hole(line, gap) & _same_way(gap, _outward(new))
    # what the outlines say of each place; a scale that is off counts for what it stretches, the two recessions
    u_place = _at(now.u[now.seen], gap)
    u_lay = motion.uncertainty(new.points, gap.normal) if motion is not None else np.zeros(len(new.points))
    u = np.sqrt(np.maximum(u_place**2 + new.u**2, _left(gap, new, use) ** 2) + u_lay**2)
    gone = np.fmax(gap.distance, _deepest(line, now, new))
    loss = np.where(use, _calm(gone, new.edge, now.blur), np.nan)
    quantity = _greatest(loss, u, gap, now, new, u_lay, by_scale).scaled(1 / px, "mm")
    along, outward = _along(new) / px, _outward(new)
    rows = tuple(
        WearPoint(
            float(along[i]),
            float(loss[i] / px),
            float(COVERAGE_FACTOR * u[i] / px),
            (float(new.points[i, 0]), float(new.points[i, 1])),
            (float(outward[i, 0]), float(outward[i, 1])),
        )
        for i in _thinned(new, use)
    )
    turned = 0.0 if motion is None else math.degrees(motion.angle)
    wear = WearMap(reference, rows, 0.0 if motion is None else motion.scatter / px, turned)
    lies = "" if motion is None else f", on the edges now within {1000 * motion.scatter / px:.1f} µm"
    unseen = _unseen(now, new, use, nominal=nominal)
    if unseen > _HIDDEN:
        quantity = _at_least(quantity, unseen)
    partly = f"; {100 * unseen:.0f} % of the edges could not be compared" if unseen > _PARTLY else ""
    remark = f"Outline when new: {reference}{lies}{partly}."
    return Finding({NAME: quantity}, curves=(Curve("new_outline", new.points),), remarks=(remark,), wear=wear)


def _unseen(now: Shape, new: Shape, use: Bools, *, nominal: bool) -> float:
    """The share of the edges that could not be compared: of the new ones in the frame of the photo now, or, where the new ones are
    known from a photo, of those now, whichever is more."""
    low, high = _HALF_PROFILE_PX, np.array(now.frame) - 1 - _HALF_PROFILE_PX
    there = np.all((new.points > low) & (new.points < high), axis=1) & (new.edge != 0)
    shares = [float(np.mean(~use[there])) if there.any() else 0.0]
    if not nominal:
        known = new.points[new.seen]
        back = gap_to(known, now.points[now.seen & (now.edge != 0)])
        shares.append(float(np.mean(back.beyond | _in_hole(known, back))))
    return max(shares)


def _at_least(seen: Quantity, unseen: float) -> Quantity:
    """What was seen as a lower limit, where too much was not. Raises _NoMap where nothing was proven."""
    if seen.kind == "upper_limit":
        raise _NoMap(
            f"{100 * unseen:.0f} % of the edges in the picture could not be compared with the new outline"
        )
    return Quantity(seen.bounds()[0], seen.unit, seen.parts, "lower_limit")


def _left(gap: Gap, new: Shape, use: Bools) -> Floats:
    """What is usually left between the two edges, for each place of the new outline, 0 on the corner: grinding lines that
    meet an edge move it over longer stretches than the scatter from place to place shows."""
    left = np.abs(gap.distance[use & (new.edge != 0)])
    if not len(left):
        return np.zeros(len(new.edge))
    unworn = left[left <= _WORN * 1.4826 * np.median(left)]
    return np.where(new.edge != 0, float(np.percentile(unworn, 99)) / _ONE_IN_A_HUNDRED, 0.0)


def _deepest(line: Floats, now: Shape, new: Shape) -> Floats:
    """For each place of the new outline how deep the outline now lies behind it at the most, seen from the outline now.

    Round a corner the new outline is farther from the one now than the other way round; into a chip it is nearer.
    Both together are the Hausdorff distance. NaN where no place of the outline now looks back there.
    """
    back = gap_to(new.points, line)
    depth = np.full(len(new.points), -np.inf)
    on_edge = (now.edge[now.seen] != 0) & ~back.beyond & _same_way(back, _outward(now)[now.seen])
    np.maximum.at(depth, np.rint(back.at[on_edge]).astype(int), -back.distance[on_edge])
    return np.where(np.isfinite(depth), depth, np.nan)


def _same_way(gap: Gap, outward: Floats) -> Bools:
    """Whether places look out of the cutter on the same side as what is nearest to them: not on the opposite flank."""
    return np.asarray((gap.normal * outward).sum(axis=1) > 0, bool)


def _in_hole(line: Floats, gap: Gap) -> Bools:
    """Whether the nearest place lies between two points of the polyline that are far apart."""
    length = np.hypot(*np.diff(line, axis=0).T)
    first = np.clip(np.floor(gap.at).astype(int), 0, len(length) - 1)
    return np.asarray(length[first] > _HOLE * _STEP_PX, bool)


def _at(values: Floats, gap: Gap) -> Floats:
    """Values along a polyline at the places nearest to points; the larger of two neighbours."""
    first = np.clip(np.floor(gap.at).astype(int), 0, len(values) - 1)
    return np.asarray(np.maximum(values[first], values[np.minimum(first + 1, len(values) - 1)]), np.float64)


def _calm(distance: Floats, edge: NDArray[np.int_], blur: float) -> Floats:
    """On the edges only what lasts for a blur is believed: a running median over two blurs; the corner is left as it is."""
    from scipy.ndimage import median_filter

    width = 2 * max(1, round(blur / _STEP_PX)) + 1
    out = distance.copy()
    for name in (-1, 1):
        on = edge == name
        out[on] = median_filter(distance[on], width, mode="nearest")
    return out


def _along(shape: Shape) -> Floats:
    """Distance (px) along the outline from the middle of its corner, negative before it."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(shape.points, axis=0).T))])
    corner = np.flatnonzero(shape.edge == 0)
    middle = (
        corner[np.argmin(np.hypot(*(shape.points[corner] - shape.apex).T))]
        if len(corner)
        else int(np.argmax(shape.edge > 0))
    )
    return np.asarray(run - run[middle], np.float64)


def _outward(shape: Shape) -> Floats:
    """Unit vectors out of the cutter across the outline; where a corner is sharp they turn from edge to edge in a px or two."""
    after = np.vstack([shape.points[1:], shape.points[-1:]]) - np.vstack(
        [shape.points[:1], shape.points[:-1]]
    )
    across = np.column_stack([after[:, 1], -after[:, 0]])
    return np.asarray(across / np.maximum(np.hypot(*across.T), 1e-9)[:, None], np.float64)


def _thinned(shape: Shape, use: Bools) -> NDArray[np.int_]:
    """Indices of places about 2 px apart."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(shape.points, axis=0).T))])
    step = np.floor(run / _STEP_PX)
    first = np.concatenate([[True], np.diff(step) > 0])
    return np.flatnonzero(first & use)


def _greatest(
    loss: Floats, u: Floats, gap: Gap, now: Shape, new: Shape, u_lay: Floats, by_scale: float
) -> Quantity:
    """The greatest loss, px: a value where it is proven, else what it is at most anywhere."""
    from scipy.stats import norm

    known = np.flatnonzero(np.isfinite(loss))
    if not len(known):
        raise _NoMap("no part of the outline could be compared")
    spots = max(1.0, len(known) * _STEP_PX / max(2 * now.blur, _STEP_PX))
    z = float(norm.isf(_CHANCE / spots))
    stretched = np.where(new.is_round | (new.edge == 0), by_scale, 0.0)
    proven = known[loss[known] > z * np.hypot(u, stretched)[known]]
    if not len(proven):
        top = known[np.argmax(loss[known] + ONE_SIDED_95 * np.hypot(u[known], by_scale))]
        value = max(loss[top], 0.0) + ONE_SIDED_95 * math.hypot(u[top], by_scale)
        return Quantity(float(value), "px", {"noise": float(u[top]), "scale": by_scale}, "upper_limit")
    peak = int(proven[np.argmax(loss[proven])])
    parts = _parts(peak, u, gap, now, new, u_lay)
    parts["scale"] = float(stretched[peak])
    value = float(loss[peak])
    below, above = _sides(parts, _corners(peak, gap, now, new))
    if new.edge[peak]:
        level = known[loss[known] > value - COVERAGE_FACTOR * parts["noise"]]
        below += parts["noise"] * _highest_of(len(level) * spots / len(known))
    return Quantity(value, "px", parts, below=min(below, value), above=above)


def _highest_of(count: float) -> float:
    """The highest of some equal values lies above them by so many standard deviations (Blom 1958, from memory)."""
    from scipy.stats import norm

    return float(norm.isf(0.625 / (count + 0.25))) if count > 1 else 0.0


def _corners(peak: int, gap: Gap, now: Shape, new: Shape) -> tuple[_Recession | None, _Recession | None]:
    """The corners of which a place on the new outline and its neighbour on the one now are part."""
    on_now = now.edge[now.seen][int(np.clip(round(float(gap.at[peak])), 0, now.seen.sum() - 1))]
    return (now.recession if on_now == 0 else None, new.recession if new.edge[peak] == 0 else None)


def _sides(
    parts: dict[str, float], corners: tuple[_Recession | None, _Recession | None]
) -> tuple[float, float]:
    """The two sides of the interval of a loss: where a corner is as sharp as can be, it can only be rounder."""
    own = sum(u**2 for c in corners if c is not None for u in c.parts.values())
    rest = COVERAGE_FACTOR**2 * max(sum(u**2 for u in parts.values()) - own, 0.0)
    now, new = corners
    below = [now.below if now else 0.0, new.above if new else 0.0]
    above = [now.above if now else 0.0, new.below if new else 0.0]
    whole = [math.hypot(math.sqrt(rest), *below), math.hypot(math.sqrt(rest), *above)]
    # a corner that may be quite sharp often is: that end of its interval is no tail, and adds
    for side, corner in enumerate(corners):
        if corner is not None and corner.below >= corner.value > 0:
            others = (below, above)[side][1 - side]
            whole[side] = corner.below + math.hypot(math.sqrt(rest), others)
    return whole[0], whole[1]


def _parts(peak: int, u: Floats, gap: Gap, now: Shape, new: Shape, u_lay: Floats) -> dict[str, float]:
    """The uncertainty at one place by where it comes from."""
    parts: dict[str, float] = {"registration": float(u_lay[peak])}
    for corner in _corners(peak, gap, now, new):
        for name, size in corner.parts.items() if corner is not None else ():
            parts[name] = math.hypot(parts.get(name, 0.0), size)
    rest = u[peak] ** 2 - sum(size**2 for size in parts.values())
    if new.edge[peak]:
        parts["blur"] = math.hypot(parts.get("blur", 0.0), _ROUNDED * now.blur)
    parts["noise"] = math.hypot(parts.get("noise", 0.0), math.sqrt(max(rest, 0.0)))
    return parts
