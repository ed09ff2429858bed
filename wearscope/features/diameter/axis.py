"""The shank's axis in every frame of a series, and the edge lines seen from it.

The fixture is loose, so each frame has its own axis: the middle line of the two straight, parallel shank edges. Which
straight stretch is the shank and not the body of a straight-fluted cutter is decided over the series: a shank is round,
its width does not change when it turns.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.outline.silhouette import NotASilhouette, Silhouette

__all__ = ["Frame", "frames_about_shank"]

Floats = NDArray[np.float64]

_BLOCK = 8
"""Edge points are averaged over blocks of this many columns where straightness is judged: noise of neighbouring columns is
correlated over a JPEG block."""
_SAME_WIDTH = 0.004
"""How much the shank's width may differ between frames, as a share. A lens 60 mm away and a fixture that lets the cutter
come 0.1 mm nearer or farther changes it by 0.003; a straight-fluted body changes by ten times as much."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One silhouette seen from its shank's axis.

    `along_px` (n,): distance from the tip's end along the axis; `up_px`, `down_px` (n,): distance of the two edges from the axis,
    both positive outward; `shank_px`: half the shank's width; `shank_from_px`: where along the axis the shank begins;
    `axis_covariance` (2, 2): of the axis' offset at the shank's middle (px) and of its slope; `shank_middle_px`: that place;
    `origin_px`, `direction`: tip end of the axis and unit vector toward the shank, in the turned picture;
    `taper`: how much the shank's half width grows per px along the axis (perspective of a tilted cutter), and its standard
    uncertainty.
    """

    source: Silhouette
    along_px: Floats
    up_px: Floats
    down_px: Floats
    shank_px: float
    shank_from_px: float
    shank_middle_px: float
    axis_covariance: Floats
    taper: tuple[float, float]
    origin_px: tuple[float, float]
    direction: tuple[float, float]

    def to_photo(self, along: Floats, across: Floats) -> Floats:
        """Places given along the axis and across it (up positive) as px of the upright photo, shape (n, 2)."""
        ux, uy = self.direction
        x = self.origin_px[0] + along * ux + across * uy
        y = self.origin_px[1] + along * uy - across * ux
        # direction points to the left (toward the shank); "up" is the side with smaller rows
        return self.source.to_photo(np.column_stack([x, y]))


def frames_about_shank(silhouettes: Sequence[Silhouette]) -> tuple[Frame, ...]:
    """Every silhouette seen from its shank's axis.

    Raises NotASilhouette where no stretch is straight, parallel and equally wide in all frames.
    """
    runs = [_straight_runs(s) for s in silhouettes]
    if not all(runs):
        which = silhouettes[[bool(r) for r in runs].index(False)].path
        raise NotASilhouette(
            f"{which}: no shank in the frame: two straight parallel edges are needed beside the cutting part; "
            "move the cutter so that a piece of shank as long as a quarter of its diameter is in the picture"
        )
    for choice in _candidates(runs):
        widths = np.array([run.width for run in choice])
        if np.ptp(widths) <= _SAME_WIDTH * 2 * np.median(widths):
            start = max(run.start for run in choice)
            return tuple(_about_axis(s, run, start) for s, run in zip(silhouettes, choice, strict=True))
    raise NotASilhouette(
        "no shank in the frame: no stretch keeps its width while the cutter turns; "
        "show a piece of the round shank beside the cutting part"
    )


@dataclass(frozen=True, slots=True)
class _Run:
    """A stretch whose two edges are straight and parallel; `start` and `stop` are columns from the tip's end."""

    start: float
    stop: float
    width: float


def _candidates(runs: list[list[_Run]]) -> list[list[_Run]]:
    """For each run of the first frame, farthest from the tip first, the run of every other frame that overlaps it best."""
    found = []
    for lead in sorted(runs[0], key=lambda run: -run.stop):
        match = [max(r, key=lambda run: min(run.stop, lead.stop) - max(run.start, lead.start)) for r in runs]
        if all(min(m.stop, lead.stop) - max(m.start, lead.start) > 0 for m in match):
            found.append(match)
    return found


def _straight_runs(silhouette: Silhouette) -> list[_Run]:
    """Stretches where both edges follow straight parallel lines, at least an eighth as long as wide."""
    tip = silhouette.tip_px[0]
    blocks = _blocks(silhouette)
    if len(blocks) < 5:
        return []
    x, top, bottom, noise = blocks[:, 0], blocks[:, 1], blocks[:, 2], blocks[:, 3]
    tolerance = 4 * float(np.median(noise)) + 0.1
    runs: list[_Run] = []
    i = 0
    while i < len(x) - 3:
        j = i + 4
        if not _straight(x[i:j], top[i:j], bottom[i:j], tolerance):
            i += 1
            continue
        while j < len(x) and _straight(x[i : j + 1], top[i : j + 1], bottom[i : j + 1], tolerance):
            j += 1
        width = float(np.mean(bottom[i:j] - top[i:j]))
        if x[j - 1] - x[i] > width / 8:
            # One block less on the tip's side: the blur of a shoulder reaches into the last one.
            runs.append(_Run(tip - float(x[j - 2]), tip - float(x[i]) + _BLOCK / 2, width))
        i = j - 1
    return runs


