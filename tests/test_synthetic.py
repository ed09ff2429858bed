"""Does the drawn truth hold? Checked on noise-free light with plain sums and formulas, not with the program's own fits."""

from pathlib import Path

import cv2
import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from wearscope.cli import sample
from wearscope.synthetic import (
    Camera,
    Chip,
    Edges,
    Heat,
    Look,
    Projection,
    TurnedCutter,
    Wear,
    ball_scene,
    corner_scene,
    edge_scene,
    encode_jpeg,
    end_scene,
    engraver_scene,
    ideal_light,
    photograph,
    sample_drawer,
    shank_scene,
    target_scene,
    turned_scenes,
    with_fibre,
)
from wearscope.synthetic.camera import _noisy, srgb_code
from wearscope.synthetic.coverage import polygon_coverage
from wearscope.synthetic.outlines import corner_outline, polygon_area
from wearscope.synthetic.surface import film_colour

SAMPLES = Path(__file__).parents[1] / "sample_images"
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
    light = _noisy(
        np.full((300, 400), 0.3, np.float32), Camera(full_well_e=1000, read_e=10), np.random.default_rng(2)
    )
    assert light.var() == pytest.approx(0.3 / 1000 + 1e-4, rel=0.02)


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


def test_ball_flat_takes_a_circular_segment() -> None:
    """Area of a segment of height d: R^2 acos((R - d) / R) - (R - d) sqrt(2 R d - d^2); its chord 2 sqrt(2 R d - d^2): textbook."""
    radius, depth, scale = 1.0, 0.07, 200
    areas = []
    for flat in (0.0, depth):
        scene = ball_scene(
            np.random.default_rng(0),
            size=SIZE,
            px_per_mm=scale,
            tip_px=(200, 260),
            diameter_mm=2,
            flat_depth_mm=flat,
            look=EVEN,
        )
        areas.append(float(polygon_coverage(scene.outlines, SIZE).sum(dtype=float)) / scale**2)
    chord = 2 * np.sqrt(2 * radius * depth - depth**2)
    segment = radius**2 * np.arccos((radius - depth) / radius) - (radius - depth) * chord / 2
    assert areas[0] - areas[1] == pytest.approx(segment, rel=1e-3)
    assert scene.truth["flat_width_mm"] == pytest.approx(chord)


@pytest.mark.parametrize("angle", [30.0, 60.0, 90.0])
def test_engraver_flanks_open_by_the_included_angle(angle: float) -> None:
    """Row by row, the covered width grows by 2 tan(half angle) a pixel and starts at the tip width."""
    scene = engraver_scene(
        np.random.default_rng(0),
        size=SIZE,
        px_per_mm=100,
        tip_px=(200, 249.5),
        included_angle_deg=angle,
        tip_width_mm=0.2,
        look=EVEN,
    )
    rows = polygon_coverage(scene.outlines, SIZE).sum(axis=1, dtype=float)[150:250][::-1]
    growth, start = np.polyfit(np.arange(100) + 0.5, rows, 1)
    assert growth == pytest.approx(2 * np.tan(np.deg2rad(angle / 2)), rel=1e-4)
    assert start == pytest.approx(20, abs=0.01)


@pytest.mark.parametrize("radius", [0.1, 0.3])
def test_round_engraver_tip_touches_both_flanks(radius: float) -> None:
    """A circle in a wedge of full angle a lies R / sin(a / 2) from the apex (plane geometry)."""
    scene = engraver_scene(
        np.random.default_rng(0),
        size=SIZE,
        px_per_mm=100,
        tip_px=(200, 240),
        nose_radius_mm=radius,
        look=EVEN,
    )
    outline, apex = np.array(scene.truth["outline_px"]), np.array(scene.truth["virtual_apex_px"])
    centre = apex - [0, 100 * radius / np.sin(np.deg2rad(30))]
    away = np.hypot(*(outline - centre).T)
    assert away.min() == pytest.approx(100 * radius, abs=0.01)
    assert outline[:, 1].max() == pytest.approx(centre[1] + 100 * radius, abs=0.01)


