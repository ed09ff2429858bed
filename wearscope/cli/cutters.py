"""Records on the command line: cutters, their use, and what people decided."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from wearscope.cli import options
from wearscope.errors import InputError, RecordsError

if TYPE_CHECKING:
    from wearscope.records.cutter import Cutter as Sheet
    from wearscope.records.models import EntryRow
    from wearscope.records.store import Records

__all__ = ["Place", "register"]

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
On = Annotated[
    str | None,
    typer.Option(
        "--on", metavar="DAY", help="When it was, such as 2026-05-17 or 2026-05-17T14:30. (default: now)"
    ),
]
NewNote = Annotated[str | None, typer.Option("--note", help="Words to keep with it.")]
FluteForm = Annotated[
    Literal["straight", "up-spiral", "down-spiral", "compression"] | None,
    typer.Option("--flute-form", help="How its flutes run."),
]
UpCut = Annotated[
    str | None,
    typer.Option(
        "--up-cut-length",
        metavar=options.LENGTH,
        help="Of a compression cutter: how far from the tip its flutes lift the chips.",
    ),
]
Coating = Annotated[str | None, typer.Option("--coating", help="Coating, such as TiN; none: it has none.")]
Shank = Annotated[
    str | None, typer.Option("--shank", metavar=options.LENGTH, help="Diameter of the shank: 6, 1/4in.")
]
MaxSpeed = Annotated[
    int | None, typer.Option("--max-speed", metavar="RPM", help="Maximum speed marked on it, rpm.")
]
Bought = Annotated[str | None, typer.Option("--bought", metavar="DAY", help="Day it was bought, YYYY-MM-DD.")]
Sharpened = Annotated[
    str | None, typer.Option("--sharpened", metavar="DAY", help="Day it was sharpened last, YYYY-MM-DD.")
]

group = typer.Typer(
    help="Cutters in the records: add, edit, list, show, import, export, undo an entry, check.",
    no_args_is_help=True,
)


def register(app: typer.Typer) -> None:
    """Add the commands to the app."""
    app.add_typer(group, name="cutter")
    for command in (use, event, overrule):
        app.command()(command)


def _words(**given: object) -> dict[str, str]:
    """What was given, as the words of a table's line; lengths that were read already are mm."""
    from wearscope.records.cutter import length_text

    return {
        name: length_text(value) if isinstance(value, float) else str(value)
        for name, value in given.items()
        if value is not None
    }


@group.command()
def add(
    cutter: Cutter,
    kind: options.Kind = None,
    material: options.Material = None,
    diameter: options.Diameter = None,
    nominal_radius: options.NominalRadius = None,
    flutes: options.Flutes = None,
    flute_form: FluteForm = None,
    up_cut_length: UpCut = None,
    coating: Coating = None,
    shank: Shank = None,
    max_speed: MaxSpeed = None,
    bought: Bought = None,
    sharpened: Sharpened = None,
    note: NewNote = None,
    records: Place = None,
) -> None:
    """Add a cutter to the records."""
    from wearscope.records.cutter import Cutter as Sheet
    from wearscope.records.store import open_records

    words = _words(
        cutter=cutter,
        kind=kind,
        material=material,
        diameter=diameter,
        nominal_radius=nominal_radius,
        flutes=flutes,
        flute_form=flute_form,
        up_cut_length=up_cut_length,
        coating=coating,
        shank=shank,
        max_speed=max_speed,
        bought=bought,
        sharpened=sharpened,
        note=note,
    )
    sheet = Sheet.from_words(words)
    with open_records(records) as book:
        book.add(sheet)
    assumed = f" ({', '.join(sheet.facts.assumed)} assumed)" if sheet.facts.assumed else ""
    print(f"{cutter}: added{assumed}")


