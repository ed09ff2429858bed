"""The drawer on a Dask distributed scheduler: the same results, also when a worker dies."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from drawer_fakes import slow_look, write_photo
from test_drawer import SAMPLES, TESTS, command, grade

from wearscope.drawer.cluster import on_cluster
from wearscope.drawer.run import Drawer
from wearscope.drawer.tables import write_tables
from wearscope.errors import InputError

pytest.importorskip("distributed", reason="the extra cluster is not installed")
START = "from distributed.cli.dask_{0} import main; main()"


@dataclass
class Cluster:
    """A scheduler and worker processes on loopback."""

    address: str
    workers: list["subprocess.Popen[bytes]"]


def _start(what: str, *words: str, log: Path) -> "subprocess.Popen[bytes]":
    with log.open("wb") as lines:
        return subprocess.Popen(
            [sys.executable, "-c", START.format(what), *words],
            env=os.environ | {"PYTHONPATH": os.pathsep.join([str(TESTS), *sys.path])},
            stdout=lines,
            stderr=subprocess.STDOUT,
        )


def _wait(until: Callable[[], bool], log: Path) -> None:
    deadline = time.monotonic() + 120
    while not until():
        assert time.monotonic() < deadline, log.read_text()
        time.sleep(0.05)


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    file, logs = tmp_path / "scheduler.json", [tmp_path / f"log{n}" for n in range(3)]
    local = ("--host", "127.0.0.1", "--no-dashboard")
    scheduler = _start("scheduler", *local, "--port", "0", "--scheduler-file", str(file), log=logs[0])
    started = [scheduler]
    try:
        _wait(file.exists, logs[0])
        _wait(lambda: bool(file.read_text().strip()), logs[0])
        address = json.loads(file.read_text())["address"]
        for n in (1, 2):
            words = (*local, "--nthreads", "1", "--no-nanny", "--local-directory", str(tmp_path / f"w{n}"))
            started.append(_start("worker", address, *words, log=logs[n]))
        _wait(lambda: all("Registered to" in log.read_text() for log in logs[1:]), logs[1])
        yield Cluster(address, started[1:])
    finally:
        for process in started:
            process.kill()
        for process in started:
            process.wait(30)


def files(out: Path) -> dict[str, bytes]:
    """Everything that was written, except for what names the folder itself."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file()
    }


def test_a_worker_killed_midway_costs_nothing(tmp_path: Path, cluster: Cluster) -> None:
    """Fake work, 120 photos; after a third of them one worker process is killed: the same files, byte by byte."""
    photos = tmp_path / "photos"
    for n in range(120):
        write_photo(photos / f"{n % 3}/{n:03d}.png", ("sharp", "worn", "discard")[n % 3], n)

    def graded(out: Path, **options: object) -> Drawer:
        drawer = grade(photos, out, look=slow_look, **options)
        write_tables(drawer)
        return drawer

    done = 0

    def tell() -> None:
        nonlocal done
        done += 1
        if done == 40:
            cluster.workers[0].send_signal(signal.SIGKILL)

    with on_cluster(cluster.address) as engine:
        far = graded(tmp_path / "far", engine=engine, tell=tell)
    assert cluster.workers[0].wait(30) == -signal.SIGKILL
    assert far.done_now == 120 and not far.crashed
    graded(tmp_path / "near")
    assert files(tmp_path / "far") == files(tmp_path / "near")


def test_the_sample_drawer_by_the_command_with_photos_at_a_url(tmp_path: Path, cluster: Cluster) -> None:
    """Real work, once here and once there, where the workers fetch the photos by fsspec: everything is the same."""
    photos = tmp_path / "photos"
    photos.mkdir()
    for name in ("slot03_flat3_carbide_backlit.jpg", "slot12_empty.jpg"):
        shutil.copy(SAMPLES / name, photos)
    (photos / "damaged.jpg").write_bytes((photos / "slot12_empty.jpg").read_bytes()[:999])
    results = {}
    for out, words in (
        ("near", ["--workers", 1]),
        ("far", ["--cluster", cluster.address, "--photos-url", photos.as_uri()]),
    ):
        process = command(photos, "--px-per-mm", 280, "--out", tmp_path / out, "--json", *words)
        results[out], stderr = process.communicate(timeout=300)
        assert process.returncode == 4, stderr
    assert results["far"] == results["near"]
    assert files(tmp_path / "far") == files(tmp_path / "near")


@pytest.mark.slow
def test_the_sample_drawer_many_times_over_with_a_worker_killed(tmp_path: Path, cluster: Cluster) -> None:
    """All samples, eight times over as files of different bytes (what follows the end of a JPEG is no picture)."""
    photos = tmp_path / "photos"
    photos.mkdir()
    for sample in SAMPLES.glob("*.jpg"):
        for n in range(8):
            (photos / f"{n}-{sample.name}").write_bytes(sample.read_bytes() + bytes([n]))
    far = command(
        photos, "--px-per-mm", 280, "--out", tmp_path / "far", "--cluster", cluster.address, "--json"
    )
    results = tmp_path / "far/results"
    while len(list(results.glob("*/*.json"))) < 30:
        assert far.poll() is None
        time.sleep(0.1)
    cluster.workers[1].send_signal(signal.SIGKILL)
    stdout, stderr = far.communicate(timeout=3000)
    assert far.returncode == 3, stderr
    near = command(photos, "--px-per-mm", 280, "--out", tmp_path / "near", "--json")
    assert near.communicate(timeout=3000)[0] == stdout
    assert files(tmp_path / "far") == files(tmp_path / "near")


def test_no_scheduler_there_is_said() -> None:
    with (
        pytest.raises(InputError, match=r"tcp://127\.0\.0\.1:1: no scheduler answers"),
        on_cluster("tcp://127.0.0.1:1", patience_s=1),
    ):
        pass
    with pytest.raises(InputError, match="give its address as tcp"), on_cluster("nonsense://x", patience_s=1):
        pass


def test_a_url_without_a_cluster_is_wrong_use(tmp_path: Path) -> None:
    process = command(tmp_path, "--px-per-mm", 100, "--photos-url", "s3://bucket")
    assert "give --cluster too" in process.communicate(timeout=60)[1]
    assert process.returncode == 2
