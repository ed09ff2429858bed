"""How long a cutter will last: from records of a known wear law to words, plot and shopping list."""

import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import pytest
from drawer_fakes import Page
from trend_book import DISCARD, WORN, Clock, inspected
from typer.testing import CliRunner, Result

from wearscope.cli import app
from wearscope.errors import InputError
from wearscope.facts import Facts
from wearscope.quantity import Quantity
from wearscope.records.outlook import Outlook, Point, due, law_for, lives, outlook
from wearscope.records.store import Records, Use, open_records
from wearscope.records.trend import Remaining, Taylor, TooLittle
from wearscope.report.trend import forecast_text, left_text

FLAT6 = Facts("flat", "carbide", 6.0, 2)
NOISE = (0.0008, -0.0011, 0.0004, 0.0013, -0.0009, 0.0006, -0.0003, -0.0008)
"""Scatter of the measurements in mm, fixed, so that nothing here depends on a random generator."""


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr("wearscope.records.chain.now", clock)
    return clock


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Records]:
    url = f"sqlite:///{tmp_path / 'records.sqlite'}"
    monkeypatch.setenv("WEARSCOPE_RECORDS", url)
    with open_records(url) as records:
        yield records


def use_up(
    book: Records, clock: Clock, cutter: str, *, rate: float, start: float = 0.01, times: int = 8
) -> None:
    """A cutter inspected every week after 30 min of use, its corner radius growing by `rate` mm a minute."""
    for n in range(times):
        inspected(book, cutter, start + rate * 30 * n + NOISE[n])
        if n < times - 1:
            clock.later(7)
            book.add_use(cutter, 30)


def of(book: Records, clock: Clock, cutter: str) -> Outlook:
    return outlook(book, next(row for row in book.cutters() if row.id == cutter), now=clock.now)


def test_the_time_left_follows_the_wear_law(book: Records, clock: Clock) -> None:
    """0.01 mm + 0.0002 mm a minute reaches 0.10 mm at 450 min; 210 are used, so 240 are left."""
    book.add_cutter("slot 02", FLAT6)
    use_up(book, clock, "slot 02", rate=0.0002)
    seen = of(book, clock, "slot 02")
    assert (seen.used_min, seen.weekly_min, seen.grade) == (210, 30, "worn")
    series, left = seen.first_to_go("discard") or pytest.fail("nothing foretold")
    assert (series.name, series.flute, series.worn, series.discard) == ("corner_radius", 1, WORN, DISCARD)
    assert left.least < 240 < left.most
    assert left.minutes == pytest.approx(240, abs=15)
    book.add_use("slot 02", 25)
    later = of(book, clock, "slot 02")
    assert later.unseen_min == 25
    assert later.first_to_go("discard")[1].minutes == pytest.approx(left.minutes - 25)  # type: ignore[index]
    assert forecast_text(later)[0].startswith("Worn: reached")
    assert "weeks; corner radius, flute 1." in forecast_text(later)[1]


def test_sharpening_begins_a_new_life(book: Records, clock: Clock) -> None:
    book.add_cutter("slot 02", FLAT6)
    use_up(book, clock, "slot 02", rate=0.0002)
    book.add_event("slot 02", "sharpened")
    seen = of(book, clock, "slot 02")
    assert (seen.used_min, seen.grade, seen.series) == (0, None, ())
    assert "no wear was measured since sharpening" in forecast_text(seen)[0]
    use_up(book, clock, "slot 02", rate=0.0001, times=5)
    series = of(book, clock, "slot 02").series[0]
    assert [point.minutes for point in series.points] == [0, 30, 60, 90, 120]
    left = series.until("worn")
    assert isinstance(left, Remaining) and left.least < 180 < left.most


def test_a_withdrawn_use_or_sharpening_does_not_count(book: Records, clock: Clock) -> None:
    book.add_cutter("slot 02", FLAT6)
    book.add_use("slot 02", 40)
    wrong = book.add_use("slot 02", 400)
    event = book.add_event("slot 02", "sharpened")
    book.withdraw(wrong.id)
    book.withdraw(event.id)
    assert of(book, clock, "slot 02").used_min == 40


def test_metres_at_a_feed_are_minutes(book: Records, clock: Clock) -> None:
    book.add_cutter("slot 02", FLAT6)
    book.add_use("slot 02", Use(metres=45.0, feed_mm_min=1500.0))
    assert of(book, clock, "slot 02").used_min == 30


def test_a_persons_grade_comes_before_the_measured_one(book: Records, clock: Clock) -> None:
    book.add_cutter("slot 02", FLAT6)
    number = inspected(book, "slot 02", 0.3)
    assert due(of(book, clock, "slot 02")).when == "now"
    book.overrule(number, "worn", reason="cuts foam well enough")
    assert of(book, clock, "slot 02").grade == "worn"
    assert due(of(book, clock, "slot 02")).when == "cannot say"


