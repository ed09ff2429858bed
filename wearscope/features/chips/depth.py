"""How deep a found chip is: on the contour with the blur taken out, then in the picture itself, through the blur."""

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.features.chips.seen import MOUTH, NEAR, Chip, SeenEdge, calm
from wearscope.geometry.baseline import robust_sigma
from wearscope.photo.read import Photo
from wearscope.subpixel.notch import fit_notch
from wearscope.subpixel.trace import LUMINANCE, Strip, straighten, unblur

__all__ = ["contour_chip", "is_coloured", "through_blur"]

Floats = NDArray[np.float64]

_SEEN_TWICE = 2.5
"""What the contour shows must be so many standard deviations deep in the picture itself too: once in 160 by chance, and it stood out once already."""
_DESCRIBED = 9.0
"""A form that leaves three times what the light scatters by (mean square) does not describe a chip."""
_BESIDE = 24.0
"""Sigma_b of edge on both sides of a chip that show what is usual there."""
_COLOURED = 0.05
"""Grey metal, any ground and the shade between them share their colour to a few in a hundred (drawn chips: 0.01, on paper 0.06 with as much scatter);
resin sends a third of the metal's red and hardly any blue, of which blur leaves a third in the shallowest of chips."""
_SURELY = 3.0
"""Standard deviations by which that colour must differ from what is usual beside: once in 740 by chance."""
_NARROW = 8.0
"""A tip is what is narrower than this part of the mouth: broken edges have flat or round floors, and of a pointed one it is the last eighth."""
_TIP = 0.2
"""Depth that the unknown form of a tip may cost, in sigma_b: between a round and a pointed one of drawn chips."""


def contour_chip(seen: SeenEdge, a: int, b: int, sign: float) -> Chip:
    """A found stretch, measured on the outline with the blur taken out. Never seen columns are bridged."""
    s, blur, noise, line = seen.s_px, seen.blur, seen.noise, seen.line
    pad = round(6 * blur)
    part = slice(max(0, a - pad), min(len(s), b + pad))
    known = np.isfinite(seen.missing[part])
    shown = np.interp(s[part], s[part][known], seen.missing[part][known])
    inner = slice(a - part.start, b - part.start)
    # the trace averages columns over about one blur: that much wider is the whole blur along the edge
    sharp = unblur(shown, blur_px=1.1 * blur)
    jagged = robust_sigma((shown - calm(shown, 2.5 * blur))[inner])
    single = max(noise.single_px, jagged)
    k, depth, shared = _deepest(sign * sharp, inner, noise.single_px, blur)
    place, flat = s[a:b][[k]], sign * float(calm(shown, 1.25 * blur)[inner][k])
    u = {
        "noise": single / float(np.sqrt(shared)) + float(noise.level_px[a + k]),
        "baseline": float(line.uncertainty(place)[0]),
        # the blurred picture does not tell a pointed tip from a round one, nor the corner of a floor
        "blur": float(np.hypot(0.4 * (depth - flat), _TIP * min(abs(depth), blur))),
        "form": 0.5 * (float(seen.doubt[a + k]) + _spike(sign * sharp[inner], depth, blur)),
    }
    deepest = seen.frame.to_photo(place, line(place) + sign * depth)[0]
    return Chip(
        place_px=float(place[0]),
        mouth_px=(float(s[a]) - 0.5, float(s[b - 1]) + 0.5),
        depth_px=sign * depth,
        area_px2=float(np.sum(shown[inner])),
        deepest_px=(float(deepest[0]), float(deepest[1])),
        contour_px=seen.frame.to_photo(s[a:b], line(s[a:b]) + calm(sharp, 1.25 * blur)[inner]),
        u_depth_px=u,
    )


