"""Where capture and signal are wired together live: each frame becomes a moment as it comes."""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from rimgauge.capture import (
    LEARNING_FRAMES,
    Frame,
    LiveMark,
    TagFinder,
    Tracker,
    along_px,
    at_working_size,
    full_places,
    lens_stretch,
    mark_strip,
    reduced_picture,
    spoke_strip,
)
from rimgauge.pipeline import known_scale
from rimgauge.records import FloatArray, Moment, View, WheelInView, nearest_spoke
from rimgauge.signal import (
    LivePlace,
    Path,
    Tagged,
    edge_place,
    look_period_deg,
    mark_to_pointer_deg,
    tag_likelihood,
)

REMEMBERED_FRAMES = 600
MARK_LEARNT_EVERY = 30
MARK_CHECKED_EVERY = 150
"""Frames between two looks for the mark while there is none, and while the one found is not yet proved."""
LOST_FRAMES = 450
"""After so long without knowing the place, everything is learnt anew: the camera may have been moved."""
SURE_SHARE = 1.0 / 3.0
"""The place is given where its standard deviation is under this share of the spokes' spacing."""


def watch(
    frames: Iterable[Frame],
    view: View,
    wheel: WheelInView,
    *,
    live: bool = False,
) -> Iterator[Moment]:
    """See the gap and the wheel's place frame by frame as it happens.

    The place is known near the mark from its first pass on, and everywhere once the wheel has gone round.

    Parameters
    ----------
    frames : in the order of time.
    view : where things are; its scale must be known.
    wheel : what is known of the wheel in it.
    live : the frames come at their own pace: those that are learnt from are shown at once, without a gap.

    Raises
    ------
    RimgaugeError
        The view and the frames don't fit, or pointer and rim are not seen.

    """
    watcher = Watcher(view, wheel, aside=live)
    stream = iter(frames)
    if live:
        yield from map(watcher.look, stream)
        return
    first = list(itertools.islice(stream, LEARNING_FRAMES))
    watcher.learn(first)
    yield from map(watcher.look, first)
    first.clear()  # sixty pictures of a good camera are more than half a gigabyte
    yield from map(watcher.look, stream)


