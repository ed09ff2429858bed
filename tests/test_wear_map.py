"""What is gone since new: drawn corners whose loss is known exactly, turned and shifted between the two photos."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import cv2
import jsonschema
import numpy as np
import pytest
from drawn_corners import boxed, gaussian, outline_share

from wearscope.facts import Facts
from wearscope.features.corner import measure_corner
from wearscope.features.wear_map import Shape, measure_wear, nominal_shape, trace_shape
from wearscope.finding import WearMap, WearPoint
from wearscope.geometry.register import gap_to, register
from wearscope.geometry.scale import Scale
from wearscope.grading.limits import load_limits
from wearscope.inspection import Inspection, from_document, json_schema, to_document
from wearscope.outline.find import find_outline
from wearscope.photo.read import Photo, read_photo
from wearscope.pipeline import TypedScale, inspect_photo, new_outline, nominal_outline
from wearscope.report.annotate import annotate
from wearscope.report.whiskers import scale_words, whiskers
from wearscope.synthetic import Camera, Wear, corner_scene, photograph
from wearscope.synthetic.outlines import Chip, Edges
from wearscope.synthetic.paint import Look
from wearscope.synthetic.scene import Scene
from wearscope.synthetic.tips import ball_scene, engraver_scene, form_scene

PX_PER_MM = 250.0
SCALE = Scale(PX_PER_MM)


def drawn(
    rng: np.random.Generator,
    radius: float,
    *,
    angle: float,
    opening: float,
    name: str,
    chamfer: float = 0.0,
    zoom: float = 1.0,
    size: int = 420,
) -> Photo:
    """Dark cutter on light ground, random place, blur 1 to 2 px, noise; px sizes are those at zoom 1."""
    middle = angle + opening / 2
    apex = size / 2 - 80 * np.array([np.cos(middle), np.sin(middle)]) + rng.uniform(-8, 8, 2)
    share = outline_share(size, apex, angle, opening, radius * zoom, chamfer * zoom)
    light = 0.6 - 0.5 * boxed(gaussian(share, rng.uniform(1, 2)))
    light = light + rng.normal(0, rng.uniform(0.002, 0.006), light.shape)
    coded = np.clip(1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055, 0, 1)
    picture = np.repeat(np.round(coded * 255).astype(np.uint8)[..., None], 3, axis=2)
    return Photo(name, hashlib.sha256(name.encode()).hexdigest(), picture)


def traced(photo: Photo, scale: Scale = SCALE) -> Shape:
    outline = find_outline(photo)
    assert outline.corner is not None
    shape = trace_shape(photo, outline, measure_corner(photo, outline, scale), scale)
    assert isinstance(shape, Shape), shape
    return shape


def pair(
    seed: int, r_new: float, r_now: float, *, zoom: float = 1.0, chamfer: float = 0.0
) -> tuple[float, Shape, Shape]:
    """Opening angle, shape now, shape when new; the cutter turned by up to 25 degrees between the photos."""
    rng = np.random.default_rng(seed)
    opening, angle = np.radians(rng.uniform(86, 94)), np.radians(rng.uniform(-10, 10))
    new = drawn(rng, r_new, angle=angle, opening=opening, name="new", zoom=zoom)
    angle += np.radians(rng.uniform(-25, 25))
    now = drawn(rng, r_now, angle=angle, opening=opening, name="old", chamfer=chamfer)
    return opening, traced(now), traced(new, Scale(PX_PER_MM * zoom))


def lost_px(opening: float, r_new: float, r_now: float) -> float:
    """By hand: an arc of radius R, tangent to both edges, recedes from their corner by R (1 / sin(half) - 1)."""
    return (r_now - r_new) * (1 / np.sin(opening / 2) - 1)


class Row(NamedTuple):
    kind: str
    nominal: bool
    holds: bool
    error_px: float
    expanded_px: float


def one(seed: int) -> Row:
    rng = np.random.default_rng(10_000 + seed)
    r_new = float(rng.choice([0.0, 0.0, 4.0, 8.0, 14.0]))
    r_now = r_new + (rng.uniform(1, 30) if seed % 4 < 3 else 0.0)
    nominal = seed % 2 == 1
    opening, now, new = pair(5000 + seed, r_new, r_now)
    if nominal:
        form = nominal_shape(now, r_new)
        assert isinstance(form, Shape)
        new = form
    found = measure_wear(now, new, SCALE, SCALE, reference="new", nominal=nominal)
    quantity = found.quantities["form_deviation"].scaled(PX_PER_MM, "px")
    error = quantity.value - lost_px(opening, r_new, r_now)
    if quantity.kind == "upper_limit":
        return Row("limit", nominal, error >= 0, error, quantity.expanded)
    assert quantity.below is not None and quantity.above is not None
    return Row("value", nominal, -quantity.above <= error <= quantity.below, error, quantity.expanded)


def check(rows: list[Row]) -> None:
    """95 % intervals hold (less two standard errors), and are worth having: a few tenths of a px wide."""
    values = [row for row in rows if row.kind == "value"]
    limits = [row for row in rows if row.kind == "limit"]
    for some in (values, limits):
        spare = 2 * np.sqrt(0.95 * 0.05 / len(some))
        assert np.mean([row.holds for row in some]) > 0.95 - spare
    assert np.sqrt(np.mean([row.error_px**2 for row in values])) < 0.2
    assert np.median([row.expanded_px for row in values]) < 0.2
    assert np.median([row.error_px for row in limits]) < 0.4


def test_greatest_loss_and_its_interval() -> None:
    check([one(seed) for seed in range(32)])


@pytest.mark.slow
def test_greatest_loss_and_its_interval_full_count() -> None:
    check([one(seed) for seed in range(1000, 1400)])


CHIPS = [
    (0.3, 0.06, 0.15, "round"),
    (0.7, 0.1, 0.2, "vee"),
    (0.5, 0.04, 0.06, "steep"),
    (0.9, 0.08, 0.3, "ragged"),
]


@pytest.mark.parametrize("helix", [0.0, 30.0])
@pytest.mark.parametrize(("at", "depth", "length", "form"), CHIPS)
def test_a_chip_deeper_than_the_corner_is_the_greatest_loss(at, depth, length, form, helix) -> None:
    """Straight and helical edges, round and steep chips, against the nominal form: the drawn depth is in the interval."""
    rng = np.random.default_rng(5)
    scene = corner_scene(
        rng,
        size=(1280, 960),
        px_per_mm=280.0,
        corner_px=(800.0, 640.0),
        rotation_deg=7.0,
        wear=Wear(radius_mm=0.05),
        chips=(Chip(at, depth, length, "side", form),),
        edges=Edges(6.0, helix),
        look=Look(background="dark"),
    )
    picture, truth = photograph(scene, Camera(blur_px=1.1, full_well_e=6000, read_e=5, jpeg_quality=90), rng)
    inspection = inspect_photo(
        Photo("drawn", "0" * 64, picture),
        scale_source=TypedScale(280.0),
        facts=Facts("other", "carbide", 6.0, 1),
        limits=load_limits(),
        new=nominal_outline(),
    )
    gone = inspection.photos[0].measured("form_deviation")
    assert gone is not None
    assert gone.quantity.kind == "value"
    assert truth["chips"][0]["depth_mm"] == pytest.approx(depth, rel=0.05)
    assert abs(gone.quantity.value - depth) < 0.1 * depth + 0.001


FORM_PX = 200.0
FORMS = ("ball", "chipped-ball", "tapered-ball", "engraver", "dovetail", "round-over")


def form(name: str, rng: np.random.Generator, gone_mm: float, ground: str, turn: float) -> Scene:
    """A cutter of 3 to 8 mm at 200 px/mm of which `gone_mm` is gone: a flat at a round tip, a dent elsewhere."""
    x, y = rng.uniform(-15, 15, 2)
    how = {"size": (1000, 800), "px_per_mm": FORM_PX, "rotation_deg": turn, "look": Look(background=ground)}
    if name == "ball":
        return ball_scene(rng, tip_px=(500 + x, 680 + y), diameter_mm=3.0, flat_depth_mm=gone_mm, **how)
    if name == "chipped-ball":
        dents = (Chip(0.8, gone_mm, 0.35),) if gone_mm else ()
        return ball_scene(rng, tip_px=(500 + x, 680 + y), diameter_mm=3.0, chips=dents, **how)
    if name == "tapered-ball":
        at = {"origin_px": (500 + x, 650 + y), "radius_mm": 0.75, "angle_deg": 6.0}
        return form_scene(rng, "tapered-ball", flat_depth_mm=gone_mm, **at, **how)
    if name == "engraver":  # a flat of 0.05 mm on 60 degrees, ground back along the axis
        width = 0.05 + 2 * gone_mm * np.tan(np.radians(30))
        return engraver_scene(rng, tip_px=(500 + x, 600 + y), tip_width_mm=float(width), **how)
    how["rotation_deg"] = 0.4 * turn  # both its corners stay in the picture
    if name == "dovetail":
        dents = (Chip(3.5, gone_mm, 0.4),) if gone_mm else ()
        return form_scene(rng, "dovetail", origin_px=(60 + x, 600 + y), chips=dents, **how)
    dents = (Chip(3.3, gone_mm, 0.4),) if gone_mm else ()  # in its hollow
    return form_scene(rng, "round-over", origin_px=(200 + x, 660 + y), radius_mm=1.5, chips=dents, **how)


def gone_of_form(name: str, seed: int, *, nominal: bool = False) -> tuple[float, Inspection]:
    """What was taken off a cutter between two photos (mm), and what is said of the second."""
    rng = np.random.default_rng([seed, FORMS.index(name)])
    ground, gone, turn = ("dark", "backlit")[seed % 2], float(rng.uniform(0.02, 0.12)), rng.uniform(-15, 15)
    photos = []
    for taken, turned in ((0.0, turn), (gone, turn + rng.uniform(-12, 12))):
        scene = form(name, rng, taken, ground, float(turned))
        camera = Camera(blur_px=rng.uniform(0.9, 1.6), full_well_e=6000, read_e=5, jpeg_quality=90)
        photos.append(Photo(name, f"{taken:.60f}", photograph(scene, camera, rng)[0]))
    kind = {"ball": "ball", "chipped-ball": "ball", "engraver": "engraver"}.get(name, "other")
    scale = TypedScale(FORM_PX)
    new = nominal_outline() if nominal else new_outline(photos[0], scale_source=scale, kind=kind)
    facts = Facts(kind, "carbide", 6.0, 1, 1.5 if kind == "ball" else 0.0)
    return gone, inspect_photo(photos[1], scale_source=scale, facts=facts, limits=load_limits(), new=new)


def error_px(gone: float, inspection: Inspection) -> tuple[float, float, bool, str] | None:
    """Error, expanded uncertainty (px), whether it holds, and its kind; None where nothing is said."""
    found = inspection.photos[0].measured("form_deviation")
    if found is None:
        return None
    q = found.quantity
    low, high = q.value - (q.below or 0.0), q.value + (q.above or 0.0)
    if q.kind != "value":
        low, high = (0.0, q.value) if q.kind == "upper_limit" else (q.value, np.inf)
    return (q.value - gone) * FORM_PX, q.expanded * FORM_PX, low <= gone <= high, q.kind


def check_forms(seeds: range) -> None:
    """What is said holds, value or limit; most photos give a value. Where an outline was not found, or another corner of the
    cutter, the map is refused or speaks of a part only."""
    said = [found for name in FORMS for seed in seeds if (found := error_px(*gone_of_form(name, seed)))]
    values = np.array([(error, expanded) for error, expanded, _, kind in said if kind == "value"])
    spare = 2 * np.sqrt(0.95 * 0.05 / len(said))
    assert np.mean([holds for _, _, holds, _ in said]) > 0.95 - spare
    assert len(values) > 0.5 * len(FORMS) * len(seeds)
    assert np.sqrt(np.mean(values[:, 0] ** 2)) < 0.5
    assert np.median(values[:, 1]) < 1.0


def test_what_is_gone_of_other_forms() -> None:
    """Ball noses, engravers' points and cutters of any other form against their own photo when new."""
    check_forms(range(2, 4))


