"""The shank: diameter along its length, straightness, taper, burrs that stand out, grooves, and scoring on its surface.

Both sides are followed at sub-pixel (`outline.bar`). Burrs and grooves are what departs from a gentle curve through most of a side;
straightness is that of the middle between the two curves. Scoring is looked for on the surface of a front-lit shank.
A photo knows its scale to a few tenths of a per cent at best: it does not decide a fit. That takes a micrometer.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.baseline import moving_mean, tail_sigma
from wearscope.geometry.scale import Scale
from wearscope.outline.bar import Bar, NotABar, Side, find_bar
from wearscope.outline.bar_surface import SurfaceLine, surface_lines
from wearscope.photo.read import Photo
from wearscope.quantity import ONE_SIDED_95, Quantity
from wearscope.subpixel.trace import LUMINANCE, Strip, Trace, running_median, straighten, trace_edge

__all__ = ["NAMES", "measure_shank"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NAMES = (
    "shank_diameter",
    "shank_straightness",
    "shank_taper",
    "shank_burr_max",
    "shank_score_max",
)
_REACH_MM = 0.12
"""Burrs and grooves are followed so far from the side: four times the usual discard limit of a burr (0.03 mm)."""
_DEGREE = 3
"""A bent or bowed shank is a gentle curve in one photo; more freedom would follow burrs."""
_DAMAGE = 4.0
"""A place departs from its side when it does by this many standard deviations of the side's own scatter."""
_TUKEY = 4.685
"""Tukey's constant for 95 % efficiency on normal scatter (Holland and Welsch 1977, from memory)."""
_SEEN = 0.8
"""Share of both sides that must be found: damage may hide a fifth of a shank, not more."""
_LEAST_LENGTH = 0.4
"""Shortest stretch that shows straightness, as a share of the diameter: a collet holds one or two diameters."""
_OFF_PRICE = 3.0
"""What a place off the line costs in places on it, when the end of a shank is looked for: a burr or a groove of a quarter of its length stays in."""
_FRONT_LIT = 0.08
"""Linear light of the bar's middle, as a share of full scale, from which its surface can be looked at: eight-bit codes of grinding lines
then differ by more than one."""
_LENS_FAR = "the lens is taken to be far away: a shank that leans toward it looks tapered, and a near lens shows it a little too wide"


class _CannotTell(Exception):
    """The sides were found, but not a shank that could be measured; the text says why."""


def measure_shank(photo: Photo, scale: Scale, *, view: str) -> Finding:
    """Diameter, straightness, taper, burrs, grooves and scoring of the shank (views `shank` and `profile`).

    On a `shank` view it runs out of the frame at both ends; on a `profile` view it leaves at one end, and what cuts is seen at the
    other. What cannot be measured is named with its reason.
    """
    try:
        bar = find_bar(photo, reach_px=max(16.0, _REACH_MM * scale.px_per_mm))
    except NotABar as reason:
        return Finding(not_measured=dict.fromkeys(NAMES, str(reason)), flags=("no_shank",))
    try:
        part = _whole(bar) if view == "shank" else _shank_of_profile(bar)
        shank = _Shank.of(photo, bar, part)
    except _CannotTell as reason:
        return Finding(not_measured=dict.fromkeys(NAMES, str(reason)), flags=(*bar.flags, "no_shank"))
    return _finding(photo, shank, scale)


def _whole(bar: Bar) -> slice:
    if not all(bar.leaves_frame()):
        raise _CannotTell(
            "an end of it is in the picture: show the shank from frame to frame, or the whole cutter with --view profile"
        )
    return slice(0, len(bar.s_px))


def _shank_of_profile(bar: Bar) -> slice:
    """The stretch from the frame's border on, as far as both sides keep to their lines."""
    low, high = bar.leaves_frame()
    if low == high:
        raise _CannotTell(
            "the tip is not in the picture: show it, or use --view shank for a shank alone"
            if low
            else "the shank does not reach the border of the picture: show it up to the border"
        )
    edges = [side.edge_px[::-1] if high else side.edge_px for side in bar.sides]
    stop = min(_keeps_to_line(edge, bar.blur_px) for edge in edges)
    count = len(bar.s_px)
    if stop > 0.95 * count:
        raise _CannotTell(
            "the shank cannot be told from what cuts: both are as wide; show the shank alone, with --view shank"
        )
    return slice(count - stop, count) if high else slice(0, stop)


