"""The diameter from how far each corner lies from the axis, as a look along the axis at the tip shows it."""

import math
from collections.abc import Sequence

import numpy as np

from wearscope.features.diameter.budget import at_another_height
from wearscope.features.diameter.coverage import with_interval
from wearscope.quantity import Quantity

__all__ = ["diameter_from_corners"]

_BLUR_SHARE = 0.5
"""Standard uncertainty of a diameter across corners as a share of the blur: light or dark lands move the half level outward or inward on
both sides (0.62 px at a blur of 1.25, rms over 38 drawn ends)."""


def diameter_from_corners(
    radii: Sequence[Quantity],
    spread: Quantity,
    *,
    blur_mm: float,
    scale_known: bool,
    lens_mm: float | None = None,
) -> tuple[Quantity, str]:
    """Cutting diameter about the axis of the flutes, mm, and a remark.

    `radii`: distance of each corner from that axis, mm, at least two; `spread`: largest less smallest, a limit where it may be chance;
    `scale_known`: the scale holds at the height of the tip, whatever `lens_mm`, the distance of the lens, is.
    """
    value = [q.value for q in radii]
    if spread.kind == "value":
        largest = radii[int(np.argmax(value))]
        diameter, parts = 2 * largest.value, {name: 2 * u for name, u in largest.parts.items()}
    else:
        # Wrong places of the axis take from one corner what they give to the others.
        diameter = 2 * float(np.mean(value))
        own = [q.parts.get("noise", 0.0) for q in radii]
        parts = {"noise": 2 * math.hypot(*own) / len(own), "scale": 2 * max(q.parts["scale"] for q in radii)}
        parts["form"] = spread.value / math.sqrt(12)  # the largest is up to half of it farther out
    parts["blur"] = _BLUR_SHARE * blur_mm
    parts["perspective"] = 0.0 if scale_known else at_another_height(diameter, lens_mm)
    found = with_interval(Quantity(diameter, "mm", parts))
    return found, (
        f"the end view gives {diameter:.3f} mm (95 %: +/- {found.expanded:.3f}), twice "
        + ("the largest" if spread.kind == "value" else "the mean")
        + " distance of a corner from the axis of the flutes; how far that lies off the shank's axis is not seen there"
    )
