"""`wearscope sample-drawer`: the sample photos, drawn again."""

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["register", "sample_drawer"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("sample-drawer")(sample_drawer)


def sample_drawer(
    folder: Annotated[Path, typer.Argument(help="Folder to draw the sample drawer into.")],
    calibration: Annotated[
        Path | None,
        typer.Option(help="Folder for the sample microscope's photo of its scale; without it none is drawn."),
    ] = None,
) -> None:
    """Draw the sample drawer's photos with their exact truth; the same pictures every time."""
    from wearscope.synthetic.sample_drawer import write_sample_drawer, write_sample_target

    written = write_sample_drawer(folder)
    if calibration is not None:
        written += write_sample_target(calibration)
    typer.echo(f"{len(written)} files written", err=True)
