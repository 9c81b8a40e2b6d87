"""What a run of frames says of the wheel's angle, laid on the camera's own even beat."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from rimgauge.errors import NotTrustworthy
from rimgauge.records import (
    USUAL_DISTANCE_MM,
    USUAL_RADIUS_MM,
    BoolArray,
    Flange,
    FloatArray,
    GapTrack,
    IntArray,
    Slide,
    shortest_deg,
)
from rimgauge.signal.come_round import rim_seen, way_shown
from rimgauge.signal.follow import Evidence
from rimgauge.signal.lattice import lattice_likelihood
from rimgauge.signal.looks import Look
from rimgauge.signal.place import FASTEST_STEPS, GRID_DEG, STEPS
from rimgauge.signal.profile import COMPONENTS, but_for_the_edge, learn_axes
from rimgauge.signal.tagged import Tagged, tag_likelihood

UNEVEN_SHARE = 0.2
SPOKE_NOISE = 0.05
SOFT_DEG = 0.5
"""What is narrower along the rim than the path's own steps is taken off the spokes' look: on a grid it is noise, unless the
spokes are so faint that it is most of what tells them."""
OFFSETS = (0.0, 0.25, -0.25)
"""How far, as a share of the spacing, a spoke may stand off where the middle of its box says: it leans."""
STANDS_APART_DEG, CLEAR_NATS, MOST_NATS = 1.0, 4.0, 2.0
"""A slide counts when no other one farther than that is nearly as likely; and how much it is then believed."""
BEAT_MARGIN, BEAT_FINENESS = 0.15, 8.0
MOST_STEPS = 2_000_000
"""Usual steps a film may last from first to last frame: 18 hours at 30 frames a second (a judgement)."""
"""How far the beat may be from the median step, as a share; and rates tried in each that the span tells apart."""
LEAST_PASSES = 3
"""With fewer passes of the mark most of the rim was seen once and nothing foretells its gap: a path that goes to and
fro in step with the gap would foretell it better than the true one."""
SURE_EVENNESS, LEAST_EVENNESS, MOST_UNEVEN_SHARE, STEPS_COMPARED = 0.6, 0.45, 0.25, 15
"""Stamps that jitter by 5 ms at 30 frames a second keep their beat to 0.5 to 0.7, in short films to the less; so far may they be
off it, as a share."""
START_SD_DEG = 0.5
"""How well a person brings a spoke to the pointer: 3 mm at the rim (a judgement)."""
CUT_STRENGTH = 0.5
"""As strong at most is a mark that the picture's border cuts."""
LENGTH_SD_DEG, LENGTH_GUESSED_SD_DEG = 0.15, 2.5
"""Half of what a mark's length may be off by, where it was seen whole, and where the longest piece of it was taken."""
SLIDE_UNSURE_SHARE = 0.15
"""How far the picture's scale where the slide is seen may be off: it lies nearer or farther than the rim's edge."""


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Where along the rim what tells the angle is seen, in degrees the wheel turns.

    spoke_angles_deg (s,): of each spoke from the mark, spoke 1 first.
    px_per_deg: how far the mark moves in the picture a degree, roughly [px/deg]; refined from the evidence.
    mark_to_pointer_deg: how far the wheel rolls from the mark centred in its box to the mark at the pointer.
    spoke_bin_deg: how far it turns, roughly, while a spoke passes a bin of the spokes' strip.
    spoke_lead_deg: how far past the pointer, along `forward`, the middle of the spokes' box lies.
    pointer_along_px: how far along `forward` the pointer's tip lies from the picture's origin.
    mark_middle_px: how far past the middle of the mark's box, along `forward`, the middle of the picture lies.
    flanges (s,): of each spoke; empty where they take turns.
    start_spoke: number of the one at the pointer in the first frame; None: a mark or tags tell the place.
    soft_deg: what is narrower along the rim than so much doesn't count for the spokes' look on the coarse path.
    radius_by_distance: radius of the rim over how far from the camera it is.
    """

    spoke_angles_deg: FloatArray
    px_per_deg: float
    mark_to_pointer_deg: float = 0.0
    spoke_bin_deg: float = 0.0
    spoke_lead_deg: float = 0.0
    pointer_along_px: float = 0.0
    mark_middle_px: float = 0.0
    flanges: tuple[Flange, ...] = ()
    start_spoke: int | None = None
    soft_deg: float = SOFT_DEG
    radius_by_distance: float = USUAL_RADIUS_MM / USUAL_DISTANCE_MM

    @property
    def spacing_deg(self) -> float:
        """Mean spacing of the spokes."""
        return 360.0 / len(self.spoke_angles_deg)

    @property
    def look_period_deg(self) -> float:
        """Angle after which the spokes look the same."""
        return look_period_deg(self.spoke_angles_deg, self.flanges)


def gather(track: GapTrack, layout: Layout, tags: Tagged | None) -> tuple[IntArray, Evidence]:
    """Lay the frames on evenly spaced moments, so that a dropped one is a gap.

    Returns
    -------
    moment (n,) of each frame, and the evidence at every moment.

    Raises
    ------
    NotTrustworthy
        The stamps tell of a film longer than any could be.
    """
    _may_be_times(track.time_s)
    moment = even_moments(track.time_s)
    count = int(moment[-1]) + 1
    mark_deg = track.mark_px / layout.px_per_deg - layout.mark_to_pointer_deg
    comes_back = layout.start_spoke is not None or passes(np.isfinite(mark_deg)) not in range(1, LEAST_PASSES)
    looks = [
        Look(at_moments(_standard(side.gap_px)[:, None], moment, count), 360.0, foretold=comes_back)
        for side in track.sides
    ]
    profile = track.spoke_profile.astype(np.float64)
    components = spoke_components(track, layout, layout.soft_deg)
    if components.shape[1]:
        looks.append(Look(at_moments(components, moment, count), layout.look_period_deg, SPOKE_NOISE))
    seen_as_far_as = float(np.nanmax(np.abs(mark_deg))) if np.isfinite(mark_deg).sum() > 3 else 1.0
    by_tags = None if tags is None else tag_likelihood(tags, moment, count)
    if layout.start_spoke is not None:
        by_tags = _told(count)
    marked = layout.start_spoke is None and bool(np.isfinite(mark_deg).any())
    rim = rim_seen(track)
    slid_deg = None if track.slide is None else _clear_slides(track.slide, moment, layout.px_per_deg)
    return moment, Evidence(
        mark_deg=at_moments(mark_deg, moment, count),
        mark_sd_deg=at_moments(_mark_sd_deg(track, layout, mark_deg), moment, count),
        hidden_deg=min(2.0, 0.5 * seen_as_far_as) if marked else 0.0,
        looks=tuple(looks),
        lattices=lambda: _lattices(profile, layout, moment),
        slid_deg=slid_deg,
        by_speed=None if slid_deg is None else _by_speed(slid_deg),
        by_tags=by_tags,
        way=lambda angle_deg, other_deg: (
            0 if rim is None else way_shown(rim, angle_deg[moment], other_deg[moment], layout.px_per_deg)
        ),
    )


def spoke_components(track: GapTrack, layout: Layout, soft_deg: float, most: int = COMPONENTS) -> FloatArray:
    """Components (n, k) of the spokes' strips, softened along the rim; k is 0 without spokes."""
    profile = track.spoke_profile.astype(np.float64)
    if not profile.shape[1]:
        return np.empty((len(profile), 0))
    soft_bins = soft_deg / max(layout.spoke_bin_deg, 1e-3)
    components = learn_axes(profile, soft_bins=soft_bins, most=most).project(profile)
    return but_for_the_edge(components, np.stack([side.gap_px for side in track.sides]))


