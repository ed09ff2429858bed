"""Evidence about one cutter that somebody without wearscope can check: all that was seen, and what it rests on."""

import json
import platform
from collections.abc import Iterator, Mapping
from dataclasses import replace
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wearscope import __version__
from wearscope.errors import PhotoError, RecordsError
from wearscope.finding import Curve
from wearscope.grading.limits import Limit, Limits
from wearscope.inspection import Inspection, PhotoReport, from_document
from wearscope.records.bag import write_bag
from wearscope.records.models import CalibrationRow, DiameterRow, EntryRow, InspectionRow, OverruleRow
from wearscope.records.store import Records

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from wearscope.report.html import Shot

__all__ = ["write_evidence"]

LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "scikit-image", "pillow", "sqlalchemy")


def write_evidence(
    records: Records, cutter: str, place: Path, *, key: "Ed25519PrivateKey | None" = None
) -> None:
    """Write all that is recorded about a cutter into a new folder, or ZIP file where the place ends in .zip.

    Original and annotated pictures, inspections and diameters as documents and pages, calibrations with the photos
    of their targets, limits, entries, edits, versions. Raises RecordsError where the place is taken, records were
    changed, or a photo is not the one that was measured; nothing half-written stays.
    """
    rows = records.inspections(cutter)
    if not rows:
        raise RecordsError(f"cutter {cutter!r}: nothing was inspected yet, so there is no evidence")
    if changed := records.changed():
        raise RecordsError(
            f"records are not as they were written: {'; '.join(changed)}; no evidence is made of them"
        )
    write_bag(place, _payload(records, cutter, rows), key=key)


def _payload(records: Records, cutter: str, rows: list[InspectionRow]) -> Iterator[tuple[str, bytes]]:
    missing: list[str] = []
    for row in rows:
        yield f"inspections/{row.id}.json", row.document.encode()
        yield from _inspection(records, cutter, row)
    for digest in dict.fromkeys(row.calibration_sha256 for row in rows if row.calibration_sha256):
        calibration = records.calibration(digest)
        assert calibration is not None
        yield from _calibration(records, calibration, missing)
    for digest in dict.fromkeys(row.limits_sha256 for row in rows if row.limits_sha256):
        limits = records.limits(digest)
        assert limits is not None
        yield f"limits/{limits.sha256}.json", limits.text.encode()
    yield from ((f"diameters/{row.id}.json", row.document.encode()) for row in records.diameters(cutter))
    yield "records.json", _records(records, cutter, rows)
    yield "software.json", _software()
    yield "index.html", _index(records, cutter, rows, missing)


def _inspection(records: Records, cutter: str, row: InspectionRow) -> Iterator[tuple[str, bytes]]:
    """Photos as they were taken and with what was found drawn on them, and the page about them."""
    from wearscope.report.html import inspection_page

    inspection = from_document(json.loads(row.document))
    curves, shots = records.curves(row.id), {}
    for photo in inspection.photos:
        path = Path(records.photo_path(photo.sha256) or photo.path)
        content = _photo(path, photo.sha256)
        yield f"photos/{photo.sha256}{Path(photo.path).suffix.lower()}", content
        tooth = inspection.cutter.tooth
        picture = _annotated(path, photo, curves.get(photo.sha256, ()), cutter, tooth)
        if picture is not None:
            name = f"annotated/{row.id}-{photo.sha256[:12]}.jpg"
            yield name, picture
            shots[photo.sha256] = _shot(photo, f"../{name}", tooth)
    page = inspection_page(
        inspection,
        title=f"{cutter}, inspection {row.id}",
        limits=_limits(records, row, inspection),
        shots=shots,
    )
    yield f"inspections/{row.id}.html", page.encode()


def _photo(path: Path, digest: str) -> bytes:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise RecordsError(f"photo {path}: cannot be read ({error.strerror}); put it back") from error
    if sha256(content).hexdigest() != digest:
        raise RecordsError(f"photo {path}: not the photo that was measured; put the original back")
    return content