def test_flutes_wear_on_their_own_and_the_worse_decides(book: Records, clock: Clock) -> None:
    book.add_cutter("slot 02", FLAT6)
    for n in range(6):
        inspected(book, "slot 02", 0.010 + 0.006 * n + NOISE[n], flute=1)
        inspected(book, "slot 02", 0.012 + 0.012 * n + NOISE[n], flute=2)
        book.add_use("slot 02", 30)
    seen = of(book, clock, "slot 02")
    assert [series.flute for series in seen.series] == [1, 2]
    assert seen.first_to_go("discard")[0].flute == 2  # type: ignore[index]


def test_at_most_counts_as_anywhere_up_to_there() -> None:
    """Even distribution between its bounds: JCGM 100:2008, 4.3.7, u = a / sqrt(3) with the half width a."""
    point = Point(0, Quantity(0.012, "mm", {}, "upper_limit"))
    assert (point.value, point.uncertainty) == (0.006, pytest.approx(0.006 / 3**0.5))


def test_too_little_is_said_with_the_reason(book: Records, clock: Clock) -> None:
    book.add_cutter("slot 02", FLAT6)
    inspected(book, "slot 02", 0.01)
    seen = of(book, clock, "slot 02")
    assert seen.first_to_go("worn") is None
    assert "1 point; at least 4" in forecast_text(seen)[0]


@pytest.mark.parametrize(
    ("left", "words"),
    [
        (Remaining(93, 61, 139), "about 90 min, 60 to 140"),
        (Remaining(7.4, 0, 16.2), "about 8 min, 0 to 18"),
        (Remaining(700, 420, 1400), "about 12 h, 6 to 24"),
        (Remaining(0, 0, 0), "reached"),
        (Remaining(0, 0, 5.2), "reached; at most 6 min left"),
        (TooLittle("3 points"), "cannot say"),
    ],
)
def test_times_are_rounded_to_what_the_interval_can_tell(left: Remaining | TooLittle, words: str) -> None:
    assert left_text(left) == words


@pytest.mark.parametrize("sharpened", [False, True])
def test_published_wear_curves_in_the_records_give_taylors_law(
    book: Records, clock: Clock, run: "Run", sharpened: bool
) -> None:
    """Flank wear over minutes at 100 and 155 m/min, criterion 0.75 mm: T = 20.4167 and 10.000 min, n = 0.614003, C = 637.287:
    https://tutorsglobe.com/question/1-tool-life-determinationflank-wear-data-were-collected-in-51079272.aspx

    Two cutters, or two lives of one that was sharpened in between.
    """
    curves = {
        100.0: ([1, 5, 11, 15, 20, 25], [0.12, 0.27, 0.45, 0.58, 0.73, 0.97]),
        155.0: ([1, 5, 9, 11, 13], [0.22, 0.47, 0.70, 0.80, 0.99]),
    }
    for speed, (minutes, wear) in curves.items():
        name = "a" if sharpened else f"at {speed:g}"
        if name not in [row.id for row in book.cutters()]:
            book.add_cutter(name, FLAT6)
        else:
            book.add_event(name, "sharpened")
        before = 0
        for now, value in zip(minutes, wear, strict=True):
            rpm = speed * 1000 / (math.pi * 6.0)
            book.add_use(name, Use(now - before, work_material="steel", speed_rpm=rpm))
            inspected(book, name, value, steps=(0.75, 1.5))
            before = now
    found = lives(book)
    assert [life.minutes for life in found] == pytest.approx([20.4167, 10.000], abs=5e-4)
    assert [life.speed for life in found] == pytest.approx([100, 155])
    law = law_for(book.cutters()[0], found)["steel"]
    assert isinstance(law, Taylor)
    assert (law.n, law.c) == (pytest.approx(0.614003, abs=5e-7), pytest.approx(637.287, abs=5e-4))
    shown = run(book.cutters()[0].id)
    assert "in steel, cutters like this: speed × life^0.614 = 637.3" in shown.stdout


def test_speeds_that_change_within_a_life_give_no_law(book: Records, clock: Clock) -> None:
    book.add_cutter("a", FLAT6)
    for rpm, radius in ((8000, 0.01), (16000, 0.05)):
        book.add_use("a", Use(30, work_material="plywood", speed_rpm=rpm))
        inspected(book, "a", radius)
    assert lives(book) == [] and law_for(book.cutters()[0], []) == {}


# ---------------------------------------------------------------- the command

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    return lambda *words: CliRunner().invoke(app, ["trend", *words, "--out", str(tmp_path / "out")])


