"""Marks of a ruler or a stage micrometer: which strokes are the scale, and where exactly each one is."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.calibrate.fit import PlaneFit, fit_plane
from wearscope.calibrate.lattice import Chain, best_chain
from wearscope.subpixel.marks import Strokes, bar_centres, find_strokes, stroke_directions

__all__ = ["FEWEST_MARKS", "MarkRow", "MeasuredRow", "find_rows", "measure_row", "measure_ruler"]

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

FEWEST_MARKS = 6
"""Fewer marks cannot tell a regular scale from chance."""
CANDIDATES = 40
"""So many rows are measured before giving up; edges of wide marks and strokes of numbers also make rows."""
WIDTHS = (0.8, 1.2)
"""Filter widths (px) at each reduction of the picture by two; together they cover bars from 1.5 px up."""
EVEN = 0.75
"""A bar looks the same from both sides: this share of its profile's energy is even (a lone edge: 0)."""
MOST = 0.8
"""This share of all sections must be even, and must agree with one plane: what a scale is, clutter is not."""
REGULAR = 0.05
"""Largest scatter of the marks about the fitted scale, in pitches. Chance within the search window gives 0.09."""
LOOSEST = 0.004
"""Relative standard uncertainty above which the marks do not carry a scale (strokes that only happen to be regular)."""


@dataclass(frozen=True, slots=True)
class MarkRow:
    """A regular row of strokes, not yet measured. Arrays have one row per mark; `sign` as in `find_strokes`."""

    number: NDArray[np.int_]
    top_px: Array
    bottom_px: Array
    sign: int
    width_px: float
    pitch_px: float
    score: int


@dataclass(frozen=True, slots=True)
class MeasuredRow:
    """Sections of marks: centre (n, 2) in px, which mark (n,), what share looked like bars, and the fit through them.

    `slant`: by how much a step along the scale is longer than the distance across the marks, as a share, and its
    standard uncertainty. Tilt shears the picture a little, so marks do not stand square on their base line in it.
    """

    centre_px: Array
    number: NDArray[np.int_]
    share_even: float
    slant: tuple[float, float]
    fit: PlaneFit
    row: MarkRow

    @property
    def marks(self) -> int:
        """How many marks the fit rests on."""
        return len(np.unique(self.number[self.fit.weights > 0.1]))

    @property
    def scatter_px(self) -> float:
        used = self.fit.weights > 0.1
        return float(np.sqrt(np.mean(self.fit.residuals_px[used] ** 2)))

    def fault(self) -> str:
        """Why this is no scale, or nothing."""
        pitch = float(self.fit.px_per_step()[0])
        loose = self.fit.looseness()
        if self.share_even < MOST:
            return "too many are edges, not bars"
        if np.mean(self.fit.weights > 0.1) < MOST or self.marks < FEWEST_MARKS:
            return f"only {self.marks} agree with a straight, flat scale"
        if self.scatter_px > REGULAR * pitch:
            return (
                f"their spacing is not regular (scatter {100 * self.scatter_px / pitch:.1f} % of a division)"
            )
        if loose > LOOSEST:
            return f"they would give the scale only to {100 * loose:.1f} %"
        return ""


def measure_ruler(grey: Picture, linear: Picture, size: tuple[int, int]) -> tuple[MeasuredRow | None, str]:
    """The row with most marks that stands every check, and otherwise the reason why there is none."""
    reason = "no regular row of parallel marks"
    for sign in (1, -1):
        for row in find_rows(grey, sign=sign)[:CANDIDATES]:
            measured = measure_row(linear, row, size)
            fault = measured.fault() if measured else "its marks could not be measured"
            if measured and not fault:
                return measured, ""
            reason = f"of {len(row.number)} strokes in a row, {fault}"
    return None, reason


def find_rows(grey: Picture, *, sign: int) -> list[MarkRow]:
    """Regular rows of parallel strokes, the one with most marks first."""
    directions = stroke_directions(grey)
    rows = [
        row
        for level, reduced in _reductions(grey)
        for angle in directions
        for strokes in find_strokes(reduced, angle, scales=WIDTHS, level=level, sign=sign)
        if (row := _row_of(strokes, sign)) is not None
    ]
    return sorted(rows, key=lambda row: -row.score)


