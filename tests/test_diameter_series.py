"""Cutting diameter from turned silhouettes: pooled statistics, drawn pictures, rendered series, wrong use."""

import json
import os
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from diameter_cases import random_case, seen
from diameter_truth import Camera, Cutter, picture

from wearscope.errors import PhotoError
from wearscope.features.diameter import (
    NotASilhouette,
    SeriesResult,
    about_edges,
    find_silhouettes,
    measure_series,
)
from wearscope.features.diameter.axis import frames_about_shank
from wearscope.features.diameter.bounds import more_photos, shortfall
from wearscope.features.diameter.edges import fit_edges
from wearscope.features.diameter.grid import make_series
from wearscope.geometry.scale import Scale
from wearscope.photo.read import Photo, read_photo

REAL = os.environ.get("WEARSCOPE_REAL_PHOTOS")
RENDERS = os.environ.get("WEARSCOPE_RENDERS")
SMALL = Camera(px_per_mm=60.0, size=(640, 480), lens=200.0)


def photo(pixels: np.ndarray, name: str = "drawn.png") -> Photo:  # type: ignore[type-arg]
    return Photo(name, "0" * 64, pixels)


@dataclass
class Pool:
    """In um: errors of the values, their expanded uncertainties, allowed errors; how far lower bounds lie above the truth."""

    error: list[float] = field(default_factory=list)
    expanded: list[float] = field(default_factory=list)
    allowed: list[float] = field(default_factory=list)
    above: list[float] = field(default_factory=list)

    def within(self, widths: list[float]) -> float:
        return float(np.mean(np.abs(self.error) <= np.array(widths)))


def pooled(seeds: range) -> Pool:
    """Series found in drawn pictures, the scale exact; 4 um or a quarter pixel are allowed."""
    pool = Pool()
    for seed in seeds:
        case = random_case(np.random.default_rng(seed), drawn=True)
        px = case.camera.px_per_mm
        diameter = measure_series(
            case.silhouettes, flutes=case.cutter.flutes, scale=Scale(px), angles_deg=case.angles_deg
        ).diameter
        off = 1000 * (diameter.value - case.truth_mm)
        if diameter.kind == "lower_limit":
            pool.above.append(off)
            continue
        pool.error.append(off)
        pool.expanded.append(1000 * diameter.expanded)
        pool.allowed.append(max(4.0, 250 / px))
    return pool


def test_error_and_coverage_of_pooled_series() -> None:
    pool = pooled(range(500_000, 500_024))
    # 95 % of 24 within: fewer than 20 have a chance of 1 in 170 (binomial), fewer than 19 of 1 in 1000.
    assert pool.within(pool.allowed) >= 20 / 24
    assert pool.within(pool.expanded) >= 19 / 24
    assert abs(np.median(pool.error)) < 1.0
    assert len(pool.above) <= 3


@pytest.mark.slow
def test_error_and_coverage_of_2000_pooled_series() -> None:
    pool = pooled(range(710_000, 712_000))
    assert pool.within(pool.allowed) >= 0.95
    assert 0.93 <= pool.within(pool.expanded) <= 0.97
    assert np.mean(np.array(pool.above) <= 0) >= 0.95
    assert (
        len(pool.above) <= 0.1 * 2000
    )  # refused although they could carry a value: straight edges, small pictures


def test_a_rake_side_that_few_directions_leave_open() -> None:
    """Four straight edges, 16 photos: each edge is seen at 4, -18 and -41 degrees, and mirrored edges 0.16 px smaller follow two of
    them with photos turned by 0.75 degrees. 4.8 um off, with an interval of 1.8, when the photos' angles did not count."""
    case = random_case(np.random.default_rng(600_076), drawn=True)
    result = measure_series(
        case.silhouettes, flutes=4, scale=Scale(case.camera.px_per_mm), angles_deg=case.angles_deg
    )
    assert result.fit is not None
    assert result.fit.hand == -1
    assert abs(result.diameter.value - case.truth_mm) <= min(0.002, result.diameter.expanded)


def test_a_second_reading_of_the_outline_widens_the_interval() -> None:
    """Five straight edges, 15 photos: every tooth is seen from the same six sides, and edges on the other side of the same three of them
    are 4 um nearer: the middle, and both within the interval."""
    case = random_case(np.random.default_rng(720_436), drawn=True)
    result = measure_series(
        case.silhouettes, flutes=5, scale=Scale(case.camera.px_per_mm), angles_deg=case.angles_deg
    )
    assert result.diameter.parts["ambiguity"] > 0
    assert "nearly as well" in result.reasons[0]
    assert abs(result.diameter.value - case.truth_mm) <= result.diameter.expanded


