"""`wearscope inspect` as other programs and people meet it: stdout, stderr, exit codes, files."""

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import cv2
import jsonschema
import numpy as np
import pytest

import wearscope.pipeline
from wearscope.cli import main
from wearscope.facts import Facts
from wearscope.finding import Mark
from wearscope.flags import FLAGS
from wearscope.geometry.scale import Scale
from wearscope.grading.limits import Limits
from wearscope.inspection import (
    Inspection,
    LimitSteps,
    Measurement,
    PhotoReport,
    ScaleUsed,
    conclude,
    json_schema,
)
from wearscope.photo.read import Photo
from wearscope.quantity import Quantity


@dataclass(frozen=True)
class Said:
    code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        return json.loads(self.out)


class Desk:
    """A folder to work in, and the command run in it."""

    def __init__(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        self.folder, self._patch, self._capsys = folder, monkeypatch, capsys
        monkeypatch.chdir(folder)
        monkeypatch.setenv("COLUMNS", "200")

    def photo(self, name: str = "slot_03.png", shade: int = 90) -> str:
        picture = np.full((60, 80, 3), shade, np.uint8)
        path = self.folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(cv2.imencode(".png", picture)[1].tobytes())
        return name

    def run(self, *words: str, typed: str = "") -> Said:
        self._patch.setattr(sys, "argv", ["wearscope", *words])
        self._patch.setattr(sys, "stdin", StringIO(typed))
        with pytest.raises(SystemExit) as stop:
            main()
        said = self._capsys.readouterr()
        code = stop.value.code
        return Said(code if isinstance(code, int) else 0, said.out, said.err)


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Desk:
    return Desk(tmp_path, monkeypatch, capsys)


class Measured:
    """Stands in for the measuring: the grades asked for, one a photo, and what it was called with."""

    def __init__(self, *grades: str) -> None:
        self.grades, self.calls = list(grades), list[dict[str, Any]]()

    def __call__(
        self,
        photo: Photo,
        *,
        scale_source: Any,
        facts: Facts,
        limits: Limits,
        view: str | None,
        flute: int,
        grey: Any,
        new: Any,
        shank_mm: float | None,
    ) -> Inspection:
        scale: Scale = scale_source.scale_for(photo.size)
        self.calls.append(
            {
                "px_per_mm": scale.px_per_mm,
                "facts": facts,
                "view": view,
                "flute": flute,
                "grey": grey,
                "new": new,
                "shank_mm": shank_mm,
            }
        )
        grade = self.grades.pop(0)
        radius = Measurement(
            "corner_radius",
            Quantity(0.0254, "mm", {"noise": 0.001}),
            grade,
            LimitSteps(0.04, 0.10),
            False,
            "corner radius: at most 0.0270 mm",
        )  # type: ignore[arg-type]
        report = PhotoReport(
            photo.path, photo.sha256, photo.size, view or "corner", flute, grade, (f"is {grade}", radius.reason), ("scale_assumed_exact",),
            (radius,), {"chip_count": "too dark"}, (Mark("virtual_corner", (40.0, 30.0)),), (),
            ScaleUsed(scale.id, scale.px_per_mm, 0.0),
        )  # type: ignore[arg-type] # fmt: skip
        return conclude([report], facts=facts, limits=limits)


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> Any:
    def grades(*names: str) -> Measured:
        stand_in = Measured(*names)
        monkeypatch.setattr(wearscope.pipeline, "inspect_photo", stand_in)
        return stand_in

    return grades


@pytest.mark.parametrize(
    ("grade", "flutes", "code"),
    [
        ("sharp", "1", 0),
        ("sharp", "2", 6),
        ("worn", "1", 5),
        ("worn", "2", 5),
        ("retake", "1", 4),
        ("discard", "1", 3),
    ],
)
def test_exit_codes(desk: Desk, measured: Any, grade: str, flutes: str, code: int) -> None:
    measured(grade)
    said = desk.run("inspect", desk.photo(), "--px-per-mm", "250", "--flutes", flutes, "--json")
    assert said.code == code
    assert said.document["grade"] == grade


def test_json_is_alone_on_stdout_fits_the_schema_and_draws_nothing(desk: Desk, measured: Any) -> None:
    measured("worn")
    said = desk.run("inspect", desk.photo(), "--px-per-mm", "250", "--json")
    assert said.out.startswith("{\n")
    jsonschema.Draft202012Validator(json_schema()).validate(said.document)
    assert said.err == ""
    assert [path.name for path in desk.folder.iterdir()] == ["slot_03.png"]


def test_a_picture_is_drawn_beside_the_photos_name_and_never_over_a_photo(desk: Desk, measured: Any) -> None:
    measured("worn", "worn")
    photos = [desk.photo("left/slot_03.png", 80), desk.photo("right/slot_03.png", 90)]
    before = [(desk.folder / photo).read_bytes() for photo in photos]
    said = desk.run("inspect", *photos, "--px-per-mm", "250", "--out", ".")
    assert [(desk.folder / photo).read_bytes() for photo in photos] == before
    drawn = sorted(path.name for path in desk.folder.glob("*.jpg"))
    assert drawn == ["slot_03.png.2.annotated.jpg", "slot_03.png.annotated.jpg"]
    assert all(name in said.err for name in drawn)
    assert not list(desk.folder.rglob("*.part"))


def test_without_out_pictures_go_to_their_own_folder(desk: Desk, measured: Any) -> None:
    measured("worn")
    desk.run("inspect", desk.photo(), "--px-per-mm", "250")
    picture = cv2.imread(str(desk.folder / "wearscope-out" / "slot_03.png.annotated.jpg"))
    assert picture is not None
    assert picture.shape[0] >= 60
    assert picture.shape[1] >= 80


def test_people_read_value_limit_grade_reason_advice_and_cautions(desk: Desk, measured: Any) -> None:
    measured("worn")
    said = desk.run("inspect", desk.photo(), "--px-per-mm", "250")
    for words in (
        "0.0254 ± 0.0020 mm", "0.04 mm / 0.1 mm", "WORN", "is worn", "Too dark", FLAGS["scale_assumed_exact"].text,
        "roughing", "Isolate the spindle", "Edges cut", "eye protection", "no safety clearance",
    ):  # fmt: skip
        assert words in said.out, words


def test_assumed_facts_are_named_one_by_one(desk: Desk) -> None:
    said = desk.run("inspect", desk.photo(), "--px-per-mm", "250", "--kind", "engraver", "--material", "hss")
    assert "Not given, so assumed: diameter 6 mm, nominal radius unknown." in said.out
    assert said.code == 4


def test_lengths_in_inches(desk: Desk, measured: Any) -> None:
    # 0.0254 mm is 0.001 in (the inch is 25.4 mm exactly).
    calls = measured("worn").calls
    said = desk.run("inspect", desk.photo(), "--px-per-mm", "250", "--units", "inch", "--diameter", "1/4in")
    assert "0.001000 ± 0.000079 in" in said.out
    assert " mm" not in said.out
    assert calls[0]["facts"].diameter_mm == pytest.approx(6.35)


def test_facts_views_and_flutes_reach_the_measuring(desk: Desk, measured: Any) -> None:
    calls = measured("sharp", "sharp", "sharp").calls
    photos = [desk.photo(f"{n}.png", 60 + n) for n in range(3)]
    words = "--px-per-mm 240 --view corner,corner,shank --flute 1,2,1 --flutes 2 --kind corner-radius --material hss"
    said = desk.run(
        "inspect", *photos, *words.split(), "--diameter", "8mm", "--nominal-radius", "0.5", "--json"
    )
    assert [(call["view"], call["flute"]) for call in calls] == [("corner", 1), ("corner", 2), ("shank", 1)]
    assert calls[0]["facts"] == Facts("corner-radius", "hss", 8.0, 2, 0.5)
    assert calls[0]["px_per_mm"] == 240
    assert (said.code, said.document["complete"]) == (0, True)


def test_a_grey_card_reaches_the_measuring_in_linear_light(desk: Desk, measured: Any) -> None:
    # sRGB code 118 is 0.18 of linear light, the reflectance of a grey card (IEC 61966-2-1).
    calls = measured("sharp").calls
    desk.run(
        "inspect", desk.photo(), "--px-per-mm", "250", "--grey-card", desk.photo("card.png", 118), "--json"
    )
    assert calls[0]["grey"] == pytest.approx((0.18, 0.18, 0.18), abs=0.002)


@pytest.mark.parametrize("shade", [0, 255])
def test_a_card_that_is_dark_or_blown_out_is_refused(desk: Desk, measured: Any, shade: int) -> None:
    measured("sharp")
    card = desk.photo("card.png", shade)
    said = desk.run("inspect", desk.photo(), "--px-per-mm", "250", "--grey-card", card, "--json")
    assert said.code == 1
    assert "card.png: no even grey" in said.err


def test_the_same_photo_under_two_names_completes_nothing(desk: Desk, measured: Any) -> None:
    measured("sharp", "sharp")
    photos = [desk.photo("a.png"), desk.photo("b.png")]
    said = desk.run("inspect", *photos, "--px-per-mm", "250", "--flutes", "2", "--flute", "1,2", "--json")
    assert said.code == 6
    assert said.document["missing_views"] == ["corner of flute 2"]
    assert "1 of the photos came twice" in said.err


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ("", "no photo"),
        ("PHOTO", "the scale is missing: give --calibration FILE or --px-per-mm N"),
        ("PHOTO --px-per-mm 250 --calibration c.toml", "not both"),
        ("PHOTO --px-per-mm 0", "not more than 0"),
        ("PHOTO --px-per-mm many", "'--px-per-mm'"),
        ("PHOTO --px-per-mm 250 --diameter 6cm", "6cm"),
        ("PHOTO --px-per-mm 250 --diameter 0", "more than 0"),
        ("PHOTO --px-per-mm 250 --kind drill", "drill"),
        ("PHOTO --px-per-mm 250 --nominal-radius 4", "half the diameter"),
        ("PHOTO --px-per-mm 250 --view top", "expected one of corner, edge, profile, end, shank"),
        ("PHOTO --px-per-mm 250 --view corner,edge", "there are 1 photos"),
        ("PHOTO --px-per-mm 250 --flute 3 --flutes 2", "expected 1 to 2"),
        ("PHOTO --px-per-mm 250 --flute a", "expected numbers such as 1,2,2"),
        ("PHOTO --px-per-mm 250 --flutes 0", "--flutes"),
        ("PHOTO --px-per-mm 250 --seen rust", "expected some of crack"),
        ("PHOTO --px-per-mm 250 --colour red", "--colour"),
    ],
)
def test_wrong_use_is_exit_2_with_what_was_expected(desk: Desk, words: str, complaint: str) -> None:
    said = desk.run("inspect", *(desk.photo() if word == "PHOTO" else word for word in words.split()))
    assert said.code == 2
    assert complaint in " ".join(said.err.split())
    assert said.out == ""


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ("missing.jpg --px-per-mm 250", "missing.jpg"),
        ("PHOTO --calibration missing.toml", "missing.toml"),
        ("PHOTO --px-per-mm 250 --limits missing.toml", "missing.toml: cannot be read"),
    ],
)
def test_an_error_is_exit_1_with_one_message(desk: Desk, words: str, complaint: str) -> None:
    said = desk.run("inspect", *(desk.photo() if word == "PHOTO" else word for word in words.split()))
    assert said.code == 1
    assert said.err.startswith("wearscope: ")
    assert complaint in said.err
    assert len(said.err.splitlines()) == 1
    assert said.out == ""


