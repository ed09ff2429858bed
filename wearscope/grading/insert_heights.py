"""Do the inserts of a surfacing cutter cut at the same height? From dial gauge readings at each insert, the cutter turned by hand.

No photo of one insert shows it, and a photo of them all seldom resolves it. One insert that stands out cuts alone and wears alone.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from wearscope.errors import InputError
from wearscope.facts import Facts
from wearscope.grading.decide import Grade, decide, verdict_words
from wearscope.grading.limits import Limits
from wearscope.quantity import COVERAGE_FACTOR, Quantity

__all__ = ["GAUGE_MM", "InsertHeights", "insert_heights"]

GAUGE_MM = 0.01
"""Largest error of an ordinary dial gauge with divisions of 0.01 mm over a few tenths, taken as rectangular (common practice, no source)."""
_SLIP_MM = 2.0
"""Inserts of one cutter that seem to lie farther apart hold a slip of the pen, or another unit."""


@dataclass(frozen=True, slots=True)
class InsertHeights:
    """Readings (mm, of insert 1, 2, ..., larger: stands out more), their largest difference with its expanded uncertainty (95 %), grade and why."""

    readings_mm: tuple[float, ...]
    difference_mm: float
    uncertainty_mm: float
    grade: Grade
    reason: str

    @property
    def words(self) -> str:
        """What to do about it, in a sentence."""
        high = 1 + self.readings_mm.index(max(self.readings_mm))
        low = 1 + self.readings_mm.index(min(self.readings_mm))
        if self.grade == "sharp":
            return "The inserts cut at one height."
        if self.grade == "retake":
            return "Read the heights of the inserts again, with a finer gauge."
        return (
            f"Insert {high} stands out the most, insert {low} the least: clean the seats, seat both again and tighten them evenly, "
            "then read again; turn or replace the insert that still differs."
        )


def insert_heights(
    readings_mm: Sequence[float], *, facts: Facts, limits: Limits, gauge_mm: float = GAUGE_MM
) -> InsertHeights:
    """Hold the largest difference of one reading for each insert against the limits.

    `gauge_mm` is the gauge's largest error. Raises InputError for another kind of cutter, or readings that make no sense.
    """
    limit = limits.for_cutter(facts).get("insert_height_difference")
    if facts.kind != "surfacing" or limit is None:
        raise InputError("--insert-height is about the inserts of a surfacing cutter: give --kind surfacing")
    if len(readings_mm) < 2 or (facts.flutes is not None and len(readings_mm) != facts.flutes):
        expected = facts.flutes if facts.flutes is not None else "two or more"
        raise InputError(
            f"{len(readings_mm)} readings of insert heights: expected {expected}, --insert-height MM once for each insert"
        )
    if not (math.isfinite(gauge_mm) and gauge_mm >= 0):
        raise InputError(f"gauge error {gauge_mm:g} mm: expected 0 or more")
    difference = max(readings_mm) - min(readings_mm)
    if not (all(map(math.isfinite, readings_mm)) and difference < _SLIP_MM):
        raise InputError(
            f"insert heights from {min(readings_mm):g} to {max(readings_mm):g} mm: one was a slip, or not in mm"
        )
    quantity = Quantity(difference, "mm", {"gauge": gauge_mm * math.sqrt(2 / 3)})
    verdict = decide(quantity, limit)
    return InsertHeights(
        tuple(readings_mm),
        difference,
        COVERAGE_FACTOR * quantity.standard_uncertainty,
        verdict.grade,
        f"by dial gauge: {verdict_words(verdict)}",
    )
