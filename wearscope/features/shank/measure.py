"""From the photo of a shank to what is found on it."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from wearscope.features.shank.part import CannotTell, shank_of_profile, whole_shank
from wearscope.features.shank.sides import Shank
from wearscope.features.shank.told import (
    burr_of,
    diameter_of,
    grooves_around,
    score_of,
    straightness_of,
    taper_of,
)
from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.outline.bar import NotABar, find_bar
from wearscope.outline.bar_surface import SurfaceLine, surface_lines
from wearscope.photo.read import Photo
from wearscope.quantity import Quantity

__all__ = ["NAMES", "measure_shank"]

Floats = NDArray[np.float64]

NAMES = (
    "shank_diameter",
    "shank_straightness",
    "shank_taper",
    "shank_burr_max",
    "shank_score_max",
)
_REACH_MM = 0.12
"""Burrs and grooves are followed so far from the side: four times the usual discard limit of a burr (0.03 mm)."""
_FIT_MM = 0.013
"""No shank h6 up to 30 mm is farther under its nominal diameter (ISO 286-2, from memory)."""
_LENS_FAR = "the lens is taken to be far away: a shank that leans toward it looks tapered, and a near lens shows it a little too wide"


def measure_shank(photo: Photo, scale: Scale, *, view: str, nominal_mm: float | None = None) -> Finding:
    """Diameter, straightness, taper, burrs, grooves and scoring of the shank (views `shank` and `profile`).

    On a `shank` view it runs out of the frame at both ends; on a `profile` view it leaves at one end, and what cuts is seen at the
    other. What cannot be measured is named with its reason. `nominal_mm` is the diameter the shank should have, to compare it with.
    """
    try:
        bar = find_bar(photo, reach_px=max(16.0, _REACH_MM * scale.px_per_mm))
    except NotABar as reason:
        return Finding(not_measured=dict.fromkeys(NAMES, str(reason)), flags=("no_shank",))
    try:
        part = whole_shank(bar) if view == "shank" else shank_of_profile(bar)
        shank = Shank.of(photo, bar, part)
    except CannotTell as reason:
        return Finding(not_measured=dict.fromkeys(NAMES, str(reason)), flags=(*bar.flags, "no_shank"))
    return _finding(photo, shank, scale, nominal_mm)


def _finding(photo: Photo, shank: Shank, scale: Scale, nominal_mm: float | None) -> Finding:
    quantities = {
        "edge_blur_width": Quantity(shank.bar.blur_px, "px", {"noise": 0.05 * shank.bar.blur_px}),
        "shank_diameter": scale.to_mm(diameter_of(shank)),
        "shank_straightness": scale.to_mm(straightness_of(shank, photo.size)),
        "shank_taper": taper_of(shank),
    }
    missing = {}
    if shank.clear:
        quantities |= {
            "shank_burr_max": scale.to_mm(burr_of(shank)),
            "shank_score_max": scale.to_mm(score_of(shank)),
        }
    else:
        missing = dict.fromkeys(
            NAMES[-2:], "ground and shank are too alike beside a side: use a lighter or darker ground"
        )
    lines = _surface(photo, shank, scale)
    marks = [
        Mark(
            "burr" if d.size_px > 0 else "groove",
            shank.point(d),
            f"{'burr' if d.size_px > 0 else 'groove'} {abs(d.size_px) / scale.px_per_mm:.3f} mm",
        )
        for d in shank.damages
    ]
    marks += [
        Mark(
            "score",
            _pair(line.px[1]),
            f"line {line.kind} the shank, {line.width_px / scale.px_per_mm:.2f} mm wide",
        )
        for line in lines
    ]
    curves = [Curve("edge", shank.line(n)) for n in (0, 1)] + [Curve("score", line.px) for line in lines]
    marked = bool(lines) or any(True for _ in grooves_around(shank))
    beside = () if nominal_mm is None else (_beside_nominal(quantities["shank_diameter"], nominal_mm),)
    remarks = (_along(shank, scale), *beside, *_lines_in_words(lines), _LENS_FAR)
    flags = (*shank.bar.flags, *(("shank_marks",) if marked else ()))
    return Finding(quantities, missing, tuple(marks), flags, tuple(curves), remarks)


def _surface(photo: Photo, shank: Shank, scale: Scale) -> tuple[SurfaceLine, ...]:
    if not shank.front_lit:
        return ()
    half = float(shank.width_px.mean()) / 2
    return surface_lines(photo, shank.bar, shank.s_px, half, px_per_mm=scale.px_per_mm)


def _lines_in_words(lines: tuple[SurfaceLine, ...]) -> Iterator[str]:
    meaning = {
        "around": "it may have turned in the collet",
        "along": "it may have slipped, or met dirt in the collet",
    }
    for kind, why in meaning.items():
        if count := sum(line.kind == kind for line in lines):
            yield f"{count} line{'s' if count > 1 else ''} {kind} the shank: {why}; look at the collet too"


def _pair(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _along(shank: Shank, scale: Scale) -> str:
    width = shank.width_px / scale.px_per_mm
    length = len(shank.s_px) / scale.px_per_mm
    return f"shank {width[0]:.3f} mm, {np.median(width):.3f} mm and {width[-1]:.3f} mm across at the ends and in the middle of {length:.1f} mm"


def _beside_nominal(diameter: Quantity, nominal_mm: float) -> str:
    """The ratio to the nominal diameter: what a photo can say of a fit."""
    percent, doubt = 100 * diameter.value / nominal_mm, 100 * diameter.expanded / nominal_mm
    told = f"shank {percent:.2f} ± {doubt:.2f} % of its nominal {nominal_mm:g} mm"
    over = diameter.value - nominal_mm
    if over > diameter.expanded or over < -diameter.expanded - _FIT_MM:
        return f"{told}: check the nominal diameter, the scale and the shank before it goes into a collet"
    return f"{told}: whether it fits (h6) a micrometer decides, not a photo"
