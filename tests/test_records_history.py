"""Every write is in the history; photos are kept by digest and found where they are; lines found are kept."""

import json
import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import event

from wearscope.errors import InputError, RecordsError
from wearscope.facts import Facts, parse_length
from wearscope.finding import Curve
from wearscope.flags import FLAGS
from wearscope.grading.limits import load_limits
from wearscope.inspection import Inspection, PhotoReport, ScaleUsed, conclude, to_document
from wearscope.records.arrival import diameter_lost, no_reference
from wearscope.records.connect import opened
from wearscope.records.cutter import FLUTE_FORMS, Cutter, length_text
from wearscope.records.sources import pack, unpack
from wearscope.records.store import Records, Use, open_records

FACTS = Facts("flat", "carbide", 6.0, 2)


@pytest.fixture
def records(records_url: str) -> Iterator[Records]:
    with open_records(records_url) as opened_records:
        opened_records.add_cutter("slot-03", FACTS)
        yield opened_records


def looked_at(path: Path | str = "slot-03.jpg", content: bytes = b"photo", **more: object) -> Inspection:
    report = PhotoReport(
        path=str(path),
        sha256=sha256(content).hexdigest(),
        size=(1600, 1200),
        view="corner",
        flute=1,
        grade="sharp",
        reasons=(),
        flags=(),
        measurements=(),
        not_measured={},
        marks=(),
        remarks=(),
        scale=ScaleUsed("typed", 241.3, 0.5),
    )
    return conclude([replace(report, **more)], facts=FACTS, limits=load_limits())  # type: ignore[arg-type]


def everything(records: Records) -> None:
    records.edit("slot-03", {"shank": "6"})
    row = records.record("slot-03", looked_at())
    records.overrule(row.id, "worn", reason="burns birch")
    records.withdraw(records.add_use("slot-03", Use(40.0, 30.0, "birch", 18000.0, 2400.0)).id)
    records.record_diameter("slot-03", {}, value_mm=6.0, uncertainty_mm=0.002, kind="value")
    assert records.changed() == []


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("update entries set withdrawn_at=null", ["entry 1 (changed)"]),
        ("update cutters set shank_mm=8", ["cutter slot-03 (changed)"]),
        ("update diameters set value_mm=5.9", ["diameter 1 (changed)"]),
        ("delete from overrules", ["overrule 1 (removed)"]),
        (
            "insert into overrules (id, inspection_id, recorded_at, grade, reason) values (7, 1, '', 'sharp', '')",
            ["overrule 7 (added past the history)"],
        ),
        (
            "update history set what='added' where id=2",
            ["line 2 of the history (changed, or the one before it removed)"],
        ),
        (
            "delete from history where id=2",
            ["line 3 of the history (changed, or the one before it removed)", "cutter slot-03 (changed)"],
        ),
    ],
)
def test_what_is_changed_past_the_history_shows(
    records: Records, records_url: str, statement: str, said: list[str]
) -> None:
    everything(records)
    with opened(records_url) as engine, engine.begin() as connection:
        connection.exec_driver_sql(statement)
    assert records.changed() == said


def test_edits_can_be_read_back(records: Records) -> None:
    assert records.edit("slot-03", {"shank": "6", "coating": "TiN"}) == {
        "shank": ("", "6mm"),
        "coating": ("", "TiN"),
    }
    assert records.edit("slot-03", {"coating": "TiN"}) == {}
    records.edit("slot-03", {"coating": ""})
    assert [changes for _, changes in records.edits("slot-03")] == [
        {"coating": ("", "TiN"), "shank": ("", "6mm")},
        {"coating": ("TiN", "")},
    ]
    with pytest.raises(InputError, match="not a length"):
        records.edit("slot-03", {"coating": "none", "shank": "thick"})
    assert records.cutter("slot-03").coating is None


