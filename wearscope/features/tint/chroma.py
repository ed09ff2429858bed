"""The cutter's colour without its shading: a reduced map of log ratios of linear light.

A surface under a coloured light gives light x shading x reflectance in every channel, so u = ln(R/G) and
v = ln(B/G) do not see the shading, and another light or white balance only shifts them all alike. What
is left is a place in the (u, v) plane: distance from clean metal is how strong a tint is, the angle is its hue.
"""

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.outline.shape import Outline
from wearscope.photo.read import LUMINANCE, Box, Photo, linear_light

Floats = NDArray[np.float32]
Flags = NDArray[np.bool_]

__all__ = ["ChromaMap", "chroma_map", "peak", "ratios", "span"]

_LONG_SIDE = 360
_MARGIN = 2
"""Map px next to the outline that are left out: blur, sharpening and coloured fringes of the lens."""
_BESIDE, _AWAY = 8, 8
"""Map px beside the cutter that are looked at, and from which on the ground has its own colour."""
_THIN = 4
"""Every fourth px of the small copy, both ways, shows the ground's colour."""
_DARK = 0.003
"""Linear light below which 8 bit hold no colour (about code 10 of 255)."""
_CODE = 5e-4
"""Linear light of about one and a half codes: pulls colours that are hardly above black towards grey."""
_CLIPPED = 250 / 255
_CALM = 0.05
"""The map is smoothed until its noise is about this, within these limits (sd, map px)."""
_NARROWEST, _WIDEST = 1.5, 5.0
_BLOTCH = 1.3
"""Colour noise of JPEG comes in blotches, so smoothing by s map px only divides it by s / 1.3 (seen on microscope photos)."""
_QUARTER_OF_SD = 0.3186
"""A quarter of all normal deviates lie within this many standard deviations."""
_LARGEST, _BIN = 3.0, 0.05
_ENOUGH = 5_000
"""So many places show the commonest colour, to a small part of a bin."""
_BINS = round(2 * _LARGEST / _BIN)


