"""Is the corner hidden by something that sticks to it?

Wear only takes metal away. What lies outside both edges, beyond the place where they would meet, was never part of the cutter: a
lump there fills up a worn corner and makes it look sharp.
"""

import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.outline.shape import CornerPose, Outline

__all__ = ["find_cover"]

Floats = NDArray[np.float64]

_NEAR_MM = 0.5
"""A lump that hides a corner lies on it; lumps are tenths of a millimetre large (common practice, no source)."""
_AT_LEAST_PX, _IN_BLURS = 3.0, 2.0
"""The corner's place is known to a few px before it is fitted, and the outline turns a corner within two blurs."""


def find_cover(outline: Outline, pose: CornerPose, scale: Scale) -> Finding:
    """The flag `corner_covered`, a mark and how far it sticks out, where something lies outside both edges at the corner."""
    away = outline.points_px - np.array(pose.apex_px)
    away = away[np.hypot(*away.T) < _NEAR_MM * scale.px_per_mm]
    end, side = np.array(pose.end_direction), np.array(pose.side_direction)
    normals = [_outward(a, b) for a, b in ((end, side), (side, end))]
    out = np.min([away @ normal for normal in normals], axis=0)
    least = max(_AT_LEAST_PX, _IN_BLURS * pose.blur_px)
    if out.max(initial=0.0) < least:
        return Finding()
    far = away[int(np.argmax(out))]
    place = far + np.array(pose.apex_px)
    size = float(np.hypot(*far)) / scale.px_per_mm
    return Finding(
        marks=(Mark("stuck", (float(place[0]), float(place[1])), f"stuck material {size:.2f} mm"),),
        flags=("corner_covered",),
        remarks=(f"stuck material reaches about {size:.2f} mm beyond the corner",),
    )


def _outward(along: Floats, other: Floats) -> Floats:
    """Unit vector square to an edge, away from the cutter."""
    normal = np.array([-along[1], along[0]])
    return normal if normal @ other < 0 else -normal
