"""The light a cutter's body sends to the lens: ring light on ground metal, and what wear, heat and dirt put on it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.synthetic.coverage import polygon_coverage
from wearscope.synthetic.scene import Light, Placement, Scene
from wearscope.synthetic.section import LAND, RAKE, RELIEF, Section, facing
from wearscope.synthetic.surface import FINISHES, Heat, brushed, clouds, film_colour, paper

__all__ = [
    "BrightLine",
    "Look",
    "Patch",
    "Seen",
    "background_light",
    "build_scene",
    "empty_scene",
    "heat_share",
    "look_at",
    "metal",
    "with_fibre",
]

Points = NDArray[np.float64]
Background = Literal["backlit", "dark", "paper", "desk"]


@dataclass(frozen=True, slots=True)
class Patch:
    """A rough patch at the corner that leaves the outline whole: a quarter of an ellipse that reaches `end_mm` and `side_mm` along the
    edges, `level` times as light as the metal, its roughness (sd of the logarithm of light) `rough`, in grains of about `grain_mm`."""

    end_mm: float
    side_mm: float
    level: float = 0.6
    rough: float = 0.6
    grain_mm: float = 0.02


@dataclass(frozen=True, slots=True)
class BrightLine:
    """What light makes of a dull edge: a line `width_mm` wide along the outline, `level` times as light as the metal; its inner border wanders by
    `wander` (sd, share of the width) and its light by `uneven`, along the edge. With next to none of both it is a land ground on purpose."""

    width_mm: float
    level: float = 3.0
    wander: float = 0.15
    uneven: float = 0.2


@dataclass(frozen=True, slots=True)
class Look:
    """Surface, light and background.

    `finish` is a key of `surface.FINISHES`. `plain` leaves out everything but two even levels (linear light, `body_level` and
    `ground_level`). `resin_share` is the share of the body under resin, `patch_mm` the reach of rough fracture surface behind chips and
    breaks, `patch` one at a corner that is whole, `bright_rim_mm` the width of a faint shine that fades into the face,
    `bright_line` that of a dull edge, `defocus_px_per_mm` the blur sigma a millimetre out of the plane of the
    axis, `light` a factor on the light from the body, `texture` the strength of the grinding lines.
    """

    background: Background = "dark"
    finish: str = "carbide"
    plain: bool = False
    body_level: float | None = None
    ground_level: float | None = None
    heat: Heat | None = None
    resin_share: float = 0.0
    dust: int = 6
    patch_mm: float = 0.0
    patch: Patch | None = None
    bright_rim_mm: float = 0.0
    bright_line: BrightLine | None = None
    defocus_px_per_mm: float = 0.0
    light: float = 1.0
    texture: float = 0.12


@dataclass(frozen=True, slots=True)
class Seen:
    """What of the body's surface shows at each pixel; all (height, width), lengths in mm.

    `lean` is the angle (rad) between surface normal and line of sight, `along` runs across the grinding lines, `part` as in
    section.Section, `depth` is toward the lens, `x` and `up` are the drawing's own coordinates.
    """

    lean: Light
    along: Light
    part: Light
    depth: Light
    x: Light
    up: Light


def look_at(
    section: Section,
    place: Placement,
    size: tuple[int, int],
    *,
    axis_mm: float,
    top_mm: float,
    radius_at: "Profile",
    turn_at: "Profile",
) -> Seen:
    """The side view of a fluted body whose axis is at x = `axis_mm`, tip at 0, as far up as `top_mm`.

    `radius_at` and `turn_at` give radius (mm) and turn (rad) of the section at each height.
    """
    x, y = place.grid_mm(size)
    step = 1.0 / place.px_per_mm
    heights = np.arange(max(float(-y.max()), 0.25 * step), min(float(-y.min()), top_mm) + step, step)
    radius = radius_at(heights)
    view = facing(section, radius, turn_at(heights), heights, step)
    slope = np.arctan(np.gradient(radius, step))[:, None] * (view.part != RAKE)
    lean = np.arccos(np.clip(np.cos(view.tilt) * np.cos(slope), -1, 1)).astype(np.float32)
    column = np.asarray((x - axis_mm - view.x_mm[0]) / step, np.float32)
    row = np.asarray((-y - heights[0]) / step, np.float32)

    def carried(layer: Light) -> Light:
        return cv2.remap(layer, column, row, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)

    return Seen(carried(lean), carried(view.along), carried(view.part), carried(view.depth_mm), x, -y)


class Profile:
    """A number for each height: constant, or linear between knots."""

    def __init__(self, heights: Sequence[float] | Points, values: Sequence[float] | Points) -> None:
        self._heights, self._values = np.asarray(heights, float), np.asarray(values, float)

    def __call__(self, height: Points) -> Points:
        return np.asarray(np.interp(height, self._heights, self._values))


def build_scene(
    size: tuple[int, int],
    outline: Points,
    truth: dict[str, Any],
    look: Look,
    rng: np.random.Generator,
    *,
    place: Placement,
    seen: Seen | None,
    grey: Light | None = None,
    damage: Sequence[tuple[float, float, float]] = (),
) -> Scene:
    """The scene of one body with its surface, dirt and background; `damage` lists (x, y, radius) in mm of broken places."""
    if look.plain or seen is None:
        body, ground = _plain(size, look)
        return Scene(size, (outline,), body, ground, truth)
    lit = metal(seen, look, rng) if grey is None else grey
    body, extra = _with_dirt(lit, seen, outline, place, look, rng, damage)
    ground = background_light(size, look, rng, outline=outline)
    if look.background == "backlit":
        body = 0.012 * look.light + 0.035 * body
    defocus = np.abs(seen.depth) * look.defocus_px_per_mm if look.defocus_px_per_mm else None
    return Scene(size, (outline,), body, ground, {**truth, **extra}, defocus)


def empty_scene(
    rng: np.random.Generator, *, size: tuple[int, int] = (1600, 1200), look: Look | None = None
) -> Scene:
    """A background and no cutter."""
    ground = background_light(size, look or Look(), rng)
    return Scene(size, (), np.zeros_like(ground), ground, {"view": "empty", "size_px": list(size)})


def with_fibre(scene: Scene, points_px: Points, *, width_px: float = 6.0, level: float = 0.45) -> Scene:
    """The scene with a fibre lying over cutter and background along `points_px` (N, 2); it leaves the outline's truth as it is."""
    points = np.asarray(points_px, np.float64)
    step = np.gradient(points, axis=0)
    across = 0.5 * width_px * np.stack([-step[:, 1], step[:, 0]], axis=1) / np.hypot(*step.T)[:, None]
    cover = polygon_coverage([np.concatenate([points + across, (points - across)[::-1]])], scene.size)[
        ..., None
    ]
    thread = level * np.array([0.92, 0.96, 1.0], np.float32)
    body, background = (light * (1 - cover) + cover * thread for light in (scene.body, scene.background))
    truth = {**scene.truth, "fibre_px": np.round(points, 2).tolist()}
    return replace(scene, body=body, background=background, truth=truth)


