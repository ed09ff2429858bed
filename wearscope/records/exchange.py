"""Cutters, and their uses, as CSV and JSON files, for spreadsheets and other programs."""

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal

from wearscope.errors import InputError, RecordsError
from wearscope.records.cutter import COLUMNS, LENGTHS, Cutter, length_text
from wearscope.records.store import Entry, Use

__all__ = [
    "SCHEMA", "USES", "USES_SCHEMA", "cutters_csv", "cutters_json", "read_cutters", "read_uses", "uses_csv", "uses_json",
]  # fmt: skip

SCHEMA = "wearscope/cutters/1"
USES_SCHEMA = "wearscope/uses/1"
USES = ("cutter", "what", "when", "minutes", "metres", "work_material", "speed_rpm", "feed_mm_min", "note")
"""Columns of a table of uses and events. `what` is used, or an event; `when` a day or a time; empty: not known."""
_NUMBERS = ("minutes", "metres", "speed_rpm", "feed_mm_min")
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
    text = _text_of(path, "cutters")
    lines = (
        _of_json(path, text, SCHEMA, "cutters", {_json_name(name): name for name in COLUMNS})
        if path.suffix.lower() == ".json"
        else _of_csv(path, text, COLUMNS, ABOUT_PHOTOS)
    )
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


def uses_csv(entries: Iterable[Entry]) -> str:
    """A table with a line for each use or event; its columns are USES."""
    out = io.StringIO()
    table = csv.DictWriter(out, USES, lineterminator="\r\n")  # RFC 4180
    table.writeheader()
    table.writerows({k: "" if v is None else v for k, v in _use(entry).items()} for entry in entries)
    return out.getvalue()


def uses_json(entries: Iterable[Entry]) -> str:
    """A JSON document of uses and events under the same names; null is what is not known."""
    return json.dumps({"schema": USES_SCHEMA, "uses": [_use(e) for e in entries]}, indent=2) + "\n"


def _use(entry: Entry) -> dict[str, Any]:
    use = asdict(entry.use) if entry.use else {}
    about = {"cutter": entry.cutter, "what": entry.what, "when": entry.when, "note": entry.note}
    return {name: about[name] if name in about else use.get(name) for name in USES}


def read_uses(path: Path) -> list[Entry]:
    """The uses and events of a `.json` or `.csv` file.

    Raises RecordsError for a file that cannot be read, InputError with line and column for what makes no sense.
    """
    text = _text_of(path, "uses")
    lines = (
        _of_json(path, text, USES_SCHEMA, "uses", {name: name for name in USES})
        if path.suffix.lower() == ".json"
        else _of_csv(path, text, USES, ())
    )
    found = []
    for where, words in lines:
        said = {name: word.strip() for name, word in words.items()}
        try:
            numbers = {name: _number(name, said.get(name, "")) for name in _NUMBERS}
            known = any(value is not None for value in numbers.values()) or said.get("work_material")
            what = said.get("what") or "used"
            use = (
                Use(**numbers, work_material=said.get("work_material") or None)
                if known or what == "used"
                else None
            )
            found.append(Entry(said["cutter"], what, said.get("when") or None, use, said.get("note", "")))
        except InputError as error:
            raise InputError(f"{path}, {where}: {error}") from error
    return found


def _number(name: str, text: str) -> float | None:
    try:
        return float(text) if text else None
    except ValueError as error:
        raise InputError(f"column {name}: {text!r} is not a number") from error


def _text_of(path: Path, what: str) -> str:
    try:
        return path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise RecordsError(f"{path}: cannot be read ({why}); give a .csv or .json file of {what}") from error


def _of_csv(
    path: Path, text: str, columns: tuple[str, ...], besides: tuple[str, ...]
) -> Iterator[tuple[str, Mapping[str, str]]]:
    first = text.partition("\n")[0]
    table = csv.DictReader(io.StringIO(text), delimiter=max(",;\t", key=first.count), restval="")
    names = [name.strip() for name in table.fieldnames or ()]
    _known(path, names, (*columns, *besides), columns)
    table.fieldnames = names
    for line in table:
        where = f"line {table.line_num}"
        if None in line:
            raise InputError(
                f"{path}, {where}: more cells than the first line has names; put text with commas in quotes"
            )
        yield where, {name: line[name] for name in names if name in columns}


def _of_json(
    path: Path, text: str, schema: str, key: str, names: Mapping[str, str]
) -> Iterator[tuple[str, Mapping[str, str]]]:
    """The entries under `key`; `names` maps their names to those of the columns."""
    try:
        document = json.loads(text)
    except ValueError as error:
        raise RecordsError(
            f"{path}: not JSON ({error}); give what `wearscope cutter export` wrote"
        ) from error
    entries = document.get(key) if isinstance(document, dict) else None
    if not isinstance(entries, list) or document.get("schema") != schema:
        raise InputError(f'{path}: expected {{"schema": "{schema}", "{key}": [...]}}')
    for number, entry in enumerate(entries, start=1):
        where = f"{key} {number}"
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
