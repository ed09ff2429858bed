"""Pictures of scale targets for the tests, through a pinhole camera with radial distortion.

The plane is tilted in space and projected (R. Hartley, A. Zisserman, Multiple View Geometry, 2004, ch. 6); the exact
scale at the picture's centre follows from the projection alone, not from what is drawn.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Pattern = Callable[[Array, Array], Array]


@dataclass(frozen=True)
class View:
    """`tilt_deg` about an axis at `axis_deg` in the picture; `k1`: radial displacement at the corner over the half-diagonal."""

    width: int = 1280
    height: int = 960
    px_per_mm: float = 150.0
    rotation_deg: float = 0.0
    tilt_deg: float = 0.0
    axis_deg: float = 30.0
    focal_px: float = 20_000.0
    k1: float = 0.0
    centre_mm: tuple[float, float] = (0.0, 0.0)
    mirrored: bool = False

    @property
    def _centre(self) -> Array:
        return np.array([(self.width - 1) / 2, (self.height - 1) / 2])

    @property
    def _plane(self) -> Array:
        """Columns: the plane's x axis, y axis and origin in camera coordinates (px units at distance `focal_px`)."""
        t, a, r = (math.radians(v) for v in (self.tilt_deg, self.axis_deg, self.rotation_deg))
        axis = np.array([math.cos(a), math.sin(a), 0.0])
        turn, _ = cv2.Rodrigues(axis * t)
        x = turn @ np.array([math.cos(r), -math.sin(r), 0.0]) * self.px_per_mm
        y = turn @ np.array([math.sin(r), math.cos(r), 0.0]) * self.px_per_mm
        if self.mirrored:
            y = -y
        origin = np.array([0.0, 0.0, self.focal_px]) - self.centre_mm[0] * x - self.centre_mm[1] * y
        return np.column_stack([x, y, origin])

    def to_mm(self, px: Array) -> Array:
        """Positions (n, 2) in the picture to the target's plane."""
        half = math.hypot(self.width, self.height) / 2
        v = (px - self._centre) / half
        far = np.hypot(v[:, 0], v[:, 1])
        near = far.copy()
        for _ in range(20):
            near = far / (1 + self.k1 * near**2)
        u = v * (near / np.maximum(far, 1e-12))[:, None] * half / self.focal_px
        q = np.column_stack([u, np.ones(len(u))]) @ np.linalg.inv(self._plane).T
        return q[:, :2] / q[:, 2:]

    def truth(self) -> tuple[float, float]:
        """Exact px per mm at the picture's centre along the target's x and y axis, by differences of the projection."""
        d = 0.01
        c = self._centre
        by_px = np.column_stack(
            [(self.to_mm((c + e)[None]) - self.to_mm((c - e)[None]))[0] / (2 * d) for e in np.eye(2) * d]
        )
        jacobian = np.linalg.inv(by_px)
        return float(np.hypot(*jacobian[:, 0])), float(np.hypot(*jacobian[:, 1]))


def ruler(
    pitch: float = 0.5,
    width: float = 0.1,
    length: float = 3.0,
    half: float = 2.2,
    spared: tuple[int, ...] = (),
) -> Pattern:
    """Endless row of marks standing on y = 0; every second one shorter, every tenth longer; numbers' strokes above."""

    def paint(x: Array, y: Array) -> Array:
        n = np.round(x / pitch).astype(int)
        tall = np.where(n % 10 == 0, 1.5 * length, np.where(n % 2 == 0, length, half))
        mark = (np.abs(x - n * pitch) < width / 2) & (y > 0) & (y < tall) & ~np.isin(n, spared)
        strokes = (
            (np.abs(x - np.round(x / 2.3) * 2.3 - 0.4) < width) & (y > 1.7 * length) & (y < 2.1 * length)
        )
        return np.where(mark | strokes, 0.1, 0.7)

    return paint


