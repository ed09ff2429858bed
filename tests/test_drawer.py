"""The drawer: which photos, done once, kept whole, one bad photo one row."""

import csv
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import unquote

import cv2
import jsonschema
import pytest
from drawer_fakes import Page, double, fake_look, pids_and_sleep, write_photo

from wearscope.drawer.plan import Bench, Known, Shown, find_photos, job_key, read_cutters
from wearscope.drawer.pool import IN_FLIGHT_PER_WORKER, Crash, run
from wearscope.drawer.run import Drawer, grade_drawer
from wearscope.drawer.store import Store, write_whole
from wearscope.drawer.tables import exit_code, write_tables
from wearscope.errors import InputError, RecordsError
from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.inspection import json_schema

TESTS = Path(__file__).parent


def bench(**changes: object) -> Bench:
    settings: dict[str, object] = {
        "scale_source": None,
        "scale_id": "typed 100.0 px/mm",
        "limits": load_limits(),
    }
    return Bench(**{**settings, **changes})  # type: ignore[arg-type]


def grade(folder: Path, out: Path, **options: object) -> Drawer:
    settings = {
        "bench": bench(),
        "known": read_cutters(folder / "cutters.csv"),
        "look": fake_look,
    }
    options.setdefault("engine", partial(run, workers=options.pop("workers", 1)))  # type: ignore[arg-type]
    return grade_drawer(folder, out=out, **{**settings, **options})  # type: ignore[arg-type]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Six photos of four cutters, two of them in slot 2; one file is no picture; two are the same bytes."""
    photos = tmp_path / "photos"
    for number, (name, grade_) in enumerate(
        [("a.png", "sharp"), ("slot 2/left.png", "sharp"), ("slot 2/right.png", "worn"), ("z.png", "discard")]
    ):
        write_photo(photos / name, grade_, number)
    (photos / "twin.png").write_bytes((photos / "a.png").read_bytes())
    (photos / "broken.jpg").write_bytes(b"not a picture")
    (photos / "cutters.csv").write_text(
        "file,cutter,kind,material,diameter,flutes,view,flute\n"
        "slot 2/left.png,slot 2,flat,hss,1/4in,2,corner,1\n"
        "slot 2/right.png,slot 2,flat,hss,1/4in,2,corner,2\n"
    )
    return photos


