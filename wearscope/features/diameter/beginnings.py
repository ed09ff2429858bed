"""Where a fit of the edges may begin: combs of evenly spaced edges laid over the series."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearscope.features.diameter.edge_fit import (
    LEAST_RELIEF,
    USUAL_RELIEF,
    Beginning,
    EdgeFit,
    directions,
    rake_side,
)
from wearscope.features.diameter.grid import STRAIGHT, Series, columns_in, usual_step

__all__ = ["STARTS", "beginnings", "carried_on", "helix_sizes"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int_]

_FREQUENT = 0.4
"""Helices this often seen, as a share of the commonest, are tried: the heels of two facets come close to the edges."""
STARTS = 4
"""Beginnings that are tried at least; more only while none of them gave a believable fit."""


def beginnings(
    series: Series, columns: Ints, sizes: Sequence[float], flutes: int, most: int = 4 * STARTS
) -> Iterator[Beginning]:
    """Where a fit may begin, best first: evenly spaced combs of edges, helices of `sizes` in both senses, both rake sides.

    Ranked by how nearly constant reach / cos is. Where the angles of the photos are not known, each frame is turned to where
    it fits best.
    """
    reach, along = series.reach_px[:, columns], series.along_px[columns]
    pitch = 2 * np.pi / flutes
    top = float(np.nanquantile(reach, 0.995))
    comb: Floats = np.arange(flutes, dtype=np.float64) * pitch
    shifts = np.arange(0, pitch, np.radians(1.5))
    turn = series.turn[: len(series.turn) // 2]
    ranked = []
    turned = [size for size in sizes if size * np.ptp(along) >= STRAIGHT]
    straight = [0.0] if len(turned) < len(sizes) else []
    for helix in [*straight, *(sign * size for size in turned for sign in (1, -1))]:
        seen = directions(series, turn, helix, along)
        for hand in (1, -1):
            cost = np.array([_comb_cost(reach, seen, comb + shift, hand, top) for shift in shifts])
            valley = (cost <= np.roll(cost, 1)) & (cost <= np.roll(cost, -1)) & np.isfinite(cost)
            ranked += [(float(cost[i]), float(shifts[i]), helix, hand) for i in np.nonzero(valley)[0]]
    for _, shift, helix, hand in sorted(ranked)[:most]:
        guess = Beginning(np.asarray(comb + shift, np.float64), helix, hand, turn.copy())
        if helix == 0.0:  # few directions: whether one on the relief's side belongs to the edge may decide
            yield from (replace(guess, behind=behind) for behind in (LEAST_RELIEF, USUAL_RELIEF))
        else:
            yield guess if series.angles_known else _turned(series, guess, reach, along, top)


def carried_on(series: Series, fit: EdgeFit, zone: tuple[float, float]) -> Beginning:
    """The fit as a beginning in `zone`; frames that showed no edge so far are turned to where they fit."""
    hand = rake_side(fit)
    behind = np.where(fit.used, -hand * fit.delta, 0.0)
    followed = float(behind.max(initial=LEAST_RELIEF, where=behind < np.radians(25)))
    guess = Beginning(fit.angle, fit.helix, hand, fit.turn, fit, followed)
    loose = np.nonzero(~_fixed(series, fit))[0]
    if series.angles_known or not fit.helix or not len(loose):
        return guess
    columns = columns_in(series, zone, 40)
    reach, along = series.reach_px[:, columns], series.along_px[columns]
    turn = _turned_frames(
        series, guess, reach, along, float(fit.radius_px.mean()), loose, series.turn[: len(fit.turn)]
    )
    return replace(guess, turn=turn)


def _fixed(series: Series, fit: EdgeFit) -> NDArray[np.bool_]:
    """Frames whose angle is known because samples of theirs lie on an edge."""
    frames = len(fit.turn)
    return np.asarray(np.bincount(series.frame, fit.used.sum(axis=1), minlength=frames) >= 4)


def helix_sizes(series: Series, zone: tuple[float, float]) -> list[float]:
    """Likely sizes of the helix as angle per px along the axis, the likeliest first, from single frames.

    On an edge, the reach h and its slope along the axis obey slope^2 = k^2 (R^2 - h^2), so k is a frequent ratio. The heel of a
    ground relief runs with the helix too, at a smaller radius, and makes a second one.
    """
    columns = columns_in(series, zone)
    part, along = series.reach_px[:, columns], series.along_px[columns]
    top = float(np.nanquantile(part, 0.995))
    width = max(3, part.shape[1] // 8)
    starts = range(0, part.shape[1] - width + 1, max(1, width // 3))
    reach, slope = (
        np.concatenate(x)
        for x in zip(*(_slopes(part[:, i : i + width], along[i : i + width]) for i in starts), strict=True)
    )
    on = (reach > 0.85 * top) & (reach < 0.995 * top)
    if on.sum() < 4:
        return [0.0]
    ratio = np.arctan(np.abs(slope[on]) / np.sqrt(1 - (reach[on] / top) ** 2))  # helix angle, radians
    grid = np.radians(np.arange(0.0, 60.0, 0.25))
    near = np.exp(-0.5 * ((grid[:, None] - ratio[None, :]) / np.radians(1.0)) ** 2).sum(axis=1)
    beside = np.pad(near, 1, constant_values=-1.0)
    peak = (near >= beside[:-2]) & (near > beside[2:]) & (near > _FREQUENT * near.max())
    return [float(np.tan(grid[i]) / top) for i in np.nonzero(peak)[0][np.argsort(-near[peak])]]


def _slopes(reach: Floats, along: Floats) -> tuple[Floats, Floats]:
    """Mean and slope of every row; NaN rows fall out later."""
    x = along - along.mean()
    return reach.mean(axis=1), reach @ x / (x @ x)


def _turned(series: Series, guess: Beginning, reach: Floats, along: Floats, top: float) -> Beginning:
    """The guess with every frame turned to where it fits the edges best."""
    turn, angle = guess.turn, guess.angle
    for _ in range(2):
        now = Beginning(angle, guess.helix, guess.hand, turn)
        turn = _turned_frames(series, now, reach, along, top, np.arange(len(turn)), turn)
        angle = angle + _best_shift(
            reach, directions(series, turn, guess.helix, along), angle, guess.hand, top
        )
    return Beginning(angle, guess.helix, guess.hand, turn)


def _turned_frames(
    series: Series, guess: Beginning, reach: Floats, along: Floats, top: float, which: Ints, about: Floats
) -> Floats:
    """The angles of the guess, those of frames `which` moved from `about` by up to half a step to where they fit best."""
    reachable = np.arange(-0.5, 0.501, 0.05) * usual_step(series)
    turn = guess.turn.copy()
    turn[which] = about[which]
    for k in which:
        mine = series.frame == k
        seen = directions(series, turn, guess.helix, along)[mine]
        costs = [
            _comb_cost(reach[mine], seen + d, guess.angle, guess.hand, top, whole=False) for d in reachable
        ]
        turn[k] += reachable[int(np.argmin(costs))]
    return turn


def _best_shift(reach: Floats, seen: Floats, angle: Floats, hand: int, top: float) -> float:
    tried = np.radians(np.arange(-6, 6.1, 0.5))
    return float(tried[int(np.argmin([_comb_cost(reach, seen, angle + s, hand, top) for s in tried]))])


def _comb_cost(
    reach: Floats, direction: Floats, angles: Floats, hand: int, top: float, *, whole: bool = True
) -> float:
    """How badly the samples around the comb's teeth follow one cosine each.

    Falling below one is impossible and costs more; so does an edge lower than the largest reach seen. `whole`: every tooth must be
    seen and has its own radius; otherwise all have the radius `top`.
    """
    pitch = 2 * np.pi / len(angles)
    width = min(np.radians(40), pitch * 0.4)
    tooth = np.mod(np.round((direction - angles[0]) / pitch), len(angles)).astype(int)
    delta = np.mod(direction - angles[0] + pitch / 2, pitch) - pitch / 2
    good = ~np.isnan(reach)
    near = good & (hand * delta > -np.radians(2)) & (hand * delta < width)
    wide = good & (np.abs(delta) < min(1.2 * width, np.radians(50)))
    if whole:
        count = np.bincount(tooth[near], minlength=len(angles))
        if count.min() < 3:
            return np.inf
        mean = np.bincount(tooth[near], reach[near] / np.cos(delta[near]), minlength=len(angles)) / count
    elif near.sum() < 3:
        return np.inf
    else:
        mean = np.full(len(angles), top)
    off = np.minimum(np.abs(reach[near] / np.cos(delta[near]) - mean[tooth[near]]), 0.1 * top)
    below = np.clip(mean[tooth[wide]] * np.cos(delta[wide]) - reach[wide], 0, 0.1 * top)
    low = max(0.97 * top - float(mean.mean()), 0.0)
    return float(off.mean() + 3 * below.mean() + 0.3 * mean.std() + low)
