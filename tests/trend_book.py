"""Records of cutters whose wear was drawn by a known law, dated by hand."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.inspection import LimitSteps, Measurement, PhotoReport, ScaleUsed, conclude
from wearscope.quantity import Quantity
from wearscope.records.store import Records

WORN, DISCARD = 0.04, 0.10
"""Steps of the corner radius, 3 to 6 mm, common practice."""


@dataclass
class Clock:
    """Stands for the clock of the records; told to go on by hand."""

    now: datetime = datetime(2025, 3, 3, 8, tzinfo=UTC)

    def __call__(self) -> str:
        self.now += timedelta(seconds=1)
        return self.now.isoformat(timespec="milliseconds")

    def later(self, days: float) -> None:
        self.now += timedelta(days=days)


def inspected(
    records: Records,
    cutter: str,
    radius: float,
    *,
    u: float = 0.002,
    flute: int = 1,
    upper: bool = False,
    steps: tuple[float, float] = (WORN, DISCARD),
) -> int:
    """Record a corner radius with standard uncertainty `u`, graded by its bounds; its number."""
    quantity = Quantity(radius, "mm", {"noise": u}, "upper_limit" if upper else "value")
    low, high = quantity.bounds(floor=0.0)
    grade = "discard" if low > steps[1] else "sharp" if high < steps[0] else "worn"
    measured = Measurement("corner_radius", quantity, grade, LimitSteps(*steps))  # type: ignore[arg-type]
    key = f"{cutter}{radius}{flute}".encode().hex()[:64].ljust(64, "0")
    photo = PhotoReport(
        "photo.jpg", key, (32, 24), "corner", flute, grade, (), (), (measured,), {}, (), (),
        ScaleUsed("typed", 100.0, 0.0),
    )  # type: ignore[arg-type]  # fmt: skip
    facts = Facts("flat", "carbide", 6.0, 2)
    return records.record(cutter, conclude([photo], facts=facts, limits=load_limits())).id
