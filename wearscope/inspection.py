"""The result of looking at a cutter: frozen, and the same as a versioned JSON document.

The document's form is `wearscope/schema/inspection-1.json`. Lines to draw are not part of it.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from wearscope import __version__
from wearscope.errors import RecordsError
from wearscope.facts import Facts
from wearscope.finding import Curve, Finding, Mark, WearMap, WearPoint
from wearscope.flags import blocking
from wearscope.grading.advice import Cause, advice
from wearscope.grading.combine import COMBINED, combine
from wearscope.grading.decide import GRADES, Grade, verdict_words, worst
from wearscope.grading.insert_heights import InsertHeights
from wearscope.grading.judge import STILL_BELIEVED, Judgement, judge
from wearscope.grading.limits import Limits
from wearscope.grading.observed import Observation
from wearscope.grading.shank_fit import ShankFit
from wearscope.quantity import Quantity

__all__ = [
    "SCHEMA",
    "Inspection",
    "LimitSteps",
    "Measurement",
    "PhotoReport",
    "ScaleUsed",
    "Together",
    "conclude",
    "from_document",
    "join",
    "json_schema",
    "measurement_of",
    "to_document",
]

SCHEMA = "wearscope/inspection/1"


@dataclass(frozen=True, slots=True)
class LimitSteps:
    """The two steps a measurement was held against, in its unit, the nominal radius included."""

    worn: float
    discard: float


@dataclass(frozen=True, slots=True)
class Measurement:
    """A named quantity with its grade and why; both None where no limit applies."""

    name: str
    quantity: Quantity
    grade: Grade | None = None
    limit: LimitSteps | None = None
    unconfirmed: bool = False
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ScaleUsed:
    """Where millimetres came from; `uncertainty` of px_per_mm is expanded (95 %)."""

    id: str
    px_per_mm: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class PhotoReport:
    """What one photo says about one view of one flute.

    `not_measured` maps names to reasons. `corner_angle_deg` lies between the edges. `wear` is what is gone since new, where that was asked for. Marks are in px of the upright full-resolution photo.
    `curves` are for drawing only: they are not written and do not count in comparisons.
    """

    path: str
    sha256: str
    size: tuple[int, int]
    view: str
    flute: int
    grade: Grade
    reasons: tuple[str, ...]
    flags: tuple[str, ...]
    measurements: tuple[Measurement, ...]
    not_measured: Mapping[str, str]
    marks: tuple[Mark, ...]
    remarks: tuple[str, ...]
    scale: ScaleUsed
    curves: tuple[Curve, ...] = field(default=(), compare=False, repr=False)
    wear: WearMap | None = None
    corner_angle_deg: float = 90.0

    def measured(self, name: str) -> Measurement | None:
        """The measurement of that name, if there is one."""
        return next((m for m in self.measurements if m.name == name), None)

    @property
    def one_flute(self) -> int | None:
        """The flute that is shown; None where the view shows all of them, or none."""
        return self.flute if self.view in _ONE_THING else None

    def shows(self, tooth: str = "flute") -> str:
        """Which flutes are shown, in words (`tooth`: what to call one); of a shank nothing is said."""
        if self.view == "end":
            return f"all {tooth}s"
        return f"{tooth} {self.flute}" if self.view in _ONE_THING else ""


@dataclass(frozen=True, slots=True)
class Together:
    """Several photos of one view of one flute, judged once by what they say together.

    `photos` are their SHA-256. `agree` False: they do not show the same corner; then nothing is combined, and the
    worst of the photos counts.
    """

    view: str
    flute: int
    photos: tuple[str, ...]
    agree: bool
    grade: Grade
    reasons: tuple[str, ...]
    flags: tuple[str, ...]
    measurements: tuple[Measurement, ...] = ()

    @property
    def title(self) -> str:
        """What to call them, in words."""
        return f"{len(self.photos)} photos {'together' if self.agree else 'that do not agree'}"

    def measured(self, name: str) -> Measurement | None:
        """The measurement of that name, if there is one."""
        return next((m for m in self.measurements if m.name == name), None)


@dataclass(frozen=True, slots=True)
class Inspection:
    """The decision about one cutter from one or more photos.

    `complete` is False while `missing_views` are missing: then "sharp" means sharp as far as seen. `together`: where
    several photos show the same, the value that was judged.
    `observed` is what a person saw; without photos it is all there is.
    """

    grade: Grade
    advice: str
    reasons: tuple[str, ...]
    complete: bool
    missing_views: tuple[str, ...]
    photos: tuple[PhotoReport, ...]
    observed: tuple[Observation, ...]
    cutter: Facts
    limits_id: str
    software: str = f"wearscope {__version__}"
    together: tuple[Together, ...] = ()
    shank_fit: ShankFit | None = None
    insert_heights: InsertHeights | None = None


def conclude(
    photos: Iterable[PhotoReport],
    *,
    facts: Facts,
    limits: Limits,
    observed: Sequence[Observation] = (),
    heights: InsertHeights | None = None,
) -> Inspection:
    """One decision from all photos of one cutter, from what a person saw and from the heights of its inserts. A photo given twice counts once.

    Raises ValueError where there is neither a photo nor an observation.
    """
    seen = tuple({photo.sha256: photo for photo in reversed(list(photos))}.values())[::-1]
    if not seen and not observed:
        raise ValueError("an inspection needs at least one photo or one observation")
    by_eye = [(o.grade, o.reason) for o in observed if o.grade is not None]
    parts: list[tuple[Cause, Grade]] = [
        ("edges" if o.of_corner else "seen", o.grade) for o in observed if o.grade is not None
    ]
    if heights is not None:
        by_eye.append((heights.grade, heights.reason))
        parts.append(("heights", heights.grade))
    by_eye.sort(key=lambda answer: GRADES.index(answer[0]), reverse=True)
    together = _together(seen, facts, limits)
    spoken_for = {digest for group in together for digest in group.photos}
    judged: list[PhotoReport | Together] = [
        *together,
        *(photo for photo in seen if photo.sha256 not in spoken_for),
    ]
    grade = worst([*(one.grade for one in judged), *(grade for grade, _ in by_eye)])
    parts += [("shank" if one.view in _NO_EDGE else "edges", one.grade) for one in judged]
    missing = _missing_views(seen, facts, limits)
    told = advice(
        grade,
        facts,
        flags=tuple(dict.fromkeys(flag for one in judged for flag in one.flags)),
        missing_views=missing,
        unconfirmed=grade != "discard" and any(m.unconfirmed for one in judged for m in one.measurements),
        looked_at=bool(observed),
        inserts=_by_flute(judged, observed),
        causes=tuple(dict.fromkeys(part for part, of_part in parts if of_part == grade)),
    )
    return Inspection(
        grade,
        told if heights is None else f"{told} {heights.words}",
        (*(reason for _, reason in by_eye), *_reasons(judged, facts.tooth)),
        not missing,
        missing,
        seen,
        tuple(observed),
        facts,
        limits.id,
        together=together,
        insert_heights=heights,
    )


def join(
    inspections: Sequence[Inspection],
    *,
    limits: Limits,
    observed: Sequence[Observation] = (),
    heights: InsertHeights | None = None,
) -> Inspection:
    """One inspection out of several of the same cutter, and what a person saw besides."""
    photos = (photo for inspection in inspections for photo in inspection.photos)
    known = dict.fromkeys([*(o for inspection in inspections for o in inspection.observed), *observed])
    return conclude(
        photos, facts=inspections[0].cutter, limits=limits, observed=tuple(known), heights=heights
    )


def _missing_views(photos: Sequence[PhotoReport], facts: Facts, limits: Limits) -> tuple[str, ...]:
    missing = []
    tooth = facts.tooth
    for view, how in limits.required_views.items():
        seen = {photo.flute for photo in photos if photo.view == view}
        if how == "once":
            missing += [] if seen else [view]
        elif facts.flutes is None:
            which = f"the other {tooth}s" if seen else f"every {tooth}"
            missing.append(f"{view} of {which} (their number was not given)")
        else:
            missing += [f"{view} of {tooth} {n}" for n in range(1, facts.flutes + 1) if n not in seen]
    return tuple(missing)


def _by_flute(judged: Sequence[PhotoReport | Together], observed: Sequence[Observation]) -> dict[int, Grade]:
    """The worst of what photos and a person say of each flute's edges."""
    said = [(one.flute, one.grade) for one in judged if one.view in _ONE_THING]
    said += [(o.flute, o.grade) for o in observed if o.flute is not None and o.grade is not None]
    return {n: worst(grade for flute, grade in said if flute == n) for n in dict(said)}


