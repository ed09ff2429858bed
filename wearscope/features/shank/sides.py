"""Both sides of a shank as curves, and what departs from them: burrs stand out, grooves lie in."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.features.shank.course import DAMAGE, Course, course_of
from wearscope.features.shank.part import CannotTell
from wearscope.geometry.baseline import moving_mean, tail_sigma
from wearscope.outline.bar import Bar, Side
from wearscope.photo.read import Photo
from wearscope.subpixel.trace import LUMINANCE, Strip, Trace, running_median, straighten, trace_edge

__all__ = ["Damage", "Shank"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_SEEN = 0.8
"""Share of both sides that must be found: damage may hide a fifth of a shank, not more."""
_LEAST_LENGTH = 0.4
"""Shortest stretch that shows straightness, as a share of the diameter: a collet holds one or two diameters."""
_FRONT_LIT = 0.08
"""Linear light of the bar's middle, as a share of full scale, from which its surface can be looked at: eight-bit codes of grinding lines
then differ by more than one."""


@dataclass(frozen=True, slots=True)
class Damage:
    """One place where a side departs from its curve: `s_px`, `size_px` outward (negative: a groove), `length_px`, which side."""

    s_px: float
    size_px: float
    length_px: float
    side: int


@dataclass(frozen=True, slots=True)
class Shank:
    """Both sides as curves over `s_px` with what departs from them.

    `limb_px` is how much darker limbs move both sides inward together, `level_px` the standard uncertainty of one side from uneven
    light, `floor_px` the smallest burr that would show. `clear`: ground and shank differ enough for one to show at all;
    `on_dark`: the ground is darker than the shank.
    """

    bar: Bar
    s_px: Floats
    courses: tuple[Course, Course]
    damages: tuple[Damage, ...]
    limb_px: float
    level_px: float
    floor_px: float
    clear: bool
    on_dark: bool
    front_lit: bool

    @classmethod
    def of(cls, photo: Photo, bar: Bar, part: slice) -> "Shank":
        s = bar.s_px[part]
        seen = np.isfinite(bar.width_px[part])
        width = float(np.nanmedian(bar.width_px[part])) if seen.any() else 0.0
        if len(s) < 100 or seen.mean() < _SEEN:
            raise CannotTell(
                "too little of both sides is seen: show the shank from side to side on a plain ground"
            )
        if len(s) < _LEAST_LENGTH * width:
            raise CannotTell(
                "too short a stretch of the shank is in the picture: show at least half a diameter of it"
            )
        courses = [
            course_of(s[k], side.edge_px[part][k])
            for side in bar.sides
            for k in [np.isfinite(side.edge_px[part])]
        ]
        sides = [_departures(photo, bar, n, s, course) for n, course in enumerate(courses)]
        middle = _surface_light(photo, bar, s, 0.3 * width)
        return cls(
            bar,
            s,
            (courses[0], courses[1]),
            tuple(d for side in sides for d in side.damages),
            sum(_limb(side, bar.blur_px) for side in bar.sides),
            max(side.level_px for side in sides),
            max(side.floor_px for side in sides),
            all(side.clear for side in sides),
            any(float(np.nanmedian(side.trace.inside - side.trace.outside)) > 0 for side in bar.sides),
            middle > _FRONT_LIT,
        )

    @property
    def width_px(self) -> Floats:
        """Distance of the two curves, square to their middle (what cuts may have turned the bar's axis), darker limbs allowed for."""
        lean = np.gradient(self.middle_px, self.s_px)
        return (self.courses[0](self.s_px) + self.courses[1](self.s_px)) / np.hypot(1.0, lean) + self.limb_px

    @property
    def middle_px(self) -> Floats:
        return (self.courses[1](self.s_px) - self.courses[0](self.s_px)) / 2

    def point(self, damage: Damage) -> tuple[float, float]:
        sign = (-1, 1)[damage.side]
        d = sign * (float(self.courses[damage.side](np.array([damage.s_px]))[0]) + damage.size_px)
        at = self.bar.axis.to_photo(np.array([damage.s_px]), np.array([d]))[0]
        return float(at[0]), float(at[1])

    def line(self, side: int) -> Floats:
        s = self.s_px[:: max(1, len(self.s_px) // 200)]
        return self.bar.axis.to_photo(s, (-1, 1)[side] * self.courses[side](s))


def _surface_light(photo: Photo, bar: Bar, s: Floats, reach: float) -> float:
    at = bar.axis.to_photo(s[:: max(1, len(s) // 60), None], np.linspace(-reach, reach, 41)[None, :]).reshape(
        -1, 2
    )
    size = np.array(photo.size) - 1
    x, y = np.clip(np.rint(at), 0, size).astype(int).T
    return float(np.percentile(photo.linear()[y, x], 75))


def _limb(side: Side, blur: float) -> float:
    """How far (px) the half level lies inside the true side (negative: outside) because a round surface changes its light towards it.

    The mean profile inside is drawn on to the side as a straight line from what lies 2 to 5 blurs in, and a half level between that and
    the ground is found for a Gaussian blur; a surface that darkens no further near the side gives 0.
    """
    strip, offset = side.strip, side.trace.offset_px
    seen = np.flatnonzero(np.isfinite(offset))
    seen = seen[:: max(1, len(seen) // 200)]
    d = np.arange(-6.0, 6.5, 0.5) * blur
    rows = np.clip(np.rint(offset[seen] + d[:, None] - strip.d_px[0]).astype(int), 0, len(strip.d_px) - 1)
    mean = np.median(strip.light[rows, seen], axis=1)
    ground = float(np.median(mean[d <= -2.5 * blur]))
    inside = (d >= 2 * blur) & (d <= 5 * blur)
    _, start = np.polyfit(d[inside], mean[inside], 1)
    used, true = float(np.median(mean[inside])) - ground, start - ground
    if used * true <= 0:
        return 0.0
    return float(np.sqrt(np.pi / 2) * blur * np.clip(used / true - 1, -0.8, 0.8))


@dataclass(frozen=True, slots=True)
class _Edge:
    """What one side shows beside its curve (see `Shank`)."""

    damages: tuple[Damage, ...]
    floor_px: float
    level_px: float
    clear: bool


def _departures(photo: Photo, bar: Bar, n: int, s: Floats, course: Course) -> _Edge:
    """Burrs and grooves of one side."""
    blur, side = bar.blur_px, bar.sides[n]
    band = (float(side.strip.d_px[0]), float(side.strip.d_px[-1]))
    strip = straighten(
        photo.linear_bgr,
        photo.size,
        side.strip.frame,
        s_px=s,
        course_px=-course(s),
        d_range=band,
        weights=LUMINANCE,
    )
    known = np.isfinite(strip.light)
    light = np.asarray(np.where(known, strip.light, np.nanmedian(strip.light)), np.float32)
    smooth_light = cv2.GaussianBlur(light, (0, 0), 0.5 * blur, borderType=cv2.BORDER_REPLICATE)
    strip = replace(strip, light=np.asarray(smooth_light, np.float32))
    trace = trace_edge(replace(strip, light=light), blur_px=blur)
    share = _share(strip, trace, blur)
    walked = _walked(share, strip.d_px, blur)
    near = np.isfinite(trace.offset_px) & (np.abs(trace.offset_px - walked) < blur)
    inward = np.where(near, trace.offset_px, walked)
    usual = float(np.median(inward))
    smooth = moving_mean(inward - usual, 2 * int(1.5 * blur) + 1)
    scatter, level = max(tail_sigma(smooth), 0.02), float(np.nanmedian(trace.level_px))
    floor = max(DAMAGE * scatter, 2 * level)
    found = tuple(
        Damage(*_largest(s, inward - usual, begin, end), n)
        for sign in (-1, 1)
        for begin, end in _runs(sign * smooth > floor, int(2 * blur))
    )
    grain = 1.4826 * np.median(np.abs(share[strip.d_px < -3 * blur]), axis=0)
    return _Edge(found, floor, level, bool(np.percentile(grain, 90) < 1 / (2 * DAMAGE)))


def _share(strip: Strip, trace: Trace, blur: float) -> Floats:
    """How far the light has gone from the ground's level (0) to the bar's (1) at each place of a strip."""
    wide = max(96 * blur, len(strip.s_px) / 5)
    ground, usual = running_median(trace.outside, wide), running_median(trace.inside - trace.outside, wide)
    return np.asarray((strip.light - ground) / np.where(np.abs(usual) > 1e-6, usual, 1e-6), np.float64)


def _walked(share: Floats, d_px: Floats, blur: float) -> Floats:
    """Where the bar ends in each column (px, growing inward): walking from its curve, outward through what stands out, or inward
    through what is missing, as far as the light is nearer to the bar's than to the ground's beside it."""
    share = np.abs(share)
    start = int(np.argmin(np.abs(d_px - 2 * blur)))
    out, into = share[start::-1] < 0.5, share[start:] > 0.5
    columns = np.arange(share.shape[1])
    stays = share[start] > 0.5
    row = np.where(stays, start - np.argmax(out, axis=0), start + np.argmax(into, axis=0))
    reached = np.where(stays, out.any(axis=0), into.any(axis=0))
    low = np.clip(np.where(stays, row, row - 1), 0, len(share) - 2)
    high = low + 1
    a, b = share[low, columns], share[high, columns]
    place = d_px[low] + np.clip((0.5 - a) / np.where(b != a, b - a, 1.0), 0, 1)
    return np.asarray(np.where(reached, place, np.where(stays, d_px[0], d_px[-1])), np.float64)


def _largest(s: Floats, inward: Floats, begin: int, end: int) -> tuple[float, float, float]:
    """Where a departure is largest, its size outward (mean of the three largest neighbours), and its length."""
    piece = moving_mean(inward[begin:end], 3)
    k = int(np.argmax(np.abs(piece)))
    return float(s[begin + k]), -float(piece[k]), float(end - begin)


def _runs(true: Bools, least: int) -> Iterator[tuple[int, int]]:
    """(begin, end) of every run of True at least `least` long."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true.astype(int), [0]])))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin >= max(least, 2):
            yield int(begin), int(end)
