"""Which view a photo shows where nobody said: told right or not at all, on drawn pictures, photographs and renders; never a reason to pass a cutter."""

import os
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wearscope.facts import Facts
from wearscope.grading.limits import load_limits
from wearscope.inspection import PhotoReport
from wearscope.photo.read import Photo, decode_photo, read_photo
from wearscope.pipeline import TypedScale, inspect_photo
from wearscope.synthetic import (
    Camera,
    Chip,
    Look,
    Scene,
    TurnedCutter,
    Wear,
    ball_scene,
    corner_scene,
    edge_scene,
    empty_scene,
    encode_jpeg,
    end_scene,
    photograph,
    shank_scene,
    through_loupe,
    turned_scenes,
)

LIMITS = load_limits()
GROUNDS = ("dark", "desk", "paper", "backlit")


def scene(shows: str, case: int) -> Scene:
    rng = np.random.default_rng(100 + case)
    look = Look(background=GROUNDS[case % 4])  # type: ignore[arg-type]
    large = (1600, 1200) if case % 3 == 0 else (1024, 768)
    factor = large[0] / 1024
    if shows == "corner":
        place = (large[0] * float(rng.uniform(0.4, 0.7)), large[1] * float(rng.uniform(0.4, 0.65)))
        turn, wear = float(rng.uniform(-25, 25)), Wear(radius_mm=float(rng.choice([0.01, 0.05, 0.2])))
        return corner_scene(
            rng,
            size=large,
            px_per_mm=250 * factor,
            corner_px=place,
            rotation_deg=turn,
            wear=wear,
            look=look,
        )
    if shows == "body":  # the corner lies below the frame
        place, turn = (600.0, 1100.0 + 400.0 * (case % 2)), float(rng.uniform(-8, 8))
        wear = Wear(radius_mm=0.2)
        return corner_scene(
            rng,
            size=(1024, 768),
            px_per_mm=250.0,
            corner_px=place,
            rotation_deg=turn,
            wear=wear,
            look=look,
        )
    if shows == "end":
        look = Look(background=GROUNDS[case % 3])  # type: ignore[arg-type]
        turn, size = float(rng.uniform(0, 360)), float(rng.uniform(70, 100)) * factor
        return end_scene(rng, size=large, px_per_mm=size, rotation_deg=turn, flutes=2 + case % 4, look=look)
    if shows == "shank":
        turn, size = float(rng.uniform(-90, 90)), float(rng.uniform(90, 150))
        return shank_scene(
            rng, size=(1280, 960), px_per_mm=size, diameter_mm=4.0, rotation_deg=turn, look=look
        )
    if shows == "profile":
        cutter = TurnedCutter(diameter_mm=4, shank_mm=4, cutting_length_mm=3.0, flutes=1 + case % 4)
        look = Look(background="backlit")
        return turned_scenes(rng, cutter, [20.0 * case], size=(1280, 960), px_per_mm=110.0, look=look)[0]
    if shows == "ball":
        return ball_scene(
            rng,
            size=large,
            px_per_mm=180 * factor,
            tip_px=(large[0] / 2, large[1] * 0.75),
            look=look,
        )
    land = float(rng.choice([0.0, 0.02, 0.05, 0.15]))
    return edge_scene(rng, size=((1200, 520), (1280, 960))[case % 2], px_per_mm=500.0, land_mm=land)


def photo_of(drawn: Scene, name: str, blur_px: float = 1.2) -> Photo:
    camera = Camera(blur_px=blur_px, full_well_e=8000, read_e=8, bayer=True, vignetting=0.15)
    return decode_photo(encode_jpeg(photograph(drawn, camera, np.random.default_rng(5))[0], 92), name)


@cache
def shot(shows: str, case: int) -> Photo:
    return photo_of(scene(shows, case), f"{shows}{case}.jpg")


def told(photo: Photo, view: str | None = None, px_per_mm: float = 250.0, **facts: Any) -> PhotoReport:
    about = Facts("flat", "carbide", 6.0, 2) if not facts else Facts(**facts)
    source = TypedScale(px_per_mm)
    return inspect_photo(photo, scale_source=source, facts=about, limits=LIMITS, view=view).photos[0]


def view_flags(report: PhotoReport) -> list[str]:
    return [flag for flag in report.flags if flag.startswith("view_")]


@pytest.mark.parametrize("shows", ["corner", "end", "edge", "shank", "profile"])
def test_views_are_told_from_the_picture(shows: str) -> None:
    """Of a whole cutter lit from behind, the corner is what can be measured."""
    found = [told(shot(shows, case)) for case in range(6)]
    right = "corner" if shows == "profile" else shows
    flags = [view_flags(report) for report in found]
    assert all(
        report.view == right or flag == ["view_assumed"] for report, flag in zip(found, flags, strict=True)
    )
    assert flags.count([f"view_detected:{right}"]) >= 5


