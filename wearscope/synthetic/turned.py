"""Cutters whose shank is in the picture: silhouettes of a cutter turned about its shank's axis.

The drawing's (0, 0) is where the shank's axis meets the plane of the tip; the shank lies above (x right, y down).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from wearscope.synthetic.paint import Look, build_scene
from wearscope.synthetic.scene import Placement, Scene
from wearscope.synthetic.section import Section

__all__ = ["TurnedCutter", "turned_scenes"]

Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TurnedCutter:
    """A fluted cutter on a shank. The axis of the cutting part is off the shank's axis by `eccentricity_mm` in the direction
    `eccentricity_deg` from tooth 0; `radius_offsets_mm` are added to the radius of each tooth."""

    diameter_mm: float = 6.0
    shank_mm: float = 6.0
    flutes: int = 2
    helix_deg: float = 30.0
    cutting_length_mm: float = 5.0
    eccentricity_mm: float = 0.0
    eccentricity_deg: float = 0.0
    radius_offsets_mm: tuple[float, ...] = ()

    def tooth_radii(self) -> Points:
        """Cutting radius of each tooth about the axis of the cutting part."""
        offsets = self.radius_offsets_mm or (0.0,) * self.flutes
        if len(offsets) != self.flutes:
            raise ValueError(f"{len(offsets)} radius offsets for {self.flutes} flutes")
        return self.diameter_mm / 2 + np.array(offsets)

    def twist(self, height: Points) -> Points:
        """Turn (rad) of the section at `height` above the tip."""
        return np.asarray(-height * np.tan(np.deg2rad(self.helix_deg)) / (self.diameter_mm / 2))

    def edge_radii(self, heights: Points) -> Points:
        """Distance of each edge from the shank's axis at each height, (flutes, heights)."""
        pitch = 2 * np.pi * np.arange(self.flutes)[:, None] / self.flutes
        angle = pitch + self.twist(heights)[None, :] - np.deg2rad(self.eccentricity_deg)
        radius, off = self.tooth_radii()[:, None], self.eccentricity_mm
        return np.asarray(np.sqrt(radius**2 + off**2 + 2 * radius * off * np.cos(angle)))

    def silhouette(self, turn: float, heights: Points) -> tuple[Points, Points]:
        """Left and right x (mm) of the cutting part at each height when the cutter is turned by `turn` (rad)."""
        section, radii = _section(self.flutes), self.tooth_radii()
        phase = turn + self.twist(heights)
        body = section.points * 0.999 * float(radii.min())
        x = np.cos(phase)[:, None] * body[:, 0] - np.sin(phase)[:, None] * body[:, 1]
        tips = radii * np.cos(phase[:, None] + 2 * np.pi * np.arange(self.flutes) / self.flutes)
        off = self.eccentricity_mm * np.cos(np.deg2rad(self.eccentricity_deg) + turn)
        both = np.concatenate([x, tips], axis=1)
        return both.min(axis=1) + off, both.max(axis=1) + off


def turned_scenes(
    rng: np.random.Generator,
    cutter: TurnedCutter,
    angles_deg: Sequence[float],
    *,
    size: tuple[int, int] = (1280, 960),
    px_per_mm: float = 125.0,
    axis_px: tuple[float, float] | None = None,
    rotation_deg: float = 90.0,
    loose_px: float = 0.0,
    loose_deg: float = 0.0,
    look: Look | None = None,
) -> list[Scene]:
    """One back-lit silhouette for each turn angle. At rotation 90 degrees the tip points to the left.

    `axis_px` is where the axis meets the plane of the tip; in each frame the cutter lies off by up to `loose_px` and `loose_deg` (normal
    distribution). The truth holds the diameter swept about the shank's axis (over the cutting length), the radii of each edge, the angle and the
    two silhouettes.
    """
    look = look or Look(background="backlit", plain=True)
    axis_px = axis_px or (0.12 * size[0], 0.5 * size[1])
    top = 1.2 * float(np.hypot(*size)) / px_per_mm
    heights = np.linspace(0, cutter.cutting_length_mm, 401)
    radii = cutter.edge_radii(heights)
    common = {
        "view": "profile",
        "kind": "flat",
        "size_px": list(size),
        "px_per_mm": px_per_mm,
        "flutes": cutter.flutes,
        "helix_deg": cutter.helix_deg,
        "diameter_mm": cutter.diameter_mm,
        "shank_diameter_mm": cutter.shank_mm,
        "cutting_length_mm": cutter.cutting_length_mm,
        "eccentricity_mm": cutter.eccentricity_mm,
        "swept_diameter_mm": 2 * float(radii.max()),
        "edge_radius_max_mm": radii.max(axis=1).tolist(),
        "edge_radius_min_mm": radii.min(axis=1).tolist(),
        "edge_radius_mean_mm": radii.mean(axis=1).tolist(),
    }
    scenes = []
    for angle in angles_deg:
        jitter = np.asarray(axis_px) + loose_px * rng.standard_normal(2)
        place = Placement(
            px_per_mm,
            (float(jitter[0]), float(jitter[1])),
            rotation_deg + loose_deg * float(rng.standard_normal()),
        )
        left, right = cutter.silhouette(np.deg2rad(angle), heights)
        outline = place.to_px(_with_shank(cutter, heights, left, right, top))
        axis = place.to_px(np.array([[0.0, 0.0], [0.0, -top]]))
        truth = {
            **common,
            "angle_deg": float(angle),
            "axis_px": np.round(axis, 4).tolist(),
            "largest_x_mm": float(right.max()),
            "smallest_x_mm": float(left.min()),
        }
        scenes.append(build_scene(size, outline, truth, look, rng, place=place, seen=None))
    return scenes


@lru_cache(maxsize=8)
def _section(flutes: int) -> Section:
    return Section.of(flutes, count=1200)


def _with_shank(cutter: TurnedCutter, heights: Points, left: Points, right: Points, top: float) -> Points:
    """The closed outline: cutting part, a short cone, the shank beyond the frame."""
    shank, start = cutter.shank_mm / 2, cutter.cutting_length_mm + 0.4
    return np.concatenate(
        [
            np.stack([right, -heights], axis=1),
            [[shank, -start], [shank, -top], [-shank, -top], [-shank, -start]],
            np.stack([left, -heights], axis=1)[::-1],
        ]
    )
