"""The outline of a cutter's corner in mm: edges, arc, and what wear does to them.

A corner lies with its virtual sharp corner at (0, 0), the body to the left and above (x right, y down): the end edge runs to the left,
the side edge up. Lengths along an edge are counted from the virtual corner.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

__all__ = ["Chip", "CornerShape", "Edges", "Wear", "chipped", "corner_outline", "polygon_area", "thinned"]

Points = NDArray[np.float64]
STEP_MM = 0.0005


@dataclass(frozen=True, slots=True)
class Chip:
    """A piece broken out of an edge: mouth centred `at_mm` from the virtual corner. A negative depth is stuck material."""

    at_mm: float
    depth_mm: float
    length_mm: float
    edge: Literal["side", "end"] = "side"
    form: Literal["round", "vee", "steep", "ragged"] = "round"


@dataclass(frozen=True, slots=True)
class Wear:
    """What the corner looks like: an arc of `radius_mm` (0: perfectly sharp), or a chamfer or break from `loss_end_mm` to
    `loss_side_mm` along the edges (a break is ragged by `raggedness_mm`), or material built up by `build_up_mm` beyond the sharp corner's arc."""

    form: Literal["arc", "chamfer", "broken"] = "arc"
    radius_mm: float = 0.02
    loss_end_mm: float = 0.1
    loss_side_mm: float = 0.1
    raggedness_mm: float = 0.01
    build_up_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Edges:
    """The undamaged edges: an end edge dished by `dish_deg`, and the silhouette of a side edge on a helix of `helix_deg`
    round a cylinder of `diameter_mm` (0: straight)."""

    diameter_mm: float = 6.0
    helix_deg: float = 0.0
    dish_deg: float = 2.0

    def end(self, along: Points) -> Points:
        """Points on the end edge, `along` mm from the virtual corner."""
        dish = np.deg2rad(self.dish_deg)
        return np.stack([-along * np.cos(dish), -along * np.sin(dish)], axis=-1)

    def side(self, height: Points) -> Points:
        """Points on the side edge, `height` mm above the virtual corner."""
        radius = self.diameter_mm / 2
        turn = height * np.tan(np.deg2rad(self.helix_deg)) / radius
        return np.stack([radius * (np.cos(turn) - 1), -height], axis=-1)

    def side_inward(self, height: Points) -> Points:
        """Unit normals of the side edge that point into the body."""
        radius, slope = self.diameter_mm / 2, np.tan(np.deg2rad(self.helix_deg))
        dx = -slope * np.sin(height * slope / radius)
        normal = np.stack([-np.ones_like(dx), -dx], axis=-1)
        return np.asarray(normal / np.hypot(1.0, dx)[..., None])

    def end_inward(self, along: Points) -> Points:
        """Unit normals of the end edge that point into the body."""
        dish = np.deg2rad(self.dish_deg)
        return np.broadcast_to(np.array([np.sin(dish), -np.cos(dish)]), (*np.shape(along), 2))


@dataclass(frozen=True, slots=True)
class CornerShape:
    """The outline from far along the end edge, through the corner, to far along the side edge, with exact values.

    `outline` (N, 2) in mm; `tangents` are its end- and side-edge ends of the worn part.
    """

    outline: Points
    edges: Edges
    radius_mm: float | None
    centre_mm: tuple[float, float] | None
    tangents_mm: tuple[tuple[float, float], tuple[float, float]]
    recession_mm: float
    loss_end_mm: float
    loss_side_mm: float
    missing_area_mm2: float
    chips: tuple[dict[str, Any], ...]


def polygon_area(points: Points) -> float:
    """Area of a closed polygon (shoelace formula), never negative."""
    x, y = np.asarray(points, np.float64).T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def corner_outline(
    edges: Edges,
    wear: Wear,
    chips: Sequence[Chip] = (),
    *,
    end_length_mm: float,
    side_length_mm: float,
    rng: np.random.Generator,
) -> CornerShape:
    """The worn outline. Raises ValueError where a chip reaches into the worn corner or past the edge's length."""
    loss_end, loss_side, worn, centre = _worn_part(edges, wear, rng)
    end, end_chips = _edge(
        edges.end, edges.end_inward, loss_end, end_length_mm, [c for c in chips if c.edge == "end"], rng
    )
    side, side_chips = _edge(
        edges.side, edges.side_inward, loss_side, side_length_mm, [c for c in chips if c.edge == "side"], rng
    )
    outline = (
        np.concatenate([end[::-1], worn[1:-1], side])
        if len(worn) > 2
        else np.concatenate([end[::-1], side[1:]])
    )
    nominal_side = edges.side(np.linspace(0, loss_side, 200))
    return CornerShape(
        outline=outline,
        edges=edges,
        radius_mm=wear.radius_mm if wear.form == "arc" and not wear.build_up_mm else None,
        centre_mm=None if centre is None else (float(centre[0]), float(centre[1])),
        tangents_mm=(_pair(worn[0]), _pair(worn[-1])),
        recession_mm=_distance_to(worn),
        loss_end_mm=loss_end,
        loss_side_mm=loss_side,
        missing_area_mm2=_missing_area(worn, nominal_side) if not wear.build_up_mm else 0.0,
        chips=tuple(end_chips + side_chips),
    )


