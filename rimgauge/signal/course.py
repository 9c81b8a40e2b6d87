"""The wheel's course: a smooth curve of time through the mark, the spokes' look and the rim's own slide.

From a coarse path the mark's place and the phase of the spokes' look become measurements with weights, and a cubic
spline of time is fitted to all of them by linear least squares, again and again as the look gets clearer. It settles
near where it began; so it is tried with a look that begins more or less coarse, and the course along which each
stretch of the run foretells the others best is kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from rimgauge.records import BoolArray, FloatArray, GapTrack, IntArray
from rimgauge.signal.come_round import RimSeen, comes_round, rim_seen, shows_again
from rimgauge.signal.evidence import Layout, beat_times_s
from rimgauge.signal.series import FINEST_DEG, Series, foretold
from rimgauge.signal.sightings import MarkLearnt, learn_mark, mark_says
from rimgauge.signal.slid import slid
from rimgauge.signal.smooth_curve import SmoothCurve
from rimgauge.signal.spokes_say import spokes_say, stamps_kept
from rimgauge.signal.tagged import Tagged, tags_say

KNOT_SPACING_S, ABRUPT_KNOT_SPACING_S = 0.1, 0.05
"""Of a wheel that is rolled, and of one that a hand brakes or turns back within a few frames."""
ABRUPT_CLEARER = 0.1
"""In surprise: by so much must an abrupt course be better, since it follows what spokes stray by, too. In ray-traced and
drawn films of even motion it was by 0.08 at most, with hands that stop and turn back by 0.1 to 0.9."""
ABRUPT_TRIED, ABRUPT_HALFWAY = 4, 0.05
"""After so many rounds it is given up unless it is better by so much already: ten of those films were within 0.02 of
their end by then, and one that ended 0.3 better had come 0.23 of the way."""
SETTLED_DEG = 0.5
CLEARLY_OFF = 2.0
"""In standard uncertainties: so far an abrupt course may go its own way by chance."""
COARSE_SHARES = (0.5, 0.75, 1.0)
"""Shortest waves of the look to begin with, as shares of the spokes' spacing."""
PATH_SD_DEG, LET_GO_DEG_S2 = 2.0, 10.0
ROUNDS = 14
CHOSEN_EVERY = 2
"""Every so many rounds it is chosen anew how restless the course may be: each size tried costs as much."""
TRIES = 3
FIRST_ROUNDS, FINER = 8, 0.75
"""Rounds in which waves are let in that are by so much shorter each time, and the course may still go astray."""
FIRST_ROUNDS_SURE, FINER_SURE = 6, 0.65
"""The same near a path that is sure."""
CLEARLY_BETTER, HARDLY_WORSE = 0.02, 0.3
"""In surprise: the mean over frames of a logarithm."""
SCORE_FLOOR = 1e-3
LONGEST_STEP_DEG = 1.5
STEADY_DEG, STILL_MOVING_SHARE, TO_AND_FRO = 0.005, 0.01, 0.95
"""A course that moves by less in so few moments is found, and one that moves by such a share of what it did the round before
goes to and fro."""
ROOM_DEG = 0.1
SLIDE_SCALE_SD = 0.1
LEAST_SLIDE_SHARE = 0.1
RIM_OFF_DEG = 0.15
"""Near a path that is sure the rim is asked only where the course is as unsure as the rim may be off: on a ray-traced one, seen
edge-on, what it showed again was 0.18° off (standard uncertainty of most frames; a judgement)."""
WORTH_TRYING = 0.5
"""Of what the rim must show again: along a course that is off less of it is found."""


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A curve fitted to all evidence, and what it was fitted to.

    angle_deg, spread_deg (n,): its values and their standard uncertainty. settled (n,): where the last step was
    small. slides: whether the rim's own slide had a say. missed, whole (n,): how far each frame's look misses what
    the other stretches foretell, and misses the mean look, squared; 0 without spokes. tag_scale: of the tags' path,
    learnt from it. mark, mark_sd_deg: what was learnt of the mark, and the standard uncertainty of the mean of its
    sightings, a part of the spread; 0 where tags are seen.
    """

    angle_deg: FloatArray
    spread_deg: FloatArray
    settled: BoolArray
    slides: bool
    missed: FloatArray
    whole: FloatArray
    tag_scale: float
    mark: MarkLearnt
    mark_sd_deg: float

    @property
    def surprise(self) -> float:
        """Mean logarithm of what the foretold look misses: the less, the better the course."""
        return _mean_log(self.missed, self.whole)


def _mean_log(missed: FloatArray, whole: FloatArray) -> float:
    """Surprise of what a look misses (n,) of its whole variance (n,)."""
    share = missed / max(float(np.mean(whole)), 1e-12)
    return float(np.mean(np.log(SCORE_FLOOR + share)))


def fit_course(
    track: GapTrack,
    layout: Layout,
    tags: Tagged | None,
    moment: IntArray,
    path_deg: FloatArray,
    components: FloatArray,
    *,
    sure: bool,
) -> Course:
    """Fit the course from a coarse path (n,) of frames at even moments (n,), components (n, k) of the spokes' strip.

    Unless tags are seen, or the path is sure and the course along it too, things that the rim shows again have a say; what the
    course differs by from that without them, beyond what that one was unsure by, makes it less sure; it is nowhere stated
    surer than that one.
    """
    clues = _Clues(track, layout, tags, components, beat_times_s(moment, track.time_s))
    course, rim = _found(clues, path_deg, sure=sure), rim_seen(track)
    if (
        (sure and float(np.median(course.spread_deg)) < RIM_OFF_DEG)
        or tags is not None
        or rim is None
        or not shows_again(rim, course.angle_deg, layout.px_per_deg, WORTH_TRYING)
    ):
        return course
    again = _found(replace(clues, rim=rim), path_deg, sure=sure)
    if not shows_again(rim, again.angle_deg, layout.px_per_deg):
        return course
    # Pairs of one place share what the light does there, so that they say less than their number.
    unsure_deg = np.maximum(again.spread_deg, course.spread_deg)
    beyond = np.maximum((again.angle_deg - course.angle_deg) ** 2 - course.spread_deg**2, 0.0)
    mark = max(again.mark, course.mark, key=lambda mark: abs(mark.scale - 1.0))
    return replace(again, spread_deg=np.sqrt(unsure_deg**2 + beyond), mark=mark)


def _found(clues: _Clues, path_deg: FloatArray, *, sure: bool) -> Course:
    """Fit the course from a coarse path (n,).

    Near a path that is sure one way of beginning is tried, otherwise several. At last it is tried whether a course that
    may be abrupt explains more.
    """
    if not clues.components.shape[1]:
        return _fit(clues, path_deg, FINEST_DEG)
    coarsest_deg = COARSE_SHARES[0] * clues.layout.spacing_deg
    near = (FIRST_ROUNDS_SURE, FINER_SURE)
    smooth = _fit(clues, path_deg, coarsest_deg, *near) if sure else _best_of_many(clues, path_deg)
    abrupt = _fit(clues, smooth.angle_deg, coarsest_deg, *near, beside=smooth)
    if abrupt.surprise < smooth.surprise - ABRUPT_CLEARER:
        return abrupt
    return _less_sure(smooth, abrupt.angle_deg)


def _less_sure(smooth: Course, abrupt_deg: FloatArray) -> Course:
    """A smooth course, less sure where one that may be abrupt (n,) differs from it by clearly more than it is unsure by.

    A wheel that is turned back within a frame goes another way than a smooth curve can, and the rest of the run tells nothing
    of it.
    """
    beyond = np.maximum((abrupt_deg - smooth.angle_deg) ** 2 - (CLEARLY_OFF * smooth.spread_deg) ** 2, 0.0)
    return replace(smooth, spread_deg=np.sqrt(smooth.spread_deg**2 + beyond))


def _best_of_many(clues: _Clues, path_deg: FloatArray) -> Course:
    """Each way of beginning near a path (n,), and all of them again from the best, while that helps."""
    spacing_deg = clues.layout.spacing_deg
    tried: list[Course] = []
    for attempt in range(TRIES):
        best = min(tried, key=_surprise) if tried else None
        begin_deg = path_deg if best is None else best.angle_deg
        now = [_fit(clues, begin_deg, share * spacing_deg) for share in COARSE_SHARES]
        tried += now
        if attempt == 0:
            # Where spokes pass at about one a frame, a wavy path looks much like the calm one of a wheel let go.
            calm_deg = _calm(path_deg, clues.track.time_s)
            tried.append(_fit(clues, calm_deg, COARSE_SHARES[0] * spacing_deg))
        least = min(map(_surprise, tried))
        if max(map(_surprise, now)) < least + CLEARLY_BETTER:
            break
        if best is not None and least > best.surprise - CLEARLY_BETTER:
            break
    return _with_disagreement(tried)


def _calm(path_deg: FloatArray, time_s: FloatArray) -> FloatArray:
    """The path (n,) as a wheel would go that is let go."""
    curve = SmoothCurve.over(time_s, KNOT_SPACING_S)
    normal, right = curve.places(path_deg, np.full(len(path_deg), 1.0 / PATH_SD_DEG**2))
    return curve.fit_with(normal, right, LET_GO_DEG_S2).values()


def _surprise(course: Course) -> float:
    return course.surprise


def _with_disagreement(tried: list[Course]) -> Course:
    """Take the best of the courses that were tried; what those that are hardly worse differ by makes it less sure."""
    best = min(tried, key=_surprise)
    near = [course for course in tried if course.surprise < best.surprise + HARDLY_WORSE]
    differ = np.mean([(course.angle_deg - best.angle_deg) ** 2 for course in near], axis=0)
    return replace(best, spread_deg=np.sqrt(best.spread_deg**2 + differ))


@dataclass(frozen=True, slots=True, eq=False)
class _Clues:
    """What the course is fitted to: all that was seen, the camera's own even beat (n,) of the frames, and the rim as it comes round."""

    track: GapTrack
    layout: Layout
    tags: Tagged | None
    components: FloatArray
    beat_s: FloatArray
    rim: RimSeen | None = None

    @property
    def late_s(self) -> FloatArray:
        """How much later than the beat each frame (n,) was stamped."""
        return self.track.time_s - self.beat_s


