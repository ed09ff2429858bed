"""What the sides of a shank tell: diameter, taper, straightness, the largest burr and groove, each with its uncertainty."""

import numpy as np
from numpy.typing import NDArray

from wearscope.features.shank.course import _DEGREE, DAMAGE
from wearscope.features.shank.sides import Damage, Shank
from wearscope.quantity import ONE_SIDED_95, Quantity

__all__ = ["burr_of", "diameter_of", "grooves_around", "score_of", "straightness_of", "taper_of"]

Floats = NDArray[np.float64]


def diameter_of(shank: Shank) -> Quantity:
    """The mean over the length; `form` is how it changes along."""
    width = shank.width_px
    noise = float(np.sqrt(sum(c.covariance[0, 0] for c in shank.courses)))
    return Quantity(
        float(width.mean()),
        "px",
        {
            "noise": noise,
            "level": float(np.sqrt(2)) * shank.level_px,
            "limb": abs(shank.limb_px) / 2,
            # blur is not quite Gaussian and limbs glow a little in a wide back light: a tenth of the blur a side
            "blur": float(np.sqrt(2)) * 0.1 * shank.bar.blur_px,
            "form": float(width.std()),
        },
    )


def _scaled_coefficients(shank: Shank, sign: int) -> tuple[Floats, Floats]:
    """Coefficients of (second + sign * first) over -1..1 along the shank, and their covariance."""
    x = np.linspace(-1, 1, len(shank.s_px))
    total = shank.courses[1](shank.s_px) + sign * shank.courses[0](shank.s_px)
    coefficients: Floats = np.asarray(np.polynomial.polynomial.polyfit(x, total, _DEGREE), np.float64)
    return coefficients, shank.courses[0].covariance + shank.courses[1].covariance


def taper_of(shank: Shank) -> Quantity:
    """Included angle between the two sides, degrees."""
    coefficients, covariance = _scaled_coefficients(shank, 1)
    x = np.linspace(-1, 1, 101)
    width = np.polynomial.polynomial.polyval(x, coefficients)
    half = len(shank.s_px) / 2
    slope = float(np.polyfit(x, width, 1)[0])
    weights = np.polyfit(x, np.vander(x, _DEGREE + 1, increasing=True), 1)[0]
    noise = float(np.sqrt(weights @ covariance @ weights))
    degrees = np.degrees(1.0) / half
    return Quantity(
        abs(slope) * degrees, "deg", {"noise": noise * degrees, "level": shank.level_px * degrees}
    )


def _zone(line: Floats) -> Floats:
    """Widths of the narrowest strips that hold curves (..., n) over -1..1 (ISO 1101, straightness in a plane; slopes are small)."""
    x = np.linspace(-1, 1, line.shape[-1])
    ends = line[..., :1], line[..., -1:]
    level = line - (ends[0] + ends[1]) / 2 - (ends[1] - ends[0]) / 2 * x
    slopes = np.linspace(-1, 1, 41)[:, None] * x
    size = np.abs(level).max(axis=-1)[..., None, None]
    return np.asarray(np.ptp(level[..., None, :] + size * slopes, axis=-1).min(axis=-1))


def straightness_of(shank: Shank, size: tuple[int, int]) -> Quantity:
    """Of the middle between both sides. An upper limit where noise alone would show as much."""
    coefficients, covariance = _scaled_coefficients(shank, -1)
    rng = np.random.default_rng(0)
    noise = rng.multivariate_normal(np.zeros(_DEGREE + 1), covariance, 200, method="eigh")
    rows = np.vander(np.linspace(-1, 1, 61), _DEGREE + 1, increasing=True).T
    zone = float(_zone(coefficients @ rows / 2))
    alone = float(np.quantile(_zone(noise @ rows / 2), 0.95))
    parts = {
        "noise": float(np.std(_zone((coefficients + noise) @ rows / 2))),
        "form": 0.06 * zone,  # a kink is a sixteenth higher than the parabola through it
        "lens": _lens_bow(shank, size),
        "level": 0.25 * shank.level_px,
    }
    doubt = alone + ONE_SIDED_95 * float(np.hypot(parts["lens"], parts["level"]))
    if zone < doubt:
        limit = zone + doubt
        return Quantity(limit, "px", parts, "upper_limit")
    return Quantity(zone, "px", parts)


def _lens_bow(shank: Shank, size: tuple[int, int]) -> float:
    """The bow (px) that the lens itself may have put in: a barrel or cushion bends each line by as much as it lies off the centre.

    How much follows from the sides: of a cylinder they bow against each other by the lens alone.
    """
    coefficients, covariance = _scaled_coefficients(shank, 1)
    bow = abs(float(coefficients[2]))
    if bow < 2 * float(np.sqrt(covariance[2, 2])):
        return 0.0
    centre = (np.array(size) - 1) / 2
    aside = abs(float((np.array(shank.bar.axis.origin_px) - centre) @ np.array(shank.bar.axis.into)))
    return bow * aside / float(shank.width_px.mean())


def burr_of(shank: Shank) -> Quantity:
    """The highest burr the outline shows; an upper limit where there is none."""
    return _worst(shank, [(d.size_px, d.length_px, 0.0) for d in shank.damages if d.size_px > 0])


def score_of(shank: Shank) -> Quantity:
    """The deepest groove around the shank as the outline shows it; an upper limit where there is none."""
    quantity = _worst(
        shank,
        [
            (-(a.size_px + b.size_px) / 2, a.length_px, abs(a.size_px - b.size_px) / 2)
            for a, b in grooves_around(shank)
        ],
    )
    if shank.on_dark and quantity.kind == "value":  # on a dark ground a dark ring looks like a notch
        limit = quantity.value + ONE_SIDED_95 * quantity.standard_uncertainty
        return Quantity(limit, "px", quantity.parts, "upper_limit")
    return quantity


def grooves_around(shank: Shank) -> list[tuple[Damage, Damage]]:
    """Grooves that show at the same place on both sides: around the shank. One side alone may be a dent, or dust on it."""
    missing = [d for d in shank.damages if d.size_px < 0]
    return [
        (a, b)
        for a in missing
        for b in missing
        if a.side < b.side and abs(a.s_px - b.s_px) < max(a.length_px, b.length_px, 4 * shank.bar.blur_px)
    ]


def _worst(shank: Shank, found: list[tuple[float, float, float]]) -> Quantity:
    """Of (size, length, half the difference of two sides) the largest, in px."""
    blur = shank.bar.blur_px
    parts = {"noise": shank.floor_px / DAMAGE, "blur": 0.1 * blur, "level": shank.level_px}
    if not found:
        limit = shank.floor_px + ONE_SIDED_95 * float(np.hypot(parts["blur"], parts["level"]))
        return Quantity(limit, "px", parts, "upper_limit")
    size, length, uneven = max(found)
    # A blurred peak is lower than the true one, by the more the shorter it is.
    # On a dark ground the unlit side of a burr does not show (a ring light leaves up to a fifth of it dark).
    blind = 0.1 if shank.on_dark else 0.02
    flattened = size * min(1.0, (2 * blur / max(length, 1.0)) ** 2)
    return Quantity(size, "px", {**parts, "form": float(np.hypot(blind * size + 0.5 * flattened, uneven))})
