"""Strokes, dots and saddle points of scale targets, at sub-pixel.

Positions are (x, y) in px: x right, y down, pixel centres at integers. Pictures are 2-D float arrays of
linear light unless stated; finding may use any monotone grey, measuring uses linear light.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Strokes",
    "bar_centres",
    "find_dots",
    "find_saddles",
    "find_strokes",
    "outline_rays",
    "refine_dots",
    "refine_saddles",
    "stroke_directions",
]

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

NOISE_FACTOR = 4.0
"""A response counts from this many robust standard deviations of the picture's own response."""


def _robust_sd(values: NDArray[Any]) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _sample(picture: Picture, x: Array, y: Array) -> Array:
    """Cubic interpolation at places of shape (rows, columns), in blocks that OpenCV can address."""
    out = np.empty(x.shape)
    for first in range(0, len(x), 30_000):
        rows = slice(first, first + 30_000)
        at = x[rows].astype(np.float32), y[rows].astype(np.float32)
        out[rows] = cv2.remap(picture, *at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return out


def _smooth_rows(profile: Array, sigma: float) -> Array:
    return np.asarray(cv2.GaussianBlur(profile, (0, 0), sigmaX=sigma, sigmaY=1e-6))


# ---------------------------------------------------------------- strokes (marks of rulers and stages)


@dataclass(frozen=True, slots=True)
class Strokes:
    """Straight narrow bars of one direction.

    `top_px`, `bottom_px` (n, 2): the two ends of each centre line, in px of the picture; `strength` (n,): mean
    response. `frame` (2, 3) maps (along the scale, along the marks) to px of the picture, without mirroring.
    `scale_px`: the width of filter that found them, in px of the picture.
    """

    top_px: Array
    bottom_px: Array
    strength: Array
    frame: Array
    scale_px: float

    def in_frame(self) -> tuple[Array, Array]:
        """The ends in the frame's own coordinates (u along the scale, v along the marks)."""
        inverse = cv2.invertAffineTransform(self.frame)
        return (
            self.top_px @ inverse[:, :2].T + inverse[:, 2],
            self.bottom_px @ inverse[:, :2].T + inverse[:, 2],
        )


def stroke_directions(grey: Picture, *, count: int = 3) -> list[float]:
    """The directions (rad, of the lines, from x towards y, in 0..pi) in which most contrast lies.

    Gradients are gathered at three sizes, so fine and coarse marks both count.
    """
    found: list[float] = []
    for sigma in (0.8, 2.0, 5.0):
        smooth = cv2.GaussianBlur(grey, (0, 0), sigma)
        gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)
        gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
        size = cv2.magnitude(gx, gy)
        strong = size > NOISE_FACTOR * np.median(size)
        if not strong.any():
            continue
        weight = np.minimum(size[strong], np.quantile(size[strong], 0.9))
        turn = (np.arctan2(gy[strong], gx[strong]) + np.pi / 2) % np.pi
        counts = np.bincount((turn * 180 / np.pi).astype(int) % 180, weight, 180)
        bins = cv2.GaussianBlur(np.tile(counts, 3)[None], (0, 0), 1.5)[0, 180:360]
        peaks = np.flatnonzero((bins >= np.roll(bins, 1)) & (bins > np.roll(bins, -1)))
        for peak in peaks[np.argsort(-bins[peaks])][:count]:
            angle = np.deg2rad(peak + 0.5)
            if all(abs((angle - old + np.pi / 2) % np.pi - np.pi / 2) > np.deg2rad(4) for old in found):
                found.append(float(angle))
    return found


def _rotation(shape: tuple[int, ...], angle: float) -> tuple[Array, tuple[int, int]]:
    """Frame in which lines of direction `angle` stand upright, and its size (width, height)."""
    down = np.array([np.cos(angle), np.sin(angle)])
    down = down if down[1] >= 0 else -down
    along = np.array([down[1], -down[0]])
    corners = np.array([[0, 0], [shape[1] - 1, 0], [0, shape[0] - 1], [shape[1] - 1, shape[0] - 1]], float)
    u, v = corners @ along, corners @ down
    frame = np.column_stack([along, down, along * u.min() + down * v.min()])
    return frame, (int(np.ceil(np.ptp(u))) + 1, int(np.ceil(np.ptp(v))) + 1)


