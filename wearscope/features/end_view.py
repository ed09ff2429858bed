"""Looking along the axis at the tip: how many flutes, do their corners lie at the same distance from the axis, does an edge reach the centre.

The tip is sharp in the picture, what lies behind it is not. Going in from outside, the first sharp edge in each direction is the
outline: at a cutting corner it drops from the cutting circle straight down the rake face. All corners drop in one sense of turn and
stand evenly round the axis, or the picture is refused: nothing is guessed.

Of each corner it is told how far it is broken back from where its two edges meet, and of each end edge its deepest notch: both are broken away when they show here.
What does not show says nothing, because a rounding and a chip of the side edge look whole along the axis.

The axis itself is not to be seen. Flutes and gashes are ground about it and do not wear away, so it is where the inner part of
the picture, turned by one pitch, fits itself: distances are from there. That the whole tip runs out against the shank is not seen.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.baseline import fit_baseline
from wearscope.geometry.scale import Scale
from wearscope.outline.find import gradients_of, small_copy
from wearscope.outline.gate import WIDEST_BLUR_PX, exposure_flags
from wearscope.outline.shape import CornerPose, Outline
from wearscope.photo.read import Photo
from wearscope.quantity import ONE_SIDED_95, Quantity
from wearscope.subpixel.path import best_path
from wearscope.subpixel.profile import measure_steps
from wearscope.subpixel.symmetry import find_pivot

__all__ = ["NAMES", "Notch", "counts_flutes", "look_at_end", "measure_end", "with_notches"]

Floats = NDArray[np.float64]

NAMES = ("flute_count", "corner_radius_spread", "end_edge_gap")
MOST_FLUTES = 8
"""More corners than a router cutter has."""
_RAYS = 1440
_DROP = 0.12
"""Share of the radius by which the outline drops at a corner, within `_WITHIN` degrees: the gullet of any cutter is deeper, the
fall of its relief behind the edge shallower."""
_WITHIN = 4.0
_OUTER = 0.9
"""A corner lies on the outer tenth of the circle around the tip."""
_SPIKE_DEG, _DIP_DEG = 3.0, 12.0
"""Widths, as seen from the axis, of what is no tooth (dust, grain) and no gullet (the faint back of a land, over which the way
round falls to a border inside): gullets are wider than 25 degrees on cutters of up to eight flutes."""
_STRONG = 3.0
"""An edge counts as at most so many times a just sharp one: no stretch may pay for a way that is wrong elsewhere."""
_OWN = 8
"""Half px of the small picture over which one sharp edge spreads."""
_STIFF, _LEAP = 0.3, 8.0
"""Price of half a px sideways from ray to ray, and of a leap: a step of the outline that lasts for three strong rays is worth it."""
_SEEN = 0.6
"""Share of the outline that must be seen: on a dark ground the dark backs of the teeth are not."""
_PLAIN = 0.1
"""How much farther out (share of the radius) corners must lie and drop than heels do, to be told from them."""
_OPEN = 1 / 6
"""Share of the turn that the flute of a single-flute cutter takes at least: it has the chips of a whole turn to carry."""
_UNEVEN_DEG = 20.0
"""Cutters of unequal pitch are off an even one by up to about this much (common practice, no source)."""
_WIDE_PX = 3.0
"""Blur (small px) that halves the slope of a sharp edge, not that of the shank's border far behind the tip."""
_LIKE_ITSELF = 0.75
"""Correlation of the outline with itself turned by one pitch: a picture with another count, or none, stays below."""
_RING = (0.25, 0.8)
"""Where flutes are alike (share of the radius): an edge over the centre belongs to one of them alone, and the corners are what is to be judged."""
_FITS_ITSELF = 0.6
"""Correlation of the detail in that ring with itself, turned, from which on a shared axis is believed: half of it is chance where only the number of
flutes agrees, since all of them lie along the same radii."""
_ALIKE = 0.0015
"""Standard deviation by which gashes and flutes are off their common axis, as a share of the radius: 5 um on 6 mm (common practice, no source)."""
_TILT = 0.0018
"""A cutter held by eye leans by about 3 degrees, and an end edge dished by 2 degrees lies 0.035 radii deeper inside than at its corner: the two
shift against each other by sin 3 degrees of that."""
_BACK_DEG = (0.8, 7.0)
"""The outline behind a corner that is carried on to it: beyond what blur and a rounded corner touch, nearer than the heel of a primary relief."""
_CENTRE = 0.03
"""An edge seen to go on to within this share of the radius reaches the centre; one that stops farther out leaves a pin that must be rubbed away."""
_SIDE_ON = "along the axis a rounding or a chip shows only where it is broken through: judge it on a photo of the corner, side-on"
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
_END_FROM, _BACK_TO_DEG = 0.62, 13.0
"""An end edge outside its gash (share of the radius), and the outline behind a corner within its primary relief."""


