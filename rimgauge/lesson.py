"""The whole job on the bundled frames, step by step, for a class with no wheel in the room."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from rimgauge.capture import Frame
from rimgauge.live import Bench, Cue, Step, Trail, extend, no_trail, spread_mm
from rimgauge.live.bench import mean_shift_mm
from rimgauge.live.trail import CELLS, extremes_deg
from rimgauge.pipeline import known_scale, see
from rimgauge.records import FloatArray, Moment, View, WheelInView, nearest_spoke, record, shortest_deg

HOLD_S = 2.0
STEP_S = 1.6
FIRST_FRAMES = 45
ONE_ROUND = 90
"""Frames of the bundled pass that show a little more than one revolution."""


@record
class Pass:
    """A pass looked back at: what every frame said, the curve of its last revolution, and how far that strays.

    total_mm is the figure that stands beside the curve, so that the lesson tells of one.
    """

    moments: tuple[Moment, ...]
    trail: Trail
    total_mm: float


def look_back(frames: Iterable[Frame], view: View, wheel: WheelInView) -> Pass:
    """Measure a pass, so that every frame knows its place from the first on.

    Raises
    ------
    RimgaugeError
        The frames can't give an answer.

    """
    kept = list(frames)
    seen, turning = see(kept, view, wheel)
    gap_mm = np.stack([side.gap_px for side in seen.sides], axis=1) * known_scale(view).mm_per_px
    moments, trail = [], no_trail()
    for k, frame in enumerate(kept):
        angle_deg = float(turning.angle_deg[k])
        moment = Moment(
            index=frame.index,
            time_s=frame.time_s,
            image=frame.image,
            gap_mm=gap_mm[k],
            tip_px=np.array([side.tip_px[k] for side in seen.sides]),
            rim_px=np.array([side.rim_px[k] for side in seen.sides]),
            angle_deg=angle_deg % 360.0,
            spoke=nearest_spoke(angle_deg, wheel.spoke_angles_deg),
        )
        moments.append(moment)
        trail = extend(trail, moment)
    return Pass(moments=tuple(moments), trail=trail, total_mm=spread_mm(trail))


def lesson(
    before: Pass, after: Pass, steps: tuple[Step, ...], spoke_angles_deg: FloatArray
) -> Iterator[Moment | Cue]:
    """Give the lesson's frames with the cues between them, at times that rise.

    Parameters
    ----------
    before, after : of the same wheel, seen on its right side, with camera and pointer set up anew in between.
    steps : the nipple turns that were made between the two, in the order of work.
    spoke_angles_deg : (n,) of each spoke.

    """
    clock = _Clock()
    yield Cue(words="The pointer stands still. Watch the gap between it and the rim.", trail=no_trail())
    yield from clock.timed(before.moments[:FIRST_FRAMES])
    yield Cue(words="Look: one turn of the wheel draws the gap, spoke by spoke.", trail=no_trail())
    yield from clock.timed(before.moments[:ONE_ROUND])
    least, most = (nearest_spoke(deg, spoke_angles_deg) for deg in extremes_deg(before.trail))
    words = f"Find: the rim is too far right at spoke {least} and too far left at spoke {most}."
    yield Cue(words=words, trail=before.trail, shape=True)
    yield from clock.timed(before.moments[ONE_ROUND:])
    bench = Bench(steps=steps)
    for number, step in enumerate(steps):
        yield Cue(words=_turn_words(step), bench=bench, trail=before.trail, turned=number)
        yield from clock.held(_moment_at(before, float(spoke_angles_deg[step.spoke - 1])), STEP_S)
    cells = np.arange(CELLS)
    known = np.isfinite(before.trail.now_mm)
    before_mm = np.interp(cells, cells[known], before.trail.now_mm[known], period=CELLS)
    then = Bench(before_mm=before_mm)
    # Known beforehand, so that the dashes stand still.
    then = replace(then, shift_mm=mean_shift_mm(then, after.trail))
    yield Cue(
        words="Check: measure again, once round; the dashes are the gap before.", bench=then, trail=no_trail()
    )
    yield from clock.timed(after.moments)
    words = f"Check: {before.total_mm:.2f} mm between the worst places has become {after.total_mm:.2f} mm."
    yield Cue(words=words, trail=after.trail)
    yield from clock.held(after.moments[-1], HOLD_S)


def _turn_words(step: Step) -> str:
    """Say what a nipple turn does: each spoke pulls the rim toward its own flange and toward the axle."""
    if step.turns > 0:
        return f"Turn: bit by bit. Tightening a {step.flange} spoke pulls the rim {step.flange} and inward."
    away = "left" if step.flange == "right" else "right"
    return f"Turn: bit by bit. Loosening a {step.flange} spoke lets the rim go {away} and outward."


class _Clock:
    """Lays stretches of frames one after another in time."""

    def __init__(self) -> None:
        self._now_s, self._index = 0.0, 0

    def timed(self, moments: tuple[Moment, ...]) -> Iterator[Moment]:
        """Give frames at their own pace, and hold the last one a while."""
        start_s = self._now_s + 1.0 / 30.0 - moments[0].time_s
        for moment in moments:
            yield self._next(moment, start_s + moment.time_s)
        yield from self.held(moments[-1], HOLD_S)

    def held(self, moment: Moment, hold_s: float) -> Iterator[Moment]:
        """Give a frame for so long."""
        yield self._next(moment, self._now_s + 0.1)
        yield self._next(moment, self._now_s + hold_s)

    def _next(self, moment: Moment, time_s: float) -> Moment:
        self._now_s, self._index = time_s, self._index + 1
        return replace(moment, time_s=time_s, index=self._index)


def _moment_at(seen: Pass, angle_deg: float) -> Moment:
    """Find the frame nearest to a place of the wheel."""
    off = [abs(shortest_deg(moment.angle_deg - angle_deg)) for moment in seen.moments]
    return seen.moments[int(np.nanargmin(off))]
