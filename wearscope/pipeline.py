"""The one way from a photo to a decision; every interface calls `inspect_photo` and adds nothing."""

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from wearscope.facts import CutterKind, Facts
from wearscope.features.bright_line import measure_bright_line
from wearscope.features.chips import measure_chips, scan_edges
from wearscope.features.corner import measure_corner
from wearscope.features.covered import find_cover
from wearscope.features.end_view import Notch, counts_flutes, look_at_end, with_notches
from wearscope.features.land import measure_land
from wearscope.features.nose import measure_nose
from wearscope.features.patch import measure_patch
from wearscope.features.point import measure_point
from wearscope.features.shank import measure_shank
from wearscope.features.squareness import measure_squareness, with_tilt
from wearscope.features.tint import measure_tint
from wearscope.features.wear_map import Shape, measure_wear, nominal_shape, trace_shape
from wearscope.finding import Curve, Finding, merge, shifted
from wearscope.flags import FLAGS, blocking
from wearscope.geometry.scale import Scale
from wearscope.grading.judge import Judgement, judge
from wearscope.grading.limits import Limits
from wearscope.inspection import Inspection, PhotoReport, ScaleUsed, conclude, measurement_of
from wearscope.outline.edge_view import find_edge
from wearscope.outline.find import Form, find_outline
from wearscope.outline.shape import CornerPose, Outline
from wearscope.outline.view import is_edge, is_end, is_shank
from wearscope.photo.colour import Grey
from wearscope.photo.field import within_field
from wearscope.photo.read import Photo, read_photo
from wearscope.quantity import COVERAGE_FACTOR, Quantity

__all__ = [
    "NewOutline",
    "ScaleSource",
    "TypedScale",
    "inspect_photo",
    "new_outline",
    "nominal_outline",
]


class ScaleSource(Protocol):
    """What knows the scale of a photo of a given size (width, height), and perhaps how grey looks in it; a calibration does."""

    @property
    def white(self) -> Grey | None: ...

    def scale_for(self, size: tuple[int, int], /) -> Scale: ...


@dataclass(frozen=True, slots=True)
class TypedScale:
    """A scale that was typed in: it counts as exact and is flagged."""

    px_per_mm: float
    white: Grey | None = None

    def scale_for(self, size: tuple[int, int], /) -> Scale:
        return Scale(self.px_per_mm)


@dataclass(frozen=True, slots=True)
class NewOutline:
    """What a cutter looked like when new: `shape` in px of its photo at `scale`, or why there is none.

    `shape` None: straight edges and the nominal radius. `name` is for people.
    """

    name: str
    shape: Shape | str | None = None
    scale: Scale | None = None


def nominal_outline() -> NewOutline:
    """The form a corner has by design: straight edges and the nominal radius."""
    return NewOutline("nominal form")


def new_outline(
    photo: Photo | str | Path, *, scale_source: ScaleSource, kind: CutterKind = "flat"
) -> NewOutline:
    """The outline of a new cutter's corner or tip, to hold later photos against. Raises as `inspect_photo` does."""
    photo = photo if isinstance(photo, Photo) else read_photo(photo)
    scale = scale_source.scale_for(photo.size)
    photo, _ = within_field(photo)
    outline = _outline(photo, kind)
    unusable = blocking(outline.flags)
    if unusable or (outline.corner is None and outline.nose is None):
        why = (
            FLAGS[unusable[0]].text.rstrip(".") if unusable else "no cutting corner was found in the picture"
        )
        return NewOutline(photo.path, why, scale)
    corner = measure_corner(photo, outline, scale)
    return NewOutline(photo.path, _shape(photo, outline, corner, scale, kind), scale)


def _shape(photo: Photo, outline: Outline, corner: Finding, scale: Scale, kind: CutterKind) -> Shape | str:
    """The outline as the wear map compares it: a point has no end edge, and another form may have hollow edges."""
    return trace_shape(photo, outline, corner, scale, alike=kind == "engraver", straight=kind != "other")


