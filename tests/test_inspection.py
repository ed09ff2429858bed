"""One decision from several photos, and its JSON document."""

import json
from dataclasses import replace
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearscope.errors import InputError, RecordsError
from wearscope.facts import CutterKind, Facts
from wearscope.finding import Mark
from wearscope.flags import FLAGS
from wearscope.grading.decide import Grade
from wearscope.grading.limits import load_limits
from wearscope.grading.observed import DAMAGES, observed, observed_corner
from wearscope.inspection import (
    LimitSteps,
    Measurement,
    PhotoReport,
    ScaleUsed,
    conclude,
    from_document,
    join,
    json_schema,
    to_document,
)
from wearscope.quantity import Quantity
from wearscope.report.view import photo_sheet

LIMITS = load_limits()
SIX_MM = Facts("flat", "carbide", 6.0, 2)
RADIUS = Measurement(
    "corner_radius",
    Quantity(0.083, "mm", {"scale": 0.0004, "noise": 0.003}, below=0.005, above=0.007),
    "worn",
    LimitSteps(0.04, 0.10),
    False,
    "corner radius: at least 0.0789 mm, above the worn limit 0.04 mm",
)


def photo(digest: str = "a", grade: Grade = "sharp", **changes: Any) -> PhotoReport:
    report = PhotoReport(
        path=f"cutter_03_{digest}.jpg",
        sha256=digest * 64,
        size=(1600, 1200),
        view="corner",
        flute=1,
        grade=grade,
        reasons=(f"seen as {grade}",),
        flags=("tint:none", "scale_assumed_exact"),
        measurements=(RADIUS, Measurement("edge_blur_width", Quantity(1.2, "px", {"noise": 0.02}))),
        not_measured={"wear_land_max": "not in this view"},
        marks=(Mark("virtual_corner", (812.4, 301.9)), Mark("chip", (640.2, 500.1), "0.05 mm")),
        remarks=("window 400 px",),
        scale=ScaleUsed("typed", 241.3, 0.5),
    )
    return replace(report, **changes)


def test_both_flutes_make_it_complete() -> None:
    one = conclude([photo("a", flute=1)], facts=SIX_MM, limits=LIMITS)
    assert (one.grade, one.complete, one.missing_views) == ("sharp", False, ("corner of flute 2",))
    assert "corner of flute 2" in one.advice
    two = conclude([photo("a", flute=1), photo("b", flute=2)], facts=SIX_MM, limits=LIMITS)
    assert (two.grade, two.complete, two.missing_views) == ("sharp", True, ())


def test_the_same_photo_twice_never_completes_a_cutter() -> None:
    twice = conclude([photo("a", flute=1), photo("a", flute=2)], facts=SIX_MM, limits=LIMITS)
    assert len(twice.photos) == 1
    assert twice.photos[0].flute == 1
    assert twice.missing_views == ("corner of flute 2",)


def test_two_photos_of_one_flute_do_not_complete_a_cutter() -> None:
    both = conclude([photo("a"), photo("b")], facts=SIX_MM, limits=LIMITS)
    assert not both.complete


def test_an_unknown_number_of_flutes_is_never_complete() -> None:
    facts = replace(SIX_MM, flutes=None)
    seen = [photo(digest, flute=n) for n, digest in enumerate("abc", 1)]
    assert not conclude(seen, facts=facts, limits=LIMITS).complete


def test_another_view_does_not_stand_in_for_a_corner() -> None:
    shank = conclude([photo(view="shank")], facts=replace(SIX_MM, flutes=1), limits=LIMITS)
    assert shank.missing_views == ("corner of flute 1",)


@pytest.mark.parametrize(
    ("grades", "result"),
    [
        (("sharp", "sharp"), "sharp"),
        (("sharp", "worn"), "worn"),
        (("worn", "retake"), "retake"),
        (("retake", "discard"), "discard"),
    ],
)
def test_the_cutter_is_as_good_as_its_worst_photo(grades: tuple[Grade, Grade], result: Grade) -> None:
    photos = [photo("a", grades[0], flute=1), photo("b", grades[1], flute=2)]
    inspection = conclude(photos, facts=SIX_MM, limits=LIMITS)
    assert inspection.grade == result
    assert inspection.reasons[0].endswith(f"seen as {result}")


