"""Side views of a cutter's corner: the picture most decisions are made from."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.synthetic.coverage import polygon_coverage
from wearscope.synthetic.outlines import Chip, CornerShape, Edges, Wear, corner_outline
from wearscope.synthetic.scene import Light, Placement, Scene
from wearscope.synthetic.section import LAND, RELIEF, Section, facing
from wearscope.synthetic.surface import FINISHES, Heat, brushed, clouds, film_colour, paper

__all__ = ["Look", "background_light", "corner_scene"]

Points = NDArray[np.float64]
Background = Literal["backlit", "dark", "paper", "desk"]


@dataclass(frozen=True, slots=True)
class Look:
    """Surface, light and background. `plain` leaves out everything but two even levels, `body_level` and `ground_level`."""

    background: Background = "dark"
    finish: str = "carbide"
    plain: bool = False
    body_level: float | None = None
    ground_level: float | None = None
    heat: Heat | None = None
    resin_share: float = 0.0
    dust: int = 6
    patch_mm: float = 0.0
    bright_rim_mm: float = 0.0
    defocus_px_per_mm: float = 0.0
    light: float = 1.0
    texture: float = 0.12


def corner_scene(
    rng: np.random.Generator,
    *,
    size: tuple[int, int] = (1600, 1200),
    px_per_mm: float = 280.0,
    corner_px: tuple[float, float] = (1000.0, 780.0),
    rotation_deg: float = 0.0,
    mirror: bool = False,
    edges: Edges | None = None,
    wear: Wear | None = None,
    chips: Sequence[Chip] = (),
    flutes: int = 2,
    look: Look | None = None,
) -> Scene:
    """The corner of a flat-end cutter, tip down, body to the upper left before turning; it runs out of the frame at the top.

    `corner_px` is where the virtual sharp corner lies. The truth holds radius, recession, losses, missing area, chips and tint share in mm, and
    the virtual corner, arc centre, edges and outline in px.
    """
    edges, wear, look = edges or Edges(), wear or Wear(), look or Look()
    place = Placement(px_per_mm, corner_px, rotation_deg, mirror)
    reach = 1.2 * float(np.hypot(*size)) / px_per_mm
    section = Section.of(flutes)
    side_length = min(reach, _edge_is_outline(edges, section))
    shape = corner_outline(
        edges, wear, chips, end_length_mm=edges.diameter_mm / 2, side_length_mm=side_length, rng=rng
    )
    outline = place.to_px(_body(shape, section, side_length, reach))
    truth = _truth(shape, place, size, look, flutes)
    if look.plain:
        body, ground = _plain(size, look)
        return Scene(size, (outline,), body, ground, truth)
    seen = _seen(edges, section, place, size, reach)
    body, extra = _surface(seen, edges, shape, outline, place, size, look, rng)
    ground = background_light(size, look.background, rng, outline=outline, level=look.ground_level)
    if look.background == "backlit":
        body = 0.012 * look.light + 0.035 * body
    defocus = None
    if look.defocus_px_per_mm:
        defocus = np.abs(seen.depth) * np.float32(look.defocus_px_per_mm)
    return Scene(size, (outline,), body, ground, {**truth, **extra}, defocus)


def background_light(
    size: tuple[int, int],
    kind: Background,
    rng: np.random.Generator,
    *,
    outline: Points | None = None,
    level: float | None = None,
) -> Light:
    """What lies behind the cutter; paper gets the cutter's soft shadow. Shape (height, width, 3)."""
    broad = clouds(size, rng, (700.0,), (1.0,))[..., None]
    if kind == "backlit":
        return (level or 0.80) * (1 + 0.012 * broad) * np.array([1.0, 0.985, 0.965], np.float32)
    if kind == "dark":
        return np.maximum((level or 0.006) * (1 + 0.15 * broad), 0.001) * np.array(
            [1.15, 1.0, 0.95], np.float32
        )
    if kind == "desk":
        fall = np.linspace(-1, 1, size[0], dtype=np.float32)[None, :, None]
        return (level or 0.42) * (1 + 0.10 * fall + 0.03 * broad) * np.array([0.93, 1.0, 0.95], np.float32)
    sheet = paper(size, rng, level=level or 0.30)
    if outline is not None:
        shadow = cv2.GaussianBlur(polygon_coverage([outline + 18.0], size), (0, 0), 30)
        sheet = sheet * (1 - 0.35 * shadow[..., None])
    return sheet


