"""What the keys are called on the picture, and what its foot says of how things stand."""

from __future__ import annotations

from typing import NamedTuple

from rimgauge.live.screen import Controls

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


def foot_of(controls: Controls, *, lesson: bool, planned: bool, notice: str = "") -> Foot:
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
