"""An evidence folder about one cutter that can be checked without wearscope: BagIt (RFC 8493), SHA-256."""

import html
import json
import shutil
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path

from wearscope import __version__
from wearscope.errors import RecordsError
from wearscope.records.store import Records

__all__ = ["faults", "write_evidence"]

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
MANIFEST, TAG_MANIFEST = "manifest-sha256.txt", "tagmanifest-sha256.txt"


def write_evidence(records: Records, cutter: str, folder: Path) -> None:
    """Write all inspections of a cutter, with their original photos, into a new folder.

    Raises RecordsError where the folder is there already, records were changed, or a photo is not the one
    that was measured; nothing half-written stays.
    """
    payload = _payload(records, cutter)
    try:
        folder.mkdir(parents=True)
    except OSError as error:
        raise RecordsError(f"{folder}: cannot be made ({error.strerror}); name a new folder") from error
    try:
        size = sum(len(content) for content in payload.values())
        info = f"Payload-Oxum: {size}.{len(payload)}\nBag-Software-Agent: wearscope {__version__}\n"
        tags = {
            "bagit.txt": DECLARATION,
            "bag-info.txt": info.encode(),
            MANIFEST: _manifest(payload),
        }
        for name, content in {**payload, **tags, TAG_MANIFEST: _manifest(tags)}.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
    except OSError as error:
        shutil.rmtree(folder, ignore_errors=True)
        raise RecordsError(f"{folder}: cannot be written ({error.strerror})") from error


def _payload(records: Records, cutter: str) -> dict[str, bytes]:
    rows = records.inspections(cutter)
    if not rows:
        raise RecordsError(f"cutter {cutter!r}: nothing was inspected yet, so there is no evidence")
    if changed := records.changed():
        raise RecordsError(
            f"records are not as they were written: {'; '.join(changed)}; no evidence is made of them"
        )
    files, lines = {}, []
    for row in rows:
        files[f"data/inspections/{row.id}.json"] = row.document.encode()
        document = json.loads(row.document)
        for photo in document["photos"]:
            name = f"data/photos/{photo['sha256']}{Path(photo['path']).suffix.lower()}"
            files[name] = _photo(Path(photo["path"]), photo["sha256"])
        said = [f"overruled as {o.grade}: {o.reason}" for o in records.overrules(row.id)]
        lines.append([f"{row.recorded_at}: {row.grade} ({row.software}, limits {row.limits_id})", *said])
        lines[-1] += [f"chain: {row.link}", *document["reasons"]]
    files["data/index.html"] = _page(cutter, lines).encode()
    return files


def _photo(path: Path, digest: str) -> bytes:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise RecordsError(f"photo {path}: cannot be read ({error.strerror}); put it back") from error
    if sha256(content).hexdigest() != digest:
        raise RecordsError(f"photo {path}: not the photo that was measured; put the original back")
    return content


def _page(cutter: str, inspections: list[list[str]]) -> str:
    def items(lines: list[str]) -> str:
        return "".join(f"<li>{html.escape(line)}</li>" for line in lines)

    parts = "".join(f"<h2>{html.escape(first)}</h2><ul>{items(rest)}</ul>" for first, *rest in inspections)
    name = html.escape(cutter)
    return f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{name}</title><h1>{name}</h1>{parts}</html>\n'


def _manifest(files: Mapping[str, bytes]) -> bytes:
    lines = [f"{sha256(content).hexdigest()}  {name}\n" for name, content in sorted(files.items())]
    return "".join(lines).encode()


def faults(folder: Path) -> list[str]:
    """What does not fit in an evidence folder, in words; empty where every file is as it was written."""
    found: list[str] = []
    named: set[str] = {TAG_MANIFEST}
    for manifest in (TAG_MANIFEST, MANIFEST):
        try:
            text = (folder / manifest).read_bytes().decode()
        except (OSError, ValueError):
            return [*found, f"{manifest}: missing or not readable"]
        if not text.endswith("\n"):
            found.append(f"{manifest}: its last line has no end")
        for line in text.removesuffix("\n").split("\n"):
            digest, _, name = line.partition("  ")
            if not name or ".." in Path(name).parts or Path(name).is_absolute():
                found.append(f"{manifest}: a line that is none: {line!r}")
                continue
            named.add(name)
            path = folder / name
            if not path.is_file():
                found.append(f"{name}: missing")
            elif sha256(path.read_bytes()).hexdigest() != digest:
                found.append(f"{name}: changed")
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    needed = {"bagit.txt", "bag-info.txt", MANIFEST}
    found += [f"{name}: in no manifest" for name in sorted((there | needed) - named)]
    return found
