"""From photos of a turned cutter to its cutting diameter."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.features.diameter.axis import Frame, frames_about_shank
from wearscope.features.diameter.coverage import with_interval
from wearscope.features.diameter.cutting_length import END_SHARE, step_along
from wearscope.features.diameter.doubt import doubt, must_match
from wearscope.features.diameter.edge_fit import EdgeFit, EdgesNotFound
from wearscope.features.diameter.edges import fit_edges
from wearscope.features.diameter.grid import Series, make_series
from wearscope.geometry.scale import Scale
from wearscope.outline.silhouette import NotASilhouette, Silhouette, find_silhouette
from wearscope.photo.read import Photo
from wearscope.quantity import ONE_SIDED_95, Quantity

__all__ = ["SeriesResult", "find_silhouettes", "measure_series", "scale_from_shank"]

Floats = NDArray[np.float64]
_EDGE_PX = 0.02
"""Standard uncertainty of an edge's place per px of blur, the same for all frames: a camera whose coding differs from sRGB by 2.3 % of
the exponent moves the half level by that much. Common practice, no source."""
_OWN_EDGE_PX = 0.003
"""The same from interpolation and JPEG alone, different for every edge: 0.002 in 80 drawn pictures."""
_STRAIGHT = "the edges are straight (or wrap less than one step) and the angles are not known"
_HEIGHT_MM = 0.2
"""How well a scale is held at the height of the cutter's axis (standard uncertainty). Common practice, no source."""
_LENS_MM = 80.0
"""Distance of the lens where it is not given: usual for USB microscopes at this magnification. Common practice, no source."""
_BY_HAND = math.radians(8)
"""How well two edges are laid into the picture plane by eye. Common practice, no source."""
_WIDEST_SHARE = 0.003
"""A fit wider than this share of the diameter (expanded) says no more than a lower limit does."""


@dataclass(frozen=True, slots=True)
class SeriesResult:
    """`diameter`, `runout` (largest minus smallest edge radius), `offset` (cutting axis from shank axis): mm;
    `radii_mm` of the edges about the shank axis at the middle of the cutting length, with `radii_u_mm` (standard); `extra_chip_mm`:
    how much thicker the chip of each edge is than the feed per tooth: its radius less that of the edge before it in the cut;
    `taper_mm`: growth of the diameter from the tip to the end of the cutting length; `step`: how much larger the diameter is behind
    a step along the edges, `step_at_mm` from the tip, and `worn`: the diameter before it; `reasons`: what to know, in words.
    """

    diameter: Quantity
    reasons: tuple[str, ...]
    flags: tuple[str, ...]
    frames: tuple[Frame, ...]
    series: Series
    scale: Scale
    fit: EdgeFit | None = None
    runout: Quantity | None = None
    offset: Quantity | None = None
    radii_mm: tuple[float, ...] = ()
    radii_u_mm: tuple[float, ...] = ()
    extra_chip_mm: tuple[float, ...] = ()
    taper_mm: float = 0.0
    step: Quantity | None = None
    step_at_mm: float = 0.0
    worn: Quantity | None = None
    cutting_length_mm: float = 0.0

    @property
    def shank_mm(self) -> float:
        """Diameter of the shank in the pictures."""
        return 2 * self.series.shank_px / self.scale.px_per_mm


def find_silhouettes(photos: Sequence[Photo]) -> tuple[Silhouette, ...]:
    """Every photo as a silhouette; the first that is none stops with its path and the reason (NotASilhouette)."""
    found = []
    for photo in photos:
        try:
            found.append(find_silhouette(photo))
        except NotASilhouette as fault:
            raise NotASilhouette(f"{photo.path}: {fault}") from None
    return tuple(found)


def scale_from_shank(frames: Sequence[Frame], shank_mm: float, micrometer_mm: float) -> Scale:
    """The scale from the shank in the same picture, measured with a micrometer (largest error `micrometer_mm`).

    What moves both edges of the shank alike moves those of the cutter, too: it is not in "fit" (see `_known_parts`).
    """
    half = np.array([f.shank_px for f in frames])
    noise = float(np.mean([math.sqrt(f.axis_covariance[0, 0]) for f in frames])) / math.sqrt(len(half))
    edge = _OWN_EDGE_PX * float(np.median([f.source.blur_px for f in frames]))
    parts = {
        "target": micrometer_mm / math.sqrt(3) / shank_mm,
        "fit": math.hypot(noise, edge) / float(np.median(half)),
    }
    return Scale(2 * float(np.median(half)) / shank_mm, parts, "shank")