def background_light(
    size: tuple[int, int], look: Look, rng: np.random.Generator, *, outline: Points | None = None
) -> Light:
    """What lies behind the cutter; paper gets the cutter's soft shadow. Shape (height, width, 3)."""
    broad = clouds(size, rng, (700.0,), (1.0,))[..., None]
    level = look.ground_level
    if look.background == "backlit":
        return (level or 0.80) * (1 + 0.012 * broad) * np.array([1.0, 0.985, 0.965], np.float32)
    if look.background == "dark":
        return (level or 0.006) * np.maximum(1 + 0.15 * broad, 0.2) * np.array([1.15, 1.0, 0.95], np.float32)
    if look.background == "desk":
        fall = np.linspace(-1, 1, size[0], dtype=np.float32)[None, :, None]
        return (level or 0.42) * (1 + 0.10 * fall + 0.03 * broad) * np.array([0.93, 1.0, 0.95], np.float32)
    sheet = paper(size, rng, level=level or 0.30)
    if outline is None:
        return sheet
    shadow = cv2.GaussianBlur(polygon_coverage([outline + 18.0], size), (0, 0), 30)
    return np.asarray(sheet * (1 - 0.35 * shadow[..., None]), np.float32)


def metal(seen: Seen, look: Look, rng: np.random.Generator) -> Light:
    """Grey factor of ground metal under a ring light: a bright band where a surface leans by half the ring's angle."""
    ring, spread = np.deg2rad(rng.uniform(13, 19)), np.deg2rad(rng.uniform(9, 13))
    bright = np.exp(-(((seen.lean - ring) / spread) ** 2))
    second = 0.35 * np.exp(-(((seen.lean - 2.7 * ring) / (0.6 * spread)) ** 2))
    grey = 0.16 + 0.34 * np.maximum(np.cos(seen.lean), 0) + 0.85 * (bright + second)
    facet = np.where(seen.part == LAND, 1.25, np.where(seen.part == RELIEF, 0.8, 1.0))
    across = np.where(seen.part == RAKE, seen.along, seen.along * 1.3 + 7.0)
    lines = brushed(across, seen.up, rng, line=0.006, length=1.6, depth=look.texture)
    grain = 1 + 0.04 * clouds((grey.shape[1], grey.shape[0]), rng, (1.5,), (1.0,))
    return np.asarray(grey * facet * lines * grain, np.float32)