@pytest.mark.parametrize("flutes", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("helix", [0.0, 30.0])
def test_swept_diameter_is_reached_by_the_silhouettes(flutes: int, helix: float) -> None:
    """Turned through the whole circle, the outermost silhouette touches the swept circle and never passes it."""
    cutter = TurnedCutter(5.9, 6, flutes, helix, 5, eccentricity_mm=0.04, eccentricity_deg=50)
    angles = np.arange(0, 360, 2.0)
    scenes = turned_scenes(np.random.default_rng(0), cutter, angles, size=(64, 48), px_per_mm=5)
    furthest = max(max(s.truth["largest_x_mm"], -s.truth["smallest_x_mm"]) for s in scenes)
    swept = scenes[0].truth["swept_diameter_mm"]
    assert 2 * furthest <= swept + 1e-9
    assert 2 * furthest == pytest.approx(swept, abs=2 * 3 * (1 - np.cos(np.deg2rad(1))))
    assert swept <= 5.9 + 2 * 0.04 + 1e-12


def test_one_tooth_on_the_side_of_the_offset_sweeps_the_sum() -> None:
    """Straight tooth, axis off by e toward it: D + 2 e; opposite: D - 2 e."""
    for direction, sign in ((0.0, 1), (180.0, -1)):
        cutter = TurnedCutter(6, 6, 1, 0, 5, eccentricity_mm=0.03, eccentricity_deg=direction)
        assert 2 * cutter.edge_radii(np.array([0.0])).max() == pytest.approx(6 + sign * 0.06)


def test_projection_agrees_with_opencv() -> None:
    """cv2.projectPoints, the pin-hole model with Rodrigues rotation and radial k1, as the independent camera."""
    projection = Projection((1600, 1200), 250, 7.0, 3.0, 25.0, working_distance_mm=50, k1=0.02)
    points = np.random.default_rng(0).uniform(-2.5, 2.5, (50, 2))
    focal = 250 * 50.0
    axis = np.array([np.cos(np.deg2rad(25)), np.sin(np.deg2rad(25)), 0])
    tilt = cv2.Rodrigues(axis * np.deg2rad(3.0))[0]
    turn = cv2.Rodrigues(np.array([0, 0, np.deg2rad(7.0)]))[0]
    matrix = np.array([[focal, 0, 799.5], [0, focal, 599.5], [0, 0, 1]])
    k1 = 0.02 * (focal / 800) ** 2
    expected = cv2.projectPoints(
        np.column_stack([points, np.zeros(50)]),
        cv2.Rodrigues(tilt @ turn)[0],
        np.array([0, 0, 50.0]),
        matrix,
        np.array([k1, 0, 0, 0]),
    )[0].reshape(-1, 2)
    assert np.abs(projection(points) - expected).max() < 1e-6


def test_opencv_reads_the_charuco_board() -> None:
    """OpenCV's own detector finds all 24 inner corners within 0.2 px of the truth."""
    projection = Projection((800, 600), 140, 6.0, 2.0)
    rng = np.random.default_rng(0)
    scene = target_scene(rng, "charuco", projection, pitch_mm=0.7)
    picture, truth = photograph(scene, Camera(blur_px=0.8, full_well_e=8000), rng)
    board = cv2.aruco.CharucoBoard(
        (7, 5), 0.7, 0.49, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    )
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(picture)
    assert sorted(ids.ravel()) == list(range(24))
    order = np.argsort(ids.ravel())
    assert np.abs(corners.reshape(-1, 2)[order] - np.array(truth["points_px"])).max() < 0.2


def test_opencv_refines_chessboard_corners_to_the_truth() -> None:
    projection = Projection((640, 480), 150, 11.0, 2.5)
    scene = target_scene(np.random.default_rng(0), "chessboard", projection, pitch_mm=0.5, paper=False)
    picture, truth = photograph(scene, Camera(blur_px=1.0), np.random.default_rng(0))
    points = np.array(truth["points_px"], np.float32)
    points = points[np.all((points > 20) & (points < [620, 460]), axis=1)]
    start = np.rint(points).reshape(-1, 1, 2)
    ends = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
    found = cv2.cornerSubPix(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), start, (6, 6), (-1, -1), ends)
    assert len(points) > 20
    assert np.abs(found.reshape(-1, 2) - points).max() < 0.1


def test_dots_have_their_area() -> None:
    """A dot of a quarter pitch radius covers pi / 16 of its cell."""
    projection = Projection((300, 300), 100)
    scene = target_scene(np.random.default_rng(0), "dots", projection, pitch_mm=0.5)
    cell = polygon_coverage(scene.outlines, (300, 300))[125:175, 125:175]
    assert cell.mean(dtype=float) == pytest.approx(np.pi / 16, rel=1e-4)


