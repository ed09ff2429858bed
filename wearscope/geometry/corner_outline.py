"""What is gone at a corner, read from an ordered contour: for corners that no arc describes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.lines import Line, fit_line, meet

__all__ = ["CornerLoss", "corner_loss"]

Floats = NDArray[np.float64]
_NEAR, _FEWEST, _ROUNDS = ((4.0, 0.05), (3.0, 0.01), (2.0, 0.0)), 12, 3
"""The edges as found are right to a few px and 3 degrees; each fit brings them nearer. A line needs this many points."""


@dataclass(frozen=True, slots=True)
class CornerLoss:
    """Sizes in px (area px2) against the two edges, extended to their virtual corner.

    `recession`: virtual corner to the nearest point of the contour; `end_loss`, `side_loss`: from the virtual corner
    to where the contour joins each edge for good; `area`: between the edges and the contour; `overhang`: how far the
    contour sticks out beyond the edges; `u_position`: standard uncertainty of a place on the contour against the
    virtual corner; `contour`: the points between the two joints; `end`, `side`: the edges.
    """

    virtual_px: tuple[float, float]
    recession: float
    end_loss: float
    side_loss: float
    area: float
    overhang: float
    u_position: float
    contour: Floats
    end: Line
    side: Line


def _runs(points: Floats, apex: Floats, ahead: Floats, other: Floats, reach: float) -> tuple[Floats, Floats]:
    """The contour from its point nearest the apex outward: the part along `ahead`, the part along `other`."""
    start = int(np.argmin(np.hypot(*(points - apex).T)))
    parts = []
    for walk in (points[start:], points[start::-1]):
        away = np.flatnonzero(np.hypot(*(walk - apex).T) > reach)
        parts.append(walk[: away[0]] if len(away) else walk)
    lean = [float(np.mean((p - apex) @ (ahead - other))) for p in parts]
    return (parts[0], parts[1]) if lean[0] > lean[1] else (parts[1], parts[0])


def _edge(part: Floats, apex: Floats, ahead: Floats, reach: float, gap: float) -> Line:
    """The unworn edge: robust line through the far two thirds and beyond `gap`, pointing away from the corner.

    Where enough of the contour lies along the edge as it was found, the rest (broken out, chipped) does not count.
    """
    along = (part - apex) @ ahead
    seen = min(reach, float(along.max(initial=0.0)))
    far = along > max(seen / 3, min(gap, 2 * seen / 3))
    across = np.abs((part - apex) @ np.array([-ahead[1], ahead[0]]))
    line = None
    for near_px, near_rad in _NEAR:
        whole = far & (across < np.maximum(near_px, near_rad * along))
        if whole.sum() < _FEWEST:
            break
        line = fit_line(part[whole], rounds=_ROUNDS if near_rad else 20)
        across = np.abs(line.across(part))
    line = fit_line(part[far]) if line is None else line
    if float(np.dot(line.direction, ahead)) < 0:
        flipped = (-line.direction[0], -line.direction[1])
        line = Line(line.centre, flipped, line.u_offset, line.u_angle, line.scatter, line.weights)
    return line


def _joint(part: Floats, line: Line, virtual: Floats, tolerance: float) -> tuple[float, int]:
    """Distance along the edge, and index in `part`, from where the contour stays at the edge for 8 px or more."""
    along = (part - virtual) @ np.array(line.direction)
    astray = np.abs(line.across(part)) > tolerance
    step = max(float(np.median(np.hypot(*np.diff(part, axis=0).T))), 0.1)
    length = max(3, round(8 / step))
    calm = np.convolve(astray, np.ones(length), "valid") == 0
    first = int(np.argmax(calm)) if calm.any() else len(part) - 1
    return max(float(along[first]), 0.0), first


def corner_loss(
    points: Floats,
    apex_px: tuple[float, float],
    end_direction: tuple[float, float],
    side_direction: tuple[float, float],
    *,
    reach_px: tuple[float, float],
    resolution_px: float,
    gap_px: tuple[float, float] = (0.0, 0.0),
) -> CornerLoss:
    """Measure the loss at a corner on the contour `points` (n, 2), ordered, about 1 px apart or denser.

    `resolution_px`: deviations from an edge smaller than this are not seen as loss. `gap_px`: nearer to the apex than
    this the edges are not whole. Raises ValueError where the
    contour has too little of either edge.
    """
    apex, ahead, other = np.array(apex_px), np.array(end_direction), np.array(side_direction)
    end_part, side_part = _runs(points, apex, ahead, other, max(reach_px))
    if min(len(end_part), len(side_part)) < 12:
        raise ValueError("too little of the outline on one side of the corner")
    end = _edge(end_part, apex, ahead, reach_px[0], gap_px[0])
    side = _edge(side_part, apex, other, reach_px[1], gap_px[1])
    virtual = np.array(meet(end, side))
    parts = []
    for part, line in ((end_part, end), (side_part, side)):
        loss, index = _joint(part, line, virtual, max(3 * line.scatter, resolution_px))
        parts.append((loss, part[: index + 1]))
    contour = np.vstack([parts[0][1][::-1], parts[1][1][1:]])
    inward = np.array([*end.direction]) + np.array([*side.direction])
    signs = [float(np.sign(line.across((virtual + inward)[None])[0])) for line in (end, side)]
    outside = -np.minimum(end.across(contour) * signs[0], side.across(contour) * signs[1])
    polygon = np.vstack([virtual, contour])
    x, y = polygon.T
    area = abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2
    leads = [float(np.hypot(*(virtual - line.centre))) * line.u_angle for line in (end, side)]
    u = float(
        np.sqrt(
            sum(line.u_offset**2 for line in (end, side))
            + sum(v * v for v in leads)
            + max(end.scatter, side.scatter) ** 2
        )
    )
    return CornerLoss(
        (float(virtual[0]), float(virtual[1])), float(np.hypot(*(contour - virtual).T).min()), parts[0][0], parts[1][0],
        area, float(max(outside.max(initial=0.0), 0.0)), u, contour, end, side,
    )  # fmt: skip
