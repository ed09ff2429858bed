"""Following one edge at sub-pixel along a straightened strip of the photo.

A strip has columns along the edge (s, px from its origin) and rows across it (d, px, growing into the cutter), counted
from a course that may be straight or curved.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.baseline import middle

__all__ = [
    "LUMINANCE",
    "Frame",
    "Ground",
    "Openings",
    "Strip",
    "Trace",
    "best_weights",
    "contour_offsets",
    "follow_openings",
    "ground_levels",
    "median_down",
    "running_median",
    "straighten",
    "trace_edge",
    "unblur",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Box = tuple[int, int, int, int]
_CLIPPED = 0.95
"""A cutter brighter than this share of full scale is blown out: how bright it is stays unknown by about a third."""
LUMINANCE = np.array([0.0722, 0.7152, 0.2126])
"""Weights of linear blue, green and red (IEC 61966-2-1)."""
_PIECE = 192.0
"""Px of an edge read at once: short pieces keep the boxes around a slanting edge small."""
_PLAIN = 12.0
"""A step of so many times the scatter beside it moves an edge by a tenth of the blur: more hardly helps."""
_EVEN = 0.03
"""Ground and metal are even to about three in a hundred over the few blurs where their levels are taken; vignetting and
facets change slowly, grain is seen as scatter."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Where a strip lies: `origin_px` (x, y), unit vectors `along` the edge and `into` the cutter."""

    origin_px: tuple[float, float]
    along: tuple[float, float]
    into: tuple[float, float]

    def to_strip(self, points_px: Floats) -> tuple[Floats, Floats]:
        """Photo points (n, 2) as s (n,) and d (n,)."""
        moved = np.asarray(points_px, float) - np.array(self.origin_px)
        return moved @ np.array(self.along), moved @ np.array(self.into)

    def to_photo(self, s_px: Floats, d_px: Floats) -> Floats:
        """s and d (of shapes that go together) as photo points, shape (..., 2)."""
        (x, y), (ax, ay), (ix, iy) = self.origin_px, self.along, self.into
        return np.stack([x + ax * s_px + ix * d_px, y + ay * s_px + iy * d_px], axis=-1)


@dataclass(frozen=True, slots=True)
class Strip:
    """`light` (rows, columns) float32, linear, NaN outside the photo; `s_px` (columns,), `d_px` (rows,), both 1 px apart.

    Row d of column s lies `course_px[s] + d` from the frame's axis. `top` is the light of a blown-out place.
    """

    frame: Frame
    light: NDArray[np.float32]
    s_px: Floats
    d_px: Floats
    course_px: Floats
    top: float = np.inf


@dataclass(frozen=True, slots=True)
class Trace:
    """The edge, column by column; every array has shape (n,).

    `offset_px` is the distance from the strip's course to where the light crosses half-way between `outside`
    and `inside`, the levels next to the edge on both sides; NaN where no edge like the rest of it crosses.
    `noise_px` is its standard uncertainty from the scatter of the levels, `level_px` the one from their being uneven or blown out, which
    neighbours share: it grows where cutter and ground look alike.
    """

    s_px: Floats
    offset_px: Floats
    noise_px: Floats
    level_px: Floats
    outside: Floats
    inside: Floats


def straighten(
    read: Callable[[Box], NDArray[np.float32]],
    size: tuple[int, int],
    frame: Frame,
    *,
    s_px: Floats,
    course_px: Floats,
    d_range: tuple[float, float],
    weights: Floats,
) -> Strip:
    """Resample a strip (cubic) at columns `s_px` (n,), evenly apart, along `course_px` (n,).

    `read` gives linear light (h, w, 3) inside a box (x0, y0, x1, y1), end exclusive; `size` (width, height) of the photo;
    `weights` (3,) says how its channels make one.
    """
    d = np.arange(np.floor(d_range[0]), np.ceil(d_range[1]) + 1)
    count = max(1, int(_PIECE * (len(s_px) - 1) / max(s_px[-1] - s_px[0], 1.0)))
    pieces = [slice(begin, begin + count) for begin in range(0, len(s_px), count)]
    light = np.hstack(
        [_resample(read, size, frame, s_px[part], course_px[part], d, weights) for part in pieces]
    )
    top = float(weights.sum()) if (weights > 0).all() else np.inf
    return Strip(frame, light, s_px, d, course_px, top)


