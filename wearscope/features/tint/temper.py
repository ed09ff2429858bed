"""Names of temper colours: where a tint lies in the (u, v) plane around clean metal.

An oxide film that grows on steel takes away blue first (straw, brown), then green (purple), then red (blue), and
comes back towards grey; in the (u, v) plane the hue angle runs one way, from about -80 degrees over 0 to 170. The angle
does not depend on shading, exposure or white balance. Sectors follow the thin-film calculation for magnetite on iron,
which the tests repeat; the border between straw and brown is a matter of strength, just above that of 20 nm of film (straw in the tables).
"""

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["Temper", "temper_colours"]


class Temper(IntEnum):
    """Colours in the order in which a growing film shows them; CLEAN: no tint, OTHER: no temper colour."""

    CLEAN = 0
    STRAW = 1
    BROWN = 2
    PURPLE = 3
    BLUE = 4
    OTHER = 5


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