def find_strokes(
    grey: Picture, angle: float, *, scales: tuple[float, ...], level: int = 0, sign: int = 1
) -> list[Strokes]:
    """Bars of direction `angle` and about 2 `scales` wide; `sign` 1: dark on light, -1: light on dark.

    `grey` is the picture reduced `level` times by two; `scales` are in its px, and there is one answer for each.
    Bars less than about three times as long as wide are left out.
    """
    frame, size = _rotation(grey.shape, angle)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    turned = cv2.warpAffine(grey, frame, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    whole = np.ones(grey.shape, np.uint8)
    inside = cv2.warpAffine(whole, frame, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    return [_strokes_at(turned, inside, frame, scale, level, sign) for scale in scales]


def _strokes_at(
    turned: NDArray[Any], inside: NDArray[Any], frame: Array, scale: float, level: int, sign: int
) -> Strokes:
    margin = 2 * int(np.ceil(2 * scale)) + 1
    valid = (
        cv2.erode(inside, np.ones((1, margin), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0) > 0
    )
    smooth = cv2.GaussianBlur(turned, (0, 0), sigmaX=scale, sigmaY=2 * scale)
    response = cv2.filter2D(smooth, cv2.CV_32F, sign * scale**2 * np.array([[1.0, -2.0, 1.0]]))
    noise = _robust_sd(response[::3, ::5][valid[::3, ::5]]) if valid.any() else 0.0
    ridge = np.zeros(response.shape, bool)
    inner = response[:, 1:-1]
    ridge[:, 1:-1] = (inner > response[:, :-2]) & (inner >= response[:, 2:]) & (inner > max(2 * noise, 1e-6))
    return _strokes_of(ridge & valid, response, frame, scale, level)


def _strokes_of(
    ridge: NDArray[np.bool_], response: NDArray[Any], frame: Array, scale: float, level: int
) -> Strokes:
    bridged = cv2.dilate(ridge.astype(np.uint8), np.ones((3, 1), np.uint8))
    n, labels, stats, _ = cv2.connectedComponentsWithStats(bridged, connectivity=8)
    top = stats[:, cv2.CC_STAT_TOP].astype(float) + 1
    bottom = top + stats[:, cv2.CC_STAT_HEIGHT] - 3
    y, x = np.nonzero(ridge & (bottom - top + 1 >= 8 * scale)[labels])
    label, mid, left, right = labels[y, x], response[y, x], response[y, x - 1], response[y, x + 1]
    x_fine = x + 0.5 * (right - left) / np.maximum(2 * mid - left - right, 1e-12)
    number = np.maximum(np.bincount(label, minlength=n), 1)

    def mean(values: NDArray[Any]) -> Array:
        return np.asarray(np.bincount(label, values, n) / number, np.float64)

    mean_x, mean_y, strength = mean(x_fine), mean(y), mean(mid)
    var_y = mean(y.astype(float) ** 2) - mean_y**2
    slope = (mean(x_fine * y) - mean_x * mean_y) / np.maximum(var_y, 1e-9)
    spread = mean((x_fine - mean_x[label] - slope[label] * (y - mean_y[label])) ** 2)
    straight = spread < (0.5 * scale) ** 2 + 0.1
    keep = (number > 2) & straight & (np.abs(slope) < 0.1) & (np.arange(n) > 0)

    def end(v: NDArray[Any]) -> Array:
        u = mean_x[keep] + slope[keep] * (v - mean_y[keep])
        there = np.column_stack([u, v]) @ frame[:, :2].T + frame[:, 2]
        return np.asarray(there * 2**level + (2**level - 1) / 2)

    whole = frame.copy()
    whole[:, 2] = frame[:, 2] * 2**level + (2**level - 1) / 2
    return Strokes(end(top[keep]), end(bottom[keep]), strength[keep], whole, scale * 2**level)


def bar_centres(
    linear: Picture, centre: Array, along: Array, *, half_width: Array, sections: Array, smooth: float
) -> tuple[Array, Array, Array]:
    """Centres of bars, each midway between its two edges, for short sections of each bar.

    `centre` (n, 2): a rough point on each section's centre line; `along` (n, 2): unit vector along the bar;
    `half_width` (n,): how far to look to each side, px; `sections` (n,): length over which to average, px;
    `smooth`: Gaussian smoothing across the bar, px. The bar is taken as dark; hand in the negative for a
    light one.

    Returns offsets (n,) of the centre across the bar in px (positive towards `(along_y, -along_x)`), the
    bar's apparent width (n,) and its symmetry (n,): the even share of the profile's energy, 0..1.
    An offset is NaN where the section does not lie inside the picture or has no two edges.
    """
    across = np.column_stack([along[:, 1], -along[:, 0]])
    reach = int(np.ceil(np.max(half_width) + 3 * smooth)) + 1
    step = 0.5 if reach <= 24 else 1.0
    u = np.arange(-reach, reach + step / 2, step)
    rows = int(np.clip(np.ceil(np.max(sections)), 1, 15))
    t = (np.arange(rows) + 0.5) / rows - 0.5
    profile = np.zeros((len(centre), len(u)))
    for row in t:
        start = centre + along * (row * sections)[:, None]
        profile += _sample(linear, start[:, :1] + across[:, :1] * u, start[:, 1:] + across[:, 1:] * u) / rows
    ends = [
        centre + along * (s * sections / 2)[:, None] + across * (r * half_width)[:, None]
        for s in (-1, 1)
        for r in (-1, 1)
    ]
    limit = np.array(linear.shape[::-1]) - 1
    inside = np.all([np.all((e >= 0) & (e <= limit), axis=1) for e in ends], axis=0)
    profile = _smooth_rows(profile, smooth / step)
    slope = np.asarray(np.gradient(profile, axis=1))
    window = np.abs(u)[None, :] <= half_width[:, None]
    left = _peak(
        np.where(window & (u < 0)[None, :] | (window & (np.abs(u) <= smooth)[None, :]), -slope, -np.inf), u
    )
    right = _peak(
        np.where(window & (u > 0)[None, :] | (window & (np.abs(u) <= smooth)[None, :]), slope, -np.inf), u
    )
    offset, width = (left + right) / 2, right - left
    offset[~inside | ~(width > 0)] = np.nan
    return offset, width, _evenness(profile, u, half_width)


def _peak(values: Array, u: Array) -> Array:
    """Place of the largest value of each row, refined by a parabola through the logarithms."""
    at = np.argmax(values, axis=1)
    rows = np.arange(len(values))
    inner = (at > 0) & (at < len(u) - 1)
    at_in = np.clip(at, 1, len(u) - 2)
    near = np.stack([values[rows, at_in + k] for k in (-1, 0, 1)])
    good = inner & np.all(near > 0, axis=0) & np.all(np.isfinite(near), axis=0)
    a, b, c = np.log(np.where(good, near, 1.0))
    bend = a - 2 * b + c
    shift = np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1.0), 0.0)
    return np.where(good, u[at_in] + np.clip(shift, -1, 1) * (u[1] - u[0]), np.nan)


def _evenness(profile: Array, u: Array, half_width: Array) -> Array:
    window = (np.abs(u)[None, :] <= half_width[:, None]).astype(float)
    count = window.sum(axis=1, keepdims=True)
    level = (profile * window).sum(axis=1, keepdims=True) / count
    centred = (profile - level) * window
    even, odd = (centred + centred[:, ::-1]) / 2, (centred - centred[:, ::-1]) / 2
    energy = (even**2).sum(axis=1) + (odd**2).sum(axis=1)
    return np.asarray((even**2).sum(axis=1) / np.maximum(energy, 1e-30))


# ---------------------------------------------------------------- saddle points (chessboards)


def find_saddles(grey: Picture, *, sigma: float = 1.5) -> tuple[Array, Array]:
    """Where two dark and two light quarters meet: points (n, 2) and the direction (n,) of the dark pair.

    Each candidate must show two periods round a ring of radius 4 `sigma`, whatever its contrast. Directions are
    in rad, modulo pi; they turn by pi/2 from one corner of a chessboard to the next.
    """
    smooth = np.asarray(cv2.GaussianBlur(grey, (0, 0), sigma), np.float32)
    xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3)
    yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3)
    xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3)
    response = xy * xy - xx * yy
    reach = 2 * int(np.ceil(2 * sigma)) + 1
    peak = (response == cv2.dilate(response, np.ones((reach, reach), np.uint8))) & (response > 0)
    radius = 4 * sigma
    rim = int(np.ceil(radius)) + 1
    peak[:rim] = peak[-rim:] = False
    peak[:, :rim] = peak[:, -rim:] = False
    peak &= response > 1e-3 * float(np.quantile(response, 0.9999))
    y, x = np.nonzero(peak)
    turn = 2 * np.pi * np.arange(16) / 16
    if not len(x):
        return np.zeros((0, 2)), np.zeros(0)
    ring = _sample(smooth, x[:, None] + radius * np.cos(turn), y[:, None] + radius * np.sin(turn))
    spectrum = np.fft.rfft(ring - ring.mean(axis=1, keepdims=True), axis=1)
    energy = np.abs(spectrum) ** 2
    share = energy[:, 2] / np.maximum(energy[:, 1:].sum(axis=1), 1e-30)
    good = share > 0.7
    direction = (np.angle(-spectrum[:, 2]) / -2) % np.pi
    return np.column_stack([x, y])[good].astype(float), direction[good]


