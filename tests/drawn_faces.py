"""A corner whose rake face shows, 280 px/mm, as a front-lit microscope sees it."""

from dataclasses import replace
from typing import Any

import numpy as np

from wearscope.photo.read import Photo, decode_photo
from wearscope.synthetic.camera import Camera, encode_jpeg, photograph
from wearscope.synthetic.corner import corner_scene
from wearscope.synthetic.outlines import Edges, Wear
from wearscope.synthetic.paint import Look

PX_PER_MM = 280.0
CAMERA = Camera(blur_px=1.05, vignetting=0.14, full_well_e=6000, read_e=5, bayer=True)


def drawn_face(
    rng: np.random.Generator, look: Look, *, helix: float = 30.0, radius: float = 0.01, **camera: Any
) -> tuple[Photo, dict[str, Any]]:
    """The photo, and what is true of it; `camera` is what differs from the usual one."""
    scene = corner_scene(
        rng,
        size=(1000, 800),
        px_per_mm=PX_PER_MM,
        corner_px=(650.0, 560.0),
        rotation_deg=float(rng.uniform(-8, 8)),
        edges=Edges(6, helix, 2.0),
        wear=Wear(radius_mm=radius),
        look=look,
    )
    picture, truth = photograph(scene, replace(CAMERA, **camera), rng)
    return decode_photo(encode_jpeg(picture, 90), "drawn"), truth
