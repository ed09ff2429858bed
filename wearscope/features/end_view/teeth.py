"""The axis, and each corner and end edge seen from it.

The axis itself is not to be seen. Flutes and gashes are ground about it and do not wear away, so it is where the inner part of the picture, turned by one pitch,
fits itself: distances are from there. That the whole tip runs out against the shank is not seen.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.features.end_view.tip import RAYS, Tip, Unclear
from wearscope.photo.read import Photo
from wearscope.subpixel.path import best_path
from wearscope.subpixel.profile import measure_steps
from wearscope.subpixel.symmetry import find_pivot

__all__ = ["BACK_DEG", "Teeth", "end_edge", "find_teeth"]

Floats = NDArray[np.float64]

_RING = (0.25, 0.8)
"""Where flutes are alike (share of the radius): an edge over the centre belongs to one of them alone, and the corners are what is to be judged."""
_FITS_ITSELF = 0.6
"""Correlation of the detail in that ring with itself, turned, from which on a shared axis is believed: half of it is chance where only the number of
flutes agrees, since all of them lie along the same radii."""
BACK_DEG = (0.8, 7.0)
"""The outline behind a corner that is carried on to it: beyond what blur and a rounded corner touch, nearer than the heel of a primary relief."""


@dataclass(frozen=True, slots=True)
class Teeth:
    """Each corner about the axis, (n,) in order of turn: `radii_px` and their standard deviation without the axis, unit vectors `toward`
    (n, 2), `gaps_px` between axis and inner end of the end edge; `axis_px` with its covariance."""

    axis_px: Floats
    covariance: Floats
    radii_px: Floats
    noise_px: Floats
    toward: Floats
    gaps_px: Floats

    @property
    def corners_px(self) -> Floats:
        return np.asarray(self.axis_px + self.radii_px[:, None] * self.toward)


def find_teeth(photo: Photo, tip: Tip) -> Teeth:
    """The axis, and each corner where its end edge meets the outline behind it."""
    count = len(tip.at)
    if count < 2:
        raise Unclear("a single corner shows nothing of the axis it turns about")
    picture = photo.linear()
    pivot = find_pivot(
        picture,
        tip.middle_px,
        ring_px=(_RING[0] * tip.radius_px, _RING[1] * tip.radius_px),
        turns_deg=[360 / count * k for k in range(1, count // 2 + 1)],
    )
    if pivot is None or pivot.likeness < _FITS_ITSELF:
        raise Unclear("the flutes do not look alike enough to find the axis between them")
    if float(np.hypot(*(pivot.px - tip.middle_px))) > 0.1 * tip.radius_px:
        raise Unclear("the axis of the flutes does not lie in the middle of the corners")
    rows = [_tooth(picture, tip, pivot.px, corner) for corner in tip.corners_px]
    radii, noise, toward, gaps = (np.array(column) for column in zip(*rows, strict=True))
    return Teeth(pivot.px, pivot.covariance, radii, noise, toward, gaps)


def _tooth(
    picture: NDArray[np.float32], tip: Tip, axis: Floats, corner: Floats
) -> tuple[float, float, Floats, float]:
    """Radius of the corner and its standard deviation, the direction to it, and the gap between axis and end edge, px."""
    reach = float(np.hypot(*(corner - axis)))
    out = (corner - axis) / reach
    line = end_edge(picture, axis, out, reach, max(4 * tip.blur_px, 9.0))
    ahead = np.array([-out[1], out[0]])
    turn = 2 * np.pi * np.arange(RAYS) / RAYS
    outline = tip.middle_px + tip.rho_px[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]) - axis
    radius = np.hypot(*outline.T)
    angle = np.arctan2(outline @ ahead, outline @ out)
    at = float(np.arctan2(line(reach), reach))
    behind = -tip.sense * np.angle(np.exp(1j * (angle - at)))
    low, high = np.deg2rad(BACK_DEG)
    used = (behind > low) & (behind < high) & (np.abs(radius - reach) < 0.12 * reach)
    value, noise = _carried_on(behind[used], radius[used])
    direction = np.cos(at) * out + np.sin(at) * ahead
    return value, noise, direction, _inner_end(picture, axis, out, line, reach, tip)


def end_edge(
    picture: NDArray[np.float32], axis: Floats, out: Floats, reach: float, near_px: float
) -> np.polynomial.Polynomial:
    """The end edge as a straight line: how far it lies to the side of the ray `out` at each distance from the axis."""
    ahead = np.array([-out[1], out[0]])
    s = reach * np.linspace(0.6, 0.96, 48)
    line = np.polynomial.Polynomial([0.0])
    for half_px in (max(0.08 * reach, near_px), near_px, near_px):
        points = axis + s[:, None] * out + line(s)[:, None] * ahead
        fits = measure_steps(picture, points, np.broadcast_to(ahead, points.shape), half_px=half_px)
        good = fits.ok & (np.abs(fits.position) < 0.8 * half_px)
        if good.sum() < len(s) / 3:
            raise Unclear("an end edge does not stand out from what lies before it")
        line = _robust_line(s[good], line(s[good]) + fits.position[good])
    return line


def _robust_line(x: Floats, y: Floats) -> np.polynomial.Polynomial:
    """Straight line by least squares, what is off by more than three robust standard deviations left out."""
    line = np.polynomial.Polynomial.fit(x, y, 1)
    for _ in range(3):
        off = np.abs(y - line(x))
        near = off <= 3 * 1.4826 * np.median(off) + 1e-6
        line = np.polynomial.Polynomial.fit(x[near], y[near], 1)
    return line


def _carried_on(behind: Floats, radius: Floats) -> tuple[float, float]:
    """The outline behind a corner as a straight line in angle, carried on to the corner: radius there and its standard deviation."""
    if len(behind) < 10:
        raise Unclear("the outline behind a corner is not seen")
    line = _robust_line(behind, radius)
    off = radius - line(behind)
    near = np.abs(off) <= 3 * 1.4826 * np.median(np.abs(off)) + 1e-6
    x = behind[near]
    lever = 1 / len(x) + x.mean() ** 2 / ((x - x.mean()) ** 2).sum()
    # neighbouring rays share pixels: two of them count as one
    return float(line(0.0)), float(off[near].std() * np.sqrt(2 * lever) + 1e-3)


def _inner_end(
    picture: NDArray[np.float32],
    axis: Floats,
    out: Floats,
    line: np.polynomial.Polynomial,
    reach: float,
    tip: Tip,
) -> float:
    """Going in along the end edge: the distance from the axis from which on its land no longer stands out from what lies before it.

    Where the gash begins the edge has a kink: it is followed as far as that, and taken as straight from there on.
    """
    ahead = np.array([-out[1], out[0]]) * tip.sense
    s = np.arange(0.85 * reach, -0.1 * reach, -1.0)
    side = np.arange(-0.12 * reach, 0.12 * reach)
    start = tip.sense * line(s)
    at = axis + s[:, None, None] * out + (start[:, None] + side)[..., None] * ahead
    x, y = (np.asarray(at[..., k].T, np.float32) for k in (0, 1))
    strip = np.asarray(cv2.remap(picture, x, y, cv2.INTER_LINEAR), np.float64)
    width = max(round(3 * tip.blur_px), 3)
    beside = np.concatenate([np.ones(width), np.zeros(1), -np.ones(width)]) / width
    step = np.array(
        [np.convolve(column, beside[::-1], "same") for column in strip.T]
    )  # (s, side): land behind, less before
    step[:, :width] = step[:, -width:] = 0.0
    outer = s > 0.2 * reach
    gain = np.maximum(step[outer], 0.0).T
    path = best_path(gain / max(float(np.median(gain.max(axis=0))), 1e-9), stiffness=1.0)
    followed = step[outer][np.arange(len(path)), path]
    usual = float(np.median(followed))
    if (lost := _first_lost(followed / usual)) is not None:
        return float(s[outer][lost])
    gash = s[outer] < 0.4 * reach
    straight = _robust_line(s[outer][gash], side[path[gash]])
    at_row = np.clip(np.rint(straight(s[~outer]) - side[0]), 0, len(side) - 1).astype(np.intp)
    within = np.clip(at_row[:, None] + np.arange(-width, width + 1), 0, len(side) - 1)
    lost = _first_lost(np.take_along_axis(step[~outer], within, axis=1).max(axis=1) / usual)
    return float(s[-1] if lost is None else s[~outer][lost])


def _first_lost(share: Floats) -> int | None:
    """Where a step falls under half of its usual height and stays there for four pixels."""
    gone = np.flatnonzero(np.convolve(share < 0.5, np.ones(4), "valid") == 4)
    return int(gone[0]) if len(gone) else None
