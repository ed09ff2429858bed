"""From photos of a turned cutter to its cutting diameter."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearscope.features.diameter.axis import Frame, frames_about_shank
from wearscope.features.diameter.edges import EdgeFit, Series, fit_edges, make_series
from wearscope.features.diameter.silhouette import NotASilhouette, Silhouette, find_silhouette
from wearscope.geometry.scale import Scale
from wearscope.photo.read import Photo
from wearscope.quantity import ONE_SIDED_95, Quantity

__all__ = ["SeriesResult", "find_silhouettes", "measure_series", "scale_from_shank"]

Floats = NDArray[np.float64]
_EDGE_PX = 0.02
"""Standard uncertainty of an edge's place from interpolation and JPEG, per px of blur; the same for all frames."""
_WIDEST_SHARE = 0.003
"""A fit wider than this share of the diameter (expanded) says no more than a lower limit does."""


@dataclass(frozen=True, slots=True)
class SeriesResult:
    """`diameter`, `runout` (largest minus smallest edge radius), `offset` (cutting axis from shank axis): mm;
    `radii_mm` of the edges about the shank axis at the middle of the cutting length, with `radii_u_mm` (standard);
    `taper_mm`: growth of the diameter from the tip to the end of the cutting length; `reasons`: what to know, in words.
    """

    diameter: Quantity
    runout: Quantity | None
    offset: Quantity | None
    radii_mm: tuple[float, ...]
    radii_u_mm: tuple[float, ...]
    taper_mm: float
    cutting_length_mm: float
    shank_mm: float
    blur_px: float
    reasons: tuple[str, ...]
    flags: tuple[str, ...]
    frames: tuple[Frame, ...]
    series: Series
    fit: EdgeFit | None
    scale: Scale


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
    """The scale from the shank in the same picture, measured with a micrometer (largest error `micrometer_mm`)."""
    half = np.array([f.shank_px for f in frames])
    noise = float(np.mean([math.sqrt(f.axis_covariance[0, 0]) for f in frames])) / math.sqrt(len(half))
    edge = _EDGE_PX * float(np.median([f.source.blur_px for f in frames]))
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
) -> SeriesResult:
    """Cutting diameter from silhouettes of a cutter turned between photos.

    `scale` or `shank_mm` gives the scale. `angles_deg`: the angle of each photo; None: not known.
    Raises NotASilhouette with a sentence where the series cannot carry a measurement.
    """
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
    if n < 4:
        fit, why = (
            None,
            f"{n} photo{'s' if n > 1 else ''} only: turn the cutter and take at least 8, better 12",
        )
    else:
        fit, why = _value_or_bound(series, fit_edges(series, flutes), known)
    return _result(frames, series, fit, why, scale)


def _value_or_bound(series: Series, fit: EdgeFit, known: bool) -> tuple[EdgeFit | None, str]:
    """The fit where it carries a value, else None and why."""
    n = int(series.frame.max()) + 1
    largest, sd = fit.largest_px()
    turned = abs(fit.helix) * float(np.ptp(fit.along_px))
    if not known and turned < 2 * np.pi / n:
        return None, (
            "the edges are straight (or wrap less than one step) and the angles are not known: the largest extent seen is only a "
            "lower bound; give --step or --angles, or take "
            f"{2 * n} photos, which leave a quarter of the possible shortfall"
        )
    if 2 * sd > max(_WIDEST_SHARE * largest, 0.5):
        return None, (
            f"at steps of {360 / n:.0f} degrees an edge was hardly seen on its own: only a lower bound; take {2 * n} photos"
        )
    return fit, ""


def _result(
    frames: tuple[Frame, ...], series: Series, fit: EdgeFit | None, why: str, scale: Scale
) -> SeriesResult:
    px = scale.px_per_mm
    reasons = [why] if why else []
    flags = ["scale_assumed_exact"] if scale.id == "typed" else []
    bias = _EDGE_PX * series.blur_px
    clipped = max(f.source.clipped for f in frames)
    parts = {"edge_noise": 0.0, "blur": 2 * bias}
    if clipped > 0.01:
        flags.append("background_clipped")
        # Light of twice the full scale moves the half level by 0.67 sigma; rectangular.
        parts["exposure"] = 2 * 0.67 * series.blur_px / math.sqrt(3)
    parts["perspective"] = (
        2 * series.shank_px * series.width_spread / math.sqrt(len(frames)) if scale.id != "shank" else 0.0
    )
    shank = 2 * series.shank_px / px
    common = {
        "frames": frames,
        "series": series,
        "scale": scale,
        "shank_mm": shank,
        "blur_px": series.blur_px,
    }
    if fit is None:
        reach, sd = _largest_seen(series)
        low = 2 * reach - ONE_SIDED_95 * math.hypot(2 * sd, *parts.values())
        bound = scale.to_mm(Quantity(low, "px", {**parts, "edge_noise": 2 * sd}, "lower_limit"))
        value = bound.value * (1 - ONE_SIDED_95 * scale.relative_uncertainty)
        return SeriesResult(
            Quantity(value, "mm", bound.parts, "lower_limit"),
            None,
            None,
            (),
            (),
            0.0,
            0.0,
            reasons=tuple(reasons),
            flags=tuple(flags),
            fit=None,
            **common,
        )  # type: ignore[arg-type]
    largest, sd = fit.largest_px()
    parts["edge_noise"] = 2 * sd
    diameter = scale.to_mm(Quantity(2 * largest, "px", parts))
    middle = np.array([float(np.mean(fit.along_px))])
    radii = fit.about_shank(middle)[:, 0]
    u_radii = np.sqrt(np.maximum(np.diag(fit.covariance)[: len(radii)], 0)) + bias
    reach = fit.about_shank(np.linspace(0, fit.zone_px[1], 30))
    spread = float(np.ptp(reach, axis=0).max()) if len(radii) > 1 else 0.0
    runout = scale.to_mm(Quantity(spread, "px", {"edge_noise": math.sqrt(2) * float(u_radii.max())}))
    off = scale.to_mm(
        Quantity(
            float(np.hypot(*fit.offset_px)), "px", {"edge_noise": float(np.sqrt(fit.covariance[-1, -1]))}
        )
    )
    if abs(fit.taper) > 0:
        growth = 2 * fit.taper * float(np.ptp(fit.along_px)) / px
        if abs(growth) > 0.002:
            reasons.append(
                f"the cutter tapers: {growth:+.3f} mm in diameter from the tip to the end of the cutting length"
            )
    return SeriesResult(
        diameter,
        runout if len(radii) > 1 else None,
        off,
        tuple(float(r) / px for r in radii),
        tuple(float(u) / px for u in u_radii),
        2 * fit.taper * float(np.ptp(fit.along_px)) / px,
        fit.zone_px[1] / px,
        reasons=tuple(reasons),
        flags=tuple(flags),
        fit=fit,
        **common,  # type: ignore[arg-type]
    )


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
