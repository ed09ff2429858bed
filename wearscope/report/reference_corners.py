"""Corners as a loupe shows them, drawn to compare with: sharp, rounding, blunt, chipped."""

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.grading.observed import CORNERS
from wearscope.report import ink
from wearscope.report.ink import Picture
from wearscope.report.view import WHITE

__all__ = ["reference_corners"]

PANEL_PX = 360
EDGES_PX = 90
"""Where the end edge and the side edge run, from the panel's top and left side."""
PX_PER_MM = 400.0
RADIUS_MM = {"sharp": 0.0, "rounding": 0.07, "blunt": 0.25, "chipped": 0.0}
"""Of a 6 mm cutter: "rounding" lies between its limits for worn and discard, "blunt" is well over both."""
CHIP_MM = np.array(
    [[0.0, 0.42], [0.08, 0.36], [0.15, 0.30], [0.13, 0.20], [0.22, 0.13], [0.26, 0.06], [0.36, 0.0]]
)
METAL, GLINT, GROUND = (92, 92, 96), (245, 245, 240), (222, 218, 208)


def reference_corners() -> Picture:
    """The four corners side by side, (height, width, 3) uint8, channels blue, green, red."""
    return np.hstack([_panel(corner.name, corner.text) for corner in CORNERS])


def _panel(name: str, words: str) -> Picture:
    panel = np.full((PANEL_PX + 110, PANEL_PX, 3), GROUND[::-1], np.uint8)
    front = EDGES_PX + PX_PER_MM * (CHIP_MM if name == "chipped" else _arc(RADIUS_MM[name]))
    far = float(PANEL_PX + 10)
    body = np.vstack([[EDGES_PX, far], front, [far, EDGES_PX], [far, far]])
    cv2.fillPoly(panel, [np.round(body * 16).astype(np.int32)], METAL[::-1], cv2.LINE_AA, 4)
    panel[PANEL_PX:] = WHITE
    radius = RADIUS_MM[name]
    if radius:
        width = max(3.0, 0.15 * radius * PX_PER_MM)
        inward = 1 - width / 2 / (radius * PX_PER_MM)
        ink.line(
            panel,
            EDGES_PX + PX_PER_MM * (radius + inward * (_arc(radius) - radius)),
            GLINT,
            width=width,
            casing=0,
        )
    panel[:, -2:] = WHITE
    bar = np.array([[20.0, PANEL_PX - 20.0], [20.0 + 0.2 * PX_PER_MM, PANEL_PX - 20.0]])
    ink.line(panel, bar, WHITE, width=3)
    ink.text(panel, (20, PANEL_PX - 46), "0.2 mm", size=16, colour=WHITE, halo=True)
    ink.text(panel, (14, PANEL_PX + 8), name, size=24, bold=True)
    for row, text in enumerate(ink.wrap(words, 16, PANEL_PX - 28)):
        ink.text(panel, (14, PANEL_PX + 42 + 22 * row), text, size=16)
    return panel


def _arc(radius_mm: float) -> NDArray[np.float64]:
    """From the side edge to the end edge, mm from the virtual corner; a single point for a sharp one."""
    turn = np.linspace(np.pi, 1.5 * np.pi, 33 if radius_mm else 1)[:, None]
    return radius_mm + radius_mm * np.hstack([np.cos(turn), np.sin(turn)])
