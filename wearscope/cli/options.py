"""Options that several commands share, and how their words become values."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, TypeVar

import typer

from wearscope.errors import InputError
from wearscope.facts import parse_length

if TYPE_CHECKING:
    from wearscope.pipeline import ScaleSource

__all__ = [
    "Calibration",
    "Diameter",
    "Flutes",
    "Json",
    "Kind",
    "LimitsFile",
    "Material",
    "NominalRadius",
    "Out",
    "PxPerMm",
    "Units",
    "length",
    "per_photo",
    "positive",
    "scale_source",
]

Item = TypeVar("Item")
LENGTH = "LENGTH"


def length(text: str) -> float:
    """A typed length in mm; wrong use of the command where it is none."""
    try:
        return parse_length(text)
    except InputError as error:
        raise typer.BadParameter(str(error)) from error


def positive(value: float | None) -> float | None:
    """A number more than 0, or none; wrong use of the command otherwise."""
    if value is not None and not 0 < value < float("inf"):
        raise typer.BadParameter(f"{value:g} is not more than 0")
    return value


Calibration = Annotated[
    Path | None, typer.Option("--calibration", help="Calibration file that `wearscope calibrate` wrote.")
]
PxPerMm = Annotated[
    float | None,
    typer.Option("--px-per-mm", callback=positive, help="Pixels per mm, typed in instead of a calibration."),
]
Kind = Annotated[
    Literal["flat", "corner-radius", "ball", "engraver", "surfacing", "other"] | None,
    typer.Option("--kind", help="Kind of cutter. (default: flat)"),
]
Material = Annotated[
    Literal["hss", "carbide"] | None,
    typer.Option("--material", help="What it is made of. (default: carbide)"),
]
Diameter = Annotated[
    float | None,
    typer.Option(
        "--diameter",
        parser=length,
        metavar=LENGTH,
        help="Cutting diameter: 6, 6mm, 0.25in, 1/4in. (default: 6)",
    ),
]
NominalRadius = Annotated[
    float | None,
    typer.Option(
        "--nominal-radius",
        parser=length,
        metavar=LENGTH,
        help="Corner radius when new. (default: 0; ball: half the diameter)",
    ),
]
Flutes = Annotated[int | None, typer.Option("--flutes", min=1, max=12, help="Number of flutes.")]
LimitsFile = Annotated[
    Path | None,
    typer.Option("--limits", help="Limits file of your own, laid over the one that ships; or plastics."),
]
Units = Annotated[Literal["mm", "inch"], typer.Option("--units", help="Lengths shown in mm or inch.")]
Out = Annotated[
    Path | None,
    typer.Option("--out", metavar="DIR", help="Folder for annotated pictures. (default: ./wearscope-out)"),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else on stdout.")]


def scale_source(calibration: Path | None, px_per_mm: float | None) -> "ScaleSource":
    """The one of the two scales that was given. Raises InputError for both or none."""
    if (calibration is None) == (px_per_mm is None):
        raise InputError(
            "the scale is missing: give --calibration FILE or --px-per-mm N"
            if px_per_mm is None
            else "give either --calibration or --px-per-mm, not both"
        )
    if px_per_mm is not None:
        from wearscope.pipeline import TypedScale

        return TypedScale(px_per_mm)
    from wearscope.calibrate.calibration import load_calibration

    assert calibration is not None
    return load_calibration(calibration)


def per_photo(option: str, items: list[Item], photos: int) -> list[Item]:
    """One item for each photo; a single one stands for all. Raises InputError for another number of items."""
    if len(items) == 1:
        return items * photos
    if len(items) != photos:
        raise InputError(
            f"{option} names {len(items)}, but there are {photos} photos: give one for all or one for each"
        )
    return items
