"""Is the rake face square to the lens? Where it leans, an edge runs out of the plane of focus and its blur grows along it.

A face that leans by an angle shows lengths across the axis it leans about shortened by the cosine. Only edges that lie in the rake face tell: the end edge, and a side edge that is straight in the picture (on a helix
it leaves the plane by itself). How far the face leans cannot be told, for that the aperture would have to be known.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Finding
from wearscope.geometry.robust import median
from wearscope.outline.shape import CornerPose, Outline
from wearscope.outline.window import steps_at
from wearscope.photo.read import Photo
from wearscope.quantity import COVERAGE_FACTOR, Quantity

__all__ = ["BY_EYE_DEG", "LEANING_DEG", "EdgeBlur", "edges_blur", "measure_squareness", "with_tilt"]

Floats = NDArray[np.float64]
_STEP_PX, _HALF_PROFILE_PX, _FARTHEST_PX = 4.0, 12.0, 600.0
_FEWEST = 24
"""Places an edge must show for its blur to be followed (about 100 px)."""
_GROWS = 1.4
"""A blur that grows by this along an edge means out of focus by as much as the lens blurs in focus: nobody would
call such an edge crisp."""
_CRISP_PX = 2.0
"""A lens in focus blurs an edge by less than this (common practice, no source): below it nothing runs out of focus."""
BY_EYE_DEG, LEANING_DEG = 5.0, 20.0
"""A cutter laid in a cradle is square to the lens within the one (common practice, no source). Where its blur says
that it leans, within the other: with the aperture of a cheap microscope (0.03) a face must lean by some 10 to 20 degrees
for the blur over a millimetre to show it, and a lean of more than that is seen without a lens."""
_CERTAIN = 5.0
"""Standard uncertainties by which growth must differ from none."""
_BENT = 1.0
"""Sagitta (px) from which on a side edge is bent by more than its own roughness: a helix."""


@dataclass(frozen=True, slots=True)
class EdgeBlur:
    """Blur along an edge: `near` and `far` at the corner and at the end (sigma_b, px, from a line through the squares),
    `growth` of the square and its standard uncertainty, `sagitta_px` of the edge; `steady`: it grows third by third."""

    near: float
    far: float
    growth: float
    u_growth: float
    sagitta_px: float
    steady: bool

    @property
    def leaves_focus(self) -> bool:
        """Whether the edge runs out of focus away from the corner."""
        return self.steady and self._grows(self.far) and self.growth > _CERTAIN * self.u_growth

    @property
    def stays_in_focus(self) -> bool:
        """Whether even as much growth as its uncertainty leaves room for would not count."""
        most = self.near**2 + self.growth + _CERTAIN * self.u_growth
        return not self._grows(math.sqrt(max(most, 0.0)))

    def _grows(self, far: float) -> bool:
        return far > max(_GROWS * self.near, _CRISP_PX)


@dataclass(frozen=True, slots=True)
class _Course:
    """An edge of the corner at distances `s` (n,) from it: places (n, 2) and the unit vector across."""

    s: Floats
    px: Floats
    across: Floats

    def every(self, step: int) -> "_Course":
        return _Course(self.s[::step], self.px[::step], self.across)


def edges_blur(photo: Photo, outline: Outline, pose: CornerPose) -> dict[str, EdgeBlur]:
    """The blur along the "end" edge and the "side" edge, from 20 px beyond the corner outwards; without those of which too little is seen.

    A few places mostly show that an edge stays in focus; only where they do not, all are looked at.
    """
    ways = {
        "end": (pose.end_direction, pose.end_length_px),
        "side": (pose.side_direction, pose.side_length_px),
    }
    all_courses = {name: _course(outline, pose, *way) for name, way in ways.items()}
    courses = {name: course for name, course in all_courses.items() if len(course.s) >= _FEWEST}
    thinned = {name: course.every(len(course.s) // _FEWEST) for name, course in courses.items()}
    few = _blur_along(photo, outline, thinned, _FEWEST // 2)
    calm = {name: blur for name, blur in few.items() if blur.stays_in_focus}
    others = {name: course for name, course in courses.items() if name not in calm}
    return calm | _blur_along(photo, outline, others, _FEWEST)


def _course(outline: Outline, pose: CornerPose, direction: tuple[float, float], length_px: float) -> _Course:
    s = np.arange(20.0 + 10 * pose.blur_px, min(length_px, _FARTHEST_PX), _STEP_PX)
    ahead = np.array(direction)
    across = np.array([-ahead[1], ahead[0]])
    beside = _bend(outline, pose, ahead, s)
    return _Course(s, np.array(pose.apex_px) + s[:, None] * ahead + beside[:, None] * across, across)


def _blur_along(
    photo: Photo, outline: Outline, courses: dict[str, _Course], fewest: int
) -> dict[str, EdgeBlur]:
    """The blur along each that is seen at `fewest` places and half of all."""
    if not courses:
        return {}
    points = np.concatenate([course.px for course in courses.values()])
    normals = np.concatenate([np.tile(course.across, (len(course.s), 1)) for course in courses.values()])
    together = steps_at(photo, outline.mix, points, normals, _HALF_PROFILE_PX)
    found, first = {}, 0
    for name, course in courses.items():
        fits = together.rows(slice(first, first + len(course.s)))
        first += len(course.s)
        good = fits.ok & (np.abs(fits.position) < 6) & (fits.u_blur < 0.5 * fits.blur)
        if good.sum() >= max(fewest, 0.5 * len(course.s)):
            offset = (course.px - course.px[0]) @ course.across + fits.position
            found[name] = _line_through(course.s[good], fits.blur[good], offset[good])
    return found


def _bend(outline: Outline, pose: CornerPose, ahead: Floats, s: Floats) -> Floats:
    """How far the contour lies beside the straight edge, at distances `s` from the corner."""
    away = outline.points_px - np.array(pose.apex_px)
    along, beside = away @ ahead, away @ np.array([-ahead[1], ahead[0]])
    near = (along > 0) & (np.abs(beside) < 0.1 * along + 8)
    if near.sum() < 8:
        return np.zeros(len(s))
    order = np.argsort(along[near])
    return np.asarray(np.interp(s, along[near][order], beside[near][order]), np.float64)


def _line_through(s: Floats, blur: Floats, offset: Floats) -> EdgeBlur:
    """A robust line through the squares of the blur, and how much the edge is bent."""
    share = (s - s[0]) / (s[-1] - s[0])
    square = blur**2
    rows = np.column_stack([np.ones_like(share), share])
    weight = np.ones(len(s))
    for _ in range(8):
        weighted = rows.T * weight
        normal = weighted @ rows
        line = np.linalg.solve(normal, weighted @ square)
        off = np.abs(square - rows @ line)
        width = 1.4826 * median(off) + 1e-9
        weight = np.minimum(1.0, 1.5 * width / np.maximum(off, 1e-12))
    u_growth = width * float(np.sqrt(np.linalg.inv((rows.T * weight) @ rows)[1, 1]))
    first, second, third = (median(part) for part in np.array_split(square, 3))
    bend = np.polyfit(share, offset, 2)[0]
    near, far = (float(np.sqrt(max(end, 1e-6))) for end in (line[0], line.sum()))
    return EdgeBlur(near, far, float(line[1]), u_growth, abs(float(bend)) / 4, first < second < third)


def measure_squareness(photo: Photo, outline: Outline) -> Finding:
    """The flag `not_square` where an edge in the rake face runs out of focus away from the corner."""
    pose = outline.corner
    if pose is None:
        return Finding()
    blur = edges_blur(photo, outline, pose)
    if "side" in blur and blur["side"].sagitta_px >= _BENT:
        del blur["side"]
    leans = any(edge.leaves_focus for edge in blur.values())
    return Finding(flags=("not_square",) if leans else ())


def with_tilt(corner: Finding, *, leans: bool) -> Finding:
    """The lengths of a corner with the part "tilt": up to 1 - cos of how far the face may lean is missing from them.

    Any share of that is as likely as another: its standard uncertainty is its size over the square root of three (JCGM 100,
    4.3.7). Areas count once, for a face leans about one axis. Upper limits are divided by the cosine.
    """
    lean = math.radians(LEANING_DEG if leans else BY_EYE_DEG)
    missing = 1 - math.cos(lean)

    def tilted(q: Quantity) -> Quantity:
        if q.unit not in ("mm", "mm2"):
            return q
        u = q.value * missing / math.sqrt(3)
        sides = (
            None if side is None else math.hypot(side, COVERAGE_FACTOR * u) for side in (q.below, q.above)
        )
        value = q.value / math.cos(lean) if q.kind == "upper_limit" else q.value
        below, above = sides
        return Quantity(value, q.unit, {**q.parts, "tilt": u}, q.kind, below, above)

    return replace(corner, quantities={name: tilted(q) for name, q in corner.quantities.items()})
