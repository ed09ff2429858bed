"""The undamaged edge under a damaged one.

Chips only take away, stuck material only adds, and most of what is left of an edge is undamaged. So the
line sought is the one that the most of the edge lies on, with a heavy price on anything that stands out of
it: it runs along the outside of the damage. It starts at the corner (s = 0) and ends where the edge stops
coming back to it, which is where another edge begins.
"""

from dataclasses import dataclass
from functools import cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Baseline", "fit_baseline", "moving_mean", "robust_sigma", "tail_sigma"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_REACH = 4.0
"""A point belongs to the line within this many standard deviations of the edge's own scatter."""
_STUCK_PRICE = 3.0
"""What a point outside the line costs, in points on it: beats any line that follows chip bottoms over a quarter of an edge."""
_BLOCKS = 24
_POINTS = 160
_HIGHEST = 4


@dataclass(frozen=True, slots=True)
class Baseline:
    """An undamaged edge as offset over place, both in px: a polynomial in s / length.

    `coefficients` rise in power, `covariance` is theirs. It holds from `start_px` to `end_px`, the first and
    last place where the edge lies on it; `on_edge` (n,) says which of the given points do. `noise_px` is
    the robust scatter of those points about the line.
    """

    coefficients: Floats
    covariance: Floats
    length_px: float
    start_px: float
    end_px: float
    noise_px: float
    on_edge: Bools

    @property
    def degree(self) -> int:
        """1: straight; more: curved."""
        return len(self.coefficients) - 1

    def __call__(self, s_px: Floats) -> Floats:
        """Offset of the undamaged edge at `s_px`."""
        return np.asarray(_powers(s_px, self.length_px, self.degree) @ self.coefficients, np.float64)

    def uncertainty(self, s_px: Floats) -> Floats:
        """Standard uncertainty of the offset at `s_px` (px)."""
        rows = _powers(s_px, self.length_px, self.degree)
        variance: Floats = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        return np.sqrt(np.maximum(variance, 0.0))


def robust_sigma(values: Floats) -> float:
    """Standard deviation from the median absolute deviation (normal scatter; half of the values may be wrong)."""
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


def tail_sigma(values: Floats) -> float:
    """As `robust_sigma`, or from the outer fifth where that says more: long tails count, single faults do not."""
    if not len(values):
        return 0.0
    away = np.sort(np.abs(values - np.median(values)))
    middle, outer = away[len(away) // 2], away[int(0.8 * (len(away) - 1))]
    return float(max(1.4826 * middle, outer / 1.2816))


def moving_mean(values: Floats, count: int) -> Floats:
    """Mean over `count` neighbours, same length; at the ends over those that exist. NaN counts as absent."""
    present = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(present, values, 0.0))])
    number = np.concatenate([[0], np.cumsum(present)])
    count = max(1, count)
    end = np.arange(len(values)) + (count - 1) // 2 + 1
    first, last = np.maximum(end - count, 0), np.minimum(end, len(values))
    among = number[last] - number[first]
    return np.where(among > 0, (total[last] - total[first]) / np.maximum(among, 1), np.nan)


def fit_baseline(
    s_px: Floats, offset_px: Floats, *, floor_px: float, step_px: float, highest: int = _HIGHEST
) -> Baseline | None:
    """The undamaged edge through `offset_px` (n,) at ascending `s_px` (n,); offsets grow into the cutter.

    `floor_px` is the least scatter to believe in, `step_px` the distance over which neighbouring points
    share their error. A curve (up to power `highest`) is used only where it explains clearly more of the edge
    than a straight line, and only if it makes the cutter convex: a helix bends away from the corner on
    one side only, a chip bends back. Returns None for fewer than twelve points or no line at all.
    """
    seen = np.isfinite(offset_px)
    s, d = s_px[seen], offset_px[seen]
    if len(s) < 12:
        return None
    length = float(max(s[-1], 1.0))
    noise = max(floor_px, _local_noise(s, d, step_px))
    best: tuple[float, Floats, int] | None = None
    # a further power must win more than the points that share one error, and one in fifty of the edge
    price = max(2 * step_px, 0.02 * len(s))
    most = len(s) * (1 - 1 / _REACH**2)  # what the true line is worth: normal scatter costs so much
    for degree in range(1, highest + 1):
        if best is not None and best[0] + price > most:
            break
        tried = _grow(s, d, length, degree, _REACH * noise, None if best is None else best[1])
        if tried is not None and (best is None or tried[0] > best[0] + price):
            best = tried
        elif degree > 1:
            break  # what a parabola does not follow better, no higher power of the same sign does
    if best is None or best[0] <= 0:
        return None
    return _finish(s, d, length, best[1], noise, floor_px, step_px, seen)


def _powers(s: Floats, length: float, degree: int) -> Floats:
    return np.power.outer(s / length, np.arange(degree + 1))


