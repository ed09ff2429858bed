"""Focus stacks from a drawn scene whose two halves are in focus in different photos."""

import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from wearscope.cli import app
from wearscope.errors import InputError, PhotoError
from wearscope.photo.read import Photo
from wearscope.photo.stack import merge_focus
from wearscope.subpixel.profile import measure_steps


def scene(seed: int = 0) -> np.ndarray:
    """Texture of every size, as a cutter with its grinding lines before a ground has it."""
    rng = np.random.default_rng(seed)
    layers = [cv2.GaussianBlur(rng.standard_normal((400, 600, 3)), (0, 0), s) * s for s in (1.5, 6.0, 24.0)]
    picture = sum(layers)
    return np.clip(128 + 60 * picture / picture.std(), 0, 255).astype(np.uint8)


def two_heights(zoom: float = 1.0, shift: tuple[float, float] = (0.0, 0.0)) -> tuple[np.ndarray, list[Photo]]:
    """The sharp scene, and two photos of it: left half blurred; right half blurred, zoomed and shifted."""
    sharp = scene()
    soft = cv2.GaussianBlur(sharp, (0, 0), 4.0)
    left, right = sharp.copy(), sharp.copy()
    left[:, :300], right[:, 300:] = soft[:, :300], soft[:, 300:]
    matrix = np.array([[zoom, 0, shift[0] + 300 * (1 - zoom)], [0, zoom, shift[1] + 200 * (1 - zoom)]])
    right = cv2.warpAffine(right, matrix, (600, 400), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return sharp, [Photo("a", "a" * 64, left), Photo("b", "b" * 64, right)]


@pytest.mark.parametrize(("zoom", "shift"), [(1.0, (0.0, 0.0)), (1.004, (2.6, -1.4))])
def test_merged_picture_is_sharp_in_both_halves(zoom: float, shift: tuple[float, float]) -> None:
    sharp, photos = two_heights(zoom, shift)
    merged, gain = merge_focus(photos)
    for part in (np.s_[40:360, 40:260], np.s_[40:360, 340:560]):
        off = np.abs(merged.encoded[part].astype(float) - sharp[part]).mean()
        softest = max(np.abs(p.encoded[part].astype(float) - sharp[part]).mean() for p in photos)
        assert off < 0.25 * softest
    assert gain > 1.3


def test_one_photo_twice_gains_nothing() -> None:
    photo = Photo("a", "a" * 64, scene())
    merged, gain = merge_focus([photo, photo])
    assert np.array_equal(merged.encoded, photo.encoded)
    assert gain == pytest.approx(1.0, abs=1e-3)


def test_wrong_use_is_said() -> None:
    photo = Photo("a", "a" * 64, scene())
    with pytest.raises(InputError, match="at least two"):
        merge_focus([photo])
    with pytest.raises(InputError, match="one size"):
        merge_focus([photo, Photo("b", "b" * 64, photo.encoded[:300])])
    with pytest.raises(PhotoError, match="same scene"):
        merge_focus([photo, Photo("b", "b" * 64, scene(1))])


def test_command_writes_the_picture_and_never_over_a_photo(tmp_path: Path) -> None:
    _, photos = two_heights()
    names = []
    for photo in photos:
        names.append(tmp_path / f"{photo.path}.png")
        cv2.imwrite(str(names[-1]), photo.encoded)
    output = tmp_path / "merged.png"
    result = CliRunner().invoke(app, ["stack", *map(str, names), "--output", str(output)])
    assert result.exit_code == 0, result.output
    assert cv2.imread(str(output)).shape == (400, 600, 3)
    stated = re.search(r"2 photos merged, ([0-9.]+) times the fine detail", result.output)
    assert stated is not None
    assert float(stated[1]) == pytest.approx(merge_focus(photos)[1], abs=0.06)
    assert not list(tmp_path.glob("*.part"))
    before = names[0].read_bytes()
    refused = CliRunner().invoke(app, ["stack", *map(str, names), "--output", str(names[0])])
    assert isinstance(refused.exception, InputError)
    assert names[0].read_bytes() == before


HEIGHTS = (-2.5, -1.0, 1.0, 2.5)


def tilted(height: float) -> tuple[np.ndarray, np.ndarray]:
    """Linear light of a textured cutter before an even ground, in a plane that rises from left to right through a lens
    focused at `height`, and the sigma of the blur in each pixel (0.7 px in focus, growing with the distance from it)."""
    rng = np.random.default_rng(4)
    grain = sum(cv2.GaussianBlur(rng.standard_normal((400, 600)), (0, 0), s) * s for s in (1.2, 4.0, 16.0))
    y, x = np.mgrid[0:400, 0:600]
    flat = np.where(x - 0.2 * y < 350, np.clip(0.35 + 0.1 * grain / grain.std(), 0.02, 0.95), 0.75)
    sigma = np.hypot(0.7, 1.2 * np.abs(np.linspace(-3, 3, 600) - height)) * np.ones((400, 1))
    levels = np.linspace(0.7, sigma.max() + 1e-6, 24)
    blurred = np.stack([cv2.GaussianBlur(flat.astype(np.float32), (0, 0), float(s)) for s in levels])
    low = np.clip(np.searchsorted(levels, sigma) - 1, 0, len(levels) - 2)
    share = (sigma - levels[low]) / (levels[low + 1] - levels[low])
    rows, columns = np.indices(sigma.shape)
    return (1 - share) * blurred[low, rows, columns] + share * blurred[low + 1, rows, columns], sigma


def taken(light: np.ndarray, rng: np.random.Generator, noise: float, name: str) -> Photo:
    light = np.clip(light + rng.normal(0, noise, light.shape), 0.0031308, 1)
    coded = np.round(255 * (1.055 * light ** (1 / 2.4) - 0.055)).astype(np.uint8)
    return Photo(name, name * 64, np.repeat(coded[..., None], 3, axis=2))


def detail(light: np.ndarray) -> np.ndarray:
    """Energy of fine detail, as the stated gain defines it."""
    fine = cv2.Laplacian(cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.0), cv2.CV_32F)
    return cv2.GaussianBlur(fine * fine, (0, 0), 6.0)


