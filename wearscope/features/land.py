"""The worn land along a cutting edge, on a close-up of the flank: width profile, broken stretches, overhang.

A land has lost what grinding left on the flank: it is smoother than the flank farther in, or brighter, or so dark that no
grinding line shines. A stain only lies on the flank, whose grinding lines still shine through it. The land reaches from the
undamaged edge inward as far as the picture stays unlike the flank. Its names follow ISO 8688-2 (uniform, non-uniform,
localized flank wear); the limits are not the standard's, whose scope is high-speed-steel end mills in steel and cast iron.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.measures import MEASURES
from wearscope.outline.edge_view import (
    COLUMN_PX,
    Edge,
    grouped,
    lightness,
    off_trend,
    spread,
)
from wearscope.photo.colour import is_silhouette
from wearscope.photo.read import Photo
from wearscope.quantity import ONE_SIDED_95, Quantity
from wearscope.subpixel.path import best_path
from wearscope.subpixel.trace import LUMINANCE, straighten

__all__ = ["Land", "follow_land", "measure_land"]

Floats = NDArray[np.float64]

_IN_PX = 320
"""Rows of the strip inside the edge."""
_LEAST_FLANK_PX = 60
"""An edge that leaves fewer rows of the strip behind it has no flank to compare with."""
_PATCH_PX = (31, 3)
"""A patch (columns, rows) along the edge in which light and dark are judged: a few grinding lines wide."""
_SHINING = 0.85
"""Share of a patch darker than its grinding lines' crests; as much is lighter than their valleys."""
_SHADE = 61
"""Column groups (244 px) over which the flank's light is taken to change evenly."""
_STEEPEST = 3.0
"""Grinding lines within 18 degrees of the edge leave the picture before they tell anything about the land."""
_LINE_PX = 100.0
"""A grinding line keeps its light about this far."""
_FEW = 60
"""Patches of a grinding line (20 rows in 3 column groups) from which its own light counts for half."""
_MOST = 4.0
_SEEN = 2.5
"""Standard deviations of the flank's own patches by which a place must differ on average to count as land:
midway between the flank itself (0.8) and the most that counts."""
_HIDES = 4.0
"""What differs this much from the flank in colour alone, or is this much rougher (stuck, tinted), hides what is beneath:
it hardly speaks either way."""
_DOUBTFUL = 0.25
_NEAR_PX = 16
"""The border lies within this many rows of the likeliest path: grinding lines make it ragged."""
_CLEAR = 2.0
"""A border is put on the half level where the step is at least this many times the scatter to both sides."""
_SURE = 3.5
"""Mean contrast from which a stretch differs from the flank nearly everywhere: another surface."""
_LAND_STIFFNESS = 2.0
_RAGGED_PX = 2.0
"""Twice the scatter with which a straight edge is followed."""
_TOLD_APART = 8.0
"""The edge's own range (four times its scatter) may reach half of the land's width, else the two cannot be told apart."""
_BROKEN = 4.0
"""A land this many times wider than the usual one of the same edge (the middle of its lower half) is a break."""
_FORM_PX, _FORM = 2.5, 0.06
"""Where a border lies that grinding lines make ragged is a matter of about this, px and share of the land's width (drawn
lands; cameras and people agree to 5 to 10 um or 1 to 3 % in print)."""
_RESOLVED_PX = 12.0
"""A land may be in two tones, a bright line on the edge before a dull rest: each takes a patch, the two rows by which patches are smoothed, and
the blur of an edge (about 6 rows) to be told from the other. What reads narrower is an upper limit."""
_BESIDE_PX, _STEP = (4, 14), 1.6
"""A land ends at a border: from this near to this far on both sides of it, the mean contrast falls by at least half of what lies between the most that
counts and the flank. The flank's own light, never quite even, fades."""
_PATCH_GROUPS = 9
"""Column groups of one patch, about."""
_LEAST_GROUPS = 8
_LEAST_CHIP_PX = 4.0
"""Four times the scatter of a followed edge (about 1 px)."""
_PRINT = 10.0
"""The largest tenth of a flank's grain is about 6 times its smallest quarter (5.2 if it were normal); print and borders on an
even ground make it ten times and more."""
_LOCALIZED = 0.5 / 0.3
"""The two life criteria of ISO 8688-2 (from memory): 0.3 mm uniform, 0.5 mm localized wear."""
_UNIFORM = 0.25
"""Relative standard deviation of a width that is called uniform (common practice, no source)."""
_LAND = ("wear_land_mean", "wear_land_max")
_NAMES = (*_LAND, "chip_count", "chip_depth_max", "chip_length_total")


