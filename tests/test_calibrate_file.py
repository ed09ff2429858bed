"""The calibration file, its facts and the command."""

import json
import pickle
import tomllib
from dataclasses import replace
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
from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.photo.read import decode_photo
from wearscope.pipeline import TypedScale, inspect_photo
from wearscope.synthetic import Camera, Look, corner_scene, encode_jpeg, photograph

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
    with_white = replace(MADE, white=(0.8, 1.0, 1.1), white_photo="card.jpg")
    save_calibration(with_white, tmp_path / "c.toml")
    assert load_calibration(tmp_path / "c.toml") == with_white


def test_scale_for_a_photo_of_the_same_size_only() -> None:
    scale = MADE.scale_for((1280, 960))
    assert scale.px_per_mm == 241.25
    assert scale.relative_uncertainty == pytest.approx(np.hypot(1e-4, 1e-3))
    with pytest.raises(CalibrationError, match="1280 x 960 px and the photo has 640 x 480"):
        MADE.scale_for((640, 480))


@pytest.mark.parametrize(
    "spoil",
    [
        ("calibration/1", "calibration/9"),
        ("px_per_mm = 241.25", ""),
        ("[scale]", "[scale"),
        ("abab", "xyxy"),
        ("blue = 0.8", "blue = 0.0"),
    ],
)
def test_a_damaged_file_is_refused_with_its_name(tmp_path: Path, spoil: tuple[str, str]) -> None:
    path = tmp_path / "c.toml"
    save_calibration(replace(MADE, white=(0.8, 1.0, 1.1)), path)
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


def card(path: Path, bgr: tuple[int, int, int]) -> str:
    cv2.imwrite(str(path), np.full((480, 640, 3), bgr, np.uint8))
    return str(path)


def test_the_light_of_a_grey_card_is_kept(board: Path, tmp_path: Path) -> None:
    # sRGB codes 109, 118, 127 are 0.1529, 0.1812, 0.2122 of linear light (IEC 61966-2-1).
    out = tmp_path / "c.toml"
    words = ["calibrate", str(board), "--target", "chessboard", "--pitch", "0.5", "--output", str(out)]
    code, text, _ = _run(*words, "--grey-card", card(tmp_path / "card.png", (109, 118, 127)))
    assert code == 0
    assert "grey card: blue 0.844, red 1.171 of green" in text
    kept = load_calibration(out)
    assert kept.white == pytest.approx((0.1529 / 0.1812, 1.0, 0.2122 / 0.1812), rel=1e-3)
    assert kept.white_photo == "card.png"
    _, text, _ = _run(*words, "--grey-card", str(tmp_path / "card.png"), "--json")
    assert json.loads(text)["white"] == {
        "photo": "card.png",
        "blue": kept.white[0],
        "green": 1.0,
        "red": kept.white[2],
    }
    _run(*words)
    assert load_calibration(out).white is None


def test_a_card_that_is_no_grey_card_stops_the_calibration(board: Path, tmp_path: Path) -> None:
    out = tmp_path / "c.toml"
    words = ["calibrate", str(board), "--target", "chessboard", "--pitch", "0.5", "--output", str(out)]
    code, _, error = _run(*words, "--grey-card", card(tmp_path / "card.png", (40, 118, 230)))
    assert code != 0
    assert "card.png: no even grey" in str(error)
    assert not out.exists()


def test_the_calibrations_white_reaches_the_measuring(tmp_path: Path) -> None:
    """A gold cutter before black under a light that makes it look grey: only the card tells."""
    gains = np.array([1.7, 1.0, 0.75])
    scene = corner_scene(
        np.random.default_rng(3),
        size=(640, 480),
        px_per_mm=160,
        corner_px=(400, 300),
        look=Look(background="dark", finish="gold"),
    )
    camera = Camera(blur_px=1.0, white_balance=(float(gains[0]), float(gains[1]), float(gains[2])))
    data = encode_jpeg(photograph(scene, camera, np.random.default_rng(1))[0], 95)
    with_card = replace(MADE, size=(640, 480), px_per_mm=160.0, white=tuple(gains), white_photo="card.png")
    save_calibration(with_card, tmp_path / "c.toml")
    told = [
        inspect_photo(
            decode_photo(data, "gold.jpg"),
            scale_source=source,
            facts=Facts("flat", "carbide", 6.0, 2),
            limits=load_limits(),
        ).photos[0]
        for source in (TypedScale(160.0), load_calibration(tmp_path / "c.toml"))
    ]
    assert "tint:coating" not in told[0].flags
    assert "tint:coating" in told[1].flags
    assert any("white from the calibration's grey card" in remark for remark in told[1].remarks)


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
