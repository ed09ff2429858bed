"""A stretch of shank through the whole frame: a ground round bar with what a collet and a spinning shank leave on it.

The drawing's (0, 0) is the middle of the frame, the axis upright (x right, y down) before it is turned.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearscope.synthetic.outlines import Chip, chipped, thinned
from wearscope.synthetic.paint import Look, Seen, build_scene, metal
from wearscope.synthetic.scene import Light, Placement, Scene
from wearscope.synthetic.section import RAKE
from wearscope.synthetic.surface import clouds

__all__ = ["Score", "shank_scene"]

Points = NDArray[np.float64]
_BESIDE_PX = 12.0
_FINE_MM = 0.0005
"""Spacing of the outline's points: far below a pixel of any microscope."""


@dataclass(frozen=True, slots=True)
class Score:
    """A groove with a torn floor, `width_mm` wide and `depth_mm` deep, centred `at_mm` down the frame.

    It runs `around` the shank, or along it for `length_mm` at `angle_deg` (0 faces the lens, positive to the right).
    """

    at_mm: float
    width_mm: float
    depth_mm: float = 0.004
    around: bool = True
    length_mm: float = 3.0
    angle_deg: float = 0.0


def shank_scene(
    rng: np.random.Generator,
    *,
    size: tuple[int, int] = (1600, 1200),
    px_per_mm: float = 150.0,
    centre_px: tuple[float, float] | None = None,
    rotation_deg: float = 0.0,
    diameter_mm: float = 6.0,
    taper_mm_per_mm: float = 0.0,
    bow_mm: float = 0.0,
    burrs: Sequence[Chip] = (),
    scores: Sequence[Score] = (),
    look: Look | None = None,
) -> Scene:
    """A stretch of shank through the whole frame.

    `bow_mm` is the sagitta of the axis over the frame's height, `taper_mm_per_mm` the change of diameter along y. `burrs` stand out of
    the right-hand side, `at_mm` from the frame's centre line, positive downward. The truth's `straightness_mm` is the width of the narrowest
    strip that holds the axis as far as both sides of the shank, and 12 px of ground beside them, are in the frame.
    """
    look = look or Look(background="backlit")
    place = Placement(px_per_mm, centre_px or ((size[0] - 1) / 2, (size[1] - 1) / 2), rotation_deg)
    half, frame = 0.75 * float(np.hypot(*size)) / px_per_mm, size[1] / px_per_mm
    y = np.arange(-half, half, max(_FINE_MM, 0.1 / px_per_mm))
    axis = -bow_mm * (2 * y / frame) ** 2
    whole = 0.5 * (diameter_mm + taper_mm_per_mm * y)
    radius = whole - sum((s.depth_mm * _groove(s, y) for s in scores if s.around), start=np.zeros_like(y))
    standing = [Chip(half - b.at_mm, -abs(b.depth_mm), b.length_mm, form=b.form) for b in burrs]
    right, records = chipped(np.stack([axis + radius, y], axis=1)[::-1], standing, rng)
    outline = np.concatenate([right, np.stack([axis - radius, y], axis=1)])
    truth: dict[str, Any] = {
        "view": "shank",
        "size_px": list(size),
        "px_per_mm": px_per_mm,
        "rotation_deg": rotation_deg,
        "finish": look.finish,
        "background": look.background,
        "shank_diameter_mm": diameter_mm,
        "taper_mm_per_mm": taper_mm_per_mm,
        "straightness_mm": _straightness(place, size, axis, whole, y),
        "burr_max_mm": max((abs(float(r["depth_mm"])) for r in records), default=0.0),
        "burrs_px": [np.round(place.to_px(np.array([r["deepest_mm"]])), 3).tolist()[0] for r in records],
        "scores": [_score_truth(s, place, diameter_mm) for s in scores],
        "score_max_mm": max((s.depth_mm for s in scores if s.around), default=0.0),
        "axis_px": np.round(place.to_px(np.stack([axis, y], axis=1)[:: len(y) // 12]), 4).tolist(),
        "right_px": np.round(place.to_px(thinned(right)), 4).tolist(),
    }
    if look.plain:
        return build_scene(size, place.to_px(outline), truth, look, rng, place=place, seen=None)
    seen, torn = _round_bar(place, size, y, axis, whole, scores)
    floor = np.exp(0.5 * torn * (clouds(size, rng, (2.0, 5.0), (1.0, 0.7)) - 1.2))
    grey = metal(seen, look, rng) * floor
    return build_scene(size, place.to_px(outline), truth, look, rng, place=place, seen=seen, grey=grey)


def _groove(score: Score, away: Points | Light) -> Any:
    """Depth of a groove across its run as a share of the greatest."""
    return np.exp(-0.5 * ((away - score.at_mm) / (0.3 * score.width_mm)) ** 2)


def _straightness(place: Placement, size: tuple[int, int], axis: Points, radius: Points, y: Points) -> float:
    """Width of the narrowest strip that holds the axis where both sides and some ground beside them are in the frame (ISO 1101, a
    line in a plane)."""
    beside = radius + _BESIDE_PX / place.px_per_mm
    sides = [place.to_px(np.stack([axis + sign * beside, y], axis=1)) for sign in (-1, 1)]
    inside = np.all([((s >= 1) & (s <= np.array(size) - 2)).all(axis=1) for s in sides], axis=0)
    if inside.sum() < 3:
        return 0.0
    line = np.stack([axis, y], axis=1)[inside][:: max(1, int(inside.sum()) // 400)]
    tilts = np.linspace(-0.1, 0.1, 4001)  # the axis is bowed by far less than 0.1 rad
    return float(min(np.ptp(line[:, 0] - t * line[:, 1]) / np.hypot(1, t) for t in tilts))


def _score_truth(score: Score, place: Placement, diameter: float) -> dict[str, Any]:
    x = 0.0 if score.around else diameter / 2 * np.sin(np.deg2rad(score.angle_deg))
    return {
        "around": score.around,
        "width_mm": score.width_mm,
        "depth_mm": score.depth_mm,
        "centre_px": np.round(place.to_px(np.array([[x, score.at_mm]]))[0], 3).tolist(),
    }


def _round_bar(
    place: Placement,
    size: tuple[int, int],
    at: Points,
    axis: Points,
    radius: Points,
    scores: Sequence[Score],
) -> tuple[Seen, Light]:
    """A ground round bar: grinding lines run around it, grooves lean the surface; and how torn the surface is (0 to 1)."""
    x, y = place.grid_mm(size)
    thick = np.interp(y, at, radius)
    x = x - np.interp(y, at, axis)
    diameter = 2 * float(radius.mean())
    turn = np.arcsin(np.clip(x / thick, -1, 1))
    lean_around, lean_along, torn = turn.copy(), np.zeros_like(x), np.zeros_like(x)
    for score in scores:
        if score.around:
            here, across = _groove(score, y), y - score.at_mm
        else:
            away = (turn - np.deg2rad(score.angle_deg)) * diameter / 2
            ends = np.clip((score.length_mm / 2 - np.abs(y - score.at_mm)) / 0.1 + 0.5, 0, 1)
            here = np.exp(-0.5 * (away / (0.3 * score.width_mm)) ** 2) * ends
            across = away
        slope = score.depth_mm * here * across / (0.3 * score.width_mm) ** 2
        if score.around:
            lean_along += np.arctan(slope)
        else:
            lean_around += np.arctan(slope)
        torn = np.maximum(torn, here)
    depth = np.sqrt(np.maximum(thick**2 - x**2, 0))
    lean = np.arccos(np.clip(np.cos(lean_around) * np.cos(lean_along), -1, 1)).astype(np.float32)
    part = np.full(x.shape, RAKE, np.float32)
    seen = Seen(lean, y, part, depth, np.asarray(turn * diameter / 2, np.float32), np.asarray(x, np.float32))
    return seen, np.asarray(torn, np.float32)
