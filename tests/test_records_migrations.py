"""Records written by every released form of the tables open, hold what they held, and go on.

`data/records-0001.sqlite` was written by the program as it was then: two cutters, two inspections, three entries
(one withdrawn), an overrule. `data/records-0002.sqlite`: one cutter with limits, a reference when new, a diameter, three entries (one
withdrawn), an overrule, and the history of all that.
"""

import json
import shutil
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from wearscope.inspection import from_document
from wearscope.records.connect import migration_config, opened
from wearscope.records.store import open_records

DATA = Path(__file__).parent / "data"
IN_ORDER = {
    "0001": ("cutters", "photos", "inspections", "inspection_photos", "entries", "overrules"),
    "0002": (
        "cutters", "photos", "calibrations", "limits", "inspections", "inspection_photos", "diameters", "entries", "overrules",
        "history",
    ),
}  # fmt: skip
YES_OR_NO = ("complete", "as_new")


def put_there(where: str, scratch: Path, form: str = "0001") -> None:
    """The old file at a URL: a copy of it, or on PostgreSQL the same rows in tables of the same form."""
    old_file = DATA / f"records-{form}.sqlite"
    url = make_url(where)
    if url.get_backend_name() == "sqlite":
        Path(str(url.database)).parent.mkdir()
        shutil.copy(old_file, str(url.database))
        return
    shutil.copy(old_file, scratch / "old.sqlite")
    source = create_engine(f"sqlite:///{scratch / 'old.sqlite'}")
    target = create_engine(url.set(drivername="postgresql+psycopg"))
    with source.connect() as old, target.begin() as new:
        command.upgrade(migration_config(new), form)
        for table in IN_ORDER[form]:
            rows = [dict(row) for row in old.execute(text(f"select * from {table}")).mappings()]
            for row in rows:
                row |= {name: bool(row[name]) for name in YES_OR_NO if name in row}
            if not rows:
                continue
            names = rows[0].keys()
            into = f"insert into {table} ({', '.join(names)}) values ({', '.join(f':{n}' for n in names)})"
            new.execute(text(into), rows)
            if "id" in names and isinstance(rows[0]["id"], int):
                new.execute(text(f"select setval('{table}_id_seq', (select max(id) from {table}))"))
    source.dispose()
    target.dispose()


def test_records_of_the_first_form_are_all_there_and_go_on(records_url: str, tmp_path: Path) -> None:
    put_there(records_url, tmp_path)
    with open_records(records_url) as records:
        assert [(c.id, c.kind, c.diameter_mm, c.shank_mm) for c in records.cutters()] == [
            ("slot-01", "flat", 6.0, None),
            ("slot-02", "engraver", 6.35, None),
        ]
        first, second = records.inspections("slot-01")
        assert from_document(json.loads(first.document)).photos[0].flute == 1
        assert (first.grade, first.complete, first.as_new, first.limits_sha256) == (
            "sharp",
            False,
            False,
            None,
        )
        assert [o.reason for o in records.overrules(second.id)] == ["still cuts pine cleanly"]
        entries = records.entries("slot-01")
        assert [(e.what, e.minutes, e.metres) for e in entries] == [
            ("used", 40.0, None),
            ("used", 25.0, None),
            ("sharpened", None, None),
        ]
        assert [e.withdrawn_at is None for e in entries] == [True, False, True]
        assert records.changed() == []

        records.record("slot-01", from_document(json.loads(second.document)))
        records.edit("slot-02", {"shank": "1/8in"})
        assert records.cutter("slot-02").shank_mm == 3.175
        assert records.changed() == []


def test_records_of_the_second_form_are_all_there_and_go_on(records_url: str, tmp_path: Path) -> None:
    put_there(records_url, tmp_path, "0002")
    with open_records(records_url) as records:
        assert records.changed() == []
        new, later = records.inspections("slot-03")
        assert (new.as_new, later.as_new) == (True, False)
        assert records.limits(str(new.limits_sha256)) is not None
        assert [d.value_mm for d in records.diameters("slot-03")] == [5.972]
        entries = records.entries("slot-03")
        assert [(e.what, e.metres, e.when == e.recorded_at) for e in entries] == [
            ("used", 45.0, True),
            ("used", None, True),
            ("cleaned", None, True),
        ]
        records.add_use("slot-03", 12.0, when="2026-01-05")
        assert records.entries("slot-03")[0].minutes == 12.0
        assert records.changed() == []


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("update entries set minutes=4 where id=1", "entry 1 (changed)"),
        ("update overrules set grade='sharp'", "overrule 1 (changed)"),
        ("update cutters set diameter_mm=8 where id='slot-02'", "cutter slot-02 (changed)"),
        ("delete from overrules", "overrule 1 (removed)"),
    ],
)
def test_a_later_change_of_old_rows_shows(
    records_url: str, tmp_path: Path, statement: str, said: str
) -> None:
    put_there(records_url, tmp_path)
    with open_records(records_url) as records:
        assert records.changed() == []
    with opened(records_url) as engine, engine.begin() as connection:
        connection.exec_driver_sql(statement)
    with open_records(records_url) as records:
        assert records.changed() == [said]


def test_a_migration_that_fails_changes_nothing(
    records_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_there(records_url, tmp_path)

    def fail(*_: object) -> None:
        raise OSError("the power went")

    monkeypatch.setattr("alembic.op.add_column", fail)
    with pytest.raises(OSError, match="the power went"), open_records(records_url):
        pass
    monkeypatch.undo()
    with open_records(records_url) as records:
        assert len(records.inspections("slot-01")) == 2
        assert records.changed() == []
