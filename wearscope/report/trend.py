"""How long a cutter will last, in words and on a page."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence

from wearscope.records.outlook import Due, Outlook, Series, Step, When
from wearscope.records.trend import Remaining, Taylor, TooLittle
from wearscope.report.html import Shot, render
from wearscope.report.view import Units, facts_text, grade_look, label, quantity_text, value_text

__all__ = [
    "due_text",
    "forecast_text",
    "law_text",
    "left_text",
    "outlook_text",
    "series_name",
    "series_row",
    "shopping_text",
    "sorted_due",
    "trend_page",
    "why_not",
]

HOURS_FROM = 600.0
"""Where ten hours or more may be left, times are told in hours."""
STEPS: tuple[Step, ...] = ("worn", "discard")
ORDER: tuple[When, ...] = ("now", "this month", "perhaps this month", "cannot say", "later")


def left_text(left: Remaining | TooLittle) -> str:
    """`about 90 min, 60 to 140`: rounded to what the interval can tell, the interval outward."""
    if isinstance(left, TooLittle):
        return "cannot say"
    unit, per = ("h", 60.0) if left.most >= HOURS_FROM else ("min", 1.0)
    best, least, most = left.minutes / per, left.least / per, left.most / per
    step = _round_step(max(1.0, (most - least) / 5))
    high = f"{step * math.ceil(most / step):g}"
    if left.minutes == 0:
        return "reached" if left.most == 0 else f"reached; at most {high} {unit} left"
    return f"about {step * round(best / step):g} {unit}, {step * math.floor(least / step):g} to {high}"


def _round_step(longest: float) -> float:
    power = 10.0 ** math.floor(math.log10(longest))
    return max(step * power for step in (1, 2, 5) if step * power <= longest)


def series_name(series: Series) -> str:
    """Which measurement of which flute."""
    return f"{label(series.name)}, flute {series.flute}" if series.flute else label(series.name)


def series_row(seen: Outlook, series: Series, units: Units) -> tuple[str, ...]:
    """Name, points, last value, limits, time left until worn and until discard."""
    limits = (series.worn, series.discard)
    return (
        series_name(series),
        str(len(series.points)),
        quantity_text(series.points[-1].quantity, units=units, limits=limits),
        " / ".join(value_text(limit, series.unit, units=units) for limit in limits),
        left_text(seen.left(series, "worn")),
        left_text(seen.left(series, "discard")),
    )


def outlook_text(seen: Outlook, units: Units) -> str:
    """Facts, use and grade in one line."""
    unseen = f", {seen.unseen_min:g} of them since the last inspection" if seen.unseen_min else ""
    parts = [facts_text(seen.facts, units=units), f"used {seen.used_min:g} min since {_since(seen)}{unseen}"]
    parts.append(f"about {seen.weekly_min:.0f} min a week lately" if seen.weekly_min else "not used lately")
    parts.append(f"last grade {seen.grade}" if seen.grade else "not inspected since")
    return "; ".join(parts)


def _since(seen: Outlook) -> str:
    return f"sharpening on {seen.since[:10]}" if seen.since else "new"


def forecast_text(seen: Outlook) -> tuple[str, ...]:
    """What will be reached first and when; or why that cannot be said."""
    if seen.discarded:
        return ("It was discarded.",)
    lines = []
    for step in STEPS:
        found = seen.first_to_go(step)
        if found is not None:
            series, left = found
            after = f"after {left_text(left)} of use{_weeks(left, seen)}" if left.minutes else left_text(left)
            lines.append(f"{step.capitalize()}: {after}; {series_name(series).lower()}.")
    return tuple(lines) or (f"How long it will last cannot be said: {why_not(seen)}.",)


def why_not(seen: Outlook) -> str:
    """Why nothing can be foretold, by the series that has most points."""
    if not seen.series:
        return f"no wear was measured since {_since(seen)}"
    best = max(seen.series, key=lambda series: len(series.points))
    line = best.line
    return f"{series_name(best).lower()}: {line.reason}" if isinstance(line, TooLittle) else ""


def _weeks(left: Remaining, seen: Outlook) -> str:
    if not seen.weekly_min:
        return ""
    weeks = left.minutes / seen.weekly_min
    return f", about {weeks:.0f} week{'s' * (weeks >= 1.5)}" if weeks >= 1 else ", less than a week"


def due_text(item: Due) -> str:
    """Why a cutter stands where it does on the list."""
    seen = item.outlook
    if item.when == "now":
        return "its last grade is discard"
    if item.left is None:
        return why_not(seen)
    lately = f"{seen.weekly_min:.0f} min a week" if seen.weekly_min else "not used lately"
    return f"{left_text(item.left)} left until discard, {lately}"


def sorted_due(items: Sequence[Due]) -> list[Due]:
    """The most urgent first."""
    return sorted(items, key=lambda item: (ORDER.index(item.when), item.weeks or 0.0, item.outlook.cutter))


def shopping_text(items: Sequence[Due], units: Units) -> tuple[str, ...]:
    """What to buy for this month, like cutters together."""
    lines = []
    for words, which in (("Will need replacing this month", ORDER[:2]), ("Perhaps", ORDER[2:3])):
        wanted = [facts_text(item.outlook.facts, units=units) for item in items if item.when in which]
        lines += [f"{words}: {count} × {facts}" for facts, count in sorted(Counter(wanted).items())]
    return tuple(lines) or ("Nothing is known to need replacing this month.",)


def law_text(laws: Mapping[str, Taylor | TooLittle]) -> tuple[str, ...]:
    """Taylor's law for each material that was cut; nothing where no life is known."""
    return tuple(
        f"Until worn{f' in {material}' if material else ''}, cutters like this: "
        + (
            f"speed × life^{law.n:.3g} = {law.c:.4g} (m/min, min): half the speed, {2 ** (1 / law.n):.2g} times the life."
            if isinstance(law, Taylor)
            else f"{law.reason}."
        )
        for material, law in laws.items()
    )


def trend_page(
    seen: Outlook, *, picture: str, laws: Mapping[str, Taylor | TooLittle] | None = None, units: Units = "mm"
) -> str:
    """The history and outlook of one cutter as a page; `picture` is the plot's file name beside it ("": none)."""
    words = " ".join(forecast_text(seen))
    return render(
        "trend.html",
        title=seen.cutter,
        look=grade_look(seen.grade),
        about=outlook_text(seen, units),
        forecast=(*forecast_text(seen), *law_text(laws or {})),
        shot=Shot(picture, picture, picture, f"Wear of {seen.cutter} against use. {words}")
        if picture
        else None,
        rows=[series_row(seen, series, units) for series in seen.series],
        points=[(series_name(series), _points(series, units)) for series in seen.series],
    )


def _points(series: Series, units: Units) -> list[tuple[str, str]]:
    return [(f"{p.minutes:g}", quantity_text(p.quantity, units=units)) for p in series.points]
