"""How much of each pixel a polygon covers: exact areas, no sampling."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["polygon_coverage"]

Points = NDArray[np.float64]


def polygon_coverage(
    polygons: Sequence[Points], size: tuple[int, int], oversampling: int = 1
) -> NDArray[np.float32]:
    """Covered share (0..1) of every pixel of a picture of `size` (width, height).

    `polygons` are closed (N, 2) outlines in px, pixel centres at integers, that may run out of the picture but do
    not overlap each other or themselves. With `oversampling` n the answer has n x n values a pixel. Each outline is
    cut at the pixel borders and every piece adds the area to its right, so the area of the answer is the polygon's
    to rounding (the signed-area accumulation used by font renderers).
    """
    width, height = size[0] * oversampling, size[1] * oversampling
    cells, weights = [np.empty(0, np.intp)], [np.empty(0)]
    for polygon in polygons:
        cell, weight = _signed_areas((np.asarray(polygon, np.float64) + 0.5) * oversampling, width, height)
        cells.append(cell)
        weights.append(weight)
    total = np.bincount(np.concatenate(cells), np.concatenate(weights), height * (width + 2))
    grid = np.cumsum(total.reshape(height, width + 2), axis=1)[:, :width]
    return np.clip(np.abs(grid), 0.0, 1.0).astype(np.float32)


def _signed_areas(corners: Points, width: int, height: int) -> tuple[NDArray[np.intp], Points]:
    """Flat cell numbers in a grid of (height, width + 2), and what each adds before the running sum along x."""
    following = np.roll(corners, -1, axis=0)
    turning = np.sign(np.sum(corners[:, 0] * following[:, 1] - corners[:, 1] * following[:, 0]))
    start, end = _cut(corners, following, width, height)
    y_mid = 0.5 * (start[:, 1] + end[:, 1])
    inside = (y_mid > 0) & (y_mid < height) & (start[:, 1] != end[:, 1])
    start, end, y_mid = start[inside], end[inside], y_mid[inside]
    x_mid = np.clip(0.5 * (start[:, 0] + end[:, 0]), 0, width)
    column = x_mid.astype(np.intp)
    rise = turning * (end[:, 1] - start[:, 1])
    cell = y_mid.astype(np.intp) * (width + 2) + column
    share = x_mid - column
    return np.concatenate([cell, cell + 1]), np.concatenate([rise * (1 - share), rise * share])


def _cut(start: Points, end: Points, width: int, height: int) -> tuple[Points, Points]:
    """The segments cut wherever they cross a pixel border inside the picture."""
    count = len(start)
    owners = [np.arange(count), np.arange(count)]
    places = [np.zeros(count), np.ones(count)]
    for axis, last in ((0, width), (1, height)):
        a, b = start[:, axis], end[:, axis]
        low = np.clip(np.ceil(np.minimum(a, b)), 0, last + 1).astype(np.intp)
        high = np.clip(np.floor(np.maximum(a, b)), -1, last).astype(np.intp)
        number = np.where(a == b, 0, np.maximum(high - low + 1, 0))
        owner = np.repeat(np.arange(count), number)
        border = low[owner] + np.arange(len(owner)) - np.repeat(np.cumsum(number) - number, number)
        owners.append(owner)
        places.append(np.clip((border - a[owner]) / (b - a)[owner], 0, 1))
    owner, place = np.concatenate(owners), np.concatenate(places)
    order = np.lexsort((place, owner))
    owner, place = owner[order], place[order]
    points = start[owner] + place[:, None] * (end - start)[owner]
    same = owner[1:] == owner[:-1]
    return points[:-1][same], points[1:][same]
