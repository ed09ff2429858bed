"""Where two long edges end at each other: candidates for the cutting corner, best first.

All lengths are px of the small picture (about 640 px on the long side).
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.robust import median
from wearscope.outline.segments import Chain
from wearscope.photo.small import SmallCopy, steepest

__all__ = ["Arm", "CornerCandidate", "Gradients", "clearness", "corner_candidates", "run_along", "split_arms"]

Floats = NDArray[np.float64]

_SHORTEST_ARM = 20.0
_WIDEST_GAP = 160.0
_BEHIND = 6.0
"""How far (px) an edge may run past the corner; a true corner ends both its edges."""
_MOST_ARMS = 160
_MOST_PAIRS = 60
_MARGIN = 0.04
"""A corner nearer the frame than this share of its longer side cannot be measured."""
_LEAST_TURN, _LEAST_TURN_OF_POINT = 0.6, 0.17
"""Sine of the angle between the two edges: 37 to 143 degrees for a corner, 10 to 170 for an engraver's point."""


@dataclass(frozen=True, slots=True)
class Arm:
    """One edge seen from the corner: `points` run away from it, `direction` is the unit vector there."""

    points: Floats
    direction: Floats
    length: float
    gap: float
    chain: int


@dataclass(frozen=True, slots=True)
class CornerCandidate:
    """Two arms that meet at `apex` (x, y); `score` orders candidates, `strength` is the weaker edge's
    gradient over the roughness of the ground outside it. `lying`: the cutter lies across the picture, its side edge too."""

    apex: Floats
    arms: tuple[Arm, Arm]
    score: float
    strength: float
    lying: bool = False


def _arm_ends(chains: list[Chain]) -> list[Arm]:
    """Both ends of every chain, as arms that start there (gap still unknown)."""
    arms = []
    for index, chain in enumerate(chains):
        if chain.length < _SHORTEST_ARM:
            continue
        for points in (chain.points, chain.points[::-1]):
            k = 1
            while k + 2 < len(points) and np.hypot(*(points[k] - points[0])) < 25:
                k += 2
            direction = points[k] - points[0]
            arms.append(Arm(points, direction / np.hypot(*direction), chain.length, 0.0, index))
    return arms


def _meetings(arms: list[Arm], frame: tuple[int, int], least_turn: float) -> list[tuple[Floats, Arm, Arm]]:
    """(apex, arm, arm) of all pairs that make a corner inside the frame, gaps filled in."""
    if len(arms) < 2:
        return []
    first, second = np.triu_indices(len(arms), 1)
    start = np.array([arm.points[0] for arm in arms])
    u = np.array([arm.direction for arm in arms])
    length = np.array([arm.length for arm in arms])
    chain = np.array([arm.chain for arm in arms])
    turn = u[first, 0] * u[second, 1] - u[first, 1] * u[second, 0]
    open_ = (np.abs(turn) >= least_turn) & (chain[first] != chain[second])
    first, second, turn = first[open_], second[open_], turn[open_]
    between = start[second] - start[first]
    t = (between[:, 0] * u[second, 1] - between[:, 1] * u[second, 0]) / turn
    apex = start[first] + t[:, None] * u[first]
    gap = np.stack([-t, -np.einsum("ij,ij->i", apex - start[second], u[second])], axis=1)
    size = np.stack([length[first], length[second]], axis=1)
    good = np.all((gap > -_BEHIND - 0.03 * size) & (gap < np.minimum(_WIDEST_GAP, 0.8 * size + 10)), axis=1)
    margin = _MARGIN * max(frame)
    good &= np.all((apex > margin) & (apex < np.array(frame) - margin), axis=1)
    gap = np.maximum(gap, 0.0)
    return [
        (
            apex[k],
            replace(arms[first[k]], gap=float(gap[k, 0])),
            replace(arms[second[k]], gap=float(gap[k, 1])),
        )
        for k in np.flatnonzero(good)
    ]


def _share_between(apex: Floats, a: Arm, b: Arm, middles: Floats, lengths: Floats) -> float:
    """Share of all edges in the picture that lies between two arms: a cutter lies inside its corner, whole.

    `middles` (n, 2): the middle of every chain.
    """
    across = np.linalg.solve(np.stack([a.direction, b.direction], axis=1), (middles - apex).T)
    between = np.all(across > -_BEHIND, axis=0)
    return float(lengths[between].sum() / lengths.sum())


