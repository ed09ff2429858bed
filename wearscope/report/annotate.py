"""The picture that shows why: the photo at full resolution, untouched but for thin lines, with the result beside it.

The photo sits at the top left, one photo pixel to one picture pixel. Words and numbers stand in a panel beside it
(under it where the photo is wide), never on it. The layout depends on nothing but the size of the photo, so
two looks at one photo can be laid over each other.
"""

import itertools
import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.facts import MM_PER_INCH
from wearscope.finding import Curve, Mark, WearMap
from wearscope.inspection import PhotoReport
from wearscope.photo.read import Photo
from wearscope.report import ink
from wearscope.report.ink import Picture
from wearscope.report.view import (
    BLACK,
    GRADES,
    LINES,
    RGB,
    VERMILLION,
    WHITE,
    Gauge,
    LineLook,
    Row,
    Sheet,
    Units,
    grade_look,
    line_look,
    photo_sheet,
)
from wearscope.report.whiskers import Whiskers, draw_whiskers, scale_words, whiskers

__all__ = ["annotate", "draw_sheet", "thumbnail"]

PAPER: RGB = (250, 250, 248)
SOFT: RGB = (85, 85, 85)
RULE: RGB = (205, 205, 200)
WIDE = 1.9
"""Photos wider than this many times their height carry their words below."""
WINDOWS = (1 / 8, 1 / 4, 1 / 2)
"""Sides of the enlarged window, as shares of the photo's shorter side."""


NEAR = 0.03
"""The outline is drawn where it is nearer than this to a fitted edge, as a share of the shorter side."""


@dataclass(frozen=True, slots=True)
class _Window:
    """The square part of the photo that is shown enlarged: top left corner and side, in px."""

    x: int
    y: int
    side: int


def annotate(
    photo: Photo, report: PhotoReport, *, units: Units = "mm", heading: str = "", notes: tuple[str, ...] = ()
) -> Picture:
    """The photo with what was found drawn on it and what it means written beside it.

    (height, width, 3) uint8, channels blue, green, red. `heading` names the cutter, `notes` are small print.
    """
    sheet = photo_sheet(report, units=units, heading=heading, notes=notes)
    scale = report.scale.px_per_mm
    return draw_sheet(
        photo, sheet, curves=report.curves, marks=report.marks, px_per_mm=scale, units=units, wear=report.wear
    )