def _plain(size: tuple[int, int], look: Look) -> tuple[Light, Light]:
    lit = {"backlit": (0.02, 0.75), "dark": (0.40, 0.01), "paper": (0.12, 0.45), "desk": (0.08, 0.45)}[
        look.background
    ]
    body = lit[0] if look.body_level is None else look.body_level
    ground = lit[1] if look.ground_level is None else look.ground_level
    shape = (size[1], size[0], 3)
    return np.full(shape, body, np.float32), np.full(shape, ground, np.float32)


def _turn(edges: Edges, height: Points) -> Points:
    return np.asarray(height * np.tan(np.deg2rad(edges.helix_deg)) / (edges.diameter_mm / 2))


def _edge_is_outline(edges: Edges, section: Section) -> float:
    """Height (mm) up to which the cutting edge is the outermost point of the side view."""
    if edges.helix_deg == 0:
        return np.inf
    turn = np.linspace(0, np.pi / 2, 500)
    outermost = section.extent(-turn)[1] <= np.cos(turn) + 1e-9
    last = turn[int(np.argmin(outermost)) - 1] if not outermost.all() else turn[-1]
    return float(last * edges.diameter_mm / 2 / np.tan(np.deg2rad(edges.helix_deg)))


def _body(shape: CornerShape, section: Section, side_length: float, reach: float) -> Points:
    """The closed outline in mm: worn corner and edges, then the rest of the side view above and on the far side."""
    radius = shape.edges.diameter_mm / 2
    above = np.arange(side_length, reach, 0.01)[1:]
    right = radius * (section.extent(-_turn(shape.edges, above))[1] - 1)
    heights = np.arange(0, reach, 0.01)[::-1]
    left = radius * (section.extent(-_turn(shape.edges, heights))[0] - 1)
    parts = [
        shape.outline,
        np.stack([right, -above], axis=1),
        np.stack([left, -heights], axis=1),
    ]
    return np.concatenate(parts)


@dataclass(frozen=True, slots=True)
class _Seen:
    """The side view's surface carried into the picture; all (height, width)."""

    tilt: Light
    along: Light
    part: Light
    depth: Light
    x: Light
    height: Light


def _seen(edges: Edges, section: Section, place: Placement, size: tuple[int, int], reach: float) -> _Seen:
    radius = edges.diameter_mm / 2
    x, y = place.grid_mm(size)
    step = 1.0 / place.px_per_mm
    heights = np.arange(max(float(-y.max()), -0.05), min(float(-y.min()), reach) + step, step)
    view = facing(section, np.full(len(heights), radius), -_turn(edges, heights), heights, step)
    column = ((x + radius - view.x_mm[0]) / step).astype(np.float32)
    row = ((-y - heights[0]) / step).astype(np.float32)
    tilt, along, part, depth = (
        _carry(layer, column, row) for layer in (view.tilt, view.along, view.part, view.depth_mm)
    )
    return _Seen(tilt, along, part, depth, x, -y)


def _carry(layer: Light, column: Light, row: Light) -> Light:
    return cv2.remap(layer, column, row, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)