def straight_series(flutes: int, photos: int, start_deg: float) -> SeriesResult:
    """Straight edges 5.94 mm across at even, known steps; `start_deg`: how far the first photo is past an edge."""
    cutter = Cutter(
        diameter=5.94, flutes=flutes, helix=0.0, wash_out=1.0, cut_length=5.0, land=0.14, relief=9.0
    )
    rng = np.random.default_rng(5)
    turns = 2 * np.pi * np.arange(photos) / photos
    frames = [seen(cutter, Camera(px_per_mm=110.0), np.radians(start_deg) + t, rng) for t in turns]
    return measure_series(frames, flutes=flutes, scale=Scale(110.0), angles_deg=np.degrees(turns))


@pytest.mark.parametrize("start_deg", [0.0, 4.0, 8.0])
@pytest.mark.parametrize(("flutes", "photos"), [(1, 14), (2, 14), (3, 15)])
def test_few_photos_of_straight_edges(flutes: int, photos: int, start_deg: float) -> None:
    """No photo shows an edge at its widest, and the nearest may be on its relief's side: what lies far ahead of the edge tells."""
    diameter = straight_series(flutes, photos, start_deg).diameter
    assert diameter.kind == "value"
    assert abs(diameter.value - 5.94) <= min(0.001, diameter.expanded)


def test_two_sides_of_straight_edges_are_not_enough() -> None:
    """Four edges, 16 photos: every tooth is seen from the same four sides, and follows its edge on two of them. With a 17th photo all are
    different."""
    few = straight_series(4, 16, 2.0)
    assert few.diameter.kind == "lower_limit"
    assert few.diameter.value <= 5.94
    assert "two sides" in few.reasons[0]
    assert "take 17 photos" in few.reasons[0]
    more = straight_series(4, 17, 2.0).diameter
    assert more.kind == "value"
    assert abs(more.value - 5.94) <= min(0.001, more.expanded)


@pytest.mark.parametrize(
    ("photos", "flutes", "more"), [(12, 5, 13), (15, 5, 17), (12, 3, 13), (13, 2, 27), (13, 3, 29)]
)
def test_more_photos_share_no_factor_with_the_flutes(photos: int, flutes: int, more: int) -> None:
    assert more_photos(photos, flutes) == more


@pytest.mark.parametrize("helix", [0.0, 30.0])
def test_a_shank_whose_edges_do_not_scatter_at_all(helix: float) -> None:
    """Drawn without noise or JPEG; its axis is still not known for nothing, and nothing is divided by zero."""
    cutter, rng = Cutter(diameter=5.95, helix=helix, wash_out=1.0), np.random.default_rng(3)
    found = [seen(cutter, Camera(px_per_mm=110.0), 0.4 + k * np.pi / 8, rng, noise_px=0.0) for k in range(16)]
    frames = [replace(f, axis_covariance=np.zeros((2, 2))) for f in frames_about_shank(found)]
    fit = fit_edges(make_series(frames, np.arange(16) * np.pi / 8, angles_known=True), 2)
    assert fit.largest_px()[0] / 110.0 == pytest.approx(2.975, abs=0.0005)


def test_an_edge_off_to_the_side_of_the_axis_is_farther_from_it() -> None:
    """Two edges 1.5 mm from their own axis, which lies 0.05 mm to their side: Pythagoras, 1.7 um more in diameter."""
    camera = Camera(px_per_mm=200.0)

    def measured(eccentric: float) -> float:
        rng = np.random.default_rng(2)
        cutter = Cutter(
            diameter=3.0,
            flutes=2,
            helix=0.0,
            shank=3.0,
            cut_length=3.0,
            wash_out=1.0,
            eccentric=eccentric,
            eccentric_angle=np.pi / 2,
        )
        frames = [seen(cutter, camera, 0.4 + k * np.pi / 12, rng, noise_px=0.01) for k in range(24)]
        angles = [15.0 * k for k in range(24)]
        return measure_series(frames, flutes=2, scale=Scale(200.0), angles_deg=angles).diameter.value

    more = 2 * np.hypot(1.5, 0.05) - 3.0
    assert measured(0.05) - measured(0.0) == pytest.approx(more, abs=0.0008)


