"""Views besides the corner: several photos as one inspection, what a wrong or missing view leads to, photos through a loupe."""

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.inspection import Inspection, join
from wearscope.photo.field import within_field
from wearscope.photo.read import Photo, decode_photo, read_photo
from wearscope.pipeline import TypedScale, inspect_photo
from wearscope.synthetic import (
    Camera,
    Look,
    Wear,
    corner_scene,
    edge_scene,
    empty_scene,
    encode_jpeg,
    end_scene,
    photograph,
    shank_scene,
    through_loupe,
)

LIMITS = load_limits()
TWO_FLUTES = Facts("flat", "carbide", 6.0, 2)
CAMERA = Camera(blur_px=0.9, full_well_e=8000, read_e=8)


def photo_of(scene: Any, name: str) -> Photo:
    picture, _ = photograph(scene, CAMERA, np.random.default_rng(5))
    return decode_photo(encode_jpeg(picture, 92), name)


def corner(radius: float, seed: int, *, size: tuple[int, int] = (1024, 768)) -> Any:
    return corner_scene(
        np.random.default_rng(seed),
        size=size,
        px_per_mm=250.0,
        corner_px=(600.0, 470.0),
        wear=Wear(radius_mm=radius),
    )


def seen(photo: Photo, view: str, flute: int = 1, px_per_mm: float = 250.0) -> Inspection:
    return inspect_photo(
        photo, scale_source=TypedScale(px_per_mm), facts=TWO_FLUTES, limits=LIMITS, view=view, flute=flute
    )


@pytest.fixture(scope="module")
def good() -> dict[str, Inspection]:
    shank = shank_scene(
        np.random.default_rng(4), size=(1280, 960), px_per_mm=150.0, diameter_mm=4, rotation_deg=6
    )
    return {
        "corner of flute 1": seen(photo_of(corner(0.01, 1), "corner_1.jpg"), "corner", 1),
        "corner of flute 2": seen(photo_of(corner(0.01, 2), "corner_2.jpg"), "corner", 2),
        "shank": seen(photo_of(shank, "shank.jpg"), "shank", 1, 150.0),
    }


def test_several_photos_are_one_inspection(good: dict[str, Inspection]) -> None:
    whole = join(list(good.values()), limits=LIMITS)
    assert (whole.grade, whole.complete, whole.missing_views) == ("sharp", True, ())
    assert [photo.view for photo in whole.photos] == ["corner", "corner", "shank"]


@pytest.mark.parametrize("view", ["corner of flute 1", "corner of flute 2"])
def test_without_a_corner_it_is_not_complete_and_the_corner_is_named(
    good: dict[str, Inspection], view: str
) -> None:
    rest = join([one for name, one in good.items() if name != view], limits=LIMITS)
    assert not rest.complete
    assert rest.missing_views == (view,)
    assert view in rest.advice


def test_a_bad_shank_spoils_good_corners(good: dict[str, Inspection]) -> None:
    from wearscope.synthetic import Chip

    scene = shank_scene(
        np.random.default_rng(4),
        size=(1280, 960),
        px_per_mm=150.0,
        diameter_mm=4,
        rotation_deg=6,
        burrs=[Chip(0.5, 0.06, 0.4)],
    )
    bad = seen(photo_of(scene, "shank.jpg"), "shank", 1, 150.0)
    corners = [good["corner of flute 1"], good["corner of flute 2"]]
    assert join([*corners, bad], limits=LIMITS).grade == "discard"


LOUPES = [(0.55, 0.06), (0.47, 0.02), (0.47, 0.15)]
"""Radius of the field, as a share of the picture's shorter side, and how soft its rim is."""


@pytest.mark.parametrize(("radius", "softness"), LOUPES)
@pytest.mark.parametrize("background", ["desk", "dark", "paper"])
def test_a_corner_through_a_loupe_is_measured(radius: float, softness: float, background: Any) -> None:
    """The same corner with and without the loupe's round, dark rim: place and radius agree within both uncertainties."""
    scene = corner_scene(
        np.random.default_rng(3),
        size=(1280, 960),
        px_per_mm=250.0,
        corner_px=(680.0, 520.0),
        wear=Wear(radius_mm=0.07),
        look=Look(background=background),
    )
    round_scene = through_loupe(scene, radius=radius, softness=softness)
    plain = seen(photo_of(scene, "plain.jpg"), "corner").photos[0]
    loupe = seen(photo_of(round_scene, "loupe.jpg"), "corner").photos[0]
    a, b = plain.measured("corner_radius"), loupe.measured("corner_radius")
    assert a is not None
    assert b is not None, (loupe.flags, loupe.not_measured)
    assert abs(a.quantity.value - b.quantity.value) <= a.quantity.expanded + b.quantity.expanded
    assert ("round_field" in loupe.flags, "round_field" in plain.flags) == (True, False)
    places = [next(m.px for m in one.marks if m.name == "virtual_corner") for one in (plain, loupe)]
    assert np.hypot(*np.subtract(*places)) < 2.0
    assert loupe.size == plain.size
    assert loupe.grade == a.grade == b.grade == "worn"


