"""Which kind of colour a cutter wears: none, heat, coating, resin, or cannot tell; with the evidence in words."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.features.tint.chroma import ChromaMap, peak, span
from wearscope.features.tint.temper import Temper, temper_colours

__all__ = ["TintClass", "Verdict", "White", "find_white", "judge"]

TintClass = Literal["none", "heat", "coating", "resin", "unclear"]
Flags = NDArray[np.bool_]
Floats = NDArray[np.float32]

_GAIN_ERROR = 0.302
"""span() of grey under channel gains that are wrong by up to +-15 %: ln(1.15 / 0.85)."""
_GROUND_ERROR = 0.25
"""The same where the background serves as white: paper and cloth are not quite grey (common practice, no source)."""
_PAPER = 0.08
"""How far the background's own colour may push it beyond `_GAIN_ERROR` and still count as grey."""
_CARD_ERROR = 0.10
"""The same where a grey card was photographed."""
_CALIBRATED_ERROR = 0.15
"""The same where the card was photographed for the calibration: since then lamps were dimmed and have aged (from memory: a few percent a channel)."""
_CLEAN_SHARE = 0.25
"""At least this share of what can be judged must look like bare metal to serve as the reference."""
_VISIBLE = 0.15
"""Weakest tint that counts, in u or v: one channel 15 % too dark against clean metal."""
_SURE = 0.22
"""A zone must be stronger than this somewhere to count as tinted at all."""
_FAINT, _SPECKS = 0.35, 0.02
"""Resin that is worth a name is stronger than this and covers more than this share of the cutter."""
_FAINT_COAT = 0.40
"""Without a reference, a cast weaker than this in span() may still be the light's."""
_SMALLEST = 25
"""A zone smaller than this many map px (5 x 5) is a fringe, a speck or noise."""
_STEP_WIDTH = 1.7
"""A border narrower than this many times the map's own blur is a step: something lies on the metal."""
_PATCHES = 6
"""Heat comes from the edge in one zone a flute; more separate zones than this are patches."""
_EVEN = 0.3
"""A coating's strength of colour varies by less than this (quartiles over median)."""
_BLACK = 0.02
"""Lit metal returns more light than this; what is darker shows the colours of its surroundings."""


@dataclass(frozen=True, slots=True)
class White:
    """What counts as grey: (u, v), how far grey may lie from it in span(), and where that comes from.

    `moved`: the calibration's grey was left aside because the background speaks against it.
    """

    uv: tuple[float, float]
    error: float
    source: Literal["card", "calibration", "ground", "nothing"]
    moved: bool = False


@dataclass(frozen=True, slots=True)
class Verdict:
    """The class and its evidence in words.

    `heat`, `clear_heat`: map px with heat colours, and those well above the limit of visibility. `clean`, `neutral`: (u, v) of
    what tints were judged against and of what counted as grey. `heat_excluded`: sure that there is none;
    `white_assumed`: the class rests on the camera's own white balance.
    """

    kind: TintClass
    evidence: str
    heat: Flags
    clear_heat: Flags
    clean: tuple[float, float]
    neutral: tuple[float, float]
    heat_excluded: bool = True
    white_assumed: bool = False


def find_white(
    colours: ChromaMap,
    card: tuple[float, float] | None = None,
    calibrated: tuple[float, float] | None = None,
) -> White:
    """The grey card if there is one, else the calibration's, else the background if it can be grey, else the camera's own white.

    A background that can be grey and is not so by the calibration tells of another light, or of a camera that balances by itself: then the
    calibration does not count. A background that cannot be grey tells nothing.
    """
    if card is not None:
        return White(card, _CARD_ERROR, "card")
    ground = colours.ground
    if ground is not None and _span(ground) > _GAIN_ERROR + _PAPER:
        ground = None
    moved = False
    if calibrated is not None:
        moved = ground is not None and _span(_minus(ground, calibrated)) > _GROUND_ERROR
        if not moved:
            return White(calibrated, _CALIBRATED_ERROR, "calibration")
    if ground is not None:
        return White(ground, _GROUND_ERROR, "ground", moved)
    return White((0.0, 0.0), _GAIN_ERROR, "nothing")


def judge(colours: ChromaMap, white: White) -> Verdict:
    """Judge a map that has at least some valid pixels."""
    u, v = colours.u[colours.valid], colours.v[colours.valid]
    grey = span(u - np.float32(white.uv[0]), v - np.float32(white.uv[1])) <= white.error
    commonest = peak(u, v)
    commonest_is_grey = _span(_minus(commonest, white.uv)) <= white.error
    if grey.mean() >= _CLEAN_SHARE or commonest_is_grey:
        metal = commonest if commonest_is_grey else peak(u[grey], v[grey])
        return _beside_metal(colours, metal, white)
    return _all_over(colours, commonest, white)