@dataclass(frozen=True, slots=True)
class _Learnt:
    """What is learnt along with the course.

    mark_sd_deg: standard uncertainty of the mean of the mark's sightings. tag_scale: of the tags' path.
    kept: share of the stamps' jitter that is the camera's own. slides: whether the rim's slide had a say.
    look: of the spokes, None before it was learnt.
    """

    mark: MarkLearnt = field(default_factory=MarkLearnt)
    mark_sd_deg: float = 0.0
    tag_scale: float = 1.0
    kept: float = 0.0
    slides: bool = False
    look: Series | None = None


def _fit(
    clues: _Clues,
    angle_deg: FloatArray,
    coarsest_deg: float,
    first_rounds: int = FIRST_ROUNDS,
    finer: float = FINER,
    *,
    beside: Course | None = None,
) -> Course:
    """Fit a smooth curve of time, from a coarse path (n,), by Gauss–Newton steps.

    beside: a course beside which it may be abrupt, changing its speed within a few frames; where that soon turns out to
    explain no more, it is given up as it is then, and counts as explaining as much.
    """
    abrupt = beside is not None
    knot_spacing_s = ABRUPT_KNOT_SPACING_S if abrupt else KNOT_SPACING_S
    learnt, restless_deg_s2, calm, moved_deg = _Learnt(), None, None, math.inf
    for done in range(ROUNDS):
        before = angle_deg
        stamped_s = np.maximum.accumulate(clues.beat_s + learnt.kept * clues.late_s)
        curve = SmoothCurve.over(stamped_s, knot_spacing_s, calm)
        # From coarse to fine: along a path that is a degree off, only long waves are the look's own.
        finest_deg = max(FINEST_DEG, coarsest_deg * finer**done)
        room_deg = max(ROOM_DEG * (first_rounds - done), 0.0)
        normal, right, learnt = _together(clues, angle_deg, learnt, curve, finest_deg, room_deg)
        fit = (
            curve.fit(normal, right, restless_deg_s2)
            if restless_deg_s2 is None or done % CHOSEN_EVERY == 0
            else curve.fit_with(normal, right, restless_deg_s2)
        )
        values, restless_deg_s2 = fit.values(), fit.acceleration_deg_s2
        calm = fit.calm() if abrupt else None
        angle_deg = angle_deg + np.clip(values - angle_deg, -LONGEST_STEP_DEG, LONGEST_STEP_DEG)
        if beside is not None and done == ABRUPT_TRIED - 1 and not _promises(clues, angle_deg, beside):
            return replace(beside, angle_deg=angle_deg)
        # Now and then a moment never settles: a look or a slide is at odds with itself by a hundredth of a degree.
        moves_deg, last_deg = np.abs(angle_deg - before), moved_deg
        moved_deg = float(np.linalg.norm(moves_deg))
        still = (
            float(np.mean(moves_deg > STEADY_DEG)) < STILL_MOVING_SHARE or moved_deg > TO_AND_FRO * last_deg
        )
        if done >= first_rounds and still:
            break
        learnt = replace(learnt, mark=learn_mark(clues.track, clues.layout, angle_deg, learnt.mark))
    return _told(
        clues, curve, normal, right, values, learnt, settled=np.abs(values - angle_deg) < SETTLED_DEG
    )


