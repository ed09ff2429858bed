"""Chips along the edges beside the corner, on drawn cutters whose truth is exact."""

from dataclasses import replace

import numpy as np
import pytest

from wearscope.facts import Facts
from wearscope.features.chips import measure_chips
from wearscope.finding import Finding
from wearscope.geometry.scale import Scale
from wearscope.grading.decide import decide
from wearscope.grading.limits import load_limits
from wearscope.outline.find import find_outline
from wearscope.photo.read import Photo
from wearscope.synthetic import Camera, Chip, Look, Scene, Wear, corner_scene, photograph

PX_PER_MM = 400.0
SCALE = Scale(PX_PER_MM)
CLEAN = Camera(blur_px=0.8, full_well_e=20000, read_e=8)
LIMIT = load_limits().for_cutter(Facts(diameter_mm=6.0))["chip_depth_max"]
PAPER = Look("paper", plain=True)
DEEP = (Chip(0.9, 0.40, 0.42, form="steep"), Chip(1.35, 0.32, 0.3, form="vee"), Chip(1.95, 0.44, 0.5))


def measured(picture: np.ndarray, outline_of: np.ndarray | None = None) -> Finding:
    photo, other = (
        Photo("drawn", "0" * 64, p) for p in (picture, picture if outline_of is None else outline_of)
    )
    return measure_chips(photo, find_outline(other), SCALE)


def shot(scene: Scene, camera: Camera = CLEAN) -> np.ndarray:
    return photograph(scene, camera, np.random.default_rng(7))[0]


def drawn(**options: object) -> Scene:
    common = {
        "size": (1280, 960),
        "px_per_mm": PX_PER_MM,
        "corner_px": (820.0, 640.0),
        "wear": Wear(radius_mm=0.02),
        "look": Look("backlit", plain=True),
    }
    return corner_scene(np.random.default_rng(5), **{**common, **options})


def with_end_edge_unseen(scene: Scene) -> Scene:
    """Below the cutter the ground is as bright as its rake face: paper of the same grey, with its fibres."""
    x, y = scene.truth["virtual_corner_px"]
    rng = np.random.default_rng(3)
    ground = scene.background.copy()
    below = ground[int(y) - 80 :, : int(x) - 20]
    below[...] = scene.body[0, 0] * (1 + 0.25 * rng.standard_normal((*below.shape[:2], 1)))
    return replace(scene, background=ground)


@pytest.mark.parametrize("rotation", [0.0, 20.0, -15.0])
def test_chips_of_an_edge_whose_corner_is_out_of_the_picture_are_never_denied(rotation: float) -> None:
    finding = measured(shot(drawn(corner_px=(620.0, 1080.0), rotation_deg=rotation, chips=DEEP)))
    depth = finding.quantities.get("chip_depth_max")
    if depth is None:
        assert "edge" in finding.not_measured["chip_depth_max"]
    else:
        assert depth.bounds()[1] > 0.43


def test_an_edge_that_cannot_be_seen_leaves_the_chips_unmeasured() -> None:
    scene = drawn(look=PAPER)
    finding = measured(shot(with_end_edge_unseen(scene)), outline_of=shot(scene))
    assert finding.quantities == {}
    assert set(finding.not_measured) == {"chip_count", "chip_depth_max", "chip_length_total"}
    assert all(why.startswith("end edge: ") for why in finding.not_measured.values())


def test_a_chip_beside_an_edge_that_cannot_be_seen_is_a_lower_limit_and_never_sharp() -> None:
    """JCGM 106: what is known only from below can prove the limit passed, never kept."""
    for chip, grades in (
        (Chip(0.8, 0.02, 0.12), {"retake"}),
        (Chip(0.8, 0.07, 0.16), {"worn"}),
        (Chip(0.8, 0.2, 0.3), {"discard"}),
    ):
        scene = drawn(look=PAPER, chips=(chip,))
        finding = measured(shot(with_end_edge_unseen(scene)), outline_of=shot(scene))
        depth = finding.quantities["chip_depth_max"]
        assert {q.kind for q in finding.quantities.values()} == {"lower_limit"}
        assert chip.depth_mm - 0.004 < depth.value < chip.depth_mm
        assert decide(depth, LIMIT).grade in grades
        assert any(remark.startswith("end edge: ") for remark in finding.remarks)