def _resample(
    read: Callable[[Box], NDArray[np.float32]],
    size: tuple[int, int],
    frame: Frame,
    s: Floats,
    course: Floats,
    d: Floats,
    weights: Floats,
) -> NDArray[np.float32]:
    rims = frame.to_photo(s, course + d[[0, -1], None])
    first, last = rims.min(axis=(0, 1)), rims.max(axis=(0, 1))
    low = np.maximum(np.floor(first).astype(int) - 2, 0)
    high = np.minimum(np.ceil(last).astype(int) + 3, size)
    if np.any(high - low < 2):
        return np.full((len(d), len(s)), np.nan, np.float32)
    box = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    source = cv2.transform(read(box), weights[None, :].astype(np.float32))
    start = (rims[0] - low).astype(np.float32)
    x, y = (start[:, k] + np.outer(d - d[0], frame.into[k]).astype(np.float32) for k in (0, 1))
    out = np.asarray(cv2.remap(source, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.float32)
    if (first >= 0).all() and (last <= np.array(size) - 1).all():
        return out
    x, y = x + low[0], y + low[1]
    beyond = (x < 0) | (y < 0) | (x > size[0] - 1) | (y > size[1] - 1)
    return np.where(beyond, np.float32(np.nan), out)


def best_weights(inside: Floats, outside: Floats) -> Floats:
    """How to add linear blue, green and red so that an edge stands out best all along it, shape (3,), sum of sizes 1.

    `inside` and `outside` (n, 3): colours of neighbouring places on both sides of the edge, in order along it. Luminance, unless
    another mixture has at least twice its contrast to noise where that is low (the lower fifth of the places) and not plain: colour is
    sharper in no camera, and stored at half resolution in most files.
    """
    step = _smooth(inside) - _smooth(outside)
    scatter = np.concatenate([np.diff(inside, axis=0), np.diff(outside, axis=0)])

    def quality(mixes: Floats) -> Floats:
        lower = np.sort(np.abs(step @ mixes), axis=0)[len(step) // 5]
        return np.asarray(lower / _trimmed_rms(scatter @ mixes))

    if quality(LUMINANCE[:, None])[0] > _PLAIN:
        return LUMINANCE
    covariance = scatter.T @ scatter / max(1, 2 * len(scatter)) + 1e-8 * np.eye(3)
    tried = [LUMINANCE, *(np.linalg.solve(covariance, part.mean(axis=0)) for part in np.array_split(step, 4))]
    reached = quality(np.stack(tried, axis=1))
    best = int(np.argmax(reached))
    chosen = tried[best] if reached[best] > 2 * reached[0] else LUMINANCE
    return np.asarray(chosen / np.abs(chosen).sum())


def _trimmed_rms(values: Floats) -> Floats:
    """Root mean square down the rows without the largest tenth: patches and borders are no noise."""
    kept = np.sort(np.abs(values), axis=0)[: max(1, int(0.9 * len(values)))]
    return np.asarray(np.sqrt(np.mean(kept**2, axis=0)) + 1e-9)


def _smooth(colours: Floats) -> Floats:
    count = max(3, len(colours) // 16)
    return np.asarray(cv2.blur(colours, (1, count), borderType=cv2.BORDER_REPLICATE))


def contour_offsets(frame: Frame, points_px: Floats, s_px: Floats) -> Floats:
    """Offset of an ordered contour (n, 2) over each of `s_px` (ascending, 1 px apart): the deepest where it folds.

    NaN where the contour never passes. Pass only the walk along the edge, not the far side of the cutter.
    """
    s, d = frame.to_strip(points_px)
    if len(s) < 2:
        return np.full(len(s_px), np.nan)
    walk = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(s), np.diff(d)))])
    dense = np.arange(0.0, walk[-1], 0.5)
    column = np.rint(np.interp(dense, walk, s) - s_px[0]).astype(int)
    depth = np.interp(dense, walk, d)
    on = (column >= 0) & (column < len(s_px))
    out = np.full(len(s_px), -np.inf)
    np.maximum.at(out, column[on], depth[on])
    return np.where(np.isinf(out), np.nan, out)


