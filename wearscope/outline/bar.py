"""A round bar across the picture: its two sides, nearly parallel, each followed at sub-pixel.

The search runs on the small copy: along the true direction of the axis the light steps at both sides all the way, so the
mean gradient across it has two narrow peaks; grinding lines, highlights and grain average out. The outermost two are the sides.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.lines import fit_line
from wearscope.outline.gate import EdgeView, edge_flags, exposure_flags
from wearscope.outline.segments import link_segments, straight_segments
from wearscope.photo.read import Photo
from wearscope.photo.small import SmallCopy
from wearscope.subpixel.profile import StepFits, measure_steps
from wearscope.subpixel.trace import LUMINANCE, Frame, Strip, Trace, straighten, trace_edge

__all__ = ["Bar", "NotABar", "Side", "find_bar"]

Floats = NDArray[np.float64]

_DIRECTIONS = 12
"""So many of the longest straight pieces are tried as directions of the axis: the sides are the longest edges in the picture, but a
worn finish can break them up."""
_FAINT = 0.2
"""A side steps at least this share as strongly as the other: limb and ground are lit alike on both."""
_CLEAR = 6.0
"""Robust standard deviations of the mean gradient from place to place (shading, grinding lines) that a side stands out by."""
_NARROWEST_PX = 24.0
"""A thinner bar (small picture) has too little surface between its sides to be told from a scratch or a wire."""
_MARGIN_PX = 12.0
"""Ground that must be in the picture beside a side, so that its light is known."""
_PIECES = 24
_STEPS = 96


class NotABar(Exception):
    """No round bar with both sides in this picture; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Side:
    """One side: a strip along it whose course is the straight line first found, and the edge in it, column by column.

    `edge_px` (columns,) is the distance of the edge from the axis line of the bar, growing outward, NaN where none was found.
    """

    strip: Strip
    trace: Trace
    edge_px: Floats


