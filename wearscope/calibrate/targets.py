"""Kinds of scale targets and how far each can be trusted before somebody measures it."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = [
    "CHECK_LINE_MM",
    "PRINT_CHECKED_ONE_AXIS",
    "PRINT_CHECKED_TWO_AXES",
    "PRINT_UNCHECKED",
    "TARGETS",
    "Target",
]

PRINT_UNCHECKED = 0.01
"""Relative standard uncertainty of a print nobody has measured. Printers miss by 0.1 to 3 %, the two directions apart."""
CHECK_LINE_MM = 100.0
"""Nominal length of the two check lines on a printed target."""
PRINT_CHECKED_TWO_AXES = 0.001
"""Both lines measured with a calliper: 0.1 mm on 100 mm for reading the ends of a printed line (common practice, no source)."""
PRINT_CHECKED_ONE_AXIS = 0.0027
"""One line measured; the other direction of the print may differ by 0.5 %, which enters the mean by half."""


@dataclass(frozen=True, slots=True)
class Target:
    """A kind of target. `uncertainty`: default relative standard uncertainty of its pitch or diameter, `why` it is so."""

    name: str
    text: str
    printed: bool
    uncertainty: float
    why: str


_ALL = (
    Target(
        "ruler",
        "marks of a steel or plastic ruler",
        False,
        0.003,
        "0.05 mm over the 10 mm that fill a picture, rectangular (common practice, no source)",
    ),
    Target(
        "stage",
        "marks of a stage micrometer",
        False,
        0.001,
        "2 um over 1 mm, rectangular: sold without a certificate (common practice, no source)",
    ),
    Target("dots", "grid of round dots", True, 0.0, "printed, unchecked: 1 %"),
    Target("chessboard", "chessboard", True, 0.0, "printed, unchecked: 1 %"),
    Target("charuco", "ChArUco board", True, 0.0, "printed, unchecked: 1 %"),
    Target(
        "disc",
        "gauge pin, shank or coin of known diameter",
        False,
        0.001,
        "6 um on 6 mm: a pin, or a shank ground to h6; a coin needs a measured diameter (common practice, no source)",
    ),
)

TARGETS: Mapping[str, Target] = MappingProxyType({target.name: target for target in _ALL})