@pytest.mark.slow
def test_what_is_gone_of_other_forms_full_count() -> None:
    check_forms(range(100, 116))


def test_a_ball_against_its_nominal_form() -> None:
    gone, inspection = gone_of_form("ball", 3, nominal=True)
    found = error_px(gone, inspection)
    assert found is not None
    assert found[2]
    assert abs(found[0]) < 0.1


def test_two_different_tips_are_not_compared() -> None:
    rng = np.random.default_rng(1)
    shots = [
        Photo(name, name * 16, photograph(form(name, rng, 0.0, "backlit", 0.0), Camera(), rng)[0])
        for name in ("tapered-ball", "dovetail")
    ]
    scale = TypedScale(FORM_PX)
    new = new_outline(shots[1], scale_source=scale, kind="other")
    facts = Facts("other", "carbide", 6.0, 1)
    report = inspect_photo(shots[0], scale_source=scale, facts=facts, limits=load_limits(), new=new).photos[0]
    assert report.measured("form_deviation") is None
    assert report.grade == "retake"


def test_an_unworn_corner_proves_nothing_and_is_limited() -> None:
    opening, now, new = pair(1, 6.0, 6.0)
    quantity = measure_wear(now, new, SCALE, SCALE, reference="new").quantities["form_deviation"]
    assert quantity.kind == "upper_limit"
    assert 0 < quantity.value * PX_PER_MM < 1.0
    assert lost_px(opening, 6.0, 6.0) == 0


