"""A small copy of a photo to find things in, and how its light changes from place to place."""

from dataclasses import dataclass
from functools import cached_property, reduce
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["SmallCopy", "steepest"]

_LONG_SIDE_PX = 640
_FLATTER = 0.8
"""With half as many pixels each way a step in colour looks this much less steep than through a blur of 1 px (0.76 to 0.87 for one that is
blurred by 0.4 to 1.5 px itself)."""


@dataclass(frozen=True)
class SmallCopy:
    """`bgr` (h, w, 3), 8 bit, as stored, its long side at most 640 px; each of its pixels is the mean of `step` x `step` of the photo.

    What is derived is made once.
    """

    bgr: NDArray[np.uint8]
    step: int

    @classmethod
    def of(cls, encoded: NDArray[Any]) -> "SmallCopy":
        """The copy of a picture of 8 or 16 bit."""
        picture = np.asarray(encoded if encoded.dtype == np.uint8 else encoded >> 8, np.uint8)
        height, width = picture.shape[:2]
        step = -(-max(width, height) // _LONG_SIDE_PX)
        if step == 1:
            return cls(picture, 1)
        size = (width // step, height // step)
        whole = picture[: size[1] * step, : size[0] * step]  # a whole ratio is many times quicker
        return cls(_means(whole, size, step), step)

    @property
    def size(self) -> tuple[int, int]:
        """(width, height)."""
        return self.bgr.shape[1], self.bgr.shape[0]

    @cached_property
    def grey(self) -> NDArray[np.uint8]:
        """sRGB-coded grey (h, w)."""
        return np.asarray(cv2.cvtColor(self.bgr, cv2.COLOR_BGR2GRAY), np.uint8)

    @cached_property
    def half_grey(self) -> NDArray[np.uint8]:
        """The same with half as many pixels each way."""
        return _halved(self.grey)

    @cached_property
    def half_bgr(self) -> NDArray[np.uint8]:
        """The copy with half as many pixels each way."""
        return _halved(self.bgr)

    @cached_property
    def half_tones(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
        """Lightness and two opponent colours (CIE L*a*b* as OpenCV scales it in 8 bit), with half as many pixels each way, as cameras see colours."""
        lab = cv2.cvtColor(self.half_bgr, cv2.COLOR_BGR2LAB)
        lightness, a, b = (np.asarray(cv2.extractChannel(lab, k), np.uint8) for k in range(3))
        return lightness, a, b

    @cached_property
    def slope(self) -> NDArray[np.float32]:
        """Gradient magnitude per px (h, w), about as through a blur of sigma 1 px: the largest of grey and the two opponent colours."""
        grey = steepest(cv2.GaussianBlur(self.grey, (0, 0), 1.0))
        colour = steepest(*self.half_tones[1:]) / np.float32(2 * _FLATTER)
        return np.asarray(cv2.max(grey, cv2.resize(colour, self.size)), np.float32)


def _means(picture: NDArray[np.uint8], size: tuple[int, int], step: int) -> NDArray[np.uint8]:
    """Means of `step` x `step`; of 3 x 3 every third of all running ones is quicker than OpenCV's own, of others that is."""
    if step != 3:
        return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
    every_third = np.array([[3, 0, 1], [0, 3, 1]], np.float32)
    how = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(cv2.blur(picture, (3, 3)), every_third, size, flags=how), np.uint8)


def _halved(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.asarray(cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)


def steepest(*tones: NDArray[Any]) -> NDArray[np.float32]:
    """The largest gradient magnitude per px of some pictures (h, w), 8 bit."""
    slopes = [
        cv2.magnitude(*(cv2.Sobel(tone, cv2.CV_32F, *order, scale=0.125) for order in ((1, 0), (0, 1))))
        for tone in tones
    ]
    return np.asarray(reduce(cv2.max, slopes), np.float32)
