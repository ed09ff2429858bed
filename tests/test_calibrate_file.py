"""The calibration file, its facts and the command."""

import json
import pickle
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest
import typer
from drawn_targets import View, chessboard, draw
from typer.testing import CliRunner

from wearscope.calibrate.calibration import Calibration, load_calibration, save_calibration
from wearscope.calibrate.measure import parse_target_uncertainty
from wearscope.cli.calibrate import register
from wearscope.errors import CalibrationError, InputError

MADE = Calibration(
    photo="scale.jpg",
    sha256="ab" * 32,
    size=(1280, 960),
    date="2026-03-01T12:00:00+00:00",
    target="stage",
    px_per_mm=241.25,
    parts={"fit": 1e-4, "target": 1e-3, "print": 0.0},
    pitch_mm=0.01,
    px_per_mm_x=241.25,
    certificate='No. 7 "A"',
    rotation_deg=-3.5,
    marks=101,
    flags=("scale_unchecked",),
)


def test_what_is_saved_is_loaded(tmp_path: Path) -> None:
    save_calibration(MADE, tmp_path / "c.toml")
    assert load_calibration(tmp_path / "c.toml") == MADE
    assert [p.name for p in tmp_path.iterdir()] == ["c.toml"]
    document = tomllib.loads((tmp_path / "c.toml").read_text("utf-8"))
    assert document["schema"] == "wearscope/calibration/1"
    assert document["photo"]["sha256"] == "ab" * 32
    assert pickle.loads(pickle.dumps(MADE)) == MADE


def test_scale_for_a_photo_of_the_same_size_only() -> None:
    scale = MADE.scale_for((1280, 960))
    assert scale.px_per_mm == 241.25
    assert scale.relative_uncertainty == pytest.approx(np.hypot(1e-4, 1e-3))
    with pytest.raises(CalibrationError, match="1280 x 960 px and the photo has 640 x 480"):
        MADE.scale_for((640, 480))


@pytest.mark.parametrize(
    "spoil",
    [("calibration/1", "calibration/9"), ("px_per_mm = 241.25", ""), ("[scale]", "[scale"), ("abab", "xyxy")],
)
def test_a_damaged_file_is_refused_with_its_name(tmp_path: Path, spoil: tuple[str, str]) -> None:
    path = tmp_path / "c.toml"
    save_calibration(MADE, path)
    path.write_text(path.read_text("utf-8").replace(*spoil), "utf-8")
    with pytest.raises(CalibrationError, match=r"c\.toml: .*wearscope calibrate"):
        load_calibration(path)


def test_a_missing_file_and_a_missing_folder(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match="cannot be read"):
        load_calibration(tmp_path / "none.toml")
    with pytest.raises(CalibrationError, match="cannot be written"):
        save_calibration(MADE, tmp_path / "no" / "c.toml")


@pytest.mark.parametrize(
    ("text", "relative"), [("0.2%", 0.001), ("0.2", 0.001), ("2um", 0.001), ("0.002mm", 0.001)]
)
def test_target_uncertainty_is_expanded_and_over_the_marks_seen(text: str, relative: float) -> None:
    assert parse_target_uncertainty(text, span_mm=1.0) == pytest.approx(relative)


@pytest.mark.parametrize("text", ["", "x", "-1%", "90%", "nan"])
def test_target_uncertainty_that_makes_no_sense(text: str) -> None:
    with pytest.raises(InputError, match=r"0\.2%"):
        parse_target_uncertainty(text, span_mm=1.0)


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("board") / "board.png"
    view = View(width=640, height=480, px_per_mm=80, rotation_deg=5)
    cv2.imwrite(str(path), draw(chessboard(), view, np.random.default_rng(0), fine=3))
    return path


def _run(*words: str) -> tuple[int, str, BaseException | None]:
    app = typer.Typer()
    register(app)
    result = CliRunner().invoke(app, list(words))
    return result.exit_code, result.stdout, result.exception


def test_command_writes_the_file_and_one_json_document(board: Path, tmp_path: Path) -> None:
    out, marks = tmp_path / "c.toml", tmp_path / "marks.png"
    words = ["calibrate", str(board), "--target", "chessboard", "--pitch", "0.5", "--output", str(out)]
    code, text, _ = _run(*words, "--json", "--marks-picture", str(marks))
    document = json.loads(text)
    assert code == 0
    assert document["px_per_mm"]["value"] == pytest.approx(80, rel=1e-3)
    assert document["px_per_mm"]["uncertainty"] == pytest.approx(
        2 * 0.01 * 80, rel=0.01
    )  # printed, unchecked: 1 %
    assert load_calibration(out).px_per_mm == document["px_per_mm"]["value"]
    assert cv2.imread(str(marks)).shape == (480, 640, 3)


def test_measured_check_lines_replace_the_print_part(board: Path, tmp_path: Path) -> None:
    words = [
        "calibrate",
        str(board),
        "--target",
        "chessboard",
        "--pitch",
        "0.5",
        "--output",
        str(tmp_path / "c.toml"),
        "--json",
    ]
    code, text, _ = _run(*words, "--check-line-measured", "99.0", "--check-line-measured", "99.4")
    document = json.loads(text)
    assert code == 0
    assert document["px_per_mm"]["value"] == pytest.approx(80 / 0.992, rel=1e-3)
    assert document["relative_parts"]["print"] == 0.001
    assert document["flags"] == []


@pytest.mark.parametrize(
    "words",
    [
        ["--target", "chessboard"],
        ["--target", "disc", "--pitch", "0.5"],
        ["--target", "chessboard", "--pitch", "-1"],
        ["--target", "ruler", "--pitch", "0.5", "--check-line-measured", "99"],
        ["--target", "chessboard", "--pitch", "0.5", "--check-line-measured", "10"],
        ["--target", "chessboard", "--pitch", "wide"],
    ],
)
def test_facts_that_make_no_sense_write_nothing(board: Path, tmp_path: Path, words: list[str]) -> None:
    code, text, _ = _run("calibrate", str(board), *words, "--output", str(tmp_path / "c.toml"), "--json")
    assert code != 0
    assert text == ""
    assert not list(tmp_path.iterdir())
