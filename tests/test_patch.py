"""Patches inside the outline: drawn corners with exact truth, clean corners of many kinds, and real photographs."""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from drawn_faces import CAMERA, PX_PER_MM, drawn_face

from wearscope.features.patch import measure_patch
from wearscope.finding import Finding
from wearscope.geometry.scale import Scale
from wearscope.outline.find import find_outline
from wearscope.outline.shape import Outline
from wearscope.photo.read import Photo, decode_photo, read_photo
from wearscope.synthetic.camera import encode_jpeg, photograph
from wearscope.synthetic.paint import Look, Patch
from wearscope.synthetic.surface import Heat
from wearscope.synthetic.tips import ball_scene

SCALE = Scale(PX_PER_MM, {"fit": 0.001})
SAMPLES = Path(__file__).parents[1] / "sample_images"


def drawn(seed: int, look: Look, *, helix: float = 30.0, radius: float = 0.01) -> Photo:
    return drawn_face(np.random.default_rng([31, seed]), look, helix=helix, radius=radius)[0]


def looked_at(photo: Photo) -> Finding:
    return measure_patch(photo, find_outline(photo), SCALE)


def value(finding: Finding, name: str) -> float:
    return finding.quantities[f"corner_patch_{name}"].value


PATCHES = [
    (Patch(0.5, 0.3), "dark", "carbide", 0.0),
    (Patch(0.3, 0.5, level=1.5), "dark", "hss", 30.0),
    (Patch(0.35, 0.35), "paper", "gold", 0.0),
    (Patch(0.6, 0.25, level=1.0), "paper", "violet", 30.0),
]


@pytest.mark.parametrize(("patch", "background", "finish", "helix"), PATCHES)
def test_a_drawn_patch_is_found_and_measured(
    patch: Patch, background: Any, finish: str, helix: float
) -> None:
    finding = looked_at(drawn(3, Look(background, finish, patch=patch, dust=0), helix=helix))
    assert finding.flags == ("damage_inside",)
    for name, true in (("end_edge", patch.end_mm), ("side_edge", patch.side_mm)):
        size = finding.quantities[f"corner_patch_{name}"]
        assert size.value == pytest.approx(true, abs=max(size.expanded, 0.25 * true))
    assert value(finding, "area") == pytest.approx(np.pi / 4 * patch.end_mm * patch.side_mm, rel=0.4)
    depth = (
        patch.end_mm * patch.side_mm / np.hypot(patch.end_mm, patch.side_mm)
    )  # where the ellipse is as far from both
    assert value(finding, "depth") == pytest.approx(depth, rel=0.25)


def test_a_patch_comes_with_a_closed_curve_round_its_mark() -> None:
    photo = drawn(4, Look("dark", "carbide", patch=Patch(0.4, 0.4)))
    finding = looked_at(photo)
    (curve,) = [curve for curve in finding.curves if curve.closed]
    (mark,) = finding.marks
    assert curve.name == mark.name == "patch"
    assert cv2.pointPolygonTest(curve.px.astype(np.float32), mark.px, False) > 0


def clean_looks() -> Iterator[tuple[Look, float]]:
    for helix in (0.0, 30.0):
        for finish in ("carbide", "hss", "gold", "violet"):
            yield Look("paper" if finish == "violet" else "dark", finish, dust=0), helix
        yield Look("dark", "hss", heat=Heat(), dust=0), helix
        yield Look("dark", "carbide", bright_rim_mm=0.02, dust=0), helix
        yield Look("dark", "carbide", defocus_px_per_mm=1.4, texture=0.25, dust=0), helix


def false_alarms(seeds: range, every: int = 1) -> list[tuple[int, Look]]:
    return [
        (seed, look)
        for seed in seeds
        for look, helix in list(clean_looks())[::every]
        if looked_at(drawn(seed, look, helix=helix)).flags
    ]


def test_a_whole_corner_has_no_patch() -> None:
    """Grinding lines, coatings, heat colours, shine on the edge and defocus are no damage."""
    assert not false_alarms(range(1), every=3)


@pytest.mark.slow
def test_a_whole_corner_has_no_patch_full_count() -> None:
    assert len(false_alarms(range(100, 120))) <= 2  # of 280