def test_curve_along_the_outline_is_the_distance_to_the_arc() -> None:
    """By hand: s from the virtual corner along an edge, the distance to the arc is that to its centre less its radius."""
    opening, now, new = pair(2, 0.0, 30.0)
    wear = measure_wear(now, new, SCALE, SCALE, reference="new").wear
    assert wear is not None
    half = opening / 2
    tangent = 30.0 / np.tan(half)
    for point in wear.points:
        s = abs(point.along_mm) * PX_PER_MM
        if 3 < s < 100:
            expected = max(np.hypot(max(tangent - s, 0), 30.0) - 30.0, 0.0)
            assert point.loss_mm * PX_PER_MM == pytest.approx(expected, abs=0.3)


def test_another_magnification_when_new_makes_no_difference() -> None:
    opening, now, new = pair(3, 5.0, 20.0, zoom=1.4)
    found = measure_wear(now, new, SCALE, Scale(1.4 * PX_PER_MM), reference="new")
    quantity = found.quantities["form_deviation"]
    assert quantity.value * PX_PER_MM == pytest.approx(lost_px(opening, 5.0, 20.0), abs=0.3)
    wrong = measure_wear(now, new, SCALE, SCALE, reference="new").quantities["form_deviation"]
    assert abs(wrong.value - quantity.value) > 3 * quantity.standard_uncertainty


