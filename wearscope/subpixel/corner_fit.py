"""Fit the rounded-wedge picture to the pixels along the outline of a corner.

Levels on both sides are quadratic polynomials of the position (uneven light costs under 1 % of the information),
clipped pixels are inequalities, the noise may differ between cutter and background, and single bad places
(dust, a chip, a scratch) are weighed down. See `corner_model` for the geometry.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearscope.subpixel.corner_model import Wedge, rounded_wedge

__all__ = [
    "Levels",
    "Pixels",
    "Solution",
    "covariance",
    "edge_factor",
    "edge_shift",
    "form_deviation",
    "grain",
    "halo_slope",
    "level_curvature",
    "noise_correlation",
    "outline_distance",
    "outline_run",
    "pull",
    "score_test",
    "solve",
    "strip_pixels",
    "wander",
    "with_grain",
]

Floats = NDArray[np.float64]
_TUKEY = 6.0
"""Residuals beyond this many standard deviations do not count (99 % efficient on clean Gaussian noise)."""
_TRANSITION = 0.03
"""Shares between this and its complement are on the edge, the others beside it."""


@dataclass(frozen=True, slots=True)
class Pixels:
    """Pixels near the outline: `points` (n, 2) x and y in px, `values` (n,) linear light, `basis` (n, m) for the
    levels: 1, then departures from it.

    `freedom` (2, m): how far the coefficients of background and cutter are expected to go, in contrasts (a standard
    deviation; infinite for the first). `low`, `high`: clipping codes in linear light; a value at or beyond them is an inequality.
    """

    points: Floats
    values: Floats
    basis: Floats
    freedom: Floats
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Solution:
    """A converged fit.

    `active`: which fields of `Wedge` were free. `share`, `slopes`, `residual`, `weight`, `variance` are per pixel
    (n,), (n, 10): response, derivative of the value after each field, value minus model, robust weight 0..1 (0 also
    where clipped), variance of the noise. `levels` (2, m): background and cutter.
    """

    wedge: Wedge
    active: tuple[int, ...]
    pixels: Pixels
    levels: Floats
    share: Floats
    slopes: Floats
    residual: Floats
    weight: Floats
    variance: Floats
    cost: float
    converged: bool


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


Levels = Literal["plane", "quadratic", "along"]
"""How the light on either side may change: with position, or freely along the outline."""
_KNOT_PX, _KNOT_BLURS, _MOST_KNOTS, _CALM_BLURS = 20.0, 6.0, 20, 3.0
"""Light that changes faster along the outline than this cannot be told from the outline's own shape."""


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
) -> Floats:
    """Columns (n, m) whose sum a level is: first 1, then departures from it; round the corner there are none, or they
    would stand for the rounding."""
    if levels == "along":
        run = outline_run(wedge, points)
        gone = max(deepest - wedge.radius, 0.0) / math.tan(wedge.half_angle)
        calm = wedge.radius * (np.pi / 2 - wedge.half_angle) + gone + _CALM_BLURS * wedge.blur
        run = np.sign(run) * np.maximum(np.abs(run) - calm, 0.0)
        low, high = float(run.min(initial=0.0)), float(run.max(initial=0.0))
        pitch = max(_KNOT_PX, _KNOT_BLURS * wedge.blur, (high - low) / _MOST_KNOTS)
        knots = pitch * np.array(
            [k for k in range(math.floor(low / pitch), math.ceil(high / pitch) + 1) if k]
        )
        hats = np.maximum(1 - np.abs(run[:, None] - knots) / pitch, 0.0)
        return np.hstack([np.ones((len(run), 1)), hats])
    u, v = ((points - np.array([wedge.x, wedge.y]) - wedge.bisector * min(reach_px) / 2) / max(reach_px)).T
    columns = [np.ones_like(u), u, v, u * u, u * v, v * v]
    return np.stack(columns[: 6 if levels == "quadratic" else 3], axis=1)


