"""The sample drawer: the CNC room of a community boatyard keeps its cutters in a drawer with twelve slots.

Every picture is drawn from a fixed seed, so the folder can be made again bit for bit (with the same numpy and OpenCV).
"""

import csv
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from wearscope.synthetic.camera import Camera, encode_jpeg, photograph
from wearscope.synthetic.corner import corner_scene
from wearscope.synthetic.outlines import Chip, Edges, Wear
from wearscope.synthetic.paint import Look, empty_scene
from wearscope.synthetic.scene import Scene
from wearscope.synthetic.surface import Heat
from wearscope.synthetic.targets import Projection, target_scene
from wearscope.synthetic.tips import ball_scene, engraver_scene

__all__ = ["COLUMNS", "MICROSCOPE", "PX_PER_MM", "write_sample_drawer", "write_sample_target"]

PX_PER_MM = 280.0
JPEG_QUALITY = 90
MICROSCOPE = Camera(
    blur_px=1.05,
    vignetting=0.14,
    veil=0.012,
    full_well_e=6000,
    read_e=5,
    bayer=True,
    white_balance=(1.02, 1.0, 0.985),
)
COLUMNS = ("file", "cutter", "kind", "material", "diameter", "flutes", "nominal_radius", "view", "flute")
TARGET_PITCH_MM = 0.5

Draw = Callable[[np.random.Generator], Scene]


@dataclass(frozen=True, slots=True)
class _Photo:
    """One picture of the drawer: who is on it, how it is drawn, and by which camera."""

    file: str
    facts: Mapping[str, object]
    draw: Draw
    story: str
    camera: Camera = field(default=MICROSCOPE)


def write_sample_drawer(folder: Path) -> list[Path]:
    """Draw the drawer's photos into `folder`, with cutters.csv and truth.json beside them; the paths written."""
    folder.mkdir(parents=True, exist_ok=True)
    written, truths = [], {}
    for number, photo in enumerate(_photos()):
        rng = np.random.default_rng([12, number])
        picture, truth = photograph(photo.draw(rng), photo.camera, rng)
        (folder / photo.file).write_bytes(encode_jpeg(picture, JPEG_QUALITY))
        truths[photo.file] = {"story": photo.story, **truth}
        written.append(folder / photo.file)
    _write_table(folder / "cutters.csv")
    _write_json(folder / "truth.json", truths)
    return [*written, folder / "cutters.csv", folder / "truth.json"]