def _reasons(judged: Sequence[PhotoReport | Together], tooth: str) -> tuple[str, ...]:
    """All reasons, those of the worst first, with the name of the photo where there are several."""
    if len(judged) == 1:
        return judged[0].reasons
    ordered = sorted(judged, key=lambda one: GRADES.index(one.grade), reverse=True)
    return tuple(f"{_name(one, tooth)}: {reason}" for one in ordered for reason in one.reasons)


def _name(judged: PhotoReport | Together, tooth: str) -> str:
    if isinstance(judged, PhotoReport):
        return Path(judged.path).name
    return f"{judged.view} of {tooth} {judged.flute}, {len(judged.photos)} photos"


def _together(photos: Sequence[PhotoReport], facts: Facts, limits: Limits) -> tuple[Together, ...]:
    """What photos of the same view of the same flute say together, where at least two of them can be measured."""
    groups: dict[tuple[str, int], list[PhotoReport]] = {}
    for photo in photos:
        groups.setdefault((photo.view, photo.flute), []).append(photo)
    found = []
    for (view, flute), group in groups.items():
        if view in _ONE_THING and all(_usable(photo) for photo in group) and len(group) > 1:
            found.append(_judged_together(view, flute, group, facts, limits))
    return tuple(found)


_NO_EDGE = ("shank", "profile")
"""Views that are judged by the shank alone."""

