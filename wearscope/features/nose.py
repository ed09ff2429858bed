"""The round end of a ball-nose cutter: its radius, and how far it has lost its form."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.outline.shape import NosePose, Outline
from wearscope.photo.read import Photo
from wearscope.quantity import Quantity
from wearscope.subpixel.profile import measure_steps

__all__ = ["measure_nose"]

Floats = NDArray[np.float64]

_NAMES = ("nose_radius", "nose_deviation", "chip_count", "chip_depth_max", "edge_blur_width")
_WIDEST = np.radians(80.0)
"""The flanks begin at 90 degrees from the tip; the last ten degrees may already be cylinder."""
_WIDE = np.radians(70.0)
"""The same where the axis is known to ten degrees only."""
_FEWEST, _LEAST_ARC = 24, np.radians(60.0)
"""Below this a circle is hardly known: the bound of its radius is 24 times the noise over the root of the places (check values 1.4)."""
_FLAT = 0.25
"""A chip as deep and as wide as a flat to a quarter is one."""
_MOUTH = 6.0
"""Deviations are averaged over this many blurs along the arc: less is not resolved."""


@dataclass(frozen=True, slots=True)
class _Arc:
    """Edge points seen from the nose: `angle` (rad, from the axis), `place` (n, 2) px, their standard uncertainty; `first`: centre and
    radius of the outline's circle."""

    angle: Floats
    place: Floats
    u_px: Floats
    blur_px: float
    first: tuple[Floats, float]


def measure_nose(photo: Photo, outline: Outline, scale: Scale, *, nominal_radius_mm: float = 0.0) -> Finding:
    """Radius of the circle through the edge of a ball nose, and its deviation from the nominal one.

    Quantities: nose_radius (mm), nose_deviation (mm: the largest distance of the edge, averaged over six blurs, from a
    circle of the nominal radius laid on it as well as it fits; from the fitted circle where no nominal radius is given),
    chip_count and chip_depth_max (places that lie inside that circle), edge_blur_width (px), and, where what is gone has the
    shape of a chord, tip_width (mm, of the flat). Blur moves a curved edge inward by sigma_b^2 / (2 R); this is put right.
    """
    if outline.nose is None:
        return Finding(not_measured=dict.fromkeys(_NAMES, "no round end was found in the picture"))
    arc = _edge_points(photo, outline, outline.nose)
    if arc is None:
        return Finding(not_measured=dict.fromkeys(_NAMES, "too little of the round end shows a clear edge"))
    centre, radius, u_radius, scatter = _circle(arc)
    by_place = _jackknife(arc)
    nominal_px = nominal_radius_mm * scale.px_per_mm or radius
    laid, _, _, _ = _circle(arc, held=nominal_px)
    off, step = _smooth_deviation(arc, laid, nominal_px)
    worst = int(np.argmax(np.abs(off)))
    averaged = max(1.0, _MOUTH * arc.blur_px / step)
    noise = max(scatter / float(np.sqrt(averaged)), 1.4826 * float(np.median(np.abs(off))))
    # A wrong scale makes the nominal circle too large or small; moving the centre takes half of that back.
    reach = float(np.ptp(arc.angle)) / 2
    by_scale = nominal_px * scale.relative_uncertainty * (1 - np.cos(reach)) / 2
    deviation = Quantity(
        float(abs(off[worst])),
        "px",
        {
            "noise": noise,
            "size": by_scale,
            "blur": 0.02 * arc.blur_px,
        },
    )
    # a flat as wide as the longest stretch without an edge would hide in it
    hidden = nominal_px * float(np.diff(arc.angle).max()) ** 2 / 8
    low, high = deviation.bounds(0.0)
    if hidden > high:
        deviation = Quantity(low, "px", deviation.parts, "lower_limit")
    return Finding(
        {
            "nose_radius": scale.to_mm(Quantity(radius, "px", {"noise": u_radius, "form": by_place})),
            "nose_deviation": scale.to_mm(deviation),
            **_chips(off, noise, scale),
            **_flat(arc, off, worst, nominal_px, deviation, scale),
            "edge_blur_width": Quantity(arc.blur_px, "px", {"noise": 0.05 * arc.blur_px}),
        },
        marks=(
            Mark("nose_centre", (float(centre[0]), float(centre[1]))),
            Mark(
                "nose_worst",
                (float(arc.place[worst, 0]), float(arc.place[worst, 1])),
                "farthest from its form",
            ),
        ),
        curves=(Curve("arc", laid + nominal_px * _rays(arc.place - laid)), Curve("edge", arc.place)),
        remarks=(f"round end seen over {np.degrees(2 * reach):.0f} degrees",),
    )


