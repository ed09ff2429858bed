"""An inspection as a table for people in the terminal."""

from collections.abc import Iterable, Iterator

from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from wearscope.facts import Facts
from wearscope.flags import FLAGS
from wearscope.grading.advice import CAUTIONS
from wearscope.grading.decide import decide, verdict_words
from wearscope.grading.limits import Limit
from wearscope.grading.observed import Observation
from wearscope.inspection import Inspection, Measurement, PhotoReport, Together
from wearscope.report.view import Units, grade_look, label, limit_text, quantity_text, value_text

__all__ = ["show"]

_STYLES = {"sharp": "bold green", "worn": "bold yellow", "discard": "bold red", "retake": "bold magenta"}


def show(inspection: Inspection, *, units: Units = "mm", console: Console | None = None) -> None:
    """Print grade, measurements, reasons, advice and cautions to stdout."""
    console = console or Console(highlight=False)
    for photo in inspection.photos:
        console.print(_photo(photo, inspection.cutter, units))
    for group in inspection.together:
        console.print(_together(group, inspection.cutter, units))
    console.print(_verdict(inspection, units))
    if inspection.observed:
        console.print(_observed(inspection.observed))
    for caution in CAUTIONS:
        console.print(Text(f"! {caution}", style="dim"))


def _grade(grade: str | None, *, incomplete: bool = False) -> Text:
    if grade is None:
        return Text("")
    word = grade_look(grade).word + (" as far as seen" if incomplete else "")
    return Text(word, style=_STYLES[grade])


def _photo(photo: PhotoReport, cutter: Facts, units: Units) -> RenderableType:
    seen = ", ".join(part for part in (photo.view, photo.shows(cutter.tooth)) if part)
    title = Text.assemble((photo.path, "bold"), f"  {seen}  ", _grade(photo.grade))
    flags = (_flag(name, cutter, units) for name in photo.flags)
    notes = [*_not_measured(photo), *(_sentence(remark) for remark in photo.remarks), *flags]
    return Group(title, _table(photo.measurements, units), *(_hanging(note) for note in notes), "")


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].removesuffix('.')}."


def _together(group: Together, cutter: Facts, units: Units) -> RenderableType:
    title = Text.assemble(
        (group.title, "bold"), f"  {group.view}, {cutter.tooth} {group.flute}  ", _grade(group.grade)
    )
    if group.agree:
        return Group(title, _table(group.measurements, units), "")
    return Group(title, _hanging(_flag("photos_disagree", cutter, units)), "")


def _table(measurements: Iterable[Measurement], units: Units) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading, side in (
        ("", "left"),
        ("measured (95 %)", "right"),
        ("worn / discard", "right"),
        ("", "left"),
    ):
        table.add_column(heading, justify="right" if side == "right" else "left", header_style="dim")
    for measurement in measurements:
        table.add_row(*_row(measurement, units))
    return table


def _flag(name: str, cutter: Facts, units: Units) -> str:
    flag = FLAGS[name]
    if name != "facts_assumed":
        return f"{flag.text} {flag.advice}".rstrip()
    facts = {
        "kind": cutter.kind,
        "material": cutter.material,
        "diameter": f"diameter {value_text(cutter.diameter_mm, 'mm', units=units)}",
    }
    assumed = ", ".join(facts.get(fact, f"{fact} unknown") for fact in cutter.assumed)
    return f"Not given, so assumed: {assumed}. {flag.advice}"


def _not_measured(photo: PhotoReport) -> Iterator[str]:
    """What was not measured, one line for each reason."""
    for why in dict.fromkeys(photo.not_measured.values()):
        names = ", ".join(label(name) for name, reason in photo.not_measured.items() if reason == why)
        yield f"Not measured: {names}. {why[:1].upper()}{why[1:]}."


def _hanging(words: str) -> RenderableType:
    """A line with a dash; what does not fit is set under its first word."""
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_row("-", Text(words))
    return grid


def _row(measurement: Measurement, units: Units) -> tuple[RenderableType, ...]:
    quantity, limit = measurement.quantity, measurement.limit
    steps = () if limit is None else (limit.worn, limit.discard)
    shown = " / ".join(limit_text(step, quantity.unit, units=units) for step in steps)
    value = quantity_text(quantity, units=units, limits=steps)
    return label(measurement.name), value, shown, _grade(measurement.grade)


def _verdict(inspection: Inspection, units: Units) -> RenderableType:
    incomplete = not inspection.complete
    word = _grade(inspection.grade, incomplete=incomplete and inspection.grade == "sharp")
    reasons = [_in_units(reason, inspection, units) for reason in inspection.reasons]
    if incomplete:
        reasons.append(f"missing: {', '.join(inspection.missing_views)}")
    if inspection.shank_fit is not None:
        reasons.append(inspection.shank_fit.words)
    return Group(word, *(_hanging(reason) for reason in reasons), "", Text(inspection.advice), "")


def _observed(answers: Iterable[Observation]) -> RenderableType:
    told = ", ".join(f"{one.name.replace('_', ' ')} {one.answer}" for one in answers)
    return Group(Text(f"Observed by eye, not measured: {told}."), "")


def _in_units(reason: str, inspection: Inspection, units: Units) -> str:
    """A reason is written in mm; here the part of it that a measurement gave is written in the units shown."""
    everything: tuple[PhotoReport | Together, ...] = (*inspection.photos, *inspection.together)
    for judged in everything:
        for m in judged.measurements:
            if units == "inch" and m.limit is not None and m.reason in reason:
                limit = Limit(m.name, m.limit.worn, m.limit.discard, "", "")
                return reason.replace(m.reason, verdict_words(decide(m.quantity, limit), inches=True))
    return reason
