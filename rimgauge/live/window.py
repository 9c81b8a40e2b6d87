"""The loop of the live view: frames in, window and recording out."""

from __future__ import annotations

import contextlib
import functools
import math
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import replace
from pathlib import Path
from typing import Literal

from rimgauge.live.bench import Bench, Cue
from rimgauge.live.desk import SLOW, Desk, Draw
from rimgauge.live.ink import Image
from rimgauge.live.recording import Recording
from rimgauge.live.screen import Controls, Screen, pressed
from rimgauge.live.trail import Trail, extend
from rimgauge.records import Moment, record

DRAWN_PER_S = 30.0
WAITING_S = 0.02
"""Between two looks for a key while the picture waits."""
LATE_S = 1.0
"""A camera from which no picture comes for so long is said to send none."""


@record
class Shown:
    """Frames seen, pictures recorded, what was seen of the wheel, and the pictures that were saved."""

    seen: int
    recorded: int
    trail: Trail
    saved: tuple[Path, ...]


def run_window(
    moments: Iterable[Moment | Cue],
    draw: Draw,
    *,
    bench: Bench | None = None,
    window: bool = True,
    record_to: Path | None = None,
    save_to: Path | None = None,
    live: bool = False,
    hold: bool = False,
    dark: bool = True,
    stopped: Callable[[], bool] = lambda: False,
    preparing: Image | None = None,
) -> Shown:
    """Show frames until they end or the person quits; refuse where there is no screen, or a file can't be written.

    Parameters
    ----------
    moments : frames and what they say, in the order of time; at the cues of a lesson the window waits for a key.
    draw, bench : what makes the picture, and the work at hand that it shows.
    window : show a window, with the keys that the picture names.
    record_to, save_to : the video to write (.mp4 or .avi), and the folder for pictures saved, the present one if None.
    live : frames are shown as they come, and go on behind a frozen picture; others at the pace at which they were
        taken, and freezing stops them.
    hold : keep the last picture in the window until the person quits.
    dark : start with light letters on dark.
    stopped : asked whether to end, also while a frozen picture waits.
    preparing : (h, w, 3), what the window shows while the first of the moments is made.

    """
    desk = Desk(draw, bench or Bench(), save_to or Path(), keys=window, live=live)
    with contextlib.ExitStack() as things:
        recording = things.enter_context(Recording(record_to, fps=DRAWN_PER_S)) if record_to else None
        screen = things.enter_context(Screen()) if window else None
        course = _Course(desk, screen, recording, Controls(dark=dark), live=live, stopped=stopped)
        aside = preparing is not None or (live and window)
        bridge = functools.partial(course.bridge, meanwhile=preparing)
        for moment in _made_aside(moments, bridge, live=live) if aside else moments:
            if isinstance(moment, Cue):
                course.wait_at(moment)
            else:
                course.go_on(moment)
            if course.controls.quit or stopped():
                break
        if hold and not course.controls.quit:
            course.wait("end")
    recorded = recording.frames if recording else 0
    return Shown(seen=course.seen, recorded=recorded, trail=desk.trail, saved=tuple(desk.saved))


def _made_aside(
    moments: Iterable[Moment | Cue], bridge: Callable[[Future[Moment | Cue | None]], None], *, live: bool
) -> Iterator[Moment | Cue]:
    """Give the moments; the first, and of live ones each, is made in a thread while bridge heeds the person."""
    stream = iter(moments)
    aside = ThreadPoolExecutor(1, "see frames")
    try:
        while True:
            coming = aside.submit(next, stream, None)
            bridge(coming)
            moment = coming.result() if coming.done() else None
            if moment is None:
                return
            yield moment
            if not live:
                break
        yield from stream
    finally:
        aside.shutdown(wait=False)  # who quits meanwhile sees the window close at once


