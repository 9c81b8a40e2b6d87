"""The loop of the live view: frames in, window and recording out."""

from __future__ import annotations

import contextlib
import itertools
import math
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Protocol

import cv2

from rimgauge.errors import BadFile
from rimgauge.live.bench import Bench, Cue, Showing
from rimgauge.live.ink import Image
from rimgauge.live.projector import FROZEN, KEYS
from rimgauge.live.recording import Recording
from rimgauge.live.screen import Controls, Screen, pressed
from rimgauge.live.trail import Trail, covered, extend, no_trail
from rimgauge.records import FloatArray, Moment, record

DRAWN_PER_S = 30.0
SEEN_FOR_SINCE = 0.98
SLOW = 4.0
"""So many times slower is a slow replay."""


class Draw(Protocol):
    """Draws one frame of the view."""

    def __call__(self, showing: Showing) -> Image:
        """Return the picture."""


@record
class Shown:
    """How many frames were seen, how many pictures were recorded, and what was seen of the wheel."""

    seen: int
    recorded: int
    trail: Trail


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
) -> Shown:
    """Show frames until they end or the person quits.

    Parameters
    ----------
    moments : iterable of Moment or Cue
        Frames and what they say, in the order of time. At the cues of a lesson the window waits for a key.
    draw : Draw
        Makes the picture.
    bench : Bench or None
        The plan's steps and the measurement before.
    window : bool
        Show a window, with the keys that the picture names.
    record_to : Path or None
        The video to write, .mp4 or .avi.
    save_to : Path or None
        Folder for the pictures that the key s saves; the present one where None.
    live : bool
        The source goes on by itself: frames are shown as they come, and go on behind a frozen picture.
        Otherwise they are shown at the pace at which they were taken, and freezing stops them.
    hold : bool
        Keep the last picture in the window until the person quits or unfreezes it.
    dark : bool
        Start with light letters on dark.
    stopped : callable
        Asked whether to end, also while a frozen picture waits.

    Returns
    -------
    Shown
        What was done.

    Raises
    ------
    RimgaugeError
        There is no screen, or the video or a picture can't be written.

    """
    desk = _Desk(draw, bench or Bench(), save_to or Path(), keys=window)
    with contextlib.ExitStack() as things:
        recording = things.enter_context(Recording(record_to, fps=DRAWN_PER_S)) if record_to else None
        screen = things.enter_context(Screen()) if window else None
        course = _Course(desk, screen, recording, Controls(dark=dark), live=live, stopped=stopped)
        for moment in moments:
            if isinstance(moment, Cue):
                course.wait_at(moment)
            else:
                course.go_on(moment)
            if course.controls.quit or stopped():
                break
        if hold and not course.controls.quit:
            course.wait()
    return Shown(seen=course.seen, recorded=recording.frames if recording else 0, trail=desk.trail)


class _Course:
    """Frames as they pass: which are drawn, when the next is due, and what the person has set meanwhile."""

    def __init__(
        self,
        desk: _Desk,
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

    def wait(self) -> None:
        """Keep what is shown until the person goes on or quits."""
        if self._screen is not None and self.seen:
            still = replace(self.controls, frozen=True)
            self.controls = _attend(
                self._screen, self._desk, still, due_s=0.0, live=False, stopped=self._stopped
            )

    def wait_at(self, cue: Cue) -> None:
        """Wait at a cue of a lesson, then set the desk for what comes."""
        self.wait()
        self._desk.take(cue)
        self.controls = replace(self.controls, frozen=False, shape=cue.shape, turned=cue.turned)

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


class _Desk:
    """What lies before the person: the last frame shown, the trail, and the gaps as of the last nipple turn."""

    def __init__(self, draw: Draw, bench: Bench, save_to: Path, *, keys: bool) -> None:
        self._draw, self._bench, self._save_to, self._keys = draw, bench, save_to, keys
        self.trail, self._words = no_trail(), ""
        self._shown: tuple[Moment, Trail] | None = None
        self._since_mm: FloatArray | None = None
        self._drawn: tuple[Controls, Image] | None = None

    def take(self, cue: Cue) -> None:
        """Go on to the next part of a lesson."""
        self._words, self._since_mm = cue.words, None
        self._bench = self._bench if cue.bench is None else cue.bench
        self.trail = self.trail if cue.trail is None else cue.trail

    def show(self, moment: Moment) -> None:
        """Take a frame as the one that is shown."""
        self._shown = (moment, self.trail)
        self._drawn = None

    def turned(self) -> None:
        """Note that a nipple was turned: from here on, changes are told against the gaps as they are now."""
        self._since_mm = self.trail.now_mm
        self._drawn = None

    def picture(self, controls: Controls) -> Image:
        """Draw what is shown; a picture once drawn serves window and recording."""
        if self._drawn is not None and same_picture(self._drawn[0], controls):
            return self._drawn[1]
        assert self._shown is not None
        moment, trail = self._shown
        since_mm = self._since_mm
        if since_mm is None and not self._words and self._bench.steps and covered(trail) > SEEN_FOR_SINCE:
            # The first step of a plan is told against the wheel as it was before anything was turned.
            since_mm = self._since_mm = trail.now_mm
        note = (FROZEN if controls.frozen else KEYS) if self._keys else ""
        showing = Showing(
            moment=moment,
            trail=trail,
            controls=controls,
            bench=self._bench,
            note=note,
            words=self._words,
            since_mm=since_mm,
        )
        self._drawn = (controls, self._draw(showing))
        return self._drawn[1]

    def save(self, controls: Controls) -> None:
        """Save the picture under the next free name."""
        numbers = (self._save_to / f"shown-{number:02d}.png" for number in itertools.count(1))
        path = next(place for place in numbers if not place.exists())
        good, data = cv2.imencode(".png", self.picture(controls))
        try:
            path.write_bytes(data.tobytes() if good else b"")
        except OSError as trouble:
            raise BadFile(path, f"this picture can't be saved ({trouble.strerror})") from None


def same_picture(one: Controls, other: Controls) -> bool:
    """Tell whether two settings give the same picture of the same frame."""
    names = ("frozen", "dark", "shape", "before", "turned")
    return all(getattr(one, name) == getattr(other, name) for name in names)


def _due(last_due_s: float, since_s: float) -> float:
    """Return when the next picture is due, without catching up what was missed."""
    now = time.monotonic()
    due = last_due_s + (since_s if math.isfinite(since_s) else 0.0)
    return due if now - 0.25 <= due <= now + 2.0 else now


def _attend(
    screen: Screen, desk: _Desk, controls: Controls, *, due_s: float, live: bool, stopped: Callable[[], bool]
) -> Controls:
    """Show the picture and take keys until the next is due; a frozen picture that isn't live stays."""
    if not controls.frozen:
        screen.show(desk.picture(controls), full=controls.full)
    while True:
        key = screen.key(min(max(due_s - time.monotonic(), 0.0), 0.05))
        if key >= 0:
            now = pressed(controls, key)
            if now.turned != controls.turned:
                desk.turned()
            if now.save:
                desk.save(controls)
                now = replace(now, save=False)
            controls = now
            screen.show(desk.picture(controls), full=controls.full)
        waits = controls.frozen and not live
        if controls.quit or stopped() or (not waits and time.monotonic() >= due_s):
            return controls
