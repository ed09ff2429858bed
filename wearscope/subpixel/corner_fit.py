"""Fit the rounded-wedge picture to the pixels along the outline of a corner.

Levels on both sides change with the position (uneven light costs under 1 % of the information),
clipped pixels are inequalities, the noise may differ between cutter and background, and single bad places
(dust, a chip, a scratch) are weighed down. See `corner_model` for the geometry, `corner_pixels` for the levels.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wearscope.subpixel.corner_model import QUICK, Response, Wedge, rounded_wedge
from wearscope.subpixel.corner_pixels import (
    Levels,
    Pixels,
    outline_distance,
    outline_run,
    strip_pixels,
)

__all__ = ["TUKEY", "Design", "Solution", "approach", "counting", "on_edge", "solve", "spread"]

Floats = NDArray[np.float64]
TUKEY = 6.0
"""Residuals beyond this many standard deviations do not count (99 % efficient on clean Gaussian noise)."""
_BLUR_FORMS = (8, 9)
"""The fields of `Wedge` whose derivatives always come together."""
_RIDGE = 1e-11
"""What the picture does not tell stays where it is."""
_TRANSITION = 0.03
"""Shares between this and its complement are on the edge, the others beside it."""


class Design:
    """How the values at `pixels` (n) follow the parameters: `slopes` (p, n) and the coefficients of both levels.

    A matrix (n, p + 2 m), m coefficients a level, that is never written out: hats touch few pixels each.
    """

    def __init__(self, pixels: Pixels, share: Floats, slopes: Floats) -> None:
        self._hats, self._sides = pixels.hats, (1 - share, share)
        even, p = len(pixels.basis), len(slopes)
        self._rows = np.concatenate([slopes, *(side * pixels.basis for side in self._sides)])
        level = even + (self._hats.count if self._hats else 0)
        starts = (p, p + level)
        self._dense = np.concatenate([np.arange(p), *(np.arange(s, s + even) for s in starts)])
        self._sparse = [slice(s + even, s + level) for s in starts]
        self.count = p + 2 * level

    def normal(self, weight: Floats) -> Floats:
        """Products of all columns with each other, weighted (n,)."""
        weighted = self._rows * weight
        dense: Floats = weighted @ self._rows.T
        if self._hats is None:
            return dense
        out = np.empty((self.count, self.count))
        out[np.ix_(self._dense, self._dense)] = dense
        for i, (here, side) in enumerate(zip(self._sparse, self._sides, strict=True)):
            across = self._hats.gathered((weighted * side).T)
            out[here, self._dense], out[self._dense, here] = across, across.T
            for there, other in list(zip(self._sparse, self._sides, strict=True))[i:]:
                block = self._hats.products(weight * side * other)
                out[here, there], out[there, here] = block, block.T
        return out

    def gathered(self, values: Floats) -> Floats:
        """The transposed matrix times `values` (n, k)."""
        out = np.empty((self.count, values.shape[1]))
        out[self._dense] = self._rows @ values
        if self._hats:
            for here, side in zip(self._sparse, self._sides, strict=True):
                out[here] = self._hats.gathered(side[:, None] * values)
        return out

    def times(self, coefficients: Floats) -> Floats:
        """The matrix times `coefficients` (p + 2 m, k): (n, k)."""
        out: Floats = self._rows.T @ coefficients[self._dense]
        if self._hats:
            for here, side in zip(self._sparse, self._sides, strict=True):
                out += side[:, None] * self._hats.times(coefficients[here])
        return out


class Places(NamedTuple):
    """For each pixel (n,): its place across the bisector and along the outline from the arc's middle (px), whether it lies round
    the corner, whether it tells of the outline's place, and how its value follows an outward shift of it."""

    t: Floats
    run: Floats
    corner: NDArray[np.bool_]
    use: NDArray[np.bool_]
    slope: Floats


