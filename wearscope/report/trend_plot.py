"""The picture of a cutter's wear against its use, with what follows from it."""

from pathlib import Path
from typing import Any

import numpy as np

from wearscope.facts import MM_PER_INCH
from wearscope.records.outlook import Outlook, Series
from wearscope.records.trend import Line
from wearscope.report.trend import forecast_text
from wearscope.report.view import BLUE, GREEN, PURPLE, RGB, VERMILLION, Units, label

__all__ = ["save_plot"]

INKS: tuple[RGB, ...] = (BLUE, VERMILLION, GREEN, PURPLE)
MARKERS = "osD^"
"""By flute, over and over: colour and shape."""


def save_plot(seen: Outlook, path: Path, *, units: Units = "mm") -> Path:
    """Write the plot as PNG: one panel for each measurement, all flutes in it."""
    from matplotlib.figure import Figure

    names = list(dict.fromkeys(series.name for series in seen.series))
    path.parent.mkdir(parents=True, exist_ok=True)
    figure = Figure(figsize=(9.6, 1.2 + 3.6 * len(names)), dpi=110, layout="constrained")
    figure.suptitle("\n".join((f"{seen.cutter}: wear against use", *forecast_text(seen))), fontsize=11)
    panels = figure.subplots(len(names), 1, squeeze=False)[:, 0]
    for axes, name in zip(panels, names, strict=True):
        _panel(axes, [series for series in seen.series if series.name == name], seen.used_min, units)
    figure.savefig(path)
    return path


def _panel(axes: Any, group: list[Series], used_min: float, units: Units) -> None:
    first = group[0]
    factor, unit = (1 / MM_PER_INCH, "in") if (first.unit, units) == ("mm", "inch") else (1.0, first.unit)
    end = max(_end(series) for series in group)
    for limit, words, dash in ((first.worn, "worn", "--"), (first.discard, "discard", "-")):
        axes.axhline(limit * factor, color="black", linewidth=1.2, linestyle=dash)
        axes.annotate(
            words, (1, limit * factor), xycoords=("axes fraction", "data"),
            xytext=(4, 0), textcoords="offset points", va="center",
        )  # fmt: skip
    for i, series in enumerate(group):
        colour = tuple(part / 255 for part in INKS[i % len(INKS)])
        _series(axes, series, end, factor, colour, MARKERS[i % len(MARKERS)])
    axes.axvline(used_min, color="0.5", linewidth=0.8, linestyle=":")
    axes.annotate(
        "now", (used_min, 0), xycoords=("data", "axes fraction"), xytext=(3, 3), textcoords="offset points"
    )
    top = 1.15 * max(first.discard, *(s.points[-1].value + s.points[-1].quantity.expanded for s in group))
    axes.set(
        xlabel="minutes of use",
        ylabel=f"{label(first.name)}, {unit}",
        xlim=(-0.02 * end, end),
        ylim=(0, top * factor),
    )
    axes.legend(loc="lower right", fontsize=9, framealpha=0.9)


def _end(series: Series) -> float:
    """How far the picture goes: to where `discard` is reached at the latest, but not beyond four times the use seen."""
    line, now = series.line, series.points[-1].minutes
    if not isinstance(line, Line):
        return max(1.15 * now, 1.0)
    return min(now + 1.1 * line.remaining(series.discard).most, 4 * now) or 1.0


def _series(axes: Any, series: Series, end: float, factor: float, colour: Any, marker: str) -> None:
    line = series.line
    used_from = line.first if isinstance(line, Line) else 0
    words = f"flute {series.flute}" if series.flute else "cutter"
    for i, point in enumerate(series.points):
        limit = point.quantity.kind == "upper_limit"
        axes.errorbar(
            point.minutes,
            (point.quantity.value if limit else point.value) * factor,
            yerr=(point.quantity.value if limit else point.quantity.expanded)
            * (0.5 if limit else 1.0)
            * factor,
            uplims=limit,
            fmt=marker,
            color=colour,
            markerfacecolor=colour if i >= used_from else "white",
            markersize=0 if limit else 6,
            capsize=3,
            label=words if i == len(series.points) - 1 else None,
        )
    if isinstance(line, Line):
        x = np.linspace(series.points[used_from].minutes, end, 200)
        y = np.array([line.at(v) for v in x])
        half = np.array([line.half_band(v) for v in x])
        axes.plot(x, y * factor, color=colour, linewidth=1.2)
        axes.fill_between(x, (y - half) * factor, (y + half) * factor, color=colour, alpha=0.15, linewidth=0)
