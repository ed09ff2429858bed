"""All edge lines of a turned series on one grid along the shank's axis."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.features.diameter.axis import Frame

__all__ = ["AGREES_PX", "NOISE_PX", "STRAIGHT", "Series", "columns_in", "make_series", "usual_step"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int_]

NOISE_PX = 0.05
"""Usual noise of an averaged edge point."""
AGREES_PX = 0.4
"""An edge point that agrees with a fit lies this near: several times the noise of averaged edge points (0.02 to 0.1 px)."""
_LEAST_AXIS_PX = 1e-3
"""No axis is known better, however little its edges scatter: what interpolation between pixels leaves of an edge's place."""
STRAIGHT = 0.05
"""Edges that turn by less than this (radians) are straight: R (1 - cos) of it is a tenth of a pixel at R = 80 px."""


@dataclass(frozen=True, slots=True)
class Series:
    """All edge lines of a series on one grid.

    `reach_px` (m, n): distance of the edge line from the axis, one row for each frame and side (first all upper, then all
    lower lines), one column for each place `along_px` (n,); every frame brought to the scale of the median shank width.
    `turn` (m,): angle of each row; `side` (m,): +1 upper, -1 lower; `frame` (m,): number of the frame.
    `lever_px` (m, n): distance to the middle of the shank, where the axis is known best.
    """

    reach_px: Floats
    along_px: Floats
    turn: Floats
    side: Floats
    frame: Ints
    lever_px: Floats
    axis_sd: Floats
    shank_px: float
    shank_from_px: float
    blur_px: float
    angles_known: bool
    width_spread: float


def make_series(frames: Sequence[Frame], turns: Floats, *, angles_known: bool) -> Series:
    """Bring all frames to one grid along the axis and one scale."""
    shank = float(np.median([f.shank_px for f in frames]))
    length = min(float(f.along_px.max()) for f in frames)
    step = max(2, round(length / 200))
    along = np.arange(step / 2, length - step / 2, step)
    rows = [
        [
            _binned(f.along_px * g, line * g, along, step)
            for f, g in ((f, shank / f.shank_px) for f in frames)
            for line in ((f.up_px,) if side > 0 else (f.down_px,))
        ]
        for side in (1, -1)
    ]
    n = len(frames)
    return Series(
        np.array(rows[0] + rows[1]),
        along,
        np.concatenate([turns, turns + np.pi]),
        np.repeat([1.0, -1.0], n),
        np.tile(np.arange(n), 2),
        along[None, :] - np.tile([f.shank_middle_px for f in frames], 2)[:, None],
        np.maximum(
            np.sqrt(np.array([np.diag(f.axis_covariance) for f in frames])),
            [_LEAST_AXIS_PX, _LEAST_AXIS_PX / length],
        ),
        shank,
        max(f.shank_from_px for f in frames),
        float(np.median([f.source.blur_px for f in frames])),
        angles_known,
        float(np.std([f.shank_px for f in frames]) / shank),
    )


def _binned(along: Floats, reach: Floats, centres: Floats, step: float) -> Floats:
    good = ~np.isnan(reach)
    index = np.round((along[good] - centres[0]) / step).astype(int)
    inside = (index >= 0) & (index < len(centres))
    count = np.bincount(index[inside], minlength=len(centres))
    total = np.bincount(index[inside], reach[good][inside], minlength=len(centres))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def columns_in(series: Series, zone: tuple[float, float], most: int = 1000) -> Ints:
    """Numbers of the places inside `zone`, thinned out to about `most`."""
    inside = np.nonzero((series.along_px >= zone[0]) & (series.along_px <= zone[1]))[0]
    return inside[:: max(1, len(inside) // most)]


def usual_step(series: Series) -> float:
    """Usual angle between neighbouring photos."""
    frames = len(series.turn) // 2
    return float(np.median(np.abs(np.diff(series.turn[:frames])))) if frames > 1 else np.pi
