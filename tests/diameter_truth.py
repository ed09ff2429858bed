"""Draws turned cutters with exact truth, from their cross-sections: shares no geometry with what measures them.

A cross-section is a polygon: every tooth has a cutting edge, a primary and a secondary relief facet (or a ground cylindrical margin),
a heel and a gullet down to the core. It is turned with the helix along the axis, washes out into the shank, is moved off the axis
(runout), projected through a pinhole and drawn by area coverage on a grid finer than the pixels; then lens blur, the pixels' own width, vignetting,
photon noise, 8-bit sRGB and JPEG.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Cutter:
    diameter: float = 6.0
    flutes: int = 2
    helix: float = 30.0  # degrees; 0 straight; sign is the hand
    eccentric: float = 0.0
    eccentric_angle: float = 0.0
    shank: float = 6.0
    cut_length: float = 6.0
    wash_out: float = 2.0
    relief: float = 10.0
    land: float = 0.12  # of the radius
    margin: float = 0.0  # radians of cylindrical margin behind the edge
    core: float = 0.6
    corner: float = 0.05
    extra: tuple[float, ...] = ()  # radius of each flute minus the common one
    taper: float = 0.0  # radius gained per mm toward the shank
    worn_length: float = 0.0
    worn_by: float = 0.0  # radius lost within worn_length of the tip

    def edge_radii(self) -> Floats:
        """Distance of every edge from the shank's axis (the truth), where the cutter is largest."""
        angles = 2 * np.pi * np.arange(self.flutes) / self.flutes
        r = np.full(self.flutes, self.diameter / 2) + (np.array(self.extra) if self.extra else 0.0)
        return np.hypot(
            r * np.cos(angles) + self.eccentric * np.cos(self.eccentric_angle),
            r * np.sin(angles) + self.eccentric * np.sin(self.eccentric_angle),
        )

    def section(self) -> Floats:
        """Points (n, 2) of the cross-section at the tip about the cutting axis."""
        radius = self.diameter / 2
        points = []
        for i in range(self.flutes):
            r = radius + (self.extra[i] if self.extra else 0.0)
            start = 2 * np.pi * i / self.flutes
            margin = [(r, -a) for a in np.linspace(0, self.margin, 8)] if self.margin else [(r, 0.0)]
            tooth = [np.array([m * np.cos(a), m * np.sin(a)]) for m, a in margin]
            last_angle = margin[-1][1]
            for facet, share in ((self.relief, self.land), (self.relief * 2.2, 1.6 * self.land)):
                turn = last_angle - np.radians(facet)
                direction = np.array(
                    [np.sin(turn), -np.cos(turn)]
                )  # clockwise, falling below the tangent by the relief angle
                tooth += [tooth[-1] + direction * share * radius * k / 6 for k in range(1, 7)]
            gap = np.linspace(0, 1, 8)[1:]
            heel = tooth[-1]
            angle, size = np.arctan2(heel[1], heel[0]), np.hypot(*heel)
            span = 2 * np.pi / self.flutes - abs(angle)
            core = self.core * radius
            tooth += [
                np.array([np.cos(angle - g * span * 0.8), np.sin(angle - g * span * 0.8)])
                * max(core, size - g * 3 * (size - core))
                for g in gap
            ]
            turned = np.array([[np.cos(start), -np.sin(start)], [np.sin(start), np.cos(start)]])
            points.append(np.array(tooth) @ turned.T)
        return np.vstack(points)


def reach(cutter: Cutter, along: Floats, turn: float, lens: float = np.inf) -> tuple[Floats, Floats]:
    """Distances (mm) of the upper and lower outline from the shank's axis at places `along` (mm from the tip), turned by `turn`."""
    section = cutter.section()
    k = np.tan(np.radians(cutter.helix)) / (cutter.diameter / 2)
    grow = 1 + (cutter.taper * along - np.where(along < cutter.worn_length, cutter.worn_by, 0.0)) / (
        cutter.diameter / 2
    )
    # Cutting axis off the shank axis; the offset does not turn with the helix.
    offset = cutter.eccentric * np.array([np.cos(cutter.eccentric_angle), np.sin(cutter.eccentric_angle)])
    angle = k * along
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    x = grow[:, None] * (section[:, 0] * c - section[:, 1] * s) + offset[0]
    y = grow[:, None] * (section[:, 0] * s + section[:, 1] * c) + offset[1]
    wash = np.clip((along - cutter.cut_length) / cutter.wash_out, 0, 1)[:, None]
    out = []
    across = x * np.cos(turn) - y * np.sin(turn)
    depth = x * np.sin(turn) + y * np.cos(turn)
    for sign in (1, -1):
        view = sign * across * (lens / (lens - depth) if np.isfinite(lens) else 1.0)
        best = view.max(axis=1)
        limb = (
            cutter.shank / 2 / np.sqrt(1 - (cutter.shank / 2 / lens) ** 2)
            if np.isfinite(lens)
            else cutter.shank / 2
        )
        # The gullet climbs out on a circular arc: what is left of the shank grows until it is whole.
        rising = best + (limb - best) * (1 - np.sqrt(1 - wash[:, 0] ** 2))
        best = np.where(
            along > cutter.cut_length + cutter.wash_out,
            limb,
            np.where(along > cutter.cut_length, rising, best),
        )
        tip = np.clip(cutter.corner - along, 0, cutter.corner)
        best = best - (cutter.corner - np.sqrt(np.maximum(cutter.corner**2 - tip**2, 0)))
        out.append(best)
    return out[0], out[1]