@pytest.mark.parametrize("noise", [0.0, 0.005, 0.015])
def test_stated_gain_is_that_of_the_ideal_picture(noise: float) -> None:
    """The ideal takes each pixel from the photo that is known to be in focus there. Noise may lower the stated gain, for it has
    fine detail too, but never raise it."""
    rng = np.random.default_rng(5)
    series = [tilted(height) for height in HEIGHTS]
    photos = [taken(light, rng, noise, "abcd"[i]) for i, (light, _) in enumerate(series)]
    merged, gain = merge_focus(photos)
    nearest = np.argmin(np.stack([sigma for _, sigma in series]), axis=0)
    ideal = np.choose(nearest, [light for light, _ in series])
    energies = [detail(light) for light, _ in series]
    best, highest = max(energies, key=np.mean), np.max(energies, axis=0)
    there = highest > np.percentile(highest, 90)
    true_gain = detail(ideal)[there].mean() / best[there].mean()
    assert true_gain > 2
    assert (0.97 if noise < 0.01 else 0.85) * true_gain < gain < 1.03 * true_gain
    inner = np.s_[20:-20, 20:-20]
    off = [np.std((light - ideal)[inner]) for light in (merged.linear(), *(light for light, _ in series))]
    assert off[0] < (0.5 if noise < 0.01 else 1.0) * min(off[1:])


def test_noise_alone_is_no_gain() -> None:
    rng = np.random.default_rng(6)
    light, _ = tilted(0.0)
    _, gain = merge_focus([taken(light, rng, 0.015, name) for name in "abc"])
    assert 0.9 < gain < 1.02


def test_merging_moves_no_edge() -> None:
    """Against the photo that is in focus at the edge; texture beside it moves both alike."""
    rng = np.random.default_rng(7)
    photos = [taken(tilted(h)[0], rng, 0.002, "abcd"[i]) for i, h in enumerate((-1.8, 0.5, 2.2))]
    merged, _ = merge_focus(photos)
    rows = np.arange(40.0, 360.0, 8.0)
    places = np.column_stack([350 + 0.2 * rows - 0.5, rows])
    normals = np.tile(np.array([1.0, -0.2]) / np.hypot(1, 0.2), (len(rows), 1))
    seen = [measure_steps(p.linear(), places, normals, half_px=9.0) for p in (merged, photos[1])]
    both = seen[0].ok & seen[1].ok
    assert both.mean() > 0.9
    moved = (seen[0].position - seen[1].position)[both]
    assert abs(np.median(moved)) < 0.05
    assert np.percentile(np.abs(moved), 90) < 0.25