def test_joining_inspections_is_looking_at_all_photos_at_once() -> None:
    photos = [photo("a", flute=1), photo("b", "worn", flute=2)]
    one_by_one = [conclude([p], facts=SIX_MM, limits=LIMITS) for p in photos]
    assert join(one_by_one, limits=LIMITS) == conclude(photos, facts=SIX_MM, limits=LIMITS)


def test_no_photo_is_no_inspection() -> None:
    with pytest.raises(ValueError, match="at least one photo or one observation"):
        conclude([], facts=SIX_MM, limits=LIMITS)


@pytest.mark.parametrize(
    ("changes", "facts", "said"),
    [
        ({"grade": "discard"}, SIX_MM, "Do not use it again"),
        ({"grade": "discard"}, Facts(material="carbide"), "scrap metal; carbide is worth recycling"),
        ({"grade": "discard"}, Facts(material="hss"), "scrap metal; high-speed steel goes"),
        ({"grade": "discard"}, Facts.given(kind="flat"), "scrap metal; if it is carbide"),
        ({"grade": "discard"}, Facts("surfacing"), "turn the insert"),
        ({"grade": "worn"}, SIX_MM, "roughing"),
        (
            {"grade": "worn", "measurements": (replace(RADIUS, unconfirmed=True),)},
            SIX_MM,
            "Do not use it until confirmed",
        ),
        ({"grade": "retake", "flags": ("out_of_focus",)}, SIX_MM, FLAGS["out_of_focus"].advice),
        ({"grade": "worn", "flags": ("tint:heat",)}, SIX_MM, FLAGS["tint:heat"].advice),
        ({"grade": "sharp", "flags": ("tint:resin",)}, SIX_MM, FLAGS["tint:resin"].advice),
    ],
)
def test_advice_follows_grade_kind_and_flags(changes: dict[str, Any], facts: Facts, said: str) -> None:
    assert said in conclude([photo(**changes)], facts=facts, limits=LIMITS).advice


@pytest.mark.parametrize(
    ("view", "shows", "one"),
    [("corner", "flute 2", 2), ("edge", "flute 2", 2), ("end", "all flutes", None), ("shank", "", None)],
)
def test_a_photo_says_which_flutes_it_shows(view: str, shows: str, one: int | None) -> None:
    seen = photo(view=view, flute=2)
    assert (seen.shows(), seen.one_flute) == (shows, one)
    title = " · ".join(part for part in (f"{view} view", shows) if part)
    assert photo_sheet(seen).title == title


def test_the_edges_of_a_surfacing_cutter_are_called_inserts() -> None:
    facts = Facts("surfacing", diameter_mm=22.0, flutes=3)
    sheet = photo_sheet(photo(view="corner", flute=2), tooth=facts.tooth)
    assert sheet.title == "corner view · insert 2"
    assert photo(view="end").shows(facts.tooth) == "all inserts"


def test_an_edge_with_heat_colours_is_not_simply_used() -> None:
    hot = conclude([photo(flags=("tint:heat",))], facts=SIX_MM, limits=LIMITS)
    assert "Use it." not in hot.advice
    assert "heat came from" in hot.advice


def test_use_it_is_said_only_where_every_required_view_was_seen() -> None:
    one = conclude([photo("a")], facts=SIX_MM, limits=LIMITS)
    both = conclude([photo("a"), photo("b", flute=2)], facts=SIX_MM, limits=LIMITS)
    assert one.grade == both.grade == "sharp"
    assert "Use it" not in one.advice
    assert both.advice.startswith("Use it.")