class Watcher:
    """What is known so far of a wheel that turns before the camera; with `aside`, learnt while frames go on."""

    def __init__(self, view: View, wheel: WheelInView, *, aside: bool = False) -> None:
        self._aside, self._wheel = aside, wheel
        self._see_in(view, 1)
        self._first: list[Frame] = []
        self._homework: Future[Moment] | None = None
        self._tracker: Tracker | None = None
        self._clock: _Clock | None = None
        self._tags: _TagClock | None = None

    def _see_in(self, view: View, times: int) -> None:
        """Take a view of pictures so many times smaller than the camera's to read them in."""
        self._view, self._times = view, times
        self._mm_per_px = known_scale(view).mm_per_px
        self._places = [edge_place(view, edge)[0] for edge in view.edges]

    def learn(self, first: list[Frame]) -> None:
        """Learn from the first frames how pointer, rim and mark look, and at which size."""
        coming, view, times = at_working_size(first, self._view)
        self._see_in(view, times)
        first = list(coming)
        self._tracker = Tracker.of_frames(self._view, first)
        if len(first) < 2 or (self._view.mark_box is None and self._view.tag_box is None):
            return
        tips = np.array(
            [self._tracker.sight(frame)[0].tip_px[0] for frame in first[:: max(1, len(first) // 5)]]
        )
        interval_s = float(np.median(np.diff([frame.time_s for frame in first])))
        deg_per_px = math.degrees(self._mm_per_px / self._wheel.rim_radius_mm)
        if self._view.tag_box is not None:
            self._tags = _TagClock(self._view, self._wheel, tips, interval_s, deg_per_px, aside=self._aside)
        else:
            offset_deg = mark_to_pointer_deg(self._view, tips, self._wheel.rim_radius_mm)
            period_deg = look_period_deg(self._wheel.spoke_angles_deg, self._wheel.flanges)
            self._clock = _Clock(
                self._view, interval_s, period_deg, deg_per_px, offset_deg, aside=self._aside
            )

    def look(self, frame: Frame) -> Moment:
        """Read one frame; the first ones give no gap yet where nothing was learnt before."""
        if self._tracker is not None and self._homework is None:
            return self._read(frame)
        if self._homework is None:
            self._first.append(frame)
            if len(self._first) < LEARNING_FRAMES:
                return self._blank(frame)
            first, self._first = self._first, []
            if not self._aside:
                return self._begin(first)
            self._homework = ThreadPoolExecutor(1, "learn pointer and rim").submit(self._begin, first)
        if not self._homework.done():
            return self._blank(frame)
        last, self._homework = self._homework.result(), None
        return last if last.index == frame.index else self._read(frame)

    def _begin(self, first: list[Frame]) -> Moment:
        """Learn from the first frames, read them all, and return the last one's moment."""
        self.learn(first)
        return [self._read(frame) for frame in first][-1]

    @property
    def path(self) -> Path | None:
        """What was seen before the place was known everywhere, by hindsight; None until then."""
        clock = self._tags or self._clock
        return None if clock is None else clock.path

    def _blank(self, frame: Frame) -> Moment:
        count = len(self._view.edges)
        return Moment(
            index=frame.index,
            time_s=frame.time_s,
            image=frame.image,
            gap_mm=np.full(count, np.nan),
            tip_px=np.full((count, 2), np.nan),
            rim_px=np.full((count, 2), np.nan),
            angle_deg=math.nan,
            spoke=None,
        )

    def _read(self, frame: Frame) -> Moment:
        assert self._tracker is not None
        picture, frame = frame.image, replace(frame, image=reduced_picture(frame.image, self._times))
        sightings = self._tracker.sight(frame)
        gap_px = np.array(
            [
                math.nan
                if s.lost[0]
                else s.gap_px[0] * lens_stretch(self._view, s.rim_px, s.tip_px, place)[0]
                for s, place in zip(sightings, self._places, strict=True)
            ]
        )
        angle_deg = math.nan
        if self._tags is not None:
            angle_deg = self._tags.step(frame, gap_px, self._sure_deg())
        elif self._clock is not None:
            strips = mark_strip(frame, self._view).astype(np.float64), spoke_strip(frame, self._view)
            angle_deg = self._clock.step(frame.time_s, *strips, gap_px, self._sure_deg())
        return Moment(
            index=frame.index,
            time_s=frame.time_s,
            image=picture,
            gap_mm=gap_px * self._mm_per_px,
            tip_px=full_places(np.array([s.tip_px[0] for s in sightings]), self._times),
            rim_px=full_places(np.array([s.rim_px[0] for s in sightings]), self._times),
            angle_deg=angle_deg,
            spoke=nearest_spoke(angle_deg, self._wheel.spoke_angles_deg),
        )

    def _sure_deg(self) -> float:
        return SURE_SHARE * 360.0 / len(self._wheel.spoke_angles_deg)


_Row = tuple[float, FloatArray, FloatArray, FloatArray]
"""Time [s], mark strip, spoke strip and gaps of a frame."""


class _Clock:
    """Joins the mark and the spokes to the wheel's angle, and learns the mark anew until it is proved."""

    def __init__(
        self,
        view: View,
        interval_s: float,
        period_deg: float,
        deg_per_px: float,
        offset_deg: float,
        *,
        aside: bool,
    ) -> None:
        self._mark, self._aside = LiveMark(view), aside
        self._interval_s, self._period_deg = interval_s, period_deg
        self._deg_per_px, self._offset_deg = deg_per_px, offset_deg
        self._rows: deque[_Row] = deque(maxlen=REMEMBERED_FRAMES)
        self._start()

    @property
    def path(self) -> Path | None:
        """What was seen until the spokes' look was learnt."""
        return self._place.path

    def _start(self) -> None:
        self._rows.clear()
        self._place = LivePlace(
            interval_s=self._interval_s, spoke_period_deg=self._period_deg, aside=self._aside
        )
        self._known, self._frames, self._unsure_frames = False, 0, 0

    def step(
        self, time_s: float, strip: FloatArray, profile: FloatArray, gap_px: FloatArray, sure_deg: float
    ) -> float:
        """Angle modulo 360 [deg], NaN where it isn't known to `sure_deg`."""
        row = (time_s, strip, profile, gap_px)
        proved = self._place.times_learnt > 0
        if not proved:
            self._rows.append(row)
            self._frames += 1
            due = self._frames % (MARK_CHECKED_EVERY if self._known else MARK_LEARNT_EVERY) == 0
            if due and not self._place.learning:
                return self._learn_again(sure_deg)
        angle_deg = self._follow(row, sure_deg)
        self._unsure_frames = 0 if math.isfinite(angle_deg) else self._unsure_frames + 1
        if proved and self._unsure_frames > LOST_FRAMES:
            self._start()
        return angle_deg

    def _learn_again(self, sure_deg: float) -> float:
        """Learn the mark from all that is remembered, and follow the wheel through that once more."""
        self._known = self._mark.learn(np.stack([strip for _, strip, _, _ in self._rows]))
        if not self._known:
            return math.nan
        self._place = LivePlace(
            interval_s=self._interval_s, spoke_period_deg=self._period_deg, aside=self._aside
        )
        return [self._follow(row, sure_deg) for row in self._rows][-1]

    def _follow(self, row: _Row, sure_deg: float) -> float:
        if not self._known:
            return math.nan
        time_s, strip, profile, gap_px = row
        mark_deg = self._mark.place_px(strip) * self._deg_per_px - self._offset_deg
        place = self._place.step(time_s, mark_deg, profile, gap_px)
        return place.angle_deg if place.standard_deviation_deg < sure_deg else math.nan


class _TagClock:
    """The wheel's angle by numbered tags, and between them by the spokes' look once that was learnt by the tags."""

    def __init__(
        self,
        view: View,
        wheel: WheelInView,
        tips_px: FloatArray,
        interval_s: float,
        deg_per_px: float,
        *,
        aside: bool,
    ) -> None:
        assert view.tag_box is not None
        self._finder = TagFinder(view.tag_box, view.forward, view.image_size[0])
        self._view, self._deg_per_px = view, deg_per_px
        self._pointer_px = float(np.nanmedian(tips_px, axis=0) @ view.forward)
        self._spoke_angles_deg = wheel.spoke_angles_deg
        period_deg = look_period_deg(wheel.spoke_angles_deg, wheel.flanges)
        self._place = LivePlace(interval_s=interval_s, spoke_period_deg=period_deg, marked=False, aside=aside)

    @property
    def path(self) -> Path | None:
        """What was seen until the spokes' look was learnt."""
        return self._place.path

    def step(self, frame: Frame, gap_px: FloatArray, sure_deg: float) -> float:
        """Angle modulo 360 [deg], NaN where it isn't known to `sure_deg`."""
        spokes = len(self._spoke_angles_deg)
        seen = [tag for tag in self._finder.find(frame.image) if tag[0] <= spokes]
        by_tags = None
        if seen:
            number = np.array([number for number, _ in seen])
            along = np.array([along_px(corners, self._view.forward) for _, corners in seen])
            sighting = Tagged(
                frame=np.zeros(len(seen), dtype=np.int64),
                number=number,
                spoke_deg=self._spoke_angles_deg[number - 1],
                past_deg=(along - self._pointer_px) * self._deg_per_px,
            )
            by_tags = tag_likelihood(sighting, np.zeros(1, dtype=np.int64), 1)
        place = self._place.step(frame.time_s, math.nan, spoke_strip(frame, self._view), gap_px, by_tags)
        return place.angle_deg if place.standard_deviation_deg < sure_deg else math.nan
