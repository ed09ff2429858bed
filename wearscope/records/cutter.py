"""A cutter as people know it: what it is, and how that is typed, kept and handed on."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Literal, get_args

from wearscope.errors import InputError
from wearscope.facts import MM_PER_INCH, Facts, parse_length
from wearscope.records.models import CutterRow

__all__ = ["COLUMNS", "FLUTE_FORMS", "Cutter", "FluteForm", "length_text"]

FluteForm = Literal["straight", "up-spiral", "down-spiral", "compression"]
FLUTE_FORMS: tuple[FluteForm, ...] = get_args(FluteForm)

COLUMNS = (
    "cutter",
    "kind",
    "material",
    "diameter",
    "flutes",
    "nominal_radius",
    "flute_form",
    "up_cut_length",
    "coating",
    "shank",
    "max_speed",
    "bought",
    "sharpened",
    "note",
)
"""Columns of a table of cutters. Lengths carry their unit; speeds are rpm; days are YYYY-MM-DD; empty: not known."""
LENGTHS = ("diameter", "nominal_radius", "up_cut_length", "shank")
WHOLE = ("flutes", "max_speed")
DAYS = ("bought", "sharpened")


@dataclass(frozen=True, slots=True)
class Cutter:
    """A cutter under its name. None: not known.

    `up_cut_length_mm`: of a compression cutter, how far from the tip its flutes lift the chips. `max_speed_rpm` is
    the speed marked on it. `bought` and `sharpened` are days, YYYY-MM-DD. Raises InputError for what makes no sense.
    """

    name: str
    facts: Facts
    flute_form: str | None = None
    up_cut_length_mm: float | None = None
    coating: str | None = None
    shank_mm: float | None = None
    max_speed_rpm: int | None = None
    bought: str | None = None
    sharpened: str | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise InputError("cutter: the name is empty; give one such as slot-03")
        if self.name != self.name.strip() or not self.name.isprintable():
            raise InputError(f"cutter {self.name!r}: a name has no blanks around it and is one line")
        if self.flute_form is not None and self.flute_form not in FLUTE_FORMS:
            raise InputError(f"flute form {self.flute_form!r}: expected one of {', '.join(FLUTE_FORMS)}")
        if self.up_cut_length_mm is not None:
            _size("up-cut length", self.up_cut_length_mm)
            if self.flute_form != "compression":
                raise InputError(
                    "up-cut length: only a compression cutter has one; give --flute-form compression"
                )
        if self.shank_mm is not None:
            _size("shank", self.shank_mm)
        if self.max_speed_rpm is not None and not 0 < self.max_speed_rpm <= 1_000_000:
            raise InputError(
                f"marked maximum speed {self.max_speed_rpm}: expected rpm above 0, such as 18000"
            )
        for what, day in (("bought", self.bought), ("sharpened", self.sharpened)):
            if day is not None:
                _day(what, day)

    @classmethod
    def of(cls, row: CutterRow) -> "Cutter":
        """The cutter of a row."""
        given = {
            "kind": row.kind,
            "material": row.material,
            "diameter_mm": row.diameter_mm,
            "flutes": row.flutes,
            "nominal_radius_mm": row.nominal_radius_mm,
        }
        assumed = tuple(filter(None, row.assumed.split(",")))
        facts = Facts(**given, assumed=assumed)  # type: ignore[arg-type]
        same = (
            "flute_form",
            "up_cut_length_mm",
            "coating",
            "shank_mm",
            "max_speed_rpm",
            "bought",
            "sharpened",
        )
        return cls(row.id, facts, **{name: getattr(row, name) for name in same}, note=row.note)

    @classmethod
    def from_words(cls, words: Mapping[str, str], *, before: "Cutter | None" = None) -> "Cutter":
        """The cutter that a table's line describes, by COLUMNS; an empty cell is not known.

        `before`: only the columns that are there change, the others stay as they were.
        """
        known = dict.fromkeys(COLUMNS, "") if before is None else before.words()
        return cls._of_values({**known, **words})

    @classmethod
    def _of_values(cls, words: Mapping[str, str]) -> "Cutter":
        value = {name: _value(name, words[name].strip()) for name in COLUMNS}
        facts = Facts.given(
            kind=value["kind"],
            material=value["material"],
            diameter_mm=value["diameter"],
            flutes=value["flutes"],
            nominal_radius_mm=value["nominal_radius"],
        )
        return cls(
            value["cutter"] or "",
            facts,
            value["flute_form"],
            value["up_cut_length"],
            value["coating"],
            value["shank"],
            value["max_speed"],
            value["bought"],
            value["sharpened"],
            value["note"] or "",
        )

    def words(self, units: Literal["mm", "inch"] = "mm") -> dict[str, str]:
        """The cutter as a table's line; `from_words` gives the very same cutter back."""
        return {
            name: _words(value, units if name in LENGTHS else None) for name, value in self.values().items()
        }

    def values(self) -> dict[str, Any]:
        """By COLUMNS: lengths in mm, None for what is not known, facts that were only assumed among it."""
        facts = self.facts
        nominal = facts.nominal_radius_mm
        usual = facts.diameter_mm / 2 if facts.kind == "ball" else 0.0
        unsaid = "nominal radius" in facts.assumed or (
            nominal == usual and facts.kind not in ("corner-radius", "engraver")
        )
        return {
            "cutter": self.name,
            "kind": None if "kind" in facts.assumed else facts.kind,
            "material": None if "material" in facts.assumed else facts.material,
            "diameter": None if "diameter" in facts.assumed else facts.diameter_mm,
            "flutes": facts.flutes,
            "nominal_radius": None if unsaid else nominal,
            "flute_form": self.flute_form,
            "up_cut_length": self.up_cut_length_mm,
            "coating": self.coating,
            "shank": self.shank_mm,
            "max_speed": self.max_speed_rpm,
            "bought": self.bought,
            "sharpened": self.sharpened,
            "note": self.note or None,
        }

    def into(self, row: CutterRow) -> None:
        """Write into a row all but its name and when it was added."""
        facts = self.facts
        row.kind, row.material, row.diameter_mm = facts.kind, facts.material, facts.diameter_mm
        row.flutes, row.nominal_radius_mm = facts.flutes, facts.nominal_radius_mm
        row.assumed = ",".join(facts.assumed)
        row.flute_form, row.up_cut_length_mm = self.flute_form, self.up_cut_length_mm
        row.coating, row.shank_mm, row.max_speed_rpm = self.coating, self.shank_mm, self.max_speed_rpm
        row.bought, row.sharpened, row.note = self.bought, self.sharpened, self.note

    def named(self, name: str) -> "Cutter":
        """The same cutter under another name."""
        return replace(self, name=name)


