"""What `inspect --record` and `record` share: facts from the records, and one write of all that was found."""

import json
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wearscope.cli import options
from wearscope.cli.cutters import Place
from wearscope.errors import InputError, RecordsError

if TYPE_CHECKING:
    from wearscope.drawer.run import Drawer
    from wearscope.facts import Facts
    from wearscope.grading.limits import Limits
    from wearscope.inspection import Inspection
    from wearscope.records.cutter import Cutter
    from wearscope.records.store import NewPhoto, Records

__all__ = [
    "AsNew",
    "all_recorded_facts",
    "keep",
    "keep_drawer",
    "photo_when_new",
    "record",
    "recorded_facts",
    "register",
]

AsNew = Annotated[
    bool,
    typer.Option("--new", help="The cutter is new, or newly sharpened: this is the reference for later."),
]


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(record)


def recorded_facts(cutter: str, records: str | None, given: Mapping[str, Any]) -> "Facts":
    """The facts of a recorded cutter. Raises InputError where what was given besides says otherwise."""
    from wearscope.records.store import open_records

    with open_records(records) as book:
        facts = _facts(book.cutter(cutter))
    for name, value in given.items():
        known = getattr(facts, name)
        if value is not None and value != known:
            raise InputError(
                f"{cutter} is recorded with {name.replace('_mm', '').replace('_', ' ')} {known}, and {value} was given; "
                f"leave it out, or correct the records with `wearscope cutter edit`"
            )
    return facts


def _facts(cutter: "Cutter") -> "Facts":
    """With the up-cut length, which the records keep beside the form of the flutes."""
    return replace(cutter.facts, up_cut_length_mm=cutter.up_cut_length_mm)


def photo_when_new(cutter: str, records: str | None, flutes: set[int]) -> "NewPhoto | None":
    """The corner's photo when new, of the one flute that is looked at; None where there is none, or it is gone."""
    from wearscope.records.store import open_records

    with open_records(records) as book:
        photos = [p for p in book.new_photos(cutter) if p.view == "corner" and {p.flute} == flutes]
    if photos and not photos[0].path.is_file():
        print(f"{photos[0].path}: the photo when new is gone, so nothing is held against it", file=sys.stderr)
        return None
    return photos[0] if photos else None


def keep(
    cutter: str,
    records: str | None,
    inspection: "Inspection",
    *,
    calibration: Path | None,
    limits: "Limits | None",
    as_new: bool,
) -> None:
    """Record an inspection with the calibration and the limits it rested on, and say so on stderr."""
    from wearscope.records.arrival import no_reference
    from wearscope.records.sources import calibration_text, limits_text
    from wearscope.records.store import open_records

    why = no_reference(inspection) if as_new else ""
    scale = calibration_text(calibration) if calibration is not None else None
    rules = limits_text(limits) if limits is not None else None
    with open_records(records) as book:
        row = book.record(cutter, inspection, calibration=scale, limits=rules, as_new=as_new and not why)
    print(f"{cutter}: inspection {row.id} recorded, {row.grade}{_reference(as_new, why)}", file=sys.stderr)


def all_recorded_facts(records: str | None) -> "dict[str, Facts]":
    """The facts of every recorded cutter, by name."""
    from wearscope.records.cutter import Cutter
    from wearscope.records.store import open_records

    with open_records(records) as book:
        return {row.id: _facts(Cutter.of(row)) for row in book.cutters()}


def keep_drawer(drawer: "Drawer", records: str | None, calibration: Path | None) -> None:
    """Record what a drawer's photos say about the cutters that the records know; say on stderr what was recorded, and what not and why.

    One cutter after the other, each in a transaction of its own, and nothing twice: a run that was stopped here goes on the next time.
    """
    from wearscope.records.sources import calibration_text, limits_text
    from wearscope.records.store import open_records

    scale = calibration_text(calibration) if calibration is not None else None
    rules, added, strange = limits_text(drawer.bench.limits), 0, []
    with open_records(records) as book:
        known = {row.id for row in book.cutters()}
        for cutter in drawer.cutters():
            if cutter.inspection is None:
                continue
            if cutter.name not in known:
                strange.append(cutter.name)
                continue
            added += (
                book.record_once(cutter.name, cutter.inspection, calibration=scale, limits=rules) is not None
            )
    print(f"{added} inspections recorded; what was recorded before is left as it is", file=sys.stderr)
    if strange:
        names = ", ".join(strange[:5]) + (f" and {len(strange) - 5} more" if len(strange) > 5 else "")
        print(
            f"not recorded, for the records do not know them: {names}; add them with `wearscope cutter add` or "
            "`wearscope cutter import`, then run the same command again",
            file=sys.stderr,
        )


