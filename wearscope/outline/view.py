"""Which view a photo shows, where nobody said.

A look along the axis has everything sharp inside the frame: what holds the tip lies behind it, out of focus, while side-on the cutter
leaves the frame. A plain corner is one whatever else is in the picture. A close-up along an edge is parted by one line, rough metal on one side of it
and quiet ground on the other. A shank runs from frame to frame between two straight sides. A silhouette of the whole
cutter (`profile`) cannot be told from a corner whose other side is in the picture too, and is one.
"""

import cv2
import numpy as np

from wearscope.outline.bar import NotABar, find_bar
from wearscope.outline.edge_view import GRAIN_PX, parting_line
from wearscope.outline.find import PLAIN
from wearscope.outline.gate import WIDEST_BLUR_PX
from wearscope.outline.shape import Outline
from wearscope.photo.read import Photo
from wearscope.photo.small import SmallCopy

__all__ = ["is_edge", "is_end", "is_shank"]

_RIM = 0.04
"""Share of the shorter side that counts as the frame's rim."""
_CROSSING = 99.9
"""Percentile of the gradient at the rim: a side of a cutter that crosses it covers a thousandth of it or more."""
_BLURRED = 0.3
"""The shank behind a tip is many depths of field away: of its border hardly a tenth is left of the slope of an edge in focus. The sides of a
cutter that leans out of focus towards the frame keep half of it, or the corner cannot be measured either."""
_PLAINEST = 4000.0
"""Score of a corner more than plain: of edges across all of the small picture, and steeper still. Grinding lines and broken stretches of a
single edge make corners too, of shorter, fainter edges."""
_PARTED, _WHOLLY = 5 / 6, 11 / 12
"""A line through a corner in the middle of the frame scores 2/3 at best (a third of the ground lies on its wrong side), along an edge
through the picture 1. Halfway is enough where no plain corner is seen, three quarters of the way where one is: grinding lines that meet the edge look like one."""
_COARSE, _TURN = 4, np.radians(6.0)


def is_end(photo: Photo) -> bool:
    """Does everything sharp lie inside the frame?"""
    grey = photo.small.half_grey
    slope = cv2.magnitude(*(cv2.Sobel(grey, cv2.CV_32F, *order) for order in ((1, 0), (0, 1))))
    rim = max(round(_RIM * min(slope.shape)), 1)
    inside = slope[rim:-rim:2, rim:-rim:2]
    strips = (slope[:rim], slope[-rim:], slope[rim:-rim, :rim], slope[rim:-rim, -rim:])
    at_rim = np.percentile(np.concatenate([strip.ravel() for strip in strips]), _CROSSING)
    return bool(at_rim < _BLURRED * np.percentile(inside, 99.5))


def is_edge(photo: Photo, outline: Outline) -> bool:
    """Does one line part rough from smooth, and is what was found at a corner, if anything, no plain one?"""
    if outline.score > _PLAINEST:
        return False
    return _parting(photo.small) > (_PARTED if outline.score < PLAIN else _WHOLLY)


def _parting(small: SmallCopy) -> float:
    """How well the best line parts rough from smooth, 0 to 1; as `find_edge_line` looks for it, more broadly."""
    grey = cv2.GaussianBlur(small.grey, (0, 0), 1.0)
    slope = cv2.magnitude(*(cv2.Sobel(grey, cv2.CV_32F, *order, scale=0.125) for order in ((1, 0), (0, 1))))
    rough = np.log(cv2.boxFilter(slope, -1, (GRAIN_PX, GRAIN_PX)) + 0.3)
    rough = cv2.resize(rough, None, fx=1 / _COARSE, fy=1 / _COARSE, interpolation=cv2.INTER_AREA)
    rough = np.minimum(rough, np.percentile(rough, 75))
    levels = np.asarray(255 * (rough - rough.min()) / max(float(np.ptp(rough)), 1e-6), np.uint8)
    threshold, _ = cv2.threshold(levels, 0, 255, cv2.THRESH_OTSU)
    return parting_line(levels > threshold, turn=_TURN)[0]


def is_shank(photo: Photo) -> bool:
    """Do two straight sides, in focus, run through the whole picture?"""
    try:
        bar = find_bar(photo)
    except NotABar:
        return False
    return bar.leaves_frame() == (True, True) and bar.blur_px <= WIDEST_BLUR_PX