@dataclass(frozen=True)
class Camera:
    px_per_mm: float = 120.0
    size: tuple[int, int] = (1280, 960)
    blur: float = 1.2
    noise: float = 0.01  # of the background at full light
    vignette: float = 0.1
    veil: float = 0.01
    jpeg: int = 90
    lens: float = 240.0
    level: float = 0.8
    tone: float = 1.0  # exponent by which the camera's coding differs from sRGB
    sharpen: float = 0.0  # strength of an unsharp mask on the coded picture


def outline(
    cutter: Cutter,
    camera: Camera,
    turn: float,
    *,
    tilt: float = 0.0,
    offset: float = 0.0,
    tip_px: float = 60.0,
    place: float = 0.0,
) -> tuple[Floats, Floats, Floats, tuple[float, float]]:
    """Columns, upper and lower rows (px), and the tip; `tilt` in radians, `offset` in px, `place`: mm toward the lens."""
    width, height = camera.size
    scale = camera.px_per_mm * camera.lens / (camera.lens - place)
    along = np.arange(0.0, (width - tip_px) / scale * 1.05, 0.5 / scale)
    up, down = reach(cutter, along, turn, camera.lens)
    tip = np.array([width - 1 - tip_px, height / 2 + offset])
    toward = np.array([-np.cos(tilt), -np.sin(tilt)])
    normal = np.array([-np.sin(tilt), np.cos(tilt)])  # rows grow downward
    rows = []
    for line, sign in ((up, -1), (down, 1)):
        points = tip + scale * (along[:, None] * toward + sign * line[:, None] * normal)
        rows.append((points[::-1, 0], points[::-1, 1]))
    x = np.arange(0.0, np.floor(tip[0]))
    return x, np.interp(x, *rows[0]), np.interp(x, *rows[1]), (float(tip[0]), float(tip[1]))


def picture(
    cutter: Cutter, camera: Camera, turn: float, rng: np.random.Generator, **pose: float
) -> NDArray[np.uint8]:
    """A back-lit photo, 8-bit sRGB, shape (height, width, 3)."""
    width, height = camera.size
    # The lens blurs before a pixel adds up the light: a blur on the pixels' own grid moves an edge by up to 0.017 px at 0.9 px of blur.
    sub = 3
    x, top, bottom, tip = outline(cutter, camera, turn, **pose)
    xs, rows = ((np.arange(n * sub) + 0.5) / sub - 0.5 for n in (width, height))
    t, b = (np.where(xs > tip[0], 0.0, np.interp(xs, x, line)).astype(np.float32) for line in (top, bottom))
    above = (rows[:, None] * sub - 0.5).astype(np.float32)
    covered = np.clip(b * sub - above, 0, 1) - np.clip(t * sub - above, 0, 1)
    optics = sub * np.sqrt(max(camera.blur**2 - 1 / 12, 0.01))
    blurred = cv2.GaussianBlur(covered, (0, 0), optics, borderType=cv2.BORDER_REPLICATE)
    light = 1 - cv2.resize(blurred, (width, height), interpolation=cv2.INTER_AREA).astype(np.float64)
    y, xx = np.mgrid[:height, :width]
    r2 = ((xx - width / 2) ** 2 + (y - height / 2) ** 2) / (width / 2) ** 2
    light = camera.level * (camera.veil + (1 - camera.veil) * light) * (1 - camera.vignette * r2)
    light = light + rng.normal(0, 1, light.shape) * camera.noise * np.sqrt(np.maximum(light, 0.002))
    light = np.clip(light, 0, 1) ** camera.tone
    code = np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055
    )
    if camera.sharpen:
        code = code + camera.sharpen * (code - cv2.GaussianBlur(code, (0, 0), 1.5))
    grey = np.clip(np.round(code * 255), 0, 255).astype(np.uint8)
    done = cv2.imdecode(
        cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, camera.jpeg])[1], cv2.IMREAD_GRAYSCALE
    )
    return cv2.cvtColor(done, cv2.COLOR_GRAY2BGR)
