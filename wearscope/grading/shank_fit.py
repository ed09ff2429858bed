"""Does a shank fit its collet? Decided from a micrometer: a photo's scale is good to a few tenths of a per cent, a fit h6 is 6 to 11 um.

The limits of h6 follow from ISO 286-1's formula for the tolerance grade IT6, 10 i with i = 0.45 cbrt(D) + 0.001 D (um; D in mm, the
geometric mean of the range of nominal sizes), rounded to the steps of ISO 286-2's table (both from memory, as are the rounded values).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import mean, stdev
from typing import Literal

from wearscope.errors import InputError
from wearscope.quantity import COVERAGE_FACTOR, ONE_SIDED_95

__all__ = ["H6_LOWER_UM", "MICROMETER_MM", "ShankFit", "h6_lower_um", "it6_um", "shank_fit"]

H6_LOWER_UM = ((1.0, 3.0, 6.0), (3.0, 6.0, 8.0), (6.0, 10.0, 9.0), (10.0, 18.0, 11.0), (18.0, 30.0, 13.0))
"""(above mm, up to mm, tolerance um): h6 lies between the nominal size and this much under it."""
MICROMETER_MM = 0.004
"""Largest error of an ordinary 0-25 mm micrometer, taken as rectangular (common practice, no source)."""
_SLIP_MM = 0.05
"""Readings of one shank that lie farther apart hold a slip, or the shank is damaged: no fit follows from them."""

Verdict = Literal["in tolerance", "under", "over", "cannot tell"]


def it6_um(above_mm: float, up_to_mm: float) -> float:
    """The tolerance grade IT6 (um) of a range of nominal sizes, before rounding; sizes up to 3 mm count from 1 mm on."""
    size = math.sqrt(above_mm * up_to_mm)
    return 10 * (0.45 * math.cbrt(size) + 0.001 * size)


def h6_lower_um(nominal_mm: float) -> float:
    """How far (um) a shank h6 of this nominal diameter may be under it. Raises InputError outside 1 to 30 mm."""
    for above, up_to, tolerance in H6_LOWER_UM:
        if (nominal_mm > above or above == 1.0) and 1.0 <= nominal_mm <= up_to:
            return tolerance
    raise InputError(f"shank {nominal_mm:g} mm: the fit h6 is known for 1 to 30 mm")


@dataclass(frozen=True, slots=True)
class ShankFit:
    """Mean of micrometer readings against h6: all mm; `uncertainty_mm` is expanded (95 %)."""

    nominal_mm: float
    lower_mm: float
    upper_mm: float
    mean_mm: float
    uncertainty_mm: float
    verdict: Verdict

    @property
    def words(self) -> str:
        """The result and what to do, in a sentence."""
        measured = f"shank {self.mean_mm:.4f} ± {self.uncertainty_mm:.4f} mm by micrometer"
        fit = f"h6 of {self.nominal_mm:g} mm ({self.lower_mm:.3f} to {self.upper_mm:.3f} mm)"
        return {
            "in tolerance": f"{measured}: in tolerance, {fit}",
            "under": f"{measured}: under {fit}; a collet may not hold it: do not use it, and look at the collet too",
            "over": f"{measured}: over {fit}; look for burrs, and do not force it into a collet",
            "cannot tell": f"{measured}: cannot tell whether it is within {fit}; read again, or with a better micrometer",
        }[self.verdict]


def shank_fit(
    nominal_mm: float, readings_mm: Sequence[float], *, micrometer_mm: float = MICROMETER_MM
) -> ShankFit:
    """Decide the fit from micrometer readings around and along the shank (guarded both ways, JCGM 106:2012, one-sided 95 %).

    `micrometer_mm` is the micrometer's largest error; averaging does not lessen it. Raises InputError for readings that make no sense.
    """
    lower, upper = nominal_mm - h6_lower_um(nominal_mm) / 1000, nominal_mm
    if not readings_mm:
        raise InputError("no reading of the shank: --shank-reading MM, once for each reading")
    if not (math.isfinite(micrometer_mm) and micrometer_mm >= 0):
        raise InputError(f"micrometer error {micrometer_mm:g} mm: expected 0 or more")
    for value in readings_mm:
        if not (math.isfinite(value) and 0.9 * nominal_mm < value < 1.1 * nominal_mm):
            raise InputError(
                f"reading {value:g} mm does not belong to a shank of {nominal_mm:g} mm; check unit and shank"
            )
    if max(readings_mm) - min(readings_mm) > _SLIP_MM:
        raise InputError(
            f"readings from {min(readings_mm):g} to {max(readings_mm):g} mm: one was a slip, or the shank is damaged; read again"
        )
    count = len(readings_mm)
    # A single reading: half a division of 0.01 mm, rectangular (common practice, no source).
    scatter = stdev(readings_mm) / math.sqrt(count) if count > 1 else 0.005 / math.sqrt(3)
    u = math.hypot(scatter, micrometer_mm / math.sqrt(3))
    middle, guard = mean(readings_mm), ONE_SIDED_95 * u
    verdict: Verdict = "cannot tell"
    if middle + guard < lower:
        verdict = "under"
    elif middle - guard > upper:
        verdict = "over"
    elif lower <= middle - guard and middle + guard <= upper:
        verdict = "in tolerance"
    return ShankFit(nominal_mm, lower, upper, middle, COVERAGE_FACTOR * u, verdict)
