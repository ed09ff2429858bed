"""The two edges of the cutting corner, followed at sub-pixel, and where they meet."""

import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.robust import median
from wearscope.outline.corners import Arm, CornerCandidate, run_along, split_arms
from wearscope.outline.gate import EdgeView
from wearscope.outline.nose import NoseCandidate
from wearscope.outline.shape import CornerPose, EdgeSteps, NosePose
from wearscope.outline.strips import nose_strips
from wearscope.outline.window import Window
from wearscope.subpixel.profile import StepFits

__all__ = ["EDGE_REACH", "locate", "locate_nose"]

Floats = NDArray[np.float64]

_OVERSHOOT = 3.0
"""A straight piece follows an arc of radius R for sqrt(2 R x tolerance) px before it leaves it; R is about the gap."""
_FOLLOW_STEP, EDGE_REACH = 4.0, 110.0
"""Spacing of places where an edge is measured, and how far from the corner (px of the small picture)."""

_FEWEST = 8
"""Places that tell a bend from their own scatter."""
_LEAST_STEP = 0.25
"""Share of the usual step along an edge: light beside it changes less (vignetting, facets), another line's is mostly smaller or reversed."""
_CURVED = 12.0
"""F value (1, n - 3 degrees of freedom) from which on an edge counts as curved: chance 1 in 1000 or less."""
_LEFT_OUT, _AS_EVEN, _EVEN = (0.0, 0.125, 0.25, 0.375, 0.5), 2.0, 0.2
"""Shares of what was followed that may be rounding. Even is what half as much unevenness, or 0.2 px, would not improve."""
_NO_FARTHER = 1e-3
"""Px: no place is known better."""
_BENT, _BEFORE, _STEADY = 3.0, 0.5, 0.25
"""A rounding bends away from the edge by more px than the place where the edges meet is asked to be known; and a piece that has followed an
arc over 37 degrees has bent by half of what is then missing to that place. It does so steadily, to a quarter of that: what is rough there wanders to and fro."""
_FARTHEST_BENT = 0.5
"""An end edge is ground straight: a parabola carried on from it by more than this share of what is seen of it says more
about its unevenness than its bend."""


def locate(
    window: Window, corner: CornerCandidate, step: int, shared: bool
) -> tuple[CornerPose, tuple[EdgeView, EdgeView], tuple[EdgeSteps, EdgeSteps]]:
    """Edges followed at sub-pixel near the corner, as parabolas; the apex is where these meet."""
    end, side, upright = split_arms(corner)
    apex = corner.apex * step + (step - 1) / 2
    followed = _steps_along(window, (end, side), step)
    edges = [
        (*_curve(seen.px[_alike(seen.fits)], arm, other, apex, step, helical=arm is side), seen.fits)
        for seen, arm, other in zip(followed, (end, side), (side, end), strict=True)
    ]
    frames = [(arm.direction, np.array([-arm.direction[1], arm.direction[0]])) for arm in (end, side)]
    meeting = _meeting(apex, frames, [e[0] for e in edges])
    directions = []
    for (u, n), (curve, _, _) in zip(frames, edges, strict=True):
        slope = np.polynomial.polynomial.polyval(
            (meeting - apex) @ u, np.polynomial.polynomial.polyder(curve)
        )
        d = u + slope * n
        directions.append(d / np.hypot(*d))
    lengths = [
        _inside_frame(meeting, d, (arm.length + arm.gap) * step, window.size)
        for d, arm in zip(directions, (end, side), strict=True)
    ]
    views = tuple(
        EdgeView(fits, float(n @ other.direction) < 0, length, window.size)
        for (_, _, fits), (_, n), other, length in zip(edges, frames, (side, end), lengths, strict=True)
    )
    gaps = [
        max(arm.gap * step, begin - float((meeting - apex) @ arm.direction) if begin is not None else 0.0)
        for arm, (_, begin, _) in zip((end, side), edges, strict=True)
    ]
    blur = np.concatenate([fits.blur[fits.ok] for _, _, fits in edges])
    pose = CornerPose(
        (float(meeting[0]), float(meeting[1])),
        (float(directions[0][0]), float(directions[0][1])),
        (float(directions[1][0]), float(directions[1][1])),
        lengths[0],
        lengths[1],
        median(blur) if len(blur) else float("nan"),
        shared or upright,
        *gaps,
    )
    return pose, (views[0], views[1]), (followed[0], followed[1])


