"""The round field that a telephone sees through a loupe, or a camera through an eyepiece: a disc of light in a black frame.

Its rim is the longest edge in the picture and must not be taken for the cutter's.
"""

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.robust import median
from wearscope.photo.read import Box, Photo

__all__ = ["inner_square", "within_field"]

_SMALL_PX = 320
_BLACK = 40
"""Codes (of 255) up to which a frame counts as black: linear light of 2 %."""
_ABOVE = 20
"""Codes over the frame's from which something is seen: well over the noise of a dark corner."""
_SMALLEST = 0.3
"""Smallest radius of the field, as a share of the picture's shorter side: of a smaller one nobody would take a photo."""
_LEAST_SEEN = 0.05
"""Share of the picture that is brighter than its frame, at least: a sixth of the smallest field."""
_ON_RIM = 0.015
"""Share of the radius by which the border of what is seen may be off the circle: the rim is soft."""
_ENOUGH = 1 / 6
"""Share of the turn over which the rim must show. The corner of a cutter on a dark ground shows a quarter of it; the outline of a cutter, which leaves
the frame, lies on no circle with nothing outside."""
_OFF_MIDDLE = 0.2
"""The field lies in the middle of the picture to within this share of its shorter side: nobody would take the photo otherwise."""
_TRIALS = 400
"""Three points of a border a third of which is rim are all on it in one trial of 27."""
_CLEAR = 0.88
"""Share of the radius that is clear of the rim: a rim that close to the eye is blurred over about a tenth of it (common practice, no source)."""


def within_field(photo: Photo) -> tuple[Photo, tuple[int, int]]:
    """The part of the photo inside a round field, and where its top left corner lies in the photo; the photo itself where there is no such field."""
    box = inner_square(photo)
    if box is None:
        return photo, (0, 0)
    return replace(photo, encoded=photo.crop(box)), (box[0], box[1])


def inner_square(photo: Photo) -> Box | None:
    """The largest square inside the clear part of a round field, px; None where the picture has none."""
    level = _black_frame(photo)
    if level is None:
        return None
    factor = min(1.0, _SMALL_PX / max(photo.size))
    size = (round(photo.size[0] * factor), round(photo.size[1] * factor))
    grey = cv2.GaussianBlur(cv2.resize(photo.small.grey, size, interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    bright = (np.asarray(grey) > level + _ABOVE).astype(np.uint8)
    circle = _round_rim(
        np.asarray(cv2.morphologyEx(bright, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
    )
    if circle is None:
        return None
    x, y, radius = (value / factor for value in circle)
    half = _CLEAR * radius / np.sqrt(2)
    corners = np.rint([x - half, y - half, x + half, y + half]).astype(int)
    box = np.clip(corners, 0, [*photo.size, *photo.size])
    return int(box[0]), int(box[1]), int(box[2]), int(box[3])


def _black_frame(photo: Photo) -> float | None:
    """Code (of 255) of the frame where the four corners of the picture are evenly black."""
    small = photo.small
    side = max(round(0.03 * max(small.size)), 8)
    ends = (slice(side), slice(-side, None))
    patches = [small.bgr[rows, columns].max(axis=2).ravel() for rows in ends for columns in ends]
    codes = np.sort(patches, axis=1)
    count = codes.shape[1]
    level = median(codes[:, count // 2].astype(np.float64))
    brightest = float(codes[:, int(0.95 * count)].max())
    return level if brightest <= min(level + _ABOVE, _BLACK) else None


def _round_rim(seen: NDArray[np.uint8]) -> tuple[float, float, float] | None:
    """The circle on which most of the border of what is `seen` lies, and nothing outside (random sample consensus)."""
    height, width = seen.shape
    if seen.mean() < _LEAST_SEEN:
        return None
    contours, _ = cv2.findContours(seen, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    border = np.concatenate(contours)[:, 0].astype(np.float64)
    off_frame = (border > 2).all(axis=1) & (border < np.array([width, height]) - 3).all(axis=1)
    border = border[off_frame]
    if len(border) < 3:
        return None
    rows, columns = np.nonzero(seen)
    content = np.column_stack([columns, rows])[:: max(len(rows) // 4000, 1)].astype(np.float64)
    middle, rng = np.array([width, height]) / 2, np.random.default_rng(0)
    best: tuple[float, tuple[float, float, float] | None] = _ENOUGH, None
    for _ in range(_TRIALS):
        three = border[rng.choice(len(border), 3, replace=False)]
        system = np.column_stack([2 * three, np.ones(3)])
        if abs(np.linalg.det(system)) < 1e-6:
            continue
        x, y, rest = np.linalg.solve(system, (three**2).sum(axis=1))
        radius = float(np.sqrt(max(rest + x * x + y * y, 0.0)))
        off_middle = np.abs(np.array([x, y]) - middle).max() > _OFF_MIDDLE * min(height, width)
        if off_middle or not _SMALLEST * min(height, width) < radius < 0.5 * float(np.hypot(height, width)):
            continue
        on = np.abs(np.hypot(*(border - [x, y]).T) - radius) < _ON_RIM * radius
        turn = np.arctan2(border[on, 1] - y, border[on, 0] - x)
        share = len(np.unique(np.floor(turn / np.deg2rad(3)))) / 120
        outside = np.hypot(*(content - [x, y]).T) > (1 + _ON_RIM) * radius
        if share > best[0] and outside.mean() < 0.002:
            best = share, (float(x), float(y), radius)
    return best[1]
