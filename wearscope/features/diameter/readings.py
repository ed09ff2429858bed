"""Micrometer readings across the flutes, and combining values from several sources."""

import math
from collections.abc import Sequence

import numpy as np

from wearscope.errors import InputError
from wearscope.features.diameter.coverage import effective_freedom, half_width, with_interval
from wearscope.geometry.anvils import V_ANGLES_DEG, flat_anvil_range, v_anvil_factor, v_anvil_fits
from wearscope.quantity import COVERAGE_FACTOR, Quantity

__all__ = ["ANVILS", "MICROMETER_MM", "combine", "diameter_from_readings", "diameter_from_slot", "must_suit"]

ANVILS: dict[str, float | None] = {"flat": None, "v60": 60.0, "v108": 108.0, "v129": V_ANGLES_DEG[7]}
MICROMETER_MM = 0.004
"""Largest error of an ordinary 0-25 mm micrometer, rectangular (ISO 3611 leaves it to the maker; 4 um is usual: from memory)."""
_INCH = 25.4
_SMALLEST_MM, _LARGEST_MM = 0.1, 100.0
"""Router cutters; the largest surfacing cutters measure 80 mm. Common practice, no source."""
_EVEN = ("micrometer", "resolution")
"""Parts whose errors are even between two ends."""
_COMMON = "micrometer"
"""The part that all sources have in common: one micrometer measured the shank and the flutes."""


def _checked(readings: Sequence[float], nominal: float | None, share: float) -> np.ndarray:
    """The readings, of a cutter of `nominal` mm that should read `share` of its diameter."""
    values = np.array(readings, float)
    if not len(values):
        raise InputError("no reading given: --reading MM, once for each reading")
    if not np.all(np.isfinite(values)) or np.any(values <= 0):
        bad = values[~(values > 0)][0]
        raise InputError(f"reading {bad:g} mm: a diameter is more than 0; read the micrometer again")
    if nominal:
        expected = share * nominal
        for value in values:
            if abs(value * _INCH / expected - 1) < 0.2:
                raise InputError(
                    f"reading {value:g} mm for a cutter of {nominal:g} mm looks like inch: write {value:g}in"
                )
            if abs(value / _INCH / expected - 1) < 0.05:
                raise InputError(
                    f"reading {value:g} mm for a cutter of {nominal:g} mm: 25.4 times too large; check the unit"
                )
            if value > 1.5 * expected or value < 0.4 * expected:
                raise InputError(
                    f"reading {value:g} mm does not belong to a cutter of {nominal:g} mm; check unit and cutter"
                )
    for value in values:
        if not _SMALLEST_MM <= value <= _LARGEST_MM:
            raise InputError(
                f"reading {value:g} mm: expected {_SMALLEST_MM:g} to {_LARGEST_MM:g} mm across the flutes of a router cutter; "
                "check the unit: 6 is 6 mm, 0.25in is a quarter inch"
            )
    middle = float(np.median(values))
    far = np.abs(values - middle)
    if len(values) >= 3 and far.max() > max(0.03, 6 * 1.4826 * float(np.median(far))):
        raise InputError(
            f"reading {values[far.argmax()]:g} mm lies far from the others (median {middle:g} mm): "
            "read again, and leave it out if it was a slip"
        )
    if len(values) == 2 and np.ptp(values) > 0.05:
        raise InputError(
            f"the two readings differ by {np.ptp(values):.3f} mm: take a third one to see which is the slip"
        )
    return values


def _mean(values: np.ndarray, micrometer_mm: float) -> tuple[float, dict[str, float]]:
    n = len(values)
    parts = {"micrometer": micrometer_mm / math.sqrt(3)}
    if n == 1:  # scatter by common practice, half a thimble division of 0.01 mm, rectangular
        return float(values[0]), {**parts, "repeatability": 0.005 / math.sqrt(3)}
    # All on hundredths: read off a thimble without vernier (JCGM 100:2008, F.2.2.1: division over root 12).
    division = 0.01 if np.allclose(values * 100, np.round(values * 100), atol=1e-6) else 0.001
    scatter = float(np.std(values, ddof=1)) / math.sqrt(n)
    return float(values.mean()), {**parts, "repeatability": scatter, "resolution": division / math.sqrt(12)}


