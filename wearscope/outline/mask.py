"""Cutter from ground once the corner is known."""

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.outline.corners import CornerCandidate, run_along

__all__ = ["contour_of", "cutter_mask"]

Floats = NDArray[np.float64]


def cutter_mask(small: NDArray[np.uint8], corner: CornerCandidate) -> NDArray[np.bool_]:
    """Cutter True, ground False, by a watershed from both sides of the corner's two edges."""
    height, width = small.shape[:2]
    markers = np.zeros((height, width), np.int32)
    a, b = corner.arms
    for arm, other in ((a, b), (b, a)):
        points, tangents = run_along(arm, corner.apex, 1.0)
        normal = np.stack([-tangents[:, 1], tangents[:, 0]], axis=1)
        normal *= -np.sign(normal @ other.direction)[:, None]
        for offset in range(5, 24):
            _mark(markers, points + offset * normal, 1)
        bare = points[int(arm.gap) + 6 :]
        for offset in range(4, 9):
            _mark(markers, bare - offset * normal[int(arm.gap) + 6 :], 2)
    for distance in range(6, 30):
        beyond = corner.apex - distance * (a.direction + b.direction) / np.sqrt(
            2 + 2 * a.direction @ b.direction
        )
        _mark(markers, beyond[None], 1)
    soft = cv2.GaussianBlur(small, (0, 0), 1.0)
    cv2.watershed(soft, markers)
    mask = markers == 2
    mask[0], mask[-1], mask[:, 0], mask[:, -1] = mask[1], mask[-2], mask[:, 1], mask[:, -2]
    return np.asarray(mask, bool)


def _mark(markers: NDArray[np.int32], points: Floats, label: int) -> None:
    x, y = np.rint(points).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < markers.shape[1]) & (y < markers.shape[0])
    markers[y[inside], x[inside]] = label


def contour_of(mask: NDArray[np.bool_], corner: CornerCandidate, step: int) -> Floats:
    """The contour nearest the corner in full-resolution px, cutter on the right hand, frame border cut off."""
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not found:
        return np.zeros((0, 2))
    lines = [np.asarray(c, float).reshape(-1, 2) for c in found]
    line = min(lines, key=lambda c: float(np.hypot(*(c - corner.apex).T).min()) - 0.05 * len(c))
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