def inspect_photo(
    photo: Photo | str | Path,
    *,
    scale_source: ScaleSource,
    facts: Facts,
    limits: Limits,
    view: str | None = "corner",
    flute: int = 1,
    grey: Grey | None = None,
    new: NewOutline | None = None,
    shank_mm: float | None = None,
) -> Inspection:
    """Measure and judge one photo of one view of one flute.

    `view` None: nobody said which; it is told from the picture, or a corner is assumed, and a flag says so.
    `grey`: colour of a grey card in the same light (`wearscope.photo.colour.grey_card`), for the judgement of heat colours; without
    one that of the calibration serves, where nothing in the photo speaks against it. `new`: what the
    cutter looked like when new (`new_outline`, `nominal_outline`), to map what is gone. `shank_mm`: nominal diameter of the shank.

    Raises PhotoError for a file that is no photo and CalibrationError for a calibration that does not fit it.
    What cannot be measured is a result with a reason, not an error.
    """
    photo = photo if isinstance(photo, Photo) else read_photo(photo)
    scale = scale_source.scale_for(photo.size)
    whole, (photo, at) = photo, within_field(photo) if view != "end" else (photo, (0, 0))
    if view is None:
        view, outline, *told = _view_of(whole, photo, facts.kind, new)
        photo, at = (whole, (0, 0)) if view == "end" else (photo, at)
    else:
        outline, told = (_outline(photo, facts.kind, new) if view == "corner" else None), []
    expected = tuple(_expected(view, facts, limits))
    finding = merge(
        [
            _of_facts(facts, limits, scale),
            Finding(flags=(*told, *(("round_field",) if photo.size != whole.size else ()))),
            *_seen(photo, outline, scale, facts, view, expected, (grey, scale_source.white), new, shank_mm),
        ]
    )
    angle = _angle_deg(outline.corner if outline else None)
    judgement = judge(
        finding, view=view, facts=facts, limits=limits, px_per_mm=scale.px_per_mm, corner_angle_deg=angle
    )
    report = _report(whole, scale, shifted(finding, at), judgement, angle, view=view, flute=flute)
    return conclude([report], facts=facts, limits=limits)


def _view_of(
    whole: Photo, photo: Photo, kind: CutterKind, new: NewOutline | None
) -> tuple[str, Outline | None, str]:
    """The view a photo shows as far as it can be told, the outline if that is a corner, and the flag that says so.

    `photo` is what lies in the round field of `whole`, if that has one. A tip before a dark ground looks like one.
    """
    if is_end(photo) or (photo is not whole and counts_flutes(whole)):
        return "end", None, "view_detected:end"
    outline = _outline(photo, kind, new)
    if photo is not whole and is_end(whole):
        return "corner", outline, "view_unclear"
    if is_edge(photo, outline):
        return "edge", None, "view_detected:edge"
    if outline.corner is not None or outline.nose is not None:
        return "corner", outline, "view_detected:corner"
    if is_shank(photo):
        return "shank", None, "view_detected:shank"
    return "corner", outline, "view_assumed"


_FORM: Mapping[CutterKind, Form] = {"engraver": "point", "ball": "nose"}
"""What to look for at the tip; a corner where nothing is said."""
_ROUND_END = math.radians(75.0)
"""A cutter of another form is round at its tip where a circle is seen over 150 degrees: a hollow profile shows a quarter of one,
a tapered ball at least that."""


def _outline(photo: Photo, kind: CutterKind, new: NewOutline | None = None) -> Outline:
    """The outline of what a cutter of this kind has at its tip; of another form what it had when new, or what its photo shows, a
    round end or a corner."""
    was = new.shape if new is not None and isinstance(new.shape, Shape) else None
    if kind == "other" and was is not None and was.is_round:
        return find_outline(photo, form="nose")
    if kind == "other" and was is None:
        tip = find_outline(photo, form="nose")
        if tip.nose is not None and tip.nose.half_angle > _ROUND_END and not blocking(tip.flags):
            return tip
    return find_outline(photo, form=_FORM.get(kind, "corner"))