def chipped(
    line: Points, chips: Sequence[Chip], rng: np.random.Generator
) -> tuple[Points, list[dict[str, Any]]]:
    """Any polyline (mm) with chips on its left as it runs (y down), `at_mm` counted from its start, and what each chip is.

    Where the line bends inside a chip the depth counts along the local normals.
    """
    at = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])

    def edge(along: Points) -> Points:
        return np.stack([np.interp(along, at, line[:, k]) for k in (0, 1)], axis=-1)

    def inward(along: Points) -> Points:
        step = edge(np.minimum(along + 0.005, at[-1])) - edge(np.maximum(along - 0.005, 0))
        normal = np.stack([step[..., 1], -step[..., 0]], axis=-1)
        return np.asarray(normal / np.hypot(step[..., 0], step[..., 1])[..., None])

    if not chips:
        return line, []
    return _edge(edge, inward, 0.0, float(at[-1]), chips, rng)


def thinned(outline: Points, tolerance_mm: float = 2e-5) -> Points:
    """Fewer points on the same line (Douglas and Peucker), for truth files."""
    scaled = (outline / tolerance_mm).astype(np.float32).reshape(-1, 1, 2)
    kept = cv2.approxPolyDP(scaled, 1.0, closed=False).reshape(-1, 2)
    return np.asarray(kept, np.float64) * tolerance_mm


def _worn_part(
    edges: Edges, wear: Wear, rng: np.random.Generator
) -> tuple[float, float, Points, Points | None]:
    if wear.form == "arc":
        along, height, arc, centre = _tangent_arc(edges, wear.radius_mm)
        if wear.build_up_mm:
            arc = _grown(arc, wear.build_up_mm, rng)
        return along, height, arc, centre
    start, stop = edges.end(np.array(wear.loss_end_mm)), edges.side(np.array(wear.loss_side_mm))
    share = np.linspace(0, 1, max(int(np.hypot(*(stop - start)) / (4 * STEP_MM)), 40))
    line = start + share[:, None] * (stop - start)
    if wear.form == "broken":
        across = np.array([stop[1] - start[1], start[0] - stop[0]]) / np.hypot(*(stop - start))
        line = line + (_ragged(share, rng) * wear.raggedness_mm)[:, None] * across
    return wear.loss_end_mm, wear.loss_side_mm, line, None


def _tangent_arc(edges: Edges, radius: float) -> tuple[float, float, Points, Points | None]:
    """Length along both edges, the arc, its centre: the circle that touches the end line and the side curve from inside."""
    if radius == 0:
        return 0.0, 0.0, np.zeros((1, 2)), None

    def centre_at(height: float) -> Points:
        at = np.array(height)
        return np.asarray(edges.side(at) + radius * edges.side_inward(at))

    inward = edges.end_inward(np.array(0.0))
    height = float(brentq(lambda h: float(centre_at(h) @ inward) - radius, 0.0, 10 * radius, xtol=1e-12))
    centre = centre_at(height)
    along = float(centre @ edges.end(np.array(1.0)))
    start, stop = edges.end(np.array(along)) - centre, edges.side(np.array(height)) - centre
    first, last = np.arctan2(start[1], start[0]), np.arctan2(stop[1], stop[0])
    turns = np.linspace(first, last, max(int(abs(last - first) * radius / STEP_MM), 90) + 1)
    return along, height, centre + radius * np.stack([np.cos(turns), np.sin(turns)], axis=1), centre


