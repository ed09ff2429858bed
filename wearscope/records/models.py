"""The tables. Times are ISO 8601 in UTC, lengths mm; rows are added and never removed."""

from sqlalchemy import ForeignKey, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

__all__ = ["Base", "CutterRow", "EntryRow", "InspectionPhotoRow", "InspectionRow", "OverruleRow", "PhotoRow"]


class Base(DeclarativeBase):
    """Base of all tables."""


class CutterRow(Base):
    """A cutter, under the name people call it by."""

    __tablename__ = "cutters"
    id: Mapped[str] = mapped_column(primary_key=True)
    kind: Mapped[str]
    material: Mapped[str]
    diameter_mm: Mapped[float]
    nominal_radius_mm: Mapped[float]
    flutes: Mapped[int | None]
    note: Mapped[str]
    added_at: Mapped[str]


class InspectionRow(Base):
    """An inspection: its whole document, columns to search by, and the link of the hash chain."""

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


class PhotoRow(Base):
    """A photo, once for the same bytes; `path` is where it was first seen."""

    __tablename__ = "photos"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    path: Mapped[str]


class InspectionPhotoRow(Base):
    """Which photos an inspection looked at."""

    __tablename__ = "inspection_photos"
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id"), primary_key=True)
    sha256: Mapped[str] = mapped_column(ForeignKey("photos.sha256"), primary_key=True)


class EntryRow(Base):
    """Use of a cutter (minutes) or something that happened to it; withdrawn entries stay."""

    __tablename__ = "entries"
    id: Mapped[int] = mapped_column(primary_key=True)
    cutter_id: Mapped[str] = mapped_column(ForeignKey("cutters.id"))
    recorded_at: Mapped[str]
    what: Mapped[str]
    minutes: Mapped[float | None]
    note: Mapped[str]
    withdrawn_at: Mapped[str | None]


class OverruleRow(Base):
    """A person's grade beside the measured one; both stay."""

    __tablename__ = "overrules"
    id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id"))
    recorded_at: Mapped[str]
    grade: Mapped[str]
    reason: Mapped[str]
