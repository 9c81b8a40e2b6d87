"""The one base error and its children, named for the trouble.

A message says what is wrong, where, and what to try, in one sentence that a mechanic understands.
The numbers behind it are attributes, so that a caller need not parse words.
"""

import os
import re

_LOGIN = re.compile(r"^(?![a-z]:[/\\])((?:[a-z]+:)?/{2,}|[a-z]+:/(?!/))?.*:.*@", re.IGNORECASE)
"""What stands before the host of an address, also of a mistyped one; the colon behind a drive's letter makes none."""
_WORDS = re.compile(r"[^:/?@]* [^:/?@]*:[^@]*/")
"""A folder of several words, a time of day among them, say: neither a kind of address nor a user's name holds a space."""


def without_login(name: object) -> str:
    """Name as it may be shown where it may be a mistyped address: without user, password and what follows a question mark.

    What stands on the disk, or plainly names a file, is shown whole.
    """
    shown = str(name)
    before, asked, _ = shown.partition("?")
    if os.path.exists(shown) or os.path.isfile(before):
        return shown
    login = None if _is_no_address(shown) else _LOGIN.match(shown)
    if login is None:
        return f"{before}?…" if asked else shown
    scheme = login[1] or ""
    # A question mark in a password, or an @ in a key: nobody can tell where the host stands.
    if "?" in login[0]:
        return f"{scheme}…"
    rest, asked, _ = shown[login.end() :].partition("?")
    return f"{scheme}{rest}?…" if asked else f"{scheme}{rest}"


def _is_no_address(name: str) -> bool:
    """Whether it plainly names a file: by its words, or its folder is there, which isn't the root that an address may begin with."""
    folder = os.path.dirname(name)
    return bool(_WORDS.match(name.strip())) or (bool(folder.strip("/\\")) and os.path.isdir(folder))


class RimgaugeError(Exception):
    """Base of every error that rimgauge raises on purpose; its text is shown to the person as it is."""

    exit_code = 1


class BadInput(RimgaugeError):
    """A file, folder, option or value that can't be used: what it is, what is wrong with it, what to do."""

    exit_code = 2


class BadFile(RimgaugeError):
    """A file that can't be read, written or understood.

    Attributes
    ----------
    path : the file or folder in question.
    """

    def __init__(self, path: object, trouble: str) -> None:
        self.path = str(path)
        super().__init__(f"{without_login(path)}: {trouble}")


class FrameTrouble(RimgaugeError):
    """The source of frames gives none, or one that can't be used.

    Attributes
    ----------
    source : the folder, video, camera or address in question.
    trouble : what is wrong with it.
    """

    def __init__(self, source: object, trouble: str) -> None:
        self.source, self.trouble = str(source), trouble
        super().__init__(f"{without_login(source)}: {trouble}")


class PointerNotSeen(RimgaugeError):
    """No pointer was found where the view says it is."""


class RimNotSeen(RimgaugeError):
    """No rim edge was found where the view says it is."""


class MarkNotSeen(RimgaugeError):
    """The mark at the valve never passed through its box."""


class TooFewRevolutions(RimgaugeError):
    """The wheel turned less than once, or not at all.

    Attributes
    ----------
    revolutions : how far the wheel turned, as far as could be seen.
    """

    def __init__(self, revolutions: float, trouble: str) -> None:
        self.revolutions = revolutions
        super().__init__(trouble)


class PlaceLost(RimgaugeError):
    """The angle of the wheel can't be told well enough to number the spokes."""


class SpokesMiscounted(PlaceLost):
    """Another number of spokes than the wheel's explains the frames far better."""


class ScaleMissing(RimgaugeError):
    """Pixels can't be turned into millimetres, or the two ways to do so disagree."""


class NotTrustworthy(RimgaugeError):
    """A measurement was made but can't be trusted; the reason and the remedy are in the message."""
