"""Focus stacks from a drawn scene whose two halves are in focus in different photos."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from wearscope.cli import app
from wearscope.errors import InputError, PhotoError
from wearscope.photo.read import Photo
from wearscope.photo.stack import merge_focus


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
    assert not list(tmp_path.glob("*.part"))
    before = names[0].read_bytes()
    refused = CliRunner().invoke(app, ["stack", *map(str, names), "--output", str(names[0])])
    assert isinstance(refused.exception, InputError)
    assert names[0].read_bytes() == before
