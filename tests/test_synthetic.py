"""Does the drawn truth hold? Checked on noise-free light with plain sums and formulas, not with the program's own fits."""

import numpy as np
import pytest

from wearscope.synthetic import Camera, Chip, Edges, Look, Wear, corner_scene, ideal_light, photograph
from wearscope.synthetic.coverage import polygon_coverage
from wearscope.synthetic.outlines import corner_outline, polygon_area

SIZE = (400, 300)
EVEN = Look(plain=True, body_level=1.0, ground_level=0.0)


def test_coverage_is_the_clipped_area() -> None:
    """A triangle that leaves the frame: area of the part inside by Sutherland-Hodgman clipping done by hand.

    Corners (-10, 0), (10, 0), (0, 20) in pixel-border coordinates; right half inside: triangle (0, 0), (10, 0), (0, 20), area 100.
    """
    triangle = np.array([[-10.0, 0.0], [10.0, 0.0], [0.0, 20.0]]) - 0.5
    assert polygon_coverage([triangle], (30, 30)).sum(dtype=float) == pytest.approx(100, abs=1e-4)


@pytest.mark.parametrize("oversampling", [1, 3])
def test_coverage_of_a_disc_column_by_column(oversampling: int) -> None:
    """Area of a disc left of x: R^2 (pi - acos(x / R)) + x sqrt(R^2 - x^2) (circular segment, textbook)."""
    radius, centre = 23.4, 41.3
    turn = np.linspace(0, 2 * np.pi, 20001)[:-1]
    disc = np.array([centre, 38.9]) + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    cover = polygon_coverage([disc], (90, 80), oversampling).astype(float) / oversampling**2
    border = np.clip(np.arange(90 * oversampling + 1) / oversampling - 0.5 - centre, -radius, radius)
    left = radius**2 * (np.pi - np.arccos(border / radius)) + border * np.sqrt(radius**2 - border**2)
    assert np.abs(cover.sum(axis=0) - np.diff(left)).max() < 1e-4


@pytest.mark.parametrize("radius", [0.02, 0.1, 0.5])
@pytest.mark.parametrize("dish", [0.0, 2.5])
def test_arc_between_straight_edges_follows_the_formulas(radius: float, dish: float) -> None:
    """Tangent length R / tan(t/2), recession R (1 / sin(t/2) - 1), missing area R^2 (1/tan(t/2) - (pi - t)/2): plane geometry."""
    half = np.deg2rad(90 - dish) / 2
    shape = corner_outline(
        Edges(dish_deg=dish),
        Wear(radius_mm=radius),
        end_length_mm=3,
        side_length_mm=3,
        rng=np.random.default_rng(0),
    )
    assert shape.loss_end_mm == pytest.approx(radius / np.tan(half), rel=1e-9)
    assert shape.loss_side_mm == pytest.approx(radius / np.tan(half), rel=1e-9)
    assert shape.recession_mm == pytest.approx(radius * (1 / np.sin(half) - 1), rel=1e-4)
    missing = radius**2 * (1 / np.tan(half) - (np.pi - 2 * half) / 2)
    assert shape.missing_area_mm2 == pytest.approx(missing, rel=2e-3)


def test_arc_on_a_helical_edge_touches_both_edges() -> None:
    """Every point of the end line and of the side curve is at least R from the centre, and the nearest one exactly R."""
    edges = Edges(diameter_mm=3, helix_deg=35, dish_deg=2)
    shape = corner_outline(
        edges, Wear(radius_mm=0.3), end_length_mm=1.5, side_length_mm=1, rng=np.random.default_rng(0)
    )
    along = np.linspace(0, 1, 20001)
    for points in (edges.end(along), edges.side(along)):
        away = np.hypot(*(points - np.array(shape.centre_mm)).T)
        assert away.min() == pytest.approx(0.3, abs=1e-7)


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("rotation", [0.0, 17.0, -25.0])
def test_wear_takes_exactly_its_area_out_of_the_picture(rotation: float, mirror: bool) -> None:
    """Light lost in the picture against the sharp corner = missing area + chip area, in px."""
    chip = Chip(0.7, 0.08, 0.2)
    worn, sharp = (
        corner_scene(
            np.random.default_rng(1),
            size=SIZE,
            px_per_mm=200,
            corner_px=(200, 200),
            rotation_deg=rotation,
            mirror=mirror,
            wear=Wear(radius_mm=radius),
            chips=chips,
            look=EVEN,
        )
        for radius, chips in ((0.15, [chip]), (0.0, []))
    )
    light = [float(polygon_coverage(scene.outlines, SIZE).sum(dtype=float)) for scene in (sharp, worn)]
    ellipse_half = np.pi * 0.08 * 0.1 / 2
    half = np.deg2rad(88) / 2
    corner = 0.15**2 * (1 / np.tan(half) - (np.pi - 2 * half) / 2)
    assert light[0] - light[1] == pytest.approx((ellipse_half + corner) * 200**2, rel=2e-3)
    assert worn.truth["chips"][0]["area_mm2"] == pytest.approx(ellipse_half, rel=2e-3)