_ONE_THING = ("corner", "edge")
"""Views of which a second photo shows the same: others show the cutter from another side."""


def _usable(photo: PhotoReport) -> bool:
    return not set(blocking(photo.flags)) - STILL_BELIEVED and bool(photo.measurements)


def _judged_together(
    view: str, flute: int, photos: Sequence[PhotoReport], facts: Facts, limits: Limits
) -> Together:
    digests = tuple(photo.sha256 for photo in photos)
    means = {name: combine(group) for name, group in _same(photos).items()}
    flags = tuple(dict.fromkeys(flag for p in photos for flag in p.flags if flag != "scale_too_small"))
    if apart := [name for name, mean in means.items() if not mean.agree]:
        reasons = (_apart(apart[0], photos), *_reasons(photos, facts.tooth))
        grade = worst(photo.grade for photo in photos)
        return Together(view, flute, digests, False, grade, reasons, (*flags, "photos_disagree"))
    quantities = {name: mean.quantity for name, mean in means.items()} | _worst_of(photos)
    missing = {
        name: why for photo in photos for name, why in photo.not_measured.items() if name not in quantities
    }
    finding = Finding(quantities, missing, flags=flags)
    judgement = judge(
        finding,
        view=view,
        facts=facts,
        limits=limits,
        px_per_mm=max(photo.scale.px_per_mm for photo in photos),
        corner_angle_deg=sum(photo.corner_angle_deg for photo in photos) / len(photos),
    )
    measurements = tuple(measurement_of(name, q, judgement) for name, q in quantities.items())
    return Together(
        view, flute, digests, True, judgement.grade, judgement.reasons, judgement.flags, measurements
    )


def _same(photos: Sequence[PhotoReport]) -> dict[str, list[Quantity]]:
    """What all photos measured of the one thing they show. A corner that is broken in one of them has no radius."""
    return {
        name: [m.quantity for m in measured if m is not None]
        for name in COMBINED
        if all(measured := [photo.measured(name) for photo in photos])
    }


def _worst_of(photos: Sequence[PhotoReport]) -> dict[str, Quantity]:
    """What depends on how much of the edge is in the frame: the worst that was proven in any photo."""
    rank = {"sharp": 1, "worn": 2, "discard": 3}
    found: dict[str, Measurement] = {}
    for m in (m for photo in photos for m in photo.measurements if m.name not in COMBINED):
        known = found.get(m.name)
        if known is None or _rank(m, rank) > _rank(known, rank):
            found[m.name] = m
    return {name: m.quantity for name, m in found.items()}