@pytest.mark.parametrize("radius_mm", [0.0, 0.3])
def test_a_blunt_corner_through_a_loupe_is_never_sharp(radius_mm: float) -> None:
    wear = Wear(radius_mm=radius_mm)
    scene = corner_scene(
        np.random.default_rng(8), size=(1280, 960), px_per_mm=250.0, corner_px=(660.0, 500.0), wear=wear
    )
    grade = seen(photo_of(through_loupe(scene), "loupe.jpg"), "corner").grade
    assert grade == ("sharp" if radius_mm == 0 else "discard")


def test_a_loupe_with_nothing_in_it_shows_no_cutter() -> None:
    scene = through_loupe(
        empty_scene(np.random.default_rng(2), size=(1280, 960), look=Look(background="desk"))
    )
    for view in ("corner", "edge", "shank", "profile", "end"):
        assert seen(photo_of(scene, "empty.jpg"), view).grade == "retake"


def test_an_edge_and_an_end_through_a_loupe() -> None:
    edge = edge_scene(
        np.random.default_rng(1), size=(1280, 960), px_per_mm=500.0, edge_y_px=560.0, land_mm=0.05
    )
    plain = seen(photo_of(edge, "edge.jpg"), "edge", 1, 500.0).photos[0]
    loupe = seen(photo_of(through_loupe(edge), "edge.jpg"), "edge", 1, 500.0).photos[0]
    a, b = plain.measured("wear_land_max"), loupe.measured("wear_land_max")
    assert a is not None
    assert b is not None, loupe.not_measured
    assert abs(a.quantity.value - b.quantity.value) <= a.quantity.expanded + b.quantity.expanded + 0.01
    end = through_loupe(end_scene(np.random.default_rng(3), size=(1024, 768), px_per_mm=85.0, flutes=2))
    counted = seen(photo_of(end, "end.jpg"), "end", 1, 85.0).photos[0].measured("flute_count")
    assert counted is None or counted.quantity.value == 2


REAL = os.environ.get("WEARSCOPE_REAL_PHOTOS")


@pytest.mark.skipif(REAL is None, reason="WEARSCOPE_REAL_PHOTOS does not name the folder of real photos")
@pytest.mark.filterwarnings("ignore:All-NaN slice")
def test_real_corners_in_a_round_dark_rim_are_seen_inside_it_or_not_at_all() -> None:
    """No round field is seen where there is none; with one, what is found lies in it, and damage that is plain without is never sharp."""
    plain = {path: read_photo(path) for path in sorted(Path(str(REAL)).glob("corner_*.jpg"))}
    assert len(plain) == 13
    for path, photo in plain.items():
        assert within_field(photo)[0] is photo, path.name
        x0, y0, radius = 500.0, 500.0, 490.0
        dark = replace(photo, encoded=in_a_rim(photo.encoded, x0, y0, radius))
        inner, at = within_field(dark)
        assert inner.size != dark.size, path.name
        corners = np.array(at) + np.array([(0, 0), (1, 0), (0, 1), (1, 1)]) * (np.array(inner.size) - 1)
        assert np.hypot(*(corners - [x0, y0]).T).max() < 0.97 * radius, path.name
        report = seen(dark, "corner").photos[0]
        assert "round_field" in report.flags
        marks = np.array([m.px for m in report.marks]).reshape(-1, 2)
        assert (np.hypot(*(marks - [x0, y0]).T) < radius).all(), path.name
        if any(
            name in path.stem for name in ("desk_8", "desk_18", "desk_32", "desk_36", "desk_64", "desk_77")
        ):
            assert report.grade != "sharp", path.name


def in_a_rim(picture: Any, x0: float, y0: float, radius: float) -> Any:
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    light = np.clip((1 - np.hypot(x - x0, y - y0) / radius) / 0.06 + 0.5, 0, 1)[..., None]
    return np.rint(8 + (picture - 8.0) * light).clip(0, 255).astype(np.uint8)


@pytest.mark.parametrize("name", ["shank_burr_max", "shank_straightness"])
def test_a_good_shank_without_one_of_its_measurements_is_never_sharp(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    import wearscope.pipeline

    measure = wearscope.pipeline.measure_shank

    def without(*words: Any, **options: Any) -> Any:
        found = measure(*words, **options)
        kept = {key: quantity for key, quantity in found.quantities.items() if key != name}
        return replace(found, quantities=kept, not_measured={**found.not_measured, name: "left out"})

    scene = shank_scene(
        np.random.default_rng(4), size=(1280, 960), px_per_mm=150.0, diameter_mm=4, rotation_deg=6
    )
    photo = photo_of(scene, "shank.jpg")
    assert seen(photo, "shank", 1, 150.0).grade == "sharp"
    monkeypatch.setattr(wearscope.pipeline, "measure_shank", without)
    assert seen(photo, "shank", 1, 150.0).grade == "retake"
