"""The words and the looks of a result, chosen once and drawn many times.

Terminal, picture, page and table take their labels, grade words, number formats, line styles and icons
from here. Colours are of the Okabe-Ito palette (Okabe and Ito, "Color Universal Design", 2008); a grade is
always also a word and a shape, a line always also a dash pattern.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from wearscope.facts import MM_PER_INCH, Facts
from wearscope.flags import FLAGS
from wearscope.inspection import Measurement, PhotoReport
from wearscope.measures import label
from wearscope.quantity import Quantity

__all__ = [
    "GRADES",
    "LINES",
    "Gauge",
    "GradeLook",
    "LineLook",
    "Row",
    "Sheet",
    "Units",
    "facts_text",
    "gauge",
    "grade_look",
    "label",
    "limit_text",
    "line_look",
    "measurement_row",
    "photo_sheet",
    "quantity_text",
    "value_text",
    "verdict_text",
]

Units = Literal["mm", "inch"]
Point = tuple[float, float]
RGB = tuple[int, int, int]

BLACK: RGB = (0, 0, 0)
WHITE: RGB = (255, 255, 255)
ORANGE: RGB = (230, 159, 0)
SKY: RGB = (86, 180, 233)
GREEN: RGB = (0, 158, 115)
YELLOW: RGB = (240, 228, 66)
BLUE: RGB = (0, 114, 178)
VERMILLION: RGB = (213, 94, 0)
PURPLE: RGB = (204, 121, 167)
GREY: RGB = (200, 200, 200)


def _ring(sides: int, radius: float, turn: float = 0.0) -> tuple[Point, ...]:
    angles = [2 * math.pi * (i / sides) + turn for i in range(sides)]
    return tuple((0.5 + radius * math.sin(a), 0.5 - radius * math.cos(a)) for a in angles)


@dataclass(frozen=True, slots=True)
class GradeLook:
    """A grade's word, meaning, colours (fill and ink, 8-bit RGB) and icon.

    The icon is one filled polygon and strokes in a unit square, y down.
    """

    word: str
    meaning: str
    fill: RGB
    ink: RGB
    body: tuple[Point, ...]
    strokes: tuple[tuple[Point, ...], ...]


GRADES: dict[str, GradeLook] = {
    "sharp": GradeLook(
        "SHARP",
        "no wear beyond the limits",
        GREEN,
        BLACK,
        _ring(48, 0.48),
        (((0.27, 0.53), (0.43, 0.69), (0.73, 0.33)),),
    ),
    "worn": GradeLook(
        "WORN",
        "past its best",
        YELLOW,
        BLACK,
        ((0.5, 0.04), (0.99, 0.92), (0.01, 0.92)),
        (((0.5, 0.34), (0.5, 0.62)), ((0.5, 0.77), (0.5, 0.78))),
    ),
    "retake": GradeLook(
        "RETAKE",
        "this photo cannot carry a decision",
        GREY,
        BLACK,
        (
            (0.02, 0.26),
            (0.3, 0.26),
            (0.38, 0.12),
            (0.62, 0.12),
            (0.7, 0.26),
            (0.98, 0.26),
            (0.98, 0.88),
            (0.02, 0.88),
        ),
        (tuple((0.5 + 0.19 * math.sin(t / 4), 0.57 - 0.19 * math.cos(t / 4)) for t in range(26)),),
    ),
    "discard": GradeLook(
        "DISCARD",
        "do not use again",
        VERMILLION,
        BLACK,
        _ring(8, 0.52, math.pi / 8),
        (((0.31, 0.31), (0.69, 0.69)), ((0.69, 0.31), (0.31, 0.69))),
    ),
}
_NOT_JUDGED = GradeLook("not judged", "no limit applies", WHITE, BLACK, _ring(48, 0.3), ())


def grade_look(grade: str | None) -> GradeLook:
    """The look of a grade; a neutral one where nothing was judged."""
    return GRADES.get(grade or "", _NOT_JUDGED)


def verdict_text(grade: str, missing_views: Sequence[str]) -> str:
    """A grade in words; it says so where it rests on less than all required views."""
    word = grade_look(grade).word.lower()
    if not missing_views or grade not in ("sharp", "worn"):
        return word
    count = f"{len(missing_views)} view{'s' if len(missing_views) > 1 else ''} missing"
    return f"{word} as far as seen, {count}"


@dataclass(frozen=True, slots=True)
class LineLook:
    """How a named line is drawn: words for the key, colour, dash (on, off in line widths; None: solid), width."""

    text: str
    colour: RGB
    dash: tuple[float, float] | None = None
    width: float = 1.0


LINES: dict[str, LineLook] = {
    "outline": LineLook("outline found", WHITE),
    "edge": LineLook("edge found", WHITE, None, 1.5),
    "undamaged edge": LineLook("edge if it were whole", SKY, (3.0, 5.0)),
    "end edge": LineLook("fitted edges", SKY, (9.0, 9.0), 1.5),
    "side edge": LineLook("fitted edges", SKY, (9.0, 9.0), 1.5),
    "arc": LineLook("fitted arc", YELLOW, None, 1.7),
    "broken corner": LineLook("what is left of the corner", YELLOW, (12.0, 3.0), 1.7),
    "recession": LineLook("recession", ORANGE, (2.0, 4.0), 1.0),
    "chip": LineLook("chip", ORANGE, None, 2.5),
    "heat": LineLook("heat colours", PURPLE, (1.5, 6.0), 2.5),
    "land": LineLook("wear land", YELLOW, (4.0, 2.0), 1.5),
    "bright line": LineLook("bright line of a dull edge", YELLOW, (2.0, 3.0), 1.5),
    "patch": LineLook("patch inside the outline", ORANGE, (8.0, 2.0), 2.0),
    "new outline": LineLook("outline when new", GREEN, (2.0, 4.0), 1.5),
    "score": LineLook("line on the shank", PURPLE, (4.0, 3.0), 1.5),
    "burr": LineLook("burr", ORANGE, (2.0, 2.0), 2.5),
    "groove": LineLook("groove", YELLOW, (6.0, 2.0), 2.5),
    "axis": LineLook("circle through the corners", SKY, (6.0, 6.0)),
    "flute": LineLook("corner of a flute", YELLOW, None, 2.0),
    "stuck": LineLook("stuck material", WHITE, (5.0, 3.0), 2.0),
}
"""By the beginning of a curve's or mark's name, spaces and underscores alike."""
_OTHER_LINE = LineLook("other", WHITE, (3.0, 3.0))


def line_look(name: str) -> LineLook:
    """The look of a curve by its name, or by the longest registered name it begins with."""
    fits = [known for known in LINES if name.replace("_", " ").startswith(known)]
    return LINES[max(fits, key=len)] if fits else _OTHER_LINE


_FACTOR = {
    ("mm", "inch"): (1 / MM_PER_INCH, "in"),
    ("mm2", "inch"): (1 / MM_PER_INCH**2, "in²"),
    ("mm2", "mm"): (1.0, "mm²"),
}
_SYMBOL = {"deg": "°", "count": ""}
_MAX_DECIMALS = {"mm": 4, "mm²": 5, "in": 6, "in²": 8, "%": 1, "°": 2, "px": 2, "": 0}


def _shown(quantity: Quantity, units: Units) -> tuple[float, str]:
    """Factor to the unit shown, and that unit."""
    if quantity.unit == "share":
        return 100.0, "%"
    factor, unit = _FACTOR.get((quantity.unit, units), (1.0, quantity.unit))
    return factor, _SYMBOL.get(unit, unit)


def _decimals(uncertainty: float, unit: str) -> int:
    """Decimals that keep two significant digits of an expanded uncertainty (JCGM 100, 7.2.6), within reason."""
    top = _MAX_DECIMALS.get(unit, 6)
    if uncertainty <= 0:
        return min(3, top)
    return max(0, min(top, 1 - math.floor(math.log10(uncertainty))))


def _outward(value: float, decimals: int, kind: str) -> float:
    """Rounded so that a limit still holds: upper limits up, lower limits down, values to the nearest."""
    step = 10.0**decimals
    if kind == "upper_limit":
        return math.ceil(value * step - 1e-9) / step
    if kind == "lower_limit":
        return math.floor(value * step + 1e-9) / step
    return round(value, decimals)


def _same_side(value: float, rounded: float, limits: Iterable[float]) -> bool:
    return all(
        (value > limit) == (rounded > limit) and (value < limit) == (rounded < limit) for limit in limits
    )


def _number(value: float, decimals: int, kind: str, limits: tuple[float, ...]) -> str:
    """`value` with at least `decimals`, and as many more as keep it on its own side of every limit."""
    for places in range(decimals, decimals + 7):
        rounded = _outward(value, places, kind)
        if _same_side(value, rounded, limits):
            return f"{rounded:.{places}f}"
    return f"{Decimal(repr(value)):f}"


def quantity_text(quantity: Quantity, *, units: Units = "mm", limits: Iterable[float] = ()) -> str:
    """A measurement for people: value, expanded uncertainty (95 %) and unit.

    `limits` are in the quantity's own unit: the number shown never stands on the other side of one than
    the number decided on. Upper limits read "at most", lower limits "at least", both rounded outward.
    """
    factor, unit = _shown(quantity, units)
    value = quantity.value * factor
    bounds = tuple(limit * factor for limit in limits)
    tail = unit if unit in ("°", "") else f" {unit}"
    words = {"value": "", "upper_limit": "at most ", "lower_limit": "at least "}[quantity.kind]
    if quantity.unit == "count":
        return f"{words}{value:.0f}"
    if quantity.kind != "value":
        return f"{words}{_number(value, _decimals(value / 10, unit), quantity.kind, bounds)}{tail}"
    spread = quantity.expanded * factor
    decimals = _decimals(spread, unit)
    number = _number(value, decimals, "value", bounds)
    if spread <= 0:
        return f"{number}{tail}"
    below, above = quantity.below, quantity.above
    if below is not None and above is not None and not math.isclose(below, above, rel_tol=0.05):
        return f"{number} (+{above * factor:.{decimals}f} −{below * factor:.{decimals}f}){tail}"
    return f"{number} ± {spread:.{decimals}f}{tail}"


def value_text(value: float, unit: str, *, units: Units = "mm") -> str:
    """A bare number, such as a limit, in the unit shown to people: no zero added, five digits where the unit was changed."""
    factor, shown = _shown(Quantity(value, unit), units)
    digits = f"{value * factor:.5g}" if factor != 1 else f"{value:.6g}"
    text = f"{Decimal(digits):f}"
    return text + (shown if shown in ("°", "") else f" {shown}")


@dataclass(frozen=True, slots=True)
class Gauge:
    """Where a measurement stands between its limits; everything as a share 0..1 of the gauge's length.

    `low` to `high` is the interval the decision was made on, `value` None for a one-sided limit;
    `beyond` says that the value is past the end.
    """

    low: float
    value: float | None
    high: float
    worn: float
    discard: float
    worn_text: str
    discard_text: str
    beyond: bool = False


def gauge(quantity: Quantity, worn: float, discard: float, *, units: Units = "mm") -> Gauge:
    """The gauge of a measurement with limits `worn` and `discard` in the quantity's unit.

    It runs from two steps (a step: from worn to discard) below worn, but not below 0, to one above discard.
    """
    step = discard - worn
    start, end = max(0.0, worn - 2 * step), discard + step
    low, high = quantity.bounds(floor=0.0)

    def place(value: float) -> float:
        return min(1.0, max(0.0, (value - start) / (end - start)))

    return Gauge(
        place(low),
        place(quantity.value) if quantity.kind == "value" else None,
        place(high),
        place(worn),
        place(discard),
        f"worn {limit_text(worn, quantity.unit, units=units)}",
        f"discard {limit_text(discard, quantity.unit, units=units)}",
        quantity.value > end,
    )


def limit_text(step: float, unit: str, *, units: Units = "mm") -> str:
    """A limit in three digits: one that follows from another has many."""
    return value_text(float(f"{step:.3g}"), unit, units=units)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table of results, in words."""

    name: str
    label: str
    value: str
    grade: str | None = None
    gauge: Gauge | None = None


