"""`wearscope calibrate` and `wearscope target`: the scale."""

import json
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from wearscope.calibrate.calibration import Calibration

__all__ = ["calibrate", "register", "target"]

SCHEMA = "wearscope/calibration/1"


class TargetKind(StrEnum):
    """What the picture shows."""

    ruler = "ruler"
    stage = "stage"
    dots = "dots"
    chessboard = "chessboard"
    charuco = "charuco"
    disc = "disc"


class SheetKind(StrEnum):
    """What can be printed."""

    chessboard = "chessboard"
    charuco = "charuco"


class Paper(StrEnum):
    """Sizes of paper."""

    a4 = "a4"
    letter = "letter"


def register(app: typer.Typer) -> None:
    """Add both commands to `app`."""
    app.command("calibrate")(calibrate)
    app.command("target")(target)


def calibrate(
    photo: Annotated[
        Path, typer.Argument(help="Photo of the scale, at the zoom and focus of the cutters' photos.")
    ],
    target: Annotated[TargetKind, typer.Option(help="What the photo shows. disc: gauge pin, shank or coin.")],
    output: Annotated[Path, typer.Option(help="Calibration file to write (TOML).")],
    pitch: Annotated[
        str | None,
        typer.Option(
            help="Smallest regular division, side of a square, or distance of dots; mm unless a unit is given."
        ),
    ] = None,
    longer_marks: Annotated[
        bool,
        typer.Option(
            "--longer-marks",
            help="--pitch is that of the longer marks: the finer ones are too close together.",
        ),
    ] = False,
    diameter: Annotated[
        str | None, typer.Option(help="Diameter of a disc; mm unless a unit is given.")
    ] = None,
    target_uncertainty: Annotated[
        str | None,
        typer.Option(help="Expanded uncertainty (k = 2) of the target: 0.2%, or over the marks seen, 0.5um."),
    ] = None,
    certificate: Annotated[
        str, typer.Option(help="The target's certificate: number, laboratory, date.")
    ] = "none",
    check_line_measured: Annotated[
        list[float] | None,
        typer.Option(
            help="Measured length in mm of the printed 100 mm line across; repeat it for the line down."
        ),
    ] = None,
    grey: Annotated[
        Path | None,
        typer.Option(
            "--grey-card",
            help="Photo of a grey card in the light of the cutters' photos, the camera's white balance fixed: heat colours are judged by it.",
        ),
    ] = None,
    marks_picture: Annotated[
        Path | None, typer.Option(help="Also write the photo with the found marks (PNG).")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Find a scale in a photo and write how many pixels a millimetre has."""
    from datetime import datetime

    from wearscope.calibrate.calibration import save_calibration
    from wearscope.calibrate.measure import calibrate_photo
    from wearscope.calibrate.picture import draw_marks
    from wearscope.photo.read import read_photo

    picture = read_photo(photo)
    calibration, reading = calibrate_photo(
        picture,
        target=target.value,
        date=datetime.now().astimezone().isoformat(timespec="seconds"),
        pitch_mm=_length(pitch, "--pitch"),
        diameter_mm=_length(diameter, "--diameter"),
        target_uncertainty=target_uncertainty,
        certificate=certificate,
        check_line_mm=tuple(check_line_measured or ()),
        grey=None if grey is None else read_photo(grey),
        longer_marks=longer_marks,
    )
    save_calibration(calibration, output)
    if marks_picture:
        draw_marks(picture, reading, marks_picture)
    if as_json:
        typer.echo(json.dumps(as_document(calibration), indent=1))
    else:
        typer.echo(as_text(calibration, output))


def _length(text: str | None, option: str) -> float | None:
    """A length in mm from "0.5", "0.5mm", "10um", "1/64in"."""
    from fractions import Fraction

    from wearscope.errors import InputError

    if text is None:
        return None
    units = {"um": 0.001, "µm": 0.001, "mm": 1.0, "in": 25.4, '"': 25.4, "": 1.0}
    body = text.strip().replace(",", ".")
    unit = next(u for u in units if body.endswith(u))
    try:
        return float(Fraction(body.removesuffix(unit).strip())) * units[unit]
    except (ValueError, ZeroDivisionError) as error:
        raise InputError(
            f"{option} {text!r} is not a length; give it as 0.5, 0.5mm, 10um or 1/64in"
        ) from error


def as_document(calibration: "Calibration") -> dict[str, Any]:
    """The calibration as one JSON document; uncertainties are expanded (95 %), parts are relative standard ones."""
    c = calibration
    return {
        "schema": SCHEMA,
        "id": c.id,
        "px_per_mm": {
            "value": c.px_per_mm,
            "uncertainty": c.quantity.expanded,
            "coverage": 0.95,
            "parts": dict(c.quantity.parts),
        },
        "px_per_mm_along": {"x": c.px_per_mm_x, "y": c.px_per_mm_y},
        "px_per_mm_mean_over_marks": c.px_per_mm_mean,
        "relative_parts": dict(c.parts),
        "rotation_deg": c.rotation_deg,
        "tilt_deg": c.tilt_deg,
        "distortion": None
        if c.distortion is None
        else {"at_corner": c.distortion, "standard_uncertainty": c.distortion_u},
        "perspective": {"across": c.perspective_x, "down": c.perspective_y},
        "marks": {"used": c.marks, "scatter_px": c.scatter_px},
        "target": {
            "kind": c.target,
            "pitch_mm": c.pitch_mm,
            "diameter_mm": c.diameter_mm,
            "certificate": c.certificate,
            "check_line_mm": list(c.check_line_mm),
        },
        "photo": {"name": c.photo, "sha256": c.sha256, "size": list(c.size)},
        "white": None
        if c.white is None
        else {"photo": c.white_photo} | dict(zip(("blue", "green", "red"), c.white, strict=True)),
        "date": c.date,
        "flags": list(c.flags),
        "remarks": list(c.remarks),
        "software": c.software,
    }


def as_text(calibration: "Calibration", output: Path) -> str:
    """A few lines for people."""
    from wearscope.flags import FLAGS

    c = calibration
    digits = max(0, 3 - len(str(int(c.quantity.expanded * 1000))) + 1)
    lines = [
        f"{c.px_per_mm:.{digits}f} +/- {c.quantity.expanded:.{digits}f} px/mm at the picture's centre ({1000 / c.px_per_mm:.3f} um per px)"
    ]
    named = ", ".join(f"{name} {100 * u:.2g} %" for name, u in c.parts.items() if u > 0)
    lines.append(f"standard uncertainties: {named}")
    lines.append(
        f"{c.marks} marks, scatter {c.scatter_px:.2f} px, rotation {c.rotation_deg:.2f} deg"
        + (f", tilt {c.tilt_deg:.1f} deg" if c.tilt_deg is not None else "")
    )
    if c.perspective_x is not None and c.perspective_y is not None and c.distortion is not None:
        lines.append(
            f"scale changes by {100 * c.perspective_x:+.2f} % across and {100 * c.perspective_y:+.2f} % down; distortion {100 * c.distortion:+.2f} % at the corner"
        )
    if c.white is not None:
        lines.append(
            f"grey card: blue {c.white[0]:.3f}, red {c.white[2]:.3f} of green; keep the light and the camera's white balance as they are"
        )
    lines += [f"{FLAGS[name].text} {FLAGS[name].advice}" for name in c.flags]
    return "\n".join([*lines, *c.remarks, f"written to {output}"])


def target(
    kind: Annotated[SheetKind, typer.Option(help="Pattern.")],
    output: Annotated[Path, typer.Option(help="File to write, .pdf or .svg.")],
    pitch: Annotated[str, typer.Option(help="Side of a square; mm unless a unit is given.")] = "1",
    paper: Annotated[Paper, typer.Option(help="Paper.")] = Paper.a4,
) -> None:
    """Write a sheet to print: a pattern of known pitch and two 100 mm lines to measure the print by."""
    from wearscope.calibrate.sheet import write_sheet

    pitch_mm = _length(pitch, "--pitch")
    assert pitch_mm is not None
    write_sheet(output, kind=kind.value, pitch_mm=pitch_mm, paper=paper.value)
    typer.echo(
        f"written to {output}; print it at 100 % (no fitting to the page) and measure both 100 mm lines with a calliper"
    )
