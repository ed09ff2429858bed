"""Surfacing cutters insert by insert, their heights from a dial gauge, and where a compression cutter wears first."""

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from typer.testing import CliRunner

from wearscope.cli import app
from wearscope.errors import InputError
from wearscope.facts import Facts
from wearscope.grading.insert_heights import insert_heights
from wearscope.grading.limits import load_limits
from wearscope.inspection import conclude, from_document, json_schema, to_document
from wearscope.synthetic import Camera, Wear, corner_scene, encode_jpeg, photograph

LIMITS = load_limits()
THREE_INSERTS = Facts("surfacing", "carbide", 25.0, 3)


@pytest.mark.parametrize(
    ("readings", "gauge", "grade"),
    [
        # Worn limit 0.05 mm, discard 0.25 mm (common practice, no source); u = 0.01 mm * sqrt(2 / 3) = 0.0082 mm.
        ([0.00, 0.02, 0.01], 0.01, "sharp"),
        ([0.00, 0.08, 0.02], 0.01, "worn"),
        ([-0.20, 0.15, 0.00], 0.01, "discard"),
        ([0.00, 0.06, 0.02], 0.01, "worn"),
        ([0.00, 0.05, 0.02], 0.3, "retake"),
    ],
)
def test_heights_are_judged_with_the_gauges_error(readings: list[float], gauge: float, grade: str) -> None:
    heights = insert_heights(readings, facts=THREE_INSERTS, limits=LIMITS, gauge_mm=gauge)
    assert heights.grade == grade
    assert heights.difference_mm == pytest.approx(max(readings) - min(readings))
    assert heights.uncertainty_mm == pytest.approx(2 * gauge * (2 / 3) ** 0.5)


def test_the_insert_that_stands_out_is_named() -> None:
    heights = insert_heights([0.00, 0.12, 0.02], facts=THREE_INSERTS, limits=LIMITS)
    assert "Insert 2 stands out the most, insert 1 the least" in heights.words


@pytest.mark.parametrize(
    ("readings", "begins"), [((0.0, 0.1), "Look by eye too"), ((0.0, 0.4), "Do not use it until its inserts")]
)
def test_sharp_inserts_at_unequal_heights_are_not_turned(
    readings: tuple[float, float], begins: str, inserts: list[str]
) -> None:
    heights = [word for reading in readings for word in ("--insert-height", str(reading))]
    told = json.loads(run(inserts[0], *COMMON, "--flutes", "2", *heights, "--json").stdout)["advice"]
    assert told.startswith(begins)
    assert "Turn the insert" not in told


@pytest.mark.parametrize(
    ("readings", "facts"),
    [
        ([0.0, 0.1], THREE_INSERTS),
        ([0.0], Facts("surfacing", "carbide", 25.0)),
        ([0.0, 5.0, 0.0], THREE_INSERTS),
        ([0.0, float("nan"), 0.0], THREE_INSERTS),
        ([0.0, 0.1], Facts("flat", "carbide", 6.0, 2)),
    ],
)
def test_readings_that_make_no_sense_are_refused(readings: list[float], facts: Facts) -> None:
    with pytest.raises(InputError):
        insert_heights(readings, facts=facts, limits=LIMITS)


def run(*words: str) -> Any:
    return CliRunner().invoke(app, ["inspect", *words], catch_exceptions=False)


@pytest.fixture(scope="module")
def inserts(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """A sharp and a blunt insert."""
    folder, paths = tmp_path_factory.mktemp("inserts"), []
    for number, radius in ((1, 0.01), (2, 0.4)):
        scene = corner_scene(
            np.random.default_rng(number),
            size=(1024, 768),
            px_per_mm=150.0,
            corner_px=(600.0, 470.0),
            wear=Wear(radius_mm=radius),
        )
        picture, _ = photograph(
            scene, Camera(blur_px=0.9, full_well_e=8000, read_e=8), np.random.default_rng(5)
        )
        path = folder / f"insert_{number}.jpg"
        path.write_bytes(encode_jpeg(picture, 92))
        paths.append(str(path))
    return paths


COMMON = ("--px-per-mm", "150", "--kind", "surfacing", "--material", "carbide", "--diameter", "25")


def test_each_insert_gets_its_own_advice(inserts: list[str]) -> None:
    document = json.loads(run(*inserts, *COMMON, "--flutes", "3", "--flute", "1,2", "--json").stdout)
    assert document["grade"] == "discard"
    assert "Insert 1: sharp, leave it. Insert 2: done, turn it, or replace it" in document["advice"]
    assert document["missing_views"] == ["corner of insert 3"]


def test_heights_reach_document_table_and_grade(inserts: list[str], tmp_path: Path) -> None:
    words = (inserts[0], *COMMON, "--flutes", "2", "--out", str(tmp_path))
    heights = ("--insert-height", "0.00", "--insert-height", "-0.12")
    even = json.loads(run(*words, "--json").stdout)
    assert even["grade"] == "sharp"
    assert "insert_heights" not in even
    document = json.loads(run(*words, *heights, "--json").stdout)
    jsonschema.validate(document, json_schema())
    assert document["grade"] == document["insert_heights"]["grade"] == "worn"
    assert to_document(from_document(document)) == document
    shown = " ".join(run(*words, *heights).stdout.split())
    assert "by dial gauge: inserts, unequal height: at least 0.1065 mm" in shown
    assert "clean the seats" in shown


def test_a_compression_cutter_is_told_where_it_wears_first() -> None:
    from wearscope.grading.observed import observed

    facts = Facts("flat", "carbide", 6.0, 2, up_cut_length_mm=8.0)
    seen = conclude([], facts=facts, limits=LIMITS, observed=observed((), "flat"))
    done = conclude([], facts=facts, limits=LIMITS, observed=observed(("crack",), "flat"))
    assert seen.grade != "discard"
    assert (
        "8 mm from the tip, where up-cut meets down-cut, and at the height of the sheet's surface"
        in seen.advice
    )
    assert "Compression" not in done.advice
    document = to_document(seen)
    jsonschema.validate(document, json_schema())
    assert document["cutter"]["up_cut_length_mm"] == 8.0
    assert from_document(document) == seen


def test_the_up_cut_length_comes_from_the_records(tmp_path: Path) -> None:
    records = ("--records", f"sqlite:///{tmp_path / 'book.sqlite'}")
    added = [
        "slot-03",
        "--flute-form",
        "compression",
        "--up-cut-length",
        "8",
        "--diameter",
        "6",
        "--flutes",
        "2",
    ]
    CliRunner().invoke(app, ["cutter", "add", *added, *records], catch_exceptions=False)
    scene = corner_scene(
        np.random.default_rng(1), size=(1024, 768), px_per_mm=250.0, corner_px=(600.0, 470.0)
    )
    path = tmp_path / "corner.jpg"
    path.write_bytes(encode_jpeg(photograph(scene, Camera(blur_px=0.9), np.random.default_rng(5))[0], 92))
    words = [str(path), "--px-per-mm", "250", "--record", "slot-03", *records, "--json"]
    document = json.loads(run(*words).stdout)
    assert document["cutter"]["up_cut_length_mm"] == 8.0
    assert "8 mm from the tip" in document["advice"]
