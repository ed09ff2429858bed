"""The same work on an existing Dask distributed scheduler (https://distributed.dask.org), which must run the same wearscope.

Workers read the photos where this process sees them, or below a URL that they reach (`fsspec`). Only this process writes.
"""

import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path, PurePosixPath
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any

from wearscope import __version__
from wearscope.drawer.plan import Job, Seen
from wearscope.drawer.pool import PAUSE_S, Crash
from wearscope.errors import InputError

if TYPE_CHECKING:
    from distributed import Client, Future

__all__ = ["Work", "on_cluster"]

Work = Callable[[Job], Seen]
IN_FLIGHT_PER_THREAD = 3
"""As in the local pool: no worker waits for this process, and memory stays flat."""


@contextmanager
def on_cluster(
    address: str, *, photos_url: str = "", patience_s: float = 10.0
) -> Iterator[Callable[[Iterable[Job | None], Work], Iterator[tuple[Job, Seen | Crash]]]]:
    """What gets jobs done on the scheduler at `address` (tcp://host:port).

    `photos_url` is where the workers find the folder of photos, such as file:///mnt/photos or s3://bucket/photos; without it
    they open the same paths as this process. Raises InputError where no scheduler answers, its workers run another
    version, or the extra is missing.
    """
    client = _client(address, patience_s)
    try:
        _check_versions(client, address)
        yield partial(_run, client, photos_url)
    finally:
        client.close()


def _client(address: str, patience_s: float) -> "Client":
    try:
        from distributed import Client
    except ImportError as error:
        raise InputError("--cluster needs an extra: pip install 'wearscope[cluster]'") from error
    try:
        return Client(address, timeout=patience_s, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(
            f"--cluster {address}: no scheduler answers there; start one with `dask scheduler` and workers with "
            "`dask worker`, and give its address as tcp://host:port"
        ) from error


def _check_versions(client: "Client", address: str) -> None:
    """Results must not depend on who made them."""
    try:
        found = set(client.run(_version).values())
    except ImportError as error:
        raise InputError(
            f"--cluster {address}: its workers have no wearscope ({error}); install it there"
        ) from error
    if not found:
        raise InputError(
            f"--cluster {address}: the scheduler has no workers yet; start some with `dask worker`"
        )
    if found != {__version__}:
        raise InputError(
            f"--cluster {address}: workers run wearscope {', '.join(sorted(found))}, here it is {__version__}; "
            "install the same everywhere"
        )


def _version() -> str:
    from wearscope import __version__

    return __version__


def _run(
    client: "Client", photos_url: str, jobs: Iterable[Job | None], work: Work
) -> Iterator[tuple[Job, Seen | Crash]]:
    """Yield each job with its result, as they get done. What a lost worker had is done by others."""
    waiting, flying, done = iter(jobs), dict[Any, Job](), SimpleQueue[Any]()
    task = partial(_task, work, photos_url)
    ended = False
    while flying or not ended:
        while not ended and len(flying) < _room(client):
            try:
                job = next(waiting)
            except StopIteration:
                ended = True
                break
            if job is None:
                break
            future = client.submit(task, job, key=f"wearscope-{job.key}", pure=False)
            flying[future] = job
            future.add_done_callback(done.put)
        with suppress(Empty):
            future = done.get(timeout=PAUSE_S)
            yield flying.pop(future), _result(future)


def _room(client: "Client") -> int:
    threads: int = sum(client.nthreads().values())
    return max(1, IN_FLIGHT_PER_THREAD * threads)


def _result(future: "Future") -> Seen | Crash:
    error = future.exception()
    if error is not None:
        return Crash(f"{type(error).__name__}: {error}")
    seen: Seen = future.result()
    return seen


def _task(work: Work, photos_url: str, job: Job) -> Seen:
    """In the worker: one photo, one thread, as at home."""
    import cv2

    cv2.setNumThreads(1)
    if not photos_url:
        return work(job)
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / PurePosixPath(job.name).name
        _fetch(f"{photos_url.rstrip('/')}/{job.name}", copy)
        return _renamed(work(replace(job, path=str(copy))), str(copy), job.path)


def _fetch(url: str, copy: Path) -> None:
    import fsspec

    with fsspec.open(url, "rb") as remote:
        copy.write_bytes(remote.read())


def _renamed(seen: Seen, copy: str, path: str) -> Seen:
    """The photo's own path in place of the copy's, so that the result is the same as at home."""
    if seen.document is None:
        return replace(seen, reason=seen.reason.replace(copy, path))
    photos = [photo | {"path": path} for photo in seen.document["photos"]]
    return replace(seen, document=seen.document | {"photos": photos})
