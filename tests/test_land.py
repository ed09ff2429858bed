"""Worn lands on close-ups of an edge: drawn strips, and real photographs with experts' labels."""

import csv
from pathlib import Path

import cv2
import numpy as np
import pytest

from wearscope.features.land import measure_land
from wearscope.geometry.scale import Scale
from wearscope.photo.read import Photo, read_photo
from wearscope.subpixel.path import best_path


def close_up(land_px: float, *, seed: int = 0, break_px: float = 0.0) -> Photo:
    """A rough flank above blurred ground with a dark land along the edge, drawn here so as not to share anything."""
    rng = np.random.default_rng(seed)
    height, width = 500, 1400
    y = np.arange(height)[:, None] - 330.0 - 0.01 * np.arange(width)
    flank = 150 + 60 * cv2.GaussianBlur(rng.standard_normal((height, width)), (0, 0), 1.5)
    ground = 120 + 1.5 * rng.standard_normal((height, width))
    picture = np.where(y < 0, flank, ground)
    picture = np.where((y < 0) & (y > -land_px), 45 + 8 * rng.standard_normal((height, width)), picture)
    if break_px:
        stretch = slice(700, 1000)
        gone = (y[:, stretch] < 0) & (y[:, stretch] > -break_px)
        picture[:, stretch] = np.where(gone, 250.0, picture[:, stretch])
    return Photo(
        "drawn", "0" * 64, np.repeat(np.clip(picture, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    )


@pytest.mark.parametrize("land_px", [15.0, 30.0, 60.0])
def test_width_of_a_drawn_land(land_px: float) -> None:
    finding = measure_land(close_up(land_px), Scale(100.0))
    mean = finding.quantities["wear_land_mean"]
    assert abs(mean.value - land_px / 100.0) < max(mean.expanded, 0.03)


def test_no_land_is_an_upper_limit() -> None:
    finding = measure_land(close_up(0.0), Scale(100.0))
    assert finding.quantities["wear_land_mean"].kind == "upper_limit"
    assert finding.quantities["chip_count"].value == 0


def test_broken_stretch_is_missing_edge() -> None:
    finding = measure_land(close_up(12.0, break_px=110.0), Scale(100.0))
    assert finding.quantities["chip_count"].value == 1
    assert abs(finding.quantities["chip_length_total"].value - 3.0) < 0.4
    assert finding.quantities["chip_depth_max"].value > 0.8


def test_turned_picture_gives_the_same_width() -> None:
    photo = close_up(30.0)
    turned = Photo("turned", "0" * 64, np.ascontiguousarray(np.rot90(photo.encoded)))
    a, b = (measure_land(p, Scale(100.0)).quantities["wear_land_mean"].value for p in (photo, turned))
    assert abs(a - b) < 0.02


def test_picture_without_an_edge_is_not_measured() -> None:
    noise = np.random.default_rng(1).integers(90, 110, (400, 600, 3)).astype(np.uint8)
    finding = measure_land(Photo("noise", "0" * 64, noise), Scale(100.0))
    assert not finding.quantities
    assert finding.flags == ("no_cutter",)


def test_best_path_is_the_best_of_all_paths() -> None:
    gain = np.random.default_rng(2).standard_normal((4, 5))
    paths = np.stack(np.meshgrid(*[np.arange(4)] * 5, indexing="ij"), axis=-1).reshape(-1, 5)
    worth = gain[paths, np.arange(5)].sum(axis=1) - 0.3 * np.abs(np.diff(paths, axis=1)).sum(axis=1)
    assert np.array_equal(best_path(gain, stiffness=0.3), paths[np.argmax(worth)])


def test_edges_of_real_close_ups(real_photos: Path) -> None:
    """Experts labelled the land with a microscope of their own; one whose land does not show may be left out."""
    from scipy.stats import spearmanr

    with (real_photos / "edge_labels.csv").open() as file:
        labels = {row["photo"]: row for row in csv.DictReader(file)}
    seen, labelled, hidden = [], [], []
    for name, row in labels.items():
        found = measure_land(read_photo(real_photos / name), Scale(300.0)).quantities
        assert "chip_depth_max" in found, name
        if "wear_land_mean" not in found:
            hidden.append(name)
            continue
        seen.append((found["wear_land_mean"].value, found["wear_land_max"].value))
        labelled.append(float(row["wear_land_um"]))
    assert len(hidden) <= 1, hidden
    for k in (0, 1):  # mean and largest width
        assert spearmanr([widths[k] for widths in seen], labelled).statistic >= 0.7