def test_a_folder_that_cannot_be_written_is_an_error_with_a_way_out(desk: Desk, measured: Any) -> None:
    measured("worn")
    (desk.folder / "file").write_text("in the way")
    said = desk.run("inspect", desk.photo(), "--px-per-mm", "250", "--out", "file")
    assert said.code == 1
    assert "--out" in said.err


def test_damage_seen_by_eye_means_discard(desk: Desk, measured: Any) -> None:
    measured("sharp")
    said = desk.run(
        "inspect", desk.photo(), "--px-per-mm", "250", "--flutes", "1", "--seen", "crack", "--json"
    )
    assert said.code == 3
    assert "seen by eye, not measured: crack" in said.document["reasons"]


def test_damage_is_asked_for_on_stderr(desk: Desk, measured: Any) -> None:
    measured("sharp")
    said = desk.run(
        "inspect",
        desk.photo(),
        "--px-per-mm",
        "250",
        "--flutes",
        "1",
        "--by-eye",
        "--json",
        typed="n\nn\nn\nn\n",
    )
    assert said.code == 0
    assert "crack" in said.err
    assert [entry["answer"] for entry in said.document["observed"]] == ["no"] * 4


@pytest.mark.parametrize(("typed", "code"), [("sharp", 6), ("rounding", 5), ("blunt", 3), ("chipped", 3)])
def test_a_check_without_a_microscope(desk: Desk, typed: str, code: int) -> None:
    said = desk.run("inspect", "--by-eye", "--json", typed=f"hm\n{typed}\nno\nno\nno\nno\n")
    assert said.code == code
    assert said.document["observed"][0]["answer"] == typed
    assert cv2.imread(str(desk.folder / "wearscope-out" / "reference-corners.png")) is not None


