"""How far a fitted corner may be trusted: its covariance, what the model leaves out, and where the outline strays from it."""

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from wearscope.subpixel.corner_fit import TUKEY, Solution, on_edge, spread
from wearscope.subpixel.corner_model import QUICK, rounded_wedge
from wearscope.subpixel.corner_pixels import grain_pitch, outline_distance, outline_run

__all__ = [
    "chi_squared",
    "covariance",
    "edge_factor",
    "edge_shift",
    "form_deviation",
    "grain",
    "halo_slope",
    "level_columns",
    "noise_correlation",
    "pull",
    "score_test",
    "wander",
]

Floats = NDArray[np.float64]
_GRAIN_BESIDE = 1.5
"""Uneven light is read this many blurs beside the outline."""


def grain(solution: Solution) -> tuple[Floats, float]:
    """How uneven the light of background and cutter is beside the outline, beyond their levels, in stretches of some blurs.

    Returns the standard deviations of the stretches' means (2,), in contrasts, and their variance over what noise alone would give.
    """
    wedge, pixels = solution.wedge, solution.pixels
    distance, _ = outline_distance(wedge, pixels.points)
    stretch = np.floor(outline_run(wedge, pixels.points) / grain_pitch(wedge)).astype(np.int64)
    stretch -= stretch.min(initial=0)
    contrast = abs(float(np.median(solution.jump))) + 1e-9
    found, over = np.zeros(2), 0.0
    for side, sign in enumerate((-1, 1)):
        on = (sign * distance > _GRAIN_BESIDE * wedge.blur) & (solution.weight > 0)
        count = np.bincount(stretch[on], minlength=1)
        mean = np.bincount(stretch[on], solution.residual[on], len(count))[count > 5] / count[count > 5]
        if len(mean) < 6:
            continue
        noise = spread(solution.residual[on]) ** 2 * float(np.mean(1 / count[count > 5]))
        variance = float(np.mean(mean**2))
        found[side] = math.sqrt(max(variance - noise, 0.0)) / contrast
        over = max(over, variance / max(noise, 1e-30))
    return found, over


@lru_cache(maxsize=2)
def _lags(reach: int) -> NDArray[np.int64]:
    """Steps (k, 2) in y and x within a circle, one of each pair of opposite ones."""
    span = range(-reach, reach + 1)
    return np.array([(y, x) for y in span for x in span if (y, x) > (0, 0) and math.hypot(y, x) <= reach])