@pytest.mark.parametrize("photos", [12, 13, 25])
def test_straight_edges_at_unknown_angles_give_a_lower_bound_that_holds(photos: int) -> None:
    """Two edges: never above the truth, and as far below it as is said (median 18 um at 12 photos in an independent simulation)."""
    cutter = Cutter(diameter=5.95, flutes=2, helix=0.0, shank=6.0, cut_length=5.0, wash_out=1.0)
    short = []
    for seed in range(12):
        rng = np.random.default_rng(900 + seed)
        turns = rng.uniform(0, 2 * np.pi) + (np.arange(photos) + rng.uniform(-0.25, 0.25, photos)) * (
            2 * np.pi / photos
        )
        frames = [seen(cutter, Camera(px_per_mm=110.0), t, rng) for t in turns]
        result = measure_series(frames, flutes=2, scale=Scale(110.0))
        assert result.diameter.kind == "lower_limit"
        short.append(5.95 - result.diameter.value)
    rule, worst = (5.95 * share for share in shortfall(photos))
    assert min(short) >= 0
    assert max(short) <= worst
    assert np.median(short) <= rule
    said = result.reasons[0]
    assert f"{result.diameter.value * shortfall(photos)[1]:.3f} mm" in said
    assert f"take {2 * photos + 1} photos" in said


@pytest.mark.parametrize(("flutes", "helix", "step"), [(2, 30.0, None), (3, 0.0, 15.0)])
def test_drawn_pictures(flutes: int, helix: float, step: float | None) -> None:
    """The whole way from 8-bit JPEG-coded pixels, scale from the shank."""
    rng = np.random.default_rng(3)
    photos = 24 if step else 14
    cutter = Cutter(
        diameter=5.94,
        flutes=flutes,
        helix=helix,
        shank=6.0,
        cut_length=5.0,
        wash_out=1.0,
        eccentric=0.02,
        eccentric_angle=1.0,
    )
    pictures = [
        photo(
            picture(
                cutter,
                SMALL,
                0.4 + k * 2 * np.pi / photos,
                rng,
                tilt=rng.normal(0, 0.01),
                offset=rng.normal(0, 4),
            )
        )
        for k in range(photos)
    ]
    angles = [k * step for k in range(photos)] if step else None
    result = measure_series(find_silhouettes(pictures), flutes=flutes, shank_mm=6.0, angles_deg=angles)
    k = np.tan(np.radians(helix)) / (cutter.diameter / 2)
    along = np.linspace(0, cutter.cut_length, 100)
    directions = 2 * np.pi * np.arange(flutes)[:, None] / flutes + k * along[None, :]
    truth = 2 * np.abs(cutter.diameter / 2 * np.exp(1j * directions) + 0.02 * np.exp(1j)).max()
    assert result.diameter.kind == "value"
    assert abs(result.diameter.value - truth) <= max(0.004, 0.25 / SMALL.px_per_mm)
    assert abs(result.diameter.value - truth) <= 1.5 * result.diameter.expanded
    assert result.scale.id == "shank"
    assert len(result.radii_mm) == flutes


def test_one_photo_is_a_lower_bound() -> None:
    rng = np.random.default_rng(1)
    result = measure_series([seen(Cutter(), Camera(px_per_mm=110.0), 0.3, rng)], flutes=2, scale=Scale(110.0))
    assert result.diameter.kind == "lower_limit"
    assert "1 photo only" in result.reasons[0]


@pytest.mark.parametrize(
    ("flutes", "words"), [(4, "29 %"), (6, "13 %"), (3, "13 %"), (5, "5 %"), (2, "any amount")]
)
def test_one_photo_says_how_much_too_small_it_may_be(flutes: int, words: str) -> None:
    """1 - cos(180/N) for even, 1 - cos(90/N) for odd counts: what flat anvils read (0.707, 0.866, 0.951 of D) at the worst angle."""
    cutter = Cutter(flutes=flutes, helix=0.0)
    one = seen(cutter, Camera(px_per_mm=110.0), 0.3, np.random.default_rng(1))
    assert words in measure_series([one], flutes=flutes, scale=Scale(110.0)).reasons[0]


@pytest.mark.parametrize("flutes", [2, 4])
@pytest.mark.parametrize("off_deg", [0.0, 3.0, -7.0])
def test_one_photo_with_the_edges_in_its_plane(flutes: int, off_deg: float) -> None:
    cutter = Cutter(diameter=5.95, flutes=flutes, helix=0.0, margin=0.0)
    one = seen(cutter, Camera(px_per_mm=110.0), np.radians(off_deg), np.random.default_rng(1))
    value = measure_series([one], flutes=flutes, scale=Scale(110.0), edges_in_plane=True).diameter
    assert value.kind == "value"
    assert value.below is not None
    assert value.above is not None
    assert value.value - value.below <= 5.95 <= value.value + value.above
    assert value.above > 5 * value.below


