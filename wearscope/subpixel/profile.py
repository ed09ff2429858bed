"""Grey profiles across an edge, and where the edge is in them.

The model of one profile is `before + (after - before) * Phi((t - position) / blur)`, the picture of a
straight step through a Gaussian blur, in linear light. Many profiles are fitted at once.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

__all__ = ["StepFits", "fit_steps", "measure_steps", "sample_profiles"]

Floats = NDArray[np.float64]
_ROUNDS = 25
_SETTLED = 0.02
"""The best step left (Newton decrement), in standard uncertainties; a fraction of the noise that no mean of steps reveals."""
_HUBER = 2.5
"""Residuals beyond this many standard deviations count less (99 % efficient on clean Gaussian noise)."""


@dataclass(frozen=True, slots=True)
class StepFits:
    """One fitted step per profile; every array has shape (n,).

    `position` and `blur` (sigma_b) are in the unit of t (px), `u_position` and `u_blur` their standard
    uncertainties from the scatter in the profile (white noise assumed); `before` and `after` are the
    levels on both sides, `rms` the scatter. `ok` is False where no believable step was found: the other
    numbers of such a row mean nothing.
    """

    position: Floats
    u_position: Floats
    blur: Floats
    u_blur: Floats
    before: Floats
    after: Floats
    rms: Floats
    ok: NDArray[np.bool_]

    def rows(self, which: slice) -> "StepFits":
        """Some of the rows."""
        return StepFits(*(getattr(self, field.name)[which] for field in fields(self)))


def sample_profiles(
    picture: NDArray[np.float32], points_px: Floats, normals: Floats, *, half_px: float
) -> tuple[Floats, Floats]:
    """Grey values of the pixels on short lines across an edge; nothing is interpolated.

    `picture` (h, w) float32, linear light; `points_px` (n, 2) x and y; `normals` (n, 2) unit vectors.
    Each profile is the piece of the pixel row or column nearest to its point, whichever runs more nearly
    along the normal. Returns t (n, m), each pixel's distance from the point along the normal (ascending,
    from about -half_px to half_px), and the values (n, m), NaN outside the picture.
    """
    height, width = picture.shape
    along = np.where(np.abs(normals[:, 0]) >= np.abs(normals[:, 1]), 0, 1)
    row = np.arange(len(points_px))
    cosine = normals[row, along]
    count = int(np.ceil(half_px * np.sqrt(2.0)))
    steps = np.arange(-count, count + 1)[None, :] * np.where(cosine >= 0, 1, -1)[:, None]
    nearest = np.rint(points_px).astype(np.int64)
    x = nearest[:, 0, None] + np.where(along[:, None] == 0, steps, 0)
    y = nearest[:, 1, None] + np.where(along[:, None] == 1, steps, 0)
    t = (x - points_px[:, 0, None]) * normals[:, 0, None] + (y - points_px[:, 1, None]) * normals[:, 1, None]
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    values = picture[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)].astype(np.float64)
    values[~inside | (np.abs(t) > half_px)] = np.nan
    return t, values


def _start(t: Floats, values: Floats, used: NDArray[np.bool_]) -> Floats:
    """First guess (n, 4) of position, ln blur, before, after: levels from the ends, place from the area."""
    quarter = max(2, t.shape[1] // 4)
    filled = np.where(used, values, 0.0)

    def level(part: slice) -> Floats:
        count = used[:, part].sum(axis=1)
        whole = filled.sum(axis=1) / np.maximum(used.sum(axis=1), 1)
        return np.asarray(np.where(count > 0, filled[:, part].sum(axis=1) / np.maximum(count, 1), whole))

    before, after = level(slice(0, quarter)), level(slice(-quarter, None))
    jump = np.where(np.abs(after - before) > 1e-12, after - before, 1e-12)
    share = np.clip((np.where(used, values, after[:, None]) - before[:, None]) / jump[:, None], 0.0, 1.0)
    pitch = (t[:, -1] - t[:, 0]) / (t.shape[1] - 1)
    position = t[:, -1] + pitch / 2 - pitch * share.sum(axis=1)
    steepest = np.abs(np.diff(share, axis=1)).max(axis=1) / pitch
    blur = np.clip(1.0 / (np.sqrt(2 * np.pi) * np.maximum(steepest, 1e-6)), 0.5 * pitch, t[:, -1] / 3)
    start: Floats = np.stack([position, np.log(blur), before, after], axis=1)
    return start


def fit_steps(
    t: Floats, values: Floats, *, blur_px: float | None = None, clip: tuple[float, float] | None = None
) -> StepFits:
    """Fit a blurred step to each row of `values` (n, m) sampled at `t` (n, m) or (m,), ascending.

    `blur_px` holds the blur at a known value. `clip` (low, high): samples at or beyond these carry an
    inequality only: they count where the model lies on the forbidden side. Where too little of the step is
    left unclipped the blur and the level trade against each other: hold the blur with `blur_px`. NaN samples are
    left out.
    Levenberg-Marquardt with Huber weights against each row's own scatter.
    """
    from scipy.special import ndtr

    t = np.ascontiguousarray(np.broadcast_to(t, values.shape), dtype=np.float64)
    used = np.isfinite(values)
    values = np.where(used, values, 0.0)
    p = _start(t, values, used)
    if blur_px is not None:
        p[:, 1] = np.log(blur_px)
    free = 3 if blur_px is not None else 4
    low, high = clip if clip is not None else (-np.inf, np.inf)
    n, reach = len(values), np.where(used, np.abs(t), 0.0).max(axis=1) + 1e-9
    widest, narrowest = np.log(np.maximum(reach, 2.0)), np.log(0.15)

    def model(p: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        z = (t - p[:, 0, None]) / np.exp(p[:, 1, None])
        share = ndtr(z)
        value = p[:, 2, None] * (1 - share) + p[:, 3, None] * share
        residual = values - value
        beyond = ((values >= high) & (value >= high)) | ((values <= low) & (value <= low))
        counts = used & ~beyond
        return z, share, np.where(counts, residual, 0.0), counts.astype(float)

    def scatter(residual: Floats, counts: Floats) -> Floats:
        size = np.where(counts > 0, np.abs(residual), np.inf)
        size.sort(axis=1)
        middle = np.maximum((counts > 0).sum(axis=1) - 1, 0) // 2
        return 1.4826 * np.take_along_axis(size, middle[:, None], axis=1)[:, 0] + 1e-12

    def loss(residual: Floats, width: Floats) -> Floats:
        a = np.abs(residual) / width[:, None]
        total: Floats = np.where(a < _HUBER, a * a / 2, _HUBER * a - _HUBER**2 / 2).sum(axis=1)
        return total

    empty = used.sum(axis=1) < free + 2
    used[empty] = True
    z, share, residual, counts = model(p)
    damping = np.full(n, 1e-3)
    eye = np.eye(4)
    width = np.ones(n)
    normal = np.tile(eye, (n, 1, 1))
    for turn in range(_ROUNDS):
        if turn < 4 or turn % 4 == 0:
            rows = counts.sum(axis=1) > 0
            width = np.where(rows, scatter(residual, np.where(rows[:, None], counts, 1.0)), 1.0)
        weight = counts * np.minimum(1.0, _HUBER * width[:, None] / np.maximum(np.abs(residual), 1e-30))
        slope = (p[:, 3] - p[:, 2])[:, None] * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
        blur = np.exp(p[:, 1, None])
        jac = np.stack([-slope / blur, -slope * z, 1 - share, share], axis=2)
        if blur_px is not None:
            jac[..., 1] = 0.0
        weighted = jac * weight[..., None]
        normal = np.matmul(weighted.transpose(0, 2, 1), jac)
        right = np.matmul(weighted.transpose(0, 2, 1), residual[..., None])
        diagonal = np.einsum("nii->ni", normal) + 1e-9
        system = normal + (damping[:, None] * diagonal)[..., None] * eye + 1e-12 * eye
        move = np.linalg.solve(system, right)[..., 0]
        move[:, 0] = np.clip(move[:, 0], -reach / 4, reach / 4)
        move[:, 1] = np.clip(move[:, 1], -0.7, 0.7)
        tried = p + move
        tried[:, 1] = np.clip(tried[:, 1], narrowest, widest)
        trial = model(tried)
        better = loss(trial[2], width) <= loss(residual, width)
        damping = np.where(better, damping * 0.2, np.minimum(damping * 8.0, 1e6))
        p = np.where(better[:, None], tried, p)
        pick = better[:, None]
        z, share = np.where(pick, trial[0], z), np.where(pick, trial[1], share)
        residual, counts = np.where(pick, trial[2], residual), np.where(pick, trial[3], counts)
        ahead = (move * right[..., 0]).sum(axis=1)
        if np.mean(ahead < (_SETTLED * width) ** 2) > 0.95:  # a few rows without an edge never settle
            break
    return _finish(reach, p, residual, counts, normal, width, free, blur_px, empty)


def _finish(
    reach: Floats,
    p: Floats,
    residual: Floats,
    counts: Floats,
    normal: Floats,
    width: Floats,
    free: int,
    blur_px: float | None,
    empty: NDArray[np.bool_],
) -> StepFits:
    blur = np.exp(p[:, 1])
    spare = np.maximum(counts.sum(axis=1) - free, 1.0)
    bounded = np.clip(residual, -_HUBER * width[:, None], _HUBER * width[:, None])
    variance = (bounded**2).sum(axis=1) / spare + 1e-24
    hold = np.zeros((4, 4))
    if blur_px is not None:
        hold[1, 1] = 1.0
    scale = np.einsum("nii->ni", normal).max(axis=1)[:, None, None] * 1e-12
    covariance = np.linalg.inv(normal + hold + scale * np.eye(4)) * variance[:, None, None]
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    u_blur = np.zeros_like(blur) if blur_px is not None else u[:, 1] * blur
    jump = np.abs(p[:, 3] - p[:, 2])
    ok = (np.abs(p[:, 0]) < reach) & (jump > 4 * np.sqrt(variance)) & (u[:, 0] < blur) & ~empty
    ok &= (counts.sum(axis=1) > free) & (blur < reach / 1.5) & np.isfinite(u).all(axis=1)
    return StepFits(p[:, 0], u[:, 0], blur, u_blur, p[:, 2], p[:, 3], np.sqrt(variance), ok)


def measure_steps(
    picture: NDArray[np.float32],
    points_px: Floats,
    normals: Floats,
    *,
    half_px: float,
    blur_px: float | None = None,
    clip: tuple[float, float] | None = None,
) -> StepFits:
    """Edge position along each normal, relative to the given point: `sample_profiles`, then `fit_steps`.

    The true edge is at `points_px + position[:, None] * normals`; normals within some degrees are enough.
    """
    t, values = sample_profiles(picture, points_px, normals, half_px=half_px)
    return fit_steps(t, values, blur_px=blur_px, clip=clip)