@dataclass(frozen=True)
class Solution:
    """A converged fit.

    `active`: which fields of `Wedge` were free. `share`, `by_field`, `residual`, `weight`, `variance` are per pixel
    (n,), (10, n): response, its derivatives after the fields (0 where one was held), value minus model, robust weight 0..1 (0 also
    where clipped), variance of the noise. `levels` (2, m): coefficients of background and cutter; `jump` (n,): cutter
    minus background. `held`: what was known of the parameters of `design`, as an addition to the normal equations.
    """

    wedge: Wedge
    active: tuple[int, ...]
    pixels: Pixels
    levels: Floats
    share: Floats
    jump: Floats
    by_field: Floats
    residual: Floats
    weight: Floats
    variance: Floats
    held: Floats
    converged: bool

    @cached_property
    def design(self) -> Design:
        """How the values follow the free fields and the levels."""
        return Design(self.pixels, self.share, self.jump * self.by_field[list(self.active)])

    def slopes(self, fields: Sequence[int]) -> Floats:
        """How the values follow these fields of the wedge, free or held (n, k)."""
        found = self.by_field
        if not set(fields) <= {*self.active, *(_BLUR_FORMS if set(_BLUR_FORMS) & set(self.active) else ())}:
            found = rounded_wedge(self.wedge, self.pixels.points, wanted=fields, how=QUICK).slopes.T
        return np.asarray((self.jump * found[list(fields)]).T)

    @cached_property
    def normal(self) -> Floats:
        """The normal equations."""
        normal = self.design.normal(self.weight / self.variance)
        normal[np.diag_indices_from(normal)] += self.held
        return normal

    @cached_property
    def inverse(self) -> Floats:
        """The inverse of the normal equations."""
        size = np.sqrt(np.diag(self.normal)) + 1e-12
        scale = np.outer(size, size)
        return np.asarray(np.linalg.inv(self.normal / scale + _RIDGE * np.eye(len(size))) / scale)

    @cached_property
    def influence(self) -> Floats:
        """How far each free field moves for a change of each pixel's value, over the pixel's weight (n, k)."""
        return self.design.times(self.inverse[:, : len(self.active)])

    @cached_property
    def places(self) -> Places:
        """Where the pixels lie along the outline."""
        wedge, pixels = self.wedge, self.pixels
        distance, along = outline_distance(wedge, pixels.points)
        t = (pixels.points - np.array([wedge.x, wedge.y])) @ wedge.across
        slope = self.jump * np.hypot(self.by_field[0], self.by_field[1])
        use = (np.abs(distance) < 3 * wedge.blur) & counting(pixels, pixels.values - self.residual)
        corner = along - wedge.tangent_length < 2 * wedge.blur
        return Places(t, outline_run(wedge, pixels.points), corner, use, slope)

    def without(self, columns: Sequence[int]) -> Floats:
        """The parameters of `design` as they would be, to first order, if those at these places were zero."""
        values = np.concatenate([self.wedge.vector()[list(self.active)], self.levels.ravel()])
        kept = np.ones(len(values), dtype=bool)
        kept[list(columns)] = False
        block = self.normal[np.ix_(kept, kept)]
        size = np.sqrt(np.diag(block)) + 1e-12
        right = self.normal[np.ix_(kept, ~kept)] @ values[~kept] / size
        values[kept] += (
            np.linalg.solve(block / np.outer(size, size) + _RIDGE * np.eye(len(size)), right) / size
        )
        values[~kept] = 0.0
        return values


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
        small, sharp, half_px=(3 * blur, 3 * blur), reach_px=reach, clip=clip, levels=levels, deepest=radii[-1]
    ).thinned(2)  # fmt: skip
    if len(pixels.values) < 60:
        return start
    tries = [
        solve(
            pixels,
            replace(sharp, rounding=r * r),
            active=range(5),
            robust=False,
            rounds=2,
            near=near,
        )
        for r in radii
    ]
    best = min(tries, key=lambda tried: float(np.abs(tried.residual).sum()))  # all on the same pixels
    w = solve(pixels, best.wedge, active=range(5), robust=True, rounds=6, tolerance=0.15, near=near).wedge
    return Wedge(
        w.x * _COARSE + shift + x0, w.y * _COARSE + shift + y0, w.end_angle, w.side_angle,
        max(w.rounding, 0.0) * _COARSE**2, start.log_blur,
    )  # fmt: skip


