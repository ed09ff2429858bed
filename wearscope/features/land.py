"""The worn land along a cutting edge, on a close-up of the flank: width profile, broken stretches, overhang.

The land is whatever differs from the flank farther in, brighter or darker, without a gap from the edge on. Its names follow
ISO 8688-2 (uniform, non-uniform, localized flank wear); the limits are not the standard's, whose scope is
high-speed-steel end mills in steel and cast iron.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.measures import MEASURES
from wearscope.outline.edge_view import EdgeLine, find_edge_line
from wearscope.photo.read import Photo
from wearscope.quantity import Quantity
from wearscope.subpixel.path import best_path
from wearscope.subpixel.trace import LUMINANCE, Frame, straighten

__all__ = ["Land", "follow_land", "measure_land"]

Floats = NDArray[np.float64]

_OUT_PX, _IN_PX = 70, 260
"""Rows of the strip outside and inside the first line."""
_LEAST_FLANK_PX = 60
"""An edge that leaves fewer rows of the strip behind it has no flank to compare with."""
_COLUMN = 4
"""Columns are judged in groups of this many px: finer detail of a land is grain."""
_LEFT = 6.0
"""Standard deviations of the ground's noise at which a place counts as no longer ground."""
_LAND_STIFFNESS = 2.0
_NAMES = ("wear_land_mean", "wear_land_max", "chip_count", "chip_depth_max", "chip_length_total")
_MOST = 4.0
_SEEN = 2.5
"""Grains (standard deviations of the flank's own light) by which a place must differ on average to count as land:
midway between the flank itself (0.8) and the most that counts."""
_SURE = 3.5
"""Mean contrast, in grains, from which a stretch differs from the flank nearly everywhere: another surface."""
_RAGGED_PX = 1.0
"""An undamaged edge is straight to better than this; a ragged one without a visible land is gone, not sharp."""
_BROKEN = 4.0
"""A land this many times wider than the usual one of the same edge (its lower half) is a break."""
_LEAST_GROUPS = 8
_LEAST_CHIP_PX = 4.0
"""Four times the scatter of a followed edge (about 1 px)."""


@dataclass(frozen=True, slots=True)
class Land:
    """Along the edge, one value per column group, px: place along (`s_px`), the undamaged line (`course_px`, in rows of
    `frame`), the edge's offset from it (`missing_px`; negative: overhang), the land's width inward of it
    (`width_px`), and how far the land differs from the flank there, in grains (`contrast`)."""

    frame: Frame
    s_px: Floats
    course_px: Floats
    missing_px: Floats
    width_px: Floats
    contrast: Floats

    @property
    def ragged_px(self) -> float:
        """Typical distance of the edge from the undamaged line."""
        return float(np.percentile(np.abs(self.missing_px), 75))

    @property
    def broken(self) -> NDArray[np.bool_]:
        """Stretches where the land is far wider than elsewhere and no part of the flank: broken out."""
        usual = float(np.median(self.width_px[self.width_px <= np.median(self.width_px)]))
        wide = self.width_px > _BROKEN * max(usual, _LEAST_CHIP_PX)
        gone = np.zeros(len(wide), bool)
        for begin, end in _runs(wide):
            gone[begin:end] = end - begin >= _LEAST_GROUPS and self.contrast[begin:end].mean() > _SURE
        return gone


def _runs(wide: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(begin, end) of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], wide.astype(int), [0]])))
    return [(int(begin), int(end)) for begin, end in zip(edges[::2], edges[1::2], strict=True)]


def _lightness(light: NDArray[np.float32]) -> Floats:
    """About the L* of CIE Lab, 0..1: even steps to the eye, and grain of even size in light and dark."""
    return np.asarray(np.cbrt(np.maximum(light, 1e-4)), np.float64)


