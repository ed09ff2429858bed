"""`wearscope limits`: the limits in force for a cutter, and whether they agree with what people say."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wearscope.cli import options
from wearscope.cli.cutters import Place
from wearscope.errors import InputError, RecordsError

if TYPE_CHECKING:
    from wearscope.facts import Facts
    from wearscope.grading.limits import Limits
    from wearscope.records.review import Opinion, Proposal, TooFew

__all__ = ["limits", "register"]


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(limits)


def limits(
    cutter: Annotated[
        str | None, typer.Argument(metavar="CUTTER", help="Name of a cutter in the records.")
    ] = None,
    kind: options.Kind = None,
    material: options.Material = None,
    diameter: options.Diameter = None,
    nominal_radius: options.NominalRadius = None,
    limits_file: options.LimitsFile = None,
    review: Annotated[
        bool,
        typer.Option("--review", help="Hold the grades against your own verdicts (`wearscope overrule`)."),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="With --review: write what is proposed as a limits file."),
    ] = None,
    units: options.Units = "mm",
    records: Place = None,
) -> None:
    """Show the limits in force for a cutter, from the records or described by options; or review them.

    --review compares the measured grades with what you said about the same inspections, and proposes limits that
    would have agreed with you, where there are enough verdicts to tell. It changes nothing by itself.
    """
    from wearscope.grading.limits import load_limits

    rules = load_limits(limits_file)
    if review:
        _review(rules, cutter, out, units, records)
        return
    if out is not None:
        raise InputError("--out goes with --review")
    from wearscope.cli.recording import recorded_facts
    from wearscope.facts import Facts

    given = {
        "kind": kind,
        "material": material,
        "diameter_mm": diameter,
        "nominal_radius_mm": nominal_radius,
    }
    facts = Facts.given(**given) if cutter is None else recorded_facts(cutter, records, given)  # type: ignore[arg-type]
    _show(facts, rules, units, cutter)


def _show(facts: "Facts", rules: "Limits", units: options.Units, cutter: str | None) -> None:
    from rich.console import Console
    from rich.table import Table

    from wearscope.measures import MEASURES, label
    from wearscope.report.view import facts_text, value_text

    console = Console(highlight=False, width=None if sys.stdout.isatty() else 140)
    name = f"{cutter}: " if cutter else ""
    console.print(f"{name}{facts_text(facts, units=units)}; limits {rules.id}", markup=False, soft_wrap=True)
    if not rules.covers(facts):
        console.print("its size is outside the table: the nearest size counts")
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("", "worn above", "discard above", "why", "status"):
        table.add_column(heading, justify="right" if heading.endswith("above") else "left")
    for measurement, limit in sorted(rules.for_cutter(facts).items(), key=lambda item: label(item[0])):
        shown = [value_text(v, MEASURES[measurement], units=units) for v in (limit.worn, limit.discard)]
        table.add_row(label(measurement), *shown, limit.reason, limit.status)
    console.print(table)


def _review(
    rules: "Limits", cutter: str | None, out: Path | None, units: options.Units, records: str | None
) -> None:
    from wearscope.records.review import agreement, as_limits_file, opinions, proposals
    from wearscope.records.store import open_records

    with open_records(records) as book:
        found = opinions(book, rules, cutter)
    if not found:
        print(
            "nobody has graded an inspection yet; say what you think with `wearscope overrule`, also where you agree"
        )
        return
    counts = agreement(found)
    many = "1 inspection was" if len(found) == 1 else f"{len(found)} inspections were"
    print(f"{many} graded by people as well; the limits are {rules.id}:")
    print(
        f"  {counts['agree']} agree, {counts['milder']} milder, {counts['stricter']} stricter than measured"
    )
    for opinion in found:
        if opinion.said != opinion.measured:
            print(f"  inspection {opinion.inspection} of {_opinion(opinion)}")
    if counts["agree"] == 0:
        print(
            "People speak up where they disagree; grade inspections you agree with too, or this leans one way."
        )
    print()
    proposed = proposals(found, rules)
    for line in _proposals(proposed, units):
        print(f"- {line}")
    text = as_limits_file(proposed, rules)
    if out is not None and text:
        _write(out, text)
        print(f"\n{out}: limits file; look at it, then use it with --limits")
    elif out is not None:
        print(f"\n{out}: not written, for nothing is proposed")
    elif text:
        print("\nNothing is changed. --out FILE writes this as a limits file of your own.")


def _opinion(opinion: "Opinion") -> str:
    return f"{opinion.cutter}: measured {opinion.measured}, said {opinion.said} ({opinion.reason})"


def _proposals(found: "list[Proposal | TooFew]", units: options.Units) -> list[str]:
    """Proposals first, then what nothing is proposed for, together where the reason is the same."""
    from wearscope.measures import label
    from wearscope.records.review import TooFew

    none: dict[tuple[tuple[str, str, str], str], list[str]] = {}
    for one in found:
        if isinstance(one, TooFew):
            none.setdefault((one.group, one.reason), []).append(
                f"{label(one.measurement).lower()} {one.step}"
            )
    return [
        *(_proposal(one, units) for one in found if not isinstance(one, TooFew)),
        *(
            f"{_cutters(group)}, nothing proposed for {', '.join(what)}: {why}"
            for (group, why), what in none.items()
        ),
    ]


def _cutters(group: tuple[str, str, str]) -> str:
    kind, size, material = group
    return f"{kind} {size} mm {material}"


def _proposal(one: "Proposal", units: options.Units) -> str:
    from wearscope.measures import MEASURES, label
    from wearscope.report.view import value_text

    def show(value: float) -> str:
        return value_text(float(f"{value:.3g}"), MEASURES[one.measurement], units=units)

    caution = "; higher than now, so blunter cutters will be called sharp" if one.value > one.now else ""
    return (
        f"{_cutters(one.group)}, {label(one.measurement).lower()} {one.step}: {show(one.value)} instead of "
        f"{show(one.now)}{caution} (anything from {show(one.low)} to {show(one.high)} agrees as well with "
        f"{one.below} said to be below and {one.above} above; by chance {one.chance:.1%})"
    )


def _write(path: Path, text: str) -> None:
    from wearscope.drawer.store import write_whole

    if path.exists():
        raise RecordsError(f"{path}: is there already; name a new file")
    try:
        write_whole(path, text.encode())
    except OSError as error:
        raise RecordsError(f"{path}: cannot be written ({error.strerror}); choose another place") from error