@group.command()
def edit(
    cutter: Cutter,
    kind: options.Kind = None,
    material: options.Material = None,
    diameter: options.Diameter = None,
    nominal_radius: options.NominalRadius = None,
    flutes: options.Flutes = None,
    flute_form: FluteForm = None,
    up_cut_length: UpCut = None,
    coating: Coating = None,
    shank: Shank = None,
    max_speed: MaxSpeed = None,
    bought: Bought = None,
    sharpened: Sharpened = None,
    note: NewNote = None,
    empty: Annotated[
        list[str] | None,
        typer.Option("--empty", metavar="WHAT", help="Something no longer known, such as shank; repeat it."),
    ] = None,
    records: Place = None,
) -> None:
    """Change what is known about a cutter; how it was before stays in the history."""
    from wearscope.records.store import open_records

    words = _words(
        kind=kind,
        material=material,
        diameter=diameter,
        nominal_radius=nominal_radius,
        flutes=flutes,
        flute_form=flute_form,
        up_cut_length=up_cut_length,
        coating=coating,
        shank=shank,
        max_speed=max_speed,
        bought=bought,
        sharpened=sharpened,
        note=note,
    )
    words |= {what.replace("-", "_"): "" for what in empty or ()}
    if not words:
        raise InputError("cutter edit: nothing to change was given; see wearscope cutter edit --help")
    with open_records(records) as book:
        changes = book.edit(cutter, words)
    for column, (before, after) in changes.items():
        print(f"{cutter}: {column.replace('_', ' ')} {before or 'not known'} -> {after or 'not known'}")
    if not changes:
        print(f"{cutter}: as it was")


@group.command("import")
def import_cutters(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A .csv or .json file of cutters.")],
    update: Annotated[
        bool, typer.Option("--update", help="Edit cutters that are there with other facts.")
    ] = False,
    records: Place = None,
) -> None:
    """Add the cutters of a CSV or JSON file, all or none; a drawer's cutters.csv is one too.

    Columns: cutter, kind, material, diameter, flutes, nominal_radius, flute_form, up_cut_length, coating, shank,
    max_speed, bought, sharpened, note. Lengths as 6, 6mm, 0.25in or 1/4in, speeds in rpm, days as YYYY-MM-DD.
    """
    from wearscope.records.exchange import read_cutters
    from wearscope.records.store import open_records

    cutters = read_cutters(file)
    with open_records(records) as book:
        done = book.import_cutters(cutters, update=update)
    print(f"{len(done.added)} added, {len(done.edited)} edited, {len(done.same)} as they were")


@group.command()
def export(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="New .csv or .json file to write.")],
    units: options.Units = "mm",
    records: Place = None,
) -> None:
    """Write all cutters into a CSV or JSON file, which `cutter import` reads back as they are."""
    from wearscope.records.cutter import Cutter as Sheet
    from wearscope.records.exchange import cutters_csv, cutters_json
    from wearscope.records.store import open_records

    as_csv = _as_csv(file)
    with open_records(records) as book:
        cutters = [Sheet.of(row) for row in book.cutters()]
    _write(file, cutters_csv(cutters, units=units) if as_csv else cutters_json(cutters))
    print(f"{file}: {len(cutters)} cutter{'' if len(cutters) == 1 else 's'}")


@group.command()
def export_uses(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="New .csv or .json file to write.")],
    records: Place = None,
) -> None:
    """Write all uses and events of all cutters into a CSV or JSON file, which `cutter import-uses` reads back."""
    from wearscope.records.exchange import uses_csv, uses_json
    from wearscope.records.store import Entry, open_records

    as_csv = _as_csv(file)
    with open_records(records) as book:
        rows = [
            row for cutter in book.cutters() for row in book.entries(cutter.id) if row.withdrawn_at is None
        ]
    entries = [Entry.of(row) for row in rows]
    _write(file, uses_csv(entries) if as_csv else uses_json(entries))
    print(f"{file}: {len(entries)} uses and events")


@group.command()
def import_uses(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A .csv or .json file of uses and events.")],
    records: Place = None,
) -> None:
    """Add uses and events of a CSV or JSON file, all or none; those that are there already are left.

    Columns: cutter, what (used, cleaned, sharpened or discarded; empty: used), when (2026-05-17, or a time; empty: now), minutes,
    metres, work_material, speed_rpm, feed_mm_min, note.
    """
    from wearscope.records.exchange import read_uses
    from wearscope.records.store import open_records

    entries = read_uses(file)
    with open_records(records) as book:
        added, same = book.import_entries(entries)
    print(f"{added} added, {same} were there")