def test_a_photo_is_kept_once_and_found_where_it_is_now(records: Records, tmp_path: Path) -> None:
    first, second = tmp_path / "first.jpg", tmp_path / "second.jpg"
    first.write_bytes(b"photo")
    records.record("slot-03", looked_at(first))
    digest = sha256(b"photo").hexdigest()
    assert records.photo_path(digest) == str(first.resolve())
    second.write_bytes(b"photo")
    records.record("slot-03", looked_at(second))
    assert records.photo_path(digest) == str(first.resolve())
    first.unlink()
    records.record("slot-03", looked_at(second))
    assert records.photo_path(digest) == str(second.resolve())
    assert records.changed() == []


def test_the_photo_when_new_comes_with_its_outline(records: Records) -> None:
    line = Curve("outline", np.array([[1.25, 2.5], [3.754, 4.0]]), closed=True)
    assert records.new_photos("slot-03") == []
    records.record("slot-03", looked_at(curves=(line,)), as_new=True)
    records.record("slot-03", looked_at(content=b"later"))
    (photo,) = records.new_photos("slot-03")
    assert (photo.sha256, photo.px_per_mm) == (sha256(b"photo").hexdigest(), 241.3)
    assert photo.outline_px is not None
    np.testing.assert_allclose(photo.outline_px.px, line.px, atol=0.005)
    records.add_event("slot-03", "sharpened")
    records.record("slot-03", looked_at(content=b"ground"), as_new=True)
    assert [p.sha256 for p in records.new_photos("slot-03")] == [sha256(b"ground").hexdigest()]


def test_a_used_cutter_is_not_new(records: Records) -> None:
    entry = records.add_use("slot-03", 5.0)
    with pytest.raises(InputError, match="used before"):
        records.record("slot-03", looked_at(), as_new=True)
    records.withdraw(entry.id)
    assert records.record("slot-03", looked_at(), as_new=True).as_new


def test_what_cannot_be_a_reference_says_why() -> None:
    assert no_reference(looked_at()) == ""
    assert "send it back" in no_reference(looked_at(grade="discard"))
    flag = next(name for name, flag in FLAGS.items() if flag.blocks)
    assert "take the photo again" in no_reference(looked_at(flags=(flag,), grade="retake"))
    assert no_reference(looked_at(grade="retake")) == ""


@pytest.mark.parametrize(
    ("kind", "expected"), [("value", "value"), ("lower_limit", "upper_limit"), ("upper_limit", "lower_limit")]
)
def test_a_diameter_that_is_a_limit_gives_a_limit_of_what_is_lost(
    records: Records, kind: str, expected: str
) -> None:
    """6.000 +/- 0.002 mm new and 5.950 now: 0.050 lost; at least 5.950 left: at most 0.052 lost."""
    assert diameter_lost(records, "slot-03") is None
    records.record_diameter("slot-03", {}, value_mm=6.0, uncertainty_mm=0.002, kind="value", as_new=True)
    assert diameter_lost(records, "slot-03") is None
    records.record_diameter("slot-03", {}, value_mm=5.95, uncertainty_mm=0.004, kind=kind)
    lost = diameter_lost(records, "slot-03")
    assert lost is not None and lost.kind == expected
    value = {"value": 0.05, "lower_limit": 0.052, "upper_limit": 0.048}[kind]
    assert lost.value == pytest.approx(value)
    assert lost.expanded == pytest.approx((0.002**2 + 0.004**2) ** 0.5 if kind == "value" else 0)


sizes = st.floats(0.05, 200, allow_nan=False)


@given(sizes, st.sampled_from(["mm", "inch"]))
def test_a_length_comes_back_from_its_words_as_the_very_same_number(mm: float, units: str) -> None:
    assert parse_length(length_text(mm, units)) == mm  # type: ignore[arg-type]


