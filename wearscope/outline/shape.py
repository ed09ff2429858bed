"""What the outline stage hands to the features."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.photo.read import LUMINANCE
from wearscope.subpixel.profile import StepFits

__all__ = ["CornerPose", "EdgeSteps", "NosePose", "Outline"]


@dataclass(frozen=True, slots=True)
class CornerPose:
    """Where the cutting corner is, before any model is fitted to it.

    `apex_px` (x, y): where the two edges, extended, meet. `end_direction` and `side_direction`: unit vectors
    from the apex along the end edge and the side edge; the cutter lies between them (about 90 degrees).
    `end_length_px`, `side_length_px`: how far each edge can be followed inside the frame.
    `blur_px`: a first guess of sigma_b at the corner.
    `roles_certain`: False where which edge is the end edge was guessed. `end_gap_px`, `side_gap_px`: how far from the
    apex each edge is first seen, about: beyond a rounding or a break.
    """

    apex_px: tuple[float, float]
    end_direction: tuple[float, float]
    side_direction: tuple[float, float]
    end_length_px: float
    side_length_px: float
    blur_px: float
    roles_certain: bool = False
    end_gap_px: float = 0.0
    side_gap_px: float = 0.0


@dataclass(frozen=True, slots=True)
class NosePose:
    """The round end of a ball-nose cutter: a first circle, from the outline, before any fit.

    `centre_px` (x, y), `radius_px`; `axis` is the unit vector from the centre to the tip; `half_angle` (rad) is how
    far to both sides of it the circle is seen; `blur_px` as in CornerPose.
    """

    centre_px: tuple[float, float]
    radius_px: float
    axis: tuple[float, float]
    half_angle: float
    blur_px: float


@dataclass(frozen=True, slots=True)
class EdgeSteps:
    """Where an edge was found near the corner: places `px` (n, 2) on it, outward, and the steps of light there (n rows)."""

    px: NDArray[np.float64]
    fits: StepFits


@dataclass(frozen=True, slots=True)
class Outline:
    """The ordered contour between cutter and background.

    `points_px` (n, 2): x and y, sub-pixel, walking with the cutter on the right hand as seen in the picture.
    `mask` (height, width) bool: True on the cutter. `mask_step`: mask pixels are this many photo pixels wide.
    `corner`: None where no cutting corner was found.
    `nose`: only where a round end was looked for, and found.
    `mix`: the weights of blue, green and red (linear light) in which cutter and ground differ best: luminance
    unless another mix is clearly better; measure the edge in `photo.linear(box, mix=outline.mix)`.
    `steps`: those on the end edge and on the side edge that the corner's pose rests on.
    `flags`: names from `wearscope.flags`. `score`: how much speaks for the corner or nose; 0 where there is none.
    """

    points_px: NDArray[np.float64]
    mask: NDArray[np.bool_]
    mask_step: int
    corner: CornerPose | None
    flags: tuple[str, ...] = ()
    mix: tuple[float, float, float] = LUMINANCE
    nose: NosePose | None = None
    score: float = 0.0
    steps: tuple[EdgeSteps, EdgeSteps] | None = None