def refine_saddles(linear: Picture, points: Array, *, radius: Array | float) -> Array:
    """Saddle points of a quadratic surface fitted by least squares inside `radius` px; NaN where there is none."""
    points = np.asarray(points, float).copy()
    if not len(points):
        return points
    reach = np.broadcast_to(np.asarray(radius, float), (len(points),))
    t = np.linspace(-1, 1, 13)
    u, v = (a.ravel() for a in np.meshgrid(t, t))
    disc = np.hypot(u, v) <= 1
    u, v = u[disc], v[disc]
    weight = np.exp(-(u**2 + v**2))
    design = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])
    solve = np.linalg.pinv(design * weight[:, None]) * weight
    start, lost = points.copy(), np.zeros(len(points), bool)
    for _ in range(8):
        patch = _sample(linear, points[:, :1] + reach[:, None] * u, points[:, 1:] + reach[:, None] * v)
        _, b, c, d, e, f = solve @ patch.T
        bend = 4 * d * f - e * e
        lost |= bend >= 0
        safe = np.where(bend < 0, bend, -1.0)
        move = np.column_stack([(e * c - 2 * f * b) / safe, (e * b - 2 * d * c) / safe])
        points += np.clip(move, -0.5, 0.5) * reach[:, None]
        lost |= np.hypot(*(points - start).T) > reach
        points[lost] = start[lost]
    points[lost] = np.nan
    return points


