"""The small copy in which things are looked for."""

import cv2
import numpy as np
import pytest

from wearscope.geometry.robust import median
from wearscope.outline.segments import straight_segments
from wearscope.photo.read import Photo
from wearscope.photo.small import SmallCopy, steepest


def coloured(rng: np.random.Generator, height: int = 300, width: int = 1601) -> np.ndarray:
    return rng.integers(0, 256, (height, width, 3), np.uint8)


def test_each_pixel_is_the_mean_of_a_square_and_the_copy_is_made_once() -> None:
    picture = coloured(np.random.default_rng(1))
    photo = Photo("drawn", "0" * 64, picture)
    small = photo.small
    assert small is photo.small
    assert (small.step, small.size) == (3, (533, 100))
    mean = picture[:300, :1599].reshape(100, 3, 533, 3, 3).mean(axis=(1, 3))
    assert np.abs(small.bgr - mean).max() <= 0.51


def test_a_picture_of_16_bit_gives_the_same_copy() -> None:
    picture = coloured(np.random.default_rng(2))
    assert np.array_equal(SmallCopy.of(picture.astype(np.uint16) * 257).bgr, SmallCopy.of(picture).bgr)


def test_a_small_picture_is_its_own_copy() -> None:
    picture = coloured(np.random.default_rng(3), 100, 640)
    small = SmallCopy.of(picture)
    assert small.step == 1
    assert np.array_equal(small.bgr, picture)


def test_slope_is_that_of_a_ramp_per_px() -> None:
    ramp = np.clip(3 * np.arange(60), 0, 255) + np.zeros((40, 1))
    assert steepest(ramp.astype(np.uint8))[4:-4, 4:-4] == pytest.approx(3.0, abs=0.01)
    assert steepest(ramp.T.astype(np.uint8), ramp.T.astype(np.uint8))[4:-4, 4:-4] == pytest.approx(3.0)
    small = SmallCopy(np.repeat(ramp[..., None], 3, axis=2).astype(np.uint8), 1)
    assert small.slope[8:-8, 8:-8] == pytest.approx(3.0, abs=0.5)


def test_a_border_of_colour_alone_has_a_slope() -> None:
    """As steep as the step in CIE Lab is, seen through about 1 px of blur."""
    picture = np.full((80, 120, 3), 110, np.uint8)
    picture[:, 60:] = (150, 114, 86)
    small = SmallCopy(picture, 1)
    assert np.abs(np.diff(small.grey.astype(int), axis=1)).max() <= 1
    lab = cv2.cvtColor(picture, cv2.COLOR_BGR2LAB).astype(float)
    step = np.abs(lab[0, 0] - lab[0, -1])[1:].max()
    steepest_there = small.slope[40, 50:70].max()
    assert 0.5 < steepest_there / (step / np.sqrt(2 * np.pi * (1 + 0.5))) < 1.3
    assert small.slope[40, :50].max() < 0.2 * steepest_there


def test_light_of_single_pixels_is_that_of_the_picture() -> None:
    rng = np.random.default_rng(5)
    photo = Photo("drawn", "0" * 64, coloured(rng, 40, 60))
    x, y = rng.integers(0, 60, (7, 3)), rng.integers(0, 40, (7, 3))
    mix = (0.5, -0.3, 0.2)
    assert photo.light_at(x, y) == pytest.approx(photo.linear()[y, x], abs=1e-6)
    assert photo.light_at(x, y, mix=mix) == pytest.approx(photo.linear(mix=mix)[y, x], abs=1e-6)


@pytest.mark.parametrize("colour", [(60, 60, 60), (210, 200, 225), (150, 114, 86)])
def test_quiet_ground_around_moves_no_segment(colour: tuple[int, int, int]) -> None:
    """The detector is given only what is steep anywhere; a corner in grey, or in colour alone, is seen alike in a larger picture."""
    near = np.full((200, 240, 3), 110, np.uint8)
    cv2.fillPoly(near, [np.array([[0, 40], [150, 20], [170, 199], [0, 199]])], colour)
    far = cv2.copyMakeBorder(near, 60, 0, 0, 80, cv2.BORDER_REPLICATE)
    seen, seen_far = (
        straight_segments(SmallCopy(cv2.GaussianBlur(picture, (0, 0), 0.8), 1)) for picture in (near, far)
    )
    assert len(seen) >= 2
    moved = seen + np.array([0, 60, 0, 60])
    assert np.array(sorted(moved.tolist())) == pytest.approx(np.array(sorted(seen_far.tolist())), abs=0.6)


@pytest.mark.parametrize("count", [1, 2, 7, 30])
def test_median_is_that_of_numpy(count: int) -> None:
    values = np.random.default_rng(count).normal(size=count)
    assert median(values) == pytest.approx(float(np.median(values)), abs=1e-12)
