"""The tip's outline: the first sharp edge in each direction, going in from outside.

The tip is sharp in the picture, what lies behind it is not. At a cutting corner the outline drops from the cutting circle straight down the rake face. All corners
drop in one sense of turn and stand evenly round the axis, or the picture is refused: nothing is guessed.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.photo.read import Photo
from wearscope.photo.small import SmallCopy
from wearscope.subpixel.path import best_path
from wearscope.subpixel.profile import measure_steps

__all__ = ["RAYS", "Tip", "Unclear", "find_tip"]

Floats = NDArray[np.float64]

_MOST_FLUTES = 8
"""More corners than a router cutter has."""
RAYS = 1440
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


class Unclear(Exception):
    """The tip cannot be made out; the text says why."""


@dataclass(frozen=True, slots=True)
class Tip:
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


def find_tip(photo: Photo) -> Tip:
    step = photo.small.step
    fine = _sharpness(photo.small)
    centre, radius = _circle(fine)
    rough = _rays(fine, centre, radius)
    if np.isfinite(rough).mean() < _SEEN:
        raise Unclear("the outline of the tip is not sharp all round")
    picture = photo.linear()
    middle = centre * step + (step - 1) / 2
    rho, blur = _refined(picture, middle, rough * step, step)
    sense, at = _corners(rho)
    _check(rho, at, len(at))
    return Tip(middle, rho, at, sense, float(np.percentile(rho, 98)), blur)


def _sharpness(small: SmallCopy) -> NDArray[np.float32]:
    """The gradient less the most that a wide blur leaves of it nearby: soft edges behind the tip are as steep as before and vanish.

    Nearby, for between a sharp edge and a soft one beside it the wide gradient passes through nothing.
    """
    wide = SmallCopy(np.asarray(cv2.GaussianBlur(small.bgr, (0, 0), _WIDE_PX), np.uint8), small.step).slope
    reach = 2 * round(_WIDE_PX) + 1
    fine = small.slope - cv2.dilate(wide, np.ones((reach, reach), np.uint8))
    return np.asarray(np.maximum(fine, 0.0), np.float32)


def _circle(fine: NDArray[np.float32]) -> tuple[Floats, float]:
    """Centre and radius of the smallest circle round everything sharp, small px."""
    level = _sharp(fine)
    mask = cv2.morphologyEx((fine > level).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    if count < 2:
        raise Unclear("nothing sharp is in the picture")
    order = 1 + np.argsort(-stats[1:, cv2.CC_STAT_AREA])
    kept = [k for k in order if stats[k, cv2.CC_STAT_AREA] > 0.05 * stats[order[0], cv2.CC_STAT_AREA]]
    y, x = np.nonzero(np.isin(labels, kept))
    (cx, cy), radius = cv2.minEnclosingCircle(np.column_stack([x, y]).astype(np.float32))
    height, width = fine.shape
    if radius < 30:
        raise Unclear("the tip is too small in the picture: come closer")
    if cx - radius < 2 or cy - radius < 2 or cx + radius > width - 3 or cy + radius > height - 3:
        raise Unclear("the tip is not whole in the picture: all corners must be in the frame")
    return np.array([cx, cy]), float(radius)


def _sharp(fine: NDArray[np.float32]) -> float:
    """Gradient from which an edge is one of the tip's: a good part of the strongest, and far over the grain."""
    return max(6 * float(np.median(fine)), 0.12 * float(np.percentile(fine, 99.5)), 1.0)


