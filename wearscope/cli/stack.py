"""`wearscope stack`: a focus stack into one picture."""

from pathlib import Path
from typing import Annotated

import typer

from wearscope.errors import InputError

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(stack)


def stack(
    photos: Annotated[list[Path], typer.Argument(help="Photos of one scene at several focus heights.")],
    output: Annotated[Path, typer.Option(help="PNG or TIFF file to write; never one of the photos.")],
) -> None:
    """Merge photos at several focus heights into one that is sharp all over."""
    import cv2

    from wearscope.photo.read import read_photo
    from wearscope.photo.stack import merge_focus

    if output.suffix.lower() not in (".png", ".tif", ".tiff"):
        raise InputError(f"--output {output}: expected a name that ends in .png or .tif, which lose nothing")
    if any(output.resolve() == photo.resolve() for photo in photos):
        raise InputError(f"--output {output} is one of the photos; give another name")
    merged, gain = merge_focus([read_photo(photo) for photo in photos])
    coded, data = cv2.imencode(output.suffix.lower(), merged.encoded)
    if not coded:
        raise InputError(f"--output {output}: cannot be written as {output.suffix}; use .png")
    part = output.with_name(output.name + ".part")
    part.write_bytes(data.tobytes())
    part.replace(output)
    typer.echo(f"{output}: {len(photos)} photos merged, {gain:.1f} times the fine detail of the sharpest one")
