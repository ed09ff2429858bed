"""The cutting corner: radius, recession, losses along both edges, missing area, blur, each with its uncertainty."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.outline.shape import CornerPose, Outline
from wearscope.photo.read import Photo, srgb_to_linear
from wearscope.quantity import COVERAGE_FACTOR, ONE_SIDED_95, Quantity
from wearscope.subpixel.corner_fit import (
    Solution,
    approach,
    covariance,
    level_curvature,
    outline_distance,
    score_test,
    solve,
    strip_pixels,
)
from wearscope.subpixel.corner_model import Wedge

__all__ = ["CornerFit", "fit_corner", "measure_corner"]

Floats = NDArray[np.float64]
_RESOLVED = 2.0
"""A radius below this many sigma_b is an upper limit, never a number (check values, section 3.4)."""
_HALF_STRIP = 4.0
"""Half width of the strip of pixels along the outline, in sigma_b (costs 0.3 % of the information)."""
_REACH_PX = 130.0
"""Edges are followed this far beyond the tangent points where the frame allows."""
_FIRST_REACH_PX = 180.0
_BEND_ASKS = 2.0
"""An edge may bend if its bend differs from zero by this many standard uncertainties."""
_LEVELS_ASK = 22.5
"""Levels may be quadratic if that lowers chi-squared (six numbers more) by this much: 0.1 % by chance."""
_NAMES = (
    "corner_radius", "corner_recession", "corner_loss_end_edge", "corner_loss_side_edge", "corner_missing_area",
    "edge_blur_width",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CornerFit:
    """A corner in px.

    `wedge`: the fitted shape; `covariance` (10, 10) of its fields from noise; `forms`: further standard
    uncertainties of R^2 by name (px^2). `virtual_px`: where the two edges, extended with their bend, meet.
    """

    wedge: Wedge
    covariance: Floats
    forms: dict[str, float]
    virtual_px: tuple[float, float]
    solution: Solution
    converged: bool

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
    beyond = wedge.tangent_length + max(_REACH_PX, 20 * wedge.blur)
    return min(beyond, pose.end_length_px), min(beyond, pose.side_length_px)


def _virtual(wedge: Wedge) -> tuple[float, float]:
    """Where the bent edges, continued backwards, meet."""
    shift = np.array([wedge.end_bend, wedge.side_bend]) * wedge.bend_from**2
    sin, cos = np.sin(wedge.half_angle), np.cos(wedge.half_angle)
    normals = np.array(
        [-cos * wedge.across - sin * wedge.bisector, cos * wedge.across - sin * wedge.bisector]
    )
    x, y = np.array([wedge.x, wedge.y]) + np.linalg.solve(normals, shift)
    return float(x), float(y)


def fit_corner(
    linear: NDArray[np.float32], pose: CornerPose, *, saturated: tuple[float, float] = (-np.inf, np.inf)
) -> CornerFit:
    """Fit a blurred rounded wedge to a picture in linear light, shape (h, w), starting from `pose`.

    `saturated` (low, high): values at or beyond these are clipped and count as inequalities.
    """
    first = (min(_FIRST_REACH_PX, pose.end_length_px), min(_FIRST_REACH_PX, pose.side_length_px))
    wedge = approach(linear, _start(pose), reach_px=first, clip=saturated)

    def stage(
        wedge: Wedge, active: Sequence[int], *, thin: int = 1, curved: bool = False, **how: Any
    ) -> Solution:
        wedge = replace(wedge, bend_from=wedge.tangent_length)
        half = _HALF_STRIP * wedge.blur + 1.5
        pixels = strip_pixels(
            linear,
            wedge,
            half_px=half,
            reach_px=_reach(wedge, pose),
            clip=saturated,
            thin=thin,
            curved=curved,
        )
        return solve(pixels, wedge, active=active, **how)

    active = list(range(6))
    rough = stage(wedge, active, thin=3, rounds=8, tolerance=0.3)
    near = stage(rough.wedge, active, rounds=3, tolerance=0.1, complete=True)
    active += [k for k in (6, 7, 8) if score_test(near, near.slopes[:, [k]])[1] > _BEND_ASKS**2]
    curved = score_test(near, level_curvature(near))[1] > _LEVELS_ASK
    found = stage(near.wedge, active, curved=curved, complete=True)
    wedge = found.wedge
    cov = covariance(found)
    return CornerFit(wedge, cov, {}, _virtual(wedge), found, found.converged)


def _area_factor(half: float) -> float:
    """Missing area over R^2 of a corner with half angle `half`."""
    return float(1 / np.tan(half) - (np.pi / 2 - half))


def _propagated(fit: CornerFit, value: Callable[[Wedge], float]) -> float:
    """Standard uncertainty of `value(wedge)` from the covariance of the fit, without that of R^2 itself by form."""
    vector, gradient = fit.wedge.vector(), np.zeros(10)
    u = np.sqrt(np.diag(fit.covariance))
    for k in np.flatnonzero(u > 0):
        step = np.zeros(10)
        step[k] = 0.1 * u[k]
        gradient[k] = (value(fit.wedge.moved(vector + step)) - value(fit.wedge.moved(vector - step))) / (
            0.2 * u[k]
        )
    return math.sqrt(max(float(gradient @ fit.covariance @ gradient), 0.0))


def _sized(fit: CornerFit, value: Callable[[Wedge], float], unit: str) -> Quantity:
    """A size that grows with R: a value with parts, or an upper limit where R is not resolved."""
    w = fit.wedge

    def at(rounding: float) -> float:
        return value(replace(w, rounding=float(rounding)))

    if not fit.resolved:
        top = at(fit.upper_limit**2)
        return Quantity(top, unit, {"noise": max(top - at(w.rounding), 0.0) / ONE_SIDED_95}, "upper_limit")
    here = at(w.rounding)
    u_q = fit.u_rounding
    per_q = (at(w.rounding + 0.1 * u_q) - at(w.rounding - 0.1 * u_q)) / (0.2 * u_q)
    parts = {"noise": _propagated(fit, value), **{name: abs(per_q) * u for name, u in fit.forms.items()}}
    whole = float(np.sqrt(sum(u * u for u in parts.values())))
    stretch = whole / max(abs(per_q) * u_q, 1e-12)
    low, high = (
        at(float(max(w.rounding + z * u_q * stretch, 0.0))) for z in (-COVERAGE_FACTOR, COVERAGE_FACTOR)
    )
    return Quantity(here, unit, parts, below=max(here - low, 0.0), above=max(high - here, 0.0))


def _quantities(fit: CornerFit) -> dict[str, Quantity]:
    """All sizes of a rounded corner in px and px2."""

    def loss(sign: float) -> Callable[[Wedge], float]:
        def length(w: Wedge) -> float:
            bend = w.end_bend if sign < 0 else w.side_bend
            edge = np.array(
                [np.cos(w.end_angle), np.sin(w.end_angle)]
                if sign < 0
                else [np.cos(w.side_angle), np.sin(w.side_angle)]
            )
            apex = np.array(_virtual(w))
            start = np.array([w.x, w.y]) + w.tangent_length * edge
            return float(np.hypot(*(start - apex))) if bend else float((start - apex) @ edge)

        return length

    def recession(w: Wedge) -> float:
        centre = np.array([w.x, w.y]) + w.bisector * w.radius / np.sin(w.half_angle)
        return float(np.hypot(*(centre - np.array(_virtual(w)))) - w.radius)

    blur = fit.wedge.blur
    return {
        "corner_radius": _sized(fit, lambda w: w.radius, "px"),
        "corner_recession": _sized(fit, recession, "px"),
        "corner_loss_end_edge": _sized(fit, loss(-1.0), "px"),
        "corner_loss_side_edge": _sized(fit, loss(1.0), "px"),
        "corner_missing_area": _sized(
            fit, lambda w: _area_factor(w.half_angle) * max(w.rounding, 0.0), "px2"
        ),
        "edge_blur_width": Quantity(blur, "px", {"noise": blur * float(np.sqrt(fit.covariance[5, 5]))}),
    }


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
    far = max(pose.end_length_px, pose.side_length_px, 60.0) + 60
    box = (max(0, int(x - far)), max(0, int(y - far)), min(width, int(x + far)), min(height, int(y + far)))
    origin = np.array(box[:2], dtype=float)
    linear = photo.linear(box)
    local = replace(pose, apex_px=(x - origin[0], y - origin[1]))
    fit = fit_corner(linear, local, saturated=_clip_levels(photo))
    quantities = {n: q if n == "edge_blur_width" else scale.to_mm(q) for n, q in _quantities(fit).items()}
    at = np.array(fit.virtual_px) + origin
    marks = (Mark("virtual_corner", (float(at[0]), float(at[1])), "virtual sharp corner"),)
    curves = tuple(replace(c, px=c.px + origin) for c in _curves(fit))
    return Finding(quantities, {}, marks, (), curves)
