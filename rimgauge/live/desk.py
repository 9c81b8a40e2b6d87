"""What lies before the person: the frame that is shown, what was seen of the wheel, and what the keys have done."""

from __future__ import annotations

import itertools
import math
import time
from dataclasses import replace
from pathlib import Path
from typing import Protocol

import cv2

from rimgauge.errors import BadFile
from rimgauge.live.bench import Bench, Cue, Showing, mean_shift_mm
from rimgauge.live.ink import Image
from rimgauge.live.screen import Controls, Foot, all_keys, foot_of, pressed
from rimgauge.live.trail import Trail, no_trail, seen_round
from rimgauge.records import FloatArray, Moment

NOTICE_S = 2.0
"""So long the picture says what a key has done."""
SLOW = 4.0
"""So many times slower is a slow replay."""


class Draw(Protocol):
    """Draws one frame of the view."""

    def __call__(self, showing: Showing) -> Image:
        """Return the picture."""


class Desk:
    """The last frame shown, the trail, the gaps as of each nipple turn, and what there is to say."""

    def __init__(self, draw: Draw, bench: Bench, save_to: Path, *, keys: bool, live: bool) -> None:
        self._draw, self._bench, self._save_to = draw, bench, save_to
        self._keys, self._live = keys, live
        self.trail, self._words = no_trail(), ""
        self.saved: list[Path] = []
        self._shown: tuple[Moment, Trail] | None = None
        self._since: list[tuple[FloatArray, str]] = []
        self._shift_mm = bench.shift_mm
        self._notice, self._notice_ends_s = "", -math.inf
        self._drawn: tuple[Controls, Foot, Image] | None = None

    def take(self, cue: Cue) -> None:
        """Go on to the next part of a lesson."""
        self._words, self._since, self._drawn = cue.words, [], None
        if cue.bench is not None:
            self._bench, self._shift_mm = cue.bench, cue.bench.shift_mm
        self.trail = self.trail if cue.trail is None else cue.trail

    def show(self, moment: Moment) -> None:
        """Take a frame as the one that is shown."""
        self._shown = (moment, self.trail)
        self._drawn = None
        if not seen_round(self.trail):
            return
        if self._bench.steps and not self._words and not self._since:
            # The first step of a plan is told against the wheel as it was before anything was turned.
            self._since = [(self.trail.now_mm, "since the whole wheel was first seen")]
        if self._shift_mm is None:
            self._shift_mm = mean_shift_mm(self._bench, self.trail)

    def press(self, controls: Controls, key: int) -> Controls:
        """Return what holds after a key, do what it asks, and say what can't be seen of it."""
        now = pressed(controls, key)
        letter = chr(key).lower() if 0 <= key < 128 else ""
        if letter in ("n", "u"):
            now = self._count(controls, now)
        elif letter == "s":
            now = replace(now, save=False)
            self._save(controls)
        elif letter == "b" and self._bench.before_mm is None:
            self._say("No measurement before to draw")
        elif letter == "r":
            self._say(self._pace_words(slow=now.slow))
        elif now is controls and letter.isalnum():
            self._say(f"{letter} is no key here; h shows them all")
        return now

    def notice_changed(self, controls: Controls) -> bool:
        """Tell whether the picture says something else by now than when it was drawn."""
        return self._drawn is not None and self._drawn[1] != self._foot(controls)

    def picture(self, controls: Controls) -> Image:
        """Draw what is shown; a picture once drawn serves window and recording."""
        foot = self._foot(controls)
        if self._drawn is not None and self._drawn[1] == foot and same_picture(self._drawn[0], controls):
            return self._drawn[2]
        assert self._shown is not None
        moment, trail = self._shown
        since_mm, since = self._since[-1] if self._since else (None, "")
        showing = Showing(
            moment=moment,
            trail=trail,
            controls=controls,
            bench=self._bench,
            foot=foot,
            words=self._words,
            since_mm=since_mm,
            since=since,
            shift_mm=self._shift_mm or 0.0,
            keys=all_keys(
                lesson=bool(self._words),
                planned=bool(self._bench.steps),
                before=self._bench.before_mm is not None,
                live=self._live,
            ),
        )
        self._drawn = (controls, foot, self._draw(showing))
        return self._drawn[2]

    def _foot(self, controls: Controls) -> Foot:
        if not self._keys:
            return Foot()
        notice = self._notice if time.monotonic() < self._notice_ends_s else ""
        return foot_of(controls, lesson=bool(self._words), planned=bool(self._bench.steps), notice=notice)

    def _say(self, words: str) -> None:
        self._notice, self._notice_ends_s = words, time.monotonic() + NOTICE_S

    def _count(self, before: Controls, now: Controls) -> Controls:
        """Note a nipple turn, or take the last one back: changes are told against the gaps as they were then."""
        steps = self._bench.steps
        self._drawn = None
        if self._words:
            self._say("The lesson counts by itself")
            return before
        if now.turned > before.turned:
            if steps and before.turned >= len(steps):
                self._say("All nipples of the plan are noted")
                return before
            self._since.append((self.trail.now_mm, self._noted(before.turned)))
        elif now.turned < before.turned:
            self._since.pop()
            self._say(f"Taken back: spoke {steps[now.turned].spoke} is next" if steps else "Taken back")
        else:
            self._say("No nipple turn is noted")
        return now

    def _noted(self, turned: int) -> str:
        """Say which nipple is noted as turned, and where the pointer stands meanwhile; return from when on."""
        if not self._bench.steps:
            self._say("Changes count from here; u takes it back")
            return f"since nipple turn {turned + 1}"
        spoke = self._bench.steps[turned].spoke
        at = None if self._shown is None else self._shown[0].spoke
        elsewhere = "" if at in (spoke, None) else f", though spoke {at} is at the pointer"
        self._say(f"Noted: spoke {spoke} is turned{elsewhere}; u takes it back")
        return f"since spoke {spoke} was turned"

    def _pace_words(self, *, slow: bool) -> str:
        if self._live:
            return "A camera can't be shown slowly"
        return f"{SLOW:g} times slower; r as it was" if slow else "As fast as it was"

    def _save(self, controls: Controls) -> None:
        """Save the picture under the next free name."""
        numbers = (self._save_to / f"shown-{number:02d}.png" for number in itertools.count(1))
        path = next(place for place in numbers if not place.exists())
        good, data = cv2.imencode(".png", self.picture(controls))
        try:
            path.write_bytes(data.tobytes() if good else b"")
        except OSError as trouble:
            path.unlink(missing_ok=True)
            raise BadFile(path, f"this picture can't be saved ({trouble.strerror})") from None
        self.saved.append(path)
        self._say(f"Saved as {path.name}")


def same_picture(one: Controls, other: Controls) -> bool:
    """Tell whether two settings give the same picture of the same frame."""
    names = ("dark", "shape", "before", "turned", "keys")
    return all(getattr(one, name) == getattr(other, name) for name in names)
