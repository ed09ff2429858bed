"""Several photos of one thing made into one value: weighted mean, with the scatter as repeatability.

What is independent from photo to photo ("noise") is averaged down; what photos of one microscope share (scale, blur,
form, tilt) is not. Where the values scatter more than their noise explains, the mean is made wider by the
Birge ratio (R. T. Birge, Phys. Rev. 40 (1932) 207), which stands for everything that changes when a cutter is put
under the lens again. Where they scatter more than that can be, they are not photos of one thing.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from wearscope.quantity import COVERAGE_FACTOR, ONE_SIDED_95, Quantity

__all__ = ["COMBINED", "Mean", "combine"]

COMBINED = (
    "corner_radius",
    "corner_recession",
    "corner_loss_end_edge",
    "corner_loss_side_edge",
    "corner_missing_area",
    "included_angle",
    "tip_width",
    "nose_radius",
    "nose_deviation",
    "form_deviation",
    "wear_land_mean",
)
"""Measurements of which every photo of a corner shows the same; others, as chips, depend on what is in the frame."""
_INDEPENDENT = ("noise", "registration")
_REMOUNTED = 0.05
"""A cutter put under the lens again is tilted and turned by some degrees more or less: that changes lengths in the
picture by a few per cent (common practice, no source)."""
_ANOTHER = 0.001
"""Photos that agree as badly as this by chance in one of a thousand cases are of different things."""


@dataclass(frozen=True, slots=True)
class Mean:
    """One quantity out of several.

    `birge`: the scatter over what noise explains; `agree`: False where the values cannot be of one thing, and
    `quantity` then means nothing.
    """

    quantity: Quantity
    count: int
    birge: float
    agree: bool


def combine(quantities: Sequence[Quantity]) -> Mean:
    """The weighted mean of what several photos say of one thing; all in one unit.

    As soon as one photo resolves a value the result is a value, to which limits add the estimate behind them.
    Of upper limits only, it is the mean of the limits, weighted by how tight they are: it holds whatever their errors
    share, and is never below the tightest of them. Where one photo saw a part only and gives a lower limit, all together
    give the greatest lower bound. Raises ValueError for no quantity or several units.
    """
    units = {q.unit for q in quantities}
    if len(units) != 1:
        raise ValueError(f"only quantities of one unit can be combined, not {sorted(units)}")
    if any(q.kind == "lower_limit" for q in quantities):
        most = max(quantities, key=lambda q: q.bounds()[0])
        least = Quantity(most.bounds()[0], most.unit, most.parts, "lower_limit")
        return Mean(least, len(quantities), 0.0, True)
    if all(q.kind == "upper_limit" for q in quantities):
        return _limits(quantities)
    return _values(quantities)


def _estimate(quantity: Quantity) -> float:
    """The value, or the estimate that an upper limit was made from."""
    if quantity.kind == "value":
        return quantity.value
    return max(quantity.value - ONE_SIDED_95 * quantity.standard_uncertainty, 0.0)


def _noise(quantity: Quantity) -> float:
    own = math.hypot(*(quantity.parts.get(name, 0.0) for name in _INDEPENDENT))
    return own or quantity.standard_uncertainty or 1e-12


def _values(quantities: Sequence[Quantity]) -> Mean:
    values = [_estimate(q) for q in quantities]
    weights = [1 / _noise(q) ** 2 for q in quantities]
    total = sum(weights)
    mean = sum(w * v for w, v in zip(weights, values, strict=True)) / total
    spare = len(values) - 1
    scatter = sum(w * (v - mean) ** 2 for w, v in zip(weights, values, strict=True))
    birge = math.sqrt(scatter / spare) if spare else 0.0
    noise = 1 / math.sqrt(total)
    shares = [w / total for w in weights]
    names = dict.fromkeys(name for q in quantities for name in q.parts if name not in _INDEPENDENT)
    parts = {
        name: sum(s * q.parts.get(name, 0.0) for s, q in zip(shares, quantities, strict=True))
        for name in names
    }
    parts |= {"noise": noise, "repeatability": noise * math.sqrt(max(birge**2 - 1, 0.0))}
    whole = math.hypot(*parts.values())
    below, above = (
        whole * sum(s * side / max(q.standard_uncertainty, 1e-12) for s, side, q in rows)
        for rows in (
            [(s, _side(q, q.below), q) for s, q in zip(shares, quantities, strict=True)],
            [(s, _side(q, q.above), q) for s, q in zip(shares, quantities, strict=True)],
        )
    )
    unit = quantities[0].unit
    return Mean(
        Quantity(mean, unit, parts, below=below, above=above),
        len(values),
        birge,
        _agree(values, quantities, mean),
    )


def _side(quantity: Quantity, side: float | None) -> float:
    """The expanded uncertainty on one side."""
    return COVERAGE_FACTOR * quantity.standard_uncertainty if side is None else side


def _agree(values: Sequence[float], quantities: Sequence[Quantity], mean: float) -> bool:
    """Whether the values are of one thing: their whole uncertainties and a second look at it explain how they differ."""
    from scipy.stats import chi2

    spread = [math.hypot(q.standard_uncertainty, _REMOUNTED * mean) for q in quantities]
    weights = [1 / max(u, 1e-12) ** 2 for u in spread]
    middle = sum(w * v for w, v in zip(weights, values, strict=True)) / sum(weights)
    scatter = sum(w * (v - middle) ** 2 for w, v in zip(weights, values, strict=True))
    return bool(len(values) < 2 or chi2.sf(scatter, len(values) - 1) >= _ANOTHER)


def _limits(quantities: Sequence[Quantity]) -> Mean:
    """In squares, in which a corner's fit is symmetrical and where the weights do not follow chance."""
    spreads = [max(q.value**2 - _estimate(q) ** 2, 1e-18) for q in quantities]
    total = sum(1 / spread**2 for spread in spreads)
    shares = [1 / spread**2 / total for spread in spreads]
    value = math.sqrt(sum(s * q.value**2 for s, q in zip(shares, quantities, strict=True)))
    names = dict.fromkeys(name for q in quantities for name in q.parts)
    parts = {
        name: sum(s * q.parts.get(name, 0.0) for s, q in zip(shares, quantities, strict=True))
        for name in names
    }
    return Mean(Quantity(value, quantities[0].unit, parts, "upper_limit"), len(quantities), 0.0, True)