@pytest.mark.parametrize("radius", [0.05, 0.15])
def test_a_rounded_corner_is_no_patch(radius: float) -> None:
    finding = looked_at(drawn(5, Look("dark", "carbide", dust=0), radius=radius))
    assert finding.quantities["corner_patch_depth"].kind == "upper_limit"


def test_without_a_patch_the_depth_is_that_of_the_smallest_seen() -> None:
    finding = looked_at(drawn(6, Look("dark", "carbide", dust=0)))
    assert set(finding.quantities) == {"corner_patch_depth"}
    assert finding.quantities["corner_patch_depth"].kind == "upper_limit"
    seen = [
        bool(looked_at(drawn(seed, Look("dark", "carbide", dust=0, patch=Patch(0.3, 0.3)))).flags)
        for seed in range(2)
    ]
    assert all(seen)


def test_a_round_end_is_looked_at_along_its_arc() -> None:
    rng = np.random.default_rng(8)
    picture, _ = photograph(ball_scene(rng, px_per_mm=PX_PER_MM), CAMERA, rng)
    photo = decode_photo(encode_jpeg(picture, 90), "ball")
    outline = find_outline(photo, form="nose")
    assert outline.nose is not None
    finding = measure_patch(photo, outline, SCALE)
    assert finding.quantities["corner_patch_depth"].kind == "upper_limit"


def test_a_silhouette_shows_no_patch_and_says_so() -> None:
    finding = looked_at(read_photo(SAMPLES / "slot03_flat3_carbide_backlit.jpg"))
    assert not finding.quantities
    assert "lit from behind" in finding.not_measured["corner_patch_depth"]


@pytest.mark.parametrize(("level", "why"), [(3, "too dark"), (255, "blown out")])
def test_a_face_that_is_black_or_blown_out_is_not_measured(level: int, why: str) -> None:
    photo = drawn(7, Look("dark", "carbide"))
    outline = find_outline(photo)
    even = Photo("even", "0" * 64, np.full_like(photo.encoded, level))
    assert why in measure_patch(even, outline, SCALE).not_measured["corner_patch_depth"]


def test_without_a_corner_nothing_is_measured() -> None:
    photo = drawn(7, Look("dark", "carbide"))
    nowhere = Outline(np.zeros((0, 2)), np.zeros((4, 4), bool), 1, None)
    assert "no cutting corner" in measure_patch(photo, nowhere, SCALE).not_measured["corner_patch_depth"]


def test_the_same_picture_in_16_bit_gives_the_same_patch() -> None:
    photo = drawn(4, Look("dark", "carbide", patch=Patch(0.4, 0.4)))
    deep = Photo("deep", "0" * 64, photo.encoded.astype(np.uint16) * 257)
    outline = find_outline(photo)
    first, second = (measure_patch(p, outline, SCALE).quantities for p in (photo, deep))
    assert {n: q.value for n, q in first.items()} == {n: q.value for n, q in second.items()}


def folder(variable: str) -> Path:
    path = os.environ.get(variable)
    if not path:
        pytest.skip(f"{variable} is not set: no folder of pictures")
    return Path(path)


@pytest.mark.parametrize(
    ("name", "patch"),
    [
        ("corner_desk_8", True),
        ("corner_desk_32", True),
        ("corner_desk_36", True),
        ("corner_desk_10", False),
        ("corner_desk_13", False),
        ("corner_desk_25", False),
    ],
)
def test_real_photos(name: str, patch: bool) -> None:
    """A person sees rough fractures in the first three, clean corners with a light land in the others."""
    finding = looked_at(read_photo(folder("WEARSCOPE_REAL_PHOTOS") / f"{name}.jpg"))
    assert ("damage_inside" in finding.flags) == patch


def test_rendered_corners_have_no_patch() -> None:
    """The renders of corners and of heat, resin and coatings: no edge is damaged inside its outline."""
    photos = sorted(folder("WEARSCOPE_RENDERS").glob("[AC]??.jpg"))
    assert len(photos) >= 10
    assert not [path.stem for path in photos if looked_at(read_photo(path)).flags]