def test_heat_share_of_straight_edges() -> None:
    """Film t (3 s^2 - 2 s^3), s = (1.4 - a / reach) / 0.8, is 10 nm at s solved here by numpy.roots; share = that length over what is seen."""
    heat = Heat(film_nm=58, reach_mm=0.6)
    scene = corner_scene(
        np.random.default_rng(0),
        size=(500, 400),
        px_per_mm=100,
        corner_px=(399, 299),
        edges=Edges(dish_deg=0),
        look=Look(heat=heat, plain=True),
    )
    roots = np.roots([-2, 3, 0, -10 / 58])
    share = next(r.real for r in roots if abs(r.imag) < 1e-12 and 0 < r.real < 1)
    hot = 0.6 * (1.4 - 0.8 * share)
    assert scene.truth["heat_tint_share"] == pytest.approx(2 * hot / (2.99 + 3.0), abs=0.003)


def test_film_colours_come_in_the_published_order() -> None:
    """Lab b* of the film: yellow side below 33 nm, blue side from 37 to 90 nm (magnetite on iron, computed from published n, k)."""
    colours = film_colour(np.array([10.0, 20, 30, 40, 50, 60, 70, 90])).reshape(1, -1, 3) * 0.4
    b = cv2.cvtColor(srgb_code(colours).astype(np.float32), cv2.COLOR_BGR2LAB)[0, :, 2]
    assert np.all(b[:3] > 0)
    assert np.all(b[3:] < 0)
    assert b[2] > b[1] > b[0]


def test_resin_covers_the_share_it_says() -> None:
    """Brown pixels counted by hue: red light more than twice the blue."""
    look = Look(background="paper", finish="hss", resin_share=0.3, dust=0)
    scene = corner_scene(
        np.random.default_rng(4), size=(600, 450), px_per_mm=100, corner_px=(420, 330), look=look
    )
    inside = polygon_coverage(scene.outlines, scene.size) > 0.99
    brown = scene.body[..., 2] > 2 * scene.body[..., 0]
    assert np.mean(brown[inside]) == pytest.approx(scene.truth["resin_share"], abs=0.03)
    assert scene.truth["resin_share"] == pytest.approx(0.3, abs=0.06)


def test_shank_width_row_by_row() -> None:
    """Without tilt each row's covered length is diameter + taper * y, and a burr adds its height to one side."""
    scene = shank_scene(
        np.random.default_rng(0),
        size=SIZE,
        px_per_mm=50,
        diameter_mm=6,
        taper_mm_per_mm=0.01,
        burrs=[Chip(1.0, 0.05, 0.4)],
        look=EVEN,
    )
    rows = polygon_coverage(scene.outlines, SIZE).sum(axis=1, dtype=float) / 50
    y = (np.arange(SIZE[1]) - (SIZE[1] - 1) / 2) / 50
    bare = np.abs(y - 1.0) > 0.25
    assert np.abs(rows - (6 + 0.01 * y))[bare].max() < 1e-4
    assert (rows - (6 + 0.01 * y)).max() == pytest.approx(0.05, rel=0.02)


def test_end_view_corners_lie_at_their_radius() -> None:
    """The outline reaches each tooth's corner and nothing reaches farther from the axis there."""
    offsets = (0.0, -0.05, 0.02)
    scene = end_scene(
        np.random.default_rng(0),
        size=SIZE,
        px_per_mm=40,
        flutes=3,
        radius_offsets_mm=offsets,
        corner_radii_mm=[1e-6] * 3,
        look=EVEN,
    )
    outline, centre = np.array(scene.truth["outline_px"]), np.array(scene.truth["centre_px"])
    for corner, offset in zip(scene.truth["corners_px"], offsets, strict=True):
        near = outline[np.hypot(*(outline - corner).T) < 4]
        assert np.hypot(*(near - centre).T).max() == pytest.approx(40 * (3 + offset), abs=0.01)


def test_edge_land_is_what_the_border_says() -> None:
    scene = edge_scene(np.random.default_rng(0), size=(600, 300), px_per_mm=200, edge_y_px=200, land_mm=0.1)
    edge, border = np.array(scene.truth["edge_px"]), np.array(scene.truth["land_border_px"])
    inside = (edge[:, 0] >= 0) & (edge[:, 0] <= 599)
    width = (edge - border)[inside, 1] / 200
    assert width.mean() == pytest.approx(scene.truth["wear_land_mean_mm"], rel=0.02)
    assert width.max() <= scene.truth["wear_land_max_mm"] + 1e-6
    assert scene.truth["wear_land_mean_mm"] == pytest.approx(0.1)


