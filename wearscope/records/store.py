"""Writing and reading records. Every write is one transaction that is on the disk when it returns."""

import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from math import isfinite
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from wearscope.errors import InputError
from wearscope.facts import Facts
from wearscope.finding import Curve
from wearscope.grading.decide import GRADES
from wearscope.inspection import Inspection, to_document
from wearscope.records import chain
from wearscope.records.connect import default_url, opened, writing
from wearscope.records.cutter import COLUMNS, Cutter
from wearscope.records.models import (
    CalibrationRow,
    CutterRow,
    DiameterRow,
    EntryRow,
    HistoryRow,
    InspectionPhotoRow,
    InspectionRow,
    LimitsRow,
    OverruleRow,
    PhotoRow,
)
from wearscope.records.sources import Text, pack, unpack

__all__ = ["EVENTS", "Entry", "Imported", "NewPhoto", "Records", "Use", "open_records"]

EVENTS = ("cleaned", "sharpened", "discarded")


@contextmanager
def open_records(url: str | None = None) -> Iterator["Records"]:
    """Records at a URL, `sqlite:///FILE` or `postgresql://USER@HOST/DATABASE`, brought up to date.

    Raises RecordsError where that is not possible.
    """
    with opened(url or default_url()) as engine:
        yield Records(engine)


@dataclass(frozen=True, slots=True)
class Use:
    """What a cutter did, as far as it is known: minutes, metres of cut, in what, at what spindle speed and feed."""

    minutes: float | None = None
    metres: float | None = None
    work_material: str | None = None
    speed_rpm: float | None = None
    feed_mm_min: float | None = None

    def __post_init__(self) -> None:
        for name in ("minutes", "metres", "speed_rpm", "feed_mm_min"):
            value = getattr(self, name)
            if value is not None and not (isfinite(value) and value > 0):
                raise InputError(f"{name.partition('_')[0]} of use {value}: expected a number above 0")
        if self.minutes is None and self.metres is None:
            raise InputError("use: give minutes or metres of cut")


@dataclass(frozen=True, slots=True)
class Entry:
    """A use of a cutter (`what` "used", with a `use`) or an event (one of EVENTS, without).

    `when` is a day, `2026-05-17`, or a time with its offset from UTC; it is kept in UTC, a day as its noon there. None: now. Raises
    InputError for a time to come.
    """

    cutter: str
    what: str
    when: str | None = None
    use: Use | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if self.what not in ("used", *EVENTS):
            raise InputError(f"event {self.what!r} is unknown; expected one of {', '.join(EVENTS)}")
        if (self.what == "used") != (self.use is not None):
            raise InputError(
                f"{self.what}: minutes, metres, material, speed and feed belong to a use, and only to one"
            )
        if self.when is not None:
            object.__setattr__(self, "when", _in_utc(self.when))

    @classmethod
    def of(cls, row: EntryRow) -> "Entry":
        """What a row of the records says."""
        values = row.minutes, row.metres, row.work_material, row.speed_rpm, row.feed_mm_min
        return cls(row.cutter_id, row.what, row.when, Use(*values) if row.what == "used" else None, row.note)


def _in_utc(text: str) -> str:
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise InputError(
            f"{text!r} is no day or time; expected one such as 2026-05-17 or 2026-05-17T14:30+02:00"
        ) from error
    if len(text.strip()) <= 10:
        when = when.replace(hour=12, tzinfo=UTC)
        late = when.date() > datetime.now(UTC).date() + timedelta(days=1)  # days begin earlier in the east
    else:
        when = when.astimezone(UTC)  # without an offset it is the time of the clock here
        late = when > datetime.now(UTC) + timedelta(minutes=5)
    if late:
        raise InputError(f"{text}: is still to come; give the day on which it happened")
    return when.isoformat(timespec="milliseconds")