def _support(arm: Arm, spans: Floats, lengths: Floats) -> float:
    """Length of the arm plus that of all chains that lie on its line farther out (an edge with chips in it).

    `spans` (n, 2, 2): first and last point of every chain.
    """
    d = spans - arm.points[0]
    across = np.abs(d[..., 0] * arm.direction[1] - d[..., 1] * arm.direction[0]).max(axis=1)
    along = (d @ arm.direction).min(axis=1)
    beyond = (across < 4) & (along > 0.8 * arm.length)
    beyond[arm.chain] = False
    return arm.length + float(lengths[beyond].sum())


def _along(arm: Arm, cap: float) -> tuple[Floats, Floats]:
    """Places (n, 2) every 2 px along an arm, and the normals there."""
    steps = np.diff(arm.points, axis=0)
    length = np.hypot(*steps.T)
    run = np.concatenate([[0.0], np.cumsum(length)])
    s = np.arange(0.0, min(run[-1], cap), 2.0)
    k = np.clip(np.searchsorted(run, s, side="right") - 1, 0, len(steps) - 1)
    u = steps[k] / np.maximum(length[k], 1e-9)[:, None]
    return arm.points[k] + (s - run[k])[:, None] * u, np.stack([-u[:, 1], u[:, 0]], axis=1)