def heat_share(
    heat: Heat | None, edges_mm: Sequence[Points], place: Placement, size: tuple[int, int]
) -> float:
    """Share of the length of the edges inside the frame whose film is at least 10 nm (faint yellow) thick, patchiness left out."""
    hot = seen = 0.0
    for edge in edges_mm:
        middle, length = 0.5 * (edge[1:] + edge[:-1]), np.hypot(*np.diff(edge, axis=0).T)
        px = place.to_px(middle)
        inside = np.all((px >= 0) & (px <= np.array(size) - 1), axis=1)
        film = _film(heat, np.zeros(len(middle)), np.hypot(*middle.T)) if heat else np.zeros(len(middle))
        seen += float(length[inside].sum())
        hot += float(length[inside & (film >= 10)].sum())
    return hot / seen if seen else 0.0


def _plain(size: tuple[int, int], look: Look) -> tuple[Light, Light]:
    levels = {"backlit": (0.02, 0.75), "dark": (0.40, 0.01), "paper": (0.12, 0.45), "desk": (0.08, 0.45)}
    body, ground = levels[look.background]
    body = body if look.body_level is None else look.body_level
    ground = ground if look.ground_level is None else look.ground_level
    shape = (size[1], size[0], 3)
    return np.full(shape, body, np.float32), np.full(shape, ground, np.float32)


def _with_dirt(
    grey: Light,
    seen: Seen,
    outline: Points,
    place: Placement,
    look: Look,
    rng: np.random.Generator,
    damage: Sequence[tuple[float, float, float]],
) -> tuple[Light, dict[str, Any]]:
    """Coloured light from the body (it goes on past the outline), and the truth of what was put on it."""
    size = (grey.shape[1], grey.shape[0])
    cover = polygon_coverage([outline], size)
    inward = _inward_mm(cover, place)
    colour = grey[..., None] * np.array(FINISHES[look.finish], np.float32)
    truth: dict[str, Any] = {}
    if look.heat is not None:
        patchy = 1 + 0.07 * clouds(size, rng, (12.0, 60.0, 250.0), (0.4, 0.8, 1.0))
        film = _film(look.heat, inward, np.hypot(seen.x, seen.up)) * patchy
        colour = colour * (1 - look.heat.strength + look.heat.strength * film_colour(film))
        truth["heat_tint"] = {"film_nm": look.heat.film_nm, "depth_mm": look.heat.depth_mm}
    if look.resin_share:
        colour, share = _with_resin(colour, seen, look.resin_share, cover > 0.5, rng)
        truth |= {"buildup": "resin", "resin_share": share}
    if look.bright_rim_mm:
        uneven = 0.75 + 0.25 * clouds(size, rng, (5.0, 40.0), (0.5, 1.0))
        rim = np.clip(np.exp(-0.5 * (inward / look.bright_rim_mm) ** 2) * uneven, 0, 1.5)
        colour = colour + 0.5 * rim[..., None] * np.array([1.0, 0.97, 0.92], np.float32)
    if look.bright_line is not None:
        colour, truth["bright_line_width_mm"] = _with_bright_line(
            colour, look.bright_line, outline, place, rng
        )
    if look.patch_mm and damage:
        colour = _with_fracture(colour, seen, inward, look.patch_mm, damage, rng)
    if look.patch is not None:
        colour = _with_patch(colour, seen, look.patch, place, rng)
        area = np.pi / 4 * look.patch.end_mm * look.patch.side_mm
        truth["corner_patch"] = {"end_mm": look.patch.end_mm, "side_mm": look.patch.side_mm, "area_mm2": area}
    return look.light * _with_dust(colour, look.dust, rng), truth