def _seen(
    photo: Photo,
    outline: Outline | None,
    scale: Scale,
    facts: Facts,
    view: str,
    expected: Iterable[str],
    greys: tuple[Grey | None, Grey | None],
    new: NewOutline | None,
    shank_mm: float | None,
) -> Iterator[Finding]:
    """What each feature of this view finds; without a cutting corner, the reason why nothing was measured."""
    if outline is not None:
        yield _of_outline(outline, expected)
        if outline.nose is not None:
            yield measure_nose(photo, outline, scale, nominal_radius_mm=facts.nominal_radius_mm)
            yield _gone_since_new(photo, outline, Finding(), scale, facts, new, None)
        if outline.corner is not None:
            corner = None
            if facts.kind == "engraver":
                yield measure_point(photo, outline, scale)
            else:
                square = measure_squareness(photo, outline)
                yield square
                corner = with_tilt(
                    measure_corner(photo, outline, scale, nominal_radius_mm=facts.nominal_radius_mm),
                    leans="not_square" in square.flags,
                )
                yield corner
            # hollow edges of another form may well reach beyond where they would meet straight
            if facts.kind != "other":
                yield find_cover(outline, outline.corner, scale)
            chips = measure_chips(photo, outline, scale)
            yield chips
            yield _bright_line(photo, outline.corner, corner or Finding(), chips, scale)
            if corner is not None or new is not None:
                corner = corner or measure_corner(photo, outline, scale)
                deepest = chips.quantities.get("chip_depth_max")
                yield _gone_since_new(photo, outline, corner, scale, facts, new, deepest)
        if outline.corner is not None or outline.nose is not None:
            yield measure_patch(photo, outline, scale)
            yield measure_tint(photo, outline, scale, grey=greys[0], calibrated=greys[1])
    elif view == "edge":
        yield from _along_edge(photo, scale, expected, greys)
    elif view in ("shank", "profile"):
        yield measure_shank(photo, scale, view=view, nominal_mm=shank_mm)
    elif view == "end":
        end, corners = look_at_end(photo, scale, flutes=facts.flutes)
        yield with_notches(end, [_notch(photo, corner) for corner in corners], scale)
    else:
        yield Finding(not_measured=dict.fromkeys(expected, "nothing is measured on photos of this view yet"))


def _notch(photo: Photo, corner: Outline) -> Notch:
    """The deepest chip in the end edge of a corner seen along the axis. What the outline behind it lacks is no cutting edge's."""
    scans, reasons = scan_edges(photo, corner)
    edge = next((scan for scan in scans if scan.name == "end edge"), None)
    if edge is None or not edge.followed:
        why = next(
            (reason for reason in reasons if reason.startswith("end edge")),
            "end edge: too little of it could be followed",
        )
        return Notch(None, why=why)
    if not edge.chips:
        return Notch(Quantity(edge.at_most_px, "px", {"noise": edge.noise_px}, "upper_limit"))
    deepest = max(edge.chips, key=lambda chip: chip.depth_px)
    return Notch(Quantity(deepest.depth_px, "px", deepest.u_depth_px), deepest.deepest_px)


def _bright_line(photo: Photo, pose: CornerPose, corner: Finding, chips: Finding, scale: Scale) -> Finding:
    """The shine of a dull edge, along the undamaged edges and with the blur that others have measured."""
    edges = [curve for curve in chips.curves if curve.name == "undamaged edge"]
    blur = corner.quantities.get("edge_blur_width")
    return measure_bright_line(
        photo, pose, edges, scale, blur=blur, sharpened="oversharpened" in corner.flags
    )


def _along_edge(
    photo: Photo, scale: Scale, expected: Iterable[str], greys: tuple[Grey | None, Grey | None]
) -> Iterator[Finding]:
    """Land, breaks and heat along the edge of a close-up; without a flank, the reason why nothing was measured."""
    edge = find_edge(photo)
    land = measure_land(photo, edge, scale)
    yield land
    if edge is not None and land.quantities:
        yield measure_tint(photo, edge.outline(photo.size), scale, grey=greys[0], calibrated=greys[1])
    else:
        yield Finding(not_measured=dict.fromkeys(expected, next(iter(land.not_measured.values()))))


