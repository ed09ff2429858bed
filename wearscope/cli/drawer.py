"""`wearscope drawer`: a folder of photos in, one table out."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wearscope.cli import options
from wearscope.errors import InputError

if TYPE_CHECKING:
    from wearscope.drawer.run import Drawer
    from wearscope.drawer.tables import Summary

__all__ = ["drawer", "register"]

INTERRUPTED = 130
ROWS_SHOWN = 200
_STYLES = {"sharp": "bold green", "worn": "bold yellow", "discard": "bold red", "retake": "bold magenta"}


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(drawer)


def drawer(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder of photos; folders inside it count.")
    ],
    calibration: options.Calibration = None,
    px_per_mm: options.PxPerMm = None,
    limits: options.LimitsFile = None,
    out: options.Out = None,
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, help="Photos looked at at the same time. (default: all cores)"),
    ] = None,
    units: options.Units = "mm",
    as_json: options.Json = False,
) -> None:
    """Grade all photos of a folder: one table, CSV, JSON, annotated pictures and a contact sheet to print.

    FOLDER/cutters.csv says what the photos show, a line each: file, cutter, kind, material, diameter, flutes,
    nominal_radius, view, flute. Photos of the same cutter are judged together.

    What is done is kept in the output folder: stopped and started again, only what is missing is done.

    Exit code, of the worst cutter: 3 discard, 4 retake (also a photo that cannot be read), 5 worn,
    6 sharp as far as seen, 0 all sharp and complete; 1 error, 2 wrong use, 130 stopped.
    """
    from wearscope.drawer.tables import exit_code, write_tables

    graded = _grade(folder, out or Path("wearscope-out"), calibration, px_per_mm, limits, units, workers)
    summary = write_tables(graded)
    if as_json:
        sys.stdout.write(summary.json.read_text("utf-8"))
    else:
        _show(summary)
    print(
        f"{graded.done_now} of {len(graded.keys)} photos looked at now, the others before; "
        f"files: {summary.page}, {summary.csv.name}, {summary.json.name}",
        file=sys.stderr,
    )
    raise typer.Exit(exit_code(summary.lines))


def _grade(
    folder: Path,
    out: Path,
    calibration: Path | None,
    px_per_mm: float | None,
    limits: Path | None,
    units: options.Units,
    workers: int | None,
) -> "Drawer":
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from wearscope.drawer.plan import FACTS_FILE, Bench, find_photos, read_cutters
    from wearscope.drawer.pool import usable_cores
    from wearscope.drawer.run import grade_drawer
    from wearscope.drawer.work import look
    from wearscope.grading.limits import load_limits

    if not folder.is_dir():
        raise InputError(f"{folder}: is not a folder; give the folder that holds the photos")
    source, scale_id = options.scale_source(calibration, px_per_mm), _scale_id(calibration, px_per_mm)
    bench = Bench(source, scale_id, load_limits(limits), units)
    known = read_cutters(folder / FACTS_FILE)
    if not known and next(find_photos(folder), None) is None:
        raise InputError(f"{folder}: holds no photo; expected JPEG, PNG, TIFF, BMP or WebP files")
    columns = (TextColumn("looking at photos"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task("photos", total=None)
        try:
            return grade_drawer(
                folder,
                out=out,
                bench=bench,
                known=known,
                look=look,
                workers=workers or usable_cores(),
                tell_total=lambda total: progress.update(task, total=total),
                tell=lambda: progress.advance(task),
            )
        except KeyboardInterrupt:
            progress.stop()
            print("stopped; what is done is kept: run the same command again to go on", file=sys.stderr)
            raise typer.Exit(INTERRUPTED) from None


def _scale_id(calibration: Path | None, px_per_mm: float | None) -> str:
    """Stands for the scale's content: the typed number, or the digest of the calibration file."""
    import hashlib

    if calibration is None:
        return f"typed {px_per_mm!r} px/mm"
    return f"calibration {hashlib.sha256(calibration.read_bytes()).hexdigest()}"


def _show(summary: "Summary") -> None:
    """The table on stdout, worst first."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False, width=None if sys.stdout.isatty() else 160)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for heading in ("grade", "cutter", "photos", "why"):
        table.add_column(heading, justify="right" if heading == "photos" else "left", overflow="fold")
    for line in summary.lines[:ROWS_SHOWN]:
        table.add_row(
            Text(line.verdict, style=_STYLES[line.grade]), Text(line.cutter), str(line.photos), Text(line.why)
        )
    console.print(table)
    if len(summary.lines) > ROWS_SHOWN:
        console.print(f"and {len(summary.lines) - ROWS_SHOWN} more, none of them worse: see {summary.csv}")