def _surface(
    seen: _Seen,
    edges: Edges,
    shape: CornerShape,
    outline: Points,
    place: Placement,
    size: tuple[int, int],
    look: Look,
    rng: np.random.Generator,
) -> tuple[Light, dict[str, Any]]:
    """Light from the body (it goes on past the outline) and what was put on it."""
    grey = _lit(seen, edges, look, rng)
    colour = grey[..., None] * np.array(FINISHES[look.finish], np.float32)
    truth: dict[str, Any] = {}
    distance = _inward_distance(outline, place, size)
    if look.heat is not None:
        film = _film(seen, edges, look.heat, rng, size)
        colour = colour * (1 - look.heat.strength + look.heat.strength * film_colour(film))
        truth |= _heat_truth(edges, look.heat, place, size)
    if look.resin_share:
        colour, share = _with_resin(
            colour, seen, look.resin_share, polygon_coverage([outline], size), rng, size
        )
        truth |= {"buildup": "resin", "resin_share": share}
    if look.bright_rim_mm:
        rim = np.exp(-0.5 * (distance / look.bright_rim_mm) ** 2) * (
            0.75 + 0.25 * clouds(size, rng, (5.0, 40.0), (0.5, 1.0))
        )
        colour = colour + 0.55 * np.clip(rim, 0, 1.5)[..., None] * np.array([1.0, 0.97, 0.92], np.float32)
    if look.patch_mm:
        colour = _with_fracture(colour, seen, distance, look.patch_mm, shape, rng, size)
    colour = _with_dust(colour, look.dust, rng, size)
    return look.light * colour, truth


def _lit(seen: _Seen, edges: Edges, look: Look, rng: np.random.Generator) -> Light:
    """Ring light on ground metal: a bright band where a surface leans by half the ring's angle, darker flat on and at the sides."""
    radius = edges.diameter_mm / 2
    ring, spread = np.deg2rad(rng.uniform(13, 19)), np.deg2rad(rng.uniform(9, 13))
    lean = np.abs(seen.tilt)
    bright = np.exp(-(((lean - ring) / spread) ** 2)) + 0.35 * np.exp(
        -(((lean - 2.7 * ring) / (0.6 * spread)) ** 2)
    )
    grey = 0.16 + 0.34 * np.maximum(np.cos(seen.tilt), 0) + 0.85 * bright
    facet = np.where(seen.part == LAND, 1.25, np.where(seen.part == RELIEF, 0.8, 1.0)).astype(np.float32)
    across = np.where(seen.part == 0, seen.along, seen.along * 1.3 + 7.0).astype(np.float32)
    lines = brushed(across, seen.height, rng, line=0.006, length=1.6, depth=look.texture)
    gash = _gash(seen, edges, rng)
    gash_lines = brushed(seen.height + 0.25 * seen.x, seen.x, rng, line=0.008, length=0.9, depth=look.texture)
    grey = grey * facet * lines
    grey = np.where(gash > 0, gash * gash_lines, grey)
    slope = 1 + 0.10 * (seen.x + radius) / radius - 0.05 * seen.height / radius
    grain = 1 + 0.04 * clouds((grey.shape[1], grey.shape[0]), rng, (1.5,), (1.0,))
    return (grey * slope * grain).astype(np.float32)


def _gash(seen: _Seen, edges: Edges, rng: np.random.Generator) -> Light:
    """The two facets ground into the end near the axis: their brightness, 0 elsewhere."""
    radius = edges.diameter_mm / 2
    across = -seen.x / radius
    up = (seen.height - np.tan(np.deg2rad(edges.dish_deg)) * (radius - np.abs(seen.x + radius))) / radius
    first, second = rng.uniform(0.9, 1.25), rng.uniform(0.35, 0.6)
    right = (
        (across > 0.62)
        & (across < 1.05)
        & (up < 0.55 * (across - 0.62))
        & (up < 1.9 * (1.05 - across) + 0.05)
    )
    left = (across >= 1.05) & (up < 0.16 + 0.12 * (across - 1.05))
    return np.where(right, first, np.where(left, second, 0.0)).astype(np.float32)


def _inward_distance(outline: Points, place: Placement, size: tuple[int, int]) -> Light:
    """Distance (mm) from the outline, inside the body; 0 outside."""
    inside = (polygon_coverage([outline], (size[0], size[1])) > 0.5).astype(np.uint8)
    padded = cv2.copyMakeBorder(inside, 2, 2, 2, 2, cv2.BORDER_REPLICATE)
    return cv2.distanceTransform(padded, cv2.DIST_L2, 5)[2:-2, 2:-2] / np.float32(place.px_per_mm)


