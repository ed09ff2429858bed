"""Close-ups along one cutting edge: the line that parts rough metal from blurred ground."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.outline.find import gradients_of, small_copy
from wearscope.outline.gate import exposure_flags
from wearscope.photo.read import Photo
from wearscope.subpixel.trace import Frame

__all__ = ["EdgeLine", "find_edge_line"]

_GRAIN_PX = 11
"""Side of the neighbourhood in which roughness is judged, px of the small picture."""
_CLEAR = 0.5
"""A line that puts a quarter of either side wrong scores 0.5: rough and smooth then do not lie side by side."""
_TURN = np.radians(3.0)


@dataclass(frozen=True, slots=True)
class EdgeLine:
    """A straight line near the edge: `frame` (along, into the cutter), `length_px` to both sides of its origin."""

    frame: Frame
    length_px: float
    flags: tuple[str, ...] = ()


def find_edge_line(photo: Photo) -> EdgeLine | None:
    """The edge of a close-up to within a few px of the small picture, or None where the picture has no two halves."""
    small, step = small_copy(photo)
    roughness = np.log(cv2.boxFilter(gradients_of(small).fine, -1, (_GRAIN_PX, _GRAIN_PX)) + 0.3)
    roughness = np.minimum(roughness, np.percentile(roughness, 75))  # a land's own borders are no third class
    levels = np.asarray(255 * (roughness - roughness.min()) / max(float(np.ptp(roughness)), 1e-6), np.uint8)
    threshold, _ = cv2.threshold(levels, 0, 255, cv2.THRESH_OTSU)
    score, angle, offset = _parting_line(levels > threshold)
    if score < _CLEAR:
        return None
    into = np.array([np.cos(angle), np.sin(angle)])
    height, width = small.shape[:2]
    origin = (np.array([(width - 1) / 2, (height - 1) / 2]) + offset * into) * step + (step - 1) / 2
    frame = Frame(
        (float(origin[0]), float(origin[1])),
        (float(-into[1]), float(into[0])),
        (float(into[0]), float(into[1])),
    )
    return EdgeLine(frame, float(np.hypot(*photo.size)) / 2, exposure_flags(small))


def _parting_line(rough: NDArray[np.bool_]) -> tuple[float, float, float]:
    """(score 0 to 1, angle of the normal into the rough side, offset from the centre) of the best straight parting."""
    height, width = rough.shape
    y, x = np.mgrid[:height, :width]
    x, y = x - (width - 1) / 2, y - (height - 1) / 2
    share = np.where(rough, 1.0 / max(rough.sum(), 1), -1.0 / max((~rough).sum(), 1))
    best = (-1.0, 0.0, 0.0)
    for angle in np.arange(0.0, 2 * np.pi, _TURN):
        rank = np.rint(x * np.cos(angle) + y * np.sin(angle)).astype(int)
        first = int(rank.min())
        wrong = np.cumsum(np.bincount((rank - first).ravel(), weights=share.ravel()))
        k = int(np.argmin(wrong))
        if -wrong[k] > best[0]:
            best = (float(-wrong[k]), float(angle), first + k + 0.5)
    return best
