"""A folder of photos, graded: plan, work, keep; only what is missing is done."""

import hashlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TypeAlias

from wearscope.drawer.plan import (
    ANNOTATED,
    THUMBNAIL,
    Bench,
    Job,
    Known,
    Seen,
    find_photos,
    job_key,
)
from wearscope.drawer.pool import Crash
from wearscope.drawer.store import Store, tidy, write_whole
from wearscope.errors import RecordsError
from wearscope.grading.decide import Grade, worst
from wearscope.inspection import Inspection, from_document, join

__all__ = ["Cutter", "Drawer", "Engine", "Look", "grade_drawer", "writing_to"]

Look: TypeAlias = Callable[[Bench, Job], Seen]
"""Must be importable by name: it runs in another process."""
Engine: TypeAlias = Callable[
    [Iterable[Job | None], Callable[[Job], Seen]], Iterator[tuple[Job, Seen | Crash]]
]
"""What gets the jobs done, here or elsewhere; `wearscope.drawer.pool.run` with a number of workers is one."""


@dataclass(frozen=True, slots=True)
class Cutter:
    """What a drawer's photos say about one cutter.

    `inspection` is None where none of its photos could be used; `pictures` and `thumbnails` belong to the
    photos of the inspection, by photo name, relative to the output folder; `failed` maps photo names to reasons.
    """

    name: str
    inspection: Inspection | None
    pictures: dict[str, str]
    thumbnails: dict[str, str]
    failed: dict[str, str]

    @property
    def grade(self) -> Grade:
        """The inspection's grade; a photo that could not be used counts as retake."""
        seen: list[Grade] = [self.inspection.grade] if self.inspection else []
        unusable: list[Grade] = ["retake"] if self.failed else []
        return worst(seen + unusable)


@dataclass(slots=True)
class Drawer:
    """All results of a folder; the documents stay on disk until they are asked for.

    `keys` maps photo names to result keys; `failed` (by name) and `crashed` (by key) hold reasons that are
    not kept, so that the next run tries again. `labels` maps photo names to the cutter that a label in the picture
    names. `done_now`: results that this run added.
    """

    folder: Path
    out: Path
    bench: Bench
    known: Known
    keys: dict[str, str] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    crashed: dict[str, str] = field(default_factory=dict)
    labels: dict[str, str] = field(default_factory=dict)
    done_now: int = 0

    @property
    def store(self) -> Store:
        """Where the results are kept."""
        return Store(self.out / "results")

    def names_by_cutter(self) -> dict[str, list[str]]:
        """Photo names of each cutter, in the order of the photos."""
        grouped: dict[str, list[str]] = {}
        for name in sorted({*self.keys, *self.failed}):
            grouped.setdefault(self.cutter_of(name), []).append(name)
        return grouped

    def cutter_of(self, name: str) -> str:
        """The cutter that a photo shows: as somebody said, else as a label in it says, else one of its own."""
        return self.known.shown(name).cutter or self.labels.get(name) or name

    def cutters(self) -> Iterator[Cutter]:
        """Every cutter, one at a time."""
        for cutter, names in self.names_by_cutter().items():
            yield self.cutter(cutter, names)

    def cutter(self, cutter: str, names: list[str]) -> Cutter:
        """One cutter with the photos of these names."""
        failed = {name: self.failed[name] for name in names if name in self.failed}
        inspections, pictures, thumbnails = [], {}, {}
        for name in names:
            if name in failed:
                continue
            key = self.keys[name]
            document = self.store.get(key)
            if document is None:
                failed[name] = self.crashed.get(key, "its result has vanished; run the same command again")
            elif document["inspection"] is None:
                failed[name] = document["reason"]
            else:
                inspections.append(_renamed(from_document(document["inspection"]), str(self.folder / name)))
                pictures[name] = name + ANNOTATED
                thumbnails[name] = self.store.path(key, THUMBNAIL).relative_to(self.out).as_posix()
        joined = join(inspections, limits=self.bench.limits) if inspections else None
        return Cutter(cutter, joined, pictures, thumbnails, failed)

    def planned(self, name: str) -> Job | None:
        """The job of one photo; None, and a reason kept, where the file cannot be read."""
        path, shown = self.folder / name, self.known.shown(name)
        self.failed.pop(name, None)
        try:
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            self.failed[name] = f"{path}: cannot be read ({error.strerror})"
            return None
        key = job_key(digest, shown, self.bench)
        self.keys[name] = key
        return Job(key, name, str(path), shown)

    def is_done(self, job: Job) -> bool:
        """Whether there is a result of this very job, with its pictures, for what is known about the cutter now."""
        document = self.store.get(job.key)
        if document is None:
            return False
        label = document.get("label", "")
        if label and not job.shown.cutter and document["facts"] != self.known.facts_text(label):
            return False
        self._label(job.name, label)
        pictures = (self.out / (job.name + ANNOTATED), self.store.path(job.key, THUMBNAIL))
        return document["inspection"] is None or all(picture.exists() for picture in pictures)

    def keep(self, job: Job, result: Seen | Crash) -> None:
        """Write what a worker found: pictures first, the document last, for the document says "done"."""
        if isinstance(result, Crash):
            self.crashed[job.key] = result.reason
            return
        self.crashed.pop(job.key, None)
        document = {"inspection": result.document, "reason": result.reason}
        if result.label:
            document |= {"label": result.label, "facts": self.known.facts_text(result.label)}
        with writing_to(self.out):
            if result.document is not None:
                write_whole(self.out / (job.name + ANNOTATED), result.picture)
                write_whole(self.store.path(job.key, THUMBNAIL), result.thumbnail)
            self.store.put(job.key, document)
        self._label(job.name, result.label)
        self.done_now += 1

    def forget(self, name: str) -> None:
        """A photo that is not there any more."""
        for known in (self.keys, self.failed, self.labels):
            known.pop(name, None)

    def _label(self, name: str, label: str) -> None:
        if label:
            self.labels[name] = label
        else:
            self.labels.pop(name, None)

    def share_pictures(self, first: dict[str, str]) -> None:
        """A photo that lies there twice is looked at once; its picture, and what its label says, go with both names.

        `first` names the photo that was looked at, by key.
        """
        for name, key in self.keys.items():
            twin = first.get(key, name)
            if twin in self.labels:
                self.labels[name] = self.labels[twin]
            own, other = self.out / (name + ANNOTATED), self.out / (twin + ANNOTATED)
            if not own.exists() and other.exists():
                with writing_to(self.out):
                    write_whole(own, other.read_bytes())