@pytest.mark.parametrize("grade", ["sharp", "worn", "retake"])
@pytest.mark.parametrize(("kind", "asked"), [("flat", 4), ("surfacing", 5)])
def test_every_inspection_says_what_to_look_for_by_eye(grade: Grade, kind: CutterKind, asked: int) -> None:
    seen = photo("a", grade)
    told = conclude([seen], facts=Facts(kind), limits=LIMITS).advice
    assert sum(damage.noun in told for damage in DAMAGES) == asked
    asked_already = conclude([seen], facts=Facts(kind), limits=LIMITS, observed=observed((), kind))
    assert "Look by eye" not in asked_already.advice


def test_a_worn_shank_is_no_reason_to_sharpen_and_a_marked_one_leads_to_the_collet() -> None:
    corners = [photo("a"), photo("b", flute=2)]
    worn = conclude([*corners, photo("c", "worn", view="shank")], facts=SIX_MM, limits=LIMITS)
    assert worn.advice.startswith("Its shank is past its best")
    assert "sharpened" not in worn.advice
    marked = conclude(
        [*corners, photo("c", view="shank", flags=("shank_marks",))], facts=SIX_MM, limits=LIMITS
    )
    assert marked.grade == "sharp"
    assert "Look at the collet too" in marked.advice


def test_a_damaged_surfacing_cutter_is_discarded_whole() -> None:
    facts = Facts("surfacing", "carbide", 25.0, 1)
    cracked = conclude([photo()], facts=facts, limits=LIMITS, observed=observed(("crack",), "surfacing"))
    bent = conclude([photo(), photo("b", "discard", view="shank")], facts=facts, limits=LIMITS)
    for inspection in (cracked, bent):
        assert inspection.advice.startswith("Do not use it again.")
        assert "turn the insert" not in inspection.advice


def test_resin_asks_for_a_clean_cutter_and_for_no_other_light() -> None:
    told = conclude([photo(grade="retake", flags=("tint:resin",))], facts=SIX_MM, limits=LIMITS).advice
    assert told.count("take the photo again") == 1
    assert "Come closer" not in told
    done = conclude([photo(grade="discard", flags=("tint:resin",))], facts=SIX_MM, limits=LIMITS).advice
    assert "take the photo again" not in done


@pytest.mark.parametrize(
    ("view", "missing"), [("corner", "corner of the other flutes"), ("end", "corner of every flute")]
)
def test_what_is_missing_is_named_where_the_flutes_were_not_counted(view: str, missing: str) -> None:
    seen = conclude([photo(view=view)], facts=replace(SIX_MM, flutes=None), limits=LIMITS)
    assert seen.missing_views == (f"{missing} (their number was not given)",)


def test_the_schema_is_a_schema_and_the_document_fits_it() -> None:
    jsonschema.Draft202012Validator.check_schema(json_schema())
    inspection = conclude([photo("a"), photo("b", "retake", flute=2)], facts=SIX_MM, limits=LIMITS)
    jsonschema.Draft202012Validator(json_schema()).validate(to_document(inspection))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.update(grade="blunt"),
        lambda d: d.pop("missing_views"),
        lambda d: d.update(schema="wearscope/inspection/2"),
        lambda d: d["photos"][0]["measurements"][0].update(kind="guess"),
        lambda d: d["photos"][0].update(sha256="0"),
        lambda d: d.update(more=1),
        lambda d: d["photos"].clear(),
    ],
)
def test_the_schema_refuses_what_is_no_inspection(spoil: Any) -> None:
    document = to_document(conclude([photo()], facts=SIX_MM, limits=LIMITS))
    spoil(document)
    assert list(jsonschema.Draft202012Validator(json_schema()).iter_errors(document))


