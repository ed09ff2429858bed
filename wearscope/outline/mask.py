"""Cutter from ground once the corner is known, and the contour between them."""

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.outline.strips import Strip
from wearscope.photo.small import SmallCopy

__all__ = ["contour_of", "cutter_mask"]

Floats = NDArray[np.float64]

_GROUND, _CUTTER = 1, 2


def cutter_mask(small: SmallCopy, strips: list[Strip]) -> NDArray[np.bool_]:
    """Cutter True, ground False, by a watershed from both sides of the edges that were found."""
    markers = np.zeros(small.grey.shape, np.int32)
    for strip in strips:
        for offset in range(5, 24):
            _mark(markers, strip.points + offset * strip.outward, _GROUND)
    for strip in strips:
        for offset in range(4, 9):
            _mark(markers, _inside(strip, offset), _CUTTER)
    _mark_between(markers, strips)
    cv2.watershed(cv2.GaussianBlur(small.bgr, (0, 0), 1.0), markers)
    mask = markers == _CUTTER
    mask[0], mask[-1], mask[:, 0], mask[:, -1] = mask[1], mask[-2], mask[:, 1], mask[:, -2]
    return np.asarray(mask, bool)


def _inside(strip: Strip, offset: float) -> Floats:
    return np.asarray((strip.points - offset * strip.outward)[strip.bare :])


def _mark_between(markers: NDArray[np.int32], strips: list[Strip]) -> None:
    """What lies between both edges of a corner is cutter, however bright a bevel or a glint there may be."""
    lines = [_inside(strip, 6) for strip in strips]
    if len(lines) == 2 and min(map(len, lines)):
        cv2.fillPoly(markers, [np.rint(np.vstack([lines[0][::-1], lines[1]])).astype(np.int32)], (_CUTTER,))


def _mark(markers: NDArray[np.int32], points: Floats, label: int) -> None:
    x, y = np.rint(points).astype(int).T
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