@dataclass(frozen=True, slots=True)
class ChromaMap:
    """Colour of the part of the photo that shows the cutter, `step` photo px to a map px, (0, 0) at `origin_px` (x, y); all arrays have shape (h, w).

    `u`, `v`: ln(R/G), ln(B/G), averaged over `smoothing` map px (sd); `light`: luminance 0..1, `cutter`: the whole
    cutter, `valid`: where on it colour can be judged; `noise`: sd of u and v.
    `ground`: (u, v) of the background where that is lit well enough, else None; `ground_light` its luminance.
    """

    u: Floats
    v: Floats
    light: Floats
    cutter: Flags
    valid: Flags
    step: int
    origin_px: tuple[int, int]
    smoothing: float
    noise: float
    ground: tuple[float, float] | None
    ground_light: float

    def to_photo(self, places: NDArray[Any]) -> NDArray[np.float64]:
        """(..., 2) x and y of map px in the photo."""
        return np.asarray((places + 0.5) * self.step - 0.5 + self.origin_px, np.float64)

    def nearest(self, points_px: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Rows and columns of the map px nearest to places (n, 2) of the photo."""
        height, width = self.valid.shape
        x, y = np.rint((points_px - self.origin_px + 0.5) / self.step - 0.5).astype(np.intp).T
        return np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)


def ratios(bgr: Floats) -> tuple[Floats, Floats]:
    """u = ln(R/G) and v = ln(B/G) of linear light, shape (..., 3)."""
    blue, green, red = (np.log(bgr[..., channel] + np.float32(_CODE)) for channel in range(3))
    return red - green, blue - green


def span(u: Floats, v: Floats) -> Floats:
    """Log ratio of the largest to the smallest of the three channels: 0 for grey.

    With channel gains that are wrong by +-15 % grey cannot look more than ln(1.15 / 0.85) = 0.30 from grey.
    """
    return np.maximum(np.maximum(u, v), 0) - np.minimum(np.minimum(u, v), 0)


def peak(u: Floats, v: Floats) -> tuple[float, float]:
    """The commonest (u, v); of many, some thousands show it."""
    every = 1 + len(u) // _ENOUGH
    u, v = u[::every], v[::every]
    i, j = (np.clip((a + _LARGEST) / _BIN, 0, _BINS - 1).astype(np.int32) for a in (u, v))
    counts = np.bincount(i * _BINS + j, minlength=_BINS**2).reshape(_BINS, _BINS).astype(np.float32)
    top_i, top_j = np.unravel_index(int(np.argmax(cv2.GaussianBlur(counts, (0, 0), 1))), counts.shape)
    near = (abs(i - top_i) < 2) & (abs(j - top_j) < 2)
    if not near.any():
        return float(np.median(u)), float(np.median(v))
    return float(np.median(u[near])), float(np.median(v[near]))


def chroma_map(photo: Photo, outline: Outline) -> ChromaMap:
    """Reduce the photo to a map of colour.

    Codes are averaged, not light, which is quicker by far: sRGB is nearly a power law, and so where the light differs by the same factor in
    all channels their ratios stay what they are. After the first halving 16 bits keep dark means from being rounded.
    """
    step = max(1, round(max(photo.size) / _LONG_SIDE))
    first = 2 if step % 2 == 0 else 1
    box = _box(outline, photo, step)
    codes = _reduced(photo.crop(box), step, by=first)
    below = _CLIPPED * photo.top
    in_range = np.asarray(cv2.inRange(codes, (0, 0, 0), (below, below, below)))
    unclipped = _reduced(in_range, step // first) > 250
    fine = codes.astype(np.uint16) * np.uint16(65535 // photo.top)
    linear = replace(photo, encoded=_reduced(fine, step // first)).linear_bgr()
    light = np.asarray(cv2.transform(linear, np.array([LUMINANCE], np.float32)), np.float32)
    light = light.reshape(light.shape[:2])
    cutter = _cutter(outline, box, step)
    inside = cv2.erode(cutter.astype(np.uint8), np.ones((2 * _MARGIN + 1,) * 2, np.uint8)) > 0
    usable = inside & unclipped & (light > _DARK)
    rows = np.s_[::3]  # a stride of 4 map px of 4 photo px would keep step with the codec's blocks of 16
    grain = _noise(*ratios(linear[rows]), usable[rows])
    smoothing = float(np.clip(_BLOTCH * grain / _CALM, _NARROWEST, _WIDEST))
    u, v = _smoothed(linear, usable, smoothing)
    noise = grain * min(1.0, _BLOTCH / smoothing)
    ground, ground_light = _ground(photo, outline, _AWAY * step)
    return ChromaMap(u, v, light, cutter, usable, step, box[:2], smoothing, noise, ground, ground_light)


def _box(outline: Outline, photo: Photo, step: int) -> Box:
    """What shows the cutter, and so much beside it as belongs to its rim; it begins at whole map px of the photo."""
    x, y, width, height = (
        side * outline.mask_step for side in cv2.boundingRect(outline.mask.astype(np.uint8))
    )
    if not width:
        return 0, 0, *photo.size
    beside = _BESIDE * step
    left, top = (max(0, side - beside) // step * step for side in (x, y))
    right, lower = (
        min(limit, side + beside) for limit, side in zip(photo.size, (x + width, y + height), strict=True)
    )
    return left, top, right, lower


def _reduced(picture: NDArray[Any], step: int, *, by: int | None = None) -> NDArray[Any]:
    """Means of `by` x `by` px, as a rule `step` x `step`; what is left over of whole steps at the right and lower rim is dropped."""
    height, width = (side // step * step for side in picture.shape[:2])
    by = by or step
    whole = picture[:height, :width]
    return np.asarray(cv2.resize(whole, (width // by, height // by), interpolation=cv2.INTER_AREA))


def _cutter(outline: Outline, box: Box, step: int) -> Flags:
    """The mask at every pixel of a copy of a part of the photo that is `step` times smaller."""
    left, top, right, lower = box
    rows, columns = (
        np.minimum(
            ((np.arange((end - begin) // step) + 0.5) * step + begin) / outline.mask_step, limit - 1
        ).astype(int)
        for begin, end, limit in zip((top, left), (lower, right), outline.mask.shape, strict=True)
    )
    return np.asarray(np.take(outline.mask[rows], columns, axis=1), np.bool_)


def _smoothed(linear: Floats, usable: Flags, sigma: float) -> tuple[Floats, Floats]:
    """u and v of the mean colour of the usable pixels around each pixel; 0 far from them."""
    u, v = np.zeros(usable.shape, np.float32), np.zeros(usable.shape, np.float32)
    left, top, width, height = cv2.boundingRect(usable.astype(np.uint8))
    if not width:
        return u, v
    box = np.s_[top : top + height, left : left + width]
    weight = usable[box].astype(np.uint8)
    colour, among = (
        cv2.GaussianBlur(part, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
        for part in (cv2.copyTo(linear[box], weight), weight.astype(np.float32))
    )
    # in a ratio of means what both are divided by drops out
    black = np.float32(_CODE) * among + np.float32(1e-9)
    blue, green, red = (cv2.log(channel + black) for channel in cv2.split(colour))
    u[box], v[box] = red - green, blue - green
    return u, v


def _noise(u: Floats, v: Floats, usable: Flags) -> float:
    """Robust sd of u and v from second differences: slopes do not count, and of the borders of patches only few."""
    left, middle, right = (np.s_[:, :-4], np.s_[:, 2:-2], np.s_[:, 4:])
    all_three = usable[left] & usable[middle] & usable[right]
    if not all_three.any():
        return 0.0
    bends = [np.abs(a[left] - 2 * a[middle] + a[right])[all_three] for a in (u, v)]
    quarter = len(bends[0]) // 4
    return float(max(np.partition(bend, quarter)[quarter] for bend in bends) / _QUARTER_OF_SD / np.sqrt(6))


def _ground(photo: Photo, outline: Outline, away_px: float) -> tuple[tuple[float, float] | None, float]:
    """(u, v) of the background so far from the cutter, where it is light enough to have a colour, and its luminance."""
    small, thin = photo.small, np.s_[::_THIN, ::_THIN]
    reach = 2 * -(-round(away_px) // (_THIN * small.step)) + 1
    cutter = _cutter(outline, (0, 0, *photo.size), small.step)[thin].astype(np.uint8)
    away = cv2.dilate(cutter, np.ones((reach, reach), np.uint8)) == 0
    codes = small.bgr[thin]
    unclipped = np.asarray(cv2.inRange(codes, (0, 0, 0), (255 * _CLIPPED,) * 3)) > 0
    linear = linear_light(codes)
    light = linear @ np.array(LUMINANCE, np.float32)
    brightness = float(np.median(light[away])) if away.any() else 0.0
    lit = away & unclipped & (light > 0.02)
    if lit.sum() < 0.02 * lit.size or brightness < 0.02:
        return None, brightness
    u, v = ratios(np.median(linear[lit], axis=0).astype(np.float32))
    return (float(u), float(v)), brightness