def _keeps_to_line(edge: Floats, blur: float) -> int:
    """How many places from the first on lie on one straight line, but for damage."""
    count, noise = len(edge), max(0.3 * blur, 2 * _roughness(edge))
    best = (0.0, 0)
    for share in (0.08, 0.12, 0.2, 0.3, 0.45, 0.65, 1.0):
        first = np.arange(max(40, int(share * count)))
        first = first[first < count]
        first = first[np.isfinite(edge[first])]
        if len(first) < 30:
            continue
        line = _robust_course(first.astype(float), edge[first], 1)(np.arange(count, dtype=float))
        on = np.abs(edge - line) < _DAMAGE * noise
        worth = np.cumsum(np.where(on, 1.0, -_OFF_PRICE))
        stop = int(np.argmax(worth))
        if worth[stop] > best[0]:
            best = (float(worth[stop]), stop + 1)
    return best[1]


def _roughness(edge: Floats) -> float:
    steps = np.diff(edge)
    steps = steps[np.isfinite(steps)]
    return float(1.4826 * np.median(np.abs(steps))) if len(steps) else 0.0


@dataclass(frozen=True, slots=True)
class _Course:
    """A gentle curve through one side: `fit` with `covariance` of its coefficients (of s scaled to -1..1)."""

    fit: np.polynomial.Polynomial
    covariance: Floats
    scatter_px: float

    def __call__(self, s: Floats) -> Floats:
        return np.asarray(self.fit(s), np.float64)