@pytest.fixture
def calls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folder in which the fake worker leaves one file per call."""
    place = tmp_path / "calls"
    place.mkdir()
    monkeypatch.setenv("WEARSCOPE_TEST_CALLS", str(place))
    return place


# ---------------------------------------------------------------- what photos show


def write_csv(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "cutters.csv"
    path.write_bytes(text.encode())
    return path


def test_facts_file_says_what_a_photo_shows(tmp_path: Path) -> None:
    path = write_csv(tmp_path, "file,cutter,kind,material,diameter,flutes,nominal_radius,view,flute\n"
                               "s/1.jpg,slot 1,corner-radius,hss,1/2in,3,1mm,edge,2\n")  # fmt: skip
    facts = Facts.given(
        kind="corner-radius", material="hss", diameter_mm=12.7, flutes=3, nominal_radius_mm=1.0
    )
    assert read_cutters(path).photos == {"s/1.jpg": Shown("slot 1", facts, "edge", 2)}


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_facts_file_of_any_spreadsheet(tmp_path: Path, separator: str) -> None:
    """Byte-order mark, CRLF, empty lines, backslashes, other separators: what spreadsheets write."""
    text = "\ufefffile,cutter,diameter\r\n.\\s\\1.jpg,slot 1,6\r\n,,\r\n".replace(",", separator)
    assert set(read_cutters(write_csv(tmp_path, text)).photos) == {"s/1.jpg"}


def test_no_facts_file_is_no_error(tmp_path: Path) -> None:
    assert read_cutters(tmp_path / "cutters.csv") == Known()


@pytest.mark.parametrize(
    ("row", "line", "column", "expected"),
    [
        ("a.jpg,x,,,six,,,,", 2, "diameter", "not a length"),
        ("a.jpg,x,,,1/4,,,,", 2, "diameter", "unit"),
        ("a.jpg,x,,,-1,,,,", 2, "diameter", "not a length"),
        ("a.jpg,x,,,900,,,,", 2, "diameter", "at most 200"),
        ("a.jpg,x,drill,,,,,,", 2, "kind", "flat"),
        ("a.jpg,x,,wood,,,,,", 2, "material", "carbide"),
        ("a.jpg,x,,,,two,,,", 2, "flutes", "whole number"),
        ("a.jpg,x,,,,99,,,", 2, "flutes", "1 to 12"),
        ("a.jpg,x,,,,2,,,3", 2, "flute", "1 to 2"),
        ("a.jpg,x,,,,,9,,", 2, "nominal_radius", "half the diameter"),
        ("a.jpg,x,,,,,,side,", 2, "view", "profile"),
        (",,flat,,,,,,", 2, "file", "empty"),
        ("ok.jpg,x,,,,,,,\nok.jpg,x,,,,,,,", 3, "file", "already"),
    ],
)
def test_a_bad_row_is_named_by_line_and_column(
    tmp_path: Path, row: str, line: int, column: str, expected: str
) -> None:
    path = write_csv(
        tmp_path, f"file,cutter,kind,material,diameter,flutes,nominal_radius,view,flute\n{row}\n"
    )
    with pytest.raises(InputError, match=rf"cutters\.csv, line {line}, column {column}: .*{expected}"):
        read_cutters(path)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("photo,cutter\na,b\n", "line 1: unknown column 'photo'"),
        ("cutter\na\n", "line 1: expected .* called file"),
        ("file,file\na,b\n", "line 1"),
        ("", "line 1"),
        ("file,cutter\na.jpg,b,c\n", "line 2: more fields"),
        (
            "file,cutter,diameter\na.jpg,s,6\nb.jpg,s,8\n",
            "'s' is described in two ways, for a.jpg and for b.jpg",
        ),
    ],
)
def test_a_facts_file_that_makes_no_sense(tmp_path: Path, text: str, expected: str) -> None:
    with pytest.raises(InputError, match=expected):
        read_cutters(write_csv(tmp_path, text))


def test_photos_are_found_everywhere_and_own_pictures_never(tmp_path: Path) -> None:
    for name in (
        "b.JPG",
        "a.tiff",
        "in/c.webp",
        "in/.hidden.png",
        ".trash/d.png",
        "in/e.txt",
        "b.JPG.annotated.jpg",
    ):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    assert list(find_photos(tmp_path)) == ["a.tiff", "b.JPG", "in/c.webp"]


def test_the_key_depends_on_all_that_the_result_depends_on() -> None:
    base = ("ab" * 32, Shown("slot 1"), bench())
    other_limits = SimpleNamespace(id="mine@123456789012")
    keys = [
        job_key(*base),
        job_key("cd" * 32, base[1], base[2]),
        job_key(base[0], Shown("slot 1", Facts.given(diameter_mm=3.0)), base[2]),
        job_key(base[0], Shown("slot 1", view="edge"), base[2]),
        job_key(base[0], Shown("slot 1", flute=2), base[2]),
        job_key(base[0], base[1], bench(scale_id="calibration 1234")),
        job_key(base[0], base[1], bench(limits=other_limits)),
        job_key(base[0], base[1], bench(units="inch")),
    ]
    assert len(set(keys)) == len(keys)
    assert job_key(*base) == keys[0]


def test_the_key_depends_on_the_version(monkeypatch: pytest.MonkeyPatch) -> None:
    before = job_key("ab" * 32, Shown(), bench())
    monkeypatch.setattr("wearscope.drawer.plan.__version__", "99.0")
    assert job_key("ab" * 32, Shown(), bench()) != before


# ---------------------------------------------------------------- the pool


def test_pool_does_every_job_and_isolates_the_bad_ones() -> None:
    """13 raises, 17 kills its worker: each is a reason of its own, and nobody else suffers."""
    results = dict(run(range(30), double, workers=2))
    assert set(results) == set(range(30))
    assert results[13] == Crash("ValueError: thirteen")
    assert isinstance(results[17], Crash) and "killed" in results[17].reason
    assert all(results[n] == 2 * n for n in range(30) if n not in (13, 17))


def test_pool_takes_no_more_jobs_than_it_can_hold() -> None:
    taken = 0

    def jobs():  # type: ignore[no-untyped-def]
        nonlocal taken
        for taken in range(1, 201):
            yield taken - 200 - 17

    for n, _ in enumerate(run(jobs(), double, workers=1)):
        assert taken - n <= IN_FLIGHT_PER_WORKER
    assert n == 199


def test_pool_uses_several_processes_and_none_is_left() -> None:
    pids = {pid for _, pid in run(range(6), pids_and_sleep, workers=2)}
    assert len(pids) == 2 and os.getpid() not in pids
    assert not any(_alive(pid) for pid in pids)


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


# ---------------------------------------------------------------- the store


def test_store_removes_what_cannot_be_read(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.put("abcd", {"x": 1})
    assert store.get("abcd") == {"key": "abcd", "x": 1}
    for rubbish in (b"", b'{"key": "abcd", "x"', b"[]", b'{"key": "other"}', b"\xff\xfe"):
        store.path("abcd").write_bytes(rubbish)
        assert store.get("abcd") is None
        assert not store.path("abcd").exists()


def test_a_file_that_cannot_be_finished_leaves_the_old_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.json"
    write_whole(path, b"old")

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


# ---------------------------------------------------------------- a whole run


def test_results_of_a_folder(folder: Path, tmp_path: Path) -> None:
    drawer = grade(folder, tmp_path / "out")
    cutters = {cutter.name: cutter for cutter in drawer.cutters()}
    assert set(cutters) == {"a.png", "twin.png", "z.png", "broken.jpg", "slot 2"}
    assert cutters["slot 2"].grade == "worn"
    assert cutters["slot 2"].inspection is not None
    assert cutters["slot 2"].inspection.complete
    assert [photo.flute for photo in cutters["slot 2"].inspection.photos] == [1, 2]
    assert cutters["broken.jpg"].inspection is None
    assert cutters["broken.jpg"].failed == {"broken.jpg": "damaged or truncated; copy the photo again"}
    for name in ("a.png", "twin.png", "slot 2/left.png", "slot 2/right.png", "z.png"):
        assert (tmp_path / "out" / f"{name}.annotated.jpg").exists()


def test_the_same_bytes_are_looked_at_once(folder: Path, tmp_path: Path, calls: Path) -> None:
    drawer = grade(folder, tmp_path / "out")
    assert len(list(calls.iterdir())) == 5
    assert drawer.keys["a.png"] == drawer.keys["twin.png"]


def test_a_second_run_does_only_what_is_missing(folder: Path, tmp_path: Path, calls: Path) -> None:
    out = tmp_path / "out"
    first = list(grade(folder, out).cutters())
    done = len(list(calls.iterdir()))
    assert list(grade(folder, out).cutters()) == first
    assert len(list(calls.iterdir())) == done
    write_photo(folder / "new.png", "worn", 99)
    (out / "z.png.annotated.jpg").unlink()
    assert grade(folder, out).done_now == 2
    assert len(list(calls.iterdir())) == done + 2


def test_a_renamed_photo_is_known(folder: Path, tmp_path: Path, calls: Path) -> None:
    grade(folder, tmp_path / "out")
    done = len(list(calls.iterdir()))
    (folder / "z.png").rename(folder / "y.png")
    (tmp_path / "out/z.png.annotated.jpg").rename(tmp_path / "out/y.png.annotated.jpg")
    cutters = {cutter.name: cutter for cutter in grade(folder, tmp_path / "out").cutters()}
    assert len(list(calls.iterdir())) == done
    assert cutters["y.png"].inspection is not None
    assert cutters["y.png"].inspection.photos[0].path == str(folder / "y.png")


def test_half_written_results_are_removed_and_done_again(folder: Path, tmp_path: Path, calls: Path) -> None:
    out = tmp_path / "out"
    drawer = grade(folder, out)
    expected, done = list(drawer.cutters()), len(list(calls.iterdir()))
    broken = drawer.store.path(drawer.keys["z.png"])
    broken.write_bytes(broken.read_bytes()[:100])
    leftover = broken.with_name(".z.png.0123456789ab.part")
    leftover.write_bytes(b"half")
    assert list(grade(folder, out).cutters()) == expected
    assert len(list(calls.iterdir())) == done + 1
    assert not leftover.exists()


def test_a_photo_that_the_facts_name_and_that_is_not_there(folder: Path, tmp_path: Path) -> None:
    with (folder / "cutters.csv").open("a") as file:
        file.write("gone.jpg,slot 9,,,,,,\n")
    cutters = {cutter.name: cutter for cutter in grade(folder, tmp_path / "out").cutters()}
    assert cutters["slot 9"].grade == "retake"
    assert "no such photo" in cutters["slot 9"].failed["gone.jpg"]


def test_a_full_disk_is_said_and_loses_nothing(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    with monkeypatch.context() as patched:
        written = iter(range(5))

        def nearly_full(descriptor: int, fsync=os.fsync) -> None:  # type: ignore[no-untyped-def]
            if next(written, None) is None:
                raise OSError(28, "No space left on device")
            fsync(descriptor)

        patched.setattr(os, "fsync", nearly_full)
        with pytest.raises(RecordsError, match=r"No space left on device.*same command again"):
            grade(folder, out)
    resumed = list(grade(folder, out).cutters())
    assert resumed == list(grade(folder, tmp_path / "undisturbed").cutters())


def test_tables_that_cannot_be_written_are_said(folder: Path, tmp_path: Path) -> None:
    drawer = grade(folder, tmp_path / "out")
    (tmp_path / "out/drawer.csv").mkdir()
    with pytest.raises(RecordsError, match="cannot be written"):
        write_tables(drawer)


# ---------------------------------------------------------------- killed at any moment

RUN = """
import sys
from pathlib import Path
from drawer_fakes import slow_look
from test_drawer import grade
from wearscope.drawer.tables import write_tables
if __name__ == "__main__":
    write_tables(grade(Path(sys.argv[1]), Path(sys.argv[2]), look=slow_look, workers=2))