def measure_series(
    silhouettes: Sequence[Silhouette],
    *,
    flutes: int,
    scale: Scale | None = None,
    shank_mm: float | None = None,
    angles_deg: Sequence[float] | None = None,
    micrometer_mm: float = 0.004,
    lens_mm: float | None = None,
    edges_in_plane: bool = False,
) -> SeriesResult:
    """Cutting diameter from silhouettes of a cutter turned between photos.

    `scale` or `shank_mm` gives the scale. `angles_deg`: the angle of each photo; None: not known.
    `lens_mm`: distance from the lens to the cutter; a scale from a calibration file may stand at another height.
    `edges_in_plane`: somebody turned the cutter so that two opposite edges lie in the picture plane (one photo, even `flutes`;
    else ValueError).
    Raises NotASilhouette with a sentence where the series cannot carry a measurement.
    """
    if edges_in_plane and (len(silhouettes) != 1 or flutes % 2):
        raise ValueError("edges in the picture plane: one photo and an even number of flutes")
    frames = frames_about_shank(silhouettes)
    if scale is None:
        if shank_mm is None:
            raise ValueError("either scale or shank_mm")
        scale = scale_from_shank(frames, shank_mm, micrometer_mm)
    n = len(frames)
    known = angles_deg is not None
    turns = (
        np.radians(np.array(angles_deg, float)) if angles_deg is not None else np.arange(n) * 2 * np.pi / n
    )
    series = make_series(frames, turns, angles_known=known)
    if edges_in_plane:
        return _in_plane(frames, series, scale, lens_mm)
    if n < 4:
        fit, why = None, _too_few(n, flutes)
    else:
        try:
            fit, why = _value_or_bound(series, fit_edges(series, flutes), known)
        except EdgesNotFound as fault:
            fit, why = None, str(fault) if known else _STRAIGHT
    return _result(frames, series, fit, why, scale, lens_mm)


def _too_few(photos: int, flutes: int) -> str:
    """Why so few photos give a lower bound only, and how far below the diameter that may lie."""
    turn = "turn the cutter and take at least 8, better 12"
    if photos > 1 or flutes < 2:
        return f"{photos} photo{'s' if photos > 1 else ''} only: {turn}"
    # Seen from both sides, an edge is at most half a pitch (even) or a quarter of it (odd) out of the picture plane.
    away = math.pi / flutes if flutes % 2 == 0 else math.pi / (2 * flutes)
    short = 1 - math.cos(away)
    how = "by any amount" if short > 0.9 else f"by up to {100 * short:.0f} %"
    aligned = (
        "; if two opposite edges lie in the picture plane, say so with --edges-in-plane"
        if flutes % 2 == 0
        else ""
    )
    return f"1 photo only: it is too small {how} when no edge lies in the picture plane (straight flutes): {turn}{aligned}"


def _shortfall_words(photos: int, seen_mm: float) -> str:
    """How far below the diameter the largest extent seen may lie, and how many photos make it little."""
    rule, worst = shortfall(photos)
    more = 2 * photos + 1
    rule_more, worst_more = shortfall(more)
    return (
        "the largest extent seen is only a lower bound. Over one full turn in roughly even steps it is half of the time less than "
        f"{seen_mm * rule:.3f} mm too small, at worst {seen_mm * worst:.3f} mm. Give --step or --angles; or take {more} photos, which leave "
        f"{seen_mm * rule_more:.3f} mm, at worst {seen_mm * worst_more:.3f} mm (an odd number shows each edge from its two sides at different "
        "angles)"
    )


def shortfall(photos: int) -> tuple[float, float]:
    """By what share of the diameter the largest extent falls short where no photo lies nearer to an edge: half of all cases at even
    steps stay within the first, steps uneven by a quarter either way within the second.

    An edge shows above and, half a turn later, below: an odd number of photos halves the gap between its directions.
    """
    gap = 2 * math.pi / (photos * (1 + photos % 2))
    return 1 - math.cos(gap / 4), 1 - math.cos(0.75 * gap)