def counting(pixels: Pixels, model: Floats) -> NDArray[np.bool_]:
    """False where a clipped value lies on the allowed side of its inequality."""
    if not pixels.clipped:
        return np.ones(len(model), dtype=bool)
    over = (pixels.values >= pixels.high) & (model >= pixels.high)
    under = (pixels.values <= pixels.low) & (model <= pixels.low)
    return ~(over | under)


def on_edge(share: Floats) -> NDArray[np.bool_]:
    """Pixels whose value tells of the outline's place."""
    return (share > _TRANSITION) & (share < 1 - _TRANSITION)


def spread(residual: Floats) -> float:
    """Robust standard deviation; 0 where there are too few values."""
    half = len(residual) // 2
    return 1.4826 * float(np.partition(np.abs(residual), half)[half]) if half > 10 else 0.0


def _noise(share: Floats, residual: Floats, counts: NDArray[np.bool_], floor: float) -> Floats:
    """Variance of the noise at each pixel, between that of the background and that of the cutter."""
    sides = [spread(residual[counts & where]) for where in (share < 0.1, share > 0.9)]
    whole = max(spread(residual[counts]), floor)
    background, cutter = (max(s, 0.2 * whole, floor) ** 2 for s in sides)
    return background + np.clip(share, 0, 1) * (cutter - background)


