"""Beside the photo: the verdict, the corner enlarged, the values with their gauges, what else there is to say."""

from collections.abc import Sequence

import cv2
import numpy as np

from wearscope.finding import Curve, Mark
from wearscope.report import ink
from wearscope.report.column import PAPER, RULE, SOFT, Column
from wearscope.report.ink import Picture
from wearscope.report.on_photo import Window, draw_lines
from wearscope.report.under_photo import scale_bar
from wearscope.report.view import BLACK, GRADES, Gauge, Row, Sheet, Units, grade_look

__all__ = ["enlarged_block", "remarks_block", "values_block", "verdict_block"]


def verdict_block(sheet: Sheet, width: int, size: int) -> Picture:
    look = grade_look(sheet.grade)
    column = Column(width, size)
    band = round(4.2 * size)
    column.room(band)
    column.picture[:band] = look.fill[::-1]
    badge = ink.icon(3 * size, look, look.fill)
    column.y = (band - badge.shape[0]) / 2
    column.paste(badge, size)
    ink.text(column.picture, (4.8 * size, 0.45 * size), look.word, size=2 * size, bold=True, colour=look.ink)
    ink.text(
        column.picture, (4.85 * size, 2.75 * size), look.meaning, size=round(0.85 * size), colour=look.ink
    )
    column.y = band
    column.gap(0.5)
    for place, reason in enumerate(sheet.reasons):
        column.write(reason, bold=place == 0, scale=1.0 if place == 0 else 0.85)
    if sheet.advice:
        column.write(sheet.advice)
    column.write(sheet.title, scale=0.8, colour=SOFT)
    column.gap(0.5)
    return column.done()


def enlarged_block(
    plain: Picture,
    curves: Sequence[Curve],
    marks: Sequence[Mark],
    window: Window | None,
    width: int,
    size: int,
    px_per_mm: float | None,
    units: Units,
) -> Picture:
    """The corner twice, enlarged: as photographed and as measured."""
    column = Column(width, size)
    if window is None:
        return column.done()
    side = (width - 3 * size) // 2
    zoom = side / window.side
    crop = plain[window.y : window.y + window.side, window.x : window.x + window.side]
    before = ink.resized(crop, side, side)
    after = before.copy()
    shift = np.array([window.x - 0.5, window.y - 0.5])
    draw_lines(after, curves, marks, unit=max(1.0, size / 16), place=lambda p: (p - shift) * zoom - 0.5)
    column.paste(before, size)
    column.paste(after, 2 * size + side)
    column.y += side + 0.3 * size
    column.room(3 * size)
    small = round(0.8 * size)
    for x, words in ((size, "corner as photographed"), (2 * size + side, "corner as measured")):
        ink.text(column.picture, (x, column.y), words, size=small, colour=SOFT)
    column.y += 1.2 * size
    if px_per_mm is not None:
        scale_bar(column.picture, (size, column.y - 0.2 * size), px_per_mm * zoom, side, size, units)
        column.gap(2.5)
    column.gap(0.4)
    return column.done()


def values_block(sheet: Sheet, width: int, size: int) -> Picture:
    """What was judged with icon and gauge, then what else was measured, smaller."""
    column = Column(width, size)
    judged = True
    for row in sheet.rows:
        if judged and not row.grade:
            column.gap(0.5)
        judged = bool(row.grade)
        column.room(2 * size)
        if row.grade:
            y = round(column.y)
            column.picture[y : y + 1, size : width - size] = RULE[::-1]
            column.y += 0.3 * size
            column.paste(ink.icon(round(1.2 * size), grade_look(row.grade), PAPER), size)
        _write_row(column, row, size if row.grade else round(0.82 * size))
        if row.gauge is not None:
            _draw_gauge(column, row.gauge)
        column.y += 0.2 * size
    return column.done()


def _write_row(column: Column, row: Row, size: int) -> None:
    """Label at the left, value at the right; on two lines where they do not fit on one."""
    left, right = 2.6 * column.size, column.width - column.size
    across = ink.font(size, True).getlength(row.value)
    ink.text(column.picture, (left, column.y), row.label, size=size)
    if left + ink.font(size).getlength(row.label) + size + across > right:
        column.y += 1.25 * size
        column.room(1.4 * size)
    ink.text(column.picture, (right - across, column.y), row.value, size=size, bold=True)
    column.y += 1.25 * size


def _draw_gauge(column: Column, gauge: Gauge) -> None:
    """A bar with the zones sharp, worn and discard, and a pointer with the interval of the measurement."""
    size = column.size
    column.room(2.6 * size)
    left, long = 2.6 * size, column.width - 3.6 * size
    top = round(column.y + 0.75 * size)
    bottom = top + round(0.5 * size)

    def at(share: float) -> int:
        return round(left + share * long)

    zones = ((0.0, gauge.worn, "sharp", "sharp"), (gauge.worn, gauge.discard, "worn", gauge.worn_text))
    for start, end, grade, words in (*zones, (gauge.discard, 1.0, "discard", gauge.discard_text)):
        cv2.rectangle(column.picture, (at(start), top), (at(end), bottom), GRADES[grade].fill[::-1], -1)
        cv2.rectangle(column.picture, (at(start), top), (at(end), bottom), BLACK, 1)
        small = round(0.75 * size)
        if ink.font(small).getlength(words) < at(end) - at(start) or grade != "sharp":
            ink.text(column.picture, (at(start), bottom + 0.15 * size), words, size=small, colour=SOFT)
    middle = round((top + column.y) / 2)
    thick = max(1, round(size / 9))
    cv2.line(column.picture, (at(gauge.low), middle), (at(gauge.high), middle), BLACK, thick)
    for end in (gauge.low, gauge.high):
        cv2.line(column.picture, (at(end), middle - 2 * thick), (at(end), middle + 2 * thick), BLACK, thick)
    if gauge.value is not None:
        x, wing = at(gauge.value), 0.32 * size
        down = [(x - wing, top - 2 * wing), (x + wing, top - 2 * wing), (x, top + 2)]
        ahead = [(x - 2 * wing, middle - wing), (x - 2 * wing, middle + wing), (x + wing, middle)]
        cv2.fillPoly(
            column.picture, [np.round(np.array(ahead if gauge.beyond else down)).astype(np.int32)], BLACK
        )
    column.y = bottom + 1.05 * size


def remarks_block(sheet: Sheet, width: int, size: int) -> Picture:
    column = Column(width, size)
    if sheet.missing:
        column.gap(0.4)
        column.write("Not measured", bold=True, scale=0.85)
        for name, why in sheet.missing:
            column.write(f"{name}: {why}", scale=0.85)
    if sheet.cautions:
        column.gap(0.4)
        column.write("About this photo", bold=True, scale=0.85)
        for what, to_do in sheet.cautions:
            column.write(f"{what} {to_do}".strip(), scale=0.85)
    for note in sheet.notes:
        column.gap(0.3)
        column.write(note, scale=0.75, colour=SOFT)
    column.gap(0.6)
    return column.done()
