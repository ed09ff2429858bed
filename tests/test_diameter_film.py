"""A short film as the source of a turned series: even picks, the sharpest of each span, and words for films that cannot serve."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import typer
from diameter_truth import Camera, Cutter, picture
from numpy.typing import NDArray
from typer.testing import CliRunner

from wearscope.cli.diameter import register
from wearscope.errors import InputError, PhotoError
from wearscope.photo.film import pick_pictures

APP = typer.Typer()
register(APP)


@APP.callback()
def _several() -> None:
    """Keeps the command's name when it is the only one."""


def write_film(path: Path, frames: list[NDArray[np.uint8]]) -> Path:
    """Motion JPEG, as cheap microscopes write it; OpenCV brings the coder along."""
    height, width = frames[0].shape[:2]
    film = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 15, (width, height))
    assert film.isOpened()
    for frame in frames:
        film.write(frame)
    film.release()
    return path


def speckled(level: int, blur: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """A picture whose mean tells which one it is."""
    noise = rng.normal(0, 40, (120, 160, 3))
    return np.clip(level + cv2.GaussianBlur(noise, (0, 0), blur), 0, 255).astype(np.uint8)


def test_even_picks_the_sharpest_of_each_span(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    sharp = {5, 17, 29, 43}  # one in the middle half of each span of 12
    frames = [speckled(20 + 4 * i, 0.6 if i in sharp else 3.0, rng) for i in range(48)]
    found = pick_pictures(write_film(tmp_path / "a.avi", frames), 4)
    assert [int(p.path.rsplit(" ", 1)[1]) - 1 for p in found] == sorted(sharp)
    for photo, i in zip(found, sorted(sharp), strict=True):
        assert photo.encoded.mean() == pytest.approx(20 + 4 * i, abs=1.5)


def test_a_film_of_a_turned_cutter(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    camera = Camera(px_per_mm=60.0, size=(640, 480))
    cutter = Cutter(diameter=5.94, flutes=3, helix=30.0, cut_length=5.0, wash_out=1.0)
    turns = 0.3 + np.arange(60) * 2 * np.pi / 60
    film = write_film(tmp_path / "turn.avi", [picture(cutter, camera, t, rng) for t in turns])
    args = ["diameter", str(film), "--flutes", "3", "--shank", "6", "--frames", "16", "--json"]
    result = CliRunner().invoke(APP, [*args, "--out", str(tmp_path / "o")])
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    entry = document["measurements"][0]
    assert entry["kind"] == "value"
    assert abs(entry["value"] - 5.94) < max(0.25 / 60, 1.5 * entry["uncertainty"])
    assert len(document["pictures"]) == 2


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["turn.mp4", "--step", "30"], "angles of a film's pictures are not known"),
        (["turn.mp4", "photo.jpg"], "one film alone"),
        (["turn.mp4", "--edges-in-plane"], "one photo"),
    ],
)
def test_wrong_use_of_a_film(args: list[str], said: str) -> None:
    result = CliRunner().invoke(APP, ["diameter", *args, "--flutes", "2", "--shank", "6"])
    assert isinstance(result.exception, InputError)
    assert said in str(result.exception)


def test_films_that_cannot_serve(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    short = write_film(tmp_path / "short.avi", [speckled(100, 1.0, rng)] * 10)
    with pytest.raises(PhotoError, match=r"10 frames, expected at least 24"):
        pick_pictures(short, 12)
    (tmp_path / "text.mp4").write_text("no film")
    with pytest.raises(PhotoError, match="no film that can be decoded"):
        pick_pictures(tmp_path / "text.mp4", 12)
    with pytest.raises(PhotoError, match="not a file"):
        pick_pictures(tmp_path / "missing.mp4", 12)
