"""Close-ups along one cutting edge: the line that parts rough metal from blurred ground, and the edge followed along it."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.outline.gate import exposure_flags
from wearscope.outline.shape import Outline
from wearscope.photo.read import Photo
from wearscope.subpixel.path import best_path
from wearscope.subpixel.trace import LUMINANCE, Frame, straighten

__all__ = [
    "COLUMN_PX",
    "GRAIN_PX",
    "Edge",
    "EdgeLine",
    "at_half",
    "find_edge",
    "find_edge_line",
    "grouped",
    "lightness",
    "off_trend",
    "parting_line",
    "spread",
]

Floats = NDArray[np.float64]

COLUMN_PX = 4
"""Columns are judged in groups of this many px: finer detail of an edge or a land is grain."""
GRAIN_PX = 11
"""Side of the neighbourhood in which roughness is judged, px of the small picture."""
_CLEAR = 0.5
"""A line that puts a quarter of either side wrong scores 0.5: rough and smooth then do not lie side by side."""
_TURN = np.radians(3.0)
_OUT_PX, _REACH_PX, _FLANK_PX = 150, 90, 260
"""Rows of the strip outside the first line (which may lie on the border of a wide smooth land), inside it in which
the edge is sought, and to where the flank begins at the latest."""
_GROUND_PX, _GAP_PX = 45, 8
"""The ground is known from this many rows, this far outside the edge (blur and stuck grains stay out)."""
_ALONG = 61
"""Column groups (244 px) over which the ground's shading is taken as the same."""
_DOUBT = 2.5
"""Log-likelihood lost before a row counts as no longer ground: 2.2 standard deviations of the ground's noise."""
_MOST = 8.0
"""The most one row can lose (4 standard deviations): a speck on the ground is no edge."""
_CODE = 0.004
"""Lightness of one code of 8 bit."""
_STIFFNESS = 2.0
_SUDDEN = 8.0
"""Standard deviations of the ground's change over 8 rows that only an edge reaches (shading alone makes one or two)."""
_LEAST_COLUMNS = 200
_ROUGHER = 2.0
"""Metal in focus has at least this many times the grain of a ground out of focus."""
_BENT, _WILD = 0.03, 0.01
"""A cutting edge bends by less than the first and wanders by less than the second share of its length; the outline of
a corner does not."""
_LOST = 0.1
"""An edge that leaves the strip along more than this share of its length is no edge that runs through the picture."""


