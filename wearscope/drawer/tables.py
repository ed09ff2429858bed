"""A graded drawer as CSV, JSON and a page, written beside the pictures."""

import csv
import hashlib
import io
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from wearscope import __version__
from wearscope.drawer.run import Cutter, Drawer, writing_to
from wearscope.drawer.store import write_whole, write_whole_stream
from wearscope.grading.decide import GRADES, Grade, worst
from wearscope.inspection import Inspection, PhotoReport, to_document
from wearscope.measures import MEASURES
from wearscope.report.html import Card, Shot, card, contact_sheet, inspection_page
from wearscope.report.view import verdict_text

__all__ = ["SCHEMA", "Line", "Summary", "exit_code", "write_tables"]

SCHEMA = "wearscope/drawer/1"


@dataclass(frozen=True, slots=True)
class Line:
    """One cutter in one line, for people."""

    grade: Grade
    complete: bool
    cutter: str
    photos: int
    verdict: str
    why: str


@dataclass(frozen=True, slots=True)
class Summary:
    """All cutters, worst first, and where the files are."""

    lines: tuple[Line, ...]
    csv: Path
    json: Path
    page: Path


EXIT_CODES: dict[Grade, int] = {"discard": 3, "retake": 4, "worn": 5, "sharp": 0}
SHARP_AS_FAR_AS_SEEN = 6


def exit_code(lines: Iterable[Line]) -> int:
    """That of the worst cutter: 3 discard, 4 retake, 5 worn, 6 sharp as far as seen, 0 sharp and complete."""
    lines = list(lines)
    grade = worst(line.grade for line in lines)
    if grade == "sharp" and not all(line.complete for line in lines):
        return SHARP_AS_FAR_AS_SEEN
    return EXIT_CODES[grade]


def write_tables(drawer: Drawer) -> Summary:
    """Write drawer.csv (a line per photo), drawer.json (all of it) and index.html (a card per cutter)
    with a page for each cutter; left as they are where nothing changed since they were written."""
    lines: list[Line] = []
    measured: set[str] = set()
    files = [drawer.out / name for name in ("drawer.csv", "drawer.json", "index.html")]
    whole = all(path.exists() for path in files)
    for cutter in drawer.cutters():
        lines.append(_line(cutter))
        if cutter.inspection:
            whole = whole and (drawer.out / _page_name(cutter, drawer)).exists()
            measured |= {m.name for photo in cutter.inspection.photos for m in photo.measurements}
    lines.sort(key=lambda line: (-GRADES.index(line.grade), line.complete, line.cutter))
    summary = Summary(tuple(lines), *files)
    stamp, written = drawer.store.root / "tables.sha256", _stamp(drawer)
    if not whole or _text(stamp) != written:
        with writing_to(drawer.out):
            stamp.unlink(missing_ok=True)
            _write_all(drawer, summary, [name for name in MEASURES if name in measured])
            write_whole(stamp, written.encode())
    return summary


def _stamp(drawer: Drawer) -> str:
    """SHA-256 over all that the tables depend on: contents, by their keys, and names."""
    cutters = {
        cutter: [names, drawer.known.facts_text(cutter)] for cutter, names in drawer.names_by_cutter().items()
    }
    said = [
        str(drawer.folder.resolve()),
        str(drawer.folder),
        cutters,
        drawer.keys,
        drawer.failed,
        drawer.crashed,
    ]
    said += [drawer.bench.limits.id, drawer.bench.scale_id, drawer.bench.units, __version__]
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def _text(path: Path) -> str:
    try:
        return path.read_text()
    except OSError:
        return ""


def _write_all(drawer: Drawer, summary: Summary, measured: list[str]) -> None:
    _write(summary.csv, lambda: _csv(drawer, measured))
    _write(summary.json, lambda: _json(drawer, summary.lines))
    _write_cutter_pages(drawer)
    _write(summary.page, lambda: _page(drawer, summary.lines))


def _write(path: Path, pieces: Callable[[], Iterator[str]]) -> None:
    write_whole_stream(path, lambda: (piece.encode() for piece in pieces()))


def _line(cutter: Cutter) -> Line:
    inspection = cutter.inspection
    reasons = [
        *(inspection.reasons if inspection else ()),
        *(f"{n}: {why}" for n, why in cutter.failed.items()),
    ]
    missing = inspection.missing_views if inspection else ()
    return Line(
        cutter.grade,
        bool(inspection and inspection.complete and not cutter.failed),
        cutter.name,
        len(cutter.pictures) + len(cutter.failed),
        verdict_text(cutter.grade, missing),
        reasons[0] if reasons else "",
    )