def test_edges_in_the_plane_need_one_photo_of_an_even_count() -> None:
    one = seen(Cutter(flutes=3), Camera(px_per_mm=110.0), 0.3, np.random.default_rng(1))
    with pytest.raises(ValueError, match="even number"):
        measure_series([one], flutes=3, scale=Scale(110.0), edges_in_plane=True)


@pytest.mark.parametrize(
    ("flutes", "helix", "length", "depth"),
    [
        (2, 30.0, 1.5, 0.02),
        (3, 0.0, 2.5, 0.005),
        (4, 35.0, 3.5, 0.01),
        (2, 30.0, 2.5, 0.0),
        (1, 30.0, 3.5, 0.01),
    ],
)
def test_worn_step_along_the_edge(flutes: int, helix: float, length: float, depth: float) -> None:
    """A cutter that always cuts the same sheet: both diameters, where the step lies, and no step where there is none."""
    rng = np.random.default_rng(7)
    cutter = Cutter(
        diameter=5.95,
        flutes=flutes,
        helix=helix,
        wash_out=1.0,
        eccentric=0.01,
        worn_length=length,
        worn_by=depth,
    )
    camera = Camera(px_per_mm=110.0)
    frames = [seen(cutter, camera, 0.4 + k * np.pi / 8, rng) for k in range(16)]
    result = measure_series(
        frames, flutes=flutes, scale=Scale(110.0), angles_deg=[k * 22.5 for k in range(16)]
    )
    assert (
        abs(result.diameter.value - 2 * cutter.edge_radii().max()) <= 0.03
    )  # edge 0 alone is known to lie near the offset
    if not depth:
        assert result.step is None
        return
    assert result.step is not None
    assert result.worn is not None
    assert result.step.value == pytest.approx(2 * depth, abs=0.001)
    assert result.diameter.value - result.worn.value == pytest.approx(2 * depth, abs=0.001)
    assert result.step_at_mm == pytest.approx(length, abs=0.3)
    assert "worn" in " ".join(result.reasons)
    assert f"no deeper than {result.step_at_mm:.1f} mm" in " ".join(about_edges(result))


def test_runout_and_what_it_does_to_the_chips() -> None:
    """Edges 0.02 mm apart in radius: one takes 0.02 mm more than the feed per tooth, the other as much less (Kline and DeVor 1983:
    chip thickness = feed + difference of successive radii; from memory)."""
    rng = np.random.default_rng(3)
    cutter = Cutter(diameter=5.95, flutes=2, helix=30.0, wash_out=1.0, extra=(0.0, -0.02))
    frames = [seen(cutter, Camera(px_per_mm=110.0), 0.4 + k * np.pi / 8, rng) for k in range(16)]
    result = measure_series(frames, flutes=2, scale=Scale(110.0), angles_deg=[k * 22.5 for k in range(16)])
    assert result.runout is not None
    assert result.runout.value == pytest.approx(0.02, abs=0.002)
    assert sorted(result.extra_chip_mm) == pytest.approx([-0.02, 0.02], abs=0.002)
    assert "does not cut at all" in " ".join(about_edges(result))


def test_order_of_the_chips_follows_the_turning_sense() -> None:
    """The edge before another in the cut is the next one on its rake side; drawn cutters have their relief at smaller angles."""
    rng = np.random.default_rng(3)
    extra = (0.0, -0.01, -0.03)
    cutter = Cutter(diameter=5.95, flutes=3, helix=0.0, wash_out=1.0, extra=extra)
    frames = [seen(cutter, Camera(px_per_mm=110.0), k * np.pi / 12, rng) for k in range(24)]
    result = measure_series(frames, flutes=3, scale=Scale(110.0), angles_deg=[k * 15.0 for k in range(24)])
    order = [int(np.argmin([abs(r - 2.975 - x) for x in extra])) for r in result.radii_mm]
    expected = [extra[k] - extra[(k + 1) % 3] for k in order]
    assert sorted(order) == [0, 1, 2]
    assert result.extra_chip_mm == pytest.approx(expected, abs=0.002)


@pytest.mark.parametrize("said", [2, 3])
def test_too_few_flutes_said(said: int) -> None:
    rng = np.random.default_rng(3)
    cutter = Cutter(diameter=5.95, flutes=said * 2, helix=30.0, wash_out=1.0)
    frames = [seen(cutter, Camera(px_per_mm=110.0), 0.4 + k * np.pi / 8, rng) for k in range(16)]
    with pytest.raises(NotASilhouette, match="check --flutes"):
        measure_series(frames, flutes=said, scale=Scale(110.0), angles_deg=[k * 22.5 for k in range(16)])


