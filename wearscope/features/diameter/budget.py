"""What makes the uncertainty of a diameter from a series, besides the fit."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from wearscope.features.diameter.axis import Frame
from wearscope.features.diameter.bounds import largest_seen
from wearscope.features.diameter.coverage import with_interval
from wearscope.features.diameter.grid import Series
from wearscope.geometry.scale import Scale
from wearscope.quantity import Quantity

__all__ = ["at_another_height", "in_mm", "known_parts", "scale_from_shank"]

_EDGE_PX = 0.02
"""Standard uncertainty of an edge's place per px of blur, the same for all frames: a camera whose coding differs from sRGB by 2.3 % of
the exponent moves the half level by that much. Common practice, no source."""
_OWN_EDGE_PX = 0.003
"""The same from interpolation and JPEG alone, different for every edge: 0.002 in 80 drawn pictures."""
_HEIGHT_MM = 0.2
"""How well a scale is held at the height of the cutter's axis (standard uncertainty). Common practice, no source."""
_LENS_MM = 80.0
"""Distance of the lens where it is not given: usual for USB microscopes at this magnification. Common practice, no source."""


def scale_from_shank(frames: Sequence[Frame], shank_mm: float, micrometer_mm: float) -> Scale:
    """The scale from the shank in the same picture, measured with a micrometer (largest error `micrometer_mm`).

    What moves both edges of the shank alike moves those of the cutter, too: it is not in "fit" (see `known_parts`).
    """
    half = np.array([f.shank_px for f in frames])
    noise = float(np.mean([math.sqrt(f.axis_covariance[0, 0]) for f in frames])) / math.sqrt(len(half))
    edge = _OWN_EDGE_PX * float(np.median([f.source.blur_px for f in frames]))
    parts = {
        "target": micrometer_mm / math.sqrt(3) / shank_mm,
        "fit": math.hypot(noise, edge) / float(np.median(half)),
    }
    return Scale(2 * float(np.median(half)) / shank_mm, parts, "shank")


def known_parts(
    frames: tuple[Frame, ...], series: Series, scale: Scale, lens_mm: float | None
) -> tuple[dict[str, float], tuple[str, ...]]:
    """Standard uncertainties of a diameter in px that no fit shows, and flags."""
    flags = ["scale_assumed_exact"] if scale.id == "typed" else []
    parts = {"blur": 2 * _EDGE_PX * series.blur_px, "perspective": 0.0}
    if scale.id == "shank":
        # An edge's shift is in the shank's width as well: only the difference of the two widths' shares is left.
        left = abs(1 - largest_seen(series)[0] / series.shank_px)
        parts["blur"] = 2 * series.blur_px * math.hypot(_EDGE_PX * left, _OWN_EDGE_PX)
    else:
        # The shank's width changes with the distance of the lens; what the median over the frames does not average stays.
        median = math.sqrt(math.pi / 2 / len(frames))
        parts["perspective"] = 2 * series.shank_px * series.width_spread * median
    if scale.id not in ("shank", "typed"):
        parts["perspective"] = math.hypot(
            parts["perspective"], at_another_height(2 * series.shank_px, lens_mm)
        )
    if max(f.source.clipped for f in frames) > 0.01:
        flags.append("background_clipped")
        # Light of twice the full scale moves the half level by 0.67 sigma; rectangular.
        parts["exposure"] = 2 * 0.67 * series.blur_px / math.sqrt(3)
    return parts, tuple(flags)


def at_another_height(length: float, lens_mm: float | None) -> float:
    """Standard uncertainty of a length, in its unit, because a scale from a file may have been taken nearer to the lens or farther."""
    return length * _HEIGHT_MM / (lens_mm or _LENS_MM)


def in_mm(px: Quantity, scale: Scale) -> Quantity:
    """A diameter in mm with its 95 % interval; what the micrometer adds to a scale from the shank is a part of its own."""
    mm = scale.to_mm(px)
    even = {name: mm.parts[name] for name in ("form", "exposure", "ambiguity") if name in mm.parts}
    if scale.id == "shank":
        even["micrometer"] = abs(mm.value) * scale.parts["target"]
        mm = replace(mm, parts={**mm.parts, "scale": abs(mm.value) * scale.parts["fit"], **even})
    return mm if mm.kind != "value" else with_interval(mm, rectangular=even)
