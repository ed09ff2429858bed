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
from wearscope.finding import Curve, Mark, WearMap, WearPoint
from wearscope.grading.advice import advice
from wearscope.grading.decide import GRADES, Grade, worst
from wearscope.grading.limits import Limits
from wearscope.grading.observed import Observation
from wearscope.quantity import Quantity

__all__ = [
    "SCHEMA",
    "Inspection",
    "LimitSteps",
    "Measurement",
    "PhotoReport",
    "ScaleUsed",
    "conclude",
    "from_document",
    "join",
    "json_schema",
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

    `not_measured` maps names to reasons. `wear` is what is gone since new, where that was asked for. Marks are in px of the upright full-resolution photo.
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

    def measured(self, name: str) -> Measurement | None:
        """The measurement of that name, if there is one."""
        return next((m for m in self.measurements if m.name == name), None)


@dataclass(frozen=True, slots=True)
class Inspection:
    """The decision about one cutter from one or more photos.

    `complete` is False while `missing_views` are missing: then "sharp" means sharp as far as seen.
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


def conclude(
    photos: Iterable[PhotoReport], *, facts: Facts, limits: Limits, observed: Sequence[Observation] = ()
) -> Inspection:
    """One decision from all photos of one cutter and from what a person saw. A photo given twice counts once.

    Raises ValueError where there is neither a photo nor an observation.
    """
    seen = tuple({photo.sha256: photo for photo in reversed(list(photos))}.values())[::-1]
    if not seen and not observed:
        raise ValueError("an inspection needs at least one photo or one observation")
    by_eye = [(o.grade, o.reason) for o in observed if o.grade is not None]
    by_eye.sort(key=lambda answer: GRADES.index(answer[0]), reverse=True)
    grade = worst([*(photo.grade for photo in seen), *(grade for grade, _ in by_eye)])
    missing = _missing_views(seen, facts, limits)
    return Inspection(
        grade,
        advice(
            grade,
            facts,
            flags=tuple(dict.fromkeys(flag for photo in seen for flag in photo.flags)),
            missing_views=missing,
            unconfirmed=grade != "discard"
            and any(m.unconfirmed for photo in seen for m in photo.measurements),
            looked_at=bool(observed),
        ),
        (*(reason for _, reason in by_eye), *_reasons(seen)),
        not missing,
        missing,
        seen,
        tuple(observed),
        facts,
        limits.id,
    )


def join(
    inspections: Sequence[Inspection], *, limits: Limits, observed: Sequence[Observation] = ()
) -> Inspection:
    """One inspection out of several of the same cutter, and what a person saw besides."""
    photos = (photo for inspection in inspections for photo in inspection.photos)
    known = dict.fromkeys([*(o for inspection in inspections for o in inspection.observed), *observed])
    return conclude(photos, facts=inspections[0].cutter, limits=limits, observed=tuple(known))


def _missing_views(photos: Sequence[PhotoReport], facts: Facts, limits: Limits) -> tuple[str, ...]:
    missing = []
    for view, how in limits.required_views.items():
        seen = {photo.flute for photo in photos if photo.view == view}
        if how == "once":
            missing += [] if seen else [view]
        elif facts.flutes is None:
            missing.append(f"{view} of the other flutes (their number was not given)")
        else:
            missing += [f"{view} of flute {n}" for n in range(1, facts.flutes + 1) if n not in seen]
    return tuple(missing)


def _reasons(photos: Sequence[PhotoReport]) -> tuple[str, ...]:
    """The reasons of all photos, those of the worst photo first, with its name where there are several."""
    if len(photos) == 1:
        return photos[0].reasons
    ordered = sorted(photos, key=lambda photo: GRADES.index(photo.grade), reverse=True)
    return tuple(f"{Path(photo.path).name}: {reason}" for photo in ordered for reason in photo.reasons)


def to_document(inspection: Inspection) -> dict[str, Any]:
    """The JSON document: plain dicts, lists, numbers and texts."""
    return {
        "schema": SCHEMA,
        "grade": inspection.grade,
        "advice": inspection.advice,
        "reasons": list(inspection.reasons),
        "complete": inspection.complete,
        "missing_views": list(inspection.missing_views),
        "cutter": asdict(inspection.cutter) | {"assumed": list(inspection.cutter.assumed)},
        "photos": [_photo_document(photo) for photo in inspection.photos],
        "observed": [asdict(o) for o in inspection.observed],
        "calibration": asdict(inspection.photos[0].scale) if inspection.photos else None,
        "limits": {"id": inspection.limits_id},
        "software": inspection.software,
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
