"""Where two long edges end at each other: candidates for the cutting corner, best first.

All lengths are px of the small picture (about 640 px on the long side).
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.outline.segments import Chain

__all__ = ["Arm", "CornerCandidate", "corner_candidates"]

Floats = NDArray[np.float64]

_SHORTEST_ARM = 20.0
_WIDEST_GAP = 110.0
_BEHIND = 6.0
"""How far (px) an edge may run past the corner; a true corner ends both its edges."""
_MOST_PAIRS = 40


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
    gradient over the roughness of the ground outside it."""

    apex: Floats
    arms: tuple[Arm, Arm]
    score: float
    strength: float


def _cross(a: Floats, b: Floats) -> float:
    return float(a[0] * b[1] - a[1] * b[0])


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


def _meet(a: Arm, b: Arm, frame: tuple[int, int]) -> tuple[Floats, Arm, Arm] | None:
    """The apex of two arms and the arms with their gaps, or None where they do not make a corner."""
    cosine = float(a.direction @ b.direction)
    turn = _cross(a.direction, b.direction)
    if abs(turn) < 0.6 or a.chain == b.chain:
        return None
    t = _cross(b.points[0] - a.points[0], b.direction) / turn
    apex = a.points[0] + t * a.direction
    gap_a, gap_b = -t, -float((apex - b.points[0]) @ b.direction)
    if min(gap_a + _BEHIND + 0.03 * a.length, gap_b + _BEHIND + 0.03 * b.length) < 0:
        return None
    if gap_a > min(_WIDEST_GAP, 0.8 * a.length + 10) or gap_b > min(_WIDEST_GAP, 0.8 * b.length + 10):
        return None
    width, height = frame
    margin = 0.02 * max(width, height)
    if not (margin < apex[0] < width - margin and margin < apex[1] < height - margin) or abs(cosine) > 0.8:
        return None
    return (
        apex,
        Arm(a.points, a.direction, a.length, max(gap_a, 0.0), a.chain),
        Arm(b.points, b.direction, b.length, max(gap_b, 0.0), b.chain),
    )


def _strip(gradient: NDArray[np.float32], arm: Arm, outward: float, offsets: Floats, cap: float) -> Floats:
    """Values (n, m) at `offsets` (m,) from the arm, positive on the outside, NaN outside the picture."""
    steps = np.diff(arm.points, axis=0)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))])
    s = np.arange(0.0, min(run[-1], cap), 2.0)
    x, y = np.interp(s, run, arm.points[:, 0]), np.interp(s, run, arm.points[:, 1])
    k = np.clip(np.searchsorted(run, s, side="right") - 1, 0, len(steps) - 1)
    u = steps[k] / np.maximum(np.hypot(*steps[k].T), 1e-9)[:, None]
    normal = np.stack([-u[:, 1], u[:, 0]], axis=1) * outward
    px = (x[:, None] + offsets * normal[:, :1]).astype(np.float32)
    py = (y[:, None] + offsets * normal[:, 1:]).astype(np.float32)
    values: Floats = cv2.remap(gradient, px, py, cv2.INTER_LINEAR).astype(float)
    height, width = gradient.shape
    values[(px < 0) | (py < 0) | (px > width - 1) | (py > height - 1)] = np.nan
    return values


def _edge_against_ground(
    gradient: NDArray[np.float32], arm: Arm, other: Floats, noise: float, cap: float
) -> tuple[float, float]:
    """(gradient on the edge over the mean gradient of the ground outside it, length looked at)."""
    offsets = np.arange(-3.0, 22.0)
    normal = np.array([-arm.direction[1], arm.direction[0]])
    values = _strip(gradient, arm, -float(np.sign(normal @ other)), offsets, cap)
    on_edge = np.nan_to_num(values[:, :7]).max(axis=1)
    ground = values[:, 8:][np.isfinite(values[:, 8:])]
    outside = float(ground.mean()) if len(ground) > 20 else np.inf
    return float(np.median(on_edge)) / (outside + 0.3 * noise + 0.2), 2.0 * len(on_edge)


def corner_candidates(
    chains: list[Chain], gradient: NDArray[np.float32], *, cap: float = 150.0
) -> list[CornerCandidate]:
    """Candidates for the cutting corner, best first.

    `gradient` (h, w): gradient magnitude in grey levels per px. Good corners have two long edges that end
    there, a clear step on both and quiet ground outside.
    """
    noise = float(np.median(gradient[::4, ::4]))
    frame = (gradient.shape[1], gradient.shape[0])
    arms = _arm_ends(chains)[:160]
    pairs = []
    for i, a in enumerate(arms):
        for b in arms[i + 1 :]:
            met = _meet(a, b, frame)
            if met is not None:
                pairs.append(met)
    pairs.sort(key=lambda pair: -min(pair[1].length, cap) * min(pair[2].length, cap))
    scored = []
    for apex, a, b in pairs[:_MOST_PAIRS]:
        strength_a, length_a = _edge_against_ground(gradient, a, b.direction, noise, cap)
        strength_b, length_b = _edge_against_ground(gradient, b, a.direction, noise, cap)
        openness = np.sin(np.arccos(np.clip(a.direction @ b.direction, -1, 1)))
        score = (
            min(strength_a, 12)
            * min(strength_b, 12)
            * np.sqrt(min(length_a, length_b) * min(length_a + length_b, 250))
            / (1 + (a.gap + b.gap) / 60)
            * openness ** (3 if a.direction @ b.direction > 0 else 6)
        )
        scored.append(CornerCandidate(apex, (a, b), float(score), min(strength_a, strength_b)))
    return sorted(scored, key=lambda c: -c.score)
