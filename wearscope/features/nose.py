"""The round end of a ball-nose cutter: its radius, and how far it has lost its form."""

from dataclasses import dataclass

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
_FEWEST = 24
_MOUTH = 6.0
"""Deviations are averaged over this many blurs along the arc: less is not resolved."""


@dataclass(frozen=True, slots=True)
class _Arc:
    """Edge points seen from the nose: `angle` (rad, from the axis), `place` (n, 2) px, their standard uncertainty."""

    angle: Floats
    place: Floats
    u_px: Floats
    blur_px: float


def measure_nose(photo: Photo, outline: Outline, scale: Scale, *, nominal_radius_mm: float = 0.0) -> Finding:
    """Radius of the circle through the edge of a ball nose, and its deviation from the nominal one.

    Quantities: nose_radius (mm), nose_deviation (mm: the largest distance of the edge, averaged over six blurs, from a
    circle of the nominal radius laid on it as well as it fits; from the fitted circle where no nominal radius is given),
    chip_count and chip_depth_max (places that lie inside that circle), edge_blur_width (px). Blur moves a curved edge inward by sigma_b^2 / (2 R); this is put right.
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
    return Finding(
        {
            "nose_radius": scale.to_mm(Quantity(radius, "px", {"noise": u_radius, "form": by_place})),
            "nose_deviation": scale.to_mm(deviation),
            **_chips(off, noise, scale),
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


def _rays(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.hypot(vectors[:, 0], vectors[:, 1])[:, None])


def _edge_points(photo: Photo, outline: Outline, nose: NosePose) -> _Arc | None:
    half = min(nose.half_angle, _WIDEST)
    spacing = max(2.0, 1.5 * nose.blur_px if np.isfinite(nose.blur_px) else 2.0)
    angle = np.arange(-half, half, spacing / nose.radius_px)
    axis = np.array(nose.axis)
    rays = np.cos(angle)[:, None] * axis + np.sin(angle)[:, None] * np.array([-axis[1], axis[0]])
    centre = np.array(nose.centre_px)
    reach = max(12.0, 0.03 * nose.radius_px)
    low = np.maximum(np.floor((centre + (nose.radius_px + reach + 4) * rays).min(axis=0) - reach), 0).astype(
        int
    )
    high = np.ceil((centre + (nose.radius_px + reach + 4) * rays).max(axis=0) + reach).astype(int)
    width, height = photo.size
    box = (int(low[0]), int(low[1]), int(min(high[0], width)), int(min(high[1], height)))
    picture = photo.linear(box, mix=outline.mix)
    place = centre + nose.radius_px * rays
    fits = measure_steps(picture, place - box[:2], rays, half_px=reach)
    usual = np.median(fits.blur[fits.ok]) if fits.ok.any() else np.inf
    good = fits.ok & (fits.blur < 2.0 * usual)
    if good.sum() < _FEWEST:
        return None
    # Blur makes the outline of a disc look smaller (check values, section 3.3); outward is along the ray.
    outward = fits.position + fits.blur**2 / (2 * nose.radius_px)
    edge = place + outward[:, None] * rays
    return _Arc(angle[good], edge[good], np.maximum(fits.u_position[good], 0.01), float(usual))


def _circle(arc: _Arc, *, held: float | None = None) -> tuple[Floats, float, float, float]:
    """Geometric least squares with Huber weights: centre, radius, its standard uncertainty, robust scatter (px).

    The uncertainty is the Kanatani-Cramer-Rao bound for the angles at hand. `held` keeps the radius.
    """
    centre = arc.place.mean(axis=0) - 1e-3
    x, y = arc.place.T
    solution = np.linalg.lstsq(np.column_stack([2 * x, 2 * y, np.ones(len(x))]), x**2 + y**2, rcond=None)[0]
    centre = solution[:2]
    radius = held or float(np.sqrt(solution[2] + centre @ centre))
    weight = np.ones(len(x))
    scatter, normal = 1.0, np.eye(3)
    for _ in range(40):
        ray = arc.place - centre
        distance = np.hypot(*ray.T)
        off = distance - radius
        design = np.column_stack([ray / distance[:, None], np.ones(len(x))])[:, : 2 if held else 3]
        scatter = 1.4826 * float(np.median(np.abs(off))) + 1e-4
        weight = np.minimum(1.0, 1.5 * scatter / np.maximum(np.abs(off), 1e-12))
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
        radii.append(_circle(_Arc(arc.angle[kept], arc.place[kept], arc.u_px[kept], arc.blur_px))[1])
    return float(np.sqrt((blocks - 1) * np.var(radii)))


def _smooth_deviation(arc: _Arc, centre: Floats, radius: float) -> tuple[Floats, float]:
    """Distance of the edge from the circle averaged over the mouth (positive: outside), and the points' spacing, px."""
    off = np.hypot(*(arc.place - centre).T) - radius
    step = float(np.median(np.hypot(*np.diff(arc.place, axis=0).T)))
    width = max(1, round(_MOUTH * arc.blur_px / step))
    kernel = np.full(width, 1 / width)
    ones = np.convolve(np.ones(len(off)), kernel, mode="same")
    return np.convolve(off, kernel, mode="same") / ones, step
