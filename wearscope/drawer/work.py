"""What a worker does with one photo: look, draw, hand back. It writes nothing."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2

from wearscope.drawer.plan import Bench, Job, Seen, Shown
from wearscope.errors import WearscopeError
from wearscope.facts import Facts
from wearscope.inspection import to_document
from wearscope.photo.label import Labels, read_labels, without_labels
from wearscope.photo.read import read_photo
from wearscope.pipeline import inspect_photo
from wearscope.report.annotate import annotate, thumbnail
from wearscope.report.ink import Picture

__all__ = ["look"]


def look(bench: Bench, job: Job) -> Seen:
    """Inspect and draw one photo. A photo that cannot be used is a result with its reason."""
    label = ""
    try:
        photo = read_photo(job.path)
        shown = job.shown
        flags: tuple[str, ...] = ()
        if bench.cutters is not None:
            labels = read_labels(photo)
            photo, label = without_labels(photo, labels), "".join(labels.names[:1])
            if clash := _clash(labels.names, shown.cutter):
                return Seen(reason=clash)
            flags = _flags(labels, shown)
            shown = shown if shown.cutter or not label else _labelled(shown, label, bench.cutters)
        inspection = inspect_photo(
            photo,
            scale_source=bench.scale_source,
            facts=shown.facts,
            limits=bench.limits,
            view=shown.view,
            flute=shown.flute or 1,
        )
    except WearscopeError as error:
        return Seen(reason=str(error).removeprefix(f"{job.path}: "), label=label)
    report = replace(inspection.photos[0], flags=(*inspection.photos[0].flags, *flags))
    inspection = replace(inspection, photos=(report,))
    notes = (f"limits {inspection.limits_id} · {inspection.software}",)
    picture = annotate(
        photo, report, units=bench.units, heading=shown.cutter, notes=notes, tooth=shown.facts.tooth
    )
    document = to_document(inspection)
    return Seen(document, _jpeg(picture, 92), _jpeg(thumbnail(photo, report), 85), label=label)


def _clash(names: Sequence[str], said: str) -> str:
    """Why the labels contradict each other, or what was said about the photo; "" where they do not."""
    if len(names) > 1:
        return f"labels of different cutters lie in the picture ({', '.join(names)}); leave one and take it again"
    if names and said and names[0] != said:
        return (
            f"its label says {names[0]}, but it was said to show {said}; put that right, then run this again"
        )
    return ""


def _flags(labels: Labels, shown: Shown) -> tuple[str, ...]:
    if labels.names or (shown.cutter and not labels.unread):
        return ()
    return ("label_unreadable",) if labels.unread else ("label_missing",)


def _labelled(shown: Shown, label: str, cutters: Mapping[str, Facts]) -> Shown:
    return replace(shown, cutter=label, facts=cutters.get(label, shown.facts))


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
