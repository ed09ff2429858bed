"""From photos of a turned cutter to its cutting diameter."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.features.diameter.axis import Frame, frames_about_shank
from wearscope.features.diameter.bounds import largest_seen, more_photos, shortfall_words, too_few
from wearscope.features.diameter.budget import in_mm, known_parts, scale_from_shank
from wearscope.features.diameter.cutting_length import END_SHARE, step_along
from wearscope.features.diameter.doubt import doubt, must_match
from wearscope.features.diameter.edge_fit import EdgeFit, EdgesNotFound
from wearscope.features.diameter.edges import fit_edges
from wearscope.features.diameter.grid import Series, make_series
from wearscope.geometry.scale import Scale
from wearscope.outline.silhouette import NotASilhouette, Silhouette, find_silhouette
from wearscope.photo.read import Photo
from wearscope.quantity import ONE_SIDED_95, Quantity

__all__ = ["SeriesResult", "find_silhouettes", "measure_series"]

Floats = NDArray[np.float64]
_STRAIGHT = "the edges are straight (or wrap less than one step) and the angles are not known"
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
        fit, why = None, too_few(n, flutes)
    else:
        try:
            fit, why = _value_or_bound(series, fit_edges(series, flutes), known)
        except EdgesNotFound as fault:
            fit, why = None, str(fault) if known else _STRAIGHT
    return _result(frames, series, fit, why, scale, lens_mm)


def _in_plane(frames: tuple[Frame, ...], series: Series, scale: Scale, lens_mm: float | None) -> SeriesResult:
    """A value from one photo, with the side to which it is wrong: edges a little out of the plane make it too small."""
    parts, flags = known_parts(frames, series, scale, lens_mm)
    reach, sd = largest_seen(series)
    seen = in_mm(Quantity(2 * reach, "px", {**parts, "edge_noise": 2 * sd}), scale)
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
    take = f"only a lower bound; take {more_photos(n, len(fit.radius_px))} photos over one turn"
    largest, sd = fit.largest_px()
    turned = abs(fit.helix) * float(np.ptp(fit.along_px))
    if not known and turned < 2 * np.pi / n:
        return None, _STRAIGHT
    widest = max(_WIDEST_SHARE * largest, 0.5)
    if np.ptp(fit.rivals_px) > widest:
        return None, f"edges of another diameter explain the outline nearly as well: {take}"
    if 2 * sd > widest:
        return None, f"at steps of {360 / n:.0f} degrees an edge was hardly seen on its own: {take}"
    must_match(series, fit)
    if why := doubt(series, fit):
        return None, f"{why}: {take}; check --flutes and the angles"
    return fit, ""


def _result(
    frames: tuple[Frame, ...],
    series: Series,
    fit: EdgeFit | None,
    why: str,
    scale: Scale,
    lens_mm: float | None,
) -> SeriesResult:
    parts, flags = known_parts(frames, series, scale, lens_mm)
    if fit is None:
        reach, sd = largest_seen(series)
        low = 2 * reach - ONE_SIDED_95 * math.hypot(2 * sd, *parts.values())
        bound = in_mm(Quantity(low, "px", {**parts, "edge_noise": 2 * sd}, "lower_limit"), scale)
        value = bound.value * (1 - ONE_SIDED_95 * scale.relative_uncertainty)
        if why == _STRAIGHT:
            why = f"{why}: {shortfall_words(len(frames), bound.value)}"
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
    # One or the other: the middle of both, and half their distance is the standard deviation.
    between = sum(fit.rivals_px) / 2
    said = []
    if any(fit.rivals_px):
        parts["ambiguity"] = float(np.ptp(fit.rivals_px))
        said.append(
            f"edges {2 * np.ptp(fit.rivals_px) / px:.4f} mm apart in diameter explain the outline nearly as well: the middle is given; "
            f"{more_photos(len(frames), len(fit.radius_px))} photos over one turn would tell them apart"
        )

    def across(off_px: float) -> Quantity:
        return in_mm(Quantity(2 * (largest + between + off_px) + unseen, "px", parts), scale)

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


def _unseen_px(series: Series, fit: EdgeFit, largest: float) -> float:
    """Half of what the diameter could be larger where only the first third was told from the run-out of the flutes.

    With runout a helical edge reaches its largest distance somewhere along the length, perhaps beyond that third.
    """
    if fit.zone_px[1] > 0.42 * series.shank_from_px:
        return 0.0
    return max(0.0, float(fit.about_shank(np.linspace(0.0, 0.8 * series.shank_from_px, 60)).max()) - largest)