def is_coloured(photo: Photo, seen: SeenEdge, chip: Chip) -> bool:
    """Whether what fills the chip has a colour of its own: resin, rust or a film on the edge, where a chip shows the ground.

    Red less blue, each as a share of the step from ground to cutter, changes across a broken edge as across the whole one beside it, however
    deep it is, and whatever colour ground, cutter and the lens's fringes have.
    """
    blur, deep = seen.blur, chip.depth_px
    first, last = (int(np.searchsorted(seen.s_px, at)) for at in chip.mouth_px)
    part = slice(max(0, first - round(_BESIDE * blur)), last + round(_BESIDE * blur))
    s, whole = seen.s_px[part], np.abs(seen.missing[part]) < blur
    if whole.sum() < MOUTH * blur:
        return False
    course = seen.line(s)
    strips = [
        straighten(
            photo.linear_bgr,
            photo.size,
            seen.frame,
            s_px=s,
            course_px=course,
            d_range=(-6 * blur - deep, 6 * blur + deep),
            weights=weights,
        )
        for weights in np.eye(3)[[0, 2]]
    ]
    d = strips[0].d_px
    blue, red = (_of_step(strip, whole, blur) for strip in strips)
    usual = np.median((red - blue)[:, whole], axis=1)
    along, across = seen.frame.to_strip(chip.contour_px)
    depth = np.interp(s, along, across - seen.line(along), left=0.0, right=0.0)
    own = red - blue - np.interp(d[:, None] - depth, d, usual)
    opened = (d[:, None] > 0) & (d[:, None] < depth)
    if not opened.any():
        return False
    beside = own[(d > 0) & (d < max(deep, 2.0))][:, whole].mean(axis=0)
    of_mean = robust_sigma(beside) * float(np.sqrt(3 * blur / chip.length_px))
    return abs(float(own[opened].mean())) > max(_COLOURED, _SURELY * of_mean)


def _of_step(strip: Strip, whole: NDArray[np.bool_], blur: float) -> Floats:
    """Light of a strip as a share of the step from its ground to its cutter, where the edge is whole."""
    ground, cutter = (
        float(np.nanmedian(strip.light[rows][:, whole]))
        for rows in (strip.d_px < -3 * blur, (strip.d_px > 3 * blur) & (strip.d_px < 6 * blur))
    )
    return np.asarray(np.nan_to_num((strip.light - ground) / (cutter - ground)), np.float64)


def through_blur(photo: Photo, seen: SeenEdge, chip: Chip) -> Chip | None:
    """The chip with the depth of a notch of simple form, fitted to the picture, where that describes it no worse than the followed contour.

    None where the picture does not show one.
    """
    blur, line = seen.blur, seen.line
    first, last = (int(np.searchsorted(seen.s_px, at)) for at in chip.mouth_px)
    pad = round(7 * blur)
    part = slice(max(0, first - pad), min(len(seen.s_px), last + pad))
    s = seen.s_px[part]
    along, across = seen.frame.to_strip(chip.contour_px)
    contour = np.interp(s, along, across - line(along), left=0.0, right=0.0)
    u_edge = float(np.hypot(chip.u_depth_px["baseline"], seen.noise.level_px[first]))
    strip = straighten(
        photo.linear_bgr,
        photo.size,
        seen.frame,
        s_px=s,
        course_px=line(s),
        # the contour may have lost a floor that lies deeper
        d_range=(-7 * blur, 1.8 * chip.depth_px + 6 * blur),
        weights=LUMINANCE,  # the blur was measured in it; colour is stored at half resolution in most files
    )
    hollow, u_hollow = _behind(chip, strip, contour, blur)
    # of a dent that stays near the edge the contour knows nothing that the picture does not
    dent = chip.depth_px < NEAR * blur
    on_contour = chip if dent else _less_hollow(chip, contour, hollow)
    doubted = _SEEN_TWICE if dent else 0.0
    notch = fit_notch(
        strip.light, strip.d_px, s, contour, chip.mouth_px, blur_px=blur, u_edge_px=u_edge, doubted_sd=doubted
    )
    if notch is None:
        return on_contour
    u_depth = {
        "baseline": chip.u_depth_px["baseline"],
        "light": float(seen.noise.level_px[first]),
        "hollow": u_hollow,
        **notch.u_depth_px,
    }
    u = np.hypot.reduce(list(u_depth.values()))
    described = notch.misfit <= min(notch.contour_misfit, _DESCRIBED) and notch.depth_px > 0
    if (described or dent) and notch.depth_px < _SEEN_TWICE * u:
        return None
    if not described:
        return on_contour
    if u > np.hypot.reduce(list(on_contour.u_depth_px.values())):
        return on_contour
    place = np.array([notch.place_px])
    deepest = seen.frame.to_photo(place, line(place) + notch.depth_px)[0]
    return replace(
        chip,
        place_px=notch.place_px,
        depth_px=notch.depth_px,
        deepest_px=(float(deepest[0]), float(deepest[1])),
        u_depth_px=u_depth,
    )


