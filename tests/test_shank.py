"""The shank on drawn bars with exact truth, on rendered silhouettes, and the fit from a micrometer."""

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wearscope.facts import Facts
from wearscope.features.shank import NAMES, measure_shank
from wearscope.finding import Finding
from wearscope.geometry.scale import Scale
from wearscope.grading.limits import load_limits
from wearscope.photo.read import decode_photo, read_photo
from wearscope.pipeline import TypedScale, inspect_photo
from wearscope.quantity import Quantity
from wearscope.synthetic import Camera, Chip, Look, Score, corner_scene, encode_jpeg, photograph, shank_scene

CAMERAS = (
    Camera(blur_px=1.3, full_well_e=9000, read_e=6, bayer=True, vignetting=0.15, veil=0.02, sharpening=0.4),
    Camera(blur_px=0.8, full_well_e=9000, read_e=6),
    Camera(blur_px=1.8, full_well_e=5000, read_e=8, vignetting=0.25, bayer=True),
)
GROUNDS = ("backlit", "paper", "dark", "desk")


def drawn(case: int, *, seed: int = 1000, **changes: Any) -> tuple[Finding, dict[str, Any], float]:
    """A shank of 3 or 4 mm, tilted by up to 20 degrees either way, with and without bow, taper, burr and groove."""
    rng = np.random.default_rng(seed + case)
    px_per_mm = float(rng.uniform(70, 140))
    burrs = [Chip(rng.uniform(-2, 2), rng.uniform(0.01, 0.06), rng.uniform(0.1, 0.4))] if case % 2 else []
    scores = (
        [Score(rng.uniform(-2, 2), rng.uniform(0.1, 0.3), rng.uniform(0.004, 0.02))] if case % 3 == 1 else []
    )
    settings: dict[str, Any] = {
        "size": (1280, 960),
        "px_per_mm": px_per_mm,
        "rotation_deg": rng.uniform(-20, 20) + rng.choice([0, 90, 180]),
        "bow_mm": rng.choice([0.0, rng.uniform(0.005, 0.06)]),
        "taper_mm_per_mm": rng.uniform(0, 0.003),
        "burrs": burrs,
        "scores": scores,
        "diameter_mm": float(rng.choice([3.0, 4.0])),
        "look": Look(
            background=GROUNDS[case % 4], finish=str(rng.choice(["carbide", "hss", "violet", "gold"]))
        ),
    } | changes
    picture, truth = photograph(shank_scene(rng, **settings), CAMERAS[case % 3], rng)
    photo = decode_photo(encode_jpeg(picture, int(rng.integers(85, 97))), f"shank{case}.jpg")
    return measure_shank(photo, Scale(settings["px_per_mm"]), view="shank"), truth, settings["px_per_mm"]


def true_values(truth: dict[str, Any]) -> dict[str, float]:
    return {
        "shank_diameter": truth["shank_diameter_mm"],
        "shank_taper": math.degrees(2 * math.atan(truth["taper_mm_per_mm"] / 2)),
        "shank_straightness": truth["straightness_mm"],
        "shank_burr_max": truth["burr_max_mm"],
        "shank_score_max": truth["score_max_mm"],
    }


def holds(quantity: Quantity, true: float) -> bool:
    if quantity.kind == "upper_limit":
        return true <= quantity.value
    return abs(quantity.value - true) <= quantity.expanded


def check_coverage(cases: range) -> None:
    """At least 93 % of the 95 % intervals of each quantity hold the truth, less two standard deviations of the count."""
    held: dict[str, list[bool]] = {name: [] for name in NAMES}
    refused = 0
    for case in cases:
        finding, truth, _ = drawn(case)
        refused += not finding.quantities
        for name, true in true_values(truth).items():
            if name in finding.quantities:
                held[name].append(holds(finding.quantities[name], true))
    assert refused <= 0.05 * len(cases)
    for name, cover in held.items():
        assert len(cover) >= 0.6 * len(cases), name
        assert np.mean(cover) >= 0.93 - 2 * math.sqrt(0.93 * 0.07 / len(cover)), (name, np.mean(cover))


def test_the_stated_uncertainty_covers_the_truth() -> None:
    check_coverage(range(80))


@pytest.mark.slow
def test_the_stated_uncertainty_covers_the_truth_full_count() -> None:
    check_coverage(range(400))


