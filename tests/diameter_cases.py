"""Random series of turned cutters for the statistics: outlines with the noise of the picture chain, without drawing pictures."""

from dataclasses import dataclass

import numpy as np
from diameter_truth import Camera, Cutter, outline, picture
from numpy.typing import NDArray

from wearscope.outline.silhouette import Silhouette, find_silhouette
from wearscope.photo.read import Photo

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    cutter: Cutter
    camera: Camera
    silhouettes: tuple[Silhouette, ...]
    angles_deg: Floats | None  # as told to the program; None: unknown
    nominal: float

    @property
    def truth_mm(self) -> float:
        """Twice the largest distance of an edge from the shank's axis over the cutting length, dense in angle and length."""
        c = self.cutter
        along = np.linspace(0, c.cut_length, 200)
        k = np.tan(np.radians(c.helix)) / (c.diameter / 2)
        e = c.eccentric * np.exp(1j * c.eccentric_angle)
        best = 0.0
        for i in range(c.flutes):
            r = (
                c.diameter / 2
                + (c.extra[i] if c.extra else 0.0)
                + c.taper * along
                - np.where(along < c.worn_length, c.worn_by, 0.0)
            )
            best = max(best, float(np.abs(r * np.exp(1j * (2 * np.pi * i / c.flutes + k * along)) + e).max()))
        return 2 * best


def seen(
    cutter: Cutter, camera: Camera, turn: float, rng: np.random.Generator, *, noise_px: float = 0.05
) -> Silhouette:
    """One silhouette as the finder would hand it on: white and block-correlated noise, loose fixture."""
    tilt, offset, place = rng.normal(0, 0.01), rng.normal(0, 6), rng.normal(0, 0.05)
    x, top, bottom, tip = outline(
        cutter, camera, turn, tilt=tilt, offset=offset, tip_px=60 + rng.normal(0, 3), place=place
    )

    def noise() -> Floats:
        blocks = np.repeat(rng.normal(0, noise_px / 3, len(x) // 8 + 1), 8)[: len(x)]
        return rng.normal(0, noise_px, len(x)) + blocks

    return Silhouette("synthetic", x, top + noise(), bottom + noise(), tip, 0, camera.size, camera.blur, 0.0)


def photographed(cutter: Cutter, camera: Camera, turn: float, rng: np.random.Generator) -> Silhouette:
    """One silhouette as found in a drawn 8-bit JPEG picture; loose fixture."""
    pose = {
        "tilt": rng.normal(0, 0.01),
        "offset": rng.normal(0, 0.008 * camera.size[1]),
        "tip_px": 30 + rng.normal(0, 2),
        "place": rng.normal(0, 0.05),
    }
    return find_silhouette(Photo("drawn", "0" * 64, picture(cutter, camera, turn, rng, **pose)))


def drawn_camera(rng: np.random.Generator, width_mm: float) -> Camera:
    """A cheap camera with small pictures (a quarter pixel counts the same in all sizes). How nearly cameras follow sRGB: 2.3 %
    of the exponent (standard deviation; common practice, no source: a plain 2.2 gamma read as sRGB is off by 1.4 %)."""
    return Camera(
        px_per_mm=float(rng.uniform(210, 285) / width_mm),
        size=(480, 360),
        blur=float(rng.uniform(0.9, 2.2)),
        noise=float(rng.uniform(0.004, 0.02)),
        vignette=float(rng.uniform(0, 0.25)),
        veil=float(rng.uniform(0, 0.03)),
        jpeg=int(rng.integers(75, 97)),
        level=float(rng.uniform(0.55, 0.9)),
        tone=float(rng.normal(1, 0.023)),
    )


def random_case(rng: np.random.Generator, *, drawn: bool = False) -> Case:
    """1 to 5 flutes, straight with known angles or helical with unknown uneven steps, runout 0 to 0.05, undersize 0 to 0.12 mm.

    `drawn`: found in drawn pictures, else outlines with the noise such pictures leave."""
    flutes = int(rng.integers(1, 6))
    nominal = float(rng.choice([3.0, 4.0, 6.0, 8.0]))
    shank = float(
        rng.choice([s for s in (3.175, 4.0, 6.0, 6.35, 8.0) if nominal - 0.5 <= s <= nominal * 1.4])
    )
    photos = int(rng.integers(12, 37))
    straight = bool(rng.random() < 0.35)
    step = 2 * np.pi / photos
    hand = rng.choice([-1, 1])
    helix = 0.0 if straight else float(hand * rng.uniform(25, 42))
    diameter = nominal - rng.uniform(0, 0.12)
    width = max(nominal, shank)
    if drawn:
        camera = drawn_camera(rng, width)
    else:
        camera = Camera(px_per_mm=float(rng.uniform(560, 760) / width), blur=float(rng.uniform(0.9, 2.2)))
    frame_mm = (camera.size[0] - (30 if drawn else 60)) / camera.px_per_mm
    wrap = 1.3 * step * diameter / 2 / np.tan(np.radians(abs(helix))) if helix else 0.0
    cut = float(np.clip(rng.uniform(0.8, 1.1) * width, wrap, frame_mm - 0.35 * width - 0.15 * width))
    cutter = Cutter(
        diameter=diameter,
        flutes=flutes,
        helix=helix,
        shank=shank,
        cut_length=cut,
        wash_out=0.15 * width,
        eccentric=float(rng.uniform(0, 0.05)),
        eccentric_angle=float(rng.uniform(0, 2 * np.pi)),
        relief=float(rng.uniform(7, 14)),
        land=float(rng.uniform(0.06, 0.15)),
        core=float(rng.uniform(0.5, 0.7)),
        corner=float(rng.uniform(0.0, 0.1)),
    )
    start = rng.uniform(0, 2 * np.pi)
    turns = start + np.arange(photos) * step
    if not straight:
        turns = turns + rng.uniform(-0.25, 0.25, photos) * step
    told = np.degrees(np.arange(photos) * step) if straight else None
    if drawn:
        silhouettes = tuple(photographed(cutter, camera, t, rng) for t in turns)
        if told is not None:  # read off a printed degree wheel: half a degree either way
            told = told + rng.uniform(-0.5, 0.5, photos)
        return Case(cutter, camera, silhouettes, told, nominal)
    noise = float(rng.uniform(0.02, 0.07))
    silhouettes = tuple(seen(cutter, camera, t, rng, noise_px=noise) for t in turns)
    return Case(cutter, camera, silhouettes, told, nominal)
