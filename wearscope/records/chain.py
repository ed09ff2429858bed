"""Two hash chains in which a later change shows: one through the inspections, one through every write."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from hashlib import sha256

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearscope.records.models import (
    Base,
    CalibrationRow,
    CutterRow,
    DiameterRow,
    EntryRow,
    HistoryRow,
    InspectionRow,
    LimitsRow,
    OverruleRow,
)

__all__ = ["add_inspection", "log", "now", "wrong"]

START = "0" * 64
WORDS: dict[type[Base], str] = {
    CutterRow: "cutter",
    InspectionRow: "inspection",
    EntryRow: "entry",
    OverruleRow: "overrule",
    DiameterRow: "diameter",
    CalibrationRow: "calibration",
    LimitsRow: "limits",
}
"""Tables whose rows the history covers, and what a row is called."""


def now() -> str:
    """The time, as it is recorded."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def add_inspection(session: Session, row: InspectionRow) -> None:
    """Put an inspection at the end of its chain, and into the history."""
    last = session.scalar(select(InspectionRow.link).order_by(InspectionRow.id.desc()).limit(1))
    row.link = _inspection_link(last or START, row)
    session.add(row)
    log(session, "recorded", row)


def log(session: Session, what: str, row: Base) -> None:
    """Write a row as it is now into the history; the session must be one that writes."""
    session.flush()
    session.refresh(row)
    last = session.scalar(select(HistoryRow.link).order_by(HistoryRow.id.desc()).limit(1))
    line = HistoryRow(
        recorded_at=now(),
        what=what,
        about=row.__tablename__,
        key=_key(row),
        content=json.dumps(_content(row), sort_keys=True),
    )
    line.link = _history_link(last or START, line)
    session.add(line)
    session.flush()


def wrong(session: Session) -> list[str]:
    """What does not fit the chains, in words; empty where nothing was changed behind wearscope's back.

    What was taken from the end of both chains leaves no trace, and chains computed anew are not told apart: only
    a copy elsewhere (an evidence package) shows that.
    """
    return list(
        dict.fromkeys([*_wrong_inspections(session), *_wrong_history(session), *_wrong_rows(session)])
    )


def _wrong_inspections(session: Session) -> Iterator[str]:
    last = START
    for row in session.scalars(select(InspectionRow).order_by(InspectionRow.id)):
        if row.link != _inspection_link(last, row):
            yield f"inspection {row.id} (changed, or the one before it removed)"
        last = row.link


def _wrong_history(session: Session) -> Iterator[str]:
    last = START
    for line in session.scalars(select(HistoryRow).order_by(HistoryRow.id)):
        if line.link != _history_link(last, line):
            yield f"line {line.id} of the history (changed, or the one before it removed)"
        last = line.link


def _wrong_rows(session: Session) -> Iterator[str]:
    """Rows that are not as the history saw them last. Columns newer than a line of the history are not compared."""
    for table, word in WORDS.items():
        lines = session.scalars(
            select(HistoryRow).where(HistoryRow.about == table.__tablename__).order_by(HistoryRow.id)
        )
        known = {line.key: line.content for line in lines}
        for row in session.scalars(select(table)):
            name, before = f"{word} {_key(row)}", known.pop(_key(row), None)
            if before is None:
                yield f"{name} (added past the history)"
            elif not json.loads(before).items() <= _content(row).items():
                yield f"{name} (changed)"
        yield from (f"{word} {key} (removed)" for key in known)


def _key(row: Base) -> str:
    return str(row.__mapper__.primary_key_from_instance(row)[0])


def _content(row: Base) -> dict[str, object]:
    """All columns; of an inspection its number and link, which covers the rest."""
    names = ("id", "link") if isinstance(row, InspectionRow) else row.__table__.columns.keys()
    return {name: getattr(row, name) for name in names}


def _inspection_link(last: str, row: InspectionRow) -> str:
    """SHA-256 over the link before and all that the row says, as a JSON list.

    What came with the second form of the tables is left out where it is empty, so old links hold.
    """
    said = [
        last,
        row.cutter_id,
        row.recorded_at,
        row.grade,
        row.complete,
        row.limits_id,
        row.software,
        row.document,
    ]
    later = [row.calibration_sha256, row.limits_sha256, row.as_new or None]
    return _sha256([*said, *later] if any(later) else said)


def _history_link(last: str, line: HistoryRow) -> str:
    return _sha256([last, line.recorded_at, line.what, line.about, line.key, line.content])


def _sha256(said: list[object]) -> str:
    return sha256(json.dumps(said).encode()).hexdigest()
