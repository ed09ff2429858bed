"""Limits reviewed by what people said: honest where there is too little, right where there is enough."""

from collections.abc import Iterator, Sequence
from hashlib import sha256
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from wearscope.cli import app
from wearscope.errors import InputError, RecordsError
from wearscope.facts import Facts
from wearscope.grading.decide import decide
from wearscope.grading.limits import load_limits
from wearscope.inspection import Inspection, LimitSteps, Measurement, PhotoReport, ScaleUsed, conclude
from wearscope.quantity import Quantity
from wearscope.records.review import Proposal, TooFew, agreement, as_limits_file, opinions, proposals
from wearscope.records.store import Records, open_records

LIMITS = load_limits()
GROUP = ("flat", "3-6", "carbide")


@pytest.fixture
def records(records_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Records]:
    monkeypatch.setenv("WEARSCOPE_RECORDS", records_url)
    with open_records(records_url) as opened:
        opened.add_cutter("slot-03", Facts("flat", "carbide", 6.0, 2))
        yield opened


def seen(radius_mm: float, *, chip_mm: float = 0.001, nominal_mm: float = 0.0) -> Inspection:
    kind = "corner-radius" if nominal_mm else "flat"
    facts = Facts(kind, "carbide", 6.0, 2, nominal_mm)  # type: ignore[arg-type]
    measured = []
    for name, value in (("corner_radius", nominal_mm + radius_mm), ("chip_depth_max", chip_mm)):
        limit = LIMITS.for_cutter(facts)[name]
        quantity = Quantity(value, "mm", {"noise": 0.0001})
        steps = LimitSteps(limit.worn, limit.discard)
        measured.append(Measurement(name, quantity, decide(quantity, limit).grade, steps))
    report = PhotoReport(
        path="slot-03.jpg",
        sha256=sha256(f"{radius_mm} {chip_mm}".encode()).hexdigest(),
        size=(1600, 1200),
        view="corner",
        flute=1,
        grade="worn" if radius_mm > 0.04 else "sharp",
        reasons=(),
        flags=(),
        measurements=tuple(measured),
        not_measured={},
        marks=(),
        remarks=(),
        scale=ScaleUsed("typed", 241.3, 0.5),
    )
    return conclude([report], facts=facts, limits=LIMITS)


def say(records: Records, radii: Sequence[float], grade: str, **more: float) -> None:
    for radius in radii:
        row = records.record("slot-03", seen(radius, **more))
        records.overrule(row.id, grade, reason="cut a test piece")


def of(found: Sequence[Proposal | TooFew], name: str, step: str) -> Proposal | TooFew:
    (one,) = (p for p in found if (p.measurement, p.step) == (name, step))
    return one


def test_enough_verdicts_move_a_limit_between_them(records: Records) -> None:
    """Of 8 values in random order the 4 largest are given ones with probability 1/70 (8 choose 4)."""
    say(records, (0.020, 0.035, 0.050, 0.055), "sharp")
    say(records, (0.065, 0.070, 0.080, 0.090), "worn")
    found = proposals(opinions(records, LIMITS), LIMITS)
    worn = of(found, "corner_radius", "worn")
    assert isinstance(worn, Proposal)
    assert (worn.group, worn.now, worn.below, worn.above) == (GROUP, 0.04, 4, 4)
    assert (worn.low, worn.high, worn.value) == (0.055, 0.065, pytest.approx(0.06))
    assert worn.chance == pytest.approx(1 / 70)
    assert agreement(opinions(records, LIMITS)) == {"agree": 6, "milder": 2, "stricter": 0}
    discard = of(found, "corner_radius", "discard")
    assert isinstance(discard, TooFew) and "8 said to be below it, 0 above" in discard.reason


def test_three_against_three_could_be_chance(records: Records) -> None:
    """1/20 (6 choose 3) is not below 5 %."""
    say(records, (0.020, 0.035, 0.050), "sharp")
    say(records, (0.065, 0.070, 0.080), "worn")
    worn = of(proposals(opinions(records, LIMITS), LIMITS), "corner_radius", "worn")
    assert isinstance(worn, TooFew) and "this could be chance (5%)" in worn.reason


