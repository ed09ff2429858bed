"""Uses and events that are written down later than they happened, one by one and as tables."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from wearscope.cli import app
from wearscope.errors import InputError
from wearscope.facts import Facts
from wearscope.records.exchange import read_uses, uses_csv, uses_json
from wearscope.records.outlook import outlook
from wearscope.records.store import Entry, Records, Use, open_records

SIX_MM = Facts.given(kind="flat", material="carbide", diameter_mm=6.0, flutes=2)
PLY = Use(30.0, 45.0, "birch plywood", 18000.0, 1500.0)


def all_entries(records: Records) -> list[Entry]:
    return [Entry.of(row) for c in records.cutters() for row in records.entries(c.id) if not row.withdrawn_at]


def test_a_use_counts_from_the_day_on_which_it_was(records_url: str) -> None:
    """Sharpened in between: what was cut before does not count towards the edge of now, whenever it was written down."""
    with open_records(records_url) as records:
        records.add_cutter("slot-1", SIX_MM)
        records.add_event("slot-1", "sharpened", when="2026-03-10")
        records.add_use("slot-1", 40.0, when="2026-03-01")
        records.add_use("slot-1", 25.0, when="2026-03-12")
        assert [(e.what, e.minutes) for e in records.entries("slot-1")] == [
            ("used", 40.0),
            ("sharpened", None),
            ("used", 25.0),
        ]
        assert outlook(records, records.cutters()[0]).used_min == 25.0
        assert records.changed() == []


def test_times_are_kept_in_utc() -> None:
    assert Entry("a", "cleaned", "2026-05-17T01:30+02:00").when == "2026-05-16T23:30:00.000+00:00"
    assert Entry("a", "cleaned", "2026-05-17").when == "2026-05-17T12:00:00.000+00:00"


@pytest.mark.parametrize(
    ("when", "words"),
    [("yesterday", "no day or time"), ("17.5.2026", "no day or time"), ("9999-01-01", "still to come")],
)
def test_a_day_that_makes_no_sense_is_refused(when: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        Entry("slot-1", "used", when, PLY)


def test_an_hour_from_now_is_still_to_come() -> None:
    with pytest.raises(InputError, match="still to come"):
        Entry("slot-1", "cleaned", (datetime.now(UTC) + timedelta(hours=1)).isoformat())


@pytest.mark.parametrize("ending", ["csv", "json"])
def test_what_is_written_out_reads_back_as_it_was(records_url: str, tmp_path: Path, ending: str) -> None:
    file = tmp_path / f"uses.{ending}"
    with open_records(records_url) as records:
        records.add_cutter("slot-1", SIX_MM)
        records.add_cutter("slot 2, ball", SIX_MM)
        records.add_use("slot-1", PLY, note='the "big" hatch, second side')
        records.add_event("slot 2, ball", "cleaned", when="2026-02-03")
        records.withdraw(records.add_use("slot-1", 99.0).id)
        written = all_entries(records)
        file.write_text(uses_csv(written) if ending == "csv" else uses_json(written), "utf-8")
        assert read_uses(file) == written
        assert records.import_entries(read_uses(file)) == (0, 2)
        assert all_entries(records) == written


def test_a_table_of_uses_is_added_whole_or_not_at_all(records_url: str) -> None:
    with open_records(records_url) as records:
        records.add_cutter("slot-1", SIX_MM)
        with pytest.raises(InputError, match="slot-9"):
            records.import_entries([Entry("slot-1", "used", "2026-01-01", PLY), Entry("slot-9", "cleaned")])
        assert all_entries(records) == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("cutter,minutes\nslot-1,ten\n", r"line 2: column minutes: 'ten' is not a number"),
        ("cutter,what,minutes\nslot-1,cleaned,10\n", "line 2: cleaned: minutes"),
        ("cutter,what\nslot-1,lost\n", "event 'lost' is unknown"),
        ("cutter,minutes,hours\nslot-1,1,1\n", "'hours' is unknown"),
        ("cutter,minutes\nslot-1,-4\n", "expected a number above 0"),
    ],
)
def test_a_table_that_makes_no_sense_is_refused_by_line(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "uses.csv"
    file.write_text(text)
    with pytest.raises(InputError, match=words):
        read_uses(file)


def test_the_commands(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'records.sqlite'}"

    def run(*words: str) -> str:
        result = CliRunner().invoke(app, [*words, "--records", url])
        assert result.exit_code == 0, result.output
        return result.output

    run("cutter", "add", "slot-1", "--diameter", "6")
    run("use", "slot-1", "--minutes", "30", "--on", "2026-04-01")
    run("event", "slot-1", "cleaned", "--on", "2026-04-02")
    assert "2 uses and events" in run("cutter", "export-uses", str(tmp_path / "uses.csv"))
    assert "0 added, 2 were there" in run("cutter", "import-uses", str(tmp_path / "uses.csv"))
    shown = run("cutter", "show", "slot-1")
    assert "2026-04-01 12:00  entry 1: used 30 min" in shown
