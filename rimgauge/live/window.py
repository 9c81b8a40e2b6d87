"""The loop of the live view: frames in, window and recording out."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Protocol

from rimgauge.live.ink import Image
from rimgauge.live.projector import FROZEN, KEYS
from rimgauge.live.recording import Recording
from rimgauge.live.screen import Controls, Screen, pressed
from rimgauge.live.trail import Trail, extend, no_trail
from rimgauge.records import Moment, record

DRAWN_PER_S = 30.0


class Draw(Protocol):
    """Draws one frame of the view."""

    def __call__(self, moment: Moment, trail: Trail, *, dark: bool, note: str) -> Image:
        """Return the picture."""


@record
class Shown:
    """How many frames were seen, how many pictures were recorded, and what was seen of the wheel."""

    seen: int
    recorded: int
    trail: Trail


def run_window(
    moments: Iterable[Moment],
    draw: Draw,
    *,
    window: bool = True,
    record_to: Path | None = None,
    live: bool = False,
    dark: bool = True,
) -> Shown:
    """Show frames until they end or the person quits.

    Parameters
    ----------
    moments : iterable of Moment
        Frames and what they say, in the order of time.
    draw : Draw
        Makes the picture.
    window : bool
        Show a window, with the keys q, space, f and d.
    record_to : Path or None
        The video to write, .mp4 or .avi.
    live : bool
        The source goes on by itself: frames are shown as they come, and go on behind a frozen picture.
        Otherwise they are shown at the pace at which they were taken, and freezing stops them.
    dark : bool
        Start with light letters on dark.

    Returns
    -------
    Shown
        What was done.

    Raises
    ------
    RimgaugeError
        There is no screen, or the video can't be written.

    """
    controls, trail, seen, drawn_s, due_s = Controls(dark=dark), no_trail(), 0, -math.inf, 0.0
    redraw: Callable[[Controls], Image] | None = None
    with contextlib.ExitStack() as things:
        recording = things.enter_context(Recording(record_to, fps=DRAWN_PER_S)) if record_to else None
        screen = things.enter_context(Screen()) if window else None
        for moment in moments:
            seen += 1
            trail = extend(trail, moment)
            since_s = moment.time_s - drawn_s
            if 0 <= since_s < 0.9 / DRAWN_PER_S:
                continue
            drawn_s = moment.time_s
            if redraw is None or not controls.frozen:
                redraw = _drawer(draw, moment, trail, keys=window)
            if recording is not None:
                recording.add(redraw(controls), moment.time_s)
            if screen is not None:
                due_s = _due(due_s, 0.0 if live else since_s)
                controls = _attend(screen, redraw, controls, due_s=due_s, live=live)
            if controls.quit:
                break
    return Shown(seen=seen, recorded=recording.frames if recording else 0, trail=trail)


def _drawer(draw: Draw, moment: Moment, trail: Trail, *, keys: bool) -> Callable[[Controls], Image]:
    """Draw this frame for the controls as they are; a picture once drawn serves window and recording."""
    made: dict[tuple[bool, bool], Image] = {}

    def redraw(controls: Controls) -> Image:
        wanted = (controls.dark, controls.frozen)
        if wanted not in made:
            note = (FROZEN if controls.frozen else KEYS) if keys else ""
            made[wanted] = draw(moment, trail, dark=controls.dark, note=note)
        return made[wanted]

    return redraw


def _due(last_due_s: float, since_s: float) -> float:
    """Return when the next picture is due, without catching up what was missed."""
    now = time.monotonic()
    due = last_due_s + (since_s if math.isfinite(since_s) else 0.0)
    return due if now - 0.25 <= due <= now + 2.0 else now


def _attend(
    screen: Screen, redraw: Callable[[Controls], Image], controls: Controls, *, due_s: float, live: bool
) -> Controls:
    """Show the picture and take keys until the next is due; a frozen picture that isn't live stays."""
    if not controls.frozen:
        screen.show(redraw(controls), full=controls.full)
    while True:
        key = screen.key(min(max(due_s - time.monotonic(), 0.0), 0.05))
        if key >= 0:
            controls = pressed(controls, key)
            screen.show(redraw(controls), full=controls.full)
        waits = controls.frozen and not live
        if controls.quit or (not waits and time.monotonic() >= due_s):
            return controls