def length_text(mm: float, units: Literal["mm", "inch"] = "mm") -> str:
    """A length with its unit, such as 6mm or 0.25in, that `parse_length` reads back as the very same number."""
    factor, unit = (MM_PER_INCH, "in") if units == "inch" else (1.0, "mm")
    for digits in range(25):
        text = f"{mm / factor:.{digits}f}{unit}"
        if parse_length(text) == mm:
            return text
    return length_text(
        mm
    )  # few binary fractions of a mm have no decimal fraction of an inch that comes back as they were


def _words(value: Any, units: Literal["mm", "inch"] | None) -> str:
    if value is None:
        return ""
    return length_text(value, units) if units else str(value)


def _value(name: str, text: str) -> Any:
    if not text:
        return None
    if name in LENGTHS:
        return parse_length(text)
    if name in WHOLE:
        if not re.fullmatch(r"\d+", text):
            raise InputError(f"{name.replace('_', ' ')} {text!r}: expected a whole number")
        return int(text)
    return _day(name, text) if name in DAYS else text


def _size(what: str, value_mm: float) -> None:
    if not (math.isfinite(value_mm) and 0 < value_mm <= 500):
        raise InputError(f"{what} {value_mm:g} mm: expected more than 0 and at most 500 mm")


def _day(what: str, text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        raise InputError(f"{what} {text!r}: expected a day as YYYY-MM-DD") from error
