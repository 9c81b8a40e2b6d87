"""How far a still thing has moved in the picture: least squares against its mean look.

A camera on a stand still shakes, and a mean of shaken pictures is blurred: look and shifts sharpen one another on
the first frames. Later frames are only compared with the look. Registration after Lucas and Kanade (1981), with
pixels weighted by how steady they were and, in each frame, by how well they agree (both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import spline_filter

from rimgauge.capture.patch import GreyArray
from rimgauge.records import FloatArray

MARGIN_PX = 8
"""The look reaches so far beyond the part that is compared, and a shift may be so large."""
LOOSENESS = (8.0, 3.0, 2.0, 2.0)
"""Pixels that disagree by more than so many standard deviations hardly count, step by step."""
ENOUGH_PX = 0.02
ROUNDS = 3
LOOK_FRAMES = 30
"""So many frames tell the look: more would hardly lessen its noise beside a single frame's."""
SIGNIFICANT = 3.0
"""Slopes under so many standard deviations of the mean look are noise. A spline between pixels smooths noise, and
where it counted the look would be drawn to half pixels."""
LEAST_NOISE = 0.3
"""Grey levels: rounding to whole ones gives as much."""
AGREES = 0.7
"""Where less of the look agrees, the shift may be a wrong one, and all places are tried."""
NEIGHBOURS_PX = (5, 5)
RIDGE = 1e-6
"""Keeps a look without any slope solvable."""
BLOCK_PX = 8
"""Side of a JPEG's blocks, whose pixels share their errors."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """Mean look (rows, columns) with a margin, and the weight of each pixel inside it, 1/variance.

    spline: coefficients of the cubic spline through the mean. steep: 1 where its slope stands out of the noise,
    else 0. mean_noise: standard deviation of a usual pixel of the mean [grey levels].
    """

    mean: GreyArray
    spline: GreyArray
    steep: GreyArray
    weight: GreyArray
    mean_noise: float


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """Shift against the look [px], the standard error of du, and the share (0 to 1) of the look that agrees.

    gain, offset: the picture is gain times the look plus offset.
    """

    du_px: float
    dv_px: float
    standard_error_px: float
    agrees: float
    gain: float
    offset: float


def learn_look(patches: list[GreyArray]) -> Look:
    """Learn the look of a still thing from patches (rows, columns) of frames that may be shaken.

    The look is in the middle of the shake: the median shift of the frames is zero.
    """
    every = -(-len(patches) // LOOK_FRAMES)
    patches = patches[::every]
    look = _look(patches)
    for _ in range(ROUNDS):
        found = [find_shift(look, patch) for patch in patches]
        middle_u = float(np.median([shift.du_px for shift in found]))
        middle_v = float(np.median([shift.dv_px for shift in found]))
        look = _look(
            [
                _moved(
                    _spline((patch - shift.offset) / shift.gain),
                    middle_u - shift.du_px,
                    middle_v - shift.dv_px,
                )[0]
                for patch, shift in zip(patches, found, strict=True)
            ]
        )
    return look


def find_shift(look: Look, patch: GreyArray, start: tuple[float, float] = (0.0, 0.0)) -> Shift:
    """Shift of the thing in one frame, sought from a start; everywhere, if there it isn't to be seen."""
    found = _refined(look, patch, start)
    if found.agrees < AGREES:
        found = max(found, _refined(look, patch, _roughly(look, patch)), key=lambda shift: shift.agrees)
    return found


def _look(laid_over: list[GreyArray]) -> Look:
    """Mean and weights of pictures laid over one another: a pixel that changes over time counts for less."""
    stack = np.asarray(laid_over)
    mean = np.median(stack, axis=0).astype(np.float32)
    spread = 1.4826 * np.median(np.abs(_inside(stack - mean)), axis=0)
    noise = max(float(np.median(spread)), LEAST_NOISE)
    weight = np.asarray(np.maximum(spread, noise) ** -2.0, dtype=np.float32)
    spline = _spline(mean)
    slopes = np.maximum(*(np.abs(slope) for slope in _moved(spline, 0.0, 0.0)[1:]))
    mean_noise = noise / math.sqrt(len(stack))
    steep = cv2.dilate(
        (cv2.blur(slopes, (3, 3)) > SIGNIFICANT * mean_noise).astype(np.float32), np.ones((3, 3), np.uint8)
    )
    return Look(mean, spline, np.asarray(steep), weight, mean_noise)