@given(
    st.sampled_from(["flat", "ball", "engraver", "corner-radius"]),
    sizes,
    st.none() | st.integers(1, 12),
    st.none() | st.sampled_from(FLUTE_FORMS),
    st.none() | sizes,
    st.sampled_from(["mm", "inch"]),
)
def test_a_cutter_comes_back_from_its_words(
    kind: str, mm: float, flutes: int | None, form: str | None, shank: float | None, units: str
) -> None:
    facts = Facts.given(kind=kind, diameter_mm=mm, flutes=flutes)
    cutter = Cutter(
        "slot-03", facts, form, shank_mm=shank, max_speed_rpm=18000, bought="2026-03-02", note="a, b"
    )
    assert Cutter.from_words(cutter.words(units)) == cutter  # type: ignore[arg-type]


@given(st.lists(st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)), max_size=20), st.booleans())
def test_lines_are_kept_to_a_hundredth_of_a_pixel(points: list[tuple[float, float]], closed: bool) -> None:
    px = np.array(points, float).reshape(-1, 2)
    (back,) = unpack(pack([Curve("outline", px, closed)]))
    assert (back.name, back.closed, back.px.shape) == ("outline", closed, px.shape)
    np.testing.assert_allclose(back.px, px, atol=0.00501)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"name": " slot"}, "no blanks around it"),
        ({"name": "slot\n3"}, "one line"),
        ({"flute_form": "wavy"}, "flute form 'wavy'"),
        ({"up_cut_length_mm": 5.0}, "only a compression cutter"),
        ({"shank_mm": 0.0}, "shank 0 mm"),
        ({"max_speed_rpm": 0}, "rpm above 0"),
        ({"bought": "last week"}, "YYYY-MM-DD"),
        ({"sharpened": "2026-13-01"}, "YYYY-MM-DD"),
    ],
)
def test_a_cutter_that_makes_no_sense_is_refused(more: dict[str, object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        Cutter(**{"name": "slot-03", "facts": FACTS, **more})  # type: ignore[arg-type]


KILLED = """
import sys
from wearscope.records.store import open_records
from wearscope.inspection import from_document
import json
inspection = from_document(json.load(open(sys.argv[2])))
with open_records(sys.argv[1]) as records:
    print("open", flush=True)
    while True:
        records.record("slot-03", inspection)
        records.withdraw(records.add_use("slot-03", 1.0).id)
"""


def test_killed_at_any_moment_the_records_stay_whole(
    records: Records, records_url: str, tmp_path: Path
) -> None:
    """An inspection and its photo, an entry and its line of the history: both or neither."""
    document = tmp_path / "seen.json"
    document.write_text(json.dumps(to_document(looked_at())))
    rng = random.Random(7)
    for _ in range(5):
        command = [sys.executable, "-c", KILLED, records_url, str(document)]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as writer:
            assert writer.stdout is not None and writer.stdout.readline() == b"open\n"
            time.sleep(rng.uniform(0.0, 0.3))
            writer.kill()
        assert records.changed() == []
    seen = records.inspections("slot-03")
    assert seen
    with opened(records_url) as engine, engine.connect() as connection:
        photos = connection.exec_driver_sql("select count(*) from inspection_photos").scalar()
    assert photos == len(seen)


def test_a_full_disk_is_said_and_loses_nothing(tmp_path: Path) -> None:
    """SQLite says "database or disk is full" for a file that may not grow as for a disk that cannot hold it."""
    where = f"sqlite:///{tmp_path / 'records.sqlite'}"

    def no_room(connection: sqlite3.Connection, _: object) -> None:
        connection.execute("pragma max_page_count=1").close()  # not less than what is there already

    with open_records(where) as room:
        room.add_cutter("slot-03", FACTS)
    with (
        pytest.raises(RecordsError, match="full; is it a records file, with room and rights"),
        open_records(where) as full,
    ):
        full._engine.dispose()
        event.listen(full._engine, "connect", no_room)
        full.add_cutter("slot-04", FACTS, note="plywood " * 10_000)
    with open_records(where) as again:
        assert [cutter.id for cutter in again.cutters()] == ["slot-03"]
        assert again.changed() == []
        again.add_cutter("slot-04", FACTS)