@dataclass(frozen=True, slots=True)
class Imported:
    """Names of the cutters that an import added, edited, and found as they were."""

    added: tuple[str, ...]
    edited: tuple[str, ...]
    same: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NewPhoto:
    """A photo of a cutter when it was new; `outline_px` is the outline found in it, None where it was not kept."""

    inspection: int
    path: Path
    sha256: str
    view: str
    flute: int
    size: tuple[int, int]
    px_per_mm: float
    outline_px: Curve | None


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
        """All of it or nothing; writers take turns, which the hash chains need."""
        with Session(writing(self._engine), expire_on_commit=False) as session, session.begin():
            yield session

    # Cutters

    def add_cutter(self, name: str, facts: Facts, *, note: str = "") -> CutterRow:
        """A new cutter of which no more is known. Raises InputError where the name is empty or taken."""
        return self.add(Cutter(name, facts, note=note))

    def add(self, cutter: Cutter) -> CutterRow:
        """A new cutter. Raises InputError where the name is taken."""
        with self._writing() as session:
            return _add(session, cutter)

    def cutter(self, name: str) -> Cutter:
        """A cutter as it is known now."""
        with self._reading() as session:
            return Cutter.of(_cutter(session, name))

    def cutters(self) -> list[CutterRow]:
        """All cutters by name."""
        with self._reading() as session:
            return list(session.scalars(select(CutterRow).order_by(CutterRow.id)))

    def edit(self, name: str, words: Mapping[str, str]) -> dict[str, tuple[str, str]]:
        """Change some of a cutter's COLUMNS ("" empties one); what changed, with the words before and after.

        How it was before stays in the history. Raises InputError for what makes no sense; then nothing changes.
        """
        if strange := [column for column in words if column not in COLUMNS or column == "cutter"]:
            raise InputError(f"{strange[0]!r} cannot be edited; expected some of {', '.join(COLUMNS[1:])}")
        with self._writing() as session:
            row = _cutter(session, name)
            before = Cutter.of(row)
            return _edit(session, row, Cutter.from_words(words, before=before))

    def edits(self, name: str) -> list[tuple[str, dict[str, tuple[str, str]]]]:
        """When and how a cutter was edited, oldest first."""
        with self._reading() as session:
            _cutter(session, name)
            found = (
                select(HistoryRow)
                .where(HistoryRow.about == "cutters", HistoryRow.key == name)
                .order_by(HistoryRow.id)
            )
            lines = [(line.recorded_at, json.loads(line.content)) for line in session.scalars(found)]
        known = [(when, Cutter.of(CutterRow(**{"assumed": "", **content}))) for when, content in lines]
        return [(now[0], _changes(before[1], now[1])) for before, now in pairwise(known)]

    def import_cutters(self, cutters: Iterable[Cutter], *, update: bool = False) -> Imported:
        """Add cutters, all or none. One that is there with other facts is edited where `update`, else InputError."""
        added, edited, same = [], [], []
        with self._writing() as session:
            for cutter in cutters:
                row = session.get(CutterRow, cutter.name)
                if row is None:
                    _add(session, cutter)
                    added.append(cutter.name)
                elif Cutter.of(row) == cutter:
                    same.append(cutter.name)
                elif update:
                    _edit(session, row, cutter)
                    edited.append(cutter.name)
                else:
                    raise InputError(f"cutter {cutter.name!r} is there with other facts; --update edits it")
        return Imported(tuple(added), tuple(edited), tuple(same))

    # Inspections

    def record(
        self,
        cutter: str,
        inspection: Inspection,
        *,
        calibration: Text | None = None,
        limits: Text | None = None,
        as_new: bool = False,
    ) -> InspectionRow:
        """Add an inspection of a cutter at the end of the hash chain, and what it rested on, once for the same text.

        `as_new`: its photos are the reference for later ones; raises InputError where it is too late for that.
        """
        with self._writing() as session:
            _cutter(session, cutter)
            return _inspected(session, cutter, inspection, calibration, limits, as_new)

    def record_once(
        self,
        cutter: str,
        inspection: Inspection,
        *,
        calibration: Text | None = None,
        limits: Text | None = None,
    ) -> InspectionRow | None:
        """As `record`; None where the same photos were recorded before as judged by the same scale, limits and software."""
        said = _rests_on(to_document(inspection))
        with self._writing() as session:
            _cutter(session, cutter)
            before = select(InspectionRow.document).where(InspectionRow.cutter_id == cutter)
            if any(_rests_on(json.loads(document)) == said for document in session.scalars(before)):
                return None
            return _inspected(session, cutter, inspection, calibration, limits, as_new=False)

    def inspections(self, cutter: str) -> list[InspectionRow]:
        """The inspections of a cutter, oldest first."""
        with self._reading() as session:
            _cutter(session, cutter)
            found = select(InspectionRow).where(InspectionRow.cutter_id == cutter).order_by(InspectionRow.id)
            return list(session.scalars(found))

    def photo_path(self, sha256: str) -> str:
        """Where a photo was seen last; "" where that is not known."""
        with self._reading() as session:
            row = session.get(PhotoRow, sha256)
            return row.path if row else ""

    def curves(self, inspection: int) -> dict[str, tuple[Curve, ...]]:
        """The lines found in the photos of an inspection, by the photo's digest, as far as they were kept."""
        with self._reading() as session:
            found = select(InspectionPhotoRow).where(InspectionPhotoRow.inspection_id == inspection)
            return {row.sha256: unpack(row.curves) for row in session.scalars(found) if row.curves}

    def calibration(self, sha256: str) -> CalibrationRow | None:
        """A calibration by the digest of its text."""
        with self._reading() as session:
            return session.get(CalibrationRow, sha256)

    def limits(self, sha256: str) -> LimitsRow | None:
        """Limits by the digest of their text."""
        with self._reading() as session:
            return session.get(LimitsRow, sha256)

    def new_photos(self, cutter: str) -> list[NewPhoto]:
        """The photos of a cutter when it was new, or newly sharpened: of its last inspection as new."""
        rows = [row for row in self.inspections(cutter) if row.as_new]
        if not rows:
            return []
        curves = self.curves(rows[-1].id)
        document = json.loads(rows[-1].document)
        return [
            NewPhoto(
                rows[-1].id,
                Path(self.photo_path(photo["sha256"]) or photo["path"]),
                photo["sha256"],
                photo["view"],
                photo["flute"],
                (photo["size"][0], photo["size"][1]),
                photo["calibration"]["px_per_mm"],
                next((c for c in curves.get(photo["sha256"], ()) if c.name == "outline"), None),
            )
            for photo in document["photos"]
        ]

    # Diameters

    def record_diameter(
        self,
        cutter: str,
        document: Mapping[str, object],
        *,
        value_mm: float,
        uncertainty_mm: float,
        kind: str,
        as_new: bool = False,
    ) -> DiameterRow:
        """Add a measured cutting diameter; `uncertainty_mm` is expanded (95 %). `as_new` as in `record`."""
        with self._writing() as session:
            _cutter(session, cutter)
            if as_new:
                _still_new(session, cutter, DiameterRow)
            row = DiameterRow(
                cutter_id=cutter,
                recorded_at=chain.now(),
                value_mm=value_mm,
                uncertainty_mm=uncertainty_mm,
                kind=kind,
                as_new=as_new,
                document=json.dumps(document, sort_keys=True, allow_nan=False),
            )
            session.add(row)
            chain.log(session, "recorded", row)
            return row

    def diameters(self, cutter: str) -> list[DiameterRow]:
        """The measured diameters of a cutter, oldest first."""
        with self._reading() as session:
            _cutter(session, cutter)
            found = select(DiameterRow).where(DiameterRow.cutter_id == cutter).order_by(DiameterRow.id)
            return list(session.scalars(found))

    # Use and events

    def add_use(
        self, cutter: str, use: "Use | float", *, note: str = "", when: str | None = None
    ) -> EntryRow:
        """What a cutter did; a number is minutes. `when`: a day or time, see `Entry`."""
        return self._enter(Entry(cutter, "used", when, use if isinstance(use, Use) else Use(use), note))

    def add_event(self, cutter: str, what: str, *, note: str = "", when: str | None = None) -> EntryRow:
        """Something that happened to a cutter: one of EVENTS. `when`: a day or time, see `Entry`."""
        return self._enter(Entry(cutter, what, when, None, note))

    def _enter(self, entry: Entry) -> EntryRow:
        with self._writing() as session:
            return _entered(session, entry)

    def import_entries(self, entries: Iterable[Entry]) -> tuple[int, int]:
        """Add uses and events, all or none; how many were added, and how many were there already."""
        entries = list(entries)
        with self._writing() as session:
            there = {
                Entry.of(row)
                for row in session.scalars(select(EntryRow).where(EntryRow.withdrawn_at.is_(None)))
            }
            new = [entry for entry in entries if entry not in there]
            for entry in new:
                _entered(session, entry)
        return len(new), len(entries) - len(new)

    def withdraw(self, entry: int) -> EntryRow:
        """Undo an entry: it counts no more, but stays to be seen."""
        with self._writing() as session:
            row = session.get(EntryRow, entry)
            if row is None or row.withdrawn_at is not None:
                raise InputError(
                    f"entry {entry}: not there, or withdrawn already; `wearscope cutter show` lists them"
                )
            row.withdrawn_at = chain.now()
            chain.log(session, "withdrawn", row)
            return row

    def entries(self, cutter: str) -> list[EntryRow]:
        """Uses and events of a cutter, oldest first, the withdrawn ones too."""
        with self._reading() as session:
            _cutter(session, cutter)
            found = session.scalars(
                select(EntryRow).where(EntryRow.cutter_id == cutter).order_by(EntryRow.id)
            )
            return sorted(found, key=lambda entry: entry.when)

    # What people said

    def overrule(self, inspection: int, grade: str, *, reason: str) -> OverruleRow:
        """A person's grade for an inspection, with the reason; the measured grade stays."""
        if grade not in GRADES or not reason.strip():
            raise InputError(f"overrule: expected one of {', '.join(GRADES)} and a reason")
        with self._writing() as session:
            if session.get(InspectionRow, inspection) is None:
                raise InputError(f"inspection {inspection} is not there; `wearscope cutter show` lists them")
            row = OverruleRow(inspection_id=inspection, recorded_at=chain.now(), grade=grade, reason=reason)
            session.add(row)
            chain.log(session, "added", row)
            return row

    def overrules(self, inspection: int) -> list[OverruleRow]:
        """What people said about an inspection, oldest first."""
        with self._reading() as session:
            found = (
                select(OverruleRow).where(OverruleRow.inspection_id == inspection).order_by(OverruleRow.id)
            )
            return list(session.scalars(found))

    def changed(self) -> list[str]:
        """What was changed, removed or added behind wearscope's back, in words (see `chain.wrong`)."""
        with self._reading() as session:
            return chain.wrong(session)