def _chips(off: Floats, noise: float, scale: Scale) -> dict[str, Quantity]:
    """Stretches that lie inside the circle by more than four times the noise of an averaged place."""
    inside = -off > 4 * noise
    count = int((np.diff(np.concatenate([[0], inside.astype(int)])) == 1).sum())
    deepest = (
        Quantity(float(-off.min()), "px", {"noise": noise, "form": 2 * noise})
        if count
        else Quantity(4 * noise, "px", {"noise": noise}, "upper_limit")
    )
    return {"chip_count": Quantity(float(count), "1"), "chip_depth_max": scale.to_mm(deepest)}


def _flat(
    arc: _Arc, off: Floats, worst: int, radius: float, deviation: Quantity, scale: Scale
) -> dict[str, Quantity]:
    """The width of a flat: the chord that lies as deep inside the circle as its deepest place does.

    A flat is as wide as its depth says, 2 sqrt(2 R d - d^2); the stretch that lies deeper than half of that is then
    1 / sqrt(2) of it. A chip is narrower.
    """
    depth = -float(off[worst])
    if depth <= 0 or deviation.bounds(0.0)[0] <= 0 or deviation.kind != "value" or depth >= radius:
        return {}
    inside = off < -depth / 2
    first, last = worst - int(np.argmin(inside[worst::-1])) + 1, worst + int(np.argmin(inside[worst:])) - 1
    if not (0 < first <= worst <= last < len(off) - 1):
        return {}
    half = np.sqrt(2 * radius * depth - depth**2)
    seen = float(np.hypot(*(arc.place[last] - arc.place[first]))) * np.sqrt(2)
    if abs(seen - 2 * half) > _FLAT * 2 * half:
        return {}
    lever = 2 * (radius - depth) / half
    parts = {name: lever * u for name, u in deviation.parts.items()}
    return {"tip_width": scale.to_mm(Quantity(float(2 * half), "px", parts))}


def _rays(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.hypot(vectors[:, 0], vectors[:, 1])[:, None])


def _edge_points(photo: Photo, outline: Outline, nose: NosePose) -> _Arc | None:
    nose, half = _looked_at(outline, nose)
    spacing = max(2.0, 1.5 * nose.blur_px if np.isfinite(nose.blur_px) else 2.0)
    angle = np.arange(-half, half, spacing / nose.radius_px)
    axis = np.array(nose.axis)
    rays = np.cos(angle)[:, None] * axis + np.sin(angle)[:, None] * np.array([-axis[1], axis[0]])
    centre = np.array(nose.centre_px)
    reach = max(12.0, 0.03 * nose.radius_px)
    around = np.vstack([centre, centre + (nose.radius_px + reach + 4) * rays])
    low = np.maximum(np.floor(around.min(axis=0) - reach), 0).astype(int)
    high = np.ceil(around.max(axis=0) + reach).astype(int)
    width, height = photo.size
    box = (int(low[0]), int(low[1]), int(min(high[0], width)), int(min(high[1], height)))
    picture = photo.linear(box, mix=outline.mix)
    place = centre + _depths(outline, nose, angle, reach)[:, None] * rays
    fits = measure_steps(picture, place - box[:2], rays, half_px=reach)
    usual = np.median(fits.blur[fits.ok]) if fits.ok.any() else np.inf
    good = fits.ok & (fits.blur < 2.0 * usual)
    if good.sum() < _FEWEST or np.ptp(angle[good]) < _LEAST_ARC:
        return None
    # Blur makes the outline of a disc look smaller (check values, section 3.3); outward is along the ray.
    outward = fits.position + fits.blur**2 / (2 * nose.radius_px)
    edge = place + outward[:, None] * rays
    return _Arc(
        angle[good],
        edge[good],
        np.maximum(fits.u_position[good], 0.01),
        float(usual),
        (centre, nose.radius_px),
    )


