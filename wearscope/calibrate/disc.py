"""An object of known diameter: a coin or the end of a pin (a circle), or a pin or shank from the side (a bar)."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.subpixel.marks import bar_centres, outline_rays

__all__ = ["MeasuredDisc", "measure_disc"]

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

ROUND = 0.01
"""Largest scatter of the outline about the fitted shape, in diameters."""


@dataclass(frozen=True, slots=True)
class MeasuredDisc:
    """`diameter_px` at the object, its standard uncertainty, long and short axis (a circle only), the outline's points.

    `direction_deg`: of the long axis, or across the bar; counterclockwise from the picture's x axis.
    """

    diameter_px: float
    u_px: float
    axes_px: tuple[float, float] | None
    direction_deg: float
    point_px: Array
    used: int
    scatter_px: float


def measure_disc(grey: Picture, linear: Picture) -> tuple[MeasuredDisc | None, str]:
    """The largest round or parallel-sided object that stands out from the background."""
    reason = "no object stands out from the background"
    for mask in _objects(grey):
        for measure in (_circle, _bar):
            found, why = measure(mask, linear)
            if found:
                return found, ""
            reason = why or reason
    return None, reason


def _objects(grey: Picture) -> list[NDArray[np.uint8]]:
    """Masks of the larger things darker, then lighter, than the middle between the two main levels."""
    picture = cv2.GaussianBlur(np.clip(grey, 0, 255).astype(np.uint8), (0, 0), 2.0)
    _, light = cv2.threshold(picture, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    masks = []
    for mask in (1 - light, light):
        _n, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
        for k in 1 + np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:2]:
            if stats[k, cv2.CC_STAT_AREA] > 0.005 * mask.size:
                masks.append((labels == k).astype(np.uint8))
    return masks


def _outline(mask: NDArray[np.uint8]) -> Array:
    """Outer contour without the parts along the rim of the picture."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = max(contours, key=len).reshape(-1, 2).astype(float)
    limit = np.array(mask.shape[::-1]) - 4
    return np.asarray(points[np.all((points > 3) & (points < limit), axis=1)])


def _circle(mask: NDArray[np.uint8], linear: Picture) -> tuple[MeasuredDisc | None, str]:
    points = _outline(mask)
    if len(points) < 60:
        return None, ""
    x, y = points.T
    a, b, c = np.linalg.lstsq(np.column_stack([x, y, np.ones(len(x))]), x * x + y * y, rcond=None)[0]
    centre, radius = np.array([a / 2, b / 2]), float(np.sqrt(max(c + a * a / 4 + b * b / 4, 1.0)))
    if np.median(np.abs(np.hypot(x - a / 2, y - b / 2) - radius)) > 0.05 * radius:
        return None, "the outline is neither round nor parallel-sided"
    sign = 1 if mask.mean() and linear[mask > 0].mean() < linear[mask == 0].mean() else -1
    for _ in range(3):
        turn, edge = outline_rays(linear, centre, radius, sign=sign)
        if len(turn) < 180:
            return None, "less than half of the circle is inside the picture"
        design = np.column_stack(
            [np.ones(len(turn)), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)]
        )
        fit, weight, spread, covariance = _robust(design, edge)
        centre, radius = centre + fit[1:3], float(fit[0])
    if spread > ROUND * 2 * radius or np.mean(weight > 0.1) < 0.7:
        return None, f"the outline is not round (scatter {spread:.1f} px)"
    oval = float(np.hypot(*fit[3:5]))
    direction = -np.rad2deg(np.arctan2(fit[4], fit[3]) / 2)
    outline = centre + edge[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    squash = (
        0.75 * oval**2 / radius
    )  # the mean ray of an ellipse is that much shorter than the mean of its axes
    radius += squash
    u = 2 * float(np.hypot(np.sqrt(covariance[0, 0]), squash / 2))
    axes = (2 * (radius + oval), 2 * (radius - oval))
    return MeasuredDisc(2 * radius, u, axes, float(direction), outline, int((weight > 0.1).sum()), spread), ""


def _bar(mask: NDArray[np.uint8], linear: Picture) -> tuple[MeasuredDisc | None, str]:
    y, x = np.nonzero(mask)
    middle = np.array([x.mean(), y.mean()])
    _, vectors = np.linalg.eigh(np.cov(np.stack([x, y])))
    down = vectors[:, 1] if vectors[1, 1] >= 0 else -vectors[:, 1]
    along_at = (np.column_stack([x, y]) - middle) @ down
    lo, hi = np.quantile(along_at, [0.05, 0.95])
    rough = mask.sum() / max(np.ptp(along_at), 1.0)
    if hi - lo < rough:
        return None, "the outline is neither round nor parallel-sided"
    at = np.linspace(lo, hi, 80)
    sign = 1 if linear[mask > 0].mean() < linear[mask == 0].mean() else -1
    n = len(at)
    offset, width, _ = bar_centres(
        linear if sign > 0 else 1 - linear,
        middle + at[:, None] * down,
        np.tile(down, (n, 1)),
        half_width=np.full(n, 0.75 * rough),
        sections=np.full(n, (hi - lo) / n),
        smooth=1.5,
    )
    good = np.isfinite(offset)
    if good.sum() < 20:
        return None, "the sides of the bar run out of the picture"
    centre = (np.array(linear.shape[::-1]) - 1) / 2
    here = float((centre - middle) @ down)
    design = np.column_stack([np.ones(good.sum()), at[good] - np.clip(here, lo, hi)])
    skew, _, _, _ = _robust(design, offset[good])
    fit, weight, spread, covariance = _robust(design, width[good])
    if spread > ROUND * fit[0] or np.mean(weight > 0.1) < 0.7:
        return None, f"the sides of the object are not parallel and straight (scatter {spread:.1f} px)"
    square = float(np.cos(np.arctan(skew[1])))
    across = np.array([down[1], -down[0]])
    sides = [middle + at[good, None] * down + (offset + s * width / 2)[good, None] * across for s in (-1, 1)]
    direction = float(-np.rad2deg(np.arctan2(across[1], across[0]) + np.arctan(skew[1])))
    value, u = float(fit[0]) * square, float(np.sqrt(covariance[0, 0]))
    return MeasuredDisc(value, u, None, direction, np.vstack(sides), int((weight > 0.1).sum()), spread), ""


def _robust(design: Array, values: Array) -> tuple[Array, Array, float, Array]:
    """Biweight least squares: parameters, weights, scatter, covariance (neighbours' errors taken as alike in fours)."""
    weight = np.ones(len(values))
    fit = np.linalg.lstsq(design, values, rcond=None)[0]
    for _ in range(8):
        off = values - design @ fit
        spread = max(1.4826 * float(np.median(np.abs(off))), 0.01)
        weight = np.clip(1 - (off / (4.685 * spread)) ** 2, 0, 1) ** 2
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0]
    normal = np.linalg.inv((design * weight[:, None]).T @ design)
    return np.asarray(fit, np.float64), weight, spread, np.asarray(4 * spread**2 * normal, np.float64)
