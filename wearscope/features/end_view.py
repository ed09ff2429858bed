"""Looking along the axis at the tip: how many flutes there are, and whether an edge reaches the centre.

The tip is sharp in the picture, what lies behind it is not. Going in from outside, the first sharp edge in each direction is the
outline: at a cutting corner it drops from the cutting circle straight down the rake face. All corners drop in one sense of turn and
stand evenly round the axis, or the picture is refused: nothing is guessed.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Finding, Mark
from wearscope.outline.find import gradients_of, small_copy
from wearscope.outline.gate import WIDEST_BLUR_PX, exposure_flags
from wearscope.photo.read import Photo
from wearscope.quantity import Quantity
from wearscope.subpixel.profile import measure_steps

__all__ = ["NAMES", "measure_end"]

Floats = NDArray[np.float64]

NAMES = ("flute_count", "corner_radius_spread", "cutting_diameter")
_RAYS = 1440
_DROP = 0.12
"""Share of the radius by which the outline drops at a corner, within `_WITHIN` degrees: the gullet of any cutter is deeper, the
fall of its relief behind the edge shallower."""
_WITHIN = 4.0
_OUTER = 0.9
"""A corner lies on the outer tenth of the circle around the tip."""
_PLAIN = 0.1
"""How much farther out (share of the radius) corners must lie and drop than heels do, to be told from them."""
_UNEVEN_DEG = 20.0
"""Cutters of unequal pitch are off an even one by up to about this much (common practice, no source)."""
_WIDE_PX = 3.0
"""Blur (small px) that halves the slope of a sharp edge, not that of the shank's border far behind the tip."""
_LIKE_ITSELF = 0.75
"""Correlation of the outline with itself turned by one pitch: a picture with another count, or none, stays below."""


_NO_RADII = "the outline of the tip is followed too roughly to say how far each corner lies from the axis: use a series of silhouettes"


class _Unclear(Exception):
    """The tip cannot be made out; the text says why."""


@dataclass(frozen=True, slots=True)
class _Tip:
    """`centre_px` of the circle round the tip; corners (n, 2) in order of turn; `blur_px`."""

    centre_px: Floats
    corners_px: Floats
    blur_px: float

    @property
    def radii_px(self) -> Floats:
        return np.asarray(np.hypot(*(self.corners_px - self.centre_px).T), np.float64)


def measure_end(photo: Photo) -> Finding:
    """Flute count, with a mark at each corner, and whether an edge reaches the centre (remark).

    Distances of the corners from the axis are not measured. What cannot be told is named with its reason.
    """
    small, _ = small_copy(photo)
    flags = exposure_flags(small)
    try:
        tip = _find_tip(photo)
    except _Unclear as reason:
        return Finding(not_measured=dict.fromkeys(NAMES, str(reason)), flags=(*flags, "end_unclear"))
    if tip.blur_px > WIDEST_BLUR_PX:
        flags = (*flags, "out_of_focus")
    count = len(tip.corners_px)
    quantities = {
        "flute_count": Quantity(float(count), "count"),
        "edge_blur_width": Quantity(tip.blur_px, "px", {"noise": 0.05 * tip.blur_px}),
    }
    marks = tuple(
        Mark("flute", (float(x), float(y)), f"flute {k + 1}") for k, (x, y) in enumerate(tip.corners_px)
    )
    remarks = (_reach(photo, tip), "corners and chips are judged on a photo of each corner, side-on")
    return Finding(quantities, dict.fromkeys(NAMES[1:], _NO_RADII), marks, flags, (), remarks)


def _find_tip(photo: Photo) -> _Tip:
    small, step = small_copy(photo)
    fine = _sharpness(small)
    centre, radius = _circle(fine)
    rough = _rays(fine, centre, radius)
    if np.isfinite(rough).mean() < 0.9:
        raise _Unclear("the outline of the tip is not sharp all round")
    picture = photo.linear()
    middle = centre * step + (step - 1) / 2
    rho, blur = _refined(picture, middle, rough * step, step)
    sense, at = _corners(rho)
    count = len(at)
    _check(rho, at, count)
    return _Tip(middle, middle + _placed(rho, at, sense), blur)


def _sharpness(small: NDArray[np.uint8]) -> NDArray[np.float32]:
    """The gradient less what a wide blur leaves of it: soft edges behind the tip are as steep as before and vanish."""
    wide = cv2.GaussianBlur(small, (0, 0), _WIDE_PX)
    fine = gradients_of(small).fine - 1.3 * gradients_of(np.asarray(wide, np.uint8)).fine
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
    """Distance of the first sharp edge from outside in each direction, NaN where there is none."""
    turn = 2 * np.pi * np.arange(_RAYS) / _RAYS
    r = np.arange(1.12 * radius, 0.1 * radius, -0.5)
    x = centre[0] + r[:, None] * np.cos(turn)
    y = centre[1] + r[:, None] * np.sin(turn)
    values = cv2.remap(fine, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    level = _sharp(fine)
    over = values > level
    first = np.argmax(over, axis=0)
    # on to the crest of that edge
    reach = np.clip(first + np.arange(5)[:, None], 0, len(r) - 1)
    crest = np.argmax(np.take_along_axis(values, reach, axis=0), axis=0)
    found = over.any(axis=0)
    return np.where(found, r[np.clip(first + crest, 0, len(r) - 1)], np.nan)


def _refined(picture: NDArray[np.float32], middle: Floats, rough: Floats, step: int) -> tuple[Floats, float]:
    """The outline at sub-pixel where a step fits across the rays (else as found), and its blur."""
    turn = 2 * np.pi * np.arange(_RAYS) / _RAYS
    known = np.isfinite(rough)
    filled = np.interp(np.arange(_RAYS), np.flatnonzero(known), rough[known], period=_RAYS)
    outward = np.column_stack([np.cos(turn), np.sin(turn)])
    fits = measure_steps(picture, middle + filled[:, None] * outward, outward, half_px=max(3.0 * step, 9.0))
    good = fits.ok & (np.abs(fits.position) < 2.5 * step) & (fits.u_position < 1.0)
    if good.mean() < 0.25:
        raise _Unclear("the outline of the tip does not stand out from what is behind it")
    return np.where(good, filled + fits.position, filled), float(np.median(fits.blur[good]))


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
    if count > 8:
        raise _Unclear("more corners than a router cutter has")
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


def _reach(photo: Photo, tip: _Tip) -> str:
    """Does an edge reach the centre, as far as brightness tells: lands shine, the gap between them is dark."""
    light = photo.linear()
    radius = float(tip.radii_px.max()) if len(tip.corners_px) > 1 else 0.0
    if not radius:
        return "whether an edge reaches the centre cannot be told from a single flute"
    y, x = np.mgrid[: light.shape[0], : light.shape[1]]
    away = np.hypot(x - tip.centre_px[0], y - tip.centre_px[1]) / radius
    lands = float(np.percentile(light[(away > 0.3) & (away < 0.9)], 85))
    gap = float(np.percentile(light[(away > 0.3) & (away < 0.9)], 15))
    share = (float(np.median(light[away < 0.03])) - gap) / max(lands - gap, 1e-6)
    if share > 0.6:
        return "the centre shines as the end edges do: one may reach it; look with a loupe before you plunge"
    if share < 0.25:
        return "no edge is seen to reach the centre: do not plunge with it"
    return (
        "whether an edge reaches the centre cannot be told: do not plunge before you have looked with a loupe"
    )
