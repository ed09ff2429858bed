"""A step along the cutting edges: a cutter that always cuts the same sheet wears where it cuts and nowhere else."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Step", "find_step"]

Floats = NDArray[np.float64]

_LEVEL_SHARE = 0.1
"""A level lasts: at least this share of the length outside the holder on either side of the step."""
_LEAST_PX = 0.15
"""Smaller steps are as likely texture of the edge or what a photo's JPEG blocks leave (0.02 to 0.1 px)."""


@dataclass(frozen=True, slots=True)
class Step:
    """`place_px`: from the tip; `tip_px`, `behind_px`: distance of the edges from the fit on either side (radius);
    `u_px`: standard uncertainty of their difference."""

    place_px: float
    tip_px: float
    behind_px: float
    u_px: float

    @property
    def height_px(self) -> float:
        """Radius behind the step less radius at the tip."""
        return self.behind_px - self.tip_px


def find_step(along: Floats, radial: Floats, whole_px: float) -> Step | None:
    """The largest step between two levels, where it stands out of the scatter, else None.

    `along` (n,): places; `radial` (n,): how far the edges lie off a fit there, px; `whole_px`: the length outside the holder.
    """
    if len(radial) < 8:
        return None
    scatter = 1.4826 * float(np.median(np.abs(np.diff(radial)))) / float(np.sqrt(2))
    found = (_levels(along, radial, float(place), _LEVEL_SHARE * whole_px, scatter) for place in along)
    best = max((s for s in found if s is not None), key=lambda s: abs(s.height_px), default=None)
    return best if best is not None and abs(best.height_px) > max(_LEAST_PX, 4 * best.u_px) else None


def _levels(along: Floats, radial: Floats, place: float, length: float, scatter: float) -> Step | None:
    """The two levels beside `place`; None where one of them is none."""
    gap = 0.15 * length
    levels = []
    for sign in (-1, 1):
        beside = sign * (along - place)
        near = radial[(beside > gap) & (beside <= 0.5 * length + gap)]
        far = radial[(beside > 0.5 * length + gap) & (beside <= length + gap)]
        if min(len(near), len(far)) < 3:
            return None
        levels.append((float(np.median(near)), float(np.median(far)), len(near) + len(far)))
    (tip, tip_end, n), (behind, behind_end, m) = levels
    height = (behind + behind_end - tip - tip_end) / 2
    # Neighbouring places share the noise of a JPEG block: four count as one.
    u = 1.25 * scatter * float(np.sqrt(4 / n + 4 / m))
    if max(abs(tip - tip_end), abs(behind - behind_end)) > max(abs(height) / 10, 2 * u):
        return None
    return Step(place, (tip + tip_end) / 2, (behind + behind_end) / 2, u)
