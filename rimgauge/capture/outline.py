"""Which of the edges in the rim's box is its outline, and what that edge looks like.

Seen from the pointer, the outline is the first edge that moves with the rim: decals, braking track and
tyre lie behind it. It is found once, on the first frames, by aligning their mean profiles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from rimgauge.capture.edge import EdgeShape, fit_edge
from rimgauge.capture.patch import GreyArray
from rimgauge.errors import RimNotSeen
from rimgauge.records import FloatArray

HALF_WINDOW_PX = 7
SAMPLE_FRAMES = 10
SECOND_STEPS_PX = (2.0, 2.5, 3.0, 3.5, 4.0, 5.0)
"""Widths tried for a bevel seen as a line beside the outline."""
FIRST_EDGE_SHARE = 0.3
"""An edge counts as the outline when it is at least this strong beside the strongest one."""


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """The look of the edge: template, the mean slope of brightness round it; row and slope it was taken at.

    lead_px: where the fit's first step lies from the middle of the template.
    """

    template: FloatArray
    row_px: float
    slope: float
    lead_px: float
    shape: EdgeShape


def steepness_profile(patch: GreyArray, slope: float, row_px: float) -> FloatArray:
    """Change of brightness along u (columns,), averaged over the rows along a slope; NaN-free."""
    rows, columns = patch.shape
    shifts = np.rint(slope * (np.arange(rows) - row_px)).astype(np.intp)
    index = np.clip(np.arange(columns) + shifts[:, None], 0, columns - 1)
    profile = np.median(np.take_along_axis(patch, index, axis=1), axis=0).astype(np.float64)
    padded = np.pad(profile, 2, mode="edge")
    return np.convolve(padded, [0.125, 0.25, 0.0, -0.25, -0.125], "valid")


def learn_outline(patches: list[GreyArray], slope: float, row_px: float, room_px: int) -> Outline:
    """Find the outline in the patches of the first frames and learn its look, bend and blur.

    room_px : columns at both ends of the patch that only give the fit's band room; the edge isn't sought there.

    Raises
    ------
    RimNotSeen
        No edge stands out of the noise, or none looks the same from frame to frame.
    """
    row_px = float(np.clip(row_px, 0.0, patches[0].shape[0] - 1.0))
    profiles = np.stack([steepness_profile(p, slope, row_px) for p in patches])
    profiles[:, :room_px] = 0.0
    profiles[:, -room_px:] = 0.0
    typical_max = float(np.median(np.abs(profiles).max(axis=1)))
    floor = 1.4826 * float(np.median(np.abs(profiles)))
    if typical_max < max(1.0, 2.0 * floor):
        raise RimNotSeen(
            "no edge stands out in the rim's box; add light, choose a plain background, or run aim again"
        )
    places = np.array(
        [_first_edge(profile, FIRST_EDGE_SHARE * typical_max) for profile in profiles], dtype=np.float64
    )
    template = _aligned_mean(profiles, places)
    for _ in range(3):
        places = np.array([_refine(_match_scores(profile, template)) for profile in profiles])
        template = _aligned_mean(profiles, places)
    shape = _learn_shape(patches, places, slope, row_px)
    lead = [
        fit.place_px - place
        for patch, place in zip(patches, places, strict=True)
        if (fit := fit_edge(patch, place - (shape.second_step_px or 0.0) / 2.0, row_px, shape)) is not None
    ]
    return Outline(template, row_px, shape.slope, float(np.median(lead)) if lead else 0.0, shape)


def nearest_edge(patch: GreyArray, outline: Outline, last_px: float | None) -> float:
    """Place of the outline to about a third of a pixel; among equals, the one near the last frame's."""
    profile = steepness_profile(patch, outline.slope, outline.row_px)
    scores = _match_scores(profile, outline.template)
    if last_px is not None:
        distance = np.arange(len(scores)) + outline.lead_px - last_px
        scores = scores - 0.01 * np.abs(scores).max() * np.abs(distance)
    return _refine(scores) + outline.lead_px


def _refine(scores: FloatArray) -> float:
    """Place of the highest score by a parabola through it and its neighbours."""
    best = int(np.argmax(scores))
    if 0 < best < len(scores) - 1:
        left, here, right = scores[best - 1 : best + 2]
        bend = left - 2.0 * here + right
        return float(best + (0.5 * (left - right) / bend if bend < 0.0 else 0.0))
    return float(best)


def _first_edge(profile: FloatArray, threshold: float) -> int:
    """First local maximum of |profile| over the threshold, met from small u (the pointer's side)."""
    size = np.abs(profile)
    peak = (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] > threshold)
    return int(np.argmax(peak)) + 1 if peak.any() else int(np.argmax(size))


