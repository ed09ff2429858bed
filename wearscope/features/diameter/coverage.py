"""Intervals where twice the standard uncertainty is not 95 %: few readings (wider) and rectangular errors (narrower)."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearscope.quantity import Quantity

__all__ = ["effective_freedom", "half_width", "with_interval"]

Floats = NDArray[np.float64]

_BINS = 400
"""Steps over the largest rectangle: the half width is good to a thousandth of it."""


def effective_freedom(parts: Mapping[str, float], freedom: Mapping[str, float]) -> float:
    """Effective degrees of freedom of a sum of independent parts (Welch-Satterthwaite, JCGM 100:2008 G.2b).

    Parts that `freedom` does not name are known without limit.
    """
    total = sum(u * u for u in parts.values()) ** 2
    lost = sum(u**4 / freedom[name] for name, u in parts.items() if name in freedom)
    return total / lost if lost > 0 else math.inf


def half_width(
    u: float, *, freedom: float = math.inf, rectangles: Sequence[float] = (), level: float = 0.95
) -> float:
    """Half of the symmetric interval that holds `level` of a sum (JCGM 101:2008, distributions combined; numerically).

    `u`: standard uncertainty of a part that follows a t distribution of `freedom` (rounded down, as JCGM 100 G.4.1 does);
    `rectangles`: standard uncertainties of parts that are even between two ends.
    """
    from scipy.special import ndtr, ndtri, stdtr, stdtrit

    whole = max(math.floor(min(freedom, 1e6)), 1)
    tail = float(ndtri((1 + level) / 2) if math.isinf(freedom) else stdtrit(whole, (1 + level) / 2))
    widest = max(rectangles, default=0.0)
    if widest == 0.0:
        return u * tail
    places, share = _sum_of_rectangles(rectangles, widest)
    # The rectangles' steps stand for their whole width.
    u = math.hypot(u, math.sqrt(3) * widest / _BINS)

    def below(reach: float) -> Floats:
        z = (reach - places) / u
        return np.asarray(ndtr(z) if math.isinf(freedom) else stdtr(whole, z))

    low, high = 0.0, float(places[-1]) + u * tail + widest
    while high - low > 1e-6 * high:
        middle = (low + high) / 2
        if share @ (below(middle) - below(-middle)) < level:
            low = middle
        else:
            high = middle
    return high


def _sum_of_rectangles(rectangles: Sequence[float], widest: float) -> tuple[Floats, Floats]:
    """Places and shares of the sum of rectangles of standard uncertainties `rectangles`."""
    step = 2 * math.sqrt(3) * widest / _BINS
    share: Floats = np.ones(1)
    for u in rectangles:
        share = np.convolve(share, _rectangle(math.sqrt(3) * u / step))
    return np.asarray((np.arange(len(share)) - len(share) // 2) * step, np.float64), share


def _rectangle(half: float) -> Floats:
    """Shares of the steps -n..n that an even distribution over -half..half covers."""
    n = math.ceil(half)
    edges = np.arange(-n, n + 2) - 0.5
    return np.asarray(np.diff(np.clip(edges, -half, half)) / (2 * half) if half > 0 else np.ones(1))


def with_interval(
    q: Quantity, *, freedom: Mapping[str, float] | None = None, rectangular: Mapping[str, float] | None = None
) -> Quantity:
    """The quantity with the 95 % interval of its parts; `freedom` of parts told from few readings, `rectangular`: standard
    uncertainties, in the unit of `q`, of errors contained in its parts that are even between two ends."""
    even = [u for u in (rectangular or {}).values() if u > 0]
    rest = math.sqrt(max(q.standard_uncertainty**2 - sum(u * u for u in even), 0.0))
    width = half_width(rest, freedom=effective_freedom(q.parts, freedom or {}), rectangles=even)
    return replace(q, below=width, above=width)
