"""Cutters as CSV and JSON files, for spreadsheets and other programs."""

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, Literal

from wearscope.errors import InputError, RecordsError
from wearscope.records.cutter import COLUMNS, LENGTHS, Cutter, length_text

__all__ = ["SCHEMA", "cutters_csv", "cutters_json", "read_cutters"]

SCHEMA = "wearscope/cutters/1"
ABOUT_PHOTOS = ("file", "view", "flute")
"""Columns that a drawer's cutters.csv has besides; they are about its photos."""


def cutters_csv(cutters: Iterable[Cutter], *, units: Literal["mm", "inch"] = "mm") -> str:
    """A table with a line for each cutter; its columns are COLUMNS."""
    out = io.StringIO()
    table = csv.DictWriter(out, COLUMNS, lineterminator="\r\n")  # RFC 4180
    table.writeheader()
    table.writerows(cutter.words(units) for cutter in cutters)
    return out.getvalue()


def cutters_json(cutters: Iterable[Cutter]) -> str:
    """A JSON document; lengths are numbers in mm under names that end in _mm, null is what is not known."""
    return json.dumps({"schema": SCHEMA, "cutters": [_entry(c) for c in cutters]}, indent=2) + "\n"


def _entry(cutter: Cutter) -> dict[str, Any]:
    return {_json_name(name): value for name, value in cutter.values().items()}


def _json_name(name: str) -> str:
    return f"{name}_mm" if name in LENGTHS else "max_speed_rpm" if name == "max_speed" else name


def read_cutters(path: Path) -> list[Cutter]:
    """The cutters of a `.json` or `.csv` file; also of a drawer's cutters.csv, where a cutter may have several lines.

    Raises RecordsError for a file that cannot be read, InputError with line and column for what makes no sense.
    """
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise RecordsError(f"{path}: cannot be read ({why}); give a .csv or .json file of cutters") from error
    lines = _of_json(path, text) if path.suffix.lower() == ".json" else _of_csv(path, text)
    found: dict[str, Cutter] = {}
    for where, words in lines:
        try:
            cutter = Cutter.from_words(words)
        except InputError as error:
            raise InputError(f"{path}, {where}: {error}") from error
        if found.setdefault(cutter.name, cutter) != cutter:
            raise InputError(
                f"{path}, {where}: {cutter.name!r} is there before with other facts; keep one of them"
            )
    return list(found.values())


def _of_csv(path: Path, text: str) -> Iterator[tuple[str, Mapping[str, str]]]:
    first = text.partition("\n")[0]
    table = csv.DictReader(io.StringIO(text), delimiter=max(",;\t", key=first.count), restval="")
    names = [name.strip() for name in table.fieldnames or ()]
    _known(path, names, (*COLUMNS, *ABOUT_PHOTOS), COLUMNS)
    table.fieldnames = names
    for line in table:
        where = f"line {table.line_num}"
        if None in line:
            raise InputError(
                f"{path}, {where}: more cells than the first line has names; put text with commas in quotes"
            )
        yield where, {name: line[name] for name in names if name in COLUMNS}


def _of_json(path: Path, text: str) -> Iterator[tuple[str, Mapping[str, str]]]:
    try:
        document = json.loads(text)
    except ValueError as error:
        raise RecordsError(
            f"{path}: not JSON ({error}); give what `wearscope cutter export` wrote"
        ) from error
    entries = document.get("cutters") if isinstance(document, dict) else None
    if not isinstance(entries, list) or document.get("schema") != SCHEMA:
        raise InputError(f'{path}: expected {{"schema": "{SCHEMA}", "cutters": [...]}}')
    names = {_json_name(name): name for name in COLUMNS}
    for number, entry in enumerate(entries, start=1):
        where = f"cutter {number}"
        if not isinstance(entry, dict):
            raise InputError(f"{path}, {where}: expected an object with the names {', '.join(names)}")
        _known(path, list(entry), tuple(names), tuple(names))
        yield where, {names[name]: _text(names[name], value) for name, value in entry.items()}


def _text(name: str, value: object) -> str:
    if value is None:
        return ""
    return length_text(float(value)) if name in LENGTHS and isinstance(value, int | float) else str(value)


def _known(path: Path, names: list[str], known: tuple[str, ...], shown: tuple[str, ...]) -> None:
    strange = [name for name in names if name not in known]
    if strange or "cutter" not in names:
        said = f"{strange[0]!r} is unknown" if strange else "'cutter' is missing"
        raise InputError(f"{path}: column {said}; expected {', '.join(shown)}")
    if len(set(names)) < len(names):
        raise InputError(f"{path}: a column is there twice")