# ---------------------------------------------------------------- dots


def find_dots(grey: Picture, *, window: int, sign: int = 1) -> tuple[Array, Array]:
    """Round spots against a local mean over `window` px: centres (n, 2) and radii (n,), in px.

    A spot counts when its outline fills the ellipse of its own second moments and it does not touch the rim.
    `sign` 1: dark on light, -1: light on dark.
    """
    local = cv2.boxFilter(grey, cv2.CV_32F, (window, window), borderType=cv2.BORDER_REFLECT)
    difference = sign * (local - grey)
    level = max(
        0.35 * float(np.quantile(difference, 0.98)), NOISE_FACTOR * _robust_sd(grey - cv2.blur(grey, (5, 5)))
    )
    spots = (cv2.GaussianBlur(difference, (0, 0), 0.8) > level).astype(np.uint8)
    n, labels, stats, centres = cv2.connectedComponentsWithStats(spots, connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA].astype(float)
    x0, y0 = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_TOP]
    w, h = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    height, width = grey.shape
    inner = (x0 > 0) & (y0 > 0) & (x0 + w < width) & (y0 + h < height)
    y, x = np.nonzero(spots)
    label = labels[y, x]
    dx, dy = x - centres[label, 0], y - centres[label, 1]
    sxx, syy, sxy = (np.bincount(label, q, n) / np.maximum(area, 1) for q in (dx * dx, dy * dy, dx * dy))
    small = np.maximum(sxx * syy - sxy**2, 0)
    ellipse = 4 * np.pi * np.sqrt(small)
    half, root = (sxx + syy) / 2, np.sqrt(((sxx - syy) / 2) ** 2 + sxy**2)
    slim = np.sqrt(np.maximum(half - root, 0) / np.maximum(half + root, 1e-9))
    full = (area > 12) & (np.abs(ellipse / np.maximum(area, 1) - 1) < 0.15) & (slim > 0.75)
    keep = inner & full & (np.arange(n) > 0)
    return centres[keep], np.sqrt(area[keep] / np.pi)


