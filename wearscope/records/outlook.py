"""What the records say about how long a cutter will last: its wear against its use, and how much it is used."""

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Literal

from wearscope.facts import Facts
from wearscope.grading.decide import Grade
from wearscope.grading.limits import load_limits
from wearscope.inspection import Measurement, PhotoReport, from_document
from wearscope.quantity import Quantity
from wearscope.records.arrival import diameters_lost
from wearscope.records.models import CutterRow, EntryRow, InspectionRow
from wearscope.records.store import Records
from wearscope.records.trend import Line, Remaining, Taylor, TooLittle, fit_line, reached, taylor

__all__ = [
    "GRADUAL",
    "Due",
    "Life",
    "Outlook",
    "Point",
    "Series",
    "Step",
    "When",
    "due",
    "law_for",
    "lives",
    "outlook",
]

GRADUAL = (
    "corner_radius",
    "corner_recession",
    "wear_land_mean",
    "wear_land_max",
    "nose_deviation",
    "tip_width",
    "diameter_lost",
    "form_deviation",
)
"""What grows with use. A chip comes at once and heat with one bad cut: nothing about them can be foretold."""
LATELY = timedelta(weeks=4)
WEEK = timedelta(weeks=1)
WEEKS_A_MONTH = 365.25 / 12 / 7

Step = Literal["worn", "discard"]
When = Literal["now", "this month", "perhaps this month", "later", "cannot say"]


