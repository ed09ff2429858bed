"""Wear against use: when a limit was reached, how much use is left, and tool life against cutting speed."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wearscope.errors import InputError

__all__ = ["Line", "Remaining", "Taylor", "TooLittle", "fit_line", "reached", "remaining", "taylor"]

FEWEST = 4
"""Points a line with a prediction interval needs: two for the line, two to see the scatter."""
BENT = 0.99
"""How sure it must be that an older point does not belong to the line through the newer ones."""
Floats = np.ndarray


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
class Line:
    """A line through wear against use, y = middle_y + slope * (x - middle_x), and its prediction band.

    `now` is the use at the last point and `u` that point's standard uncertainty, `first` the number of the oldest
    point that counts. `reach` times the standard deviation is half the band; `weight` and `spread` are the sums of
    w and w * (x - middle_x)**2 over the points with weights w.
    """

    middle_x: float
    middle_y: float
    slope: float
    now: float
    u: float
    first: int
    reach: float
    weight: float
    spread: float

    def at(self, x: float) -> float:
        """Wear expected at x min of use."""
        return self.middle_y + self.slope * (x - self.middle_x)

    def half_band(self, x: float, u: float | None = None) -> float:
        """Half the width of the band for one more measurement at x min of use, of standard uncertainty u (as the last)."""
        one = self.u if u is None else u
        return self.reach * math.sqrt(one**2 + 1 / self.weight + (x - self.middle_x) ** 2 / self.spread)

    @property
    def rises(self) -> bool:
        """Whether wear grows clearly more than it scatters."""
        return self.slope > 0 and self.slope**2 > self.reach**2 / self.spread

    def remaining(self, limit: float) -> Remaining:
        """Use left until the limit, for a line that rises. The interval is where the two sides of the band meet the limit
        (Draper and Smith, Applied Regression Analysis, 3rd ed., section 3.2, inverse regression; from memory).
        """
        up = limit - self.middle_y
        a = self.slope**2 - self.reach**2 / self.spread
        b = self.slope * up
        root = math.sqrt(b**2 - a * (up**2 - self.reach**2 * (self.u**2 + 1 / self.weight)))
        since = self.middle_x - self.now
        best, least, most = (
            max(end + since, 0.0) for end in (up / self.slope, (b - root) / a, (b + root) / a)
        )
        return Remaining(best, least, most)


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


def remaining(
    minutes: Sequence[float], wear: Sequence[float], limit: float, *, uncertainty: Sequence[float] = ()
) -> Remaining | TooLittle:
    """Use left until the limit; arguments and line as in `fit_line`."""
    line = fit_line(minutes, wear, uncertainty=uncertainty)
    return line if isinstance(line, TooLittle) else line.remaining(limit)


def fit_line(
    minutes: Sequence[float], wear: Sequence[float], *, uncertainty: Sequence[float] = ()
) -> Line | TooLittle:
    """A line through wear against use by least squares, for use since new or since sharpening.

    Minutes ascend. `uncertainty`: standard uncertainties of the wear; the points then count by them, and the band
    is as wide as the points scatter (Student's t) but never narrower than their uncertainty makes it. With them old
    points that do not lie along the line of the newer ones are left out: a new edge wears fast at first.
    """
    x, y = _points(minutes, wear)
    u = np.asarray(uncertainty, float)
    if len(u) and (u.shape != x.shape or not np.all(np.isfinite(u) & (u > 0))):
        raise InputError("wear against use: expected as many uncertainties as wear values, all above 0")
    if len(x) < FEWEST or len(np.unique(x)) < 3:
        return TooLittle(
            f"{_count(len(x))}; at least {FEWEST} at 3 or more different times of use are needed"
        )
    first = _oldest_that_fits(x, y, u)
    line = _line(x[first:], y[first:], u[first:], first=first)
    return line if line.rises else TooLittle("the wear does not grow clearly more than it scatters")


def _count(points: int) -> str:
    return "1 point" if points == 1 else f"{points} points"


def _oldest_that_fits(x: Floats, y: Floats, u: Floats) -> int:
    """From the newest points back as long as the next older one lies in the band of the line through those after it."""
    if len(u) == 0:
        return 0
    first = len(x) - FEWEST
    while first and len(np.unique(x[first:])) < 3:
        first -= 1
    while first:
        line = _line(x[first:], y[first:], u[first:], first=first, level=BENT)
        older = first - 1
        if abs(y[older] - line.at(x[older])) > line.half_band(x[older], u[older]):
            break
        first = older
    return first


def _line(x: Floats, y: Floats, u: Floats, *, first: int, level: float = 0.95) -> Line:
    """The line with its band at `level`, whether or not it rises; points at two different uses at least."""
    from scipy import stats

    weight = 1 / u**2 if len(u) else np.ones(len(x))
    total = float(np.sum(weight))
    middle_x, middle_y = float(np.sum(weight * x)) / total, float(np.sum(weight * y)) / total
    spread = float(np.sum(weight * (x - middle_x) ** 2))
    slope = float(np.sum(weight * (x - middle_x) * (y - middle_y))) / spread
    free = len(x) - 2
    scatter2 = float(np.sum(weight * (y - middle_y - slope * (x - middle_x)) ** 2)) / free
    reach = float(stats.t.ppf((1 + level) / 2, free)) * math.sqrt(scatter2)
    if len(u):
        reach = max(reach, float(stats.norm.ppf((1 + level) / 2)))
    last_u = float(u[-1]) if len(u) else 1.0
    return Line(middle_x, middle_y, slope, float(x[-1]), last_u, first, reach, total, spread)


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
