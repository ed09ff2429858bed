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
        Path | None,
        typer.Option("--out", metavar="PLACE", help="New folder to write; a ZIP file where it ends in .zip."),
    ] = None,
    key: Annotated[
        Path | None,
        typer.Option("--sign", metavar="KEY", help="Sign with the Ed25519 private key of this PEM file."),
    ] = None,
    verify: Annotated[
        Path | None, typer.Option("--verify", metavar="PLACE", help="Check a folder or ZIP instead.")
    ] = None,
    signer: Annotated[
        Path | None,
        typer.Option("--signer", metavar="KEY", help="With --verify: the public key it must be signed with."),
    ] = None,
    new_key: Annotated[
        Path | None,
        typer.Option("--new-key", metavar="FILE", help="Make a key to sign with, into a new file."),
    ] = None,
    records: Place = None,
) -> None:
    """Write all that is recorded about a cutter so that anybody can check it, or check such evidence."""
    wanted = [
        name for name, value in (("CUTTER", cutter), ("--verify", verify), ("--new-key", new_key)) if value
    ]
    if wanted == ["--verify"] and verify is not None and out is None and key is None:
        _verify(verify, signer)
    elif wanted == ["CUTTER"] and cutter is not None and out is not None and signer is None:
        _write(cutter, out, key, records)
    elif wanted == ["--new-key"] and new_key is not None and out is None and key is None and signer is None:
        _new_key(new_key)
    else:
        raise InputError(
            "evidence: give CUTTER and --out PLACE (and --sign KEY) to write, --verify PLACE (and --signer KEY) to "
            "check, or --new-key FILE to make a key"
        )


def _write(cutter: str, out: Path, key: Path | None, records: str | None) -> None:
    from wearscope.records.evidence import write_evidence
    from wearscope.records.signature import fingerprint, public_key, read_key
    from wearscope.records.store import open_records

    signing = read_key(key) if key is not None else None
    with open_records(records) as book:
        write_evidence(book, cutter, out, key=signing)
    print(f"{out}: evidence about {cutter}")
    if signing is not None:
        print(f"signed with the key {fingerprint(public_key(signing))}")


def _verify(place: Path, signer: Path | None) -> None:
    from wearscope.records.bag import SIGNER, bag_file, faults
    from wearscope.records.signature import fingerprint

    if not place.exists():
        raise InputError(f"{place}: is not there; give the folder or ZIP file that holds the evidence")
    if found := faults(place):
        raise RecordsError(f"{place}: not as it was written: {'; '.join(found)}")
    key = bag_file(place, SIGNER)
    if signer is not None:
        try:
            expected = signer.read_bytes()
        except OSError as error:
            raise InputError(
                f"{signer}: cannot be read ({error.strerror}); give a public key file"
            ) from error
        if key is None:
            raise RecordsError(f"{place}: every file is as it was written, but it is not signed")
        if key.split() != expected.split():
            raise RecordsError(
                f"{place}: signed, but with the key {fingerprint(key)}, not with that of {signer}"
            )
        print(f"{place}: every file is as it was written, and signed with the key of {signer}")
    elif key is not None:
        print(f"{place}: every file is as it was written, and signed with the key {fingerprint(key)}")
        print("whose key that is, somebody has to tell you; --signer KEY checks against a key you trust")
    else:
        print(f"{place}: every file is as it was written; it is not signed")


def _new_key(path: Path) -> None:
    from wearscope.records.signature import fingerprint, make_key, public_key, read_key

    make_key(path)
    public = public_key(read_key(path))
    print(f"{path}: private key; keep it to yourself. Its public key, to hand out ({fingerprint(public)}):")
    print(public.decode(), end="")
