"""What there is to do: which photos, which cutter each shows, and the key that says whether it is done.

`cutters.csv` in the folder says what is known: one line per photo, columns `file` (path inside the folder, with
forward slashes), and, each as far as known, `cutter`, `kind`, `material`, `diameter`, `flutes`,
`nominal_radius`, `view`, `flute`. Photos with the same `cutter` are judged together. A line without `file` says what
a cutter is. Which cutter a photo without a line shows follows from a pattern of file names, the folder it lies in, or a
label in the picture, where that is asked for; else it is a cutter of its own, named after its file.
"""

import csv
import hashlib
import io
import json
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from wearscope import __version__
from wearscope.errors import InputError
from wearscope.facts import Facts, parse_length
from wearscope.grading.limits import VIEWS, Limits
from wearscope.report.view import Units

if TYPE_CHECKING:
    from wearscope.pipeline import ScaleSource

__all__ = [
    "ANNOTATED",
    "COLUMNS",
    "FACTS_FILE",
    "THUMBNAIL",
    "Bench",
    "Job",
    "Known",
    "Seen",
    "Shown",
    "find_photos",
    "job_key",
    "name_pattern",
    "read_cutters",
]

FACTS_FILE = "cutters.csv"
COLUMNS = ("file", "cutter", "kind", "material", "diameter", "flutes", "nominal_radius", "view", "flute")
ANNOTATED = ".annotated.jpg"
THUMBNAIL = ".thumbnail.jpg"
"""How the names of pictures end that are written here."""
PHOTO_ENDINGS = frozenset((".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp"))


@dataclass(frozen=True, slots=True)
class Shown:
    """What a photo shows: the cutter's name ("": none was given) and facts, view and flute as far as somebody said."""

    cutter: str = ""
    facts: Facts = field(default_factory=Facts.given)
    view: str | None = None
    flute: int | None = None


@dataclass(frozen=True, slots=True)
class Known:
    """What is known about photos (by name) and cutters (by name), and how else a photo's cutter is told.

    `pattern` has groups cutter, view and flute for the name of a file without its ending (`name_pattern`);
    `by_folder`: photos inside a folder show the cutter that the folder is named after.
    """

    photos: Mapping[str, Shown] = field(default_factory=dict)
    cutters: Mapping[str, Facts] = field(default_factory=dict)
    pattern: re.Pattern[str] | None = None
    by_folder: bool = False

    def shown(self, name: str) -> Shown:
        """What a photo shows, by its line, else by its name, else by its folder; without all these a cutter of its own."""
        if name in self.photos:
            return self.photos[name]
        path = PurePosixPath(name)
        match = self.pattern.fullmatch(path.stem) if self.pattern else None
        if match:
            said = match.groupdict()
            flute = said.get("flute")
            return Shown(
                said["cutter"], self.facts(said["cutter"]), said.get("view"), int(flute) if flute else None
            )
        folder = path.parent.name if self.by_folder else ""
        return Shown(folder, self.facts(folder))

    def facts(self, cutter: str) -> Facts:
        """What is known about a cutter."""
        return self.cutters.get(cutter) or Facts.given()

    def with_recorded(self, recorded: Mapping[str, Facts]) -> "Known":
        """The same with the facts of cutters that the records know.

        Raises InputError where a line says otherwise; what it leaves open, the records say.
        """
        for cutter in self.cutters.keys() & recorded.keys():
            if strange := _contradiction(self.cutters[cutter], recorded[cutter]):
                raise InputError(
                    f"{FACTS_FILE}: cutter {cutter!r}: {strange}; correct one of them, the records with `wearscope cutter edit`"
                )
        photos = {
            name: replace(shown, facts=recorded.get(shown.cutter, shown.facts))
            for name, shown in self.photos.items()
        }
        return replace(self, photos=photos, cutters={**self.cutters, **recorded})

    def facts_text(self, cutter: str) -> str:
        """The same as a text that can be compared."""
        return json.dumps(asdict(self.facts(cutter)), sort_keys=True)


