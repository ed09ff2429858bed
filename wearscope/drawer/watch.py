"""Photos graded as they arrive in a folder, until somebody stops it."""

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from wearscope.drawer.plan import FACTS_FILE, Bench, Job, Known, find_photos
from wearscope.drawer.run import Drawer, Engine, Look
from wearscope.drawer.store import tidy
from wearscope.errors import InputError

__all__ = ["Arrivals", "watch_drawer"]

SETTLED_S = 2.0
"""A file that did not change for this long is taken as written, if it ends as such a file ends."""
PATIENCE_S = 30.0
"""After this long without a change a file is taken as it is; a copy over a slow network may rest for seconds."""
_ENDS = {".jpg": b"\xff\xd9", ".jpeg": b"\xff\xd9", ".png": b"IEND\xae\x42\x60\x82"}
"""The last marker of JPEG (ITU-T T.81, EOI) and the last chunk of PNG (ISO/IEC 15948)."""
_TAIL = 4096
"""Cameras put a little after the end of a JPEG; the marker is looked for in so many last bytes."""

Stamp = tuple[int, int]


@dataclass(slots=True)
class Arrivals:
    """Files of a folder that are there and whole; `clock` counts seconds."""

    folder: Path
    clock: Callable[[], float] = time.monotonic
    _since: dict[str, tuple[Stamp, float]] = field(default_factory=dict)
    _given: dict[str, Stamp] = field(default_factory=dict)

    def new(self) -> Iterator[str]:
        """Names of the photos that came or changed and have settled since they were asked for last."""
        now, names = self.clock(), list(find_photos(self.folder))
        for name in names:
            stamp = _stamp(self.folder / name)
            if stamp is None or self._given.get(name) == stamp:
                continue
            known, since = self._since.get(name, (None, now))
            if known != stamp:
                self._since[name] = stamp, now
            elif now - since >= (SETTLED_S if _ends_well(self.folder / name) else PATIENCE_S):
                self._given[name] = stamp
                yield name

    def gone(self) -> list[str]:
        """Names given before that are not there any more."""
        gone = [name for name in self._given if not (self.folder / name).exists()]
        for name in gone:
            del self._given[name], self._since[name]
        return gone

    def again(self) -> None:
        """Give all names once more."""
        self._given.clear()


def _stamp(path: Path) -> Stamp | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _ends_well(path: Path) -> bool:
    end = _ENDS.get(path.suffix.lower())
    if end is None:
        return True
    try:
        with path.open("rb") as file:
            file.seek(max(0, path.stat().st_size - _TAIL))
            return end in file.read()
    except OSError:
        return False


def watch_drawer(
    folder: Path,
    *,
    out: Path,
    bench_for: Callable[[Known], Bench],
    read_known: Callable[[], Known],
    look: Look,
    engine: Engine,
    tell: Callable[[Drawer, str], None],
    settled: Callable[[Drawer], None],
    complain: Callable[[str], None],
) -> None:
    """Grade what is in `folder` and what comes, until KeyboardInterrupt, which passes through.

    `tell` is called with the name of each photo that is done now, `settled` whenever nothing waits any more and
    something is new, and at the end. `cutters.csv` may change meanwhile: `read_known` reads it, and `complain` gets
    what is wrong with it.
    """
    arrivals, known = Arrivals(folder), read_known()
    tidy(out)
    while True:
        drawer = Drawer(folder, out, bench_for(known), known)
        _watch(drawer, arrivals, look, engine, tell, settled)
        arrivals.again()
        try:
            known = read_known()
        except InputError as error:
            complain(str(error))


def _watch(
    drawer: Drawer,
    arrivals: Arrivals,
    look: Look,
    engine: Engine,
    tell: Callable[[Drawer, str], None],
    settled: Callable[[Drawer], None],
) -> None:
    """Until `cutters.csv` changes."""
    facts = _stamp(drawer.folder / FACTS_FILE)
    flying: set[str] = set()
    first: dict[str, str] = {}
    changed = False

    def settle() -> None:
        nonlocal changed
        if changed:
            drawer.share_pictures(first)
            settled(drawer)
            changed = False

    def jobs() -> Iterator[Job | None]:
        nonlocal changed
        while _stamp(drawer.folder / FACTS_FILE) == facts:
            for name in arrivals.gone():
                drawer.forget(name)
                changed = True
            for name in arrivals.new():
                job = drawer.planned(name)
                changed = True
                if job is not None and not drawer.is_done(job) and job.key not in flying:
                    flying.add(job.key)
                    first[job.key] = name
                    yield job
            if not flying:
                settle()
            yield None

    try:
        for job, result in engine(jobs(), partial(look, drawer.bench)):
            drawer.keep(job, result)
            flying.discard(job.key)
            tell(drawer, job.name)
    finally:
        settle()
