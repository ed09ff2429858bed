"""From a picture to a decision, on drawn corners with exact truth and, where they are at hand, on real photos."""

import json
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

import wearscope.pipeline
from wearscope.errors import PhotoError
from wearscope.facts import Facts
from wearscope.finding import Finding
from wearscope.flags import FLAGS
from wearscope.grading.limits import load_limits
from wearscope.inspection import Inspection, PhotoReport, conclude, from_document, json_schema, to_document
from wearscope.measures import MEASURES
from wearscope.photo.read import decode_photo
from wearscope.pipeline import TypedScale, inspect_photo
from wearscope.synthetic import Camera, Scene, Wear, corner_scene, encode_jpeg, photograph

LIMITS = load_limits()
SAMPLES = Path(__file__).parents[1] / "sample_images"
SIX_MM = Facts("flat", "carbide", 6.0, 1)
CAMERA = Camera(blur_px=0.9, full_well_e=8000, read_e=8)
PX_PER_MM = 250.0


def jpeg(scene: Scene) -> bytes:
    picture, _ = photograph(scene, CAMERA, np.random.default_rng(5))
    return encode_jpeg(picture, 92)


def corner(radius_mm: float, *, seed: int = 3, **changes: Any) -> bytes:
    rng = np.random.default_rng(seed)
    settings: dict[str, Any] = {
        "size": (1024, 768),
        "px_per_mm": PX_PER_MM,
        "corner_px": (640.0, 500.0),
    } | changes
    return jpeg(corner_scene(rng, wear=Wear(radius_mm=radius_mm), **settings))


def inspected(data: bytes, *, view: str = "corner", flute: int = 1, facts: Facts = SIX_MM) -> Inspection:
    photo = decode_photo(data, "slot_07.jpg")
    return inspect_photo(
        photo, scale_source=TypedScale(PX_PER_MM), facts=facts, limits=LIMITS, view=view, flute=flute
    )


@pytest.fixture(scope="module")
def sharp() -> Inspection:
    return inspected(corner(0.01))


@pytest.mark.parametrize(("radius_mm", "grade"), [(0.07, "worn"), (0.2, "discard")])
def test_a_rounded_corner_gets_the_grade_its_radius_proves(radius_mm: float, grade: str) -> None:
    # Limits of a 6 mm flat cutter: worn 0.04 mm, discard 0.10 mm (common practice, no source).
    inspection = inspected(corner(radius_mm))
    radius = inspection.photos[0].measured("corner_radius")
    assert inspection.grade == grade
    assert radius is not None
    assert radius.grade == grade
    assert radius.quantity.value == pytest.approx(radius_mm, abs=max(0.004, 0.04 * radius_mm))


def test_a_sharp_corner_of_the_only_flute_is_sharp_and_complete(sharp: Inspection) -> None:
    assert (sharp.grade, sharp.complete) == ("sharp", True)


def test_every_measurement_has_the_registered_unit(sharp: Inspection) -> None:
    measured = sharp.photos[0].measurements
    assert len(measured) >= 10
    assert {m.name: m.quantity.unit for m in measured} == {m.name: MEASURES[m.name] for m in measured}


def test_the_result_survives_its_document(sharp: Inspection) -> None:
    assert from_document(to_document(sharp)) == sharp


def test_the_same_photo_gives_the_same_document() -> None:
    data = corner(0.07)
    assert to_document(inspected(data)) == to_document(inspected(data))


@pytest.mark.parametrize("view", ["edge", "profile", "end", "shank"])
def test_a_view_taken_for_another_is_never_sharp(view: str) -> None:
    assert inspected(corner(0.01), view=view).grade == "retake"


def test_a_ball_nose_is_never_sharp_by_its_side_edge_alone() -> None:
    ball = Facts("ball", "carbide", 6.0, 1, 3.0)
    inspection = inspected(corner(0.01), facts=ball)
    assert inspection.grade == "retake"
    assert "nose_deviation" in inspection.photos[0].not_measured


def test_an_empty_frame_is_a_retake_with_reasons_not_an_error() -> None:
    rng = np.random.default_rng(8)
    grey = np.clip(rng.normal(120, 3, (768, 1024, 3)), 0, 255).astype(np.uint8)
    inspection = inspected(encode_jpeg(grey, 92))
    assert inspection.grade == "retake"
    assert FLAGS["no_cutter"].text.rstrip(".") in inspection.reasons
    assert "corner_radius" in inspection.photos[0].not_measured