def _csv(drawer: Drawer, measured: list[str]) -> Iterator[str]:
    """A line per photo; lengths in mm, uncertainties expanded (95 %), numbers at full precision."""
    columns = ["file", "cutter", "view", "flute", "grade", "cutter_grade", "complete"]
    for name in measured:
        unit = MEASURES[name]
        columns += [
            f"{name}_{unit}" if unit not in ("count", "share") else name,
            f"{name}_uncertainty",
            f"{name}_kind",
        ]
    yield _csv_line([*columns, "flags", "reason"])
    for cutter in drawer.cutters():
        about = [cutter.grade, "yes" if cutter.inspection and cutter.inspection.complete else "no"]
        reports = {photo.path: photo for photo in cutter.inspection.photos} if cutter.inspection else {}
        for name in sorted({*cutter.pictures, *cutter.failed}):
            report = reports.get(str(drawer.folder / name))
            if report is None:
                reason = cutter.failed.get(name, "the same picture as another photo of this cutter")
                yield _csv_line(
                    [name, cutter.name, "", "", "retake", *about, *[""] * (3 * len(measured) + 1), reason]
                )
            else:
                head = [name, cutter.name, report.view, report.one_flute or "", report.grade, *about]
                tail = [" ".join(report.flags), "; ".join(report.reasons)]
                yield _csv_line([*head, *_numbers(report, measured), *tail])


def _numbers(report: PhotoReport, measured: list[str]) -> Iterator[object]:
    for name in measured:
        found = report.measured(name)
        yield from (
            (found.quantity.value, found.quantity.expanded, found.quantity.kind) if found else ("", "", "")
        )


def _csv_line(cells: Iterable[object]) -> str:
    line = io.StringIO()
    csv.writer(line).writerow(cells)
    return line.getvalue()


def _json(drawer: Drawer, lines: Sequence[Line]) -> Iterator[str]:
    head = {
        "schema": SCHEMA,
        "grade": worst(line.grade for line in lines),
        "folder": str(drawer.folder),
        "software": f"wearscope {__version__}",
    }
    yield json.dumps(head, ensure_ascii=False, indent=1).removesuffix("\n}") + ',\n "cutters": ['
    separator = "\n"
    for cutter in drawer.cutters():
        yield separator + json.dumps(_cutter_document(cutter), ensure_ascii=False, allow_nan=False)
        separator = ",\n"
    yield "\n ]\n}\n"


def _cutter_document(cutter: Cutter) -> dict[str, object]:
    return {
        "cutter": cutter.name,
        "grade": cutter.grade,
        "inspection": to_document(cutter.inspection) if cutter.inspection else None,
        "pictures": cutter.pictures,
        "failed": [{"path": name, "reason": reason} for name, reason in cutter.failed.items()],
    }


def _page(drawer: Drawer, lines: Sequence[Line]) -> Iterator[str]:
    names = drawer.names_by_cutter()
    cards = (_card(drawer.cutter(line.cutter, names[line.cutter]), drawer) for line in lines)
    counts = Counter[str](line.grade for line in lines)
    notes = (
        f"Limits {drawer.bench.limits.id} · scale {drawer.bench.scale_id[:24]} · wearscope {__version__}",
    )
    return contact_sheet(cards, title=f"Drawer {drawer.folder.resolve().name}", counts=counts, notes=notes)


def _card(cutter: Cutter, drawer: Drawer) -> Card:
    return card(
        cutter.name,
        cutter.grade,
        cutter.inspection,
        shots=_shots(cutter).values(),
        failed=cutter.failed,
        units=drawer.bench.units,
        page=_page_name(cutter, drawer) if cutter.inspection else "",
    )


def _shots(cutter: Cutter, up: str = "") -> dict[str, Shot]:
    """The pictures of a cutter by photo name; `up` leads from the page to the output folder."""
    return {
        name: Shot(
            name, up + cutter.thumbnails[name], up + picture, f"{name}, annotated: cutter is {cutter.grade}"
        )
        for name, picture in cutter.pictures.items()
    }


PAGES = "cutters"


def _page_name(cutter: Cutter, drawer: Drawer) -> str:
    """A name that people can read and that changes with everything the page shows."""
    shows = [cutter.name, __version__, sorted(cutter.failed.items())]
    shows += [(name, drawer.keys[name]) for name in sorted(cutter.pictures)]
    digest = hashlib.sha256(json.dumps(shows).encode()).hexdigest()[:12]
    readable = "".join(c if c.isalnum() else "-" for c in cutter.name).strip("-")[:40]
    return f"{PAGES}/{readable}-{digest}.html"


def _write_cutter_pages(drawer: Drawer) -> None:
    """One page per cutter; those that are there already are not written again, those of old results go."""
    wanted: set[str] = set()
    for cutter in drawer.cutters():
        if cutter.inspection is not None:
            name = _page_name(cutter, drawer)
            wanted.add(Path(name).name)
            if not (drawer.out / name).exists():
                write_whole(drawer.out / name, _cutter_page(cutter, cutter.inspection, drawer).encode())
    for page in (drawer.out / PAGES).glob("*.html"):
        if page.name not in wanted:
            page.unlink(missing_ok=True)


def _cutter_page(cutter: Cutter, inspection: Inspection, drawer: Drawer) -> str:
    shots = _shots(cutter, "../")
    by_path = {str(drawer.folder / name): shot for name, shot in shots.items()}
    return inspection_page(
        inspection,
        title=cutter.name,
        limits=drawer.bench.limits.for_cutter(inspection.cutter),
        shots={photo.sha256: by_path[photo.path] for photo in inspection.photos},
        failed=cutter.failed,
        units=drawer.bench.units,
        back="../index.html",
    )
