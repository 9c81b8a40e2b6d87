"""OpenCV's window, its keys, and what the picture's foot says of them."""

from __future__ import annotations

import ctypes
import os
import re
import socket
import sys
from dataclasses import replace
from types import TracebackType
from typing import Any, Literal, NamedTuple, Self

import cv2
import numpy as np

from rimgauge.errors import RimgaugeError
from rimgauge.live.ink import Image
from rimgauge.records import record

_TITLE = "rimgauge"
_ESCAPE = 27
_X11_ESCAPE = 0xFF1B
BARS_SHARE = 0.1
"""Of the screen's height, left free for the window's title and the desktop's bars (our choice)."""
SMALLEST_SHARE = 0.2
"""A window smaller than this beside its picture is not yet laid out."""
_HINT = "use --no-window with --record FILE.mp4, or run it on a computer with a desktop"


@record
class Controls:
    """What the person has set with the keys.

    turned: nipple turns noted so far. halted: the picture waits, for the next step of a lesson, because it is the
    last one, or because the camera sends none. keys: the list of keys is shown.
    """

    quit: bool = False
    frozen: bool = False
    full: bool = False
    dark: bool = True
    shape: bool = False
    before: bool = True
    save: bool = False
    slow: bool = False
    turned: int = 0
    halted: Literal["", "step", "end", "late"] = ""
    keys: bool = False


def pressed(controls: Controls, key: int) -> Controls:
    """Return what holds after a key (an ASCII code, or anything else for none)."""
    letter = chr(key).lower() if 0 <= key < 128 else ""
    if letter == "q" or key == _ESCAPE:
        return replace(controls, quit=True)
    if letter == " " and controls.halted in ("step", "end"):
        return controls if controls.halted == "end" else replace(controls, halted="")
    if letter == "n":
        return replace(controls, turned=controls.turned + 1)
    if letter == "u":
        return replace(controls, turned=max(controls.turned - 1, 0))
    if letter == "s":
        return replace(controls, save=True)
    switches = {
        " ": "frozen", "f": "full", "d": "dark", "w": "shape", "b": "before", "r": "slow", "h": "keys"
    }  # fmt: skip
    name = switches.get(letter)
    turned_over: dict[str, Any] = {} if name is None else {name: not getattr(controls, name)}
    return replace(controls, **turned_over) if turned_over else controls


class Screen:
    """A window on the desktop, as a context; closing it counts as the key q.

    Raises
    ------
    RimgaugeError
        There is no screen to show it on.

    """

    def __init__(self) -> None:
        check_display()
        self._full = self._sized = False
        self._picture: Image | None = None
        self._size: tuple[int, ...] = ()

    def __enter__(self) -> Self:
        """Open the window."""
        try:
            cv2.namedWindow(_TITLE, cv2.WINDOW_NORMAL | getattr(cv2, "WINDOW_GUI_NORMAL", 0))
        except cv2.error as trouble:
            raise RimgaugeError(f"no window can be opened here; {_HINT}") from trouble
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the window."""
        cv2.destroyAllWindows()

    def show(self, picture: Image, *, full: bool) -> None:
        """Show a picture, on the full screen if asked."""
        if not self._sized:
            cv2.resizeWindow(_TITLE, *fitting((picture.shape[1], picture.shape[0]), screen_size()))
            self._sized = True
        if full != self._full:
            state = cv2.WINDOW_FULLSCREEN if full else cv2.WINDOW_NORMAL
            cv2.setWindowProperty(_TITLE, cv2.WND_PROP_FULLSCREEN, state)
            self._full = full
        self._picture, self._size = picture, _window_size()
        cv2.imshow(_TITLE, fitted(picture, self._size))

    def key(self, wait_s: float) -> int:
        """Wait for a key at most so long; return its code, that of q if the window was closed, or -1."""
        code = cv2.waitKeyEx(max(1, round(wait_s * 1000)))
        if code < 0 and cv2.getWindowProperty(_TITLE, cv2.WND_PROP_VISIBLE) < 1:
            return ord("q")
        # The full screen comes late, and a still picture would stay coarse.
        if self._picture is not None and self._size != _window_size():
            self.show(self._picture, full=self._full)
        return typed(code)


def _window_size() -> tuple[int, ...]:
    return tuple(cv2.getWindowImageRect(_TITLE)[2:])


def typed(code: int) -> int:
    """Return the ASCII code of a key as the window system numbers it, -1 for keys that type nothing.

    X11 numbers those from 0xFF00 (keysymdef.h), so that the lowest byte of the left arrow alone would be a Q.
    """
    low = code & 0xFFFF if code >= 0 else -1  # above it GTK tells of shift, number lock and the like
    if low == _X11_ESCAPE:
        return _ESCAPE
    return low if 0 < low < 128 else -1


def fitted(picture: Image, window: tuple[int, ...]) -> Image:
    """Fit a picture to a window (width, height) [px]: the window itself would drop or double pixels of the letters."""
    share = min(window[0] / picture.shape[1], window[1] / picture.shape[0])
    if share < SMALLEST_SHARE or share == 1.0:
        return picture
    way = cv2.INTER_AREA if share < 1.0 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(picture, None, fx=share, fy=share, interpolation=way))


def fitting(picture: tuple[int, int], screen: tuple[int, int] | None) -> tuple[int, int]:
    """Size of a window for a picture, both width and height [px]: smaller where it would fill the screen.

    A part of the screen's height is left for the window's title and the desktop's bars.
    """
    if screen is None:
        return picture
    share = min(1.0, screen[0] / picture[0], (1.0 - BARS_SHARE) * screen[1] / picture[1])
    return round(share * picture[0]), round(share * picture[1])


def screen_size() -> tuple[int, int] | None:
    """Width and height of the screen [px], None where that can't be asked; macOS keeps windows on it by itself."""
    try:
        if sys.platform == "win32":
            ask = ctypes.windll.user32.GetSystemMetrics
            return int(ask(0)), int(ask(1))
        if not sys.platform.startswith("linux"):
            return None
        x11 = ctypes.CDLL("libX11.so.6")
    except (OSError, AttributeError):
        return None
    x11.XOpenDisplay.restype = ctypes.c_void_p
    display = x11.XOpenDisplay(None)
    if not display:
        return None
    held = ctypes.c_void_p(display)
    size = int(x11.XDisplayWidth(held, 0)), int(x11.XDisplayHeight(held, 0))
    x11.XCloseDisplay(held)
    return size


