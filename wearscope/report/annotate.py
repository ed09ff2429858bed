"""The picture that shows why: the photo at full resolution, untouched but for thin lines, with the result beside it.

The photo sits at the top left, one photo pixel to one picture pixel. Words and numbers stand in a panel beside it
(under it where the photo is wide), never on it. The layout depends on nothing but the size of the photo, so
two looks at one photo can be laid over each other.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Mark, WearMap
from wearscope.inspection import PhotoReport
from wearscope.photo.read import Photo
from wearscope.report import ink
from wearscope.report.beside_photo import enlarged_block, remarks_block, values_block, verdict_block
from wearscope.report.column import above_each_other, beside_each_other
from wearscope.report.ink import Picture
from wearscope.report.on_photo import (
    NEAR,
    draw_brackets,
    draw_lines,
    draw_pins,
    eight_bit,
    find_window,
    letter_px,
    outline_near_edges,
    thin_inside,
)
from wearscope.report.under_photo import strip_below
from wearscope.report.view import Sheet, Units, photo_sheet
from wearscope.report.whiskers import draw_whiskers, whiskers

__all__ = ["annotate", "draw_sheet", "thumbnail"]


WIDE = 1.9
"""Photos wider than this many times their height carry their words below."""


def annotate(
    photo: Photo,
    report: PhotoReport,
    *,
    units: Units = "mm",
    heading: str = "",
    notes: tuple[str, ...] = (),
    tooth: str = "flute",
) -> Picture:
    """The photo with what was found drawn on it and what it means written beside it.

    (height, width, 3) uint8, channels blue, green, red. `heading` names the cutter, `notes` are small print, `tooth` is what to call a flute.
    """
    sheet = photo_sheet(report, units=units, heading=heading, notes=notes, tooth=tooth)
    scale = report.scale.px_per_mm
    return draw_sheet(
        photo, sheet, curves=report.curves, marks=report.marks, px_per_mm=scale, units=units, wear=report.wear
    )


def thumbnail(photo: Photo, report: PhotoReport, *, longest: int = 360) -> Picture:
    """The photo and its lines, small: the longer side is `longest` px at most."""
    plain = eight_bit(photo)
    factor = min(1.0, longest / max(photo.size))
    width, height = (max(1, round(side * factor)) for side in photo.size)
    small = ink.resized(plain, width, height)
    shift = np.array([0.5, 0.5])
    curves = outline_near_edges(report.curves, None, reach=NEAR * min(photo.size))

    def place(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((points + shift) * factor - shift, np.float64)

    draw_lines(small, curves, report.marks, unit=1.0, place=place)
    draw_pins(small, report.marks, unit=1.0, place=place)
    return small


def draw_sheet(
    photo: Photo,
    sheet: Sheet,
    *,
    curves: Sequence[Curve] = (),
    marks: Sequence[Mark] = (),
    px_per_mm: float | None = None,
    units: Units = "mm",
    wear: WearMap | None = None,
) -> Picture:
    """The annotated picture, (height, width, 3) uint8, channels blue, green, red.

    The photo's own pixels fill the top left of it at full resolution. `px_per_mm` None: no scale bar. `wear`: what is
    gone since new, drawn as whiskers.
    """
    size = letter_px(photo)
    window = find_window(photo, curves, marks)
    width, height = photo.size
    curves = outline_near_edges(curves, window, reach=NEAR * min(width, height))
    beside = width < WIDE * height
    column = 26 * size if beside else width // (2 if window is None else 3)
    plain = eight_bit(photo)
    drawn = plain.copy()
    thin = max(1.0, size / 16)
    draw_lines(drawn, curves, marks, unit=thin)
    if window is not None:
        thin_inside(drawn, plain, curves, marks, window)
        draw_brackets(drawn, window, size)
    gone = (
        None
        if wear is None or px_per_mm is None
        else whiskers(wear, photo.size, px_per_mm=px_per_mm, unit=thin)
    )
    if gone is not None:
        draw_whiskers(drawn, gone, unit=thin)
    draw_pins(drawn, marks, unit=thin)
    left = above_each_other([drawn, strip_below(width, size, curves, marks, px_per_mm, units, gone)])
    verdict = verdict_block(sheet, column, size)
    enlarged = enlarged_block(plain, curves, marks, window, column, size, px_per_mm, units)
    values = values_block(sheet, column, size)
    if beside:
        return beside_each_other(
            [
                above_each_other([left, remarks_block(sheet, width, size)]),
                above_each_other([verdict, enlarged, values]),
            ]
        )
    first = above_each_other([verdict, remarks_block(sheet, column, size)])
    return above_each_other(
        [left, beside_each_other([first, values] if window is None else [first, enlarged, values])]
    )