"""


def start(folder: Path, out: Path) -> "subprocess.Popen[bytes]":
    script = folder.parent / "run.py"
    script.write_text(RUN)
    paths = os.pathsep.join([str(TESTS), *sys.path])
    return subprocess.Popen(
        [sys.executable, str(script), str(folder), str(out)],
        env={**os.environ, "PYTHONPATH": paths},
        stderr=subprocess.DEVNULL,
    )


def children(pid: int) -> list[int]:
    """Process ids of the direct children (Linux)."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        found += [int(child) for child in task.read_text().split()]
    return found


def killed_runs(tmp_path: Path, photos: int, kills: int, seed: int) -> tuple[str, str]:
    """drawer.csv of an undisturbed run, and of one that was killed `kills` times on the way."""
    folder, rng = tmp_path / "photos", random.Random(seed)
    for n in range(photos):
        write_photo(folder / f"{n % 7}" / f"{n:03d}.png", rng.choice(["sharp", "worn", "discard"]), n)
    assert start(folder, tmp_path / "whole").wait(300) == 0
    results = tmp_path / "killed" / "results"
    for stop_at in sorted(rng.sample(range(photos), kills)):
        process = start(folder, tmp_path / "killed")
        while process.poll() is None and len(list(results.glob("*/*.json"))) < stop_at:
            time.sleep(0.01)
        time.sleep(rng.uniform(0, 0.05))
        assert process.poll() is None, "the run ended before it could be killed"
        workers = children(process.pid)
        process.send_signal(signal.SIGKILL)
        process.wait(60)
        deadline = time.monotonic() + 20
        while any(_running(pid) for pid in workers) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert not any(_running(pid) for pid in workers), "workers outlive their parent"
    assert start(folder, tmp_path / "killed").wait(300) == 0
    assert not list((tmp_path / "killed").rglob("*.part"))
    return tuple((tmp_path / which / "drawer.csv").read_text() for which in ("whole", "killed"))  # type: ignore[return-value]


