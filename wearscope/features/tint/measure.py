"""From a photo and its outline to the heat tint along the edge."""

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearscope.features.tint.chroma import ChromaMap, chroma_map, ratios
from wearscope.features.tint.judge import Verdict, find_white, judge
from wearscope.features.tint.temper import Temper, temper_colours, temperature_words
from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.measures import MEASURES
from wearscope.outline.shape import Outline
from wearscope.photo.colour import ciede2000, is_silhouette, lab_from_linear
from wearscope.photo.read import Photo
from wearscope.quantity import Quantity

__all__ = ["measure_tint"]

Flags = NDArray[np.bool_]

_NAMES = ("heat_tint_share", "heat_tint_depth")
_REACH = 4
"""Map px inward from the outline within which a tint belongs to the edge; the margin of the map is 2."""
_FEWEST = 100
"""Colour is judged on at least this many map px."""
_WHITE = {
    "card": "white from the grey card",
    "calibration": "white from the calibration's grey card",
    "ground": "white from the background",
    "nothing": "white as the camera has it",
}
_SPECK = 25
"""Map px (5 x 5) of a colour below which it may be a fringe."""
_SHORTEST = 5
"""Map px of edge: a shorter tint may be overlooked."""


def measure_tint(
    photo: Photo,
    outline: Outline,
    scale: Scale,
    *,
    grey: ArrayLike | None = None,
    calibrated: ArrayLike | None = None,
) -> Finding:
    """Judge the cutter's colours and measure heat tint along the visible edge.

    `grey`: a grey card's colour in linear light (blue, green, red), photographed under the same light; `calibrated`: that of a card
    photographed for the calibration.

    Returns quantities `heat_tint_share` (part of the judged edge length, 0..1) and `heat_tint_depth` (mm from the edge
    inward, 95 % of the tinted area), one flag `tint:...` with its evidence in `remarks`, the tinted stretches of the
    edge (curves `heat_tint`) and the zones (`heat_tint_zone`). A silhouette, a black cutter, resin, or colours that
    cannot be told apart give `not_measured` with the reason; a silhouette gets no flag.
    """
    colours = chroma_map(photo, outline)
    reason = _nothing_to_judge(colours)
    if reason:
        return _not_measured(reason)
    white = find_white(colours, *(None if one is None else _card(one) for one in (grey, calibrated)))
    verdict = judge(colours, white)
    flags = (f"tint:{verdict.kind}",) + ("white_balance_assumed",) * verdict.white_assumed
    flags += ("white_balance_moved",) * white.moved
    words = (
        f"Tint: {verdict.kind} ({verdict.evidence}{_difference(colours, verdict)}; {_WHITE[white.source]})."
    )
    remarks = tuple(filter(None, (words, _temperature(colours, verdict))))
    rim = _Rim(outline.points_px, colours)
    reason = _hidden(rim, verdict)
    if reason:
        return _not_measured(reason, flags, remarks)
    quantities = {
        "heat_tint_share": _share(rim, verdict),
        "heat_tint_depth": scale.to_mm(_depth(colours, verdict)),
    }
    return Finding(quantities, {}, _marks(colours, verdict), flags, _curves(rim, verdict), remarks)


def _card(grey: ArrayLike) -> tuple[float, float]:
    u, v = ratios(np.asarray(grey, np.float32))
    return float(u), float(v)


def _nothing_to_judge(colours: ChromaMap) -> str:
    face = colours.light[::4, ::4][colours.cutter[::4, ::4]]
    if not len(face):
        return "no cutter was found"
    if is_silhouette(float(np.percentile(face, 90)), colours.ground_light):
        return "lit from behind: the cutter is a silhouette without colour"
    if colours.valid.sum() < _FEWEST:
        return "too dark or blown out everywhere to judge a colour"
    return ""


def _hidden(rim: "_Rim", verdict: Verdict) -> str:
    if verdict.kind == "resin":
        return "resin hides the metal: clean the cutter and take the photo again"
    if verdict.kind == "unclear" and not verdict.heat_excluded:
        return f"the colours cannot be told apart: {verdict.evidence}"
    if rim.judged < 0.5:
        return "too dark or blown out along most of the edge to judge its colour"
    return ""


def _not_measured(reason: str, flags: tuple[str, ...] = (), remarks: tuple[str, ...] = ()) -> Finding:
    return Finding({}, dict.fromkeys(_NAMES, reason), (), flags, (), remarks)


def _share(rim: "_Rim", verdict: Verdict) -> Quantity:
    """Part of the judged edge that has heat colours next to it.

    Parts: "threshold" from where a tint begins to count (it goes on below the limit of visibility about as far as it does
    from there to twice that limit), "resolution" from the ends of the tinted stretches (or from the
    shortest stretch that would have been seen), "hidden" from the edge that could not be judged (where no heat is
    seen beside it, none is assumed on it). The interval ends at 0 and 1.
    """
    seen, step = rim.judged, rim.colours.step
    heated = rim.beside(verdict.heat)
    share = min(1.0, rim.share(heated) / seen)
    clear = min(1.0, rim.share(rim.beside(verdict.clear_heat)) / seen)
    ends = 2 * len(_runs(heated))
    of_length = step / max(rim.length, step)
    resolution = np.sqrt(ends) * rim.colours.smoothing if ends else _SHORTEST / np.sqrt(12)
    parts = {
        "threshold": share - clear,
        "resolution": resolution * of_length,
        "hidden": (1 - seen) / np.sqrt(12),
    }
    whole = Quantity(share, MEASURES["heat_tint_share"], {name: abs(float(u)) for name, u in parts.items()})
    return replace(whole, below=min(whole.expanded, share), above=min(whole.expanded, 1 - share))