def _mark_sd_deg(track: GapTrack, layout: Layout, mark_deg: FloatArray) -> FloatArray:
    """How sure the mark's places (n,) are on a path that isn't exact yet."""
    unsure_deg = length_unsure_deg(track) * np.abs(ways_cut(track, layout))
    return np.asarray(np.hypot(0.8 + 0.06 * np.abs(np.nan_to_num(mark_deg)), unsure_deg))


def ways_cut(track: GapTrack, layout: Layout) -> FloatArray:
    """Where the picture's border cuts the mark (n,): -1 as it comes in, 1 as it leaves; 0 where it is seen whole or not."""
    way = np.where(track.mark_px < layout.mark_middle_px, -1.0, 1.0)
    return np.where(np.isfinite(track.mark_px) & (track.mark_strength <= CUT_STRENGTH), way, 0.0)


def length_unsure_deg(track: GapTrack) -> float:
    """Half of what the mark's length may be off by, standard deviation."""
    return LENGTH_SD_DEG if (track.mark_strength > CUT_STRENGTH).any() else LENGTH_GUESSED_SD_DEG


def _told(count: int) -> FloatArray:
    """Likelihood (count, STEPS) of each angle where the first moment's is told: a person is believed, a mark may be a glint."""
    off = shortest_deg(GRID_DEG)
    result = np.ones((count, STEPS))
    result[0] = np.maximum(np.exp(-0.5 * (off / START_SD_DEG) ** 2), np.finfo(np.float64).tiny)
    return result