@dataclass(frozen=True, slots=True)
class Land:
    """Along the edge, one value per column group, px: the land's width inward of the undamaged edge (`width_px`, as it was
    `seen_px`, and across gaps), and how far it differs from the flank there, in standard deviations of the flank's
    patches (`contrast`). `fading_px`: as seen, with what is wider than the land beside it and fades into the flank without a border."""

    edge: Edge
    width_px: Floats
    seen_px: Floats
    contrast: Floats
    fading_px: Floats

    @property
    def mean_px(self) -> float:
        return float(self.width_px.mean())

    @property
    def steady_px(self) -> Floats:
        """The width without what stands out along less than two widths of the land."""
        return _running_median(self.width_px, 2 * _gap_groups(self.width_px) + 1)

    @property
    def widest_px(self) -> float:
        """The widest land that is held along a stretch of edge as long as it is wide: narrower spikes are scratches."""
        return _held(self.width_px, 1)

    @property
    def broken(self) -> NDArray[np.bool_]:
        """Stretches where the land is far wider than elsewhere and no part of the flank: broken out."""
        gone = np.zeros(len(self.width_px), bool)
        worn = self.width_px[self.width_px > _LEAST_CHIP_PX]
        if not len(worn):
            return gone
        wide = self.width_px > _BROKEN * float(np.percentile(worn, 25))
        for begin, end in _runs(wide):
            gone[begin:end] = end - begin >= _LEAST_GROUPS and self.contrast[begin:end].mean() > _SURE
        return gone


@dataclass(frozen=True, slots=True)
class _Flank:
    """Patches of the flank, rows inward from the undamaged edge, (rows, groups): lightness of the grinding lines' crests, of
    their middle and of their valleys, two colours (log ratios of blue and red to green), and the lines' slant."""

    crest: Floats
    middle: Floats
    valley: Floats
    blue: Floats
    red: Floats
    slant: float


def _runs(wide: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(begin, end) of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], wide.astype(int), [0]])))
    return [(int(begin), int(end)) for begin, end in zip(edges[::2], edges[1::2], strict=True)]


def _held(width: Floats, times: int) -> float:
    """The largest width that is held along a stretch `times` as long."""
    best = 0.0
    for count in range(1, len(width) + 1):
        held = float(np.lib.stride_tricks.sliding_window_view(width, count).min(axis=1).max())
        best = max(best, min(held, COLUMN_PX * count / times))
        if COLUMN_PX * count > times * held:
            break
    return best