@pytest.mark.parametrize("form", ["round", "vee", "steep", "ragged"])
@pytest.mark.parametrize("helix", [0.0, 30.0])
def test_chip_depth_is_the_largest_distance_from_the_undamaged_edge(form: str, helix: float) -> None:
    edges = Edges(helix_deg=helix)
    shape = corner_outline(
        edges,
        Wear(radius_mm=0.01),
        [Chip(1.0, 0.06, 0.25, form=form)],  # type: ignore[arg-type]
        end_length_mm=3,
        side_length_mm=2,
        rng=np.random.default_rng(3),
    )
    curve = edges.side(np.linspace(0, 2, 40001))
    points = shape.outline[(shape.outline[:, 1] < -0.85) & (shape.outline[:, 1] > -1.15)]
    away = [np.hypot(*(curve - point).T).min() for point in points]
    assert max(away) == pytest.approx(0.06, rel=1e-3)


def test_blurred_edge_has_the_stated_position_and_width() -> None:
    """The derivative of the light across a straight vertical edge has the edge's place as mean and blur^2 + 1/12 as variance."""
    camera = Camera(blur_px=1.4, oversampling=4)
    scene = corner_scene(
        np.random.default_rng(1),
        size=SIZE,
        px_per_mm=200,
        corner_px=(211.37, 260),
        wear=Wear(radius_mm=0),
        look=EVEN,
    )
    row = ideal_light(scene, camera)[40, 150:270, 1].astype(float)
    step, x = -np.diff(row), np.arange(150, 269) + 0.5
    place = step @ x / step.sum()
    assert place == pytest.approx(211.37, abs=1e-3)
    assert step @ (x - place) ** 2 / step.sum() == pytest.approx(1.4**2 + 1 / 12 + 1 / 12, abs=0.02)


def test_shot_noise_has_the_variance_of_the_electrons_counted() -> None:
    """Poisson: variance of a level L with full well N is L / N + (read / N)^2."""
    scene = corner_scene(
        np.random.default_rng(1), size=SIZE, look=Look(plain=True, body_level=0.3, ground_level=0.3)
    )
    from wearscope.synthetic.camera import _noisy

    light = _noisy(
        np.full((300, 400), 0.3, np.float32), Camera(full_well_e=1000, read_e=10), np.random.default_rng(2)
    )
    assert light.var() == pytest.approx(0.3 / 1000 + 1e-4, rel=0.02)
    assert scene.size == SIZE


def test_bayer_keeps_the_colours() -> None:
    scene = corner_scene(np.random.default_rng(1), size=SIZE, look=EVEN)
    tinted = np.broadcast_to(np.array([0.1, 0.3, 0.6], np.float32), scene.body.shape)
    even = type(scene)(SIZE, scene.outlines, tinted, tinted)
    picture, _ = photograph(even, Camera(bayer=True), np.random.default_rng(0))
    plain, _ = photograph(even, Camera(), np.random.default_rng(0))
    assert np.abs(picture.astype(int) - plain).max() <= 1


def test_same_seed_same_picture() -> None:
    def draw() -> np.ndarray:
        rng = np.random.default_rng(9)
        scene = corner_scene(
            rng, size=SIZE, px_per_mm=200, corner_px=(250, 200), look=Look(background="paper")
        )
        return photograph(scene, Camera(full_well_e=5000, bayer=True, jpeg_quality=90), rng)[0]

    assert np.array_equal(draw(), draw())


def test_polygon_area_of_a_square() -> None:
    assert polygon_area(np.array([[0, 0], [2, 0], [2, 2], [0, 2]])) == 4