def passes(seen: BoolArray) -> int:
    """How often something came into sight in frames in which it was seen or not (n,)."""
    return int(np.count_nonzero(np.diff(seen, prepend=False) & seen))


def _lattices(profile: FloatArray, layout: Layout, moment: IntArray) -> tuple[FloatArray, ...]:
    """Likelihoods (moments, STEPS) of each angle by the spokes' lattice, one an offset; none without spokes' strips."""
    if not profile.shape[1]:
        return ()
    result = tuple(np.ones((int(moment[-1]) + 1, STEPS)) for _ in OFFSETS)
    for likely, offset in zip(result, OFFSETS, strict=True):
        lead_deg = layout.spoke_lead_deg + offset * layout.spacing_deg
        likely[moment] = lattice_likelihood(profile, layout.spoke_bin_deg, lead_deg, layout.spoke_angles_deg)
    return result


def _clear_slides(slide: Slide, moment: IntArray, px_per_deg: float) -> FloatArray:
    """How far the wheel turned to each moment (moments,) from the one before by the rim's own slide, NaN where unclear.

    Only frames count in which one slide stands out from all others: likenesses by chance are as many as there
    are slides within the picture, and must not speak against a wheel that turns too fast to be seen sliding.
    """
    together = np.flatnonzero(np.diff(moment) == 1) + 1
    nats = slide.nats[together].astype(np.float32)
    best = slide.shift_px[nats.argmax(axis=1)]
    apart = np.abs(slide.shift_px - best[:, None]) > STANDS_APART_DEG * px_per_deg
    above = nats.max(axis=1) - np.where(apart, nats, 0.0).max(axis=1)
    result = np.full(int(moment[-1]) + 1, np.nan)
    result[moment[together]] = np.where(above > CLEAR_NATS, best / px_per_deg, np.nan)
    return result


def _by_speed(slid_deg: FloatArray) -> FloatArray:
    """Likelihood (n, SPEEDS) of each speed by the rim's own slides (n,), 1 where they are unclear."""
    speed = np.arange(-FASTEST_STEPS, FASTEST_STEPS + 1)
    near = np.abs(slid_deg[:, None] - speed) <= np.maximum(0.5, SLIDE_UNSURE_SHARE * np.abs(speed))
    return np.where(near, math.exp(MOST_NATS), 1.0)


def look_period_deg(spoke_angles_deg: FloatArray, flanges: tuple[Flange, ...] = ()) -> float:
    """Angle after which the spokes look the same, 360 where only a whole turn brings them back.

    Angles and flanges must come back, and, where the spokes of a flange can take turns, heads in and heads out, an
    even number of each flange's. Without flanges they take turns too.
    """
    count = len(spoke_angles_deg)
    is_right = np.array([side == "right" for side in flanges] or [k % 2 == 0 for k in range(count)])
    around = np.sort(np.asarray(spoke_angles_deg) % 360.0)
    twice = np.concatenate([around, around + 360.0])
    for spokes in range(1, count):
        if count % spokes:
            continue
        period_deg = 360.0 * spokes / count
        off = twice[spokes : spokes + count] - twice[:count] - period_deg
        heads = [(int(of[:spokes].sum()), int(of.sum())) for of in (is_right, ~is_right)]
        if (
            float(np.abs(off).max()) < UNEVEN_SHARE * 360.0 / count
            and (np.roll(is_right, spokes) == is_right).all()
            and all(part % 2 == 0 or whole % 2 == 1 for part, whole in heads)
        ):
            return period_deg
    return 360.0


