"""New against now: what is gone along the outline of a corner since the cutter was new.

The outline of the photo now and that of the new cutter (or of its nominal form) are laid over each other on the
edges away from the corner, which do not wear as the corner does; what lies between them is gone. What both edges
lost evenly all along cannot be seen this way: that is what a micrometer is for.
"""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearscope.features.wear_map.lay import NoMap, laid_over
from wearscope.features.wear_map.shape import (
    HALF_PROFILE_PX,
    HOLE,
    STEP_PX,
    Recession,
    Shape,
    polyline,
)
from wearscope.finding import Curve, Finding, WearMap, WearPoint
from wearscope.geometry.register import Gap, Motion, gap_to
from wearscope.geometry.scale import Scale
from wearscope.quantity import COVERAGE_FACTOR, ONE_SIDED_95, Quantity

__all__ = ["NAME", "measure_wear"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
NAME = "form_deviation"
_WORN = 4.7
"""What is left between two edges by more than this many standard deviations is worn (Tukey's constant, as in `register`)."""
_ROUNDED = 0.05
"""Blur moves a curved edge by sigma_b^2 / (2 R): a twentieth of a blur where the floor of a loss is rounded to ten blurs."""
_ONE_IN_A_HUNDRED = 2.58
"""One in a hundred normal values lies farther off than this many standard deviations. The tail is what counts: the greatest
loss is looked for, and where grinding lines meet an edge a few places are far more astray than most."""
_HIDDEN = 0.25
"""Where more than a quarter of the edges is not compared, more may be gone there than was seen."""
_PARTLY = 0.1
"""More than this share of the edges without comparison is worth saying."""
_CHANCE = 0.05
"""Loss is proven where it would be seen by chance anywhere along an unworn outline in this share of pictures."""


def measure_wear(
    now: Shape | str,
    new: Shape | str,
    scale: Scale,
    new_scale: Scale,
    *,
    reference: str,
    nominal: bool = False,
    chip: Quantity | None = None,
) -> Finding:
    """What is gone between the new outline and the one now: `form_deviation` (mm), the wear map, lines to draw.

    Both shapes are in px of their own photos. `reference` names the new one for people. `nominal`: `new` was made
    from `now` and lies on it already. `chip`: the depth of the deepest chip along the edges (mm), which counts where it
    is deeper than what this map shows: the contour does not follow steep chips to their floor. Where the outlines
    cannot be compared the finding says why.
    """
    try:
        if isinstance(now, str):
            raise NoMap(now)
        if isinstance(new, str):
            raise NoMap(f"{reference}: {new}")
        drawn_on = nominal and not new.is_round
        laid, motion = (new, None) if drawn_on else laid_over(now, new, scale.px_per_mm / new_scale.px_per_mm)
        by_scale = _by_scale(now, laid, scale, new_scale, nominal=nominal)
        found = _compared(now, laid, motion, scale.px_per_mm, by_scale, reference, nominal=nominal)
        return _with_chip(found, chip)
    except NoMap as why:
        return Finding(not_measured={NAME: str(why)})


def _by_scale(now: Shape, new: Shape, scale: Scale, new_scale: Scale, *, nominal: bool) -> float:
    """What the scales leave open of the loss, px: they stretch what an outline is away from where it is laid on, that is
    a recession, or the radius of a round end. The same scale in both photos stretches their difference; a nominal form has none."""
    sizes = [
        float(np.hypot(*(s.points - s.apex).T).min()) if s.is_round else s.recession.value for s in (now, new)
    ]
    if nominal:
        return sizes[0] * scale.relative_uncertainty
    if scale.id == new_scale.id:
        return abs(sizes[0] - sizes[1]) * scale.relative_uncertainty
    return math.hypot(sizes[0] * scale.relative_uncertainty, sizes[1] * new_scale.relative_uncertainty)


def _with_chip(found: Finding, chip: Quantity | None) -> Finding:
    known = found.quantities[NAME]
    if (
        chip is None
        or chip.value <= known.value
        or (chip.kind == "upper_limit" and known.kind != "upper_limit")
    ):
        return found
    return replace(found, quantities={NAME: chip})


def _compared(
    now: Shape,
    new: Shape,
    motion: Motion | None,
    px: float,
    by_scale: float,
    reference: str,
    *,
    nominal: bool,
) -> Finding:
    line = polyline(now)
    gap = gap_to(line, new.points)
    use = new.seen & ~gap.beyond & ~_in_hole(line, gap) & _same_way(gap, _outward(new))
    # what the outlines say of each place; a scale that is off counts for what it stretches, the two recessions
    u_place = _at(now.u[now.seen], gap)
    u_lay = motion.uncertainty(new.points, gap.normal) if motion is not None else np.zeros(len(new.points))
    u = np.sqrt(np.maximum(u_place**2 + new.u**2, _left(gap, new, use) ** 2) + u_lay**2)
    gone = np.fmax(gap.distance, _deepest(line, now, new))
    loss = np.where(use, _calm(gone, new.edge, now.blur), np.nan)
    quantity = _greatest(loss, u, gap, now, new, u_lay, by_scale).scaled(1 / px, "mm")
    along, outward = _along(new) / px, _outward(new)
    rows = tuple(
        WearPoint(
            float(along[i]),
            float(loss[i] / px),
            float(COVERAGE_FACTOR * u[i] / px),
            (float(new.points[i, 0]), float(new.points[i, 1])),
            (float(outward[i, 0]), float(outward[i, 1])),
        )
        for i in _thinned(new, use)
    )
    turned = 0.0 if motion is None else math.degrees(motion.angle)
    wear = WearMap(reference, rows, 0.0 if motion is None else motion.scatter / px, turned)
    lies = "" if motion is None else f", on the edges now within {1000 * motion.scatter / px:.1f} µm"
    unseen = _unseen(now, new, use, nominal=nominal)
    if unseen > _HIDDEN:
        quantity = _at_least(quantity, unseen)
    partly = f"; {100 * unseen:.0f} % of the edges could not be compared" if unseen > _PARTLY else ""
    remark = f"Outline when new: {reference}{lies}{partly}."
    return Finding({NAME: quantity}, curves=(Curve("new_outline", new.points),), remarks=(remark,), wear=wear)


def _unseen(now: Shape, new: Shape, use: Bools, *, nominal: bool) -> float:
    """The share of the edges that could not be compared: of the new ones in the frame of the photo now, or, where the new ones are
    known from a photo, of those now, whichever is more."""
    low, high = HALF_PROFILE_PX, np.array(now.frame) - 1 - HALF_PROFILE_PX
    there = np.all((new.points > low) & (new.points < high), axis=1) & (new.edge != 0)
    shares = [float(np.mean(~use[there])) if there.any() else 0.0]
    if not nominal:
        known = new.points[new.seen]
        back = gap_to(known, now.points[now.seen & (now.edge != 0)])
        shares.append(float(np.mean(back.beyond | _in_hole(known, back))))
    return max(shares)


def _at_least(seen: Quantity, unseen: float) -> Quantity:
    """What was seen as a lower limit, where too much was not. Raises NoMap where nothing was proven."""
    if seen.kind == "upper_limit":
        raise NoMap(
            f"{100 * unseen:.0f} % of the edges in the picture could not be compared with the new outline"
        )
    return Quantity(seen.bounds()[0], seen.unit, seen.parts, "lower_limit")


def _left(gap: Gap, new: Shape, use: Bools) -> Floats:
    """What is usually left between the two edges, for each place of the new outline, 0 on the corner: grinding lines that
    meet an edge move it over longer stretches than the scatter from place to place shows."""
    left = np.abs(gap.distance[use & (new.edge != 0)])
    if not len(left):
        return np.zeros(len(new.edge))
    unworn = left[left <= _WORN * 1.4826 * np.median(left)]
    return np.where(new.edge != 0, float(np.percentile(unworn, 99)) / _ONE_IN_A_HUNDRED, 0.0)


def _deepest(line: Floats, now: Shape, new: Shape) -> Floats:
    """For each place of the new outline how deep the outline now lies behind it at the most, seen from the outline now.

    Round a corner the new outline is farther from the one now than the other way round; into a chip it is nearer.
    Both together are the Hausdorff distance. NaN where no place of the outline now looks back there.
    """
    back = gap_to(new.points, line)
    depth = np.full(len(new.points), -np.inf)
    on_edge = (now.edge[now.seen] != 0) & ~back.beyond & _same_way(back, _outward(now)[now.seen])
    np.maximum.at(depth, np.rint(back.at[on_edge]).astype(int), -back.distance[on_edge])
    return np.where(np.isfinite(depth), depth, np.nan)


def _same_way(gap: Gap, outward: Floats) -> Bools:
    """Whether places look out of the cutter on the same side as what is nearest to them: not on the opposite flank."""
    return np.asarray((gap.normal * outward).sum(axis=1) > 0, bool)


def _in_hole(line: Floats, gap: Gap) -> Bools:
    """Whether the nearest place lies between two points of the polyline that are far apart."""
    length = np.hypot(*np.diff(line, axis=0).T)
    first = np.clip(np.floor(gap.at).astype(int), 0, len(length) - 1)
    return np.asarray(length[first] > HOLE * STEP_PX, bool)


def _at(values: Floats, gap: Gap) -> Floats:
    """Values along a polyline at the places nearest to points; the larger of two neighbours."""
    first = np.clip(np.floor(gap.at).astype(int), 0, len(values) - 1)
    return np.asarray(np.maximum(values[first], values[np.minimum(first + 1, len(values) - 1)]), np.float64)


def _calm(distance: Floats, edge: NDArray[np.int_], blur: float) -> Floats:
    """On the edges only what lasts for a blur is believed: a running median over two blurs; the corner is left as it is."""
    from scipy.ndimage import median_filter

    width = 2 * max(1, round(blur / STEP_PX)) + 1
    out = distance.copy()
    for name in (-1, 1):
        on = edge == name
        out[on] = median_filter(distance[on], width, mode="nearest")
    return out


def _along(shape: Shape) -> Floats:
    """Distance (px) along the outline from the middle of its corner, negative before it."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(shape.points, axis=0).T))])
    corner = np.flatnonzero(shape.edge == 0)
    middle = (
        corner[np.argmin(np.hypot(*(shape.points[corner] - shape.apex).T))]
        if len(corner)
        else int(np.argmax(shape.edge > 0))
    )
    return np.asarray(run - run[middle], np.float64)


def _outward(shape: Shape) -> Floats:
    """Unit vectors out of the cutter across the outline; where a corner is sharp they turn from edge to edge in a px or two."""
    after = np.vstack([shape.points[1:], shape.points[-1:]]) - np.vstack(
        [shape.points[:1], shape.points[:-1]]
    )
    across = np.column_stack([after[:, 1], -after[:, 0]])
    return np.asarray(across / np.maximum(np.hypot(*across.T), 1e-9)[:, None], np.float64)


def _thinned(shape: Shape, use: Bools) -> NDArray[np.int_]:
    """Indices of places about 2 px apart."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(shape.points, axis=0).T))])
    step = np.floor(run / STEP_PX)
    first = np.concatenate([[True], np.diff(step) > 0])
    return np.flatnonzero(first & use)


def _greatest(
    loss: Floats, u: Floats, gap: Gap, now: Shape, new: Shape, u_lay: Floats, by_scale: float
) -> Quantity:
    """The greatest loss, px: a value where it is proven, else what it is at most anywhere."""
    from scipy.stats import norm

    known = np.flatnonzero(np.isfinite(loss))
    if not len(known):
        raise NoMap("no part of the outline could be compared")
    spots = max(1.0, len(known) * STEP_PX / max(2 * now.blur, STEP_PX))
    z = float(norm.isf(_CHANCE / spots))
    stretched = np.where(new.is_round | (new.edge == 0), by_scale, 0.0)
    proven = known[loss[known] > z * np.hypot(u, stretched)[known]]
    if not len(proven):
        top = known[np.argmax(loss[known] + ONE_SIDED_95 * np.hypot(u[known], by_scale))]
        value = max(loss[top], 0.0) + ONE_SIDED_95 * math.hypot(u[top], by_scale)
        return Quantity(float(value), "px", {"noise": float(u[top]), "scale": by_scale}, "upper_limit")
    peak = int(proven[np.argmax(loss[proven])])
    parts = _parts(peak, u, gap, now, new, u_lay)
    parts["scale"] = float(stretched[peak])
    value = float(loss[peak])
    below, above = _sides(parts, _corners(peak, gap, now, new))
    if new.edge[peak]:
        level = known[loss[known] > value - COVERAGE_FACTOR * parts["noise"]]
        below += parts["noise"] * _highest_of(len(level) * spots / len(known))
    return Quantity(value, "px", parts, below=min(below, value), above=above)


def _highest_of(count: float) -> float:
    """The highest of some equal values lies above them by so many standard deviations (Blom 1958, from memory)."""
    from scipy.stats import norm

    return float(norm.isf(0.625 / (count + 0.25))) if count > 1 else 0.0


def _corners(peak: int, gap: Gap, now: Shape, new: Shape) -> tuple[Recession | None, Recession | None]:
    """The corners of which a place on the new outline and its neighbour on the one now are part."""
    on_now = now.edge[now.seen][int(np.clip(round(float(gap.at[peak])), 0, now.seen.sum() - 1))]
    return (now.recession if on_now == 0 else None, new.recession if new.edge[peak] == 0 else None)


def _sides(
    parts: dict[str, float], corners: tuple[Recession | None, Recession | None]
) -> tuple[float, float]:
    """The two sides of the interval of a loss: where a corner is as sharp as can be, it can only be rounder."""
    own = sum(u**2 for c in corners if c is not None for u in c.parts.values())
    rest = COVERAGE_FACTOR**2 * max(sum(u**2 for u in parts.values()) - own, 0.0)
    now, new = corners
    below = [now.below if now else 0.0, new.above if new else 0.0]
    above = [now.above if now else 0.0, new.below if new else 0.0]
    whole = [math.hypot(math.sqrt(rest), *below), math.hypot(math.sqrt(rest), *above)]
    # a corner that may be quite sharp often is: that end of its interval is no tail, and adds
    for side, corner in enumerate(corners):
        if corner is not None and corner.below >= corner.value > 0:
            others = (below, above)[side][1 - side]
            whole[side] = corner.below + math.hypot(math.sqrt(rest), others)
    return whole[0], whole[1]


def _parts(peak: int, u: Floats, gap: Gap, now: Shape, new: Shape, u_lay: Floats) -> dict[str, float]:
    """The uncertainty at one place by where it comes from."""
    parts: dict[str, float] = {"registration": float(u_lay[peak])}
    for corner in _corners(peak, gap, now, new):
        for name, size in corner.parts.items() if corner is not None else ():
            parts[name] = math.hypot(parts.get(name, 0.0), size)
    rest = u[peak] ** 2 - sum(size**2 for size in parts.values())
    if new.edge[peak]:
        parts["blur"] = math.hypot(parts.get("blur", 0.0), _ROUNDED * now.blur)
    parts["noise"] = math.hypot(parts.get("noise", 0.0), math.sqrt(max(rest, 0.0)))
    return parts
