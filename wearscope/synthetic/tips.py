"""Side views of ball-nose cutters, V engravers and cutters of other forms. The drawing's (0, 0) is the nominal tip, the body above it (x right, y down)."""

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from wearscope.synthetic.outlines import Chip, chipped, thinned
from wearscope.synthetic.paint import Look, Profile, build_scene, heat_share, look_at
from wearscope.synthetic.scene import Placement, Scene
from wearscope.synthetic.section import Section

__all__ = ["ball_scene", "engraver_scene", "form_scene"]

Points = NDArray[np.float64]


def ball_scene(
    rng: np.random.Generator,
    *,
    size: tuple[int, int] = (1600, 1200),
    px_per_mm: float = 280.0,
    tip_px: tuple[float, float] = (800.0, 850.0),
    rotation_deg: float = 0.0,
    diameter_mm: float = 4.0,
    helix_deg: float = 20.0,
    flat_depth_mm: float = 0.0,
    chips: Sequence[Chip] = (),
    flutes: int = 2,
    look: Look | None = None,
) -> Scene:
    """A ball-nose cutter whose tip is worn flat by `flat_depth_mm`. Chips count `at_mm` along the right-hand profile from the tip
    (`edge` is ignored). The truth holds nose radius, largest deviation from the ball, flat width and the ball's centre."""
    look = look or Look()
    place = Placement(px_per_mm, tip_px, rotation_deg)
    radius, top = diameter_mm / 2, 1.2 * float(np.hypot(*size)) / px_per_mm
    section = Section.of(flutes)
    slope = np.tan(np.deg2rad(helix_deg)) / radius
    flat = radius - flat_depth_mm
    start = np.arccos(flat / radius)
    turns = np.linspace(start, np.pi / 2, 1500)
    arc = np.stack([radius * np.sin(turns), radius * (np.cos(turns) - 1)], axis=1)
    heights = np.arange(radius, top, 0.01)[1:]
    left, right = (radius * e for e in section.extent(-(heights - radius) * slope))
    upper_right = np.stack([right, -heights], axis=1)
    right_side, records = chipped(np.concatenate([arc, upper_right]), chips, rng)
    left_side = np.concatenate([np.stack([left, -heights], axis=1)[::-1], (arc * [-1, 1])[::-1]])
    outline = np.concatenate([right_side, left_side])

    def px(points: Any) -> Any:
        return np.round(place.to_px(np.atleast_2d(np.asarray(points, np.float64))), 4).tolist()

    ball = np.concatenate([(arc * [-1, 1])[::-1], arc])
    truth = {
        "view": "corner",
        "kind": "ball",
        "size_px": list(size),
        "px_per_mm": px_per_mm,
        "rotation_deg": rotation_deg,
        "diameter_mm": diameter_mm,
        "flutes": flutes,
        "background": look.background,
        "finish": look.finish,
        "nose_radius_mm": radius,
        "nose_deviation_mm": max([flat_depth_mm, *(float(chip["depth_mm"]) for chip in records)]),
        "flat_width_mm": 2 * radius * float(np.sin(start)),
        "ball_centre_px": px([0.0, -radius])[0],
        "tip_px": px([0.0, -flat_depth_mm])[0],
        "outline_px": px(thinned(np.concatenate([left_side[-len(arc) :], right_side]))),
        "chips": [{**chip, "deepest_px": px(chip["deepest_mm"])[0]} for chip in records],
        "heat_tint_share": heat_share(look.heat, [ball], place, size),
    }
    profile = Profile(-arc[::20, 1], np.maximum(arc[::20, 0], 0.02))
    seen = None
    if not look.plain:
        turn_at = Profile([0, radius, 100], [0, 0, -(100 - radius) * slope])
        seen = look_at(section, place, size, axis_mm=0, top_mm=top, radius_at=profile, turn_at=turn_at)
    damage = [(*chip["deepest_mm"], chip["length_mm"] / 2) for chip in records]
    return build_scene(size, place.to_px(outline), truth, look, rng, place=place, seen=seen, damage=damage)