@pytest.mark.parametrize("flutes", [1, 2, 4])
def test_an_end_before_a_dark_ground_is_no_corner_in_a_loupe(flutes: int) -> None:
    """Its shank behind looks like the round field of a loupe, in which grinding lines and edges make corners."""
    for case in range(3):
        rng = np.random.default_rng(case)
        drawn = end_scene(
            rng,
            size=(1600, 1200),
            px_per_mm=130.0,
            rotation_deg=70.0 * case,
            flutes=flutes,
            look=Look(background="dark"),
        )
        report = told(photo_of(drawn, "end.jpg"))
        assert report.view == "end" or report.grade == "retake"


def test_a_corner_in_a_small_round_field_is_asked_for_its_view() -> None:
    drawn = corner_scene(
        np.random.default_rng(3), size=(1280, 960), px_per_mm=250.0, corner_px=(680.0, 520.0)
    )
    large, photo = (photo_of(through_loupe(drawn, radius=radius), "loupe.jpg") for radius in (0.47, 0.38))
    assert view_flags(told(large)) == ["view_detected:corner"]
    assert view_flags(told(photo)) == ["view_unclear"]
    assert told(photo).grade == "retake"
    assert view_flags(told(photo, "corner")) == []


def test_a_ball_is_no_other_view() -> None:
    for case in range(4):
        assert told(shot("ball", case)).view == "corner"


def test_a_body_without_its_corner_passes_for_nothing() -> None:
    """It looks like an edge or a shank, and measured as one it can look sharp: only who says what it is can be told so."""
    photos = [shot("body", case) for case in range(8)]
    assert [told(photo).grade for photo in photos] == ["retake"] * 8
    assert "sharp" in {told(photo, "edge").grade for photo in photos}


@pytest.mark.parametrize(("shows", "px_per_mm"), [("edge", 500.0), ("shank", 150.0)])
def test_what_may_be_something_else_is_measured_but_decides_nothing(shows: str, px_per_mm: float) -> None:
    photo = shot(shows, 1)
    given, detected = told(photo, shows, px_per_mm), told(photo, None, px_per_mm)
    assert {m.name: m.quantity for m in detected.measurements} == {
        m.name: m.quantity for m in given.measurements
    }
    assert (given.grade, detected.grade) == ("sharp", "retake")
    assert f"--view {shows}" not in "".join(given.flags)
    assert view_flags(given) == []


def test_nor_does_damage_seen_in_it() -> None:
    drawn = shank_scene(
        np.random.default_rng(4),
        size=(1280, 960),
        px_per_mm=150.0,
        diameter_mm=4,
        rotation_deg=6,
        burrs=[Chip(0.5, 0.06, 0.4)],
    )
    photo = photo_of(drawn, "shank.jpg")
    assert (told(photo, "shank", 150.0).grade, told(photo, None, 150.0).grade) == ("discard", "retake")


@pytest.mark.parametrize(
    ("shows", "view"), [("corner", "shank"), ("end", "corner"), ("edge", "corner"), ("shank", "profile")]
)
def test_what_was_said_holds(shows: str, view: str) -> None:
    report = told(shot(shows, 1), view)
    assert report.view == view
    assert view_flags(report) == []


def test_an_end_is_measured_as_one() -> None:
    photo = shot("end", 1)
    given, detected = (
        told(photo, view, 85.0, kind="flat", material="carbide", diameter_mm=6.0, flutes=3)
        for view in ("end", None)
    )
    assert given.measurements == detected.measurements
    assert given.grade == detected.grade


def test_an_empty_picture_or_one_out_of_focus_is_a_retake() -> None:
    for background in GROUNDS:
        empty = empty_scene(np.random.default_rng(2), size=(1024, 768), look=Look(background=background))  # type: ignore[arg-type]
        assert told(photo_of(empty, "empty.jpg")).grade == "retake"
    for shows in ("corner", "end", "edge", "shank", "body"):
        assert told(photo_of(scene(shows, 1), "soft.jpg", blur_px=9.0)).grade == "retake", shows


PHOTOS, RENDERS = (os.environ.get(name) for name in ("WEARSCOPE_REAL_PHOTOS", "WEARSCOPE_RENDERS"))


@pytest.mark.skipif(PHOTOS is None, reason="WEARSCOPE_REAL_PHOTOS does not name the folder of real photos")
@pytest.mark.filterwarnings("ignore:All-NaN slice")
def test_real_photographs_are_told_right() -> None:
    for path in sorted(Path(str(PHOTOS)).glob("*.jpg")):
        report = told(read_photo(path))
        if path.stem.startswith(("corner", "edge")) and "background" not in path.stem:
            assert view_flags(report) == [f"view_detected:{path.stem.split('_')[0]}"], path.name
        elif not path.stem.startswith(
            "corner"
        ):  # no cutter: no worse for not having said that it is a corner
            assert report.grade in ("retake", told(read_photo(path), "corner").grade), path.name


@pytest.mark.skipif(RENDERS is None, reason="WEARSCOPE_RENDERS does not name the folder of renders")
def test_rendered_corners_are_told_right_and_the_rest_passes_for_nothing() -> None:
    for path in sorted(Path(str(RENDERS)).glob("[ABCF]*.jpg")):
        report = told(read_photo(path))
        if path.stem.startswith("F"):
            assert report.grade == "retake", path.name
        else:
            assert view_flags(report) == ["view_detected:corner"], path.name