def _local_noise(s: Floats, d: Floats, step: float) -> float:
    """Scatter about the chord between neighbours, near and farther ones: blind to slow bends and to chips' floors."""
    pitch = max(float(np.median(np.diff(s))), 1e-9)
    lags = {max(1, min(round(k * step / pitch), (len(d) - 3) // 2)) for k in (1, 4)}
    return max(robust_sigma(d[2 * k :] - 2 * d[k:-k] + d[: -2 * k]) for k in lags) / float(np.sqrt(6.0))


def _gain(residual: Floats, reach: float) -> Floats:
    """What each point is worth: 1 on the line, 0 for missing material, negative for standing out."""
    least = np.where(residual > 0, 0.0, 1.0 - _STUCK_PRICE)
    return np.asarray(np.maximum(1.0 - np.square(residual / reach), least), np.float64)


def _score(residual: Floats, reach: float) -> tuple[Floats, NDArray[np.intp]]:
    """Best total worth from the first point on, over all places to stop, and that place; rows are candidates."""
    total = np.cumsum(_gain(residual, reach), axis=-1)
    return total.max(axis=-1), total.argmax(axis=-1)


def _candidates(s: Floats, d: Floats, length: float, degree: int) -> Floats:
    """Exact curves through the medians of some blocks of the edge, shape (candidates, degree + 1)."""
    blocks = _BLOCKS if degree == 1 else _BLOCKS // 2
    size = -(-len(s) // blocks)
    whole = slice(len(s) // size * size)
    middle = np.stack(
        [s[whole].reshape(-1, size).mean(axis=1), np.median(d[whole].reshape(-1, size), axis=1)], axis=1
    )
    picks = _picks(len(middle), degree + 1)
    rows = _powers(middle[:, 0], length, degree)[picks]
    found: Floats = np.linalg.solve(rows, middle[picks, 1][..., None])[..., 0]
    return found


@cache
def _picks(blocks: int, count: int) -> NDArray[np.intp]:
    return np.array(list(combinations(range(blocks), count)))


def _convex(c: Floats) -> Bools:
    """True where the curve bends into the cutter, or not at all, everywhere (rows are candidates)."""
    return np.asarray(np.all(c[..., 2:] @ _bends(c.shape[-1]) >= 0, axis=-1), np.bool_)


@cache
def _bends(count: int) -> Floats:
    """Second derivative of each power from the square on, at nine places along the edge."""
    u, k = np.linspace(0, 1, 9), np.arange(2, count)[:, None]
    return np.asarray(k * (k - 1) * u ** (k - 2), np.float64)


def _grow(
    s: Floats, d: Floats, length: float, degree: int, reach: float, start: Floats | None
) -> tuple[float, Floats, int] | None:
    """The best curve of one power: picked from exact candidates up to a parabola, then polished."""
    if degree <= 2:
        thin = slice(None, None, max(1, len(s) // _POINTS))
        curves = _candidates(s, d, length, degree)
        curves = curves[_convex(curves)]
        if not len(curves):
            return None
        residual = d[thin] - curves @ _powers(s[thin], length, degree).T
        start = curves[np.argmax(_score(residual, reach)[0])]
    elif start is None:
        return None
    c = np.zeros(degree + 1)
    c[: min(len(start), degree + 1)] = start[: degree + 1]
    return _polish(s, d, length, c, reach)


def _polish(s: Floats, d: Floats, length: float, c: Floats, reach: float) -> tuple[float, Floats, int] | None:
    """Refit to the points on the curve, wider at first; keep the best of what is convex."""
    rows = _powers(s, length, len(c) - 1)
    best: tuple[float, Floats, int] | None = None
    for wide in (3.0, 1.5, 1.0, 1.0, 0.0):
        residual = d - rows @ c
        score, stop = _score(residual, reach)
        if _convex(c) and (best is None or score > best[0]):
            best = (float(score), c, int(stop))
        end = stop if wide <= 1 else _score(residual, wide * reach)[1]
        last = int(1.15 * (int(end) + 1)) + 1 if wide else 0
        on = np.abs(residual[:last]) < wide * reach
        if on.sum() < 3 * len(c):
            break
        c = np.asarray(np.linalg.lstsq(rows[:last][on], d[:last][on], rcond=None)[0], np.float64)
    return best


def _finish(
    s: Floats, d: Floats, length: float, c: Floats, noise: float, floor: float, step: float, seen: Bools
) -> Baseline:
    """Least squares on what lies on the curve, with the scatter found there; covariance for shared errors."""
    rows = _powers(s, length, len(c) - 1)
    residual = d - rows @ c
    on = np.abs(residual) < _REACH * noise
    on[int(_score(residual, _REACH * noise)[1]) + 1 :] = False
    noise = max(floor, robust_sigma(residual[on]))
    shared = max(1.0, step / max(float(np.median(np.diff(s))), 1e-9))
    covariance: Floats = np.asarray(noise**2 * shared * np.linalg.pinv(rows[on].T @ rows[on]), np.float64)
    everywhere = np.zeros(len(seen), bool)
    everywhere[np.flatnonzero(seen)[on]] = True
    places = s[on] if on.any() else s[:1]
    return Baseline(c, covariance, length, float(places[0]), float(places[-1]), noise, everywhere)
