"""The two other looks at a cutter: close along an edge from the flank, and along the axis at the tip."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.synthetic.coverage import polygon_coverage
from wearscope.synthetic.outlines import Chip, chipped, thinned
from wearscope.synthetic.paint import Look, Seen, build_scene, heat_share
from wearscope.synthetic.scene import Light, Placement, Scene
from wearscope.synthetic.section import RAKE, Section
from wearscope.synthetic.surface import brushed, clouds

__all__ = ["edge_scene", "end_scene", "through_loupe"]

Points = NDArray[np.float64]
LandTone = Literal["bright edge", "bright", "dark"]
_TONES: dict[LandTone, tuple[float, float]] = {
    "bright edge": (0.38, 0.85),
    "bright": (1.15, 0.3),
    "dark": (0.10, 0.0),
}
"""Light from the land (the flank sends about 0.62) and how much more of it shines at the very edge."""


def edge_scene(
    rng: np.random.Generator,
    *,
    size: tuple[int, int] = (1600, 600),
    px_per_mm: float = 500.0,
    edge_y_px: float = 380.0,
    rotation_deg: float = 0.0,
    land_mm: float = 0.08,
    land_unevenness: float = 0.3,
    land_tone: LandTone = "bright edge",
    side_light: float = 0.0,
    stuck_mm: Sequence[tuple[float, float]] = (),
    chips: Sequence[Chip] = (),
    grinding_deg: float = 62.0,
    look: Look | None = None,
) -> Scene:
    """The flank above its cutting edge, which runs through the whole frame, with a worn land of mean width `land_mm` along it.

    Chips count `at_mm` from the left end of the frame, and so does what is stuck on the land, `stuck_mm` (place, length). `side_light` is how
    much more light than in the middle the right end gets (the left end as much less). The truth holds the land's width (mean and largest inside the frame, from the undamaged
    edge), its border and the edge in px, and length and depth of what is missing from the edge. Heat is hottest in the frame's middle.
    """
    look = look or Look(background="desk", finish="hss")
    place = Placement(px_per_mm, ((size[0] - 1) / 2, edge_y_px), rotation_deg)
    half = 0.5 * size[0] / px_per_mm
    x = np.linspace(-1.6 * half, 1.6 * half, 6001)
    edge = np.stack([x, 0.004 * half * np.cos(2.1 * x / half)], axis=1)
    worn, records = chipped(
        edge, [Chip(c.at_mm + 0.6 * half, c.depth_mm, c.length_mm, form=c.form) for c in chips], rng
    )
    width = _land_width(x, half, land_mm, land_unevenness, rng)
    top = 3 * size[1] / px_per_mm
    outline = np.concatenate([worn, [[x[-1], -top], [x[0], -top]]])
    px, inside = place.to_px(edge), np.abs(x) <= half
    border = np.stack([x, edge[:, 1] - width], axis=1)
    truth: dict[str, Any] = {
        "view": "edge",
        "size_px": list(size),
        "px_per_mm": px_per_mm,
        "rotation_deg": rotation_deg,
        "finish": look.finish,
        "background": look.background,
        "wear_land_mean_mm": float(width[inside].mean()),
        "wear_land_max_mm": float(width[inside].max()),
        "missing_edge_length_mm": float(sum(r["length_mm"] for r in records if r["depth_mm"] > 0)),
        "missing_edge_depth_mm": max((float(r["depth_mm"]) for r in records), default=0.0),
        "edge_px": np.round(px[::60], 3).tolist(),
        "land_border_px": np.round(place.to_px(border[::60]), 3).tolist(),
        "chips": [{**r, "at_mm": r["at_mm"] - 0.6 * half} for r in records],
        "heat_tint_share": heat_share(look.heat, [edge], place, size),
    }
    if look.plain:
        return build_scene(size, place.to_px(outline), truth, look, rng, place=place, seen=None)
    u, v = place.grid_mm(size)
    above = np.interp(u, x, edge[:, 1]) - v
    grey = _flank(u, above, np.interp(u, x, width), np.deg2rad(grinding_deg), land_mm, land_tone, look, rng)
    grey = _with_stuck(grey, u + half, above, np.interp(u, x, width), stuck_mm, rng) * (
        1 + side_light * u / half
    )
    none = np.zeros_like(u)
    seen = Seen(none, none, none, none, u, none)
    damage = [(*r["deepest_mm"], r["length_mm"] / 2) for r in records]
    return build_scene(
        size, place.to_px(outline), truth, look, rng, place=place, seen=seen, grey=grey, damage=damage
    )


def through_loupe(
    scene: Scene,
    *,
    radius: float = 0.45,
    centre_px: tuple[float, float] | None = None,
    softness: float = 0.06,
    level: float = 0.002,
) -> Scene:
    """The scene as a telephone sees it through a loupe: a round field in a black frame of `level`, linear light.

    `radius` is a share of the picture's shorter side; the rim goes from light to dark over `softness` radii. The truth holds the circle.
    """
    width, height = scene.size
    x0, y0 = centre_px or ((width - 1) / 2, (height - 1) / 2)
    radius_px = radius * min(scene.size)
    y, x = np.mgrid[:height, :width].astype(np.float32)
    away = np.hypot(x - x0, y - y0) / radius_px
    open_share = np.clip((1 - away) / softness + 0.5, 0, 1)[..., None].astype(np.float32)
    body, ground = (level + (light - level) * open_share for light in (scene.body, scene.background))
    truth = {**scene.truth, "field_px": [x0, y0, radius_px]}
    return replace(scene, body=body, background=ground, truth=truth)


_INNER_END = 0.12
"""Where an end edge that does not reach the centre ends, as a share of the radius."""


def end_scene(
    rng: np.random.Generator,
    *,
    size: tuple[int, int] = (1600, 1200),
    px_per_mm: float = 150.0,
    centre_px: tuple[float, float] | None = None,
    rotation_deg: float = 20.0,
    diameter_mm: float = 6.0,
    flutes: int = 2,
    radius_offsets_mm: Sequence[float] = (),
    corner_radii_mm: Sequence[float] = (),
    breaks_mm: Sequence[tuple[float, float]] = (),
    chips: Sequence[Sequence[Chip]] = (),
    centre_cutting: bool = True,
    look: Look | None = None,
) -> Scene:
    """Looking at the tip along the axis: `flutes` bright end lands over dark flutes, a blurred shank behind.

    `radius_offsets_mm` are added to the radius of each tooth, `corner_radii_mm` round its corner off in this view, `breaks_mm` break it off straight
    (so much of its end edge, so much of the outline behind), `chips` (`at_mm` from the corner inward) lie on its end edge. The truth holds centre,
    flute count, radius of each tooth's corner from the axis and its place, whether an edge reaches the centre and the gap to it, and of each tooth the
    recession of its corner and its chips.
    """
    look = look or Look()
    place = Placement(px_per_mm, centre_px or ((size[0] - 1) / 2, (size[1] - 1) / 2), rotation_deg)
    radius, pitch = diameter_mm / 2, 2 * np.pi / flutes
    offsets = np.array(list(radius_offsets_mm) or [0.0] * flutes)
    rounds = np.array(list(corner_radii_mm) or [0.01] * flutes)
    section = Section.of(flutes, count=9000)
    angle = np.arctan2(section.points[:, 1], section.points[:, 0])
    tooth = np.rint(np.mod(angle, 2 * np.pi) / pitch).astype(int) % flutes
    near = np.clip(1 - np.abs(np.angle(np.exp(1j * (angle - tooth * pitch)))) / (0.3 * pitch), 0, 1)
    grown = radius + offsets[tooth] * near
    outline_mm = section.points * grown[:, None] * [1, -1]
    away = np.abs(np.angle(np.exp(1j * (angle - tooth * pitch)))) * radius
    loss = np.where(
        np.hypot(*section.points.T) > 0.8, np.maximum(rounds[tooth] - away, 0) ** 2 / (2 * rounds[tooth]), 0
    )
    outline_mm = outline_mm * (1 - loss / np.hypot(*outline_mm.T))[:, None]
    outline_mm, teeth = _damaged(outline_mm, section, breaks_mm, chips, rng)
    tips = [
        (radius + offsets[k] - rounds[k] / 2) * np.array([np.cos(k * pitch), -np.sin(k * pitch)])
        for k in range(flutes)
    ]
    truth = {
        "view": "end",
        "size_px": list(size),
        "px_per_mm": px_per_mm,
        "rotation_deg": rotation_deg,
        "diameter_mm": diameter_mm,
        "flute_count": flutes,
        "centre_px": np.round(place.to_px(np.zeros((1, 2)))[0], 4).tolist(),
        "corner_radius_from_axis_mm": [float(np.hypot(*tip)) for tip in tips],
        "corners_px": np.round(place.to_px(np.array(tips)), 4).tolist(),
        "edge_reaches_centre": centre_cutting,
        "end_edge_gap_mm": 0.0 if centre_cutting else _INNER_END * radius,
        "finish": look.finish,
        "background": look.background,
        "outline_px": np.round(place.to_px(thinned(outline_mm)), 3).tolist(),
        "teeth": [
            {
                "recession_mm": recession,
                "chips": [
                    {**c, "deepest_px": place.to_px(np.array([c["deepest_mm"]]))[0].tolist()} for c in broken
                ],
            }
            for recession, broken in teeth
        ],
    }
    outline = place.to_px(outline_mm)
    if look.plain:
        return build_scene(size, outline, truth, look, rng, place=place, seen=None)
    x, y = place.grid_mm(size)
    grey = _end_faces(x, -y, radius, flutes, centre_cutting, look, rng)
    none = np.zeros_like(x)
    seen = Seen(none, none, np.full(x.shape, RAKE, np.float32), none, x, -y)
    scene = build_scene(size, outline, truth, look, rng, place=place, seen=seen, grey=grey)
    return Scene(
        size, scene.outlines, scene.body, _shank_behind(scene.background, place, 1.02 * radius), scene.truth
    )


def _damaged(
    outline: Points,
    section: Section,
    breaks: Sequence[tuple[float, float]],
    chips: Sequence[Sequence[Chip]],
    rng: np.random.Generator,
) -> tuple[Points, list[tuple[float, list[dict[str, Any]]]]]:
    """The outline (mm) of all teeth with what is broken off it, and of each tooth the recession of its corner and its chips."""
    starts = np.flatnonzero((section.part == RAKE) & (np.roll(section.part, 1) != RAKE))
    order = starts[
        np.argsort(np.mod(np.arctan2(section.points[starts, 1], section.points[starts, 0]) + 0.1, 2 * np.pi))
    ]
    pieces, teeth, last = {}, {}, len(outline)
    for tooth, tip in enumerate(order):
        line = np.roll(outline, -tip, axis=0)
        root = int(np.argmin(np.hypot(*section.points[tip : tip + last // (2 * section.flutes)].T)))
        edge, records = chipped(line[:root], chips[tooth] if chips else (), rng)
        inward, behind = breaks[tooth] if breaks else (0.0, 0.0)
        corner = line[0]
        kept = edge[np.hypot(*(edge - corner).T) >= inward] if inward else edge
        lost = int((np.hypot(*(line[::-1][: last // 20] - corner).T) < behind).sum()) if behind else 0
        recession = 0.0
        if inward and behind:
            a, b = kept[0] - corner, line[::-1][lost] - corner
            recession = abs(float(a[0] * b[1] - a[1] * b[0])) / float(np.hypot(*(a - b)))
        pieces[int(tip)] = kept, root, lost
        teeth[tooth] = recession, [{**chip, "edge": "end"} for chip in records]
    done: list[Points] = []
    for n, tip in enumerate(sorted(pieces)):
        kept, root, _ = pieces[tip]
        following = sorted(pieces)[(n + 1) % len(pieces)]
        stop = following - pieces[following][2] + (last if following <= tip else 0)
        done += [kept, outline[np.arange(tip + root, stop) % last]]
    return np.concatenate(done), [teeth[k] for k in range(len(teeth))]


def _land_width(x: Points, half: float, mean: float, unevenness: float, rng: np.random.Generator) -> Points:
    """Slowly changing width with the wanted mean inside the frame."""
    wave = sum(
        rng.standard_normal() / k * np.cos(k * np.pi * x / (2 * half) + rng.uniform(0, 2 * np.pi))
        for k in range(1, 9)
    )
    wave = np.asarray(wave) / max(float(np.std(wave)), 1e-9)
    width = np.maximum(1 + unevenness * wave, 0.15)
    return np.asarray(mean * width / width[np.abs(x) <= half].mean())


def _flank(
    u: Light,
    above: Light,
    width: Light,
    angle: float,
    land_mm: float,
    tone: LandTone,
    look: Look,
    rng: np.random.Generator,
) -> Light:
    """Oblique grinding lines; on the land a smoother surface, with a bright line on its edge where the tone has one."""
    size = (u.shape[1], u.shape[0])
    across, along = u * np.sin(angle) - above * np.cos(angle), u * np.cos(angle) + above * np.sin(angle)
    ground = 0.62 * brushed(across, along, rng, line=0.005, length=0.5, depth=1.9 * look.texture)
    ground *= 1 + 0.12 * clouds(size, rng, (3.0, 60.0, 300.0), (0.8, 0.6, 1.0))
    if land_mm <= 0:
        return np.asarray(ground, np.float32)
    level, glint = _TONES[tone]
    ragged = width * (1 + 0.10 * clouds(size, rng, (5.0, 14.0), (0.7, 1.0)))
    on_land = np.clip((ragged - above) / 0.006 + 0.5, 0, 1)
    polish = brushed(u, above, rng, line=0.02, length=0.05, depth=0.8 * look.texture)
    shine = (
        glint
        * np.exp(-0.5 * (above / (0.22 * land_mm)) ** 2)
        * (1 + 0.3 * clouds(size, rng, (10.0, 50.0), (0.6, 1.0)))
    )
    return np.asarray(ground * (1 - on_land) + on_land * (level + np.maximum(shine, 0)) * polish, np.float32)


def _with_stuck(
    grey: Light,
    from_left: Light,
    above: Light,
    width: Light,
    stuck_mm: Sequence[tuple[float, float]],
    rng: np.random.Generator,
) -> Light:
    """Lumps as light as the flank on the land's lower two thirds, so that the land shows above them."""
    lump = 0.6 * (1 + 0.35 * clouds((grey.shape[1], grey.shape[0]), rng, (2.0, 6.0), (1.0, 1.0)))
    for at_mm, length_mm in stuck_mm:
        on = (np.abs(from_left - at_mm) < length_mm / 2) & (above < 0.65 * width)
        grey = np.where(on, np.maximum(lump, 0.02), grey)
    return np.asarray(grey, np.float32)


