"""`wearscope evidence`: what is recorded about a cutter, so that somebody without wearscope can check it."""

from pathlib import Path
from typing import Annotated

import typer

from wearscope.cli.cutters import Place
from wearscope.errors import InputError, RecordsError

__all__ = ["evidence", "register"]


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(evidence)


def evidence(
    cutter: Annotated[str | None, typer.Argument(metavar="CUTTER", help="Name of the cutter.")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="New folder to write the evidence into.")
    ] = None,
    verify: Annotated[
        Path | None, typer.Option("--verify", metavar="FOLDER", help="Check a folder instead of writing one.")
    ] = None,
    records: Place = None,
) -> None:
    """Write a folder with photos and inspections of a cutter that anybody can check, or check one."""
    from wearscope.records.evidence import faults, write_evidence
    from wearscope.records.store import open_records

    if verify is not None and cutter is None and out is None:
        if found := faults(verify):
            raise RecordsError(f"{verify}: not as it was written: {'; '.join(found)}")
        print(f"{verify}: every file is as it was written")
    elif verify is None and cutter is not None and out is not None:
        with open_records(records) as book:
            write_evidence(book, cutter, out)
        print(f"{out}: evidence about {cutter}")
    else:
        raise InputError("evidence: give CUTTER and --out FOLDER to write, or only --verify FOLDER to check")
