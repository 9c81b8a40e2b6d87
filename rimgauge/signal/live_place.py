"""The wheel's angle as it happens: the forward half of place.py, one frame at a time.

Until the mark has gone round once, only the mark tells the angle, and it is soon unsure; numbered tags tell it only
in the frames in which one can be read. Then the look of the spokes, and of the gap itself, is learnt from what has
been seen, and holds the angle through slowing, stopping and rocking back, and from tag to tag.
"""

from __future__ import annotations

import math
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import as_strided

from rimgauge.records import FloatArray, IntArray
from rimgauge.signal.evidence import at_moments
from rimgauge.signal.follow import Evidence, follow, mark_likelihood
from rimgauge.signal.looks import LearntLook, Look, learn_look, look_likelihood
from rimgauge.signal.place import FASTEST_STEPS, SPEED_CHANGE, STEPS, Grid
from rimgauge.signal.profile import ProfileAxes, learn_axes

REMEMBERED = 600
"""Moments that are learnt from: twenty seconds of a webcam."""
FASTEST_MOMENTS_PER_S = 45.0
AWAY_MOMENTS = 4
"""The mark has left when it was not seen for so many moments; what it ended is then learnt from."""
LEAST_LEARNT_DEG = 330.0
TAGS_TRIED_EVERY, TAGS_LEARNT_EVERY = 30, 120
"""Moments between two learnings where tags tell the angle, before one came to anything and after: there is no mark
that comes round and ends a turn."""
SECTORS, LEAST_SECTORS = 12, 4
"""Of the circle, and in how many of them a tag must have been read before it is worth trying."""
TIMES_LEARNT = 3
SAME_DEG = 10.0
USUAL_STRAY = 0.2
"""Share of the usual interval by which the time between two frames in a row may differ from it (our choice)."""
LONGEST_PAUSE = 60
"""After so many moments without a frame the wheel may be anywhere."""


SUDDEN_STOP = 0.003
"""Chance that a hand grabs the turning wheel from one moment to the next."""


@dataclass(frozen=True, slots=True, eq=False)
class PlaceNow:
    """Angle modulo 360 [deg] and its standard deviation [deg]."""

    angle_deg: float
    standard_deviation_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """Unwrapped angle (n,) [deg] and gaps (n, k) [px] of frames, by hindsight."""

    angle_deg: FloatArray
    gap_px: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Lesson:
    """What was learnt: usual gaps and their spread (k,), the axes of the spokes' look, each look, and the path."""

    gap_usual: tuple[FloatArray, FloatArray]
    axes: ProfileAxes
    looks: tuple[LearntLook | None, ...]
    path: Path


@dataclass(slots=True, eq=False)
class _Row:
    moment: int
    mark_deg: float
    profile: FloatArray
    gap_px: FloatArray
    by_tags: FloatArray | None