def _refined(look: Look, patch: GreyArray, start: tuple[float, float]) -> Shift:
    """Gauss–Newton with weights that drop for pixels that disagree."""
    seen, weight, (du, dv) = _inside(patch), look.weight.ravel(), start
    rest = seen - _inside(_moved(look.spline, round(du), round(dv))[0])
    rest = rest - np.median(rest)
    for step, loose in enumerate(LOOSENESS):
        du, dv = (min(max(move, 1.0 - MARGIN_PX), MARGIN_PX - 1.0) for move in (du, dv))
        jacobian = _change(look, du, dv)
        agreeing = weight * _agreement(rest, look.weight, loose).ravel()
        weighted = jacobian * agreeing
        normal = (weighted @ jacobian.T).astype(np.float64) + RIDGE * np.eye(4)
        # Gain is counted from none: the third row is the look itself.
        answer = np.linalg.solve(normal, weighted @ seen.ravel())
        rest = seen - (answer.astype(np.float32) @ jacobian).reshape(seen.shape)
        du, dv = du + float(answer[0]), dv + float(answer[1])
        if step >= 1 and math.hypot(answer[0], answer[1]) < ENOUGH_PX:
            break
    steep = np.sum(jacobian[:2] ** 2, axis=0)
    agrees = float(steep @ agreeing) / max(float(steep @ weight), 1e-12)
    error = _standard_error(normal, weighted * rest.ravel(), seen.shape)
    return Shift(du, dv, error, agrees, float(answer[2]), float(answer[3]))


def _change(look: Look, du: float, dv: float) -> GreyArray:
    """Jacobian (4, pixels) of the picture by du, dv, gain and offset, for the look moved by a shift."""
    moved, by_u, by_v = _moved(look.spline, du, dv)
    steep = np.roll(look.steep, (round(dv), round(du)), axis=(0, 1))
    jacobian = np.ones((4, *look.weight.shape), dtype=np.float32)
    for row, part in zip(jacobian, (by_u * steep, by_v * steep, moved), strict=False):
        row[...] = _inside(part)
    return np.asarray(jacobian.reshape(4, -1))


def _agreement(rest: GreyArray, weight: GreyArray, loose: float) -> GreyArray:
    """Share 0 to 1 by which each pixel counts: what stands before the thing spoils the pixels round it too."""
    around = cv2.blur(rest**2 * weight, NEIGHBOURS_PX, borderType=cv2.BORDER_REFLECT)
    return np.asarray((1.0 + np.maximum(around - 1.0, 0.0) / loose**2) ** -2.0)


def _standard_error(normal: FloatArray, scores: GreyArray, shape: tuple[int, ...]) -> float:
    """Standard error of du from the scatter of square blocks (Liang and Zeger, 1986; from memory)."""
    rows, columns = (size // BLOCK_PX * BLOCK_PX for size in shape)
    cut = scores.reshape(4, *shape)[:, :rows, :columns]
    blocks = cut.reshape(4, rows // BLOCK_PX, BLOCK_PX, columns // BLOCK_PX, BLOCK_PX).sum(axis=(2, 4))
    pull = np.linalg.inv(normal)[0] @ blocks.reshape(4, -1)
    return math.sqrt(float(pull @ pull))


def _roughly(look: Look, patch: GreyArray) -> tuple[float, float]:
    """Whole-pixel shift at which the look's inner part resembles the patch most."""
    likeness = cv2.matchTemplate(patch, np.ascontiguousarray(_inside(look.mean)), cv2.TM_CCOEFF_NORMED)
    row, column = np.unravel_index(int(np.argmax(likeness)), likeness.shape)
    return float(column - MARGIN_PX), float(row - MARGIN_PX)


def _spline(picture: GreyArray) -> GreyArray:
    """Coefficients of the cubic spline through a picture; OpenCV's own cubic moves edges by up to 0.04 px."""
    return np.asarray(spline_filter(picture, order=3, output=np.float32, mode="mirror"))


def _moved(spline: GreyArray, du: float, dv: float) -> tuple[GreyArray, GreyArray, GreyArray]:
    """A spline's picture moved by a shift [px], and its change with du and dv."""
    whole_u, whole_v = round(du), round(dv)
    spline = np.roll(spline, (whole_v, whole_u), axis=(0, 1))
    along_u, slope_u = _taps(du - whole_u)
    along_v, slope_v = _taps(dv - whole_v)
    picture, by_u, by_v = (
        cv2.sepFilter2D(spline, cv2.CV_32F, *taps, borderType=cv2.BORDER_REFLECT_101)
        for taps in ((along_u, along_v), (slope_u, along_v), (along_u, slope_v))
    )
    return np.asarray(picture), np.asarray(by_u), np.asarray(by_v)


def _taps(fraction: float) -> tuple[GreyArray, GreyArray]:
    """Weights (5,) of the cubic B-spline's coefficients for a shift within half a pixel, and their change with it."""
    value, slope = [], []
    for place in range(-2, 3):
        away = place + fraction
        size, sign = abs(away), math.copysign(1.0, away)
        outer = max(2.0 - size, 0.0)
        inner = size < 1.0
        value.append(2.0 / 3.0 - size**2 + size**3 / 2.0 if inner else outer**3 / 6.0)
        slope.append(sign * (1.5 * size**2 - 2.0 * size if inner else -0.5 * outer**2))
    return np.array(value, dtype=np.float32), np.array(slope, dtype=np.float32)


def _inside(picture: GreyArray) -> GreyArray:
    """The part (…, rows, columns) within the margin."""
    return picture[..., MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
