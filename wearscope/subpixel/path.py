"""The best path from column to column through a table of gains (Viterbi, with a price on every step sideways)."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["best_path"]

Floats = NDArray[np.float64]


def best_path(gain: Floats, *, stiffness: float, leap: float = np.inf) -> NDArray[np.int64]:
    """Row of the path in each column, shape (columns,).

    `gain` (rows, columns): what the path earns there. Going from row i to row k costs `stiffness * |i - k|`,
    `leap` at most.
    The path with the greatest sum is found exactly (dynamic programming).
    """
    rows, columns = gain.shape
    ramp: Floats = stiffness * np.arange(rows, dtype=np.float64)
    best: Floats = np.empty((columns, rows), np.float64)
    best[0] = gain[:, 0]
    for j in range(1, columns):
        best[j] = gain[:, j] + np.maximum(_reached(best[j - 1], ramp), best[j - 1].max() - leap)
    path = np.empty(columns, np.int64)
    path[-1] = int(np.argmax(best[-1]))
    for j in range(columns - 2, -1, -1):
        price = np.minimum(stiffness * np.abs(np.arange(rows) - path[j + 1]), leap)
        path[j] = int(np.argmax(best[j] - price))
    return path


def _reached(value: Floats, ramp: Floats) -> Floats:
    """max over k of value[k] - stiffness * |i - k|, for every i."""
    from_above = np.maximum.accumulate(value + ramp) - ramp
    from_below = np.maximum.accumulate((value - ramp)[::-1])[::-1] + ramp
    return np.maximum(from_above, from_below)