def _as_csv(file: Path) -> bool:
    if file.suffix.lower() not in (".csv", ".json"):
        raise InputError(f"{file}: expected a name that ends in .csv or .json")
    return file.suffix.lower() == ".csv"


def _write(file: Path, text: str) -> None:
    from wearscope.drawer.store import write_whole

    try:
        write_whole(file, text.encode())
    except OSError as error:
        raise RecordsError(f"{file}: cannot be written ({error.strerror}); choose another place") from error


@group.command("list")
def list_cutters(units: options.Units = "mm", as_json: options.Json = False, records: Place = None) -> None:
    """List the cutters, each with its last grade and its use since it was new or sharpened."""
    from wearscope.records.cutter import Cutter as Sheet
    from wearscope.records.exchange import cutters_json
    from wearscope.records.store import open_records
    from wearscope.report.view import facts_text

    with open_records(records) as book:
        sheets = [Sheet.of(row) for row in book.cutters()]
        if as_json:
            print(cutters_json(sheets), end="")
            return
        for sheet in sheets:
            seen = book.inspections(sheet.name)
            grade = seen[-1].grade if seen else "not inspected yet"
            if seen and (said := book.overrules(seen[-1].id)):
                grade = f"{said[-1].grade} (measured: {seen[-1].grade})"
            gone = any(e.what == "discarded" and not e.withdrawn_at for e in book.entries(sheet.name))
            print(
                f"{sheet.name}: {'discarded; ' if gone else ''}{grade}; {facts_text(sheet.facts, units=units)}"
            )
    if not sheets:
        print("no cutter yet; add one with `wearscope cutter add NAME`")


@group.command()
def show(
    cutter: Cutter, units: options.Units = "mm", as_json: options.Json = False, records: Place = None
) -> None:
    """Show what is recorded about a cutter: facts, inspections, diameters, use, edits, withdrawn entries too."""
    from wearscope.records.exchange import cutters_json
    from wearscope.records.store import open_records

    with open_records(records) as book:
        sheet = book.cutter(cutter)
        if as_json:
            print(cutters_json([sheet]), end="")
            return
        for line in (*_facts(sheet, units), *_life(book, cutter, units)):
            print(line)


def _facts(sheet: "Sheet", units: options.Units) -> list[str]:
    from wearscope.records.cutter import LENGTHS
    from wearscope.report.view import facts_text, value_text

    lines = [f"{sheet.name}: {facts_text(sheet.facts, units=units)}"]
    for name, value in sheet.values().items():
        if value is not None and name in _BEYOND_FACTS:
            shown = value_text(value, "mm", units=units) if name in LENGTHS else str(value)
            lines.append(f"  {_BEYOND_FACTS[name]}: {shown}{' rpm' if name == 'max_speed' else ''}")
    return lines


_BEYOND_FACTS = {
    "flute_form": "flutes run",
    "up_cut_length": "up-cut length",
    "coating": "coating",
    "shank": "shank",
    "max_speed": "marked maximum speed",
    "bought": "bought",
    "sharpened": "sharpened",
    "note": "note",
}


