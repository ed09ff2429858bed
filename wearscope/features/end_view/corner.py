"""How far a corner is broken back from where its two edges meet.

What does not show says nothing, because a rounding and a chip of the side edge look whole along the axis.
"""

from collections.abc import Callable
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.features.end_view.teeth import BACK_DEG, Teeth, end_edge
from wearscope.features.end_view.tip import RAYS, Tip, Unclear
from wearscope.features.end_view.told import ALIKE
from wearscope.geometry.baseline import fit_baseline
from wearscope.outline.shape import CornerPose, Outline
from wearscope.quantity import ONE_SIDED_95, Quantity
from wearscope.subpixel.profile import measure_steps

__all__ = ["look_at_corner"]

Floats = NDArray[np.float64]

_FAN_DEG = 30.0
"""To both sides of the middle between the two edges of a corner: a break as much as three times longer on one edge has its nearest place there."""
_BESIDE, _LAND_AT = (-8.0, -3.0), (0.10, 0.16)
"""Where the light before a corner is taken (sigma_b from it) and that of the land (share of the radius): beyond a break of the corner that is
three times the usual limit."""
_STANDS_OUT = 0.25
"""Share of the lighter by which land and what lies before it must differ: half of what the steps of end edges usually show."""
_PULLED_IN = 0.77
"""Blur pulls a sharp corner's 50 % contour in by so many sigma_b, a blunt one's not (check values 3.4)."""
_BETWEEN = 0.77
"""Sigma_b between 35 and 65 % of a blurred step: where the light changes more slowly the half level is in doubt by that."""
_PROVEN = 3.0
"""Standard deviations from which a corner counts as broken: one picture shows several, and none may be thrown away for chance."""
_STRAIGHT_PX = 0.25
"""An end edge is ground as straight as it can be followed: its scatter is no more than this, whatever a notch and a gash make it look."""
_END_FROM, _BACK_TO_DEG = 0.62, 13.0
"""An end edge outside its gash (share of the radius), and the outline behind a corner within its primary relief."""


class Corner(NamedTuple):
    """How far a corner stands back, px, or `why` that cannot be told, and its outline."""

    recession: Quantity | None
    why: str
    outline: Outline


