"""Wear against use: when a limit was reached, how much use is left, and tool life against cutting speed."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wearscope.errors import InputError

__all__ = ["Remaining", "Taylor", "TooLittle", "reached", "remaining", "taylor"]

FEWEST = 4
"""Points a line with a prediction interval needs: two for the line, two to see the scatter."""


@dataclass(frozen=True, slots=True)
class TooLittle:
    """Nothing can be said, and why."""

    reason: str


@dataclass(frozen=True, slots=True)
class Remaining:
    """Minutes of use left from the last point, with the 95 % interval."""

    minutes: float
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class Taylor:
    """Taylor's law of tool life, speed * life**n = c, for speed in m/min and life in min."""

    n: float
    c: float

    def life_min(self, speed: float) -> float:
        """Tool life in min at a speed in m/min."""
        return float((self.c / speed) ** (1 / self.n))


def reached(minutes: Sequence[float], wear: Sequence[float], limit: float) -> float | TooLittle:
    """Minutes of use at which wear first reached the limit, by straight lines between the points.

    Minutes ascend; wear and limit share a unit. Wear that goes back (noise) counts as its highest so far.
    """
    x, y = _points(minutes, wear)
    if len(x) == 0:
        return TooLittle("nothing was measured")
    highest = np.maximum.accumulate(y)
    if highest[0] >= limit:
        return TooLittle(f"the limit {limit:g} was reached at or before the first point")
    if highest[-1] < limit:
        return TooLittle(f"the limit {limit:g} was not reached yet")
    after = int(np.argmax(highest >= limit))
    share = (limit - highest[after - 1]) / (highest[after] - highest[after - 1])
    return float(x[after - 1] + share * (x[after] - x[after - 1]))


def remaining(minutes: Sequence[float], wear: Sequence[float], limit: float) -> Remaining | TooLittle:
    """Use left until the limit, from a line by least squares.

    The interval is where the two-sided 95 % prediction band for one more measurement meets the limit
    (Draper and Smith, Applied Regression Analysis, 3rd ed., section 3.2, inverse regression; from memory).
    Minutes ascend and are the use since new or since sharpening; wear and limit share a unit.
    """
    from scipy import stats

    x, y = _points(minutes, wear)
    if len(x) < FEWEST or len(np.unique(x)) < 3:
        return TooLittle(f"{len(x)} points; at least {FEWEST} at 3 or more different times of use are needed")
    middle, n = x.mean(), len(x)
    spread = float(np.sum((x - middle) ** 2))
    slope = float(np.sum((x - middle) * (y - y.mean())) / spread)
    variance = float(np.sum((y - y.mean() - slope * (x - middle)) ** 2) / (n - 2))
    t2 = float(stats.t.ppf(0.975, n - 2)) ** 2 * variance
    if slope <= 0 or slope**2 <= t2 / spread:
        return TooLittle("the wear does not grow clearly more than it scatters")
    a = slope**2 - t2 / spread
    b = slope * (limit - float(y.mean()))
    root = math.sqrt(b**2 - a * ((limit - float(y.mean())) ** 2 - t2 * (1 + 1 / n)))
    now = float(x[-1] - middle)
    best = (limit - float(y.mean())) / slope
    least, most = (b - root) / a, (b + root) / a
    return Remaining(max(best - now, 0.0), max(least - now, 0.0), max(most - now, 0.0))


def taylor(speeds: Sequence[float], lives: Sequence[float]) -> Taylor | TooLittle:
    """Taylor's law through tool lives (min) at different speeds (m/min), by least squares of the logarithms."""
    v, t = np.asarray(speeds, float), np.asarray(lives, float)
    if v.shape != t.shape or not (np.all(np.isfinite(v) & (v > 0)) and np.all(np.isfinite(t) & (t > 0))):
        raise InputError("tool life: expected as many speeds as lives, all above 0")
    if len(np.unique(v)) < 2:
        return TooLittle("tool lives at two or more different speeds are needed")
    x, y = np.log(v), np.log(t)
    slope = float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))
    if slope >= 0:
        return TooLittle("tool life does not fall with speed here, so Taylor's law does not hold")
    n = -1 / slope
    return Taylor(n, math.exp(float(x.mean()) + n * float(y.mean())))


def _points(minutes: Sequence[float], wear: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.asarray(minutes, float), np.asarray(wear, float)
    if x.shape != y.shape or x.ndim != 1 or not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        raise InputError("wear against use: expected as many wear values as minutes, all of them numbers")
    if np.any(np.diff(x) < 0):
        raise InputError("wear against use: the minutes of use must not go back")
    return x, y
