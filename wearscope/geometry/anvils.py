"""What anvils read on a cutter with N evenly spaced tips on a circle of diameter D.

Flat anvils: the width of the tip polygon. V anvil of included angle alpha: distance from the V's apex to the spindle; the
reading is the largest while the cutter turns. Checked against the table in the tests.
"""

import math

__all__ = ["V_ANGLES_DEG", "flat_anvil_range", "v_anvil_factor", "v_anvil_fits"]

V_ANGLES_DEG: dict[int, float] = {n: 180.0 * (1.0 - 2.0 / n) for n in (3, 5, 7)}
"""Included angle that suits an odd number of flutes: 60, 108, 128.57 degrees."""


def flat_anvil_range(flutes: int) -> tuple[float, float]:
    """Smallest and largest reading of two flat anvils while the cutter turns, as shares of D.

    One flute is no polygon: ValueError.
    """
    if flutes < 2:
        raise ValueError("two flat anvils say nothing about a cutter with one flute")
    if flutes % 2 == 0:
        return math.cos(math.pi / flutes), 1.0
    return (1.0 + math.cos(math.pi / flutes)) / 2.0, math.cos(math.pi / (2.0 * flutes))


def v_anvil_factor(angle_deg: float) -> float:
    """Apex-to-spindle distance over D for a V of included angle `angle_deg`: (1 + 1/sin(alpha/2)) / 2."""
    if not 0 < angle_deg < 180:
        raise ValueError(f"a V anvil's included angle lies between 0 and 180 degrees, not {angle_deg}")
    return (1.0 + 1.0 / math.sin(math.radians(angle_deg) / 2.0)) / 2.0


def v_anvil_fits(flutes: int, angle_deg: float) -> bool:
    """Whether the V's faces and the spindle touch three tips at once."""
    return flutes in V_ANGLES_DEG and abs(V_ANGLES_DEG[flutes] - angle_deg) < 1.0