def _depth(colours: ChromaMap, verdict: Verdict) -> Quantity:
    """How far from the edge 95 % of the tinted area lies, in px; 0 where there is none."""

    def reach(zone: Flags) -> float:
        if not zone.any():
            return 0.0
        from_edge = cv2.distanceTransform(colours.cutter.astype(np.uint8), cv2.DIST_L2, 5)
        return float(np.percentile(from_edge[zone], 95)) * colours.step

    depth = reach(verdict.heat)
    parts = {
        "threshold": abs(depth - reach(verdict.clear_heat)),
        "resolution": colours.smoothing * colours.step,
    }
    return Quantity(depth, "px", {name: float(u) for name, u in parts.items()})


def _difference(colours: ChromaMap, verdict: Verdict) -> str:
    """The colour difference of the strongest tint, at the lightness of what it was judged against."""
    if not verdict.clear_heat.any():
        return ""
    every = 1 + int(verdict.clear_heat.sum()) // 500
    u, v = (a[verdict.clear_heat][::every] for a in (colours.u, colours.v))
    tinted, clean = (_at_half_light(a, b, verdict.neutral) for a, b in ((u, v), verdict.clean))
    difference = float(np.percentile(ciede2000(tinted, clean), 90))
    return f"; colour difference from the clean surface up to {difference:.0f} (CIEDE2000)"


def _temperature(colours: ChromaMap, verdict: Verdict) -> str:
    """In words, from the furthest temper colour that fills more than a speck of the zone."""
    if not verdict.heat.any():
        return ""
    u, v = (
        a[verdict.heat] - np.float32(c) for a, c in zip((colours.u, colours.v), verdict.clean, strict=True)
    )
    seen = np.bincount(temper_colours(u, v), minlength=len(Temper))
    enough = [t for t in (Temper.STRAW, Temper.BROWN, Temper.PURPLE, Temper.BLUE) if seen[t] >= _SPECK]
    return temperature_words(max(enough, default=Temper.CLEAN), coated=verdict.clean != verdict.neutral)


def _at_half_light(u: ArrayLike, v: ArrayLike, neutral: tuple[float, float]) -> NDArray[np.float32]:
    """Lab of the colour (u, v) under white light at luminance 0.18, mid grey."""
    red, blue = np.exp(np.asarray(u) - neutral[0]), np.exp(np.asarray(v) - neutral[1])
    bgr = np.stack([blue, np.ones_like(red), red], axis=-1).astype(np.float32)
    luminance = np.asarray(bgr @ np.array([0.0722, 0.7152, 0.2126], np.float32))[..., None]
    return lab_from_linear(np.asarray(0.18 * bgr / luminance, np.float32))


class _Rim:
    """The outline on the map: which of its points have a zone of the map next to them."""

    def __init__(self, points_px: NDArray[np.float64], colours: ChromaMap) -> None:
        self.points_px, self.colours = points_px, colours
        self._at = colours.nearest(points_px)
        pieces = np.hypot(*np.diff(points_px, axis=0).T)
        self._lengths = (np.append(pieces, 0) + np.append(0, pieces)) / 2
        self.length = float(pieces.sum())
        self.judged = self.share(self.beside(colours.valid))

    def beside(self, zone: Flags) -> Flags:
        """For each point of the outline: whether `zone` lies within reach."""
        if not zone.any():
            return np.zeros(len(self.points_px), np.bool_)
        size = 2 * _REACH + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        return np.asarray(cv2.dilate(zone.astype(np.uint8), kernel)[self._at] > 0, np.bool_)

    def share(self, on: Flags) -> float:
        """Part of the outline's length."""
        return float(self._lengths[on].sum() / max(self.length, 1e-9))


def _runs(flags: Flags) -> list[tuple[int, int]]:
    """(start, end) of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _curves(rim: _Rim, verdict: Verdict) -> tuple[Curve, ...]:
    if not verdict.heat.any():
        return ()
    stretches = [rim.points_px[a:b] for a, b in _runs(rim.beside(verdict.heat))]
    borders, _ = cv2.findContours(verdict.heat.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    zones = [rim.colours.to_photo(border[:, 0, :]) for border in borders if len(border) > 2]
    return tuple(Curve("heat_tint", s) for s in stretches if len(s) > 1) + tuple(
        Curve("heat_tint_zone", zone, closed=True) for zone in zones
    )


def _marks(colours: ChromaMap, verdict: Verdict) -> tuple[Mark, ...]:
    """One mark, inside the largest zone."""
    if not verdict.heat.any():
        return ()
    inside = cv2.distanceTransform(np.pad(verdict.heat.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    y, x = np.unravel_index(int(np.argmax(inside)), inside.shape)
    at = colours.to_photo(np.array([x, y]))
    return (Mark("heat_tint", (float(at[0]), float(at[1])), "heat colours"),)