def test_verdicts_that_contradict_each_other_move_nothing(records: Records) -> None:
    say(records, (0.020, 0.040, 0.060, 0.080, 0.1), "sharp")
    say(records, (0.021, 0.041, 0.061, 0.081, 0.101), "worn")
    worn = of(proposals(opinions(records, LIMITS), LIMITS), "corner_radius", "worn")
    assert isinstance(worn, TooFew) and "the values do not tell them apart" in worn.reason


def test_what_is_worn_for_another_reason_does_not_count_against_a_radius(records: Records) -> None:
    say(records, (0.020, 0.030, 0.040, 0.050), "sharp")
    say(records, (0.001, 0.002, 0.003, 0.004), "worn", chip_mm=0.06)
    found = proposals(opinions(records, LIMITS), LIMITS)
    radius = of(found, "corner_radius", "worn")
    assert isinstance(radius, TooFew) and "0 above" in radius.reason
    assert isinstance(of(found, "chip_depth_max", "worn"), Proposal)


def test_a_nominal_radius_is_not_wear(records: Records) -> None:
    say(records, (0.020, 0.035, 0.050, 0.055), "sharp", nominal_mm=1.0)
    say(records, (0.065, 0.070, 0.080, 0.090), "worn", nominal_mm=1.0)
    worn = of(proposals(opinions(records, LIMITS), LIMITS), "corner_radius", "worn")
    assert isinstance(worn, Proposal)
    assert worn.group == ("corner-radius", "3-6", "carbide")
    assert (worn.value, worn.now) == (pytest.approx(0.06), 0.04)


def test_the_last_word_about_an_inspection_counts(records: Records) -> None:
    say(records, (0.05,), "sharp")
    records.overrule(1, "worn", reason="it burns after all")
    assert [opinion.said for opinion in opinions(records, LIMITS)] == ["worn"]


def run(*words: object) -> Result:
    return CliRunner().invoke(app, ["limits", *map(str, words)])


def test_the_proposal_is_a_limits_file_that_grades_as_people_do(records: Records, tmp_path: Path) -> None:
    assert "nobody has graded an inspection yet" in run("--review").stdout
    say(records, (0.020, 0.035, 0.050, 0.055), "sharp")
    say(records, (0.065, 0.070, 0.080, 0.090), "worn")
    file = tmp_path / "own.toml"
    said = run("--review", "--out", file)
    assert "corner radius worn: 0.06 mm instead of 0.04 mm; higher than now" in said.stdout
    assert "nothing proposed for" in said.stdout
    own = load_limits(file)
    limit = own.for_cutter(Facts("flat", "carbide", 6.0))["corner_radius"]
    assert (limit.worn, limit.discard, limit.status) == (0.06, 0.1, "from 8 verdicts of our own")
    hss = own.for_cutter(Facts("flat", "hss", 6.0))["corner_radius"]
    assert hss.worn == LIMITS.for_cutter(Facts("flat", "hss", 6.0))["corner_radius"].worn
    assert decide(Quantity(0.05, "mm", {"noise": 0.001}), limit).grade == "sharp"
    before = file.read_bytes()
    assert isinstance(run("--review", "--out", file).exception, RecordsError)
    assert file.read_bytes() == before


def test_a_worn_step_above_the_discard_step_is_not_written(records: Records) -> None:
    say(records, (0.09, 0.10, 0.11, 0.12), "sharp")
    say(records, (0.13, 0.14, 0.15, 0.16), "worn")
    found = proposals(opinions(records, LIMITS), LIMITS)
    assert isinstance(of(found, "corner_radius", "worn"), Proposal)
    assert as_limits_file(found, LIMITS) == ""


def test_the_limits_in_force_are_shown(records: Records) -> None:
    """A flat cutter of 3 to 6 mm: radius 0.04 / 0.10 mm (common practice, no source)."""
    shown = run("slot-03").stdout
    assert f"slot-03: 6 mm, carbide, flat, 2 flutes; limits {LIMITS.id}" in shown
    (line,) = (line for line in shown.splitlines() if line.startswith("Corner radius"))
    assert line.split()[2:6] == ["0.04", "mm", "0.1", "mm"]
    assert "0.00157" in run("slot-03", "--units", "inch").stdout  # 0.04 mm / 25.4
    assert isinstance(run("slot-03", "--diameter", "8").exception, InputError)
    assert isinstance(run("slot-03", "--out", "x.toml").exception, InputError)
