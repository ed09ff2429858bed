"""What speaks against a series or a fit, in words."""

import numpy as np
from numpy.typing import NDArray

from wearscope.features.diameter.edge_fit import (
    ANGLE_SPREAD,
    LEAST_RELIEF,
    OFFSET_SPREAD,
    RADIUS_SPREAD,
    EdgeFit,
    looked_at,
)
from wearscope.features.diameter.grid import AGREES_PX, NOISE_PX, STRAIGHT, Series, columns_in
from wearscope.outline.silhouette import NotASilhouette

Floats = NDArray[np.float64]

_ROW_NATS = 4.5
"""What a line of the outline that lies on an edge says for a fit: by chance it would lie anywhere within a twentieth of the radius (5 px of
100), ln(5 px / NOISE_PX)."""

__all__ = ["believable", "doubt", "is_straight", "must_match", "must_turn"]


def doubt(series: Series, fit: EdgeFit) -> str:
    """Why the fit cannot carry a value although it converged, in words; empty where nothing speaks against it."""
    if _contradicted(series, fit, 6 * ANGLE_SPREAD):
        return "the edges do not lie where the angles given put them"
    if fit.noise_px > 4 * NOISE_PX:
        return "the edges follow the fit only roughly"
    if _falls_short(fit):
        return "the outline falls short of an edge found"
    if is_straight(fit) and _sides(series.turn[fit.used.mean(axis=1) > 0.5], len(fit.radius_px)) < 3:
        return "straight edges were seen from two sides only, and some edge fits any two"
    if not _all_show(series, fit):
        return f"the outline does not repeat like {len(fit.radius_px)} cutting edges"
    columns = np.isin(series.along_px, fit.along_px)
    pieces = np.array_split(series.reach_px[:, columns], 10, axis=1)
    seen = max(float(np.nanmax(np.nanmean(piece, axis=1))) for piece in pieces)
    largest, sd = fit.largest_px(float(fit.along_px[-1]))
    if seen > largest + NOISE_PX * 4 + 2 * sd:
        return "the outline reaches farther than the edges found"
    return ""


def is_straight(fit: EdgeFit) -> bool:
    """Whether the edges turn by next to nothing over their length."""
    return abs(fit.helix) * float(np.ptp(fit.along_px)) < STRAIGHT


def _falls_short(fit: EdgeFit) -> bool:
    """Whether a line of the outline lies below a straight edge all along, which cannot be: an edge is the least that is seen."""
    if not is_straight(fit):
        return False
    near = (np.abs(fit.delta) < np.radians(35)) & ~np.isnan(fit.residual_px)
    turned = 3 * ANGLE_SPREAD * fit.radius_px[fit.which] * np.abs(np.sin(fit.delta))
    below = near & (fit.residual_px < -max(3 * NOISE_PX, 6 * fit.noise_px) - turned)
    count = near.sum(axis=1)
    return bool(np.any((count >= 10) & (below.sum(axis=1) > 0.5 * count)))


def must_match(series: Series, fit: EdgeFit) -> None:
    """The outline shows no others as large as the edges that were fitted; raises NotASilhouette where it does."""
    flutes = len(fit.radius_px)
    reach = series.reach_px[:, np.isin(series.along_px, fit.along_px)]
    elsewhere = (np.abs(fit.delta) > min(np.radians(60), np.pi / flutes * 0.7)) & ~np.isnan(reach)
    if elsewhere.sum() >= 10 and np.quantile(reach[elsewhere], 0.98) > 0.995 * fit.largest_px()[0]:
        raise NotASilhouette(f"more than {flutes} cutting edges stand out: check --flutes")


