"""Many jobs through a pool of freshly started processes: bounded memory, one bad job is one bad result.

Nothing here knows about photos. Workers only compute; whatever is written is written by the caller.
"""

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from typing import TypeVar

from wearscope.threads import single_threaded

__all__ = ["Crash", "run", "usable_cores"]

Job = TypeVar("Job")
Result = TypeVar("Result")
PAUSE_S = 0.5
"""How long is waited before jobs are asked for again when there was none for now."""
IN_FLIGHT_PER_WORKER = 3
"""Enough that no worker waits for the parent, few enough that memory stays flat."""


@dataclass(frozen=True, slots=True)
class Crash:
    """Stands for the result of a job whose worker raised something unforeseen, or died."""

    reason: str


def usable_cores() -> int:
    """Cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def run(
    jobs: Iterable[Job | None], work: Callable[[Job], Result], *, workers: int
) -> Iterator[tuple[Job, Result | Crash]]:
    """Yield each job with its result, in the order in which they get done.

    `work` must be importable by name; jobs and results must pickle. A None among the jobs says that there is none
    for now: they are asked for again a moment later. When a worker dies (out of memory, say),
    the jobs in flight are done again one by one, and only the one that kills a worker on its own gets a `Crash`.
    """
    waiting = iter(jobs)
    suspects: list[Job] = []
    yield from _until_broken(waiting, work, workers, workers * IN_FLIGHT_PER_WORKER, suspects)
    while suspects:
        alone: Iterator[Job | None] = iter(suspects)
        suspects = []
        while True:
            killed: list[Job] = []
            yield from _until_broken(alone, work, 1, 1, killed)
            if not killed:
                break
            yield killed[0], Crash("the analysis of this photo was killed; is there enough memory?")
        yield from _until_broken(waiting, work, workers, workers * IN_FLIGHT_PER_WORKER, suspects)


def _until_broken(
    waiting: Iterator[Job | None],
    work: Callable[[Job], Result],
    workers: int,
    in_flight: int,
    suspects: list[Job],
) -> Iterator[tuple[Job, Result | Crash]]:
    """As `run`, until the jobs are done or a worker dies; then `suspects` holds the jobs that were in flight."""
    flying: dict[Future[Result], Job] = {}
    pool = _pool(workers)
    try:
        while True:
            idle = False
            if not suspects:
                for job in islice(waiting, in_flight - len(flying)):
                    if job is None:
                        idle = True
                        break
                    try:
                        with _interrupts_held():
                            flying[pool.submit(work, job)] = job
                    except BrokenProcessPool:
                        suspects.append(job)
                        break
            if not flying and idle:
                time.sleep(PAUSE_S)
                continue
            if not flying:
                return
            for future in wait(flying, PAUSE_S if idle else None, FIRST_COMPLETED).done:
                job = flying.pop(future)
                error = future.exception()
                if isinstance(error, BrokenProcessPool):
                    suspects.append(job)
                else:
                    yield job, Crash(f"{type(error).__name__}: {error}") if error else future.result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _pool(workers: int) -> ProcessPoolExecutor:
    single_threaded()
    spawn = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=spawn, initializer=_start_worker)


def _start_worker() -> None:
    """One thread per worker; Ctrl-C is the parent's business; no parent, no worker."""
    import cv2

    cv2.setNumThreads(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Keep Ctrl-C back while a worker starts: it inherits the hold and is not killed half-way into its imports."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
