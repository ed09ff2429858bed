"""`wearscope trend`: how long a cutter will last, and what to buy this month."""

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wearscope.cli import options
from wearscope.cli.cutters import Place
from wearscope.errors import InputError

if TYPE_CHECKING:
    from wearscope.records.outlook import Due, Outlook, Series
    from wearscope.records.trend import Remaining, Taylor, TooLittle

    Laws = dict[str, Taylor | TooLittle]

__all__ = ["register", "trend"]

SCHEMA = "wearscope/trend/1"


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(trend)


def trend(
    cutter: Annotated[str | None, typer.Argument(metavar="CUTTER", help="Name of the cutter.")] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="All cutters: which will need replacing this month.")
    ] = False,
    out: options.Out = None,
    units: options.Units = "mm",
    as_json: options.Json = False,
    records: Place = None,
) -> None:
    """Tell from the records how long a cutter will last: its wear against its use, with a page and a plot.

    The time left is use in minutes until the next measurement meets the limit, about so much, and between which
    bounds (95 %). Where there is too little to say, it is said. With --all: a shopping list for this month, from the
    use of the last four weeks.
    """
    from wearscope.records.outlook import due, law_for, lives, outlook
    from wearscope.records.store import open_records

    if everything == (cutter is not None):
        raise InputError("trend: give the name of a cutter, or --all for a shopping list")
    with open_records(records) as book:
        rows = [row for row in book.cutters() if everything or row.id == cutter]
        if cutter is not None and not rows:
            raise InputError(f"cutter {cutter!r} is not in the records; add it with `wearscope cutter add`")
        seen = [outlook(book, row) for row in rows]
        laws = law_for(rows[0], lives(book)) if cutter is not None else {}
    if cutter is None:
        _tell_all([due(one) for one in seen if not one.discarded], units, as_json)
    else:
        _tell_one(seen[0], laws, out or Path("wearscope-out"), units, as_json)


def _tell_one(seen: "Outlook", laws: "Laws", out: Path, units: options.Units, as_json: bool) -> None:
    page, picture = _write(seen, laws, out, units)
    if as_json:
        _print(
            {
                "schema": SCHEMA,
                **_outlook(seen),
                "taylor": {material: _left(law) for material, law in laws.items()},
                "page": str(page),
                "plot": str(picture) if picture else None,
            }
        )
    else:
        _show(seen, laws, units)
        print(f"files: {page}" + (f", {picture.name}" if picture else ""), file=sys.stderr)


def _write(seen: "Outlook", laws: "Laws", out: Path, units: options.Units) -> tuple[Path, Path | None]:
    from wearscope.errors import RecordsError
    from wearscope.report.trend import trend_page
    from wearscope.report.trend_plot import save_plot

    stem = "".join(c if c.isalnum() else "-" for c in seen.cutter).strip("-") or "cutter"
    try:
        out.mkdir(parents=True, exist_ok=True)
        picture = save_plot(seen, out / f"{stem}-trend.png", units=units) if seen.series else None
        page = out / f"{stem}-trend.html"
        page.write_text(
            trend_page(seen, picture=picture.name if picture else "", laws=laws, units=units), "utf-8"
        )
    except OSError as error:
        raise RecordsError(
            f"{out}: cannot be written ({error.strerror}); make room, or give --out"
        ) from error
    return page, picture


def _show(seen: "Outlook", laws: "Laws", units: options.Units) -> None:
    from rich.text import Text

    from wearscope.report.trend import forecast_text, law_text, outlook_text, series_row

    console, table = (
        _console(),
        _table("", "points", "last (95 %)", "worn / discard", "until worn", "until discard"),
    )
    console.print(Text.assemble((seen.cutter, "bold"), f": {outlook_text(seen, units)}"))
    for series in seen.series:
        table.add_row(*(Text(cell) for cell in series_row(seen, series, units)))
    if seen.series:
        console.print(table)
    for line in forecast_text(seen):
        console.print(Text(line, style="bold"))
    for line in law_text(laws):
        console.print(Text(line))


def _tell_all(items: "list[Due]", units: options.Units, as_json: bool) -> None:
    from rich.text import Text

    from wearscope.report.trend import due_text, shopping_text, sorted_due
    from wearscope.report.view import facts_text

    items = sorted_due(items)
    if as_json:
        _print({"schema": SCHEMA, "cutters": [_outlook(item.outlook) | _due(item) for item in items]})
        return
    console, table = _console(), _table("replace", "cutter", "", "why")
    for item in items:
        facts = facts_text(item.outlook.facts, units=units)
        words = (item.when, item.outlook.cutter, facts, due_text(item))
        table.add_row(*(Text(cell) for cell in words))
    console.print(table)
    for line in shopping_text(items, units):
        console.print(Text(line, style="bold"))


def _console() -> Any:
    from rich.console import Console

    return Console(highlight=False, width=None if sys.stdout.isatty() else 160)


def _table(*headings: str) -> Any:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table


def _print(document: dict[str, Any]) -> None:
    print(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False))


def _outlook(seen: "Outlook") -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "cutter": seen.cutter,
        "facts": asdict(seen.facts) | {"assumed": list(seen.facts.assumed)},
        "since": seen.since or None,
        "used_min": seen.used_min,
        "unseen_min": seen.unseen_min,
        "weekly_min": seen.weekly_min,
        "grade": seen.grade,
        "discarded": seen.discarded,
        "series": [_series(seen, series) for series in seen.series],
    }


def _series(seen: "Outlook", series: "Series") -> dict[str, Any]:
    return {
        "name": series.name,
        "flute": series.flute or None,
        "unit": series.unit,
        "limit": {"worn": series.worn, "discard": series.discard},
        "points": [
            {
                "minutes": p.minutes,
                "value": p.quantity.value,
                "kind": p.quantity.kind,
                "uncertainty": p.quantity.expanded,
            }
            for p in series.points
        ],
        "until_worn": _left(seen.left(series, "worn")),
        "until_discard": _left(seen.left(series, "discard")),
    }


def _left(left: "Remaining | Taylor | TooLittle") -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(left)


def _due(item: "Due") -> dict[str, Any]:
    from dataclasses import asdict

    return {"replace": item.when, "left": asdict(item.left) if item.left else None, "weeks": item.weeks}