def _running_median(values: Floats, count: int) -> Floats:
    padded = np.pad(values, count // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, count), axis=1))


def _gap_groups(width: Floats) -> int:
    """Column groups along which the usual land is as long as it is wide."""
    worn = width[width > _LEAST_CHIP_PX]
    return int(np.median(worn) / COLUMN_PX) if len(worn) else 0


def _across_gaps(width: Floats) -> Floats:
    """A land that comes back within two widths was covered (by stuck material, say), not absent."""
    count = 2 * _gap_groups(width) + 1
    closed = width
    for best, rest in ((np.max, -np.inf), (np.min, np.inf)):
        padded = np.pad(closed, count // 2, constant_values=rest)
        closed = best(np.lib.stride_tricks.sliding_window_view(padded, count), axis=1)
    return np.where(width < 0.5 * closed, closed, width)


def follow_land(photo: Photo, edge: Edge) -> Land | str:
    """Follow the land inward of an edge; in words where there is no flank to tell it from."""
    light = _inward(photo, edge)
    if len(light) < _LEAST_FLANK_PX:
        return "the flank leaves the picture too close to the edge"
    luminance = np.asarray(light @ LUMINANCE.astype(np.float32))
    if is_silhouette(float(np.percentile(luminance, 90)), edge.ground_light):
        return "lit from behind: no flank is seen"
    far = lightness(luminance[len(light) // 2 :])
    grain = np.abs(far - cv2.blur(far, (_PATCH_PX[0], _PATCH_PX[0])))
    common, largest = np.percentile(grain, (25, 90))
    if largest > _PRINT * common:
        return "what lies behind the edge is no ground flank: it carries print, or other edges"
    fading, contrast, bordered = _land_path(_patches(light, luminance))
    group = np.arange(len(fading))
    beside = np.interp(group, group[bordered], fading[bordered]) if bordered.any() else 0.0
    seen = np.where(bordered, fading, np.minimum(fading, beside))
    return Land(edge, _across_gaps(seen), seen, contrast, fading)


def _inward(photo: Photo, edge: Edge) -> NDArray[np.float32]:
    """Linear light (rows, columns, 3) from the undamaged edge inward, as far as the picture reaches along most of the edge."""
    s = np.arange(edge.s_px[0] - (COLUMN_PX - 1) / 2, edge.s_px[-1] + COLUMN_PX / 2)
    course = np.interp(s, edge.s_px, edge.course_px)
    channels = [
        straighten(
            photo.linear_bgr,
            photo.size,
            edge.frame,
            s_px=s,
            course_px=course,
            d_range=(0, _IN_PX),
            weights=one,
        ).light
        for one in np.eye(3)
    ]
    light = np.stack(channels, axis=-1)
    known = np.isfinite(light[..., 0])
    depth = int(np.argmin(np.append(known.mean(axis=1) > 0.9, False)))
    last = np.maximum(np.minimum(known.cumprod(axis=0).sum(axis=0), depth) - 1, 0)
    rows = np.minimum(np.arange(depth)[:, None], last)
    return np.nan_to_num(np.take_along_axis(light, rows[..., None], axis=0))


def _patches(light: NDArray[np.float32], luminance: NDArray[np.float32]) -> _Flank:
    """Crests, valleys and colours in patches of a few grinding lines, one per row and column group."""
    columns, rows = _PATCH_PX
    grey = np.pad(
        lightness(luminance).astype(np.float32), ((rows // 2,) * 2, (columns // 2,) * 2), mode="edge"
    )
    count = light.shape[1] // COLUMN_PX
    windows = np.lib.stride_tricks.sliding_window_view(grey, (rows, columns))
    windows = windows[:, COLUMN_PX // 2 : count * COLUMN_PX : COLUMN_PX]
    low, middle, high = (int(share * rows * columns) for share in (1 - _SHINING, 0.5, _SHINING))
    ranked = np.empty((3, *windows.shape[:2]))
    for row, window in enumerate(windows):
        values = np.partition(window.reshape(count, -1), (low, middle, high), axis=1)
        ranked[:, row] = values[:, high], values[:, middle], values[:, low]
    slant = _slant(lightness(luminance[len(light) // 2 :]))
    even = np.log(np.maximum(cv2.blur(light, (columns, rows + 2)), 1e-3))
    blue = grouped(np.asarray(even[..., 0] - even[..., 1], np.float64))
    red = grouped(np.asarray(even[..., 2] - even[..., 1], np.float64))
    return _Flank(np.asarray(ranked[0]), np.asarray(ranked[1]), np.asarray(ranked[2]), blue, red, slant)


def _slant(light: Floats) -> float:
    """How far grinding lines move along the edge per row inward, from the strongest direction of the light's changes;
    0 where they run nearly along the edge."""
    smooth = cv2.GaussianBlur(light, (0, 0), 1.5)
    down, along = np.gradient(smooth)
    angle = 0.5 * np.arctan2(2 * (along * down).sum(), (along**2).sum() - (down**2).sum())
    slant = -float(np.tan(angle))
    return slant if abs(slant) < _STEEPEST else 0.0


def _against_flank(patches: Floats, land: Floats, slant: float) -> Floats:
    """How far each patch differs from the flank beyond the land, in standard deviations of the flank's patches.

    The flank's light may change evenly with depth and slowly along the edge, and from one grinding line to the next.
    """
    rows = np.arange(len(patches))[:, None]
    depth = np.broadcast_to(rows / len(patches), patches.shape)
    beyond = np.asarray(rows > land + 8)
    off, scatter = off_trend(patches, beyond, (np.ones_like(patches), depth), columns=_SHADE)
    line = np.arange(patches.shape[1]) - np.rint(slant * rows / COLUMN_PX).astype(int)
    line -= line.min()
    weight = beyond * np.exp(np.minimum(land + 8 - rows, 0.0) / _LINE_PX)
    clipped = weight * np.clip(off, -3 * scatter, 3 * scatter)
    total, count = (
        np.convolve(np.bincount(line.ravel(), part.ravel()), np.ones(3), "same") for part in (clipped, weight)
    )
    own = off - (total / (count + _FEW))[line]
    left = spread(np.abs(own[beyond]))
    unknown = max(scatter**2 - left**2, 0.0) * (_FEW / (count + _FEW))[line]
    return np.asarray(cv2.blur(own / np.sqrt(left**2 + unknown), (1, 3)))


def _unlike(flank: _Flank, land: Floats) -> Floats:
    """How far each patch is from being flank: smoother, brighter, or darker without its grinding lines."""
    crest, middle, relief, blue, red = (
        _against_flank(patches, land, flank.slant)
        for patches in (flank.crest, flank.middle, flank.crest - flank.valley, flank.blue, flank.red)
    )
    unlike = np.maximum.reduce([-relief, middle, -crest - np.maximum(relief, 0.0), np.zeros_like(crest)])
    hidden = np.maximum.reduce([np.abs(blue), np.abs(red), relief]) > _HIDES
    return np.asarray(np.where(hidden, np.maximum(unlike, _SEEN - _DOUBTFUL), unlike))


def _land_path(flank: _Flank) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Width of the land per column group, how clearly it differs from the flank, and whether it ends at a border."""
    depth, count = flank.crest.shape
    width = np.full(count, depth // 2, np.int64)
    for _ in range(3):  # the flank is known better once the land is
        unlike = _unlike(flank, width.astype(float))
        gain = np.cumsum(np.minimum(unlike, _MOST) - _SEEN, axis=0)
        width = best_path(np.vstack([np.zeros(count), gain]), stiffness=_LAND_STIFFNESS)
    inside = np.arange(depth)[:, None] < width
    contrast = np.where(inside, np.minimum(unlike, _MOST), 0.0).sum(axis=0) / np.maximum(width, 1)
    border = np.where(width > 0, _border(flank, width), 0.0)
    return border, contrast, _bordered(np.minimum(unlike, _MOST), width)


def _bordered(unlike: Floats, width: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Where the land, piece by piece between leaps of its width, ends at a border; True too where it is too narrow to say."""
    near, far = _BESIDE_PX
    here, pieces = np.ones(len(width), bool), np.flatnonzero(np.abs(np.diff(width)) > near)
    inner, outer = (
        np.take_along_axis(unlike, np.clip(width + rows[:, None], 0, len(unlike) - 1), axis=0).mean(axis=0)
        for rows in (np.arange(-far, -near), np.arange(near, far))
    )
    for begin, end in zip([0, *(pieces + 1)], [*(pieces + 1), len(width)], strict=True):
        if width[begin:end].mean() > far:
            here[begin:end] = (inner - outer)[begin:end].mean() > _STEP
    return here


def _border(flank: _Flank, width: NDArray[np.int64]) -> Floats:
    """The border put where the middle of the light is half-way between land and flank, or the grinding lines' relief where
    the two are equally light; within `_NEAR_PX` rows."""
    step = np.arange(-_NEAR_PX, _NEAR_PX)[:, None]
    rows = width + step
    near_px = np.minimum(width, _NEAR_PX)
    within, beyond = (step >= -near_px) & (step < -near_px / 2), step >= _NEAR_PX // 2
    best, clearest = width.astype(float), np.full(width.shape, _CLEAR)
    for patches in (flank.middle, flank.crest - flank.valley):
        near = np.take_along_axis(patches, np.clip(rows, 0, len(patches) - 1), axis=0)
        land, land_noise = _level(near, within)
        other, other_noise = _level(near, np.broadcast_to(beyond, near.shape))
        clear = np.abs(land - other) / np.maximum(land_noise, other_noise)
        like_land = (np.abs(near - land) < np.abs(near - other)) & (step >= -near_px)
        better = clear > clearest
        best = np.where(better, width - near_px + like_land.sum(axis=0), best)
        clearest = np.where(better, clear, clearest)
    return np.asarray(best, np.float64)


def _level(values: Floats, used: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Median and robust scatter down the used rows; 0 and infinity where there are none."""
    kept = np.where(used, values, np.inf)
    count = np.maximum(used.sum(axis=0), 1)
    each = np.arange(values.shape[1])
    level = np.sort(kept, axis=0)[(count - 1) // 2, each]
    apart = np.sort(np.where(used, np.abs(values - level), np.inf), axis=0)[(count - 1) // 2, each]
    return np.where(used.any(axis=0), level, 0.0), 1.4826 * apart + 1e-6


def measure_land(photo: Photo, edge: Edge | None, scale: Scale) -> Finding:
    """Wear land, broken-out stretches and overhang on a close-up of one edge (view `edge`), None where none was found.

    The land is measured from the undamaged edge, so a broken-out stretch belongs to it too.

    Quantities: wear_land_mean, wear_land_max (mm), chip_count, chip_depth_max, chip_length_total. Where the edge is so
    ragged that no land can be told from it, the land is not measured: the edge is gone, not sharp.
    """
    if edge is None:
        reason = "no edge between rough metal and smooth ground runs through the picture"
        return Finding(not_measured=dict.fromkeys(_NAMES, reason), flags=("no_cutter",))
    land = follow_land(photo, edge)
    if isinstance(land, str):
        return Finding(not_measured=dict.fromkeys(_NAMES, land), flags=(*edge.flags, "no_cutter"))
    overhang = float(-edge.missing_px.min())
    stuck = overhang > _LEAST_CHIP_PX
    width = _widths(land, scale)
    words = [_in_words(land, width["wear_land_mean"])] if width else []
    if stuck:
        words.append(f"stuck material stands out by up to {overhang / scale.px_per_mm:.3f} mm")
    return Finding(
        {**width, **_missing(land, scale)},
        {} if width else dict.fromkeys(_LAND, "the edge is ragged, and no land can be told from that"),
        _marks(land, measured=bool(width)),
        edge.flags + ("stuck_material",) * stuck,
        (
            Curve("edge", edge.points(edge.edge_px)),
            Curve("undamaged_edge", edge.points(edge.course_px)),
            *([Curve("land", edge.points(edge.course_px + land.width_px))] if width else ()),
        ),
        tuple(words),
    )


def _widths(land: Land, scale: Scale) -> dict[str, Quantity]:
    """Mean and largest width; an upper limit where none is told from the flank, nothing where the edge is too ragged to say.

    Parts: "form" from where the border lies, "noise" from what stands out along less than two widths, "hidden" from covered
    stretches, "definition" from how long a widest place must last, "fading" from what fades into the flank without a border.
    """
    width, ragged = land.width_px, land.edge.ragged_px
    if ragged > _RAGGED_PX and land.mean_px < _TOLD_APART * ragged:
        return {}
    form = float(np.hypot(_FORM_PX, _FORM * land.mean_px))
    fuzzy = 0.5 * spread(np.abs(np.diff(width)))
    uneven = float(np.abs(width - land.steady_px).mean())
    hidden = float((width - land.seen_px).mean()) / np.sqrt(3.0)
    widest = land.widest_px
    spike = 0.5 * (widest - _held(width, 2))
    peak = 0.5 * max(float(_running_median(width, _PATCH_GROUPS).max()) - widest, 0.0)
    fading = float(land.fading_px.mean()) - float(land.seen_px.mean()), _held(land.fading_px, 1) - widest
    fading_mean, fading_widest = (max(more, 0.0) / np.sqrt(3.0) for more in fading)
    mean_parts = {"form": form, "noise": uneven, "hidden": hidden, "fading": fading_mean}
    definition = float(np.hypot(spike, peak))
    max_parts = {"form": form, "noise": fuzzy, "definition": definition, "fading": fading_widest}
    return {
        "wear_land_mean": scale.to_mm(_resolved(Quantity(land.mean_px, "px", mean_parts))),
        "wear_land_max": scale.to_mm(_resolved(Quantity(widest, "px", max_parts))),
    }


def _resolved(width: Quantity) -> Quantity:
    """The width, or how wide a land may be that cannot be told from the flank."""
    if width.value >= _RESOLVED_PX and width.expanded < width.value:
        return width
    most = max(width.value + ONE_SIDED_95 * width.standard_uncertainty, _RESOLVED_PX)
    return Quantity(most, "px", width.parts, "upper_limit")


def _chips(land: Land) -> tuple[Floats, list[tuple[int, int]]]:
    """How deep the edge is missing per column group, px, and (begin, end) of every chip."""
    kept = land.width_px[~land.broken]
    usual = float(np.median(kept)) if len(kept) else 0.0
    missing = land.edge.missing_px
    depth = np.where(land.broken, np.maximum(missing, land.width_px - usual), missing)
    chips = [
        (begin, end)
        for begin, end in _runs(depth > _LEAST_CHIP_PX)
        if end - begin >= 2 and (land.broken[begin:end].any() or (begin > 0 and end < len(depth)))
    ]  # what begins at the frame may be the edge leaving the picture
    return depth, chips


def _missing(land: Land, scale: Scale) -> dict[str, Quantity]:
    depth, chips = _chips(land)
    count = len(chips)
    length = Quantity(
        float(COLUMN_PX * sum(end - begin for begin, end in chips)),
        "px",
        {"noise": float(COLUMN_PX * np.sqrt(2.0 * count))},
    )
    deepest = (
        Quantity(
            max(float(depth[begin:end].max()) for begin, end in chips), "px", {"noise": 1.0, "form": 1.0}
        )
        if count
        else Quantity(_LEAST_CHIP_PX, "px", {"noise": 1.0}, "upper_limit")
    )
    return {
        "chip_count": Quantity(float(count), MEASURES["chip_count"]),
        "chip_depth_max": scale.to_mm(deepest),
        "chip_length_total": scale.to_mm(length),
    }


def _marks(land: Land, *, measured: bool) -> tuple[Mark, ...]:
    """The widest land, where it was measured, and the middle of each chip."""

    def at(k: int, d_px: Floats) -> tuple[float, float]:
        x, y = land.edge.points(d_px)[k]
        return float(x), float(y)

    course = land.edge.course_px
    _, chips = _chips(land)
    marks = [Mark("chip", at((begin + end) // 2, course), "broken out") for begin, end in chips]
    if measured:
        widest = int(np.argmax(np.where(land.broken, 0.0, land.width_px)))
        marks.insert(0, Mark("land", at(widest, course + land.width_px), "widest land"))
    return tuple(marks)


def _in_words(land: Land, mean: Quantity) -> str:
    """The names of ISO 8688-2 (from memory): uniform VB 1, non-uniform VB 2, localized VB 3."""
    if mean.kind != "value":
        return "no land can be told from the flank"
    uneven = float(np.std(land.width_px)) / land.mean_px
    if land.widest_px > _LOCALIZED * land.mean_px:
        return "worn land: localized (VB 3)"
    return "worn land: " + ("uniform (VB 1)" if uneven < _UNIFORM else "non-uniform (VB 2)")