def _end_faces(
    x: Light,
    up: Light,
    radius: float,
    flutes: int,
    centre_cutting: bool,
    look: Look,
    rng: np.random.Generator,
) -> Light:
    """Each tooth's end land from near the axis to its corner, gash and flute darker."""
    pitch = 2 * np.pi / flutes
    grey = np.zeros_like(x)
    nearest = np.full(x.shape, -np.inf, np.float32)
    for tooth in range(flutes):
        c, s = np.cos(tooth * pitch), np.sin(tooth * pitch)
        along, behind = (c * x + s * up) / radius, (s * x - c * up) / radius
        lines = brushed(behind * radius, along * radius, rng, line=0.012, length=0.8, depth=look.texture)
        start = -0.04 if centre_cutting and tooth == 0 else _INNER_END
        land = (behind > 0) & (behind < 0.16 + 0.10 * along) & (along > start)
        relief = (behind > 0) & (behind < 0.42 + 0.30 * along) & (along > start)
        shade = np.where(land, rng.uniform(0.9, 1.25), np.where(relief, rng.uniform(0.42, 0.6), 0.10)) * lines
        closeness = np.where(relief, along, -10).astype(np.float32)
        grey = np.where(closeness > nearest, shade, np.where(nearest > -10, grey, shade))
        nearest = np.maximum(nearest, closeness)
    return np.asarray(grey * (1 + 0.04 * clouds((x.shape[1], x.shape[0]), rng, (1.5,), (1.0,))), np.float32)


def _shank_behind(background: Light, place: Placement, radius: float) -> Light:
    """The out-of-focus rest of the cutter: a dark disc with a soft border."""
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    disc = place.to_px(radius * np.stack([np.cos(turn), np.sin(turn)], axis=1))
    cover = polygon_coverage([disc], (background.shape[1], background.shape[0]))
    soft = cv2.GaussianBlur(cover, (0, 0), 16)[..., None]
    return np.asarray(background * (1 - soft) + soft * (0.022 + 0.3 * background), np.float32)
