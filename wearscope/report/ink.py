"""Lines and letters on pictures: cased lines that show on any ground, dashes, icons, wrapped text.

Pictures are (height, width, 3) uint8, channels blue, green, red; points are (x, y) with pixel centres at
integers; colours are given as red, green, blue.
"""

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.report.view import BLACK, RGB, GradeLook

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

__all__ = ["Picture", "dashes", "disc", "font", "icon", "line", "nice_length", "resized", "text", "wrap"]

Picture = NDArray[np.uint8]
Points = NDArray[np.float64]
_SHIFT = 4
CASING: RGB = (0, 0, 0)


def dashes(points: Points, on: float, off: float) -> list[Points]:
    """Cut a polyline (n, 2) into dashes `on` px long with gaps of `off` px, measured along the line."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    if along[-1] <= on:
        return [points]
    pieces = []
    for start in np.arange(0.0, along[-1], on + off):
        stop = min(start + on, along[-1])
        inside = along[(along > start) & (along < stop)]
        at = np.concatenate([[start], inside, [stop]])
        pieces.append(
            np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])])
        )
    return pieces


def _stroke(picture: Picture, pieces: list[Points], colour: RGB, width: int, closed: bool) -> None:
    fixed = [np.round(piece * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2) for piece in pieces]
    cv2.polylines(picture, fixed, closed, colour[::-1], width, cv2.LINE_AA, _SHIFT)


def line(
    picture: Picture,
    points: Points,
    colour: RGB,
    *,
    width: float = 1.0,
    dash: tuple[float, float] | None = None,
    closed: bool = False,
    casing: float = 1.0,
) -> None:
    """Draw a line of `width` px with a dark casing `casing` px wide on both sides, in place."""
    points = np.asarray(points, np.float64).reshape(-1, 2)
    if len(points) < 2:
        return
    if closed and dash:
        points, closed = np.vstack([points, points[:1]]), False
    pieces = dashes(points, *dash) if dash else [points]
    core = max(1, round(width))
    if casing > 0:
        _stroke(picture, pieces, CASING, core + 2 * max(1, round(casing)), closed)
    _stroke(picture, pieces, colour, core, closed)


def disc(picture: Picture, centre: tuple[float, float], radius: float, colour: RGB, *, width: float) -> None:
    """A cased circle of `radius` px round `centre`."""
    turn = np.linspace(0, 2 * np.pi, 49)[:-1]
    ring = np.column_stack([centre[0] + radius * np.cos(turn), centre[1] + radius * np.sin(turn)])
    line(picture, ring, colour, width=width, closed=True)


def icon(size: int, look: GradeLook, paper: RGB) -> Picture:
    """A grade's icon on `paper`, (size, size, 3)."""
    big = 4 * size
    out = np.full((big, big, 3), paper[::-1], np.uint8)
    body = np.round(np.array(look.body) * big).astype(np.int32)
    cv2.fillPoly(out, [body], look.fill[::-1])
    cv2.polylines(out, [body], True, look.ink[::-1], max(1, big // 24))
    for stroke in look.strokes:
        points = np.round(np.array(stroke) * big).astype(np.int32)
        cv2.polylines(out, [points], False, look.ink[::-1], max(1, big // 9))
    return resized(out, size, size)


def resized(picture: Picture, width: int, height: int) -> Picture:
    """The picture in another size: smoothly enlarged, or averaged where it shrinks."""
    shrinks = width < picture.shape[1]
    how = cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(picture, (width, height), interpolation=how), np.uint8)


@lru_cache(maxsize=32)
def font(size: int, bold: bool = False) -> "FreeTypeFont":
    """DejaVu Sans, as shipped with matplotlib, `size` px high."""
    import matplotlib
    from PIL import ImageFont

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name), size)


def text(
    picture: Picture,
    at: tuple[float, float],
    words: str,
    *,
    size: int,
    colour: RGB = BLACK,
    bold: bool = False,
    halo: bool = False,
) -> None:
    """Write `words` with their top left corner at `at`, in place; `halo` cases the letters in black."""
    from PIL import Image, ImageDraw

    face = font(size, bold)
    x, y = round(at[0]), round(at[1])
    pad = size // 4 + 2
    x0, y0 = max(0, x - pad), max(0, y - pad)
    x1 = min(picture.shape[1], x + round(face.getlength(words)) + 2 * pad)
    y1 = min(picture.shape[0], y + round(1.4 * size) + pad)
    if x1 <= x0 or y1 <= y0:
        return
    patch = Image.fromarray(np.ascontiguousarray(picture[y0:y1, x0:x1, ::-1]))
    stroke = max(1, size // 8) if halo else 0
    ImageDraw.Draw(patch).text(
        (x - x0, y - y0), words, fill=colour, font=face, stroke_width=stroke, stroke_fill=CASING
    )
    picture[y0:y1, x0:x1] = np.asarray(patch)[:, :, ::-1]


def wrap(words: str, size: int, width: float, bold: bool = False) -> list[str]:
    """Break `words` into lines no wider than `width` px; a single longer word is cut."""
    face = font(size, bold)
    lines: list[str] = []
    current = ""
    for word in words.split():
        while face.getlength(word) > width and len(word) > 1:
            keep = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or face.getlength(word[:n]) <= width)
            lines += [current] if current else []
            current = ""
            lines.append(word[:keep])
            word = word[keep:]
        trial = f"{current} {word}".strip()
        if face.getlength(trial) > width:
            lines.append(current)
            trial = word
        current = trial
    return [*lines, current] if current else lines


def nice_length(longest: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is not over `longest`."""
    power = 10.0 ** np.floor(np.log10(longest))
    return float(max(step * power for step in (1, 2, 5) if step * power <= longest * (1 + 1e-9)))
