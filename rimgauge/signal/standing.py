"""Where the camera stands to the rim: what a person tells of it, and in words where to move it.

A camera is tilted by + where it stands to the + side of the direction that is measured: to the wheel's right
of the rim in a lateral view, farther out than the rim's edge in a radial one.
"""

from __future__ import annotations

import math
from dataclasses import replace

from scipy.special import ndtr

from rimgauge.records import USUAL_DISTANCE_MM, USUAL_FOCAL, BudgetLine, CameraPlace, View
from rimgauge.signal.budget import DEPTH_LINE, PLACE_LINE, UNKNOWN_CROSSTALK, combined

USUAL_SPREAD = 0.55
"""Relative standard uncertainty of the usual distance: about 65 to 600 mm, lognormal (a judgement)."""
RULER_SHARE = 0.05
"""A distance from lens to rim by a ruler (common practice)."""
TILT_ERROR_DEG = 3.0
"""An angle by eye along a set square, or by a telephone's level (a judgement)."""
VAGUE_CROSSTALK = 0.1
"""Less sure than this (6°), how the camera stands is as good as not known (a judgement)."""
VAGUE_DISTANCE = 0.2
INSIDE = 0.05
"""A camera that so unlikely sees the farther lip stands nearer the hub than the rim's edge."""
COVERAGE_FACTOR = 2.0
"""Expanded uncertainty at about 95 % (JCGM 100:2008, 6.2)."""
_SIDES = {"lateral": ("the wheel's right", "the wheel's left"), "radial": ("farther out", "nearer the hub")}


def tilt_deg(view: View, camera: CameraPlace) -> float:
    """How far off square the camera looks at the rim, with its sign [deg]: the inverse of `crosstalk_of`."""
    return -_facing(view) * math.degrees(math.atan(camera.crosstalk))


def crosstalk_of(view: View, tilt_deg: float) -> float:
    """What 1 mm of the other direction adds to the reading of a camera tilted by so much [mm/mm].

    A camera at (sin τ, f·cos τ) in the plane of measured and other direction sees along (cos τ, −f·sin τ), so
    that 1 mm of the other direction looks like −f·tan τ of the measured one (derived); f is 1 where the other
    direction's + points toward the camera, −1 where it points away from it.
    """
    return -_facing(view) * math.tan(math.radians(tilt_deg))


def _facing(view: View) -> float:
    """1 where the other direction's + points toward the camera, −1 where it points away (right-handed axes).

    The wheel's right, forward and outward are right-handed, and so are the picture's right, up and toward the
    person who looks at it.
    """
    (px, py), (fx, fy) = view.positive, view.forward
    turn = -(px * fy - py * fx)
    return math.copysign(1.0, turn if view.direction == "lateral" else -turn)


def far_lip(view: View) -> float | None:
    """How likely it is the rim's farther lip that a radial view shows as the outline, None in a lateral view.

    Both lips reach equally far out, so that the farther one shows as soon as the camera stands farther out than they do,
    and the nearer one hides it as soon as it stands nearer the hub.
    """
    if view.direction == "lateral":
        return None
    camera = None if view.scale is None else view.scale.camera
    if camera is None:
        return 0.5
    lean = math.tan(math.radians(tilt_deg(view, camera)))
    return float(ndtr(lean / max(camera.crosstalk_standard_uncertainty, 1e-9)))


def told_camera(
    view: View, distance_mm: float | None, tilt_deg: float | None
) -> tuple[CameraPlace | None, tuple[str, ...]]:
    """Where the camera stands by what a person measured, and for the rest by what the view's scale knew before.

    Parameters
    ----------
    view : of that camera.
    distance_mm : from the lens to the rim's edge, sure within 5 % [mm].
    tilt_deg : off square to the rim, + to the side of positive runout, sure within 3° [deg].

    Returns
    -------
    place : None where nothing was told, now or before.
    doubts : a sentence for each thing told that contradicts what was known.
    """
    before = None if view.scale is None else view.scale.camera
    if distance_mm is None and tilt_deg is None:
        return before, ()
    place = before or CameraPlace(
        distance_mm=USUAL_DISTANCE_MM,
        distance_standard_uncertainty_mm=USUAL_SPREAD * USUAL_DISTANCE_MM,
        crosstalk=0.0,
        crosstalk_standard_uncertainty=UNKNOWN_CROSSTALK,
        focal_px=USUAL_FOCAL * view.image_size[0],
    )
    doubts: list[str] = []
    if distance_mm is not None:
        place, doubt = _at_distance(view, place, distance_mm, known=before is not None)
        doubts += doubt
    if tilt_deg is not None:
        place, doubt = _tilted(view, place, tilt_deg)
        doubts += doubt
    return place, tuple(doubts)


