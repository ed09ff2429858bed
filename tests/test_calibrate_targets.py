"""Scales of pictures whose exact scale follows from a pinhole camera (tests/drawn_targets.py)."""

import json
import os
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from drawn_targets import Pattern, View, bar, charuco, chessboard, disc, dots, draw, ruler, stage

from wearscope.calibrate.grid import measured_grid
from wearscope.calibrate.measure import calibrate_photo, read_target
from wearscope.errors import CalibrationError
from wearscope.photo.read import Photo, read_photo

DATE = "2026-03-01T12:00:00+00:00"
SMALL = {"width": 800, "height": 600}


def _photo(pattern: Pattern, view: View, *, seed: int = 1, quality: int = 90, **how: object) -> Photo:
    picture = draw(pattern, view, np.random.default_rng(seed), fine=3, **how)  # type: ignore[arg-type]
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return Photo("drawn.jpg", "0" * 64, cv2.imdecode(data, cv2.IMREAD_COLOR))


VIEWS = [
    View(**SMALL, px_per_mm=120, rotation_deg=3),
    View(**SMALL, px_per_mm=90, rotation_deg=-37, tilt_deg=5, axis_deg=70, k1=-0.02, centre_mm=(0.3, 1.0)),
    View(
        **SMALL,
        px_per_mm=70,
        rotation_deg=118,
        tilt_deg=10,
        axis_deg=15,
        focal_px=8000,
        k1=0.02,
        centre_mm=(2.2, 0.9),
    ),
    View(
        **SMALL,
        px_per_mm=100,
        rotation_deg=171,
        tilt_deg=3,
        axis_deg=120,
        centre_mm=(1.1, 1.4),
        mirrored=True,
    ),
]


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("kind", ["ruler", "chessboard", "dots"])
def test_half_mm_targets_give_the_exact_scale_at_the_centre(kind: str, view: View) -> None:
    pattern = {"ruler": ruler(spared=(3, 7, 8)), "chessboard": chessboard(), "dots": dots()}[kind]
    reading = read_target(_photo(pattern, view, noise=0.01), kind)
    true = view.truth()[0] if kind == "ruler" else np.mean(view.truth())
    assert reading.value / 0.5 == pytest.approx(true, rel=5e-4)
    assert abs(reading.value / 0.5 / true - 1) < 3 * reading.fit


@pytest.mark.parametrize(("pitch", "px_per_mm"), [(0.01, 450.0), (0.01, 800.0), (0.1, 70.0), (0.1, 200.0)])
@pytest.mark.parametrize("negative", [False, True])
def test_stage_micrometers_from_4_px_a_division_dark_or_light(
    pitch: float, px_per_mm: float, negative: bool
) -> None:
    view = View(**SMALL, px_per_mm=px_per_mm, rotation_deg=-12, tilt_deg=3, centre_mm=(40 * pitch, pitch))
    pattern = stage(pitch, width=0.25 * pitch, count=100)
    reading = read_target(_photo(pattern, view, blur=0.8, negative=negative), "stage")
    assert reading.value / pitch == pytest.approx(view.truth()[0], rel=1e-3)


@pytest.mark.parametrize(
    ("px_per_division", "negative"), [(2.8, False), (2.8, True), (2.2, True), (2.0, True)]
)
def test_longer_marks_are_not_taken_for_divisions(px_per_division: float, negative: bool) -> None:
    """Divisions too fine to be told apart: every fifth or tenth mark alone would make the scale that much too large."""
    view = View(**SMALL, px_per_mm=100 * px_per_division, rotation_deg=-7, centre_mm=(0.5, 0.01))
    photo = _photo(stage(0.01, width=0.0035, count=100), view, blur=0.7, negative=negative)
    with pytest.raises(CalibrationError, match=r"finer ones between them|grey band"):
        read_target(photo, "stage")
    reading = read_target(photo, "stage", longer_marks=True)
    seen = reading.value / px_per_division
    assert seen == pytest.approx(round(seen), rel=5e-3)
    assert round(seen) in (5, 10)


@pytest.mark.parametrize("mirrored", [False, True])
def test_charuco_board_of_unknown_size_also_mirrored(mirrored: bool) -> None:
    view = View(**SMALL, px_per_mm=70, rotation_deg=20, tilt_deg=6, k1=-0.01, mirrored=mirrored)
    reading = read_target(_photo(charuco(1.0), view), "charuco")
    assert reading.marks >= 24
    assert reading.value == pytest.approx(np.mean(view.truth()), rel=1e-3)


def test_coin_and_back_lit_pin() -> None:
    coin = View(**SMALL, px_per_mm=80, tilt_deg=8)
    reading = read_target(_photo(disc(4.0), coin), "disc")
    assert reading.value / 4.0 == pytest.approx(np.mean(coin.truth()), rel=1e-3)
    assert reading.tilt_deg == pytest.approx(8, abs=0.5)
    pin = View(**SMALL, px_per_mm=80, rotation_deg=25)
    reading = read_target(_photo(bar(3.0), pin), "disc")
    assert reading.value / 3.0 == pytest.approx(pin.truth()[0], rel=1e-3)


def test_tilt_rotation_and_distortion_are_reported() -> None:
    view = View(**SMALL, px_per_mm=90, rotation_deg=14, tilt_deg=9, axis_deg=40, k1=-0.02)
    calibration, _ = calibrate_photo(_photo(chessboard(), view), target="chessboard", date=DATE, pitch_mm=0.5)
    assert calibration.tilt_deg == pytest.approx(9, abs=0.2)
    assert calibration.rotation_deg == pytest.approx(
        14, abs=1.0
    )  # tilt itself turns the axis by up to 0.4 degrees
    assert calibration.distortion == pytest.approx(-0.02, abs=0.001)
    assert calibration.parts["print"] == 0.01
    assert calibration.flags == ("scale_unchecked",)


