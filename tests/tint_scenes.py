"""Small scenes of a cutter's corner with heat tint, resin, coating or nothing on it, drawn from optics.

Independent of the package: an oxide film by the Fresnel equations, resin by absorption, light by gains per channel.
"""

from functools import cache

import cv2
import numpy as np

# n + ik at 450, 550 and 650 nm, refractiveindex.info database (CC0): Fe Johnson & Christy 1974, Fe3O4 Querry 1985
WAVELENGTH_NM = np.array([450.0, 550.0, 650.0])
IRON = np.array([2.584 + 2.767j, 2.950 + 2.932j, 2.911 + 3.089j])
MAGNETITE = np.array([2.386 + 0.032j, 2.343 + 0.105j, 2.366 + 0.138j])

GOLD = np.array([0.22, 0.52, 0.70])  # blue, green, red in linear light; titanium nitride looks so (no source)
VIOLET_GREY = np.array([0.26, 0.17, 0.205])  # titanium aluminium nitride (no source)
STEEL = np.array([0.52, 0.54, 0.55])


def film_reflectance(thickness_nm):
    """Reflectance (..., 3) at 450, 550, 650 nm of magnetite on iron, normal incidence (one absorbing film)."""
    d = np.asarray(thickness_nm, float)[..., None]
    r01 = (1 - MAGNETITE) / (1 + MAGNETITE)
    r12 = (MAGNETITE - IRON) / (MAGNETITE + IRON)
    phase = np.exp(2j * 2 * np.pi * MAGNETITE * d / WAVELENGTH_NM)
    return np.abs((r01 + r12 * phase) / (1 + r01 * r12 * phase)) ** 2


@cache
def _film_table():
    """Relative to bare iron; a rough surface mixes thicknesses (+-15 %)."""
    nm = np.arange(0.0, 90.0, 0.5)
    spread = np.linspace(0.85, 1.15, 7)
    return nm, film_reflectance(nm[:, None] * spread).mean(axis=1) / film_reflectance(0.0)


def smooth_noise(rng, shape, scale):
    """Gaussian noise of unit variance with a correlation length of `scale` px."""
    coarse = max(1, int(scale / 3))
    small = rng.normal(size=(shape[0] // coarse + 2, shape[1] // coarse + 2)).astype(np.float32)
    small = cv2.GaussianBlur(small, (0, 0), scale / coarse)
    noise = cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return noise / noise.std()


def draw(kind, rng, *, size=(640, 480), ground=None, gains=None, reach_px=None, thickest_nm=None):
    """One scene: (8-bit picture blue-green-red after JPEG, mask of the cutter, mask of the heat tint > 10 nm).

    `kind`: none, heat, resin, gold or violet.
    """
    width, height = size
    y, x = np.mgrid[:height, :width].astype(np.float32)
    turn = np.radians(rng.uniform(-20, 20))
    corner = np.array([width, height]) * rng.uniform(0.55, 0.8, 2)
    a = (x - corner[0]) * np.cos(turn) + (y - corner[1]) * np.sin(turn)
    b = -(x - corner[0]) * np.sin(turn) + (y - corner[1]) * np.cos(turn)
    depth = np.minimum(-a, -b)  # px from the nearest edge, inside positive
    mask = depth > 0

    grain = smooth_noise(rng, (height, width), 1.0)
    brushed = cv2.GaussianBlur(
        rng.normal(size=(height, width)).astype(np.float32), (0, 0), sigmaX=0.8, sigmaY=25
    )
    light = rng.uniform(0.25, 0.9) * (1 + 0.12 * brushed / brushed.std() + 0.02 * grain)
    light *= 1 + 0.5 * np.sin(a / rng.uniform(40, 200) + rng.uniform(0, 6))  # facets of the flute
    for _ in range(rng.integers(0, 3)):  # reflections of the ring light
        place = corner - rng.uniform(40, 280, 2)
        light += rng.uniform(0.5, 2) * np.exp(
            -((x - place[0]) ** 2 + (y - place[1]) ** 2) / (2 * rng.uniform(15, 50) ** 2)
        )

    surface = {"gold": GOLD, "violet": VIOLET_GREY}.get(kind, STEEL) * np.ones((height, width, 3))
    heated = np.zeros(mask.shape, bool)
    if kind == "heat":
        reach = rng.uniform(30, 160) if reach_px is None else reach_px
        top = rng.uniform(25, 70) if thickest_nm is None else thickest_nm
        along = np.hypot(a, b) / (reach * rng.uniform(2, 6))
        nm = top * np.exp(-depth / reach - along * 0.5 + 0.15 * smooth_noise(rng, mask.shape, 25))
        grid, table = _film_table()
        surface *= np.stack([np.interp(nm, grid, table[:, c]) for c in range(3)], axis=-1)
        heated = mask & (nm > 10)
    if kind == "resin":
        amount = smooth_noise(rng, mask.shape, rng.uniform(8, 25)) - rng.uniform(-0.3, 0.8)
        thick = np.clip(amount * 6, 0, 1) * (0.6 + 0.25 * np.abs(smooth_noise(rng, mask.shape, 4)))
        surface *= np.exp(-thick[..., None] * np.array([2.2, 1.35, 0.75]) * rng.uniform(0.8, 1.3))
    paper = (rng.random() < 0.5) if ground is None else ground == "paper"
    tone = np.array([1, 1, 1]) * (0.4 if paper else 0.005) * (1 + rng.uniform(-0.04, 0.04, 3))
    scene = np.where(mask[..., None], surface * light[..., None], tone * (1 + 0.05 * grain[..., None]))

    scene = cv2.GaussianBlur(scene.astype(np.float32), (0, 0), rng.uniform(0.8, 2)) + 0.002
    scene *= np.array(rng.uniform(0.85, 1.15, 3) if gains is None else gains, np.float32)
    scene += rng.normal(size=scene.shape) * np.sqrt(2e-6 + 1.5e-4 * np.clip(scene, 0, 1))
    linear = np.clip(scene, 0, 1)
    codes = 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    jpeg = cv2.imencode(
        ".jpg", np.round(codes).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(80, 96))]
    )[1]
    return jpeg.tobytes(), mask, heated