def _window(profile: FloatArray, place: float) -> FloatArray:
    """The profile at ±HALF_WINDOW_PX round a place, zero outside the patch."""
    u = place + np.arange(-HALF_WINDOW_PX, HALF_WINDOW_PX + 1)
    return np.asarray(np.interp(u, np.arange(len(profile)), profile, left=0.0, right=0.0))


def _aligned_mean(profiles: FloatArray, places: FloatArray) -> FloatArray:
    return np.asarray(
        np.median([_window(p, place) for p, place in zip(profiles, places, strict=True)], axis=0)
    )


def _match_scores(profile: FloatArray, template: FloatArray) -> FloatArray:
    """Least-squares likeness of the profile round each place to the template (negative squared distance)."""
    padded = np.pad(profile, HALF_WINDOW_PX)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * HALF_WINDOW_PX + 1)
    cross = windows @ template
    energy = np.sum(windows**2, axis=1)
    # Gain is free within a factor of two: lights flicker and cameras adjust.
    gain = np.clip(cross / max(float(template @ template), 1e-9), 0.5, 2.0)
    return np.asarray(-(energy - 2.0 * gain * cross + gain**2 * float(template @ template)))


def _learn_shape(patches: list[GreyArray], places: FloatArray, slope: float, row_px: float) -> EdgeShape:
    """Blur, slope, bend and second step that fit the first frames best, tried on a sample of them."""
    chosen = np.linspace(0, len(patches) - 1, min(SAMPLE_FRAMES, len(patches))).astype(int)
    sample = [(patches[i], float(places[i])) for i in chosen]
    single = EdgeShape(
        blur_px=1.2, slope=slope, bend_per_px=0.0, second_step_px=None, outside_px=7, inside_px=7
    )
    tried = [_settled(single, sample, row_px)]
    for second in SECOND_STEPS_PX:
        first_place = [(patch, place + shift) for patch, place in sample for shift in (-second / 2.0,)]
        double = replace(single, second_step_px=second, inside_px=7 + math.ceil(second), blur_px=1.0)
        tried.append(_settled(double, first_place, row_px))
    fitting = [(noise, shape) for noise, shape in tried if shape is not None]
    if not fitting:
        raise RimNotSeen(
            "the rim's edge can't be followed in its box; run aim again, or move the camera closer"
        )
    best_noise = min(noise for noise, _ in fitting)
    # The plainest shape that is nearly as good: a second step must earn its place.
    return next(shape for noise, shape in fitting if noise <= 1.08 * best_noise + 0.05)


def _settled(
    shape: EdgeShape, sample: list[tuple[GreyArray, float]], row_px: float
) -> tuple[float, EdgeShape | None]:
    """Refine a shape on the sample; typical residual [grey levels], and None where it doesn't fit."""
    noise = math.inf
    for _ in range(2):
        fits = [fit_edge(patch, place, row_px, shape, fit_blur=True) for patch, place in sample]
        good = [fit for fit in fits if fit is not None]
        if len(good) < max(1, len(sample) // 2):
            return math.inf, None
        noise = float(np.median([fit.noise for fit in good]))
        blur = float(np.median([fit.blur_px for fit in good]))
        reach = math.ceil(4.0 * blur) + 2
        shape = replace(
            shape,
            blur_px=blur,
            slope=float(np.median([fit.slope for fit in good])),
            bend_per_px=_bend(sample, shape, row_px),
            outside_px=reach,
            inside_px=reach + math.ceil(shape.second_step_px or 0.0),
        )
    return noise, shape


def _bend(sample: list[tuple[GreyArray, float]], shape: EdgeShape, row_px: float) -> float:
    """Curvature of the outline: fits on the two outer thirds of the rows against the middle one."""
    rows = sample[0][0].shape[0]
    if rows < 36:
        return shape.bend_per_px
    third = rows // 3
    bends = []
    for patch, place in sample:
        centres, places = [], []
        for top in (0, third, 2 * third):
            centre = (third - 1) / 2.0
            line = (
                place
                + shape.slope * (top + centre - row_px)
                + shape.bend_per_px * (top + centre - row_px) ** 2
            )
            fit = fit_edge(patch[top : top + third], line, centre, shape)
            if fit is not None:
                centres.append(top + centre - row_px)
                places.append(fit.place_px)
        if len(places) == 3:
            bends.append(float(np.polyfit(centres, places, 2)[0]))
    return float(np.median(bends)) if len(bends) >= 3 else shape.bend_per_px