def test_a_typed_scale_and_assumed_facts_are_flagged(sharp: Inspection) -> None:
    assert "scale_assumed_exact" in sharp.photos[0].flags
    assert "facts_assumed" not in sharp.photos[0].flags
    assumed = inspected(corner(0.01), facts=Facts.given(diameter_mm=20.0))
    assert {"facts_assumed", "size_outside_table"} <= set(assumed.photos[0].flags)


def test_a_file_that_is_no_photo_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "slot_01.jpg"
    path.write_bytes(b"not a photo")
    with pytest.raises(PhotoError, match=r"slot_01\.jpg"):
        inspect_photo(path, scale_source=TypedScale(PX_PER_MM), facts=SIX_MM, limits=LIMITS)


REQUIRED = {
    "measure_corner": "corner",
    "measure_chips": "chips",
    "measure_patch": "patch",
    "measure_tint": "heat colours",
}


@pytest.mark.parametrize("feature", REQUIRED)
def test_without_one_of_its_measurements_a_good_cutter_is_never_sharp(
    monkeypatch: pytest.MonkeyPatch, feature: str
) -> None:
    measure = getattr(wearscope.pipeline, feature)

    def blind(*words: Any, **named: Any) -> Finding:
        finding = measure(*words, **named)
        return Finding({}, dict.fromkeys(finding.quantities, "taken away"), flags=finding.flags)

    data = corner(0.01)
    assert inspected(data).grade == "sharp"
    monkeypatch.setattr(wearscope.pipeline, feature, blind)
    without = inspected(data)
    assert without.grade == "retake"
    assert f"{REQUIRED[feature]}: not measured (taken away)" in without.reasons


def views_but_one(report: PhotoReport) -> Iterator[list[PhotoReport]]:
    seen = [replace(report, flute=n, sha256=f"{n}" * 64) for n in (1, 2)]
    yield from ([other for other in seen if other is not gone] for gone in seen)


def test_without_one_of_its_views_a_good_cutter_is_never_complete(sharp: Inspection) -> None:
    facts = replace(SIX_MM, flutes=2)
    for photos in views_but_one(sharp.photos[0]):
        assert not conclude(photos, facts=facts, limits=LIMITS).complete


def test_a_corner_broken_off_is_not_called_rounded() -> None:
    """An arc that would take away more than the outline shows to be gone is given up; the sample was drawn with exact truth."""
    name = "slot07_flat6_carbide_broken.jpg"
    truth = json.loads((SAMPLES / "truth.json").read_text())[name]
    photo = inspect_photo(SAMPLES / name, scale_source=TypedScale(280.0), facts=SIX_MM, limits=LIMITS).photos[
        0
    ]
    assert "broken_corner" in photo.flags
    assert photo.measured("corner_radius") is None
    for size in ("corner_recession", "corner_loss_end_edge", "corner_loss_side_edge"):
        found = photo.measured(size)
        assert found is not None
        assert abs(found.quantity.value - truth[f"{size}_mm"]) < max(2 * found.quantity.expanded, 0.004)


REAL = os.environ.get("WEARSCOPE_REAL_PHOTOS")
real = pytest.mark.skipif(
    REAL is None, reason="WEARSCOPE_REAL_PHOTOS does not name the folder of real photos"
)


def real_photo(name: str, px_per_mm: float, kind: str = "surfacing") -> Inspection:
    assert REAL is not None
    facts = Facts.given(kind=kind, material="carbide", diameter_mm=25.0)
    return inspect_photo(
        Path(REAL) / f"{name}.jpg", scale_source=TypedScale(px_per_mm), facts=facts, limits=LIMITS
    )


@real
@pytest.mark.parametrize("name", ["corner_desk_8", "corner_desk_85"])
@pytest.mark.parametrize("px_per_mm", [100.0, 250.0, 400.0])
def test_plain_damage_is_never_sharp(name: str, px_per_mm: float) -> None:
    assert real_photo(name, px_per_mm).grade != "sharp"