@dataclass(frozen=True, slots=True)
class Point:
    """One measurement after so many minutes of use since new or since sharpening."""

    minutes: float
    quantity: Quantity

    @property
    def value(self) -> float:
        """The value; of "at most U" the middle of 0 to U."""
        q = self.quantity
        return q.value / 2 if q.kind == "upper_limit" else q.value

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty; of "at most U" that of an even distribution from 0 to U (JCGM 100, 4.3.7)."""
        q = self.quantity
        return q.value / math.sqrt(12) if q.kind == "upper_limit" else q.expanded / 2


@dataclass(frozen=True, slots=True)
class Series:
    """One measurement of one flute (0: of the whole cutter) against use, oldest first; `worn` and `discard` are its last limits."""

    name: str
    flute: int
    unit: str
    worn: float
    discard: float
    points: tuple[Point, ...]

    @property
    def line(self) -> Line | TooLittle:
        """The line through the points, where they allow one."""
        sure = all(point.uncertainty > 0 for point in self.points)
        return fit_line(
            [point.minutes for point in self.points],
            [point.value for point in self.points],
            uncertainty=[point.uncertainty for point in self.points] if sure else (),
        )

    def until(self, step: Step) -> Remaining | TooLittle:
        """Use left from the last point until a limit is reached."""
        line = self.line
        return line if isinstance(line, TooLittle) else line.remaining(getattr(self, step))


@dataclass(frozen=True, slots=True)
class Outlook:
    """A cutter, its use and its wear.

    `since` is when it was sharpened last ("": new); `used_min` counts from then, and what was used since the last
    inspection is `unseen_min` of it. `weekly_min` is the use per week lately. `grade` is the last one, a person's
    before the measured; None where nothing was inspected since new or sharpening.
    """

    cutter: str
    facts: Facts
    since: str
    used_min: float
    unseen_min: float
    weekly_min: float
    grade: Grade | None
    discarded: bool
    series: tuple[Series, ...]

    def left(self, series: Series, step: Step) -> Remaining | TooLittle:
        """Use left from now until one series reaches a limit."""
        left = series.until(step)
        if isinstance(left, TooLittle):
            return left
        gone = self.used_min - series.points[-1].minutes
        return Remaining(*(max(minutes - gone, 0.0) for minutes in (left.minutes, left.least, left.most)))

    def first_to_go(self, step: Step) -> tuple[Series, Remaining] | None:
        """The series that will reach a limit first, and the use left; None where none can be foretold."""
        lefts = ((series, self.left(series, step)) for series in self.series)
        known = [(series, left) for series, left in lefts if isinstance(left, Remaining)]
        return min(known, key=lambda pair: pair[1].minutes) if known else None


def outlook(records: Records, cutter: CutterRow, *, now: datetime | None = None) -> Outlook:
    """All that the records say about the wear of one cutter."""
    entries = [entry for entry in records.entries(cutter.id) if entry.withdrawn_at is None]
    sharpened = [entry.when for entry in entries if entry.what == "sharpened"]
    since = max(sharpened, default="")
    seen = [row for row in records.inspections(cutter.id) if row.recorded_at >= since]
    uses = [entry for entry in entries if _minutes(entry) and entry.when >= since]
    used = sum(_minutes(entry) for entry in uses)
    last_seen = _used_before(uses, seen[-1].recorded_at) if seen else 0.0
    facts = Facts(cutter.kind, cutter.material, cutter.diameter_mm, cutter.flutes, cutter.nominal_radius_mm)  # type: ignore[arg-type]
    return Outlook(
        cutter.id,
        facts,
        since,
        used,
        used - last_seen,
        _weekly(entries, now or _now()),
        _grade(records, seen),
        any(entry.what == "discarded" for entry in entries),
        (*_series(seen, uses), *_diameters(records, cutter.id, facts, uses, since)),
    )


def _now() -> datetime:
    return datetime.now(UTC)


def _minutes(entry: EntryRow) -> float:
    """Minutes a use took; where only metres and feed are known, from them; 0 for what is no use."""
    if entry.minutes is None and entry.metres and entry.feed_mm_min:
        return 1000 * entry.metres / entry.feed_mm_min
    return entry.minutes or 0.0


def _used_before(uses: Sequence[EntryRow], when: str) -> float:
    return sum(_minutes(entry) for entry in uses if entry.when <= when)


def _grade(records: Records, seen: Sequence[InspectionRow]) -> Grade | None:
    if not seen:
        return None
    said = records.overrules(seen[-1].id)
    return said[-1].grade if said else seen[-1].grade  # type: ignore[return-value]


def _weekly(entries: Sequence[EntryRow], now: datetime) -> float:
    """Minutes a week over the last four weeks, or since the first use where that is later, but never over less than a week."""
    uses = [(datetime.fromisoformat(e.when), _minutes(e)) for e in entries if _minutes(e)]
    if not uses:
        return 0.0
    over = min(LATELY, max(WEEK, now - min(when for when, _ in uses)))
    return sum(minutes for when, minutes in uses if when > now - over) / (over / WEEK)


def _series(seen: Sequence[InspectionRow], uses: Sequence[EntryRow]) -> Iterator[Series]:
    """One series for each judged measurement and flute; of several photos in one inspection the worst counts."""
    found: dict[tuple[str, int], list[tuple[float, Measurement]]] = {}
    for row in seen:
        minutes = _used_before(uses, row.recorded_at)
        for key, measurement in _worst(from_document(json.loads(row.document)).photos).items():
            found.setdefault(key, []).append((minutes, measurement))
    for (name, flute), points in sorted(
        found.items(), key=lambda item: (GRADUAL.index(item[0][0]), item[0][1])
    ):
        last = points[-1][1]
        assert last.limit is not None
        yield Series(
            name,
            flute,
            last.quantity.unit,
            last.limit.worn,
            last.limit.discard,
            tuple(Point(minutes, measurement.quantity) for minutes, measurement in points),
        )


def _diameters(
    records: Records, cutter: str, facts: Facts, uses: Sequence[EntryRow], since: str
) -> Iterator[Series]:
    """The diameter lost since new against use, held against the limits of common practice."""
    limit = load_limits().for_cutter(facts).get("diameter_lost")
    points = tuple(
        Point(_used_before(uses, row.recorded_at), lost)
        for row, lost in diameters_lost(records, cutter)
        if row.recorded_at >= since and lost.kind != "lower_limit"
    )
    if limit is not None and points:
        yield Series("diameter_lost", 0, "mm", limit.worn, limit.discard, points)


def _worst(photos: Sequence[PhotoReport]) -> dict[tuple[str, int], Measurement]:
    worst: dict[tuple[str, int], Measurement] = {}
    for photo in photos:
        for m in photo.measurements:
            key = m.name, photo.one_flute or 0
            if m.name not in GRADUAL or m.limit is None or m.quantity.kind == "lower_limit":
                continue
            if key not in worst or m.quantity.value > worst[key].quantity.value:
                worst[key] = m
    return worst


@dataclass(frozen=True, slots=True)
class Due:
    """When a cutter will need replacing, and the use it has left until then, where that is known."""

    outlook: Outlook
    when: When
    left: Remaining | None = None

    @property
    def weeks(self) -> float | None:
        """Weeks left at the use of late; None where either is not known."""
        weekly = self.outlook.weekly_min
        return self.left.minutes / weekly if self.left and weekly else None


def due(seen: Outlook) -> Due:
    """When a cutter will reach `discard`, at the use it has had lately."""
    if seen.grade == "discard":
        return Due(seen, "now")
    found = seen.first_to_go("discard")
    if found is None:
        return Due(seen, "cannot say")
    left, month = found[1], seen.weekly_min * WEEKS_A_MONTH
    if left.minutes <= month:
        return Due(seen, "this month", left)
    return Due(seen, "perhaps this month" if month and left.least <= month else "later", left)


STEADY = 0.1
"""Speeds that differ by no more than this share from their mean count as one speed."""


@dataclass(frozen=True, slots=True)
class Life:
    """Minutes a cutter, new or sharpened, cut one material at one speed (m/min at its full diameter) until it was worn."""

    cutter: str
    like: tuple[object, ...]
    work_material: str
    speed: float
    minutes: float


def lives(records: Records) -> list[Life]:
    """Every life in the records that reached `worn` at one speed in one material.

    `like` holds kind, material, diameter and flutes: cutters that can be compared.
    """
    return [life for cutter in records.cutters() for life in _lives(records, cutter)]


def _lives(records: Records, cutter: CutterRow) -> Iterator[Life]:
    entries = [entry for entry in records.entries(cutter.id) if entry.withdrawn_at is None]
    starts = ["", *(entry.when for entry in entries if entry.what == "sharpened"), "9"]
    seen = records.inspections(cutter.id)
    for start, end in pairwise(starts):
        uses = [entry for entry in entries if _minutes(entry) and start <= entry.when < end]
        series = _series([row for row in seen if start <= row.recorded_at < end], uses)
        worn = [
            at
            for one in series
            if isinstance(
                at := reached([p.minutes for p in one.points], [p.value for p in one.points], one.worn), float
            )
        ]
        condition = _condition(uses, cutter.diameter_mm)
        if worn and condition is not None:
            like = (cutter.kind, cutter.material, cutter.diameter_mm, cutter.flutes)
            yield Life(cutter.id, like, *condition, min(worn))


def _condition(uses: Sequence[EntryRow], diameter_mm: float) -> tuple[str, float] | None:
    """The material cut and the speed in m/min, where all uses tell them and they are the same throughout."""
    materials = {use.work_material for use in uses}
    speeds = [math.pi * diameter_mm * use.speed_rpm / 1000 for use in uses if use.speed_rpm]
    if len(materials) != 1 or len(speeds) < len(uses) or not speeds:
        return None
    total = sum(_minutes(use) for use in uses)
    mean = sum(speed * (_minutes(use)) for speed, use in zip(speeds, uses, strict=True)) / total
    if max(abs(speed - mean) for speed in speeds) > STEADY * mean:
        return None
    return materials.pop() or "", mean


def law_for(cutter: CutterRow, known: Sequence[Life]) -> dict[str, Taylor | TooLittle]:
    """Taylor's law of tool life for cutters like this one, for each material that was cut."""
    like = (cutter.kind, cutter.material, cutter.diameter_mm, cutter.flutes)
    fitting = [life for life in known if life.like == like]
    return {
        material: taylor(
            [life.speed for life in fitting if life.work_material == material],
            [life.minutes for life in fitting if life.work_material == material],
        )
        for material in sorted({life.work_material for life in fitting})
    }