def check_display() -> None:
    """Say so in one sentence where no window can be shown: the window library itself would end the program.

    Raises
    ------
    RimgaugeError
        OpenCV has no windows here, or there is no screen.

    """
    framework = _framework()
    if not framework:
        raise RimgaugeError(f"this OpenCV was made without windows; install opencv-python, or {_HINT}")
    if not sys.platform.startswith("linux"):
        return
    display = os.environ.get("DISPLAY", "")
    if not display:
        if os.environ.get("WAYLAND_DISPLAY") and not framework.startswith("QT"):
            return
        raise RimgaugeError(f"there is no screen here to show a window on (DISPLAY is not set); {_HINT}")
    if not _answers(display):
        raise RimgaugeError(f"the screen {display} does not answer; {_HINT}")


def _framework() -> str:
    """Name what OpenCV shows its windows with, '' where it has none; before 4.10 only its build tells."""
    ask = getattr(cv2, "currentUIFramework", None)
    if ask is not None:
        return str(ask())
    found = re.search(r"GUI:\s+(\S+)", cv2.getBuildInformation())
    return "" if found is None or found[1] == "NONE" else found[1]


def _answers(display: str) -> bool:
    """Tell whether a local X server listens; one on another computer is taken at its word."""
    host, _, number = display.rpartition(":")
    if host not in ("", "unix"):
        return True
    place = f"/tmp/.X11-unix/X{number.split('.')[0]}"
    for address in (place, "\0" + place):
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(2)
            try:
                line.connect(address)
            except OSError:
                continue
            return True
    return False


WATCHING = "q quit   space freeze   f full screen   w wheel/camera   h all keys"
AT_WORK = "q quit   space freeze   f full screen   w wheel/camera   n nipple turned   h all keys"
IN_LESSON = "q quit   space freeze   f full screen   r slow   w wheel/camera   h all keys"


def all_keys(*, lesson: bool, planned: bool, before: bool, live: bool) -> tuple[tuple[str, str], ...]:
    """List each key that does something now, and what it does; foot_of says what the rest means.

    before: there is a measurement before. live: the source goes on by itself.
    """
    turned = "nipple turned: the next" if planned else "nipple turned: count anew"
    listed = (
        ("q", "quit", True),
        ("space", "freeze, and go on", True),
        ("f", "full screen", True),
        ("d", "dark or light", True),
        ("w", "wheel or camera", True),
        ("b", "curve before: show or hide", before),
        ("n", turned, not lesson),
        ("u", "take that back", not lesson),
        ("r", "slowly, or as it was", not live),
        ("s", "save the picture", True),
        ("h", "hide these keys", True),
    )
    return tuple((key, does) for key, does, works in listed if works)


class Foot(NamedTuple):
    """The picture's last row: how things stand, in large letters, and the keys that matter now."""

    state: str = ""
    keys: str = ""


def foot_of(controls: Controls, *, lesson: bool, planned: bool, notice: str) -> Foot:
    """Say how things stand; planned: there are nipples to turn; notice: what a key has just done."""
    if notice:
        return Foot(state=notice)
    if controls.halted:
        return _halted(controls.halted, lesson=lesson)
    if controls.frozen:
        return Foot(state="FROZEN", keys="space goes on   q quit   h all keys")
    if lesson:
        return Foot(keys=IN_LESSON)
    return Foot(keys=AT_WORK if planned else WATCHING)


def _halted(why: str, *, lesson: bool) -> Foot:
    """Say why the picture waits, and what goes on from there."""
    return {
        "end": Foot(state=f"The {'lesson' if lesson else 'film'} has ended; q closes", keys="h all keys"),
        "step": Foot(state="space goes on", keys="q quit   f full screen   h all keys"),
        "late": Foot(state="No picture comes from the camera", keys="q quit   h all keys"),
    }[why]