def _start_levels(pixels: Pixels, share: Floats) -> Floats:
    """Levels by plain least squares, each side from the pixels that mostly show it; where they are planes already, no hats yet."""
    plane = len(pixels.basis)
    if pixels.hats and plane > 1:
        levels = np.zeros_like(pixels.freedom)
        levels[:, :plane] = _start_levels(replace(pixels, hats=None), share)
        return levels
    design = Design(pixels, share, np.empty((0, len(share))))
    normal = design.normal(np.ones(len(share)))
    ridge = np.tile([1e-9, *([1e-3] * (design.count // 2 - 1))], 2) * len(share)
    normal[np.diag_indices_from(normal)] += ridge
    solved = np.linalg.solve(normal, design.gathered(pixels.values[:, None])[:, 0])
    return np.asarray(solved.reshape(2, -1), np.float64)


@dataclass(frozen=True, slots=True)
class _Guess:
    """Where a fit stands: shape, levels, and the picture they make (fields as in `Solution`)."""

    wedge: Wedge
    levels: Floats
    share: Floats
    by_field: Floats
    jump: Floats
    model: Floats


def _guess(pixels: Pixels, wedge: Wedge, levels: Floats | None, response: Response) -> _Guess:
    share, slopes = response
    if levels is None:
        levels = _start_levels(pixels, share)
    background, cutter = pixels.levels(levels)
    jump = cutter - background
    return _Guess(wedge, levels, share, slopes.T, jump, background + share * jump)


class _Objective:
    """What a fit makes small: squared residuals over the variance of the noise, Tukey's function of them where `robust`, and
    the squared departures of the parameters from zero, times `held`."""

    def __init__(self, pixels: Pixels, held: Floats, floor: float, *, robust: bool) -> None:
        self.pixels, self.held, self._floor, self._robust = pixels, held, floor, robust
        self.variance = np.ones(len(pixels.values))

    def residual(self, model: Floats) -> tuple[NDArray[np.bool_], Floats]:
        """Which pixels count, and value minus model, 0 where one does not."""
        counts = counting(self.pixels, model)
        return counts, np.where(counts, self.pixels.values - model, 0.0)

    def learn(self, guess: _Guess) -> None:
        """See how large the noise is."""
        counts, residual = self.residual(guess.model)
        self.variance = _noise(guess.share, residual, counts, self._floor)
        if self._robust:
            excess = spread((residual / np.sqrt(self.variance))[on_edge(guess.share) & counts])
            self.variance = self.variance * max(1.0, excess) ** 2

    def weight(self, counts: NDArray[np.bool_], residual: Floats) -> Floats:
        """Robust weights, 0..1."""
        if not self._robust:
            return counts.astype(float)
        return np.asarray(counts * np.maximum(1 - residual**2 / (self.variance * TUKEY**2), 0.0) ** 2)

    def cost(self, guess: _Guess) -> float:
        z2 = self.residual(guess.model)[1] ** 2 / self.variance
        if self._robust:
            z2 = TUKEY**2 / 3 * (1 - np.maximum(1 - z2 / TUKEY**2, 0.0) ** 3)
        levels = guess.levels.ravel()
        return float(z2.sum()) + float(self.held[-len(levels) :] @ levels**2)

    def downhill(self, design: Design, guess: _Guess, step: Floats, model: Floats) -> tuple[Floats, Floats]:
        """The direction (k,) of less after a `step` that has made `model`, and the weights over the variance (n,)."""
        counts, residual = self.residual(model)
        weight = self.weight(counts, residual) / self.variance
        down = design.gathered((weight * residual)[:, None])[:, 0]
        levels = guess.levels.ravel()
        down[-len(levels) :] -= self.held[-len(levels) :] * (levels + step[-len(levels) :])
        return down, weight


class _Way:
    """The way from a guess to the best picture near it, as far as the picture is linear in the parameters.

    `blocked`: places of free fields at one of their bounds (least, most), that may not go beyond. `normal`: equations of a guess
    near by that are good enough, and the mean variance of the noise then.
    """

    def __init__(
        self, objective: _Objective, design: Design, guess: _Guess, at_bound: tuple[NDArray[np.bool_], NDArray[np.bool_]],
        normal: tuple[Floats, float] | None,
    ) -> None:  # fmt: skip
        self._objective, self._design, self._guess, self._at_bound = objective, design, guess, at_bound
        noise = float(objective.variance.mean())
        self.normal = (normal[0] * (normal[1] / noise), noise) if normal else (np.empty(0), noise)
        self._afresh = normal is None

    def step(self, damping: float) -> tuple[Floats, float]:
        """The step (k,) and its length in standard uncertainties.

        Where pixels are clipped it is found in parts: which of them count changes on the way.
        """
        objective, design, guess = self._objective, self._design, self._guess
        step, model = np.zeros(design.count), guess.model
        for part in range(_PARTS):
            down, weight = objective.downhill(design, guess, step, model)
            if self._afresh:
                normal = design.normal(weight)
                normal[np.diag_indices_from(normal)] += objective.held
                self.normal = normal, self.normal[1]
            if not part:  # a field at a bound that wants more of it stays
                least, most = self._at_bound
                blocked = np.flatnonzero(np.where(down[: len(most)] > 0, most, least))
            size = np.sqrt(np.diag(self.normal[0])) + 1e-12
            damped = self.normal[0] / np.outer(size, size)
            damped[np.diag_indices_from(damped)] += damping
            damped[blocked, blocked] = _BLOCKED
            down[blocked] = 0.0
            step = step + np.linalg.solve(damped, down / size) / size
            if not objective.pixels.clipped:
                break
            before, model = model, guess.model + design.times(step[:, None])[:, 0]
            if (counting(objective.pixels, model) == counting(objective.pixels, before)).all():
                break
        return step, math.sqrt(max(float(step @ (self.normal[0] @ step)), 0.0))


def solve(
    pixels: Pixels,
    wedge: Wedge,
    *,
    active: Sequence[int],
    levels: Floats | None = None,
    robust: bool = True,
    rounds: int = 12,
    tolerance: float = 0.055,
    largest_blur: float = 40.0,
    near: tuple[Wedge, float] | None = None,
) -> Solution:
    """Levenberg-Marquardt over the free fields of `wedge` and the coefficients of the levels.

    Stops when the best step left moves the parameters by less than `tolerance` standard uncertainties (rms), or when the fit
    still runs against its bounds when the noise is known: it has lost the corner.
    `levels`: where those start, as in `Solution`.
    `near` (where, px): the apex stays that near, and the edges within 0.1 rad of those of that wedge.
    """
    free, points = np.array(sorted(active)), pixels.points
    n_free, (least, most) = len(free), _bounds(largest_blur, near)
    response = rounded_wedge(wedge, points, wanted=active, how=QUICK)
    now = _guess(pixels, wedge, levels, response)
    contrast = float(np.abs(np.median(now.jump))) + 1e-9
    held = np.concatenate([np.zeros(n_free), (pixels.freedom.ravel() * contrast) ** -2])
    objective = _Objective(pixels, held, 1e-4 * contrast, robust=robust)
    damping, converged, stretch, near_by = 1e-6, False, 1.0, None
    for done in range(rounds):
        if done < _NOISE_ROUNDS:
            objective.learn(now)
        cost, vector = objective.cost(now), now.wedge.vector()
        at_least, at_most = vector <= least, vector >= most
        if done > _NOISE_ROUNDS and (at_least | at_most)[:6].any():
            break
        design = Design(pixels, now.share, now.jump * now.by_field[free])
        way = _Way(objective, design, now, (at_least[free], at_most[free]), near_by)
        for _ in range(8):
            step, length = way.step(damping)
            converged = damping < _LIGHT and stretch * length < tolerance * math.sqrt(len(step))
            if converged:
                break
            further = vector.copy()
            further[free] += stretch * step[:n_free]
            moved = wedge.moved(np.clip(_stepped(vector, further), least, most))
            response = rounded_wedge(moved, points, wanted=active, how=QUICK)
            tried = _guess(pixels, moved, now.levels + stretch * step[n_free:].reshape(2, -1), response)
            fallen = cost - objective.cost(tried)
            if fallen >= -1e-9 * cost:
                break
            if stretch > 1:
                stretch = 1.0
            else:
                damping = min(max(damping * 30, _LIGHT), 1e4)
        else:
            break
        if converged:
            break
        bend = 2 / stretch - fallen / (stretch * length) ** 2
        stretch = float(np.clip(1 / max(bend, 1e-3), 1.0, _LONGEST))
        damping = max(damping * 0.03, 1e-9)
        near_by = way.normal if length < _SHORT and pixels.hats and not pixels.clipped else None
        now = tried
    counts, residual = objective.residual(now.model)
    weight = objective.weight(counts, residual)
    jump_now = abs(float(np.median(now.jump))) + 1e-9
    return Solution(
        now.wedge,
        tuple(int(i) for i in free),
        pixels,
        now.levels,
        now.share,
        now.jump,
        now.by_field,
        residual,
        weight,
        _noise(now.share, residual, counts, 1e-4 * contrast),
        held * (contrast / jump_now) ** 2,
        converged,
    )


_LIGHT = 1e-3
"""Steps damped less than this are as long as they would be without."""
_SHORT = 10.0
"""After a step shorter than this, in standard uncertainties, the normal equations are as good as new ones (which cost the most
where the light changes along the outline)."""
_PARTS = 6
"""A step is found in so many parts where pixels are clipped."""
_LONGEST = 4.0
"""Where most residuals count little, the true valley is flatter than these equations: a step may be this many times as long."""
_BLOCKED = 1e12
"""A parameter with this on the diagonal does not move."""
_NOISE_ROUNDS = 4
"""After so many rounds the noise is known, and the weights may settle."""
_LARGEST_STEP = np.array([8, 8, 0.2, 0.2, np.inf, 0.7, 0.01, 0.01, 0.3, 0.3])


_TURN = 0.1
"""Edges followed over a hundred px are right to a fraction of this (rad); a fit that wants more follows something else."""


def _bounds(largest_blur: float, near: tuple[Wedge, float] | None) -> tuple[Floats, Floats]:
    """The least and the greatest value of each field of `Wedge`."""
    high = np.full(10, np.inf)
    high[8:] = 0.6
    low = -high
    low[5], high[5] = np.log(0.3), np.log(largest_blur)
    if near is not None:
        middle, room = near[0].vector()[:4], np.array([near[1], near[1], _TURN, _TURN])
        low[:4], high[:4] = middle - room, middle + room
    return low, high


def _stepped(old: Floats, new: Floats) -> Floats:
    """One step moves the apex at most 8 px, angles 0.2 rad, the blur a factor 2; R^2 grows at most fourfold."""
    blur = np.exp(old[5])
    out = old + np.clip(new - old, -_LARGEST_STEP, _LARGEST_STEP)
    out[4] = np.clip(new[4], min(old[4], 0.0) - blur**2, 4 * max(old[4], 0.0) + (6 * blur) ** 2)
    return out