def test_a_calibration_at_another_height_is_narrowed_by_the_lens_distance() -> None:
    rng = np.random.default_rng(3)
    frames = [seen(Cutter(), Camera(px_per_mm=110.0), 0.4 + k * np.pi / 8, rng) for k in range(16)]
    scale = Scale(110.0, id="from-a-file")
    near, far = (measure_series(frames, flutes=2, scale=scale, lens_mm=d).diameter for d in (None, 400.0))
    assert far.parts["perspective"] < near.parts["perspective"]
    # 0.2 mm of 400 mm, of 6 mm
    assert far.parts["perspective"] == pytest.approx(6.0 * 0.2 / 400, rel=0.2)


def test_a_series_that_never_turns() -> None:
    rng = np.random.default_rng(1)
    frames = [seen(Cutter(), Camera(px_per_mm=110.0), 0.3, rng) for _ in range(12)]
    with pytest.raises(NotASilhouette, match="never turns"):
        measure_series(frames, flutes=2, scale=Scale(110.0))


def test_shank_out_of_the_frame() -> None:
    rng = np.random.default_rng(1)
    cutter = Cutter(cut_length=20.0)
    frames = [seen(cutter, Camera(px_per_mm=110.0), 0.3 + k * np.pi / 6, rng) for k in range(12)]
    with pytest.raises(NotASilhouette, match="no shank in the frame"):
        measure_series(frames, flutes=2, scale=Scale(110.0))


def test_pictures_that_are_no_silhouette_of_one_cutter() -> None:
    rng = np.random.default_rng(1)
    one = picture(Cutter(diameter=3.0, shank=3.0), SMALL, 0.3, rng)
    two = np.vstack([one[120:360], one[120:360]])
    cases = {
        "more than one dark body": two,
        "no cutter": np.full((480, 640, 3), 220, np.uint8),
        "runs out of the frame": np.minimum(one, one[:, ::-1]),
        "no even bright background|no cutter|not a silhouette|uneven": rng.integers(
            0, 255, (480, 640, 3)
        ).astype(np.uint8),
    }
    for said, pixels in cases.items():
        with pytest.raises(NotASilhouette, match=said):
            find_silhouettes([photo(np.ascontiguousarray(pixels))])


def test_turned_photos_give_the_same_edges() -> None:
    rng = np.random.default_rng(1)
    pixels = picture(Cutter(), SMALL, 0.3, rng)
    upright = find_silhouettes([photo(pixels)])[0]
    for turns in (1, 2, 3):
        turned = find_silhouettes([photo(np.ascontiguousarray(np.rot90(pixels, turns)))])[0]
        np.testing.assert_allclose(turned.top_px, upright.top_px, atol=1e-3, equal_nan=True)
        back = turned.to_photo(np.column_stack([turned.x_px, turned.top_px]))
        where = upright.to_photo(np.column_stack([upright.x_px, upright.top_px]))
        width, height = upright.size
        for _ in range(turns):  # np.rot90 by hand: (x, y) -> (y, width - 1 - x)
            where = np.column_stack([where[:, 1], width - 1 - where[:, 0]])
            width, height = height, width
        np.testing.assert_allclose(back, where, atol=1e-3, equal_nan=True)


@pytest.mark.skipif(not RENDERS, reason="WEARSCOPE_RENDERS is not set")
def test_rendered_series() -> None:
    folder = Path(RENDERS or "")
    truths = [json.loads(p.read_text()) for p in sorted(folder.glob("D*.json"))]
    for name in sorted({t["series"] for t in truths}):
        frames = [t for t in truths if t["series"] == name]
        found = find_silhouettes([read_photo(folder / t["file"]) for t in frames])
        first = frames[0]
        px = first["camera"]["px_per_mm"]
        result = measure_series(
            found,
            flutes=first["tool"]["flutes"],
            scale=Scale(px),
            angles_deg=[t["angle_deg"] for t in frames],
        )
        error = result.diameter.value - first["swept_diameter_about_shank_axis_mm"]
        assert result.diameter.kind == "value"
        assert abs(error) <= max(0.004, 0.25 / px)
        assert abs(error) <= 1.5 * result.diameter.expanded


@pytest.mark.skipif(not REAL, reason="WEARSCOPE_REAL_PHOTOS is not set")
def test_photographs_of_corners_are_refused_with_a_reason() -> None:
    files = [p for p in sorted(Path(REAL or "").iterdir()) if p.suffix in (".jpg", ".png")]
    assert files
    for path in files:
        with pytest.raises((NotASilhouette, PhotoError), match=path.name):
            measure_series(find_silhouettes([read_photo(path)]), flutes=2, shank_mm=6.0)


cv2.setNumThreads(1)