def test_page_plot_and_table_of_one_cutter(book: Records, clock: Clock, run: Run, tmp_path: Path) -> None:
    book.add_cutter("slot <2>", FLAT6)
    use_up(book, clock, "slot <2>", rate=0.0002)
    shown = run("slot <2>")
    assert shown.exit_code == 0, shown.output
    assert "0.04 mm / 0.1 mm" in shown.stdout and "Discard: after about 2" in shown.stdout
    page = Page((tmp_path / "out/slot--2-trend.html").read_text())
    assert page.words("h1") == ["slot <2>: wear against use"] and page.all("html")[0]["lang"] == "en"
    assert any("Discard: after about 2" in words for words in page.words("p"))
    assert len(page.words("tr")) == 2 + 1 + 8
    (image,) = page.all("img")
    assert "Discard: after about" in (image["alt"] or "")
    plot = cv2.imread(str(tmp_path / "out" / (image["src"] or "")))
    assert plot is not None and plot.shape[1] > 900
    document = json.loads(run("slot <2>", "--json").stdout)
    assert document["schema"] == "wearscope/trend/1"
    assert len(document["series"][0]["points"]) == 8
    until = document["series"][0]["until_discard"]
    assert until["least"] < 240 < until["most"]


def test_a_cutter_without_wear_has_a_page_without_a_plot(book: Records, run: Run, tmp_path: Path) -> None:
    book.add_cutter("new", FLAT6)
    assert "no wear was measured since new" in run("new").stdout
    assert not Page((tmp_path / "out/new-trend.html").read_text()).all("img")


def test_the_shopping_list(book: Records, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """30 min a week: what has less than a month of that left is on the list, the most urgent first."""
    rates = {"soon": 0.0004, "some day": 0.00005, "sooner": 0.00042}
    for name in ("blunt", "new", *rates):
        book.add_cutter(name, FLAT6)
    book.add_cutter("gone", FLAT6)
    book.add_event("gone", "discarded")
    inspected(book, "blunt", 0.3)
    for name, rate in rates.items():
        clock = Clock()
        monkeypatch.setattr("wearscope.records.chain.now", clock)
        use_up(book, clock, name, rate=rate)
    monkeypatch.setattr("wearscope.records.outlook._now", lambda: clock.now)
    listed = json.loads(run("--all", "--json").stdout)["cutters"]
    assert [(item["cutter"], item["replace"]) for item in listed] == [
        ("blunt", "now"),
        ("sooner", "this month"),
        ("soon", "this month"),
        ("new", "cannot say"),
        ("some day", "later"),
    ]
    assert listed[2]["weeks"] == pytest.approx(listed[2]["left"]["minutes"] / 30)
    shown = run("--all").stdout
    assert "Will need replacing this month: 3 × 6 mm, carbide, flat, 2 flutes" in shown
    assert "gone" not in shown


@pytest.mark.parametrize(
    ("words", "message"), [((), "--all"), (("a", "--all"), "--all"), (("a",), "not in the records")]
)
def test_wrong_use(book: Records, run: Run, words: tuple[str, ...], message: str) -> None:
    error = run(*words).exception
    assert isinstance(error, InputError) and message in str(error)


def test_the_diameter_lost_since_new_is_held_against_use(book: Records, clock: Clock) -> None:
    """A drawn loss of 0.6 um a minute: 0.04 mm (worn) after 67 min, 0.10 mm (discard) after 167 min."""
    book.add_cutter("slot 4", FLAT6)
    book.record_diameter("slot 4", {}, value_mm=5.98, uncertainty_mm=0.002, kind="value", as_new=True)
    for k in range(1, 7):
        clock.later(2)
        book.add_use("slot 4", 10.0)
        book.record_diameter(
            "slot 4", {}, value_mm=5.98 - 0.006 * k + NOISE[k], uncertainty_mm=0.002, kind="value"
        )
    seen = outlook(book, book.cutters()[0])
    (series,) = seen.series
    assert (series.name, series.flute, series.worn, series.discard) == ("diameter_lost", 0, 0.04, 0.10)
    assert [point.minutes for point in series.points] == [10, 20, 30, 40, 50, 60]
    worn, discard = seen.left(series, "worn"), seen.left(series, "discard")
    assert isinstance(worn, Remaining)
    assert isinstance(discard, Remaining)
    assert worn.least < 67 - 60 < worn.most
    assert discard.minutes == pytest.approx(167 - 60, abs=12)
    assert any(line.endswith("; diameter lost since new.") for line in forecast_text(seen))


def test_a_cutter_sharpened_since_has_a_new_diameter(book: Records, clock: Clock) -> None:
    book.add_cutter("slot 4", FLAT6)
    book.record_diameter("slot 4", {}, value_mm=5.98, uncertainty_mm=0.002, kind="value", as_new=True)
    clock.later(1)
    book.add_event("slot 4", "sharpened")
    clock.later(1)
    book.record_diameter("slot 4", {}, value_mm=5.90, uncertainty_mm=0.002, kind="value", as_new=True)
    assert outlook(book, book.cutters()[0]).series == ()