def _reductions(grey: Picture) -> Iterator[tuple[int, Picture]]:
    level = 0
    while min(grey.shape) >= 60:
        yield level, grey
        height, width = grey.shape[0] // 2, grey.shape[1] // 2
        grey = np.asarray(
            cv2.resize(grey[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA),
            np.float32,
        )
        level += 1


def _row_of(strokes: Strokes, sign: int) -> MarkRow | None:
    """The best regular chain over all heights of the frame."""
    if len(strokes.strength) < FEWEST_MARKS:
        return None
    top, bottom = strokes.in_frame()
    best: tuple[Chain, NDArray[np.int_]] | None = None
    for v in np.unique(np.quantile((top[:, 1] + bottom[:, 1]) / 2, np.linspace(0, 1, 33))):
        crossing = np.flatnonzero((top[:, 1] <= v) & (bottom[:, 1] >= v))
        if len(crossing) < FEWEST_MARKS or (best and len(crossing) <= best[0].score):
            continue
        share = (v - top[crossing, 1]) / (bottom[crossing, 1] - top[crossing, 1])
        chain = best_chain(top[crossing, 0] + share * (bottom[crossing, 0] - top[crossing, 0]))
        if chain and (best is None or chain.score > best[0].score):
            best = (chain, crossing)
    if best is None or best[0].score < FEWEST_MARKS:
        return None
    chain, crossing = best
    ends = (strokes.top_px[crossing[chain.index]], strokes.bottom_px[crossing[chain.index]])
    return MarkRow(chain.number, *ends, sign, strokes.scale_px, chain.pitch, chain.score)


def measure_row(linear: Picture, row: MarkRow, size: tuple[int, int]) -> MeasuredRow | None:
    """Measure every mark in several sections and fit the plane; None where too few can be measured."""
    length = np.hypot(*(row.bottom_px - row.top_px).T)
    along = (row.bottom_px - row.top_px) / length[:, None]
    trim = np.minimum(2.5 * row.width_px, 0.25 * length)
    usable = length - 2 * trim
    pieces = np.clip(np.ceil(usable / max(4 * row.width_px, 4)).astype(int), 2, 8)
    mark = np.repeat(np.arange(len(length)), pieces)
    rank = np.concatenate([np.arange(k) for k in pieces])
    at = trim[mark] + (rank + 0.5) / pieces[mark] * usable[mark]
    rough = row.top_px[mark] + along[mark] * at[:, None]
    offset, width, even = bar_centres(
        linear if row.sign > 0 else 1 - linear,
        rough,
        along[mark],
        half_width=np.full(len(mark), min(0.5 * row.pitch_px, 3.5 * row.width_px)),
        sections=usable[mark] / pieces[mark],
        smooth=max(0.5 * row.width_px, 0.5),
    )
    good = np.isfinite(offset)
    if len(np.unique(mark[good])) < FEWEST_MARKS:
        return None
    share_even = float(np.mean(even[good] > EVEN))
    bars = good & (even > EVEN)
    good = bars & _usual(width, bars) if bars.any() else bars
    if len(np.unique(mark[good])) < FEWEST_MARKS:
        return None
    across = np.column_stack([along[:, 1], -along[:, 0]])[mark]
    centre = (rough + across * offset[:, None])[good]
    number = row.number[mark][good]
    steps = (number - int(np.median(number)))[:, None].astype(float)
    fit = fit_plane(centre, steps, number, size)
    fit = replace(fit, covariance=fit.covariance * _alike(fit, number))
    return MeasuredRow(centre, number, share_even, _slant(row, fit), fit, row)


UNKNOWN_SLANT = 3e-4
"""Where no base line is seen: a tilt of 15 degrees about a slanting axis makes 0.06 % at most; half of that is taken."""


def _slant(row: MarkRow, fit: PlaneFit) -> tuple[float, float]:
    """From the base line, the straighter of the two rows of ends, as far as it lies inside the picture."""
    best = (np.inf, 0.0, UNKNOWN_SLANT)
    limit = np.array(fit.size) - 1
    for ends in (row.top_px, row.bottom_px):
        inside = np.all((ends > 4 * row.width_px) & (ends < limit - 4 * row.width_px), axis=1)
        if inside.sum() < FEWEST_MARKS:
            continue
        v = fit.flat(ends[inside])
        middle = np.median(v, axis=0)
        normal = fit.flat_gradient(middle)[0]
        normal = normal / np.hypot(*normal)
        across, down = (v - middle) @ normal, (v - middle) @ np.array([-normal[1], normal[0]])
        slope, scatter = _straight(across, down)
        u_slope = scatter / max(float(np.ptp(across)), 1e-9) * 4 / np.sqrt(len(v))
        if scatter < best[0] and u_slope < 0.02:
            best = (scatter, float(np.hypot(1, slope)) - 1, abs(slope) * u_slope + u_slope**2)
    return best[1:]


def _straight(x: Array, y: Array) -> tuple[float, float]:
    """Slope of the line with the least sum of absolute distances (by reweighting), and the robust scatter."""
    weight = np.ones(len(x))
    design = np.column_stack([np.ones(len(x)), x])
    for _ in range(20):
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
        off = np.abs(y - design @ fit)
        weight = 1 / np.maximum(off, 1e-6)
    return float(fit[1]), float(1.4826 * np.median(off))


def _usual(width: Array, bars: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Sections as wide as marks are here: strokes of numbers and what lies beyond a mark's end differ."""
    middle = float(np.median(width[bars]))
    spread = 1.4826 * float(np.median(np.abs(width[bars] - middle)))
    return np.abs(width - middle) < 3 * spread + 0.2 * middle


def _alike(fit: PlaneFit, number: NDArray[np.int_]) -> float:
    """Factor on the covariance because neighbouring marks err alike: (1 + r) / (1 - r) for a lag-one correlation r."""
    _names, at = np.unique(number, return_inverse=True)
    share = np.maximum(np.bincount(at, fit.weights), 1e-9)
    mean = np.bincount(at, fit.weights * fit.residuals_px[:, 0]) / share
    r = float((mean[1:] * mean[:-1]).sum() / max((mean**2).sum(), 1e-30))
    return (1 + min(max(r, 0.0), 0.9)) / (1 - min(max(r, 0.0), 0.9))