def test_a_broken_corner_is_compared_by_its_contour() -> None:
    """A symmetrical chamfer recedes by its leg times cos(half), by hand."""
    opening, now, new = pair(4, 0.0, 0.0, chamfer=30.0)
    quantity = measure_wear(now, new, SCALE, SCALE, reference="new").quantities["form_deviation"]
    error = quantity.value * PX_PER_MM - 30.0 * np.cos(opening / 2)
    assert quantity.kind == "value"
    assert abs(error) < quantity.expanded * PX_PER_MM < 3.0


def test_scale_uncertainty_is_a_part() -> None:
    _, now, new = pair(5, 4.0, 24.0)
    loose = Scale(PX_PER_MM, {"print": 0.01})
    quantity = measure_wear(now, new, loose, loose, reference="new").quantities["form_deviation"]
    assert quantity.parts["scale"] == pytest.approx(0.01 * quantity.value, rel=0.05)


def test_outlines_that_do_not_belong_together_are_refused() -> None:
    _, now, new = pair(6, 0.0, 20.0)
    mirrored = replace(new, end_first=not new.end_first)
    now = replace(now, end_first=new.end_first)
    assert (
        "mirror" in measure_wear(now, mirrored, SCALE, SCALE, reference="new").not_measured["form_deviation"]
    )
    rng = np.random.default_rng(7)
    other = traced(drawn(rng, 0.0, angle=0.1, opening=np.radians(80), name="else"))
    assert "angle" in measure_wear(now, other, SCALE, SCALE, reference="new").not_measured["form_deviation"]
    assert measure_wear("no corner", new, SCALE, SCALE, reference="new").not_measured == {
        "form_deviation": "no corner"
    }


def test_a_bent_edge_is_another_outline() -> None:
    _, now, new = pair(8, 0.0, 10.0)
    run = np.arange(len(new.points)) - len(new.points) / 2
    bent = replace(new, points=new.points + np.column_stack([6 * np.sin(run / 15), 6 * np.cos(run / 11)]))
    found = measure_wear(now, bent, SCALE, SCALE, reference="new")
    assert "do not lie on each other" in found.not_measured["form_deviation"]


