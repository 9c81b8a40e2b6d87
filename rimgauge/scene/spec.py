"""What a drawn scene is made of: wheel, camera, light, hand and pointer, in one frozen record."""

from __future__ import annotations

from dataclasses import field
from typing import Literal, get_args

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.records import MOST_TAGS, Direction, Flange, FloatArray, record

Turn = Literal["steady", "uneven", "stops", "rocks"]
Finish = Literal["bright", "black"]
Pointer = Literal["strip", "bolt", "wire", "card"]
Background = Literal["wall", "dark", "cluttered"]
Shade = Literal["dark", "pale"]

CURVE_POINTS = 720
"""Points of a runout curve over one revolution, half a degree apart."""

_CHOICES = {
    "direction": get_args(Direction),
    "first_spoke_side": get_args(Flange),
    "side": get_args(Flange),
    "turning": get_args(Turn),
    "finish": get_args(Finish),
    "pointer": get_args(Pointer),
    "pointer_shade": get_args(Shade),
    "background": get_args(Background),
}

_RANGES: dict[str, tuple[float, float]] = {
    "spokes": (8, 72),
    "crossings": (0, 4),
    "radius_mm": (100, 400),
    "rim_width_mm": (10, 60),
    "rim_depth_mm": (8, 60),
    "frames": (1, 20_000),
    "fps": (1, 1000),
    "turns_per_s": (0.01, 3),
    "mm_per_px": (0.02, 0.5),
    "distance_mm": (60, 2000),
    "roll_deg": (-360, 360),
    "tilt_deg": (-45, 45),
    "gap_mm": (0.2, 20),
    "exposure_s": (0, 0.05),
    "texture": (0, 4),
    "blur_px": (0.3, 6),
    "noise": (0, 30),
    "jpeg_quality": (10, 100),
    "flicker": (0, 0.3),
    "shake_px": (0, 10),
    "dropped_frames": (0, 1000),
    "bump_px": (0, 100),
    "pointer_bent_px": (-10, 10),
    "pointer_creep_px": (-10, 10),
    "hand_frames": (0, 1000),
    "dimming": (0, 0.8),
    "exposure_step": (-0.5, 0.5),
    "background_sway_px": (0, 20),
    "tags": (0, 72),
    "tag_mm": (4, 40),
}