def _looked_at(outline: Outline, nose: NosePose) -> tuple[NosePose, float]:
    """The pose and how far to both sides of its axis to look. Where a tip is worn flat or broken, only the longer of two arcs was
    found, far to one side: then the axis runs away from the middle between the ends of the contour, which lie on the body."""
    if nose.half_angle >= _WIDEST or len(outline.points_px) < 2:
        return nose, min(nose.half_angle, _WIDEST)
    away = np.array(nose.centre_px) - outline.points_px[[0, -1]].mean(axis=0)
    away = away / max(float(np.hypot(*away)), 1e-9)
    return replace(nose, axis=(float(away[0]), float(away[1]))), _WIDE


def _depths(outline: Outline, nose: NosePose, angle: Floats, reach: float) -> Floats:
    """How far from the centre to look for the edge at each angle: on the circle, or where the contour lies deeper inside it than
    half of what is looked through there: worn flat, or broken out."""
    axis = np.array(nose.axis)
    ray = outline.points_px - np.array(nose.centre_px)
    away = np.hypot(*ray.T)
    at = np.arctan2(ray @ np.array([-axis[1], axis[0]]), ray @ axis)
    order = np.argsort(at)
    if not len(order):
        return np.full(len(angle), nose.radius_px)
    contour = np.interp(angle, at[order], away[order])
    return np.where(contour < nose.radius_px - reach / 2, contour, nose.radius_px)


def _circle(arc: _Arc, *, held: float | None = None) -> tuple[Floats, float, float, float]:
    """Geometric least squares with Tukey's weights, for which what is worn off does not count: centre, radius, its standard
    uncertainty, robust scatter (px).

    It starts from the outline's circle and from the algebraic one through all places; the one that leaves less counts. The
    uncertainty is the Kanatani-Cramer-Rao bound for the angles at hand. `held` keeps the radius.
    """
    x, y = arc.place.T
    solution = np.linalg.lstsq(np.column_stack([2 * x, 2 * y, np.ones(len(x))]), x**2 + y**2, rcond=None)[0]
    algebraic = solution[:2], float(np.sqrt(solution[2] + solution[:2] @ solution[:2]))
    fits = [_settled(arc, *start, held=held) for start in (algebraic, arc.first)]
    return min(fits, key=lambda fit: fit[3])


def _settled(
    arc: _Arc, centre: Floats, radius: float, *, held: float | None
) -> tuple[Floats, float, float, float]:
    radius = held or radius
    scatter, normal = 1.0, np.eye(3)
    for _ in range(60):
        ray = arc.place - centre
        distance = np.hypot(*ray.T)
        off = distance - radius
        design = np.column_stack([ray / distance[:, None], np.ones(len(off))])[:, : 2 if held else 3]
        scatter = 1.4826 * float(np.median(np.abs(off))) + 1e-4
        weight = np.maximum(1 - (off / (4.685 * scatter)) ** 2, 0.0) ** 2
        normal = design.T @ (design * weight[:, None])
        move = np.linalg.solve(normal, design.T @ (weight * off))
        centre = centre + move[:2]
        radius = radius if held else radius + float(move[2])
        if np.abs(move).max() < 1e-6:
            break
    u = 0.0 if held else scatter * float(np.sqrt(np.linalg.inv(normal)[2, 2]))
    return centre, radius, u, scatter


def _jackknife(arc: _Arc, blocks: int = 8) -> float:
    """Standard uncertainty of the radius from leaving out one stretch of the arc after the other: texture and shading
    make neighbours err alike, which the scatter of single points does not show (Quenouille 1956, Tukey 1958)."""
    part = np.arange(len(arc.angle)) * blocks // len(arc.angle)
    radii = []
    for k in range(blocks):
        kept = part != k
        some = replace(arc, angle=arc.angle[kept], place=arc.place[kept], u_px=arc.u_px[kept])
        radii.append(_circle(some)[1])
    return float(np.sqrt((blocks - 1) * np.var(radii)))


def _smooth_deviation(arc: _Arc, centre: Floats, radius: float) -> tuple[Floats, float]:
    """Distance of the edge from the circle averaged over the mouth (positive: outside), and the points' spacing, px."""
    off = np.hypot(*(arc.place - centre).T) - radius
    step = float(np.median(np.hypot(*np.diff(arc.place, axis=0).T)))
    width = max(1, round(_MOUTH * arc.blur_px / step))
    kernel = np.full(width, 1 / width)
    ones = np.convolve(np.ones(len(off)), kernel, mode="same")
    return np.convolve(off, kernel, mode="same") / ones, step