class Notch(NamedTuple):
    """The deepest notch in an end edge: `depth` in px at `px`, an upper limit where there is none; or why that is not known."""

    depth: Quantity | None
    px: tuple[float, float] | None = None
    why: str = ""


class _Unclear(Exception):
    """The tip cannot be made out; the text says why."""


@dataclass(frozen=True, slots=True)
class _Tip:
    """`middle_px` of the circle round the tip, its outline `rho_px` along the rays from there, the ray of each corner (`at`), the
    `sense` of turn in which the outline drops (+1: x to y), `radius_px` of the circle, `blur_px`."""

    middle_px: Floats
    rho_px: Floats
    at: NDArray[np.intp]
    sense: int
    radius_px: float
    blur_px: float

    @property
    def corners_px(self) -> Floats:
        return self.middle_px + _placed(self.rho_px, self.at, self.sense)


@dataclass(frozen=True, slots=True)
class _Teeth:
    """Each corner about the axis, (n,) in order of turn: `radii_px` and their standard deviation without the axis, unit vectors `toward`
    (n, 2), `gaps_px` between axis and inner end of the end edge; `axis_px` with its covariance."""

    axis_px: Floats
    covariance: Floats
    radii_px: Floats
    noise_px: Floats
    toward: Floats
    gaps_px: Floats

    @property
    def corners_px(self) -> Floats:
        return np.asarray(self.axis_px + self.radii_px[:, None] * self.toward)


def measure_end(photo: Photo, scale: Scale, *, flutes: int | None = None) -> Finding:
    """As `look_at_end`, without the edges."""
    return look_at_end(photo, scale, flutes=flutes)[0]


def look_at_end(
    photo: Photo, scale: Scale, *, flutes: int | None = None
) -> tuple[Finding, tuple[Outline, ...]]:
    """Flute count, distance of each corner from the axis and how much they differ, and how near to the centre an edge reaches.

    `flutes`: the number that was given; another one in the picture is flagged. The corners are numbered clockwise as seen; which is the
    flute 1 of other photos, a picture of the end cannot tell. What cannot be told is named with its reason.

    Of each corner it is measured how far it stands back from where its two edges meet; a proven one is `corner_recession`. The outlines are those of the
    corners in the same order, each with its end edge outside the gash, for notches to be looked for in it (`with_notches`).
    """
    small, _ = small_copy(photo)
    flags = exposure_flags(small)
    elsewhere = dict.fromkeys(("corner_radius", "chip_depth_max"), _SIDE_ON)
    try:
        tip = _find_tip(photo)
    except _Unclear as reason:
        missing = dict.fromkeys(NAMES, str(reason)) | elsewhere
        return Finding(not_measured=missing, flags=(*flags, "end_unclear")), ()
    count = len(tip.at)
    flags = (
        *flags,
        *(("out_of_focus",) if tip.blur_px > WIDEST_BLUR_PX else ()),
        *(("flutes_disagree",) if flutes not in (None, count) else ()),
    )
    quantities = {
        "flute_count": Quantity(float(count), "count"),
        "edge_blur_width": Quantity(tip.blur_px, "px", {"noise": 0.05 * tip.blur_px}),
    }
    if count == 1:  # of one corner there is no spread, and nothing to find its axis by
        quantities["corner_radius_spread"] = Quantity(0.0, "mm")
    try:
        teeth = _teeth(photo, tip)
    except _Unclear as reason:
        why = {name: str(reason) for name in NAMES if name not in quantities} | elsewhere
        return Finding(quantities, why, _marks(tip.corners_px), flags, (), (_no_plunge(),)), ()
    measured = _radii(teeth) | {"corner_radius_spread": _spread(teeth), "end_edge_gap": _gap(teeth, tip)}
    picture = photo.linear()
    corners = [_corner(picture, tip, teeth, k) for k in range(count)]
    measured |= {
        f"flute_{k + 1}_recession": c.recession for k, c in enumerate(corners) if c.recession is not None
    }
    broken = [c.recession for c in corners if c.recession is not None]
    if broken:
        measured["corner_recession"] = max(broken, key=lambda quantity: quantity.value)
    quantities |= {name: scale.to_mm(quantity) for name, quantity in measured.items()}
    elsewhere |= {f"flute_{k + 1}_recession": c.why for k, c in enumerate(corners) if c.why}
    finding = Finding(
        quantities,
        elsewhere,
        _marks(teeth.corners_px),
        flags,
        (_circle_curve(teeth),),
        (
            _reach(measured["end_edge_gap"], tip.radius_px),
            *_short(quantities, count),
            *_broken(quantities, count),
        ),
    )
    return finding, tuple(c.outline for c in corners)


