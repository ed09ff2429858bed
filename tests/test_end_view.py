"""The view along the axis at the tip, on drawn ends with exact truth: counted right or refused, never guessed."""

from typing import Any

import numpy as np
import pytest

from wearscope.facts import Facts
from wearscope.features.end_view import measure_end
from wearscope.grading.limits import load_limits
from wearscope.photo.read import Photo, decode_photo
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


def check_counts(cases: range) -> None:
    """Of what is counted at least 95 % is right, and at least half of the pictures are counted (a single flute never is)."""
    counted, right = 0, 0
    for case in cases:
        photo, truth = drawn(case, flutes=1 + case % 5)
        finding = measure_end(photo)
        if "flute_count" in finding.quantities:
            counted += 1
            right += finding.quantities["flute_count"].value == truth["flute_count"]
        else:
            assert "end_unclear" in finding.flags
            assert finding.not_measured["flute_count"]
    assert right >= 0.95 * counted
    assert counted >= 0.5 * len(cases)


def test_flutes_are_counted_right_or_not_at_all() -> None:
    check_counts(range(30))


@pytest.mark.slow
def test_flutes_are_counted_right_or_not_at_all_full_count() -> None:
    check_counts(range(300))


def test_marks_lie_on_the_corners() -> None:
    photo, truth = drawn(1, flutes=4)
    marks = np.array([mark.px for mark in measure_end(photo).marks if mark.name == "flute"])
    true = np.array(truth["corners_px"])
    away = np.hypot(*(marks[:, None] - true).transpose(2, 0, 1)).min(axis=1)
    assert len(marks) == 4
    assert away.max() < 0.1 * 3 * truth["px_per_mm"]


def test_no_edge_is_said_to_reach_the_centre_where_none_does() -> None:
    for case in range(4):
        photo, _ = drawn(2 * case, flutes=4, centre_cutting=False)
        assert not any("one may reach it" in remark for remark in measure_end(photo).remarks)


@pytest.mark.parametrize("view", ["end"])
def test_an_end_view_alone_is_never_sharp(view: str) -> None:
    limits, facts = load_limits(), Facts("flat", "carbide", 6.0, 1)
    corner = corner_scene(np.random.default_rng(3), size=(1024, 768), px_per_mm=200, corner_px=(640, 500))
    data = encode_jpeg(photograph(corner, CAMERA, np.random.default_rng(1))[0], 92)
    for photo in (drawn(1, flutes=4)[0], decode_photo(data, "corner.jpg")):
        inspection = inspect_photo(
            photo, scale_source=TypedScale(100.0), facts=facts, limits=limits, view=view
        )
        assert inspection.grade == "retake"
