"""The tables. Times are ISO 8601 in UTC, lengths mm; rows are added and never removed.

What changes a row (an edit of a cutter, the withdrawal of an entry) is written into `history` as well.
"""

from sqlalchemy import ForeignKey, LargeBinary, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

__all__ = [
    "Base",
    "CalibrationRow",
    "CutterRow",
    "DiameterRow",
    "EntryRow",
    "HistoryRow",
    "InspectionPhotoRow",
    "InspectionRow",
    "LimitsRow",
    "OverruleRow",
    "PhotoRow",
]


class Base(DeclarativeBase):
    """Base of all tables."""


class CutterRow(Base):
    """A cutter, under the name people call it by; None: not known. `assumed` names facts that nobody gave."""

    __tablename__ = "cutters"
    id: Mapped[str] = mapped_column(primary_key=True)
    kind: Mapped[str]
    material: Mapped[str]
    diameter_mm: Mapped[float]
    nominal_radius_mm: Mapped[float]
    flutes: Mapped[int | None]
    note: Mapped[str]
    added_at: Mapped[str]
    assumed: Mapped[str] = mapped_column(default="")
    flute_form: Mapped[str | None]
    up_cut_length_mm: Mapped[float | None]
    coating: Mapped[str | None]
    shank_mm: Mapped[float | None]
    max_speed_rpm: Mapped[int | None]
    bought: Mapped[str | None]
    sharpened: Mapped[str | None]


class CalibrationRow(Base):
    """A calibration file, whole, once for the same text; `name` is what inspections call it."""

    __tablename__ = "calibrations"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    name: Mapped[str]
    text: Mapped[str] = mapped_column(Text)
    target_sha256: Mapped[str] = mapped_column(String(64))


class LimitsRow(Base):
    """Limits as they were applied, whole, as JSON with sorted keys; `name` is what inspections call them."""

    __tablename__ = "limits"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    name: Mapped[str]
    text: Mapped[str] = mapped_column(Text)


class InspectionRow(Base):
    """An inspection: its whole document, columns to search by, and the link of the hash chain.

    `as_new`: what it shows is the reference for later ones.
    """

    __tablename__ = "inspections"
    id: Mapped[int] = mapped_column(primary_key=True)
    cutter_id: Mapped[str] = mapped_column(ForeignKey("cutters.id"))
    recorded_at: Mapped[str]
    grade: Mapped[str]
    complete: Mapped[bool]
    limits_id: Mapped[str]
    software: Mapped[str]
    document: Mapped[str] = mapped_column(Text)
    link: Mapped[str] = mapped_column(String(64), unique=True)
    calibration_sha256: Mapped[str | None] = mapped_column(ForeignKey("calibrations.sha256"))
    limits_sha256: Mapped[str | None] = mapped_column(ForeignKey("limits.sha256"))
    as_new: Mapped[bool] = mapped_column(default=False)


class PhotoRow(Base):
    """A photo, once for the same bytes; `path` is where it was seen, "" where only its digest is known."""

    __tablename__ = "photos"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    path: Mapped[str]


class InspectionPhotoRow(Base):
    """Which photos an inspection looked at; `curves` are the lines found in it, packed, None where not kept."""

    __tablename__ = "inspection_photos"
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id"), primary_key=True)
    sha256: Mapped[str] = mapped_column(ForeignKey("photos.sha256"), primary_key=True)
    curves: Mapped[bytes | None] = mapped_column(LargeBinary)


class DiameterRow(Base):
    """A cutting diameter and the whole document it was measured by; `uncertainty_mm` is expanded (95 %)."""

    __tablename__ = "diameters"
    id: Mapped[int] = mapped_column(primary_key=True)
    cutter_id: Mapped[str] = mapped_column(ForeignKey("cutters.id"))
    recorded_at: Mapped[str]
    value_mm: Mapped[float]
    uncertainty_mm: Mapped[float]
    kind: Mapped[str]
    as_new: Mapped[bool]
    document: Mapped[str] = mapped_column(Text)


class EntryRow(Base):
    """Use of a cutter, or something that happened to it; withdrawn entries stay.

    Of a use: minutes, metres of cut, what was cut, spindle speed and feed, as far as they are known. `happened_at` is None where it
    happened when it was recorded; `when` is the time that counts.
    """

    __tablename__ = "entries"
    id: Mapped[int] = mapped_column(primary_key=True)
    cutter_id: Mapped[str] = mapped_column(ForeignKey("cutters.id"))
    recorded_at: Mapped[str]
    what: Mapped[str]
    minutes: Mapped[float | None]
    note: Mapped[str]
    withdrawn_at: Mapped[str | None]
    metres: Mapped[float | None]
    work_material: Mapped[str | None]
    speed_rpm: Mapped[float | None]
    feed_mm_min: Mapped[float | None]
    happened_at: Mapped[str | None]

    @property
    def when(self) -> str:
        return self.happened_at or self.recorded_at


class OverruleRow(Base):
    """A person's grade beside the measured one; both stay."""

    __tablename__ = "overrules"
    id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id"))
    recorded_at: Mapped[str]
    grade: Mapped[str]
    reason: Mapped[str]


class HistoryRow(Base):
    """Every write, in a hash chain: what was done to which row, and the row as it was then (JSON)."""

    __tablename__ = "history"
    id: Mapped[int] = mapped_column(primary_key=True)
    recorded_at: Mapped[str]
    what: Mapped[str]
    about: Mapped[str]
    key: Mapped[str]
    content: Mapped[str] = mapped_column(Text)
    link: Mapped[str] = mapped_column(String(64), unique=True)
