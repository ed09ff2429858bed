"""Two pictures of a diameter measurement: the envelope of the silhouettes with the circle of the reading, and radius against angle."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from wearscope.features.diameter import SeriesResult

__all__ = ["save_pictures"]


def save_pictures(result: "SeriesResult", folder: Path) -> tuple[Path, ...]:
    """Write `<first photo>-envelope.png` and, where edges were fitted, `<first photo>-radius.png` into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    stem = Path(result.frames[0].source.path).stem
    draw = [_envelope] if result.fit is None else [_envelope, _circle]
    out = [_save(draw, result, folder / f"{stem}-envelope.png")]
    if result.fit is not None:
        out.append(_save([_radius], result, folder / f"{stem}-radius.png"))
    return tuple(out)


def _save(draw: list[Any], result: "SeriesResult", path: Path) -> Path:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.6 + 4.2 * (len(draw) - 1), 6.0), dpi=110, layout="constrained")
    ratios = [2.2, *[1.0] * (len(draw) - 1)]
    for axes, part in zip(
        figure.subplots(1, len(draw), width_ratios=ratios, squeeze=False)[0], draw, strict=True
    ):
        part(axes, result)
    figure.savefig(path)
    return path


def _envelope(axes: Any, result: "SeriesResult") -> None:
    """All edge lines about the shank's axis, the shank, the cutting length and the circle of the reading seen from the side."""
    px = result.scale.px_per_mm
    for frame in result.frames:
        for line, sign in ((frame.up_px, 1), (frame.down_px, -1)):
            axes.plot(frame.along_px / px, sign * line / px, color="0.55", linewidth=0.6)
    reach = result.series.reach_px.max(axis=0) / px
    along = result.series.along_px / px
    for sign in (1, -1):
        axes.plot(along, sign * reach, color="black", linewidth=1.4, label="envelope" if sign > 0 else None)
        axes.axhline(
            sign * result.diameter.value / 2,
            color="#0072b2",
            linestyle="--",
            label=f"circle of the reading, {_words(result)}" if sign > 0 else None,
        )
        axes.axhline(
            sign * result.shank_mm / 2, color="#d55e00", linestyle=":", label="shank" if sign > 0 else None
        )
    axes.axhline(0, color="0.2", linewidth=0.8, linestyle="-.", label="axis of the shank")
    if result.fit is not None:
        fit, series = result.fit, result.series
        row, column = np.nonzero(fit.used)
        seen = series.reach_px[:, np.isin(series.along_px, fit.along_px)][row, column] * series.side[row] / px
        axes.plot(fit.along_px[column] / px, seen, ".", color="#cc79a7", markersize=1.5, zorder=3)
        axes.plot([], [], ".", color="#cc79a7", markersize=6, label="cutting edge seen")
    if result.cutting_length_mm:
        axes.axvspan(0, result.cutting_length_mm, color="#0072b2", alpha=0.08, label="cutting length used")
    if result.step is not None:
        axes.axvline(
            result.step_at_mm,
            color="#009e73",
            linewidth=1.2,
            label=f"step of {abs(result.step.value):.3f} mm in diameter",
        )
    axes.set(
        xlabel="along the axis from the tip, mm",
        ylabel="across the axis, mm",
        title=f"Envelope of {len(result.frames)} silhouettes: {_sure(result)}",
    )
    axes.set_aspect("equal", adjustable="datalim")
    _legend(axes)


def _circle(axes: Any, result: "SeriesResult") -> None:
    """The circle of the reading seen along the axis, with every edge; what is missing to the circle is drawn larger than it is."""
    fit = result.fit
    assert fit is not None
    full = result.diameter.value / 2
    missing = full - np.array(result.radii_mm)
    larger = _decade(0.25 * full / max(float(missing.max()), 0.002))
    turn = np.linspace(0, 2 * np.pi, 361)
    axes.plot(full * np.cos(turn), full * np.sin(turn), color="#0072b2", linestyle="--")
    axes.plot(0, 0, "+", color="0.2", markersize=9)
    angles = fit.angle - fit.helix * np.mean(fit.along_px)
    for number, (angle, gap, radius) in enumerate(zip(angles, missing, result.radii_mm, strict=True), 1):
        reach = full - larger * gap
        across, up = np.cos(angle), np.sin(angle)
        axes.plot([0, reach * across], [0, reach * up], color="0.75", linewidth=0.8)
        axes.plot(reach * across, reach * up, "o", color="#cc79a7")
        axes.annotate(
            f"flute {number}\n{radius:.3f}",
            (1.22 * full * across, 1.22 * full * up),
            ha="center",
            va="center",
            fontsize=9,
        )
    axes.set(xlim=(-1.5 * full, 1.5 * full), ylim=(-1.5 * full, 1.5 * full), xticks=[], yticks=[])
    axes.set_title(
        f"Along the axis: radius of each flute, mm\n(what is missing to the circle drawn {larger:g} times)",
        fontsize=10,
    )
    axes.set_aspect("equal")
    axes.set_frame_on(False)


