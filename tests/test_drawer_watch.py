"""Photos graded as they arrive: whole ones only, changed ones again, until Ctrl-C."""

import csv
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from drawer_fakes import fake_look, write_photo

from wearscope.drawer.plan import Bench, read_cutters
from wearscope.drawer.run import Drawer
from wearscope.drawer.watch import PATIENCE_S, SETTLED_S, Arrivals, watch_drawer
from wearscope.grading.limits import load_limits


def encoded(ending: str) -> bytes:
    done, data = cv2.imencode(ending, np.full((40, 60, 3), 128, np.uint8))
    assert done
    return data.tobytes()


class Hand:
    """A clock moved by hand."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def arrivals(tmp_path: Path) -> Iterator[tuple[Arrivals, Hand]]:
    hand = Hand()
    yield Arrivals(tmp_path, hand), hand


@pytest.mark.parametrize("ending", [".jpg", ".png"])
def test_a_half_written_file_is_waited_for(
    tmp_path: Path, arrivals: tuple[Arrivals, Hand], ending: str
) -> None:
    """Half a file rests for longer than a whole one has to: it is not taken. The whole one is, once."""
    watched, hand = arrivals
    whole, path = encoded(ending), tmp_path / f"a{ending}"
    path.write_bytes(whole[: len(whole) // 2])
    for _ in range(4):
        assert list(watched.new()) == []
        hand.now += SETTLED_S
    path.write_bytes(whole)
    assert list(watched.new()) == []
    hand.now += SETTLED_S
    assert list(watched.new()) == [path.name]
    hand.now += 10 * PATIENCE_S
    assert list(watched.new()) == []


def test_a_file_that_is_never_finished_is_taken_in_the_end(
    tmp_path: Path, arrivals: tuple[Arrivals, Hand]
) -> None:
    watched, hand = arrivals
    (tmp_path / "a.jpg").write_bytes(encoded(".jpg")[:200])
    assert list(watched.new()) == []
    hand.now += PATIENCE_S
    assert list(watched.new()) == ["a.jpg"]


def test_changed_and_removed_files(tmp_path: Path, arrivals: tuple[Arrivals, Hand]) -> None:
    watched, hand = arrivals
    path = tmp_path / "a.bmp"
    path.write_bytes(b"one")
    list(watched.new())
    hand.now += SETTLED_S
    assert list(watched.new()) == ["a.bmp"]
    path.write_bytes(b"another")
    assert list(watched.new()) == []
    hand.now += SETTLED_S
    assert list(watched.new()) == ["a.bmp"]
    path.unlink()
    assert watched.gone() == ["a.bmp"]
    assert watched.gone() == []


def test_facts_that_change_meanwhile_are_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A photo comes, is graded as a cutter of its own, then `cutters.csv` says whose it is; a bad line is complained of."""
    monkeypatch.setattr("wearscope.drawer.watch.SETTLED_S", 0.0)
    photos, facts = tmp_path / "photos", tmp_path / "photos/cutters.csv"
    write_photo(photos / "a.png", "worn", 1)
    told: list[str] = []
    complaints: list[str] = []

    def interrupt() -> None:
        raise KeyboardInterrupt

    steps = iter(
        [
            lambda: facts.write_text("file,cutter\na.png,slot 1\n"),
            lambda: facts.write_text("file,cutter\na.png,slot 1,x\n"),
            interrupt,
        ]
    )

    def here(jobs, work):  # type: ignore[no-untyped-def]
        for job in jobs:
            if job is not None:
                yield job, work(job)

    def settled(drawer: Drawer) -> None:
        told.extend(cutter.name for cutter in drawer.cutters())
        for step in steps:
            step()
            break

    with pytest.raises(KeyboardInterrupt):
        watch_drawer(
            photos,
            out=tmp_path / "out",
            bench_for=lambda known: Bench(None, "typed 100.0 px/mm", load_limits()),  # type: ignore[arg-type]
            read_known=lambda: read_cutters(facts),
            look=fake_look,
            engine=here,
            tell=lambda drawer, name: None,
            settled=settled,
            complain=complaints.append,
        )
    assert told == ["a.png", "slot 1", "slot 1", "slot 1"]  # once more at the end
    assert len(complaints) == 1 and "line" in complaints[0]


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups here")
def test_the_command_watches_until_ctrl_c(tmp_path: Path) -> None:
    photos, out, log = tmp_path / "photos", tmp_path / "out", tmp_path / "log"
    photos.mkdir()
    write_photo(tmp_path / "first.png", "worn", 1)
    whole = (tmp_path / "first.png").read_bytes()
    with log.open("w") as errors:
        process = subprocess.Popen(
            [
                sys.executable, "-c", "from wearscope.cli import main; main()", "drawer", str(photos), "--watch",
                "--px-per-mm", "100", "--out", str(out), "--workers", "1",
            ],
            stdout=subprocess.PIPE, stderr=errors, text=True, start_new_session=True,
        )  # fmt: skip

    def wait(until: Callable[[], bool]) -> None:
        deadline = time.monotonic() + 120
        while not until():
            assert process.poll() is None and time.monotonic() < deadline, log.read_text()
            time.sleep(0.05)

    wait(lambda: "watching" in log.read_text())
    (photos / "a.png").write_bytes(whole[:-20])
    write_photo(photos / "b.png", "worn", 2)
    wait(lambda: "b.png" in log.read_text())
    assert "a.png" not in log.read_text()
    (photos / "a.png").write_bytes(whole)
    wait(lambda: "a.png" in log.read_text())
    os.killpg(process.pid, signal.SIGINT)
    stdout, _ = process.communicate(timeout=60)
    assert process.returncode == 4
    assert "Traceback" not in log.read_text() and "stopped" in log.read_text()
    assert "a.png" in stdout and "b.png" in stdout
    assert {row["file"] for row in csv.DictReader((out / "drawer.csv").read_text().splitlines())} == {
        "a.png",
        "b.png",
    }