def _contradiction(said: Facts, recorded: Facts) -> str:
    """Where a line of the list says other than the records, in words; "" where it does not."""
    pairs = {
        "kind": (said.kind, recorded.kind),
        "material": (said.material, recorded.material),
        "diameter": (said.diameter_mm, recorded.diameter_mm),
        "flutes": (said.flutes, recorded.flutes),
        "nominal radius": (said.nominal_radius_mm, recorded.nominal_radius_mm),
    }
    unsaid = {*said.assumed, *(("flutes",) if said.flutes is None else ())}
    if said.nominal_radius_mm == Facts.given(kind=said.kind, diameter_mm=said.diameter_mm).nominal_radius_mm:
        unsaid.add("nominal radius")
    for name, (here, there) in pairs.items():
        if name not in unsaid and here != there:
            return f"{name} {here} here, {there} in the records"
    return ""


@dataclass(frozen=True, slots=True)
class Bench:
    """What holds for all photos of a run; `scale_id` stands for the content of the scale source.

    `cutters`: facts by cutter, where labels in the pictures are to be read; None: they are not.
    """

    scale_source: "ScaleSource"
    scale_id: str
    limits: Limits
    units: Units = "mm"
    cutters: Mapping[str, Facts] | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """One photo to look at: `name` is its path inside the folder, `key` stands for all that the result depends on."""

    key: str
    name: str
    path: str
    shown: Shown


@dataclass(frozen=True, slots=True)
class Seen:
    """The result of one photo: an inspection document and its pictures (JPEG), or the reason why there is none.

    `label`: the cutter that a label in the picture names.
    """

    document: dict[str, Any] | None = None
    picture: bytes = b""
    thumbnail: bytes = b""
    reason: str = ""
    label: str = ""


def job_key(photo_sha256: str, shown: Shown, bench: Bench) -> str:
    """SHA-256 over everything that a photo's result and picture depend on: contents, never paths."""
    depends_on = {
        "photo": photo_sha256,
        "shown": asdict(shown),
        "scale": bench.scale_id,
        "limits": bench.limits.id,
        "units": bench.units,
        "software": __version__,
    } | ({} if bench.cutters is None else {"labels": "read"})
    return hashlib.sha256(json.dumps(depends_on, sort_keys=True).encode()).hexdigest()


def find_photos(folder: Path) -> Iterator[str]:
    """Paths of the photos below `folder`, relative, with forward slashes, in a fixed order.

    Hidden files and folders are left out, and so are the pictures that wearscope itself writes.
    """
    for root, folders, files in os.walk(folder):
        here = Path(root)
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for file in sorted(files):
            if _is_photo(file):
                yield (here / file).relative_to(folder).as_posix()


def _is_photo(file: str) -> bool:
    own = file.startswith(".") or file.endswith((ANNOTATED, THUMBNAIL))
    return not own and Path(file).suffix.lower() in PHOTO_ENDINGS


_FIELDS = {
    "cutter": r"(?P<cutter>.+?)",
    "flute": r"(?P<flute>[1-9]\d?)",
    "view": f"(?P<view>{'|'.join(VIEWS)})",
}


def name_pattern(text: str) -> re.Pattern[str]:
    """A pattern of file names without their endings, such as `{cutter}_flute{flute}`; `*` stands for anything.

    Fields are {cutter}, {flute} and {view}. Raises InputError for other fields, or without {cutter}.
    """
    pieces = re.split(r"(\{[^{}]*\}|\*)", text)
    fields = [piece[1:-1] for piece in pieces if piece.startswith("{")]
    if "cutter" not in fields or len(set(fields)) < len(fields) or not set(fields) <= set(_FIELDS):
        raise InputError(
            f"pattern {text!r}: expected {{cutter}} and perhaps {{flute}} and {{view}}, each once, such as "
            "{cutter}_flute{flute}"
        )
    expression = "".join(
        ".*" if piece == "*" else _FIELDS[piece[1:-1]] if piece.startswith("{") else re.escape(piece)
        for piece in pieces
    )
    return re.compile(expression)


def read_cutters(path: Path) -> Known:
    """Read `cutters.csv`; empty where there is no such file. Commas, semicolons or tabs separate.

    Raises InputError with line and column.
    """
    try:
        text = path.read_text("utf-8-sig")
    except FileNotFoundError:
        return Known()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not text in UTF-8; save it as CSV UTF-8") from error
    head = text.partition("\n")[0]
    separator = max(",;\t", key=head.count)
    rows = csv.DictReader(io.StringIO(text), delimiter=separator, strict=True, skipinitialspace=True)
    _check_columns(path, rows.fieldnames)
    photos: dict[str, Shown] = {}
    others: list[Shown] = []
    try:
        for row in rows:
            if any((value or "").strip() for key, value in row.items() if key is not None):
                _add(photos, others, row, path, rows.line_num)
    except csv.Error as error:
        raise InputError(f"{path}, line {rows.line_num}: not a CSV line ({error})") from error
    cutters = _agreed(path, [*photos.items(), *(("a line without a file", shown) for shown in others)])
    return Known(photos, cutters)


