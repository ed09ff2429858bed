"""From a turned series to its cutting edges: find them near the tip, then follow them as far as they cut."""

from dataclasses import replace

import numpy as np

from wearscope.features.diameter.beginnings import STARTS, beginnings, carried_on, helix_sizes
from wearscope.features.diameter.cutting_length import END_SHARE, after_corner, cutting_end, step_along
from wearscope.features.diameter.doubt import believable, is_straight, must_turn
from wearscope.features.diameter.edge_fit import EdgeFit, EdgesNotFound, fit_from
from wearscope.features.diameter.grid import NOISE_PX, STRAIGHT, Series, columns_in

__all__ = ["fit_edges"]

_AS_GOOD_NATS = 3.0
"""A fit less likely than another by ln 20 is not reckoned with: 95 %."""
_LATE = 0.1
"""How late the end of the cutting length may be found, as a share of the length outside the holder: an edge that climbs to a shank a hundredth larger has risen by a few tenths of a pixel there."""


def fit_edges(series: Series, flutes: int) -> EdgeFit:
    """Fit one cosine to each of `flutes` edges.

    Raises NotASilhouette where the series never turns, EdgesNotFound where it shows no edges.
    """
    first = after_corner(series)
    sure = (first, first + 0.35 * (series.shank_from_px - first))
    must_turn(series, sure)
    fit = _best_start(series, sure, flutes)
    rivals = fit.rivals_px
    step = step_along(series, fit)
    if step is not None and step.place_px < sure[1]:  # go on behind it
        first = step.place_px + END_SHARE * series.shank_from_px
        sure = (first, min(first + sure[1] - sure[0], 0.8 * series.shank_from_px))
        fit = fit_from(
            series, flutes, columns_in(series, sure, 40), carried_on(series, fit, sure), taper=False
        )
    zone = sure
    for _ in range(8):  # the fit grows sharper with the cutting length found, and may shorten it again
        end, _ = cutting_end(series, fit, sure)
        if abs(end - zone[1]) < 0.02 * series.shank_from_px:
            break
        zone = (first, min(end, 1.4 * zone[1]))
        fit = fit_from(
            series, flutes, columns_in(series, zone, 40), carried_on(series, fit, zone), taper=False
        )
    end = cutting_end(series, fit, sure)[1]
    zone = (first, max(sure[1], end - _LATE * series.shank_from_px))
    columns = columns_in(series, zone, 150)
    start = carried_on(series, fit, zone)
    fit = fit_from(series, flutes, columns, start, taper=True)
    # One edge that leans shows the same as one that runs out.
    if flutes == 1 or not _tapered(fit):
        fit = fit_from(series, flutes, columns, start, taper=False)
    return replace(fit, zone_px=(first, end), rivals_px=rivals)


def _best_start(series: Series, zone: tuple[float, float], flutes: int) -> EdgeFit:
    """The best of the fits from several beginnings: most samples on an edge, none below one (which cannot be)."""
    columns = columns_in(series, zone, 24)
    sizes = helix_sizes(series, zone)
    # Straight edges are told from their heels by few directions: more beginnings, to see whether another one fits as well.
    least = STARTS if sizes[0] * (zone[1] - zone[0]) >= STRAIGHT else 4 * STARTS
    fits: list[tuple[float, int, EdgeFit]] = []
    for guess in beginnings(series, columns, sizes, flutes):
        if len(fits) >= least and _good(max(fits, key=lambda item: item[:2])):
            break
        try:
            fit = fit_from(series, flutes, columns, guess, taper=False)
        except EdgesNotFound as fault:
            why = fault
            continue
        fits.append((believable(series, fit, flutes), -len(fits), fit))
    if not fits:
        raise why
    best = max(fits, key=lambda item: item[:2])
    off = [0.0, *(o[2].largest_px()[0] - best[2].largest_px()[0] for o in fits if _rivals(best, o))]
    return replace(best[2], rivals_px=(min(off), max(off)))


def _rivals(best: tuple[float, int, EdgeFit], other: tuple[float, int, EdgeFit]) -> bool:
    """Whether another fit of straight edges is nearly as believable as the best, and reaches beyond its uncertainty."""
    if not (
        is_straight(best[2]) and is_straight(other[2]) and _good(other) and other[0] > best[0] - _AS_GOOD_NATS
    ):
        return False
    (a, sd_a), (b, sd_b) = best[2].largest_px(), other[2].largest_px()
    return abs(a - b) + 2 * sd_b > 2 * sd_a + 3 * NOISE_PX


def _good(tried: tuple[float, int, EdgeFit]) -> bool:
    """Believable, and samples lie as near to it as they do to an edge."""
    return tried[0] > 0 and tried[2].noise_px <= NOISE_PX


def _tapered(fit: EdgeFit) -> bool:
    """Taper that stands out of its uncertainty and matters: a tenth of a pixel over the cutting length."""
    sd = float(np.sqrt(fit.covariance[-3, -3]))
    return abs(fit.taper) > 3 * sd and abs(fit.taper) * float(np.ptp(fit.along_px)) > 0.1