def _group_scatter(values: Floats) -> Floats:
    """Standard deviation within each column group and three rows."""
    kept = values[:, : values.shape[1] // _COLUMN * _COLUMN]
    mean = cv2.blur(_grouped(kept), (1, 3))
    return np.asarray(np.sqrt(np.maximum(cv2.blur(_grouped(kept**2), (1, 3)) - mean**2, 0.0)))


def _grouped(values: Floats) -> Floats:
    count = values.shape[1] // _COLUMN
    return np.asarray(np.nanmean(values[:, : count * _COLUMN].reshape(len(values), count, _COLUMN), axis=2))


def _ground_path(light: Floats, fine: Floats, first_row: int) -> Floats:
    """Row per column group where the strip stops looking like the ground outside it: other light, or grain.

    `fine` (rows, groups): scatter of the light within each group, which blur smooths away on the ground.
    """
    row = np.arange(len(light))[:, None] - first_row
    below = slice(first_row - 60, first_row - 15)
    level = np.median(light[below], axis=0)
    slope = np.median(np.diff(cv2.blur(light[below], (31, 9)), axis=0))
    doubt = np.zeros_like(light)
    for off in (np.abs(light - level - slope * (row + 37)), cv2.blur(fine, (5, 5)) - np.median(fine[below])):
        scatter = 1.4826 * np.median(np.abs(off[below])) + 1e-6
        doubt = np.maximum(doubt, np.minimum(off / scatter, 2 * _LEFT))
    path = best_path(-np.cumsum(doubt - _LEFT, axis=0), stiffness=_LEFT)
    return _at_half(np.abs(light - level), path, -1)


def _at_half(unlike: Floats, path: NDArray[np.int64], outward: int) -> Floats:
    """The path moved (by up to 6 rows) to where what lies on its inner side has faded to half.

    `outward`: +1 where rows grow away from the unlike side, -1 where they shrink.
    """
    reach = np.arange(-8, 7)
    rows = np.clip(path + outward * reach[:, None], 0, len(unlike) - 1)
    seen = cv2.blur(np.take_along_axis(unlike, rows, axis=0), (5, 1), borderType=cv2.BORDER_REPLICATE)
    half = 0.5 * seen[:6].mean(axis=0)
    share = (seen > half).sum(axis=0)
    return np.asarray(path + outward * (share + reach[0] - 0.5))


def _undamaged(s: Floats, edge: Floats) -> Floats:
    """A parabola along the edge's outermost even parts: damage removes, stuck material adds."""
    weight = np.ones(len(s))
    line = np.full(len(s), np.median(edge))
    for _ in range(12):
        line = np.polynomial.Polynomial.fit(s, edge, 2, w=weight)(s)
        off = edge - line
        width = 1.4826 * np.median(np.abs(off)) + 0.5
        weight = np.minimum(1.0, width / np.maximum(np.abs(off), 1e-9)) * np.where(off > width, 0.3, 1.0)
    return line


def follow_land(photo: Photo, line: EdgeLine) -> Land | None:
    """Follow edge and land on a close-up; None where too little of the edge or of its flank lies in the picture."""
    s = np.arange(-round(line.length_px), round(line.length_px) + 1, dtype=float)
    strip = straighten(
        photo.linear_bgr,
        photo.size,
        line.frame,
        s_px=s,
        course_px=np.zeros(len(s)),
        d_range=(-_OUT_PX, _IN_PX),
        weights=LUMINANCE,
    )
    near = strip.light[_OUT_PX - 40 : _OUT_PX + 60]
    seen = np.asarray(np.isfinite(near).all(axis=0))
    if seen.sum() < 200:
        return None
    columns = slice(int(np.argmax(seen)), len(seen) - int(np.argmax(seen[::-1])))
    whole = _filled(_lightness(strip.light[:, columns]))
    light, fine = _grouped(np.asarray(cv2.blur(whole, (1, 3)))), _group_scatter(whole)
    s = s[columns][: light.shape[1] * _COLUMN].reshape(-1, _COLUMN).mean(axis=1)
    edge = _ground_path(light, fine, _OUT_PX) - _OUT_PX
    course = _undamaged(s, edge)
    if course.max() > _IN_PX - _LEAST_FLANK_PX or course.min() < -_OUT_PX:
        return None
    width, contrast = _land_path(light, course + _OUT_PX)
    return Land(line.frame, s, course, edge - course, width, contrast)


def _filled(light: Floats) -> Floats:
    """Rows outside the photo repeat the last one inside."""
    known = np.isfinite(light)
    row = np.where(known, np.arange(len(light))[:, None], 0)
    filled = np.take_along_axis(light, np.maximum.accumulate(row, axis=0), axis=0)
    return np.where(np.isfinite(filled), filled, np.nanmedian(light))


def _land_path(light: Floats, course: Floats) -> tuple[Floats, Floats]:
    """Width of the land per column group, and how clearly it differs from the flank, in grains."""
    depth = len(light) - int(np.ceil(course.max())) - 1
    rows = np.rint(course).astype(int) + np.arange(depth)[:, None]
    inward = np.take_along_axis(light, rows, axis=0)
    flank = inward[depth // 2 :]
    level = cv2.blur(np.median(flank, axis=0)[None], (31, 1), borderType=cv2.BORDER_REPLICATE)
    off = cv2.GaussianBlur(inward - level, (0, 0), sigmaX=1.5, sigmaY=1.5)
    grain = 1.4826 * float(np.median(np.abs(off[depth // 2 :]))) + 1e-6
    unlike = np.minimum(np.abs(off) / grain, _MOST)
    gain = np.cumsum(unlike - _SEEN, axis=0)
    width = best_path(np.vstack([np.zeros(gain.shape[1]), gain]), stiffness=_LAND_STIFFNESS)
    inside = np.arange(depth)[:, None] < width
    refined = np.where(width > 0, _at_half(np.abs(off), width, 1), 0.0)
    return np.maximum(refined, 0.0), np.where(inside, unlike, 0.0).sum(axis=0) / np.maximum(width, 1)


def measure_land(photo: Photo, scale: Scale) -> Finding:
    """Wear land, broken-out stretches and overhang on a close-up of one edge (view `edge`).

    The land is measured from the undamaged edge line, so a broken-out stretch belongs to it too.

    Quantities: wear_land_mean, wear_land_max (mm, over the edge that is not broken out), chip_count, chip_depth_max,
    chip_length_total. Where no land shows and the edge is ragged the land is not measured: the edge is gone, not sharp.
    """
    line = find_edge_line(photo)
    land = None if line is None else follow_land(photo, line)
    if line is None or land is None:
        reason = "no edge between rough metal and smooth ground runs through the picture"
        return Finding(not_measured=dict.fromkeys(_NAMES, reason), flags=("no_cutter",))
    flags = line.flags
    if land.missing_px.min() < -_LEAST_CHIP_PX:
        flags += ("stuck_material",)
    width, gone = _widths(land, scale), _missing(land, scale)
    return Finding(
        {**width, **gone},
        {} if width else dict.fromkeys(_NAMES[:2], "no land shows against the flank, yet the edge is ragged"),
        _marks(land),
        flags,
        (
            Curve("edge", land.frame.to_photo(land.s_px, land.course_px + land.missing_px)),
            Curve("undamaged_edge", land.frame.to_photo(land.s_px, land.course_px)),
            Curve("land", land.frame.to_photo(land.s_px, land.course_px + land.width_px)),
        ),
        (_in_words(land),),
    )


def _widths(land: Land, scale: Scale) -> dict[str, Quantity]:
    width = land.width_px
    shows = float((width > 0).mean()) if len(width) else 0.0
    if shows < 0.5:
        return {} if land.ragged_px > _RAGGED_PX or not len(width) else _no_land(scale)
    # Where a land ends is fuzzy: half the scatter from one group of columns to the next.
    fuzzy = max(1.0, 0.5 * 1.4826 * float(np.median(np.abs(np.diff(width)))))
    widest = np.convolve(width, np.full(5, 0.2), mode="same").max()
    return {
        "wear_land_mean": scale.to_mm(
            Quantity(float(width.mean()), "px", {"form": fuzzy, "noise": fuzzy / np.sqrt(len(width))})
        ),
        "wear_land_max": scale.to_mm(Quantity(float(widest), "px", {"form": fuzzy, "noise": fuzzy})),
    }


def _no_land(scale: Scale) -> dict[str, Quantity]:
    least = scale.to_mm(Quantity(_LEAST_CHIP_PX, "px", {"form": 1.0}, "upper_limit"))
    return {"wear_land_mean": least, "wear_land_max": least}


def _missing(land: Land, scale: Scale) -> dict[str, Quantity]:
    kept = land.width_px[~land.broken]
    usual = float(np.median(kept)) if len(kept) else 0.0
    depth = np.where(land.broken, np.maximum(land.missing_px, land.width_px - usual), land.missing_px)
    chips = [
        (begin, end)
        for begin, end in _runs(depth > _LEAST_CHIP_PX)
        if end - begin >= 2 and (land.broken[begin:end].any() or (begin > 0 and end < len(depth)))
    ]  # what begins at the frame may be the edge leaving the picture
    count = len(chips)
    length = Quantity(
        float(_COLUMN * sum(end - begin for begin, end in chips)),
        "px",
        {"noise": float(_COLUMN * np.sqrt(2.0 * count))},
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


def _marks(land: Land) -> tuple[Mark, ...]:
    k = int(np.argmax(np.where(land.broken, 0.0, land.width_px)))
    at = land.frame.to_photo(land.s_px[k : k + 1], land.course_px[k : k + 1] + land.width_px[k : k + 1])[0]
    marks = [Mark("land", (float(at[0]), float(at[1])), "widest land")]
    if land.broken.any():
        middle = int(np.median(np.flatnonzero(land.broken)))
        at = land.frame.to_photo(land.s_px[middle : middle + 1], land.course_px[middle : middle + 1])[0]
        marks.append(Mark("chip", (float(at[0]), float(at[1])), "broken out"))
    return tuple(marks)


def _in_words(land: Land) -> str:
    """The names of ISO 8688-2 (from memory): uniform VB 1, non-uniform VB 2, localized VB 3."""
    width = land.width_px[~land.broken]
    if not len(width) or not width.any():
        return "no land seen"
    spread = float(np.std(width)) / max(float(np.mean(width)), 1e-9)
    peak = float(np.percentile(width, 99)) / max(float(np.median(width)), 1.0)
    name = "localized (VB 3)" if peak > 3 else "uniform (VB 1)" if spread < 0.35 else "non-uniform (VB 2)"
    return f"worn land: {name}"