def engraver_scene(
    rng: np.random.Generator,
    *,
    size: tuple[int, int] = (1600, 1200),
    px_per_mm: float = 280.0,
    tip_px: tuple[float, float] = (800.0, 900.0),
    rotation_deg: float = 0.0,
    included_angle_deg: float = 60.0,
    tip_width_mm: float = 0.2,
    nose_radius_mm: float = 0.0,
    shank_mm: float = 6.0,
    chips: Sequence[Chip] = (),
    look: Look | None = None,
) -> Scene:
    """A single-lip V engraver, flat face to the lens, with a tip flat of `tip_width_mm` or, where `nose_radius_mm` is given, a round tip.

    The drawing's (0, 0) is the middle of the flat, or of the flat the round tip would have between its tangent points. Chips count
    `at_mm` along the right-hand flank from the flat's end. The truth holds angle, width or radius, and the flanks in px.
    """
    look = look or Look()
    place = Placement(px_per_mm, tip_px, rotation_deg)
    half, top = np.deg2rad(included_angle_deg / 2), 1.2 * float(np.hypot(*size)) / px_per_mm
    reach = min(top, shank_mm / 2 / np.tan(half))
    if nose_radius_mm:
        turns = np.linspace(0, np.pi / 2 - half, 400)
        nose = nose_radius_mm * np.stack([np.sin(turns), np.cos(turns) - 1], axis=1)
        lift = nose[-1, 1]
        nose = nose - [0, lift]
        tip_width_mm = 2 * float(nose[-1, 0])
    else:
        nose = np.array([[0.0, 0.0], [tip_width_mm / 2, 0.0]])
    along = np.linspace(0, reach / np.cos(half), max(int(reach / 0.01), 2))
    flank = nose[-1] + along[:, None] * np.array([np.sin(half), -np.cos(half)])
    worn, records = chipped(flank, chips, rng)
    shank = np.array([[worn[-1, 0], -top]])
    right = np.concatenate([nose[:-1], worn, shank])
    plain = np.concatenate([nose[:-1], flank, shank])
    outline = np.concatenate([right, (plain * [-1, 1])[::-1][: -1 if nose_radius_mm else None]])

    def px(points: Any) -> Any:
        return np.round(place.to_px(np.atleast_2d(np.asarray(points, np.float64))), 4).tolist()

    truth = {
        "view": "corner",
        "kind": "engraver",
        "size_px": list(size),
        "px_per_mm": px_per_mm,
        "rotation_deg": rotation_deg,
        "diameter_mm": shank_mm,
        "flutes": 1,
        "background": look.background,
        "finish": look.finish,
        "included_angle_deg": included_angle_deg,
        "tip_width_mm": None if nose_radius_mm else tip_width_mm,
        "nose_radius_mm": nose_radius_mm or None,
        "virtual_apex_px": px([0.0, nose[-1, 1] + nose[-1, 0] / np.tan(half)])[0],
        "right_flank_px": px(flank[[0, -1]]),
        "left_flank_px": px(flank[[0, -1]] * [-1, 1]),
        "outline_px": px(thinned(np.concatenate([(plain * [-1, 1])[::-1], right]))),
        "chips": [{**chip, "deepest_px": px(chip["deepest_mm"])[0]} for chip in records],
        "heat_tint_share": heat_share(look.heat, [flank, flank * [-1, 1]], place, size),
    }
    seen = None
    if not look.plain:
        radius_at = Profile(
            [0, reach, top], 1.05 * np.array([tip_width_mm / 2 + 0.01, shank_mm / 2, shank_mm / 2])
        )
        seen = look_at(
            Section.half_round(),
            place,
            size,
            axis_mm=0,
            top_mm=top,
            radius_at=radius_at,
            turn_at=Profile([0, 100], [0.05, 0.05]),
        )
    damage = [(*chip["deepest_mm"], chip["length_mm"] / 2) for chip in records]
    return build_scene(size, place.to_px(outline), truth, look, rng, place=place, seen=seen, damage=damage)


Form = Literal["dovetail", "round-over", "tapered-ball"]


