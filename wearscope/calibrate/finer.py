"""Marks between the marks: a scale seen so small that only its longer marks stand apart.

A stage micrometer has a longer mark every five or ten divisions. Where the divisions are too close together, the longer
marks alone make a regular row, and the pitch of a division given for them would make the scale five or ten times too large.
What gives them away is what they stand on: fine marks of a few px, or, finer still, an even grey.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.calibrate.ruler import MeasuredRow

__all__ = ["finer_marks"]

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

_FINEST_PX = 2.05
"""Marks closer than two px are not drawn by a picture at all (the sampling theorem)."""
_MOST_BETWEEN = 5
"""Scales have longer marks every five or ten divisions, so that at least five go from one to the next; slower waves between
two marks are the skirts of the marks themselves."""
_EXPLAINED = 0.4
"""Fine marks make up most of what the light does from one mark to the next; skirts and noise leave less than a fifth to any fast wave."""
_SKIRT_PX = 3.0
"""The blur of a mark reaches this far."""
_GREY = 0.4
"""Fine marks are a fifth to a half of their pitch wide: together they take that share of the light that a mark alone takes."""
_FAINT = 0.6
"""On the band the marks that were found stand out by this share of what they stand out by elsewhere, or less: they differ from fine marks by nothing."""
_LEVEL = 0.15
"""Above and below them the ground is as light, but for this share of a mark's contrast: the edge of a ruler has another ground beyond."""
_THINNEST_PX = 4
"""A thinner grey band is the line that marks stand on."""


def finer_marks(linear: Picture, measured: MeasuredRow) -> str:
    """What speaks for finer marks between those of `measured`, in words; empty where nothing does."""
    seen = _unrolled(linear, measured)
    if seen is None:
        return ""
    between = _waves(seen)
    if between:
        return f"there are finer ones between them, {between} from one to the next"
    if _on_grey_band(seen):
        return "they stand on an even grey band, as marks too fine to be told apart make it"
    return ""


@dataclass(frozen=True, slots=True)
class _Unrolled:
    """The picture along the scale: `light` (heights, gaps, per gap), `part` (per gap) 0..1 of the way from mark to mark."""

    light: Array
    part: Array
    pitch: float
    length: float

    @property
    def clear(self) -> NDArray[np.bool_]:
        """Places beyond the skirts of the marks."""
        return np.asarray(np.minimum(self.part, 1 - self.part) * self.pitch > _SKIRT_PX)


def _unrolled(linear: Picture, measured: MeasuredRow) -> _Unrolled | None:
    """`linear` sampled every px along the marks, to two lengths of a mark to either side, and every half px from mark to mark."""
    row = measured.row
    reach = row.bottom_px - row.top_px
    length = float(np.median(np.hypot(*reach.T)))
    along = np.median(reach / np.hypot(*reach.T)[:, None], axis=0)
    along /= np.hypot(*along)
    middle = (row.top_px + row.bottom_px).mean(axis=0) / 2
    foot = measured.centre_px - ((measured.centre_px - middle) @ along)[:, None] * along
    course = [np.polynomial.Polynomial.fit(measured.number, foot[:, axis], 2) for axis in (0, 1)]
    per_gap = max(8, int(2 * row.pitch_px))
    gaps = np.arange(row.number.min(), row.number.max())
    part = (np.arange(per_gap) + 0.5) / per_gap
    place = np.stack([line((gaps[:, None] + part).ravel()) for line in course], axis=1)
    heights = np.arange(-2 * length, 2 * length)
    at = (place + heights[:, None, None] * along).astype(np.float32)
    light = cv2.remap(
        linear, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=np.nan
    ).reshape(len(heights), len(gaps), per_gap)
    inside = np.isfinite(light).all(axis=2).mean(axis=1) > 0.5
    if inside.sum() < _THINNEST_PX or len(gaps) < 4:
        return None
    light = np.where(np.isfinite(light), light, np.nanmedian(light))
    return _Unrolled(light[inside].astype(np.float64), part, row.pitch_px, length)


def _waves(seen: _Unrolled) -> int:
    """How many fine marks there are from one mark to the next; 0 where none are seen."""
    part = seen.part[seen.clear]
    bend = np.vander(part - 0.5, 3)
    fastest = int(seen.pitch / _FINEST_PX)
    if len(part) < 6 or fastest < _MOST_BETWEEN:
        return 0
    flat = np.eye(len(part)) - bend @ np.linalg.pinv(bend)
    number = np.arange(_MOST_BETWEEN, fastest + 1)
    wave = flat @ np.cos(2 * np.pi * part[:, None] * number)
    energy = (wave**2).sum(axis=0)
    rows = seen.light[: len(seen.light) // 4 * 4][:, :, seen.clear]
    rows = rows.reshape(-1, 4, *rows.shape[1:]).mean(axis=1) @ flat.T
    amplitude = (rows @ wave / energy).mean(axis=1)
    explained = amplitude**2 * energy * rows.shape[1] / (rows**2).sum(axis=(1, 2))[:, None]
    explained[:, energy < 0.1 * len(part)] = 0.0
    height, best = np.unravel_index(int(np.argmax(explained)), explained.shape)
    return int(number[best]) if explained[height, best] > _EXPLAINED else 0


def _on_grey_band(seen: _Unrolled) -> bool:
    """Is there a band, between all marks alike, that is about as dark as a mark, with the same ground on either side of it?"""
    clear = seen.clear if seen.clear.sum() > 2 else np.abs(seen.part - 0.5) < 0.25
    level = np.median(seen.light[:, :, clear], axis=(1, 2))
    marks = np.median(seen.light[:, :, [0, -1]], axis=(1, 2))
    ground = float(np.median(level))
    contrast = float(np.max(np.abs(marks - level)))
    if contrast == 0:
        return False
    grey = (np.abs(level - ground) > _GREY * contrast) & (np.abs(marks - level) < _FAINT * contrast)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], grey, [False]]).astype(int)))
    for start, stop in edges.reshape(-1, 2):
        outside = level[[max(start - 3, 0), min(stop + 2, len(level) - 1)]]
        alike = np.all(np.abs(outside - ground) < _LEVEL * contrast)
        framed = start >= 3 and stop <= len(level) - 3
        if framed and alike and _THINNEST_PX <= stop - start <= 1.5 * seen.length:
            return True
    return False