@real
@pytest.mark.parametrize("number", ["desk_18", "desk_32", "desk_36", "desk_64", "desk_77", "machine_118"])
def test_damage_that_a_person_sees_is_never_sharp(number: str) -> None:
    """A mill of 6 mm, and an insert, whose limits are wider."""
    for kind in ("flat", "surfacing"):
        assert real_photo(f"corner_{number}", 250.0, kind).grade != "sharp"


@real
@pytest.mark.parametrize("number", ["8", "18", "32", "36", "85"])
def test_corners_that_are_broken_away_are_discarded(number: str) -> None:
    facts = Facts.given(kind="flat", material="carbide", diameter_mm=6.0)
    photo = Path(str(REAL)) / f"corner_desk_{number}.jpg"
    assert inspect_photo(photo, scale_source=TypedScale(250.0), facts=facts, limits=LIMITS).grade == "discard"


@real
@pytest.mark.parametrize("name", ["corner_desk_10", "corner_desk_13", "corner_desk_25"])
def test_good_inserts_are_not_discarded(name: str) -> None:
    assert real_photo(name, 250.0).grade != "discard"


@real
def test_most_real_corners_carry_a_decision() -> None:
    """Graded as mills of 6 mm; good inserts are not thrown away. One is out of focus, the end edge of another hides before a blurred flank."""
    assert REAL is not None
    grades = {
        path.stem: inspect_photo(
            path, scale_source=TypedScale(250.0), facts=replace(SIX_MM, flutes=1), limits=LIMITS
        ).grade
        for path in sorted(Path(REAL).glob("corner_*.jpg"))
        if "background" not in path.stem
    }
    assert len(grades) == 12
    assert sum(grade == "retake" for grade in grades.values()) <= 2
    assert {grades[f"corner_desk_{n}"] for n in (10, 13, 25)} <= {"sharp", "worn"}


@real
def test_a_machine_without_a_tool_is_a_retake() -> None:
    assert real_photo("corner_machine_background1", 250.0).grade == "retake"


@real
def test_every_picture_of_the_folder_gives_a_document_that_fits_the_schema() -> None:
    assert REAL is not None
    pictures = [path for path in sorted(Path(REAL).iterdir()) if path.suffix in (".jpg", ".png")]
    assert len(pictures) > 30
    schema = jsonschema.Draft202012Validator(json_schema())
    for path in pictures:
        for view in ("corner", "edge"):
            inspection = inspect_photo(
                path, scale_source=TypedScale(250.0), facts=SIX_MM, limits=LIMITS, view=view
            )
            schema.validate(to_document(inspection))


RENDERS = os.environ.get("WEARSCOPE_RENDERS")
rendered = pytest.mark.skipif(RENDERS is None, reason="WEARSCOPE_RENDERS does not name the folder of renders")
NOWHERE = [Path(group) for group in "ABF"]
TRUTHS = sorted(Path(RENDERS).glob("[ABF]*.json")) if RENDERS else NOWHERE


def render(path: Path) -> tuple[dict[str, Any], Inspection]:
    truth = json.loads(path.read_text())
    tool = truth.get("tool") or {}
    facts = Facts("flat", "carbide", tool.get("cutting_diameter_mm") or 6.0, tool.get("flutes"))
    scale = TypedScale(truth["camera"]["px_per_mm"])
    photo = path.with_name(truth["file"])
    return truth, inspect_photo(photo, scale_source=scale, facts=facts, limits=LIMITS)


@rendered
@pytest.mark.parametrize("path", [p for p in TRUTHS if p.stem[0] == "F"], ids=lambda p: p.stem)
def test_what_cannot_carry_a_decision_is_a_retake(path: Path) -> None:
    assert render(path)[1].grade == "retake"


@rendered
@pytest.mark.parametrize("path", [p for p in TRUTHS if p.stem[0] in "AB"], ids=lambda p: p.stem)
def test_no_worn_cutter_passes_and_no_good_one_is_thrown_away(path: Path) -> None:
    truth, inspection = render(path)
    edge = next(e for e in truth["edges"] if e["shows"] == "rake face")
    chips = [chip["depth_mm"] for chip in edge["chips"]]
    limit = LIMITS.for_cutter(inspection.cutter)["corner_radius"]  # chips have the same steps
    wear = max([edge["corner_radius_apparent_mm"] or edge["corner_radius_mm"], *chips])
    if wear > limit.worn:
        assert inspection.grade != "sharp"
    if wear <= limit.discard:
        assert inspection.grade != "discard"