def _rank(m: Measurement, rank: Mapping[str, int]) -> tuple[int, float]:
    return rank.get(m.grade or "", 0), m.quantity.value


def _apart(name: str, photos: Sequence[PhotoReport]) -> str:
    values = [photo.measured(name) for photo in photos]
    told = ", ".join(f"{m.quantity.value:.4g}" for m in values if m is not None)
    return f"the photos do not show the same thing: {name.replace('_', ' ')} {told}"


def measurement_of(name: str, quantity: Quantity, judgement: Judgement) -> Measurement:
    """A quantity with the verdict on it, where there is one."""
    verdict = judgement.verdicts.get(name)
    if verdict is None:
        return Measurement(name, quantity)
    steps = LimitSteps(verdict.limit.worn, verdict.limit.discard)
    return Measurement(name, quantity, verdict.grade, steps, verdict.unconfirmed, verdict_words(verdict))


def to_document(inspection: Inspection) -> dict[str, Any]:
    """The JSON document: plain dicts, lists, numbers and texts."""
    return {
        "schema": SCHEMA,
        "grade": inspection.grade,
        "advice": inspection.advice,
        "reasons": list(inspection.reasons),
        "complete": inspection.complete,
        "missing_views": list(inspection.missing_views),
        "cutter": _facts_document(inspection.cutter),
        "photos": [_photo_document(photo) for photo in inspection.photos],
        "observed": [asdict(o) for o in inspection.observed],
        "calibration": asdict(inspection.photos[0].scale) if inspection.photos else None,
        "limits": {"id": inspection.limits_id},
        "software": inspection.software,
    } | _extras(inspection)


def _extras(inspection: Inspection) -> dict[str, Any]:
    """What only some inspections have."""
    fit = inspection.shank_fit
    together = [_together_document(t) for t in inspection.together]
    heights = inspection.insert_heights
    told = {
        "together": together or None,
        "shank_fit": None if fit is None else asdict(fit),
        "insert_heights": None
        if heights is None
        else asdict(heights) | {"readings_mm": list(heights.readings_mm)},
    }
    return {name: what for name, what in told.items() if what is not None}


def _facts_document(facts: Facts) -> dict[str, Any]:
    document = asdict(facts) | {"assumed": list(facts.assumed)}
    if facts.up_cut_length_mm is None:
        del document["up_cut_length_mm"]
    return document


def _together_document(group: Together) -> dict[str, Any]:
    return {
        "view": group.view,
        "flute": group.flute,
        "photos": list(group.photos),
        "agree": group.agree,
        "grade": group.grade,
        "reasons": list(group.reasons),
        "flags": list(group.flags),
        "measurements": [_measurement_document(m) for m in group.measurements],
    }


def _photo_document(photo: PhotoReport) -> dict[str, Any]:
    return {
        "path": photo.path,
        "sha256": photo.sha256,
        "size": list(photo.size),
        "view": photo.view,
        "flute": photo.flute,
        "grade": photo.grade,
        "reasons": list(photo.reasons),
        "flags": list(photo.flags),
        "measurements": [_measurement_document(m) for m in photo.measurements],
        "not_measured": [{"name": name, "reason": why} for name, why in photo.not_measured.items()],
        "marks": [
            {"name": m.name, "px": [float(m.px[0]), float(m.px[1])]} | ({"text": m.text} if m.text else {})
            for m in photo.marks
        ],
        "remarks": list(photo.remarks),
        "calibration": asdict(photo.scale),
        "corner_angle_deg": photo.corner_angle_deg,
    } | ({} if photo.wear is None else {"wear_map": _wear_document(photo.wear)})


def _wear_document(wear: WearMap) -> dict[str, Any]:
    return {
        "reference": wear.reference,
        "scatter_um": 1000 * wear.scatter_mm,
        "turned_deg": wear.turned_deg,
        "points": [
            {
                "along_mm": p.along_mm,
                "loss_um": 1000 * p.loss_mm,
                "uncertainty_um": 1000 * p.uncertainty_mm,
                "px": list(p.px),
                "outward": list(p.outward),
            }
            for p in wear.points
        ],
    }


