"""How metal, coatings, heat colours, resin and paper look: linear light, textures from a random generator."""

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["FINISHES", "Heat", "brushed", "clouds", "film_colour", "paper"]

Light = NDArray[Any]
Finish = Literal["carbide", "hss", "gold", "violet", "black"]

FINISHES: dict[str, tuple[float, float, float]] = {
    "carbide": (0.39, 0.385, 0.38),
    "hss": (0.50, 0.49, 0.475),
    "gold": (0.16, 0.37, 0.52),
    "violet": (0.25, 0.165, 0.20),
    "black": (0.030, 0.028, 0.028),
}
"""Reflectance of ground surfaces, blue, green, red (chosen by eye to look like photographs)."""

_FILM_NM = (0.0, 10.0, 20.0, 30.0, 40.0, 46.0, 50.0, 60.0, 70.0, 90.0)
_FILM_SRGB = (
    (192, 189, 186), (180, 174, 161), (159, 146, 110), (126, 96, 20), (74, 7, 78),
    (20, 4, 121), (0, 47, 142), (30, 109, 175), (94, 145, 189), (152, 177, 184),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Heat:
    """An oxide film that is `film_nm` thick on the edge near the corner and thins out over about `depth_mm` into the cutter and at
    `reach_mm` from the corner; `strength` below 1 pales the colours."""

    film_nm: float = 55.0
    depth_mm: float = 0.5
    reach_mm: float = 1.2
    strength: float = 0.8


def film_colour(thickness_nm: Light) -> Light:
    """Colour (blue, green, red factors in linear light) of a magnetite film on iron against bare iron.

    Interpolated in a computed table: one absorbing film, normal incidence, D65, n and k of Fe (Johnson and Christy 1974) and Fe3O4
    (Querry 1985). It supports the order of the colours, not the thickness. Shape (..., 3).
    """
    codes = np.array(_FILM_SRGB, np.float64)[:, ::-1] / 255
    linear = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
    ratio = linear / linear[0]
    return np.stack([np.interp(thickness_nm, _FILM_NM, ratio[:, k]) for k in range(3)], axis=-1).astype(
        np.float32
    )


def brushed(
    across: Light, along: Light, rng: np.random.Generator, *, line: float, length: float, depth: float = 0.12
) -> Light:
    """Grinding lines: a factor around 1 for every point (`across`, `along`), with lines `line` wide and about `length` long.

    Sum of three widths of lines, a few deep scratches, and grain. `depth` is the standard deviation of the lines.
    """
    out = np.zeros_like(across)
    for octave, weight in ((1.0, 0.5), (4.0, 0.65), (25.0, 0.55)):
        out += np.float32(weight) * _line_noise(across / (line * octave), along / (length * octave**0.3), rng)
    scratch = _line_noise(across / (line * 0.8), along / (0.7 * length), rng)
    out = depth * out - 0.32 * np.clip(scratch - 2.55, 0, 1) + 0.35 * np.clip(-scratch - 2.7, 0, 1)
    return np.maximum(1 + out, 0.25).astype(np.float32)


def _line_noise(u: Light, v: Light, rng: np.random.Generator) -> Light:
    """Unit noise on the lattice of whole u and v, linear in between; it repeats after 4096 lines and 64 lengths."""
    lattice = rng.standard_normal((64, 4096)).astype(np.float32)
    lattice = 0.8 * lattice + 0.6 * rng.standard_normal((1, 4096)).astype(np.float32)
    return cv2.remap(
        lattice,
        np.mod(u, 4096).astype(np.float32),
        np.mod(v, 64).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_WRAP,
    )


def clouds(
    size: tuple[int, int], rng: np.random.Generator, scales_px: tuple[float, ...], weights: tuple[float, ...]
) -> Light:
    """Noise of unit standard deviation with blobs of the given sizes (px). Shape (height, width)."""
    out = np.zeros((size[1], size[0]), np.float32)
    for scale, weight in zip(scales_px, weights, strict=True):
        coarse = (int(size[0] / scale) + 4, int(size[1] / scale) + 4)
        blobs = rng.standard_normal((coarse[1], coarse[0])).astype(np.float32)
        out += np.float32(weight) * cv2.resize(blobs, size, interpolation=cv2.INTER_CUBIC)
    return np.asarray((out - out.mean()) / max(float(out.std()), 1e-6), np.float32)


def paper(
    size: tuple[int, int], rng: np.random.Generator, *, level: float = 0.30, blur_px: float = 6.0
) -> Light:
    """A sheet of grey paper some millimetres behind the focal plane. Shape (height, width, 3)."""
    fibres = clouds(size, rng, (2.0, 6.0, 14.0, 40.0, 300.0), (1.0, 1.0, 0.6, 0.25, 0.25))
    fibres = cv2.GaussianBlur(fibres, (0, 0), blur_px)
    warmth = np.array([0.955, 0.99, 1.0], np.float32)
    grey = np.maximum(level * (1 + 0.055 * fibres / max(float(fibres.std()), 1e-6)), 0.02)
    return np.asarray(grey[..., None] * warmth, np.float32)