def diameter_from_readings(
    readings: Sequence[float],
    *,
    flutes: int,
    anvil: str = "flat",
    nominal: float | None = None,
    micrometer_mm: float = MICROMETER_MM,
) -> tuple[Quantity, str]:
    """Cutting diameter (mm) and a remark from readings across the flutes.

    An odd number of flutes between flat anvils gives only a lower limit. Raises InputError for readings that make no sense and for
    a V anvil that does not suit the number of flutes.
    """
    angle = ANVILS[anvil]
    values = _checked(readings, nominal, v_anvil_factor(angle) if angle is not None else 1.0)
    mean, parts = _mean(values, micrometer_mm)
    few = {"repeatability": len(values) - 1.0} if len(values) > 1 else {}

    def value_of(reading: float, share: float = 1.0) -> Quantity:
        each = {name: u / share for name, u in parts.items()}
        return with_interval(
            Quantity(reading / share, "mm", each),
            freedom=few,
            rectangular={n: each[n] for n in _EVEN if n in each},
        )

    lowest = mean - half_width(
        parts["repeatability"],
        freedom=effective_freedom(parts, few),
        rectangles=[parts[n] for n in _EVEN if n in parts],
        level=0.9,  # 95 % on one side
    )
    if angle is not None:
        if not v_anvil_fits(flutes, angle):
            suits = {n: f"{a:.0f}" for n, a in V_ANGLES_DEG.items()}.get(flutes)
            raise InputError(
                f"a V anvil of {angle:.0f} degrees does not fit {flutes} flutes: "
                + (
                    f"use {suits} degrees"
                    if suits
                    else "V anvils are for 3, 5 or 7 flutes; use flat anvils for even counts"
                )
            )
        k = v_anvil_factor(angle)
        return value_of(mean, k), (
            f"V anvil {angle:.0f} degrees: apex-to-spindle reading divided by {k:.7f}; the largest reading while turning counts"
        )
    if flutes == 1:
        return Quantity(lowest, "mm", parts, "lower_limit"), (
            "one flute between two flat anvils: the reading ends on the back of the body; the true diameter is larger. "
            "Use a series of silhouettes"
        )
    low, high = flat_anvil_range(flutes)
    if flutes % 2:
        return Quantity(lowest / high, "mm", {n: u / high for n, u in parts.items()}, "lower_limit"), (
            f"{flutes} flutes between flat anvils read {low:.3f} to {high:.3f} of the diameter, so it is at least the reading over "
            f"{high:.3f}; use a V anvil or a series of silhouettes for a value"
        )
    return value_of(float(values.max()) if np.ptp(values) > 0.02 else mean), (
        "flat anvils, even number of flutes: the largest reading while turning counts"
    )


def must_suit(diameter: Quantity, nominal: float, *, source: str = "the silhouettes give") -> None:
    """Raises InputError where a diameter from photos (mm) cannot be that of a cutter of `nominal` mm: the scale is wrong."""
    ratio = diameter.value / nominal
    if 0.5 < ratio < 1.5 or (diameter.kind == "lower_limit" and ratio < 1):
        return
    factor = next((f for f in (_INCH, 1 / _INCH) if abs(ratio / f - 1) < 0.2), None)
    why = (
        "25.4 times off: a length was typed in the wrong unit (0.25in is a quarter inch)"
        if factor
        else "that is another cutter or another scale"
    )
    raise InputError(
        f"{source} {diameter.value:.4g} mm for a cutter of {nominal:g} mm: {why}; check --nominal and --shank, "
        "--px-per-mm or --calibration"
    )


def diameter_from_slot(slot_mm: float) -> tuple[Quantity, str]:
    """Upper estimate from the width of a test slot: it holds runout of spindle and collet, and deflection, too."""
    if not slot_mm > 0:
        raise InputError(f"slot {slot_mm:g} mm: a width is more than 0")
    return Quantity(slot_mm, "mm", {"repeatability": 0.02, "form": 0.02}), (
        "the test slot also holds runout and deflection of spindle and cutter: it says what this machine cuts, not what the cutter measures"
    )


def combine(
    sources: Sequence[tuple[str, Quantity]], *, common: str = _COMMON
) -> tuple[Quantity, tuple[str, ...]]:
    """Weighted mean of independent values; limits only check it.

    The micrometer (or the part `common`) is the same in all of them: its error stays whatever the weights. Weights are 1/u^2; disagreement beyond the uncertainties (normalised error over 1, ISO 13528 En) is said and widens the
    result by the Birge ratio. Raises ValueError without a source.
    """
    values = [(name, q) for name, q in sources if q.kind == "value"]
    if not values:
        bounds = [q for _, q in sources if q.kind == "lower_limit"]
        if not bounds:
            raise ValueError("nothing to combine")
        return max(bounds, key=lambda q: q.value), ()
    best, said = _weighted(values, common) if len(values) > 1 else (values[0][1], [])
    for name, q in sources:
        if q.kind == "lower_limit" and q.value > best.bounds()[1]:
            said.append(f"{name} prove at least {q.value:.3f} mm, more than the {best.value:.3f} mm measured")
    return best, tuple(said)


def _weighted(values: Sequence[tuple[str, Quantity]], name: str) -> tuple[Quantity, list[str]]:
    own = [_independent_parts(q, name) for _, q in values]
    common = [q.parts.get(name, 0.0) for _, q in values]
    weights = np.array([1 / max(sum(u * u for u in parts.values()), 1e-12) for parts in own])
    share = weights / weights.sum()
    mean = float(share @ [q.value for _, q in values])
    chi = float(weights @ [(q.value - mean) ** 2 for _, q in values])
    stretch = math.sqrt(max(1.0, chi / max(len(values) - 1, 1)))
    combined = {name: float(share @ common)} if any(common) else {}
    for w, parts in zip(share, own, strict=True):
        for part, u in parts.items():
            combined[part] = math.hypot(combined.get(part, 0.0), float(w) * u * stretch)
    said = []
    for i, (one, q) in enumerate(values):
        for other, p in values[i + 1 :]:
            if abs(q.value - p.value) > math.hypot(q.expanded, p.expanded):
                said.append(
                    f"{one} ({q.value:.3f} mm) and {other} ({p.value:.3f} mm) disagree beyond their uncertainties: "
                    "the result lies between them with a wider uncertainty; measure both again"
                )
    return Quantity(mean, "mm", combined), said


def _independent_parts(q: Quantity, common: str) -> dict[str, float]:
    """The parts no other source shares; where the interval is wider than they say, they and what one side has more."""
    parts = {name: u for name, u in q.parts.items() if name != common}
    more = q.expanded**2 / COVERAGE_FACTOR**2 - q.standard_uncertainty**2
    if more > 0:
        parts["form"] = math.hypot(parts.get("form", 0.0), math.sqrt(more))
    return parts