def _running(pid: int) -> bool:
    """Not gone and not a zombie that nobody has collected."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc to see the workers")
def test_killed_and_started_again(tmp_path: Path) -> None:
    whole, killed = killed_runs(tmp_path, photos=40, kills=2, seed=1)
    assert killed == whole
    assert len(whole.splitlines()) == 41


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc to see the workers")
def test_killed_twenty_times(tmp_path: Path) -> None:
    whole, killed = killed_runs(tmp_path, photos=300, kills=20, seed=2)
    assert killed == whole
    assert len(whole.splitlines()) == 301


def test_two_runs_at_the_same_time(folder: Path, tmp_path: Path) -> None:
    for n in range(20):
        write_photo(folder / f"more/{n}.png", "worn", 1000 + n)
    both = [start(folder, tmp_path / "out") for _ in range(2)]
    assert [process.wait(120) for process in both] == [0, 0]
    assert list(grade(folder, tmp_path / "out").cutters()) == list(
        grade(folder, tmp_path / "alone").cutters()
    )


# ---------------------------------------------------------------- the command

SAMPLES = TESTS.parent / "sample_images"


def command(*arguments: object) -> "subprocess.Popen[str]":
    """The command in a process group of its own, as a terminal starts it."""
    return subprocess.Popen(
        [sys.executable, "-c", "from wearscope.cli import main; main()", "drawer", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def test_the_command_from_photos_to_json(tmp_path: Path) -> None:
    """Real worker: an empty frame and a sharp cutter; every inspection keeps to the schema."""
    for name in ("slot12_empty.jpg", "slot03_flat3_carbide_backlit.jpg"):
        shutil.copy(SAMPLES / name, tmp_path)
    (tmp_path / "cutters.csv").write_text("file,cutter,kind\nslot12_empty.jpg,empty,flat\n")
    process = command(tmp_path, "--px-per-mm", 280, "--out", tmp_path / "out", "--json")
    stdout, stderr = process.communicate(timeout=300)
    document = json.loads(stdout)
    assert process.returncode == 4, stderr
    assert document["grade"] == "retake"
    by_name = {cutter["cutter"]: cutter for cutter in document["cutters"]}
    assert by_name["empty"]["grade"] == "retake"
    assert by_name["slot03_flat3_carbide_backlit.jpg"]["grade"] == "sharp"
    for cutter in document["cutters"]:
        jsonschema.validate(cutter["inspection"], json_schema())
        for picture in cutter["pictures"].values():
            assert cv2.imread(str(tmp_path / "out" / picture)) is not None


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nowhere", "--px-per-mm", "100"], "nowhere: is not a folder"),
        (["{}", "--px-per-mm", "100"], "holds no photo"),
        (["{}"], "the scale is missing"),
    ],
)
def test_wrong_use_of_the_command(tmp_path: Path, arguments: list[str], message: str) -> None:
    process = command(*(argument.format(tmp_path) for argument in arguments))
    stdout, stderr = process.communicate(timeout=60)
    assert (process.returncode, stdout) == (2, "")
    assert message in stderr and "Traceback" not in stderr


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups here")
def test_stopped_by_ctrl_c_and_started_again(tmp_path: Path) -> None:
    """Ctrl-C reaches the parent and its workers; all end quietly, and what is done is kept."""
    photos, out = tmp_path / "photos", tmp_path / "out"
    for n in range(40):
        write_photo(photos / f"{n}.png", "worn", n)
    process = command(photos, "--px-per-mm", 100, "--out", out)
    while not list((out / "results").glob("*/*.json")):
        time.sleep(0.01)
        assert process.poll() is None
    os.killpg(process.pid, signal.SIGINT)
    stdout, stderr = process.communicate(timeout=60)
    assert (process.returncode, stdout) == (130, "")
    assert "run the same command again" in stderr and "Traceback" not in stderr
    kept = len(list((out / "results").glob("*/*.json")))
    again = command(photos, "--px-per-mm", 100, "--out", out)
    _, stderr = again.communicate(timeout=300)
    assert f"{40 - kept} of 40 photos looked at now" in stderr


# ---------------------------------------------------------------- what is written


def test_tables_say_the_same(folder: Path, tmp_path: Path) -> None:
    summary = write_tables(grade(folder, tmp_path / "out"))
    assert [line.grade for line in summary.lines] == ["discard", "retake", "worn", "sharp", "sharp"]
    rows = list(csv.DictReader(summary.csv.read_text("utf-8").splitlines()))
    assert [row["file"] for row in rows] == [
        "a.png", "broken.jpg", "slot 2/left.png", "slot 2/right.png", "twin.png", "z.png",
    ]  # fmt: skip
    assert {row["file"]: row["cutter_grade"] for row in rows}["slot 2/left.png"] == "worn"
    assert float(rows[0]["corner_radius_mm"]) == 0.02
    assert float(rows[0]["corner_radius_uncertainty"]) == 0.004
    document = json.loads(summary.json.read_text())
    assert (document["schema"], document["grade"]) == ("wearscope/drawer/1", "discard")
    assert {c["cutter"]: c["grade"] for c in document["cutters"]} == {
        li.cutter: li.grade for li in summary.lines
    }


def test_the_page_works_without_eyes_colours_or_network(folder: Path, tmp_path: Path) -> None:
    """WCAG 2.2: language of page (3.1.1), text alternatives (1.1.1), link purpose by its image's words (2.4.4)."""
    out = tmp_path / "out"
    page = Page(write_tables(grade(folder, out)).page.read_text())
    assert page.all("html")[0]["lang"] == "en"
    assert len(page.all("h1")) == 1 and not page.all("script") and not page.all("link")
    assert page.words("h2") == ["z.png", "broken.jpg", "slot 2", "a.png", "twin.png"]
    assert page.words("strong") == [
        "discard",
        "retake",
        "worn",
        *["sharp as far as seen, 1 view missing"] * 2,
    ]
    images = page.all("img")
    assert len(images) == 5 and all(image["alt"] for image in images)
    links = [a["href"] for a in page.all("a")] + [image["src"] for image in images]
    assert all((out / unquote(link or "")).is_file() for link in links)