@dataclass(frozen=True, slots=True)
class Ground:
    """Along an edge, arrays of shape (columns,): the ground's `level` and the `usual` size of the step to the cutter;
    the ground's scatter `noise` after averaging over one blur, and how much it changes over the width of a chip (`drift`)."""

    level: Floats
    usual: Floats
    noise: float
    drift: float = 0.0

    @property
    def tolerance(self) -> Floats:
        """Ground's light changes slowly by so much without ceasing to be ground. A fifth of the step to the cutter is a hollow, unless the ground
        beside the edge is as uneven."""
        slow = 0.01 * self.usual + 0.03 * np.abs(self.level) + 3 * self.drift
        most = np.clip(2 * self.drift, 0.2 * self.usual, 0.5 * self.usual)
        return np.asarray(np.minimum(slow, most))

    def part(self, columns: slice) -> "Ground":
        """Some of the columns."""
        return Ground(self.level[columns], self.usual[columns], self.noise, self.drift)


def trace_edge(strip: Strip, *, blur_px: float) -> Trace:
    """The half-level crossing in each column of `strip` near its course.

    Levels are medians over three blurs of rows on either side of the edge, two blurs away from it; the place is refined
    three times, so the course may be wrong by three blurs. A column counts as seen where its step has the direction of the
    whole edge's and at least a quarter of the size of its neighbours'. Columns are averaged over about one blur,
    which the picture cannot resolve anyway.
    """
    width = 2 * int(blur_px / 2) + 1
    light = np.asarray(cv2.blur(strip.light, (width, 1), borderType=cv2.BORDER_REPLICATE), np.float32)
    row = np.full(len(strip.s_px), -int(strip.d_px[0]))
    found, moved = np.full((5, len(row)), np.nan), row > 0
    for reach in (5.0, 4.0, 3.0):
        # where the edge lies in the row it was looked for in, looking again finds the same
        found[:, moved] = _cross(light[:, moved], strip.d_px, row[moved], blur_px, reach)
        offset, noise, outside, inside, scatter = found
        jump = inside - outside
        offset[~(np.abs(jump) > 5 * _middle(scatter))] = np.nan
        before, row = row, np.rint(np.nan_to_num(offset) - strip.d_px[0]).astype(int)
        moved = row != before
    usual = running_median(np.where(np.isfinite(offset), jump, np.nan), max(48 * blur_px, len(jump) / 3))
    seen = (jump * np.sign(usual) > 0.25 * np.abs(usual)) & np.isfinite(offset)
    usual_jump = _middle(np.abs(jump))
    lag = max(2, round(6 * blur_px))
    share = np.where(inside > _CLIPPED * strip.top, 0.3, _unevenness(inside, lag))
    error = np.hypot(share * inside, _unevenness(outside, lag) * outside) + _EVEN * usual_jump
    level = np.sqrt(np.pi / 2) * blur_px * error / np.maximum(np.abs(jump), 1e-9)
    return Trace(
        strip.s_px, np.where(seen, offset, np.nan), np.where(seen, noise, np.nan), level, outside, inside
    )


