"""A photo of a target becomes a calibration."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import wearscope
from wearscope.calibrate.calibration import Calibration
from wearscope.calibrate.disc import MeasuredDisc, measure_disc
from wearscope.calibrate.finer import finer_marks
from wearscope.calibrate.fit import PlaneFit
from wearscope.calibrate.grid import MeasuredGrid, measure_charuco, measure_chessboard, measure_dots
from wearscope.calibrate.ruler import MeasuredRow, measure_ruler
from wearscope.calibrate.targets import (
    CHECK_LINE_MM,
    PRINT_CHECKED_ONE_AXIS,
    PRINT_CHECKED_TWO_AXES,
    PRINT_UNCHECKED,
    TARGETS,
    Target,
)
from wearscope.errors import CalibrationError, InputError
from wearscope.photo.colour import grey_card
from wearscope.photo.read import Photo

__all__ = ["Reading", "calibrate_photo", "parse_target_uncertainty", "read_target"]

Array = NDArray[np.float64]

LENS_MODEL = 5e-5
"""Relative standard uncertainty for what one radial term about the picture's centre leaves out of a real lens."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What the picture of a target says, in px per step (a pitch, or the diameter of a disc).

    `value`: at the picture's centre; `fit`: its relative standard uncertainty; `along`: along x and y where known.
    `span_steps`: between the outermost marks. `points_px` (n, 2): the marks, `used` (n,): those the fit rests on.
    """

    value: float
    fit: float
    along: tuple[float | None, float | None]
    mean: float
    rotation_deg: float
    tilt_deg: float | None
    distortion: tuple[float, float] | None
    perspective: tuple[float, float] | None
    span_steps: float
    marks: int
    scatter_px: float
    points_px: Array
    used: NDArray[np.bool_]


def calibrate_photo(
    photo: Photo,
    *,
    target: str,
    date: str,
    pitch_mm: float | None = None,
    diameter_mm: float | None = None,
    target_uncertainty: str | None = None,
    certificate: str = "none",
    check_line_mm: tuple[float, ...] = (),
    grey: Photo | None = None,
    longer_marks: bool = False,
) -> tuple[Calibration, Reading]:
    """Find the target, fit all its marks, and state the scale with its uncertainty.

    `target_uncertainty`: expanded (k = 2), as text: "0.2%", or a length over the marks seen, "0.5um", "0.001mm".
    `check_line_mm`: measured lengths of the printed 100 mm lines (across, then down). `grey`: photo of a grey card.
    `longer_marks`: `pitch_mm` is that of the longer marks, finer ones are too close together to be told apart.
    Raises InputError for facts that make no sense, CalibrationError where the target is not found, PhotoError where `grey` is no grey card.
    """
    kind = _kind(target)
    step_mm = _step_mm(kind, pitch_mm, diameter_mm)
    print_factor = _print_factor(kind, check_line_mm)
    light = None if grey is None else grey_card(grey)
    reading = read_target(photo, target, longer_marks=longer_marks)
    true_step = step_mm * print_factor
    parts = {
        "fit": reading.fit,
        **_target_parts(kind, target_uncertainty, check_line_mm, reading.span_steps * true_step),
    }

    def per_mm(value: float | None) -> float | None:
        return None if value is None else value / true_step

    calibration = Calibration(
        photo=Path(photo.path).name,
        sha256=photo.sha256,
        size=photo.size,
        date=date,
        target=target,
        px_per_mm=reading.value / true_step,
        parts=parts,
        pitch_mm=None if kind.name == "disc" else step_mm,
        diameter_mm=step_mm if kind.name == "disc" else None,
        certificate=certificate.strip() or "none",
        check_line_mm=check_line_mm,
        px_per_mm_x=per_mm(reading.along[0]),
        px_per_mm_y=per_mm(reading.along[1]),
        px_per_mm_mean=per_mm(reading.mean),
        rotation_deg=reading.rotation_deg,
        tilt_deg=reading.tilt_deg,
        distortion=reading.distortion[0] if reading.distortion else None,
        distortion_u=reading.distortion[1] if reading.distortion else None,
        perspective_x=reading.perspective[0] if reading.perspective else None,
        perspective_y=reading.perspective[1] if reading.perspective else None,
        marks=reading.marks,
        scatter_px=reading.scatter_px,
        flags=("scale_unchecked",) if parts.get("print") == PRINT_UNCHECKED else (),
        software=f"wearscope {wearscope.__version__}",
        white=None if light is None else (light[0] / light[1], 1.0, light[2] / light[1]),
        white_photo="" if grey is None else Path(grey.path).name,
    )
    return calibration, reading


def _kind(name: str) -> Target:
    if name not in TARGETS:
        raise InputError(f"target {name!r} is not known; give one of {', '.join(TARGETS)}")
    return TARGETS[name]


def _step_mm(kind: Target, pitch_mm: float | None, diameter_mm: float | None) -> float:
    wanted, other = ("diameter", pitch_mm) if kind.name == "disc" else ("pitch", diameter_mm)
    value = diameter_mm if kind.name == "disc" else pitch_mm
    if value is None or other is not None:
        raise InputError(f"a {kind.text} needs --{wanted} MM, and only that, as its known length")
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"--{wanted} must be a length in mm above zero, not {value}")
    return value


def _print_factor(kind: Target, check_line_mm: tuple[float, ...]) -> float:
    if check_line_mm and not kind.printed:
        raise InputError(
            f"a check line belongs to a printed target; a {kind.text} has none, give --target-uncertainty"
        )
    if len(check_line_mm) > 2:
        raise InputError(
            "the sheet has two check lines, one across and one down; give at most two measured lengths"
        )
    for length in check_line_mm:
        if not 0.9 < length / CHECK_LINE_MM < 1.1:
            raise InputError(
                f"the check line is {CHECK_LINE_MM:g} mm long when printed at 100 %; {length:g} mm cannot be right, measure it again"
            )
    return float(np.mean(check_line_mm)) / CHECK_LINE_MM if check_line_mm else 1.0


def _target_parts(
    kind: Target, given: str | None, check_line_mm: tuple[float, ...], span_mm: float
) -> dict[str, float]:
    """Relative standard uncertainties of the target and of its print."""
    if given is not None:
        return {"target": parse_target_uncertainty(given, span_mm), "print": 0.0}
    if not kind.printed:
        return {"target": kind.uncertainty, "print": 0.0}
    by_lines = {0: PRINT_UNCHECKED, 1: PRINT_CHECKED_ONE_AXIS, 2: PRINT_CHECKED_TWO_AXES}
    return {"target": 0.0, "print": by_lines[len(check_line_mm)]}


def parse_target_uncertainty(text: str, span_mm: float) -> float:
    """Relative standard uncertainty from an expanded one (k = 2): "0.2%", "0.2" (percent), "0.5um", "0.001mm"."""
    units = {"%": 0.01, "um": 0.001 / span_mm, "µm": 0.001 / span_mm, "mm": 1 / span_mm, "": 0.01}
    body = text.strip().replace(",", ".")
    unit = next(u for u in units if body.endswith(u))
    try:
        value = float(body.removesuffix(unit)) * units[unit] / 2
    except ValueError:
        value = math.nan
    if not 0 <= value < 0.2:
        raise InputError(
            f"--target-uncertainty {text!r} is not understood; give the expanded uncertainty as 0.2% or 0.5um or 0.001mm"
        )
    return value


def read_target(photo: Photo, target: str, *, longer_marks: bool = False) -> Reading:
    """Find and fit the target in a photo; `longer_marks` as in `calibrate_photo`.

    Raises CalibrationError with the reason and what to do.
    """
    kind = _kind(target)
    grey, linear = photo.grey().astype(np.float32), photo.linear()
    if target == "disc":
        disc, reason = measure_disc(grey, linear)
        if disc:
            return _of_disc(disc)
    elif target in ("ruler", "stage"):
        board, _ = measure_chessboard(grey, linear, photo.size)
        row, reason = (None, "it shows a chessboard") if board else measure_ruler(grey, linear, photo.size)
        if row and not longer_marks and (finer := finer_marks(linear, row)):
            raise CalibrationError(
                f"{photo.path}: {row.marks} regular marks found, but {finer}: those of --pitch cannot be told apart, or the scale would be "
                "several times too large. Raise the magnification; or give as --pitch the distance of the marks that do stand apart, with --longer-marks"
            )
        if row:
            return _of_row(row)
    else:
        grid, reason = _GRIDS[target](grey, linear, photo.size)
        if grid:
            return _of_grid(grid)
    raise CalibrationError(
        f"{photo.path}: no {kind.text} found: {reason}. Fill the picture with the target, in focus and evenly lit, "
        f"lay it flat, and check that --target {target} is what the picture shows"
    )


_GRIDS: dict[str, Callable[..., tuple[MeasuredGrid | None, str]]] = {
    "chessboard": measure_chessboard,
    "charuco": measure_charuco,
    "dots": measure_dots,
}


def _fold(angle_deg: float, period: float) -> float:
    return (angle_deg + period / 2) % period - period / 2


def _perspective(fit: PlaneFit) -> tuple[float, float]:
    """Change of scale from rim to opposite rim through the centre, to the right and down, as a share of it."""
    w, h = fit.size
    places = np.array(
        [
            [w - 1, (h - 1) / 2],
            [0, (h - 1) / 2],
            [(w - 1) / 2, h - 1],
            [(w - 1) / 2, 0],
            [(w - 1) / 2, (h - 1) / 2],
        ]
    )
    right, left, bottom, top, centre = 1 / np.sqrt((fit.gradients(places) ** 2).sum(axis=(1, 2)))
    return float((right - left) / centre), float((bottom - top) / centre)


def _relative(fit: PlaneFit, function: Callable[[Array], Array]) -> float:
    value = float(function(fit.theta)[0])
    return float(np.hypot(fit.uncertainty_of(function)[0] / value, LENS_MODEL))


def _distortion(fit: PlaneFit) -> tuple[float, float]:
    return float(fit.theta[-2:].sum()), float(
        fit.uncertainty_of(lambda theta: theta[-2:].sum(keepdims=True))[0]
    )


def _of_row(row: MeasuredRow) -> Reading:
    fit = row.fit
    gx, gy = fit.gradients((np.array(fit.size) - 1) / 2)[0, 0]
    longer, u_longer = row.slant
    value = float(fit.px_per_step()[0]) * (1 + longer)
    local = (1 + longer) / np.hypot(*fit.gradients(row.centre_px)[:, 0].T)
    rotation = _fold(-math.degrees(math.atan2(gy, gx)), 180)
    return Reading(
        value,
        float(np.hypot(_relative(fit, fit.px_per_step), u_longer)),
        (value, None) if abs(rotation) <= 45 else (None, value),
        float(np.mean(local)),
        rotation,
        None,
        _distortion(fit),
        _perspective(fit),
        float(np.ptp(row.number)),
        row.marks,
        row.scatter_px,
        row.centre_px,
        fit.weights > 0.1,
    )


def _of_grid(grid: MeasuredGrid) -> Reading:
    fit = grid.fit
    centre = (np.array(fit.size) - 1) / 2
    jacobian = np.linalg.inv(fit.gradients(centre)[0])
    scales = fit.px_per_step()
    first = int(abs(jacobian[0, 1]) > abs(jacobian[1, 1]))
    rotation = _fold(-math.degrees(math.atan2(jacobian[1, first], jacobian[0, first])), 180)
    stretch = np.linalg.svd(jacobian, compute_uv=False)
    local = np.linalg.inv(fit.gradients(grid.point_px))
    return Reading(
        float(scales.mean()),
        _relative(fit, lambda theta: fit.px_per_step(theta).mean(keepdims=True)),
        (float(scales[first]), float(scales[1 - first])),
        float(np.mean(np.hypot(local[:, 0], local[:, 1]))),
        rotation,
        math.degrees(math.acos(min(float(stretch[1] / stretch[0]), 1.0))),
        _distortion(fit),
        _perspective(fit),
        float(np.hypot(*np.ptp(grid.node, axis=0))),
        grid.marks,
        grid.scatter_px,
        grid.point_px,
        fit.weights > 0.1,
    )


def _of_disc(disc: MeasuredDisc) -> Reading:
    tilt = None
    along: tuple[float | None, float | None] = (None, None)
    if disc.axes_px:
        tilt = math.degrees(math.acos(min(disc.axes_px[1] / disc.axes_px[0], 1.0)))
    direction = _fold(disc.direction_deg, 180)
    if disc.axes_px is None:
        along = (disc.diameter_px, None) if abs(direction) <= 45 else (None, disc.diameter_px)
    return Reading(
        disc.diameter_px,
        float(np.hypot(disc.u_px / disc.diameter_px, LENS_MODEL)),
        along,
        disc.diameter_px,
        direction,
        tilt,
        None,
        None,
        1.0,
        disc.used,
        disc.scatter_px,
        disc.point_px,
        np.ones(len(disc.point_px), bool),
    )
