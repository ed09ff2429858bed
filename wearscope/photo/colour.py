"""Colour as people see it: linear light to CIE L*a*b*, white balance, colour difference.

Lab here is CIE 1976 L*a*b* for sRGB primaries, white D65, 2 degree observer (IEC 61966-2-1).
"""

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearscope.errors import PhotoError
from wearscope.photo.read import Photo

__all__ = ["Grey", "balance", "ciede2000", "grey_card", "is_silhouette", "lab_from_linear"]

Grey = tuple[float, float, float]
"""Linear light of something grey: blue, green, red."""

_CARD_EVEN = 2.0
"""Vignetting and a ring light change the light over half a frame by less than this factor (common practice, no source)."""
_CARD_TINT = 2.5
"""Household lights from 2700 K to 6500 K change the balance of a camera by less than this factor (common practice, no source)."""

_BACKLIT, _LAMP, _BEFORE_LAMP = 0.01, 0.5, 0.06
"""A cutter whose lighter tenth is below the first share of the background's light is a silhouette; before a background
that itself is a lamp (brighter than half of full scale) it is one below the last."""


def lab_from_linear(bgr: NDArray[np.float32]) -> NDArray[np.float32]:
    """Linear light 0..1, shape (..., 3), channels blue, green, red -> L* (0..100), a*, b* in the same shape."""
    flat = np.ascontiguousarray(bgr, np.float32).reshape(-1, 1, 3)
    return np.asarray(cv2.cvtColor(flat, cv2.COLOR_LBGR2Lab), np.float32).reshape(bgr.shape)


def balance(bgr: NDArray[np.float32], neutral: ArrayLike) -> NDArray[np.float32]:
    """Scale the channels so that `neutral` (a colour in linear light, blue, green, red, all > 0) becomes grey.

    Its luminance stays. Works in linear light, where a coloured light is a factor per channel (von Kries).
    """
    reference = np.asarray(neutral, np.float64)
    if reference.shape != (3,) or not (np.isfinite(reference).all() and (reference > 0).all()):
        raise ValueError(f"a neutral colour needs three channels above zero, not {reference}")
    luminance = reference @ [0.0722, 0.7152, 0.2126]
    return np.asarray(bgr * (luminance / reference).astype(np.float32), np.float32)


def ciede2000(lab1: ArrayLike, lab2: ArrayLike) -> NDArray[np.float64]:
    """Colour difference CIEDE2000 of Lab colours in the last axis (CIE 142-2001; Sharma, Wu & Dalal 2005)."""
    from skimage import color

    formula: Callable[..., object] = color.deltaE_ciede2000
    first, second = np.broadcast_arrays(np.asarray(lab1, np.float64), np.asarray(lab2, np.float64))
    return np.asarray(formula(first, second), np.float64)


def is_silhouette(cutter: float, ground: float) -> bool:
    """Is a cutter whose lighter tenth sends `cutter`, before a background of `ground` (linear light 0..1), lit from behind only?"""
    return cutter < (_BEFORE_LAMP if ground > _LAMP else _BACKLIT) * ground


def grey_card(photo: Photo) -> Grey:
    """The colour of a grey card that fills the middle of a photo, linear light, blue, green, red.

    Raises PhotoError where the middle half is not one even grey: too dark, blown out, patterned or coloured.
    """
    width, height = photo.size
    light = photo.linear_bgr((width // 4, height // 4, width - width // 4, height - height // 4))
    blue, green, red = (float(np.median(light[..., channel])) for channel in range(3))
    low, high = np.percentile(light[..., 1], [5, 95])
    even = low > 0.02 and high < 0.95 and high < _CARD_EVEN * low
    if not even or max(blue, green, red) > _CARD_TINT * min(blue, green, red):
        raise PhotoError(
            f"{photo.path}: no even grey in the middle of the picture; fill the frame with the card, lit as the "
            "cutter is, neither dark nor blown out"
        )
    return blue, green, red
