"""What the keys are called on the picture, and what its foot says of how things stand."""

from __future__ import annotations

from typing import NamedTuple

from rimgauge.live.screen import Controls

KEYS = (
    ("q", "quit"),
    ("space", "freeze, and go on"),
    ("f", "full screen"),
    ("d", "dark or light"),
    ("w", "wheel or camera"),
    ("b", "curve before: show or hide"),
    ("n", "nipple turned: the next"),
    ("u", "take that back"),
    ("r", "slowly, or as it was"),
    ("s", "save the picture"),
    ("h", "hide these keys"),
)
WATCHING = "q quit   space freeze   f full screen   w wheel/camera   h all keys"
AT_WORK = "q quit   space freeze   f full screen   w wheel/camera   n nipple turned   h all keys"
IN_LESSON = "q quit   space freeze   f full screen   r slow   w wheel/camera   h all keys"


class Foot(NamedTuple):
    """The picture's last row: how things stand, in large letters, and the keys that matter now."""

    state: str = ""
    keys: str = ""


def foot_of(controls: Controls, *, lesson: bool, planned: bool, notice: str = "") -> Foot:
    """Say how things stand; planned: there are nipples to turn; notice: what a key has just done."""
    if notice:
        return Foot(state=notice)
    if controls.halted == "end":
        what = "lesson" if lesson else "film"
        return Foot(state=f"The {what} has ended; q closes", keys="h all keys")
    if controls.halted == "step":
        return Foot(state="space goes on", keys="q quit   f full screen   h all keys")
    if controls.frozen:
        return Foot(state="FROZEN", keys="space goes on   q quit   h all keys")
    if lesson:
        return Foot(keys=IN_LESSON)
    return Foot(keys=AT_WORK if planned else WATCHING)