def _film(seen: _Seen, edges: Edges, heat: Heat, rng: np.random.Generator, size: tuple[int, int]) -> Light:
    """Film thickness (nm) at every pixel."""
    dish = np.tan(np.deg2rad(edges.dish_deg))
    off_side = np.maximum(edges.diameter_mm / 2 * (np.cos(_turn(edges, seen.height)) - 1) - seen.x, 0)
    off_end = np.maximum(seen.height + dish * seen.x, 0)
    off_side = off_side.astype(np.float32)
    patchy = 1 + 0.07 * clouds(size, rng, (12.0, 60.0, 250.0), (0.4, 0.8, 1.0))
    from_side = off_side / heat.depth_mm + np.maximum(seen.height, 0) / heat.reach_mm * 0.35
    from_end = off_end / heat.depth_mm + np.maximum(-seen.x, 0) / heat.reach_end_mm * 0.35
    side = heat.film_nm * np.exp(-1.6 * from_side**2) * _fading(seen.height, heat.reach_mm)
    end = heat.film_nm * np.exp(-1.6 * from_end**2) * _fading(-seen.x, heat.reach_end_mm)
    return np.asarray(np.maximum(side, end) * patchy, np.float32)


def _fading(along: Light, reach: float) -> Light:
    """1 up to 0.6 of the reach, 0 at 1.4 of it."""
    share = np.clip((1.4 - along / reach) / 0.8, 0, 1)
    return (share * share * (3 - 2 * share)).astype(np.float32)


def _heat_truth(edges: Edges, heat: Heat, place: Placement, size: tuple[int, int]) -> dict[str, Any]:
    """Share of the edges inside the frame whose film is at least 10 nm (faint yellow) thick, patchiness left out."""

    def share(points: Points, reach: float, along: Points) -> tuple[float, float]:
        px = place.to_px(points)
        inside = (px[:, 0] >= 0) & (px[:, 1] >= 0) & (px[:, 0] <= size[0] - 1) & (px[:, 1] <= size[1] - 1)
        film = (
            heat.film_nm
            * np.exp(-1.6 * (0.35 * along / reach) ** 2)
            * _fading(along.astype(np.float32), reach)
        )
        return float(np.sum(inside & (film >= 10))), float(np.sum(inside))

    side_at, end_at = np.arange(0, 12, 0.002), np.arange(0, edges.diameter_mm / 2, 0.002)
    side, end = (
        share(edges.side(side_at), heat.reach_mm, side_at),
        share(edges.end(end_at), heat.reach_end_mm, end_at),
    )
    visible = side[1] + end[1]
    return {
        "heat_tint": {"film_nm": heat.film_nm, "depth_mm": heat.depth_mm},
        "heat_tint_share": (side[0] + end[0]) / visible if visible else 0.0,
        "heat_tint_share_side": side[0] / side[1] if side[1] else 0.0,
    }


def _with_resin(
    colour: Light, seen: _Seen, share: float, cover: Light, rng: np.random.Generator, size: tuple[int, int]
) -> tuple[Light, float]:
    """Brown patches with soft rims, thicker in the flute; the share of the body they cover."""
    blobs = clouds(size, rng, (9.0, 28.0, 90.0), (0.35, 1.0, 0.9)) + 0.35 * np.clip(-seen.depth, -1, 1)
    inside = cover > 0.5
    level = float(np.quantile(blobs[inside], 1 - share))
    thick = np.clip((blobs - level) / 0.25, 0, 1)
    lumps = 1 + 0.28 * clouds(size, rng, (3.0, 8.0), (1.0, 0.7))
    depth = clouds(size, rng, (40.0,), (1.0,))
    brown = (
        np.stack([0.018 + 0.004 * depth, 0.075 + 0.02 * depth, 0.19 + 0.055 * depth], axis=-1)
        * lumps[..., None]
    )
    glint = np.clip(clouds(size, rng, (2.5,), (1.0,)) - 2.6, 0, 1)[..., None] * 0.5
    opaque = (0.93 * thick)[..., None]
    stained = colour * (1 - opaque) + opaque * np.maximum(brown + glint, 0.004)
    return stained.astype(np.float32), float(np.mean((thick > 0.5)[inside]))