@dataclass(frozen=True, slots=True)
class EdgeLine:
    """A straight line near the edge: `frame` (along, into the cutter), `length_px` to both sides of its origin."""

    frame: Frame
    length_px: float
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Edge:
    """The edge, one value per group of columns, px: place along (`s_px`), distance of the visible edge (`edge_px`) and of
    the undamaged one (`course_px`) from the axis of `frame`, growing into the cutter."""

    frame: Frame
    s_px: Floats
    edge_px: Floats
    course_px: Floats
    ground_light: float
    flags: tuple[str, ...] = ()

    @property
    def missing_px(self) -> Floats:
        """What is missing from the undamaged edge; negative: material stands out."""
        return self.edge_px - self.course_px

    @property
    def ragged_px(self) -> float:
        """How far the edge wanders from the undamaged one (robust standard deviation)."""
        return spread(np.abs(self.missing_px))

    @property
    def bend_px(self) -> float:
        """How far the undamaged edge departs from the straight line between its ends."""
        chord = np.linspace(self.course_px[0], self.course_px[-1], len(self.course_px))
        return float(np.abs(self.course_px - chord).max())

    def points(self, d_px: Floats) -> Floats:
        """Photo points (n, 2) at distance `d_px` (n,) from the frame's axis."""
        return self.frame.to_photo(self.s_px, d_px)

    def outline(self, size: tuple[int, int]) -> Outline:
        """The same as an outline of a photo of `size` (width, height), with the cutter's side as its mask."""
        width, height = size
        step = -(-max(size) // 640)
        x, y = np.meshgrid(*((np.arange(side // step) + 0.5) * step - 0.5 for side in (width, height)))
        s, d = self.frame.to_strip(np.stack([x.ravel(), y.ravel()], axis=1))
        mask = (d > np.interp(s, self.s_px, self.edge_px)).reshape(x.shape)
        (ax, ay), (bx, by) = self.frame.along, self.frame.into
        points = self.points(self.edge_px)
        return Outline(points if ax * by > ay * bx else points[::-1], mask, step, None)


def find_edge(photo: Photo) -> Edge | None:
    """The edge of a close-up, followed along its whole visible length; None where no edge runs through the picture."""
    line = find_edge_line(photo)
    return None if line is None else _follow(photo, line)


def find_edge_line(photo: Photo) -> EdgeLine | None:
    """The edge of a close-up to within a few px of the small picture, or None where the picture has no two halves."""
    small, step = photo.small, photo.small.step
    roughness = np.log(cv2.boxFilter(small.slope, -1, (GRAIN_PX, GRAIN_PX)) + 0.3)
    roughness = np.minimum(roughness, np.percentile(roughness, 75))  # a land's own borders are no third class
    levels = np.asarray(255 * (roughness - roughness.min()) / max(float(np.ptp(roughness)), 1e-6), np.uint8)
    threshold, _ = cv2.threshold(levels, 0, 255, cv2.THRESH_OTSU)
    score, angle, offset = parting_line(levels > threshold)
    if score < _CLEAR:
        return None
    into = np.array([np.cos(angle), np.sin(angle)])
    width, height = small.size
    origin = (np.array([(width - 1) / 2, (height - 1) / 2]) + offset * into) * step + (step - 1) / 2
    frame = Frame(
        (float(origin[0]), float(origin[1])),
        (float(-into[1]), float(into[0])),
        (float(into[0]), float(into[1])),
    )
    return EdgeLine(frame, float(np.hypot(*photo.size)) / 2, exposure_flags(small))


def parting_line(rough: NDArray[np.bool_], *, turn: float = _TURN) -> tuple[float, float, float]:
    """(score 0 to 1, angle of the normal into the rough side, offset from the centre) of the best straight parting."""
    height, width = rough.shape
    y, x = np.mgrid[:height, :width]
    x, y = x - (width - 1) / 2, y - (height - 1) / 2
    share = np.where(rough, 1.0 / max(rough.sum(), 1), -1.0 / max((~rough).sum(), 1))
    best = (-1.0, 0.0, 0.0)
    for angle in np.arange(0.0, 2 * np.pi, turn):
        rank = np.rint(x * np.cos(angle) + y * np.sin(angle)).astype(int)
        first = int(rank.min())
        wrong = np.cumsum(np.bincount((rank - first).ravel(), weights=share.ravel()))
        k = int(np.argmin(wrong))
        if -wrong[k] > best[0]:
            best = (float(-wrong[k]), float(angle), first + k + 0.5)
    return best


def lightness(light: NDArray[np.float32]) -> Floats:
    """About the L* of CIE Lab, 0..1: even steps to the eye, and grain of even size in light and dark."""
    return np.asarray(np.cbrt(np.maximum(light, 1e-4)), np.float64)


def grouped(values: Floats) -> Floats:
    """Means (rows, groups) of groups of columns; what is left over at the end is dropped."""
    count = values.shape[1] // COLUMN_PX
    return np.asarray(values[:, : count * COLUMN_PX].reshape(len(values), count, COLUMN_PX).mean(axis=2))


def off_trend(
    values: Floats, usable: NDArray[np.bool_], basis: Sequence[Floats], *, columns: int
) -> tuple[Floats, float]:
    """How far `values` lie from what changes with depth as `basis` can and slowly along the edge, and the usable ones' scatter.

    For each column the best sum of the functions in `basis` through the usable values of the nearest `columns` columns, robust
    against a minority that lies off it. All arrays (rows, columns).
    """

    def near(parts: list[Floats]) -> Floats:
        sums = np.stack([part.sum(axis=0) for part in parts])
        return np.asarray(cv2.blur(sums, (columns, 1), borderType=cv2.BORDER_REPLICATE))

    size = len(basis)
    products = [first * second for first in basis for second in basis]
    weight = usable.astype(float)
    for _ in range(4):
        left = near([weight * product for product in products]).T.reshape(-1, size, size)
        right = near([weight * values * function for function in basis]).T[..., None]
        solved = np.linalg.solve(left + 1e-3 * np.eye(size), right)[..., 0].T
        off = values - sum(c * function for c, function in zip(solved, basis, strict=True))
        scatter = spread(np.abs(off[usable]))
        weight = usable * np.minimum(1.0, np.maximum(1.5 * scatter, 1e-3) / np.maximum(np.abs(off), 1e-9))
    return np.asarray(off), scatter


def spread(sizes: Floats) -> float:
    """Robust standard deviation of what has these sizes."""
    return 1.4826 * float(np.median(sizes)) + 1e-6


def at_half(unlike: Floats, path: NDArray[np.int64], outward: int) -> Floats:
    """The path moved (by up to 7 rows) to where what lies on its inner side has faded to half.

    `outward`: +1 where rows grow away from the unlike side, -1 where they shrink.
    """
    reach = np.arange(-8, 7)
    rows = np.clip(path + outward * reach[:, None], 0, len(unlike) - 1)
    seen = cv2.blur(np.take_along_axis(unlike, rows, axis=0), (5, 1), borderType=cv2.BORDER_REPLICATE)
    half = 0.5 * seen[:6].mean(axis=0)
    return np.asarray(path + outward * ((seen > half).sum(axis=0) + reach[0] - 0.5))


def _follow(photo: Photo, line: EdgeLine) -> Edge | None:
    """None where too little of the edge lies in the picture or what lies behind it is no rougher than the ground."""
    s = np.arange(-round(line.length_px), round(line.length_px) + 1, dtype=float)
    strip = straighten(
        photo.linear_bgr,
        photo.size,
        line.frame,
        s_px=s,
        course_px=np.zeros(len(s)),
        d_range=(-_OUT_PX, _FLANK_PX),
        weights=LUMINANCE,
    )
    seen = np.asarray(np.isfinite(strip.light[_OUT_PX - 40 : _OUT_PX + 60]).all(axis=0))
    if seen.sum() < _LEAST_COLUMNS:
        return None
    columns = slice(int(np.argmax(seen)), len(seen) - int(np.argmax(seen[::-1])))
    known = np.isfinite(strip.light[:, columns]).mean(axis=1)
    first = int(np.argmax(known > 0.9))
    whole = _filled(lightness(strip.light[first:, columns]))
    light, fine = grouped(whole), grouped(_scatter(whole))
    s = s[columns][: light.shape[1] * COLUMN_PX].reshape(-1, COLUMN_PX).mean(axis=1)
    last = _OUT_PX + _REACH_PX - first
    row, quiet = _ground_path(light[:last], fine[:last], _OUT_PX - first)
    behind = fine[last:][known[first + last :] > 0.5]
    rough = float(np.median(behind)) if len(behind) else float(np.median(fine[_OUT_PX - first :]))
    if rough < _ROUGHER * quiet or np.mean((row < _GAP_PX) | (row > last - _GAP_PX)) > _LOST:
        return None
    edge, ground = row + first - _OUT_PX, float(np.nanmedian(strip.light[: _OUT_PX - 40, columns]))
    found = Edge(line.frame, s, edge, _undamaged(s, edge), ground, line.flags)
    return None if found.bend_px > _BENT * np.ptp(s) or found.ragged_px > _WILD * np.ptp(s) else found


def _filled(light: Floats) -> Floats:
    """Rows outside the photo repeat the nearest one inside, columns without any the median of all."""
    for _ in range(2):
        known = np.isfinite(light)
        row = np.where(known, np.arange(len(light))[:, None], 0)
        light = np.take_along_axis(light, np.maximum.accumulate(row, axis=0), axis=0)[::-1]
    return np.where(np.isfinite(light), light, np.nanmedian(light))


def _scatter(light: Floats) -> Floats:
    """Standard deviation in 9 columns and 3 rows."""
    mean = cv2.blur(light, (9, 3))
    return np.asarray(np.sqrt(np.maximum(cv2.blur(light**2, (9, 3)) - mean**2, 0.0)))


def _ground_path(light: Floats, fine: Floats, about: int) -> tuple[Floats, float]:
    """Row per column group where the strip stops looking like the ground outside it: other light, or grain.

    `fine`: the light's scatter within a few px, which blur smooths away on the ground. The most likely path, with ground on its
    outer side and anything on its inner one, sought from row `about`. Also the ground's own scatter.
    """
    rows = np.arange(len(light))[:, None]
    s = COLUMN_PX * np.arange(light.shape[1], dtype=float)
    line = _undamaged(s, _outermost_step(light, about))
    gap = 2 * _GAP_PX
    for _ in range(3):
        line = np.maximum(line, gap + _GAP_PX)
        depth = np.minimum((rows - line) / _GROUND_PX, 2.0)
        even = np.ones_like(depth)
        near = rows > line - gap - _GROUND_PX
        outside = np.asarray((rows < line - gap) & near)
        shading = (even, depth, np.minimum(depth, 0.0) ** 2)
        off, _ = off_trend(light, outside, shading, columns=_ALONG)
        rough, _ = off_trend(fine, outside, (even,), columns=_ALONG)
        # shading is known less well the farther inside
        noise = _sparse_spread(off[outside]) * (1 + 2 * np.maximum(depth, 0.0))
        doubt = np.where(near, np.maximum(np.abs(off) / noise, rough / _sparse_spread(rough[outside])), 0.0)
        path = best_path(-np.cumsum(np.minimum(doubt**2 / 2, _MOST) - _DOUBT, axis=0), stiffness=_STIFFNESS)
        line = _undamaged(s, path.astype(float))
        gap = _GAP_PX
    return at_half(np.abs(off), path + 1, -1), float(np.median(fine[outside]))


def _sparse_spread(off: Floats) -> float:
    """Standard deviation from the largest tenth: compression leaves noise in a few blocks only; at least one code."""
    return max(float(np.percentile(np.abs(off), 90)) / 1.645, _CODE)


def _outermost_step(light: Floats, about: int) -> Floats:
    """For each column group the outermost row where the light changes faster than the ground's noise, else `about`."""
    step = np.zeros_like(light)
    step[4:-4] = np.abs(cv2.blur(light[8:] - light[:-8], (9, 1)))
    sudden = step > _SUDDEN * max(spread(step[4 : max(about // 2, 12)]), _CODE)
    return np.where(sudden.any(axis=0), np.argmax(sudden, axis=0), about).astype(float)


def _undamaged(s: Floats, edge: Floats) -> Floats:
    """A parabola along the edge's outermost even parts: damage removes, stuck material adds."""
    weight = np.ones(len(s))
    line = np.full(len(s), np.median(edge))
    for _ in range(12):
        line = np.polynomial.Polynomial.fit(s, edge, 2, w=weight)(s)
        off = edge - line
        width = spread(np.abs(off)) + 0.5
        weight = np.minimum(1.0, width / np.maximum(np.abs(off), 1e-9)) * np.where(off > width, 0.3, 1.0)
    return line
