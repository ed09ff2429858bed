"""The fit of a shank from micrometer readings; a photo never decides it."""

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from typer.testing import CliRunner

from wearscope.cli import app
from wearscope.errors import InputError
from wearscope.grading.advice import with_fit
from wearscope.grading.shank_fit import H6_LOWER_UM, h6_lower_um, it6_um, shank_fit
from wearscope.inspection import from_document, json_schema, to_document
from wearscope.synthetic import Camera, encode_jpeg, photograph, shank_scene


@pytest.mark.parametrize(("nominal", "lower"), [(3.0, 6.0), (6.0, 8.0), (8.0, 9.0), (12.0, 11.0)])
def test_the_lower_limit_of_h6(nominal: float, lower: float) -> None:
    # ISO 286-2, h6 (table values from memory; the next test derives them from the formula of ISO 286-1).
    assert h6_lower_um(nominal) == lower


def test_the_table_is_the_formula_to_within_a_micrometre() -> None:
    # ISO 286-1: IT6 = 10 i, i = 0.45 cbrt(D) + 0.001 D (from memory): 5.4, 7.3, 9.0, 10.8 um for these ranges.
    by_formula = [it6_um(above, up_to) for above, up_to, _ in H6_LOWER_UM]
    assert by_formula[:4] == pytest.approx([5.4, 7.3, 9.0, 10.8], abs=0.05)
    assert all(abs(it6 - row[2]) < 1 for it6, row in zip(by_formula, H6_LOWER_UM, strict=True))


@pytest.mark.parametrize(
    ("readings", "error", "verdict"),
    [
        ([5.996, 5.996, 5.996], 0.001, "in tolerance"),
        ([5.994, 5.995, 5.994], 0.004, "cannot tell"),  # 8 um of error in a band of 8 um
        ([5.980, 5.981, 5.980], 0.004, "under"),
        ([6.010, 6.011, 6.010], 0.004, "over"),
        ([5.992, 5.992], 0.001, "cannot tell"),  # on the limit
    ],
)
def test_the_micrometers_error_decides_what_can_be_told(
    readings: list[float], error: float, verdict: str
) -> None:
    assert shank_fit(6.0, readings, micrometer_mm=error).verdict == verdict


def test_a_shank_outside_is_not_called_good_more_often_than_one_in_twenty() -> None:
    """True size on the lower limit, the micrometer's error rectangular: guarded acceptance (JCGM 106, 8.3)."""
    rng = np.random.default_rng(1)
    good = 0
    for _ in range(2000):
        off = rng.uniform(-0.001, 0.001)
        readings = [round(5.992 + off + e, 4) for e in rng.normal(0, 0.0005, 5)]
        good += shank_fit(6.0, readings, micrometer_mm=0.001).verdict == "in tolerance"
    assert good <= 0.05 * 2000


@pytest.mark.parametrize("wrong", [[], [0.236], [6.0, 5.9], [float("nan")]])
def test_readings_that_make_no_sense_are_refused(wrong: list[float]) -> None:
    with pytest.raises(InputError):
        shank_fit(6.0, wrong)


def run(*words: str) -> Any:
    return CliRunner().invoke(app, ["inspect", *words])


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng = np.random.default_rng(2)
    scene = shank_scene(rng, size=(1024, 768), px_per_mm=110, rotation_deg=7)
    path = tmp_path_factory.mktemp("shank") / "slot_04_shank.jpg"
    path.write_bytes(encode_jpeg(photograph(scene, Camera(full_well_e=9000), rng)[0], 92))
    return path


def test_the_fit_reaches_document_and_table(photo: Path, tmp_path: Path) -> None:
    words = ["--px-per-mm", "110", "--view", "shank", "--shank", "6"]
    words += ["--shank-reading", "5.9800", "--shank-reading", "5.9810", "--out", str(tmp_path)]
    document = json.loads(run(str(photo), *words, "--json").stdout)
    jsonschema.validate(document, json_schema())
    assert document["shank_fit"]["verdict"] == "under"
    assert to_document(from_document(document)) == document
    shown = " ".join(run(str(photo), *words).stdout.split())
    assert "look at the collet too" in shown
    assert "Straightness" in shown or "straightness" in shown


def test_without_readings_a_photo_says_nothing_of_the_fit(photo: Path, tmp_path: Path) -> None:
    words = ["--px-per-mm", "110", "--view", "shank", "--out", str(tmp_path), "--json"]
    assert "shank_fit" not in json.loads(run(str(photo), *words).stdout)


def test_a_nominal_diameter_without_photo_or_reading_is_an_error() -> None:
    assert isinstance(run("--by-eye", "--shank", "6").exception, InputError)


@pytest.mark.parametrize(
    ("nominal", "said"),
    [
        ("6", "% of its nominal 6 mm: whether it fits (h6) a micrometer decides"),
        ("6.35", "check the nominal diameter"),
    ],
)
def test_a_photo_is_held_against_the_nominal_diameter(
    photo: Path, tmp_path: Path, nominal: str, said: str
) -> None:
    words = ["--px-per-mm", "110", "--view", "shank", "--shank", nominal, "--out", str(tmp_path), "--json"]
    document = json.loads(run(str(photo), *words).stdout)
    assert "shank_fit" not in document
    assert any(said in remark for remark in document["photos"][0]["remarks"])


@pytest.mark.parametrize("words", [["--micrometer-error", "0.002"], ["--shank-reading", "5.99"]])
def test_half_of_the_question_is_an_error(photo: Path, words: list[str]) -> None:
    assert isinstance(run(str(photo), "--px-per-mm", "110", "--view", "shank", *words).exception, InputError)


def test_a_view_that_nobody_gave_is_flagged(photo: Path, tmp_path: Path) -> None:
    """A shank that was told from the picture alone: flagged, and never sharp."""
    document = json.loads(run(str(photo), "--px-per-mm", "110", "--out", str(tmp_path), "--json").stdout)
    assert "view_detected:shank" in document["photos"][0]["flags"]
    assert document["grade"] == "retake"


@pytest.mark.parametrize(
    ("reading", "begins"),
    [
        (5.997, "Use it."),
        (5.970, "Do not use it until"),
        (6.020, "Do not use it until"),
        (6.000, "First make sure"),
    ],
)
def test_the_advice_never_says_use_it_before_the_shank_is_settled(reading: float, begins: str) -> None:
    fit = shank_fit(6.0, [reading, reading], micrometer_mm=0.002)
    said = with_fit("Use it.", fit)
    assert said.startswith(begins)
    assert fit.verdict == "in tolerance" or said.endswith(": Use it.")
