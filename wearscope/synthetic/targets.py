"""Photographs of scales: every mark a polygon, sent through one pin-hole camera with tilt and distortion."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.synthetic.scene import Light, Scene
from wearscope.synthetic.surface import clouds

__all__ = ["Projection", "target_scene"]

Points = NDArray[np.float64]
Marks = tuple[list[Points], Points]
INK, CHROME = (0.030, 0.030, 0.032), (0.05, 0.05, 0.05)


@dataclass(frozen=True, slots=True)
class Projection:
    """From a plane in mm (x right, y down, (0, 0) at the picture's centre) to px.

    The plane is turned by `rotation_deg` (clockwise as seen), then tilted by `tilt_deg` about the line at `tilt_axis_deg`; the lens is
    `working_distance_mm` away. `px_per_mm` holds at the centre across the tilt; radial distortion moves a point at distance d from the centre to
    d (1 + k1 (d / (width / 2))^2).
    """

    size: tuple[int, int]
    px_per_mm: float
    rotation_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 0.0
    working_distance_mm: float = 60.0
    k1: float = 0.0

    def __call__(self, points_mm: Points) -> Points:
        """(N, 2) mm to px."""
        turn, axis, tilt = (np.deg2rad(v) for v in (self.rotation_deg, self.tilt_axis_deg, self.tilt_deg))
        points = np.asarray(points_mm, np.float64)
        points = points @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        along, across = np.array([np.cos(axis), np.sin(axis)]), np.array([-np.sin(axis), np.cos(axis)])
        u, v = points @ along, points @ across
        farther = self.working_distance_mm + v * np.sin(tilt)
        flat = (u[:, None] * along + (v * np.cos(tilt))[:, None] * across) / farther[:, None]
        px = self.px_per_mm * self.working_distance_mm * flat
        stretch = 1 + self.k1 * np.sum(px**2, axis=1, keepdims=True) / (self.size[0] / 2) ** 2
        return np.asarray(px * stretch + (np.array(self.size) - 1) / 2)

    def scale_at_centre(self) -> tuple[float, float]:
        """px/mm at the centre along the target's own x and y."""
        step = 1e-4
        ends = self(np.array([[-step, 0], [step, 0], [0, -step], [0, step]]))
        return tuple(
            float(np.hypot(*(b - a)) / (2 * step)) for a, b in ((ends[0], ends[1]), (ends[2], ends[3]))
        )  # type: ignore[return-value]


def target_scene(
    rng: np.random.Generator,
    kind: str,
    projection: Projection,
    *,
    pitch_mm: float,
    diameter_mm: float | None = None,
    offset_mm: tuple[float, float] = (0.0, 0.0),
    paper: bool = True,
) -> Scene:
    """A scale that fills the frame: "chessboard", "charuco", "dots", "ruler", "stage" or "disc".

    `pitch_mm` is the side of a square, the distance of dots, or the finest division; a disc has `diameter_mm`. `offset_mm` shifts the
    target. On `paper` the ground has fibres and ink is uneven, otherwise it is glass with chrome marks lit from below. The truth holds the marks (corners, dot
    centres, middle of each line, disc centre) in mm and px and the px/mm at the centre.
    """
    reach = 0.75 * float(np.hypot(*projection.size)) / projection.px_per_mm
    draw: dict[str, Callable[[], Marks]] = {
        "chessboard": lambda: _chessboard(pitch_mm, reach),
        "charuco": lambda: _charuco(pitch_mm),
        "dots": lambda: _dots(pitch_mm, reach),
        "ruler": lambda: _ruler(pitch_mm, reach),
        "stage": lambda: _stage(pitch_mm),
        "disc": lambda: ([_circle((0, 0), (diameter_mm or pitch_mm) / 2)], np.zeros((1, 2))),
    }
    if kind not in draw:
        raise ValueError(f"target {kind!r} is not one of {', '.join(draw)}")
    marks, points = draw[kind]()
    shift = np.array(offset_mm)
    outlines = [projection(_dense(mark + shift)) for mark in marks]
    inside = [o for o in outlines if _touches(o, projection.size)]
    seen = projection(points + shift)
    scale = projection.scale_at_centre()
    truth: dict[str, Any] = {
        "target": kind,
        "size_px": list(projection.size),
        "pitch_mm": pitch_mm,
        "diameter_mm": diameter_mm,
        "px_per_mm_centre_along_x": scale[0],
        "px_per_mm_centre_along_y": scale[1],
        "rotation_deg": projection.rotation_deg,
        "tilt_deg": projection.tilt_deg,
        "k1": projection.k1,
        "points_mm": points.tolist(),
        "points_px": np.round(seen, 4).tolist(),
    }
    ground, ink = _sheet(projection.size, rng, paper)
    return Scene(projection.size, tuple(inside), ink, ground, truth)


def _sheet(size: tuple[int, int], rng: np.random.Generator, paper: bool) -> tuple[Light, Light]:
    uneven = 1 + 0.05 * clouds(size, rng, (500.0,), (1.0,))[..., None]
    if not paper:
        ground = 0.72 * (1 + 0.2 * (uneven - 1)) * np.array([1.0, 0.99, 0.97], np.float32)
        return np.asarray(ground, np.float32), np.broadcast_to(
            np.array(CHROME, np.float32), ground.shape
        ).copy()
    fibres = 1 + 0.035 * clouds(size, rng, (2.5, 7.0, 25.0), (0.6, 1.0, 0.7))[..., None]
    blots = 1 + 0.25 * clouds(size, rng, (3.0, 12.0), (0.7, 1.0))[..., None]
    ground = 0.55 * uneven * fibres * np.array([0.93, 0.98, 1.0], np.float32)
    ink = uneven * np.maximum(blots, 0.3) * np.array(INK, np.float32)
    return np.asarray(ground, np.float32), np.asarray(ink, np.float32)


def _rectangle(x: float, y: float, width: float, height: float) -> Points:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


def _circle(centre: tuple[float, float], radius: float) -> Points:
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    return np.array(centre) + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)


