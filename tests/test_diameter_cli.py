"""`wearscope diameter` on the command line: what it prints, and a sentence for every wrong use."""

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest
import typer
from diameter_truth import Camera, Cutter, picture
from typer.testing import CliRunner

from wearscope.cli.diameter import register
from wearscope.errors import InputError

APP = typer.Typer()
register(APP)


@APP.callback()
def _several() -> None:
    """Keeps the command's name when it is the only one."""


def run(*args: str) -> tuple[int, str, BaseException | None]:
    result = CliRunner().invoke(APP, ["diameter", *args])
    return result.exit_code, result.stdout, result.exception


def measured(text: str) -> dict[str, object]:
    found = json.loads(text)["measurements"][0]
    assert found["name"] == "cutting_diameter"
    return found  # type: ignore[no-any-return]


def test_readings_alone() -> None:
    code, out, _ = run(
        "--flutes", "2", "--reading", "0.235in", "--reading", "5.97", "--nominal", "6", "--json"
    )
    document = json.loads(out)
    entry = measured(out)
    assert code == 0
    assert entry["kind"] == "value"
    assert entry["value"] == pytest.approx((0.235 * 25.4 + 5.97) / 2)
    # Mostly the micrometer's error, even between -4 and 4 um: 95 % of it are 3.8 um either way, and the scatter adds little.
    assert 0.0038 < entry["uncertainty"] < 2 * math.hypot(*entry["parts"].values())  # type: ignore[attr-defined, operator]
    assert document["tool_table_csv"].startswith("nominal_diameter_mm,cutting_diameter_mm")


def test_odd_flutes_between_flat_anvils() -> None:
    code, out, _ = run("--flutes", "3", "--reading", "5.19", "--json")
    assert code == 0
    assert measured(out)["kind"] == "lower_limit"
    assert "V anvil" in " ".join(json.loads(out)["reasons"])


def test_slot_alone_and_text() -> None:
    code, out, _ = run("--flutes", "2", "--slot", "6.02", "--nominal", "6")
    assert code == 0
    assert "deflection" in out
    assert "into the tool table" in out


def test_the_number_to_type_comes_first() -> None:
    code, out, _ = run("--flutes", "2", "--reading", "5.912", "--reading", "5.912", "--nominal", "6")
    first = out.splitlines()[0]
    assert code == 0
    assert first.startswith("Type 5.912 mm into the tool table.")
    assert "95 % sure to lie between" in first
    assert "pockets come out 0.088 mm smaller" in out


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--reading", "5.9"], "number of flutes"),
        (["--flutes", "2"], "nothing to measure"),
        (["--flutes", "2", "--reading", "0"], "more than 0"),
        (["--flutes", "2", "--reading", "6in"], "check the unit"),
        (["--flutes", "2", "--reading", "0.006"], "check the unit"),
        (["--flutes", "2", *["--reading", "5.96"] * 3, "--reading", "5.46"], "far from the others"),
        (["--flutes", "3", "--slot", "0"], "more than 0"),
        (["a.png", "--flutes", "2", "--shank", "0"], "more than 0"),
        (["a.png", "--flutes", "2"], "scale is missing"),
        (["--flutes", "2", "--reading", "6in", "--nominal", "6"], "25.4 times"),
        (["--flutes", "5", "--reading", "6", "--anvil", "v60"], "108"),
        (["a.png", "--flutes", "2", "--step", "30", "--angles", "0", "--shank", "6"], "not both"),
        (["a.png", "--flutes", "2", "--angles", "0,30", "--shank", "6"], "2 angles"),
        (["a.png", "--flutes", "2", "--angles", "x", "--shank", "6"], "commas"),
        (["a.png", "--flutes", "2", "--step", "0", "--shank", "6"], "less than 180"),
        (["a.png", "--flutes", "2", "--shank", "6", "--px-per-mm", "100"], "one scale"),
        (["--flutes", "2", "--reading", "6", "--nominal", "0"], "more than 0"),
        (["a.png", "--flutes", "3", "--shank", "6", "--edges-in-plane"], "even number of flutes"),
    ],
)
def test_wrong_use_gets_a_sentence(args: list[str], said: str) -> None:
    _, _, fault = run(*args)
    assert isinstance(fault, InputError)
    assert said in str(fault)


def test_series_with_pictures(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    camera = Camera(px_per_mm=60.0, size=(640, 480))
    cutter = Cutter(diameter=5.94, flutes=2, helix=30.0, cut_length=5.0, wash_out=1.0)
    files = []
    for k in range(12):
        files.append(str(tmp_path / f"turn_{k:02d}.png"))
        cv2.imwrite(files[-1], picture(cutter, camera, 0.3 + k * np.pi / 6, rng))
    code, out, _ = run(
        *files, "--flutes", "2", "--shank", "6", "--step", "30", "--out", str(tmp_path / "o"), "--json"
    )
    document = json.loads(out)
    entry = measured(out)
    assert code == 0
    assert abs(entry["value"] - 5.94) < 0.25 / 60  # type: ignore[operator]
    assert set(entry["parts"]) >= {"scale", "edge_noise", "blur"}  # type: ignore[call-overload]
    assert len(document["edges"]["radius_mm"]) == 2
    assert sorted(document["pictures"]) == sorted(str(p) for p in (tmp_path / "o").glob("*.png"))
    assert len(document["pictures"]) == 2
    # Readings that prove more than the silhouettes show are said before any number.
    code, out, _ = run(
        *files,
        "--flutes",
        "2",
        "--shank",
        "6",
        "--step",
        "30",
        "--out",
        str(tmp_path / "o"),
        "--reading",
        "6.05",
    )
    assert code == 0
    assert out.startswith("Sources disagree: the silhouettes")
    # A shank typed in inch without saying so.
    _, _, fault = run(*files, "--flutes", "2", "--shank", "0.236", "--step", "30", "--nominal", "6")
    assert isinstance(fault, InputError)
    assert "25.4 times off" in str(fault)
    # The same photo twelve times: no number, exit code of a retake.
    code, out, _ = run(*files[:1] * 12, "--flutes", "2", "--shank", "6", "--step", "30", "--json")
    assert code == 4
    assert json.loads(out)["measurements"] == []
    assert "never turns" in json.loads(out)["not_measured"][0]["reason"]