def _inside_frame(apex: Floats, direction: Floats, length: float, size: tuple[int, int]) -> float:
    """How much of `length` along `direction` from `apex` lies inside the picture."""
    room = length
    for at, d, far in zip(apex, direction, size, strict=True):
        if abs(d) > 1e-6:
            room = min(room, max(0.0, ((far - 1 if d > 0 else 0) - at) / d))
    return float(room)


def _steps_along(window: Window, arms: tuple[Arm, ...], step: int) -> list[EdgeSteps]:
    """The steps on each arm near the corner."""
    places, normals = [], []
    for arm in arms:
        skip = round(_OVERSHOOT * np.sqrt(arm.gap) / _FOLLOW_STEP)
        points, tangents = run_along(arm, arm.points[0], _FOLLOW_STEP, EDGE_REACH + _FOLLOW_STEP * skip)
        places.append(points[skip:] * step + (step - 1) / 2)
        normals.append(np.stack([-tangents[skip:, 1], tangents[skip:, 0]], axis=1))
    together = window.steps(np.concatenate(places), np.concatenate(normals), 10.0)
    found, first = [], 0
    for place, normal in zip(places, normals, strict=True):
        fits = together.rows(slice(first, first + len(place)))
        first += len(place)
        if fits.ok.mean() < 0.5:  # perhaps the step is wider than the window
            wide = window.steps(place, normal, 30.0)
            fits = wide if wide.ok.mean() > fits.ok.mean() else fits
        found.append(EdgeSteps(place + fits.position[:, None] * normal, fits))
    return found


def _alike(fits: StepFits) -> NDArray[np.bool_]:
    """Steps in the direction of the whole edge's, and not much smaller: others are lines on either side of it."""
    jump = fits.after - fits.before
    usual = median(jump[fits.ok]) if fits.ok.any() else 0.0
    return np.asarray(fits.ok & (jump * np.sign(usual) > _LEAST_STEP * abs(usual)))


def _curve(
    places: Floats, arm: Arm, other: Arm, apex: Floats, step: int, *, helical: bool
) -> tuple[Floats, float | None]:
    """An edge near the corner as v(s) = c0 + c1 s + c2 s^2, in px from the apex along and across the arm; and where it begins, if that
    is farther out than it was followed."""
    u = arm.direction
    n = np.array([-u[1], u[0]])
    s, v = (places - apex) @ u, (places - apex) @ n
    if len(s) < _FEWEST:
        return np.zeros(3), None
    begin = _whole_from(s, v * np.sign(n @ other.direction), arm.gap * step)
    whole = s >= (s.min() if begin is None else begin)
    s, v = s[whole], v[whole]
    straight, bent = (_robust_polynomial(s, v, degree) for degree in (1, 2))
    gain = (straight[1] - bent[1]) / max(bent[1], 1e-12) * (len(s) - 3)
    near = helical or s.min() < _FARTHEST_BENT * (s.max() - s.min())
    return (bent if near and gain > _CURVED else straight)[0], begin