def write_sample_target(folder: Path) -> list[Path]:
    """Draw the sample microscope's photo of its glass chessboard into `folder`, with the truth beside it; the paths written."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([12, 1000])
    projection = Projection((1600, 1200), PX_PER_MM, rotation_deg=3.2, tilt_deg=0.4, tilt_axis_deg=70.0)
    scene = target_scene(
        rng, "chessboard", projection, pitch_mm=TARGET_PITCH_MM, offset_mm=(0.13, 0.21), paper=False
    )
    picture, truth = photograph(scene, replace(MICROSCOPE, exposure=0.9), rng)
    photo, notes = folder / "sample_microscope_chessboard.jpg", folder / "sample_microscope_truth.json"
    photo.write_bytes(encode_jpeg(picture, JPEG_QUALITY))
    inside = [np.all((np.array(p) >= 0) & (np.array(p) <= [1599, 1199])) for p in truth["points_px"]]
    for name in ("points_mm", "points_px"):
        truth[name] = [p for p, keep in zip(truth[name], inside, strict=True) if keep]
    _write_json(notes, truth)
    return [photo, notes]


def _write_table(path: Path) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        table.writeheader()
        for photo in _photos():
            table.writerow({"file": photo.file, **photo.facts})


def _write_json(path: Path, content: Mapping[str, Any]) -> None:
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


def _facts(
    slot: int, kind: str, material: str, diameter: float, flutes: int, *, radius: float = 0.0, flute: int = 1
) -> dict[str, object]:
    return {
        "cutter": f"slot {slot:02d}",
        "kind": kind,
        "material": material,
        "diameter": f"{diameter:g}",
        "flutes": flutes,
        "nominal_radius": f"{radius:g}",
        "view": "corner",
        "flute": flute,
    }


def _corner(**options: Any) -> Draw:
    return lambda rng: corner_scene(rng, px_per_mm=PX_PER_MM, **options)


def _photos() -> tuple[_Photo, ...]:
    soft = 1.4
    return (
        _Photo(
            "slot01_flat6_carbide_flute1.jpg",
            _facts(1, "flat", "carbide", 6, 2, flute=1),
            _corner(
                edges=Edges(6, 30, 2.0),
                wear=Wear(radius_mm=0.008),
                rotation_deg=6,
                corner_px=(1040, 800),
                look=Look("dark", "carbide", defocus_px_per_mm=soft),
            ),
            "new up-spiral cutter, first flute",
        ),
        _Photo(
            "slot01_flat6_carbide_flute2.jpg",
            _facts(1, "flat", "carbide", 6, 2, flute=2),
            _corner(
                edges=Edges(6, 30, 2.0),
                wear=Wear(radius_mm=0.010),
                rotation_deg=-4,
                corner_px=(980, 760),
                look=Look("dark", "carbide", defocus_px_per_mm=soft, light=0.9),
            ),
            "new up-spiral cutter, second flute",
        ),
        _Photo(
            "slot02_flat6_carbide_worn.jpg",
            _facts(2, "flat", "carbide", 6, 2),
            _corner(
                edges=Edges(6, 0, 1.8),
                wear=Wear(radius_mm=0.070),
                rotation_deg=-7,
                corner_px=(1010, 790),
                look=Look("dark", "carbide", bright_rim_mm=0.006),
            ),
            "straight cutter, corners rounded by plywood",
        ),
        _Photo(
            "slot03_flat3_carbide_backlit.jpg",
            _facts(3, "flat", "carbide", 3, 1),
            _corner(
                edges=Edges(3, 25, 2.5),
                wear=Wear(radius_mm=0.006),
                rotation_deg=9,
                corner_px=(1000, 860),
                flutes=1,
                look=Look("backlit", "carbide"),
            ),
            "single-flute cutter against the light, sharp",
        ),
        _Photo(
            "slot04_flat8_hss_heat.jpg",
            _facts(4, "flat", "hss", 8, 2),
            _corner(
                edges=Edges(8, 30, 2.2),
                wear=Wear(radius_mm=0.110),
                rotation_deg=3,
                corner_px=(1060, 830),
                look=Look(
                    "dark", "hss", heat=Heat(58, 0.6, 1.6, 0.85), bright_rim_mm=0.008, defocus_px_per_mm=soft
                ),
            ),
            "run too fast and too slow forward: blue corner, rounded",
        ),
        _Photo(
            "slot05_ball3_carbide.jpg",
            _facts(5, "ball", "carbide", 3, 2, radius=1.5),
            lambda rng: ball_scene(
                rng,
                px_per_mm=PX_PER_MM,
                diameter_mm=3,
                rotation_deg=-5,
                tip_px=(790, 870),
                look=Look("paper", "carbide", ground_level=0.04),
            ),
            "ball nose, as new",
        ),
        _Photo(
            "slot06_engraver60_carbide.jpg",
            _facts(6, "engraver", "carbide", 6, 1, radius=0.1),
            lambda rng: engraver_scene(
                rng,
                px_per_mm=PX_PER_MM,
                included_angle_deg=60,
                tip_width_mm=0.2,
                rotation_deg=4,
                tip_px=(820, 880),
                look=Look("dark", "carbide"),
            ),
            "sixty-degree engraver with a 0.2 mm tip, as new",
        ),
        _Photo(
            "slot07_flat6_carbide_broken.jpg",
            _facts(7, "flat", "carbide", 6, 2),
            _corner(
                edges=Edges(6, 0, 2.0),
                wear=Wear("broken", loss_end_mm=0.42, loss_side_mm=0.30, raggedness_mm=0.035),
                chips=(Chip(0.95, 0.13, 0.34, form="ragged"),),
                rotation_deg=5,
                corner_px=(1030, 800),
                look=Look("dark", "carbide", patch_mm=0.09),
            ),
            "hit a screw: corner broken off, edge chipped",
        ),
        _Photo(
            "slot08_flat6_hss_resin.jpg",
            _facts(8, "flat", "hss", 6, 2),
            _corner(
                edges=Edges(6, 25, 2.0),
                wear=Wear(radius_mm=0.018),
                rotation_deg=-3,
                corner_px=(1000, 790),
                look=Look("dark", "hss", resin_share=0.3, defocus_px_per_mm=soft),
            ),
            "pine pitch baked into the flutes",
        ),
        _Photo(
            "slot09_flat6_carbide_gold.jpg",
            _facts(9, "flat", "carbide", 6, 2),
            _corner(
                edges=Edges(6, 30, 2.0),
                wear=Wear(radius_mm=0.012),
                rotation_deg=8,
                corner_px=(1050, 790),
                look=Look("dark", "gold", defocus_px_per_mm=soft),
            ),
            "gold-coloured coating, little used",
        ),
        _Photo(
            "slot10_flat4_carbide_chipped.jpg",
            _facts(10, "flat", "carbide", 4, 2),
            _corner(
                edges=Edges(4, 0, 2.0),
                wear=Wear(radius_mm=0.022),
                chips=(Chip(0.8, 0.062, 0.22, form="ragged"), Chip(1.7, 0.05, 0.16, form="vee")),
                rotation_deg=-6,
                corner_px=(980, 830),
                look=Look("paper", "violet", patch_mm=0.03, ground_level=0.45),
            ),
            "violet-grey coating, two chips in the side edge",
        ),
        _Photo(
            "slot11_flat6_carbide_unfocused.jpg",
            _facts(11, "flat", "carbide", 6, 2),
            _corner(
                edges=Edges(6, 30, 2.0),
                wear=Wear(radius_mm=0.02),
                rotation_deg=4,
                look=Look("paper", "carbide", ground_level=0.06),
            ),
            "lens too high",
            replace(MICROSCOPE, blur_px=7.0),
        ),
        _Photo(
            "slot12_empty.jpg",
            _facts(12, "flat", "carbide", 6, 2),
            lambda rng: empty_scene(rng, look=Look("paper")),
            "nothing in the frame",
        ),
    )
