"""What a drawer's photos say, written into the records: once, whatever happens on the way."""

import os
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import pytest
from drawer_fakes import fake_look, write_photo

from wearscope.cli.recording import all_recorded_facts, keep_drawer
from wearscope.drawer.plan import Bench, Known, Shown, name_pattern
from wearscope.drawer.pool import run
from wearscope.drawer.run import Drawer, grade_drawer
from wearscope.errors import InputError
from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.records.store import open_records

KNOWN = Known(pattern=name_pattern("{cutter}_flute{flute}"))
BENCH = Bench(None, "typed 100.0 px/mm", load_limits())  # type: ignore[arg-type]


def graded(folder: Path, known: Known = KNOWN) -> Drawer:
    return grade_drawer(
        folder,
        out=folder.parent / "out",
        bench=BENCH,
        known=known,
        look=fake_look,
        engine=partial(run, workers=1),
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    photos = tmp_path / "photos"
    for number, grade in enumerate(("sharp", "worn", "discard")):
        for flute in (1, 2):
            write_photo(photos / f"slot-{number}_flute{flute}.png", grade, 10 * number + flute)
    return photos


def add(url: str, *names: str) -> None:
    with open_records(url) as records:
        for name in names:
            records.add_cutter(name, Facts.given(kind="flat", diameter_mm=6.0, flutes=2))


def recorded(url: str, *names: str) -> list[list[str]]:
    with open_records(url) as records:
        assert records.changed() == []
        return [[row.grade for row in records.inspections(name)] for name in names]


def test_each_known_cutter_is_recorded_once_and_the_others_are_named(
    folder: Path, records_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    add(records_url, "slot-0", "slot-1")
    for _ in range(2):
        keep_drawer(graded(folder), records_url, None)
    assert recorded(records_url, "slot-0", "slot-1") == [["sharp"], ["worn"]]
    said = capsys.readouterr().err
    assert "2 inspections recorded" in said
    assert "0 inspections recorded" in said
    assert "slot-2" in said
    assert "wearscope cutter add" in said


def test_a_new_photo_is_a_new_inspection(folder: Path, records_url: str) -> None:
    add(records_url, "slot-0")
    keep_drawer(graded(folder), records_url, None)
    write_photo(folder / "slot-0_flute1.png", "worn", 77)
    keep_drawer(graded(folder), records_url, None)
    assert recorded(records_url, "slot-0") == [["sharp", "worn"]]


def test_two_runs_at_the_same_time_record_each_cutter_once(folder: Path, records_url: str) -> None:
    names = [f"slot-{n}" for n in range(3)]
    add(records_url, *names)
    drawers = [graded(folder), graded(folder)]
    with ThreadPoolExecutor(2) as both:
        list(both.map(lambda drawer: keep_drawer(drawer, records_url, None), drawers))
    assert [len(rows) for rows in recorded(records_url, *names)] == [1, 1, 1]


RUN = """
import sys
sys.path.insert(0, {tests!r})
from pathlib import Path
from test_drawer_records import graded, keep_drawer
keep_drawer(graded(Path({folder!r})), {url!r}, None)
"""


def test_killed_at_any_moment_and_started_again_each_cutter_is_recorded_once(tmp_path: Path) -> None:
    folder, url = tmp_path / "photos", f"sqlite:///{tmp_path / 'records.sqlite'}"
    names = [f"slot-{n}" for n in range(60)]
    for n, name in enumerate(names):
        write_photo(folder / f"{name}_flute1.png", "sharp", n)
    add(url, *names)
    graded(folder)
    program = RUN.format(tests=str(Path(__file__).parent), folder=str(folder), url=url)
    killed_midway = False
    for least in (1, 15, 30):
        process = subprocess.Popen([sys.executable, "-c", program], stderr=subprocess.DEVNULL)
        while process.poll() is None and sum(map(len, recorded(url, *names))) < least:
            time.sleep(0.02)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        killed_midway |= 0 < sum(map(len, recorded(url, *names))) < len(names)
    assert killed_midway
    subprocess.run([sys.executable, "-c", program], check=True, stderr=subprocess.DEVNULL)
    assert recorded(url, *names) == [["sharp"]] * len(names)


def test_the_records_say_what_the_list_leaves_open(folder: Path, records_url: str) -> None:
    facts = Facts.given(kind="ball", diameter_mm=3.0, material="hss", flutes=2)
    with open_records(records_url) as records:
        records.add_cutter("slot-0", facts)
    of_records = all_recorded_facts(records_url)
    assert KNOWN.with_recorded(of_records).shown("slot-0_flute2.png") == Shown("slot-0", facts, None, 2)
    listed = Known({"a.png": Shown("slot-0", Facts.given(kind="ball"))}, {"slot-0": Facts.given(kind="ball")})
    assert listed.with_recorded(of_records).shown("a.png").facts == facts


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"kind": "flat"}, "kind flat here, ball in the records"),
        ({"kind": "ball", "diameter_mm": 6.0}, "diameter 6.0 here, 3.0 in the records"),
        ({"kind": "ball", "flutes": 4}, "flutes 4 here, 2 in the records"),
        ({"kind": "ball", "diameter_mm": 3.0, "nominal_radius_mm": 1.0}, "nominal radius 1.0 here, 1.5 in"),
    ],
)
def test_a_list_that_says_otherwise_than_the_records_is_refused(said: dict[str, object], words: str) -> None:
    here = Facts.given(**said)  # type: ignore[arg-type]
    there = Facts.given(kind="ball", diameter_mm=3.0, material="hss", flutes=2)
    with pytest.raises(InputError, match=words):
        Known({}, {"slot-0": here}).with_recorded({"slot-0": there})


def test_the_command_records_the_sample_drawer_once(tmp_path: Path) -> None:
    """Two cutters that the records know, photos of the samples; a second run adds nothing."""
    samples = Path(__file__).parents[1] / "sample_images"
    folder = tmp_path / "photos"
    folder.mkdir()
    for name in ("slot01_flat6_carbide_flute1.jpg", "slot01_flat6_carbide_flute2.jpg"):
        shutil.copy(samples / name, folder / name.replace("_flat6_carbide", ""))
    url = f"sqlite:///{tmp_path / 'records.sqlite'}"
    add(url, "slot01")
    words = ["drawer", str(folder), "--px-per-mm", "280", "--pattern", "{cutter}_flute{flute}", "--record"]
    for expected in ("1 inspections recorded", "0 inspections recorded"):
        done = subprocess.run(
            [
                sys.executable,
                "-c",
                "from wearscope.cli import main; main()",
                *words,
                "--records",
                url,
                "--out",
                str(tmp_path / "out"),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        assert expected in done.stderr
    assert recorded(url, "slot01") == [["sharp"]]
