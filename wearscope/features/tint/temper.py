"""Names of temper colours: where a tint lies in the (u, v) plane around clean metal.

An oxide film that grows on steel takes away blue first (straw, brown), then green (purple), then red (blue), and
comes back towards grey; in the (u, v) plane the hue angle runs one way, from about -80 degrees over 0 to 170. The angle
does not depend on shading, exposure or white balance. Sectors follow the thin-film calculation for magnetite on iron,
which the tests repeat; the border between straw and brown is a matter of strength, just above that of 20 nm of film (straw in the tables).
"""

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["PLAIN_STEEL_C", "Temper", "temper_colours", "temperature_words"]


class Temper(IntEnum):
    """Colours in the order in which a growing film shows them; CLEAN: no tint, OTHER: no temper colour."""

    CLEAN = 0
    STRAW = 1
    BROWN = 2
    PURPLE = 3
    BLUE = 4
    OTHER = 5


PLAIN_STEEL_C: dict[Temper, tuple[int, int]] = {
    Temper.STRAW: (176, 240),
    Temper.BROWN: (240, 265),
    Temper.PURPLE: (260, 282),
    Temper.BLUE: (288, 371),
}
"""Lowest and highest temperature (degrees Celsius) at which published tables for plain carbon steel, short exposure, have these colours;
pale to dark straw, and dark blue to grey-blue, are each one here. The tables (primidi.com "Tempering colors"; gdgwsteel.org; gdgwsteel.net;
an encyclopaedia's entry "Temper Color"; wikisum.wiki "Heat coloring of metals") disagree by 17 to 28 degrees at one name; longer
exposure deepens a colour at the same temperature, alloying raises the temperature of a colour."""


def temperature_words(furthest: Temper, *, coated: bool = False) -> str:
    """What the furthest of the colours seen says about the temperature, for people; nothing where it is no temper colour."""
    if furthest not in PLAIN_STEEL_C:
        return ""
    why = "no published table holds for high-speed steel or carbide, so no temperature is given"
    if coated:
        return f"Temperature: the colours of a heated coating depend on the coating; {why}."
    low, high = PLAIN_STEEL_C[furthest]
    return f"Temperature: on plain steel, {furthest.name.lower()} means {low} to {high} °C by tables that disagree; {why}."


_WARM, _PURPLE, _BLUE, _END = -100.0, -20.0, 85.0, 180.0
_BROWN_STRENGTH = 0.65


def temper_colours(
    u: NDArray[np.float32], v: NDArray[np.float32], *, visible: float = 0.15
) -> NDArray[np.uint8]:
    """Name the tint at (u, v), both taken from clean metal; `visible`: weaker tints are CLEAN."""
    strength = np.hypot(u, v)
    angle = np.degrees(np.arctan2(v, u))
    named = np.full(strength.shape, Temper.OTHER, np.uint8)
    warm = (angle >= _WARM) & (angle < _PURPLE)
    named[warm] = np.where(strength[warm] < _BROWN_STRENGTH, Temper.STRAW, Temper.BROWN)
    named[(angle >= _PURPLE) & (angle < _BLUE)] = Temper.PURPLE
    named[(angle >= _BLUE) & (angle <= _END)] = Temper.BLUE
    named[strength < visible] = Temper.CLEAN
    return named