@pytest.mark.parametrize("kind", ["ruler", "stage", "chessboard", "charuco", "dots", "disc"])
def test_a_picture_without_a_target_is_refused_with_advice(kind: str) -> None:
    rng = np.random.default_rng(5)
    cloudy = cv2.GaussianBlur(rng.normal(0, 1, (480, 640)).astype(np.float32), (0, 0), 4)
    grey = np.clip(120 + 300 * cloudy, 0, 255).astype(np.uint8)
    photo = Photo("clouds.jpg", "0" * 64, np.dstack([grey] * 3))
    with pytest.raises(CalibrationError, match=f"clouds.jpg: no .* found: .*check that --target {kind}"):
        read_target(photo, kind)


@pytest.mark.parametrize(
    ("shown", "asked"),
    [("chessboard", "ruler"), ("ruler", "chessboard"), ("ruler", "dots"), ("dots", "ruler")],
)
def test_the_wrong_kind_is_refused(shown: str, asked: str) -> None:
    pattern = {"ruler": ruler(), "chessboard": chessboard(), "dots": dots()}[shown]
    with pytest.raises(CalibrationError, match="found"):
        read_target(_photo(pattern, View(**SMALL, px_per_mm=120, rotation_deg=6)), asked)


@pytest.mark.parametrize(("astray", "refused"), [(0.002, False), (0.02, True)])
def test_points_that_only_happen_to_be_regular_carry_no_scale(astray: float, refused: bool) -> None:
    """Three rows of five, `astray` of a pitch off their places: too few to make up for much."""
    rng = np.random.default_rng(1)
    node = np.array([(column, row) for row in range(3) for column in range(5)])
    points = 200 + 95.0 * (node + rng.normal(0, astray, node.shape))
    grid, reason = measured_grid(points, node, (640, 480))
    assert (grid is None) == refused
    assert ("only to" in reason) == refused


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["ruler", "chessboard", "dots"])
def test_the_fit_part_covers_over_many_views(kind: str) -> None:
    pattern = {"ruler": ruler(), "chessboard": chessboard(), "dots": dots()}[kind]
    inside = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        view = View(
            **SMALL,
            px_per_mm=float(rng.uniform(50, 130)),
            rotation_deg=float(rng.uniform(-180, 180)),
            tilt_deg=float(rng.uniform(0, 10)),
            axis_deg=float(rng.uniform(0, 180)),
            k1=float(rng.uniform(-0.02, 0.02)),
            centre_mm=(float(rng.uniform(0, 3)), float(rng.uniform(0.5, 1.5))),
        )
        reading = read_target(_photo(pattern, view, seed=seed, noise=0.01), kind)
        true = view.truth()[0] if kind == "ruler" else np.mean(view.truth())
        inside.append(abs(reading.value / 0.5 / true - 1) <= 2 * reading.fit)
    assert np.mean(inside) >= 0.9


def _folder(variable: str) -> Path:
    folder = os.environ.get(variable)
    if not folder:
        pytest.skip(f"{variable} is not set: no folder of pictures to try")
    return Path(folder)


KINDS = {
    "micrometer_10um": "stage",
    "micrometer_100um": "stage",
    "ruler": "ruler",
    "chessboard": "chessboard",
    "dot_grid": "dots",
}


@pytest.mark.parametrize("light", [1.0, 0.55], ids=["as rendered", "dim"])
def test_rendered_scales_of_an_independent_program(light: float) -> None:
    scales = sorted(_folder("WEARSCOPE_RENDERS").glob("E*.json"))
    assert scales
    for path in scales:
        truth = json.loads(path.read_text())
        kind = KINDS[truth["scale_kind"]]
        along = truth["px_per_mm_centre_along_x"], truth["px_per_mm_centre_along_y"]
        true = along[0] if kind in ("ruler", "stage") else sum(along) / 2
        photo = read_photo(path.with_suffix(".jpg"))
        photo = replace(photo, encoded=np.round(photo.encoded * light).astype(np.uint8))
        reading = read_target(photo, kind)
        assert reading.value / truth["pitch_mm"] == pytest.approx(true, rel=1e-3), path.name
        assert abs(reading.value / truth["pitch_mm"] / true - 1) <= 2 * reading.fit, path.name


@pytest.mark.parametrize(
    ("name", "by_hand", "within"), [("scale_ruler_usb", 100.0, 0.01), ("scale_ruler_half_mm", 17.6, 0.007)]
)
def test_real_rulers_against_a_measurement_by_hand(name: str, by_hand: float, within: float) -> None:
    photo = read_photo(_folder("WEARSCOPE_REAL_PHOTOS") / f"{name}.jpg")
    calibration, _ = calibrate_photo(photo, target="ruler", date=DATE, pitch_mm=0.5)
    assert calibration.px_per_mm == pytest.approx(by_hand, rel=within)
    assert calibration.px_per_mm_mean == pytest.approx(by_hand, rel=within)


def test_real_cutters_are_not_taken_for_rulers() -> None:
    photos = sorted(_folder("WEARSCOPE_REAL_PHOTOS").glob("corner_*.jpg"))[:3]
    assert photos
    for path in photos:
        with pytest.raises(CalibrationError, match="no marks"):
            read_target(read_photo(path), "ruler")
