"""The point of an engraver (V cutter): included angle, and the flat or the radius its tip has."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.outline.shape import CornerPose, Outline
from wearscope.photo.read import Photo
from wearscope.quantity import Quantity
from wearscope.subpixel.profile import measure_steps

__all__ = ["measure_point"]

Floats = NDArray[np.float64]

_NAMES = ("included_angle", "tip_width", "nose_radius", "edge_blur_width")
_TIP = 2.6
"""The flanks are whole from this many recessions off the apex: 2.41 for an arc in a right angle, less for sharper points."""
_SPACING_PX = 4.0
_REACH_PX = 400.0
_NEIGHBOURS = 6.0
"""Edge points this near each other err alike (grinding lines, demosaicing, JPEG): variances grow by this factor."""
_LEVEL = 0.02
"""Light on cutter and ground near the tip is even to about two in a hundred."""
_TILT = np.radians(2.0)
"""A flat face square to the lens by eye is so to about two degrees (common practice, no source)."""
_RESOLVED = 2.0
"""A tip narrower than this many blurs is an upper limit."""


@dataclass(frozen=True, slots=True)
class _Edges:
    """Both flanks as straight lines that meet at `apex` (x, y): unit vectors `a` and `b` from it, standard uncertainty
    of their angle (rad), and sigma_b."""

    apex: Floats
    a: Floats
    b: Floats
    u_angle: float
    blur_px: float

    @property
    def half(self) -> float:
        return float(np.arccos(np.clip(self.a @ self.b, -1, 1))) / 2

    @property
    def axis(self) -> Floats:
        return np.asarray((self.a + self.b) / np.hypot(*(self.a + self.b)))


def measure_point(photo: Photo, outline: Outline, scale: Scale) -> Finding:
    """Included angle (deg), tip_width (mm, of the flat, or between the ends of the arc) and nose_radius (mm).

    The missing area between the two extended flanks and the outline does not depend on blur; it gives the width of a flat
    and the radius of an arc, and how far the outline stands back from the apex tells which of the two it is. For a flat,
    nose_radius is half its width. A tip under two sigma_b is an upper limit.
    """
    if outline.corner is None:
        return Finding(not_measured=dict.fromkeys(_NAMES, "no point with two clear edges was found"))
    edges = _flanks(photo, outline, outline.corner)
    if edges is None:
        return Finding(
            not_measured=dict.fromkeys(_NAMES, "too little of the two edges beside the point is clear")
        )
    area, u_area, recession = _missing(photo, outline, edges)
    half, blur = edges.half, edges.blur_px
    tangent = np.tan(half)
    shape = 1 / tangent - (np.pi / 2 - half)
    root = np.sqrt(max(area, 0.0))
    flat, radius = 2 * root * np.sqrt(tangent), root / np.sqrt(shape)
    as_flat = abs(recession - flat / (2 * tangent)) < abs(recession - radius * (1 / np.sin(half) - 1))
    width = flat if as_flat else 2 * radius * np.cos(half)
    growth = flat / 2 if as_flat else radius
    share = u_area / (2 * max(area, 1e-9))  # the size goes with the root of the area
    least = np.sqrt(area + 2 * u_area) if area + 2 * u_area > 0 else 0.0

    def sized(value: float, per_root: float) -> Quantity:
        if value < _RESOLVED * blur:
            limit = max(per_root * least, 0.5 * blur)
            return Quantity(
                float(limit),
                "px",
                {"noise": float(limit - value) / 2 if limit > value else 0.0},
                "upper_limit",
            )
        return Quantity(
            float(value),
            "px",
            {
                "levels": float(value * share),
                "blur": 0.02 * blur,
                "angle": float(value * edges.u_angle / np.sin(2 * half)),
            },
        )

    angle = np.degrees(2 * half)
    by_tilt = np.degrees(abs(2 * np.arctan(tangent * np.cos(_TILT)) - 2 * half)) / np.sqrt(3)
    return Finding(
        {
            "included_angle": Quantity(
                float(angle), "deg", {"noise": float(np.degrees(edges.u_angle)), "tilt": float(by_tilt)}
            ),
            "tip_width": scale.to_mm(sized(width, width / max(root, 1e-9))),
            "nose_radius": scale.to_mm(sized(growth, growth / max(root, 1e-9))),
            "edge_blur_width": Quantity(blur, "px", {"noise": 0.05 * blur}),
        },
        marks=(Mark("virtual_corner", (float(edges.apex[0]), float(edges.apex[1]))),),
        curves=tuple(
            Curve(name, edges.apex + np.array([[recession / np.cos(half)], [_REACH_PX]]) * u)
            for name, u in (("end_edge", edges.a), ("side_edge", edges.b))
        ),
        remarks=(
            f"tip {'flat' if as_flat else 'rounded'}, standing back {recession / scale.px_per_mm:.3f} mm from the sharp point",
        ),
    )


def _flanks(photo: Photo, outline: Outline, pose: CornerPose) -> _Edges | None:
    apex = np.array(pose.apex_px)
    rough = _Edges(apex, np.array(pose.end_direction), np.array(pose.side_direction), 0.0, pose.blur_px)
    tip = _TIP * max(_recession(photo, outline, rough), 0.0) + 4 * pose.blur_px
    lines, blurs, variance = [], [], 0.0
    for direction, length in (
        (pose.end_direction, pose.end_length_px),
        (pose.side_direction, pose.side_length_px),
    ):
        u = np.array(direction)
        n = np.array([-u[1], u[0]])
        s = np.arange(tip, max(tip, min(length, tip + _REACH_PX)), _SPACING_PX)
        place = apex + s[:, None] * u
        box, picture = _around(photo, outline, place, 24)
        fits = measure_steps(picture, place - box[:2], np.broadcast_to(n, place.shape), half_px=12.0)
        seen = fits.ok & (np.abs(fits.position) < 6)
        if seen.sum() < 12:
            return None
        s, v = s[seen], fits.position[seen]
        weight = np.ones(len(s))
        slope, at = 0.0, 0.0
        for _ in range(8):
            slope, at = np.polyfit(s, v, 1, w=weight)
            off = v - at - slope * s
            width = 1.4826 * np.median(np.abs(off)) + 0.01
            weight = np.sqrt(np.minimum(1.0, 1.5 * width / np.maximum(np.abs(off), 1e-9)))
        kept = weight > 0.5
        variance += _NEIGHBOURS * width**2 / max(float(((s[kept] - s[kept].mean()) ** 2).sum()), 1e-9)
        halves = [np.polyfit(s[k], v[k], 1, w=weight[k])[0] for k in (s < np.median(s), s >= np.median(s))]
        variance += (
            halves[0] - halves[1]
        ) ** 2 / 8  # what the whole line's slope has of the scatter of two half lines'
        lines.append((apex + at * n, (u + slope * n) / np.hypot(1.0, slope)))
        blurs.append(fits.blur[seen][kept])
    (p, a), (q, b) = lines
    t = np.linalg.solve(np.stack([a, -b], axis=1), q - p)
    return _Edges(p + t[0] * a, a, b, float(np.sqrt(variance)), float(np.median(np.concatenate(blurs))))


def _around(
    photo: Photo, outline: Outline, place: Floats, margin: int
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Box (x0, y0, x1, y1) round some places, and the picture in it."""
    width, height = photo.size
    low = np.maximum(np.floor(place.min(axis=0)).astype(int) - margin, 0)
    high = np.minimum(np.ceil(place.max(axis=0)).astype(int) + margin, (width, height))
    box = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    return np.array(box), photo.linear(box, mix=outline.mix)