def _inward_mm(cover: Light, place: Placement) -> Light:
    """Distance from the outline inside the body, 0 outside."""
    inside = cv2.copyMakeBorder((cover > 0.5).astype(np.uint8), 2, 2, 2, 2, cv2.BORDER_REPLICATE)
    away = cv2.distanceTransform(inside, cv2.DIST_L2, 5)[2:-2, 2:-2]
    return np.asarray(away, np.float32) / np.float32(place.px_per_mm)


def _with_bright_line(
    colour: Light, line: BrightLine, outline: Points, place: Placement, rng: np.random.Generator
) -> tuple[Light, float]:
    """Lighter between the outline and a border that wanders, at sub-pixel; its mean width (mm) along the outline in the frame, of the edge
    where it is wider (the drawing's origin parts them)."""
    from scipy.spatial import cKDTree

    size = (colour.shape[1], colour.shape[0])
    wide = line.width_mm * place.px_per_mm
    wander = clouds(size, rng, (50.0, 160.0), (1.0, 1.0))
    cover = cv2.dilate(polygon_coverage([outline], size), np.ones((5, 5), np.uint8))
    y, x = np.nonzero((cover > 0) & (_inward_mm(cover, place) * place.px_per_mm < 2 * wide + 8))
    step = np.hypot(*np.diff(outline, axis=0).T)
    walk = np.concatenate([[0], np.cumsum(step)])
    dense = np.arange(0, walk[-1], 0.1)
    along = np.stack([np.interp(dense, walk, outline[:, k]) for k in (0, 1)], axis=1)
    tree = cKDTree(along)
    away = np.full(cover.shape, np.inf, np.float32)
    away[y, x] = tree.query(np.stack([x, y], axis=1))[0]
    border = wide * np.maximum(1 + line.wander * wander, 0.2)
    share = np.clip(border - away + 0.5, 0, 1)
    bright = line.level * np.maximum(1 + line.uneven * clouds(size, rng, (4.0, 30.0), (0.5, 1.0)), 0.3)
    inside = np.all((along >= 0) & (along <= np.array(size) - 1), axis=1)
    corner = int(np.argmin(np.hypot(*(along - np.array(place.origin_px)).T)))
    edges = [
        part[seen].astype(int)
        for part, seen in ((along[:corner], inside[:corner]), (along[corner:], inside[corner:]))
    ]
    width = max(float(border[edge[:, 1], edge[:, 0]].mean()) for edge in edges if len(edge)) / place.px_per_mm
    return np.asarray(colour * (1 + share * (bright - 1))[..., None], np.float32), width


def _film(heat: Heat, inward: Light, from_corner: Light) -> Light:
    """Film thickness (nm): it thins out with the distance from the edge and from the corner."""
    share = np.clip((1.4 - from_corner / heat.reach_mm) / 0.8, 0, 1)
    fading = share * share * (3 - 2 * share)
    return heat.film_nm * fading * np.exp(-1.6 * (inward / heat.depth_mm) ** 2)


