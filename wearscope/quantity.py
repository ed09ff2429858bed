"""A measured value with its uncertainty kept as named parts.

Parts are standard uncertainties in the unit of the value ("scale", "noise", "blur", "tilt", "form",
"repeatability", ...). They are added in quadrature only where a number is shown or a decision is made.
Expanded uncertainty is for 95 % (k = 2, or the two sides of an asymmetric interval), as in JCGM 100.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

__all__ = ["COVERAGE_FACTOR", "ONE_SIDED_95", "Kind", "Quantity"]

Kind = Literal["value", "upper_limit", "lower_limit"]
COVERAGE_FACTOR = 2.0
"""k for an expanded uncertainty of about 95 % (JCGM 100, 6.3.3)."""
ONE_SIDED_95 = 1.6448536269514722
"""z for a one-sided 95 % bound of a normal distribution (JCGM 106)."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value, its unit and where its uncertainty comes from.

    `kind` "upper_limit" says: with 95 % confidence not more than `value`; "lower_limit": not less.
    `below` and `above` are the two expanded (95 %) uncertainties where the interval is not symmetric. Those of a "share" end
    at 0 and 1; what is decided still rests on the whole uncertainty, which `sides` gives.
    """

    value: float
    unit: str
    parts: Mapping[str, float] = field(default_factory=dict)
    kind: Kind = "value"
    below: float | None = None
    above: float | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"a quantity needs a finite value, not {self.value}")
        if any(not (math.isfinite(u) and u >= 0) for u in self.parts.values()):
            raise ValueError(f"uncertainty parts must be finite and not negative: {dict(self.parts)}")
        object.__setattr__(self, "parts", MappingProxyType(dict(self.parts)))

    def __reduce__(self) -> tuple[object, ...]:
        return (Quantity, (self.value, self.unit, dict(self.parts), self.kind, self.below, self.above))

    @property
    def standard_uncertainty(self) -> float:
        """Root sum of squares of the parts."""
        return math.sqrt(sum(u * u for u in self.parts.values()))

    @property
    def expanded(self) -> float:
        """Expanded uncertainty at 95 %; the wider side where the interval is not symmetric."""
        sides = [s for s in (self.below, self.above) if s is not None]
        return max(sides) if sides else COVERAGE_FACTOR * self.standard_uncertainty

    @property
    def sides(self) -> tuple[float, float]:
        """Expanded uncertainty (95 %) below and above the value; of a share before its interval is cut at 0 and 1."""
        whole = COVERAGE_FACTOR * self.standard_uncertainty
        below, above = (whole if side is None else side for side in (self.below, self.above))
        return (max(below, whole), max(above, whole)) if self.unit == "share" else (below, above)

    def bounds(self, floor: float = -math.inf) -> tuple[float, float]:
        """One-sided 95 % bounds (lower, upper), never below `floor`; those of a share lie between 0 and 1."""
        ratio = ONE_SIDED_95 / COVERAGE_FACTOR
        if self.kind == "upper_limit":
            return floor, self.value
        if self.kind == "lower_limit":
            return self.value, math.inf
        below, above = self.sides
        lower, upper = self.value - ratio * below, self.value + ratio * above
        if self.unit == "share":
            lower, upper = max(0.0, lower), min(1.0, upper)
        return max(floor, lower), upper

    def scaled(self, factor: float, unit: str) -> "Quantity":
        """The same quantity in another unit (`factor` counts as exact)."""
        size = abs(factor)
        return Quantity(
            self.value * factor,
            unit,
            {name: u * size for name, u in self.parts.items()},
            self.kind,
            None if self.below is None else self.below * size,
            None if self.above is None else self.above * size,
        )