def test_each_insert_is_asked_for_and_has_its_own_advice(desk: Desk) -> None:
    said = desk.run(
        "inspect", "--by-eye", "--kind", "surfacing", "--flutes", "2", "--json",
        typed="sharp\nblunt\nno\nno\nno\nno\nno\n",
    )  # fmt: skip
    assert said.code == 3
    assert [(o["name"], o["answer"]) for o in said.document["observed"][:2]] == [
        ("corner_1", "sharp"),
        ("corner_2", "blunt"),
    ]
    assert "The corner of insert 2 is" in said.err
    assert "by eye, not measured: corner 2 blunt" in said.document["reasons"]
    assert "Insert 1: " in said.document["advice"]
    assert "Insert 2: " in said.document["advice"]


def test_all_answers_stand_in_the_terminal(desk: Desk) -> None:
    said = desk.run("inspect", "--by-eye", typed="sharp\nno\nno\nno\nno\n")
    shown = " ".join(said.out.split())
    assert (
        "Observed by eye, not measured: corner sharp, crack no, loose blade no, bent body no, spun shank no."
        in shown
    )


def test_a_question_without_an_answer_ends_with_words(desk: Desk) -> None:
    said = desk.run("inspect", "--by-eye", typed="sharp\nno\n")
    assert said.code == 2
    assert "no answer to" in said.err


def test_version_and_help(desk: Desk) -> None:
    assert desk.run("--version").out.startswith("wearscope ")
    text = desk.run("inspect", "--help").out
    for option in (
        "--calibration",
        "--px-per-mm",
        "--view",
        "--kind",
        "--diameter",
        "--flutes",
        "--limits",
        "--json",
    ):
        assert option in text, option


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['wearscope', '--help']\n"
        "from wearscope.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'cv2', 'skimage', 'matplotlib', 'PIL', 'jsonschema'} & set(sys.modules)\n"
        "sys.exit(f'heavy: {heavy}' if heavy else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=os.environ, check=False
    )
    assert done.returncode == 0, done.stderr
