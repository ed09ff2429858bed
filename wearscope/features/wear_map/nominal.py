"""The outline a cutter had by design, where there is no photo of it when new."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.features.wear_map.shape import (
    FEWEST,
    MARGIN,
    ROUND,
    STEP_PX,
    Recession,
    Shape,
    corner_reach,
    robust_curve,
    round_shape,
)
from wearscope.quantity import COVERAGE_FACTOR

__all__ = ["nominal_shape"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_NOMINAL_REACH_PX = 300.0
"""The nominal form is compared this far beyond the corner: farther out a helix is no parabola any more."""
_BENDS = 5.0
"""An edge is taken for bent where its bend differs from zero by this many standard uncertainties, and by a px."""


@dataclass(frozen=True, slots=True)
class _Course:
    """An edge near the corner: offset `across` as a polynomial (constant first) of the distance `ahead` from `apex`."""

    apex: Floats
    ahead: Floats
    across: Floats
    coefficients: Floats
    covariance: Floats
    reach: float

    def at(self, s: Floats) -> Floats:
        """Places (n, 2) at distances s."""
        offset = np.polynomial.polynomial.polyval(s, self.coefficients)
        return np.asarray(self.apex + s[:, None] * self.ahead + offset[:, None] * self.across, np.float64)

    def u(self, s: Floats) -> Floats:
        """Standard uncertainty across, at distances s."""
        rows = s[:, None] ** np.arange(len(self.coefficients))
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", rows, self.covariance, rows)), np.float64)

    def tangent(self, point: Floats) -> tuple[Floats, Floats]:
        """Of the edge abreast of a point: a place on it and its unit direction away from the corner."""
        s = (point - self.apex) @ self.ahead
        slope = np.polynomial.polynomial.polyval(s, np.polynomial.polynomial.polyder(self.coefficients))
        direction = self.ahead + slope * self.across
        return self.at(np.array([s]))[0], direction / np.hypot(*direction)


def _whole_edge(shape: Shape, name: int, ahead: Floats) -> _Course | None:
    """The edge as it was before the corner was worn: a line, bent where the edge asks for it, through what lies beyond the corner."""
    away = np.hypot(*(shape.points - shape.apex).T)
    begin = corner_reach(shape) + MARGIN * shape.blur
    use = (shape.edge == name) & shape.seen & (away > begin) & (away < begin + _NOMINAL_REACH_PX)
    if use.sum() < FEWEST:
        return None
    across = np.array([-ahead[1], ahead[0]])
    s, v = (shape.points[use] - shape.apex) @ ahead, (shape.points[use] - shape.apex) @ across
    straight, bent = (robust_curve(s, v, degree) for degree in (1, 2))
    sagitta = abs(bent[0][2]) * float(np.ptp(s)) ** 2 / 4
    asks = sagitta > 1.0 and abs(bent[0][2]) > _BENDS * math.sqrt(bent[1][2, 2])
    coefficients, covariance = bent if asks else straight
    return _Course(shape.apex, ahead, across, coefficients, covariance, float(s.max()))


def nominal_shape(shape: Shape, radius_px: float) -> Shape | str:
    """The form a corner should have: whole edges through what is left of those of `shape`, and an arc of the nominal radius.
    Of a round end a ball of that radius, which has still to be laid on it."""
    if shape.is_round:
        return _ball(shape, radius_px)
    courses = [_whole_edge(shape, name, d) for name, d in ((-1, shape.before), (1, shape.after))]
    if courses[0] is None or courses[1] is None:
        return "too little of the edges beside the corner is seen"
    edges = (courses[0], courses[1])
    apex = shape.apex
    for _ in range(6):
        (at, d), (other, e) = (edge.tangent(apex) for edge in edges)
        apex = at + d * float(np.linalg.solve(np.column_stack([d, -e]), other - at)[0])
    ahead = [edge.tangent(apex)[1] for edge in edges]
    half = math.acos(float(np.clip(ahead[0] @ ahead[1], -1, 1))) / 2
    tangent, turn = radius_px / math.tan(half), math.pi / 2 - half
    bisector = (ahead[0] + ahead[1]) / np.linalg.norm(ahead[0] + ahead[1])
    across = (ahead[1] - ahead[0]) / np.linalg.norm(ahead[1] - ahead[0])
    angles = np.linspace(-turn, turn, max(3, 2 * int(2 * radius_px) + 1))[:, None]
    centre = apex + bisector * radius_px / math.sin(half)
    arc = centre + radius_px * (np.sin(angles) * across - np.cos(angles) * bisector)
    pieces, us = [], []
    for edge in edges:
        start = float((apex - edge.apex) @ edge.ahead) + tangent + STEP_PX
        s = np.arange(start, max(edge.reach, start + 2 * STEP_PX), STEP_PX)
        pieces.append(edge.at(s))
        us.append(edge.u(s))
    u_apex = math.hypot(us[0][0], us[1][0]) / (math.sqrt(2) * math.sin(half))
    return replace(
        shape,
        points=np.vstack([pieces[0][::-1], arc, pieces[1]]),
        u=np.concatenate([us[0][::-1], np.full(len(arc), u_apex), us[1]]),
        edge=np.repeat([-1, 0, 1], [len(pieces[0]), len(arc), len(pieces[1])]),
        seen=np.ones(len(pieces[0]) + len(arc) + len(pieces[1]), bool),
        apex=apex,
        before=ahead[0],
        after=ahead[1],
        recession=Recession(
            radius_px * (1 / math.sin(half) - 1), {"edges": u_apex}, *2 * [COVERAGE_FACTOR * u_apex]
        ),
    )


def _ball(shape: Shape, radius_px: float) -> Shape | str:
    if radius_px <= 0:
        return "the radius of its round end is not known: give --nominal-radius"
    axis = -(shape.before + shape.after) / np.hypot(*(shape.before + shape.after))
    angles = np.arange(-ROUND, ROUND, STEP_PX / radius_px)[:, None]
    across = np.array([-axis[1], axis[0]])
    ball = shape.apex + radius_px * (np.cos(angles) * axis + np.sin(angles) * across)
    edge = np.where(angles[:, 0] < 0, -1, 1)
    whole = np.ones(len(ball), bool)
    return round_shape(ball, np.zeros(len(ball)), whole, edge, shape.apex, axis, shape.blur, shape.frame)