def _cutter(session: Session, name: str) -> CutterRow:
    row = session.get(CutterRow, name)
    if row is None:
        raise InputError(f"cutter {name!r} is not in the records; add it with `wearscope cutter add`")
    return row


def _add(session: Session, cutter: Cutter) -> CutterRow:
    if session.get(CutterRow, cutter.name):
        raise InputError(f"cutter {cutter.name!r} is there already; choose another name")
    row = CutterRow(id=cutter.name, added_at=chain.now())
    cutter.into(row)
    session.add(row)
    chain.log(session, "added", row)
    return row


def _inspected(
    session: Session,
    cutter: str,
    inspection: Inspection,
    calibration: Text | None,
    limits: Text | None,
    as_new: bool,
) -> InspectionRow:
    document = json.dumps(to_document(inspection), sort_keys=True, separators=(",", ":"), allow_nan=False)
    if as_new:
        _still_new(session, cutter, InspectionRow)
    row = InspectionRow(
        cutter_id=cutter,
        recorded_at=chain.now(),
        grade=inspection.grade,
        complete=inspection.complete,
        limits_id=inspection.limits_id,
        software=inspection.software,
        document=document,
        calibration_sha256=calibration and _keep_calibration(session, calibration),
        limits_sha256=limits and _keep_limits(session, limits),
        as_new=as_new,
    )
    chain.add_inspection(session, row)
    for photo in inspection.photos:
        _keep_photo(session, photo.sha256, photo.path)
        curves = pack(photo.curves) if photo.curves else None
        session.add(InspectionPhotoRow(inspection_id=row.id, sha256=photo.sha256, curves=curves))
    return row


