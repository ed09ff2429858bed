"""The printable sheet: true size, and readable by OpenCV's own detectors."""

import re
from pathlib import Path

import cv2
import numpy as np
import pytest
import typer
from pypdf import PdfReader
from typer.testing import CliRunner

from wearscope.calibrate.sheet import write_sheet
from wearscope.cli.calibrate import register
from wearscope.errors import InputError

POINT_MM = 25.4 / 72


@pytest.mark.parametrize(
    ("paper", "size"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))]
)  # ISO 216, ANSI Y14.1
def test_pdf_has_the_size_of_the_paper(tmp_path: Path, paper: str, size: tuple[float, float]) -> None:
    write_sheet(tmp_path / "t.pdf", kind="chessboard", pitch_mm=2.0, paper=paper)
    box = PdfReader(tmp_path / "t.pdf").pages[0].mediabox
    assert (float(box.width) * POINT_MM, float(box.height) * POINT_MM) == pytest.approx(size, abs=0.01)


def _rectangles_mm(path: Path) -> np.ndarray:
    """Left, top, right, bottom (n, 4) in mm of the black figures of an SVG in points."""
    found = []
    for d in re.findall(r'<path d="(M[^"]*?)"', path.read_text("utf-8")):
        xy = np.array(re.findall(r"(-?[\d.]+) (-?[\d.]+)", d), float) * POINT_MM
        found.append([*xy.min(axis=0), *xy.max(axis=0)])
    return np.array(found)


def test_check_lines_are_100_mm_and_squares_have_their_pitch(tmp_path: Path) -> None:
    write_sheet(tmp_path / "t.svg", kind="chessboard", pitch_mm=3.0)
    size = _rectangles_mm(tmp_path / "t.svg")
    width, height = size[:, 2] - size[:, 0], size[:, 3] - size[:, 1]
    assert np.sum(np.isclose(width, 100, atol=1e-3) & np.isclose(height, 0.3, atol=1e-3)) == 1
    assert np.sum(np.isclose(height, 100, atol=1e-3) & np.isclose(width, 0.3, atol=1e-3)) == 1
    assert (
        np.sum(np.isclose(width, 3, atol=1e-3) & np.isclose(height, 3, atol=1e-3)) == 200
    )  # half of 20 x 20


def test_opencv_reads_the_charuco_board(tmp_path: Path) -> None:
    write_sheet(tmp_path / "t.svg", kind="charuco", pitch_mm=6.0)
    page = np.full((2970, 2100), 255, np.uint8)
    for x0, y0, x1, y1 in np.round(_rectangles_mm(tmp_path / "t.svg") * 10).astype(int):
        if x1 - x0 < 1500:
            page[y0:y1, x0:x1] = 0
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    board = cv2.aruco.CharucoBoard((10, 10), 6.0, 4.2, dictionary)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(page)
    assert ids is not None
    assert len(corners) == 81


@pytest.mark.parametrize(
    ("name", "kind", "pitch"),
    [("t.png", "chessboard", 1), ("t.pdf", "chessboard", 0.1), ("t.pdf", "charuco", 1), ("t.svg", "dots", 1)],
)
def test_what_cannot_be_printed_is_refused(tmp_path: Path, name: str, kind: str, pitch: float) -> None:
    with pytest.raises(InputError):
        write_sheet(tmp_path / name, kind=kind, pitch_mm=pitch)
    assert not list(tmp_path.iterdir())


def test_command(tmp_path: Path) -> None:
    app = typer.Typer()
    register(app)
    out = tmp_path / "t.pdf"
    result = CliRunner().invoke(
        app, ["target", "--kind", "charuco", "--pitch", "4mm", "--output", str(out), "--paper", "letter"]
    )
    assert result.exit_code == 0, result.output
    assert out.read_bytes().startswith(b"%PDF")