def stage(pitch: float = 0.1, width: float = 0.012, count: int = 40) -> Pattern:
    """`count` divisions from x = 0, every fifth longer, every tenth longer still."""

    def paint(x: Array, y: Array) -> Array:
        n = np.round(x / pitch).astype(int)
        tall = np.where(n % 10 == 0, 6 * pitch, np.where(n % 5 == 0, 4 * pitch, 2.4 * pitch))
        mark = (np.abs(x - n * pitch) < width / 2) & (y > -2 * pitch) & (y < tall) & (n >= 0) & (n <= count)
        return np.where(mark, 0.2, 0.75)

    return paint


def chessboard(pitch: float = 0.5, squares: int = 40) -> Pattern:
    """Squares with their corners at whole pitches, `squares` to each side of the origin."""

    def paint(x: Array, y: Array) -> Array:
        dark = (np.floor(x / pitch) + np.floor(y / pitch)) % 2 == 0
        return np.where(dark & (np.maximum(np.abs(x), np.abs(y)) < squares * pitch), 0.08, 0.75)

    return paint


def dots(pitch: float = 0.5, diameter: float = 0.25) -> Pattern:
    """Dark dots at whole pitches."""

    def paint(x: Array, y: Array) -> Array:
        far = np.hypot(x - np.round(x / pitch) * pitch, y - np.round(y / pitch) * pitch)
        return np.where(far < diameter / 2, 0.08, 0.75)

    return paint


def disc(diameter: float) -> Pattern:
    """A bright round thing on dark ground."""
    return lambda x, y: np.where(np.hypot(x, y) < diameter / 2, 0.6, 0.08)


def bar(diameter: float) -> Pattern:
    """A dark bar along y on bright ground: a back-lit pin."""
    return lambda x, y: np.where(np.abs(x) < diameter / 2, 0.05, 0.7) + 0 * y


def charuco(pitch: float, squares: tuple[int, int] = (9, 7)) -> Pattern:
    """A board drawn by OpenCV, looked up in the plane."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    board = cv2.aruco.CharucoBoard(squares, pitch, 0.7 * pitch, dictionary)
    fine = 100
    picture = board.generateImage((squares[0] * fine, squares[1] * fine), None, 0, 1)

    def paint(x: Array, y: Array) -> Array:
        u = np.floor((x / pitch + squares[0] / 2) * fine).astype(int)
        v = np.floor((y / pitch + squares[1] / 2) * fine).astype(int)
        inside = (u >= 0) & (v >= 0) & (u < picture.shape[1]) & (v < picture.shape[0])
        value = picture[np.clip(v, 0, picture.shape[0] - 1), np.clip(u, 0, picture.shape[1] - 1)] > 127
        return np.where(inside, np.where(value, 0.75, 0.06), 0.75)

    return paint


def draw(
    pattern: Pattern,
    view: View,
    rng: np.random.Generator,
    *,
    blur: float = 1.0,
    noise: float = 0.005,
    uneven: float = 0.2,
    negative: bool = False,
    fine: int = 4,
) -> NDArray[np.uint8]:
    """An sRGB-coded colour picture: `fine` x `fine` samples a pixel, blur (px), uneven light, noise, 8 bit."""
    at = (np.arange(fine) + 0.5) / fine - 0.5
    total = np.zeros((view.height, view.width))
    gx, gy = np.meshgrid(np.arange(view.width, dtype=float), np.arange(view.height, dtype=float))
    for dy in at:
        for dx in at:
            mm = view.to_mm(np.column_stack([(gx + dx).ravel(), (gy + dy).ravel()]))
            total += pattern(mm[:, 0], mm[:, 1]).reshape(total.shape)
    light = total / fine**2
    light = 0.85 - light if negative else light
    light = cv2.GaussianBlur(light, (0, 0), blur)
    far = np.hypot(gx - view.width / 2, gy - view.height / 2) / math.hypot(view.width, view.height) * 2
    light *= (1 - uneven * far**2) * (1 + uneven * (gx / view.width - 0.5))
    light = np.clip(light + rng.normal(0, noise, light.shape), 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    grey = np.round(coded * 255).astype(np.uint8)
    return np.dstack([grey] * 3)
