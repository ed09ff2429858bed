"""The cutting corner: radius, recession, losses along both edges, missing area, blur, each with its uncertainty."""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark, shifted
from wearscope.geometry.corner_outline import CornerLoss, corner_loss
from wearscope.geometry.scale import Scale
from wearscope.outline.pose import EDGE_REACH
from wearscope.outline.shape import CornerPose, Outline
from wearscope.photo.read import LUMINANCE, Photo, srgb_to_linear
from wearscope.quantity import COVERAGE_FACTOR, ONE_SIDED_95, Quantity
from wearscope.subpixel.corner_doubt import (
    chi_squared,
    covariance,
    edge_shift,
    form_deviation,
    grain,
    halo_slope,
    level_columns,
    pull,
    score_test,
)
from wearscope.subpixel.corner_fit import Solution, approach, solve
from wearscope.subpixel.corner_model import QUICK, Wedge
from wearscope.subpixel.corner_pixels import (
    Levels,
    Pixels,
    outline_distance,
    strip_pixels,
    with_curvature,
    with_grain,
)

__all__ = ["CornerFit", "fit_corner", "measure_corner"]

Floats = NDArray[np.float64]
_RESOLVED = 2.0
"""A radius below this many sigma_b is an upper limit, never a number (check values, section 3.4)."""
_HALF_STRIP = 4.0
"""Half width of the strip of pixels along the outline, in sigma_b (costs 0.3 % of the information)."""
_REACH_PX = 130.0
"""Edges are followed this far beyond the tangent points, or as far as the arc is round, where the frame allows."""
_FIRST_REACH_PX = 180.0
_CONTOUR_REACH_PX = 180.0
"""A break may take a hundred px off both edges: whole edge must be left beyond it."""
_BEND_ASKS = 2.0
"""An edge may bend if its bend differs from zero by this many standard uncertainties."""
_LEVELS_ASK = 22.5
"""Levels may be quadratic if that lowers chi-squared (six numbers more) by this much: 0.1 % by chance."""
_GRAIN_ASKS = 3.0
"""Light is uneven where it strays by this many times the variance that noise gives it (noise alone: 1.6 once in a thousand)."""
_STRAIGHT_EDGES, _BENT_EDGES = range(6), range(9)
"""Fields of `Wedge` that are fitted: apex, angles, rounding and blur; then also both bends and a blur that differs between the edges."""
_THIN, _ROUGHLY = 3, 0.7
"""The rough fit uses every third pixel, and ends so near its end (standard uncertainties)."""
_STRIP_ROOM = 1.0
"""The strip of pixels is cut again where the rough fit moves the outline by this many blurs, or changes the blur by this share."""
_STRIPS, _FEWEST = 4, 200
"""So many strips are tried; one of fewer pixels tells less than there are parameters to find on every third of them."""
_HALO_ASKS = 12.0
"""A blur that is not Gaussian is allowed for if that lowers chi-squared by this much: 0.05 % by chance."""
_ROUND_BLUR = 0.01
"""The blur may be this much longer one way than the other without anybody seeing it on the edges."""
_SHARPENED = 0.03
"""A halo of this share of the contrast is the camera's sharpening."""
_FARTHEST_PX, _BESIDE_PX = 400.0, 60.0
"""Edges are looked at so far, with so much beside them."""
_BLUR_GROWS = 1.6
"""A blur this many times the outline's guess is no blur any more: the model has lost the edge."""
_ROOM_PX = 16.0
"""The outline finds the virtual corner to about 3 px, 4 px beside a wide rounding; a fit that goes this far has lost it."""
_ARC_MISFIT = 0.04
"""An arc fits if the outline strays from it by less than this share of the recession, and of sigma_b, rms (a 45
degree chamfer strays from its best arc by 5 to 7 % of the recession, computed), and by less than sigma_b: farther than a few of
them nobody can tell how far it strays."""
_VAGUE = 3.0
"""An arc is given up for the outline where its radius is open by a third, and its recession this many times less certain
than the outline's: clean arcs are surer than that."""
_PIXEL_BLUR = 1 / math.sqrt(12)
"""Standard deviation of the light's place within a pixel that gathers all over its width."""
_STRAIGHT = 0.3
"""An edge that turns by more than this (rad) on the way to the corner is no edge: something is broken out of it."""
_CONTOUR_BLUR = 0.3
"""Where no model corrects it, blur pulls a corner's 50 % contour in by 0 to 0.77 sigma_b (check values 3.4)."""
_NAMES = (
    "corner_radius", "corner_recession", "corner_loss_end_edge", "corner_loss_side_edge", "corner_missing_area",
    "edge_blur_width",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CornerFit:
    """A corner in px.

    `wedge`: the fitted shape; `covariance` (10, 10) of its fields from noise; `forms`: further standard
    uncertainties of R^2 by name (px^2). `halo`: share of a second, wider Gaussian in the blur, negative where the
    camera sharpens. `virtual_px`: where the two edges, extended with their bend, meet.
    """

    wedge: Wedge
    covariance: Floats
    forms: dict[str, float]
    virtual_px: tuple[float, float]
    solution: Solution
    strays: tuple[Floats, Floats]
    converged: bool
    halo: float = 0.0

    @property
    def radius(self) -> float:
        """R in px, 0 for a corner that looks sharper than sharp."""
        return self.wedge.radius

    @property
    def u_rounding(self) -> float:
        """Standard uncertainty of R^2, px^2."""
        return float(np.sqrt(self.covariance[4, 4] + sum(u * u for u in self.forms.values())))

    @property
    def resolved(self) -> bool:
        """True where R can be told from a sharp corner by more than the blur allows."""
        return self.radius >= _RESOLVED * self.wedge.blur

    @property
    def upper_limit(self) -> float:
        """R in px that is not exceeded with 95 % confidence."""
        return float(np.sqrt(max(self.wedge.rounding, 0.0) + ONE_SIDED_95 * self.u_rounding))

    def interval(self, z: float = COVERAGE_FACTOR) -> tuple[float, float]:
        """R minus and plus its expanded uncertainty; symmetric in R^2, in which the picture is nearly linear."""
        q, u = self.wedge.rounding, self.u_rounding
        return float(np.sqrt(max(q - z * u, 0.0))), float(np.sqrt(max(q + z * u, 0.0)))


def _start(pose: CornerPose) -> Wedge:
    end, side = (float(np.arctan2(d[1], d[0])) for d in (pose.end_direction, pose.side_direction))
    return Wedge(*pose.apex_px, end, side, 0.0, float(np.log(np.clip(pose.blur_px, 0.5, 10.0))))


def _reach(wedge: Wedge, pose: CornerPose) -> tuple[float, float]:
    beyond = wedge.tangent_length + max(_REACH_PX, 20 * wedge.blur, wedge.radius)
    return min(beyond, pose.end_length_px), min(beyond, pose.side_length_px)


def _largest_blur(pose: CornerPose) -> float:
    return _BLUR_GROWS * max(pose.blur_px, 1.0)


def _meeting(wedge: Wedge) -> tuple[float, float]:
    """Where the bent edges, continued backwards, meet: from the apex, px across and along the bisector."""
    end, side = (bend * wedge.bend_from**2 for bend in (wedge.end_bend, wedge.side_bend))
    return (side - end) / (2 * math.cos(wedge.half_angle)), -(side + end) / (2 * math.sin(wedge.half_angle))


def _virtual(wedge: Wedge) -> tuple[float, float]:
    """Where the bent edges, continued backwards, meet, px."""
    across, along = _meeting(wedge)
    x, y = np.array([wedge.x, wedge.y]) + across * wedge.across + along * wedge.bisector
    return float(x), float(y)


def _moved(cut: Wedge, wedge: Wedge) -> bool:
    """Has the outline left the middle of the strip that was cut along it?"""
    off = math.hypot(wedge.x - cut.x, wedge.y - cut.y) + abs(wedge.recession - cut.recession)
    return off > _STRIP_ROOM * wedge.blur or abs(wedge.log_blur - cut.log_blur) > _STRIP_ROOM / 2


def fit_corner(
    linear: NDArray[np.float32],
    pose: CornerPose,
    *,
    saturated: tuple[float, float] = (-np.inf, np.inf),
    radius_px: float | None = None,
    levels: Levels = "plane",
) -> CornerFit:
    """Fit a blurred rounded wedge to a picture in linear light, shape (h, w), starting from `pose`.

    `saturated` (low, high): values at or beyond these are clipped and count as inequalities. `radius_px`: a radius
    worth trying, from the outline.
    """
    how: dict[str, Any] = {"largest_blur": _largest_blur(pose), "near": (_start(pose), _ROOM_PX)}
    pixels, rough = _rough(linear, pose, saturated, radius_px, levels, how)
    size, over = grain(rough)
    if over > _GRAIN_ASKS and levels != "along":
        pixels = with_grain(pixels, rough.wedge, size)
        found = solve(pixels, rough.wedge, active=_BENT_EDGES, **how)
    else:
        size = np.zeros(2)
        found = _asked(
            solve(_evened(pixels, levels), rough.wedge, active=_BENT_EDGES, levels=rough.levels, **how),
            pixels,
            how,
        )
    strays = form_deviation(found)
    wedge, forms, halo = _with_blur_form(found, strays)
    if size.any():
        forms["form"] = math.hypot(forms["form"], _unseen_light(found, size))
    return CornerFit(wedge, covariance(found), forms, _virtual(wedge), found, strays, found.converged, halo)


def _evened(pixels: Pixels, levels: Levels) -> Pixels:
    return with_curvature(pixels) if levels == "plane" else pixels


def _rough(
    linear: NDArray[np.float32], pose: CornerPose, saturated: tuple[float, float], radius_px: float | None, levels: Levels,
    how: dict[str, Any],
) -> tuple[Pixels, Solution]:  # fmt: skip
    """The strip of pixels along the outline, and a fit to some of them with everything free.

    It starts where the contour says, and where that says nothing or does not settle, where a small and blurred picture does; the strip is cut again
    until the outline stays in its middle.
    """
    start, radius, begin = _start(pose), radius_px or 0.0, None
    far = max(_FIRST_REACH_PX, radius / math.tan(start.half_angle) + _FIRST_REACH_PX / 2)
    first = (min(far, pose.end_length_px), min(far, pose.side_length_px))

    def from_afar() -> Wedge:
        return approach(
            linear,
            start,
            reach_px=first,
            clip=saturated,
            levels=levels,
            radius_px=radius_px,
            room_px=_ROOM_PX,
        )

    wedge = from_afar() if radius_px is None else replace(start, rounding=radius**2)
    for attempt in range(_STRIPS):
        wedge = replace(wedge, bend_from=wedge.tangent_length + QUICK.reach * wedge.blur)
        strip = strip_pixels(
            linear, wedge, half_px=_HALF_STRIP * wedge.blur + 1.0, reach_px=_reach(wedge, pose), clip=saturated, levels=levels
        )  # fmt: skip
        if attempt and len(strip.values) < _FEWEST:  # the fit has left the picture
            break
        pixels = strip
        rough = solve(
            _evened(pixels, levels).thinned(_THIN), wedge, active=_BENT_EDGES, levels=begin, tolerance=_ROUGHLY, **how
        )  # fmt: skip
        cut, wedge = wedge, rough.wedge
        if rough.converged and not _moved(cut, wedge):
            break
        begin = rough.levels if rough.converged and levels == "plane" else None
        if not rough.converged and not attempt and radius_px is not None:
            wedge = from_afar()
    return pixels, rough


def _asked(free: Solution, pixels: Pixels, how: dict[str, Any]) -> Solution:
    """The fit with only what the picture asks for: the rest only widens the interval. `pixels`: with plane levels."""
    drop = [k for k in _BENT_EDGES if k not in _STRAIGHT_EDGES and chi_squared(free, [k]) < _BEND_ASKS**2]
    curvature = level_columns(free, slice(len(pixels.basis), len(free.pixels.basis)))
    plain = bool(curvature) and chi_squared(free, curvature) < _LEVELS_ASK
    if not drop and not plain:
        return free
    near = free.without([*drop, *curvature] if plain else drop)
    fields, levels = near[: len(free.active)], near[len(free.active) :].reshape(2, -1)
    vector = free.wedge.vector()
    vector[list(free.active)] = fields
    return solve(
        pixels if plain else free.pixels, free.wedge.moved(vector), active=[k for k in free.active if k not in drop],
        levels=levels[:, : len(pixels.basis)] if plain else levels, **how
    )  # fmt: skip


def _unseen_light(found: Solution, size: Floats) -> float:
    """Standard uncertainty of R^2 from light that changes within the blur of the outline, where no model can see it.

    Half of what letting the light follow the unevenness beside the outline has changed; and either edge shifted as a whole, by a
    grinding line or a rim along all of it that is as much lighter or darker as that unevenness (`size`, in contrasts).
    """
    shift = math.sqrt(math.pi / 2) * found.wedge.blur * float(np.hypot(*size))
    shifted = pull(found, edge_shift(found))[4] * shift
    calm = found.without(level_columns(found, slice(len(found.pixels.basis), None)))[found.active.index(4)]
    return math.hypot((calm - found.wedge.rounding) / 2, *shifted)


def _excess(strays: tuple[Floats, Floats]) -> tuple[float, int]:
    """How much more the outline strays from the model round the corner than along the edges (rms, px), in how many
    steps."""
    corner, edges = strays
    if len(corner) < 3 or len(edges) < 6:
        return 0.0, 0
    return math.sqrt(max(float(np.mean(corner**2) - np.mean(edges**2)), 0.0)), len(corner)


def _with_blur_form(found: Solution, strays: tuple[Floats, Floats]) -> tuple[Wedge, dict[str, float], float]:
    """Correct for a blur that is not Gaussian where the edges show it, and say what the blur leaves open in R^2.

    Returns the wedge, further uncertainties of R^2, and the share of the second Gaussian (0 where not needed).
    """
    wedge = found.wedge
    slope = halo_slope(found)
    best, gain = score_test(found, slope)
    halo = float(np.clip(best[0], -0.5, 0.5)) if gain > _HALO_ASKS else 0.0
    moved = pull(found, slope)[:, 0] * -halo
    if abs(moved[4]) < 0.5 * max(wedge.rounding, wedge.blur**2):
        wedge = wedge.moved(wedge.vector() + moved)
    squash = _ROUND_BLUR + abs(wedge.skew) / 2
    unseen = abs(float(pull(found, found.slopes([9]))[4, 0])) * squash
    excess, count = _excess(strays)
    lever = 2 * wedge.radius / (1 / math.sin(wedge.half_angle) - 1)
    form = lever * excess / math.sqrt(max(count / 3, 1.0))
    return wedge, {"blur": math.hypot(abs(moved[4]), unseen), "form": form}, halo


def _area_factor(half: float) -> float:
    """Missing area over R^2 of a corner with half angle `half`."""
    return float(1 / np.tan(half) - (np.pi / 2 - half))


def _sizes(wedge: Wedge) -> Floats:
    """Radius, recession, losses along end and side edge (px), missing area (px2) of a rounded corner."""
    sin, cos = math.sin(wedge.half_angle), math.cos(wedge.half_angle)
    across, along = _meeting(wedge)
    recession = math.hypot(across, wedge.radius / sin - along) - wedge.radius
    losses = []
    for sign, bend in ((-1.0, wedge.end_bend), (1.0, wedge.side_bend)):
        gone = wedge.tangent_length * sign * sin - across, wedge.tangent_length * cos - along
        losses.append(math.hypot(*gone) if bend else gone[0] * sign * sin + gone[1] * cos)
    area = _area_factor(wedge.half_angle) * max(wedge.rounding, 0.0)
    return np.array([wedge.radius, recession, *losses, area])


def _quantities(fit: CornerFit) -> dict[str, Quantity]:
    """All sizes of a rounded corner in px and px2: values with parts, or upper limits where R is not resolved."""
    w, u_q = fit.wedge, fit.u_rounding
    names = list(zip(_NAMES, ("px", "px", "px", "px", "px2"), strict=False))

    def at(rounding: float) -> Floats:
        return _sizes(replace(w, rounding=float(rounding)))

    here = at(w.rounding)
    u_blur = w.blur * math.sqrt(fit.covariance[5, 5])
    blur = {"edge_blur_width": Quantity(w.blur, "px", {"noise": u_blur})}
    if not fit.resolved:
        top = at(fit.upper_limit**2)
        noise = np.maximum(top - here, 0.0) / ONE_SIDED_95
        return {
            name: Quantity(float(most), unit, {"noise": float(u)}, "upper_limit")
            for (name, unit), most, u in zip(names, top, noise, strict=True)
        } | blur
    per_q = np.abs(at(w.rounding + 0.1 * u_q) - at(w.rounding - 0.1 * u_q)) / (0.2 * u_q)
    vector, u = w.vector(), np.sqrt(np.diag(fit.covariance))
    gradient = np.zeros((10, len(here)))
    for k in np.flatnonzero(u > 0):
        step = 0.1 * u[k] * np.eye(10)[k]
        gradient[k] = (_sizes(w.moved(vector + step)) - _sizes(w.moved(vector - step))) / (0.2 * u[k])
    noise = np.sqrt(np.maximum(np.einsum("ij,ik,kj->j", gradient, fit.covariance, gradient), 0.0))
    out = {}
    for i, (name, unit) in enumerate(names):
        parts = {"noise": float(noise[i]), **{form: float(per_q[i]) * u for form, u in fit.forms.items()}}
        stretch = math.hypot(*parts.values()) / max(float(per_q[i]) * u_q, 1e-12)
        low, high = (
            float(at(max(w.rounding + z * u_q * stretch, 0.0))[i])
            for z in (-COVERAGE_FACTOR, COVERAGE_FACTOR)
        )
        value = float(here[i])
        out[name] = Quantity(value, unit, parts, below=max(value - low, 0.0), above=max(high - value, 0.0))
    return out | blur


def _curves(fit: CornerFit) -> tuple[Curve, ...]:
    """The fitted end edge, arc and side edge as polylines."""
    w = fit.wedge
    apex = np.array([w.x, w.y])
    distance, along = outline_distance(w, fit.solution.pixels.points)
    t = (fit.solution.pixels.points - apex) @ w.across

    def edge(angle: float, bend: float, sign: float) -> Floats:
        mine = along[(t * sign > 0) & (np.abs(distance) < 2)]
        s = np.linspace(w.tangent_length, max(mine.max(initial=0.0), w.tangent_length + 1), 40)
        ahead = np.array([np.cos(angle), np.sin(angle)])
        outward = sign * np.cos(w.half_angle) * w.across - np.sin(w.half_angle) * w.bisector
        return np.asarray(
            apex + s[:, None] * ahead + bend * np.maximum(s - w.bend_from, 0)[:, None] ** 2 * outward
        )

    turn = np.linspace(-1, 1, 41)[:, None] * (np.pi / 2 - w.half_angle)
    centre = apex + w.bisector * w.radius / np.sin(w.half_angle)
    arc = centre + w.radius * (np.sin(turn) * w.across - np.cos(turn) * w.bisector)
    return (
        Curve("end_edge", edge(w.end_angle, w.end_bend, -1.0)),
        Curve("side_edge", edge(w.side_angle, w.side_bend, 1.0)),
        Curve("arc", arc),
    )


def _clip_levels(photo: Photo) -> tuple[float, float]:
    """Linear light at or beyond which a pixel counts as clipped: one code from either end."""
    ends = np.array([1.0, photo.top - 1.0]) / photo.top
    low, high = srgb_to_linear(ends)
    return float(low) * 0.999, float(high) * 0.999


def measure_corner(
    photo: Photo, outline: Outline, scale: Scale, *, nominal_radius_mm: float = 0.0
) -> Finding:
    """Measure the corner that `outline.corner` points at.

    Sizes come back in mm (missing area mm2), the blur in px. `nominal_radius_mm` is the radius the cutter had by
    design; the measured radius is reported as it is, the limits compare it with the nominal one.
    """
    pose = outline.corner
    if pose is None:
        return Finding(not_measured=dict.fromkeys(_NAMES, "no cutting corner was found in the picture"))
    x, y = pose.apex_px
    width, height = photo.size
    loss = _loss(outline, pose)
    radius = None if loss is None else _radius_of(loss, pose)
    far = min(max(pose.end_length_px, pose.side_length_px, 60.0), _FARTHEST_PX)
    if radius is not None:
        widest = replace(_start(pose), rounding=(2 * radius + _FIRST_REACH_PX / 2) ** 2)
        far = min(far, max(_reach(widest, pose)))
    ends = np.array([(0.0, 0.0), pose.end_direction, pose.side_direction]) * far + pose.apex_px
    low, high = ends.min(axis=0) - _BESIDE_PX, ends.max(axis=0) + _BESIDE_PX
    box = (max(0, int(low[0])), max(0, int(low[1])), min(width, int(high[0])), min(height, int(high[1])))
    origin = np.array(box[:2], dtype=float)
    clip = _clip_levels(photo) if outline.mix == LUMINANCE else (-np.inf, np.inf)
    local = replace(pose, apex_px=(x - origin[0], y - origin[1]))
    picture = photo.linear(box, mix=outline.mix)
    fit = fit_corner(picture, local, saturated=clip, radius_px=radius)
    if _lost(fit, local):  # perhaps bevels and reflections lie beside the edges
        fit = fit_corner(picture, local, saturated=clip, radius_px=radius, levels="along")
    why = _unlike_an_arc(fit, local, loss)
    found = _rounded(fit, scale) if why is None else _broken(fit, loss, pose, scale, origin, why)
    return shifted(found, box[:2])


def _loss(outline: Outline, pose: CornerPose) -> CornerLoss | None:
    """The corner read from the contour alone; None where the contour does not reach, or follows other edges."""
    gaps = pose.end_gap_px, pose.side_gap_px
    whole = min(_CONTOUR_REACH_PX, EDGE_REACH * outline.mask_step)  # so far the contour is on the half level
    reach = min(pose.end_length_px, whole + gaps[0]), min(pose.side_length_px, whole + gaps[1])
    try:
        loss = corner_loss(
            outline.points_px, pose.apex_px, pose.end_direction, pose.side_direction,
            reach_px=reach, resolution_px=max(pose.blur_px, 1.0), gap_px=gaps,
        )  # fmt: skip
    except ValueError:
        return None
    return loss if math.dist(loss.virtual_px, pose.apex_px) < _ROOM_PX + 5 * loss.u_position else None


def _radius_of(loss: CornerLoss, pose: CornerPose) -> float:
    """The radius that an arc of this recession has."""
    return loss.recession / (1 / math.sin(_start(pose).half_angle) - 1)


def _lost(fit: CornerFit, pose: CornerPose) -> bool:
    """Did the fit leave the edges that the outline follows?"""
    wedge, reach = fit.wedge, _reach(fit.wedge, pose)
    swing = [
        2 * abs(bend) * max(r - wedge.bend_from, 0.0)
        for bend, r in zip((wedge.end_bend, wedge.side_bend), reach, strict=True)
    ]
    strayed = max(abs(wedge.x - pose.apex_px[0]), abs(wedge.y - pose.apex_px[1])) > 0.99 * _ROOM_PX
    strayed |= max(_aside(wedge, pose)) > _ROOM_PX
    blurred = wedge.blur > 0.99 * _largest_blur(pose)
    return strayed or blurred or wedge.tangent_length > min(reach) or max(swing) > _STRAIGHT


def _aside(wedge: Wedge, pose: CornerPose) -> tuple[float, float]:
    """How far the fitted end edge and side edge lie beside those of `pose` where these are whole, px."""
    off = np.array([wedge.x, wedge.y]) - np.array(pose.apex_px)

    def aside(angle: float, direction: tuple[float, float], gap: float) -> float:
        along = max(gap, wedge.tangent_length) + _REACH_PX / 2
        x, y = off + along * np.array([math.cos(angle), math.sin(angle)])
        return abs(float(x * direction[1] - y * direction[0]))

    return (
        aside(wedge.end_angle, pose.end_direction, pose.end_gap_px),
        aside(wedge.side_angle, pose.side_direction, pose.side_gap_px),
    )


def _unlike_an_arc(fit: CornerFit, pose: CornerPose, loss: CornerLoss | None) -> str | None:
    """Why no radius can be given, in words; None where an arc describes the corner."""
    wedge = fit.wedge
    if _lost(fit, pose):
        return "the edges at the corner are too uneven for an arc to be fitted"
    if loss is not None and loss.recession > wedge.recession + 5 * wedge.blur + 5 * loss.u_position + 5:
        return "broken, not rounded: the outline leaves the edges long before the corner"
    if (
        loss is not None
        and wedge.recession > loss.recession + loss.overhang + 2 * wedge.blur + 5 * loss.u_position
    ):
        return "broken, not rounded: an arc would take away more than is gone"
    excess, _ = _excess(fit.strays)
    ragged = float(np.std(fit.strays[1]))
    if loss is not None and fit.resolved and _vague(fit, loss):
        return "broken, not rounded: the outline tells more than any arc fitted to the corner"
    clean = loss is None or loss.overhang < 3 * loss.u_position + wedge.blur + _ARC_MISFIT * loss.recession
    misfit = min(_ARC_MISFIT * (wedge.recession + wedge.blur), wedge.blur)
    if clean and excess > misfit and excess > 1.5 * ragged:
        return "broken, not rounded: an arc does not fit the corner"
    return None


def _vague(fit: CornerFit, loss: CornerLoss) -> bool:
    """Does the arc leave the recession far more open than the outline does?"""
    low, high = fit.interval()
    in_outline = COVERAGE_FACTOR * math.hypot(loss.u_position, _CONTOUR_BLUR * fit.wedge.blur)
    open_radius = (high - low) / 2 > fit.radius / _VAGUE
    return open_radius and _quantities(fit)["corner_recession"].expanded > _VAGUE * in_outline


def _rounded(fit: CornerFit, scale: Scale) -> Finding:
    quantities = {n: q if n == "edge_blur_width" else scale.to_mm(q) for n, q in _quantities(fit).items()}
    marks = (Mark("virtual_corner", fit.virtual_px, "virtual sharp corner"),)
    optics = math.sqrt(max(fit.wedge.blur**2 - _PIXEL_BLUR**2, 0.0))
    remark = (
        f"blur: {optics:.2f} px from lens, focus and motion, {_PIXEL_BLUR:.2f} px from the width of a pixel"
    )
    return Finding(quantities, {}, marks, _fit_flags(fit), _curves(fit), (remark,))


def _fit_flags(fit: CornerFit) -> tuple[str, ...]:
    """What the fit says about the photo."""
    over = fit.solution.pixels.values >= fit.solution.pixels.high
    outside, inside = fit.solution.share < 0.1, fit.solution.share > 0.9
    flags = {
        "oversharpened": fit.halo < -_SHARPENED,
        "background_clipped": bool(outside.any()) and float(np.mean(over[outside])) > 0.5,
        "glare": bool(inside.any()) and float(np.mean(over[inside])) > 0.2,
    }
    return tuple(name for name, on in flags.items() if on)


def _broken(
    fit: CornerFit, loss: CornerLoss | None, pose: CornerPose, scale: Scale, origin: Floats, why: str
) -> Finding:
    """Recession, losses and area from the contour; no radius."""
    if loss is None:
        return Finding(not_measured=dict.fromkeys(_NAMES, why))
    blur = min(fit.wedge.blur, 10.0)
    # the contour's edges are straight, those of the outline bend where they ask for it: the true ones meet at either place or between
    into = np.array(pose.end_direction) + np.array(pose.side_direction)
    apart = abs(float((np.array(loss.virtual_px) - np.array(pose.apex_px)) @ into) / math.hypot(*into))

    def size(value: float, unit: str = "px", lever: float = 1.0) -> Quantity:
        parts = {"noise": loss.u_position, "blur": _CONTOUR_BLUR * blur, "form": apart / math.sqrt(3)}
        parts = {name: lever * u for name, u in parts.items()}
        u = math.hypot(*parts.values())
        return Quantity(value, unit, parts, below=min(COVERAGE_FACTOR * u, value), above=COVERAGE_FACTOR * u)

    length = float(np.sum(np.hypot(*np.diff(loss.contour, axis=0).T)))
    sizes = {
        "corner_recession": size(loss.recession),
        "corner_loss_end_edge": size(loss.end_loss, lever=3.0),
        "corner_loss_side_edge": size(loss.side_loss, lever=3.0),
        "corner_missing_area": size(loss.area, "px2", max(length, 1.0)),
    }
    stuck = loss.overhang > 3 * loss.u_position + blur
    at = np.array(loss.virtual_px) - origin
    lines = [
        Curve(name, np.array([at, at + _FIRST_REACH_PX / 2 * np.array(line.direction)]))
        for name, line in (("end_edge", loss.end), ("side_edge", loss.side))
    ]
    return Finding(
        {name: scale.to_mm(q) for name, q in sizes.items()},
        {"corner_radius": why, "edge_blur_width": "the corner does not show a clean step"},
        (Mark("virtual_corner", (float(at[0]), float(at[1])), "virtual sharp corner"),),
        ("broken_corner", "stuck_material") if stuck else ("broken_corner",),
        (*lines, Curve("broken corner", loss.contour - origin)),
    )
