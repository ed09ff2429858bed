"""Cutter from ground once the corner is known, and the contour between them."""

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.outline.strips import Strip
from wearscope.photo.small import SmallCopy

__all__ = ["contour_of", "cutter_mask"]

Floats = NDArray[np.float64]

_GROUND, _CUTTER = 1, 2
_BORDER = 5
"""Width (px of half size) of the border that is flooded again: a pixel of half size is off by one at most, and a flood turns round within a blur."""


def cutter_mask(small: SmallCopy, strips: list[Strip]) -> NDArray[np.bool_]:
    """Cutter True, ground False, by a watershed from both sides of the edges that were found.

    First with half as many pixels each way, then along the border that this finds: most of the picture need not be flooded at full size.
    """
    markers = np.zeros(small.grey.shape, np.int32)
    for strip in strips:
        _mark(markers, _beside(strip, range(5, 24)), _GROUND)
    for strip in strips:
        _mark(markers, _beside(strip, range(-8, -3))[:, strip.bare :], _CUTTER)
    _mark_between(markers, strips)
    half = cv2.GaussianBlur(small.half_bgr, (3, 3), 0.5)  # as much as below
    seeds = cv2.resize(markers, half.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    rough = np.maximum(_flooded(half, np.asarray(seeds, np.int32)), 0).astype(np.uint8)
    border = cv2.morphologyEx(rough, cv2.MORPH_GRADIENT, np.ones((_BORDER, _BORDER), np.uint8)) > 0
    sure = cv2.resize(np.where(border, 0, rough), small.size, interpolation=cv2.INTER_NEAREST)
    markers = np.where(markers == 0, sure, markers)
    left, top, width, height = cv2.boundingRect((markers == 0).astype(np.uint8))
    part = np.s_[max(top - 1, 0) : top + height + 1, max(left - 1, 0) : left + width + 1]
    if width:
        markers[part] = _flooded(cv2.GaussianBlur(small.bgr[part], (0, 0), 1.0), markers[part])
    return np.asarray(markers == _CUTTER, bool)


def _flooded(picture: NDArray[Any], markers: NDArray[np.int32]) -> NDArray[np.int32]:
    """The watershed, which leaves out the outermost pixels: these are as their neighbours."""
    flooded = np.asarray(cv2.watershed(picture, np.ascontiguousarray(markers)), np.int32)
    flooded[0], flooded[-1], flooded[:, 0], flooded[:, -1] = (
        flooded[1],
        flooded[-2],
        flooded[:, 1],
        flooded[:, -2],
    )
    return flooded


def _beside(strip: Strip, offsets: range) -> Floats:
    """Points (offsets, n, 2) so far outward of an edge; negative: inside."""
    return strip.points + np.array(offsets)[:, None, None] * strip.outward


def _mark_between(markers: NDArray[np.int32], strips: list[Strip]) -> None:
    """What lies between both edges of a corner is cutter, however bright a bevel or a glint there may be."""
    lines = [_beside(strip, range(-6, -5))[0, strip.bare :] for strip in strips]
    if len(lines) == 2 and min(map(len, lines)):
        cv2.fillPoly(markers, [np.rint(np.vstack([lines[0][::-1], lines[1]])).astype(np.int32)], (_CUTTER,))


def _mark(markers: NDArray[np.int32], points: Floats, label: int) -> None:
    x, y = np.rint(points.reshape(-1, 2)).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < markers.shape[1]) & (y < markers.shape[0])
    markers[y[inside], x[inside]] = label


def contour_of(mask: NDArray[np.bool_], place: Floats, step: int) -> Floats:
    """The contour nearest `place` (x, y) in full-resolution px, cutter on the right hand, frame border cut off."""
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not found:
        return np.zeros((0, 2))
    lines = [np.asarray(c, float).reshape(-1, 2) for c in found]
    line = min(lines, key=lambda c: float(np.hypot(*(c - place).T).min()) - 0.05 * len(c))
    height, width = mask.shape
    border = (line[:, 0] < 2) | (line[:, 1] < 2) | (line[:, 0] > width - 3) | (line[:, 1] > height - 3)
    if border.any():
        line = _longest_freerun_along(line, border)
    if cv2.contourArea(line.astype(np.float32), oriented=True) < 0:
        line = line[::-1]
    return line * step + (step - 1) / 2


def _longest_freerun_along(line: Floats, border: NDArray[np.bool_]) -> Floats:
    """The longest stretch between visits to the frame border."""
    start = int(np.argmax(border))
    line, border = np.roll(line, -start, axis=0), np.roll(border, -start)
    cuts = np.flatnonzero(border)
    gaps = np.diff(np.append(cuts, len(line)))
    k = int(np.argmax(gaps))
    return line[cuts[k] + 1 : cuts[k] + gaps[k]]
