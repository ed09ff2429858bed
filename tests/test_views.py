"""Views besides the corner: several photos as one inspection, what a wrong or missing view leads to, photos through a loupe."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.inspection import Inspection, join
from wearscope.photo.read import Photo, decode_photo
from wearscope.pipeline import TypedScale, inspect_photo
from wearscope.synthetic import Camera, Wear, corner_scene, encode_jpeg, photograph, shank_scene

LIMITS = load_limits()
TWO_FLUTES = Facts("flat", "carbide", 6.0, 2)
CAMERA = Camera(blur_px=0.9, full_well_e=8000, read_e=8)


def photo_of(scene: Any, name: str, *, loupe: bool = False) -> Photo:
    picture, _ = photograph(scene, CAMERA, np.random.default_rng(5))
    if loupe:
        picture = through_a_loupe(picture)
    return decode_photo(encode_jpeg(picture, 92), name)


def through_a_loupe(picture: Any) -> Any:
    """A round field with a soft dark rim, as a telephone sees it through a loupe."""
    height, width = picture.shape[:2]
    y, x = np.mgrid[:height, :width]
    away = np.hypot(x - width / 2, y - height / 2) / (0.52 * height)
    rim = np.clip((1.0 - away) / 0.06 + 0.5, 0, 1)[..., None]
    return np.asarray(np.rint(8 + (picture - 8.0) * rim).clip(0, 255), np.uint8)


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


def test_a_corner_through_a_loupe_is_measured() -> None:
    """The same corner with and without the loupe's round, dark rim: the radius agrees within both uncertainties."""
    plain = seen(photo_of(corner(0.07, 3), "plain.jpg"), "corner").photos[0]
    loupe = seen(photo_of(corner(0.07, 3), "loupe.jpg", loupe=True), "corner").photos[0]
    a, b = plain.measured("corner_radius"), loupe.measured("corner_radius")
    assert a is not None
    assert b is not None, (loupe.flags, loupe.not_measured)
    assert abs(a.quantity.value - b.quantity.value) <= a.quantity.expanded + b.quantity.expanded
    assert loupe.grade == "worn"


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
