"""What is drawn on the photo: lines, pins and the part of it that is shown enlarged."""

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Mark
from wearscope.photo.read import Photo
from wearscope.report import ink
from wearscope.report.ink import Picture
from wearscope.report.view import RGB, WHITE, line_look

__all__ = [
    "NEAR",
    "Window",
    "draw_brackets",
    "draw_cross",
    "draw_lines",
    "draw_pins",
    "eight_bit",
    "find_window",
    "letter_px",
    "outline_near_edges",
    "sharp_corner",
    "thin_inside",
]


WINDOWS = (1 / 8, 1 / 4, 1 / 2)
"""Sides of the enlarged window, as shares of the photo's shorter side."""
NEAR = 0.03
"""The outline is drawn where it is nearer than this to a fitted edge, as a share of the shorter side."""


Place = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Window:
    """The square part of the photo that is shown enlarged: top left corner and side, in px."""

    x: int
    y: int
    side: int


def letter_px(photo: Photo) -> int:
    """Height of the letters in px: readable when the whole picture is shown on one screen."""
    width, height = photo.size
    return int(np.clip(round(math.sqrt(width * height) / 48), 13, 72))


def eight_bit(photo: Photo) -> Picture:
    encoded = photo.encoded
    return np.asarray(encoded if encoded.dtype == np.uint8 else encoded >> 8, np.uint8).copy()


def sharp_corner(marks: Sequence[Mark]) -> tuple[float, float] | None:
    return next((mark.px for mark in marks if mark.name == "virtual_corner"), None)


def find_window(photo: Photo, curves: Sequence[Curve], marks: Sequence[Mark]) -> Window | None:
    """The smallest usual window that holds what is missing at the corner, snapped to a grid.

    Snapping keeps the window where it is when the fitted corner moves by a few pixels.
    """
    corner = sharp_corner(marks)
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
    return Window(int(np.clip(x, 0, width - side)), int(np.clip(y, 0, height - side)), side)


def _missing_reach(corner: tuple[float, float], curves: Sequence[Curve], marks: Sequence[Mark]) -> float:
    """How far from the virtual corner the arc and the ends of the lost edges reach, in px."""
    points = [curve.px for curve in curves if curve.name in ("arc", "broken corner")]
    points += [
        np.array([mark.px]) for mark in marks if mark.name.startswith(("corner_loss", "recession", "arc"))
    ]
    if not points:
        return 0.0
    return float(np.hypot(*(np.vstack(points) - corner).T).max())


def outline_near_edges(curves: Sequence[Curve], window: Window | None, *, reach: float) -> list[Curve]:
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


def draw_lines(
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
    corner = sharp_corner(marks)
    if corner is not None:
        draw_cross(picture, place(np.array([corner]))[0], unit, casing, _inward(curves, corner))


def draw_pins(
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


def draw_cross(
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


def thin_inside(
    drawn: Picture, plain: Picture, curves: Sequence[Curve], marks: Sequence[Mark], window: Window
) -> None:
    """Inside the window, where the corner must stay visible, draw hairlines without a casing instead."""
    part = (slice(window.y, window.y + window.side), slice(window.x, window.x + window.side))
    hair = plain.copy()
    draw_lines(hair, curves, marks, unit=1.0, casing=0.0)
    drawn[part] = hair[part]


def draw_brackets(picture: Picture, window: Window, size: int) -> None:
    """The four corners of the enlarged window."""
    arm = window.side / 8
    for cx, sx in ((window.x, 1), (window.x + window.side - 1, -1)):
        for cy, sy in ((window.y, 1), (window.y + window.side - 1, -1)):
            corner = np.array([[cx + sx * arm, cy], [cx, cy], [cx, cy + sy * arm]], np.float64)
            ink.line(picture, corner, WHITE, width=max(1, size // 16))
