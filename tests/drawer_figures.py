"""What a drawer of many photos costs: memory, time per photo, the second run, two cores.

    python tests/drawer_figures.py FOLDER [PHOTOS] [--real]

Draws PHOTOS small photos (10000) below FOLDER and grades the first tenth, then all, then all once more, each in a process
of its own; prints peak memory of that process, and times. Without --real a stand-in takes the place of measuring.
"""

import json
import resource
import subprocess
import sys
import time
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from drawer_fakes import fake_look, write_photo

from wearscope.drawer.plan import Bench, Known
from wearscope.drawer.pool import run
from wearscope.drawer.run import grade_drawer
from wearscope.drawer.tables import write_tables
from wearscope.drawer.work import look
from wearscope.grading.limits import load_limits
from wearscope.pipeline import TypedScale


def busy(job: int) -> int:
    """A fixed amount of arithmetic, as long as a small photo takes."""
    data = np.arange(40_000.0)
    for _ in range(300):
        data = np.sqrt(data + 1.0)
    return job


def grade(folder: Path, out: Path, *, real: bool, workers: int = 2) -> dict[str, float]:
    """Grade a folder here; seconds, seconds of processor (workers too), photos looked at, this process's peak memory in MB."""
    begun = time.perf_counter()
    bench = Bench(TypedScale(280.0), "typed", load_limits())
    drawer = grade_drawer(
        folder,
        out=out,
        bench=bench,
        known=Known(),
        look=look if real else fake_look,
        engine=partial(run, workers=workers),
    )
    write_tables(drawer)
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform == "linux" else 1 << 20)
    return {
        "photos": len(drawer.keys),
        "looked_at": drawer.done_now,
        "s": time.perf_counter() - begun,
        "cpu_s": sum(one.ru_utime + one.ru_stime for one in used),
        "peak_mb": peak,
    }


def apart(folder: Path, out: Path, *, real: bool) -> dict[str, float]:
    """`grade` in a process of its own."""
    words = [sys.executable, __file__, "--grade", str(folder), str(out), *(["--real"] if real else [])]
    found: dict[str, float] = json.loads(subprocess.run(words, check=True, capture_output=True).stdout)
    return found


def draw(folder: Path, photos: int, *, first: int = 0) -> None:
    """Small photos, all different, a thousand in each folder."""
    for n in range(first, first + photos):
        write_photo(folder / f"{n // 1000:03d}" / f"{n:06d}.png", ("sharp", "worn")[n % 2], n)


def two_cores(jobs: int = 400) -> tuple[float, float]:
    """Speed-up of two workers over one in the pool, and of two bare processes over one, at the same work."""
    pool = [_timed(lambda w=w: list(run(range(jobs), busy, workers=w))) for w in (1, 2)]  # type: ignore[misc]
    bare = [_timed(lambda w=w: _bare(jobs, w)) for w in (1, 2)]  # type: ignore[misc]
    return pool[0] / pool[1], bare[0] / bare[1]


def _timed(what) -> float:  # type: ignore[no-untyped-def]
    begun = time.perf_counter()
    what()
    return time.perf_counter() - begun


def _bare(jobs: int, processes: int) -> None:
    spawn = get_context("spawn")
    started = [spawn.Process(target=_share, args=(jobs // processes,)) for _ in range(processes)]
    for process in started:
        process.start()
    for process in started:
        process.join()


def _share(jobs: int) -> None:
    cv2.setNumThreads(1)
    for n in range(jobs):
        busy(n)


def main(folder: Path, photos: int, real: bool) -> None:
    """Print the figures."""
    few, many = folder / "few", folder / "many"
    draw(few, photos // 10)
    draw(many, photos)
    for what, photos_in, out in (
        ("first tenth", few, "out-few"),
        ("all", many, "out-many"),
        ("all once more", many, "out-many"),
    ):
        r = apart(photos_in, folder / out, real=real)
        print(
            f"{what:14} {r['photos']:6.0f} photos, {r['looked_at']:6.0f} looked at, {r['s']:8.1f} s, "
            f"{1000 * r['s'] / r['photos']:7.2f} ms a photo, {1000 * r['cpu_s'] / r['photos']:7.2f} ms of "
            f"processor, peak {r['peak_mb']:6.1f} MB",
            flush=True,
        )
    pool, bare = two_cores()
    print(f"two cores: the pool gains {pool:.2f}, two bare processes {bare:.2f}")


if __name__ == "__main__":
    if sys.argv[1] == "--grade":
        print(json.dumps(grade(Path(sys.argv[2]), Path(sys.argv[3]), real="--real" in sys.argv)))
    else:
        words = [word for word in sys.argv[1:] if word != "--real"]
        main(Path(words[0]), int(words[1]) if len(words) > 1 else 10_000, "--real" in sys.argv)