def _neighbours(solution: Solution, reach: int) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Lags (k, 2) in y and x, one of each pair of opposite ones, and which pixel lies there (k, n); n where none is used."""
    at = solution.pixels.points.astype(np.int64)
    at -= at.min(axis=0) - reach
    width, height = at.max(axis=0) + reach + 1
    flat = at[:, 1] * width + at[:, 0]
    pixel = np.full(width * height, len(flat), np.int32)
    pixel[flat] = np.arange(len(flat), dtype=np.int32)
    lags = _lags(reach)
    return lags, pixel[flat + (lags @ [width, 1])[:, None]]


def noise_correlation(solution: Solution, reach: int = 6) -> tuple[Floats, NDArray[np.int32]]:
    """Autocorrelation (k,) of the residuals at the lags that count, and which pixel lies there (k, n), n for none.

    Demosaicing, JPEG and texture make neighbours alike, so that n pixels are worth fewer. Lags that differ from
    zero by less than three standard errors are left out. Of two opposite lags there is one.
    """
    z = np.append(np.sqrt(solution.weight / solution.variance) * solution.residual, 0.0)
    lags, neighbour = _neighbours(solution, reach)
    there = z.take(neighbour)
    pairs = np.maximum(np.count_nonzero((there != 0.0) & (z[:-1] != 0.0), axis=1), 1)
    rho = there @ z[:-1] / pairs * (np.count_nonzero(z) / (z @ z))
    # alike in all eight directions
    kind = np.sort(np.abs(lags), axis=1) @ [reach + 1, 1]
    rho = (np.bincount(kind, rho) / np.maximum(np.bincount(kind), 1))[kind]
    counts = np.abs(rho) >= 3 / np.sqrt(2 * pairs)
    return rho[counts], neighbour[counts]


def covariance(solution: Solution, *, reach: int = 6) -> Floats:
    """Covariance (10, 10) of the fields of `Wedge`, zero where held, with levels free and correlated noise.

    The sandwich for an M-estimate (Huber, Robust Statistics, 1981: mean psi^2 over squared mean slope of psi, taken
    on the edge), with the correlation of the noise from all residuals.
    """
    from scipy.sparse import csr_array

    free, p, n = list(solution.active), len(solution.active), len(solution.weight)
    counts = (solution.weight > 0).astype(float)
    influence = solution.influence * np.sqrt(counts / solution.variance)[:, None]
    z2 = solution.residual**2 / solution.variance
    slope = np.maximum(1 - z2 / TUKEY**2, 0.0) * (1 - 5 * z2 / TUKEY**2)  # of the weighted residual
    edge = on_edge(solution.share) & (counts > 0)
    where = edge if edge.sum() > 50 else counts > 0
    weight = solution.weight[where]
    steep = max(float(np.mean(slope[where])), 0.2) / float(np.mean(weight))
    factor = float(np.mean(weight**2 * z2[where])) / steep**2
    white = influence.T @ influence
    rho, neighbour = noise_correlation(solution, reach)
    row_ends = len(rho) * np.arange(n + 1, dtype=np.int32)
    near = csr_array((np.tile(rho, n), neighbour.T.ravel(), row_ends), shape=(n, n + 1))
    alike = near @ np.vstack([influence, np.zeros(p)])
    beside = influence.T @ alike
    found = white + beside + beside.T
    lift = np.maximum(
        np.diag(white) / np.maximum(np.diag(found), 1e-30), 1.0
    )  # never better than white noise
    found = (
        found * np.sqrt(np.outer(lift, lift)) * factor
        + (solution.inverse[:p] * solution.held) @ solution.inverse[:, :p]
    )
    lift = np.sqrt(np.maximum(wander(solution)[free] / np.maximum(np.diag(found), 1e-30), 1.0))
    out = np.zeros((10, 10))
    out[np.ix_(free, free)] = found * np.outer(lift, lift)
    return out


def score_test(solution: Solution, extra: Floats) -> tuple[Floats, float]:
    """How much further parameters with slopes `extra` (n, k) ask to be freed.

    Returns their best values (k,) and by how much chi-squared would fall, in units of the noise seen on the edge.
    """
    weight = solution.weight / solution.variance
    weighted, p = weight[:, None] * extra, len(solution.active)
    across = solution.design.gathered(weighted)
    right = solution.design.gathered((weight * solution.residual)[:, None])[:, 0]
    right[p:] -= solution.held[p:] * solution.levels.ravel()
    projected = solution.inverse @ across
    information = extra.T @ weighted - across.T @ projected
    gradient = weighted.T @ solution.residual - projected.T @ right
    best = np.linalg.lstsq(information, gradient, rcond=1e-10)[0]  # what the picture does not tell stays 0
    return np.asarray(best, np.float64), float(gradient @ best) / edge_factor(solution)


def edge_factor(solution: Solution) -> float:
    """Variance of the standardised residuals on the edge: 1 where the model and the noise beside the edge explain it."""
    where = on_edge(solution.share) & (solution.weight > 0)
    z2 = solution.weight * solution.residual**2 / solution.variance
    return float(np.mean(z2[where])) if where.sum() > 50 else 1.0


def chi_squared(solution: Solution, columns: Sequence[int]) -> float:
    """By how much chi-squared would rise if these parameters were zero, in units of the noise seen on the edge.

    `columns`: places among the parameters of `design`.
    """
    at = np.array(columns, dtype=np.int64)
    if not len(at):
        return 0.0
    values = np.concatenate([solution.wedge.vector()[list(solution.active)], solution.levels.ravel()])[at]
    block = solution.inverse[np.ix_(at, at)]
    return float(values @ np.linalg.lstsq(block, values, rcond=1e-10)[0]) / edge_factor(solution)


def level_columns(solution: Solution, of: slice) -> list[int]:
    """Places of these coefficients of both levels among the parameters of `design`."""
    p, m = len(solution.active), solution.levels.shape[1]
    return [p + side * m + k for side in (0, 1) for k in range(m)[of]]


def pull(solution: Solution, extra: Floats) -> Floats:
    """By how much the free fields move, (10, k), if the picture holds effects with slopes `extra` (n, k), size 1 each,
    that the model leaves out."""
    weighted = (solution.weight / solution.variance)[:, None] * extra
    out = np.zeros((10, extra.shape[1]))
    free = list(solution.active)
    out[free] = solution.inverse[: len(free)] @ solution.design.gathered(weighted)
    return out


def halo_slope(solution: Solution, ratio: float = 1.8) -> Floats:
    """Slope (n, 1) of a second Gaussian in the blur, `ratio` times as wide: positive for tails, negative for sharpening."""
    wider = replace(solution.wedge, log_blur=solution.wedge.log_blur + math.log(ratio))
    share = rounded_wedge(wider, solution.pixels.points, wanted=(), how=QUICK).share
    return np.asarray((solution.jump * (share - solution.share))[:, None])


def _deviations(
    solution: Solution, where: NDArray[np.bool_], bins: NDArray[np.int64], slope: Floats
) -> Floats:
    """Outline minus model, outward, px, in each of the bins 0, 1, ...; NaN where too little is seen."""
    count = int(bins.max(initial=0)) + 1
    information = np.bincount(bins[where], slope[where] ** 2 / solution.variance[where], count)
    moved = np.bincount(bins[where], (slope * solution.residual / solution.variance)[where], count)
    seen = information[information > 0]
    full = information > 0.2 * np.median(seen) if len(seen) else information > 0
    far = 3 * solution.wedge.blur  # beyond, the linear reading means no more than "far"
    deviation = np.clip(moved / np.maximum(information, 1e-30), -far, far)
    return np.asarray(np.where(full, deviation, np.nan), np.float64)


def edge_shift(solution: Solution) -> Floats:
    """Slopes (n, 2), for `pull`, of the whole end edge, and of the whole side edge, lying one px farther out than they are."""
    t, _, corner, use, slope = solution.places
    return np.stack([slope * (use & ~corner & (sign * t > 0)) for sign in (-1, 1)], axis=1)


def _bins(solution: Solution, place: Floats) -> NDArray[np.int64]:
    """Steps of 1.5 sigma_b, counted from 0."""
    bins = np.floor(place / (1.5 * solution.wedge.blur) + 0.5).astype(np.int64)
    return np.asarray(bins - bins.min(initial=0), np.int64)


def form_deviation(solution: Solution) -> tuple[Floats, Floats]:
    """Outline minus model, outward, px, in steps of 1.5 sigma_b: (round the corner, along both edges).

    Both hold noise and the raggedness of the picture's edges; a corner that the model fits strays no more than they.
    """
    t, _, corner, use, slope = solution.places
    bins = _bins(solution, t)
    both = [_deviations(solution, use & where, bins, slope) for where in (corner, ~corner)]
    return both[0][np.isfinite(both[0])], both[1][np.isfinite(both[1])]


def wander(solution: Solution, *, reach_px: float = 24.0) -> Floats:
    """Variances (10,) of the free fields if the outline wanders round the corner as it does along both edges.

    Grinding marks and uneven paper move an edge over longer stretches than neighbouring pixels tell. The covariance
    of the deviations along the edges, tapered to zero at `reach_px` (Newey and West, 1987), is carried through the
    shift that each stretch of outline would give the fit.
    """
    _, run, corner, use, slope = solution.places
    bins = _bins(solution, run)
    at_edge = _deviations(solution, use & ~corner, bins, slope)
    lags = max(2, round(reach_px / (1.5 * solution.wedge.blur)))
    if np.isfinite(at_edge).sum() < 3 * lags:
        return np.zeros(10)
    known = np.isfinite(at_edge)
    bounded = 4 * 1.4826 * float(np.median(np.abs(at_edge[known])))
    deviation = np.where(known, np.clip(at_edge, -bounded, bounded), 0.0)
    count = len(deviation)
    covariances = [
        float(deviation[: count - k] @ deviation[k:]) / max(int((known[: count - k] & known[k:]).sum()), 1)
        * (1 - k / lags)
        for k in range(min(lags, count))
    ]  # fmt: skip
    weight = slope * use * solution.weight / solution.variance
    moved = np.zeros((10, count))
    moved[list(solution.active)] = [np.bincount(bins, weight * one, count) for one in solution.influence.T]
    k = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    table = np.where(k < len(covariances), np.array(covariances)[np.minimum(k, len(covariances) - 1)], 0.0)
    return np.asarray(np.maximum(((moved @ table) * moved).sum(axis=1), 0.0))
