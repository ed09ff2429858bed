"""Photos of one scene at several focus heights, merged into one that is sharp all over."""

import hashlib
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.errors import InputError, PhotoError
from wearscope.photo.read import LUMINANCE, Photo

__all__ = ["merge_focus"]

Light = NDArray[np.float32]

_ALIGN_PX = 640
_LEAST_CORRELATION = 0.8
"""Photos of one scene agree better than this once they are aligned, whatever their focus (ECC, Evangelidis 2008)."""
_SOFT = 2.0
"""Sigma at which the small copies are compared: what is out of focus in one photo must look alike in the other."""
_DETAIL, _NEIGHBOURHOOD = 1.0, 6.0
"""Sigma of the finest detail that counts, and of the neighbourhood in which sharpness is judged, px."""
_DECIDED = 4
"""Power of the sharpness with which photos are weighed: twice as sharp counts sixteen times."""


def merge_focus(photos: Sequence[Photo]) -> tuple[Photo, float]:
    """One picture, everywhere as sharp as the sharpest photo there, and the gain in sharpness.

    The photos are aligned (shift, turn, and the small change of scale that focusing brings), weighed pixel by pixel by the
    energy of their fine detail, and averaged in linear light. The gain is the energy of fine detail of the merged picture
    over that of the sharpest single photo, where there is any detail; 1 means nothing was gained. 8 bit.
    Raises InputError for fewer than two photos or different sizes, PhotoError where a photo shows something else.
    """
    if len(photos) < 2:
        raise InputError(
            "a focus stack needs at least two photos of the same scene at different focus heights"
        )
    if len({photo.size for photo in photos}) > 1:
        sizes = ", ".join(f"{photo.path}: {photo.size[0]} x {photo.size[1]}" for photo in photos)
        raise InputError(f"the photos of a focus stack must have one size, in px; these have {sizes}")
    first = max(photos, key=lambda photo: float(_sharpness(photo.linear()).mean()))
    aligned = [photo.linear_bgr() if photo is first else _aligned(photo, first) for photo in photos]
    detail = [_sharpness(_luminance(light)) for light in aligned]
    weights = [d**_DECIDED + np.float32(1e-30) for d in detail]
    total = np.sum(weights, axis=0)
    merged = np.sum(
        [light * (w / total)[..., None] for light, w in zip(aligned, weights, strict=True)], axis=0
    )
    digest = hashlib.sha256("".join(photo.sha256 for photo in photos).encode()).hexdigest()
    return Photo("focus stack", digest, _coded(merged)), _gain(_sharpness(_luminance(merged)), detail)


def _luminance(bgr: Light) -> Light:
    return np.asarray(cv2.transform(bgr, np.array([LUMINANCE], np.float32)), np.float32).reshape(
        bgr.shape[:2]
    )


def _sharpness(light: Light) -> Light:
    """Energy of fine detail in the neighbourhood of each pixel."""
    fine = cv2.Laplacian(cv2.GaussianBlur(light, (0, 0), _DETAIL), cv2.CV_32F)
    return np.asarray(cv2.GaussianBlur(fine * fine, (0, 0), _NEIGHBOURHOOD), np.float32)


def _gain(merged: Light, singles: list[Light]) -> float:
    best = max(singles, key=lambda s: float(s.mean()))
    highest = np.max(singles, axis=0)
    there = highest > np.percentile(highest, 90)
    return float(merged[there].mean() / best[there].mean())


def _aligned(photo: Photo, first: Photo) -> Light:
    """The photo's linear light, laid on the first one: compared in linear light, in which blur moves no edge."""
    step = max(1, -(-max(photo.size) // _ALIGN_PX))
    small = [
        cv2.GaussianBlur(
            cv2.resize(p.linear(), None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA),
            (0, 0),
            _SOFT,
        )
        for p in (first, photo)
    ]
    warp: NDArray[np.float32] = np.eye(2, 3, dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-7)
    try:
        agreement, found = cv2.findTransformECC(small[0], small[1], warp, cv2.MOTION_AFFINE, stop)
        warp = np.asarray(found, np.float32)
    except cv2.error:
        agreement = 0.0
    if agreement < _LEAST_CORRELATION:
        raise PhotoError(
            f"{photo.path}: does not show the same scene as {first.path}; give photos of one cutter that was not moved"
        )
    offset = (step - 1) / 2  # centre of a small pixel in photo px
    linear = warp[:, :2].astype(float)
    shift = step * warp[:, 2] + offset - linear @ np.full(2, offset)
    matrix = np.column_stack([linear, shift]).astype(np.float32)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    laid = cv2.warpAffine(
        photo.linear_bgr(), matrix, first.size, flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(np.clip(laid, 0, 1), np.float32)


def _coded(linear: Light) -> NDArray[np.uint8]:
    """sRGB codes (IEC 61966-2-1)."""
    x = np.clip(linear, 0, 1)
    coded = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(255 * coded), np.uint8)