def _with_resin(
    colour: Light, seen: Seen, share: float, inside: NDArray[np.bool_], rng: np.random.Generator
) -> tuple[Light, float]:
    """Brown patches with soft rims, thicker in the flute; the share of the body they cover."""
    size = (inside.shape[1], inside.shape[0])
    blobs = clouds(size, rng, (9.0, 28.0, 90.0), (0.35, 1.0, 0.9)) + 0.35 * np.clip(-seen.depth, -1, 1)
    level = float(np.quantile(blobs[inside], 1 - share))
    thick = np.clip((blobs - level) / 0.25, 0, 1)
    lumps = 1 + 0.28 * clouds(size, rng, (3.0, 8.0), (1.0, 0.7))
    deep = clouds(size, rng, (40.0,), (1.0,))
    brown = (
        np.stack([0.018 + 0.004 * deep, 0.075 + 0.02 * deep, 0.19 + 0.055 * deep], axis=-1) * lumps[..., None]
    )
    glint = 0.5 * np.clip(clouds(size, rng, (2.5,), (1.0,)) - 2.6, 0, 1)[..., None]
    opaque = (0.93 * thick)[..., None]
    stained = colour * (1 - opaque) + opaque * np.maximum(brown + glint, 0.004)
    return np.asarray(stained, np.float32), float(np.mean((thick > 0.5)[inside]))


def _with_fracture(
    colour: Light,
    seen: Seen,
    inward: Light,
    reach: float,
    damage: Sequence[tuple[float, float, float]],
    rng: np.random.Generator,
) -> Light:
    """Rough grey fracture surface up to about `reach` mm inside the outline, near the broken places."""
    size = (inward.shape[1], inward.shape[0])
    near = np.zeros_like(inward)
    for x, y, radius in damage:
        away = np.hypot(seen.x - x, seen.up + y)
        near = np.maximum(near, np.clip((1.1 * radius + reach - away) / (0.2 * reach), 0, 1))
    ragged = reach * (1 + 0.35 * clouds(size, rng, (6.0, 25.0, 70.0), (0.5, 1.0, 1.0)))
    mask = (np.clip((ragged - inward) / (0.06 * reach) + 0.5, 0, 1) * near)[..., None]
    rough = np.exp(0.6 * clouds(size, rng, (2.5, 6.0, 18.0), (0.8, 1.0, 0.8)))
    fracture = (0.10 * rough)[..., None] * np.array([1.05, 1.0, 0.93], np.float32)
    return np.asarray(colour * (1 - mask) + mask * fracture, np.float32)


def _with_patch(colour: Light, seen: Seen, patch: Patch, place: Placement, rng: np.random.Generator) -> Light:
    """Grey and rough inside the quarter ellipse, whatever lay on the metal before; its border is ragged by about a grain."""
    size = (colour.shape[1], colour.shape[0])
    grain = max(patch.grain_mm * place.px_per_mm, 1.5)
    out = np.hypot(seen.x / patch.end_mm, seen.up / patch.side_mm)
    reach = min(patch.end_mm, patch.side_mm)
    ragged = 1 + patch.grain_mm / reach * clouds(size, rng, (2 * grain,), (1.0,))
    mask = np.clip((ragged - out) * reach * place.px_per_mm + 0.5, 0, 1)[..., None]
    rough = np.exp(patch.rough * clouds(size, rng, (grain, 2 * grain), (1.0, 0.7)))[..., None]
    grey = np.mean(colour, axis=2, keepdims=True)
    return np.asarray(colour * (1 - mask) + mask * patch.level * rough * grey, np.float32)


def _with_dust(colour: Light, count: int, rng: np.random.Generator) -> Light:
    """Dark specks and a few bright ones."""
    height, width = colour.shape[:2]
    specks = np.ones((height, width), np.float32)
    for _ in range(count):
        at = (int(rng.integers(width)), int(rng.integers(height)))
        axes = (int(rng.integers(2, 9)), int(rng.integers(2, 7)))
        shade = float(rng.choice([0.35, 0.5, 0.6, 1.5]))
        cv2.ellipse(specks, at, axes, float(rng.uniform(0, 180)), 0, 360, shade, -1, cv2.LINE_AA)
    return np.asarray(colour * cv2.GaussianBlur(specks, (0, 0), 0.8)[..., None], np.float32)
