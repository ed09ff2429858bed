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
from wearscope.outline.shape import CornerPose, EdgeSteps, Outline
from wearscope.outline.window import steps_at
from wearscope.photo.read import Photo
from wearscope.quantity import COVERAGE_FACTOR, Quantity
from wearscope.subpixel.profile import StepFits

__all__ = ["BY_EYE_DEG", "LEANING_DEG", "measure_squareness", "with_tilt"]

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


def edge_blur(photo: Photo, outline: Outline, pose: CornerPose, ahead: Floats, s: Floats) -> EdgeBlur | None:
    """The blur of the edge that runs `ahead`, at distances `s` (n,) from the corner; None where too little is seen."""
    across = np.array([-ahead[1], ahead[0]])
    beside = _bend(outline, pose, ahead, s)
    course = np.array(pose.apex_px) + s[:, None] * ahead + beside[:, None] * across
    normals = np.broadcast_to(across, course.shape)
    fits = steps_at(photo, outline.mix, course, normals, _HALF_PROFILE_PX)
    good = np.abs(fits.position) < 6
    return _through(s, beside + fits.position, fits, good, _FEWEST)


def _near_the_corner(steps: EdgeSteps, pose: CornerPose, ahead: Floats, far: float) -> EdgeBlur | None:
    """The same from the steps that the outline rests on, carried on to `far` px from the corner: what leaves the plane of focus is as
    far from it as it is from the corner, and its blur's square grows with the square of that."""
    away = steps.px - np.array(pose.apex_px)
    s = away @ ahead
    seen = _through(
        s, away @ np.array([-ahead[1], ahead[0]]), steps.fits, np.ones(len(s), bool), _FEWEST // 2
    )
    if seen is None:
        return None
    farther = (far**2 - s[0] ** 2) / (s[-1] ** 2 - s[0] ** 2)
    return replace(seen, growth=farther * seen.growth, u_growth=farther * seen.u_growth)


def _through(
    s: Floats, beside: Floats, fits: StepFits, good: NDArray[np.bool_], fewest: int
) -> EdgeBlur | None:
    """What the `good` ones of some steps say; None where fewer than half of them, or than `fewest`, show their blur."""
    good = good & fits.ok & (fits.u_blur < 0.5 * fits.blur)
    if good.sum() < max(fewest, 0.5 * len(s)):
        return None
    return _line_through(s[good], fits.blur[good], beside[good])


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
    steps = outline.steps or (None, None)
    leans = _leaves_focus(photo, outline, pose, pose.end_direction, pose.end_length_px, steps[0])
    # a side edge that is bent is a helix
    leans = leans or _leaves_focus(
        photo, outline, pose, pose.side_direction, pose.side_length_px, steps[1], most_bent=_BENT
    )
    return Finding(flags=("not_square",) if leans else ())


def _leaves_focus(
    photo: Photo,
    outline: Outline,
    pose: CornerPose,
    direction: tuple[float, float],
    length_px: float,
    steps: EdgeSteps | None,
    *,
    most_bent: float = math.inf,
) -> bool:
    """Whether an edge runs out of focus. Mostly what is seen near the corner shows that it does not; else all of it is looked at."""
    ahead = np.array(direction)
    s = np.arange(20.0 + 10 * pose.blur_px, min(length_px, _FARTHEST_PX), _STEP_PX)
    if len(s) < _FEWEST:
        return False
    near = None if steps is None else _near_the_corner(steps, pose, ahead, float(s[-1]))
    if near is not None and near.stays_in_focus:
        return False
    blur = edge_blur(photo, outline, pose, ahead, s)
    return blur is not None and blur.leaves_focus and blur.sagitta_px < most_bent


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