def _in_plane(frames: tuple[Frame, ...], series: Series, scale: Scale, lens_mm: float | None) -> SeriesResult:
    """A value from one photo, with the side to which it is wrong: edges a little out of the plane make it too small."""
    parts, flags = _known_parts(frames, series, scale, lens_mm)
    reach, sd = _largest_seen(series)
    seen = _in_mm(Quantity(2 * reach, "px", {**parts, "edge_noise": 2 * sd}), scale)
    short = seen.value * (1 / math.cos(_BY_HAND) - 1)
    said = (
        f"one photo, edges laid into the picture plane by hand (within {math.degrees(_BY_HAND):.0f} degrees): the diameter may be up to "
        f"{short:.3f} mm larger, hardly smaller; runout across the line of sight is not seen"
    )
    value = replace(seen, below=seen.expanded, above=seen.expanded + short)
    return SeriesResult(value, (said,), flags, frames, series, scale)


def _value_or_bound(series: Series, fit: EdgeFit, known: bool) -> tuple[EdgeFit | None, str]:
    """The fit where it carries a value, else None and why."""
    n = int(series.frame.max()) + 1
    largest, sd = fit.largest_px()
    turned = abs(fit.helix) * float(np.ptp(fit.along_px))
    if not known and turned < 2 * np.pi / n:
        return None, _STRAIGHT
    if 2 * sd > max(_WIDEST_SHARE * largest, 0.5):
        return None, (
            f"at steps of {360 / n:.0f} degrees an edge was hardly seen on its own: only a lower bound; take {2 * n} photos"
        )
    must_match(series, fit)
    if why := doubt(series, fit):
        return None, f"{why}: only a lower bound; check --flutes and the angles, or take {2 * n} photos"
    return fit, ""


def _result(
    frames: tuple[Frame, ...],
    series: Series,
    fit: EdgeFit | None,
    why: str,
    scale: Scale,
    lens_mm: float | None,
) -> SeriesResult:
    parts, flags = _known_parts(frames, series, scale, lens_mm)
    if fit is None:
        reach, sd = _largest_seen(series)
        low = 2 * reach - ONE_SIDED_95 * math.hypot(2 * sd, *parts.values())
        bound = _in_mm(Quantity(low, "px", {**parts, "edge_noise": 2 * sd}, "lower_limit"), scale)
        value = bound.value * (1 - ONE_SIDED_95 * scale.relative_uncertainty)
        if why == _STRAIGHT:
            why = f"{why}: {_shortfall_words(len(frames), bound.value)}"
        return SeriesResult(
            Quantity(value, "mm", bound.parts, "lower_limit"), (why,), flags, frames, series, scale
        )
    px = scale.px_per_mm
    step = step_along(series, fit)
    largest, sd = fit.largest_px()
    unseen = _unseen_px(series, fit, largest) if step is None else 0.0
    # Where runout makes the last bit of the cutting length the widest, it matters where exactly that ends.
    ends = [fit.zone_px[1] + sign * END_SHARE * series.shank_from_px for sign in (-1, 1)]
    last = max(abs(fit.largest_px(end)[0] - largest) for end in ends)
    parts["form"] = max(unseen, 2 * last) / math.sqrt(3)
    parts["edge_noise"] = 2 * sd

    def across(off_px: float) -> Quantity:
        return _in_mm(Quantity(2 * (largest + off_px) + unseen, "px", parts), scale)

    said = []
    growth = 2 * fit.taper * float(np.ptp(fit.along_px)) / px
    if abs(growth) > 0.002:
        said.append(
            f"the cutter tapers: {growth:+.3f} mm in diameter from the tip to the end of the cutting length"
        )
    result = SeriesResult(across(0.0), (), flags, frames, series, scale, fit)
    if step is not None:
        height = scale.to_mm(Quantity(2 * step.height_px, "px", {"edge_noise": 2 * step.u_px}))
        worn = across(step.tip_px)
        said.append(
            f"a step {step.place_px / px:.1f} mm from the tip: {worn.value:.3f} mm before it, {abs(height.value):.3f} mm "
            + (
                "more behind it: the length that cuts is worn"
                if height.value > 0
                else "less behind it: relieved behind the cutting length"
            )
        )
        result = replace(
            result,
            diameter=across(max(step.tip_px, step.behind_px)),
            step=height,
            step_at_mm=step.place_px / px,
            worn=worn,
        )
    radii = fit.about_shank(np.array([float(np.mean(fit.along_px))]))[:, 0]
    u_radii = np.hypot(np.sqrt(np.maximum(np.diag(fit.covariance)[: len(radii)], 0)), parts["blur"] / 2)
    several = np.ptp(fit.about_shank(np.linspace(0, fit.zone_px[1], 30)), axis=0).max()
    u_offset = float(np.sqrt(max(fit.covariance[-1, -1], fit.covariance[-2, -2])))
    if len(radii) > 1:  # the radius of a single edge and its axis' offset cannot be told apart
        result = replace(
            result,
            runout=scale.to_mm(
                Quantity(float(several), "px", {"edge_noise": math.sqrt(2) * float(u_radii.max())})
            ),
            offset=scale.to_mm(Quantity(float(np.hypot(*fit.offset_px)), "px", {"edge_noise": u_offset})),
        )
    return replace(
        result,
        reasons=tuple(said),
        radii_mm=tuple(float(r) / px for r in radii),
        radii_u_mm=tuple(float(u) / px for u in u_radii),
        extra_chip_mm=tuple(float(r - radii[(i + fit.hand) % len(radii)]) / px for i, r in enumerate(radii))
        if len(radii) > 1
        else (),
        taper_mm=growth,
        cutting_length_mm=fit.zone_px[1] / px,
    )