def _at_distance(
    view: View, place: CameraPlace, distance_mm: float, *, known: bool
) -> tuple[CameraPlace, list[str]]:
    """Put a camera at a distance that was measured; known: its place was known before, and may be contradicted."""
    doubt = []
    if known and _far_off(place, distance_mm):
        doubt.append(
            f"--distance-mm {distance_mm:g} contradicts the {_span(place)} known before: one of them is "
            "wrong, or the camera was moved. The new one is taken, and how squarely the camera looks counts "
            "as unknown until a board or --tilt-deg tells it."
        )
        place = replace(place, crosstalk=0.0, crosstalk_standard_uncertainty=UNKNOWN_CROSSTALK)
    focal_px = place.focal_px if view.lens else place.focal_px * distance_mm / place.distance_mm
    there = replace(
        place,
        distance_mm=distance_mm,
        distance_standard_uncertainty_mm=RULER_SHARE * distance_mm,
        focal_px=focal_px,
    )
    return there, doubt


def _tilted(view: View, place: CameraPlace, tilt_deg: float) -> tuple[CameraPlace, list[str]]:
    """Tilt a camera as it was measured to be."""
    told, doubt = crosstalk_of(view, tilt_deg), []
    unsure = math.radians(TILT_ERROR_DEG) * (1.0 + told**2)
    allowed = COVERAGE_FACTOR * math.hypot(unsure, place.crosstalk_standard_uncertainty)
    if abs(told - place.crosstalk) > allowed:
        doubt.append(
            f"--tilt-deg {tilt_deg:g} contradicts what was known before: {looks(view, place)}. One of them "
            "is wrong, or the camera was moved. The new one is taken; + is "
            f"{_SIDES[view.direction][0]}, − {_SIDES[view.direction][1]}."
        )
    return replace(place, crosstalk=told, crosstalk_standard_uncertainty=unsure), doubt


def board_and_ruler(
    alone: CameraPlace, together: CameraPlace, distance_mm: float
) -> tuple[CameraPlace, tuple[str, ...]]:
    """Choose between a camera's place by a board alone and by board and ruler: together where they agree.

    Where they contradict one another neither is believed fully: the board's stays, as unsure as the two differ.
    """
    if not _far_off(alone, distance_mm):
        return together, ()
    doubt = (
        f"--distance-mm {distance_mm:g} contradicts the board, which shows {_span(alone)}: one of them is wrong; "
        "check --square-mm and the ruler. Both distances count as possible until then."
    )
    wide = replace(
        alone,
        distance_standard_uncertainty_mm=math.hypot(
            alone.distance_standard_uncertainty_mm, alone.distance_mm - distance_mm
        ),
        crosstalk_standard_uncertainty=math.hypot(
            alone.crosstalk_standard_uncertainty, alone.crosstalk - together.crosstalk
        ),
    )
    return wide, (doubt,)


def _far_off(place: CameraPlace, distance_mm: float) -> bool:
    """Whether a ruler's distance differs from a known one by more than both allow, on a scale of ratios."""
    spread = math.hypot(place.distance_standard_uncertainty_mm / place.distance_mm, RULER_SHARE)
    return abs(math.log(distance_mm / place.distance_mm)) > COVERAGE_FACTOR * spread


def _span(place: CameraPlace) -> str:
    return f"{place.distance_mm:.0f} mm ± {2.0 * place.distance_standard_uncertainty_mm:.0f} mm"