def _rests_on(document: Mapping[str, Any]) -> tuple[object, ...]:
    """What decides an inspection's result: bytes of the photos and what they show, scale, limits, software."""
    photos = sorted(
        (p["sha256"], p["view"], p["flute"] or 0, p["calibration"]["id"]) for p in document["photos"]
    )
    return (*photos, document["limits"]["id"], document["software"])


def _entered(session: Session, entry: Entry) -> EntryRow:
    _cutter(session, entry.cutter)
    row = EntryRow(
        cutter_id=entry.cutter,
        recorded_at=chain.now(),
        what=entry.what,
        note=entry.note,
        happened_at=entry.when,
    )
    if (use := entry.use) is not None:
        row.minutes, row.metres, row.work_material = use.minutes, use.metres, use.work_material
        row.speed_rpm, row.feed_mm_min = use.speed_rpm, use.feed_mm_min
    session.add(row)
    chain.log(session, "added", row)
    return row


def _edit(session: Session, row: CutterRow, after: Cutter) -> dict[str, tuple[str, str]]:
    changes = _changes(Cutter.of(row), after)
    if changes:
        after.into(row)
        chain.log(session, "edited", row)
    return changes


def _changes(before: Cutter, after: Cutter) -> dict[str, tuple[str, str]]:
    old, new = before.words(), after.words()
    return {column: (old[column], new[column]) for column in COLUMNS if old[column] != new[column]}


