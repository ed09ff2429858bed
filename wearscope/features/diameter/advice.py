"""What to do with a diameter: the number for the CAM tool table and what changes without it."""

import math

from wearscope.quantity import Quantity

__all__ = ["advise", "rounded", "tool_table_row"]


def rounded(quantity: Quantity) -> float:
    """The value rounded to the decade of half its expanded uncertainty, never finer than 1 um (7.2.6 of JCGM 100: no spurious digits)."""
    digits = min(3, max(1, -math.floor(math.log10(max(quantity.expanded, 1e-9) / 2))))
    return round(quantity.value, digits)


def advise(diameter: Quantity, nominal: float | None, when_new: float | None = None) -> tuple[str, ...]:
    """Sentences for a person; lengths in mm."""
    if diameter.kind == "lower_limit":
        return (f"At least {diameter.value:.3f} mm; not a number for the tool table.",)
    number = rounded(diameter)
    said = [f"Type {number:g} mm into the tool table (+/- {diameter.expanded:.3f} mm, 95 %)."]
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


def tool_table_row(diameter: Quantity, nominal: float | None, flutes: int) -> str:
    """Heading and one row of a tool table, comma separated, lengths in mm."""
    head = "nominal_diameter_mm,cutting_diameter_mm,diameter_uncertainty_mm,flutes,kind"
    return f"{head}\n{nominal if nominal else ''},{rounded(diameter):g},{diameter.expanded:.4f},{flutes},{diameter.kind}"
