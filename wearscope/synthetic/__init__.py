"""Cutters and scale targets drawn with exact truth: for tests, the sample drawer and self-checks.

A scene is an ideal picture in linear light (`corner_scene` and its siblings); `photograph` sends it through a modelled microscope
camera. Nothing here measures, and nothing here imports what measures. Coordinates: px (0, 0) is the centre of the top-left
pixel, x right, y down; angles clockwise as seen. Random generators are passed in.
"""

from wearscope.synthetic.camera import Camera, encode_jpeg, ideal_light, photograph
from wearscope.synthetic.corner import corner_scene
from wearscope.synthetic.outlines import Chip, Edges, Wear
from wearscope.synthetic.paint import Look
from wearscope.synthetic.scene import Placement, Scene
from wearscope.synthetic.surface import Heat

__all__ = [
    "Camera",
    "Chip",
    "Edges",
    "Heat",
    "Look",
    "Placement",
    "Scene",
    "Wear",
    "corner_scene",
    "encode_jpeg",
    "ideal_light",
    "photograph",
]