def _behind(chip: Chip, strip: Strip, contour: Floats, blur: float) -> tuple[float, float]:
    """What lies behind a chip's floor: how far its light is on the way from the cutter's to the ground's (0..1), and by how much (px) its
    unevenness may move the floor.

    A broken hollow is both; one that is lit from behind is as dark as the cutter.
    """
    start, end = chip.mouth_px
    d, s, light = strip.d_px[:, None], strip.s_px, strip.light
    beside = (s < start - 2 * blur) | (s > end + 2 * blur)
    away = cv2.distanceTransform((d >= contour).astype(np.uint8), cv2.DIST_L2, 5)
    near = (away > 2.5 * blur) & (away < 6 * blur) & (d > chip.depth_px / 2) & (s > start) & (s < end)
    near &= np.isfinite(light)
    if not beside.any() or near.sum() < 2:
        return 0.0, 0.0
    ground = float(np.nanmedian(light[strip.d_px < -2 * blur]))
    face = float(np.nanmedian(light[strip.d_px > 3 * blur][:, beside]))
    share = float(np.mean(np.clip((face - light[near]) / (face - ground), 0.0, 1.0)))
    uneven = float(np.std(light[near])) / max(abs(float(np.mean(light[near])) - ground), 1e-6)
    # the zone is as wide as what blur leaves alike; so many places of it are independent
    places = max(1.0, float(near.sum()) / (3.5 * blur) ** 2)
    return share, float(np.sqrt(np.pi / 2) * blur * uneven / np.sqrt(places))


def _less_hollow(chip: Chip, contour: Floats, hollow: float) -> Chip:
    """A chip on its contour, where a broken hollow behind it may be taken for ground: of a narrow tip before one that looks just like it
    (`hollow` 1) nobody can tell which it is, and one chance is as good as the other."""
    false = 0.5 * hollow
    kernel = np.ones((1, max(1, round(chip.length_px / _NARROW))), np.uint8)
    floor = cv2.morphologyEx(contour[None, :].astype(np.float32), cv2.MORPH_OPEN, kernel)
    tip = max(0.0, chip.depth_px - float(floor.max()))
    u_depth = {**chip.u_depth_px, "hollow": tip * float(np.sqrt(false * (1 - false)))}
    return replace(chip, depth_px=chip.depth_px - false * tip, u_depth_px=u_depth)


def _deepest(offset: Floats, inner: slice, noise: float, blur: float) -> tuple[int, float, float]:
    """Column (within `inner`) and depth of the deepest place, and over how many times the least width it is averaged.

    The deepest of many noisy columns lies too deep, the more so the longer a flat floor is: the smoothing is widened for as
    long as that lowers the depth by no more than noise does.
    """
    widest = 1.0
    first = calm(offset, 1.25 * blur)[inner]
    k = int(np.argmax(first))
    depth = float(first[k])
    while 2.5 * widest * blur < (inner.stop - inner.start) / 2:
        smooth = calm(offset, 1.25 * 1.6 * widest * blur)[inner]
        if np.max(first) - np.max(smooth) > noise:
            break
        widest *= 1.6
        k, depth = int(np.argmax(smooth)), float(np.max(smooth))
    return k, depth, widest


def _spike(offset: Floats, depth: float, blur: float) -> float:
    """By how much the deepest place of a deep chip goes beyond what is three blurs wide: it may be a dark wall behind the chip."""
    if depth < NEAR * blur:
        return 0.0
    kernel = np.ones((1, max(1, round(3 * blur))), np.uint8)
    floor = cv2.morphologyEx(
        offset[None, :].astype(np.float32), cv2.MORPH_OPEN, kernel, borderType=cv2.BORDER_REPLICATE
    )
    return max(0.0, depth - float(floor.max()))