def _robust_course(s: Floats, edge: Floats, degree: int) -> np.polynomial.Polynomial:
    """Tukey's weights about a curve that starts from the medians of the surroundings."""
    from scipy.ndimage import median_filter

    smooth = median_filter(edge, max(3, len(edge) // 8), mode="nearest")
    fit = np.polynomial.Polynomial.fit(s, smooth, degree)
    for _ in range(12):
        off = edge - fit(s)
        spread = 1.4826 * float(np.median(np.abs(off))) + 1e-6
        weight = np.maximum(1 - (off / (_TUKEY * spread)) ** 2, 0.0)
        fit = np.polynomial.Polynomial.fit(s, edge, degree, w=weight + 1e-9)
    return fit


def _correlation(off: Floats) -> float:
    """How many neighbouring places share one error: the integral of the autocorrelation as far as it stays positive."""
    count = len(off)
    power = np.abs(np.fft.rfft(off - off.mean(), 2 * count)) ** 2
    rho = np.fft.irfft(power)[: count // 8]
    rho = rho / max(float(rho[0]), 1e-12)
    ends = np.flatnonzero(rho < 0.05)
    return float(1 + 2 * rho[1 : (ends[0] if len(ends) else len(rho))].sum())


def _course(s: Floats, edge: Floats) -> _Course:
    fit = _robust_course(s, edge, _DEGREE)
    off = edge - fit(s)
    spread = 1.4826 * float(np.median(np.abs(off))) + 1e-6
    on = np.abs(off) < 4 * spread
    scatter = float(np.sqrt(np.mean(off[on] ** 2)))
    shared = _correlation(np.clip(off, -3 * spread, 3 * spread))
    x = 2 * (s[on] - s[0]) / max(float(s[-1] - s[0]), 1.0) - 1
    rows = np.vander(x, _DEGREE + 1, increasing=True)
    return _Course(fit, scatter**2 * shared * np.linalg.pinv(rows.T @ rows), scatter)


@dataclass(frozen=True, slots=True)
class _Damage:
    """One place where a side departs from its curve: `s_px`, `size_px` outward (negative: a groove), `length_px`, which side."""

    s_px: float
    size_px: float
    length_px: float
    side: int


@dataclass(frozen=True, slots=True)
class _Shank:
    """Both sides as curves over `s_px` with what departs from them.

    `limb_px` is how much darker limbs move both sides inward together, `level_px` the standard uncertainty of one side from uneven
    light, `floor_px` the smallest burr that would show. `clear`: ground and shank differ enough for one to show at all;
    `on_dark`: the ground is darker than the shank.
    """

    bar: Bar
    s_px: Floats
    courses: tuple[_Course, _Course]
    damages: tuple[_Damage, ...]
    limb_px: float
    level_px: float
    floor_px: float
    clear: bool
    on_dark: bool
    front_lit: bool

    @classmethod
    def of(cls, photo: Photo, bar: Bar, part: slice) -> "_Shank":
        s = bar.s_px[part]
        seen = np.isfinite(bar.width_px[part])
        width = float(np.nanmedian(bar.width_px[part])) if seen.any() else 0.0
        if len(s) < 100 or seen.mean() < _SEEN:
            raise _CannotTell(
                "too little of both sides is seen: show the shank from side to side on a plain ground"
            )
        if len(s) < _LEAST_LENGTH * width:
            raise _CannotTell(
                "too short a stretch of the shank is in the picture: show at least half a diameter of it"
            )
        courses = [
            _course(s[k], side.edge_px[part][k])
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
        """Distance of the two curves, darker limbs allowed for."""
        return self.courses[0](self.s_px) + self.courses[1](self.s_px) + self.limb_px

    @property
    def middle_px(self) -> Floats:
        return (self.courses[1](self.s_px) - self.courses[0](self.s_px)) / 2

    def point(self, damage: _Damage) -> tuple[float, float]:
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
    """What one side shows beside its curve (see `_Shank`)."""

    damages: tuple[_Damage, ...]
    floor_px: float
    level_px: float
    clear: bool


def _departures(photo: Photo, bar: Bar, n: int, s: Floats, course: _Course) -> _Edge:
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
    floor = max(_DAMAGE * scatter, 2 * level)
    found = tuple(
        _Damage(*_largest(s, inward - usual, begin, end), n)
        for sign in (-1, 1)
        for begin, end in _runs(sign * smooth > floor, int(2 * blur))
    )
    grain = 1.4826 * np.median(np.abs(share[strip.d_px < -3 * blur]), axis=0)
    return _Edge(found, floor, level, bool(np.percentile(grain, 90) < 1 / (2 * _DAMAGE)))


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


def _finding(photo: Photo, shank: _Shank, scale: Scale) -> Finding:
    quantities = {
        "edge_blur_width": Quantity(shank.bar.blur_px, "px", {"noise": 0.05 * shank.bar.blur_px}),
        "shank_diameter": scale.to_mm(_diameter(shank)),
        "shank_straightness": scale.to_mm(_straightness(shank, photo.size)),
        "shank_taper": _taper(shank),
    }
    missing = {}
    if shank.clear:
        quantities |= {
            "shank_burr_max": scale.to_mm(_burr(shank)),
            "shank_score_max": scale.to_mm(_score(shank)),
        }
    else:
        missing = dict.fromkeys(
            NAMES[-2:], "ground and shank are too alike beside a side: use a lighter or darker ground"
        )
    lines = _surface(photo, shank, scale)
    marks = [
        Mark(
            "burr" if d.size_px > 0 else "groove",
            shank.point(d),
            f"{'burr' if d.size_px > 0 else 'groove'} {abs(d.size_px) / scale.px_per_mm:.3f} mm",
        )
        for d in shank.damages
    ]
    marks += [
        Mark(
            "score",
            _pair(line.px[1]),
            f"line {line.kind} the shank, {line.width_px / scale.px_per_mm:.2f} mm wide",
        )
        for line in lines
    ]
    curves = [Curve("edge", shank.line(n)) for n in (0, 1)] + [Curve("score", line.px) for line in lines]
    marked = bool(lines) or any(True for _ in _around(shank))
    remarks = (_along(shank, scale), *_lines_in_words(lines), _LENS_FAR)
    flags = (*shank.bar.flags, *(("shank_marks",) if marked else ()))
    return Finding(quantities, missing, tuple(marks), flags, tuple(curves), remarks)


def _surface(photo: Photo, shank: _Shank, scale: Scale) -> tuple[SurfaceLine, ...]:
    if not shank.front_lit:
        return ()
    half = float(shank.width_px.mean()) / 2
    return surface_lines(photo, shank.bar, shank.s_px, half, px_per_mm=scale.px_per_mm)


def _lines_in_words(lines: tuple[SurfaceLine, ...]) -> Iterator[str]:
    meaning = {
        "around": "it may have turned in the collet",
        "along": "it may have slipped, or met dirt in the collet",
    }
    for kind, why in meaning.items():
        if count := sum(line.kind == kind for line in lines):
            yield f"{count} line{'s' if count > 1 else ''} {kind} the shank: {why}; look at the collet too"


def _pair(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _along(shank: _Shank, scale: Scale) -> str:
    width = shank.width_px / scale.px_per_mm
    length = len(shank.s_px) / scale.px_per_mm
    return f"shank {width[0]:.3f} mm, {np.median(width):.3f} mm and {width[-1]:.3f} mm across at the ends and in the middle of {length:.1f} mm"


def _diameter(shank: _Shank) -> Quantity:
    """The mean over the length; `form` is how it changes along."""
    width = shank.width_px
    noise = float(np.sqrt(sum(c.covariance[0, 0] for c in shank.courses)))
    return Quantity(
        float(width.mean()),
        "px",
        {
            "noise": noise,
            "level": float(np.sqrt(2)) * shank.level_px,
            "limb": abs(shank.limb_px) / 2,
            # blur is not quite Gaussian and limbs glow a little in a wide back light: a tenth of the blur a side
            "blur": float(np.sqrt(2)) * 0.1 * shank.bar.blur_px,
            "form": float(width.std()),
        },
    )


def _scaled_coefficients(shank: _Shank, sign: int) -> tuple[Floats, Floats]:
    """Coefficients of (second + sign * first) over -1..1 along the shank, and their covariance."""
    x = np.linspace(-1, 1, len(shank.s_px))
    total = shank.courses[1](shank.s_px) + sign * shank.courses[0](shank.s_px)
    coefficients: Floats = np.asarray(np.polynomial.polynomial.polyfit(x, total, _DEGREE), np.float64)
    return coefficients, shank.courses[0].covariance + shank.courses[1].covariance


def _taper(shank: _Shank) -> Quantity:
    """Included angle between the two sides, degrees."""
    coefficients, covariance = _scaled_coefficients(shank, 1)
    x = np.linspace(-1, 1, 101)
    width = np.polynomial.polynomial.polyval(x, coefficients)
    half = len(shank.s_px) / 2
    slope = float(np.polyfit(x, width, 1)[0])
    weights = np.polyfit(x, np.vander(x, _DEGREE + 1, increasing=True), 1)[0]
    noise = float(np.sqrt(weights @ covariance @ weights))
    degrees = np.degrees(1.0) / half
    return Quantity(
        abs(slope) * degrees, "deg", {"noise": noise * degrees, "level": shank.level_px * degrees}
    )


def _zone(line: Floats) -> Floats:
    """Widths of the narrowest strips that hold curves (..., n) over -1..1 (ISO 1101, straightness in a plane; slopes are small)."""
    x = np.linspace(-1, 1, line.shape[-1])
    ends = line[..., :1], line[..., -1:]
    level = line - (ends[0] + ends[1]) / 2 - (ends[1] - ends[0]) / 2 * x
    slopes = np.linspace(-1, 1, 41)[:, None] * x
    size = np.abs(level).max(axis=-1)[..., None, None]
    return np.asarray(np.ptp(level[..., None, :] + size * slopes, axis=-1).min(axis=-1))


def _straightness(shank: _Shank, size: tuple[int, int]) -> Quantity:
    """Of the middle between both sides. An upper limit where noise alone would show as much."""
    coefficients, covariance = _scaled_coefficients(shank, -1)
    rng = np.random.default_rng(0)
    noise = rng.multivariate_normal(np.zeros(_DEGREE + 1), covariance, 200, method="eigh")
    rows = np.vander(np.linspace(-1, 1, 61), _DEGREE + 1, increasing=True).T
    zone = float(_zone(coefficients @ rows / 2))
    alone = float(np.quantile(_zone(noise @ rows / 2), 0.95))
    parts = {
        "noise": float(np.std(_zone((coefficients + noise) @ rows / 2))),
        "form": 0.06 * zone,  # a kink is a sixteenth higher than the parabola through it
        "lens": _lens_bow(shank, size),
        "level": 0.25 * shank.level_px,
    }
    doubt = alone + ONE_SIDED_95 * float(np.hypot(parts["lens"], parts["level"]))
    if zone < doubt:
        limit = zone + doubt
        return Quantity(limit, "px", parts, "upper_limit")
    return Quantity(zone, "px", parts)


def _lens_bow(shank: _Shank, size: tuple[int, int]) -> float:
    """The bow (px) that the lens itself may have put in: a barrel or cushion bends each line by as much as it lies off the centre.

    How much follows from the sides: of a cylinder they bow against each other by the lens alone.
    """
    coefficients, covariance = _scaled_coefficients(shank, 1)
    bow = abs(float(coefficients[2]))
    if bow < 2 * float(np.sqrt(covariance[2, 2])):
        return 0.0
    centre = (np.array(size) - 1) / 2
    aside = abs(float((np.array(shank.bar.axis.origin_px) - centre) @ np.array(shank.bar.axis.into)))
    return bow * aside / float(shank.width_px.mean())


def _burr(shank: _Shank) -> Quantity:
    """The highest burr the outline shows; an upper limit where there is none."""
    return _worst(shank, [(d.size_px, d.length_px, 0.0) for d in shank.damages if d.size_px > 0])


def _score(shank: _Shank) -> Quantity:
    """The deepest groove around the shank as the outline shows it; an upper limit where there is none."""
    quantity = _worst(
        shank,
        [
            (-(a.size_px + b.size_px) / 2, a.length_px, abs(a.size_px - b.size_px) / 2)
            for a, b in _around(shank)
        ],
    )
    if shank.on_dark and quantity.kind == "value":  # on a dark ground a dark ring looks like a notch
        limit = quantity.value + ONE_SIDED_95 * quantity.standard_uncertainty
        return Quantity(limit, "px", quantity.parts, "upper_limit")
    return quantity


def _around(shank: _Shank) -> list[tuple[_Damage, _Damage]]:
    """Grooves that show at the same place on both sides: around the shank. One side alone may be a dent, or dust on it."""
    missing = [d for d in shank.damages if d.size_px < 0]
    return [
        (a, b)
        for a in missing
        for b in missing
        if a.side < b.side and abs(a.s_px - b.s_px) < max(a.length_px, b.length_px, 4 * shank.bar.blur_px)
    ]


def _worst(shank: _Shank, found: list[tuple[float, float, float]]) -> Quantity:
    """Of (size, length, half the difference of two sides) the largest, in px."""
    blur = shank.bar.blur_px
    parts = {"noise": shank.floor_px / _DAMAGE, "blur": 0.1 * blur, "level": shank.level_px}
    if not found:
        limit = shank.floor_px + ONE_SIDED_95 * float(np.hypot(parts["blur"], parts["level"]))
        return Quantity(limit, "px", parts, "upper_limit")
    size, length, uneven = max(found)
    # A blurred peak is lower than the true one, by the more the shorter it is.
    # On a dark ground the unlit side of a burr does not show (a ring light leaves up to a fifth of it dark).
    blind = 0.1 if shank.on_dark else 0.02
    flattened = size * min(1.0, (2 * blur / max(length, 1.0)) ** 2)
    return Quantity(size, "px", {**parts, "form": float(np.hypot(blind * size + 0.5 * flattened, uneven))})