def _blocks(silhouette: Silhouette) -> Floats:
    """Columns (x, top, bottom, standard error), from the shank's end to the tip."""
    n = len(silhouette.x_px) // _BLOCK * _BLOCK
    cut = [a[:n].reshape(-1, _BLOCK) for a in (silhouette.x_px, silhouette.top_px, silhouette.bottom_px)]
    good = ~np.isnan(cut[1]).any(axis=1) & ~np.isnan(cut[2]).any(axis=1)
    x, top, bottom = (a[good] for a in cut)
    if not len(x):
        return np.empty((0, 4))
    ripple = np.abs(np.diff(top, n=2, axis=1)).mean(axis=1) + np.abs(np.diff(bottom, n=2, axis=1)).mean(
        axis=1
    )
    noise = ripple / 2 / 1.954 / np.sqrt(_BLOCK)  # E|second difference| = sqrt(6) * sqrt(2/pi) sigma
    return np.column_stack([x.mean(axis=1), top.mean(axis=1), bottom.mean(axis=1), noise])


def _straight(x: Floats, top: Floats, bottom: Floats, tolerance: float) -> bool:
    middle, half = (top + bottom) / 2, (bottom - top) / 2
    if np.ptp(half) > 2 * tolerance + 0.002 * np.mean(half):
        return False
    return all(
        float(np.abs(y - np.polyval(np.polyfit(x, y, 1), x)).max()) <= tolerance for y in (top, bottom)
    ) and bool(
        np.ptp(middle) <= np.ptp(x)  # not steeper than 45 degrees
    )


def _about_axis(silhouette: Silhouette, run: _Run, start: float) -> Frame:
    """The edges as distances from the shank's middle line."""
    s = silhouette
    tip = s.tip_px[0]
    inside = (
        (s.x_px <= tip - start) & (s.x_px >= tip - run.stop) & ~np.isnan(s.top_px) & ~np.isnan(s.bottom_px)
    )
    x, top, bottom = s.x_px[inside], s.top_px[inside], s.bottom_px[inside]
    centre = float(x.mean())
    (slope, offset), covariance = _line(x - centre, (top + bottom) / 2)
    (growth, half), spread = _line(x - centre, (bottom - top) / 2)
    cosine = 1 / np.hypot(1, slope)
    # Unit vector along the axis toward the tip (x right), and its normal toward smaller rows.
    along_x, along_y = cosine, slope * cosine

    def seen(y: Floats) -> tuple[Floats, Floats]:
        dx, dy = s.x_px - centre, y - offset
        return dx * along_x + dy * along_y, dx * along_y - dy * along_x

    along_up, up = seen(s.top_px)
    along_down, down = seen(s.bottom_px)
    tip_along = (s.tip_px[0] - centre) * along_x + (s.tip_px[1] - offset) * along_y
    grid = tip_along - np.arange(0.0, tip_along - float(np.nanmin(along_up)), 1.0)
    on_grid_up, on_grid_down = _resample(grid, along_up, up), _resample(grid, along_down, -down)
    origin = (centre + tip_along * along_x, offset + tip_along * along_y)
    return Frame(
        s,
        tip_along - grid,
        on_grid_up,
        on_grid_down,
        half * cosine,
        start,
        tip_along,
        covariance,
        (-growth, float(np.sqrt(spread[1, 1]))),
        origin,
        (-along_x, -along_y),
    )


def _resample(grid: Floats, along: Floats, across: Floats) -> Floats:
    """Distances at the places of `grid` (descending), NaN where the outline has a gap."""
    good = ~np.isnan(across)
    order = np.argsort(along[good])
    a, d = along[good][order], across[good][order]
    out = np.interp(grid, a, d, left=np.nan, right=np.nan)
    gap = np.interp(grid, a, np.append(np.diff(a), 0.0), left=np.inf, right=np.inf)
    out[gap > 3] = np.nan
    return out


def _line(x: Floats, y: Floats) -> tuple[tuple[float, float], Floats]:
    """(slope, offset) of y over a centred x, and the covariance of (offset, slope).

    From block means, since noise is correlated over JPEG blocks, and with their own autocorrelation (first order): what a camera makes of the
    place of an edge inside a pixel stays alike over dozens of columns where the line leans by 0.01.
    """
    keep = np.ones(len(x), bool)
    for _ in range(3):
        slope, offset = np.polyfit(x[keep], y[keep], 1)
        residual = y - (offset + slope * x)
        spread = 1.4826 * np.median(np.abs(residual[keep]))
        keep = np.abs(residual) <= max(4 * spread, 1e-9)
    n = max(len(x) // _BLOCK, 3)
    means = np.array([b.mean() for b in np.array_split(residual, n)])
    per_block = float(means @ means) / max(n - 2, 1)
    alike = float(np.clip(means[1:] @ means[:-1] / (means @ means + 1e-12), 0, 0.95))
    variance = per_block / n * (1 + alike) / (1 - alike)
    return (float(slope), float(offset)), np.diag([variance, variance / float(np.var(x))])
