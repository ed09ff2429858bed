"""Grey profiles across an edge, and where the edge is in them.

The model of one profile is `before + (after - before) * Phi((t - position) / blur)`, the picture of a
straight step through a Gaussian blur, in linear light. Many profiles are fitted at once.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

__all__ = ["StepFits", "fit_steps", "measure_steps", "profile_pixels", "sample_profiles"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
_ROUNDS, _SCALED = 10, 6
"""The place is found in two or three rounds; the scatter, which says what counts as an outlier, in twice as many."""
_FEWEST = 6
"""Samples that fix four numbers and a scatter."""
_NARROWEST = np.log(0.15)
"""A pixel alone blurs by 0.29 px; half of that leaves room for noise."""
_SETTLED = 0.02
"""The best step left (Newton decrement), in standard uncertainties; a fraction of the noise that no mean of steps reveals."""
_HUBER = 2.5
"""Residuals beyond this many standard deviations count less (99 % efficient on clean Gaussian noise)."""


@dataclass(frozen=True, slots=True)
class StepFits:
    """One fitted step per profile; every array has shape (n,).

    `position` and `blur` (sigma_b) are in the unit of t (px), `u_position` and `u_blur` their standard
    uncertainties from the scatter in the profile (white noise assumed); `before` and `after` are the
    levels on both sides. `ok` is False where no believable step was found: the other numbers of such a row
    mean nothing.
    """

    position: Floats
    u_position: Floats
    blur: Floats
    u_blur: Floats
    before: Floats
    after: Floats
    ok: NDArray[np.bool_]

    def rows(self, which: slice) -> "StepFits":
        """Some of the rows."""
        return StepFits(*(getattr(self, field.name)[which] for field in fields(self)))


def sample_profiles(
    picture: NDArray[np.float32], points_px: Floats, normals: Floats, *, half_px: float
) -> tuple[Floats, Floats]:
    """Grey values of the pixels on short lines across an edge; nothing is interpolated.

    `picture` (h, w) float32, linear light; the rest as in `profile_pixels`. Returns t and the values (n, m), NaN outside the picture.
    """
    t, x, y, near = profile_pixels(points_px, normals, half_px=half_px)
    height, width = picture.shape
    inside = near & (x >= 0) & (y >= 0) & (x < width) & (y < height)
    values = picture[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)].astype(np.float64)
    values[~inside] = np.nan
    return t, values


def profile_pixels(
    points_px: Floats, normals: Floats, *, half_px: float
) -> tuple[Floats, Ints, Ints, NDArray[np.bool_]]:
    """The pixels on short lines across an edge.

    `points_px` (n, 2) x and y; `normals` (n, 2) unit vectors. Each profile is the piece of the pixel row or column nearest to its point,
    whichever runs more nearly along the normal. Returns t (n, m), each pixel's distance from the point along the normal (ascending),
    x and y of the pixels, and whether t is within `half_px`.
    """
    along = np.where(np.abs(normals[:, 0]) >= np.abs(normals[:, 1]), 0, 1)
    row = np.arange(len(points_px))
    cosine = normals[row, along]
    count = int(np.ceil(half_px / np.abs(cosine).min())) if len(row) else 0
    steps = np.arange(-count, count + 1)[None, :] * np.where(cosine >= 0, 1, -1)[:, None]
    nearest = np.rint(points_px).astype(np.int64)
    x = nearest[:, 0, None] + np.where(along[:, None] == 0, steps, 0)
    y = nearest[:, 1, None] + np.where(along[:, None] == 1, steps, 0)
    t = (x - points_px[:, 0, None]) * normals[:, 0, None] + (y - points_px[:, 1, None]) * normals[:, 1, None]
    return t, x, y, np.abs(t) <= half_px


def _start(t: Floats, values: Floats, used: NDArray[np.bool_]) -> Floats:
    """First guess (n, 4) of position, ln blur, before, after: levels from the ends, place from the area."""
    quarter = max(2, t.shape[1] // 4)
    filled = np.where(used, values, 0.0)
    whole = filled.sum(axis=1) / np.maximum(used.sum(axis=1), 1)

    def level(part: slice) -> Floats:
        count = used[:, part].sum(axis=1)
        return np.asarray(np.where(count > 0, filled[:, part].sum(axis=1) / np.maximum(count, 1), whole))

    before, after = level(slice(0, quarter)), level(slice(-quarter, None))
    jump = np.where(np.abs(after - before) > 1e-12, after - before, 1e-12)
    share = np.where(used, np.clip((values - before[:, None]) / jump[:, None], 0.0, 1.0), t > 0)
    pitch = (t[:, -1] - t[:, 0]) / (t.shape[1] - 1)
    position = t[:, -1] + pitch / 2 - pitch * share.sum(axis=1)
    steepest = np.abs(np.diff(share, axis=1)).max(axis=1) / pitch
    blur = np.clip(1.0 / (np.sqrt(2 * np.pi) * np.maximum(steepest, 1e-6)), 0.5 * pitch, t[:, -1] / 3)
    return np.stack([position, np.log(blur), before, after], axis=1)


def _scatter(residual: Floats, used: NDArray[np.bool_]) -> Floats:
    """Robust standard deviation of each row."""
    size = np.sort(np.where(used, np.abs(residual), np.inf), axis=1)
    middle = np.maximum(used.sum(axis=1) - 1, 0) // 2
    return np.asarray(1.4826 * size[np.arange(len(size)), middle] + 1e-12)


def fit_steps(t: Floats, values: Floats) -> StepFits:
    """Fit a blurred step to each row of `values` (n, m) sampled at `t` (n, m) or (m,), ascending; NaN samples are left out.

    Levenberg-Marquardt with Huber weights against each row's own scatter.
    """
    from scipy.special import ndtr

    t = np.ascontiguousarray(np.broadcast_to(t, values.shape), dtype=np.float64)
    used = np.isfinite(values)
    empty = used.sum(axis=1) < _FEWEST
    p = _start(t, values, used)
    used[empty] = True
    values = np.where(used, np.nan_to_num(values), 0.0)
    reach = np.where(used, np.abs(t), 0.0).max(axis=1) + 1e-9
    farthest, widest = reach / 4, np.log(np.maximum(reach, 2.0))

    def model(p: Floats) -> tuple[Floats, Floats, Floats]:
        z = (t - p[:, :1]) * np.exp(-p[:, 1:2])
        share = ndtr(z)
        return z, share, np.where(used, values - p[:, 2:3] - (p[:, 3:] - p[:, 2:3]) * share, 0.0)

    def loss(residual: Floats, width: Floats) -> Floats:
        a = np.abs(residual) / width[:, None]
        inner = np.minimum(a, _HUBER)
        return np.asarray((inner * (a - inner / 2)).sum(axis=1))

    z, share, residual = model(p)
    damping = np.full(len(p), 1e-3)
    width = np.ones(len(p))
    jac = np.empty((*t.shape, 4))
    for turn in range(_ROUNDS):
        if turn < _SCALED:
            width = _scatter(residual, used)
        weight = used / np.maximum(1.0, np.abs(residual) / (_HUBER * width[:, None]))
        slope = np.exp(-0.5 * z * z) * ((p[:, 2] - p[:, 3]) / np.sqrt(2 * np.pi))[:, None]
        jac[..., 0] = slope * np.exp(-p[:, 1:2])
        jac[..., 1] = slope * z
        jac[..., 2] = 1 - share
        jac[..., 3] = share
        weighted = (jac * weight[..., None]).transpose(0, 2, 1)
        normal, right = weighted @ jac, weighted @ residual[..., None]
        system = normal + 1e-12 * np.eye(4)
        np.einsum("nii->ni", system)[:] += damping[:, None] * (np.einsum("nii->ni", normal) + 1e-9)
        move = np.linalg.solve(system, right)[..., 0]
        move[:, 0] = np.clip(move[:, 0], -farthest, farthest)
        move[:, 1] = np.clip(move[:, 1], -0.7, 0.7)
        tried = p + move
        tried[:, 1] = np.clip(tried[:, 1], _NARROWEST, widest)
        trial = model(tried)
        better = loss(trial[2], width) <= loss(residual, width)
        damping = np.where(better, damping * 0.2, np.minimum(damping * 8.0, 1e6))
        p[better] = tried[better]
        for old, new in zip((z, share, residual), trial, strict=True):
            old[better] = new[better]
        ahead = (move * right[..., 0]).sum(axis=1)
        if np.mean(ahead < (_SETTLED * width) ** 2) > 0.95:  # a few rows without an edge never settle
            break
    return _finish(reach, p, residual, normal, width, used, empty)


def _finish(
    reach: Floats,
    p: Floats,
    residual: Floats,
    normal: Floats,
    width: Floats,
    used: NDArray[np.bool_],
    empty: NDArray[np.bool_],
) -> StepFits:
    blur = np.exp(p[:, 1])
    spare = np.maximum(used.sum(axis=1) - 4, 1.0)
    bounded = np.clip(residual, -_HUBER * width[:, None], _HUBER * width[:, None])
    variance = (bounded**2).sum(axis=1) / spare + 1e-24
    scale = np.einsum("nii->ni", normal).max(axis=1)[:, None, None] * 1e-12
    covariance = np.linalg.inv(normal + scale * np.eye(4)) * variance[:, None, None]
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    jump = np.abs(p[:, 3] - p[:, 2])
    ok = (np.abs(p[:, 0]) < reach) & (jump > 4 * np.sqrt(variance)) & (u[:, 0] < blur) & ~empty
    ok &= (blur < reach / 1.5) & np.isfinite(u).all(axis=1)
    return StepFits(p[:, 0], u[:, 0], blur, u[:, 1] * blur, p[:, 2], p[:, 3], ok)


def measure_steps(
    picture: NDArray[np.float32], points_px: Floats, normals: Floats, *, half_px: float
) -> StepFits:
    """Edge position along each normal, relative to the given point: `sample_profiles`, then `fit_steps`.

    The true edge is at `points_px + position[:, None] * normals`; normals within some degrees are enough.
    """
    return fit_steps(*sample_profiles(picture, points_px, normals, half_px=half_px))