def _missing(photo: Photo, outline: Outline, edges: _Edges) -> tuple[float, float, float]:
    """(area between the extended flanks and the outline in px2, its standard uncertainty, recession along the axis in px)."""
    axis, half, blur = edges.axis, edges.half, edges.blur_px
    steps = _recession(photo, outline, edges)
    reach = steps + 5 * blur
    corners = edges.apex + np.array([[-4 * blur], [reach + 4 * blur]]) * axis
    box, picture = _around(photo, outline, corners, int(np.ceil(reach * np.tan(half) + 8 * blur)))
    x, y = np.meshgrid(np.arange(box[0], box[2]), np.arange(box[1], box[3]))
    t = (x - edges.apex[0]) * axis[0] + (y - edges.apex[1]) * axis[1]
    s = (x - edges.apex[0]) * -axis[1] + (y - edges.apex[1]) * axis[0]
    inward = t * np.sin(half) - np.abs(s) * np.cos(half)  # distance from the nearer flank
    inside = np.median(picture[(inward > 3 * blur) & (t > reach) & (t < reach + 4 * blur + 4)])
    outside = np.median(picture[(inward < -3 * blur) & (inward > -7 * blur - 2)])
    share = np.clip((picture - outside) / (inside - outside), -0.5, 1.5)
    whole = cv2.GaussianBlur(
        np.clip(inward + 0.5, 0, 1), (0, 0), max(np.sqrt(max(blur**2 - 1 / 12, 0.01)), 0.1)
    )
    counts = (t < reach) & (inward > -4 * blur)
    area = float((whole - share)[counts].sum())
    deep = share[(inward > 4 * blur) & (t > steps + 3 * blur) & (t < reach)]
    uneven = abs(float(deep.mean()) - 1.0) if deep.size else 0.0
    level = max(_LEVEL, uneven) * float(whole[counts].sum())
    noise = float(np.std(picture[(inward < -3 * blur) & (inward > -7 * blur - 2)]) / abs(inside - outside))
    return area, float(np.hypot(level, noise * np.sqrt(counts.sum()))), float(steps)


def _recession(photo: Photo, outline: Outline, edges: _Edges) -> float:
    """How far the outline stands back from the apex along the axis, px."""
    reach = np.arange(0.0, 200.0, 1.0)
    place = edges.apex + reach[:, None] * edges.axis
    box, picture = _around(photo, outline, place, 8)
    x, y = (place - box[:2]).T
    values = cv2.remap(picture, x.astype(np.float32)[None], y.astype(np.float32)[None], cv2.INTER_LINEAR)[0]
    outside = float(values[:2].mean())
    inside = float(np.median(values[-60:]))
    share = (values - outside) / (inside - outside if inside != outside else 1.0)
    k = max(int(np.argmax(share > 0.5)), 1)
    return float(reach[k - 1] + (0.5 - share[k - 1]) / max(share[k] - share[k - 1], 1e-6))
