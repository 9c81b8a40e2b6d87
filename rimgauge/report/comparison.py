"""What the pages of one wheel are made from."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.errors import BadFile
from rimgauge.records import Outcome, Runout, Scale, record

NOMINAL_RIM_DIAMETER_MM = 600.0
"""Diameter that the circle stands for when no wheel file says otherwise."""


@record
class Photo:
    """A picture (h, w, 3) BGR, the bytes of its file, and the words below it."""

    picture: NDArray[np.uint8]
    encoded: bytes
    words: str


def read_photo(path: Path, data: bytes, words: str) -> Photo:
    """Make a photo of a picture file's bytes.

    Raises
    ------
    BadFile
        They are no picture that can be read; `path` is what the complaint names.

    """
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) if data else None
    if picture is None:
        raise BadFile(path, "this is not a picture that can be read; it may be damaged or of another kind")
    return Photo(picture=np.asarray(picture, dtype=np.uint8), encoded=data, words=words)


@record
class Comparison:
    """The measurements of one direction: the newest (after), the first (before) and those in between.

    before: None where there is only one. when: what is known of the time of each, oldest first ("before round 1"),
    '' where nothing is; empty for nothing at all. planned_since: corrections were
    planned after the newest one, and the other direction measured after that. measured_again: a film of them was,
    so that their dates may not be in their order.
    scale: how pixels became millimetres, where known. photos: of the worst place, two at most.
    """

    after: Runout
    before: Runout | None = None
    between: tuple[Runout, ...] = ()
    when: tuple[str, ...] = ()
    planned_since: bool = False
    measured_again: bool = False
    scale: Scale | None = None
    photos: tuple[Photo, ...] = ()

    @property
    def rows(self) -> tuple[tuple[Runout, str], ...]:
        """Each measurement, oldest first, with what is known of its time."""
        first = () if self.before is None else (self.before,)
        every = (*first, *self.between, self.after)
        return tuple(zip(every, self.when or ("",) * len(every), strict=True))

    @property
    def first_name(self) -> str:
        """What the first measurement is called beside the newest."""
        return self.rows[0][1].capitalize() or "First measured"

    @property
    def last_name(self) -> str:
        """What the newest measurement is called beside the first."""
        return self.rows[-1][1].capitalize() or "Last measured"


@record
class Evidence:
    """All that the pages of one wheel say.

    comparisons: one or two directions, lateral first. facts: what else is known, each a name and a sentence
    ("Tension", "right 1010 N ..."). fingerprint: what is to be checked against the record, and how it was
    made. software: name and version of the program that drew the page. dish: how the rim's offset from the hub's middle
    came out, None where it isn't known of the wheel as it is.
    """

    wheel_name: str
    comparisons: tuple[Comparison, ...]
    fingerprint: str
    software: str
    dish: Outcome | None = None
    facts: tuple[tuple[str, str], ...] = ()
    rim_diameter_mm: float = NOMINAL_RIM_DIAMETER_MM