def test_names_cannot_become_markup(tmp_path: Path) -> None:
    write_photo(tmp_path / "photos/<b>&amp;'.png", "worn", 1)
    page = write_tables(grade(tmp_path / "photos", tmp_path / "out")).page.read_text()
    assert "<b>&amp;'" not in page and "&lt;b&gt;&amp;amp;&#39;.png" in page


@pytest.mark.parametrize(
    ("grades", "code"),
    [
        (["sharp", "discard", "retake"], 3),
        (["sharp", "retake", "worn"], 4),
        (["worn", "sharp"], 5),
        (["sharp"], 6),
    ],
)
def test_exit_code_is_that_of_the_worst(tmp_path: Path, grades: list[str], code: int) -> None:
    for n, which in enumerate(grades):
        write_photo(tmp_path / f"photos/{n}.png", which, n)
    assert exit_code(write_tables(grade(tmp_path / "photos", tmp_path / "out")).lines) == code


def test_exit_code_of_a_complete_sharp_drawer(tmp_path: Path) -> None:
    write_photo(tmp_path / "photos/1.png", "sharp", 1)
    (tmp_path / "photos/cutters.csv").write_text("file,cutter,flutes\n1.png,slot 1,1\n")
    assert exit_code(write_tables(grade(tmp_path / "photos", tmp_path / "out")).lines) == 0