class _Corner(NamedTuple):
    """How far a corner stands back, px, or `why` that cannot be told, and its outline."""

    recession: Quantity | None
    why: str
    outline: Outline


def _corner(picture: NDArray[np.float32], tip: _Tip, teeth: _Teeth, k: int) -> _Corner:
    """The corner between its end edge, outside the gash, and the outline behind it."""
    axis, out, reach = teeth.axis_px, teeth.toward[k], float(teeth.radii_px[k])
    ahead = np.array([-out[1], out[0]])
    line, gash = _undamaged(picture, axis, out, reach, tip)
    s = np.arange(gash, reach, 1.0)
    edge = axis + s[:, None] * out + line(s)[:, None] * ahead
    turn = 2 * np.pi * np.arange(_RAYS) / _RAYS
    ring = tip.middle_px + tip.rho_px[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]) - axis
    behind = -tip.sense * np.arctan2(ring @ ahead, ring @ out)
    used = (behind > np.deg2rad(_BACK_DEG[0])) & (behind < np.deg2rad(_BACK_TO_DEG))
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
    return _Corner(recession, why, Outline(contour, np.zeros(picture.shape, bool), 1, pose))


def _undamaged(
    picture: NDArray[np.float32], axis: Floats, out: Floats, reach: float, tip: _Tip
) -> tuple[Callable[[Floats], Floats], float]:
    """The end edge as `_end_edge` gives it, but as it was before anything broke out of it, and where its gash ends, px from the axis."""
    ahead = np.array([-out[1], out[0]])
    rough = _end_edge(picture, axis, out, reach, max(4 * tip.blur_px, 9.0))
    s = np.arange(0.985 * reach, _END_FROM * reach, -1.0)
    points = axis + s[:, None] * out + rough(s)[:, None] * ahead
    fits = measure_steps(
        picture, points, np.broadcast_to(ahead, points.shape), half_px=max(10 * tip.blur_px, 12.0)
    )
    good = fits.ok & (fits.u_position < tip.blur_px)
    base = None
    if good.sum() > len(s) / 3:
        missing = -tip.sense * (rough(s[good]) + fits.position[good])
        base = fit_baseline(reach - s[good], missing, floor_px=0.25, step_px=3 * tip.blur_px)
    if base is None:
        raise _Unclear("an end edge does not stand out from what lies before it")
    return lambda at: -tip.sense * base(reach - np.asarray(at)), reach - base.end_px


def _edges_meet(
    ring: Floats,
    behind: Floats,
    axis: Floats,
    out: Floats,
    ahead: Floats,
    line: Callable[[Floats], Floats],
    reach: float,
    tip: _Tip,
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
    tip: _Tip,
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
        "form": _ALIKE * reach,
    }
    value = float(course(fan).min()) - _PULLED_IN * blur / 2
    doubt = float(np.sqrt(sum(u * u for u in parts.values())))
    if value > _PROVEN * doubt:
        return Quantity(value - ONE_SIDED_95 * doubt, "px", parts, "lower_limit"), ""
    return (
        None,
        "no break is proven: a rounding and a break that does not go through look whole along the axis",
    )


def _broken(quantities: dict[str, Quantity], count: int) -> tuple[str, ...]:
    """Which corners stand back from where their edges meet."""
    return tuple(
        f"flute {k} of this picture: its corner is broken off"
        for k in range(1, count + 1)
        if f"flute_{k}_recession" in quantities
    )


