"""Which mark is which: regular chains of strokes, regular grids of points."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Chain", "best_chain", "grow_grid"]

Array = NDArray[np.float64]

NEAR = 0.15
"""A mark counts as the next one within this share of a pitch of where its neighbours put it: far below
half a pitch, far above the change of pitch from one mark to the next that tilt and distortion can make."""
MISSING = 3
"""So many marks in a row may be missing (dust, glare) before a chain ends."""


@dataclass(frozen=True, slots=True)
class Chain:
    """Members of a regular row: `index` (m,) into the strokes, `number` (m,) counts pitches, `missed`: gaps inside."""

    index: NDArray[np.int_]
    number: NDArray[np.int_]
    missed: int
    pitch: float

    @property
    def score(self) -> int:
        return len(self.index) - self.missed


def best_chain(place: Array) -> Chain | None:
    """The longest regular chain among places (n,) along a line; None below three."""
    order = np.argsort(place)
    x = place[order]
    if len(x) < 3:
        return None
    best: Chain | None = None
    covered = np.zeros(len(x), bool)
    for start, pitch in _regular_starts(x):
        if covered[start]:
            continue
        forward, ahead = _walk(x, start, pitch)
        backward, behind = _walk(-x[::-1], len(x) - 1 - start, pitch)
        members = [(len(x) - 1 - i, -n) for i, n in backward[:0:-1]] + forward
        index = np.array([m[0] for m in members])
        chain = Chain(order[index], np.array([m[1] for m in members]), ahead + behind, pitch)
        covered[index] = True
        if best is None or chain.score > best.score:
            best = chain
    return best


def _regular_starts(x: Array) -> list[tuple[int, float]]:
    """Middles of triples with two equal spacings, among the next few neighbours, narrowest spacing first."""
    starts = []
    for left in (1, 2, 3):
        for right in (1, 2, 3):
            middle = np.arange(left, len(x) - right)
            a, b = x[middle] - x[middle - left], x[middle + right] - x[middle]
            regular = np.abs(a - b) < NEAR * (a + b) / 2
            starts += [
                (int(m), float((p + q) / 2))
                for m, p, q in zip(middle[regular], a[regular], b[regular], strict=True)
            ]
    return sorted(starts, key=lambda s: s[1])[:400]


def _walk(x: Array, start: int, pitch: float) -> tuple[list[tuple[int, int]], int]:
    """Follow equal steps upward from `start`: members (index, number) and how many were missed on the way."""
    members, number, missed, pending = [(start, 0)], 0, 0, 0
    at = x[start]
    while pending <= MISSING:
        at, number = at + pitch, number + 1
        if at > x[-1] + NEAR * pitch:
            break
        k = int(np.searchsorted(x, at))
        k = k if k < len(x) and (k == 0 or x[k] - at < at - x[k - 1]) else k - 1
        if abs(x[k] - at) < NEAR * pitch:
            steps = number - members[-1][1]
            pitch = 0.7 * pitch + 0.3 * (x[k] - x[members[-1][0]]) / steps
            missed, pending = missed + pending, 0
            members.append((k, number))
            at = x[k]
        else:
            pending += 1
    return members, missed


def grow_grid(points: Array, parity: Array | None = None) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """The largest square grid among `points` (n, 2): indices (m,) and grid coordinates (m, 2).

    `parity` (n,) holds directions modulo pi that must turn by pi/2 between neighbours (a chessboard's corners).
    """
    if len(points) < 4:
        return np.zeros(0, int), np.zeros((0, 2), int)
    from scipy.spatial import cKDTree

    tree = cKDTree(points)
    middle = np.median(points, axis=0)
    best: dict[tuple[int, int], int] = {}
    taken = np.zeros(len(points), bool)
    tries = 0
    for seed in np.argsort(np.hypot(*(points - middle).T)):
        if taken[seed] or tries > 60:
            continue
        for basis in _bases(points, tree, int(seed), parity):
            grid = _grow(points, tree, int(seed), basis, parity)
            tries += 1
            if len(grid) > len(best):
                best = grid
                taken[list(grid.values())] = True
        if len(best) > len(points) / 2:
            break
    return np.array(list(best.values()), int), np.array(list(best.keys()), int).reshape(-1, 2)


def _flips(parity: Array | None, i: int, j: int) -> bool:
    return parity is None or float(np.cos(2 * (parity[i] - parity[j]))) < -0.5


def _bases(points: Array, tree: object, seed: int, parity: Array | None) -> list[tuple[Array, Array]]:
    """Pairs of nearest neighbours of `seed` that span something like a square."""
    _, near = tree.query(points[seed], k=min(13, len(points)))  # type: ignore[attr-defined]
    spokes = [points[j] - points[seed] for j in near[1:] if _flips(parity, seed, int(j))][:6]
    pairs = []
    for a in spokes[:3]:
        for b in spokes:
            turn = a[0] * b[1] - a[1] * b[0]
            size = np.hypot(*a) * np.hypot(*b)
            if turn > 0.8 * size and 0.7 < np.hypot(*a) / np.hypot(*b) < 1.43:
                pairs.append((a, b))
    return pairs[:3]


def _grow(
    points: Array, tree: object, seed: int, basis: tuple[Array, Array], parity: Array | None
) -> dict[tuple[int, int], int]:
    grid, used = {(0, 0): seed}, {seed}
    local = {(0, 0): basis}
    queue = [(0, 0)]
    while queue:
        node = queue.pop(0)
        e = local[node]
        here = points[grid[node]]
        for axis in (0, 1):
            for sign in (1, -1):
                step = (sign, 0) if axis == 0 else (0, sign)
                there = (node[0] + step[0], node[1] + step[1])
                if there in grid:
                    continue
                away, j = tree.query(here + sign * e[axis])  # type: ignore[attr-defined]
                if away > NEAR * np.hypot(*e[axis]) or j in used or not _flips(parity, grid[node], int(j)):
                    continue
                grid[there] = int(j)
                used.add(int(j))
                new = sign * (points[j] - here)
                local[there] = (0.5 * e[0] + 0.5 * new, e[1]) if axis == 0 else (e[0], 0.5 * e[1] + 0.5 * new)
                queue.append(there)
    return grid