def _strip(
    gradient: NDArray[np.float32], places: Floats, normals: Floats, offsets: Floats
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Values (n, m) at `offsets` (m,) from some places, and whether they lie in the picture; 0 where not."""
    x, y = ((places[:, k, None] + offsets * normals[:, k, None]).astype(np.float32) for k in (0, 1))
    height, width = gradient.shape
    inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
    return np.asarray(cv2.remap(gradient, x, y, cv2.INTER_LINEAR) * inside, np.float32), inside


@dataclass(frozen=True, slots=True)
class Gradients:
    """Gradient magnitude (h, w) in grey levels per px: `fine` at sigma 1 px, `coarse` at sigma 3 px (same
    size per px, half the pixels each way), and the picture's `noise` in `fine`."""

    fine: NDArray[np.float32]
    coarse: NDArray[np.float32]
    noise: float

    @classmethod
    def of(cls, small: SmallCopy) -> "Gradients":
        tones = (small.half_grey, *small.half_tones[1:])
        coarse = steepest(*(cv2.GaussianBlur(tone, (0, 0), 1.5) for tone in tones))
        return cls(small.slope, 0.5 * coarse, median(small.slope[::4, ::4]))


def clearness(gradients: Gradients, arm: Arm, outward: float, cap: float) -> tuple[float, float]:
    """(gradient on the edge over that of the ground outside it, sharpness 0.4 to 1).

    Sharpness is the ratio of fine to coarse gradient: 2.5 for a step in focus, towards 1 for a blurred one.
    """
    places, normals = _along(arm, cap)
    values, inside = _strip(gradients.fine, places, normals, outward * np.arange(-3.0, 22.0))
    on_edge = median(values[:, :7].max(axis=1))
    seen = int(inside[:, 8:].sum())
    outside = float(values[:, 8:].sum()) / seen if seen > 20 else np.inf
    soft, _ = _strip(gradients.coarse, (places - 0.5) / 2, normals, np.arange(-1.5, 1.6, 0.5))
    on_soft = max(median(soft.max(axis=1)), 1e-6)
    sharpness = min(max(on_edge / on_soft, 1.0), 2.5) / 2.5
    return on_edge / (outside + 0.3 * gradients.noise + 0.2), sharpness


def corner_candidates(
    chains: list[Chain], gradients: Gradients, *, square: bool = True, cap: float = 150.0
) -> list[CornerCandidate]:
    """Candidates for the cutting corner, best first; with `square` off of any angle, as an engraver's point has.

    Good corners have two long sharp edges that end there, a clear step on both, quiet ground outside, and
    everything else that has edges between them.
    """
    arms = _arm_ends(chains)[:_MOST_ARMS]
    pairs = _meetings(
        arms,
        (gradients.fine.shape[1], gradients.fine.shape[0]),
        _LEAST_TURN if square else _LEAST_TURN_OF_POINT,
    )
    pairs.sort(key=lambda pair: -min(pair[1].length, cap) * min(pair[2].length, cap))
    spans = np.array([(c.points[0], c.points[-1]) for c in chains]).reshape(-1, 2, 2)
    middles = np.array([c.points.mean(axis=0) for c in chains]).reshape(-1, 2)
    lengths = np.array([c.length for c in chains])
    seen: dict[tuple[int, float, float], tuple[float, float, float]] = {}

    def look(arm: Arm, other: Arm) -> tuple[float, float, float]:
        outward = float(
            np.sign(arm.direction[1] * other.direction[0] - arm.direction[0] * other.direction[1])
        )
        key = (arm.chain, float(arm.points[0, 0]), outward)
        if key not in seen:
            seen[key] = (
                *clearness(gradients, arm, outward, cap),
                min(_support(arm, spans, lengths), 2 * cap),
            )
        return seen[key]

    scored = []
    for apex, a, b in pairs[:_MOST_PAIRS]:
        (strength_a, sharp_a, support_a), (strength_b, sharp_b, support_b) = look(a, b), look(b, a)
        cosine = float(a.direction @ b.direction)
        score = (
            (min(strength_a, 12) * min(strength_b, 12)) ** 0.75
            * sharp_a
            * sharp_b
            * np.sqrt(min(support_a, support_b) * (support_a + support_b))
            / (1 + (a.gap + b.gap) / 120)
            * (np.sqrt(1 - cosine**2) ** (3 if cosine > 0 else 6) if square else 1.0)
            * _share_between(apex, a, b, middles, lengths) ** 2
        )
        scored.append(CornerCandidate(apex, (a, b), float(score), min(strength_a, strength_b)))
    return sorted((c for c in scored if not _over_whole_edge(c, scored)), key=lambda c: -c.score)


_WIDE_GAP, _UNDER = 60.0, 40.0
"""A break hides less of an edge than this in most pictures; an edge that reaches on this far below another one's start
runs beneath it."""


def _over_whole_edge(corner: CornerCandidate, others: list[CornerCandidate]) -> bool:
    """Does one arm, far from the corner, lie outside of a parallel edge that reaches the corner whole?

    Then the far one belongs to the flank behind; below a break there is no whole edge.
    """
    for arm, mate in (corner.arms, corner.arms[::-1]):
        if arm.gap < _WIDE_GAP:
            continue
        inward = mate.direction - (mate.direction @ arm.direction) * arm.direction
        for other in others:
            for inner, its_mate in (other.arms, other.arms[::-1]):
                if (
                    its_mate.chain == mate.chain
                    and other.score > 0.2 * corner.score
                    and inner.direction @ arm.direction > 0.99
                    and inner.gap < 0.5 * arm.gap
                    and inner.gap + inner.length > arm.gap + _UNDER
                    and (inner.points[0] - arm.points[0]) @ inward > 2
                ):
                    return True
    return False


def run_along(arm: Arm, apex: Floats, spacing: float, reach: float = np.inf) -> tuple[Floats, Floats]:
    """Points along an arm from the apex, and unit tangents, every `spacing` px."""
    line = np.concatenate([apex[None], arm.points[np.hypot(*(arm.points - apex).T) > 2]])
    steps = np.diff(line, axis=0)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))])
    s = np.arange(0.0, min(run[-1], reach), spacing)
    k = np.clip(np.searchsorted(run, s, side="right") - 1, 0, len(steps) - 1)
    points = np.stack([np.interp(s, run, line[:, 0]), np.interp(s, run, line[:, 1])], axis=1)
    return points, steps[k] / np.maximum(np.hypot(*steps[k].T), 1e-9)[:, None]


def split_arms(candidate: CornerCandidate) -> tuple[Arm, Arm, bool]:
    """(end edge, side edge, certain): the side edge runs closer to the picture's vertical, or, lying, to its horizontal."""
    a, b = candidate.arms
    axis = 0 if candidate.lying else 1
    end, side = (a, b) if abs(a.direction[axis]) < abs(b.direction[axis]) else (b, a)
    return end, side, bool(abs(side.direction[axis]) > 0.86)
