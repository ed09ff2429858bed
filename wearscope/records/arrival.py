"""What a cutter was when it was new, and what of its diameter is gone since."""

from wearscope.flags import FLAGS, blocking
from wearscope.grading.decide import Verdict, decide
from wearscope.grading.limits import Limits
from wearscope.inspection import Inspection
from wearscope.quantity import COVERAGE_FACTOR, Quantity
from wearscope.records.models import DiameterRow
from wearscope.records.store import Records

__all__ = ["diameter_lost", "diameters_lost", "judged", "no_reference"]


def no_reference(inspection: Inspection) -> str:
    """Why an inspection cannot be the reference of a new cutter; "" where it can.

    A `retake` by limits alone is no reason: a cutter of another kind has none and is held against this very outline.
    """
    if not inspection.photos:
        return "there is no photo"
    if inspection.grade in ("worn", "discard"):
        return f"it is {inspection.grade} on arrival: do not use it, send it back"
    for photo in inspection.photos:
        for flag in blocking(photo.flags):
            return f"{photo.path}: {FLAGS[flag].text.rstrip('.').lower()}; take the photo again"
    return ""


def diameter_lost(records: Records, cutter: str) -> Quantity | None:
    """Diameter when new less the last one measured since; None where one of them is missing.

    A last diameter that is only a limit gives a limit. The standard uncertainty keeps both measurements apart.
    """
    losses = diameters_lost(records, cutter)
    return losses[-1][1] if losses else None


def diameters_lost(records: Records, cutter: str) -> list[tuple[DiameterRow, Quantity]]:
    """Every diameter measured since the last one when new, with what is lost by then, oldest first."""
    rows = records.diameters(cutter)
    at = max((i for i, row in enumerate(rows) if row.as_new and row.kind == "value"), default=len(rows))
    return [(row, _lost(rows[at], row)) for row in rows[at + 1 :]]


def _lost(new: DiameterRow, now: DiameterRow) -> Quantity:
    lost = new.value_mm - now.value_mm
    if now.kind == "value":
        both = {"when new": new.uncertainty_mm, "now": now.uncertainty_mm}
        return Quantity(lost, "mm", {name: u / COVERAGE_FACTOR for name, u in both.items()})
    if now.kind == "lower_limit":
        return Quantity(lost + new.uncertainty_mm, "mm", kind="upper_limit")
    return Quantity(lost - new.uncertainty_mm, "mm", kind="lower_limit")


def judged(records: Records, cutter: str, limits: Limits) -> Verdict | None:
    """The diameter lost held against the limit of this cutter; None where there is no loss or no limit."""
    lost = diameter_lost(records, cutter)
    limit = limits.for_cutter(records.cutter(cutter).facts).get("diameter_lost")
    return decide(lost, limit) if lost is not None and limit is not None else None