def refine_dots(linear: Picture, centres: Array, radii: Array, *, sign: int = 1) -> Array:
    """Centres (n, 2) of the outlines: the steepest place of 64 rays each, and an ellipse's harmonics through them.

    Steepest places do not move with the slope of the light across a dot, as a centroid does. NaN at the rim.
    """
    out = np.asarray(centres, float).copy()
    if not len(out):
        return out
    turn = 2 * np.pi * np.arange(64) / 64
    ray = np.column_stack([np.cos(turn), np.sin(turn)])
    design = np.column_stack([np.ones(64), ray, np.cos(2 * turn), np.sin(2 * turn)])
    share = np.arange(0.55, 1.45, 0.5 / float(np.median(radii)))
    spread = 0.9 / float(np.median(radii)) / (share[1] - share[0])
    for _ in range(3):
        reach = radii[:, None, None] * share
        x = out[:, :1, None] + reach * ray[:, 0][None, :, None]
        y = out[:, 1:, None] + reach * ray[:, 1][None, :, None]
        flat = (len(out) * 64, len(share))
        profile = _smooth_rows(_sample(linear, x.reshape(flat), y.reshape(flat)), spread)
        edge = _peak(sign * np.gradient(profile, axis=1), share).reshape(len(out), 64) * radii[:, None]
        edge = np.where(np.isfinite(edge), edge, radii[:, None])
        for k in range(len(out)):
            out[k] += _harmonics(design, edge[k])[1:3]
    rim = 1.45 * radii[:, None]
    out[np.any((out < rim) | (out > np.array(linear.shape[::-1]) - 1 - rim), axis=1)] = np.nan
    return out


def _harmonics(design: Array, edge: Array) -> Array:
    """Robust least squares (biweight) of `edge` on `design`."""
    weight = np.ones(len(edge))
    for _ in range(4):
        fit = np.linalg.lstsq(design * weight[:, None], edge * weight, rcond=None)[0]
        off = edge - design @ fit
        weight = np.clip(1 - (off / (4.685 * max(_robust_sd(off), 0.02))) ** 2, 0, 1)
    return np.asarray(fit)


def outline_rays(
    linear: Picture, centre: Array, radius: float, *, sign: int = 1, count: int = 360
) -> tuple[Array, Array]:
    """Where rays from `centre` (2,) cross the outline of a large round object: angles (m,) and distances (m,) in px.

    Looked for within a tenth of `radius`; rays that leave the picture or cross no edge are left out.
    """
    turn = 2 * np.pi * np.arange(count) / count
    ray = np.column_stack([np.cos(turn), np.sin(turn)])
    reach = np.arange(0.9 * radius, 1.1 * radius + 1, 0.5)
    end = centre + reach[-1] * ray
    inside = np.all((end >= 0) & (end <= np.array(linear.shape[::-1]) - 1), axis=1)
    if not inside.any():
        return np.zeros(0), np.zeros(0)
    profile = _smooth_rows(
        _sample(linear, centre[0] + reach * ray[inside, :1], centre[1] + reach * ray[inside, 1:]), 3.0
    )
    edge = _peak(sign * np.gradient(profile, axis=1), reach)
    good = np.isfinite(edge)
    return turn[inside][good], edge[good]
