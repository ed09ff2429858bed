"""What a series proves where it cannot give a value: a lower bound, and how far it may lie below the diameter."""

import math

import numpy as np

from wearscope.features.diameter.grid import Series

__all__ = ["largest_seen", "more_photos", "shortfall", "shortfall_words", "too_few"]


def too_few(photos: int, flutes: int) -> str:
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


def more_photos(photos: int, flutes: int) -> int:
    """How many photos over one turn show straight edges from more sides, most of all where the flutes and the photos now share a
    factor: then every tooth is seen from the same few sides as the others."""
    n = photos + 1 if math.gcd(photos, 2 * flutes) > 1 else 2 * photos + 1
    while math.gcd(n, 2 * flutes) > 1:
        n += 1
    return n


def shortfall_words(photos: int, seen_mm: float) -> str:
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


def largest_seen(series: Series) -> tuple[float, float]:
    """Largest reach in the first third between tip and shank, each row averaged over short stretches, and its spread, px."""
    inside = np.nonzero(series.along_px < 0.35 * series.shank_from_px)[0]
    part = series.reach_px[:, inside]
    width = max(3, len(inside) // 10)
    pieces = [part[:, i : i + width].mean(axis=1) for i in range(0, part.shape[1] - width + 1, width)]
    best = float(np.nanmax(np.array(pieces)))
    return best, 0.03 + float(np.median(series.axis_sd[:, 0])) + float(
        np.median(series.axis_sd[:, 1])
    ) * series.shank_from_px / 2
