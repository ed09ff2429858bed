"""Where along the axis the cutting edges begin, step and end."""

import numpy as np
from numpy.typing import NDArray

from wearscope.features.diameter.edge_fit import EdgeFit, Unknowns, model_of, predicted_variance, rake_side
from wearscope.features.diameter.grid import AGREES_PX, NOISE_PX, STRAIGHT, Series
from wearscope.features.diameter.step import Step, find_step

__all__ = ["END_SHARE", "after_corner", "cutting_end", "step_along"]

Floats = NDArray[np.float64]

END_SHARE = 0.03
"""How well the end of the cutting length is found, as a share of the length outside the holder: the flutes run out slowly."""


def after_corner(series: Series) -> float:
    """Where the corner's rounding or the ball ends: the envelope has reached its level."""
    near = series.along_px < series.shank_from_px
    top = np.nanmax(series.reach_px[:, near], axis=0)
    level = np.nanquantile(top, 0.75)
    reached = series.along_px[near][top > 0.93 * level]
    # A corner is at most a quarter circle over the piece still missing; blur reaches 3 sigma further.
    return float(reached[0]) + 3 * series.blur_px + 0.02 * level if len(reached) else 0.0


def cutting_end(series: Series, fit: EdgeFit, sure: tuple[float, float]) -> tuple[float, float]:
    """Where the edges end: most samples ahead of them no longer lie where the fit carried on expects them; and how far there is
    anything to judge it by (farther along, frames may show an edge that show none so far)."""
    off, allowed, _ = off_edges(series, fit)
    window = np.ones(max(3, len(series.along_px) // 40))
    told = np.convolve((~np.isnan(off)).sum(axis=0), window, "same")
    agree = np.convolve((np.abs(off) < allowed).sum(axis=0), window, "same")
    along = series.along_px
    seen_to = np.maximum.accumulate(np.where(told > 0.5, along, sure[1]))
    gap = along - seen_to > 0.1 * series.shank_from_px
    wrong = (along > sure[1]) & ((agree < 0.5 * told) | gap)
    end = float(along[wrong][0]) if wrong.any() else series.shank_from_px
    end = max(min(end, series.shank_from_px) - 3 * series.blur_px, sure[1])
    judged = along[(told > 0.5) & (along <= end)]
    return end, float(judged[-1]) if len(judged) else sure[1]


def off_edges(series: Series, fit: EdgeFit) -> tuple[Floats, Floats, Floats]:
    """Distance of every sample from the fit carried on over the whole length, how far it may be, and its angle to the edge.

    NaN where a sample says nothing: on the relief side, and where the fit cannot foretell it (frames that have shown no edge yet).
    """
    frames = len(fit.turn)
    state = Unknowns(
        fit.radius_px,
        fit.angle,
        fit.helix,
        fit.turn,
        np.zeros(frames),
        np.zeros(frames),
        fit.depth,
        0.0,
        fit.offset_px,
    )
    which, delta, model = model_of(series, state, series.along_px, series.lever_px)
    ahead = rake_side(fit) * delta
    spread = 3 * np.sqrt(predicted_variance(series, fit, state, which, delta))
    # Farther ahead the back of the next tooth stands out.
    ahead_of_edge = (ahead > 0) & (ahead < min(np.radians(35), 0.6 * np.pi / len(fit.radius_px)))
    noise = 4 * max(fit.noise_px, NOISE_PX)
    if abs(fit.helix) * series.shank_from_px < STRAIGHT:
        # Every row shows the same part of an edge all along: what it did in the sure zone it goes on doing.
        sure = np.nanmedian(np.where(np.isin(series.along_px, fit.along_px), series.reach_px, np.nan), axis=1)
        return (
            np.where(ahead_of_edge, series.reach_px - sure[:, None], np.nan),
            np.full_like(spread, noise),
            delta,
        )
    says = ahead_of_edge & (spread < AGREES_PX)
    return np.where(says, series.reach_px - model, np.nan), noise + spread, delta


def step_along(series: Series, fit: EdgeFit) -> Step | None:
    """A step along the edges, as distances from the fit; None without one, or where the fit tapers."""
    if abs(fit.taper) * float(np.ptp(fit.along_px)) > NOISE_PX:
        return None
    off, allowed, delta = off_edges(series, fit)
    along = series.along_px
    # Where the flutes have half run out the outline nears the shank's, whatever the edges do.
    fluted = np.ptp(series.reach_px, axis=0)
    inside = ~np.isnan(off).all(axis=0) & (along >= after_corner(series)) & (along <= series.shank_from_px)
    inside &= fluted > 0.5 * np.nanmedian(fluted[np.isin(along, fit.along_px)])
    radial = off[:, inside] / np.cos(delta[:, inside])
    level = np.nanmedian(radial, axis=0)
    # At a step an edge changes its radius in every direction alike; where flutes run out it does not.
    alike = np.nanmean(np.abs(radial - level) < allowed[:, inside], axis=0, where=~np.isnan(radial)) >= 0.5
    return find_step(along[inside][alike], level[alike], series.shank_from_px)