def look_at_corner(picture: NDArray[np.float32], tip: Tip, teeth: Teeth, k: int) -> Corner:
    """The corner between its end edge, outside the gash, and the outline behind it."""
    axis, out, reach = teeth.axis_px, teeth.toward[k], float(teeth.radii_px[k])
    ahead = np.array([-out[1], out[0]])
    line, gash = _undamaged(picture, axis, out, reach, tip)
    s = np.arange(gash, reach, 1.0)
    edge = axis + s[:, None] * out + line(s)[:, None] * ahead
    turn = 2 * np.pi * np.arange(RAYS) / RAYS
    ring = tip.middle_px + tip.rho_px[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]) - axis
    behind = -tip.sense * np.arctan2(ring @ ahead, ring @ out)
    used = (behind > np.deg2rad(BACK_DEG[0])) & (behind < np.deg2rad(_BACK_TO_DEG))
    used &= np.abs(np.hypot(*ring.T) - reach) < 0.12 * reach
    back = (axis + ring[used])[np.argsort(behind[used])]
    corner = _edges_meet(ring[used], behind[used], axis, out, ahead, line, reach, tip)
    inward, along = (_unit(far - corner) for far in (edge[0], back[len(back) // 2]))
    recession, why = _recession(picture, tip, corner, (inward, along), reach, float(teeth.noise_px[k]))
    gone = max(recession.value if recession is not None else 0.0, 0.5)
    clear = gone / np.tan(np.pi / 8)  # the tangent length of an arc with this recession between square edges
    nearest = corner + gone * _unit(inward + along)
    kept = [points[np.hypot(*(points - corner).T) > clear] for points in (edge, back)]
    contour = np.vstack([kept[0], nearest, kept[1]])
    if inward[0] * along[1] > inward[1] * along[0]:
        contour = contour[::-1]
    (ix, iy), (ax, ay) = inward, along
    end_px, side_px = (float(np.hypot(*(far - corner))) for far in (edge[0], back[-1]))
    place = (float(corner[0]), float(corner[1]))
    pose = CornerPose(
        place, (float(ix), float(iy)), (float(ax), float(ay)), end_px, side_px, tip.blur_px, True
    )
    return Corner(recession, why, Outline(contour, np.zeros(picture.shape, bool), 1, pose))


def _undamaged(
    picture: NDArray[np.float32], axis: Floats, out: Floats, reach: float, tip: Tip
) -> tuple[Callable[[Floats], Floats], float]:
    """The end edge as `end_edge` gives it, but as it was before anything broke out of it, and where its gash ends, px from the axis."""
    ahead = np.array([-out[1], out[0]])
    rough = end_edge(picture, axis, out, reach, max(4 * tip.blur_px, 9.0))
    s = np.arange(0.985 * reach, _END_FROM * reach, -1.0)
    points = axis + s[:, None] * out + rough(s)[:, None] * ahead
    fits = measure_steps(
        picture, points, np.broadcast_to(ahead, points.shape), half_px=max(10 * tip.blur_px, 12.0)
    )
    good = fits.ok & (fits.u_position < tip.blur_px)
    base = None
    if good.sum() > len(s) / 3:
        missing = -tip.sense * (rough(s[good]) + fits.position[good])
        base = fit_baseline(
            reach - s[good], missing, floor_px=_STRAIGHT_PX, step_px=3 * tip.blur_px, most_px=_STRAIGHT_PX
        )
    if base is None:
        raise Unclear("an end edge does not stand out from what lies before it")
    return lambda at: -tip.sense * base(reach - np.asarray(at)), reach - base.end_px


def _edges_meet(
    ring: Floats,
    behind: Floats,
    axis: Floats,
    out: Floats,
    ahead: Floats,
    line: Callable[[Floats], Floats],
    reach: float,
    tip: Tip,
) -> Floats:
    """Where the end edge meets the outline behind it as if nothing were broken off: damage only removes, so the undamaged outline
    is its asymmetric baseline."""
    order = np.argsort(behind)
    base = fit_baseline(
        reach * behind[order], reach - np.hypot(*ring[order].T), floor_px=0.25, step_px=3 * tip.blur_px
    )
    radius = reach if base is None else reach - float(base(np.zeros(1))[0])
    at = np.arctan2(float(line(np.array([radius]))[0]), radius)
    return np.asarray(axis + radius * (np.cos(at) * out + np.sin(at) * ahead))


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / np.hypot(*vector))


def _recession(
    picture: NDArray[np.float32],
    tip: Tip,
    corner: Floats,
    edges: tuple[Floats, Floats],
    reach: float,
    noise: float,
) -> tuple[Quantity | None, str]:
    """Distance from where the two edges meet to the nearest of the land, along a fan between them, px, or why none is proven.

    What is broken off the edges beside it pulls the place where they meet inward: it is at least so much.
    """
    blur, middle = tip.blur_px, _unit(edges[0] + edges[1])
    fan = np.deg2rad(np.linspace(-_FAN_DEG, _FAN_DEG, 13))
    ways = np.cos(fan)[:, None] * middle + np.sin(fan)[:, None] * np.array([-middle[1], middle[0]])
    t = np.arange(_BESIDE[0] * blur, _LAND_AT[1] * reach, 0.25)
    at = corner + t[:, None] * ways[:, None]
    x, y = (np.asarray(at[..., axis], np.float32) for axis in (0, 1))
    light = np.asarray(
        cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float64
    )
    before = np.median(light[:, t < _BESIDE[1] * blur])
    land = np.median(light[:, t > _LAND_AT[0] * reach], axis=1)
    if np.abs(land - before).min() < _STANDS_OUT * max(float(np.median(land)), float(before)):
        return None, "the corner does not stand out from what lies behind it"
    share = (light - before) / (land - before)[:, None]
    lasting = max(round(2 * blur / 0.25), 3)
    seen = np.array([np.convolve(row > 0.5, np.ones(lasting), "valid") == lasting for row in share])
    if not seen.any(axis=1).all():
        return None, "the corner does not stand out from what lies behind it"
    first = t[np.argmax(seen, axis=1)]
    course = np.polynomial.Polynomial.fit(fan, first, 3)
    low, high = (t[np.argmax(share > level, axis=1)] for level in (0.35, 0.65))
    parts = {
        "noise": float(np.std(first - course(fan))),
        "edges": float(np.hypot(noise, 0.2)),
        "blur": _PULLED_IN * blur / np.sqrt(12),
        "light": max(float(np.median(high - low)) - _BETWEEN * blur, 0.0) / 2,
        "form": ALIKE * reach,
    }
    value = float(course(fan).min()) - _PULLED_IN * blur / 2
    doubt = float(np.sqrt(sum(u * u for u in parts.values())))
    if value > _PROVEN * doubt:
        return Quantity(value - ONE_SIDED_95 * doubt, "px", parts, "lower_limit"), ""
    return (
        None,
        "no break is proven: a rounding and a break that does not go through look whole along the axis",
    )