class LivePlace:
    """Follows the wheel's angle frame by frame.

    Parameters
    ----------
    interval_s : usual time between frames [s].
    spoke_period_deg : angle after which the spokes look the same.
    marked : whether there is a mark, so that not to see it says where the wheel isn't.
    aside : learn in a thread of its own while frames go on, so that a live picture never stands still; the
        frame from which on what was learnt counts is then a matter of chance.
    """

    def __init__(
        self, *, interval_s: float, spoke_period_deg: float, marked: bool = True, aside: bool = False
    ) -> None:
        self._interval_s = max(interval_s, 1.0 / FASTEST_MOMENTS_PER_S)
        self._period_deg, self._marked = spoke_period_deg, marked
        self._rows: deque[_Row] = deque(maxlen=REMEMBERED)
        self._state: Grid = _first_state()
        self._start_s = self._last_s = math.nan
        self._farthest_deg = 1.0
        self._last_mark: int | None = None
        self._last_learning, self._sectors = 0, np.zeros(SECTORS, dtype=bool)
        self._lesson: _Lesson | None = None
        self._pupil = ThreadPoolExecutor(1, "learn looks") if aside else None
        self._homework: Future[_Lesson | None] | None = None
        self.times_learnt = 0
        """How often the looks were learnt."""

    @property
    def learning(self) -> bool:
        """Whether the looks are being learnt aside."""
        return self._homework is not None

    @property
    def path(self) -> Path | None:
        """What was seen up to the last learning, looked back at."""
        return None if self._lesson is None else self._lesson.path

    def step(
        self,
        time_s: float,
        mark_deg: float,
        profile: FloatArray,
        gap_px: FloatArray,
        by_tags: FloatArray | None = None,
    ) -> PlaceNow:
        """Take in one frame.

        Parameters
        ----------
        time_s : of the frame [s], rising.
        mark_deg : angle of the wheel by the mark, NaN where it isn't seen.
        profile : (m, a) brightness along the spokes' path in strips side by side, (0, 0) without one.
        gap_px : (k,) of each side, NaN where it isn't seen.
        by_tags : likelihood (1, STEPS) of each angle by the numbered tags in the frame, None where none is read.
        """
        if self._homework is not None and self._homework.done():
            self._take(self._homework.result())
            self._homework = None
        moment = self._moment(time_s)
        passed = moment - self._rows[-1].moment if self._rows else 0
        for _ in range(min(max(passed, 0), LONGEST_PAUSE)):
            self._state = _next_state(self._state)
        self._remember(_Row(moment, mark_deg, profile, gap_px, by_tags))
        self._state = self._state * self._likelihood(mark_deg, profile, gap_px)
        if by_tags is not None:
            self._state = self._state * by_tags.astype(np.float32)
            self._sectors[int(by_tags.argmax()) * SECTORS // STEPS] = True
        self._state /= self._state.sum()
        if math.isfinite(mark_deg):
            self._last_mark = moment
        elif self._last_mark is not None and moment - self._last_mark >= AWAY_MOMENTS:
            self._last_mark = None
            self._learn()
        elif self._sectors.sum() >= LEAST_SECTORS:
            every = TAGS_LEARNT_EVERY if self.times_learnt else TAGS_TRIED_EVERY
            if moment - self._last_learning >= every:
                self._last_learning = moment
                self._learn()
        angle_deg, spread_deg = _centre(self._state.sum(axis=0))
        return PlaceNow(angle_deg, spread_deg)

    def _moment(self, time_s: float) -> int:
        """Number of the moment at which a frame was taken; one interval after the last frame it is the next.

        Times that fall half way between two moments would be rounded to either by chance, and a wheel that turns
        evenly would seem to stop and leap.
        """
        if not self._rows:
            self._start_s = self._last_s = time_s
        step, self._last_s = (time_s - self._last_s) / self._interval_s, time_s
        moment = round((time_s - self._start_s) / self._interval_s)
        if self._rows and abs(step - 1.0) < USUAL_STRAY:
            moment = self._rows[-1].moment + 1
            # Counted from here, so that the clock's drift comes in little by little.
            self._start_s = time_s - moment * self._interval_s
        return moment

    def _remember(self, row: _Row) -> None:
        if self._rows and row.moment <= self._rows[-1].moment:
            kept = self._rows.pop()
            row.moment = kept.moment
            if not math.isfinite(row.mark_deg):
                row.mark_deg = kept.mark_deg
            if row.by_tags is None:
                row.by_tags = kept.by_tags
        self._rows.append(row)
        if math.isfinite(row.mark_deg):
            self._farthest_deg = max(self._farthest_deg, abs(row.mark_deg))

    def _likelihood(self, mark_deg: float, profile: FloatArray, gap_px: FloatArray) -> Grid:
        likely = mark_likelihood(_evidence(np.array([mark_deg]), self._hidden_deg(), ()))
        if self._lesson is not None:
            looks = _looks(
                profile[None], gap_px[None], self._lesson.gap_usual, self._lesson.axes, self._period_deg
            )
            for look, known in zip(looks, self._lesson.looks, strict=True):
                if known is not None:
                    likely = likely * look_likelihood(look.components, known)
        return np.asarray(likely[0], dtype=np.float32)

    def _hidden_deg(self) -> float:
        return min(2.0, 0.5 * self._farthest_deg) if self._marked else 0.0

    def _learn(self) -> None:
        """Learn the looks once the wheel went round; again a few times, as more has been seen."""
        if self.learning or self.times_learnt >= TIMES_LEARNT or not self._rows[-1].profile.size:
            return
        seen = list(self._rows), self._hidden_deg(), self._period_deg
        if self._pupil is None:
            self._take(_learn_from(*seen))
        else:
            self._homework = self._pupil.submit(_learn_from, *seen)

    def _take(self, lesson: _Lesson | None) -> None:
        if lesson is not None:
            self._lesson = lesson
            self.times_learnt += 1


def _evidence(
    mark_deg: FloatArray, hidden_deg: float, looks: tuple[Look, ...], by_tags: FloatArray | None = None
) -> Evidence:
    mark_sd_deg = 0.8 + 0.06 * np.abs(np.nan_to_num(mark_deg))
    return Evidence(mark_deg, mark_sd_deg, hidden_deg, looks, by_tags=by_tags)


def _looks(
    profile: FloatArray,
    gap_px: FloatArray,
    gap_usual: tuple[FloatArray, FloatArray],
    axes: ProfileAxes,
    period_deg: float,
) -> tuple[Look, ...]:
    """What else changes with the angle, for frames (n, m) and (n, k): the gaps, and the spokes' look.

    A gap alone is too much alike at too many places; it only tells apart the spokes that look the same.
    """
    gaps = [Look(((gap - u) / s)[:, None], 360.0) for gap, u, s in zip(gap_px.T, *gap_usual, strict=True)]
    return (*gaps, Look(axes.project(profile), period_deg))


def _learn_from(rows: list[_Row], hidden_deg: float, period_deg: float) -> _Lesson | None:
    """Learn the looks from what was seen; None where the wheel did not yet go round in it."""
    moment: IntArray = np.array([row.moment for row in rows])
    moment -= moment[0]
    count = int(moment[-1]) + 1
    gap_px = np.stack([row.gap_px for row in rows])
    spread = np.nanstd(gap_px, axis=0)
    gap_usual = np.nanmedian(gap_px, axis=0), np.where(spread > 0.0, spread, 1.0)
    profile = np.stack([row.profile for row in rows])
    axes = learn_axes(profile)
    looks = tuple(
        Look(at_moments(look.components, moment, count), look.period_deg)
        for look in _looks(profile, gap_px, gap_usual, axes, period_deg)
    )
    marks = at_moments(np.array([row.mark_deg for row in rows]), moment, count)
    place = follow(_evidence(marks, hidden_deg, looks, _tags_laid_out(rows, moment)), SAME_DEG).place
    if np.ptp(place.angle_deg) < LEAST_LEARNT_DEG:
        return None
    learnt = tuple(learn_look(place.chance, look) for look in looks)
    return _Lesson(gap_usual, axes, learnt, Path(place.angle_deg[moment], gap_px))


def _tags_laid_out(rows: list[_Row], moment: IntArray) -> FloatArray | None:
    """Likelihood (count, STEPS) of each angle by the tags read at every moment; None where none was read."""
    read = [k for k, row in enumerate(rows) if row.by_tags is not None]
    if not read:
        return None
    result = np.ones((int(moment[-1]) + 1, STEPS))
    result[moment[read]] = np.concatenate([tags for row in rows if (tags := row.by_tags) is not None])
    return result


def _first_state() -> Grid:
    """Chance of each speed and angle (speeds, STEPS) when nothing is known."""
    speeds = 2 * FASTEST_STEPS + 1
    return np.full((speeds, STEPS), 1.0 / (STEPS * speeds), dtype=np.float32)


def _next_state(state: Grid) -> Grid:
    """Chances one moment later: the speed may change, then every speed's row moves round by that speed.

    A stride one shorter than a row reads each row a step further back than the one before. Sums of slices
    rather than a matrix product: its threads would wait for each other longer than the sums take.
    """
    most = FASTEST_STEPS
    # Larger changes than by two are left to the sudden stop, and to the place's being found again.
    same, by_one, by_two = (np.float32((1.0 - SUDDEN_STOP) * chance) for chance in SPEED_CHANGE[:3])
    pushed = same * state
    pushed[1:] += by_one * state[:-1]
    pushed[:-1] += by_one * state[1:]
    pushed[2:] += by_two * state[:-2]
    pushed[:-2] += by_two * state[2:]
    pushed[most] += np.float32(SUDDEN_STOP) * state.sum(axis=0)
    wrapped = np.concatenate([pushed[:, -most:], pushed, pushed[:, :most]], axis=1)
    down, across = wrapped.strides
    return as_strided(wrapped[:, 2 * most :], state.shape, (down - across, across), writeable=False)


def _centre(chance: Grid) -> tuple[float, float]:
    """Angle [deg] in the middle of the likeliest neighbourhood, and the spread over all angles (STEPS,).

    The mean of two far-apart guesses is neither, so only the neighbourhood of the likeliest one counts.
    """
    turn = np.exp(2j * np.pi * np.arange(STEPS) / STEPS)
    near = (np.arange(STEPS) - int(chance.argmax()) + STEPS // 2) % STEPS - STEPS // 2
    angle_deg = float(np.degrees(np.angle(np.where(np.abs(near) <= 5, chance, 0.0) @ turn)))
    concentration = float(np.clip(np.abs(chance @ turn), 1e-9, 1.0))
    return angle_deg % 360.0, math.degrees(math.sqrt(-2.0 * math.log(concentration)))
