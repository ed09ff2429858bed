"""How long the analysis of one photo takes, as a multiple of decoding it; one thread.

pytest tests/bench_analysis.py --benchmark-only --benchmark-enable
Compare the medians of one run with each other, not with another machine's.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from wearscope.facts import Facts
from wearscope.features.chips import measure_chips
from wearscope.features.corner import measure_corner
from wearscope.features.patch import measure_patch
from wearscope.features.squareness import measure_squareness
from wearscope.features.tint import measure_tint
from wearscope.finding import Finding
from wearscope.geometry.scale import Scale
from wearscope.grading.limits import load_limits
from wearscope.outline.find import find_outline
from wearscope.photo.read import Photo, read_photo
from wearscope.pipeline import TypedScale, inspect_photo

PHOTO = Path(__file__).parents[1] / "sample_images" / "slot02_flat6_carbide_worn.jpg"
SCALE = Scale(280.0)


@pytest.fixture(autouse=True)
def one_thread() -> Any:
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(before)


@pytest.fixture(scope="module")
def photo() -> Photo:
    return read_photo(PHOTO)


def fresh(photo: Photo) -> Photo:
    """The same without what it keeps once it is made."""
    return replace(photo)


def outline_and_corner(photo: Photo, scale: Scale) -> Finding:
    return measure_corner(photo, find_outline(photo), scale)


def test_decode(benchmark: Any) -> None:
    assert benchmark(cv2.imread, str(PHOTO)).shape == (1200, 1600, 3)


def test_outline_and_gate(benchmark: Any, photo: Photo) -> None:
    assert benchmark(lambda: find_outline(fresh(photo))).corner is not None


@pytest.mark.parametrize("measure", [measure_corner, measure_chips, measure_patch, measure_tint])
def test_feature(benchmark: Any, photo: Photo, measure: Any) -> None:
    outline = find_outline(photo)
    assert benchmark(measure, photo, outline, SCALE).quantities


def test_squareness(benchmark: Any, photo: Photo) -> None:
    outline = find_outline(photo)
    assert benchmark(measure_squareness, photo, outline).flags == ()


def test_outline_and_corner(benchmark: Any, photo: Photo) -> None:
    """Quality gate, outline and corner together."""
    assert benchmark(lambda: outline_and_corner(fresh(photo), SCALE)).quantities


def test_everything(benchmark: Any, photo: Photo) -> None:
    """From the decoded picture to the decision, whatever is measured in between."""
    how = {"scale_source": TypedScale(280.0), "facts": Facts(), "limits": load_limits()}
    assert len(benchmark(lambda: inspect_photo(fresh(photo), **how)).photos[0].measurements) > 5


@pytest.mark.parametrize("megapixels", [1, 3, 6, 12])
def test_growth_with_picture_area(benchmark: Any, photo: Photo, megapixels: int) -> None:
    factor = (megapixels * 1e6 / (1600 * 1200)) ** 0.5
    size = (round(1600 * factor), round(1200 * factor))
    grown = Photo(
        "grown",
        "0" * 64,
        np.asarray(cv2.resize(photo.encoded, size, interpolation=cv2.INTER_CUBIC), np.uint8),
    )
    scale = Scale(280.0 * factor)
    assert benchmark(lambda: outline_and_corner(fresh(grown), scale)).quantities