# ---------------------------------------------------------------- a disk that is really full


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB."""
    place = tmp_path / "small"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("a small file system can only be mounted by root on Linux")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_disk_that_fills_up(tmp_path: Path, small_disk: Path) -> None:
    """Really no room: the command says so and what to do; what was done is whole; with room it goes on and ends
    with the rows of an undisturbed run."""
    photos, out = tmp_path / "photos", small_disk / "out"
    for n in range(14):
        write_photo(photos / f"{n:02d}.png", "worn", n)
    full = command(photos, "--px-per-mm", 100, "--out", out, "--workers", 1)
    stdout, stderr = full.communicate(timeout=300)
    assert (full.returncode, stdout) == (1, "")
    assert "No space left on device" in stderr and "make room there, then run the same command" in stderr
    assert "Traceback" not in stderr
    kept = sorted((out / "results").glob("*/*.json"))
    assert 0 < len(kept) < 14
    assert all(json.loads(path.read_bytes())["key"] == path.stem for path in kept)
    subprocess.run(["mount", "-o", "remount,size=50m", str(small_disk)], check=True)
    again = command(photos, "--px-per-mm", 100, "--out", out, "--workers", 1)
    _, stderr = again.communicate(timeout=300)
    assert (again.returncode, f"{14 - len(kept)} of 14 photos looked at now" in stderr) == (4, True)
    assert not list(out.rglob("*.part"))
    command(photos, "--px-per-mm", 100, "--out", tmp_path / "undisturbed", "--workers", 1).communicate(
        timeout=300
    )
    assert (out / "drawer.csv").read_text() == (tmp_path / "undisturbed/drawer.csv").read_text()


def test_tables_are_written_again_where_something_changed_or_is_gone(folder: Path, tmp_path: Path) -> None:
    """A second run over thousands of unchanged photos does not write them again."""
    out = tmp_path / "out"

    def written() -> dict[str, int]:
        write_tables(grade(folder, out))
        return {name: (out / name).stat().st_mtime_ns for name in ("drawer.csv", "drawer.json", "index.html")}

    first = written()
    assert written() == first
    (out / "index.html").unlink()
    assert written()["index.html"] > first["index.html"]
    before = written()
    write_photo(folder / "new.png", "discard", 900)
    after = written()
    assert all(after[name] > before[name] for name in before)
    assert "new.png" in (out / "drawer.csv").read_text()
