"""The undamaged edge under a damaged one.

Chips only take away, stuck material only adds, and most of what is left of an edge is undamaged. So the
line sought is the one that the most of the edge lies on, with a heavy price on anything that stands out of
it: it runs along the outside of the damage. It starts at the corner (s = 0) and ends where the edge stops
coming back to it, which is where another edge begins.
"""

import math
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Baseline", "fit_baseline", "middle", "moving_mean", "robust_sigma", "tail_sigma"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_REACH = 4.0
"""A point belongs to the line within this many standard deviations of the edge's own scatter."""
_STUCK_PRICE = 3.0
"""What a point outside the line costs, in points on it: beats any line that follows chip bottoms over a quarter of an edge."""
_ALIKE = 0.5
"""Share of the distance over which neighbours share their error, in which one point says what all say."""
_GONE_PRICE = 0.02
"""An edge ends where it is gone, unless it comes back for a fiftieth of that length: another edge that crosses the line is no return."""
_BLOCKS = 24
_POINTS = 80
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


def middle(values: Floats) -> float:
    """Median of finite values (n,), n > 0: NumPy's takes several times as long for some hundreds."""
    half = len(values) // 2
    ordered = np.partition(values, (half - 1, half) if len(values) % 2 == 0 else half)
    return float(0.5 * (ordered[(len(values) - 1) // 2] + ordered[half]))


def robust_sigma(values: Floats) -> float:
    """Standard deviation from the median absolute deviation (normal scatter; half of the values may be wrong)."""
    return 1.4826 * middle(np.abs(values - middle(values))) if len(values) else 0.0


def tail_sigma(values: Floats) -> float:
    """As `robust_sigma`, or from the outer fifth where that says more: long tails count, single faults do not."""
    if not len(values):
        return 0.0
    away = np.sort(np.abs(values - middle(values)))
    return float(max(1.4826 * away[len(away) // 2], away[int(0.8 * (len(away) - 1))] / 1.2816))


def moving_mean(values: Floats, count: int) -> Floats:
    """Mean over `count` neighbours, same length; at the ends over those that exist. NaN counts as absent."""
    present = np.isfinite(values)
    both = np.stack([np.where(present, values, 0.0), present])
    total, among = cv2.boxFilter(
        both, -1, (max(1, count), 1), normalize=False, borderType=cv2.BORDER_CONSTANT
    )
    return np.where(among > 0.5, total / np.maximum(among, 1), np.nan)


def fit_baseline(
    s_px: Floats,
    offset_px: Floats,
    *,
    floor_px: float,
    step_px: float,
    most_px: float = np.inf,
    highest: int = _HIGHEST,
    begin: Baseline | None = None,
) -> Baseline | None:
    """The undamaged edge through `offset_px` (n,) at ascending `s_px` (n,); offsets grow into the cutter.

    `floor_px` is the least scatter to believe in, `most_px` the most that can be the edge's own, `step_px` the distance over which neighbouring points
    share their error. A curve (up to power `highest`) is used only where it explains clearly more of the edge
    than a straight line, and only if it makes the cutter convex: a helix bends away from the corner on
    one side only, a chip bends back. `begin`: the line is known about, and only adjusted. Returns None for fewer than
    twelve points or no line at all.
    """
    seen = np.isfinite(offset_px)
    s, d = s_px[seen], offset_px[seen]
    if len(s) < 12:
        return None
    length = float(max(s[-1], 1.0))
    pitch = max(middle(np.diff(s)), 1e-9)
    noise = min(max(floor_px, _local_noise(s, d, step_px / pitch)), most_px)
    # which curve it is, every few points show; all count where it lies
    every = max(1, round(_ALIKE * step_px / pitch))
    known = begin.coefficients * (length / begin.length_px) ** np.arange(begin.degree + 1) if begin else None
    # a further power must win more than the points that share one error, and one in fifty of the edge; more of points that lie far apart
    price = max(2 * step_px, 0.02 * len(s)) / every
    c = _likeliest(s[::every], d[::every], length, noise, price, highest, known)
    return None if c is None else _finish(s_px, offset_px, length, c, noise, floor_px, step_px / pitch)


def _likeliest(
    s: Floats, d: Floats, length: float, noise: float, price: float, highest: int, known: Floats | None
) -> Floats | None:
    """Coefficients of the curve that the most of the edge lies on; a further power must win `price` points."""
    best: tuple[float, Floats, int] | None = None
    most = len(s) * (1 - 1 / _REACH**2)  # what the true line is worth: normal scatter costs so much
    lowest = 1 if known is None else len(known) - 1
    for degree in range(lowest, highest + 1):
        if best is not None and best[0] + price > most:
            break
        start = known if best is None else best[1]
        if known is None and degree <= 2:
            start = _picked(s, d, length, degree, _REACH * noise)
        if start is None:
            break
        raised = np.concatenate([start, np.zeros(degree + 1 - len(start))])
        # where the line is known about, there is nothing to be sought far from it
        wider = () if best is None and known is not None else (3.0, 1.5)
        tried = _polish(s, d, length, raised, _REACH * noise, wider=wider)
        if tried is not None and (best is None or tried[0] > best[0] + price):
            best = tried
        elif degree > 1:
            break  # what a parabola does not follow better, no higher power of the same sign does
    return best[1] if best is not None and best[0] > 0 else None


def _powers(s: Floats, length: float, degree: int) -> Floats:
    rows = np.ones((len(s), degree + 1))
    for power in range(1, degree + 1):
        np.multiply(rows[:, power - 1], s / length, out=rows[:, power])
    return rows


def _local_noise(s: Floats, d: Floats, shared: float) -> float:
    """Scatter about the chord between neighbours, near and farther ones: blind to slow bends and to chips' floors."""
    lags = {max(1, min(round(k * shared), (len(d) - 3) // 2)) for k in (1, 4)}
    return max(robust_sigma(d[2 * k :] - 2 * d[k:-k] + d[: -2 * k]) for k in lags) / float(np.sqrt(6.0))


def _gain(residual: NDArray[Any], reach: float) -> NDArray[Any]:
    """What each point is worth: 1 on the line, hardly less than 0 for missing material, -2 for standing out."""
    return 1 - np.square(
        np.clip(residual * (1 / reach), -math.sqrt(_STUCK_PRICE), math.sqrt(1 + _GONE_PRICE))
    )


def _score(residual: Floats, reach: float) -> tuple[float, int]:
    """Best total worth from the first point on, over all places to stop, and that place."""
    total = np.cumsum(_gain(residual, reach))
    stop = int(total.argmax())
    return float(total[stop]), stop


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
    return np.asarray((c[..., 2:] @ _bends(c.shape[-1]) >= 0).all(axis=-1), np.bool_)


@cache
def _bends(count: int) -> Floats:
    """Second derivative of each power from the square on, at nine places along the edge."""
    u, k = np.linspace(0, 1, 9), np.arange(2, count)[:, None]
    return np.asarray(k * (k - 1) * u ** (k - 2), np.float64)


def _picked(s: Floats, d: Floats, length: float, degree: int, reach: float) -> Floats | None:
    """The best of the exact candidates."""
    thin = slice(None, None, -(-len(s) // _POINTS))
    curves = _candidates(s, d, length, degree)
    curves = curves[_convex(curves)]
    if not len(curves):
        return None
    residual = d[thin] - curves @ _powers(s[thin], length, degree).T
    total = np.cumsum(_gain(residual.astype(np.float32), reach), axis=1)
    return np.asarray(curves[total.max(axis=1).argmax()])


def _polish(
    s: Floats, d: Floats, length: float, c: Floats, reach: float, *, wider: tuple[float, ...]
) -> tuple[float, Floats, int] | None:
    """Refit to the points on the curve, `wider` at first; keep the best of what is convex."""
    rows = _powers(s, length, len(c) - 1)
    best: tuple[float, Floats, int] | None = None
    before = np.zeros(0, bool)
    for wide in (*wider, 1.0, 1.0, 0.0):
        residual = d - rows @ c
        score, stop = _score(residual, reach)
        if (best is None or score > best[0]) and _convex(c):
            best = (score, c, stop)
        end = stop if wide <= 1 else _score(residual, wide * reach)[1]
        on = np.abs(residual) < wide * reach
        on[int(1.15 * (end + 1)) + 1 :] = False
        if (wide <= 1 and np.array_equal(on, before)) or on.sum() < 3 * len(c):
            break
        c, before = _least_squares(rows[on], d[on]), on
    return best


def _least_squares(rows: Floats, d: Floats) -> Floats:
    """By the normal equations: of places between 0 and 1, up to their fourth power, they keep ten digits."""
    return np.asarray(np.linalg.solve(rows.T @ rows, d @ rows), np.float64)


def _finish(
    s: Floats, offset: Floats, length: float, c: Floats, noise: float, floor: float, shared: float
) -> Baseline:
    """Least squares on all that lies on the curve, with the scatter found there; covariance for shared errors."""
    reach, seen = _REACH * noise, np.isfinite(offset)
    polished = _polish(s[seen], offset[seen], length, c, reach, wider=())
    c = c if polished is None else polished[1]
    rows = _powers(s, length, len(c) - 1)
    residual = np.where(seen, offset - rows @ c, np.inf)
    on = np.abs(residual) < reach
    on[_score(residual, reach)[1] + 1 :] = False
    noise = max(floor, robust_sigma(residual[on]))
    normal = rows[on].T @ rows[on]
    weak = 1e-12 * np.trace(normal) + 1e-300  # too few points leave some of it open
    covariance: Floats = np.asarray(
        noise**2 * max(1.0, shared) * np.linalg.inv(normal + weak * np.eye(len(c))), np.float64
    )
    places = s[on] if on.any() else s[seen][:1]
    return Baseline(c, covariance, length, float(places[0]), float(places[-1]), noise, on)
