"""An inspection as a table for people in the terminal."""

from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from wearscope.flags import FLAGS
from wearscope.grading.advice import CAUTIONS
from wearscope.inspection import Inspection, Measurement, PhotoReport
from wearscope.report.view import Units, grade_look, label, quantity_text, value_text

__all__ = ["show"]

_STYLES = {"sharp": "bold green", "worn": "bold yellow", "discard": "bold red", "retake": "bold magenta"}


def show(inspection: Inspection, *, units: Units = "mm", console: Console | None = None) -> None:
    """Print grade, measurements, reasons, advice and cautions to stdout."""
    console = console or Console(highlight=False)
    for photo in inspection.photos:
        console.print(_photo(photo, units))
    console.print(_verdict(inspection))
    for caution in CAUTIONS:
        console.print(Text(f"! {caution}", style="dim"))


def _grade(grade: str | None, *, incomplete: bool = False) -> Text:
    if grade is None:
        return Text("")
    word = grade_look(grade).word + (" as far as seen" if incomplete else "")
    return Text(word, style=_STYLES[grade])


def _photo(photo: PhotoReport, units: Units) -> RenderableType:
    title = Text.assemble((photo.path, "bold"), f"  {photo.view}, flute {photo.flute}  ", _grade(photo.grade))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading, side in (
        ("", "left"),
        ("measured (95 %)", "right"),
        ("worn / discard", "right"),
        ("", "left"),
    ):
        table.add_column(heading, justify="right" if side == "right" else "left", header_style="dim")
    for measurement in photo.measurements:
        table.add_row(*_row(measurement, units))
    for name, why in photo.not_measured.items():
        table.add_row(label(name), "not measured", "", Text(why, style="dim"))
    flags = [FLAGS[name] for name in photo.flags]
    notes = [Text(f"  {flag.text} {flag.advice}".rstrip()) for flag in flags]
    return Group(title, table, *notes, "")


def _row(measurement: Measurement, units: Units) -> tuple[RenderableType, ...]:
    quantity, limit = measurement.quantity, measurement.limit
    steps = () if limit is None else (limit.worn, limit.discard)
    shown = " / ".join(value_text(step, quantity.unit, units=units) for step in steps)
    value = quantity_text(quantity, units=units, limits=steps)
    return label(measurement.name), value, shown, _grade(measurement.grade)


def _verdict(inspection: Inspection) -> RenderableType:
    incomplete = not inspection.complete
    word = _grade(inspection.grade, incomplete=incomplete and inspection.grade == "sharp")
    lines = [word, *(Text(f"  {reason}") for reason in inspection.reasons)]
    if incomplete:
        lines.append(Text(f"  missing: {', '.join(inspection.missing_views)}"))
    return Group(*lines, Text(inspection.advice), "")