def form_scene(
    rng: np.random.Generator,
    form: Form,
    *,
    size: tuple[int, int] = (1600, 1200),
    px_per_mm: float = 280.0,
    origin_px: tuple[float, float] = (400.0, 900.0),
    rotation_deg: float = 0.0,
    radius_mm: float = 0.5,
    angle_deg: float = 14.0,
    flat_depth_mm: float = 0.0,
    chips: Sequence[Chip] = (),
    look: Look | None = None,
) -> Scene:
    """A straight-fluted cutter whose form is none of the others: its right-hand profile from the axis, mirrored.

    "dovetail": wider at the tip, 6 mm there, flanks leaning inward by `angle_deg`, sharp corners. "round-over": a pilot of 3 mm, 0.6 mm
    long, then a hollow quarter circle of `radius_mm`. "tapered-ball": a ball of `radius_mm`, its flanks leaning outward by `angle_deg`,
    its tip worn flat by `flat_depth_mm`. Chips count `at_mm` along the profile from the axis. `origin_px` is where the axis meets the
    new tip. The truth holds the profile new and now (`new_outline_px`, `outline_px`).
    """
    look = look or Look()
    place = Placement(px_per_mm, origin_px, rotation_deg)
    top = 1.2 * float(np.hypot(*size)) / px_per_mm
    new = _form_profile(form, radius_mm, np.deg2rad(angle_deg), top)
    worn = new.copy()
    worn[:, 1] = np.minimum(worn[:, 1], -flat_depth_mm)
    worn, records = chipped(worn, chips, rng)
    outline = np.concatenate([worn, (worn * [-1, 1])[::-1]])

    def px(points: Any) -> Any:
        return np.round(place.to_px(np.atleast_2d(np.asarray(points, np.float64))), 4).tolist()

    truth = {
        "view": "corner",
        "kind": "other",
        "form": form,
        "size_px": list(size),
        "px_per_mm": px_per_mm,
        "rotation_deg": rotation_deg,
        "flutes": 2,
        "background": look.background,
        "finish": look.finish,
        "new_outline_px": px(thinned(np.concatenate([(new * [-1, 1])[::-1], new]))),
        "outline_px": px(thinned(np.concatenate([(worn * [-1, 1])[::-1], worn]))),
        "chips": [{**chip, "deepest_px": px(chip["deepest_mm"])[0]} for chip in records],
    }
    seen = None
    if not look.plain:
        radius_at = Profile(-new[::10, 1], np.maximum(new[::10, 0], 0.02))
        turn_at = Profile([0, 100], [0.0, 0.0])
        seen = look_at(
            Section.of(2), place, size, axis_mm=0, top_mm=top, radius_at=radius_at, turn_at=turn_at
        )
    damage = [(*chip["deepest_mm"], chip["length_mm"] / 2) for chip in records]
    return build_scene(size, place.to_px(outline), truth, look, rng, place=place, seen=seen, damage=damage)


def _form_profile(form: Form, radius: float, lean: float, top: float) -> Points:
    """The right-hand profile in mm from the axis outward and up, about 2 um between places."""
    if form == "dovetail":
        corners = np.array(
            [[0.0, 0.0], [3.0, 0.0], [3.0 - 2.5 * np.tan(lean), -2.5], [1.5, -2.5], [1.5, -top]]
        )
    elif form == "round-over":
        turns = np.linspace(np.pi, np.pi / 2, 400)[:, None]
        hollow = np.array([1.5 + radius, -0.6]) + radius * np.hstack([np.cos(turns), -np.sin(turns)])
        outside = hollow[-1] + [[0.3, 0.0], [0.3, -top]]
        corners = np.vstack([[[0.0, 0.0], [1.5, 0.0]], hollow, outside])
    else:
        turns = np.linspace(0.0, np.pi / 2 - lean, 800)[:, None]
        ball = radius * np.hstack([np.sin(turns), np.cos(turns) - 1])
        flank = ball[-1] + top * np.array([np.sin(lean), -np.cos(lean)])
        corners = np.vstack([ball, flank])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.union1d(run, np.arange(0.0, run[-1], 0.002))
    return np.column_stack([np.interp(at, run, corners[:, k]) for k in (0, 1)])
