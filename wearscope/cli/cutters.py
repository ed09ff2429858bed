"""Records on the command line: cutters, what was measured on them, their use, and what people decided."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from wearscope.cli import options
from wearscope.errors import InputError, RecordsError

if TYPE_CHECKING:
    from wearscope.inspection import Inspection
    from wearscope.records.models import EntryRow

__all__ = ["register"]

Place = Annotated[
    str | None,
    typer.Option(
        "--records",
        metavar="URL",
        help="Records as sqlite:///FILE or postgresql://USER@HOST/DATABASE. "
        "(default: WEARSCOPE_RECORDS, else a file in the user's data folder)",
    ),
]
Cutter = Annotated[str, typer.Argument(metavar="CUTTER", help="Name of the cutter, such as slot-03.")]
Note = Annotated[str, typer.Option("--note", help="Words to keep with it.")]

group = typer.Typer(
    help="Cutters in the records: add, list, show, undo an entry, check.", no_args_is_help=True
)


def register(app: typer.Typer) -> None:
    """Add the commands to the app."""
    app.add_typer(group, name="cutter")
    for command in (record, use, event, overrule, evidence):
        app.command()(command)


@group.command()
def add(
    cutter: Cutter,
    kind: options.Kind = None,
    material: options.Material = None,
    diameter: options.Diameter = None,
    nominal_radius: options.NominalRadius = None,
    flutes: options.Flutes = None,
    note: Note = "",
    records: Place = None,
) -> None:
    """Add a cutter to the records."""
    from wearscope.facts import Facts
    from wearscope.records.store import open_records

    facts = Facts.given(
        kind=kind, material=material, diameter_mm=diameter, flutes=flutes, nominal_radius_mm=nominal_radius
    )
    with open_records(records) as book:
        book.add_cutter(cutter, facts, note=note)
    print(f"{cutter}: added")


@group.command("list")
def list_cutters(records: Place = None) -> None:
    """List the cutters, each with its last measured grade."""
    from wearscope.records.store import open_records

    with open_records(records) as book:
        for cutter in book.cutters():
            seen = book.inspections(cutter.id)
            last = seen[-1].grade if seen else "not inspected yet"
            print(f"{cutter.id}: {cutter.kind}, {cutter.material}, {cutter.diameter_mm:g} mm, {last}")


@group.command()
def show(cutter: Cutter, records: Place = None) -> None:
    """Show what is recorded about a cutter, withdrawn entries too."""
    from wearscope.records.store import open_records

    with open_records(records) as book:
        for row in book.inspections(cutter):
            seen = "" if row.complete else " (incomplete)"
            print(f"inspection {row.id}  {row.recorded_at}  {row.grade}{seen}")
            for said in book.overrules(row.id):
                print(f"  overruled  {said.recorded_at}  {said.grade}: {said.reason}")
        for entry in book.entries(cutter):
            print(_entry(entry))
        minutes = sum(e.minutes for e in book.entries(cutter) if e.minutes and e.withdrawn_at is None)
    print(f"used for {minutes:g} min in all")


def _entry(entry: "EntryRow") -> str:
    words = [f"entry {entry.id}", entry.recorded_at, entry.what]
    words += [] if entry.minutes is None else [f"{entry.minutes:g} min"]
    words += [entry.note] if entry.note else []
    words += [f"withdrawn {entry.withdrawn_at}"] if entry.withdrawn_at else []
    return "  ".join(words)


@group.command()
def undo(
    entry: Annotated[int, typer.Argument(metavar="ENTRY", help="Number of the entry, from `cutter show`.")],
    records: Place = None,
) -> None:
    """Withdraw a use or an event; it stays to be seen."""
    from wearscope.records.store import open_records

    with open_records(records) as book:
        row = book.withdraw(entry)
    print(f"entry {row.id} of {row.cutter_id}: withdrawn")


@group.command()
def check(records: Place = None) -> None:
    """Look for inspections that were changed after they were recorded."""
    from wearscope.records.store import open_records

    with open_records(records) as book:
        changed = book.changed()
    if changed:
        raise RecordsError(f"not as it was recorded: {'; '.join(changed)}")
    print("all records are as they were written")


def record(
    document: Annotated[
        Path, typer.Argument(metavar="FILE", help="What `wearscope inspect --json` printed.")
    ],
    cutter: Annotated[str, typer.Option("--cutter", help="Name of the cutter it is about.")],
    records: Place = None,
) -> None:
    """Record an inspection of a cutter."""
    from wearscope.records.store import open_records

    inspection = _read(document)
    with open_records(records) as book:
        row = book.record(cutter, inspection)
    print(f"{cutter}: inspection {row.id} recorded, {row.grade}")


def _read(path: Path) -> "Inspection":
    from jsonschema import ValidationError, validate

    from wearscope.inspection import from_document, json_schema

    try:
        document = json.loads(path.read_text("utf-8"))
        validate(document, json_schema())
    except OSError as error:
        raise RecordsError(f"{path}: cannot be read ({error.strerror})") from error
    except (ValueError, ValidationError) as error:
        why = error.message if isinstance(error, ValidationError) else str(error)
        raise RecordsError(
            f"{path}: not an inspection as `wearscope inspect --json` prints it ({why})"
        ) from error
    return from_document(document)


def use(
    cutter: Cutter,
    minutes: Annotated[float, typer.Option("--minutes", help="Minutes it cut.")],
    note: Note = "",
    records: Place = None,
) -> None:
    """Record how long a cutter was used."""
    from wearscope.records.store import open_records

    with open_records(records) as book:
        row = book.add_use(cutter, minutes, note=note)
    print(f"{cutter}: entry {row.id}, {minutes:g} min")


def event(
    cutter: Cutter,
    what: Annotated[
        Literal["cleaned", "sharpened", "discarded"],
        typer.Argument(metavar="WHAT", help="cleaned, sharpened or discarded."),
    ],
    note: Note = "",
    records: Place = None,
) -> None:
    """Record that a cutter was cleaned, sharpened or discarded."""
    from wearscope.records.store import open_records

    with open_records(records) as book:
        row = book.add_event(cutter, what, note=note)
    print(f"{cutter}: entry {row.id}, {what}")


def overrule(
    inspection: Annotated[
        int, typer.Argument(metavar="INSPECTION", help="Number of the inspection, from `cutter show`.")
    ],
    grade: Annotated[
        Literal["sharp", "worn", "retake", "discard"], typer.Option("--grade", help="Your own grade.")
    ],
    reason: Annotated[str, typer.Option("--reason", help="Why.")],
    records: Place = None,
) -> None:
    """Put your own grade beside the measured one, with the reason; both stay."""
    from wearscope.records.store import open_records

    with open_records(records) as book:
        book.overrule(inspection, grade, reason=reason)
    print(f"inspection {inspection}: overruled as {grade}; the measured grade stays")


def evidence(
    cutter: Annotated[str | None, typer.Argument(metavar="CUTTER", help="Name of the cutter.")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="New folder to write the evidence into.")
    ] = None,
    verify: Annotated[
        Path | None, typer.Option("--verify", metavar="FOLDER", help="Check a folder instead of writing one.")
    ] = None,
    records: Place = None,
) -> None:
    """Write a folder with photos and inspections of a cutter that anybody can check, or check one."""
    from wearscope.records.evidence import faults, write_evidence
    from wearscope.records.store import open_records

    if verify is not None and cutter is None and out is None:
        if found := faults(verify):
            raise RecordsError(f"{verify}: not as it was written: {'; '.join(found)}")
        print(f"{verify}: every file is as it was written")
    elif verify is None and cutter is not None and out is not None:
        with open_records(records) as book:
            write_evidence(book, cutter, out)
        print(f"{out}: evidence about {cutter}")
    else:
        raise InputError("evidence: give CUTTER and --out FOLDER to write, or only --verify FOLDER to check")