def _gone_since_new(
    photo: Photo,
    outline: Outline,
    corner: Finding,
    scale: Scale,
    facts: Facts,
    new: NewOutline | None,
    chip: Quantity | None,
) -> Finding:
    """The wear map where the outline when new is known; for a form without other limits the reason where it is not.

    A corner-radius cutter whose radius is known is held against that where nobody has a better one.
    """
    if new is None and facts.kind == "corner-radius" and facts.nominal_radius_mm:
        new = nominal_outline()
    if new is None:
        needed = "its outline when new is not known: give --new-photo, or --new-nominal with --nominal-radius"
        return Finding(not_measured={"form_deviation": needed} if facts.kind == "other" else {})
    now = _shape(photo, outline, corner, scale, facts.kind)
    shape = new.shape
    if shape is None and not isinstance(now, str):
        shape = nominal_shape(now, facts.nominal_radius_mm * scale.px_per_mm)
    return measure_wear(
        now,
        shape or now,
        scale,
        new.scale or scale,
        reference=new.name,
        nominal=new.shape is None,
        chip=chip,
    )


def _expected(view: str, facts: Facts, limits: Limits) -> Iterator[str]:
    """Names of the measurements that a photo of this view is judged by."""
    known = limits.for_cutter(facts)
    for damage in limits.required(view, front_lit=True):
        yield from (name for group in limits.damage[damage] for name in group if name in known)
    yield from limits.required_measurements(view)


def _of_outline(outline: Outline, expected: Iterable[str]) -> Finding:
    """The outline as a curve, its flags, and without a cutting corner the reason why nothing expected was measured."""
    curves = (Curve("outline", outline.points_px),) if len(outline.points_px) else ()
    if outline.corner is not None:
        guessed = () if outline.corner.roles_certain else ("edge_roles_assumed",)
        return Finding(flags=(*outline.flags, *guessed), curves=curves)
    if outline.nose is not None:
        return Finding(flags=outline.flags, curves=curves)
    flags = outline.flags if blocking(outline.flags) else (*outline.flags, "corner_not_in_frame")
    why = FLAGS[blocking(flags)[0]].text.rstrip(".")
    return Finding(flags=flags, curves=curves, not_measured=dict.fromkeys(expected, why))


def _angle_deg(corner: CornerPose | None) -> float:
    """Between the two edges that meet in the corner; 90 where there is none."""
    if corner is None:
        return 90.0
    (ax, ay), (bx, by) = corner.end_direction, corner.side_direction
    return math.degrees(abs(math.atan2(ax * by - ay * bx, ax * bx + ay * by)))


def _of_facts(facts: Facts, limits: Limits, scale: Scale) -> Finding:
    raised = {
        "facts_assumed": bool(facts.assumed),
        "size_outside_table": not limits.covers(facts),
        "scale_assumed_exact": not scale.parts,
        "scale_unchecked": scale.parts.get("print", 0.0) > 0,
    }
    return Finding(flags=tuple(name for name, true in raised.items() if true))


def _report(
    photo: Photo,
    scale: Scale,
    finding: Finding,
    judgement: Judgement,
    corner_angle_deg: float,
    *,
    view: str,
    flute: int,
) -> PhotoReport:
    return PhotoReport(
        photo.path,
        photo.sha256,
        photo.size,
        view,
        flute,
        judgement.grade,
        judgement.reasons,
        judgement.flags,
        tuple(measurement_of(name, quantity, judgement) for name, quantity in finding.quantities.items()),
        dict(finding.not_measured),
        finding.marks,
        finding.remarks,
        ScaleUsed(scale.id, scale.px_per_mm, COVERAGE_FACTOR * scale.relative_uncertainty * scale.px_per_mm),
        finding.curves,
        finding.wear,
        corner_angle_deg,
    )
