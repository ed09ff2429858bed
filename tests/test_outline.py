"""The outline stage against drawn corners with exact truth, rendered ones and real photographs."""

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearscope.flags import blocking
from wearscope.outline.find import find_outline
from wearscope.outline.segments import link_segments
from wearscope.photo.read import Photo, read_photo
from wearscope.synthetic.camera import Camera, photograph
from wearscope.synthetic.corner import corner_scene
from wearscope.synthetic.outlines import Edges, Wear
from wearscope.synthetic.paint import Look

POSE_PX = 6.0
"""What the corner fit that follows starts from must be this near."""
GROUNDS = ("backlit", "dark", "paper")


def drawn(
    seed: int,
    ground: str,
    *,
    rotation: float = 0.0,
    mirror: bool = False,
    radius: float = 0.05,
    helix: float = 0.0,
) -> tuple[Photo, dict]:
    rng = np.random.default_rng(seed)
    scene = corner_scene(
        rng,
        size=(1280, 960),
        px_per_mm=250.0,
        corner_px=(760.0, 560.0),
        rotation_deg=rotation,
        mirror=mirror,
        edges=Edges(6.0, helix),
        wear=Wear(radius_mm=radius),
        look=Look(background=ground),
    )
    camera = Camera(blur_px=1.2, full_well_e=6000, read_e=5, vignetting=0.1, jpeg_quality=88)
    picture, truth = photograph(scene, camera, rng)
    return Photo("drawn", "0" * 64, picture), truth


def distance_to_line(points: np.ndarray, line: np.ndarray) -> np.ndarray:
    start, span = line[:-1], np.diff(line, axis=0)
    along = np.einsum("ijk,jk->ij", points[:, None] - start, span) / np.maximum((span**2).sum(axis=1), 1e-12)
    nearest = start + np.clip(along, 0, 1)[..., None] * span
    return np.hypot(*(points[:, None] - nearest).transpose(2, 0, 1)).min(axis=1)


@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("rotation", [-25.0, 0.0, 12.0, 160.0])
@pytest.mark.parametrize("helix", [0.0, 30.0])
def test_virtual_corner_is_found_on_every_ground(ground: str, rotation: float, helix: float) -> None:
    photo, truth = drawn(1, ground, rotation=rotation, helix=helix)
    outline = find_outline(photo)
    if outline.corner is None:  # paper as light as the cutter: then the photo is refused, never guessed at
        assert ground == "paper"
        assert blocking(outline.flags)
    else:
        assert math.dist(outline.corner.apex_px, truth["virtual_corner_px"]) < POSE_PX


def test_mirrored_picture_gives_the_mirrored_corner() -> None:
    photo, _ = drawn(2, "dark", rotation=8.0)
    flipped = Photo("flipped", "0" * 64, np.ascontiguousarray(photo.encoded[:, ::-1]))
    corner, mirrored = find_outline(photo).corner, find_outline(flipped).corner
    assert corner is not None and mirrored is not None
    assert math.dist(corner.apex_px, (1279 - mirrored.apex_px[0], mirrored.apex_px[1])) < 0.5


def test_cutter_that_lies_across_the_picture_is_seen_like_one_that_stands() -> None:
    """A whole tip with both corners, back-lit, tip down, and the same picture turned by a quarter either way."""
    rng = np.random.default_rng(5)
    standing = np.full((960, 960), 200.0)
    tip = np.array([(290, -20), (300, 700), (680, 720), (700, -20)])
    cv2.fillPoly(standing, [tip], (30.0,))
    noisy = cv2.GaussianBlur(standing, (0, 0), 1.5) + rng.normal(0, 2, standing.shape)
    picture = np.repeat(np.clip(noisy, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)
    for quarters in (0, 1, 3):
        turned = np.ascontiguousarray(np.rot90(picture, quarters))
        corner = find_outline(Photo("turned", "0" * 64, turned)).corner
        assert corner is not None
        x, y = {0: (680, 720), 1: (720, 959 - 680), 3: (959 - 720, 680)}[quarters]
        assert math.dist(corner.apex_px, (x, y)) < 2.0
        to_the_other = {0: (-1, 0), 1: (0, 1), 3: (0, -1)}[quarters]
        assert np.dot(corner.end_direction, to_the_other) > 0.99
        assert corner.roles_certain


@pytest.mark.parametrize("ground", GROUNDS)
def test_outline_lies_on_the_drawn_one(ground: str) -> None:
    photo, truth = drawn(3, ground, rotation=5.0, radius=0.15)
    outline = find_outline(photo)
    drawn_px = np.asarray(truth["outline_px"])
    apex = np.asarray(truth["virtual_corner_px"])
    near = outline.points_px[np.hypot(*(outline.points_px - apex).T) < 150]
    assert len(near) > 60
    distance = distance_to_line(near, drawn_px)
    nearly_alike = ground == "paper"  # a step of a tenth of the light, as large as the paper's own clouds
    assert np.median(distance) < (1.0 if nearly_alike else 0.15)
    assert np.percentile(distance, 95) < (3.0 if nearly_alike else 1.0)


def test_cutter_lies_on_the_right_hand_of_the_walk() -> None:
    photo, _ = drawn(4, "backlit")
    outline = find_outline(photo)
    points = outline.points_px[5:-5]
    tangent = np.gradient(points, axis=0)
    right = points + 6 * np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) / np.hypot(*tangent.T)[:, None]
    x, y = np.rint(right / outline.mask_step).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < outline.mask.shape[1]) & (y < outline.mask.shape[0])
    assert outline.mask[y[inside], x[inside]].mean() > 0.95


