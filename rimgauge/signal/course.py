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
from scipy import sparse
from scipy.linalg import cho_factor, cho_solve

from rimgauge.records import BoolArray, FloatArray, GapTrack, IntArray
from rimgauge.signal.evidence import Layout, beat_times_s
from rimgauge.signal.series import FINEST_DEG, Series, foretold, independent_share, learn_series, waves
from rimgauge.signal.sightings import MarkLearnt, learn_mark, mark_says
from rimgauge.signal.slid import slid
from rimgauge.signal.smooth_curve import SmoothCurve, squares
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
JITTER_KNOWN = 10.0
"""As if so much were known already of the stamps' jitter: that it says nothing."""
ROOM_DEG = 0.1
IN_STEP, BEND_SPOKES, FAINTEST = 0.95, 4, 1e-9
"""A wave goes in step with the frames that moves on by a twentieth of its length or less from one to the next, but for whole
lengths. Not longer than so many spokes, after which an even wheel looks the same: where only a whole turn brings the look back,
nothing else held a tag that was stuck amiss. And what an unknown that nothing tells is held by, as a share of the others."""
SLIDE_SCALE_SD = 0.1
LEAST_SLIDE_SHARE = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A curve fitted to all evidence, and what it was fitted to.

    angle_deg, spread_deg (n,): its values and their standard uncertainty. settled (n,): where the last step was
    small. slides: whether the rim's own slide had a say. missed, whole (n,): how far each frame's look misses what
    the other stretches foretell, and misses the mean look, squared; 0 without spokes. tag_scale: of the tags' path,
    learnt from it.
    """

    angle_deg: FloatArray
    spread_deg: FloatArray
    settled: BoolArray
    slides: bool
    missed: FloatArray
    whole: FloatArray
    tag_scale: float

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
    sure: bool = False,
) -> Course:
    """Fit the course from a coarse path (n,) of frames at even moments (n,), components (n, k) of the spokes' strip.

    Near a path that is sure one way of beginning is tried, otherwise several. At last it is tried whether a course that
    may be abrupt explains more.
    """
    clues = _Clues(track, layout, tags, components, beat_times_s(moment, track.time_s))
    if not components.shape[1]:
        return _fit(clues, path_deg, FINEST_DEG)
    coarsest_deg = COARSE_SHARES[0] * layout.spacing_deg
    near = (FIRST_ROUNDS_SURE, FINER_SURE)
    smooth = _fit(clues, path_deg, coarsest_deg, *near) if sure else _best_of_many(clues, path_deg)
    abrupt = _fit(clues, smooth.angle_deg, coarsest_deg, *near, beside=smooth)
    return abrupt if abrupt.surprise < smooth.surprise - ABRUPT_CLEARER else smooth


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
    """What the course is fitted to: all that was seen, and the camera's own even beat (n,) of the frames."""

    track: GapTrack
    layout: Layout
    tags: Tagged | None
    components: FloatArray
    beat_s: FloatArray

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
    explain no more, that course is what is given.
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
            return beside
        # Now and then a moment never settles: a look or a slide is at odds with itself by a hundredth of a degree.
        moves_deg, last_deg = np.abs(angle_deg - before), moved_deg
        moved_deg = float(np.linalg.norm(moves_deg))
        still = (
            float(np.mean(moves_deg > STEADY_DEG)) < STILL_MOVING_SHARE or moved_deg > TO_AND_FRO * last_deg
        )
        if done >= first_rounds and still:
            break
        learnt = replace(learnt, mark=learn_mark(clues.track, clues.layout, angle_deg, learnt.mark))
    spread_deg = curve.spread(normal, right)
    if clues.tags is None:
        spread_deg = np.hypot(spread_deg, learnt.mark_sd_deg)
    missed, whole = foretold(clues.components, values, clues.layout.look_period_deg)
    return Course(
        angle_deg=values,
        spread_deg=spread_deg,
        settled=np.abs(values - angle_deg) < SETTLED_DEG,
        slides=learnt.slides,
        missed=missed,
        whole=whole,
        tag_scale=learnt.tag_scale,
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
    if clues.components.shape[1]:
        waves_deg = (layout.look_period_deg, finest_deg)
        says = _spokes_say(clues.components, angle_deg, waves_deg, layout.spacing_deg, learnt.look)
        by_spokes, toward = says.of(curve)
        normal += by_spokes
        right += toward + by_spokes @ curve.nearest(angle_deg)
        late_deg = clues.late_s * np.gradient(angle_deg, clues.beat_s)
        learnt = replace(learnt, kept=_stamps_kept(learnt.kept, late_deg, says), look=says.series)
    return normal, right, learnt


@dataclass(frozen=True, slots=True, eq=False)
class _SpokesSay:
    """What the spokes' looks say of a change of the angles (n,), if the look is that which was learnt.

    slope (n, k): of each component, in units of its noise [1/deg]. toward (n,): slope of the log-likelihood.
    information (n,): its curvature. basis (n, p), series: of the look that the frames share. bends (n, q): how angles may be
    bent by the phase.
    """

    slope: FloatArray
    toward: FloatArray
    information: FloatArray
    basis: FloatArray
    bends: FloatArray
    series: Series

    def of(self, curve: SmoothCurve) -> tuple[FloatArray, FloatArray]:
        """Normal matrix (c, c) and right side (c,) of a change of the curve.

        The look is eliminated (variable projection: Golub and Pereyra 1973; from memory), so that a change of the
        angles that a change of the look would explain as well counts for nothing. Its prior holds the look where it is,
        and so holds what bends the angle by the phase alone: a shift of the whole curve, and where the wheel turns by a
        simple share of the look's period a frame, so that few places of it are ever seen, a drift past them, which is
        slower past a look that is pressed together. Such bends are unknowns of their own, eliminated too.
        """
        bends = self.bends
        shared, bent = self._looks(curve.design), self._looks(bends)
        share = independent_share(self.slope)
        informed = bends * self.information[:, None]
        both = np.asarray(curve.design.T @ informed) - share * (shared @ bent.T)
        own = bends.T @ informed - share * (bent @ bent.T)
        faint = FAINTEST * (1.0 + float(np.trace(own)) / len(own))
        factor = cho_factor(own + faint * np.eye(len(own)))
        normal = squares(curve.design, self.information) - share * (shared @ shared.T)
        normal -= both @ cho_solve(factor, both.T)
        right = np.asarray(curve.design.T @ self.toward)
        return normal, right - both @ cho_solve(factor, bends.T @ self.toward)

    def _looks(self, changes: FloatArray | sparse.csr_array) -> FloatArray:
        """What changes of the angles (n, c) have in common with changes of the look (c, k·p), which is believed to be so wide."""
        weighted = self.basis * self.series.weight[:, None]
        shared = [
            np.asarray(changes.T @ (weighted * part[:, None])) @ (self.series.directions / np.sqrt(stiffness))
            for part, stiffness in zip(self.slope.T, self.series.stiffness.T, strict=True)
        ]
        return np.hstack(shared)


def _in_step(basis: FloatArray, longest: float) -> FloatArray:
    """Those of the waves (n, p) that hardly change from frame to frame, as a smooth curve does (n, q).

    longest: of such a wave, as a share of the look's period.
    """
    alike = np.mean(basis[1:] * basis[:-1], axis=0)
    half = len(alike) // 2
    slow = alike[1 : half + 1] + alike[half + 1 :] > IN_STEP
    slow[: math.ceil(1.0 / longest - 0.01) - 1] = False
    return basis[:, np.concatenate([[True], slow, slow])]


def _spokes_say(
    components: FloatArray,
    angle_deg: FloatArray,
    wave_deg: tuple[float, float],
    spacing_deg: float,
    look: Series | None,
) -> _SpokesSay:
    """Learn the look along a path (n,), and find which way it wants each angle moved."""
    basis, slope = waves(angle_deg, *wave_deg)
    passing = np.cumsum(np.diff(np.rint(angle_deg / spacing_deg), prepend=0.0) != 0.0, dtype=np.intp)
    begun = look if look is not None and len(look.width) == basis.shape[1] else None
    series = learn_series(basis, components, slope, passing, begun)
    change = (slope @ series.coefficients) / series.noise
    residual = (components - basis @ series.coefficients) / series.noise
    weight = independent_share(components) * series.weight
    return _SpokesSay(
        slope=change,
        toward=weight * np.sum(change * residual, axis=1),
        information=weight * np.sum(change**2, axis=1),
        basis=basis,
        bends=_in_step(basis, BEND_SPOKES * spacing_deg / wave_deg[0]),
        series=series,
    )


def _stamps_kept(kept: float, late_deg: FloatArray, says: _SpokesSay) -> float:
    """Share of the stamps' jitter that is the camera's own beat, 0 to 1: some are taken when the frame arrives.

    late_deg (n,): how far the wheel turned meanwhile. By regression of what the spokes say on it.
    """
    known = float(says.information @ late_deg**2)
    return min(max(kept + float(says.toward @ late_deg) / (known + JITTER_KNOWN), 0.0), 1.0)
