"""The part of the photo round the corner, in the mix of linear light that tells cutter from ground best."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.robust import median
from wearscope.outline.strips import Strip, values_beside
from wearscope.photo.read import LUMINANCE, Photo, linear_light
from wearscope.subpixel.profile import StepFits, fit_steps, profile_pixels

__all__ = ["Window", "best_mix", "steps_at"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Mix = tuple[float, float, float]

_SPACING_PX = 3.0
_ACROSS = np.arange(-8.0, 8.5)
"""Where the light across a contour is looked at: two px of the small copy of a usual photo, and the blur of an edge, to both sides."""
_BESIDE = np.array([-0.5, 0.5])
"""And along it, in the mean of two pixels: half the noise."""
_ENOUGH, _CLEARLY_BETTER = 6.0, 2.0
"""Luminance has full resolution in a JPEG, colour has half. Another mix is taken only where the step in luminance
is less than six times the grain beside it along a quarter of the edges, and it must double that ratio."""
_SMOOTHED = 9


def best_mix(small: NDArray[np.uint8], strips: list[Strip]) -> Mix:
    """Weights of blue, green, red (their sizes add up to 1) in which cutter and ground differ best at the worse edge.

    Fisher's linear discriminant of each edge: the step from 3 px inside to 3 px outside against the grain, which is
    what changes from place to place along it.
    """
    inside, outside = (
        [linear_light(values_beside(small, strip, offsets)).mean(axis=1) for strip in strips]
        for offsets in ((-4, -3, -2), (2, 3, 4))
    )
    steps = [after - before for before, after in zip(inside, outside, strict=True) if len(before) > _SMOOTHED]
    edges = [_smooth_and_grain(step) for step in steps]
    if not edges:
        return LUMINANCE

    def contrast(mix: Floats) -> float:
        return min(
            float(np.percentile(np.abs(smooth @ mix), 25) / np.sqrt(mix @ grain @ mix))
            for smooth, grain in edges
        )

    in_luminance = contrast(np.array(LUMINANCE))
    if in_luminance > _ENOUGH:
        return LUMINANCE
    directions = [np.linalg.solve(grain, smooth.mean(axis=0)) for smooth, grain in edges]
    best = max((d / np.abs(d).sum() for d in directions), key=contrast)
    if contrast(best) < _CLEARLY_BETTER * in_luminance:
        return LUMINANCE
    return float(best[0]), float(best[1]), float(best[2])


def _smooth_and_grain(step: Floats) -> tuple[Floats, Floats]:
    """The step (n, 3) along an edge, smoothed, and the covariance (3, 3) of its grain."""
    grain = np.diff(step, axis=0)
    size = np.hypot.reduce(grain, axis=1)
    calm = grain[size <= median(size)]  # patches of another colour are no grain
    kernel = np.full(_SMOOTHED, 1 / _SMOOTHED)
    smooth = np.stack([np.convolve(c, kernel, mode="valid") for c in step.T], axis=1)
    return smooth, calm.T @ calm / len(calm) + 1e-7 * np.eye(3)


@dataclass(frozen=True, slots=True)
class Window:
    """What of a photo lies between `low` and `high` (x, y), in linear light; `mix` as in `best_mix`."""

    photo: Photo
    low: Floats
    high: Floats
    mix: Mix

    @classmethod
    def around(cls, photo: Photo, place: Floats, reach: float, mix: Mix) -> "Window":
        """The window of +-`reach` round `place`, both in px of the small copy."""
        step = photo.small.step
        low = np.maximum((place - reach) * step, 0.0)
        return cls(photo, low, np.minimum((place + reach) * step, np.array(photo.size) - 1.0), mix)

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) of the whole photo."""
        return self.photo.size

    def steps(self, points: Floats, normals: Floats, half_px: float) -> StepFits:
        """`steps_at`, in this mix."""
        return steps_at(self.photo, self.mix, points, normals, half_px)

    def on_half_level(self, contour: Floats) -> Floats:
        """The contour, evenly spaced; inside the window each point moved along its normal to the half level of the local step."""
        if len(contour) < 8:
            return contour
        points, normals = _evenly(contour)
        reach = len(_ACROSS) // 2 + 1
        near = np.all((points > self.low + reach) & (points < self.high - reach), axis=1)
        place, normal = points[near], normals[near]
        beside = _BESIDE[:, None, None] * np.stack([-normal[:, 1], normal[:, 0]], axis=1)
        x, y = (
            np.rint((place + beside)[..., k, None] + _ACROSS * normal[:, k, None]).astype(int) for k in (0, 1)
        )
        t = (x - place[:, :1]) * normal[:, :1] + (y - place[:, 1:]) * normal[:, 1:]
        points[near] += _to_half_level(t.mean(axis=0), self._light(x, y).mean(axis=0))[:, None] * normal
        return points

    def _light(self, x: Ints, y: Ints) -> Floats:
        return self.photo.light_at(x, y, mix=self.mix)


def steps_at(photo: Photo, mix: Mix, points: Floats, normals: Floats, half_px: float) -> StepFits:
    """`measure_steps` at places of a photo, of which no more than their pixels is looked at."""
    t, x, y, near = profile_pixels(points, normals, half_px=half_px)
    width, height = photo.size
    inside = near & (x >= 0) & (y >= 0) & (x < width) & (y < height)
    light = photo.light_at(np.clip(x, 0, width - 1), np.clip(y, 0, height - 1), mix=mix)
    return fit_steps(t, np.where(inside, light, np.nan))


def _evenly(contour: Floats) -> tuple[Floats, Floats]:
    """The contour smoothed, as evenly spaced points, and the normals there."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(contour, axis=0).T))])
    kernel = cv2.getGaussianKernel(9, 2.0).ravel()
    smooth = np.stack(
        [np.convolve(np.pad(c, 4, mode="edge"), kernel, mode="valid") for c in contour.T], axis=1
    )
    s = np.arange(0.0, run[-1], _SPACING_PX)
    points = np.stack([np.interp(s, run, smooth[:, 0]), np.interp(s, run, smooth[:, 1])], axis=1)
    tangent = np.gradient(points, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return points, np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)


def _to_half_level(t: Floats, values: Floats) -> Floats:
    """Where each profile (n, m) crosses the half level of its ends nearest to its middle; 0 where it does not."""
    before, after = (np.sort(end, axis=1)[:, 1:3].mean(axis=1) for end in (values[:, :4], values[:, -4:]))
    half = 0.5 * (before + after)
    rising = (values - half[:, None]) * np.sign(after - before)[:, None] > 0
    crossing = rising[:, 1:] & ~rising[:, :-1]
    distance = np.where(crossing, np.abs(t[:, :-1] + t[:, 1:]) / 2, np.inf)
    k = np.argmin(distance, axis=1)
    rows = np.arange(len(t))
    low, high = values[rows, k], values[rows, k + 1]
    at = t[rows, k] + (half - low) / np.where(np.abs(high - low) > 1e-9, high - low, 1.0) * (
        t[rows, k + 1] - t[rows, k]
    )
    return np.where(np.isfinite(distance[rows, k]), at, 0.0)
