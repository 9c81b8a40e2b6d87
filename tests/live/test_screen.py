"""The window on a screen, and what is said where there is none."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from rimgauge.errors import RimgaugeError
from rimgauge.live import screen as screen_room
from rimgauge.live.screen import Controls, Screen, check_display, fitted, fitting, pressed


@pytest.mark.parametrize(("gui", "words"), [("QT5", "DISPLAY"), ("NONE", "made without windows")])
def test_an_older_opencv_tells_its_windows_by_its_build(monkeypatch, gui, words):
    monkeypatch.delattr(cv2, "currentUIFramework", raising=False)
    monkeypatch.setattr(cv2, "getBuildInformation", lambda: f"  GUI:                           {gui}\n")
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("DISPLAY", "")
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    with pytest.raises(RimgaugeError, match=words):
        check_display()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux names its screens")
@pytest.mark.parametrize("display", ["", ":4711"])
def test_without_a_screen_one_sentence_says_what_to_do(monkeypatch, display):
    monkeypatch.setenv("DISPLAY", display)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    with pytest.raises(RimgaugeError, match="--no-window"):
        check_display()


SHOWN_AND_SEEN = """
import sys
import time
from pathlib import Path
import numpy as np
sys.path.insert(0, sys.argv[1])
from conftest import SPOKES_DEG, turning
from rimgauge.live import draw_projector, run_window

width, height, dark = int(sys.argv[2]), int(sys.argv[3]), sys.argv[4] == "dark"
drawn, alike = [], []

def draw(showing):  # the same picture throughout: the screen may lag behind
    if not drawn:
        drawn.append(draw_projector(showing, spoke_angles_deg=SPOKES_DEG, size=(width, height)))
    return drawn[0]

def compare():
    data = Path(sys.argv[5], "Xvfb_screen0").read_bytes()
    head = np.frombuffer(data, ">u4", 25)  # the X window dump's header; colours follow it, then the pixels
    screen = np.frombuffer(data, np.uint8, offset=int(head[0] + 12 * head[19]), count=int(head[12] * head[5]))
    screen = screen.reshape(head[5], -1, 4)[:height, :width, :3]
    alike.append((screen == drawn[0]).all(axis=2).mean())
    # The mouse's arrow lies on some pixels, and nothing else does. A busy machine lays a window out in its own time.
    return alike[-1] > 0.999 or time.monotonic() > end_s

end_s = time.monotonic() + 240
run_window(turning(100_000), draw, dark=dark, stopped=compare)
print(max(alike))
"""


@pytest.mark.skipif(shutil.which("Xvfb") is None, reason="Xvfb is not installed")
@pytest.mark.parametrize(("width", "height", "ground"), [(1280, 720, "dark"), (1920, 1080, "light")])
def test_the_window_shows_on_the_screen_what_was_drawn(tmp_path, width, height, ground):
    screen = f"{width}x{round(height / 0.85)}x24"  # higher than the picture: there are titles and bars
    read, write = os.pipe()
    server = subprocess.Popen(
        # Without -noreset it starts anew when its only client leaves, and meanwhile takes no other.
        ["Xvfb", "-noreset", "-displayfd", str(write), "-screen", "0", screen, "-fbdir", str(tmp_path)],
        pass_fds=[write],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        os.close(write)
        display = ":" + os.read(read, 16).decode().strip()
        words = [str(Path(__file__).parent), str(width), str(height), ground, str(tmp_path)]
        done = subprocess.run(
            [sys.executable, "-c", SHOWN_AND_SEEN, *words],
            env={**os.environ, "DISPLAY": display},
            capture_output=True,
            text=True,
            timeout=300,
            check=True,
        )
    finally:
        os.close(read)
        server.terminate()
        server.wait()
    assert float(done.stdout.split()[-1]) > 0.999


@pytest.mark.parametrize(
    ("screen", "window"), [((1280, 720), (1152, 648)), ((1920, 1080), (1280, 720)), (None, (1280, 720))]
)
def test_the_window_leaves_room_for_its_title(screen, window):
    assert fitting((1280, 720), screen) == window


@pytest.mark.parametrize(
    ("window", "size"),
    [
        ((1280, 720), (720, 1280)),
        ((640, 400), (360, 640)),
        ((1920, 1200), (1080, 1920)),
        ((1, 1), (720, 1280)),
    ],
)
def test_a_picture_is_fitted_to_its_window_once_that_is_laid_out(window, size):
    assert fitted(np.zeros((720, 1280, 3), np.uint8), window).shape[:2] == size


def test_a_still_picture_is_fitted_again_when_its_window_has_changed(monkeypatch):
    windows, shown = [(0, 0, 1152, 648)], []
    monkeypatch.setattr(screen_room, "check_display", lambda: None)
    monkeypatch.setattr(screen_room, "screen_size", lambda: None)
    monkeypatch.setattr(cv2, "resizeWindow", lambda *_: None)
    monkeypatch.setattr(cv2, "getWindowImageRect", lambda _: windows[-1])
    monkeypatch.setattr(cv2, "getWindowProperty", lambda *_: 1.0)
    monkeypatch.setattr(cv2, "waitKeyEx", lambda _: -1)
    monkeypatch.setattr(cv2, "imshow", lambda _, picture: shown.append(picture.shape[:2]))
    screen = Screen()
    screen.show(np.zeros((720, 1280, 3), np.uint8), full=False)
    for window in ((0, 0, 1152, 648), (0, 0, 1920, 1080), (0, 0, 1920, 1080)):
        windows.append(window)
        screen.key(0.01)
    assert shown == [(648, 1152), (1080, 1920)]


# X11: keysymdef.h of the X Window System; Windows: virtual-key codes, which OpenCV shifts by 16 bits;
# macOS: NSEvent's function keys. GTK adds the state of the keyboard above the lowest 16 bits.
ARROWS_AND_THE_LIKE = {
    "X11 left": 0xFF51,
    "X11 up": 0xFF52,
    "X11 right": 0xFF53,
    "X11 page up": 0xFF55,
    "X11 page down": 0xFF56,
    "X11 shift": 0xFFE1,
    "X11 F5": 0xFFC2,
    "GTK left, number lock": 0x10FF51,
    "Windows left": 0x250000,
    "Windows down": 0x280000,
    "macOS left": 0xF702,
    "none": -1,
}


@pytest.mark.parametrize("code", ARROWS_AND_THE_LIKE.values(), ids=ARROWS_AND_THE_LIKE)
def test_a_key_that_types_nothing_does_nothing(monkeypatch, code):
    start = Controls()
    assert pressed(start, key_of(monkeypatch, code)) is start


@pytest.mark.parametrize(
    ("code", "key"),
    [(0x71, "q"), (0x51, "Q"), (0x10_0071, "q"), (0x20, " "), (0x1B, "\x1b"), (0xFF1B, "\x1b")],
)
def test_a_letter_is_taken_for_itself_however_the_system_numbers_it(monkeypatch, code, key):
    assert key_of(monkeypatch, code) == ord(key)


def key_of(monkeypatch, code):
    """What the screen makes of a code of the window system."""
    monkeypatch.setattr(cv2, "waitKey", lambda _: code if code < 0 else code & 0xFF)
    monkeypatch.setattr(cv2, "waitKeyEx", lambda _: code)
    monkeypatch.setattr(cv2, "getWindowProperty", lambda *_: 1.0)
    monkeypatch.setattr(screen_room, "check_display", lambda: None)
    return Screen().key(0.01)
