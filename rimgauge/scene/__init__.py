"""The synthetic camera: frames of a rim of known runout, for the demo, tests and teaching."""

from .board import SQUARE_MM, draw_board
from .camera import Camera, place_camera
from .render import Frame, Scene
from .seen_view import scene_view
from .shape import random_curve, runout_curve, with_total
from .spec import CURVE_POINTS, SceneSpec
from .truth import apparent_mm, scene_truth

__all__ = [
    "CURVE_POINTS",
    "SQUARE_MM",
    "Camera",
    "Frame",
    "Scene",
    "SceneSpec",
    "apparent_mm",
    "draw_board",
    "place_camera",
    "random_curve",
    "runout_curve",
    "scene_truth",
    "scene_view",
    "with_total",
]
