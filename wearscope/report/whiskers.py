"""What is gone since new, drawn as whiskers that stand off the outline: many times as long as the loss, with a scale of
their own, and outside the cutter, so that the corner stays in sight."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.facts import MM_PER_INCH
from wearscope.finding import WearMap
from wearscope.report import ink
from wearscope.report.ink import Picture
from wearscope.report.view import VERMILLION, Units

__all__ = ["Whiskers", "draw_whiskers", "scale_words", "whiskers"]

Floats = NDArray[np.float64]
_LONGEST = 0.12
"""The longest whisker, as a share of the photo's shorter side."""
_GAP, _SPACING = 14.0, 7.0
"""How far whiskers stand off the outline and apart, in widths of a thin line."""
_SHORTEST = 5.0
"""A whisker shorter than this, in widths of a thin line, is a dot."""
_PLAIN = 2.0
"""Of some hundred places along an unworn outline none looks worn by chance at twice its uncertainty (95 %)."""
_LARGEST_FACTOR = 500.0


@dataclass(frozen=True, slots=True)
class Whiskers:
    """`feet` and `tips` (n, 2) px; `factor`: how many times as long as the loss they are drawn."""

    feet: Floats
    tips: Floats
    factor: float


def whiskers(wear: WearMap, size: tuple[int, int], *, px_per_mm: float, unit: float) -> Whiskers | None:
    """Where to draw them in a photo of `size` (width, height); None where nothing is proven to be gone.

    `unit` is the width of a thin line, px. Only what is plainly more than its own uncertainty has one.
    """
    gone = [p for p in wear.points if p.loss_mm > _PLAIN * p.uncertainty_mm]
    if not gone:
        return None
    largest = max(p.loss_mm for p in gone) * px_per_mm
    factor = min(ink.nice_length(_LONGEST * min(size) / largest), _LARGEST_FACTOR)
    at, outward = np.array([p.px for p in gone]), np.array([p.outward for p in gone])
    loss = np.array([p.loss_mm for p in gone]) * px_per_mm
    feet = at + _GAP * unit * outward
    tips = feet + (factor * loss)[:, None] * outward
    long = factor * loss > _SHORTEST * unit
    feet, tips = feet[long], tips[long]
    kept = _apart(feet, tips, _SPACING * unit)
    return Whiskers(feet[kept], tips[kept], factor)


def _apart(feet: Floats, tips: Floats, spacing: float) -> list[int]:
    """Whiskers that stand apart at foot or tip, the longest always among them."""
    longest = int(np.argmax(np.hypot(*(tips - feet).T)))
    kept = [longest]
    for order in (range(longest + 1, len(feet)), range(longest - 1, -1, -1)):
        last = longest
        for i in order:
            if max(np.hypot(*(feet[i] - feet[last])), np.hypot(*(tips[i] - tips[last]))) >= spacing:
                kept.append(i)
                last = i
    return sorted(kept)


def draw_whiskers(picture: Picture, drawn: Whiskers, *, unit: float) -> None:
    """Draw them in place, each a line with a short foot."""
    for foot, tip in zip(drawn.feet, drawn.tips, strict=True):
        ink.line(picture, np.array([foot, tip]), VERMILLION, width=1.5 * unit, casing=unit)


def scale_words(drawn: Whiskers, room: float, *, px_per_mm: float, units: Units) -> tuple[float, str]:
    """A round loss whose whisker is not longer than `room` px: the length of that whisker in px, and words for it."""
    per_unit = drawn.factor * px_per_mm * (MM_PER_INCH if units == "inch" else 1.0)
    length = ink.nice_length(room / per_unit)
    words = f"{length:.6f}".rstrip("0") + " in" if units == "inch" else f"{1000 * length:g} µm"
    return length * per_unit, f"{words} gone since new"