class _Course:
    """Frames as they pass: which are drawn, when the next is due, and what the person has set meanwhile."""

    def __init__(
        self,
        desk: Desk,
        screen: Screen | None,
        recording: Recording | None,
        controls: Controls,
        *,
        live: bool,
        stopped: Callable[[], bool],
    ) -> None:
        self._desk, self._screen, self._recording = desk, screen, recording
        self._live, self._stopped = live, stopped
        self.controls, self.seen = controls, 0
        self._drawn_s, self._due_s = -math.inf, 0.0

    def wait(self, why: Literal["step", "end"]) -> None:
        """Keep what is shown until the person goes on to the next step, or quits."""
        if self._screen is not None and self.seen:
            still = replace(self.controls, halted=why, frozen=False)
            self.controls = _attend(
                self._screen, self._desk, still, due_s=0.0, live=False, stopped=self._stopped
            )

    def bridge(self, coming: Future[Moment | Cue | None], *, meanwhile: Image | None) -> None:
        """Heed the person until the next moment is there; show `meanwhile` before the first, later say what is amiss."""
        screen, desk = self._screen, self._desk
        if wait([coming], timeout=0.0 if meanwhile is not None and not self.seen else LATE_S).done:
            return
        if self.seen and screen is not None:
            late = replace(self.controls, halted="late")
            done = _attend(
                screen, desk, late, due_s=0.0, live=True, stopped=lambda: self._stopped() or coming.done()
            )
            self.controls = replace(done, halted="")
            return
        while not (coming.done() or self._stopped() or self.controls.quit):
            if screen is None:
                wait([coming], timeout=WAITING_S)
                continue
            if meanwhile is not None:
                screen.show(meanwhile, full=False)
            self.controls = replace(self.controls, quit=pressed(Controls(), screen.key(WAITING_S)).quit)

    def wait_at(self, cue: Cue) -> None:
        """Wait at a cue of a lesson, then set the desk for what comes."""
        self.wait("step")
        self._desk.take(cue)
        self.controls = replace(self.controls, shape=cue.shape, turned=cue.turned)

    def go_on(self, moment: Moment) -> None:
        """Take a frame; where it is time for a picture, draw it, record it and take keys until the next is due."""
        self.seen += 1
        desk = self._desk
        desk.trail = extend(desk.trail, moment)
        since_s = moment.time_s - self._drawn_s
        if 0 <= since_s < 0.9 / DRAWN_PER_S:
            return
        self._drawn_s = moment.time_s
        if not self.controls.frozen:
            desk.show(moment)
        if self._recording is not None:
            self._recording.add(desk.picture(self.controls), moment.time_s)
        if self._screen is not None:
            wanted_s = 0.0 if self._live else since_s * (SLOW if self.controls.slow else 1.0)
            self._due_s = _due(self._due_s, wanted_s)
            self.controls = _attend(
                self._screen,
                desk,
                self.controls,
                due_s=self._due_s,
                live=self._live,
                stopped=self._stopped,
            )


def _due(last_due_s: float, since_s: float) -> float:
    """Return when the next picture is due, without catching up what was missed."""
    now = time.monotonic()
    due = last_due_s + (since_s if math.isfinite(since_s) else 0.0)
    return due if now - 0.25 <= due <= now + 2.0 else now


def _attend(
    screen: Screen, desk: Desk, controls: Controls, *, due_s: float, live: bool, stopped: Callable[[], bool]
) -> Controls:
    """Show the picture and take keys until the next is due; a frozen picture that isn't live stays."""
    if not controls.frozen:
        screen.show(desk.picture(controls), full=controls.full)
    while True:
        waits = bool(controls.halted) or (controls.frozen and not live)
        key = screen.key(WAITING_S if waits else min(max(due_s - time.monotonic(), 0.0), 0.05))
        if key >= 0:
            controls = desk.press(controls, key)
        # A window that was closed counts as q, and must not be opened again.
        if not controls.quit and (key >= 0 or desk.notice_changed(controls)):
            screen.show(desk.picture(controls), full=controls.full)
        waits = bool(controls.halted) or (controls.frozen and not live)
        if controls.quit or stopped() or (not waits and time.monotonic() >= due_s):
            return controls