def _beside_metal(colours: ChromaMap, metal: tuple[float, float], white: White) -> Verdict:
    """There is clean metal (or something as grey): tints are judged against it, whatever the light."""
    u, v = colours.u - np.float32(metal[0]), colours.v - np.float32(metal[1])
    strength = np.asarray(cv2.magnitude(u, v), np.float32)
    visible, sure = max(_VISIBLE, 4 * colours.noise), max(_SURE, 5 * colours.noise)
    named = np.where(colours.valid, np.uint8(Temper.CLEAN), np.uint8(Temper.OTHER))
    tinted = colours.valid & (strength >= visible)
    named[tinted] = temper_colours(u[tinted], v[tinted], visible=visible)
    warm = _zones((named == Temper.STRAW) | (named == Temper.BROWN), strength, sure)
    cool = _zones(((named == Temper.PURPLE) | (named == Temper.BLUE)) & (strength > sure), strength, sure)

    def verdict(kind: TintClass, words: str, heat: Flags | None = None, *, excluded: bool = True) -> Verdict:
        where = np.zeros_like(warm) if heat is None else heat
        return Verdict(kind, words, where, where & (strength > 2 * visible), metal, metal, excluded)

    sequence = _in_sequence(warm, cool, colours.valid)
    if sequence.any():
        return verdict("heat", _sequence_words(named, sequence), sequence)
    if _is_coat(warm | cool, strength, colours):
        return verdict("coating", "an even colour over much of the cutter that ends in a sharp line")
    if not warm.any() or _is_black(colours, warm | cool):
        return _no_tint(verdict, metal, white, bool(cool.any() or warm.any()))

    # straw or brown without purple or blue: mild heat fades into the metal, resin lies on it in patches
    width, patches = _border_width(warm, strength, colours), _count(warm)
    words = f"{patches} zone{'s' * (patches > 1)}, border {width:.1f} times as wide as the picture's blur"
    if width < _STEP_WIDTH or patches > _PATCHES:
        if np.percentile(strength[warm], 75) < _FAINT or warm.sum() < _SPECKS * colours.valid.sum():
            return verdict("none", "grey all over, apart from a few faint or small brown specks")
        return verdict(
            "resin", f"brown without purple or blue, patchy or with sharp borders: {words}", excluded=False
        )
    if colours.ground is not None and white.source == "nothing":
        return verdict(
            "unclear", f"brown that may be the coloured background's reflection: {words}", excluded=False
        )
    at_edge = _touching(warm, _rim(colours))
    if at_edge.any():
        return verdict("heat", f"straw to brown that grows gradually toward the edge: {words}", at_edge)
    return verdict("unclear", f"a brown zone away from the edge: {words}", excluded=False)


def _no_tint(
    verdict: Callable[..., Verdict], metal: tuple[float, float], white: White, glints: bool
) -> Verdict:
    shift = _minus(metal, white.uv)
    if white.source == "nothing" and _is_violet(shift) and shift[1] > 0.55 * _GAIN_ERROR:
        words = "violet-grey all over: a coating, or bare metal under a light that is not white"
        return replace(verdict("unclear", words), white_assumed=True)
    return verdict("none", "grey all over" + ", apart from coloured reflections" * glints)


def _all_over(colours: ChromaMap, coat: tuple[float, float], white: White) -> Verdict:
    """Hardly anything grey: a coating; heat shows as hues that turn from the coating's own toward red and blue."""
    u, v = colours.u - np.float32(white.uv[0]), colours.v - np.float32(white.uv[1])
    cast = _minus(coat, white.uv)
    faint = white.source == "nothing" and _span(cast) < _FAINT_COAT and not _is_violet(cast)
    warm = colours.valid & (np.hypot(u, v) > white.error) & (v < 0)
    if warm.sum() >= 0.2 * colours.valid.sum():  # gold stays the reference even where most of it is blue
        coat = peak(colours.u[warm], colours.v[warm])
    shift = np.array(_minus(coat, white.uv))
    axis = shift / np.hypot(*shift)
    along, across = u * axis[0] + v * axis[1], v * axis[0] - u * axis[1]
    far = white.error + 0.05

    def verdict(kind: TintClass, words: str, heat: Flags | None = None, *, excluded: bool = True) -> Verdict:
        where = np.zeros_like(warm) if heat is None else heat
        clear = where & (np.hypot(across, np.minimum(along, 0)) > 1.5 * far)
        return Verdict(kind, words, where, clear, coat, white.uv, excluded, white.source == "nothing")

    turned = colours.valid & (across > far)
    zones = _zones(turned | (colours.valid & (along < -far)), np.hypot(across, along), far)
    heat = _touching(zones, turned)
    golden = shift[1] < 0
    enough = max(4 * _SMALLEST, 0.005 * colours.valid.sum())
    if golden and heat.sum() >= enough and turned.sum() >= 0.3 * heat.sum():
        return verdict("heat", "on a coloured ground, hues that turn over red or purple toward blue", heat)
    if faint:
        return verdict("unclear", "faintly coloured all over: a coating, or a light that is far from white")
    low, middle, high = np.percentile(along[colours.valid], (25, 50, 75))
    if high - low > _EVEN * middle:
        return verdict(
            "unclear", "strong colours that change over the cutter, without a clean area", excluded=False
        )
    return verdict("coating", f"{'gold to brown' if golden else 'violet to blue'} all over, evenly")


