"""How far a still thing has moved in the picture: least squares against its mean look, many frames at once.

A camera on a stand still shakes, and a mean of shaken pictures is blurred: look and shifts sharpen one another on
the first frames. Later frames are only compared with the look. Registration after Lucas and Kanade (1981), with
pixels weighted by how steady they were and, in each frame, by how well they agree (both from memory).
Between pixels the look is a cubic spline: its coefficients round each pixel are laid out once, so that the moved look
of many frames is one product of matrices.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import spline_filter1d

from rimgauge.capture.patch import GreyArray
from rimgauge.records import BoolArray, FloatArray

MARGIN_PX = 8
"""The look reaches so far beyond the part that is compared, and a shift may be so large."""
REACH_PX = MARGIN_PX - 1.0
"""What seems to have moved farther is not known to be there: the search ends at the margin, wherever the thing went."""
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
STAYED_PX, STAYED_AGREES = 0.5, 0.45
"""What is seen where it was before may be hidden by half: a spoke passes. Seen elsewhere it must agree better."""
ELSEWHERE_PX = 1.5
"""From a rough place nearer than that to the one found, the same one would be found again."""
LEAST_GAIN = 0.1
"""A picture with less of the look's contrast doesn't show it: many cameras begin with a black one."""
NEIGHBOURS_PX = (5, 5)
RIDGE = 1e-6
"""Keeps a look without any slope solvable."""
BLOCK_PX = 8
"""Side of a JPEG's blocks, whose pixels share their errors."""
THINNED = 4
"""Every so many pixels tell the median brightness."""
B_SPLINE = np.array(
    [
        [0.0, 1 / 6, 2 / 3, 1 / 6, 0.0],
        [0.0, 1 / 2, 0.0, -1 / 2, 0.0],
        [0.0, 1 / 2, -1.0, 1 / 2, 0.0],
        [1 / 6, -1 / 2, 1 / 2, -1 / 6, 0.0],
    ]
)
"""Weights of the five coefficients round a pixel for a shift f from 0 to ½, by powers 0 to 3 of f: the cubic
B-spline's polynomials. For a shift the other way they are mirrored."""
POWERS, TAPS = np.arange(4), np.arange(-2, 3)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """Mean look (rows, columns) with a margin, and the weight of each pixel inside it, 1/variance.

    pieces: (25, pixels), the coefficients of the mean's spline round each pixel, v's running fastest. steep:
    (pixels,) 1 where the look's slope stands out of the noise, else 0. mean_noise: standard deviation of a usual pixel
    of the mean [grey levels].
    """

    mean: GreyArray
    pieces: GreyArray
    steep: GreyArray
    weight: GreyArray
    mean_noise: float


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """Shift (n,) against the look [px], the standard error of du, and the share (0 to 1) of what tells du that agrees.

    gain, offset: a picture is gain times the look plus offset.
    """

    du_px: FloatArray
    dv_px: FloatArray
    standard_error_px: FloatArray
    agrees: FloatArray
    gain: FloatArray
    offset: FloatArray


