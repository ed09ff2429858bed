"""Lines on the surface of a round bar that its grinding did not leave: rings around it, scratches along it.

Only a bar that is lit from the front shows its surface. It is read as a map: places along the axis by places across it. What
the whole length or the whole width shares (shading, highlights) is taken off; a ring then stands out in most of the
bands the map is cut into across, a scratch in neighbouring bands along.
"""

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.geometry.baseline import tail_sigma
from wearscope.outline.bar import Bar
from wearscope.photo.read import Photo

__all__ = ["SurfaceLine", "surface_lines"]

Floats = NDArray[np.float64]

_ACROSS = 0.8
"""Share of the half width that is looked at: nearer the sides the surface leans away too far."""
_BANDS = 8
_MOST = 6
"""Of the bands across, so many must show a ring: highlights may drown it in one or two."""
_RING, _SCRATCH = 4.5, 7.0
"""Standard deviations of the surface's own lines: one in 300 000 normal ones for the sixth best of eight bands, for two
neighbouring bands of eight and as many lines as a picture has columns more than that."""
_ASIDE = 10
"""px from a scratch to the surface beside it."""
_SHADING_MM = 0.6
"""Light that changes more slowly than this along or across is shading."""


@dataclass(frozen=True, slots=True)
class SurfaceLine:
    """A ring `around` or a scratch `along` the bar: its ends and middle (3, 2) in px of the photo, and its width."""

    kind: Literal["around", "along"]
    px: Floats
    width_px: float


def surface_lines(
    photo: Photo, bar: Bar, s_px: Floats, half_px: float, *, px_per_mm: float
) -> tuple[SurfaceLine, ...]:
    """What stands out of the surface between `s_px[0]` and `s_px[-1]`; `half_px` is half the bar's width."""
    d = np.linspace(-_ACROSS * half_px, _ACROSS * half_px, int(2 * _ACROSS * half_px) | 1)
    light = _map(photo, bar, s_px, d)
    window = max(15, int(_SHADING_MM * px_per_mm)) | 1
    rings = _stands_out(_without_shading(_banded(light.T), window), _MOST, _RING)
    along = _banded(light)
    scratches = _in_neighbours(_sigmas(_without_shared(along)), _SCRATCH) or _in_neighbours(
        _sigmas(_bent(along)), _SCRATCH
    )
    found = [
        SurfaceLine(
            "around", bar.axis.to_photo(np.full(3, s_px[(a + b) // 2]), d[[0, len(d) // 2, -1]]), b - a
        )
        for a, b, *_ in rings
    ]
    for a, b, first, last in scratches:
        places = s_px[
            [
                first * len(s_px) // _BANDS,
                (first + last) * len(s_px) // (2 * _BANDS),
                last * len(s_px) // _BANDS - 1,
            ]
        ]
        found.append(SurfaceLine("along", bar.axis.to_photo(places, np.full(3, d[(a + b) // 2])), b - a))
    return tuple(found)


def _map(photo: Photo, bar: Bar, s: Floats, d: Floats) -> Floats:
    """About even steps to the eye (cube root of linear light), (places along, places across)."""
    at = bar.axis.to_photo(
        np.broadcast_to(s[:, None], (len(s), len(d))), np.broadcast_to(d, (len(s), len(d)))
    )
    low = np.maximum(np.floor(at.min(axis=(0, 1))).astype(int) - 1, 0)
    high = np.minimum(np.ceil(at.max(axis=(0, 1))).astype(int) + 2, photo.size)
    light = photo.linear((int(low[0]), int(low[1]), int(high[0]), int(high[1])))
    x, y = (np.asarray(at[..., k] - low[k], np.float32) for k in (0, 1))
    rows = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(np.cbrt(np.maximum(rows, 1e-4)), np.float64)


def _banded(light: Floats) -> Floats:
    """Means over bands of rows, (bands, columns)."""
    return np.array([band.mean(axis=0) for band in np.array_split(light, _BANDS)])


def _without_shading(bands: Floats, window: int) -> Floats:
    """Each band in standard deviations of its own fine lines."""
    from scipy.ndimage import median_filter

    return _sigmas(bands - median_filter(bands, (1, window), mode="nearest"))


def _without_shared(bands: Floats) -> Floats:
    """What a band has more or less than the others, as it changes over a few px: highlights run on, most scratches end."""
    return _bent(bands - np.median(bands, axis=0))


def _bent(bands: Floats) -> Floats:
    """Each place against its neighbours `_ASIDE` px to both sides."""
    aside = np.pad(bands, ((0, 0), (_ASIDE, _ASIDE)), mode="edge")
    return np.asarray(bands - (aside[:, : -2 * _ASIDE] + aside[:, 2 * _ASIDE :]) / 2)


def _sigmas(bands: Floats) -> Floats:
    return np.array([row / max(tail_sigma(row), 1e-6) for row in bands])


def _stands_out(bands: Floats, most: int, least: float) -> list[tuple[int, int, int, int]]:
    """(begin, end, first band, last band) of columns where `most` of the bands, or more, stand out."""
    level = np.sort(np.abs(bands), axis=0)[len(bands) - most]
    return [(a, b, 0, len(bands)) for a, b in _runs(level > least)]


def _in_neighbours(bands: Floats, least: float) -> list[tuple[int, int, int, int]]:
    out = np.abs(bands) > least
    pairs = out[1:] & (out[:-1] | np.roll(out[:-1], 1, axis=1) | np.roll(out[:-1], -1, axis=1))
    found = []
    for a, b in _runs(np.asarray(pairs.any(axis=0))):
        rows = np.flatnonzero(pairs[:, a:b].any(axis=1))
        found.append((a, b, int(rows[0]), int(rows[-1]) + 2))
    return found


def _runs(true: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(begin, end) of runs of True; gaps of up to four columns are bridged."""
    near = cv2.morphologyEx(true.astype(np.uint8)[None], cv2.MORPH_CLOSE, np.ones((1, 5), np.uint8))[0]
    edges = np.flatnonzero(np.diff(np.concatenate([[0], near.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