def _may_be_times(time_s: FloatArray) -> None:
    span_s, usual_s = float(time_s[-1] - time_s[0]), float(np.median(np.diff(time_s)))
    if span_s > MOST_STEPS * usual_s:
        raise NotTrustworthy(
            f"the frames' times run over {span_s:.3g} s, though most follow one another by {usual_s:.3g} s, so one "
            "of them is wrong; mend times.csv where the frames have one, or film again without a break"
        )


def even_moments(time_s: FloatArray) -> IntArray:
    """Number each frame's moment (n,) on the camera's own even beat, whatever was dropped and however stamps jitter.

    A camera without one, such as a phone that slows down in dim light, gets a moment a frame, and more where a step
    is longer than those round it.
    """
    interval_s, start_s, evenness = _beat(time_s)
    beat = (time_s - start_s) / interval_s
    if not _is_kept(beat, evenness):
        steps_s = np.diff(time_s)
        usual_s = median_filter(steps_s, STEPS_COMPARED, mode="nearest")
        steps = np.maximum(np.rint(steps_s / np.maximum(usual_s, 1e-9)), 1.0)
        return np.concatenate([[0], np.cumsum(steps)]).astype(np.intp)
    even, index = np.rint(beat), np.arange(len(beat))
    # Two frames of one beat: the later one is pushed on or the earlier one back, whichever fits the stamps.
    later = np.maximum.accumulate(even - index) + index
    earlier = (np.minimum.accumulate((even - index)[::-1])[::-1]) + index
    even = min((later, earlier), key=lambda guess: float(np.sum(np.abs(guess - beat))))
    return np.asarray(even - even[0], dtype=np.intp)


def _is_kept(beat: FloatArray, evenness: float) -> bool:
    """Tell whether frames, at so many beats (n,), keep a beat that is so even.

    Of stamps that scatter neighbours are alike to the square of the evenness, of a rate that changed to nearly 1.
    """
    if evenness >= SURE_EVENNESS:
        return True
    late = np.exp(2j * np.pi * beat)
    alike = float(np.abs(np.mean(late[1:] * late[:-1].conj())))
    return evenness >= LEAST_EVENNESS and alike < evenness


def beat_times_s(moment: IntArray, time_s: FloatArray) -> FloatArray:
    """When the frames (n,) were due by the camera's even beat; when they were stamped, where it keeps none."""
    slope_s, start_s = np.polyfit(moment, time_s, 1)
    due_s = start_s + slope_s * moment
    uneven = float(np.std(time_s - due_s)) > MOST_UNEVEN_SHARE * slope_s
    return np.asarray(time_s if uneven else due_s, dtype=np.float64)


def _beat(time_s: FloatArray) -> tuple[float, float, float]:
    """Interval and start [s] of the even beat that the stamps (n,) keep best: the highest line of their spectrum.

    Also how high it is, 1 where they keep it exactly and near 0 where they keep none.
    """
    usual_s = float(np.median(np.diff(time_s)))
    span_s = float(time_s[-1] - time_s[0])
    finest = 1.0 / (BEAT_FINENESS * max(span_s, usual_s))
    rates = np.arange(1.0 - BEAT_MARGIN, 1.0 + BEAT_MARGIN, finest * usual_s) / usual_s
    since = time_s - time_s[0]
    # Every rate is one of a few coarse ones and a few fine steps more, so that all lines are one product of matrices.
    few = math.isqrt(len(rates)) + 1
    coarse, fine = (
        np.exp(2j * np.pi * np.outer(part, since)) for part in (rates[::few], rates[:few] - rates[0])
    )
    lines = (coarse @ fine.T).ravel()[: len(rates)]
    best = int(np.abs(lines).argmax())
    interval_s = 1.0 / float(rates[best])
    start_s = float(time_s[0]) + interval_s * float(np.angle(lines[best])) / (2.0 * np.pi)
    return interval_s, start_s, float(np.abs(lines[best])) / len(time_s)


def _standard(values: FloatArray) -> FloatArray:
    """Values less their median, in their own standard deviations."""
    spread = float(np.nanstd(values))
    return np.asarray((values - np.nanmedian(values)) / (spread if spread > 0.0 else 1.0))


def at_moments(values: FloatArray, moment: IntArray, count: int) -> FloatArray:
    """Values of the frames at their moments, NaN where a frame is missing."""
    result = np.full((count, *values.shape[1:]), np.nan)
    result[moment] = values
    return result
