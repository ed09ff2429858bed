"""A sheet to print: a chessboard or ChArUco board of known pitch, and two 100 mm lines to measure the print by."""

import os
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from wearscope.calibrate.targets import CHECK_LINE_MM
from wearscope.errors import CalibrationError, InputError

__all__ = ["PAPERS_MM", "write_sheet"]

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height (ISO 216; ANSI Y14.1)."""
BOARD_MM = 60.0
"""The pattern is at most this large: far more than a microscope sees, small enough to lie flat."""
SMALLEST_MM = {"chessboard": 0.5, "charuco": 3.0}
"""Below this a 600 dpi printer (0.042 mm a dot) no longer draws the squares, or the markers' cells, cleanly."""
MARKER_SHARE = 0.7
"""Side of a marker over the side of its square."""
Rectangle = tuple[float, float, float, float]


def write_sheet(path: str | Path, *, kind: str, pitch_mm: float, paper: str = "a4") -> None:
    """Write a vector PDF or SVG (by the name's ending), at true size.

    Raises InputError for a pattern, pitch, paper or ending that cannot be made, CalibrationError where it cannot be written.
    """
    path = Path(path)
    ending = path.suffix.lower().lstrip(".")
    if ending not in ("pdf", "svg"):
        raise InputError(f"{path}: the sheet is written as .pdf or .svg; choose one of these endings")
    if kind not in SMALLEST_MM or paper not in PAPERS_MM:
        raise InputError(f"no sheet {kind!r} on {paper!r}; choose chessboard or charuco, on a4 or letter")
    if not SMALLEST_MM[kind] <= pitch_mm <= BOARD_MM / 6:
        raise InputError(
            f"a printed {kind} needs squares of {SMALLEST_MM[kind]:g} to {BOARD_MM / 6:g} mm, not {pitch_mm:g} mm; "
            "for finer marks use a stage micrometer"
        )
    part = path.with_name(path.name + ".part")
    try:
        _save(part, ending, kind, pitch_mm, PAPERS_MM[paper])
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise CalibrationError(
            f"{path}: cannot be written ({error.strerror}); choose a folder you may write to"
        ) from error


def _save(path: Path, ending: str, kind: str, pitch: float, paper: tuple[float, float]) -> None:
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    width, height = paper
    with rc_context({"svg.hashsalt": "wearscope", "svg.fonttype": "none"}):
        figure = Figure(figsize=(width / 25.4, height / 25.4))
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set(xlim=(0, width), ylim=(0, height))
        axes.axis("off")
        count = int(BOARD_MM / pitch)
        size = count * pitch
        _paint(
            axes,
            _chessboard(count, pitch) if kind == "chessboard" else _charuco(count, pitch),
            (20.0, height - 20 - size),
        )
        _check_lines(axes, height)
        _words(axes, kind, pitch, count, height)
        dated = {"CreationDate": None} if ending == "pdf" else {"Date": None}
        figure.savefig(path, format=ending, metadata=dated)


def _paint(axes: Any, rectangles: list[Rectangle], corner: tuple[float, float]) -> None:
    from matplotlib.collections import PolyCollection

    x, y, w, h = np.array(rectangles).T
    x, y = x + corner[0], y + corner[1]
    outline = np.stack([np.column_stack(p) for p in ((x, y), (x + w, y), (x + w, y + h), (x, y + h))], axis=1)
    axes.add_collection(PolyCollection(list(outline), facecolors="black", edgecolors="none", linewidths=0))


def _dark(i: int, j: int, count: int) -> bool:
    """Column `i` from the left, row `j` from the bottom; the square at the top left is dark."""
    return (i + count - 1 - j) % 2 == 0


def _chessboard(count: int, pitch: float) -> list[Rectangle]:
    squares = [(i, j) for i in range(count) for j in range(count) if _dark(i, j, count)]
    return [(i * pitch, j * pitch, pitch, pitch) for i, j in squares]


def _charuco(count: int, pitch: float) -> list[Rectangle]:
    """A chessboard with a marker of the 5 x 5 dictionary in every white square, numbered from the top left."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    cells = 7
    cell, rim = MARKER_SHARE * pitch / cells, (1 - MARKER_SHARE) / 2 * pitch
    rectangles, number = _chessboard(count, pitch), 0
    for j in reversed(range(count)):
        for i in range(count):
            if _dark(i, j, count):
                continue
            dark = cv2.aruco.generateImageMarker(dictionary, number, cells) == 0
            number += 1
            rectangles += [
                (i * pitch + rim + column * cell, j * pitch + rim + (cells - 1 - row) * cell, cell, cell)
                for row, column in np.argwhere(dark)
            ]
    return rectangles


def _check_lines(axes: Any, height: float) -> None:
    """Two lines with end bars whose outer faces are 100 mm apart, one across and one down."""
    bar, left, low = 0.5, 20.0, 40.0
    lines = [
        (left, low, CHECK_LINE_MM, 0.3),
        (left, low - 3, bar, 6.0),
        (left + CHECK_LINE_MM - bar, low - 3, bar, 6.0),
    ]
    side = 150.0
    lines += [
        (side, low, 0.3, CHECK_LINE_MM),
        (side - 3, low, 6.0, bar),
        (side - 3, low + CHECK_LINE_MM - bar, 6.0, bar),
    ]
    _paint(axes, lines, (0.0, 0.0))


def _words(axes: Any, kind: str, pitch: float, count: int, height: float) -> None:
    axes.text(20, height - 15, f"{kind}, squares of {pitch:g} mm ({count} x {count})", fontsize=10)
    axes.text(20, 46, "across: 100 mm over the outer faces of the end bars", fontsize=8)
    axes.text(147, 90, "down: 100 mm over the outer faces", fontsize=8, rotation=90, ha="right", va="center")
    lines = (
        "Print at 100 %, without fitting to the page, on matt paper. Measure both lines with a calliper and enter them:",
        "wearscope calibrate PHOTO ... --check-line-measured ACROSS --check-line-measured DOWN",
    )
    for row, line in enumerate(lines):
        axes.text(20, 25 - 5 * row, line, fontsize=8)
