"""What to do with a diameter: the number for the CAM tool table and what changes without it."""

import math
from typing import TYPE_CHECKING

from wearscope.quantity import Quantity

if TYPE_CHECKING:
    from wearscope.features.diameter.series import SeriesResult

__all__ = ["about_edges", "about_slot", "about_uncertainty", "advise", "rounded", "tool_table_row"]


def rounded(quantity: Quantity) -> float:
    """The value rounded to the decade of half its expanded uncertainty, never finer than 1 um (7.2.6 of JCGM 100: no spurious digits)."""
    digits = min(3, max(1, -math.floor(math.log10(max(quantity.expanded, 1e-9) / 2))))
    return round(quantity.value, digits)


def advise(diameter: Quantity, nominal: float | None, when_new: float | None = None) -> tuple[str, ...]:
    """Sentences for a person; lengths in mm."""
    if diameter.kind == "lower_limit":
        return (f"At least {diameter.value:.3f} mm; not a number for the tool table.",)
    number = rounded(diameter)
    said = [f"Type {number:g} mm into the tool table. {_sure(diameter)}"]
    if nominal:
        less = nominal - number
        if abs(less) <= diameter.expanded:
            said.append(f"This agrees with the label ({nominal:g} mm) within the uncertainty.")
        else:
            word = "under" if less > 0 else "over"
            said.append(
                f"{abs(less):.3f} mm {word} the label. With {nominal:g} mm typed instead: pockets come out {abs(less):.3f} mm "
                f"{'smaller' if less > 0 else 'larger'}, bosses {abs(less):.3f} mm {'larger' if less > 0 else 'smaller'}, a slot in "
                f"one pass {abs(less):.3f} mm {'narrower' if less > 0 else 'wider'}; or compensate {abs(less) / 2:.4f} mm a side."
            )
            said.append(
                "A finishing pass with the same wrong number does not hide it: it leaves the same error on the last cut."
            )
            if less > 0:
                said.append(
                    "Under the label is only a warning: new cutters are often under (common practice)."
                )
    if when_new:
        lost = when_new - diameter.value
        if lost > diameter.expanded:
            said.append(f"{lost:.3f} mm smaller than when new: that is wear.")
    return tuple(said)


def _sure(diameter: Quantity) -> str:
    below = diameter.expanded if diameter.below is None else diameter.below
    above = diameter.expanded if diameter.above is None else diameter.above
    digits = 4 if min(below, above) < 0.0095 else 3
    low, high = diameter.value - below, diameter.value + above
    return f"It is 95 % sure to lie between {low:.{digits}f} and {high:.{digits}f} mm."


_REMEDY = {
    "scale": "measure the shank with a micrometer and give --shank",
    "perspective": "give --shank, which stands at the same height, or --lens-distance",
    "edge_noise": "take more photos, sharper and with even light",
    "ambiguity": "take more photos, an odd number over one full turn",
    "form": "show more of the cutting length, and take more photos",
    "micrometer": "use a better micrometer, or set it on a gauge block and give --micrometer-error",
    "repeatability": "take more readings",
    "exposure": "expose less: the background is at full white",
    "blur": "focus on the outline",
}
_FINE_MM = 0.01
"""Expanded uncertainty with which nobody at a router needs to do better. Common practice, no source."""


def about_uncertainty(diameter: Quantity) -> tuple[str, ...]:
    """The part that makes most of an uncertainty too wide for use, and what to do about it."""
    if diameter.kind != "value" or diameter.expanded <= _FINE_MM:
        return ()
    part, u = max(diameter.parts.items(), key=lambda item: item[1])
    remedy = _REMEDY.get(part)
    if remedy is None or 2 * u < 0.7 * diameter.expanded:
        return ()
    return (f"Most of the uncertainty comes from {part.replace('_', ' ')} ({2 * u:.3f} mm): {remedy}.",)


def about_edges(series: "SeriesResult") -> tuple[str, ...]:
    """What runout and a worn step change, where they stand out of their uncertainties; lengths in mm."""
    said = []
    if series.worn is not None and series.step is not None and series.step.value > 0:
        said.append(
            f"Cutting no deeper than {series.step_at_mm:.1f} mm, type {rounded(series.worn):g} mm: the tip is worn up to there."
        )
    if series.runout is not None and series.extra_chip_mm and series.runout.value > series.runout.expanded:
        each = ", ".join(f"flute {i} {extra:+.3f}" for i, extra in enumerate(series.extra_chip_mm, 1))
        idle = -min(series.extra_chip_mm)
        said.append(
            f"The edges run out by {series.runout.value:.3f} mm: chip of each edge against the feed per tooth, in mm: {each}"
            + (
                f"; below a feed of {idle:.3f} mm per tooth one does not cut at all."
                if idle > 0.0005
                else "."
            )
        )
    return tuple(said)


def about_slot(slot_mm: float, diameter: Quantity) -> str:
    """What a test slot says beside a measured diameter."""
    more = slot_mm - diameter.value
    if diameter.kind == "value" and more < -diameter.expanded:
        return f"the slot is {slot_mm:g} mm, {-more:.3f} mm narrower than the cutter measures: measure both again"
    return f"the slot is {slot_mm:g} mm wide, {max(more, 0):.3f} mm more than the cutter: runout and deflection on this machine"


def tool_table_row(diameter: Quantity, nominal: float | None, flutes: int) -> str:
    """Heading and one row of a tool table, comma separated, lengths in mm; no diameter where only a limit is known."""
    head = "nominal_diameter_mm,cutting_diameter_mm,diameter_uncertainty_mm,flutes,kind"
    is_value = diameter.kind == "value"
    number, u = (f"{rounded(diameter):g}", f"{diameter.expanded:.4f}") if is_value else ("", "")
    return f"{head}\n{f'{nominal:g}' if nominal else ''},{number},{u},{flutes},{diameter.kind}"
