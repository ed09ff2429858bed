"""`wearscope drawer`: a folder of photos in, one table out."""

import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wearscope.cli import options
from wearscope.cli.cutters import Place
from wearscope.cli.recording import all_recorded_facts, keep_drawer
from wearscope.errors import InputError

if TYPE_CHECKING:
    from wearscope.drawer.plan import Bench, Known
    from wearscope.drawer.run import Drawer, Engine
    from wearscope.drawer.tables import Summary
    from wearscope.facts import Facts

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
    pattern: Annotated[
        str | None,
        typer.Option(
            "--pattern",
            help="How file names tell the cutter, without their ending: {cutter}_flute{flute}; also {view}, and * for anything.",
        ),
    ] = None,
    by_folder: Annotated[
        bool, typer.Option("--by-folder", help="Photos in a folder show the cutter it is named after.")
    ] = False,
    labels: Annotated[
        bool,
        typer.Option("--labels", help="Read the labels in the pictures that `wearscope labels` printed."),
    ] = False,
    watch: Annotated[
        bool, typer.Option("--watch", help="Grade photos as they arrive, until Ctrl-C.")
    ] = False,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster",
            metavar="tcp://HOST:PORT",
            help="Let an existing Dask distributed scheduler's workers look at the photos.",
        ),
    ] = None,
    photos_url: Annotated[
        str,
        typer.Option(
            "--photos-url",
            metavar="URL",
            help="Where those workers find FOLDER (fsspec), such as s3://bucket/photos. (default: the same path)",
        ),
    ] = "",
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, help="Photos looked at at the same time. (default: all cores)"),
    ] = None,
    record: Annotated[
        bool,
        typer.Option("--record", help="Record what is found about cutters that the records know, each once."),
    ] = False,
    records: Place = None,
    units: options.Units = "mm",
    as_json: options.Json = False,
) -> None:
    """Grade all photos of a folder: one table, CSV, JSON, annotated pictures and a contact sheet to print.

    FOLDER/cutters.csv says what the photos show, a line each: file, cutter, kind, material, diameter, flutes,
    nominal_radius, view, flute; a line without file says what a cutter is. Photos of the same cutter are judged
    together. Which cutter a photo without a line shows can be told by its name (--pattern), its folder (--by-folder) or a
    label lying in the picture (--labels).

    What is done is kept in the output folder: stopped and started again, only what is missing is done.

    Exit code, of the worst cutter: 3 discard, 4 retake (also a photo that cannot be read), 5 worn,
    6 sharp as far as seen, 0 all sharp and complete; 1 error, 2 wrong use, 130 stopped.
    """
    from wearscope.drawer.tables import exit_code

    task = _Task(
        folder, out or Path("wearscope-out"), calibration, px_per_mm, limits, pattern, by_folder, labels,
        cluster, photos_url, workers, units, all_recorded_facts(records) if record else {},
    )  # fmt: skip
    graded, summary = (_watch if watch else _once)(task)
    if as_json:
        sys.stdout.write(summary.json.read_text("utf-8"))
    else:
        _show(summary)
    if record:
        keep_drawer(graded, records, calibration)
    print(f"files: {summary.page}, {summary.csv.name}, {summary.json.name}", file=sys.stderr)
    raise typer.Exit(exit_code(summary.lines))