@dataclass(frozen=True, slots=True)
class Bar:
    """`axis`: the frame of the axis line (`along` it, `into` from the first side to the second); `s_px` (n,) places along it
    where both sides lie in the picture; `sides`; `blur_px`: sigma_b; `flags` of the picture and of both sides."""

    axis: Frame
    s_px: Floats
    sides: tuple[Side, Side]
    blur_px: float
    flags: tuple[str, ...]

    @property
    def width_px(self) -> Floats:
        """Distance of the sides (n,), NaN where one was not found."""
        return self.sides[0].edge_px + self.sides[1].edge_px

    @property
    def middle_px(self) -> Floats:
        """Offset of the middle between the sides from the axis line (n,), growing toward the second side."""
        return np.asarray((self.sides[1].edge_px - self.sides[0].edge_px) / 2)

    def leaves_frame(self) -> tuple[bool, bool]:
        """Does the bar run on to where its sides leave the picture, at the lower and at the upper end of `s_px`?"""
        near = max(8, len(self.s_px) // 40)
        seen = np.isfinite(self.width_px)
        return bool(seen[:near].mean() > 0.5), bool(seen[-near:].mean() > 0.5)


def find_bar(photo: Photo, *, reach_px: float = 24.0) -> Bar:
    """The two sides of the one bar in the picture, followed within `reach_px` of straight lines.

    Raises NotABar with a sentence where there are no two sides.
    """
    small, step = photo.small, photo.small.step
    direction, low, high = _two_sides(small)
    lines = [_straightened(small, direction, offset) for offset in (low, high)]
    along, origins = _common_frame([line * step + (step - 1) / 2 for line in lines])
    normal = np.array([-along[1], along[0]])
    picture = photo.linear()
    middle = 0.5 * (origins[0] + origins[1])
    half = 0.5 * float((origins[1] - origins[0]) @ normal)
    s = _shared_range(photo.size, middle, along, normal * half)
    if len(s) < 100:
        raise NotABar("too little of both sides is in the picture: show the shank from side to side")
    axis = Frame(_pair(middle), _pair(along), _pair(normal))
    fits, courses = zip(
        *(_first_course(picture, axis, s, sign, half, 4.0 * step) for sign in (-1, 1)), strict=True
    )
    blur = float(np.median(np.concatenate([f.blur[f.ok] for f in fits])))
    views = [EdgeView(f, False, len(s), photo.size) for f in fits]
    flags = tuple(dict.fromkeys((*exposure_flags(small), *edge_flags(*views))))
    sides = [
        _followed(photo, axis, s, sign, course, blur, reach_px)
        for sign, course in zip((-1, 1), courses, strict=True)
    ]
    return Bar(axis, s, (sides[0], sides[1]), blur, flags)


def _pair(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _two_sides(small: SmallCopy) -> tuple[Floats, float, float]:
    """Direction of the axis and the offsets (along the normal, from the centre) of the two sides, small px."""
    chains = link_segments(straight_segments(small))[: 3 * _DIRECTIONS]
    ends = [(c.points[0], c.points[-1]) for c in chains]
    directions = [(b - a) / max(float(np.hypot(*(b - a))), 1e-9) for a, b in ends]
    grey = _smooth_grey(small)
    gradient = _sobel(grey, 1, 0), _sobel(grey, 0, 1)
    tried: list[Floats] = []
    best: tuple[float, Floats, float, float] | None = None
    for direction in directions:
        if any(abs(float(direction @ other)) > np.cos(np.radians(0.7)) for other in tried):
            continue
        tried.append(direction)
        found = _outermost(gradient, direction)
        if found is not None and (best is None or found[0] > best[0]):
            best = (found[0], direction, found[1], found[2])
        if len(tried) == _DIRECTIONS:
            break
    if best is None:
        raise NotABar(
            "no two parallel sides of a round bar: show the shank from side to side on a plain ground, or lit from behind"
        )
    return best[1], best[2], best[3]


def _smooth_grey(small: SmallCopy) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(small.grey, (0, 0), 1.0), np.float32)


def _sobel(grey: NDArray[np.float32], x: int, y: int) -> NDArray[np.float32]:
    return np.asarray(cv2.Sobel(grey, cv2.CV_32F, x, y, scale=0.125), np.float32)


def _outermost(
    gradient: tuple[NDArray[np.float32], NDArray[np.float32]], direction: Floats
) -> tuple[float, float, float] | None:
    """(strength, offset, offset) of the first and last narrow peak of the mean gradient across a direction."""
    normal = np.array([-direction[1], direction[0]])
    across = gradient[0] * np.float32(normal[0]) + gradient[1] * np.float32(normal[1])
    height, width = across.shape
    y, x = np.mgrid[:height, :width].astype(np.float32)
    offset = (x - (width - 1) / 2) * normal[0] + (y - (height - 1) / 2) * normal[1]
    place = np.rint(offset).astype(int)
    first = int(place.min())
    count = np.bincount((place - first).ravel())
    mean = np.bincount((place - first).ravel(), weights=across.ravel()) / np.maximum(count, 1)
    usable = count > 0.4 * count.max()
    narrow = np.abs(mean - cv2.GaussianBlur(mean[None], (0, 0), 6.0, borderType=cv2.BORDER_REPLICATE)[0])
    narrow[~usable] = 0.0
    noise = 1.4826 * float(np.median(narrow[usable])) + 0.02  # a fiftieth of a grey level: of a plain drawing
    peak = (narrow >= np.roll(narrow, 1)) & (narrow > np.roll(narrow, -1))
    peak &= narrow > max(_FAINT * float(narrow.max()), _CLEAR * noise)
    at = np.flatnonzero(peak)
    if len(at) < 2 or at[-1] - at[0] < _NARROWEST_PX:
        return None
    return float(min(narrow[at[0]], narrow[at[-1]])), float(at[0] + first), float(at[-1] + first)


def _straightened(small: SmallCopy, direction: Floats, offset: float) -> Floats:
    """The side near a line, as points (n, 2) on it: the strongest step near the line in each of some pieces."""
    width, height = small.size
    normal = np.array([-direction[1], direction[0]])
    centre = np.array([(width - 1) / 2, (height - 1) / 2]) + offset * normal
    reach = np.hypot(width, height) / 2
    t = np.arange(-reach, reach)
    points = centre + t[:, None] * direction
    inside = ((points >= 8) & (points <= np.array([width, height]) - 9)).all(axis=1)
    points = points[inside]
    d = np.arange(-7, 8)
    at = points[:, None] + d[None, :, None] * normal
    grey = _smooth_grey(small)
    values = cv2.remap(grey, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR)
    step = np.diff(values, axis=1)
    rows = [piece for piece in np.array_split(np.arange(len(points)), _PIECES) if len(piece)]
    sign = np.sign(step.sum())
    place = np.array([d[0] + 0.5 + int(np.argmax(sign * step[piece].mean(axis=0))) for piece in rows])
    found = np.array([points[piece].mean(axis=0) for piece in rows]) + place[:, None] * normal
    if len(found) < 3 or np.ptp(found, axis=0).max() == 0:
        raise NotABar("too little of both sides is in the picture: show the shank from side to side")
    line = fit_line(found)
    ahead = np.array(line.direction) * np.sign(float(np.array(line.direction) @ direction))
    return np.asarray(np.array(line.centre) + np.linspace(-1, 1, 3)[:, None] * ahead * len(points) / 2)


def _common_frame(lines: list[Floats]) -> tuple[Floats, list[Floats]]:
    """The mean direction of two lines, and where they cross a common normal near their middle."""
    directions = [(line[-1] - line[0]) / np.hypot(*(line[-1] - line[0])) for line in lines]
    along = directions[0] + directions[1]
    along = along / np.hypot(*along)
    middle = 0.5 * (lines[0][1] + lines[1][1])
    origins = [
        line[1] + d * float((middle - line[1]) @ along) / float(d @ along)
        for line, d in zip(lines, directions, strict=True)
    ]
    return along, origins


def _shared_range(size: tuple[int, int], middle: Floats, along: Floats, aside: Floats) -> Floats:
    """Whole px along the axis where both sides lie inside the picture."""
    reach = int(np.hypot(*size))
    s = np.arange(-reach, reach + 1, dtype=float)
    inside = np.ones(len(s), bool)
    for sign in (-1, 1):
        at = middle + sign * (aside + _MARGIN_PX * aside / np.hypot(*aside)) + s[:, None] * along
        inside &= ((at >= 1) & (at <= np.array(size) - 2)).all(axis=1)
    return s[inside]


def _first_course(
    picture: NDArray[np.float32], axis: Frame, s: Floats, sign: int, half: float, reach: float
) -> tuple[StepFits, Floats]:
    """Steps fitted at some places along a side, and the straight line through them: distance from the axis at each s."""
    at = np.linspace(s[0], s[-1], _STEPS)
    outward = sign * np.array(axis.into)
    points = axis.to_photo(at, np.full(len(at), sign * half))
    fits = measure_steps(picture, points, np.tile(outward, (len(at), 1)), half_px=max(reach, 12.0))
    good = fits.ok & (fits.blur < reach)
    if good.sum() < _STEPS // 4:
        raise NotABar(
            "a side of the shank does not stand out from the ground: use a plain lighter or darker ground"
        )
    line = fit_line(np.column_stack([at[good], half + fits.position[good]]))
    slope = line.direction[1] / line.direction[0]
    return fits, line.centre[1] + slope * (s - line.centre[0])


def _followed(
    photo: Photo, axis: Frame, s: Floats, sign: int, course: Floats, blur: float, reach: float
) -> Side:
    """The edge followed twice: about the line, then about the gentle curve found first."""
    frame = Frame(axis.origin_px, axis.along, _pair(-sign * np.array(axis.into)))
    band = max(reach, 12 * blur)

    def trace(course: Floats) -> tuple[Strip, Trace]:
        strip = straighten(
            photo.linear_bgr,
            photo.size,
            frame,
            s_px=s,
            course_px=-course,
            d_range=(-band, band),
            weights=LUMINANCE,
        )
        filled = Strip(frame, _filled(strip.light), s, strip.d_px, strip.course_px, strip.top)
        return filled, trace_edge(filled, blur_px=blur)

    strip, first = trace(course)
    seen = np.isfinite(first.offset_px)
    if seen.sum() < 50:
        raise NotABar(
            "a side of the shank does not stand out from the ground: use a plain lighter or darker ground"
        )
    bend = np.polynomial.Polynomial.fit(s[seen], _medians(first.offset_px[seen]), 3)
    strip, second = trace(course - np.clip(bend(s), -band / 2, band / 2))
    return Side(strip, second, -(strip.course_px + second.offset_px))


def _medians(values: Floats) -> Floats:
    """Each value replaced by the median of its surroundings (an eighth of all): damage is shorter than that."""
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(values, max(3, len(values) // 8), mode="nearest"), np.float64)


def _filled(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Places outside the photo repeat the nearest row inside."""
    known = np.isfinite(light)
    if known.all():
        return light
    rows = np.arange(len(light))[:, None]
    last = np.maximum.accumulate(np.where(known, rows, -1), axis=0)
    following = np.minimum.accumulate(np.where(known, rows, len(light))[::-1], axis=0)[::-1]
    nearest = np.where(last >= 0, last, np.where(following < len(light), following, 0))
    filled = np.take_along_axis(light, nearest, axis=0)
    return np.where(np.isfinite(filled), filled, np.float32(np.nanmedian(light)))