def _with_fracture(
    colour: Light,
    seen: _Seen,
    distance: Light,
    reach: float,
    shape: CornerShape,
    rng: np.random.Generator,
    size: tuple[int, int],
) -> Light:
    """Rough grey fracture surface behind chips and a broken corner, up to `reach` mm inside the outline."""
    centres = [(0.0, 0.0, max(shape.loss_end_mm, shape.loss_side_mm))]
    centres += [(*chip["deepest_mm"], 0.5 * float(chip["length_mm"])) for chip in shape.chips]  # type: ignore[misc,arg-type]
    near = np.zeros_like(distance)
    for x, y, radius in centres:
        away = np.hypot(seen.x - x, seen.height + y)
        near = np.maximum(near, np.clip((1.25 * radius + reach - away) / (0.2 * reach), 0, 1))
    ragged = reach * (1 + 0.35 * clouds(size, rng, (6.0, 25.0, 70.0), (0.5, 1.0, 1.0)))
    mask = np.clip((ragged - distance) / (0.06 * reach) + 0.5, 0, 1) * near
    rough = np.exp(0.75 * clouds(size, rng, (2.5, 6.0, 18.0), (1.0, 0.9, 0.7)))
    fracture = (0.10 * rough)[..., None] * np.array([1.05, 1.0, 0.93], np.float32)
    return (colour * (1 - mask[..., None]) + mask[..., None] * fracture).astype(np.float32)


def _with_dust(colour: Light, count: int, rng: np.random.Generator, size: tuple[int, int]) -> Light:
    """Dark specks and a few bright ones."""
    specks = np.ones((size[1], size[0]), np.float32)
    for _ in range(count):
        at = (int(rng.integers(size[0])), int(rng.integers(size[1])))
        axes = (int(rng.integers(2, 9)), int(rng.integers(2, 7)))
        cv2.ellipse(
            specks,
            at,
            axes,
            float(rng.uniform(0, 180)),
            0,
            360,
            float(rng.choice([0.35, 0.5, 0.6, 1.5])),
            -1,
            cv2.LINE_AA,
        )
    return colour * cv2.GaussianBlur(specks, (0, 0), 0.8)[..., None]


def _truth(
    shape: CornerShape, place: Placement, size: tuple[int, int], look: Look, flutes: int
) -> dict[str, Any]:
    edges = shape.edges

    def px(points: Any) -> Any:
        return np.round(place.to_px(np.atleast_2d(np.asarray(points, np.float64))), 4).tolist()

    heights = np.linspace(0, min(float(-shape.outline[:, 1].min()), 12.0), 60)
    chips = [{**chip, "deepest_px": px(chip["deepest_mm"])[0]} for chip in shape.chips]
    return {
        "kind": "corner",
        "size_px": list(size),
        "px_per_mm": place.px_per_mm,
        "rotation_deg": place.rotation_deg,
        "mirror": place.mirror,
        "diameter_mm": edges.diameter_mm,
        "flutes": flutes,
        "helix_deg": edges.helix_deg,
        "dish_deg": edges.dish_deg,
        "background": look.background,
        "finish": look.finish,
        "corner_radius_mm": shape.radius_mm,
        "corner_recession_mm": shape.recession_mm,
        "corner_loss_end_edge_mm": shape.loss_end_mm,
        "corner_loss_side_edge_mm": shape.loss_side_mm,
        "corner_missing_area_mm2": shape.missing_area_mm2,
        "virtual_corner_px": px([0.0, 0.0])[0],
        "arc_centre_px": None if shape.centre_mm is None else px(shape.centre_mm)[0],
        "tangents_px": px(shape.tangents_mm),
        "end_edge_px": px(edges.end(np.array([0.0, edges.diameter_mm / 2]))),
        "side_edge_px": px(edges.side(heights)),
        "outline_px": px(_thinned(shape.outline)),
        "chips": chips,
        "heat_tint_share": 0.0,
    }


def _thinned(outline: Points, tolerance_mm: float = 2e-5) -> Points:
    """Fewer points on the same line (Douglas and Peucker)."""
    scaled = (outline / tolerance_mm).astype(np.float32).reshape(-1, 1, 2)
    kept = cv2.approxPolyDP(scaled, 1.0, closed=False).reshape(-1, 2)
    return np.asarray(kept, np.float64) * tolerance_mm
