"""What a worker does with one photo: look, draw, hand back. It writes nothing."""

import cv2

from wearscope.drawer.plan import Bench, Job, Seen
from wearscope.errors import WearscopeError
from wearscope.inspection import to_document
from wearscope.photo.read import read_photo
from wearscope.pipeline import inspect_photo
from wearscope.report.annotate import annotate, thumbnail
from wearscope.report.ink import Picture

__all__ = ["look"]


def look(bench: Bench, job: Job) -> Seen:
    """Inspect and draw one photo. A photo that cannot be used is a result with its reason."""
    shown = job.shown
    try:
        photo = read_photo(job.path)
        inspection = inspect_photo(
            photo,
            scale_source=bench.scale_source,
            facts=shown.facts,
            limits=bench.limits,
            view=shown.view or "corner",
            flute=shown.flute or 1,
        )
    except WearscopeError as error:
        return Seen(reason=str(error).removeprefix(f"{job.path}: "))
    report = inspection.photos[0]
    notes = (f"limits {inspection.limits_id} · {inspection.software}",)
    picture = annotate(photo, report, units=bench.units, heading=shown.cutter, notes=notes)
    return Seen(to_document(inspection), _jpeg(picture, 92), _jpeg(thumbnail(photo, report), 85))


def _jpeg(picture: Picture, quality: int) -> bytes:
    """Colours at full resolution, so that thin lines stay clean."""
    options = [
        cv2.IMWRITE_JPEG_QUALITY,
        quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]
    done, data = cv2.imencode(".jpg", picture, options)
    if not done:
        raise ValueError(f"a picture of {picture.shape} cannot be written as JPEG")
    return bytes(data.tobytes())
