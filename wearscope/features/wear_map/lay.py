"""Lay the outline when new over the one now, on the edges that the corner's wear does not reach."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearscope.features.wear_map.shape import (
    FEWEST,
    MARGIN,
    Shape,
    corner_reach,
    polyline,
)
from wearscope.geometry.register import Motion, gap_to, register

__all__ = ["NoMap", "laid_over"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_FAR = 0.5
"""The outer share of the edges on which the two outlines are laid over each other first."""
_TURNED = math.radians(3.0)
"""A round end's axis is seen to some degrees; where its flanks do not tell, its turn is known no better."""
_TURNS = tuple(math.radians(t) for t in (0, -3, 3, -6, 6, -9, 9, -12, 12))
_SPARSE, _APART_PX = 3, 5.0
"""Its first guess is right to a dozen degrees. Every third place is enough to tell; what is farther apart than this does not
belong together."""
_MISMATCH_PX, _MISMATCH, _BOTH = 1.0, 0.1, 0.5
"""Outlines of one corner lie on each other to a px or so along most of both edges. An angle between them that differs by
6 degrees at the first glance is another corner's."""


class NoMap(Exception):
    """Why the two outlines cannot be compared, in words."""


def laid_over(now: Shape, new: Shape, zoom: float) -> tuple[Shape, Motion]:
    """The new shape in px of the photo now, laid on the edges of the shape now."""
    if now.is_round != new.is_round:
        raise NoMap("one of the two photos shows a round end and the other a corner")
    if None not in (now.end_first, new.end_first) and now.end_first != new.end_first:
        raise NoMap(
            "the two photos are mirror images of each other: take both from the same side, or mirror none"
        )
    if abs(now.opening - new.opening) > _MISMATCH:
        turned = math.degrees(abs(now.opening - new.opening))
        raise NoMap(
            f"the edges enclose another angle than in the photo of the new cutter (by {turned:.1f} degrees): another "
            "corner, or the rake face was not square to the lens"
        )
    points = (new.points - new.apex) * zoom
    turn = _heading(now) - _heading(new)
    matrix = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    placed = replace(
        new,
        points=points @ matrix.T + now.apex,
        u=new.u * zoom,
        apex=now.apex,
        before=matrix @ new.before,
        after=matrix @ new.after,
        blur=new.blur * zoom,
        recession=new.recession.times(zoom),
    )
    motion = _register(now, placed)
    return replace(placed, points=motion(placed.points), apex=motion(placed.apex[None])[0]), motion


def _heading(shape: Shape) -> float:
    middle = shape.before + shape.after
    return math.atan2(middle[1], middle[0])


def _register(now: Shape, new: Shape) -> Motion:
    """Lay the new edges on those now: first the outer parts, then all beyond what the corner and its blur touch."""
    line = polyline(now)
    away = np.hypot(*(new.points - new.apex).T)
    worn = max(corner_reach(now), corner_reach(new)) + MARGIN * max(now.blur, new.blur)
    on_edge = new.seen & (new.edge != 0) & (now.is_round | (away > worn))
    limits = {name: away[on_edge & (new.edge == name)] for name in (-1, 1)}
    if min(len(a) for a in limits.values()) < FEWEST:
        raise NoMap("too little of the edges beside the corner is seen in both photos")
    outer = on_edge & np.select(
        [new.edge == name for name in limits],
        [away > a.min() + (1 - _FAR) * min(a.max(), _seen_to(now, name)) for name, a in limits.items()],
        default=False,
    )
    try:
        if now.is_round:
            first = _turned_on(new.points, line, on_edge)
        else:
            first = register(new.points, line, allowed=outer if outer.sum() >= 2 * FEWEST else on_edge)
        moved = first(new.points)
        second = register(moved, line, allowed=on_edge, turn_u=_TURNED if now.is_round else math.inf)
    except ValueError as error:
        raise NoMap(str(error)) from error
    rough = second.scatter > max(_MISMATCH_PX, 3 * float(np.median(np.hypot(new.u[on_edge], _typical(now)))))
    beside = on_edge & ~gap_to(line, second(moved)).beyond
    sides = [new.edge != 0] if now.is_round else [new.edge == name for name in limits]
    near = [_share(second.weights[beside & side] > 0) for side in sides]
    if rough or min(near) < _BOTH:
        raise NoMap(
            "the outlines do not lie on each other along both edges: another corner, another scale, or the rake face "
            "was not square to the lens"
        )
    angle = first.angle + second.angle
    pivot = np.array(first.pivot)
    shift = second(first(pivot[None]))[0] - pivot
    return replace(
        first,
        shift=(float(shift[0]), float(shift[1])),
        angle=angle,
        covariance=_about(second, pivot + shift),
        scatter=second.scatter,
        weights=second.weights,
    )


def _turned_on(points: Floats, line: Floats, allowed: Bools) -> Motion:
    """How a round end is laid on another, to begin with. A ball looks alike turned by any angle, and its flanks would be taken
    for worn: of several turns that one counts after which most lies together."""
    some = allowed & (np.arange(len(points)) % _SPARSE == 0)
    best: tuple[float, Motion] | None = None
    for turn in _TURNS:
        try:
            laid = register(points, line, allowed=some, turn=turn, turn_u=_TURNED)
        except ValueError:
            continue
        gap = gap_to(line, laid(points[some]))
        apart = float(np.minimum(np.abs(gap.distance), _APART_PX)[~gap.beyond].mean())
        best = (apart, laid) if best is None or apart < best[0] else best
    if best is None:
        raise ValueError("too little of the two outlines lies side by side")
    return best[1]


def _share(of: Bools) -> float:
    """How many are true; none of too few."""
    return float(np.mean(of)) if len(of) >= FEWEST else 0.0


def _about(motion: Motion, place: Floats) -> Floats:
    """Covariance of shift and angle about another place than the motion's own pivot."""
    arm = place - np.array(motion.pivot) - np.array(motion.shift)
    move = np.array([[1, 0, -arm[1]], [0, 1, arm[0]], [0, 0, 1]])
    return np.asarray(move @ motion.covariance @ move.T)


def _typical(shape: Shape) -> float:
    u = shape.u[shape.seen & (shape.edge != 0)]
    return float(np.median(u)) if len(u) else 0.0


def _seen_to(shape: Shape, name: int) -> float:
    on = shape.seen & (shape.edge == name)
    return float(np.hypot(*(shape.points[on] - shape.apex).T).max(initial=0.0))