def learn_look(patches: GreyArray) -> Look:
    """Learn the look of a still thing from patches (n, rows, columns) of frames that may be shaken.

    The look is in the middle of the shake: the median shift of the frames is zero.
    """
    patches = patches[:: -(-len(patches) // LOOK_FRAMES)]
    splines = _splines(patches)
    # Where shaken pictures differ says nothing yet of what is steady: at first all pixels count alike.
    look = _look(patches)
    look = replace(look, weight=np.full_like(look.weight, np.median(look.weight)))
    for _ in range(ROUNDS):
        found = find_shift(look, patches)
        shows = found.gain > LEAST_GAIN
        if not shows.any():
            break
        patches, splines = patches[shows], splines[shows]
        found = Shift(*(getattr(found, name)[shows] for name in Shift.__slots__))
        back_u, back_v = np.median(found.du_px) - found.du_px, np.median(found.dv_px) - found.dv_px
        # A spline's coefficients brighten and dim as its picture does.
        even = (splines - found.offset[:, None, None]) / found.gain[:, None, None]
        even = even.astype(np.float32)
        laid_over = [_moved(each, *by) for each, *by in zip(even, back_u, back_v, strict=True)]
        look = _look(np.asarray(laid_over))
    return look


def find_shift(look: Look, patches: GreyArray, start: tuple[float, float] = (0.0, 0.0)) -> Shift:
    """Shift of the thing in frames (n, rows, columns), sought from a start; farther, where it isn't seen there."""
    found, settled = _refined(look, patches, np.tile(start, (len(patches), 1)))
    stayed = settled & (np.hypot(*(found[:2].T - start).T) < STAYED_PX) & (found[3] >= STAYED_AGREES)
    astray = np.flatnonzero((found[3] < AGREES) & ~stayed)
    rough = np.array([_roughly(look, patch) for patch in patches[astray]]).reshape(-1, 2)
    off = np.abs(rough - found[:2, astray].T).max(axis=1) > ELSEWHERE_PX
    for again, begin in (
        (astray[~settled[astray]], found[:2].T[astray[~settled[astray]]]),
        (astray[off], rough[off]),
    ):
        sought, _ = _refined(look, patches[again], begin)
        better = sought[3] > found[3, again]
        found[:, again[better]] = sought[:, better]
    return Shift(*found)


def _look(laid_over: GreyArray) -> Look:
    """Mean and weights of pictures laid over one another: a pixel that changes over time counts for less."""
    mean = _median(laid_over)
    spread = 1.4826 * _median(np.abs(_inside(laid_over - mean)))
    noise = max(float(np.median(spread)), LEAST_NOISE)
    weight = np.asarray(np.maximum(spread, noise) ** -2.0, dtype=np.float32)
    spline = _splines(mean[None])[0]
    by_u, by_v = (np.abs(_filtered(spline, B_SPLINE[i], B_SPLINE[1 - i])) for i in (1, 0))
    mean_noise = noise / math.sqrt(len(laid_over))
    slopes = cv2.blur(np.maximum(by_u, by_v), (3, 3))
    steep = cv2.dilate((slopes > SIGNIFICANT * mean_noise).astype(np.float32), np.ones((3, 3), np.uint8))
    pieces = np.array([_inside(np.roll(spline, (-v, -u), axis=(0, 1))).ravel() for u in TAPS for v in TAPS])
    return Look(mean, pieces, _inside(np.asarray(steep)).ravel(), weight, mean_noise)


def _refined(look: Look, patches: GreyArray, start: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Gauss–Newton from starts (n, 2), with weights that drop for pixels that disagree.

    Returns
    -------
    A Shift's arrays (6, n), and which of them (n,) had settled.
    """
    place, result = np.clip(start, -REACH_PX, REACH_PX), np.zeros((6, len(patches)))
    settled = np.zeros(len(patches), dtype=bool)
    if not len(patches):
        return result, settled
    left = np.arange(len(patches))
    off = _windows(patches, np.rint(place))[:, ::THINNED] - _inside(look.mean).ravel()[::THINNED]
    light = np.stack([np.ones(len(patches)), np.median(off, axis=1)], axis=1).astype(np.float32)
    for step, loose in enumerate(LOOSENESS):
        place[left] = np.clip(place[left], -REACH_PX, REACH_PX)
        whole = np.rint(place[left])
        seen = _windows(patches[left], whole)
        jacobian = _change(look, place[left] - whole)
        rest = seen - (light[:, None] @ jacobian[:, 2:])[:, 0]
        agreeing = look.weight.ravel() * _agreement(rest, look.weight, loose)
        weighted = jacobian * agreeing[:, None]
        normal = (weighted @ jacobian.transpose(0, 2, 1)).astype(np.float64) + RIDGE * np.eye(4)
        # Gain is counted from none: the third row is the look itself.
        answer = np.linalg.solve(normal, (weighted @ seen[..., None]).astype(np.float64))[..., 0]
        rest = seen - (answer.astype(np.float32)[:, None] @ jacobian)[:, 0]
        light = answer[:, 2:].astype(np.float32)
        place[left] += answer[:, :2]
        settled[left] = (np.hypot(answer[:, 0], answer[:, 1]) < ENOUGH_PX) & (step > 0)
        going = ~settled[left] & (step < len(LOOSENESS) - 1)
        if not going.all():
            done = ~going
            pull = (np.linalg.inv(normal[done])[:, :1].astype(np.float32) @ weighted[done])[:, 0] * rest[done]
            steep = jacobian[done, 0] ** 2
            agrees = np.sum(steep * agreeing[done], axis=1) / np.maximum(steep @ look.weight.ravel(), 1e-12)
            error = _standard_error(pull.reshape(-1, *look.weight.shape))
            beyond = np.abs(place[left[done]]).max(axis=1) > REACH_PX
            agrees[beyond | (answer[done, 2] <= LEAST_GAIN)] = 0.0
            result[:, left[done]] = *place[left[done]].T, error, agrees, *answer[done, 2:].T
            left, light = left[going], light[going]
        if not len(left):
            break
    return result, settled


def _windows(patches: GreyArray, whole: FloatArray) -> GreyArray:
    """The parts (n, pixels) of patches that the look's inner part covers after whole-pixel shifts (n, 2)."""
    rows, columns = (size - 2 * MARGIN_PX for size in patches.shape[1:])
    if not whole.any():
        return _inside(patches).reshape(len(patches), -1)
    corner = (whole + MARGIN_PX).astype(np.intp)
    cut = [patch[v : v + rows, u : u + columns] for patch, (u, v) in zip(patches, corner, strict=True)]
    return np.asarray(cut).reshape(len(patches), -1)


def _change(look: Look, part: FloatArray) -> GreyArray:
    """Jacobian (n, 4, pixels) of the picture by du, dv, gain and offset, for the look moved within half a pixel."""
    result = np.empty((len(part), 4, look.steep.size), dtype=np.float32)
    taps, slopes = _taps(part)
    for row, u, v in ((0, slopes, taps), (1, taps, slopes), (2, taps, taps)):
        terms = (u[:, 0, :, None] * v[:, 1, None, :]).reshape(len(part), -1)
        np.matmul(terms.astype(np.float32), look.pieces, out=result[:, row])
    result[:, :2] *= look.steep
    result[:, 3] = 1.0
    return result


def _taps(part: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weights (…, 5) of the coefficients round a pixel for shifts (…) within half a pixel, and their slopes [1/px]."""
    backward = (part < 0.0)[..., None]
    powers = np.abs(part)[..., None] ** POWERS
    taps, slopes = powers @ B_SPLINE, (POWERS * np.roll(powers, 1, axis=-1)) @ B_SPLINE
    return np.where(backward, taps[..., ::-1], taps), np.where(backward, -slopes[..., ::-1], slopes)


def _agreement(rest: GreyArray, weight: GreyArray, loose: float) -> GreyArray:
    """Share 0 to 1 by which each pixel (n, pixels) counts: what stands before the thing spoils those round it too."""
    misfit = (rest**2).reshape(-1, *weight.shape) * weight
    # The frames are blurred as one high picture, each with its own mirrored border.
    room = NEIGHBOURS_PX[1] // 2
    high = np.pad(misfit, ((0, 0), (room, room), (0, 0)), mode="symmetric")
    around = cv2.blur(high.reshape(-1, weight.shape[1]), NEIGHBOURS_PX, borderType=cv2.BORDER_REFLECT)
    around = around.reshape(high.shape)[:, room:-room].reshape(rest.shape)
    return np.asarray(1.0 / (1.0 + np.maximum(around - 1.0, 0.0) / loose**2) ** 2)


def _standard_error(pull: GreyArray) -> FloatArray:
    """Standard error (n,) from the scatter of square blocks of each pixel's pull (n, rows, columns) on the answer.

    Liang and Zeger (1986; from memory).
    """
    rows, columns = (size // BLOCK_PX for size in pull.shape[1:])
    cut = pull[:, : rows * BLOCK_PX, : columns * BLOCK_PX].reshape(len(pull), rows, BLOCK_PX, -1).sum(axis=2)
    blocks = cut.reshape(len(pull), rows, columns, BLOCK_PX).sum(axis=3, dtype=np.float64)
    return np.asarray(np.sqrt(np.sum(blocks**2, axis=(1, 2))))


def _roughly(look: Look, patch: GreyArray) -> tuple[float, float]:
    """Whole-pixel shift at which the look's inner part resembles the patch most."""
    likeness = cv2.matchTemplate(patch, np.ascontiguousarray(_inside(look.mean)), cv2.TM_CCOEFF_NORMED)
    row, column = np.unravel_index(int(np.argmax(likeness)), likeness.shape)
    return float(column - MARGIN_PX), float(row - MARGIN_PX)


def _median(pictures: GreyArray) -> GreyArray:
    """Median (rows, columns) of pictures (n, rows, columns); quicker than numpy's."""
    ordered, half = np.sort(pictures, axis=0), len(pictures) // 2
    return np.asarray(0.5 * (ordered[half] + ordered[-1 - half]), dtype=np.float32)


def _splines(pictures: GreyArray) -> GreyArray:
    """Coefficients (n, rows, columns) of the cubic splines through pictures; OpenCV's own cubic moves edges by up to 0.04 px."""
    along_v = spline_filter1d(pictures, axis=1, output=np.float32, mode="mirror")
    return np.asarray(spline_filter1d(along_v, axis=2, output=np.float32, mode="mirror"))


def _moved(spline: GreyArray, du: float, dv: float) -> GreyArray:
    """A spline's picture moved by a shift [px]."""
    whole_u, whole_v = round(du), round(dv)
    taps, _ = _taps(np.array([du - whole_u, dv - whole_v]))
    return _filtered(np.roll(spline, (whole_v, whole_u), axis=(0, 1)), *taps)


def _filtered(spline: GreyArray, along_u: FloatArray, along_v: FloatArray) -> GreyArray:
    """Coefficients weighted by (5,) taps along u and v."""
    return np.asarray(
        cv2.sepFilter2D(spline, cv2.CV_32F, along_u, along_v, borderType=cv2.BORDER_REFLECT_101)
    )


def _inside(picture: GreyArray) -> GreyArray:
    """The part (…, rows, columns) within the margin."""
    return picture[..., MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