def _whole_from(s: Floats, inward: Floats, gap_px: float) -> float | None:
    """Where the edge begins, None at the first place: a wide rounding is followed like an edge before it bends `inward` too far. As little is left out beside
    the corner as makes the rest as even as leaving out more would."""
    if _BEFORE * gap_px <= _BENT or _robust_polynomial(s, inward, 2)[2] <= _EVEN:
        return None
    starts = s.min() + np.array(_LEFT_OUT) * (s.max() - s.min())
    starts = [start for start in starts if np.count_nonzero(s >= start) >= _FEWEST]
    fits = [_robust_polynomial(s[s >= start], inward[s >= start], 2) for start in starts]
    least = min(uneven for _, _, uneven in fits)
    at = next(k for k, (_, _, uneven) in enumerate(fits) if uneven <= _AS_EVEN * least + _EVEN)
    off = (inward - np.polynomial.polynomial.polyval(s, fits[at][0]))[s < starts[at]]
    bent = float(off.max(initial=0.0))
    steadily = np.diff(off).max(initial=0.0) < _STEADY * bent
    return float(starts[at]) if steadily and _BENT < bent < _BEFORE * gap_px and median(off) > 0 else None


def _robust_polynomial(s: Floats, v: Floats, degree: int) -> tuple[Floats, float, float]:
    """Coefficients c0, c1, c2 (Huber weights), the weighted sum of squares, and the root mean square of what is left, px."""
    span = max(float(np.abs(s).max()), 1.0)
    design = (s / span)[:, None] ** np.arange(degree + 1)
    weight = np.ones(len(s))
    curve: Floats = np.zeros(degree + 1)
    off = v
    for _ in range(6):
        weighted, before = design * (weight**2)[:, None], curve
        curve = np.asarray(np.linalg.solve(weighted.T @ design, weighted.T @ v), np.float64)
        off = np.abs(v - design @ curve)
        if np.abs(curve - before).max() < _NO_FARTHER:
            break
        width = 1.4826 * median(off) + 0.02
        weight = np.sqrt(np.minimum(1.0, 2.0 * width / np.maximum(off, 1e-9)))
    squares, rms = float(((weight * off) ** 2).sum()), float(np.sqrt(np.mean(off**2)))
    return np.pad(curve / span ** np.arange(degree + 1), (0, 2 - degree)), squares, rms


def _meeting(apex: Floats, frames: list[tuple[Floats, Floats]], curves: list[Floats]) -> Floats:
    """Where two curves, each v(s) in its own frame at `apex`, cross nearest to it (Newton)."""
    poly = np.polynomial.polynomial
    point = apex.copy()
    for _ in range(8):
        rows, values = [], []
        for (u, n), curve in zip(frames, curves, strict=True):
            s = (point - apex) @ u
            values.append((point - apex) @ n - poly.polyval(s, curve))
            rows.append(n - poly.polyval(s, poly.polyder(curve)) * u)
        matrix = np.array(rows)
        if abs(np.linalg.det(matrix)) < 0.1:
            return apex
        move = np.linalg.solve(matrix, np.array(values))
        point = point - move
        if np.abs(move).max() < 1e-3:
            break
    return point if np.hypot(*(point - apex)) < 60 else apex


def locate_nose(window: Window, nose: NoseCandidate, step: int) -> tuple[NosePose, EdgeView]:
    """The first circle in photo px, and the steps along the curve as the gate sees them."""
    strip = nose_strips(nose)[0]
    full = strip.points[:: round(_FOLLOW_STEP)] * step + (step - 1) / 2
    fits = window.steps(full, strip.outward[:: round(_FOLLOW_STEP)], 10.0)
    centre = nose.centre * step + (step - 1) / 2
    ray = nose.points - nose.centre
    on_circle = np.abs(np.hypot(*ray.T) - nose.radius) < 0.1 * nose.radius
    ray = ray[on_circle] / np.hypot(*ray[on_circle].T)[:, None]
    axis = ray.mean(axis=0) / max(float(np.hypot(*ray.mean(axis=0))), 1e-9)
    half = float(np.arccos(np.clip(ray @ axis, -1, 1)).max())
    pose = NosePose(
        (float(centre[0]), float(centre[1])),
        nose.radius * step,
        (float(axis[0]), float(axis[1])),
        half,
        median(fits.blur[fits.ok]) if fits.ok.any() else float("nan"),
    )
    return pose, EdgeView(fits, True, len(strip.points) * step, window.size)