def _grown(arc: Points, height: float, rng: np.random.Generator) -> Points:
    """A lump over the arc, `height` mm high above it at its top."""
    share = np.linspace(0, 1, len(arc))
    step = np.gradient(arc, axis=0)
    outward = np.stack([-step[:, 1], step[:, 0]], axis=1) / np.hypot(*step.T)[:, None]
    outward *= np.sign(np.sum(outward * (arc - arc.mean(axis=0)), axis=1).sum() or 1)
    lump = np.sin(np.pi * share) ** 0.7 * (1 + 0.25 * _ragged(share, rng))
    return np.asarray(arc + (height * lump / lump.max())[:, None] * outward)


def _edge(
    edge: Callable[[Points], Points],
    inward: Callable[[Points], Points],
    start: float,
    length: float,
    chips: Sequence[Chip],
    rng: np.random.Generator,
) -> tuple[Points, list[dict[str, Any]]]:
    """The edge from `start` to `length` with its chips, and what each chip is."""
    along = np.linspace(start, length, max(int((length - start) / 0.01), 2) + 1)
    pieces: list[tuple[float, float, Points]] = []
    records: list[dict[str, Any]] = []
    for chip in sorted(chips, key=lambda c: c.at_mm):
        low, high = chip.at_mm - chip.length_mm / 2, chip.at_mm + chip.length_mm / 2
        if low <= start or high >= length:
            raise ValueError(
                f"a chip at {chip.at_mm} mm does not fit on an edge from {start:.3f} to {length} mm"
            )
        share = np.linspace(0, 1, max(int(chip.length_mm / STEP_MM), 60) + 1)
        place = low + share * chip.length_mm
        depth = chip.depth_mm * _chip_profile(chip.form, share, rng)
        points = edge(place) + depth[:, None] * inward(place)
        mouth = edge(place)
        deepest = int(np.argmax(np.abs(depth)))
        records.append(
            {
                "edge": chip.edge,
                "at_mm": chip.at_mm,
                "depth_mm": chip.depth_mm,
                "length_mm": float(np.hypot(*np.diff(mouth, axis=0).T).sum()),
                "area_mm2": polygon_area(np.concatenate([points, mouth[::-1]])),
                "deepest_mm": _pair(points[deepest]),
                "form": chip.form,
            }
        )
        pieces.append((low, high, points))
    out, cursor = [], start
    for low, high, points in pieces:
        out += [edge(along[(along >= cursor) & (along < low)]), points]
        cursor = high
    out.append(edge(along[along > cursor] if pieces else along))
    return np.concatenate(out), records


def _chip_profile(form: str, share: Points, rng: np.random.Generator) -> Points:
    if form == "vee":
        return np.asarray(np.minimum(share / 0.6, (1 - share) / 0.4))
    if form == "steep":
        return np.asarray(np.clip(np.minimum(share, 1 - share) / 0.06, 0, 1))
    bowl = np.sqrt(np.maximum(1 - (2 * share - 1) ** 2, 0))
    if form == "ragged":
        bowl = bowl * (1 + 0.45 * _ragged(share, rng))
    return np.asarray(bowl / bowl.max())


def _ragged(share: Points, rng: np.random.Generator) -> Points:
    """A broken line between -1 and 1, zero at both ends: facets of several sizes, as fracture leaves them."""
    out = np.zeros_like(share)
    for facets, size in ((5, 1.0), (13, 0.5), (31, 0.25)):
        knots = np.sort(np.concatenate([[0, 1], rng.uniform(0.02, 0.98, facets)]))
        heights = np.concatenate([[0], rng.uniform(-size, size, facets), [0]])
        out += np.interp(share, knots, heights)
    return out / max(float(np.abs(out).max()), 1e-9)


def _distance_to(line: Points) -> float:
    """Distance from the virtual corner (0, 0) to a polyline; negative where the line passes beyond it."""
    if len(line) == 1:
        return float(np.hypot(*line[0]))
    start, step = line[:-1], np.diff(line, axis=0)
    share = np.clip(-np.sum(start * step, axis=1) / np.maximum(np.sum(step**2, axis=1), 1e-30), 0, 1)
    nearest = start + share[:, None] * step
    i = int(np.argmin(np.hypot(*nearest.T)))
    beyond = nearest[i, 0] > 0 or nearest[i, 1] > 0
    return float(np.hypot(*nearest[i]) * (-1 if beyond else 1))


def _missing_area(worn: Points, nominal_side: Points) -> float:
    if len(worn) < 2:
        return 0.0
    return polygon_area(np.concatenate([worn, nominal_side[::-1]]))


def _pair(point: Points) -> tuple[float, float]:
    return float(point[0]), float(point[1])