def strip_pixels(
    picture: NDArray[np.float32],
    wedge: Wedge,
    *,
    half_px: float | tuple[float, float],
    reach_px: tuple[float, float],
    clip: tuple[float, float],
    thin: int = 1,
    levels: Levels = "plane",
    deepest: float = 0.0,
) -> Pixels:
    """Pixels within `half_px` (outside, inside) of the outline, up to `reach_px` along (end edge, side edge) from the apex.

    `thin` n keeps every n-th pixel of a row, shifted from row to row. `deepest`: the corner may be rounded up to this
    radius (px), and the strip holds that outline too.
    """
    outside, inside = half_px if isinstance(half_px, tuple) else (half_px, half_px)
    height, width = picture.shape
    apex = np.array([wedge.x, wedge.y])
    ends = np.array(
        [
            apex + r * np.array([np.cos(a), np.sin(a)])
            for r, a in zip(reach_px, (wedge.end_angle, wedge.side_angle), strict=True)
        ]
    )
    corners = np.vstack([apex, ends])
    bulge = outside + 2 + max(abs(wedge.end_bend) * reach_px[0] ** 2, abs(wedge.side_bend) * reach_px[1] ** 2)
    x0, y0 = np.maximum(np.floor(corners.min(axis=0) - bulge), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(corners.max(axis=0) + bulge) + 1, [width, height]).astype(int)
    ys, xs = np.mgrid[y0:y1, x0:x1]
    if thin > 1:
        keep = (xs + ys * (thin // 2 + 1)) % thin == 0
        xs, ys = xs[keep], ys[keep]
    points = np.stack([xs.ravel(), ys.ravel()], axis=1).astype(np.float64)
    distance, along = outline_distance(wedge, points)
    t = (points - apex) @ wedge.across
    limit = np.where(t < 0, reach_px[0], reach_px[1])
    inner = distance
    if deepest > wedge.radius:
        inner = outline_distance(replace(wedge, rounding=deepest**2), points)[0]
    use = (distance >= -outside) & (inner <= inside) & (along <= limit)
    points = points[use]
    values = picture[points[:, 1].astype(int), points[:, 0].astype(int)].astype(np.float64)
    basis = _level_basis(wedge, points, reach_px, levels, deepest)
    freedom = np.tile([np.inf, *([_EVEN_FREEDOM] * (basis.shape[1] - 1))], (2, 1))
    return Pixels(points, values, basis, freedom, *clip)


def _grain_pitch(wedge: Wedge) -> float:
    return max(_GRAIN_PX, _GRAIN_BLURS * wedge.blur)


def grain(solution: Solution) -> tuple[Floats, float]:
    """How uneven the light of background and cutter is beside the outline, beyond their levels, in stretches of some blurs.

    Returns the standard deviations of the stretches' means (2,), in contrasts, and their variance over what noise alone would give.
    """
    wedge, pixels = solution.wedge, solution.pixels
    distance, _ = outline_distance(wedge, pixels.points)
    stretch = np.floor(outline_run(wedge, pixels.points) / _grain_pitch(wedge)).astype(np.int64)
    stretch -= stretch.min(initial=0)
    contrast = abs(float(np.median(_level_model(pixels, solution.share, solution.levels)[1]))) + 1e-9
    found, over = np.zeros(2), 0.0
    for side, sign in enumerate((-1, 1)):
        on = (sign * distance > _GRAIN_BESIDE * wedge.blur) & (solution.weight > 0)
        count = np.bincount(stretch[on], minlength=1)
        mean = np.bincount(stretch[on], solution.residual[on], len(count))[count > 5] / count[count > 5]
        if len(mean) < 6:
            continue
        noise = _spread(solution.residual[on]) ** 2 * float(np.mean(1 / count[count > 5]))
        variance = float(np.mean(mean**2))
        found[side] = math.sqrt(max(variance - noise, 0.0)) / contrast
        over = max(over, variance / max(noise, 1e-30))
    return found, over


def with_grain(pixels: Pixels, wedge: Wedge, size: Floats) -> Pixels:
    """The same pixels with levels that may also change along the outline, round the corner too, and slope across it.

    They are held to the unevenness `size` (2,) seen beside the outline, in contrasts: a stretch of ground that is darker than the
    rest is known from the pixels a few blurs away, and then no longer passes for a shift of the outline.
    """
    run, pitch = outline_run(wedge, pixels.points), _grain_pitch(wedge)
    distance, _ = outline_distance(wedge, pixels.points)
    knots = pitch * np.arange(math.floor(run.min() / pitch), math.ceil(run.max() / pitch) + 1)
    hats = np.maximum(1 - np.abs(run[:, None] - knots) / pitch, 0.0)
    across = hats * (distance / np.abs(distance).max())[:, None]
    least = np.maximum(size, 1e-3)[:, None]
    freedom = np.hstack([pixels.freedom, np.tile(least, (1, 2 * len(knots)))])
    return replace(pixels, basis=np.hstack([pixels.basis, hats, across]), freedom=freedom)


_EVEN_FREEDOM = 100.0
"""Slopes and bends of the levels are all but free."""
_GRAIN_PX, _GRAIN_BLURS, _GRAIN_BESIDE = 12.0, 4.0, 1.5
"""Stretches of uneven light; finer ones cannot be told from the outline's own shape. It is read this many blurs beside the outline."""
_COARSE = 2
"""The first approach works on a picture this many times smaller, whose blur reaches as far as a bad start lies off."""
_COARSE_BLUR = 1.5
_COARSE_RADII = (0.0, 8.0, 24.0)
_DEEPEST = 0.9
"""Radius over the length of edge followed: some of the edge must be left."""


def approach(
    picture: NDArray[np.float32],
    start: Wedge,
    *,
    reach_px: tuple[float, float],
    clip: tuple[float, float],
    levels: Levels = "plane",
    radius_px: float | None = None,
    room_px: float = np.inf,
) -> Wedge:
    """From a start some px and degrees off to within about a pixel, on a small and blurred picture.

    Sharp and `radius_px` are tried, or several radii where nothing is known; the one that explains the picture best is
    followed. The apex stays within `room_px` of the start.
    """
    import cv2

    height, width = picture.shape
    far = max(reach_px) + 40
    x0, y0 = max(0, int(start.x - far)), max(0, int(start.y - far))
    x1, y1 = min(width, int(start.x + far)), min(height, int(start.y + far))
    rows, columns = (y1 - y0) // _COARSE, (x1 - x0) // _COARSE
    crop = picture[y0 : y0 + rows * _COARSE, x0 : x0 + columns * _COARSE]
    shrunk = cv2.resize(crop, (columns, rows), interpolation=cv2.INTER_AREA)
    small: NDArray[np.float32] = np.asarray(cv2.GaussianBlur(shrunk, (0, 0), _COARSE_BLUR), np.float32)
    blur = math.hypot(_COARSE_BLUR, start.blur / _COARSE)
    shift = (_COARSE - 1) / 2
    apex = ((start.x - x0 - shift) / _COARSE, (start.y - y0 - shift) / _COARSE)
    reach = (reach_px[0] / _COARSE, reach_px[1] / _COARSE)
    sharp = Wedge(*apex, start.end_angle, start.side_angle, 0.0, math.log(blur))
    near = (sharp, room_px / _COARSE) if np.isfinite(room_px) else None
    radii = sorted(_COARSE_RADII if radius_px is None else (0.0, radius_px / _COARSE))
    radii = [r for r in radii if r <= max(_DEEPEST * min(reach), 1.0)]
    pixels = strip_pixels(
        small, sharp, half_px=(3 * blur, 3 * blur), reach_px=reach, clip=clip, thin=2, levels=levels,
        deepest=radii[-1],
    )  # fmt: skip
    if len(pixels.values) < 60:
        return start
    tries = [
        solve(
            pixels,
            replace(sharp, rounding=r * r),
            active=range(5),
            robust=False,
            rounds=2,
            nodes=10,
            near=near,
        )
        for r in radii
    ]
    best = min(tries, key=lambda tried: float(np.abs(tried.residual).sum()))  # all on the same pixels
    w = solve(
        pixels, best.wedge, active=range(5), robust=True, rounds=6, tolerance=0.5, nodes=10, near=near
    ).wedge
    return Wedge(
        w.x * _COARSE + shift + x0, w.y * _COARSE + shift + y0, w.end_angle, w.side_angle,
        max(w.rounding, 0.0) * _COARSE**2, start.log_blur,
    )  # fmt: skip


def _level_model(pixels: Pixels, share: Floats, levels: Floats) -> tuple[Floats, Floats]:
    """Value of each pixel, and cutter minus background there."""
    background, cutter = pixels.basis @ levels[0], pixels.basis @ levels[1]
    return background + share * (cutter - background), cutter - background


def _ridge(pixels: Pixels, contrast: float) -> Floats:
    """What is known of the level coefficients beforehand, as an addition to the normal equations, shape (2 m,)."""
    return np.asarray((pixels.freedom.ravel() * contrast) ** -2)


def _held(solution: Solution) -> Floats:
    """`_ridge` of a solution, with zeros for its free fields."""
    jump = _level_model(solution.pixels, solution.share, solution.levels)[1]
    contrast = abs(float(np.median(jump))) + 1e-9
    return np.concatenate([np.zeros(len(solution.active)), _ridge(solution.pixels, contrast)])


def _counting(pixels: Pixels, model: Floats) -> NDArray[np.bool_]:
    """False where a clipped value lies on the allowed side of its inequality."""
    over = (pixels.values >= pixels.high) & (model >= pixels.high)
    under = (pixels.values <= pixels.low) & (model <= pixels.low)
    return ~(over | under)


def _spread(residual: Floats) -> float:
    return float(1.4826 * np.median(np.abs(residual))) if len(residual) > 20 else 0.0


def _noise(share: Floats, residual: Floats, counts: NDArray[np.bool_], floor: float) -> Floats:
    """Variance of the noise at each pixel, between that of the background and that of the cutter."""
    sides = [_spread(residual[counts & where]) for where in (share < 0.1, share > 0.9)]
    whole = max(_spread(residual[counts]), floor)
    background, cutter = (max(s, 0.2 * whole, floor) ** 2 for s in sides)
    return background + np.clip(share, 0, 1) * (cutter - background)


def _start_levels(pixels: Pixels, share: Floats) -> Floats:
    """Levels by plain least squares, each side from the pixels that mostly show it."""
    design = np.hstack([(1 - share)[:, None] * pixels.basis, share[:, None] * pixels.basis])
    ridge = np.diag(np.tile([1e-9, *([1e-3] * (pixels.basis.shape[1] - 1))], 2)) * len(share)
    solved: Floats = np.linalg.solve(design.T @ design + ridge, design.T @ pixels.values)
    return solved.reshape(2, -1)


def solve(
    pixels: Pixels,
    wedge: Wedge,
    *,
    active: Sequence[int],
    levels: Floats | None = None,
    robust: bool = True,
    rounds: int = 15,
    prior: tuple[Floats, Floats] | None = None,
    tolerance: float = 0.02,
    nodes: int = 20,
    complete: bool = False,
    largest_blur: float = 40.0,
    near: tuple[Wedge, float] | None = None,
) -> Solution:
    """Levenberg-Marquardt over the free fields of `wedge` and the coefficients of the levels.

    `prior` (mean, standard deviation), each (10,), infinite where there is none. Stops when the best step left is
    shorter than `tolerance` standard uncertainties (the Newton decrement). `complete`: slopes after the fields held, too.
    `near` (where, px): the apex stays that near, and the edges within 0.1 rad of those of that wedge.
    """
    free = np.array(sorted(active))
    n_free = len(free)
    vector = wedge.vector()
    mean, width = prior if prior is not None else (np.zeros(10), np.full(10, np.inf))
    pull = 1.0 / width[free] ** 2
    share, slopes = rounded_wedge(wedge, pixels.points, wanted=active, nodes=nodes)
    if levels is None:
        levels = _start_levels(pixels, share)
    contrast = float(np.abs(np.median(_level_model(pixels, share, levels)[1]))) + 1e-9
    ridge = np.concatenate([pull, _ridge(pixels, contrast)])
    damping, converged = 1e-6, False
    scale_floor = 1e-4 * contrast

    def cost_of(
        residual: Floats, counts: NDArray[np.bool_], variance: Floats, vector: Floats, levels: Floats
    ) -> float:
        z2 = np.where(counts, residual**2 / variance, 0.0)
        if robust:
            z2 = _TUKEY**2 / 3 * (1 - np.maximum(1 - z2 / _TUKEY**2, 0.0) ** 3)
        extra = float(np.sum(pull * (vector - mean)[free] ** 2)) + float(ridge[n_free:] @ levels.ravel() ** 2)
        return float(z2.sum()) + extra

    model, jump = _level_model(pixels, share, levels)
    counts = _counting(pixels, model)
    residual = np.where(counts, pixels.values - model, 0.0)
    variance = np.ones_like(share)
    for done in range(rounds):
        if done < 4:
            variance = _noise(share, residual, counts, scale_floor)
        if robust and done < 4:
            edge = (share > _TRANSITION) & (share < 1 - _TRANSITION) & counts
            excess = _spread((residual / np.sqrt(variance))[edge])
            variance = variance * max(1.0, excess) ** 2
        if robust:
            weight = counts * np.maximum(1 - residual**2 / (variance * _TUKEY**2), 0.0) ** 2
        else:
            weight = counts.astype(float)
        cost = cost_of(residual, counts, variance, vector, levels)
        design = np.hstack(
            [
                jump[:, None] * slopes[:, free],
                (1 - share)[:, None] * pixels.basis,
                share[:, None] * pixels.basis,
            ]
        )
        root = np.sqrt(weight / variance)
        weighted = design * root[:, None]
        normal = weighted.T @ weighted
        right = weighted.T @ (root * residual)
        right -= ridge * np.concatenate(
            [(vector - mean)[free] if prior is not None else np.zeros(n_free), levels.ravel()]
        )
        normal[np.diag_indices_from(normal)] += ridge
        size = np.sqrt(np.diag(normal)) + 1e-12
        scaled = normal / np.outer(size, size)
        ahead = np.linalg.solve(scaled + 1e-9 * np.eye(len(size)), right / size)
        if float(ahead @ (right / size)) < tolerance**2:
            converged = True
            break
        accepted = False
        for _ in range(8):
            step = np.linalg.solve(scaled + damping * np.eye(len(size)), right / size) / size
            tried_vector = vector.copy()
            tried_vector[free] += step[:n_free]
            tried_vector = _bounded(vector, tried_vector, largest_blur, near)
            tried_levels = levels + step[n_free:].reshape(2, -1)
            tried_wedge = wedge.moved(tried_vector)
            tried = rounded_wedge(tried_wedge, pixels.points, wanted=active, nodes=nodes)
            tried_model, tried_jump = _level_model(pixels, tried.share, tried_levels)
            tried_counts = _counting(pixels, tried_model)
            tried_residual = np.where(tried_counts, pixels.values - tried_model, 0.0)
            if cost_of(tried_residual, tried_counts, variance, tried_vector, tried_levels) <= cost * (
                1 + 1e-9
            ):
                accepted = True
                break
            damping = min(damping * 30, 1e4)
        if not accepted:
            break
        damping = max(damping * 0.03, 1e-9)
        wedge, vector, levels = tried_wedge, tried_vector, tried_levels
        share, slopes, model, jump = tried.share, tried.slopes, tried_model, tried_jump
        counts, residual = tried_counts, tried_residual
    if complete:
        slopes = rounded_wedge(wedge, pixels.points, nodes=nodes).slopes
    variance = _noise(share, residual, counts, scale_floor)
    weight = counts * (np.maximum(1 - residual**2 / (variance * _TUKEY**2), 0.0) ** 2 if robust else 1.0)
    cost = cost_of(residual, counts, variance, vector, levels)
    return Solution(
        wedge,
        tuple(int(i) for i in free),
        pixels,
        levels,
        share,
        jump[:, None] * slopes,
        residual,
        weight,
        variance,
        cost,
        converged,
    )


_LARGEST_STEP = np.array([8, 8, 0.2, 0.2, np.inf, 0.7, 0.01, 0.01, 0.3, 0.3])


_TURN = 0.1
"""Edges followed over a hundred px are right to a fraction of this (rad); a fit that wants more follows something else."""


def _bounded(old: Floats, new: Floats, largest_blur: float, near: tuple[Wedge, float] | None) -> Floats:
    """One step moves the apex at most 8 px, angles 0.2 rad, the blur a factor 2; R^2 grows at most fourfold."""
    blur = np.exp(old[5])
    out = old + np.clip(new - old, -_LARGEST_STEP, _LARGEST_STEP)
    out[4] = np.clip(new[4], min(old[4], 0.0) - blur**2, 4 * max(old[4], 0.0) + (6 * blur) ** 2)
    out[5] = np.clip(out[5], np.log(0.3), np.log(largest_blur))
    out[8:10] = np.clip(out[8:10], -0.6, 0.6)
    if near is not None:
        middle, room = near[0].vector()[:4], np.array([near[1], near[1], _TURN, _TURN])
        out[:4] = np.clip(out[:4], middle - room, middle + room)
    return out


def _image(pixels: Pixels, columns: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """`columns` (n, k) put back on the pixel grid (k, height, width), zero elsewhere; and flat indices."""
    at = pixels.points.astype(np.int64)
    at = at - at.min(axis=0)
    width, height = at.max(axis=0) + 1
    flat = at[:, 1] * width + at[:, 0]
    out = np.zeros((columns.shape[1], height * width))
    out[:, flat] = columns.T
    return out.reshape(-1, height, width), flat


def noise_correlation(solution: Solution, reach: int = 6) -> Floats:
    """Autocorrelation (2 reach + 1, 2 reach + 1) of the residuals, lag zero in the middle, 1 there.

    Demosaicing, JPEG and texture make neighbours alike, so that n pixels are worth fewer. Lags that differ from
    zero by less than three standard errors are set to zero.
    """
    from scipy.fft import irfft2, next_fast_len, rfft2

    z = np.sqrt(solution.weight / solution.variance) * solution.residual
    (grid, here), _ = _image(solution.pixels, np.stack([z, (solution.weight > 0).astype(float)], axis=1))
    shape = [next_fast_len(n + reach) for n in grid.shape]

    def correlate(image: Floats) -> Floats:
        power = irfft2(np.abs(rfft2(image, shape)) ** 2, shape)
        lags = np.arange(-reach, reach + 1)
        window: Floats = power[np.ix_(lags, lags)]
        return window

    pairs = np.maximum(correlate(here), 1.0)
    rho = correlate(grid) / pairs
    rho = rho / rho[reach, reach]
    rho = (rho + rho[::-1] + rho[:, ::-1] + rho[::-1, ::-1]) / 4
    rho = (rho + rho.T) / 2
    rho[np.abs(rho) < 3 / np.sqrt(2 * pairs)] = 0.0
    return np.asarray(rho)


def covariance(solution: Solution, *, reach: int = 6) -> Floats:
    """Covariance (10, 10) of the fields of `Wedge`, zero where held, with levels free and correlated noise.

    The sandwich for an M-estimate (Huber, Robust Statistics, 1981: mean psi^2 over squared mean slope of psi, taken
    on the edge), with the correlation of the noise from all residuals.
    """
    import cv2

    free = list(solution.active)
    pixels, share = solution.pixels, solution.share
    basis = np.hstack([(1 - share)[:, None] * pixels.basis, share[:, None] * pixels.basis])
    design = np.hstack([solution.slopes[:, free], basis])
    counts = (solution.weight > 0).astype(float)
    weighted = design * np.sqrt(counts / solution.variance)[:, None]
    held = _held(solution)
    normal = weighted.T @ weighted + np.diag(held)
    size = np.sqrt(np.diag(normal)) + 1e-12
    inverse = np.linalg.inv(normal / np.outer(size, size) + 1e-11 * np.eye(len(size))) / np.outer(size, size)
    influence = weighted @ inverse[:, : len(free)]
    z2 = solution.residual**2 / solution.variance
    slope = np.maximum(1 - z2 / _TUKEY**2, 0.0) * (
        1 - 5 * z2 / _TUKEY**2
    )  # derivative of the weighted residual
    on_edge = (share > _TRANSITION) & (share < 1 - _TRANSITION) & (counts > 0)
    where = on_edge if on_edge.sum() > 50 else counts > 0
    factor = float(np.mean((solution.weight**2 * z2)[where]) / max(float(np.mean(slope[where])), 0.2) ** 2)
    rho = noise_correlation(solution, reach)
    white = influence.T @ influence
    found = white
    if np.count_nonzero(rho) > 1:
        images, flat = _image(pixels, influence)
        spread = np.stack(
            [cv2.filter2D(i, cv2.CV_64F, rho, borderType=cv2.BORDER_CONSTANT).ravel()[flat] for i in images]
        )
        found = spread @ influence
        found = (found + found.T) / 2
        lift = np.maximum(
            np.diag(white) / np.maximum(np.diag(found), 1e-30), 1.0
        )  # never better than white noise
        found = found * np.sqrt(np.outer(lift, lift))
    found = found * factor + (inverse[:, : len(free)].T * held) @ inverse[:, : len(free)]
    lift = np.sqrt(np.maximum(wander(solution)[free] / np.maximum(np.diag(found), 1e-30), 1.0))
    out = np.zeros((10, 10))
    out[np.ix_(free, free)] = found * np.outer(lift, lift)
    return out


def score_test(solution: Solution, extra: Floats) -> tuple[Floats, float]:
    """How much further parameters with slopes `extra` (n, k) ask to be freed.

    Returns their best values (k,) and by how much chi-squared would fall, in units of the noise seen on the edge.
    """
    pixels, share = solution.pixels, solution.share
    basis = np.hstack([(1 - share)[:, None] * pixels.basis, share[:, None] * pixels.basis])
    design = np.hstack([solution.slopes[:, list(solution.active)], basis, extra])
    root = np.sqrt(solution.weight / solution.variance)
    design *= root[:, None]
    normal, right = design.T @ design, design.T @ (root * solution.residual)
    ridge = _held(solution)
    held = len(ridge)
    normal[np.arange(held), np.arange(held)] += ridge
    right[len(solution.active) : held] -= ridge[len(solution.active) :] * solution.levels.ravel()
    size = np.sqrt(np.diag(normal)) + 1e-12
    inside, across = normal[:held, :held], normal[:held, held:]
    scale = np.outer(size[:held], size[:held])
    projected = (
        np.linalg.solve(inside / scale + 1e-10 * np.eye(held), across / size[:held, None]) / size[:held, None]
    )
    information = normal[held:, held:] - across.T @ projected
    gradient = right[held:] - projected.T @ right[:held]
    best = np.linalg.lstsq(information, gradient, rcond=1e-10)[0]  # what the picture does not tell stays 0
    return np.asarray(best, np.float64), float(gradient @ best) / edge_factor(solution)


def edge_factor(solution: Solution) -> float:
    """Variance of the standardised residuals on the edge: 1 where the model and the noise beside the edge explain it."""
    on_edge = (solution.share > _TRANSITION) & (solution.share < 1 - _TRANSITION) & (solution.weight > 0)
    z2 = solution.weight * solution.residual**2 / solution.variance
    return float(np.mean(z2[on_edge])) if on_edge.sum() > 50 else 1.0


def level_curvature(solution: Solution) -> Floats:
    """Slopes (n, 6) of quadratic levels on both sides, for `score_test` of a fit with plane levels."""
    u, v = solution.pixels.basis[:, 1], solution.pixels.basis[:, 2]
    bent = np.stack([u * u, u * v, v * v], axis=1)
    return np.hstack([(1 - solution.share)[:, None] * bent, solution.share[:, None] * bent])


def pull(solution: Solution, extra: Floats) -> Floats:
    """By how much the free fields move, (10, k), if the picture holds effects with slopes `extra` (n, k), size 1 each,
    that the model leaves out."""
    pixels, share = solution.pixels, solution.share
    free = list(solution.active)
    basis = np.hstack([(1 - share)[:, None] * pixels.basis, share[:, None] * pixels.basis])
    design = np.hstack([solution.slopes[:, free], basis])
    root = np.sqrt(solution.weight / solution.variance)[:, None]
    design *= root
    normal, right = design.T @ design + np.diag(_held(solution)), design.T @ (root * extra)
    size = np.sqrt(np.diag(normal)) + 1e-12
    moved = (
        np.linalg.solve(normal / np.outer(size, size) + 1e-11 * np.eye(len(size)), right / size[:, None])
        / size[:, None]
    )
    out = np.zeros((10, extra.shape[1]))
    out[free] = moved[: len(free)]
    return out


def halo_slope(solution: Solution, ratio: float = 1.8) -> Floats:
    """Slope (n, 1) of a second Gaussian in the blur, `ratio` times as wide: positive for tails, negative for sharpening."""
    wider = replace(solution.wedge, log_blur=solution.wedge.log_blur + math.log(ratio))
    _, jump = _level_model(solution.pixels, solution.share, solution.levels)
    share = rounded_wedge(wider, solution.pixels.points, wanted=()).share
    return np.asarray((jump * (share - solution.share))[:, None])


def _deviations(
    solution: Solution, where: NDArray[np.bool_], bins: NDArray[np.int64], slope: Floats
) -> Floats:
    """Outline minus model, outward, px, in each of the bins 0, 1, ...; NaN where too little is seen."""
    count = int(bins.max(initial=0)) + 1
    information = np.bincount(bins[where], slope[where] ** 2 / solution.variance[where], count)
    moved = np.bincount(bins[where], (slope * solution.residual / solution.variance)[where], count)
    seen = information[information > 0]
    full = information > 0.2 * np.median(seen) if len(seen) else information > 0
    far = 3 * solution.wedge.blur  # beyond, the linear reading means no more than "far"
    deviation = np.clip(moved / np.maximum(information, 1e-30), -far, far)
    return np.asarray(np.where(full, deviation, np.nan), np.float64)


def _along_outline(
    solution: Solution,
) -> tuple[Floats, Floats, NDArray[np.bool_], NDArray[np.bool_], Floats]:
    """For each pixel: its place across the bisector and along the outline from the arc's middle (px), whether it lies
    round the corner, whether it tells of the outline's place, and how its value follows an outward shift of it."""
    wedge, pixels = solution.wedge, solution.pixels
    distance, along = outline_distance(wedge, pixels.points)
    t = (pixels.points - np.array([wedge.x, wedge.y])) @ wedge.across
    run, beyond = outline_run(wedge, pixels.points), along - wedge.tangent_length
    _, jump = _level_model(pixels, solution.share, solution.levels)
    slope = np.sign(jump) * np.hypot(solution.slopes[:, 0], solution.slopes[:, 1])
    use = (np.abs(distance) < 3 * wedge.blur) & _counting(pixels, pixels.values - solution.residual)
    return t, run, beyond < 2 * wedge.blur, use, slope


def edge_shift(solution: Solution) -> Floats:
    """Slopes (n, 2), for `pull`, of the whole end edge, and of the whole side edge, lying one px farther out than they are."""
    t, _, corner, use, slope = _along_outline(solution)
    return np.stack([slope * (use & ~corner & (sign * t > 0)) for sign in (-1, 1)], axis=1)


def _bins(solution: Solution, place: Floats) -> NDArray[np.int64]:
    """Steps of 1.5 sigma_b, counted from 0."""
    bins = np.floor(place / (1.5 * solution.wedge.blur) + 0.5).astype(np.int64)
    return np.asarray(bins - bins.min(initial=0), np.int64)


def form_deviation(solution: Solution) -> tuple[Floats, Floats]:
    """Outline minus model, outward, px, in steps of 1.5 sigma_b: (round the corner, along both edges).

    Both hold noise and the raggedness of the picture's edges; a corner that the model fits strays no more than they.
    """
    t, _, corner, use, slope = _along_outline(solution)
    bins = _bins(solution, t)
    both = [_deviations(solution, use & where, bins, slope) for where in (corner, ~corner)]
    return both[0][np.isfinite(both[0])], both[1][np.isfinite(both[1])]


def wander(solution: Solution, *, reach_px: float = 24.0) -> Floats:
    """Variances (10,) of the free fields if the outline wanders round the corner as it does along both edges.

    Grinding marks and uneven paper move an edge over longer stretches than neighbouring pixels tell. The covariance
    of the deviations along the edges, tapered to zero at `reach_px` (Newey and West, 1987), is carried through the
    shift that each stretch of outline would give the fit.
    """
    _, run, corner, use, slope = _along_outline(solution)
    bins = _bins(solution, run)
    at_edge = _deviations(solution, use & ~corner, bins, slope)
    lags = max(2, round(reach_px / (1.5 * solution.wedge.blur)))
    if np.isfinite(at_edge).sum() < 3 * lags:
        return np.zeros(10)
    known = np.isfinite(at_edge)
    bounded = 4 * 1.4826 * float(np.median(np.abs(at_edge[known])))
    deviation = np.where(known, np.clip(at_edge, -bounded, bounded), 0.0)
    count = len(deviation)
    covariances = [
        float(deviation[: count - k] @ deviation[k:]) / max(int((known[: count - k] & known[k:]).sum()), 1)
        * (1 - k / lags)
        for k in range(min(lags, count))
    ]  # fmt: skip
    shift = np.zeros((len(bins), count))
    shift[np.arange(len(bins)), bins] = slope * use
    moved = pull(solution, shift)
    k = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    table = np.where(k < len(covariances), np.array(covariances)[np.minimum(k, len(covariances) - 1)], 0.0)
    return np.asarray(np.maximum(np.einsum("ij,jk,ik->i", moved, table, moved), 0.0))