@pytest.mark.parametrize("kind", ["gaussian", "disc", "motion"])
def test_every_blur_keeps_the_place_of_an_edge(kind: str) -> None:
    camera = Camera(blur_px=1.5, blur=kind, motion_px=3, motion_deg=30)  # type: ignore[arg-type]
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
    assert step @ x / step.sum() == pytest.approx(211.37, abs=2e-3)


def test_committed_table_and_photo_are_the_drawn_ones(tmp_path: Path) -> None:
    """The empty frame (the quickest) and the table; the whole drawer under `slow`."""
    rng = np.random.default_rng([12, len(sample_drawer._photos()) - 1])
    photo = sample_drawer._photos()[-1]
    picture, _ = photograph(photo.draw(rng), photo.camera, rng)
    stored = cv2.imread(str(SAMPLES / photo.file))
    drawn = cv2.imdecode(
        np.frombuffer(encode_jpeg(picture, sample_drawer.JPEG_QUALITY), np.uint8), cv2.IMREAD_COLOR
    )
    assert np.array_equal(drawn, stored)
    sample_drawer._write_table(tmp_path / "cutters.csv")
    assert (tmp_path / "cutters.csv").read_text() == (SAMPLES / "cutters.csv").read_text()


@pytest.mark.slow
def test_whole_drawer_is_drawn_again_bit_for_bit(tmp_path: Path) -> None:
    sample_drawer.write_sample_drawer(tmp_path)
    for path in sorted(tmp_path.iterdir()):
        assert path.read_bytes() == (SAMPLES / path.name).read_bytes(), path.name


def test_sample_command_is_documented() -> None:
    app = typer.Typer()
    sample.register(app)
    result = CliRunner().invoke(app, ["--help"])
    assert result.exit_code == 0
    assert "calibration" in result.output


@pytest.mark.parametrize("helix", [0.0, 25.0])
def test_body_light_goes_on_past_the_outline(helix: float) -> None:
    """Else blur would mix foreign light into the rim and shift the edges: 2 px outside within 6 % of 3 px inside, away from the gash."""
    rng = np.random.default_rng(5)
    look = Look(background="dark", texture=0, dust=0)
    scene = corner_scene(
        rng,
        size=(500, 400),
        px_per_mm=250,
        corner_px=(380, 300),
        edges=Edges(4, helix, 2),
        wear=Wear(radius_mm=0.01),
        look=look,
    )
    light = cv2.blur(scene.body[..., 1], (5, 5))
    truth = scene.truth
    side = np.array(truth["side_edge_px"])
    side = side[(side[:, 1] > 60) & (side[:, 1] < 280)]
    end = np.array(truth["end_edge_px"])
    end = end[0] + np.linspace(0.04, 0.3, 60)[:, None] * (end[1] - end[0])
    for points, out in ((side, [1, 0]), (end, [0, 1])):
        outside, inside = (np.rint(points + k * np.array(out)).astype(int) for k in (4, -5))
        ratio = light[outside[:, 1], outside[:, 0]] / light[inside[:, 1], inside[:, 0]]
        assert np.abs(np.median(ratio) - 1) < 0.06
        assert np.abs(ratio - 1).max() < 0.2


def test_fibre_covers_its_length_times_its_width() -> None:
    """On cutter and background alike, and the outline's truth stays."""
    scene = corner_scene(np.random.default_rng(0), size=SIZE, px_per_mm=200, corner_px=(200, 200), look=EVEN)
    line = np.stack([np.linspace(100, 300, 50), np.full(50, 120.5)], axis=1)
    with_it = with_fibre(scene, line, width_px=5, level=0.5)
    changed = np.abs(with_it.body - scene.body)[..., 2].sum(dtype=float) / 0.5
    also = np.abs(with_it.background - scene.background)[..., 2].sum(dtype=float) / 0.5
    assert changed == pytest.approx(200 * 5, rel=1e-3)
    assert also == pytest.approx(200 * 5, rel=1e-3)
    assert with_it.outlines is scene.outlines