def _still_new(session: Session, cutter: str, table: type[InspectionRow] | type[DiameterRow]) -> None:
    """Only what is recorded before anything else, or before anything else since sharpening, shows a cutter as new."""
    when = func.coalesce(EntryRow.happened_at, EntryRow.recorded_at)
    sharpened = select(when).where(
        EntryRow.cutter_id == cutter, EntryRow.what == "sharpened", EntryRow.withdrawn_at.is_(None)
    )
    since = max(session.scalars(sharpened), default="")
    before = select(table.id).where(table.cutter_id == cutter, table.recorded_at > since).limit(1)
    used = select(EntryRow.id).where(
        EntryRow.cutter_id == cutter,
        EntryRow.what == "used",
        EntryRow.withdrawn_at.is_(None),
        when > since,
    )
    word = "measured" if table is DiameterRow else "inspected"
    if session.scalar(before) is not None or session.scalar(used.limit(1)) is not None:
        raise InputError(
            f"cutter {cutter!r} was {word} or used before, so this does not show it as new; leave --new out, "
            "or record that it was sharpened first"
        )


def _keep_photo(session: Session, digest: str, path: str) -> None:
    """The same bytes once; the place is brought up to date where the photo is no longer where it was."""
    there = Path(path).resolve() if path else None
    place = str(there) if there is not None and there.is_file() else path
    row = session.get(PhotoRow, digest)
    if row is None:
        session.add(PhotoRow(sha256=digest, path=place))
        session.flush()
    elif place and place != row.path and not Path(row.path).is_file():
        row.path = place


def _keep_calibration(session: Session, text: Text) -> str:
    if session.get(CalibrationRow, text.sha256) is None:
        row = CalibrationRow(
            sha256=text.sha256, name=text.name, text=text.text, target_sha256=text.target_sha256
        )
        session.add(row)
        chain.log(session, "added", row)
    _keep_photo(session, text.target_sha256, text.target_path)
    return text.sha256


def _keep_limits(session: Session, text: Text) -> str:
    if session.get(LimitsRow, text.sha256) is None:
        row = LimitsRow(sha256=text.sha256, name=text.name, text=text.text)
        session.add(row)
        chain.log(session, "added", row)
    return text.sha256