def _annotated(
    path: Path, report: PhotoReport, curves: tuple[Curve, ...], cutter: str, tooth: str
) -> bytes | None:
    """The photo with what was found; None for a file that cannot be read as a photo any more."""
    import cv2

    from wearscope.photo.read import read_photo
    from wearscope.report.annotate import annotate

    try:
        photo = read_photo(path)
    except PhotoError:
        return None
    picture = annotate(photo, replace(report, curves=curves), heading=cutter, tooth=tooth)
    return cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()


def _shot(photo: PhotoReport, link: str, tooth: str) -> "Shot":
    from wearscope.report.html import Shot

    shows = photo.shows(tooth)
    seen = f"{photo.view} of {shows}" if shows else photo.view
    return Shot(photo.path, link, link, f"{seen}: {photo.grade}")


def _limits(records: Records, row: InspectionRow, inspection: Inspection) -> Mapping[str, Limit]:
    kept = records.limits(row.limits_sha256) if row.limits_sha256 else None
    return {} if kept is None else Limits(json.loads(kept.text)).for_cutter(inspection.cutter)


def _calibration(records: Records, row: CalibrationRow, missing: list[str]) -> Iterator[tuple[str, bytes]]:
    yield f"calibrations/{row.sha256}.toml", row.text.encode()
    path = Path(records.photo_path(row.target_sha256))
    try:
        content = path.read_bytes()
    except OSError:
        content = b""
    if sha256(content).hexdigest() == row.target_sha256:
        yield f"photos/{row.target_sha256}{path.suffix.lower()}", content
    else:
        missing.append(
            f"the photo of the target that calibration {row.name} was made from was not found "
            f"(SHA-256 {row.target_sha256})"
        )


def _records(records: Records, cutter: str, rows: list[InspectionRow]) -> bytes:
    """All rows about the cutter, without the documents that have files of their own."""

    def plain(row: "InspectionRow | DiameterRow | EntryRow | OverruleRow") -> dict[str, Any]:
        names = [column.name for column in row.__table__.columns]
        return {name: getattr(row, name) for name in names if name != "document"}

    content = {
        "cutter": records.cutter(cutter).values(),
        "edits": [{"recorded_at": when, "changes": changes} for when, changes in records.edits(cutter)],
        "inspections": [plain(row) for row in rows],
        "diameters": [plain(row) for row in records.diameters(cutter)],
        "entries": [plain(row) for row in records.entries(cutter)],
        "overrules": [plain(said) for row in rows for said in records.overrules(row.id)],
    }
    return _json(content)


def _software() -> bytes:
    found = {"wearscope": __version__, "python": platform.python_version(), "system": platform.platform()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed under this name"
    return _json({"evidence_written_by": found})


def _json(content: object) -> bytes:
    return (json.dumps(content, indent=2, sort_keys=True) + "\n").encode()


def _index(records: Records, cutter: str, rows: list[InspectionRow], missing: list[str]) -> bytes:
    from wearscope.report.html import render
    from wearscope.report.view import facts_text

    return render(
        "evidence.html",
        cutter=cutter,
        facts=facts_text(records.cutter(cutter).facts),
        more={k.replace("_", " "): v for k, v in records.cutter(cutter).words().items() if v},
        inspections=[
            (row, from_document(json.loads(row.document)), records.overrules(row.id)) for row in rows
        ],
        calibrations=[_text_link(records.calibration(d)) for d in _used(rows, "calibration_sha256")],
        limits=[_text_link(records.limits(d)) for d in _used(rows, "limits_sha256")],
        diameters=records.diameters(cutter),
        entries=records.entries(cutter),
        edits=records.edits(cutter),
        missing=missing,
        software=f"wearscope {__version__}",
    ).encode()


def _used(rows: list[InspectionRow], column: str) -> list[str]:
    return list(dict.fromkeys(d for row in rows if (d := getattr(row, column))))


def _text_link(row: Any) -> tuple[str, str]:
    ending = "toml" if isinstance(row, CalibrationRow) else "json"
    return row.name, f"{row.__tablename__}/{row.sha256}.{ending}"