def _all_show(series: Series, fit: EdgeFit) -> bool:
    """Whether the outline follows every edge on its rake side, where nothing else stands out (on the other the relief may)."""
    reach = series.reach_px[:, np.isin(series.along_px, fit.along_px)]
    near = (np.abs(fit.delta) < np.radians(10)) & ~np.isnan(reach)
    agrees = np.abs(fit.residual_px) < 2 * AGREES_PX
    for edge in range(len(fit.radius_px)):
        sides = [near & (fit.which == edge) & (hand * fit.delta > 0) for hand in (1, -1)]
        shares = [float(np.mean(agrees[side])) for side in sides if side.sum() >= 10]
        if shares and max(shares) < 0.5:
            return False
    return True


def must_turn(series: Series, zone: tuple[float, float]) -> None:
    part = series.reach_px[:, columns_in(series, zone)]
    upper, lower = np.array_split(part, 2)
    moved = max(float(np.nanmedian(np.nanmax(x, axis=0) - np.nanmin(x, axis=0))) for x in (upper, lower))
    if moved < max(1.0, 0.01 * series.shank_px):
        raise NotASilhouette(
            "the cutter never turns in this series: all silhouettes are alike; turn the cutter between photos, "
            "one full turn in even steps"
        )


def believable(series: Series, fit: EdgeFit, flutes: int) -> float:
    """How much speaks for a fit, less what speaks against it, nats."""
    straight = is_straight(fit)
    near = np.abs(fit.delta) < looked_at(flutes, straight=straight)
    on = near & (np.abs(fit.residual_px) < 4 * NOISE_PX)
    # The rake side, and as much of the other as no relief is ground flatter; more relief may follow by chance.
    agrees = max((on & (hand * fit.delta > -LEAST_RELIEF)).sum() for hand in (1, -1))
    turned = 3 * ANGLE_SPREAD * fit.radius_px[fit.which] * np.abs(np.sin(fit.delta)) if straight else 0.0
    below = near & (fit.residual_px < -2 * AGREES_PX - turned)
    # Nothing stands out farther than the edges themselves; a heel taken for an edge leaves the edge standing out.
    beyond = fit.residual_px - fit.radius_px[fit.which] * (1 - np.cos(fit.delta)) > (
        4 * NOISE_PX if straight else 2 * AGREES_PX
    )
    if straight:
        ahead = fit.hand * fit.delta
        flute = (ahead > 0) & (ahead < min(np.radians(75), np.pi / flutes / 2))
        beyond |= flute & (fit.residual_px > 2 * AGREES_PX + turned)
    rows = (agrees - 3.0 * below.sum() - 3.0 * beyond.sum()) / len(fit.along_px)
    said = _ROW_NATS * rows - _unlikely(series, fit)
    if straight:  # teeth are alike: what several of them show from the same side is one coincidence
        said *= max(_sides(series.turn, flutes), 1) / len(series.turn)
    return float(said)


def _unlikely(series: Series, fit: EdgeFit) -> float:
    """What angles of photos, radii and axis cost that far from what is usual, nats."""
    off = [
        (fit.radius_px - fit.radius_px.mean()) / (RADIUS_SPREAD * series.shank_px),
        fit.offset_px / (OFFSET_SPREAD * series.shank_px),
    ]
    if series.angles_known:
        off.append((fit.turn - series.turn[: len(fit.turn)]) / ANGLE_SPREAD)
    return float(np.sum(np.concatenate(off) ** 2)) / 2


def _sides(turn: Floats, flutes: int) -> int:
    """From how many sides directions `turn` show one of `flutes` teeth that are all alike."""
    pitch = 2 * np.pi / flutes
    seen = np.sort(np.mod(turn, pitch))
    return int(np.sum(np.diff(np.append(seen, seen[0] + pitch)) > 4 * ANGLE_SPREAD)) if len(seen) else 0


def _contradicted(series: Series, fit: EdgeFit, allowed: float) -> int:
    """How many photos the fit turns farther from the angle told than `allowed`, radians; none where angles are not known."""
    if not series.angles_known:
        return 0
    return int(np.sum(np.abs(fit.turn - series.turn[: len(fit.turn)]) > allowed))
