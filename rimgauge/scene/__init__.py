"""The synthetic camera: frames of a rim of known runout, for the demo, tests and teaching."""

from .render import Scene
from .seen_view import scene_view
from .shape import random_curve, runout_curve, with_total
from .spec import CURVE_POINTS, SceneSpec
from .truth import apparent_mm, draw_board, scene_truth