def _rays(fine: NDArray[np.float32], centre: Floats, radius: float) -> Floats:
    """Distance of the outline in each direction: the likeliest way round through sharp edges that have none outside them.

    Found by dynamic programming; at a rake face it leaps. NaN where no edge is near the way.
    """
    turn = 2 * np.pi * np.arange(RAYS) / RAYS
    r = np.arange(1.04 * radius, 0.1 * radius, -0.5)
    x = centre[0] + r[:, None] * np.cos(turn)
    y = centre[1] + r[:, None] * np.sin(turn)
    values = cv2.remap(fine, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    seen = np.clip(values / _sharp(fine), 0.0, _STRONG)
    before = np.vstack([np.zeros((_OWN, RAYS)), np.cumsum(seen, axis=0)[:-_OWN]])
    gain = seen - np.clip(before / _OWN, 0.0, _STRONG)
    around = np.hstack([gain, gain[:, : RAYS // 2]])
    path = best_path(around, stiffness=_STIFF, leap=_LEAP)
    path = np.concatenate([path[RAYS : RAYS + RAYS // 4], path[RAYS // 4 : RAYS]])
    near = np.clip(path + np.arange(-3, 4)[:, None], 0, len(r) - 1)
    return np.where(np.take_along_axis(seen, near, axis=0).max(axis=0) > 0.5, r[path], np.nan)


def _refined(picture: NDArray[np.float32], middle: Floats, rough: Floats, step: int) -> tuple[Floats, float]:
    """The outline at sub-pixel where a step fits across the rays (else as found), and its blur."""
    turn = 2 * np.pi * np.arange(RAYS) / RAYS
    filled = _without_strays(rough)
    outward = np.column_stack([np.cos(turn), np.sin(turn)])
    fits = measure_steps(picture, middle + filled[:, None] * outward, outward, half_px=max(3.0 * step, 9.0))
    good = fits.ok & (np.abs(fits.position) < 2.5 * step) & (fits.u_position < 1.0)
    if good.mean() < 0.25:
        raise Unclear("the outline of the tip does not stand out from what is behind it")
    return np.where(good, filled + fits.position, filled), float(np.median(fits.blur[good]))


def _without_strays(rough: Floats) -> Floats:
    """The outline in every direction: peaks narrower than `_SPIKE_DEG` and dips narrower than `_DIP_DEG` taken away (morphological
    opening and closing, all round), what is not seen carried across.

    A gap wider than a peak counts as inside while peaks are looked for: a grain that lies before it would be carried across
    it to the corner behind, and pass for the tooth.
    """
    ray, known = np.arange(RAYS), np.isfinite(rough)
    near = _morphed(known, cv2.MORPH_CLOSE, _SPIKE_DEG) > 0
    filled = np.interp(ray, ray[known], rough[known], period=RAYS)
    opened = _morphed(np.where(near, filled, 0.0), cv2.MORPH_OPEN, _SPIKE_DEG)
    known = opened > 0
    if not known.any():
        raise Unclear("the outline of the tip is not sharp all round")
    return _morphed(np.interp(ray, ray[known], opened[known], period=RAYS), cv2.MORPH_CLOSE, _DIP_DEG)


def _morphed(row: NDArray[Any], operation: int, width_deg: float) -> Floats:
    """Opened or closed all round by a window of this width."""
    window = np.ones((1, round(width_deg * RAYS / 360)), np.uint8)
    tiled = np.asarray(np.tile(row, 3)[None], np.float32)
    return np.asarray(cv2.morphologyEx(tiled, operation, window)[0, RAYS : 2 * RAYS], np.float64)


def _corners(rho: Floats) -> tuple[int, NDArray[np.intp]]:
    """Sense of turn in which the outline drops, and the ray of each corner."""
    scale = float(np.percentile(rho, 98))
    lag = round(_WITHIN * RAYS / 360)
    found: dict[int, tuple[float, NDArray[np.intp]]] = {}
    for sense in (1, -1):
        share = rho[::sense] / scale
        before = np.median([np.roll(share, k) for k in (0, 2, 4)], axis=0)
        after = np.median([np.roll(share, -k) for k in (lag - 2, lag, lag + 2)], axis=0)
        drop = np.where(before > _OUTER, before - after, 0.0)
        at = _peaks(drop, lag)
        worth = float(np.mean(drop[at] + before[at])) if len(at) else 0.0
        found[sense] = worth, at if sense > 0 else (RAYS - 1 - at)
    sense = 1 if found[1][0] >= found[-1][0] else -1
    if not len(found[sense][1]):
        raise Unclear("no cutting corner shows on the outline")
    if found[sense][0] < found[-sense][0] + _PLAIN or len(found[-sense][1]) > len(found[sense][1]):
        raise Unclear("the outline drops both ways round: dirt or damage hides which edges cut")
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
    return np.array([(start + b - 1) % RAYS for a, b in runs if b - a >= lag // 4], np.intp)


def _check(rho: Floats, at: NDArray[np.intp], count: int) -> None:
    """Refuse what does not stand evenly round the axis or does not look alike from flute to flute."""
    if count > _MOST_FLUTES:
        raise Unclear("more corners than a router cutter has")
    if count == 1 and np.mean(rho < 0.6 * np.percentile(rho, 98)) < _OPEN:
        raise Unclear("one corner shows, but no flute before it: this is not the end of a cutter")
    gaps = np.diff(np.concatenate([at, at[:1] + RAYS])) * 360 / RAYS
    if count >= 2 and np.abs(gaps - 360 / count).max() > _UNEVEN_DEG * 2 / count**0.5:
        raise Unclear(f"{count} corners show, but not evenly round the axis: one may be hidden")
    if count >= 2:
        likeness = _likeness(rho, RAYS / count)
        others = [_likeness(rho, RAYS / n) for n in range(2, 7) if n % count and count % n]
        if likeness < _LIKE_ITSELF or likeness < max(others, default=-1.0):
            raise Unclear("the outline does not look alike from flute to flute")


def _likeness(rho: Floats, shift: float) -> float:
    ray = np.arange(RAYS, dtype=float)
    turned = np.interp((ray + shift) % RAYS, ray, rho, period=RAYS)
    return float(np.corrcoef(rho, turned)[0, 1])


def _placed(rho: Floats, at: NDArray[np.intp], sense: int) -> Floats:
    """Corner points from the middle of the rays: the outline behind each corner carried on to the corner's ray."""
    points = []
    for k in at:
        behind = (k - sense * np.arange(3, 26)) % RAYS
        back = np.arange(3, 26, dtype=float)
        radius = rho[behind]
        fit = np.polynomial.Polynomial.fit(back, radius, 1)
        off = radius - fit(back)
        keep = np.abs(off) < 3 * 1.4826 * np.median(np.abs(off)) + 1e-6
        fit = np.polynomial.Polynomial.fit(back[keep], radius[keep], 1)
        angle = 2 * np.pi * k / RAYS
        points.append(float(fit(0.0)) * np.array([np.cos(angle), np.sin(angle)]))
    return np.array(points)