def test_a_motion_is_found_with_an_uncertainty_that_holds() -> None:
    """Noise of 0.1 px on an L-shaped line: shift and angle within three standard uncertainties, stated and true alike."""
    rng = np.random.default_rng(9)
    s = np.arange(20.0, 200.0)
    line = np.vstack([np.column_stack([s[::-1], 0 * s]), [[0, 0]], np.column_stack([0 * s, s])])
    turned = np.array([[np.cos(0.01), -np.sin(0.01)], [np.sin(0.01), np.cos(0.01)]])
    pulls = []
    for _ in range(100):
        seen = (line + rng.normal(0, 0.1, line.shape)) @ turned + [1.5, -2.0]
        motion = register(seen, line)
        pulls.append((motion.angle - 0.01) / np.sqrt(motion.covariance[2, 2]))
        back = motion(seen)
        assert np.abs(back - line).max() < 0.6
    assert 0.7 < np.std(pulls) < 1.3
    assert abs(np.mean(pulls)) < 0.4
    with pytest.raises(ValueError, match="straight line"):
        register(line[:150] + rng.normal(0, 0.1, (150, 2)), line[:170])


def test_gap_has_a_side() -> None:
    gap = gap_to(np.array([[0.0, 0.0], [10.0, 0.0]]), np.array([[5.0, -2.0], [5.0, 3.0], [12.0, 0.0]]))
    assert gap.distance[:2] == pytest.approx([2.0, -3.0])  # y down: up is the left of a walk to the right
    assert gap.beyond.tolist() == [False, False, True]


def inspected(kind: str = "other", **how):
    rng = np.random.default_rng(11)
    opening = np.radians(90)
    new = drawn(rng, 0.0, angle=0.05, opening=opening, name="new", size=640)
    now = drawn(rng, 40.0, angle=-0.2, opening=opening, name="worn", size=640)
    known = new_outline(new, scale_source=TypedScale(PX_PER_MM)) if how.get("photo", True) else None
    if how.get("nominal"):
        known = nominal_outline()
    facts = Facts(kind, "carbide", 6.0, 1)
    return now, inspect_photo(
        now, scale_source=TypedScale(PX_PER_MM), facts=facts, limits=load_limits(), new=known
    )


def test_other_forms_are_judged_by_what_is_gone() -> None:
    # 40 px at 250 px/mm, 90 degrees: 0.0663 mm gone, between worn 0.04 and discard 0.10 (common practice, no source).
    _, inspection = inspected()
    gone = inspection.photos[0].measured("form_deviation")
    assert gone is not None
    assert gone.quantity.value == pytest.approx(0.4142 * 40 / PX_PER_MM, abs=0.002)
    assert gone.grade == "worn"
    _, by_form = inspected(photo=False, nominal=True)
    same = by_form.photos[0].measured("form_deviation")
    assert same is not None
    assert same.quantity.value == pytest.approx(gone.quantity.value, abs=0.002)


@pytest.mark.parametrize(
    ("wear", "grade"),
    [
        (Wear(radius_mm=0.5), "sharp"),
        (Wear(radius_mm=0.6), "worn"),
        (Wear("chamfer", loss_end_mm=0.4, loss_side_mm=0.4), "discard"),
    ],
    ids=["as new", "wider", "flattened"],
)
@pytest.mark.parametrize("ground", ["dark", "backlit"])
def test_a_corner_radius_cutter_is_held_against_its_nominal_radius(
    wear: Wear, grade: str, ground: str
) -> None:
    """What is gone is the drawn recession less that of a radius of 0.5 mm, by plane geometry; limits 0.02 and 0.06 mm."""
    rng = np.random.default_rng(3)

    def drawn_corner(worn: Wear) -> tuple[Scene, float]:
        scene = corner_scene(
            rng, size=(1280, 960), px_per_mm=PX_PER_MM, corner_px=(760.0, 560.0), edges=Edges(6.0, 0.0),
            wear=worn, look=Look(background=ground),
        )  # fmt: skip
        return scene, float(scene.truth["corner_recession_mm"])

    _, as_new = drawn_corner(Wear(radius_mm=0.5))
    scene, now = drawn_corner(wear)
    camera = Camera(blur_px=1.2, full_well_e=6000, read_e=5, vignetting=0.1, jpeg_quality=88)
    picture, _ = photograph(scene, camera, rng)
    inspection = inspect_photo(
        Photo("drawn", "0" * 64, picture),
        scale_source=TypedScale(PX_PER_MM),
        facts=Facts("corner-radius", diameter_mm=6.0, flutes=1, nominal_radius_mm=0.5),
        limits=load_limits(),
    )
    gone = inspection.photos[0].measured("form_deviation")
    assert gone is not None
    assert gone.grade == grade
    if grade == "sharp":
        assert gone.quantity.kind == "upper_limit"
        assert gone.quantity.value < 0.005
    else:
        assert gone.quantity.value == pytest.approx(now - as_new, abs=gone.quantity.expanded)