@record
class SceneSpec:
    """Everything that decides what the synthetic camera sees.

    Lateral runout is + toward the wheel's right, radial + outward; angles rise in the order in which points
    pass the pointer as the wheel rolls forward, 0 at the mark.

    lateral_mm, radial_mm (720,): how far the rim strays at 0, 0.5, 1 … degrees. first_spoke_deg: None for
    half a spacing. side: which edge the pointer faces (lateral only). radius_mm: of the rim's outer edge.
    gap_mm: mean distance from pointer tip to rim. distance_mm: camera to rim edge. tilt_deg: how far the
    camera leans out of the measuring plane, so that the other direction leaks in. texture: strength of the
    rim's machining lines, stains and specks, 1 for a used wheel, 0 for plain paint. blur_px: sd of the
    optical blur. noise: sd in grey levels at mid grey. flicker: sd of the brightness from frame to frame,
    as a fraction. shake_px: sd of the camera's shake. mark_bgr: colour of the tape at the valve. bump_px: how far
    a knock moves the camera's picture for good. pointer_bent_px: how far the pointer is bent away from the rim
    on the way, pointer_creep_px: how far it gives way bit by bit. hand_frames: how many a hand passes through. dimming: share of the light lost by the end.
    exposure_step: by which share the camera brightens every other second. background_sway_px: how far
    what lies behind moves to and fro. both_sides: a second pointer stands at the rim's other edge. width_mm
    (720,): how much wider than usual the rim is, on the side away from the pointer. tags: a numbered tag of tag_mm
    stands beside every so many spokes, and no tape at the valve; 0 for tape and no tags.
    """

    lateral_mm: FloatArray
    radial_mm: FloatArray
    direction: Direction = "lateral"
    side: Flange = "right"
    name: str = "drawn wheel"
    spokes: int = 32
    crossings: int = 3
    first_spoke_deg: float | None = None
    first_spoke_side: Flange = "right"
    radius_mm: float = 305.0
    rim_width_mm: float = 22.0
    rim_depth_mm: float = 18.0
    image_size: tuple[int, int] = (640, 360)
    frames: int = 240
    fps: float = 30.0
    turning: Turn = "uneven"
    turns_per_s: float = 0.36
    dropped_frames: int = 0
    mm_per_px: float = 0.12
    distance_mm: float = 180.0
    roll_deg: float = 0.8
    tilt_deg: float = 0.0
    gap_mm: float = 2.0
    pointer: Pointer = "strip"
    pointer_shade: Shade = "dark"
    mark_bgr: tuple[int, int, int] = (40, 60, 215)
    finish: Finish = "bright"
    texture: float = 1.0
    decal: bool = False
    background: Background = "wall"
    exposure_s: float = 0.008
    blur_px: float = 0.9
    noise: float = 2.0
    jpeg_quality: int = 88
    flicker: float = 0.01
    shake_px: float = 0.0
    bump_px: float = 0.0
    pointer_bent_px: float = 0.0
    pointer_creep_px: float = 0.0
    hand_frames: int = 0
    dimming: float = 0.0
    exposure_step: float = 0.0
    background_sway_px: float = 0.0
    both_sides: bool = False
    tags: int = 0
    tag_mm: float = 10.0
    width_mm: FloatArray = field(default_factory=lambda: np.zeros(CURVE_POINTS))
    seed: int = 1

    def __post_init__(self) -> None:
        for name, choices in _CHOICES.items():
            if getattr(self, name) not in choices:
                raise BadInput(f"{name} {getattr(self, name)!r} is not known: take {' or '.join(choices)}")
        for name, (low, high) in _RANGES.items():
            value = getattr(self, name)
            if not low <= value <= high:  # neither is NaN
                told = value if isinstance(value, int) else f"{value:g}"
                raise BadInput(f"{name} is {told}: it must lie between {low:g} and {high:g}")
        if self.spokes % 2:
            raise BadInput(f"a wheel with {self.spokes} spokes can't be laced: take an even number")
        if self.tag_numbers and self.tag_numbers[-1] > MOST_TAGS:
            raise BadInput(
                f"tags go up to number {MOST_TAGS}, but the last one here would be {self.tag_numbers[-1]}: "
                "take fewer spokes, or a tag beside fewer of them"
            )
        if min(self.image_size) < 120 or max(self.image_size) > 4000:
            raise BadInput(f"image size {self.image_size} is out of reach: take 120 to 4000 pixels a side")
        for name in ("lateral_mm", "radial_mm", "width_mm"):
            curve = np.array(getattr(self, name), dtype=np.float64)
            if curve.shape != (CURVE_POINTS,) or not np.isfinite(curve).all():
                raise BadInput(f"{name} must hold {CURVE_POINTS} finite numbers, one every half degree")
            curve.flags.writeable = False
            object.__setattr__(self, name, curve)
        if self.both_sides and self.direction == "radial":
            raise BadInput("two pointers stand at the two edges of a lateral view: take direction lateral")
        nearest = self.gap_mm - (self.outward * self.runout_mm).max()
        if nearest < 0.15:
            raise BadInput(
                f"the rim would come within {nearest:.2f} mm of the pointer: take a gap of at least "
                f"{self.gap_mm - nearest + 0.15:.2f} mm or less runout"
            )

    @property
    def spoke_angles_deg(self) -> FloatArray:
        """Angles (spokes,) from the mark, spoke 1 first."""
        spacing = 360.0 / self.spokes
        first = spacing / 2 if self.first_spoke_deg is None else self.first_spoke_deg
        return np.asarray(first + spacing * np.arange(self.spokes))

    @property
    def tag_numbers(self) -> range:
        """Numbers of the spokes that carry a tag."""
        return range(1, self.spokes + 1, self.tags) if self.tags else range(0)

    @property
    def flanges(self) -> tuple[Flange, ...]:
        """The flange that each spoke goes to, alternating."""
        order: tuple[Flange, Flange] = (
            ("right", "left") if self.first_spoke_side == "right" else ("left", "right")
        )
        return tuple(order[index % 2] for index in range(self.spokes))

    @property
    def outward(self) -> float:
        """From rim to pointer along the measuring direction: −1 for a pointer at the left edge, else 1."""
        return -1.0 if self.direction == "lateral" and self.side == "left" else 1.0

    @property
    def runout_mm(self) -> FloatArray:
        """The curve (720,) that is measured, of the two."""
        return self.lateral_mm if self.direction == "lateral" else self.radial_mm