@dataclass(frozen=True, slots=True)
class Sheet:
    """What there is to say about one photo, in words and in reading order.

    `missing` holds (measurements, why not), `cautions` holds (what, what to do), `advice` what must change first.
    """

    grade: str
    title: str
    reasons: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    missing: tuple[tuple[str, str], ...] = ()
    cautions: tuple[tuple[str, str], ...] = ()
    advice: str = ""
    notes: tuple[str, ...] = ()


def facts_text(facts: Facts, *, units: Units = "mm") -> str:
    """What is known about a cutter, in one line."""
    parts = [
        value_text(facts.diameter_mm, "mm", units=units),
        facts.material.upper() if facts.material == "hss" else facts.material,
        facts.kind,
        f"{facts.flutes} flute{'s' if facts.flutes != 1 else ''}"
        if facts.flutes
        else "number of flutes not given",
    ]
    if facts.nominal_radius_mm:
        parts.append(f"radius {value_text(facts.nominal_radius_mm, 'mm', units=units)} when new")
    if facts.up_cut_length_mm is not None:
        parts.append(f"compression, up-cut {value_text(facts.up_cut_length_mm, 'mm', units=units)}")
    return ", ".join(parts) + (f" ({', '.join(facts.assumed)} assumed)" if facts.assumed else "")