def _cross(
    light: NDArray[np.float32], d_px: Floats, base: NDArray[np.int_], blur: float, reach: float
) -> Floats:
    """One refinement, shape (5, columns): the half level nearest to the row `base`, its noise, the levels outside and inside, and the
    scatter outside."""
    near, end = 2.0 * blur, max(5.0 * blur, 2.0 * blur + 3)
    far = int(np.ceil(max(end, reach * blur))) + 1
    steps = np.arange(-far, far + 1)
    rows = base + steps[:, None]
    values = np.take_along_axis(light, np.clip(rows, 0, len(d_px) - 1), axis=0)
    outside, u_out = _level(values[(steps <= -near) & (steps >= -end)])
    inside, u_in = _level(values[(steps >= near) & (steps <= end)])
    jump = inside - outside
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (values - outside) / jump
        place, slope = _nearest_crossing(share, steps, reach * blur)
        scatter = np.hypot(u_out, u_in) / np.sqrt(2.0)
        place[~(np.abs(jump) > 3 * scatter)] = np.nan
        noise = scatter / np.abs(jump * slope)
    return np.stack([d_px[0] + base + place, noise, outside, inside, u_out])


def _middle(values: Floats) -> float:
    """Median of what was seen; NaN where nothing was."""
    seen = values[np.isfinite(values)]
    return middle(seen) if len(seen) else float("nan")