def _is_violet(shift: tuple[float, float]) -> bool:
    """Towards violet-grey, the one coating (titanium aluminium nitride) that a wrong white balance can imitate."""
    return shift[0] > -0.08 and shift[1] > 0.8 * shift[0]


def _is_black(colours: ChromaMap, tinted: Flags) -> bool:
    plain = colours.valid & ~tinted
    return not plain.any() or float(np.median(colours.light[plain])) < _BLACK


def _in_sequence(warm: Flags, cool: Flags, valid: Flags) -> Flags:
    """Zones whose purple or blue borders on straw or brown and not directly on clean metal."""
    result = np.zeros_like(warm)
    count, labels = cv2.connectedComponents((warm | cool).astype(np.uint8), connectivity=8)
    sizes = [np.bincount(np.asarray(labels)[part], minlength=count) for part in (warm, cool)]
    for label in np.flatnonzero(np.minimum(*sizes) >= _SMALLEST):
        zone = labels == label
        core = zone & cool
        ring = _grown(core, 7) & valid & ~core
        if (ring & warm).sum() >= 0.6 * ring.sum():
            result |= zone
    return result


def _sequence_words(named: NDArray[np.uint8], heat: Flags) -> str:
    seen = [
        t.name.lower()
        for t in (Temper.STRAW, Temper.BROWN, Temper.PURPLE, Temper.BLUE)
        if (named[heat] == t).sum() >= _SMALLEST
    ]
    return f"{', '.join(seen)} one after the other, clean metal beside them"


def _is_coat(zone: Flags, strength: Floats, colours: ChromaMap) -> bool:
    """One large even zone that ends in one sharp line across the cutter, as a coating ends at the shank."""
    area = float(colours.valid.sum())
    if zone.sum() < _CLEAN_SHARE * area or _count(zone) > 1:
        return False
    line = colours.valid & ~zone & _grown(zone, 3)
    if line.sum() > 1.5 * np.sqrt(area):
        return False
    low, middle, high = np.percentile(strength[zone], (25, 50, 75))
    return bool(high - low < _EVEN * middle) and _border_width(zone, strength, colours) < _STEP_WIDTH


def _grown(flags: Flags, size: int) -> Flags:
    return np.asarray(cv2.dilate(flags.astype(np.uint8), np.ones((size, size), np.uint8)) > 0, np.bool_)


def _border_width(zone: Flags, strength: Floats, colours: ChromaMap) -> float:
    """How wide the zone's border is, in units of what a step would be in this map; the sharper quarter counts."""
    plateau = float(np.percentile(strength[zone], 75))
    slope_y, slope_x = np.gradient(strength)
    inner = cv2.erode(colours.valid.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    near = _grown(zone, 5)
    border = inner & near & (np.abs(strength - 0.5 * plateau) < 0.15 * plateau)
    if not border.any():
        return np.inf
    step = np.sqrt(2 * np.pi) * np.hypot(colours.smoothing, 0.3)
    return float(np.percentile(plateau / np.maximum(np.hypot(slope_x, slope_y)[border], 1e-6), 25) / step)


def _zones(flags: Flags, strength: Floats, sure: float) -> Flags:
    """Those connected zones that are large enough and strong enough somewhere."""
    if not flags.any():
        return flags
    count, labels, stats, _ = cv2.connectedComponentsWithStats(flags.astype(np.uint8), connectivity=8)
    is_strong = np.bincount(np.asarray(labels)[strength > sure], minlength=count) > 0
    keep = (stats[:, cv2.CC_STAT_AREA] >= _SMALLEST) & is_strong
    keep[0] = False
    return np.asarray(keep[labels], np.bool_)


def _touching(zones: Flags, seed: Flags) -> Flags:
    """Those connected zones that meet `seed`."""
    count, labels = cv2.connectedComponents(zones.astype(np.uint8), connectivity=8)
    keep = np.zeros(count, np.bool_)
    keep[np.unique(labels[seed & zones])] = True
    keep[0] = False
    return np.asarray(keep[labels], np.bool_)


def _rim(colours: ChromaMap) -> Flags:
    """The cutter next to the background, not to the frame."""
    return _grown(~colours.cutter, 13) & colours.cutter


def _count(zone: Flags) -> int:
    stats = cv2.connectedComponentsWithStats(zone.astype(np.uint8), connectivity=8)[2]
    return int((stats[1:, cv2.CC_STAT_AREA] >= _SMALLEST).sum())


def _minus(a: tuple[float, float], b: tuple[float, float]) -> tuple[float, float]:
    return a[0] - b[0], a[1] - b[1]


def _span(uv: tuple[float, float]) -> float:
    return float(span(*np.array(uv, np.float32)[:, None])[0])
