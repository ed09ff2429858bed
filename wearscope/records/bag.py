"""Folders and ZIP files under BagIt (RFC 8493) with SHA-256: written whole or not at all, checked to the last byte."""

import io
import os
import secrets
import shutil
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from wearscope import __version__
from wearscope.errors import RecordsError
from wearscope.records.signature import public_key, sign, signed_by

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = ["SIGNATURE", "SIGNER", "bag_file", "faults", "write_bag"]

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
MANIFEST, TAG_MANIFEST = "manifest-sha256.txt", "tagmanifest-sha256.txt"
SIGNER, SIGNATURE = "signer.pem", "signature.ed25519"
"""Public key, listed in the tag manifest; the signature over the tag manifest, and with it over everything."""


def write_bag(
    place: Path, payload: Iterable[tuple[str, bytes]], *, key: "Ed25519PrivateKey | None" = None
) -> None:
    """Write files, by name below `data/`, into a new folder, or a new ZIP file where the place ends in .zip.

    With a key the bag is signed. Raises RecordsError where the place is taken or cannot be written; whatever goes
    wrong, also while the payload is made, nothing half-written stays.
    """
    zipped = place.suffix.lower() == ".zip"
    if place.exists():
        raise RecordsError(f"{place}: is there already; name a new {'file' if zipped else 'folder'}")
    part = place.with_name(f".{place.name}.{secrets.token_hex(6)}.part")
    try:
        part.mkdir(parents=True)
        _fill(part, payload, key)
        if zipped:
            packed = part.with_suffix(".zip.part")
            try:
                _pack(packed, place.stem, ((name, (part / name).read_bytes()) for name in _names(part)))
                os.replace(packed, place)
            finally:
                packed.unlink(missing_ok=True)
        else:
            part.rename(place)
    except OSError as error:
        raise RecordsError(f"{place}: cannot be written ({error.strerror}); give another place") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _fill(folder: Path, payload: Iterable[tuple[str, bytes]], key: "Ed25519PrivateKey | None") -> None:
    digests, size = {}, 0
    for name, content in payload:
        if name not in digests:
            _write(folder / "data" / name, content)
            digests[name], size = sha256(content).hexdigest(), size + len(content)
    info = f"Payload-Oxum: {size}.{len(digests)}\nBag-Software-Agent: wearscope {__version__}\n"
    tags = {
        "bagit.txt": DECLARATION,
        "bag-info.txt": info.encode(),
        MANIFEST: _manifest({f"data/{name}": digest for name, digest in digests.items()}),
    }
    if key is not None:
        tags[SIGNER] = public_key(key)
    tags[TAG_MANIFEST] = _manifest({name: sha256(content).hexdigest() for name, content in tags.items()})
    if key is not None:
        tags[SIGNATURE] = sign(tags[TAG_MANIFEST], key)
    for name, content in tags.items():
        _write(folder / name, content)


def _write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _manifest(digests: Mapping[str, str]) -> bytes:
    return "".join(f"{digest}  {name}\n" for name, digest in sorted(digests.items())).encode()


def _names(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def _pack(path: "Path | io.BytesIO", top: str, files: Iterable[tuple[str, bytes]]) -> None:
    """A ZIP file that depends on nothing but the files: no times, no rights, in order, as they are."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as packed:
        for name, content in files:
            entry = zipfile.ZipInfo(f"{top}/{name}")
            entry.create_system = 0
            packed.writestr(entry, content)


def bag_file(place: Path, name: str) -> bytes | None:
    """One file of a bag, folder or ZIP; None where it is not there."""
    return _read(place).get(name) if place.is_file() else _bytes(place / name)


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _read(path: Path) -> dict[str, bytes]:
    """The files of a ZIP file by their names below its one folder. Raises RecordsError for what is none."""
    try:
        with zipfile.ZipFile(path) as packed:
            names = [entry.filename for entry in packed.infolist() if not entry.is_dir()]
            tops = {name.partition("/")[0] for name in names}
            if len(tops) != 1 or len(set(names)) != len(names):
                raise RecordsError(f"{path}: not evidence: expected one folder in it, and each file once")
            return {name.partition("/")[2]: packed.read(name) for name in names}
    except (OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError) as error:
        raise RecordsError(f"{path}: not a ZIP file that is whole ({error})") from error


def faults(place: Path) -> list[str]:
    """What does not fit in a bag, folder or ZIP, in words; empty where every byte is as it was written.

    A signature that is there is checked against the key in the bag; whose key that is has to be known from elsewhere.
    """
    if place.is_dir():
        return list(_faults({name: place / name for name in _names(place)}))
    try:
        files = _read(place)
    except RecordsError as error:
        return [str(error)]
    found = list(_faults(files))
    again = io.BytesIO()
    with zipfile.ZipFile(place) as packed:
        entries = packed.namelist()
    _pack(
        again,
        entries[0].partition("/")[0],
        ((e.partition("/")[2], files[e.partition("/")[2]]) for e in entries),
    )
    if not found and again.getvalue() != place.read_bytes():
        found.append("the ZIP file was packed again, or changed outside the files in it")
    return found


def _faults(files: "Mapping[str, bytes | Path]") -> Iterator[str]:
    named: set[str] = {TAG_MANIFEST, SIGNATURE}
    for manifest in (TAG_MANIFEST, MANIFEST):
        try:
            text = _content(files[manifest]).decode()
        except (KeyError, OSError, ValueError):
            yield f"{manifest}: missing or not readable"
            return
        if not text.endswith("\n"):
            yield f"{manifest}: its last line has no end"
        for line in text.removesuffix("\n").split("\n"):
            digest, _, name = line.partition("  ")
            if not name or ".." in Path(name).parts or Path(name).is_absolute():
                yield f"{manifest}: a line that is none: {line!r}"
                continue
            named.add(name)
            if name not in files:
                yield f"{name}: missing"
            elif sha256(_content(files[name])).hexdigest() != digest:
                yield f"{name}: changed"
    needed = {"bagit.txt", "bag-info.txt", MANIFEST}
    yield from (f"{name}: in no manifest" for name in sorted(({*files} | needed) - named))
    yield from _signature_faults(files)


def _content(file: "bytes | Path") -> bytes:
    return file if isinstance(file, bytes) else file.read_bytes()


def _signature_faults(files: "Mapping[str, bytes | Path]") -> Iterator[str]:
    if SIGNER not in files and SIGNATURE not in files:
        return
    if SIGNER not in files or SIGNATURE not in files:
        yield f"{SIGNATURE if SIGNER in files else SIGNER}: missing"
    elif not signed_by(*(_content(files[name]) for name in (TAG_MANIFEST, SIGNATURE, SIGNER))):
        yield f"{SIGNATURE}: not the signature of this key over this evidence"