def test_other_forms_without_an_outline_when_new_are_not_judged() -> None:
    _, inspection = inspected(photo=False)
    assert inspection.grade == "retake"
    assert "--new-photo" in inspection.photos[0].not_measured["form_deviation"]


def test_the_map_is_in_the_document_and_survives_it() -> None:
    _, inspection = inspected()
    document = json.loads(json.dumps(to_document(inspection), allow_nan=False))
    jsonschema.validate(document, json_schema())
    points = document["photos"][0]["wear_map"]["points"]
    assert len(points) > 100
    assert max(p["loss_um"] for p in points) == pytest.approx(0.4142 * 40 / PX_PER_MM * 1000, abs=2)
    back = from_document(document).photos[0].wear
    assert back is not None
    assert back.points[5].loss_mm == pytest.approx(inspection.photos[0].wear.points[5].loss_mm)


def test_whiskers_are_drawn_outside_and_leave_the_cutter_alone() -> None:
    now, inspection = inspected()
    report = inspection.photos[0]
    with_map = annotate(now, report)[:640, :640]
    without = annotate(now, replace(report, wear=None))[:640, :640]
    touched = (with_map != without).any(axis=2)
    cutter = now.encoded[..., 0] < 120
    assert touched.sum() > 500
    assert (touched & cutter).sum() == 0


def test_whiskers_have_a_scale_of_their_own() -> None:
    points = tuple(
        WearPoint(0.01 * i, 0.02 if i == 5 else 0.0, 0.002, (100.0 + i, 50.0), (0.0, -1.0)) for i in range(10)
    )
    drawn_ = whiskers(WearMap("new", points, 0.001, 0.0), (800, 600), px_per_mm=100.0, unit=1.0)
    assert drawn_ is not None
    assert len(drawn_.feet) == 1
    assert np.hypot(*(drawn_.tips - drawn_.feet)[0]) == pytest.approx(0.02 * 100 * drawn_.factor)
    length, words = scale_words(drawn_, 40.0, px_per_mm=100.0, units="mm")
    assert words.startswith(f"{1000 * length / (100 * drawn_.factor):g} µm")
    unworn = tuple(p._replace(loss_mm=0.001) for p in points)
    assert whiskers(WearMap("new", unworn, 0.001, 0.0), (800, 600), px_per_mm=100.0, unit=1.0) is None


@pytest.mark.parametrize(("new_id", "now_id"), [("A03", "A05"), ("A07", "A11")])
def test_two_renders_of_like_cutters(renders: Path, new_id: str, now_id: str) -> None:
    """Two straight cutters, the one with the smaller corner radius taken for the other when new.

    They are not one cutter: the angles between their edges differ by up to a degree, which is 2 % of a recession.
    """
    radii, shapes, scales = [], [], []
    for name in (new_id, now_id):
        truth = json.loads((renders / f"{name}.json").read_text())
        edge = next(e for e in truth["edges"] if e["shows"] == "rake face")
        radii.append(edge["corner_radius_apparent_mm"])
        scales.append(Scale(truth["camera"]["px_per_mm"]))
        photo = read_photo(renders / truth["file"])
        outline = find_outline(photo)
        shapes.append(trace_shape(photo, outline, measure_corner(photo, outline, scales[-1]), scales[-1]))
    found = measure_wear(shapes[1], shapes[0], scales[1], scales[0], reference=new_id)
    gone = found.quantities["form_deviation"].value
    assert gone == pytest.approx((radii[1] - radii[0]) * (np.sqrt(2) - 1), rel=0.1)


def test_command_says_what_is_missing(tmp_path: Path) -> None:
    from typer.testing import CliRunner

    from wearscope.cli import app
    from wearscope.errors import InputError

    picture = tmp_path / "now.png"
    cv2.imwrite(
        str(picture), drawn(np.random.default_rng(1), 5.0, angle=0.1, opening=1.57, name="now").encoded
    )
    common = ["inspect", str(picture), "--px-per-mm", "250"]
    both = CliRunner().invoke(app, [*common, "--new-photo", str(picture), "--new-nominal"])
    assert isinstance(both.exception, InputError)
    lone = CliRunner().invoke(app, [*common, "--new-px-per-mm", "100"])
    assert isinstance(lone.exception, InputError)
