"""A rake face that leans: its edges run out of focus, and lengths across the lean are shortened."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from wearscope.features.squareness import BY_EYE_DEG, LEANING_DEG, measure_squareness, with_tilt
from wearscope.finding import Finding
from wearscope.outline.find import find_outline
from wearscope.photo.read import Photo, read_photo
from wearscope.quantity import Quantity
from wearscope.synthetic import Camera, Wear, corner_scene, photograph
from wearscope.synthetic.outlines import Edges
from wearscope.synthetic.paint import Look

APERTURE = 0.05
"""Half the angle (rad) of the cone of light: a cheap microscope at a working distance of some cm."""


def drawn(
    lean_deg: float, *, about: str = "both", helix: float = 0.0, seed: int = 1, blur: float = 1.0
) -> Photo:
    """A corner in the plane of focus whose rake face leans by `lean_deg` about its side edge, its end edge, or both.

    Out of focus by z a point becomes a disc of radius z x aperture, whose second moment is that of a Gaussian of half that.
    """
    rng = np.random.default_rng(seed)
    px_per_mm, corner = 280.0, (1100.0, 800.0)
    scene = corner_scene(
        rng,
        size=(1600, 1200),
        px_per_mm=px_per_mm,
        corner_px=corner,
        rotation_deg=float(rng.uniform(-12, 12)),
        wear=Wear(radius_mm=0.03),
        edges=Edges(6.0, helix),
        look=Look(background="dark", defocus_px_per_mm=APERTURE / 2 * px_per_mm if helix else 0.0),
    )
    x, y = np.meshgrid(np.arange(1600.0) - corner[0], np.arange(1200.0) - corner[1])
    across = {"side": x, "end": y, "both": (x + y) / math.sqrt(2)}[about]
    lean = np.abs(across) * math.tan(math.radians(lean_deg)) * APERTURE / 2
    own = 0.0 if scene.defocus_px is None else scene.defocus_px
    scene = replace(scene, defocus_px=np.hypot(lean, own).astype(np.float32))
    picture, _ = photograph(scene, Camera(blur_px=blur, full_well_e=8000, read_e=5, jpeg_quality=92), rng)
    return Photo("drawn", "0" * 64, picture)


def flags(photo: Photo) -> tuple[str, ...]:
    outline = find_outline(photo)
    assert outline.corner is not None
    return measure_squareness(photo, outline).flags


@pytest.mark.parametrize("about", ["side", "end", "both"])
def test_a_leaning_face_is_flagged(about: str) -> None:
    assert flags(drawn(20.0, about=about)) == ("not_square",)


@pytest.mark.parametrize("seed", range(4))
def test_a_square_face_is_not(seed: int) -> None:
    assert flags(drawn(2.0, seed=seed)) == ()


@pytest.mark.parametrize("seed", range(2))
def test_out_of_focus_all_over_is_not_leaning(seed: int) -> None:
    assert flags(drawn(0.0, seed=seed, blur=2.8)) == ()


def test_a_helix_leaves_the_plane_of_focus_by_itself() -> None:
    assert flags(drawn(0.0, helix=30.0)) == ()


def test_renders_that_are_square_are_not_flagged(renders: Path) -> None:
    """Poses within two degrees of square, straight and helical."""
    flagged = []
    for path in sorted(renders.glob("[AB]??.jpg")):
        photo = read_photo(path)
        outline = find_outline(photo)
        if outline.corner is not None and measure_squareness(photo, outline).flags:
            flagged.append(path.stem)
    assert not flagged


def test_lengths_carry_the_cosine_of_a_possible_lean() -> None:
    """By hand: 1 - cos(5 degrees) is 0.381 %, over the square root of three 0.22 %; at 20 degrees 3.48 %."""
    corner = Finding(
        {
            "corner_radius": Quantity(0.1, "mm", {"noise": 0.001}, below=0.002, above=0.003),
            "corner_recession": Quantity(0.04, "mm", {"noise": 0.001}, "upper_limit"),
            "edge_blur_width": Quantity(1.2, "px", {"noise": 0.01}),
        }
    )
    assert (BY_EYE_DEG, LEANING_DEG) == (5.0, 20.0)
    square, leaning = with_tilt(corner, leans=False).quantities, with_tilt(corner, leans=True).quantities
    assert square["corner_radius"].parts["tilt"] == pytest.approx(0.1 * 0.0021971, rel=1e-3)
    assert leaning["corner_radius"].parts["tilt"] == pytest.approx(0.1 * 0.034818, rel=1e-3)
    assert leaning["corner_radius"].above == pytest.approx(math.hypot(0.003, 0.0069636), rel=1e-3)
    assert leaning["corner_recession"].value == pytest.approx(0.04 / math.cos(math.radians(20)))
    assert leaning["edge_blur_width"] == corner.quantities["edge_blur_width"]
