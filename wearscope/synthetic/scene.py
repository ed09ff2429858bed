"""What stands before the lens: outlines with the light that body and background send, before any optics."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Placement", "Scene"]

Points = NDArray[np.float64]
Light = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a thing drawn in mm (x right, y down) lies in the picture.

    `origin_px` is where its own (0, 0) falls; it is turned by `rotation_deg` (clockwise as seen) about that point, after
    being mirrored left to right where `mirror` is set.
    """

    px_per_mm: float
    origin_px: tuple[float, float]
    rotation_deg: float = 0.0
    mirror: bool = False

    def to_px(self, points_mm: Points) -> Points:
        """(N, 2) mm to px."""
        return np.asarray(np.asarray(points_mm) @ self._matrix().T + np.asarray(self.origin_px), np.float64)

    def to_mm(self, points_px: Points) -> Points:
        """(N, 2) px to mm."""
        offset = np.asarray(points_px) - np.asarray(self.origin_px)
        return np.asarray(offset @ np.linalg.inv(self._matrix()).T, np.float64)

    def grid_mm(self, size: tuple[int, int]) -> tuple[Light, Light]:
        """x and y in mm of every pixel of a picture of `size` (width, height), each (height, width)."""
        inverse = np.linalg.inv(self._matrix()).astype(np.float32)
        u = np.arange(size[0], dtype=np.float32)[None, :] - np.float32(self.origin_px[0])
        v = np.arange(size[1], dtype=np.float32)[:, None] - np.float32(self.origin_px[1])
        return inverse[0, 0] * u + inverse[0, 1] * v, inverse[1, 0] * u + inverse[1, 1] * v

    def _matrix(self) -> NDArray[np.float64]:
        angle = np.deg2rad(self.rotation_deg)
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        return self.px_per_mm * turn @ np.diag([-1.0 if self.mirror else 1.0, 1.0])


@dataclass(frozen=True, slots=True)
class Scene:
    """An ideal picture in parts.

    `outlines` are closed polygons in px; inside them the camera sees `body`, elsewhere `background`: linear light
    (height, width, 3), channels blue, green, red, 1 = full scale at exposure 1. `defocus_px` (height, width) is the extra blur sigma
    of whatever lies out of the focal plane. `truth` holds exact values (mm and px) and is safe to write as JSON.
    """

    size: tuple[int, int]
    outlines: tuple[Points, ...]
    body: Light
    background: Light
    truth: dict[str, Any] = field(default_factory=dict)
    defocus_px: Light | None = None
