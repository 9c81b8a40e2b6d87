"""A camera whose driver breaks off is called again, or given up in words; nothing is closed that is still read from."""

import contextlib
import threading
import time
from collections.abc import Iterator

import cv2
import numpy as np
import pytest

from rimgauge.capture import live_source
from rimgauge.capture.live_source import LiveSource
from rimgauge.capture.sources import ReadAhead
from rimgauge.errors import FrameTrouble


class BreaksOff:
    """A line that gives three pictures, and then what the driver raises."""

    def __init__(self, trouble: Exception) -> None:
        self._trouble = trouble

    def pictures(self) -> Iterator[tuple[np.ndarray, None]]:
        for _ in range(3):
            yield np.zeros((4, 6, 3), np.uint8), None
            time.sleep(0.002)
        raise self._trouble

    def close(self) -> None:
        pass


def seen(source: LiveSource, most: int) -> int:
    """Count frames, up to so many; where none come any more it is stopped after two seconds."""
    late = threading.Timer(2.0, source.stop)
    late.start()
    count = 0
    with source, contextlib.closing(iter(source)) as frames:
        for count, _ in enumerate(frames, start=1):
            if count == most:
                break
    late.cancel()
    return count


@pytest.mark.parametrize("trouble", [cv2.error("retrieve failed"), OSError("gone")])
def test_a_driver_that_breaks_off_is_a_line_that_is_lost(trouble: Exception, monkeypatch) -> None:
    monkeypatch.setattr(live_source, "PAUSES_S", (0.001,))
    source = LiveSource("camera", "0", lambda: BreaksOff(trouble), "nobody answers")
    assert seen(source, 7) == 7
    assert "and came back" in source.notes()[0]
    monkeypatch.setattr(live_source, "GIVE_UP_S", 0.05)
    lines = iter([BreaksOff(trouble)])

    def once() -> BreaksOff:
        try:
            return next(lines)
        except StopIteration:
            raise OSError from None

    with pytest.raises(FrameTrouble, match="it was lost and does not come back; nobody answers"):
        seen(LiveSource("camera", "0", once, "nobody answers"), 99)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_nobody_waits_for_a_reader_that_fell_over() -> None:
    source = LiveSource("camera", "0", lambda: BreaksOff(RuntimeError("our own mistake")), "nobody answers")
    with pytest.raises(FrameTrouble, match="can't be read; unplug the camera"):
        seen(source, 99)


def test_a_source_is_not_at_work_any_more_once_reading_ahead_has_ended(monkeypatch) -> None:
    join = threading.Thread.join
    monkeypatch.setattr(
        threading.Thread, "join", lambda self, timeout=None: join(self, timeout and timeout / 100)
    )
    at_work = []

    def slow() -> Iterator[int]:
        yield 1
        at_work.append(True)
        time.sleep(0.3)
        at_work.clear()
        yield 2

    frames = iter(ReadAhead(slow()))
    assert next(frames) == 1
    while not at_work:
        time.sleep(0.001)
    frames.close()
    assert not at_work