def _dense(outline: Points, pieces: int = 12) -> Points:
    """Points between the corners, so that a distorted straight line bends."""
    if len(outline) > 100:
        return outline
    share = np.arange(pieces)[:, None] / pieces
    ends = np.roll(outline, -1, axis=0)
    return np.concatenate([a + share * (b - a) for a, b in zip(outline, ends, strict=True)])


def _touches(outline: Points, size: tuple[int, int]) -> bool:
    low, high = outline.min(axis=0), outline.max(axis=0)
    return bool(np.all(high > -2) and np.all(low < np.array(size) + 1))


def _lattice(pitch: float, reach: float) -> NDArray[np.intp]:
    half = int(reach / pitch) + 1
    return np.arange(-half, half + 1)


def _chessboard(pitch: float, reach: float) -> Marks:
    cells = _lattice(pitch, reach)
    black = [_rectangle(i * pitch, j * pitch, pitch, pitch) for i in cells for j in cells if (i + j) % 2 == 0]
    return black, np.array([[i * pitch, j * pitch] for i in cells for j in cells], np.float64)


def _charuco(pitch: float, squares: tuple[int, int] = (7, 5)) -> Marks:
    """A ChArUco board of the dictionary DICT_4X4_50, markers 0.7 of a square, centred."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    origin = -0.5 * pitch * np.array(squares)
    marks: list[Points] = []
    bit, number = 0.7 * pitch / 6, 0
    for j in range(squares[1]):
        for i in range(squares[0]):
            corner = origin + pitch * np.array([i, j])
            if (i + j) % 2 == 0:
                marks.append(_rectangle(corner[0], corner[1], pitch, pitch))
                continue
            cells = dictionary.generateImageMarker(number, 6)
            number += 1
            start = corner + 0.15 * pitch
            marks += [
                _rectangle(start[0] + c * bit, start[1] + r * bit, bit, bit)
                for r, c in np.argwhere(cells == 0)
            ]
    inner = [origin + pitch * np.array([i, j]) for j in range(1, squares[1]) for i in range(1, squares[0])]
    return marks, np.array(inner)


def _dots(pitch: float, reach: float) -> Marks:
    centres = [(i * pitch, j * pitch) for i in _lattice(pitch, reach) for j in _lattice(pitch, reach)]
    return [_circle(c, 0.25 * pitch) for c in centres], np.array(centres, np.float64)


def _ruler(pitch: float, reach: float) -> Marks:
    """Lines along x every `pitch`, each fifth longer, each tenth longest; they start at y = 0 and run up."""
    numbers = _lattice(pitch, reach)
    lengths = [pitch * (7.0 if n % 10 == 0 else 5.0 if n % 5 == 0 else 3.5) for n in numbers]
    width = 0.18 * pitch
    marks = [
        _rectangle(n * pitch - width / 2, -length, width, length)
        for n, length in zip(numbers, lengths, strict=True)
    ]
    return marks, np.array([[n * pitch, -length / 2] for n, length in zip(numbers, lengths, strict=True)])


def _stage(pitch: float, divisions: int = 100) -> Marks:
    """A stage micrometer: `divisions` lines on a base line, each fifth and tenth longer, centred."""
    numbers = np.arange(divisions + 1)
    span = pitch * divisions
    lengths = [pitch * (14.0 if n % 10 == 0 else 10.0 if n % 5 == 0 else 7.0) for n in numbers]
    width = min(0.25 * pitch, 0.006)
    x = numbers * pitch - span / 2
    marks = [_rectangle(a - width / 2, -b, width, b) for a, b in zip(x, lengths, strict=True)]
    marks.append(_rectangle(-span / 2 - width / 2, 0, span + width, width))
    return marks, np.stack([x, -0.5 * np.array(lengths)], axis=1)