def looks(view: View, camera: CameraPlace) -> str:
    """Say how squarely a camera looks at the rim, and from where."""
    tilt = tilt_deg(view, camera)
    unsure = 2.0 * math.degrees(
        math.atan(camera.crosstalk_standard_uncertainty / (1.0 + camera.crosstalk**2))
    )
    said = f"the camera looks {abs(tilt):.0f}° ± {unsure:.0f}° off square at the rim"
    return said if abs(tilt) < unsure else f"{said}, from {_side(view, tilt)}"


def _side(view: View, tilt: float) -> str:
    words = _SIDES[view.direction][tilt < 0.0]
    return words if view.direction == "lateral" else f"{words} than the rim's edge"


def to_square(view: View, camera: CameraPlace) -> str:
    """Tell the person where to move a tilted camera so that it looks squarely at the rim."""
    tilt = tilt_deg(view, camera)
    if view.direction == "lateral":
        way = f"to {_SIDES['lateral'][tilt > 0.0]}"
    else:
        way = "toward the hub" if tilt > 0.0 else "outward, away from the hub"
    known = camera.distance_standard_uncertainty_mm <= VAGUE_DISTANCE * camera.distance_mm
    far_mm = 10.0 * round(camera.distance_mm * math.sin(math.radians(abs(tilt))) / 10.0)
    far = f" by about {far_mm:.0f} mm" if known and far_mm else ""
    return f"move it{far} {way} and aim it at the same place again"


def corrected_notes(view: View, corrected: bool) -> tuple[str, ...]:
    """Say what was taken off for the other direction's runout, where anything was."""
    camera = None if view.scale is None else view.scale.camera
    if not corrected or camera is None:
        return ()
    other = "radial" if view.direction == "lateral" else "lateral"
    return (f"Corrected for {camera.crosstalk:+.2f} mm a millimetre of {other} runout.",)


def camera_advice(view: View, lines: tuple[BudgetLine, ...], corrected: bool) -> tuple[str, ...]:
    """Tell the person how to move the camera, where its place is what makes the reading most unsure."""
    camera = None if view.scale is None else view.scale.camera
    other = "radial" if view.direction == "lateral" else "lateral"
    whole, _ = combined(lines)
    by_name = {line.source: line.standard_uncertainty_mm for line in lines}
    notes = []
    if not (corrected and camera is not None) and by_name[PLACE_LINE] > 0.5 * whole:
        notes.append(_place_note(view, camera, other))
    if by_name[DEPTH_LINE] > 0.5 * whole:
        if camera is None or camera.distance_standard_uncertainty_mm > VAGUE_DISTANCE * camera.distance_mm:
            notes.append(
                "How far the camera is from the rim isn't well known: measure it and give --distance-mm to "
                "scale; the uncertainty shrinks."
            )
        elif (far_lip(view) or 0.0) > INSIDE:
            notes.append(
                "The camera looks over the rim's edge or may do so, and the outline is then its farther lip, up to 25 mm "
                "behind the scale: lower the camera until it looks at the edge from a little nearer the hub, and take "
                "the scale again; the uncertainty shrinks."
            )
        else:
            notes.append(
                f"How deep the rim's outline lies makes much of the uncertainty: move the camera from "
                f"{camera.distance_mm:.0f} mm to {2.0 * camera.distance_mm:.0f} mm and zoom in; that halves it."
            )
    return tuple(notes)


def _place_note(view: View, camera: CameraPlace | None, other: str) -> str:
    if camera is None or camera.crosstalk_standard_uncertainty > VAGUE_CROSSTALK:
        return (
            "How squarely the camera looks at the rim isn't known well: take the scale with a checkerboard, which "
            "tells it, or stand the camera square and give --tilt-deg 0 to scale."
        )
    correct = f"give a {other} measurement of the same wheel with --{other}"
    if abs(camera.crosstalk) > camera.crosstalk_standard_uncertainty:
        said = looks(view, camera)
        return f"{said[0].upper()}{said[1:]}: {to_square(view, camera)}, or {correct}."
    return f"What {other} runout may add to the reading makes much of the uncertainty, and is assumed: {correct}, and it is known."
