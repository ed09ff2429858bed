"""What an end tells, in numbers and words: distances from the axis, how much they differ, whether an edge reaches the centre."""

import numpy as np
from numpy.typing import NDArray

from wearscope.features.end_view.teeth import Teeth
from wearscope.features.end_view.tip import Tip
from wearscope.quantity import ONE_SIDED_95, Quantity

__all__ = [
    "ALIKE",
    "broken_words",
    "gap_of",
    "no_plunge",
    "radii_of",
    "reach_words",
    "short_words",
    "spread_of",
]

Floats = NDArray[np.float64]

ALIKE = 0.0015
"""Standard deviation by which gashes and flutes are off their common axis, as a share of the radius: 5 um on 6 mm (common practice, no source)."""
_TILT = 0.0018
"""A cutter held by eye leans by about 3 degrees, and an end edge dished by 2 degrees lies 0.035 radii deeper inside than at its corner: the two
shift against each other by sin 3 degrees of that."""
_CENTRE = 0.03
"""An edge seen to go on to within this share of the radius reaches the centre; one that stops farther out leaves a pin that must be rubbed away."""


def radii_of(teeth: Teeth) -> dict[str, Quantity]:
    """Distance of each corner from the axis, px."""
    along = np.sqrt(np.einsum("ki,ij,kj->k", teeth.toward, teeth.covariance, teeth.toward))
    return {
        f"flute_{k + 1}_radius": Quantity(
            float(r), "px", {"noise": float(noise), "axis": float(u), "form": ALIKE * r, "tilt": _TILT * r}
        )
        for k, (r, noise, u) in enumerate(zip(teeth.radii_px, teeth.noise_px, along, strict=True))
    }


def spread_of(teeth: Teeth) -> Quantity:
    """Largest less smallest distance, px; an upper limit where it may be chance."""
    radii, count = teeth.radii_px, len(teeth.radii_px)
    whole = float(radii.max())
    alike = teeth.toward @ teeth.toward.T * whole**2
    covariances = {
        "noise": np.diag(teeth.noise_px**2),
        "axis": teeth.toward @ teeth.covariance @ teeth.toward.T,
        "form": ALIKE**2 * alike,
        "tilt": _TILT**2 * alike,
    }
    rng = np.random.default_rng(0)

    def draws(covariance: Floats) -> Floats:
        return rng.multivariate_normal(np.zeros(count), covariance, 2000, method="eigh")

    value = float(np.ptp(radii))
    parts = {name: float(np.std(np.ptp(radii + draws(c), axis=1))) for name, c in covariances.items()}
    chance = float(
        np.quantile(np.ptp(draws(sum(covariances.values(), np.zeros((count, count)))), axis=1), 0.95)
    )
    if value > chance:
        return Quantity(value, "px", parts)
    limit = value + ONE_SIDED_95 * float(np.sqrt(sum(u * u for u in parts.values())))
    return Quantity(limit, "px", parts, "upper_limit")


def gap_of(teeth: Teeth, tip: Tip) -> Quantity:
    """How near to the axis the longest end edge reaches, px; an upper limit where it reaches it."""
    gap = float(teeth.gaps_px.min())
    axis = float(np.sqrt(np.trace(teeth.covariance) / 2))
    # the end of a land is seen to about a blur, and a gash does not cut it off square
    parts = {"blur": 1.5 * tip.blur_px, "axis": axis, "form": ALIKE * tip.radius_px}
    doubt = ONE_SIDED_95 * float(np.hypot(parts["blur"], np.hypot(axis, parts["form"])))
    if gap < doubt:
        return Quantity(max(gap, 0.0) + doubt, "px", parts, "upper_limit")
    return Quantity(gap, "px", parts)


def no_plunge() -> str:
    return (
        "whether an edge reaches the centre cannot be told: do not plunge before you have looked with a loupe"
    )


def reach_words(gap: Quantity, radius_px: float) -> str:
    """May it plunge, in words."""
    low, high = gap.bounds(floor=0.0)
    if high < _CENTRE * radius_px:
        return "an end edge reaches the centre: it may plunge"
    if low > _CENTRE * radius_px:
        return "no edge reaches the centre: do not plunge with it, enter on a ramp"
    return no_plunge()


def short_words(quantities: dict[str, Quantity], count: int) -> tuple[str, ...]:
    """Which flute stands back, where the spread is more than chance."""
    spread = quantities["corner_radius_spread"]
    if spread.kind != "value":
        return ()
    least = min(range(1, count + 1), key=lambda k: quantities[f"flute_{k}_radius"].value)
    return (
        f"the corners are not at the same distance from the axis: flute {least} of this picture stands back the most and cuts less",
    )


def broken_words(quantities: dict[str, Quantity], count: int) -> tuple[str, ...]:
    """Which corners stand back from where their edges meet."""
    return tuple(
        f"flute {k} of this picture: its corner is broken off"
        for k in range(1, count + 1)
        if f"flute_{k}_recession" in quantities
    )
