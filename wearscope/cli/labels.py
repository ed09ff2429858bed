"""`wearscope labels`: a sheet of labels for drawer slots."""

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from wearscope.cli import options
from wearscope.cli.cutters import Place
from wearscope.errors import InputError, RecordsError

__all__ = ["labels", "register"]


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(labels)


def labels(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="[NAME]...", help="Names of cutters. (default: all cutters in the records)"),
    ] = None,
    slots: Annotated[
        int | None, typer.Option("--slots", min=1, max=999, help="Labels slot 01, slot 02, ... instead.")
    ] = None,
    size: Annotated[
        float | None,
        typer.Option(
            "--size",
            parser=options.length,
            metavar=options.LENGTH,
            help="Side of a code with its white margin. (default: 18mm; about 3mm to lie in a microscope's picture)",
        ),
    ] = None,
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper", help="Size of the sheet.")] = "a4",
    output: Annotated[Path, typer.Option("--output", metavar="FILE", help="PDF to write.")] = Path(
        "labels.pdf"
    ),
    records: Place = None,
) -> None:
    """Print labels for drawer slots: QR codes that name a cutter, on a sheet to cut up (PDF).

    A label lying flat beside the cutter in the picture tells `wearscope drawer --labels` which cutter it is. It is read
    where each of its small squares is 8 px or more: a 3 mm label at 200 px/mm has 20. Print at 100 %, with 600 dpi
    or more for the small ones.
    """
    from wearscope.report.labels import save_labels

    if names and slots:
        raise InputError("labels: give names or --slots, not both")
    wanted = names or ([f"slot {n:02d}" for n in range(1, slots + 1)] if slots else _recorded(records))
    try:
        pages = save_labels(wanted, output, size_mm=18.0 if size is None else size, paper=paper)
    except OSError as error:
        raise RecordsError(
            f"{output}: cannot be written ({error.strerror}); make room, or give --output"
        ) from error
    print(f"{output}: {len(wanted)} labels on {pages} page{'s' * (pages > 1)}", file=sys.stderr)


def _recorded(records: str | None) -> list[str]:
    from wearscope.records.store import open_records

    with open_records(records) as book:
        return [cutter.id for cutter in book.cutters()]