def _decade(factor: float) -> float:
    """The next smaller of 1, 2, 5, 10, 20 ..."""
    power = 10 ** np.floor(np.log10(max(factor, 1.0)))
    return float(max(step * power for step in (1, 2, 5) if step * power <= max(factor, 1.0)))


def _radius(axes: Any, result: "SeriesResult") -> None:
    """Every sample of the cutting length over its direction, with the fitted cosine of every edge."""
    fit, series = result.fit, result.series
    assert fit is not None
    px = result.scale.px_per_mm
    columns = np.isin(series.along_px, fit.along_px)
    view = fit.turn[series.frame] + (series.side < 0) * np.pi
    direction = np.degrees(np.mod(view[:, None] + fit.helix * fit.along_px[None, :], 2 * np.pi))
    reach = series.reach_px[:, columns] / px
    axes.plot(
        direction[~fit.used],
        reach[~fit.used],
        ".",
        color="0.7",
        markersize=2,
        label="other parts of the outline",
    )
    axes.plot(
        direction[fit.used], reach[fit.used], ".", color="#0072b2", markersize=4, label="on a cutting edge"
    )
    for i, (angle, radius) in enumerate(zip(fit.angle, fit.radius_px, strict=True)):
        turn = np.linspace(-40, 40, 81)
        place = np.mod(np.degrees(angle) + turn, 360)
        view = angle + np.radians(turn) - fit.helix * np.mean(fit.along_px)
        off = fit.offset_px[0] * np.cos(view) + fit.offset_px[1] * np.sin(view)
        line = (radius * np.cos(np.radians(turn)) + off) / px
        middle = float(np.mod(np.degrees(angle), 360))
        axes.annotate(
            f"flute {i + 1}",
            (middle, float(np.nanmax(line))),
            (0, 6),
            textcoords="offset points",
            ha="left" if middle < 15 else "right" if middle > 345 else "center",
            fontsize=9,
        )
        line[1:][np.abs(np.diff(place)) > 180] = np.nan
        axes.plot(place, line, color="#d55e00", linewidth=1, label="fitted edges" if i == 0 else None)
    axes.axhline(
        result.diameter.value / 2, color="black", linestyle="--", linewidth=0.8, label=_words(result)
    )
    low = max(float(np.nanmin(reach)), 0.8 * result.diameter.value / 2)
    axes.set(
        xlabel="angle about the axis of the shank, degrees",
        ylabel="distance from the axis of the shank, mm",
        title=f"Radius against angle: {_sure(result)}",
        xlim=(0, 360),
        xticks=range(0, 361, 30),
        ylim=(low, 1.02 * result.diameter.value / 2),
    )
    _legend(axes)


def _legend(axes: Any) -> None:
    """Below the picture, where it hides nothing."""
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.1), ncols=3, fontsize=8, frameon=False)


def _sure(result: "SeriesResult") -> str:
    d = result.diameter
    if d.kind == "lower_limit":
        return f"at least {d.value:.3f} mm"
    if d.below is not None and d.above is not None and d.below != d.above:
        return f"D = {d.value:.3f} mm, -{d.below:.3f} / +{d.above:.3f} mm (95 %)"
    return f"D = {d.value:.4f} +/- {d.expanded:.4f} mm (95 %)"


def _words(result: "SeriesResult") -> str:
    sign = "at least" if result.diameter.kind == "lower_limit" else "D ="
    return f"{sign} {result.diameter.value:.3f} mm"