def measurement_row(measurement: Measurement, *, units: Units = "mm") -> Row:
    """One measurement in words, with a gauge where a limit applies."""
    quantity, limit = measurement.quantity, measurement.limit
    steps = (limit.worn, limit.discard) if limit else ()
    return Row(
        measurement.name,
        label(measurement.name),
        quantity_text(quantity, units=units, limits=steps),
        measurement.grade,
        gauge(quantity, *steps, units=units) if steps else None,
    )


def photo_sheet(
    report: PhotoReport,
    *,
    units: Units = "mm",
    heading: str = "",
    notes: tuple[str, ...] = (),
    tooth: str = "flute",
) -> Sheet:
    """Everything there is to say about one photo; `heading` names the cutter, `notes` are small print, `tooth` is what to call a flute."""
    flags = sorted((FLAGS[name] for name in report.flags), key=lambda flag: not flag.blocks)
    to_do = [flag.advice for flag in flags if flag.blocks and report.grade == "retake"]
    unmeasured: dict[str, list[str]] = {}
    for name, why in report.not_measured.items():
        unmeasured.setdefault(why, []).append(label(name))
    judged_first = sorted(report.measurements, key=lambda m: m.grade is None)
    scale = report.scale
    per = MM_PER_INCH if units == "inch" else 1.0
    unit = "in" if units == "inch" else "mm"
    known = (
        f"± {scale.uncertainty * per:.2g} px/{unit}" if scale.uncertainty else f"px/{unit}, taken as exact"
    )
    told = f"scale {scale.px_per_mm * per:.5g} {known} ({scale.id})"
    return Sheet(
        report.grade,
        " · ".join(part for part in (heading, f"{report.view} view", report.shows(tooth)) if part),
        report.reasons,
        tuple(measurement_row(m, units=units) for m in judged_first),
        tuple((", ".join(names), why) for why, names in unmeasured.items()),
        tuple((flag.text, flag.advice) for flag in flags if flag.advice or flag.blocks),
        " ".join(to_do),
        notes=(*report.remarks, told, *notes),
    )
