"""Cutters and scale targets drawn with exact truth: for tests, the sample drawer and self-checks.

A scene is an ideal picture in linear light (`corner_scene` and its siblings); `photograph` sends it through a modelled microscope
camera. Nothing here measures, and nothing here imports what measures. Coordinates: px (0, 0) is the centre of the top-left
pixel, x right, y down; angles clockwise as seen. Random generators are passed in.
"""

from wearscope.synthetic.camera import Camera, encode_jpeg, ideal_light, photograph
from wearscope.synthetic.closeups import edge_scene, end_scene, through_loupe
from wearscope.synthetic.corner import corner_scene
from wearscope.synthetic.outlines import Chip, Edges, Wear
from wearscope.synthetic.paint import Look, empty_scene, with_fibre
from wearscope.synthetic.scene import Placement, Scene
from wearscope.synthetic.shank_scene import Score, shank_scene
from wearscope.synthetic.surface import Heat
from wearscope.synthetic.targets import Projection, target_scene
from wearscope.synthetic.tips import ball_scene, engraver_scene
from wearscope.synthetic.turned import TurnedCutter, turned_scenes

__all__ = [
    "Camera",
    "Chip",
    "Edges",
    "Heat",
    "Look",
    "Placement",
    "Projection",
    "Scene",
    "Score",
    "TurnedCutter",
    "Wear",
    "ball_scene",
    "corner_scene",
    "edge_scene",
    "empty_scene",
    "encode_jpeg",
    "end_scene",
    "engraver_scene",
    "ideal_light",
    "photograph",
    "shank_scene",
    "target_scene",
    "through_loupe",
    "turned_scenes",
    "with_fibre",
]
