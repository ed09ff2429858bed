"""Records by the command line."""

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from wearscope.cli import app
from wearscope.errors import InputError, RecordsError
from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.grading.observed import observed_corner
from wearscope.inspection import conclude, to_document
from wearscope.records.arrival import diameter_lost
from wearscope.records.store import open_records

Run = Callable[..., Result]


@pytest.fixture
def run(records_url: str, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("WEARSCOPE_RECORDS", records_url)
    return lambda *words: CliRunner().invoke(app, list(words))


def test_the_life_of_a_cutter(run: Run, tmp_path: Path) -> None:
    inspection = conclude([], facts=Facts("flat"), limits=load_limits(), observed=[observed_corner("blunt")])
    document = tmp_path / "slot-03.json"
    document.write_text(json.dumps(to_document(inspection)))
    for words in (
        ("cutter", "add", "slot-03", "--diameter", "1/4in", "--flutes", "2"),
        ("record", str(document), "--cutter", "slot-03"),
        ("use", "slot-03", "--minutes", "40", "--note", "plywood"),
        ("use", "slot-03", "--minutes", "25"),
        ("cutter", "undo", "1"),
        ("event", "slot-03", "sharpened"),
        ("overrule", "1", "--grade", "worn", "--reason", "cuts pine cleanly"),
        ("cutter", "check"),
    ):
        assert run(*words).exit_code == 0, words
    folder = tmp_path / "evidence"
    assert run("evidence", "slot-03", "--out", str(folder)).exit_code == 0
    assert run("evidence", "--verify", str(folder)).exit_code == 0
    (folder / "data" / "index.html").write_text("another page")
    assert "index.html: changed" in str(run("evidence", "--verify", str(folder)).exception)
    assert isinstance(run("evidence", "slot-03").exception, InputError)
    assert (
        f"slot-03: worn (measured: {inspection.grade}); 6.35 mm, carbide, flat, 2 flutes"
        in run("cutter", "list").stdout
    )
    shown = run("cutter", "show", "slot-03").stdout
    for words in (
        "entry 1: used 40 min, plywood, withdrawn",
        "inspection 1 overruled as worn: cuts pine cleanly",
        "entry 3: sharpened",
        "used for 25 min in all",
    ):
        assert words in shown


@pytest.mark.parametrize("content", ["", "{", "[]", '{"schema": "wearscope/inspection/1"}'])
def test_what_is_no_inspection_is_not_recorded(run: Run, tmp_path: Path, content: str) -> None:
    run("cutter", "add", "slot-03")
    (tmp_path / "x.json").write_text(content)
    result = run("record", str(tmp_path / "x.json"), "--cutter", "slot-03")
    assert isinstance(result.exception, RecordsError)
    assert "not an inspection" in str(result.exception)
    assert "inspection" not in run("cutter", "show", "slot-03").stdout


def test_an_edit_is_said_and_stays_in_the_history(run: Run) -> None:
    run(
        "cutter",
        "add",
        "slot-04",
        "--diameter",
        "1/4in",
        "--flute-form",
        "compression",
        "--up-cut-length",
        "5",
    )
    assert "shank not known -> 6.35mm" in run("cutter", "edit", "slot-04", "--shank", "1/4in").stdout
    assert run("cutter", "edit", "slot-04", "--max-speed", "18000", "--kind", "flat").exit_code == 0
    assert "note" not in run("cutter", "edit", "slot-04", "--empty", "up-cut-length").stdout
    assert run("cutter", "edit", "slot-04", "--shank", "0.25in").stdout == "slot-04: as it was\n"
    shown = run("cutter", "show", "slot-04", "--units", "inch").stdout
    for words in (
        "0.25 in, carbide, flat, number of flutes not given (material assumed)",
        "  shank: 0.25 in",
        "  marked maximum speed: 18000 rpm",
        "edited: shank - -> 6.35mm",
        "edited: up cut length 5mm -> -",
    ):
        assert words in shown
    assert "only a compression cutter" in str(
        run("cutter", "edit", "slot-04", "--up-cut-length", "3", "--flute-form", "straight").exception
    )
    assert isinstance(run("cutter", "edit", "slot-04").exception, InputError)
    assert isinstance(run("cutter", "edit", "slot-04", "--empty", "cutter").exception, InputError)
    assert run("cutter", "check").exit_code == 0


@pytest.mark.parametrize(("name", "units"), [("a.csv", "mm"), ("a.csv", "inch"), ("a.json", "mm")])
def test_what_was_exported_comes_back_as_it_was(run: Run, tmp_path: Path, name: str, units: str) -> None:
    run("cutter", "add", 'slot, "4"', "--diameter", "1/3in", "--note", "of the yard's grinder;\nnew")
    run("cutter", "add", "slot-05", "--kind", "ball", "--diameter", "3", "--flutes", "2", "--shank", "0.1")
    run("cutter", "add", "slot-06", "--kind", "engraver", "--material", "hss", "--bought", "2026-03-02")
    file = tmp_path / name
    assert run("cutter", "export", str(file), "--units", units).exit_code == 0
    before = run("cutter", "list", "--json").stdout
    assert run("cutter", "import", str(file)).stdout == "0 added, 0 edited, 3 as they were\n"
    other = f"sqlite:///{tmp_path / 'other.sqlite'}"
    assert run("cutter", "import", str(file), "--records", other).stdout.startswith("3 added")
    assert run("cutter", "list", "--json", "--records", other).stdout == before
    if name == "a.csv":
        with file.open(newline="", encoding="utf-8") as table:
            first, second, _ = csv.DictReader(table)
        assert first["note"] == "of the yard's grinder;\nnew"
        number = second["diameter"].removesuffix("mm" if units == "mm" else "in")
        assert float(number) * (1 if units == "mm" else 25.4) == 3.0  # an inch is 25.4 mm (ISO 31-1)


def test_an_import_is_all_or_nothing(run: Run, tmp_path: Path) -> None:
    run("cutter", "add", "slot-02", "--diameter", "6")
    file = tmp_path / "cutters.csv"
    file.write_text("cutter;diameter;flutes\nslot-01;1/4in;2\nslot-02;8;2\n", "utf-8")
    assert "'slot-02' is there with other facts; --update" in str(
        run("cutter", "import", str(file)).exception
    )
    assert "slot-01" not in run("cutter", "list").stdout
    assert run("cutter", "import", str(file), "--update").stdout == "1 added, 1 edited, 0 as they were\n"
    assert "diameter 6mm -> 8mm" in run("cutter", "show", "slot-02").stdout
    for text, said in (
        ("cutter,speed\nslot-01,3\n", "column 'speed' is unknown"),
        ("diameter\n6\n", "column 'cutter' is missing"),
        ("cutter,diameter\nslot-07,thick\n", "cutters.csv, line 2: 'thick' is not a length"),
        ("cutter,flutes\nslot-07,two\n", "line 2: flutes 'two': expected a whole number"),
        ("cutter,note\nslot-07,a,b\n", "line 2: more cells"),
        ("cutter,kind\nslot-07,flat\nslot-07,ball\n", "line 3: 'slot-07' is there before"),
    ):
        file.write_text(text, "utf-8")
        assert said in str(run("cutter", "import", str(file)).exception)
    assert "slot-07" not in run("cutter", "list").stdout


def test_the_table_of_the_sample_drawer_is_one_of_cutters_too(run: Run) -> None:
    table = Path(__file__).parent.parent / "sample_images" / "cutters.csv"
    assert run("cutter", "import", str(table)).stdout == "12 added, 0 edited, 0 as they were\n"


def test_use_above_the_marked_speed_is_warned_of(run: Run) -> None:
    run("cutter", "add", "slot-04", "--max-speed", "18000")
    said = run("use", "slot-04", "--metres", "30", "--in", "plywood", "--speed", "20000", "--feed", "2400")
    assert said.stdout == "slot-04: entry 1: used 30 m, in plywood, 20000 rpm, 2400 mm/min\n"
    assert "above the maximum speed marked on it, 18000 rpm" in said.stderr
    assert run("use", "slot-04", "--minutes", "3", "--speed", "18000").stderr == ""
    for words in (["--minutes", "-1"], ["--minutes", "nan"], ["--speed", "18000"], ["--metres", "0"]):
        assert isinstance(run("use", "slot-04", *words).exception, InputError)


SAMPLES = Path(__file__).parent.parent / "sample_images"
CALIBRATION = str(Path(__file__).parent.parent / "calibration" / "sample_microscope.toml")


def test_a_new_cutter_is_the_reference_for_later(run: Run, tmp_path: Path) -> None:
    """A photo held against itself: nothing is gone. Without one from when new, no form is compared at all."""
    run("cutter", "add", "slot-02", "--flutes", "2")
    common = ("--record", "slot-02", "--calibration", CALIBRATION, "--out", str(tmp_path))
    first = run("inspect", str(SAMPLES / "slot01_flat6_carbide_flute1.jpg"), "--new", *common)
    assert "slot-02: inspection 1 recorded, sharp; the reference when new" in first.stderr
    later = run("inspect", str(SAMPLES / "slot02_flat6_carbide_worn.jpg"), "--json", *common)
    assert later.exit_code == 5
    same = run("inspect", str(SAMPLES / "slot01_flat6_carbide_flute1.jpg"), "--json", *common)
    measured = {m["name"]: m for m in json.loads(same.stdout)["photos"][0]["measurements"]}
    gone = measured["form_deviation"]
    assert gone["kind"] == "upper_limit" or gone["value"] <= gone["uncertainty"]
    assert gone["value"] < 0.01
    alone = run("inspect", str(SAMPLES / "slot01_flat6_carbide_flute1.jpg"), "--json", *common[2:])
    assert "form_deviation" not in {m["name"] for m in json.loads(alone.stdout)["photos"][0]["measurements"]}
    again = run("inspect", str(SAMPLES / "slot01_flat6_carbide_flute1.jpg"), "--new", *common)
    assert "was inspected or used before" in str(again.exception)
    other = run("inspect", str(SAMPLES / "slot02_flat6_carbide_worn.jpg"), "--diameter", "8", *common)
    assert "recorded with diameter 6.0, and 8.0 was given" in str(other.exception)
    shown = run("cutter", "show", "slot-02").stdout
    assert "inspection 1: sharp, incomplete, as new" in shown
    assert "inspection 2: worn" in shown
    assert "inspection 4" not in shown
    with open_records() as records:
        (photo,) = records.new_photos("slot-02")
        assert photo.outline_px is not None and len(photo.outline_px.px) > 100
        row = records.inspections("slot-02")[1]
        kept = records.calibration(str(row.calibration_sha256))
        assert kept is not None and kept.text == Path(CALIBRATION).read_text("utf-8")
        assert records.photo_path(kept.target_sha256).endswith("sample_microscope_chessboard.jpg")
        rules = records.limits(str(row.limits_sha256))
        assert rules is not None and f"common-practice@{rules.sha256[:12]}" == row.limits_id


def test_a_cutter_that_is_worn_on_arrival_is_no_reference(run: Run, tmp_path: Path) -> None:
    run("cutter", "add", "slot-02")
    said = run(
        "inspect", str(SAMPLES / "slot02_flat6_carbide_worn.jpg"), "--record", "slot-02", "--new",
        "--calibration", CALIBRATION, "--out", str(tmp_path),
    )  # fmt: skip
    assert (
        "not taken as the reference when new: it is worn on arrival: do not use it, send it back"
        in said.stderr
    )
    assert "as new" not in run("cutter", "show", "slot-02").stdout
    lonely = run("inspect", str(SAMPLES / "slot02_flat6_carbide_worn.jpg"), "--new", "--px-per-mm", "200")
    assert "give --record CUTTER too" in str(lonely.exception)


def diameter(tmp_path: Path, run: Run, *readings: str) -> str:
    words = [word for reading in readings for word in ("--reading", reading)]
    document = run("diameter", *words, "--flutes", "2", "--json").stdout
    path = tmp_path / f"{readings[0]}.json"
    path.write_text(document, "utf-8")
    return str(path)


def test_the_diameter_lost_counts_from_when_new(run: Run, tmp_path: Path) -> None:
    """Readings of 6.000 and 5.900 mm: 0.1 mm lost, of which 0.04 mm (worn) is certain and 0.10 (discard) is not."""
    run("cutter", "add", "slot-02", "--flutes", "2", "--diameter", "6")
    new = run("record", diameter(tmp_path, run, "6.000", "6.001"), "--cutter", "slot-02", "--new")
    assert "diameter 6.000" in new.stdout and "the reference when new" in new.stdout
    later = run("record", diameter(tmp_path, run, "5.901", "5.900"), "--cutter", "slot-02")
    assert "worn: diameter lost since new: at least 0.09" in later.stdout
    shown = run("cutter", "show", "slot-02").stdout
    assert "diameter 6.0005 ± 0.0041 mm, as new" in shown
    assert "worn: diameter lost since new: at least 0.09" in shown
    with open_records() as records:
        lost = diameter_lost(records, "slot-02")
        sizes = records.diameters("slot-02")
    assert lost is not None and abs(lost.value - 0.1) < 0.002
    assert lost.expanded == pytest.approx(sum(size.uncertainty_mm**2 for size in sizes) ** 0.5)
    late = run("record", diameter(tmp_path, run, "5.901", "5.900"), "--cutter", "slot-02", "--new")
    assert "leave --new out" in str(late.exception)
    run("event", "slot-02", "sharpened")
    assert run("record", diameter(tmp_path, run, "5.8"), "--cutter", "slot-02", "--new").exit_code == 0