def _check_columns(path: Path, columns: object) -> None:
    names = list(columns) if isinstance(columns, list | tuple) else []
    unknown = [name for name in names if name not in COLUMNS]
    if "file" not in names or unknown or len(set(names)) < len(names):
        wrong = (
            f"unknown column {unknown[0]!r}" if unknown else "expected one column each, and one called file"
        )
        raise InputError(f"{path}, line 1: {wrong}; the columns are {', '.join(COLUMNS)}")


def _add(
    photos: dict[str, Shown], others: list[Shown], row: dict[str, str | None], path: Path, line: int
) -> None:
    if None in row:
        raise InputError(
            f"{path}, line {line}: more fields than columns; put quotes round a field with a separator"
        )
    cells = {name: (value or "").strip() for name, value in row.items()}
    file = PurePosixPath(cells["file"].replace("\\", "/")).as_posix()
    if not cells["file"] and not cells.get("cutter"):
        raise InputError(f"{path}, line {line}, column file: empty; give the photo's path inside the folder")
    if file in photos:
        raise InputError(f"{path}, line {line}, column file: {file} has a line already")
    shown = _shown(cells, _Place(path, line))
    if cells["file"]:
        photos[file] = shown
    else:
        others.append(shown)


@dataclass(frozen=True, slots=True)
class _Place:
    path: Path
    line: int

    def wrong(self, column: str, what: str) -> InputError:
        return InputError(f"{self.path}, line {self.line}, column {column}: {what}")


def _shown(cells: dict[str, str], place: _Place) -> Shown:
    view = cells.get("view") or None
    if view is not None and view not in VIEWS:
        raise place.wrong("view", f"{view!r} is unknown; expected one of {', '.join(VIEWS)}")
    lengths = {name: _length(cells.get(name, ""), name, place) for name in ("diameter", "nominal_radius")}
    flutes, flute = (_count(cells.get(name, ""), name, place) for name in ("flutes", "flute"))
    if flute is not None and not 1 <= flute <= (flutes or 12):
        raise place.wrong("flute", f"{flute} is out of range; expected 1 to {flutes or 12}")
    try:
        facts = Facts.given(
            kind=cells.get("kind") or None,
            material=cells.get("material") or None,
            diameter_mm=lengths["diameter"],
            flutes=flutes,
            nominal_radius_mm=lengths["nominal_radius"],
        )
    except InputError as error:
        raise place.wrong(_column_of(str(error)), str(error)) from error
    return Shown(cells.get("cutter", ""), facts, view, flute)


def _column_of(message: str) -> str:
    """The column that a complaint about facts is about."""
    words = message.replace("-", " ")
    facts = ("nominal_radius", "diameter", "flutes", "material")
    return next((name for name in facts if name.replace("_", " ") in words), "kind")


def _length(cell: str, column: str, place: _Place) -> float | None:
    try:
        return parse_length(cell) if cell else None
    except InputError as error:
        raise place.wrong(column, str(error)) from error


def _count(cell: str, column: str, place: _Place) -> int | None:
    if cell and not (cell.isascii() and cell.isdigit()):
        raise place.wrong(column, f"{cell!r} is not a whole number")
    return int(cell) if cell else None


def _agreed(path: Path, lines: list[tuple[str, Shown]]) -> dict[str, Facts]:
    """The facts of each named cutter, on which all its lines must agree."""
    first: dict[str, tuple[str, Facts]] = {}
    for where, shown in lines:
        if not shown.cutter:
            continue
        before, facts = first.setdefault(shown.cutter, (where, shown.facts))
        if facts != shown.facts:
            raise InputError(
                f"{path}: cutter {shown.cutter!r} is described in two ways, for {before} and for {where}"
            )
    return {cutter: facts for cutter, (_, facts) in first.items()}
