"""Under the photo: scale bar and key of the lines."""

import itertools
from collections.abc import Callable, Sequence

import cv2
import numpy as np

from wearscope.facts import MM_PER_INCH
from wearscope.finding import Curve, Mark
from wearscope.report import ink
from wearscope.report.column import SOFT, paper
from wearscope.report.ink import Picture
from wearscope.report.on_photo import draw_cross, sharp_corner
from wearscope.report.view import BLACK, LINES, VERMILLION, WHITE, LineLook, Units, line_look
from wearscope.report.whiskers import Whiskers, scale_words

__all__ = ["scale_bar", "strip_below"]


def strip_below(
    width: int,
    size: int,
    curves: Sequence[Curve],
    marks: Sequence[Mark],
    px_per_mm: float | None,
    units: Units,
    gone: Whiskers | None,
) -> Picture:
    """Scale bar at the left, key of the lines at the right; always the same height."""
    out = paper(width, round(5.4 * size))
    if px_per_mm is None:
        ink.text(out, (size, size), "no scale", size=size, colour=SOFT)
        start = 7.0 * size
    else:
        start = 2.5 * size + scale_bar(out, (size, 0.5 * size), px_per_mm, width / 3.2, size, units)
    bar = None
    if gone is not None and px_per_mm is not None:
        bar = scale_words(gone, 4 * size, px_per_mm=px_per_mm, units=units)
    _key(out, max(start, width / 2.7), size, curves, marks, bar)
    return out


def scale_bar(
    out: Picture, at: tuple[float, float], px_per_mm: float, room: float, size: int, units: Units
) -> float:
    """Draw a bar of a round length not longer than `room` px with its length in words under it; the width used."""
    per_unit = px_per_mm * (MM_PER_INCH if units == "inch" else 1.0)
    length = ink.nice_length(room / per_unit)
    long = length * per_unit
    x, y = at
    bar = round(0.45 * size)
    top, bottom = round(y + 0.5 * size), round(y + 0.5 * size) + bar
    tenths = 5 if f"{length:e}".startswith("5") else 2 if f"{length:e}".startswith("2") else 10
    edges = [x + long * i / tenths for i in range(tenths + 1)]
    for i, (a, b) in enumerate(itertools.pairwise(edges)):
        cv2.rectangle(out, (round(a), top), (round(b), bottom), BLACK if i % 2 == 0 else WHITE, -1)
    cv2.rectangle(out, (round(x), top), (round(x + long), bottom), BLACK, 1)
    for end in (edges[0], edges[-1]):
        cv2.line(out, (round(end), top - bar), (round(end), bottom + bar), BLACK, max(1, size // 10))
    unit = "in" if units == "inch" else "mm"
    words = f"{length:g} {unit}"
    ink.text(out, (x + 0.3 * size, bottom + 0.45 * size), words, size=size, bold=True)
    per, small = f"{per_unit:.1f} px/{unit}", round(0.8 * size)
    left = 0.9 * size + ink.font(size, True).getlength(words)
    ink.text(out, (x + left, bottom + 0.6 * size), per, size=small, colour=SOFT)
    return max(long, left + ink.font(small).getlength(per))


def _key(
    out: Picture,
    x: float,
    size: int,
    curves: Sequence[Curve],
    marks: Sequence[Mark],
    whisker: tuple[float, str] | None = None,
) -> None:
    """The lines that are in the picture and what they are, in the order of the registry; a whisker of this length and words."""
    small = round(0.8 * size)
    names = {curve.name for curve in curves} | {mark.name for mark in marks}
    looks = dict.fromkeys(look for look in LINES.values() if any(line_look(name) is look for name in names))
    unit = max(1.0, size / 16)
    across, y, swatch = x, 0.5 * size, 2.6 * size
    entries: list[tuple[str, Callable[[float, float], None]]] = [
        (look.text, lambda a, b, look=look: _swatch(out, a, b, swatch, look, unit))  # type: ignore[misc]
        for look in looks
    ]
    if sharp_corner(marks) is not None:
        entries.append(
            (
                "sharp corner would be here",
                lambda a, b: draw_cross(out, np.array([a + swatch / 2, b]), 0.7 * unit),
            )
        )
    if whisker is not None:
        long, words = whisker
        look = LineLook(words, VERMILLION, None, 1.5)
        entries.append((words, lambda a, b: _swatch(out, a + swatch - long, b, long, look, unit)))
    for words, draw in entries:
        wide = swatch + 0.5 * size + ink.font(small).getlength(words)
        if across + wide > out.shape[1] - size and across > x:
            across, y = x, y + 1.2 * size
        draw(across, y + 0.5 * small)
        ink.text(out, (across + swatch + 0.5 * size, y - 0.1 * small), words, size=small)
        across += wide + 1.2 * size


def _swatch(out: Picture, x: float, y: float, length: float, look: LineLook, unit: float) -> None:
    dash = None if look.dash is None else (look.dash[0] * unit, look.dash[1] * unit)
    ink.line(out, np.array([[x, y], [x + length, y]]), look.colour, width=look.width * unit, dash=dash)