def test_bow_and_taper_are_told_apart_and_measured_to_a_tenth_of_a_pixel() -> None:
    finding, truth, px_per_mm = drawn(0, bow_mm=0.05, taper_mm_per_mm=0.002, look=Look(background="backlit"))
    straight, taper = finding.quantities["shank_straightness"], finding.quantities["shank_taper"]
    assert straight.value == pytest.approx(truth["straightness_mm"], abs=0.1 / px_per_mm)
    assert taper.value == pytest.approx(math.degrees(0.002), abs=0.02)


@pytest.mark.parametrize("ground", ["backlit", "desk"])
def test_a_burr_is_found_where_it_stands_and_as_high_as_it_is(ground: str) -> None:
    finding, truth, px_per_mm = drawn(
        3, burrs=[Chip(1.0, 0.05, 0.3)], scores=[], look=Look(background=ground, finish="carbide", dust=0)
    )
    [mark] = [m for m in finding.marks if m.name == "burr"]
    assert np.hypot(*np.subtract(mark.px, truth["burrs_px"][0])) < 0.15 * px_per_mm
    assert finding.quantities["shank_burr_max"].value == pytest.approx(0.05, abs=0.004)


def test_rings_and_scratches_are_told_apart() -> None:
    ring, _, _ = drawn(1, burrs=[], scores=[Score(0.5, 0.15, 0.006)], look=Look(background="paper"))
    scratch, _, _ = drawn(
        1,
        burrs=[],
        scores=[Score(0.5, 0.08, 0.004, around=False, angle_deg=10)],
        look=Look(background="paper"),
    )
    for finding, word in ((ring, "around"), (scratch, "along")):
        assert "shank_marks" in finding.flags
        assert all(f"line {word} the shank" in m.text for m in finding.marks if m.name == "score")
        assert any("look at the collet too" in remark for remark in finding.remarks)


def test_a_ground_surface_alone_is_not_marked() -> None:
    wrong = 0
    for case in range(24):
        ground = GROUNDS[1 + case % 3]
        finding, _, _ = drawn(
            case, seed=9000, burrs=[], scores=[], look=Look(background=ground, finish="hss")
        )
        wrong += any(m.name == "score" for m in finding.marks)
    assert wrong == 0


LIMITS = load_limits()
SIX_MM = Facts("flat", "carbide", 6.0, 1)


def graded(data: bytes, view: str, px_per_mm: float = 110.0) -> Any:
    return inspect_photo(
        decode_photo(data, "a.jpg"),
        scale_source=TypedScale(px_per_mm),
        facts=SIX_MM,
        limits=LIMITS,
        view=view,
    ).photos[0]


@pytest.mark.parametrize(("height", "grade"), [(0.0, "sharp"), (0.02, "worn"), (0.06, "discard")])
def test_burrs_are_graded_by_the_limits(height: float, grade: str) -> None:
    # Limits of a burr: 0.01 and 0.03 mm (common practice, no source).
    rng = np.random.default_rng(2)
    burrs = [Chip(0.5, height, 0.4)] if height else []
    scene = shank_scene(rng, size=(1280, 960), px_per_mm=150, rotation_deg=7, diameter_mm=4, burrs=burrs)
    report = graded(encode_jpeg(photograph(scene, CAMERAS[1], rng)[0], 95), "shank", 150)
    assert report.grade == grade


@pytest.mark.parametrize("view", ["shank", "profile"])
def test_a_corner_taken_for_a_shank_is_never_sharp(view: str) -> None:
    rng = np.random.default_rng(3)
    scene = corner_scene(rng, size=(1024, 768), px_per_mm=200, corner_px=(640, 500))
    assert graded(encode_jpeg(photograph(scene, CAMERAS[1], rng)[0], 95), view, 200).grade == "retake"


def test_rendered_profiles_give_the_ratio_of_shank_and_scale(renders: Path) -> None:
    """Series D: silhouettes of whole cutters; the shank's diameter is known."""
    measured = 0
    for path in sorted(renders.glob("D*_0[0-5].jpg")):
        truth = json.loads(path.with_suffix(".json").read_text())
        finding = measure_shank(read_photo(path), Scale(truth["camera"]["px_per_mm"]), view="profile")
        if "shank_diameter" in finding.quantities:
            measured += 1
            quantity = finding.quantities["shank_diameter"]
            assert abs(quantity.value - truth["tool"]["shank_diameter_mm"]) < quantity.expanded, path.name
    assert measured >= 6


def test_no_corner_or_edge_photo_is_a_shank(real_photos: Path) -> None:
    for path in sorted([*real_photos.glob("corner_*.jpg"), *real_photos.glob("edge_*.jpg")]):
        assert not measure_shank(read_photo(path), Scale(250.0), view="shank").quantities, path.name