def _level(values: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Median and robust scatter down the rows."""
    level = median_down(values)
    return level, np.float32(1.4826) * median_down(np.abs(values - level))


def median_down(values: NDArray[Any]) -> NDArray[Any]:
    """Median down the rows of `values` (n, ...); NaN where one is. OpenCV sorts columns of a few rows several times as quickly as NumPy."""
    flat = values.reshape(len(values), -1)
    absent = np.isnan(flat.sum(axis=0))
    if absent.any():
        flat = np.where(absent, 0, flat)  # NaN has no order
    ordered = cv2.sort(flat, cv2.SORT_EVERY_COLUMN) if flat.size else flat
    half = (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2
    return np.where(absent, np.nan, half).reshape(values.shape[1:])


def _nearest_crossing(share: NDArray[Any], steps: NDArray[np.int_], reach: float) -> tuple[Floats, Floats]:
    """Where `share` rises through one half, nearest to step 0, and its slope there; NaN where it never does."""
    low, high = share[:-1], share[1:]
    rises = (low < 0.5) & (high >= 0.5)
    # no two of them lie in neighbouring rows: the middles of the rows say which is nearest
    row = np.argmin(np.where(rises, np.abs(steps[:-1] + 0.5)[:, None], np.inf), axis=0)
    columns = np.arange(share.shape[1])
    below, slope = low[row, columns], (high - low)[row, columns]
    found = rises[row, columns]
    at = steps[row] + (0.5 - below) / np.where(found, slope, 1.0)
    return np.where(found & (np.abs(at) <= reach), at, np.nan), slope


def _unevenness(level: Floats, lag: int) -> float:
    """Relative change of a level between neighbouring stretches of `lag` columns, at most one."""
    mean = cv2.blur(level[None, :], (lag, 1), borderType=cv2.BORDER_REPLICATE)[0]
    ahead, behind = mean[lag:], mean[:-lag]
    if len(ahead) < 4:
        return 0.0
    change = np.abs(ahead - behind) / np.maximum(np.abs(ahead + behind) / 2, 1e-9)
    return min(1.0, 1.4826 / float(np.sqrt(2.0)) * _middle(change))


def running_median(values: Floats, width: float) -> Floats:
    """Median in overlapping windows, interpolated; NaN ignored."""
    half = max(1, int(width / 2))
    centres = np.arange(0, len(values) + half, half)
    padded = np.full(len(values) + 3 * half + 1, np.nan)
    padded[half : half + len(values)] = values
    windows = np.sort(padded[centres[:, None] + np.arange(2 * half + 1)], axis=1)  # NaN sorts last
    count = np.isfinite(windows).sum(axis=1)
    known = count > 0
    if not known.any():
        return np.full(len(values), np.nan)
    rows, count = windows[known], count[known]
    each = np.arange(len(rows))
    middle = 0.5 * (rows[each, (count - 1) // 2] + rows[each, count // 2])
    return np.asarray(np.interp(np.arange(len(values)), centres[known], middle), np.float64)


def ground_levels(strip: Strip, trace: Trace, *, blur_px: float) -> Ground:
    """What ground and cutter look like along the edge of a strip that was traced."""
    smooth = _smoothed(strip.light, blur_px)
    rows = smooth[(strip.d_px <= -3 * blur_px) & (strip.d_px >= -max(7 * blur_px, 3 * blur_px + 4))]
    level = running_median(median_down(rows), 12 * blur_px)
    seen = np.isfinite(trace.offset_px)
    jump = np.where(seen, trace.inside - trace.outside, np.nan)
    noise = 1.4826 * _middle(np.abs(rows - level).ravel())
    lag = min(round(24 * blur_px), len(level) // 2)
    drift = 1.4826 / float(np.sqrt(2.0)) * middle(np.abs(level[lag:] - level[: len(level) - lag]))
    return Ground(level, running_median(np.abs(jump), 96 * blur_px), noise, drift)


@dataclass(frozen=True, slots=True)
class Openings:
    """Where ground reaches into the cutter, arrays of shape (columns,).

    `place_px` is how far it reaches from the course (NaN where the cutter never begins), `sure_px` how far it is ground without doubt;
    `step` the difference of light found at the border, `departure` how far the light within lies from the ground's beside (NaN: nothing
    lies within). `border` (3, columns) is the light's distance from the ground's at -3, -1.5 and 1.5 blurs from the border.
    """

    place_px: Floats
    sure_px: Floats
    step: Floats
    departure: Floats
    border: Floats


def follow_openings(strip: Strip, ground: Ground, *, begin_px: Floats, blur_px: float) -> Openings:
    """How far the ground reaches into the cutter in each column.

    Walking inward from `begin_px` (columns,), the cutter begins where the light leaves the ground's level for good: it may be
    darker or lighter, a broken hollow often is either. The place is then put on the half level between the ground and what
    follows within three blurs. A second walk knows how the ground's light changes within the opening. Channels narrower than six
    blurs and deeper than four are dark walls of a hollow, not openings.
    """
    smooth = _smoothed(strip.light, blur_px)
    level = np.broadcast_to(ground.level, smooth.shape)
    noise = ground.noise
    least = ground.tolerance
    departure = np.full(len(strip.s_px), np.nan)
    row = np.zeros(len(strip.s_px), np.intp)
    for final in (False, True):
        low = np.minimum(np.maximum(5 * noise, least), 0.5 * ground.usual)
        left = np.abs(smooth - level) > low
        lasting = left[:-1] & left[1:] & (strip.d_px[:-1, None] >= begin_px)
        row = np.argmax(lasting, axis=0)
        found = lasting[row, np.arange(len(row))]
        if not final:
            reached = np.where(found, row, 0)
            within = (np.arange(len(strip.d_px))[:, None] < reached) & (strip.d_px[:, None] > blur_px)
            departure = _mean_within(smooth - level, within)
            level, noise = _ground_within(strip, smooth, level, reached, blur_px, noise)
    fine = _smoothed(strip.light, 0.5 * blur_px)
    place, step = _half_level(np.abs(fine - level), row, blur_px)
    rows = np.rint(place + blur_px * np.array([[-3.0], [-1.5], [1.5]])).astype(int)
    border = np.abs(np.take_along_axis(fine, np.clip(rows, 0, len(fine) - 1), axis=0) - ground.level)
    first = float(strip.d_px[0])
    place = np.where(found, place + first, np.nan)
    sure = row.astype(np.float64) + first
    return Openings(_without_channels(place, round(6 * blur_px), 4 * blur_px), sure, step, departure, border)


def _mean_within(values: Floats, on: Bools) -> Floats:
    """Mean of each column where it is on; NaN where it never is."""
    count = on.sum(axis=0)
    total = np.where(on, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _smoothed(light: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(light, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE), np.float32)


def _ground_within(
    strip: Strip, smooth: NDArray[np.float32], level: Floats, row: NDArray[np.intp], blur: float, noise: float
) -> tuple[Floats, float]:
    """The ground's level with its slope across the edge, from what the first walk took for ground, and its scatter."""
    inside = (strip.d_px[:, None] > 0) & (np.arange(len(strip.d_px))[:, None] < row - 2 * blur)
    if inside.sum() < 36 * blur**2 or inside.any(axis=1).sum() < 3:
        return level, noise
    d = np.broadcast_to(strip.d_px[:, None], smooth.shape)[inside]
    rest = (smooth - level)[inside]
    slope, start = np.polyfit(d, rest, 1)
    scatter = float(1.4826 * np.median(np.abs(rest - start - slope * d)))
    return level + (start + slope * np.maximum(strip.d_px, 0.0))[:, None], max(noise, scatter)


