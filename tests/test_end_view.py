"""The view along the axis at the tip, on drawn ends with exact truth: counted right or refused, never guessed."""

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wearscope.facts import Facts
from wearscope.features.end_view import measure_end
from wearscope.finding import Finding
from wearscope.geometry.scale import Scale
from wearscope.grading.limits import load_limits
from wearscope.inspection import Inspection
from wearscope.photo.read import Photo, decode_photo, read_photo
from wearscope.pipeline import TypedScale, inspect_photo
from wearscope.synthetic import Camera, Look, corner_scene, encode_jpeg, end_scene, photograph

CAMERA = Camera(blur_px=1.2, full_well_e=9000, read_e=6, bayer=True, vignetting=0.15)


def drawn(case: int, *, flutes: int, **changes: Any) -> tuple[Photo, dict[str, Any]]:
    rng = np.random.default_rng(700 + case)
    settings: dict[str, Any] = {
        "size": (1024, 768),
        "px_per_mm": float(rng.uniform(70, 100)),
        "rotation_deg": float(rng.uniform(0, 360)),
        "centre_cutting": bool(case % 2),
        "look": Look(background=("dark", "desk", "paper")[case % 3], finish=("carbide", "hss")[case % 2]),
    } | changes
    picture, truth = photograph(end_scene(rng, flutes=flutes, **settings), CAMERA, rng)
    return decode_photo(encode_jpeg(picture, 92), f"end{case}.jpg"), truth


def measured(photo: Photo, truth: dict[str, Any], **given: Any) -> Finding:
    return measure_end(photo, Scale(truth["px_per_mm"]), **given)


def short_flutes(case: int) -> tuple[float, ...]:
    """None, or each flute by chance up to 0.1 mm short."""
    return (
        tuple(np.random.default_rng(case).choice([0, 0, -0.02, -0.05, -0.1], 1 + case % 5))
        if case % 2
        else ()
    )


