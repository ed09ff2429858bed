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
from wearscope.inspection import Inspection, join
from wearscope.photo.read import Photo, decode_photo, read_photo
from wearscope.pipeline import TypedScale, inspect_photo
from wearscope.synthetic import Camera, Chip, Look, Wear, corner_scene, encode_jpeg, end_scene, photograph

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


def damaged(case: int) -> tuple[Photo, dict[str, Any]]:
    """An end of 2 to 5 flutes: two in five corners broken off, two in five end edges chipped."""
    rng, flutes = np.random.default_rng(case), 2 + case % 4

    def some(draw: Any, none: Any) -> tuple[Any, ...]:
        return tuple(draw() if rng.random() < 0.4 else none for _ in range(flutes))

    breaks = some(lambda: (float(rng.uniform(0.05, 0.3)), float(rng.uniform(0.05, 0.3))), (0.0, 0.0))
    chips = some(lambda: (Chip(0.6, float(rng.uniform(0.04, 0.12)), 0.25),), ())
    return drawn(case, flutes=flutes, breaks_mm=breaks, chips=chips)


def state(photo: Photo, truth: dict[str, Any]) -> tuple[Finding, list[dict[str, Any]]]:
    """What is found of each flute, and in the same order what was drawn."""
    report = inspected(photo, truth, flutes=truth["flute_count"]).photos[0]
    finding = Finding({m.name: m.quantity for m in report.measurements}, report.not_measured, report.marks)
    marks = np.array([mark.px for mark in report.marks if mark.name == "flute"]).reshape(-1, 2)
    away = np.hypot(*(marks[:, None] - np.array(truth["corners_px"])).transpose(2, 0, 1))
    return finding, [truth["teeth"][k] for k in away.argmin(axis=1)]


def check_states(cases: range) -> None:
    """No break and no chip where none is; what is said of one holds; deep ones are found where the edge could be followed."""
    limits_hold, chips_hold, most_hold, whole, broken, chipped = [], [], [], 0, [], []
    for case in cases:
        photo, truth = damaged(case)
        finding, teeth = state(photo, truth)
        if "end_edge_gap" not in finding.quantities:
            continue
        for k, tooth in enumerate(teeth, start=1):
            recession = finding.quantities.get(f"flute_{k}_recession")
            notch = finding.quantities.get(f"flute_{k}_chip")
            deepest = max([chip["depth_mm"] for chip in tooth["chips"]], default=0.0)
            if recession is None:
                assert finding.not_measured[f"flute_{k}_recession"]
            else:
                limits_hold.append(recession.value <= tooth["recession_mm"])
            if tooth["recession_mm"] > 0.1:
                broken.append(recession is not None)
            if notch is None:
                assert finding.not_measured[f"flute_{k}_chip"]
            elif notch.kind == "value":
                assert deepest > 0
                chips_hold.append(abs(notch.value - deepest) < notch.expanded)
            else:
                most_hold.append(notch.value >= deepest)
            if deepest:
                chipped.append(notch is not None and notch.kind == "value")
            whole += not deepest and not tooth["recession_mm"]
    print(
        f"{whole} whole flutes; {np.mean(broken):.2f} of {len(broken)} broken corners found, {np.mean(limits_hold):.3f} of {len(limits_hold)} lower limits hold;"
        f" {np.mean(chipped):.2f} of {len(chipped)} chips found, {np.mean(chips_hold):.3f} of {len(chips_hold)} depths and {np.mean(most_hold):.3f} of {len(most_hold)}"
        " upper limits hold"
    )
    assert np.mean(limits_hold) >= 0.95
    assert np.mean(most_hold) >= 0.95
    assert np.mean(chips_hold) >= 0.9
    assert np.mean(broken) >= 0.8


def test_the_state_of_each_flute_is_never_worse_than_drawn() -> None:
    check_states(range(2, 20))


@pytest.mark.slow
def test_the_state_of_each_flute_is_never_worse_than_drawn_full_count() -> None:
    check_states(range(2000, 2120))


@pytest.mark.parametrize(
    ("breaks", "chips", "grade"),
    [
        ((), (), "sharp"),
        (((0.0, 0.0), (0.2, 0.25), (0.0, 0.0)), (), "discard"),
        ((), ((), (Chip(0.6, 0.14, 0.3),), ()), "discard"),
        ((), ((), (Chip(0.6, 0.07, 0.3),), ()), "worn"),
    ],
)
def test_damage_that_is_proven_counts_and_its_flute_is_named(breaks: Any, chips: Any, grade: str) -> None:
    # Limits of a 6 mm flat cutter: chips 0.04 and 0.10 mm, corner 0.04 and 0.10 mm of radius (common practice, no source).
    photo, truth = drawn(
        3,
        flutes=3,
        size=(1600, 1200),
        px_per_mm=140.0,
        breaks_mm=breaks,
        chips=chips,
        look=Look(background="dark"),
    )
    report = inspected(photo, truth, flutes=3).photos[0]
    assert report.grade == grade
    named = [remark for remark in report.remarks if "broken off" in remark or "chipped" in remark]
    assert len(named) == (grade != "sharp")
    if named:
        number = int(named[0].split()[1])
        mark = next(m for m in report.marks if m.name == "flute" and m.text == f"flute {number}")
        assert np.hypot(*np.subtract(mark.px, truth["corners_px"][1])) < 0.1 * 3 * 140


def test_an_end_counts_beside_the_corners_of_a_cutter_and_never_alone() -> None:
    """The corners prove it sharp; the end adds what it shows, good or bad, and cannot stand for a corner."""

    def corner(flute: int) -> Inspection:
        scene = corner_scene(
            np.random.default_rng(flute),
            size=(1024, 768),
            px_per_mm=250,
            corner_px=(600, 470),
            wear=Wear(radius_mm=0.01),
        )
        data = encode_jpeg(photograph(scene, CAMERA, np.random.default_rng(1))[0], 92)
        return inspect_photo(
            decode_photo(data, f"{flute}.jpg"),
            scale_source=TypedScale(250.0),
            facts=Facts("flat", "carbide", 6.0, 2),
            limits=load_limits(),
            flute=flute,
        )

    corners = [corner(1), corner(2)]
    good, bad = (
        inspected(
            *drawn(5, flutes=2, px_per_mm=85.0, look=Look(background="dark"), breaks_mm=breaks), flutes=2
        )
        for breaks in ((), ((0.0, 0.0), (0.2, 0.25)))
    )
    together = [join([*corners, end], limits=load_limits()) for end in (good, bad)]
    assert [(one.grade, one.complete) for one in together] == [("sharp", True), ("discard", True)]
    assert (good.grade, good.complete) == ("sharp", False)
    assert not join([corners[0], good], limits=load_limits()).complete


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
