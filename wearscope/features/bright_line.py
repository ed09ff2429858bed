"""The bright line of a dull edge, on a photo of a corner that is lit from the front.

A sharp edge sends no light to the lens, a rounded one does: a line along the outline, lighter than the rake face behind it and than
the ground before it. The light across the edge, the median along a piece of it, is fitted by two steps seen through the measured blur: from
the ground to the line, and from the line to the face. What the camera's sharpening puts beside an edge, grinding lines, and facets that turn
the light are less of a step than `_TIMES`. A land that was ground on purpose is as wide all along and ends as sharply as the picture is;
it cannot be told from an edge that is rounded evenly, and is named, not measured.
"""

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.outline.shape import CornerPose
from wearscope.photo.colour import is_silhouette
from wearscope.photo.read import Photo, srgb_to_linear
from wearscope.quantity import ONE_SIDED_95, Quantity

__all__ = ["NAME", "measure_bright_line"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NAME = "bright_line_width"
_PIECE_PX, _STEP_PX = 60, 6
"""The edge is read in pieces this long, every sixth column: many grinding lines wide, short against an edge."""
_FEWEST = 2
"""A line is held along so many neighbouring pieces: a speck, a chip's floor or a glint is shorter."""
_LONG, _ALIKE = 8.0, 0.35
"""A line is so many times as long as wide, and its width strays by less than this share (sd): facets that meet the edge at an angle are
neither."""
_TIMES = 2.0
"""A bright line is so many times as light as the face behind it and as the ground before it: it is the lamp's mirror image. Sharpening lifts
an edge by up to a third of its step, coarse grinding lines differ by a quarter (sd; common practice, no source)."""
_SURE = 5.0
"""Standard deviations by which a second step must be seen: there are a few dozen pieces, and light is not quite even."""
_RESOLVED, _RESOLVED_SHARPENED = 3.0, 5.0
"""A width that may lie below so many sigma_b is an upper limit, never a number: narrower lines differ in light only, and one that fades into
the face looks up to a sigma_b wider. Sharpening puts a line of its own up to about 3 sigma_b wide beside an edge."""
_BEFORE, _FARTHEST = 6.0, 240
"""Sigma_b of ground before the edge, and px behind it, that are read."""
_WIDEST_MM = 0.3
_NARROWEST = 16.0
"""Sigma_b behind the edge in which a line is looked for first, then in twice as much: the least that shows line and face as wide
again says the most, because light changes across a face."""
_NEAR = 2.0
"""A line begins at the edge, within so many sigma_b (its place was found to about one)."""
_TEXTURE = 4.0
"""Grinding lines beside the edge differ from the face as those farther in do: so many of their standard deviations are no chance."""
_HINT = 1.5
"""Only where the light is so many times that of the ground and of what lies farther in a line is looked for."""
_TRIED = np.arange(-2.0, 2.5, 0.5)
"""Places of a single step, in sigma_b, that are tried to explain the light without a line."""
_BLUR_DIFFERS = 1.0
"""The blur of the corner was measured as if there were no line, and one of about two sigma_b deceives it by half (drawn corners): where
a line has flanks of its own they say what it is, and where it has none its width stays open."""
_CLIPPED = 0.95
"""Of full scale: what is as light is blown out."""
_GLARE = 1.15
"""A blown-out line four times as light as full scale crosses its half level so many sigma_b beside the half level that is seen."""
_CORRELATED = 3.5
"""Neighbouring rows share their noise through the blur: 2 sqrt(pi) sigma_b rows count as one."""
_EVEN, _STRAIGHT, _ALL_ALONG = 0.05, 6, 0.75
"""A wheel holds the width of a land to about a twentieth, all along the edge (common practice, no source): from so many pieces on, and
such a share of all, that can be told."""
_AS_THE_OTHER = 4
"""Who grinds a land on one edge grinds one on the other. There so many pieces are enough: where a face is light, a land on it does not stand
out everywhere, and four pieces of a line that strays by 15 % are as even as a land in one case of twenty (chi-square, 3 degrees of freedom)."""
_FLAT = 0.05
"""The light of a face is even to about this over some blurs (common practice, no source)."""
_BAND = (
    "a bright band runs along an edge as evenly as a land that was ground on purpose; compare it with the "
    "cutter when new"
)
_ROUNDS = 5
_DARK_CODE = 10 / 255
"""Of the sRGB code: below it a face does not show."""


@dataclass(frozen=True, slots=True)
class _Profiles:
    """Light (rows, pieces) across an edge: `d_px` (rows,) from it into the cutter; where each piece lies, (pieces, 2) px, and the way
    `into` the cutter (pieces, 2)."""

    light: Floats
    d_px: Floats
    at_px: Floats
    into: Floats


@dataclass(frozen=True, slots=True)
class _Lines:
    """One value per piece, px: where the line begins, how wide it is, its blur, its standard uncertainties, the widest
    line that agrees with the light (NaN: something else shines), whether a line is seen, and whether its light is blown out."""

    begin: Floats
    width: Floats
    blur: Floats
    u_noise: Floats
    u_blur: Floats
    at_most: Floats
    seen: Bools
    clipped: Bools


@dataclass(frozen=True, slots=True)
class _Fit:
    """One value per piece: both borders and the blur with the width's standard uncertainties (px), the steps of light at them, the
    squares that are left, and the variance of the light's noise."""

    begin: Floats
    width: Floats
    blur: Floats
    u_noise: Floats
    u_blur: Floats
    rise: Floats
    fall: Floats
    left: Floats
    noise: Floats


def measure_bright_line(
    photo: Photo,
    corner: CornerPose,
    edges: Sequence[Curve],
    scale: Scale,
    *,
    blur: Quantity | None = None,
    sharpened: bool = False,
) -> Finding:
    """Width of the bright line along the cutting edges, mm: the mean over the pieces in which one is seen, of the edge where it is wider.

    `edges`: the undamaged edges, each from the corner outward; `blur`: sigma_b at the corner, px; `sharpened`: the camera sharpens. A line too narrow to
    be resolved, or none, gives an upper limit. Not measured: a silhouette, a black or blown-out face, a ground that is itself so light that a line could
    not stand out, and a band as even as one ground on purpose.
    """
    sigma = blur.value if blur is not None else corner.blur_px
    u_sigma = math.hypot(_BLUR_DIFFERS * sigma, blur.standard_uncertainty if blur is not None else 0.0)
    read = [
        profiles for edge in edges if (profiles := _across(photo, corner, edge.px, sigma, scale)) is not None
    ]
    if not read:
        return Finding(not_measured={NAME: "too little of the edges could be followed"})
    lines = [_fit(profiles, sigma, u_sigma) for profiles in read]
    least = _RESOLVED_SHARPENED if sharpened else _RESOLVED
    told = [_told(found, profiles, sigma, least) for found, profiles in zip(lines, read, strict=True)]
    if _BAND in told:
        told = [_BAND if _even(found, _AS_THE_OTHER) else one for one, found in zip(told, lines, strict=True)]
    flags: tuple[str, ...] = ("even_band",) if _BAND in told else ()
    values = [one for one in told if isinstance(one, Quantity) and one.kind == "value"]
    limits = [one for one in told if isinstance(one, Quantity) and one.kind == "upper_limit"]
    reasons = tuple(one for one in told if isinstance(one, str))
    if not values and (reasons or not limits):
        return Finding(not_measured={NAME: "; ".join(dict.fromkeys(reasons))}, flags=flags)
    widest = max(values or limits, key=lambda quantity: quantity.value)
    curves = [
        curve
        for one, found, profiles in zip(told, lines, read, strict=True)
        if isinstance(one, Quantity) and one.kind == "value"
        for curve in _drawn(found, profiles)
    ]
    at = told.index(widest)
    marks = (_mark(lines[at], read[at], widest, scale),) if values else ()
    flags += ("dull_edge",) if values else ()
    return Finding({NAME: scale.to_mm(widest)}, {}, marks, flags, tuple(curves))


def _across(photo: Photo, corner: CornerPose, edge: Floats, sigma: float, scale: Scale) -> _Profiles | None:
    """The light across one edge; None where less than `_FEWEST` pieces of it lie in the photo."""
    walk = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(edge, axis=0).T))])
    count = int(walk[-1] // _PIECE_PX)
    if count < _FEWEST:
        return None
    s = np.arange(0, count * _PIECE_PX, _STEP_PX) + 0.5
    along = np.stack([np.interp(s, walk, edge[:, k]) for k in (0, 1)], axis=1)
    way = np.gradient(cv2.blur(along, (1, 9), borderType=cv2.BORDER_REFLECT), axis=0)
    way /= np.hypot(*way.T)[:, None]
    into = np.stack([-way[:, 1], way[:, 0]], axis=1)
    inward = np.add(corner.end_direction, corner.side_direction)
    into *= np.sign(into @ inward)[:, None]
    depth = int(max(min(2 * _WIDEST_MM * scale.px_per_mm, _FARTHEST), _NARROWEST * sigma))
    near = math.ceil(_NARROWEST / 2 * sigma)
    d = np.concatenate([np.arange(-math.ceil(_BEFORE * sigma), near), np.arange(near, depth + 1, 2)]).astype(
        float
    )
    at = (along + d[:, None, None] * into).astype(np.float32)
    codes: Any = cv2.remap(
        photo.encoded, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    light = Photo(photo.path, photo.sha256, codes).linear()
    if _beyond(at[[0, -1]], photo).any():
        light[_beyond(at, photo)] = np.nan
    each = light.reshape(len(d), count, -1)
    each.sort(axis=2)
    pieces = each[:, :, each.shape[2] // 2].astype(float)
    whole = np.isfinite(pieces).all(axis=0)
    if whole.sum() < _FEWEST:
        return None
    middle = slice(_PIECE_PX // _STEP_PX // 2, None, _PIECE_PX // _STEP_PX)
    return _Profiles(pieces[:, whole], d, along[middle][whole], into[middle][whole])


def _beyond(at: NDArray[np.float32], photo: Photo) -> Bools:
    """Which places (..., 2) lie outside of the photo."""
    return np.asarray(((at < 0) | (at > np.array(photo.size) - 1)).any(axis=-1))


def _fit(profiles: _Profiles, sigma: float, u_sigma: float) -> _Lines:
    """Each piece by itself, where what shines may be a line."""
    light, d = profiles.light, profiles.d_px
    zero = np.zeros(light.shape[1])
    shines, width = _shining(light, d, sigma)
    at_most = np.where(shines, np.nan, _hides(light, d, sigma))
    found = _Lines(zero, zero, zero + sigma, zero, zero, at_most, zero > 0, zero > 0)
    lines = np.flatnonzero(_line_like(shines, width))
    if not len(lines):
        return found
    here = _two_steps(light[:, lines], d, width[lines], sigma, u_sigma)

    def with_these(name: str) -> NDArray[Any]:
        values = getattr(found, name).copy()
        values[lines] = getattr(here, name)
        return np.asarray(values)

    return _Lines(*(with_these(name) for name in _Lines.__slots__))


def _shining(light: Floats, d: Floats, sigma: float) -> tuple[Bools, Floats]:
    """Which pieces are lighter beside the edge than the ground, and than the near, middle or far third of what lies behind; and how far in (px) the light has
    fallen half-way to that."""
    ground = np.median(light[d <= -_BEFORE / 2 * sigma], axis=0)
    beside = light[np.abs(d) <= _NEAR * sigma + 1].max(axis=0)
    behind = np.min(
        [np.median(part, axis=0) for part in np.array_split(light[d > _BEFORE / 2 * sigma], 3)], axis=0
    )
    first = np.argmax((light < (beside + behind) / 2) & (d > sigma)[:, None], axis=0)
    return np.asarray(beside > _HINT * np.maximum(behind, ground), np.bool_), d[first]


def _line_like(seen: Bools, width: Floats) -> Bools:
    """Pieces one beside the other, long against their width, about as wide everywhere."""
    held = np.zeros_like(seen)
    ends = np.flatnonzero(np.diff(np.concatenate([[0], seen.astype(int), [0]])))
    for begin, end in zip(ends[::2], ends[1::2], strict=True):
        wide = width[begin:end]
        long = (end - begin) * _PIECE_PX >= _LONG * wide.mean()
        held[begin:end] = end - begin >= _FEWEST and long and wide.std() < _ALIKE * wide.mean()
    return np.asarray(held, np.bool_)


def _beyond_texture(light: Floats, d: Floats, begin: Floats, width: Floats, sigma: float) -> Bools:
    """Does the line stand out from the face more than what the face's own grinding lines do from each other?"""
    end = begin + width
    far = np.maximum(2 * width, _NARROWEST * sigma)
    behind = (d[:, None] > end + 2 * sigma) & (d[:, None] < end + far)
    face = np.where(behind, light, np.nan)
    on = np.where((d[:, None] >= begin) & (d[:, None] <= end), light, 0).max(axis=0)
    with warnings.catch_warnings(action="ignore", category=RuntimeWarning):  # no rows behind: NaN, not told
        return np.asarray(on - np.nanmean(face, axis=0) > _TEXTURE * np.nanstd(face, axis=0), np.bool_)


def _hides(light: Floats, d: Floats, sigma: float) -> Floats:
    """The widest line (px) of `_TIMES` the face's light that would not stand out more than what is seen."""
    near = np.abs(d) < 4 * sigma
    face = np.median(light[(d > 4 * sigma) & (d < _NARROWEST / 2 * sigma)], axis=0)
    seen = light[near].max(axis=0) / np.maximum(face, 1e-6) - 1
    return np.asarray(sigma * np.interp(seen + _FLAT, *_standing_out()), np.float64)


@cache
def _standing_out() -> tuple[Floats, Floats]:
    """By what share of the face's light lines of some widths (sigma_b) stand out, and these widths."""
    from scipy.special import ndtr

    width = np.arange(0.5, 4.0, 0.125)
    away = np.arange(-3.0, 6.0, 0.125)[:, None]
    return (ndtr(away) * _TIMES - (_TIMES - 1) * ndtr(away - width)).max(axis=0) - 1, width


def _two_steps(light: Floats, d: Floats, width: Floats, sigma: float, u_sigma: float) -> _Lines:
    """Fit ground, line and face from about the `width`; as much face is used as there is line."""
    ground = np.median(light[d <= -_BEFORE / 2 * sigma], axis=0)
    used = (d[:, None] <= np.maximum(_NARROWEST * sigma, 2 * width + 8 * sigma)).T.astype(float)
    rows = used.sum(axis=1)
    near = slice(0, int(rows.max()))
    all_light, all_d, light, d, used = light, d, light[near], d[near], used[:, near]
    one = _left(_levels(d, [sigma * _TRIED[:, None]], sigma), light.T, used).min(axis=0)
    fit = _refine(light.T, d, used, width, sigma, u_sigma)
    line, face = ground + fit.rise, np.maximum(ground + fit.rise + fit.fall, 0)
    seen = (one - fit.left > _SURE**2 * fit.noise) & (line >= _TIMES * np.maximum(ground, face))
    seen &= (np.abs(fit.begin) <= _NEAR * sigma) & (fit.width > 0) & (2 * fit.width <= all_d[-1])
    seen &= (rows > 8) & _beyond_texture(all_light, all_d, fit.begin, fit.width, sigma)
    inside = (d[:, None] >= fit.begin) & (d[:, None] <= fit.begin + fit.width)
    clipped = np.where(inside, light, 0).max(axis=0) > _CLIPPED
    at_most = np.where(seen, fit.width + ONE_SIDED_95 * np.hypot(fit.u_noise, fit.u_blur), np.nan)
    return _Lines(fit.begin, fit.width, fit.blur, fit.u_noise, fit.u_blur, at_most, seen, clipped)


def _levels(d: Floats, places: Sequence[Floats | float], blur: Floats | float) -> Floats:
    """(..., rows, columns): even light, light that changes across the face, and a blurred step at each of the places (...)."""
    from scipy.special import ndtr

    steps = [ndtr((d - np.asarray(p)[..., None]) / np.asarray(blur)[..., None]) for p in places]
    flat = [np.broadcast_to(one, steps[0].shape) for one in (np.ones_like(d), np.maximum(d, 0))]
    return np.stack([*flat, *steps], axis=-1)


def _solved(levels: Floats, light: Floats, used: Floats) -> Floats:
    """Least squares (..., pieces, columns)."""
    turned = np.swapaxes(levels, -1, -2) * used[:, None, :]
    normal = turned @ levels
    normal = normal + 1e-9 * np.eye(normal.shape[-1])
    return np.asarray(np.linalg.solve(normal, turned @ light[..., None])[..., 0])


def _left(levels: Floats, light: Floats, used: Floats) -> Floats:
    """Sum of squares that is left, (..., pieces)."""
    off = light - (levels @ _solved(levels, light, used)[..., None])[..., 0]
    return np.asarray((used * off * off).sum(axis=-1))


def _refine(light: Floats, d: Floats, used: Floats, q: Floats, sigma: float, u_sigma: float) -> _Fit:
    """Least squares (Gauss-Newton) for both borders and the blur, which is held to what is known of it."""
    p, q = np.zeros_like(q), q.copy()
    blur = np.full(len(q), sigma)
    prior = np.zeros((7, 7))
    prior[6, 6] = 1 / u_sigma**2
    for last in [False] * _ROUNDS + [True]:
        levels = _levels(d, [p, q], blur)
        fit = _solved(levels, light, used)
        off = light - (levels @ fit[..., None])[..., 0]
        left = (used * off * off).sum(axis=1)
        noise = np.maximum(left, 1e-9) / np.maximum(used.sum(axis=1) - 6, 1) * max(1.0, _CORRELATED * sigma)
        zp, zq = (d - p[:, None]) / blur[:, None], (d - q[:, None]) / blur[:, None]
        bell_p, bell_q = (np.exp(-0.5 * z * z) / (math.sqrt(2 * math.pi) * blur[:, None]) for z in (zp, zq))
        rise, fall = fit[:, 2:3], fit[:, 3:4]
        slopes = [-rise * bell_p, -fall * bell_q, -(rise * bell_p * zp + fall * bell_q * zq)]
        jacobian = np.concatenate([levels, np.stack(slopes, axis=2)], axis=2)
        turned = jacobian.transpose(0, 2, 1) * used[:, None, :]
        normal = turned @ jacobian / noise[:, None, None] + prior
        normal = normal + 1e-9 * np.einsum("kii->ki", normal)[:, :, None] * np.eye(7)
        if last:
            break
        pull = (turned @ off[..., None])[..., 0] / noise[:, None]
        pull[:, 6] += (sigma - blur) / u_sigma**2
        move = np.clip(np.linalg.solve(normal, pull[..., None])[:, 4:, 0], -sigma / 2, sigma / 2)
        p, q, blur = p + move[:, 0], q + move[:, 1], np.clip(blur + move[:, 2], sigma / 2, 3 * sigma)
    across = np.array([0, 0, 0, 0, -1, 1, 0.0])
    u_all = np.einsum("i,kij,j->k", across, np.linalg.inv(normal), across).clip(0)
    u_noise = np.einsum("i,kij,j->k", across[:6], np.linalg.inv(normal[:, :6, :6]), across[:6]).clip(0)
    u_blur = np.sqrt(np.maximum(u_all - u_noise, 0))
    return _Fit(p, q - p, blur, np.sqrt(u_noise), u_blur, fit[:, 2], fit[:, 3], left, noise)


def _told(found: _Lines, profiles: _Profiles, sigma: float, least: float) -> Quantity | str:
    """What one edge says, px, or why it says nothing."""
    held = _line_like(found.seen, found.width)
    if not held.any():
        plain = found.at_most[
            ~found.seen & np.isfinite(found.at_most)
        ]  # what shines and is no line is a facet
        if 2 * len(plain) < len(held):
            return "the light beside the edge changes too much along it to tell a line from facets"
        return _hidden(profiles, sigma) or Quantity(float(np.median(plain)), "px", {}, "upper_limit")
    width, count = found.width[held], int(held.sum())
    scatter = float(width.std(ddof=1))
    parts = {
        "noise": float(np.sqrt((found.u_noise[held] ** 2).sum()) / count),
        "uneven": scatter / math.sqrt(count),
        "blur": float(found.u_blur[held].mean()),
    }
    value = Quantity(float(width.mean()), "px", parts)
    sigma = max(sigma, float(np.median(found.blur[held])))
    if value.bounds()[0] < least * sigma:
        return Quantity(
            float(max(np.median(found.at_most[held]), value.bounds()[1])), "px", parts, "upper_limit"
        )
    if _even(found, max(_STRAIGHT, _ALL_ALONG * len(held))):
        return _BAND
    if not found.clipped[held].any():
        return value
    return Quantity(value.value, "px", parts, below=value.expanded + 2 * _GLARE * sigma, above=value.expanded)


def _even(found: _Lines, least: float) -> bool:
    """Is a line held on `least` pieces, and as wide in all of them as a wheel makes it?"""
    held = _line_like(found.seen, found.width)
    width = found.width[held]
    if len(width) < least:
        return False
    return max(float(width.std(ddof=1)), float(found.u_noise[held].mean())) < _EVEN * float(width.mean())


def _hidden(profiles: _Profiles, sigma: float) -> str:
    """Why a bright line need not show."""
    behind = profiles.light[(profiles.d_px > 3 * sigma) & (profiles.d_px < _NARROWEST * sigma)]
    before = profiles.light[profiles.d_px < -_BEFORE / 2 * sigma]
    face, ground = float(np.median(behind)), float(np.median(before))
    if is_silhouette(float(np.percentile(behind, 90)), ground):
        return "lit from behind: a bright line on the edge does not show"
    if face < srgb_to_linear(np.array(_DARK_CODE)):
        return "the face is too dark to tell whether light falls on the edge"
    if ground > face:
        return "the ground is lighter than the face: a bright line need not stand out"
    if _TIMES * face > _CLIPPED:
        return "the face is so light that a bright line cannot stand out"
    return ""


def _drawn(found: _Lines, profiles: _Profiles) -> tuple[Curve, ...]:
    """Both borders of the line, where one is held."""
    held = _line_like(found.seen, found.width)
    at, into = profiles.at_px[held], profiles.into[held]
    near, far = found.begin[held, None], (found.begin + found.width)[held, None]
    border = np.concatenate([at + near * into, (at + far * into)[::-1]])
    return (Curve("bright_line", border, closed=True),)


def _mark(found: _Lines, profiles: _Profiles, width: Quantity, scale: Scale) -> Mark:
    """Where the line is widest."""
    held = _line_like(found.seen, found.width)
    widest = int(np.argmax(np.where(held, found.width, -np.inf)))
    at = profiles.at_px[widest] + (found.begin + found.width / 2)[widest] * profiles.into[widest]
    return Mark(
        "bright_line",
        (float(at[0]), float(at[1])),
        f"bright line {width.value / scale.px_per_mm:.3f} mm wide",
    )