def with_notches(finding: Finding, notches: Sequence[Notch], scale: Scale) -> Finding:
    """The finding of an end with the deepest notch of each end edge; the deepest of all is `chip_depth_max` where there is one."""
    found = {f"flute_{k}_chip": scale.to_mm(n.depth) for k, n in enumerate(notches, 1) if n.depth is not None}
    chips = {name: quantity for name, quantity in found.items() if quantity.kind == "value"}
    quantities = {**finding.quantities, **found}
    if chips:
        quantities["chip_depth_max"] = max(chips.values(), key=lambda quantity: quantity.value)
    missing = {name: why for name, why in finding.not_measured.items() if name not in quantities}
    missing |= {f"flute_{k}_chip": n.why for k, n in enumerate(notches, 1) if n.depth is None}
    marks = tuple(
        Mark("chip", n.px, f"flute {k}: {scale.to_mm(n.depth).value:.3f} mm")
        for k, n in enumerate(notches, 1)
        if n.px is not None and n.depth is not None
    )
    words = tuple(
        f"flute {k} of this picture: its end edge is chipped"
        for k, n in enumerate(notches, 1)
        if n.px is not None
    )
    return replace(
        finding,
        quantities=quantities,
        not_measured=missing,
        marks=(*finding.marks, *marks),
        remarks=(*finding.remarks, *words),
    )


def counts_flutes(photo: Photo) -> bool:
    """Can the flutes of an end be counted in the photo?"""
    try:
        return bool(len(_find_tip(photo).at))
    except _Unclear:
        return False


def _marks(corners_px: Floats) -> tuple[Mark, ...]:
    return tuple(Mark("flute", (float(x), float(y)), f"flute {k + 1}") for k, (x, y) in enumerate(corners_px))


def _circle_curve(teeth: _Teeth) -> Curve:
    turn = np.linspace(0, 2 * np.pi, 361)
    ring = np.column_stack([np.cos(turn), np.sin(turn)])
    return Curve("axis", teeth.axis_px + float(teeth.radii_px.max()) * ring, True)


def _find_tip(photo: Photo) -> _Tip:
    small, step = small_copy(photo)
    fine = _sharpness(small)
    centre, radius = _circle(fine)
    rough = _rays(fine, centre, radius)
    if np.isfinite(rough).mean() < _SEEN:
        raise _Unclear("the outline of the tip is not sharp all round")
    picture = photo.linear()
    middle = centre * step + (step - 1) / 2
    rho, blur = _refined(picture, middle, rough * step, step)
    sense, at = _corners(rho)
    _check(rho, at, len(at))
    return _Tip(middle, rho, at, sense, float(np.percentile(rho, 98)), blur)


def _sharpness(small: NDArray[np.uint8]) -> NDArray[np.float32]:
    """The gradient less the most that a wide blur leaves of it nearby: soft edges behind the tip are as steep as before and vanish.

    Nearby, for between a sharp edge and a soft one beside it the wide gradient passes through nothing.
    """
    wide = gradients_of(np.asarray(cv2.GaussianBlur(small, (0, 0), _WIDE_PX), np.uint8)).fine
    reach = 2 * round(_WIDE_PX) + 1
    fine = gradients_of(small).fine - cv2.dilate(wide, np.ones((reach, reach), np.uint8))
    return np.asarray(np.maximum(fine, 0.0), np.float32)