def test_the_document_holds_what_other_programs_rely_on() -> None:
    document = to_document(conclude([photo()], facts=SIX_MM, limits=LIMITS))
    assert document["schema"] == "wearscope/inspection/1"
    assert document["calibration"] == {"id": "typed", "px_per_mm": 241.3, "uncertainty": 0.5}
    assert document["limits"] == {"id": LIMITS.id}
    first = document["photos"][0]
    assert first["marks"][0] == {"name": "virtual_corner", "px": [812.4, 301.9]}
    assert first["not_measured"] == [{"name": "wear_land_max", "reason": "not in this view"}]
    measurement = first["measurements"][0]
    assert {
        key: measurement[key] for key in ("name", "value", "unit", "uncertainty", "coverage", "kind", "grade")
    } == {
        "name": "corner_radius",
        "value": 0.083,
        "unit": "mm",
        "uncertainty": 0.007,
        "coverage": 0.95,
        "kind": "value",
        "grade": "worn",
    }
    assert measurement["parts"] == {"scale": 0.0004, "noise": 0.003}


numbers = st.floats(0, 1e3, allow_subnormal=False)


@given(
    value=numbers,
    parts=st.dictionaries(st.sampled_from(["scale", "noise", "blur", "tilt"]), numbers),
    kind=st.sampled_from(["value", "upper_limit", "lower_limit"]),
    sides=st.tuples(numbers | st.none(), numbers | st.none()),
    text=st.text(),
)
def test_a_document_written_and_read_is_the_same_inspection(
    value: float, parts: dict[str, float], kind: Any, sides: tuple[float | None, float | None], text: str
) -> None:
    quantity = Quantity(value, "mm", parts, kind, *sides)
    report = photo(measurements=(replace(RADIUS, quantity=quantity),), path=text, remarks=(text,))
    inspection = conclude([report, photo("b", "worn", flute=2)], facts=SIX_MM, limits=LIMITS)
    assert from_document(json.loads(json.dumps(to_document(inspection)))) == inspection


@pytest.mark.parametrize(
    ("kind", "seen", "grade", "asked"),
    [
        ("flat", (), "sharp", 4),
        ("flat", ("crack",), "discard", 4),
        ("flat", ("spun_shank", "bent_body"), "discard", 4),
        ("surfacing", ("insert_seat",), "discard", 5),
    ],
)
def test_a_damage_that_is_seen_means_discard_whatever_was_measured(
    kind: CutterKind, seen: tuple[str, ...], grade: Grade, asked: int
) -> None:
    answers = observed(seen, kind)
    inspection = conclude([photo()], facts=Facts(kind), limits=LIMITS, observed=answers)
    assert inspection.grade == grade
    assert len(inspection.observed) == asked
    assert all(f"seen by eye, not measured: {name.replace('_', ' ')}" in inspection.reasons for name in seen)
    jsonschema.Draft202012Validator(json_schema()).validate(to_document(inspection))
    assert from_document(to_document(inspection)) == inspection


@pytest.mark.parametrize(
    ("state", "grade"),
    [("sharp", "sharp"), ("rounding", "worn"), ("blunt", "discard"), ("chipped", "discard")],
)
def test_a_look_by_eye_alone_is_recorded_but_never_complete(state: str, grade: Grade) -> None:
    answers = (observed_corner(state), *observed((), "flat"))
    inspection = conclude([], facts=SIX_MM, limits=LIMITS, observed=answers)
    assert (inspection.grade, inspection.complete) == (grade, False)
    document = to_document(inspection)
    jsonschema.Draft202012Validator(json_schema()).validate(document)
    assert document["calibration"] is None
    assert document["observed"][0] == {"name": "corner", "answer": state, "grade": grade}


@pytest.mark.parametrize("wrong", [lambda: observed(("rust",), "flat"), lambda: observed_corner("so-so")])
def test_an_answer_that_is_unknown_is_refused(wrong: Any) -> None:
    with pytest.raises(InputError, match="expected"):
        wrong()


@pytest.mark.parametrize("schema", [None, "wearscope/inspection/2", 1])
def test_a_document_of_another_form_is_refused(schema: object) -> None:
    document = to_document(conclude([photo()], facts=SIX_MM, limits=LIMITS)) | {"schema": schema}
    with pytest.raises(RecordsError, match="expected 'wearscope/inspection/1'"):
        from_document(document)
