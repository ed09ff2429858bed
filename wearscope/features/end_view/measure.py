"""From the photo of an end to what is found on it."""

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wearscope.features.end_view.corner import look_at_corner
from wearscope.features.end_view.teeth import Teeth, find_teeth
from wearscope.features.end_view.tip import Unclear, find_tip
from wearscope.features.end_view.told import (
    broken_words,
    gap_of,
    no_plunge,
    radii_of,
    reach_words,
    short_words,
    spread_of,
)
from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.outline.gate import WIDEST_BLUR_PX, exposure_flags
from wearscope.outline.shape import Outline
from wearscope.photo.read import Photo
from wearscope.quantity import Quantity

__all__ = ["NAMES", "Notch", "counts_flutes", "look_at_end", "measure_end", "with_notches"]

Floats = NDArray[np.float64]

NAMES = ("flute_count", "corner_radius_spread", "end_edge_gap")
_SIDE_ON = "along the axis a rounding or a chip shows only where it is broken through: judge it on a photo of the corner, side-on"


class Notch(NamedTuple):
    """The deepest notch in an end edge: `depth` in px at `px`, an upper limit where there is none; or why that is not known."""

    depth: Quantity | None
    px: tuple[float, float] | None = None
    why: str = ""


def measure_end(photo: Photo, scale: Scale, *, flutes: int | None = None) -> Finding:
    """As `look_at_end`, without the edges."""
    return look_at_end(photo, scale, flutes=flutes)[0]


def look_at_end(
    photo: Photo, scale: Scale, *, flutes: int | None = None
) -> tuple[Finding, tuple[Outline, ...]]:
    """Flute count, distance of each corner from the axis and how much they differ, and how near to the centre an edge reaches.

    `flutes`: the number that was given; another one in the picture is flagged. The corners are numbered clockwise as seen; which is the
    flute 1 of other photos, a picture of the end cannot tell. What cannot be told is named with its reason.

    Of each corner it is measured how far it stands back from where its two edges meet; a proven one is `corner_recession`. The outlines are those of the
    corners in the same order, each with its end edge outside the gash, for notches to be looked for in it (`with_notches`).
    """
    flags = exposure_flags(photo.small)
    elsewhere = dict.fromkeys(("corner_radius", "chip_depth_max"), _SIDE_ON)
    try:
        tip = find_tip(photo)
    except Unclear as reason:
        missing = dict.fromkeys(NAMES, str(reason)) | elsewhere
        return Finding(not_measured=missing, flags=(*flags, "end_unclear")), ()
    count = len(tip.at)
    flags = (
        *flags,
        *(("out_of_focus",) if tip.blur_px > WIDEST_BLUR_PX else ()),
        *(("flutes_disagree",) if flutes not in (None, count) else ()),
    )
    quantities = {
        "flute_count": Quantity(float(count), "count"),
        "edge_blur_width": Quantity(tip.blur_px, "px", {"noise": 0.05 * tip.blur_px}),
    }
    if count == 1:  # of one corner there is no spread, and nothing to find its axis by
        quantities["corner_radius_spread"] = Quantity(0.0, "mm")
    try:
        teeth = find_teeth(photo, tip)
    except Unclear as reason:
        why = {name: str(reason) for name in NAMES if name not in quantities} | elsewhere
        return Finding(quantities, why, _marks(tip.corners_px), flags, (), (no_plunge(),)), ()
    measured = radii_of(teeth) | {
        "corner_radius_spread": spread_of(teeth),
        "end_edge_gap": gap_of(teeth, tip),
    }
    picture = photo.linear()
    corners = [look_at_corner(picture, tip, teeth, k) for k in range(count)]
    measured |= {
        f"flute_{k + 1}_recession": c.recession for k, c in enumerate(corners) if c.recession is not None
    }
    broken = [c.recession for c in corners if c.recession is not None]
    if broken:
        measured["corner_recession"] = max(broken, key=lambda quantity: quantity.value)
    quantities |= {name: scale.to_mm(quantity) for name, quantity in measured.items()}
    elsewhere |= {f"flute_{k + 1}_recession": c.why for k, c in enumerate(corners) if c.why}
    finding = Finding(
        quantities,
        elsewhere,
        _marks(teeth.corners_px),
        flags,
        (_circle_curve(teeth),),
        (
            reach_words(measured["end_edge_gap"], tip.radius_px),
            *short_words(quantities, count),
            *broken_words(quantities, count),
        ),
    )
    return finding, tuple(c.outline for c in corners)


def with_notches(finding: Finding, notches: Sequence[Notch], scale: Scale) -> Finding:
    """The finding of an end with the deepest notch of each end edge; the deepest of all is `chip_depth_max` where there is one."""
    found = {f"flute_{k}_chip": scale.to_mm(n.depth) for k, n in enumerate(notches, 1) if n.depth is not None}
    chips = {name: quantity for name, quantity in found.items() if quantity.kind == "value"}
    quantities = {**finding.quantities, **found}
    if chips:
        quantities["chip_depth_max"] = max(chips.values(), key=lambda quantity: quantity.value)
    missing = {name: why for name, why in finding.not_measured.items() if name not in quantities}
    missing |= {f"flute_{k}_chip": n.why for k, n in enumerate(notches, 1) if n.depth is None}
    marks = tuple(
        Mark("chip", n.px, f"flute {k}: {scale.to_mm(n.depth).value:.3f} mm")
        for k, n in enumerate(notches, 1)
        if n.px is not None and n.depth is not None
    )
    words = tuple(
        f"flute {k} of this picture: its end edge is chipped"
        for k, n in enumerate(notches, 1)
        if n.px is not None
    )
    return replace(
        finding,
        quantities=quantities,
        not_measured=missing,
        marks=(*finding.marks, *marks),
        remarks=(*finding.remarks, *words),
    )


def counts_flutes(photo: Photo) -> bool:
    """Can the flutes of an end be counted in the photo?"""
    try:
        return bool(len(find_tip(photo).at))
    except Unclear:
        return False


def _marks(corners_px: Floats) -> tuple[Mark, ...]:
    return tuple(Mark("flute", (float(x), float(y)), f"flute {k + 1}") for k, (x, y) in enumerate(corners_px))


def _circle_curve(teeth: Teeth) -> Curve:
    turn = np.linspace(0, 2 * np.pi, 361)
    ring = np.column_stack([np.cos(turn), np.sin(turn)])
    return Curve("axis", teeth.axis_px + float(teeth.radii_px.max()) * ring, True)
