"""Side views of a flat-end cutter's corner: the picture most decisions are made from."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearscope.synthetic.outlines import Chip, CornerShape, Edges, Wear, corner_outline, thinned
from wearscope.synthetic.paint import Look, Profile, Seen, build_scene, heat_share, look_at, metal
from wearscope.synthetic.scene import Light, Placement, Scene
from wearscope.synthetic.section import Section
from wearscope.synthetic.surface import brushed

__all__ = ["corner_scene"]

Points = NDArray[np.float64]


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
    """The corner of a flat-end cutter, tip down and body to the upper left before it is turned; it runs out of the frame.

    `corner_px` is where the virtual sharp corner lies. The truth holds radius, recession, losses, missing area, chips and tint share in
    mm, and the virtual corner, arc centre, edges and outline in px.
    """
    edges, wear, look = edges or Edges(), wear or Wear(), look or Look()
    place = Placement(px_per_mm, corner_px, rotation_deg, mirror)
    radius, top = edges.diameter_mm / 2, 1.2 * float(np.hypot(*size)) / px_per_mm
    section = Section.of(flutes)
    side_length = min(top, _edge_is_outline(edges, section))
    shape = corner_outline(edges, wear, chips, end_length_mm=radius, side_length_mm=side_length, rng=rng)
    outline = place.to_px(_body(shape, section, side_length, top))
    truth = _truth(shape, place, size, look, flutes)
    if look.plain:
        return build_scene(size, outline, truth, look, rng, place=place, seen=None)
    seen = look_at(
        section,
        place,
        size,
        axis_mm=-radius,
        top_mm=top,
        radius_at=Profile([0], [radius]),
        turn_at=Profile([0, 100], -_turn(edges, np.array([0.0, 100.0]))),
    )
    grey = _with_gash(metal(seen, look, rng), seen, edges, look, rng)
    damage = [(*chip["deepest_mm"], chip["length_mm"] / 2) for chip in shape.chips]
    if wear.form == "broken":
        damage.append((0.0, 0.0, max(wear.loss_end_mm, wear.loss_side_mm)))
    return build_scene(size, outline, truth, look, rng, place=place, seen=seen, grey=grey, damage=damage)


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


def _body(shape: CornerShape, section: Section, side_length: float, top: float) -> Points:
    """The closed outline in mm: worn corner and edges, then the rest of the side view above and on the far side."""
    radius = shape.edges.diameter_mm / 2
    above = np.arange(side_length, top, 0.01)[1:]
    right = radius * (section.extent(-_turn(shape.edges, above))[1] - 1)
    heights = np.arange(0, top, 0.01)[::-1]
    left = radius * (section.extent(-_turn(shape.edges, heights))[0] - 1)
    return np.concatenate(
        [shape.outline, np.stack([right, -above], axis=1), np.stack([left, -heights], axis=1)]
    )


def _with_gash(grey: Light, seen: Seen, edges: Edges, look: Look, rng: np.random.Generator) -> Light:
    """The facets ground into the end near the axis, with lines of their own."""
    radius = edges.diameter_mm / 2
    across = -seen.x / radius
    up = (seen.up - np.tan(np.deg2rad(edges.dish_deg)) * (radius - np.abs(seen.x + radius))) / radius
    start, steep = rng.uniform(0.58, 0.7), rng.uniform(0.45, 0.7)
    near = np.minimum(steep * (across - start), 1.7 * (1.04 - across))
    far = np.where(across >= 1.02, 0.10 + 0.22 * (across - 1.0) + 0.012 * np.sin(9 * across), -np.inf)
    lines = brushed(seen.up + 0.25 * seen.x, seen.x, rng, line=0.008, length=0.9, depth=1.3 * look.texture)
    first, second = rng.uniform(0.85, 1.2), rng.uniform(0.28, 0.5)
    bright = first * (0.75 + 0.5 * np.clip(up / 0.25, 0, 1))
    with_far = np.where(up < far, second * lines, grey)
    return np.asarray(np.where((up < near) & (across < 1.04), bright * lines, with_far), np.float32)


def _truth(
    shape: CornerShape, place: Placement, size: tuple[int, int], look: Look, flutes: int
) -> dict[str, Any]:
    edges = shape.edges

    def px(points: Any) -> Any:
        return np.round(place.to_px(np.atleast_2d(np.asarray(points, np.float64))), 4).tolist()

    top = float(-shape.outline[:, 1].min())
    end, side = edges.end(np.linspace(0, edges.diameter_mm / 2, 1500)), edges.side(np.linspace(0, top, 4000))
    return {
        "view": "corner",
        "kind": "flat",
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
        "end_edge_px": px(end[[0, -1]]),
        "side_edge_px": px(side[::80]),
        "outline_px": px(thinned(shape.outline)),
        "chips": [{**chip, "deepest_px": px(chip["deepest_mm"])[0]} for chip in shape.chips],
        "heat_tint_share": heat_share(look.heat, [end, side], place, size),
    }