def test_empty_picture_has_no_cutter() -> None:
    rng = np.random.default_rng(5)
    picture = np.clip(rng.normal(180, 3, (600, 800, 3)), 0, 255).astype(np.uint8)
    outline = find_outline(Photo("empty", "0" * 64, picture))
    assert outline.corner is None
    assert "no_cutter" in outline.flags


@pytest.mark.parametrize(
    ("camera", "flag"),
    [
        (Camera(blur_px=8.0, full_well_e=6000, read_e=5), "out_of_focus"),
        (Camera(blur_px=1.2, exposure=0.03, full_well_e=6000, read_e=5), "underexposed"),
    ],
)
def test_unusable_pictures_are_flagged(camera: Camera, flag: str) -> None:
    rng = np.random.default_rng(6)
    scene = corner_scene(
        rng, size=(1280, 960), px_per_mm=250.0, corner_px=(760.0, 560.0), look=Look(background="dark")
    )
    picture, _ = photograph(scene, camera, rng)
    outline = find_outline(Photo("bad", "0" * 64, picture))
    assert flag in outline.flags or "no_cutter" in outline.flags


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(*[st.floats(0, 600)] * 4), max_size=12))
def test_linking_uses_every_segment_once(raw: list[tuple[float, float, float, float]]) -> None:
    segments = np.array([s for s in raw if math.dist(s[:2], s[2:]) > 1.0], float).reshape(-1, 4)
    chains = link_segments(segments)
    ends = sorted(tuple(p) for c in chains for p in c.points)
    assert ends == sorted(tuple(p) for p in segments.reshape(-1, 2))


def test_rendered_corners_are_found(renders: Path) -> None:
    missed = []
    truths = [json.loads(p.read_text()) for p in sorted(renders.glob("[ABC]??.json"))]
    inside = [(t, next(e for e in t["edges"] if e["shows"] == "rake face")) for t in truths]
    inside = [(t, e) for t, e in inside if e["corner_in_frame"]]
    for truth, edge in inside:
        corner = find_outline(read_photo(renders / truth["file"])).corner
        if corner is None or math.dist(corner.apex_px, edge["virtual_sharp_corner_px"]) > 5:
            missed.append(truth["id"])
    assert len(missed) <= 0.05 * len(inside), missed


def test_real_corners_are_where_a_person_sees_them(real_photos: Path) -> None:
    """Places read off the photographs by eye, to about 10 px."""
    seen = {
        "corner_desk_10": (272, 348),
        "corner_desk_13": (218, 255),
        "corner_desk_25": (343, 288),
        "corner_desk_36": (254, 271),
        "corner_machine_30": (303, 530),
    }
    for name, place in seen.items():
        corner = find_outline(read_photo(real_photos / f"{name}.jpg")).corner
        assert corner is not None, name
        assert math.dist(corner.apex_px, place) < 15, name


def test_picture_without_tool_has_no_corner_that_can_be_graded(real_photos: Path) -> None:
    assert blocking(find_outline(read_photo(real_photos / "corner_machine_background1.jpg")).flags)


def test_scales_are_no_cutters(renders: Path) -> None:
    """Stages, rulers, boards and dots have corners too; none of them may be graded as a cutter's."""
    pictures = sorted(renders.glob("E??.jpg"))
    assert pictures
    passed = [p.stem for p in pictures if not blocking(find_outline(read_photo(p)).flags)]
    assert not passed
