"""One end mill's corner in two real pictures, new and after 0.8 m of cutting, against masks drawn by hand.

The masks follow the rake face and leave out the visible flank, so the side edge does not count.
"""

from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
import pytest
from scipy.spatial import cKDTree
from skimage.measure import find_contours

from wearscope.features.corner import measure_corner
from wearscope.finding import Finding
from wearscope.geometry.scale import Scale
from wearscope.outline.find import find_outline
from wearscope.outline.shape import Outline
from wearscope.photo.read import read_photo

STAGES = ("0.0m", "0.8m")


class Seen(NamedTuple):
    outline: Outline
    found: Finding
    mask_border: np.ndarray


@pytest.fixture(scope="module")
def series(real_photos: Path) -> dict[str, Seen]:
    return {stage: look(real_photos, stage) for stage in STAGES}


def look(folder: Path, stage: str) -> Seen:
    photo = read_photo(folder / f"series_{stage}_photo.png")
    outline = find_outline(photo)
    mask = cv2.imread(str(folder / f"series_{stage}_edge.png"), cv2.IMREAD_GRAYSCALE)
    border = max(find_contours(mask, 127.5), key=len)[:, ::-1]
    return Seen(outline, measure_corner(photo, outline, Scale(1.0)), border)


def end_edge_and_corner(seen: Seen) -> np.ndarray:
    """The outline along the end edge and round the corner, no farther down the side than the corner reaches."""
    pose = seen.outline.corner
    assert pose is not None
    from_apex = seen.outline.points_px - np.array(pose.apex_px)
    end = np.array(pose.end_direction)
    across = np.array([-end[1], end[0]])
    across *= np.sign(across @ np.array(pose.side_direction))
    reach = seen.found.quantities["corner_loss_side_edge"].value
    near = (from_apex @ across < reach) & (from_apex @ end > -reach) & (from_apex @ end < pose.end_length_px)
    return seen.outline.points_px[near]


def test_cutting_takes_off_the_corner(series: dict[str, Seen]) -> None:
    new, worn = (series[stage].found.quantities["corner_recession"] for stage in STAGES)
    assert worn.value > new.value


@pytest.mark.parametrize("stage", STAGES)
def test_outline_follows_the_mask_along_end_edge_and_corner(series: dict[str, Seen], stage: str) -> None:
    points = end_edge_and_corner(series[stage])
    assert len(points) > 100
    distance = cKDTree(series[stage].mask_border).query(points)[0]
    assert np.median(distance) < 2.0