def _reference(as_new: bool, why: str) -> str:
    if not as_new:
        return ""
    return f"; not taken as the reference when new: {why}" if why else "; the reference when new"


def record(
    document: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="What `wearscope inspect --json` or `wearscope diameter --json` printed."
        ),
    ],
    cutter: Annotated[str, typer.Option("--cutter", help="Name of the cutter it is about.")],
    calibration: Annotated[
        Path | None,
        typer.Option("--calibration", help="The calibration file it rests on, to be kept with it."),
    ] = None,
    limits: options.LimitsFile = None,
    as_new: AsNew = False,
    records: Place = None,
) -> None:
    """Record an inspection, or a diameter, of a cutter."""
    from wearscope.grading.limits import load_limits
    from wearscope.records.store import open_records

    content, rules = _read(document), load_limits(limits)
    if content.get("schema") == "wearscope/diameter/1":
        with open_records(records) as book:
            _keep_diameter(book, cutter, content, document, rules, as_new)
        return
    inspection = _inspection(content, document)
    if calibration is not None:
        _same_calibration(calibration, inspection, document)
    applied = rules if rules.id == inspection.limits_id else None
    if applied is None:
        said = f"{document}: judged by the limits {inspection.limits_id}, and these are {rules.id}"
        if limits is not None:
            raise InputError(f"{said}; give the file that was used then")
        print(f"{said}: they are not kept with it; give their file with --limits", file=sys.stderr)
    keep(cutter, records, inspection, calibration=calibration, limits=applied, as_new=as_new)


def _read(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text("utf-8"))
    except OSError as error:
        raise RecordsError(f"{path}: cannot be read ({error.strerror})") from error
    except ValueError as error:
        raise RecordsError(_no_inspection(path, str(error))) from error
    if not isinstance(content, dict):
        raise RecordsError(_no_inspection(path, "not an object"))
    return content


def _no_inspection(path: Path, why: str) -> str:
    return f"{path}: not an inspection as `wearscope inspect --json` prints it ({why})"


def _inspection(content: dict[str, Any], path: Path) -> "Inspection":
    from jsonschema import ValidationError, validate

    from wearscope.inspection import from_document, json_schema

    try:
        validate(content, json_schema())
    except ValidationError as error:
        raise RecordsError(_no_inspection(path, error.message)) from error
    return from_document(content)


def _same_calibration(calibration: Path, inspection: "Inspection", path: Path) -> None:
    from wearscope.calibrate.calibration import load_calibration

    given = load_calibration(calibration).id
    used = {photo.scale.id for photo in inspection.photos}
    if used != {given}:
        raise InputError(
            f"{calibration}: is {given}, but {path} rests on {', '.join(sorted(used)) or 'none'}; give the one it used"
        )


def _keep_diameter(
    book: "Records", cutter: str, content: dict[str, Any], path: Path, limits: "Limits", as_new: bool
) -> None:
    from wearscope.grading.decide import verdict_words
    from wearscope.records.arrival import judged

    found = [m for m in content.get("measurements", ()) if m.get("name") == "cutting_diameter"]
    if not found:
        raise InputError(
            f"{path}: no diameter could be measured, so there is none to record; measure it again"
        )
    size = found[0]
    if as_new and size["kind"] != "value":
        raise InputError(f"{path}: its diameter is only a limit, which is no reference; measure it again")
    row = book.record_diameter(
        cutter,
        content,
        value_mm=float(size["value"]),
        uncertainty_mm=float(size["uncertainty"]),
        kind=str(size["kind"]),
        as_new=as_new,
    )
    print(f"{cutter}: diameter {row.value_mm:.4f} mm recorded{_reference(as_new, '')}")
    verdict = judged(book, cutter, limits)
    if verdict is not None:
        print(f"{verdict.grade}: {verdict_words(verdict)}")
