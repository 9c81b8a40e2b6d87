"""The synthetic camera: pictures of a wheel at any angle, with blur, noise and flicker."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.errors import BadInput
from rimgauge.records import FloatArray, record

from .camera import Camera, place_camera
from .canvas import Canvas, Picture, Tracer, blurred, lay_rim, make_canvas
from .happenings import Happening, Spin, happenings, lay_hand, moved, turn_by_hand
from .outline import Outline
from .pointer import draw_pointer, pointer_tip
from .spec import CURVE_POINTS, SceneSpec
from .spokes import Spokes
from .texture import Surface

_LEAST_GAP_PX = 2.0
_MID_GREY = 128.0
_SHADOW = 0.16
_GLINT = 0.16


@record
class Frame:
    """One picture (height, width, 3) BGR with its mid-exposure time, wheel angle, true gap and shake."""

    index: int
    time_s: float
    wheel_angle_deg: float
    gap_px: float
    shake_px: tuple[float, float]
    brightness: float
    image: NDArray[np.uint8]


class Scene:
    """A wheel, a pointer and a camera, ready to be photographed.

    Everything drawn from chance comes from generators seeded by the spec: the same spec gives the same
    pictures, and the still parts don't depend on how many frames are taken. gap_round_px (720,): the gap
    at every half degree of one revolution; other_gap_round_px at the rim's other edge (lateral only).

    Limits
    ------
    Exact: the outline of the rim (its cross-section taken as a polygon) and the pointer's tip, in a pinhole
    camera. Approximate: the surface is placed along the rim as its edge is, though deeper parts lie a little
    further in; edges don't smear during an exposure, only the surface and the spokes do; spokes are straight
    bars in front of one another in no order; the background is a flat picture; light comes from nowhere in
    particular and throws no shadow but the pointer's. There is no lens distortion and no rolling shutter.
    """

    def __init__(self, spec: SceneSpec) -> None:
        self.spec = spec
        still, hand, self._sensor = (np.random.default_rng([spec.seed, part]) for part in range(3))
        self.camera: Camera = place_camera(spec)
        self.outline = Outline(spec, self.camera)
        self.tip_px: FloatArray = pointer_tip(spec, self.camera)
        around = np.asarray(np.arange(CURVE_POINTS) * (360.0 / CURVE_POINTS))
        self.gap_round_px: FloatArray = self.outline.gap_px(self.tip_px, around)
        if self.gap_round_px.min() < _LEAST_GAP_PX:
            raise BadInput(
                "seen from there the rim would cover the pointer: tilt the camera the other way, or take "
                f"a gap of more than {spec.gap_mm:g} mm"
            )
        self.other_tip_px: FloatArray = pointer_tip(spec, self.camera, other_side=True)
        self.other_gap_round_px: FloatArray = self.outline.gap_px(self.other_tip_px, around, other_side=True)
        self.spin: Spin = turn_by_hand(spec, hand)
        self.gap_px: FloatArray = self.outline.gap_px(self.tip_px, self.spin.angle_deg)
        self._canvas: Canvas = make_canvas(self.camera, spec.image_size)
        self._tracer = Tracer(self.outline, self._canvas, spec.mm_per_px)
        self._surface = Surface(spec, self.outline.profile, still)
        self._spokes = Spokes(spec, self.camera, self._canvas)
        self._pointers = [draw_pointer(spec, self.camera, self._canvas)]
        if spec.both_sides:
            self._pointers.append(draw_pointer(spec, self.camera, self._canvas, other_side=True))
        self._background = self._shaded(self._spokes.with_hub(draw_background(spec, self._canvas, still)))
        self._light = light(spec, self._canvas, still)
        place = np.arange(self._canvas.rows, dtype=np.float32) / self._canvas.rows
        self._glint = 1 + _GLINT * np.exp(-(((place[:, None, None] - 0.62) / 0.16) ** 2))

    def frames(self) -> Iterator[Frame]:
        """Photograph the wheel in turn, frame by frame."""
        spec = self.spec
        happening = happenings(spec, self.spin.time_s)
        for index, (time_s, angle, speed, gap) in enumerate(
            zip(self.spin.time_s, self.spin.angle_deg, self.spin.speed_deg_s, self.gap_px, strict=True)
        ):
            mains = np.sin(2 * np.pi * 100.0 * time_s)
            brightness = 1.0 + spec.flicker * (0.7 * mains + 0.7 * self._sensor.standard_normal())
            shake = spec.shake_px * self._sensor.standard_normal(2)
            now = happening[index]
            brightness, shake = brightness * now.light, shake + now.camera_px
            picture = self.photograph(angle, speed * spec.exposure_s, brightness, shake, now)
            yield Frame(
                index=index,
                time_s=float(time_s),
                wheel_angle_deg=float(angle),
                gap_px=float(gap) + now.pointer_px,
                shake_px=(float(shake[0]), float(shake[1])),
                brightness=float(brightness),
                image=self.expose(picture),
            )

    def spokes_px(self) -> FloatArray:
        """Places (n, 2) in the picture that spokes pass, before the rim hides any of them."""
        return self._spokes.places_px()

    def photograph(
        self,
        wheel_angle_deg: float,
        blur_deg: float = 0.0,
        brightness: float = 1.0,
        shake_px: FloatArray | tuple[float, float] = (0.0, 0.0),
        now: Happening | None = None,
    ) -> Picture:
        """Give the picture (height, width, 3) that reaches the sensor, in grey levels and without noise.

        Limits
        ------
        The rim's edge is drawn where it is at mid-exposure; its surface and the spokes are smeared.
        """
        background = self._background
        if now is not None and now.background_px.any():
            background = moved(background, now.background_px)
        spec = self.spec
        picture = self._spokes.draw(background, wheel_angle_deg, blur_deg)
        traced = self._tracer.trace(wheel_angle_deg)
        surface = self._surface.seen(wheel_angle_deg - traced.past_deg, abs(blur_deg))
        lay_rim(picture, traced, np.asarray(surface * self._glint, dtype=np.float32), self._surface.starts)
        for number, layers in enumerate(self._pointers):
            if now is not None and now.pointer_px and number == 0:
                bent = now.pointer_px * spec.outward * self._canvas.place(self.camera.positive)
                share, colour = (moved(layer, bent) for layer in layers)
            else:
                share, colour = layers
            picture = picture + share * (colour - picture)
        if now is not None and now.hand is not None:
            place = self._canvas.place
            picture = lay_hand(picture, place(self.tip_px), place(self.camera.forward), now.hand)
        picture *= self._light * np.float32(brightness)
        if self._canvas.transposed:
            picture = np.ascontiguousarray(picture.transpose(1, 0, 2))
        picture = blurred(picture, spec.blur_px)
        if np.any(shake_px):
            picture = moved(picture, np.asarray(shake_px))
        return picture

    def expose(self, picture: Picture) -> NDArray[np.uint8]:
        """Add the sensor's noise (it grows with the root of the light; colour is coarser) and round."""
        if self.spec.noise > 0:
            height, width = picture.shape[:2]
            grain = self._sensor.standard_normal((height, width, 1), dtype=np.float32)
            blotch = self._sensor.standard_normal((height // 2, width // 2, 3), dtype=np.float32)
            spread = cv2.resize(blotch, (width, height), interpolation=cv2.INTER_LINEAR)
            size = self.spec.noise * np.sqrt(np.maximum(picture[..., 1:2], 4.0) / _MID_GREY)
            noise = np.asarray(0.5 * spread, dtype=np.float32)
            noise += grain
            noise *= size
            picture = picture + noise
        return np.asarray(cv2.convertScaleAbs(np.maximum(picture, 0)))

    def _shaded(self, background: Picture) -> Picture:
        """Darken the background with the pointer's soft shadow, off to one side."""
        share = np.pad(self._pointers[0][0][..., 0], ((14, 0), (9, 0)), mode="edge")[:-14, :-9]
        shadow = blurred(share, 7.0)
        return np.asarray(background * (1 - _SHADOW * shadow[..., None]), dtype=np.float32)


_BASE_BGR = {"wall": (150, 158, 164), "dark": (44, 40, 38), "cluttered": (112, 124, 134)}
_THINGS = 26


def draw_background(spec: SceneSpec, canvas: Canvas, rng: np.random.Generator) -> Picture:
    """Draw the background on the canvas (rows, columns, 3) in grey levels."""
    width, height = spec.image_size
    base = np.array(_BASE_BGR[spec.background], dtype=np.float32)
    picture = np.tile(base, (height, width, 1))
    if spec.background == "cluttered":
        for _ in range(_THINGS):
            colour = tuple(float(c) for c in rng.uniform(25, 235, 3))
            centre = (float(rng.uniform(0, width)), float(rng.uniform(0, height)))
            size = (float(rng.uniform(15, 160)), float(rng.uniform(6, 60)))
            box = cv2.boxPoints((centre, size, float(rng.uniform(0, 180))))
            cv2.fillConvexPoly(picture, np.round(box).astype(np.int32), colour)
        picture = blurred(picture, 2.5)
    grain = blurred(rng.normal(0, 1, (height, width)).astype(np.float32), 2.0)
    clouds = cv2.resize(
        rng.normal(0, 1, (5, 8)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    picture *= (1 + 0.06 * grain + 0.05 * clouds)[..., None]
    return np.ascontiguousarray(picture.transpose(1, 0, 2) if canvas.transposed else picture)


def light(spec: SceneSpec, canvas: Canvas, rng: np.random.Generator) -> Picture:
    """Give the light's fall-off over the canvas (rows, columns, 1): brighter on one side, dim in corners."""
    width, height = spec.image_size
    x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
    lean = rng.uniform(0, 2 * np.pi)
    fall = 1.0 + 0.10 * (np.cos(lean) * x + np.sin(lean) * y) - 0.10 * (x**2 + y**2) / 2
    fall = fall.T if canvas.transposed else fall
    return np.ascontiguousarray(fall, dtype=np.float32)[..., None]
