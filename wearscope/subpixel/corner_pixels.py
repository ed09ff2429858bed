"""The pixels along the outline of a corner, and how the light on either side of it may change."""

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from wearscope.subpixel.corner_model import Wedge

__all__ = [
    "Hats",
    "Levels",
    "Pixels",
    "grain_pitch",
    "outline_distance",
    "outline_run",
    "strip_pixels",
    "with_curvature",
    "with_grain",
]

Floats = NDArray[np.float64]

Levels = Literal["plane", "along"]
"""How the light on either side may change: with position, or freely along the outline."""
_KNOT_PX, _KNOT_BLURS, _MOST_KNOTS, _CALM_BLURS = 20.0, 6.0, 20, 3.0
"""Light that changes faster along the outline than this cannot be told from the outline's own shape."""
_EVEN_FREEDOM = 100.0
"""Slopes and bends of the levels are all but free."""
_GRAIN_PX, _GRAIN_BLURS = 12.0, 4.0
"""Stretches of uneven light; finer ones cannot be told from the outline's own shape."""


@dataclass(frozen=True)
class Hats:
    """Light that changes along the outline, straight from knot to knot: a sparse matrix (n, count).

    `column`, `value` (n, q): the q columns in which a pixel has a part, and how much.
    """

    column: NDArray[np.int64]
    value: Floats
    count: int

    @cached_property
    def _matrix(self) -> Any:
        from scipy.sparse import csr_array

        n, q = self.column.shape
        row_ends = np.arange(0, n * q + 1, q)
        return csr_array((self.value.ravel(), self.column.ravel(), row_ends), shape=(n, self.count))

    @cached_property
    def _transposed(self) -> Any:
        return self._matrix.T

    @cached_property
    def _pairs(self) -> tuple[NDArray[np.int64], Floats]:
        first, second = np.triu_indices(self.column.shape[1])
        pair = self.column[:, first] * self.count + self.column[:, second]
        return pair.ravel(), self.value[:, first] * self.value[:, second] * np.where(
            first == second, 0.5, 1.0
        )

    def times(self, coefficients: Floats) -> Floats:
        """The sum of columns: (n, k) for coefficients (count, k)."""
        return np.asarray(self._matrix @ coefficients)

    def gathered(self, values: Floats) -> Floats:
        """The transposed matrix times `values` (n, k): (count, k)."""
        return np.asarray(self._transposed @ values)

    def products(self, weight: Floats) -> Floats:
        """Products of the columns with each other, weighted (n,): (count, count)."""
        at, value = self._pairs
        sums = np.bincount(at, (value * weight[:, None]).ravel(), self.count**2)
        half = sums.reshape(self.count, self.count)
        return np.asarray(half + half.T, np.float64)


def _hats(run: Floats, pitch: float, *, calm: bool = False) -> Hats:
    """Hats every `pitch` px along `run` (n,), one of them at 0, or, `calm`, none there."""
    place = run / pitch
    first = math.floor(place.min(initial=0.0))
    left = np.floor(place).astype(np.int64)
    part = place - left
    count = math.floor(place.max(initial=0.0)) + 2 - first
    knot, value = np.stack([left, left + 1], axis=1), np.stack([1 - part, part], axis=1)
    return Hats(knot - first, np.where(knot == 0, 0.0, value) if calm else value, count)