def check_ends(cases: range) -> None:
    """Every count is right, nearly all pictures are counted; bounds of radii, spread and gap hold; no plunge where no edge reaches the centre."""
    counted, radii_hold, spreads_hold, measurable, reach_right, reach_told = 0, [], [], 0, 0, 0
    gaps_hold = []
    for case in cases:
        flutes = 1 + case % 5
        photo, truth = drawn(
            case, flutes=flutes, radius_offsets_mm=short_flutes(case), centre_cutting=bool(case // 3 % 2)
        )
        finding = measured(photo, truth)
        if "flute_count" not in finding.quantities:
            assert "end_unclear" in finding.flags
            assert finding.not_measured["flute_count"]
            continue
        counted += 1
        assert finding.quantities["flute_count"].value == flutes
        measurable += flutes > 1
        if "end_edge_gap" not in finding.quantities:
            continue
        true = matched(finding, truth)
        for k, radius in enumerate(true, start=1):
            quantity = finding.quantities[f"flute_{k}_radius"]
            radii_hold.append(abs(quantity.value - radius) < quantity.expanded)
        low, high = finding.quantities["corner_radius_spread"].bounds(floor=0.0)
        spreads_hold.append(low <= np.ptp(true) <= high)
        low, high = finding.quantities["end_edge_gap"].bounds(floor=0.0)
        gaps_hold.append(low <= truth["end_edge_gap_mm"] <= high)
        words = finding.remarks[0]
        assert not (words.startswith("an end edge reaches") and not truth["edge_reaches_centre"])
        reach_told += "cannot be told" not in words
        reach_right += words.startswith("an end edge reaches" if truth["edge_reaches_centre"] else "no edge")
    assert counted >= 0.85 * len(cases)
    assert len(spreads_hold) >= 0.85 * measurable
    assert np.mean(radii_hold) >= 0.93
    assert np.mean(spreads_hold) >= 0.93
    assert np.mean(gaps_hold) >= 0.9
    assert reach_right >= 0.9 * reach_told
    assert reach_told >= 0.8 * len(spreads_hold)


def matched(finding: Finding, truth: dict[str, Any]) -> np.ndarray:
    """The true radius of each corner found, by its place."""
    marks = np.array([mark.px for mark in finding.marks if mark.name == "flute"])
    away = np.hypot(*(marks[:, None] - np.array(truth["corners_px"])).transpose(2, 0, 1))
    assert away.min(axis=1).max() < 0.03 * 3 * truth["px_per_mm"]
    return np.array(truth["corner_radius_from_axis_mm"])[away.argmin(axis=1)]


def test_ends_are_measured_within_their_uncertainty_or_refused() -> None:
    check_ends(range(30))


@pytest.mark.slow
def test_ends_are_measured_within_their_uncertainty_or_refused_full_count() -> None:
    check_ends(range(1000, 1300))


@pytest.mark.parametrize("flutes", [2, 3, 4])
def test_one_short_flute_is_named(flutes: int) -> None:
    photo, truth = drawn(3, flutes=flutes, radius_offsets_mm=(*(0.0,) * (flutes - 1), -0.12))
    finding = measured(photo, truth)
    spread = finding.quantities["corner_radius_spread"]
    short = 1 + int(np.argmin(matched(finding, truth)))
    assert spread.kind == "value"
    assert spread.value == pytest.approx(0.12, abs=spread.expanded)
    assert f"flute {short} of this picture stands back" in finding.remarks[1]


@pytest.mark.parametrize("reaches", [True, False])
def test_the_gap_before_the_centre_in_a_larger_picture(reaches: bool) -> None:
    photo, truth = drawn(
        3,
        flutes=3,
        size=(1600, 1200),
        px_per_mm=140.0,
        centre_cutting=reaches,
        look=Look(background="desk"),
    )
    gap = measured(photo, truth).quantities["end_edge_gap"]
    low, high = gap.bounds(floor=0.0)
    assert low <= truth["end_edge_gap_mm"] <= high
    assert gap.kind == ("upper_limit" if reaches else "value")
    assert high < 0.03 * 3 or not reaches


@pytest.mark.parametrize(("short_mm", "grade"), [(0.0, "sharp"), (0.07, "worn"), (0.25, "discard")])
def test_the_spread_is_held_against_the_limits(short_mm: float, grade: str) -> None:
    # Limits of a 6 mm flat cutter: worn 0.04 mm, discard 0.10 mm (common practice, no source).
    photo, truth = drawn(3, flutes=3, radius_offsets_mm=(0.0, 0.0, -short_mm))
    assert inspected(photo, truth, flutes=3).photos[0].grade == grade


def inspected(photo: Photo, truth: dict[str, Any], *, flutes: int) -> Inspection:
    facts, scale = Facts("flat", "carbide", 6.0, flutes), TypedScale(truth["px_per_mm"])
    return inspect_photo(photo, scale_source=scale, facts=facts, limits=load_limits(), view="end")


def test_an_end_view_alone_is_never_complete() -> None:
    inspection = inspected(*drawn(3, flutes=3), flutes=3)
    assert (inspection.grade, inspection.complete) == ("sharp", False)
    assert inspection.missing_views == tuple(f"corner of flute {n}" for n in (1, 2, 3))


def test_another_number_of_flutes_than_given_is_a_retake_that_says_so() -> None:
    inspection = inspected(*drawn(3, flutes=3), flutes=4)
    assert inspection.grade == "retake"
    assert "flutes_disagree" in inspection.photos[0].flags


def test_a_tip_that_is_not_whole_in_the_picture_is_refused_with_the_reason() -> None:
    photo, truth = drawn(3, flutes=3, centre_px=(200.0, 380.0))
    finding = measured(photo, truth)
    assert "end_unclear" in finding.flags
    assert "not whole in the picture" in finding.not_measured["flute_count"]
    assert inspected(photo, truth, flutes=3).grade == "retake"


def test_an_end_out_of_focus_is_a_retake() -> None:
    scene = end_scene(np.random.default_rng(4), size=(1024, 768), px_per_mm=85.0, flutes=3)
    picture, truth = photograph(scene, replace(CAMERA, blur_px=9.0), np.random.default_rng(4))
    assert inspected(decode_photo(encode_jpeg(picture, 92), "end.jpg"), truth, flutes=3).grade == "retake"


def test_a_corner_photo_taken_for_an_end_is_refused() -> None:
    corner = corner_scene(np.random.default_rng(3), size=(1024, 768), px_per_mm=200, corner_px=(640, 500))
    data = encode_jpeg(photograph(corner, CAMERA, np.random.default_rng(1))[0], 92)
    assert "end_unclear" in measure_end(decode_photo(data, "corner.jpg"), Scale(200.0)).flags


FOLDERS = [os.environ.get(name) for name in ("WEARSCOPE_REAL_PHOTOS", "WEARSCOPE_RENDERS")]


@pytest.mark.skipif(None in FOLDERS, reason="no folders of real photos and renders are named")
def test_no_photo_or_render_of_another_view_passes_for_an_end() -> None:
    pictures = [p for folder in FOLDERS for p in sorted(Path(str(folder)).glob("*.jpg"))]
    assert len(pictures) > 60
    for path in pictures:
        assert "end_unclear" in measure_end(read_photo(path), Scale(250.0)).flags, path.name
