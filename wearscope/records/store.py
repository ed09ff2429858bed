"""Opening, writing and reading records. Every write is one transaction that is on the disk when it returns."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from hashlib import sha256
from math import isfinite

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from wearscope.errors import InputError
from wearscope.facts import Facts
from wearscope.grading.decide import GRADES
from wearscope.inspection import Inspection, to_document
from wearscope.records.connect import default_url, opened, writing
from wearscope.records.models import (
    CutterRow,
    EntryRow,
    InspectionPhotoRow,
    InspectionRow,
    OverruleRow,
    PhotoRow,
)

__all__ = ["EVENTS", "Records", "open_records"]

EVENTS = ("cleaned", "sharpened", "discarded")
START = "0" * 64


@contextmanager
def open_records(url: str | None = None) -> Iterator["Records"]:
    """Records at a URL, `sqlite:///FILE` or `postgresql://USER@HOST/DATABASE`, brought up to date.

    Raises RecordsError where that is not possible.
    """
    with opened(url or default_url()) as engine:
        yield Records(engine)


class Records:
    """Open records; made by `open_records`."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    @contextmanager
    def _reading(self) -> Iterator[Session]:
        """One state of the records, whatever others write meanwhile."""
        with Session(self._engine, expire_on_commit=False) as session, session.begin():
            yield session

    @contextmanager
    def _writing(self) -> Iterator[Session]:
        """All of it or nothing; writers take turns, which the hash chain needs."""
        with Session(writing(self._engine), expire_on_commit=False) as session, session.begin():
            yield session

    def add_cutter(self, name: str, facts: Facts, *, note: str = "") -> CutterRow:
        """A new cutter. Raises InputError where the name is empty or taken."""
        if not name.strip():
            raise InputError("cutter: the name is empty; give one such as slot-03")
        with self._writing() as session:
            if session.get(CutterRow, name):
                raise InputError(f"cutter {name!r} is there already; choose another name")
            row = CutterRow(
                id=name,
                kind=facts.kind,
                material=facts.material,
                diameter_mm=facts.diameter_mm,
                nominal_radius_mm=facts.nominal_radius_mm,
                flutes=facts.flutes,
                note=note,
                added_at=_now(),
            )
            session.add(row)
            return row

    def cutters(self) -> list[CutterRow]:
        """All cutters by name."""
        with self._reading() as session:
            return list(session.scalars(select(CutterRow).order_by(CutterRow.id)))

    def record(self, cutter: str, inspection: Inspection) -> InspectionRow:
        """Add an inspection of a cutter at the end of the hash chain."""
        document = json.dumps(to_document(inspection), sort_keys=True, separators=(",", ":"), allow_nan=False)
        with self._writing() as session:
            _cutter(session, cutter)
            last = session.scalar(select(InspectionRow.link).order_by(InspectionRow.id.desc()).limit(1))
            row = InspectionRow(
                cutter_id=cutter,
                recorded_at=_now(),
                grade=inspection.grade,
                complete=inspection.complete,
                limits_id=inspection.limits_id,
                software=inspection.software,
                document=document,
            )
            row.link = _link(last or START, row)
            session.add(row)
            session.flush()
            for photo in inspection.photos:
                if session.get(PhotoRow, photo.sha256) is None:
                    session.add(PhotoRow(sha256=photo.sha256, path=photo.path))
                    session.flush()
                session.add(InspectionPhotoRow(inspection_id=row.id, sha256=photo.sha256))
            return row

    def inspections(self, cutter: str) -> list[InspectionRow]:
        """The inspections of a cutter, oldest first."""
        with self._reading() as session:
            _cutter(session, cutter)
            found = select(InspectionRow).where(InspectionRow.cutter_id == cutter).order_by(InspectionRow.id)
            return list(session.scalars(found))

    def add_use(self, cutter: str, minutes: float, *, note: str = "") -> EntryRow:
        """Minutes a cutter cut."""
        if not (isfinite(minutes) and minutes > 0):
            raise InputError(f"minutes of use {minutes}: expected a number above 0")
        return self._entry(cutter, "used", minutes, note)

    def add_event(self, cutter: str, what: str, *, note: str = "") -> EntryRow:
        """Something that happened to a cutter: one of EVENTS."""
        if what not in EVENTS:
            raise InputError(f"event {what!r} is unknown; expected one of {', '.join(EVENTS)}")
        return self._entry(cutter, what, None, note)

    def _entry(self, cutter: str, what: str, minutes: float | None, note: str) -> EntryRow:
        with self._writing() as session:
            _cutter(session, cutter)
            row = EntryRow(cutter_id=cutter, recorded_at=_now(), what=what, minutes=minutes, note=note)
            session.add(row)
            return row

    def withdraw(self, entry: int) -> EntryRow:
        """Undo an entry: it counts no more, but stays to be seen."""
        with self._writing() as session:
            row = session.get(EntryRow, entry)
            if row is None or row.withdrawn_at is not None:
                raise InputError(
                    f"entry {entry}: not there, or withdrawn already; `wearscope cutter show` lists them"
                )
            row.withdrawn_at = _now()
            return row

    def entries(self, cutter: str) -> list[EntryRow]:
        """Uses and events of a cutter, oldest first, the withdrawn ones too."""
        with self._reading() as session:
            _cutter(session, cutter)
            return list(
                session.scalars(select(EntryRow).where(EntryRow.cutter_id == cutter).order_by(EntryRow.id))
            )

    def overrule(self, inspection: int, grade: str, *, reason: str) -> OverruleRow:
        """A person's grade for an inspection, with the reason; the measured grade stays."""
        if grade not in GRADES or not reason.strip():
            raise InputError(f"overrule: expected one of {', '.join(GRADES)} and a reason")
        with self._writing() as session:
            if session.get(InspectionRow, inspection) is None:
                raise InputError(f"inspection {inspection} is not there; `wearscope cutter show` lists them")
            row = OverruleRow(inspection_id=inspection, recorded_at=_now(), grade=grade, reason=reason)
            session.add(row)
            return row

    def overrules(self, inspection: int) -> list[OverruleRow]:
        """What people said about an inspection, oldest first."""
        with self._reading() as session:
            found = (
                select(OverruleRow).where(OverruleRow.inspection_id == inspection).order_by(OverruleRow.id)
            )
            return list(session.scalars(found))

    def changed(self) -> list[int]:
        """Inspections whose content does not fit the hash chain: changed later, or one before them removed.

        Inspections removed from the end leave no trace here, and a chain computed anew is not told apart.
        """
        wrong, last = [], START
        with self._reading() as session:
            for row in session.scalars(select(InspectionRow).order_by(InspectionRow.id)):
                if row.link != _link(last, row):
                    wrong.append(row.id)
                last = row.link
        return wrong


def _cutter(session: Session, name: str) -> CutterRow:
    row = session.get(CutterRow, name)
    if row is None:
        raise InputError(f"cutter {name!r} is not in the records; add it with `wearscope cutter add`")
    return row


def _link(last: str, row: InspectionRow) -> str:
    """SHA-256 over the link before and all that the row says, as a JSON list."""
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
    return sha256(json.dumps(said).encode()).hexdigest()


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