@dataclass(frozen=True)
class Pixels:
    """Pixels near the outline: `points` (n, 2) x and y in px, `values` (n,) linear light. A level is a sum of the rows of
    `basis` (m, n), first 1, then departures from it, and of `hats`, if any.

    `freedom` (2, m + hats): how far the coefficients of background and cutter are expected to go, in contrasts (a standard
    deviation; infinite for the first). `low`, `high`: clipping codes in linear light; a value at or beyond them is an inequality.
    """

    points: Floats
    values: Floats
    basis: Floats
    hats: Hats | None
    freedom: Floats
    low: float
    high: float

    def thinned(self, step: int) -> "Pixels":
        """Every so many-th pixel of a row, shifted from row to row."""
        x, y = self.points.T.astype(np.int64)
        keep = np.flatnonzero((x + y * (step // 2 + 1)) % step == 0)
        hats = self.hats and Hats(self.hats.column[keep], self.hats.value[keep], self.hats.count)
        return replace(
            self, points=self.points[keep], values=self.values[keep], basis=self.basis[:, keep], hats=hats
        )

    @cached_property
    def clipped(self) -> bool:
        """Are there values at or beyond the clipping codes?"""
        return bool((self.values >= self.high).any() or (self.values <= self.low).any())

    def levels(self, coefficients: Floats) -> Floats:
        """Levels (2, n) of background and cutter at each pixel, for coefficients (2, m + hats)."""
        m = len(self.basis)
        even: Floats = coefficients[:, :m] @ self.basis
        return even if self.hats is None else even + self.hats.times(coefficients[:, m:].T).T


def outline_distance(wedge: Wedge, points: Floats) -> tuple[Floats, Floats]:
    """Signed distance to the outline (positive inside), and distance along the nearer edge from the apex, px."""
    offset = points - np.array([wedge.x, wedge.y])
    t, y = offset @ wedge.across, offset @ wedge.bisector
    sin, cos = np.sin(wedge.half_angle), np.cos(wedge.half_angle)
    along = np.abs(t) * sin + y * cos
    bend = np.where(t < 0, wedge.end_bend, wedge.side_bend)
    distance = y * sin - np.abs(t) * cos + bend * np.maximum(along - wedge.bend_from, 0.0) ** 2
    round_off = wedge.radius - np.hypot(t, y - wedge.radius / sin)
    return np.where(along < wedge.tangent_length, np.minimum(round_off, distance), distance), along


def outline_run(wedge: Wedge, points: Floats) -> Floats:
    """Place of each of `points` (n, 2) along the outline, px from the arc's middle, towards the side edge positive."""
    t, depth = ((points - np.array([wedge.x, wedge.y])) @ np.stack([wedge.across, wedge.bisector]).T).T
    along = np.abs(t) * np.sin(wedge.half_angle) + depth * np.cos(wedge.half_angle)
    centre = wedge.radius / np.sin(wedge.half_angle)
    turned = wedge.radius * np.arctan2(np.abs(t), np.maximum(centre - depth, 1e-9))
    beyond, arc = along - wedge.tangent_length, wedge.radius * (np.pi / 2 - wedge.half_angle)
    return np.asarray(np.sign(t) * np.where(beyond > 0, arc + beyond, np.minimum(turned, arc)))


def _level_basis(
    wedge: Wedge, points: Floats, reach_px: tuple[float, float], levels: Levels, deepest: float
) -> tuple[Floats, Hats | None]:
    """Rows (m, n) and hats whose sum a level is; round the corner there are no hats, or they would stand for the rounding."""
    if levels == "along":
        run = outline_run(wedge, points)
        gone = max(deepest - wedge.radius, 0.0) / math.tan(wedge.half_angle)
        calm = wedge.radius * (np.pi / 2 - wedge.half_angle) + gone + _CALM_BLURS * wedge.blur
        run = np.sign(run) * np.maximum(np.abs(run) - calm, 0.0)
        pitch = max(_KNOT_PX, _KNOT_BLURS * wedge.blur, float(np.ptp(run)) / _MOST_KNOTS) if len(run) else 1.0
        return np.ones((1, len(run))), _hats(run, pitch, calm=True)
    u, v = ((points - np.array([wedge.x, wedge.y]) - wedge.bisector * min(reach_px) / 2) / max(reach_px)).T
    return np.stack([np.ones_like(u), u, v]), None


def strip_pixels(
    picture: NDArray[np.float32],
    wedge: Wedge,
    *,
    half_px: float | tuple[float, float],
    reach_px: tuple[float, float],
    clip: tuple[float, float],
    levels: Levels = "plane",
    deepest: float = 0.0,
) -> Pixels:
    """Pixels within `half_px` (outside, inside) of the outline, up to `reach_px` along (end edge, side edge) from the apex.

    `deepest`: the corner may be rounded up to this radius (px), and the strip holds that outline too.
    """
    import cv2

    outside, inside = half_px if isinstance(half_px, tuple) else (half_px, half_px)
    height, width = picture.shape
    apex = np.array([wedge.x, wedge.y])
    ends = np.array(
        [
            apex + r * np.array([np.cos(a), np.sin(a)])
            for r, a in zip(reach_px, (wedge.end_angle, wedge.side_angle), strict=True)
        ]
    )
    deepest = max(deepest, wedge.radius)
    bend = max(abs(wedge.end_bend) * reach_px[0] ** 2, abs(wedge.side_bend) * reach_px[1] ** 2)
    beside = max(outside, inside) + bend + 2
    low = np.maximum(np.floor(np.minimum(apex, ends.min(axis=0)) - beside), 0).astype(int)
    high = np.minimum(np.ceil(np.maximum(apex, ends.max(axis=0)) + beside) + 1, [width, height]).astype(int)
    roughly = np.zeros(np.maximum(high - low, 1)[::-1], np.uint8)
    gone = deepest / math.tan(wedge.half_angle)
    tangent = apex + gone * (ends - apex) / np.maximum(np.array(reach_px), 1e-9)[:, None]
    corner = np.round(np.vstack([apex, tangent]) - low).astype(np.int32)
    cv2.fillConvexPoly(roughly, corner, 1)
    for end in np.round(ends - low).astype(np.int32):
        cv2.line(roughly, corner[0].tolist(), end.tolist(), 1, 2 * math.ceil(beside))
    cv2.circle(roughly, corner[0].tolist(), math.ceil(beside / math.sin(wedge.half_angle)), 1, cv2.FILLED)
    ys, xs = np.nonzero(roughly)
    xs, ys = xs + low[0], ys + low[1]
    within = (xs < width) & (ys < height)
    xs, ys = xs[within], ys[within]
    points = np.stack([xs, ys], axis=1).astype(np.float64)
    distance, along = outline_distance(wedge, points)
    t = (points - apex) @ wedge.across
    limit = np.where(t < 0, reach_px[0], reach_px[1])
    inner = distance
    if deepest > wedge.radius:
        inner = outline_distance(replace(wedge, rounding=deepest**2), points)[0]
    use = (distance >= -outside) & (inner <= inside) & (along <= limit)
    points, values = points[use], np.clip(picture[ys[use], xs[use]].astype(np.float64), *clip)
    basis, hats = _level_basis(wedge, points, reach_px, levels, deepest)
    departures = len(basis) - 1 + (hats.count if hats else 0)
    freedom = np.tile([np.inf, *([_EVEN_FREEDOM] * departures)], (2, 1))
    return Pixels(points, values, basis, hats, freedom, *clip)


def with_curvature(pixels: Pixels) -> Pixels:
    """The same pixels, with plane levels that may be quadratic."""
    u, v = pixels.basis[1:]
    basis = np.concatenate([pixels.basis, [u * u, u * v, v * v]])
    return replace(pixels, basis=basis, freedom=np.hstack([pixels.freedom, np.full((2, 3), _EVEN_FREEDOM)]))


def grain_pitch(wedge: Wedge) -> float:
    """Length of the stretches of uneven light, px."""
    return max(_GRAIN_PX, _GRAIN_BLURS * wedge.blur)


def with_grain(pixels: Pixels, wedge: Wedge, size: Floats) -> Pixels:
    """The same pixels with levels that may also change along the outline, round the corner too, and slope across it.

    They are held to the unevenness `size` (2,) seen beside the outline, in contrasts: a stretch of ground that is darker than the
    rest is known from the pixels a few blurs away, and then no longer passes for a shift of the outline.
    """
    along = _hats(outline_run(wedge, pixels.points), grain_pitch(wedge))
    distance, _ = outline_distance(wedge, pixels.points)
    across = along.value * (distance / np.abs(distance).max())[:, None]
    hats = Hats(
        np.hstack([along.column, along.column + along.count]),
        np.hstack([along.value, across]),
        2 * along.count,
    )
    least = np.maximum(size, 1e-3)[:, None]
    return replace(pixels, hats=hats, freedom=np.hstack([pixels.freedom, np.tile(least, (1, hats.count))]))