def _in_mm(px: Quantity, scale: Scale) -> Quantity:
    """A diameter in mm with its 95 % interval; what the micrometer adds to a scale from the shank is a part of its own."""
    mm = scale.to_mm(px)
    even = {name: mm.parts[name] for name in ("form", "exposure") if name in mm.parts}
    if scale.id == "shank":
        even["micrometer"] = abs(mm.value) * scale.parts["target"]
        mm = replace(mm, parts={**mm.parts, "scale": abs(mm.value) * scale.parts["fit"], **even})
    return mm if mm.kind != "value" else with_interval(mm, rectangular=even)


def _unseen_px(series: Series, fit: EdgeFit, largest: float) -> float:
    """Half of what the diameter could be larger where only the first third was told from the run-out of the flutes.

    With runout a helical edge reaches its largest distance somewhere along the length, perhaps beyond that third.
    """
    if fit.zone_px[1] > 0.42 * series.shank_from_px:
        return 0.0
    return max(0.0, float(fit.about_shank(np.linspace(0.0, 0.8 * series.shank_from_px, 60)).max()) - largest)


def _known_parts(
    frames: tuple[Frame, ...], series: Series, scale: Scale, lens_mm: float | None
) -> tuple[dict[str, float], tuple[str, ...]]:
    """Standard uncertainties of a diameter in px that no fit shows, and flags."""
    flags = ["scale_assumed_exact"] if scale.id == "typed" else []
    parts = {"blur": 2 * _EDGE_PX * series.blur_px, "perspective": 0.0}
    if scale.id == "shank":
        # An edge's shift is in the shank's width as well: only the difference of the two widths' shares is left.
        left = abs(1 - _largest_seen(series)[0] / series.shank_px)
        parts["blur"] = 2 * series.blur_px * math.hypot(_EDGE_PX * left, _OWN_EDGE_PX)
    else:
        # The shank's width changes with the distance of the lens; what a turn does not average stays.
        parts["perspective"] = 2 * series.shank_px * series.width_spread / math.sqrt(len(frames))
    if scale.id not in ("shank", "typed"):
        height = 2 * series.shank_px * _HEIGHT_MM / (lens_mm or _LENS_MM)
        parts["perspective"] = math.hypot(parts["perspective"], height)
    if max(f.source.clipped for f in frames) > 0.01:
        flags.append("background_clipped")
        # Light of twice the full scale moves the half level by 0.67 sigma; rectangular.
        parts["exposure"] = 2 * 0.67 * series.blur_px / math.sqrt(3)
    return parts, tuple(flags)


def _largest_seen(series: Series) -> tuple[float, float]:
    """Largest reach in the first third between tip and shank, each row averaged over short stretches, and its spread, px."""
    inside = np.nonzero(series.along_px < 0.35 * series.shank_from_px)[0]
    part = series.reach_px[:, inside]
    width = max(3, len(inside) // 10)
    pieces = [part[:, i : i + width].mean(axis=1) for i in range(0, part.shape[1] - width + 1, width)]
    best = float(np.nanmax(np.array(pieces)))
    return best, 0.03 + float(np.median(series.axis_sd[:, 0])) + float(
        np.median(series.axis_sd[:, 1])
    ) * series.shank_from_px / 2