def _told(
    clues: _Clues,
    curve: SmoothCurve,
    normal: FloatArray,
    right: FloatArray,
    values: FloatArray,
    learnt: _Learnt,
    *,
    settled: BoolArray,
) -> Course:
    """The course of values (n,) of a curve that was fitted to normal matrix (c, c) and right side (c,)."""
    mark_sd_deg = learnt.mark_sd_deg if clues.tags is None else 0.0
    missed, whole = foretold(clues.components, values, clues.layout.look_period_deg)
    return Course(
        angle_deg=values,
        spread_deg=np.hypot(curve.spread(normal, right), mark_sd_deg),
        settled=settled,
        slides=learnt.slides,
        missed=missed,
        whole=whole,
        tag_scale=learnt.tag_scale,
        mark=learnt.mark,
        mark_sd_deg=mark_sd_deg,
    )


def _promises(clues: _Clues, angle_deg: FloatArray, beside: Course) -> bool:
    """Tell whether angles (n,) that are half fitted already explain more than a course."""
    surprise = _mean_log(*foretold(clues.components, angle_deg, clues.layout.look_period_deg))
    return surprise < beside.surprise - ABRUPT_HALFWAY


def _together(
    clues: _Clues,
    angle_deg: FloatArray,
    learnt: _Learnt,
    curve: SmoothCurve,
    finest_deg: float,
    room_deg: float,
) -> tuple[FloatArray, FloatArray, _Learnt]:
    """Normal matrix (c, c) and right side (c,) of all clues near a course (n,), and what was learnt meanwhile."""
    track, layout = clues.track, clues.layout
    normal, right, mark_sd_deg = mark_says(track, layout, angle_deg, learnt.mark, room_deg, curve)
    learnt = replace(learnt, mark_sd_deg=mark_sd_deg)
    if clues.tags is not None:
        by_tags, toward, tag_scale = tags_say(clues.tags, angle_deg, learnt.tag_scale, curve)
        normal += by_tags
        right += toward
        learnt = replace(learnt, tag_scale=tag_scale)
    if track.slide is not None:
        change, clear = slid(track.slide, angle_deg, layout.px_per_deg, room_deg)
        by_slide, toward = curve.moves(change, clear, SLIDE_SCALE_SD)
        normal += by_slide
        right += toward
        learnt = replace(learnt, slides=float(np.mean(clear > 0.0)) > LEAST_SLIDE_SHARE)
    if clues.rim is not None:
        by_rim, toward = comes_round(clues.rim, angle_deg, layout.px_per_deg, room_deg, curve)
        normal += by_rim
        right += toward
    if clues.components.shape[1]:
        waves_deg = (layout.look_period_deg, finest_deg)
        says = spokes_say(clues.components, angle_deg, waves_deg, layout.spacing_deg, learnt.look)
        by_spokes, toward = says.of(curve)
        normal += by_spokes
        right += toward + by_spokes @ curve.nearest(angle_deg)
        late_deg = clues.late_s * np.gradient(angle_deg, clues.beat_s)
        learnt = replace(learnt, kept=stamps_kept(learnt.kept, late_deg, says), look=says.series)
    return normal, right, learnt
