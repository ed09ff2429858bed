"""The cutting diameter from a look along the axis at the tip, on drawn ends with exact truth, alone and with other sources."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from test_diameter_cli import run
from test_end_view import drawn

from wearscope.errors import InputError
from wearscope.features.diameter import combine, diameter_from_corners
from wearscope.features.end_view import measure_end
from wearscope.geometry.scale import Scale
from wearscope.quantity import Quantity


def from_end(case: int, flutes: int, short_mm: float) -> tuple[Quantity | None, float]:
    """The diameter found in a drawn end, one flute of which is `short_mm` short, and the true one; None where the end is refused."""
    offsets = (*(0.0,) * (flutes - 1), -short_mm)
    photo, truth = drawn(case, flutes=flutes, radius_offsets_mm=offsets)
    scale = Scale(truth["px_per_mm"])
    found = measure_end(photo, scale, flutes=flutes).quantities
    true = 2 * max(truth["corner_radius_from_axis_mm"])
    if "flute_1_radius" not in found:
        return None, true
    diameter, _ = diameter_from_corners(
        [found[f"flute_{k + 1}_radius"] for k in range(flutes)],
        found["corner_radius_spread"],
        blur_mm=found["edge_blur_width"].value / scale.px_per_mm,
        scale_known=True,
    )
    return diameter, true


def check_ends(cases: range) -> None:
    """2 to 5 flutes, all alike, or one of them 0.01 or 0.1 mm short."""
    off, wide = [], []
    for case in cases:
        diameter, true = from_end(case, 2 + case % 4, (0.0, 0.01, 0.1)[case % 3])
        if diameter is not None:
            off.append(diameter.value - true)
            wide.append(diameter.expanded)
    assert len(off) >= 0.85 * len(cases)
    # 95 %, less three standard deviations of the count
    assert np.mean(np.abs(off) <= wide) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(off))
    assert np.median(np.abs(off)) <= 0.008  # two thirds of a pixel
    assert np.median(wide) <= 0.04


def test_ends_give_the_diameter() -> None:
    check_ends(range(24))


@pytest.mark.slow
def test_ends_give_the_diameter_full_count() -> None:
    check_ends(range(2000, 2300))


def radius(value: float, noise: float = 0.001) -> Quantity:
    return Quantity(value, "mm", {"noise": noise, "axis": 0.002, "form": 0.005, "tilt": 0.006, "scale": 0.0})


def test_the_largest_counts_where_corners_differ_beyond_doubt() -> None:
    three = [radius(2.98), radius(2.90), radius(2.97)]
    far, said = diameter_from_corners(
        three, Quantity(0.08, "mm", {"noise": 0.002}), blur_mm=0.0, scale_known=True
    )
    assert far.value == pytest.approx(5.96)
    assert far.parts["tilt"] == pytest.approx(0.012)
    assert "the largest" in said


def test_a_wrong_axis_takes_from_one_corner_what_it_gives_to_the_others() -> None:
    alike = [radius(2.98), radius(2.97), radius(2.975)]
    limit = Quantity(0.024, "mm", {"noise": 0.002}, "upper_limit")
    middle, said = diameter_from_corners(alike, limit, blur_mm=0.01, scale_known=True)
    assert middle.value == pytest.approx(5.95)
    assert "tilt" not in middle.parts
    assert middle.parts["form"] == pytest.approx(0.024 / np.sqrt(12))
    assert "the mean" in said
    assert "shank's axis is not seen" in said
    high, _ = diameter_from_corners(alike, limit, blur_mm=0.01, scale_known=False, lens_mm=60.0)
    assert high.parts["perspective"] == pytest.approx(5.95 * 0.2 / 60)


def test_one_scale_for_two_photos_is_no_second_opinion() -> None:
    """Sources that share an error in full do not average it away (JCGM 100:2008, F.1.2.3)."""
    a = Quantity(5.96, "mm", {"scale": 0.02, "edge_noise": 0.001})
    b = Quantity(5.97, "mm", {"scale": 0.02, "noise": 0.01})
    best, _ = combine([("a", a), ("b", b)], common="scale")
    assert best.parts["scale"] == pytest.approx(0.02)
    assert best.value == pytest.approx(5.96, abs=0.0002)


@pytest.fixture(scope="module")
def end(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    """A photo of the end of a cutter of three flutes, and its scale."""
    photo, truth = drawn(8, flutes=3, px_per_mm=90.0)
    path = tmp_path_factory.mktemp("end") / "end.png"
    cv2.imwrite(str(path), photo.encoded)
    return path, truth["px_per_mm"]


def test_an_end_view_alone(end: tuple[Path, float]) -> None:
    code, out, _ = run("--flutes", "3", "--end-view", str(end[0]), "--px-per-mm", str(end[1]), "--json")
    document = json.loads(out)
    entry = document["measurements"][0]
    assert code == 0
    assert entry["name"] == "cutting_diameter"
    assert abs(entry["value"] - 6.0) <= entry["uncertainty"] < 0.05
    assert "the end view gives" in document["reasons"][0]
    assert document["edges"] == {}


def test_an_end_view_beside_readings(end: tuple[Path, float]) -> None:
    v = 1.5  # apex-to-spindle reading over the diameter, V anvil of 60 degrees
    near, far = (
        json.loads(
            run(
                *("--flutes", "3", "--anvil", "v60", "--reading", str(v * d), "--reading", str(v * d)),
                *("--end-view", str(end[0]), "--px-per-mm", str(end[1]), "--json"),
            )[1]
        )
        for d in (6.0, 5.8)
    )
    assert near["measurements"][0]["value"] == pytest.approx(6.0, abs=0.002)  # the micrometer knows better
    assert "disagree" not in " ".join(near["advice"])
    assert "the end view (" in " ".join(far["advice"])
    assert "disagree" in " ".join(far["advice"])


def test_an_end_view_of_another_cutter_or_without_scale(end: tuple[Path, float]) -> None:
    path = str(end[0])
    code, out, _ = run("--flutes", "2", "--end-view", path, "--px-per-mm", str(end[1]), "--json")
    assert code == 4
    assert "3 corners show, --flutes says 2" in json.loads(out)["not_measured"][0]["reason"]
    _, _, fault = run("--flutes", "3", "--end-view", path)
    assert isinstance(fault, InputError)
    assert "--px-per-mm" in str(fault)
    _, _, fault = run("--flutes", "3", "--end-view", path, "--px-per-mm", str(end[1]), "--nominal", "0.25")
    assert isinstance(fault, InputError)
    assert "the end view gives" in str(fault)
    assert "--flutes" in str(run("--end-view", path)[2])