def thumbnail(photo: Photo, report: PhotoReport, *, longest: int = 360) -> Picture:
    """The photo and its lines, small: the longer side is `longest` px at most."""
    plain = _eight_bit(photo)
    factor = min(1.0, longest / max(photo.size))
    width, height = (max(1, round(side * factor)) for side in photo.size)
    small = ink.resized(plain, width, height)
    shift = np.array([0.5, 0.5])
    curves = _outline_near_edges(report.curves, None, reach=NEAR * min(photo.size))

    def place(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((points + shift) * factor - shift, np.float64)

    _draw_lines(small, curves, report.marks, unit=1.0, place=place)
    _draw_pins(small, report.marks, unit=1.0, place=place)
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
    size = _letter(photo)
    window = _window(photo, curves, marks)
    width, height = photo.size
    curves = _outline_near_edges(curves, window, reach=NEAR * min(width, height))
    beside = width < WIDE * height
    column = 26 * size if beside else width // (2 if window is None else 3)
    plain = _eight_bit(photo)
    drawn = plain.copy()
    thin = max(1.0, size / 16)
    _draw_lines(drawn, curves, marks, unit=thin)
    if window is not None:
        _thin_inside(drawn, plain, curves, marks, window)
        _draw_brackets(drawn, window, size)
    gone = (
        None
        if wear is None or px_per_mm is None
        else whiskers(wear, photo.size, px_per_mm=px_per_mm, unit=thin)
    )
    if gone is not None:
        draw_whiskers(drawn, gone, unit=thin)
    _draw_pins(drawn, marks, unit=thin)
    left = _vstack([drawn, _strip(width, size, curves, marks, px_per_mm, units, gone)])
    verdict = _verdict(sheet, column, size)
    enlarged = _enlarged(plain, curves, marks, window, column, size, px_per_mm, units)
    values = _values(sheet, column, size)
    if beside:
        return _hstack([_vstack([left, _remarks(sheet, width, size)]), _vstack([verdict, enlarged, values])])
    first = _vstack([verdict, _remarks(sheet, column, size)])
    return _vstack([left, _hstack([first, values] if window is None else [first, enlarged, values])])


# ---------------------------------------------------------------- the photo and its lines


def _letter(photo: Photo) -> int:
    """Height of the letters in px: readable when the whole picture is shown on one screen."""
    width, height = photo.size
    return int(np.clip(round(math.sqrt(width * height) / 48), 13, 72))


def _eight_bit(photo: Photo) -> Picture:
    encoded = photo.encoded
    return np.asarray(encoded if encoded.dtype == np.uint8 else encoded >> 8, np.uint8).copy()


def _corner(marks: Sequence[Mark]) -> tuple[float, float] | None:
    return next((mark.px for mark in marks if mark.name == "virtual_corner"), None)


def _window(photo: Photo, curves: Sequence[Curve], marks: Sequence[Mark]) -> _Window | None:
    """The smallest usual window that holds what is missing at the corner, snapped to a grid.

    Snapping keeps the window where it is when the fitted corner moves by a few pixels.
    """
    corner = _corner(marks)
    if corner is None:
        return None
    width, height = photo.size
    short = min(width, height)
    reach = 2.5 * _missing_reach(corner, curves, marks)
    side = next(
        (round(short * share) for share in WINDOWS if short * share >= 2 * reach), round(short * WINDOWS[-1])
    )
    step = max(1, side // 4)
    x, y = (step * round((c - side / 2) / step) for c in corner)
    return _Window(int(np.clip(x, 0, width - side)), int(np.clip(y, 0, height - side)), side)


def _missing_reach(corner: tuple[float, float], curves: Sequence[Curve], marks: Sequence[Mark]) -> float:
    """How far from the virtual corner the arc and the ends of the lost edges reach, in px."""
    points = [curve.px for curve in curves if curve.name == "arc"]
    points += [
        np.array([mark.px]) for mark in marks if mark.name.startswith(("corner_loss", "recession", "arc"))
    ]
    if not points:
        return 0.0
    return float(np.hypot(*(np.vstack(points) - corner).T).max())


def _outline_near_edges(curves: Sequence[Curve], window: _Window | None, *, reach: float) -> list[Curve]:
    """All curves, but of the outline only the parts near fitted edges and in the window; all of it where nothing was fitted."""
    others = [curve for curve in curves if curve.name != "outline"]
    if not others:
        return list(curves)
    fitted = np.vstack([_dense(curve.px, reach / 2) for curve in others])
    near: list[Curve] = []
    for curve in curves:
        if curve.name == "outline" and len(curve.px):
            keep = _distance(curve.px, fitted) < reach
            if window is not None:
                low = np.array([window.x, window.y])
                keep |= ((curve.px >= low) & (curve.px < low + window.side)).all(axis=1)
            cuts = np.flatnonzero(np.diff(keep)) + 1
            parts = zip(np.split(curve.px, cuts), np.split(keep, cuts), strict=True)
            near += [Curve("outline", part) for part, kept in parts if kept[0]]
    return near + others


def _dense(points: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """The polyline with a point at least every `step` px."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.union1d(along, np.arange(0.0, along[-1], step))
    return np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])])


def _distance(points: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    """From each point to the nearest of the others."""
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(others).query(points)[0], np.float64)


Place = Callable[[NDArray[np.float64]], NDArray[np.float64]]


def _draw_lines(
    picture: Picture,
    curves: Sequence[Curve],
    marks: Sequence[Mark],
    *,
    unit: float,
    casing: float = 1.0,
    place: Place = lambda points: points,
) -> None:
    """Draw curves and the virtual corner in place.

    `unit` is the width of a thin line in px, `casing` that of the dark border, `place` turns photo px into picture px.
    """
    for curve in curves:
        look = line_look(curve.name)
        width = look.width * unit
        dash = None if look.dash is None else (look.dash[0] * unit, look.dash[1] * unit)
        ink.line(
            picture, place(curve.px), look.colour, width=width, dash=dash, closed=curve.closed, casing=casing
        )
    corner = _corner(marks)
    if corner is not None:
        _draw_cross(picture, place(np.array([corner]))[0], unit, casing, _inward(curves, corner))


def _draw_pins(
    picture: Picture, marks: Sequence[Mark], *, unit: float, place: Place = lambda points: points
) -> None:
    """Number the marks that belong to lines of the key, in place: C1, C2 for chips, H1 for heat, P1 for a patch, B1 for a bright line."""
    numbers: Counter[str] = Counter()
    for mark in marks:
        if mark.name.startswith(
            ("chip", "heat", "stuck", "land", "burr", "groove", "score", "flute", "patch", "bright")
        ):
            letter = mark.name[0].upper()
            numbers[letter] += 1
            at = place(np.array([mark.px], np.float64))[0]
            _draw_pin(picture, at, f"{letter}{numbers[letter]}", line_look(mark.name).colour, unit)


def _inward(curves: Sequence[Curve], corner: tuple[float, float]) -> NDArray[np.float64] | None:
    """From the virtual corner towards what is drawn of the cutter; None where nothing is."""
    if not curves:
        return None
    return np.asarray(np.vstack([curve.px for curve in curves]).mean(axis=0) - corner, np.float64)


def _draw_cross(
    picture: Picture,
    at: NDArray[np.float64],
    unit: float,
    casing: float = 1.0,
    inward: NDArray[np.float64] | None = None,
) -> None:
    """Diagonal ticks that leave the place itself free, and the side of the cutter."""
    for tick in np.array([[1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, -1.0]]):
        if inward is None or tick @ inward < 0.8 * math.sqrt(2) * math.hypot(*inward):
            ink.line(picture, at + tick * np.array([[7.0], [13.0]]) * unit, WHITE, width=unit, casing=casing)


def _draw_pin(picture: Picture, at: NDArray[np.float64], words: str, colour: RGB, unit: float) -> None:
    """An open ring round the place and its number on the quietest side."""
    size = round(14 * unit)
    radius = 9 * unit
    ink.disc(picture, (at[0], at[1]), radius, colour, width=1.5 * unit)
    box = (round(1.6 * size), round(1.3 * size))
    spots = [at + (radius + size) * np.array([math.cos(a), math.sin(a)]) for a in np.arange(8) * math.pi / 4]
    quietest = min(spots, key=lambda spot: _unrest(picture, spot, box))
    ink.text(
        picture,
        (quietest[0] - box[0] / 2, quietest[1] - box[1] / 2),
        words,
        size=size,
        colour=WHITE,
        bold=True,
        halo=True,
    )


def _unrest(picture: Picture, centre: NDArray[np.float64], box: tuple[int, int]) -> float:
    """How busy the picture is in a box; infinite where the box leaves it."""
    x, y = round(centre[0] - box[0] / 2), round(centre[1] - box[1] / 2)
    if x < 0 or y < 0 or x + box[0] > picture.shape[1] or y + box[1] > picture.shape[0]:
        return math.inf
    return float(picture[y : y + box[1], x : x + box[0]].std())


def _thin_inside(
    drawn: Picture, plain: Picture, curves: Sequence[Curve], marks: Sequence[Mark], window: _Window
) -> None:
    """Inside the window, where the corner must stay visible, draw hairlines without a casing instead."""
    part = (slice(window.y, window.y + window.side), slice(window.x, window.x + window.side))
    hair = plain.copy()
    _draw_lines(hair, curves, marks, unit=1.0, casing=0.0)
    drawn[part] = hair[part]


def _draw_brackets(picture: Picture, window: _Window, size: int) -> None:
    """The four corners of the enlarged window."""
    arm = window.side / 8
    for cx, sx in ((window.x, 1), (window.x + window.side - 1, -1)):
        for cy, sy in ((window.y, 1), (window.y + window.side - 1, -1)):
            corner = np.array([[cx + sx * arm, cy], [cx, cy], [cx, cy + sy * arm]], np.float64)
            ink.line(picture, corner, WHITE, width=max(1, size // 16))


# ---------------------------------------------------------------- under the photo: scale bar and key


def _strip(
    width: int,
    size: int,
    curves: Sequence[Curve],
    marks: Sequence[Mark],
    px_per_mm: float | None,
    units: Units,
    gone: Whiskers | None,
) -> Picture:
    """Scale bar at the left, key of the lines at the right; always the same height."""
    out = _paper(width, round(5.4 * size))
    if px_per_mm is None:
        ink.text(out, (size, size), "no scale", size=size, colour=SOFT)
        start = 7.0 * size
    else:
        start = 2.5 * size + _scale_bar(out, (size, 0.5 * size), px_per_mm, width / 3.2, size, units)
    bar = None
    if gone is not None and px_per_mm is not None:
        bar = scale_words(gone, 4 * size, px_per_mm=px_per_mm, units=units)
    _key(out, max(start, width / 2.7), size, curves, marks, bar)
    return out


def _scale_bar(
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
    if _corner(marks) is not None:
        entries.append(
            (
                "sharp corner would be here",
                lambda a, b: _draw_cross(out, np.array([a + swatch / 2, b]), 0.7 * unit),
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


# ---------------------------------------------------------------- beside the photo: blocks of one column


def _paper(width: int, height: int) -> Picture:
    return np.full((height, width, 3), PAPER[::-1], np.uint8)


class _Column:
    """A block of the panel that grows downward as it is written."""

    def __init__(self, width: int, size: int) -> None:
        self.width, self.size, self.margin = width, size, size
        self.y = 0.0
        self.picture = _paper(width, 8 * size)

    def room(self, height: float) -> None:
        """Make sure that `height` px more can be used."""
        while self.y + height > self.picture.shape[0]:
            self.picture = np.vstack([self.picture, _paper(self.width, self.picture.shape[0])])

    def write(
        self, words: str, *, scale: float = 1.0, bold: bool = False, colour: RGB = BLACK, indent: float = 0.0
    ) -> None:
        """Write wrapped words."""
        size = round(self.size * scale)
        left = self.margin + indent
        for piece in ink.wrap(words, size, self.width - self.margin - left, bold):
            self.room(1.4 * size)
            ink.text(self.picture, (left, self.y), piece, size=size, bold=bold, colour=colour)
            self.y += 1.35 * size

    def gap(self, letters: float) -> None:
        """Leave some letter heights free."""
        self.room(letters * self.size)
        self.y += letters * self.size

    def paste(self, other: Picture, x: int) -> None:
        """Put a picture at (x, current height), without moving on."""
        self.room(other.shape[0])
        y = round(self.y)
        self.picture[y : y + other.shape[0], x : x + other.shape[1]] = other

    def done(self) -> Picture:
        """The block, cut to what was used."""
        return self.picture[: max(1, round(self.y))]


def _verdict(sheet: Sheet, width: int, size: int) -> Picture:
    look = grade_look(sheet.grade)
    column = _Column(width, size)
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


def _enlarged(
    plain: Picture,
    curves: Sequence[Curve],
    marks: Sequence[Mark],
    window: _Window | None,
    width: int,
    size: int,
    px_per_mm: float | None,
    units: Units,
) -> Picture:
    """The corner twice, enlarged: as photographed and as measured."""
    column = _Column(width, size)
    if window is None:
        return column.done()
    side = (width - 3 * size) // 2
    zoom = side / window.side
    crop = plain[window.y : window.y + window.side, window.x : window.x + window.side]
    before = ink.resized(crop, side, side)
    after = before.copy()
    shift = np.array([window.x - 0.5, window.y - 0.5])
    _draw_lines(after, curves, marks, unit=max(1.0, size / 16), place=lambda p: (p - shift) * zoom - 0.5)
    column.paste(before, size)
    column.paste(after, 2 * size + side)
    column.y += side + 0.3 * size
    column.room(3 * size)
    small = round(0.8 * size)
    for x, words in ((size, "corner as photographed"), (2 * size + side, "corner as measured")):
        ink.text(column.picture, (x, column.y), words, size=small, colour=SOFT)
    column.y += 1.2 * size
    if px_per_mm is not None:
        _scale_bar(column.picture, (size, column.y - 0.5 * size), px_per_mm * zoom, side, size, units)
        column.gap(2.2)
    column.gap(0.4)
    return column.done()


def _values(sheet: Sheet, width: int, size: int) -> Picture:
    """What was judged with icon and gauge, then what else was measured, smaller."""
    column = _Column(width, size)
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


def _write_row(column: _Column, row: Row, size: int) -> None:
    """Label at the left, value at the right; on two lines where they do not fit on one."""
    left, right = 2.6 * column.size, column.width - column.size
    across = ink.font(size, True).getlength(row.value)
    ink.text(column.picture, (left, column.y), row.label, size=size)
    if left + ink.font(size).getlength(row.label) + size + across > right:
        column.y += 1.25 * size
        column.room(1.4 * size)
    ink.text(column.picture, (right - across, column.y), row.value, size=size, bold=True)
    column.y += 1.25 * size


def _draw_gauge(column: _Column, gauge: Gauge) -> None:
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


def _remarks(sheet: Sheet, width: int, size: int) -> Picture:
    column = _Column(width, size)
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


def _vstack(pictures: Sequence[Picture]) -> Picture:
    width = max(p.shape[1] for p in pictures)
    return np.vstack([_grown(p, width, p.shape[0]) for p in pictures])


def _hstack(pictures: Sequence[Picture]) -> Picture:
    height = max(p.shape[0] for p in pictures)
    return np.hstack([_grown(p, p.shape[1], height) for p in pictures])


def _grown(picture: Picture, width: int, height: int) -> Picture:
    out = _paper(width, height)
    out[: picture.shape[0], : picture.shape[1]] = picture
    return out