def _half_level(away: Floats, row: NDArray[np.intp], blur: float) -> tuple[Floats, Floats]:
    """Row (fractional) where `away` passes half of the most it reaches within three blurs after `row`, and that most."""
    far = int(np.ceil(3 * blur)) + 1
    steps = np.arange(-far, far + 1)
    at = np.clip(row + steps[:, None], 0, len(away) - 1)
    values = np.take_along_axis(away, at, axis=0)
    top = np.sort(values[far:], axis=0)[-3:].mean(axis=0)
    share = values / np.maximum(top, 1e-9)
    place, _ = _nearest_crossing(share, steps, far)
    return np.asarray(row + np.nan_to_num(place), np.float64), np.asarray(top, np.float64)


def unblur(offset_px: Floats, *, blur_px: float) -> Floats:
    """The outline whose picture, blurred, has its half level at `offset_px` (columns 1 px apart).

    Blur fills notches and wears off tips by about half of blur squared times curvature. The outline is corrected by what a second
    blur of the same size would do to it, three times over; steps of more than one blur at a time are not believed.
    """
    true = offset_px.copy()
    for _ in range(3):
        true = true + np.clip(offset_px - _blurred(true, blur_px), -blur_px, blur_px)
    return true


def _blurred(offset: Floats, blur: float) -> Floats:
    """Half-level place in each column of a half plane with this border, seen through a Gaussian blur: bisection."""
    from scipy.special import ndtr

    half = int(np.ceil(4 * blur))
    weight = np.exp(-0.5 * (np.arange(-half, half + 1) / blur) ** 2)
    weight /= weight.sum()
    near = np.lib.stride_tricks.sliding_window_view(np.pad(offset, half, mode="edge"), 2 * half + 1)
    low, high = near.min(axis=1), near.max(axis=1)
    for _ in range(14):
        middle = (low + high) / 2
        inside = ndtr((middle[:, None] - near) / blur) @ weight > 0.5
        low, high = np.where(inside, low, middle), np.where(inside, middle, high)
    return np.asarray((low + high) / 2, np.float64)


def _without_channels(place: Floats, width: int, depth: float) -> Floats:
    """Fill narrow deep slots in the floor of an opening (NaN: bottomless) with the level of their shoulders."""
    known = np.where(np.isfinite(place), place, 1e6).astype(np.float32)
    kernel = np.ones((1, max(1, width)), np.uint8)
    opened = cv2.morphologyEx(known[None, :], cv2.MORPH_OPEN, kernel, borderType=cv2.BORDER_REPLICATE)[0]
    shallow = np.where(opened > 1e5, np.nan, opened)
    return np.where((known - opened > depth) & (opened > depth), shallow, place)
