"""Pixels and millimetres: the only place where one becomes the other."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from wearscope.quantity import ONE_SIDED_95, Quantity

__all__ = ["Scale"]


@dataclass(frozen=True, slots=True)
class Scale:
    """Local scale at the picture's centre.

    `px_per_mm` is pixels per millimetre; `parts` are relative standard uncertainties by name
    ("fit", "target", "print"); `id` names where the scale comes from.
    """

    px_per_mm: float
    parts: Mapping[str, float] = field(default_factory=dict)
    id: str = "typed"

    def __post_init__(self) -> None:
        if not self.px_per_mm > 0:
            raise ValueError(f"px_per_mm must be positive, not {self.px_per_mm}")
        object.__setattr__(self, "parts", MappingProxyType(dict(self.parts)))

    def __reduce__(self) -> tuple[object, ...]:
        return (Scale, (self.px_per_mm, dict(self.parts), self.id))

    @property
    def relative_uncertainty(self) -> float:
        """Relative standard uncertainty of px_per_mm."""
        return float(sum(u * u for u in self.parts.values()) ** 0.5)

    def to_mm(self, quantity: Quantity) -> Quantity:
        """A length in px as mm, an area in px2 as mm2; the scale's own uncertainty joins as part "scale"."""
        power = {"px": 1, "px2": 2}[quantity.unit]
        in_mm = quantity.scaled(self.px_per_mm**-power, {1: "mm", 2: "mm2"}[power])
        u_scale = power * abs(in_mm.value) * self.relative_uncertainty

        def widened(side: float | None) -> float | None:
            return None if side is None else (side**2 + (2 * u_scale) ** 2) ** 0.5

        parts = {**in_mm.parts, "scale": u_scale}
        outward = {"value": 0.0, "upper_limit": 1.0, "lower_limit": -1.0}[in_mm.kind]
        value = in_mm.value + outward * ONE_SIDED_95 * u_scale
        return Quantity(value, in_mm.unit, parts, in_mm.kind, widened(in_mm.below), widened(in_mm.above))
