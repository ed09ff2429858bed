"""The part of the photo round the corner, in the mix of linear light that tells cutter from ground best."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.outline.corners import CornerCandidate, run_along
from wearscope.photo.read import LUMINANCE, Photo, srgb_to_linear
from wearscope.subpixel.profile import StepFits, measure_steps

__all__ = ["Window", "best_mix"]

Floats = NDArray[np.float64]
Mix = tuple[float, float, float]

_SPACING_PX = 3.0
_HALF_WINDOW = 140.0
"""Half the window's side beyond the corner's gap, px of the small picture: the reach of the edges that are
followed, and a margin."""
_CLEARLY_BETTER = 2.0
"""Luminance has full resolution in a JPEG, colour has half: another mix must double the contrast over noise."""


def best_mix(small: NDArray[np.uint8], corner: CornerCandidate) -> Mix:
    """Weights of blue, green, red (their sizes add up to 1) for the edges of `corner`.

    Fisher's linear discriminant between strips just inside and just outside the two edges.
    """
    a, b = corner.arms
    strips: tuple[list[Floats], list[Floats]] = ([], [])
    for arm, other in ((a, b), (b, a)):
        points, tangents = run_along(arm, corner.apex, 2.0, 110.0)
        points, tangents = points[int(arm.gap / 2) + 3 :], tangents[int(arm.gap / 2) + 3 :]
        normal = np.stack([-tangents[:, 1], tangents[:, 0]], axis=1)
        normal *= -np.sign(normal @ other.direction)[:, None]
        for strip, offsets in zip(strips, ((-6, -5, -4), (4, 5, 6)), strict=True):
            for offset in offsets:
                x, y = np.rint(points + offset * normal).astype(int).T
                inside = (x >= 0) & (y >= 0) & (x < small.shape[1]) & (y < small.shape[0])
                strip.append(srgb_to_linear(small[y[inside], x[inside]] / 255.0))
    within, outside = (np.concatenate(strip) for strip in strips)
    if min(len(within), len(outside)) < 30:
        return LUMINANCE
    step = outside.mean(axis=0) - within.mean(axis=0)
    scatter = np.cov(within.T) + np.cov(outside.T) + 1e-6 * np.eye(3)
    direction = np.linalg.solve(scatter, step)
    direction /= np.abs(direction).sum()

    def contrast(mix: Floats) -> float:
        return float(abs(mix @ step) / np.sqrt(mix @ scatter @ mix))

    if contrast(direction) < _CLEARLY_BETTER * contrast(np.array(LUMINANCE)):
        return LUMINANCE
    return float(direction[0]), float(direction[1]), float(direction[2])


@dataclass(frozen=True, slots=True)
class Window:
    """A crop in linear light: `picture` (h, w), `origin` (x, y) of its first pixel, `size` of the whole photo."""

    picture: NDArray[np.float32]
    origin: Floats
    size: tuple[int, int]
    mix: Mix

    @classmethod
    def around(cls, photo: Photo, corner: CornerCandidate, step: int, mix: Mix) -> "Window":
        """The window round `corner` (in px of the small picture, `step` photo px each)."""
        width, height = photo.size
        half = _HALF_WINDOW + 1.5 * max(arm.gap for arm in corner.arms)
        x0, y0 = np.maximum((corner.apex - half) * step, 0).astype(int)
        x1, y1 = np.minimum((corner.apex + half) * step + 1, (width, height)).astype(int)
        picture = photo.linear((int(x0), int(y0), int(x1), int(y1)), mix=mix)
        return cls(picture, np.array([x0, y0], float), photo.size, mix)

    def steps(self, points: Floats, normals: Floats, half_px: float) -> StepFits:
        """`measure_steps` at places of the whole photo."""
        return measure_steps(self.picture, points - self.origin, normals, half_px=half_px)

    def on_half_level(self, contour: Floats) -> Floats:
        """The contour, evenly spaced; inside the window each point moved to the half level of the local step."""
        if len(contour) < 8:
            return contour
        return _on_half_level(self.picture, contour - self.origin) + self.origin


def _on_half_level(picture: NDArray[np.float32], contour: Floats) -> Floats:
    """The contour, evenly spaced, each point moved along its normal to the half level of the local step."""
    if len(contour) < 8:
        return contour
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(contour, axis=0).T))])
    kernel = cv2.getGaussianKernel(9, 2.0).ravel()
    smooth = np.stack(
        [np.convolve(np.pad(c, 4, mode="edge"), kernel, mode="valid") for c in contour.T], axis=1
    )
    s = np.arange(0.0, run[-1], _SPACING_PX)
    points = np.stack([np.interp(s, run, smooth[:, 0]), np.interp(s, run, smooth[:, 1])], axis=1)
    tangent = np.gradient(points, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normals = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    t = np.arange(-8.0, 8.5)
    x = (points[:, 0, None] + t * normals[:, :1]).astype(np.float32)
    y = (points[:, 1, None] + t * normals[:, 1:]).astype(np.float32)
    values = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    before, after = np.median(values[:, :4], axis=1), np.median(values[:, -4:], axis=1)
    half = 0.5 * (before + after)
    rising = (values - half[:, None]) * np.sign(after - before)[:, None] > 0
    crossing = rising[:, 1:] & ~rising[:, :-1]
    distance = np.where(crossing, np.abs(t[:-1] + 0.5), np.inf)
    k = np.argmin(distance, axis=1)
    rows = np.arange(len(points))
    low, high = values[rows, k], values[rows, k + 1]
    at = t[k] + (half - low) / np.where(np.abs(high - low) > 1e-9, high - low, 1.0)
    shift = np.where(np.isfinite(distance[rows, k]), np.clip(at, -8, 8), 0.0)
    return np.asarray(points + shift[:, None] * normals)