def _measurement_document(m: Measurement) -> dict[str, Any]:
    q = m.quantity
    sides = {"below": q.below, "above": q.above}
    return {
        "name": m.name,
        "value": q.value,
        "unit": q.unit,
        "uncertainty": q.expanded,
        "coverage": 0.95,
        "kind": q.kind,
        "grade": m.grade,
        "parts": dict(q.parts),
        "limit": None if m.limit is None else asdict(m.limit),
        "unconfirmed": m.unconfirmed,
        "reason": m.reason,
    } | {side: value for side, value in sides.items() if value is not None}


def from_document(document: Mapping[str, Any]) -> Inspection:
    """The inspection that `to_document` wrote. Raises RecordsError for a document of another form."""
    if document.get("schema") != SCHEMA:
        raise RecordsError(f"inspection document: schema is {document.get('schema')!r}, expected {SCHEMA!r}")
    cutter = document["cutter"]
    return Inspection(
        document["grade"],
        document["advice"],
        tuple(document["reasons"]),
        document["complete"],
        tuple(document["missing_views"]),
        tuple(_photo(photo) for photo in document["photos"]),
        tuple(Observation(**entry) for entry in document["observed"]),
        Facts(**{**cutter, "assumed": tuple(cutter["assumed"])}),
        document["limits"]["id"],
        document["software"],
        tuple(_group(group) for group in document.get("together", ())),
        ShankFit(**document["shank_fit"]) if "shank_fit" in document else None,
        _heights(document["insert_heights"]) if "insert_heights" in document else None,
    )


def _heights(document: Mapping[str, Any]) -> InsertHeights:
    return InsertHeights(**{**document, "readings_mm": tuple(document["readings_mm"])})


def _group(document: Mapping[str, Any]) -> Together:
    return Together(
        document["view"],
        document["flute"],
        tuple(document["photos"]),
        document["agree"],
        document["grade"],
        tuple(document["reasons"]),
        tuple(document["flags"]),
        tuple(_measurement(m) for m in document["measurements"]),
    )


def _photo(document: Mapping[str, Any]) -> PhotoReport:
    return PhotoReport(
        document["path"],
        document["sha256"],
        (document["size"][0], document["size"][1]),
        document["view"],
        document["flute"],
        document["grade"],
        tuple(document["reasons"]),
        tuple(document["flags"]),
        tuple(_measurement(m) for m in document["measurements"]),
        {entry["name"]: entry["reason"] for entry in document["not_measured"]},
        tuple(Mark(m["name"], (m["px"][0], m["px"][1]), m.get("text", "")) for m in document["marks"]),
        tuple(document["remarks"]),
        ScaleUsed(**document["calibration"]),
        wear=_wear(document["wear_map"]) if "wear_map" in document else None,
        corner_angle_deg=document.get("corner_angle_deg", 90.0),
    )


def _wear(document: Mapping[str, Any]) -> WearMap:
    points = tuple(
        WearPoint(
            p["along_mm"],
            p["loss_um"] / 1000,
            p["uncertainty_um"] / 1000,
            (p["px"][0], p["px"][1]),
            (p["outward"][0], p["outward"][1]),
        )
        for p in document["points"]
    )
    return WearMap(document["reference"], points, document["scatter_um"] / 1000, document["turned_deg"])


def _measurement(document: Mapping[str, Any]) -> Measurement:
    quantity = Quantity(
        document["value"],
        document["unit"],
        document["parts"],
        document["kind"],
        document.get("below"),
        document.get("above"),
    )
    limit = document["limit"]
    return Measurement(
        document["name"],
        quantity,
        document["grade"],
        None if limit is None else LimitSteps(**limit),
        document["unconfirmed"],
        document["reason"],
    )


@cache
def json_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of the document."""
    schema: dict[str, Any] = json.loads(
        files("wearscope.schema").joinpath("inspection-1.json").read_text("utf-8")
    )
    return schema
