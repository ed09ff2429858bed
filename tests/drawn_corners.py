"""Corners drawn by another route than the fit's model: signed distance on a fine grid, blurred, boxed to pixels."""

import cv2
import numpy as np

from wearscope.outline.shape import CornerPose
from wearscope.subpixel.corner_model import Wedge, rounded_wedge

FINE = 6


def outline_share(size, apex, angle, opening, radius=0.0, chamfer=0.0):
    """Cutter share (0..1) on a grid FINE times finer than the pixels; the cutter lies between `angle` and + `opening`."""
    half = opening / 2
    e1, e2 = (np.array([np.cos(a), np.sin(a)]) for a in (angle, angle + opening))
    b = (e1 + e2) / np.linalg.norm(e1 + e2)
    c = ((np.arange(size * FINE) + 0.5) / FINE - 0.5).astype(np.float32)
    x, y = c[None, :] - np.float32(apex[0]), c[:, None] - np.float32(apex[1])
    inside1 = x * -e1[1] + y * e1[0]
    inside2 = x * e2[1] - y * e2[0]
    d = np.minimum(inside1, inside2)
    if radius:
        cx, cy = x - b[0] * radius / np.sin(half), y - b[1] * radius / np.sin(half)
        zone = (cx * e1[0] + cy * e1[1] < 0) & (cx * e2[0] + cy * e2[1] < 0)
        d = np.where(zone, radius - np.hypot(cx, cy), d)
    if chamfer:
        cut = x * b[0] + y * b[1] - chamfer * np.cos(half)
        d = np.minimum(d, cut)
    return np.clip(0.5 + d * FINE, 0, 1).astype(np.float32)


def boxed(fine):
    n = len(fine) // FINE
    return fine.reshape(n, FINE, n, FINE).mean((1, 3))


def gaussian(fine, sigma):
    """Total blur `sigma` px, the pixel's own included."""
    return cv2.GaussianBlur(fine, (0, 0), np.sqrt(sigma**2 - 1 / 12) * FINE, borderType=cv2.BORDER_REPLICATE)


def random_place(rng, low=80, high=100):
    apex = np.array([42.0, 42.0]) + rng.uniform(0, 8, 2)
    return apex, np.radians(rng.uniform(-10, 10)), np.radians(rng.uniform(low, high))


def rough_pose(rng, apex, angle, opening, length, blur, *, off=6.0, degrees=2.0):
    """What an outline stage might say: some px and degrees off, the blur within 40 %."""
    a1, a2 = (a + np.radians(rng.uniform(-degrees, degrees)) for a in (angle, angle + opening))
    at = apex + rng.uniform(-off, off, 2)
    blur *= rng.uniform(0.7, 1.4)
    return CornerPose(tuple(at), (np.cos(a1), np.sin(a1)), (np.cos(a2), np.sin(a2)), length, length, blur)


def bound(size, apex, angle, opening, radius, blur, noise_over_contrast):
    """Cramér-Rao bound of R (px): apex, both angles, R, blur and both levels unknown, every pixel of the picture."""
    wedge = Wedge(*apex, angle, angle + opening, radius**2, np.log(blur))
    y, x = np.mgrid[0:size, 0:size]
    f = rounded_wedge(wedge, np.stack([x.ravel(), y.ravel()], axis=1).astype(float))
    design = np.column_stack([f.slopes[:, :6], 1 - f.share, f.share])
    return np.sqrt(np.linalg.inv(design.T @ design)[4, 4]) / (2 * radius) * noise_over_contrast