def _life(book: "Records", cutter: str, units: options.Units) -> list[str]:
    """Everything that happened to a cutter, oldest first, then the sum of its use."""
    from wearscope.grading.decide import verdict_words
    from wearscope.grading.limits import load_limits
    from wearscope.quantity import COVERAGE_FACTOR, Quantity
    from wearscope.records.arrival import judged
    from wearscope.report.view import quantity_text

    lines: list[tuple[str, str]] = []
    for row in book.inspections(cutter):
        seen = ("" if row.complete else ", incomplete") + (", as new" if row.as_new else "")
        lines.append((row.recorded_at, f"inspection {row.id}: {row.grade}{seen}"))
        lines += [
            (o.recorded_at, f"inspection {row.id} overruled as {o.grade}: {o.reason}")
            for o in book.overrules(row.id)
        ]
    for d in book.diameters(cutter):
        size = Quantity(d.value_mm, "mm", {"all": d.uncertainty_mm / COVERAGE_FACTOR}, kind=d.kind)  # type: ignore[arg-type]
        new = ", as new" if d.as_new else ""
        lines.append((d.recorded_at, f"diameter {quantity_text(size, units=units)}{new}"))
    entries = book.entries(cutter)
    lines += [(entry.when, _entry(entry)) for entry in entries]
    for when, changes in book.edits(cutter):
        said = "; ".join(f"{c.replace('_', ' ')} {a or '-'} -> {b or '-'}" for c, (a, b) in changes.items())
        lines.append((when, f"edited: {said}"))
    verdict = judged(book, cutter, load_limits())
    lost = [f"{verdict.grade}: {verdict_words(verdict, inches=units == 'inch')}"] if verdict else []
    minutes = sum(e.minutes for e in entries if e.minutes and e.withdrawn_at is None)
    metres = sum(e.metres for e in entries if e.metres and e.withdrawn_at is None)
    total = f"used for {minutes:g} min in all" + (f", {metres:g} m of cut" if metres else "")
    return [*(f"{when[:16].replace('T', ' ')}  {what}" for when, what in sorted(lines)), *lost, total]


def _entry(entry: "EntryRow") -> str:
    words = [] if entry.minutes is None else [f"{entry.minutes:g} min"]
    words += [] if entry.metres is None else [f"{entry.metres:g} m"]
    words += [f"in {entry.work_material}"] if entry.work_material else []
    words += [] if entry.speed_rpm is None else [f"{entry.speed_rpm:g} rpm"]
    words += [] if entry.feed_mm_min is None else [f"{entry.feed_mm_min:g} mm/min"]
    words += [entry.note] if entry.note else []
    words += [f"withdrawn {entry.withdrawn_at[:16].replace('T', ' ')}"] if entry.withdrawn_at else []
    return f"entry {entry.id}: {entry.what}" + (f" {', '.join(words)}" if words else "")


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


def use(
    cutter: Cutter,
    minutes: Annotated[float | None, typer.Option("--minutes", help="Minutes it cut.")] = None,
    metres: Annotated[float | None, typer.Option("--metres", help="Metres it cut.")] = None,
    work: Annotated[str | None, typer.Option("--in", metavar="MATERIAL", help="What it cut.")] = None,
    speed: Annotated[float | None, typer.Option("--speed", metavar="RPM", help="Spindle speed, rpm.")] = None,
    feed: Annotated[
        float | None, typer.Option("--feed", metavar="MM_PER_MIN", help="Feed, mm a minute.")
    ] = None,
    note: Note = "",
    on: On = None,
    records: Place = None,
) -> None:
    """Record how long, or how far, a cutter was used; `cutter undo` takes an entry back."""
    from wearscope.records.store import Use, open_records

    done = Use(minutes, metres, work, speed, feed)
    with open_records(records) as book:
        row = book.add_use(cutter, done, note=note, when=on)
        most = book.cutter(cutter).max_speed_rpm
    print(f"{cutter}: {_entry(row)}")
    if speed is not None and most is not None and speed > most:
        print(
            f"wearscope: {speed:g} rpm is above the maximum speed marked on it, {most} rpm: never run it that fast",
            file=sys.stderr,
        )


def event(
    cutter: Cutter,
    what: Annotated[
        Literal["cleaned", "sharpened", "discarded"],
        typer.Argument(metavar="WHAT", help="cleaned, sharpened or discarded."),
    ],
    note: Note = "",
    on: On = None,
    records: Place = None,
) -> None:
    """Record that a cutter was cleaned, sharpened or discarded."""
    from wearscope.records.store import open_records

    with open_records(records) as book:
        row = book.add_event(cutter, what, note=note, when=on)
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
