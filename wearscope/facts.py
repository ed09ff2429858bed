"""What is known about a cutter before it is looked at, and how a person may type a length."""

import math
import re
from dataclasses import dataclass
from typing import Literal, TypeVar, get_args

from wearscope.errors import InputError

__all__ = ["KINDS", "MATERIALS", "MM_PER_INCH", "CutterKind", "Facts", "Material", "parse_length"]

CutterKind = Literal["flat", "corner-radius", "ball", "engraver", "surfacing", "other"]
Material = Literal["hss", "carbide"]
KINDS: tuple[CutterKind, ...] = get_args(CutterKind)
MATERIALS: tuple[Material, ...] = get_args(Material)
MM_PER_INCH = 25.4
"""Exact by definition (ISO 31-1, international inch)."""

_Choice = TypeVar("_Choice", bound=str)
_NUMBER = r"\d+(?:\.\d*)?|\.\d+"
_LENGTH = re.compile(
    rf"(?:(?:(?P<whole>\d+)[ -])?(?P<top>\d+)/(?P<bottom>\d+)|(?P<number>{_NUMBER}))\s*(?P<unit>mm|in|inch|\")?",
    re.IGNORECASE,
)


def parse_length(text: str) -> float:
    """A length in mm from `6`, `6mm`, `0.25in`, `1/4in` or `1 1/4in`; a bare number is mm.

    Raises InputError for anything else, and for a fraction without a unit (1/4 of what?).
    """
    match = _LENGTH.fullmatch(text.strip())
    expected = "expected a length such as 6, 6mm, 0.25in or 1/4in"
    if match is None:
        raise InputError(f"{text!r} is not a length; {expected}")
    if match["top"] and match["unit"] is None:
        raise InputError(f"{text!r} has no unit; write {text.strip()}in or {text.strip()}mm")
    if match["top"] and int(match["bottom"]) == 0:
        raise InputError(f"{text!r} divides by zero; {expected}")
    value = (
        int(match["whole"] or 0) + int(match["top"]) / int(match["bottom"])
        if match["top"]
        else float(match["number"])
    )
    return value if (match["unit"] or "mm").lower() == "mm" else value * MM_PER_INCH


@dataclass(frozen=True, slots=True)
class Facts:
    """A cutter's kind, material, diameter, number of flutes and corner radius when new.

    `flutes` None: not known. `nominal_radius_mm` is 0 for a sharp corner and half the diameter for a ball
    nose. `assumed` names the facts that nobody gave. `up_cut_length_mm`: of a compression cutter, how far from the tip its flutes
    lift the chips; None: it is none, or that is not known. Raises InputError for a fact that makes no sense.
    """

    kind: CutterKind = "flat"
    material: Material = "carbide"
    diameter_mm: float = 6.0
    flutes: int | None = None
    nominal_radius_mm: float = 0.0
    assumed: tuple[str, ...] = ()
    up_cut_length_mm: float | None = None

    def __post_init__(self) -> None:
        _one_of("kind", self.kind, KINDS)
        _one_of("material", self.material, MATERIALS)
        if not (math.isfinite(self.diameter_mm) and 0 < self.diameter_mm <= 200):
            raise InputError(f"diameter {self.diameter_mm:g} mm: expected more than 0 and at most 200 mm")
        if self.flutes is not None and not 1 <= self.flutes <= 12:
            raise InputError(f"flutes {self.flutes}: expected 1 to 12")
        if not 0 <= self.nominal_radius_mm <= self.diameter_mm / 2:
            raise InputError(
                f"nominal radius {self.nominal_radius_mm:g} mm: expected 0 to half the diameter ({self.diameter_mm / 2:g} mm)"
            )

        if self.up_cut_length_mm is not None and not 0 < self.up_cut_length_mm <= 500:
            raise InputError(
                f"up-cut length {self.up_cut_length_mm:g} mm: expected more than 0 and at most 500 mm"
            )

    @property
    def tooth(self) -> str:
        """What carries a cutting edge of this kind of cutter, in a word."""
        return "insert" if self.kind == "surfacing" else "flute"

    @classmethod
    def given(
        cls,
        *,
        kind: str | None = None,
        material: str | None = None,
        diameter_mm: float | None = None,
        flutes: int | None = None,
        nominal_radius_mm: float | None = None,
        up_cut_length_mm: float | None = None,
    ) -> "Facts":
        """Facts as far as somebody gave them; kind, material and diameter that are None are assumed and named.

        So is the radius that a corner-radius cutter or an engraver's tip had when new: without it neither is judged.
        """
        named: dict[str, object] = {"kind": kind, "material": material, "diameter": diameter_mm}
        kind = _one_of("kind", kind or "flat", KINDS)
        diameter = 6.0 if diameter_mm is None else diameter_mm
        if kind in ("corner-radius", "engraver"):
            named["nominal radius"] = nominal_radius_mm
        usual_radius = diameter / 2 if kind == "ball" else 0.0
        return cls(
            kind,
            _one_of("material", material or "carbide", MATERIALS),
            diameter,
            flutes,
            usual_radius if nominal_radius_mm is None else nominal_radius_mm,
            tuple(name for name, value in named.items() if value is None),
            up_cut_length_mm,
        )


def _one_of(name: str, value: str, choices: tuple[_Choice, ...]) -> _Choice:
    for choice in choices:
        if choice == value:
            return choice
    raise InputError(f"{name} {value!r} is unknown; expected one of {', '.join(choices)}")