@dataclass(frozen=True, slots=True)
class _Task:
    """What was asked for."""

    folder: Path
    out: Path
    calibration: Path | None
    px_per_mm: float | None
    limits: Path | None
    pattern: str | None
    by_folder: bool
    labels: bool
    cluster: str | None
    photos_url: str
    workers: int | None
    units: options.Units
    recorded: "Mapping[str, Facts]"

    def known(self) -> "Known":
        from wearscope.drawer.plan import FACTS_FILE, name_pattern, read_cutters

        pattern = None if self.pattern is None else name_pattern(self.pattern)
        known = replace(read_cutters(self.folder / FACTS_FILE), pattern=pattern, by_folder=self.by_folder)
        return known.with_recorded(self.recorded)

    def bench(self, known: "Known") -> "Bench":
        from wearscope.drawer.plan import Bench
        from wearscope.grading.limits import load_limits

        source = options.scale_source(self.calibration, self.px_per_mm)
        return Bench(
            source,
            _scale_id(self.calibration, self.px_per_mm),
            load_limits(self.limits),
            self.units,
            known.cutters if self.labels else None,
        )

    @contextmanager
    def engine(self) -> Iterator["Engine"]:
        from functools import partial

        from wearscope.drawer.cluster import on_cluster
        from wearscope.drawer.pool import run, usable_cores

        if self.cluster is None:
            yield partial(run, workers=self.workers or usable_cores())
        else:
            with on_cluster(self.cluster, photos_url=self.photos_url) as engine:
                yield engine

    def checked(self) -> "Bench":
        if not self.folder.is_dir():
            raise InputError(f"{self.folder}: is not a folder; give the folder that holds the photos")
        if self.photos_url and self.cluster is None:
            raise InputError(
                "--photos-url says where the workers of a --cluster find the photos; give --cluster too"
            )
        return self.bench(self.known())


def _once(task: _Task) -> tuple["Drawer", "Summary"]:
    """Everything in the folder, with a bar that shows how far it is."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from wearscope.drawer.plan import find_photos
    from wearscope.drawer.run import grade_drawer
    from wearscope.drawer.tables import write_tables
    from wearscope.drawer.work import look

    bench, known = task.checked(), task.known()
    if not known.photos and next(find_photos(task.folder), None) is None:
        raise InputError(f"{task.folder}: holds no photo; expected JPEG, PNG, TIFF, BMP or WebP files")
    columns = (TextColumn("looking at photos"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with task.engine() as engine, Progress(*columns, console=Console(stderr=True)) as progress:
        bar = progress.add_task("photos", total=None)
        try:
            graded = grade_drawer(
                task.folder,
                out=task.out,
                bench=bench,
                known=known,
                look=look,
                engine=engine,
                tell_total=lambda total: progress.update(bar, total=total),
                tell=lambda: progress.advance(bar),
            )
        except KeyboardInterrupt:
            progress.stop()
            print("stopped; what is done is kept: run the same command again to go on", file=sys.stderr)
            raise typer.Exit(INTERRUPTED) from None
    summary = write_tables(graded)
    print(f"{graded.done_now} of {len(graded.keys)} photos looked at now, the others before", file=sys.stderr)
    return graded, summary


def _watch(task: _Task) -> tuple["Drawer", "Summary"]:
    """What is there and what comes, a line for each photo, until Ctrl-C."""
    from datetime import datetime

    from wearscope.drawer.tables import write_tables
    from wearscope.drawer.watch import watch_drawer
    from wearscope.drawer.work import look

    latest: list[tuple[Drawer, Summary]] = []

    def settled(drawer: "Drawer") -> None:
        latest[:] = [(drawer, write_tables(drawer))]

    def tell(drawer: "Drawer", name: str) -> None:
        cutter = drawer.cutter(drawer.cutter_of(name), [name])
        why = cutter.failed.get(name) or "; ".join(cutter.inspection.reasons if cutter.inspection else ())
        print(
            f"{datetime.now():%H:%M:%S}  {cutter.grade}  {cutter.name}  {name}: {why}",
            file=sys.stderr,
            flush=True,
        )

    task.checked()
    try:
        with task.engine() as engine:
            print(f"watching {task.folder}; Ctrl-C ends it", file=sys.stderr, flush=True)
            watch_drawer(
                task.folder,
                out=task.out,
                bench_for=task.bench,
                read_known=task.known,
                look=look,
                engine=engine,
                tell=tell,
                settled=settled,
                complain=lambda why: print(
                    f"{why}; going on with what was known", file=sys.stderr, flush=True
                ),
            )
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
    if not latest:
        raise typer.Exit(INTERRUPTED)
    return latest[0]


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