def _renamed(inspection: Inspection, path: str) -> Inspection:
    """The same bytes may lie under another name now."""
    return replace(inspection, photos=tuple(replace(photo, path=path) for photo in inspection.photos))


def grade_drawer(
    folder: Path,
    *,
    out: Path,
    bench: Bench,
    known: Known,
    look: Look,
    engine: Engine,
    tell_total: Callable[[int], None] = lambda total: None,
    tell: Callable[[], None] = lambda: None,
) -> Drawer:
    """Look at every photo below `folder` that has no result in `out` yet.

    `known` says what photos show (`read_cutters`); one that it names and that is not there is a failed photo.
    `tell_total` is called with the number of photos, then `tell` for each photo that is done. Only this process writes: the pictures of a photo first, its
    document last, each file whole or not at all. So a run may be killed at any moment, or run twice at a time.
    """
    drawer = Drawer(folder, out, bench, known)
    tidy(out)
    names = list(find_photos(folder))
    absent = sorted(set(known.photos) - set(names))
    drawer.failed |= dict.fromkeys(absent, "named in cutters.csv, but there is no such photo in the folder")
    first: dict[str, str] = {}

    def jobs() -> Iterator[Job]:
        for name in names:
            job = drawer.planned(name)
            if job is None or drawer.is_done(job) or first.setdefault(job.key, name) != name:
                tell()
            else:
                yield job

    tell_total(len(names))
    for job, result in engine(jobs(), partial(look, bench)):
        drawer.keep(job, result)
        tell()
    drawer.share_pictures(first)
    return drawer


@contextmanager
def writing_to(out: Path) -> Iterator[None]:
    """Say in words that something cannot be written, and what to do."""
    try:
        yield
    except OSError as error:
        raise RecordsError(
            f"{out}: cannot be written ({error.strerror}); what is done is kept: "
            "make room there, then run the same command again"
        ) from error