def _circle(fine: NDArray[np.float32]) -> tuple[Floats, float]:
    """Centre and radius of the smallest circle round everything sharp, small px."""
    level = _sharp(fine)
    mask = cv2.morphologyEx((fine > level).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    if count < 2:
        raise _Unclear("nothing sharp is in the picture")
    order = 1 + np.argsort(-stats[1:, cv2.CC_STAT_AREA])
    kept = [k for k in order if stats[k, cv2.CC_STAT_AREA] > 0.05 * stats[order[0], cv2.CC_STAT_AREA]]
    y, x = np.nonzero(np.isin(labels, kept))
    (cx, cy), radius = cv2.minEnclosingCircle(np.column_stack([x, y]).astype(np.float32))
    height, width = fine.shape
    if radius < 30:
        raise _Unclear("the tip is too small in the picture: come closer")
    if cx - radius < 2 or cy - radius < 2 or cx + radius > width - 3 or cy + radius > height - 3:
        raise _Unclear("the tip is not whole in the picture: all corners must be in the frame")
    return np.array([cx, cy]), float(radius)


def _sharp(fine: NDArray[np.float32]) -> float:
    """Gradient from which an edge is one of the tip's: a good part of the strongest, and far over the grain."""
    return max(6 * float(np.median(fine)), 0.12 * float(np.percentile(fine, 99.5)), 1.0)


def _rays(fine: NDArray[np.float32], centre: Floats, radius: float) -> Floats:
    """Distance of the outline in each direction: the likeliest way round through sharp edges that have none outside them.

    Found by dynamic programming; at a rake face it leaps. NaN where no edge is near the way.
    """
    turn = 2 * np.pi * np.arange(_RAYS) / _RAYS
    r = np.arange(1.04 * radius, 0.1 * radius, -0.5)
    x = centre[0] + r[:, None] * np.cos(turn)
    y = centre[1] + r[:, None] * np.sin(turn)
    values = cv2.remap(fine, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    seen = np.clip(values / _sharp(fine), 0.0, _STRONG)
    before = np.vstack([np.zeros((_OWN, _RAYS)), np.cumsum(seen, axis=0)[:-_OWN]])
    gain = seen - np.clip(before / _OWN, 0.0, _STRONG)
    around = np.hstack([gain, gain[:, : _RAYS // 2]])
    path = best_path(around, stiffness=_STIFF, leap=_LEAP)
    path = np.concatenate([path[_RAYS : _RAYS + _RAYS // 4], path[_RAYS // 4 : _RAYS]])
    near = np.clip(path + np.arange(-3, 4)[:, None], 0, len(r) - 1)
    return np.where(np.take_along_axis(seen, near, axis=0).max(axis=0) > 0.5, r[path], np.nan)


def _refined(picture: NDArray[np.float32], middle: Floats, rough: Floats, step: int) -> tuple[Floats, float]:
    """The outline at sub-pixel where a step fits across the rays (else as found), and its blur."""
    turn = 2 * np.pi * np.arange(_RAYS) / _RAYS
    filled = _without_strays(rough)
    outward = np.column_stack([np.cos(turn), np.sin(turn)])
    fits = measure_steps(picture, middle + filled[:, None] * outward, outward, half_px=max(3.0 * step, 9.0))
    good = fits.ok & (np.abs(fits.position) < 2.5 * step) & (fits.u_position < 1.0)
    if good.mean() < 0.25:
        raise _Unclear("the outline of the tip does not stand out from what is behind it")
    return np.where(good, filled + fits.position, filled), float(np.median(fits.blur[good]))


def _without_strays(rough: Floats) -> Floats:
    """The outline in every direction: peaks narrower than `_SPIKE_DEG` and dips narrower than `_DIP_DEG` taken away (morphological
    opening and closing, all round), what is not seen carried across.

    A gap wider than a peak counts as inside while peaks are looked for: a grain that lies before it would be carried across
    it to the corner behind, and pass for the tooth.
    """
    ray, known = np.arange(_RAYS), np.isfinite(rough)
    near = _morphed(known, cv2.MORPH_CLOSE, _SPIKE_DEG) > 0
    filled = np.interp(ray, ray[known], rough[known], period=_RAYS)
    opened = _morphed(np.where(near, filled, 0.0), cv2.MORPH_OPEN, _SPIKE_DEG)
    known = opened > 0
    if not known.any():
        raise _Unclear("the outline of the tip is not sharp all round")
    return _morphed(np.interp(ray, ray[known], opened[known], period=_RAYS), cv2.MORPH_CLOSE, _DIP_DEG)


def _morphed(row: NDArray[Any], operation: int, width_deg: float) -> Floats:
    """Opened or closed all round by a window of this width."""
    window = np.ones((1, round(width_deg * _RAYS / 360)), np.uint8)
    tiled = np.asarray(np.tile(row, 3)[None], np.float32)
    return np.asarray(cv2.morphologyEx(tiled, operation, window)[0, _RAYS : 2 * _RAYS], np.float64)


def _corners(rho: Floats) -> tuple[int, NDArray[np.intp]]:
    """Sense of turn in which the outline drops, and the ray of each corner."""
    scale = float(np.percentile(rho, 98))
    lag = round(_WITHIN * _RAYS / 360)
    found: dict[int, tuple[float, NDArray[np.intp]]] = {}
    for sense in (1, -1):
        share = rho[::sense] / scale
        before = np.median([np.roll(share, k) for k in (0, 2, 4)], axis=0)
        after = np.median([np.roll(share, -k) for k in (lag - 2, lag, lag + 2)], axis=0)
        drop = np.where(before > _OUTER, before - after, 0.0)
        at = _peaks(drop, lag)
        worth = float(np.mean(drop[at] + before[at])) if len(at) else 0.0
        found[sense] = worth, at if sense > 0 else (_RAYS - 1 - at)
    sense = 1 if found[1][0] >= found[-1][0] else -1
    if not len(found[sense][1]):
        raise _Unclear("no cutting corner shows on the outline")
    if found[sense][0] < found[-sense][0] + _PLAIN or len(found[-sense][1]) > len(found[sense][1]):
        raise _Unclear("the outline drops both ways round: dirt or damage hides which edges cut")
    return sense, np.sort(found[sense][1])


def _peaks(drop: Floats, lag: int) -> NDArray[np.intp]:
    """The last ray of each run over the threshold: there the outline leaves the cutting circle."""
    over = drop > _DROP
    if not over.any() or over.all():
        return np.zeros(0, np.intp)
    start = int(np.flatnonzero(~over)[0])
    turned = np.roll(over, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], turned.astype(int), [0]])))
    runs = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return np.array([(start + b - 1) % _RAYS for a, b in runs if b - a >= lag // 4], np.intp)


def _check(rho: Floats, at: NDArray[np.intp], count: int) -> None:
    """Refuse what does not stand evenly round the axis or does not look alike from flute to flute."""
    if count > MOST_FLUTES:
        raise _Unclear("more corners than a router cutter has")
    if count == 1 and np.mean(rho < 0.6 * np.percentile(rho, 98)) < _OPEN:
        raise _Unclear("one corner shows, but no flute before it: this is not the end of a cutter")
    gaps = np.diff(np.concatenate([at, at[:1] + _RAYS])) * 360 / _RAYS
    if count >= 2 and np.abs(gaps - 360 / count).max() > _UNEVEN_DEG * 2 / count**0.5:
        raise _Unclear(f"{count} corners show, but not evenly round the axis: one may be hidden")
    if count >= 2:
        likeness = _likeness(rho, _RAYS / count)
        others = [_likeness(rho, _RAYS / n) for n in range(2, 7) if n % count and count % n]
        if likeness < _LIKE_ITSELF or likeness < max(others, default=-1.0):
            raise _Unclear("the outline does not look alike from flute to flute")


def _likeness(rho: Floats, shift: float) -> float:
    ray = np.arange(_RAYS, dtype=float)
    turned = np.interp((ray + shift) % _RAYS, ray, rho, period=_RAYS)
    return float(np.corrcoef(rho, turned)[0, 1])


def _placed(rho: Floats, at: NDArray[np.intp], sense: int) -> Floats:
    """Corner points from the middle of the rays: the outline behind each corner carried on to the corner's ray."""
    points = []
    for k in at:
        behind = (k - sense * np.arange(3, 26)) % _RAYS
        back = np.arange(3, 26, dtype=float)
        radius = rho[behind]
        fit = np.polynomial.Polynomial.fit(back, radius, 1)
        off = radius - fit(back)
        keep = np.abs(off) < 3 * 1.4826 * np.median(np.abs(off)) + 1e-6
        fit = np.polynomial.Polynomial.fit(back[keep], radius[keep], 1)
        angle = 2 * np.pi * k / _RAYS
        points.append(float(fit(0.0)) * np.array([np.cos(angle), np.sin(angle)]))
    return np.array(points)


def _teeth(photo: Photo, tip: _Tip) -> _Teeth:
    """The axis, and each corner where its end edge meets the outline behind it."""
    count = len(tip.at)
    if count < 2:
        raise _Unclear("a single corner shows nothing of the axis it turns about")
    picture = photo.linear()
    pivot = find_pivot(
        picture,
        tip.middle_px,
        ring_px=(_RING[0] * tip.radius_px, _RING[1] * tip.radius_px),
        turns_deg=[360 / count * k for k in range(1, count // 2 + 1)],
    )
    if pivot is None or pivot.likeness < _FITS_ITSELF:
        raise _Unclear("the flutes do not look alike enough to find the axis between them")
    if float(np.hypot(*(pivot.px - tip.middle_px))) > 0.1 * tip.radius_px:
        raise _Unclear("the axis of the flutes does not lie in the middle of the corners")
    rows = [_tooth(picture, tip, pivot.px, corner) for corner in tip.corners_px]
    radii, noise, toward, gaps = (np.array(column) for column in zip(*rows, strict=True))
    return _Teeth(pivot.px, pivot.covariance, radii, noise, toward, gaps)


def _tooth(
    picture: NDArray[np.float32], tip: _Tip, axis: Floats, corner: Floats
) -> tuple[float, float, Floats, float]:
    """Radius of the corner and its standard deviation, the direction to it, and the gap between axis and end edge, px."""
    reach = float(np.hypot(*(corner - axis)))
    out = (corner - axis) / reach
    line = _end_edge(picture, axis, out, reach, max(4 * tip.blur_px, 9.0))
    ahead = np.array([-out[1], out[0]])
    turn = 2 * np.pi * np.arange(_RAYS) / _RAYS
    outline = tip.middle_px + tip.rho_px[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]) - axis
    radius = np.hypot(*outline.T)
    angle = np.arctan2(outline @ ahead, outline @ out)
    at = float(np.arctan2(line(reach), reach))
    behind = -tip.sense * np.angle(np.exp(1j * (angle - at)))
    low, high = np.deg2rad(_BACK_DEG)
    used = (behind > low) & (behind < high) & (np.abs(radius - reach) < 0.12 * reach)
    value, noise = _carried_on(behind[used], radius[used])
    direction = np.cos(at) * out + np.sin(at) * ahead
    return value, noise, direction, _inner_end(picture, axis, out, line, reach, tip)


def _end_edge(
    picture: NDArray[np.float32], axis: Floats, out: Floats, reach: float, near_px: float
) -> np.polynomial.Polynomial:
    """The end edge as a straight line: how far it lies to the side of the ray `out` at each distance from the axis."""
    ahead = np.array([-out[1], out[0]])
    s = reach * np.linspace(0.6, 0.96, 48)
    line = np.polynomial.Polynomial([0.0])
    for half_px in (max(0.08 * reach, near_px), near_px, near_px):
        points = axis + s[:, None] * out + line(s)[:, None] * ahead
        fits = measure_steps(picture, points, np.broadcast_to(ahead, points.shape), half_px=half_px)
        good = fits.ok & (np.abs(fits.position) < 0.8 * half_px)
        if good.sum() < len(s) / 3:
            raise _Unclear("an end edge does not stand out from what lies before it")
        line = _robust_line(s[good], line(s[good]) + fits.position[good])
    return line


def _robust_line(x: Floats, y: Floats) -> np.polynomial.Polynomial:
    """Straight line by least squares, what is off by more than three robust standard deviations left out."""
    line = np.polynomial.Polynomial.fit(x, y, 1)
    for _ in range(3):
        off = np.abs(y - line(x))
        near = off <= 3 * 1.4826 * np.median(off) + 1e-6
        line = np.polynomial.Polynomial.fit(x[near], y[near], 1)
    return line


def _carried_on(behind: Floats, radius: Floats) -> tuple[float, float]:
    """The outline behind a corner as a straight line in angle, carried on to the corner: radius there and its standard deviation."""
    if len(behind) < 10:
        raise _Unclear("the outline behind a corner is not seen")
    line = _robust_line(behind, radius)
    off = radius - line(behind)
    near = np.abs(off) <= 3 * 1.4826 * np.median(np.abs(off)) + 1e-6
    x = behind[near]
    lever = 1 / len(x) + x.mean() ** 2 / ((x - x.mean()) ** 2).sum()
    # neighbouring rays share pixels: two of them count as one
    return float(line(0.0)), float(off[near].std() * np.sqrt(2 * lever) + 1e-3)


def _inner_end(
    picture: NDArray[np.float32],
    axis: Floats,
    out: Floats,
    line: np.polynomial.Polynomial,
    reach: float,
    tip: _Tip,
) -> float:
    """Going in along the end edge: the distance from the axis from which on its land no longer stands out from what lies before it.

    Where the gash begins the edge has a kink: it is followed as far as that, and taken as straight from there on.
    """
    ahead = np.array([-out[1], out[0]]) * tip.sense
    s = np.arange(0.85 * reach, -0.1 * reach, -1.0)
    side = np.arange(-0.12 * reach, 0.12 * reach)
    start = tip.sense * line(s)
    at = axis + s[:, None, None] * out + (start[:, None] + side)[..., None] * ahead
    x, y = (np.asarray(at[..., k].T, np.float32) for k in (0, 1))
    strip = np.asarray(cv2.remap(picture, x, y, cv2.INTER_LINEAR), np.float64)
    width = max(round(3 * tip.blur_px), 3)
    beside = np.concatenate([np.ones(width), np.zeros(1), -np.ones(width)]) / width
    step = np.array(
        [np.convolve(column, beside[::-1], "same") for column in strip.T]
    )  # (s, side): land behind, less before
    step[:, :width] = step[:, -width:] = 0.0
    outer = s > 0.2 * reach
    gain = np.maximum(step[outer], 0.0).T
    path = best_path(gain / max(float(np.median(gain.max(axis=0))), 1e-9), stiffness=1.0)
    followed = step[outer][np.arange(len(path)), path]
    usual = float(np.median(followed))
    if (lost := _first_lost(followed / usual)) is not None:
        return float(s[outer][lost])
    gash = s[outer] < 0.4 * reach
    straight = _robust_line(s[outer][gash], side[path[gash]])
    at_row = np.clip(np.rint(straight(s[~outer]) - side[0]), 0, len(side) - 1).astype(np.intp)
    within = np.clip(at_row[:, None] + np.arange(-width, width + 1), 0, len(side) - 1)
    lost = _first_lost(np.take_along_axis(step[~outer], within, axis=1).max(axis=1) / usual)
    return float(s[-1] if lost is None else s[~outer][lost])


def _first_lost(share: Floats) -> int | None:
    """Where a step falls under half of its usual height and stays there for four pixels."""
    gone = np.flatnonzero(np.convolve(share < 0.5, np.ones(4), "valid") == 4)
    return int(gone[0]) if len(gone) else None


def _radii(teeth: _Teeth) -> dict[str, Quantity]:
    """Distance of each corner from the axis, px."""
    along = np.sqrt(np.einsum("ki,ij,kj->k", teeth.toward, teeth.covariance, teeth.toward))
    return {
        f"flute_{k + 1}_radius": Quantity(
            float(r), "px", {"noise": float(noise), "axis": float(u), "form": _ALIKE * r, "tilt": _TILT * r}
        )
        for k, (r, noise, u) in enumerate(zip(teeth.radii_px, teeth.noise_px, along, strict=True))
    }


def _spread(teeth: _Teeth) -> Quantity:
    """Largest less smallest distance, px; an upper limit where it may be chance."""
    radii, count = teeth.radii_px, len(teeth.radii_px)
    whole = float(radii.max())
    alike = teeth.toward @ teeth.toward.T * whole**2
    covariances = {
        "noise": np.diag(teeth.noise_px**2),
        "axis": teeth.toward @ teeth.covariance @ teeth.toward.T,
        "form": _ALIKE**2 * alike,
        "tilt": _TILT**2 * alike,
    }
    rng = np.random.default_rng(0)

    def draws(covariance: Floats) -> Floats:
        return rng.multivariate_normal(np.zeros(count), covariance, 2000, method="eigh")

    value = float(np.ptp(radii))
    parts = {name: float(np.std(np.ptp(radii + draws(c), axis=1))) for name, c in covariances.items()}
    chance = float(
        np.quantile(np.ptp(draws(sum(covariances.values(), np.zeros((count, count)))), axis=1), 0.95)
    )
    if value > chance:
        return Quantity(value, "px", parts)
    limit = value + ONE_SIDED_95 * float(np.sqrt(sum(u * u for u in parts.values())))
    return Quantity(limit, "px", parts, "upper_limit")


def _gap(teeth: _Teeth, tip: _Tip) -> Quantity:
    """How near to the axis the longest end edge reaches, px; an upper limit where it reaches it."""
    gap = float(teeth.gaps_px.min())
    axis = float(np.sqrt(np.trace(teeth.covariance) / 2))
    # the end of a land is seen to about a blur, and a gash does not cut it off square
    parts = {"blur": 1.5 * tip.blur_px, "axis": axis, "form": _ALIKE * tip.radius_px}
    doubt = ONE_SIDED_95 * float(np.hypot(parts["blur"], np.hypot(axis, parts["form"])))
    if gap < doubt:
        return Quantity(max(gap, 0.0) + doubt, "px", parts, "upper_limit")
    return Quantity(gap, "px", parts)


def _no_plunge() -> str:
    return (
        "whether an edge reaches the centre cannot be told: do not plunge before you have looked with a loupe"
    )


def _reach(gap: Quantity, radius_px: float) -> str:
    """May it plunge, in words."""
    low, high = gap.bounds(floor=0.0)
    if high < _CENTRE * radius_px:
        return "an end edge reaches the centre: it may plunge"
    if low > _CENTRE * radius_px:
        return "no edge reaches the centre: do not plunge with it, enter on a ramp"
    return _no_plunge()


def _short(quantities: dict[str, Quantity], count: int) -> tuple[str, ...]:
    """Which flute stands back, where the spread is more than chance."""
    spread = quantities["corner_radius_spread"]
    if spread.kind != "value":
        return ()
    least = min(range(1, count + 1), key=lambda k: quantities[f"flute_{k}_radius"].value)
    return (
        f"the corners are not at the same distance from the axis: flute {least} of this picture stands back the most and cuts less",
    )
