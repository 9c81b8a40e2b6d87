"""What a live measurement says on the terminal while it runs."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rimgauge.capture import Frame, FrameSource
    from rimgauge.cli.measure_given import Known
    from rimgauge.guiding import Progress


def guided(frames: FrameSource, known: Known, revolutions: float | None, *, beep: bool) -> Iterator[Frame]:
    """Let a live source say when to turn the wheel, and end when enough was seen."""
    from rimgauge.guiding import Guide, Guided

    guide = Guide(known.view, known.in_view, tolerance_mm=known.tolerance_mm, revolutions=revolutions)
    saying = _Saying(beep=beep)
    try:
        yield from Guided(frames, known.view, guide, saying)
    finally:
        saying.end_line()


class _Saying:
    """Says on the terminal how a live measurement stands, in one line that is written over."""

    def __init__(self, *, beep: bool) -> None:
        self._beep, self._said, self._within_line = beep, "", False

    def __call__(self, progress: Progress) -> None:
        words = progress_words(progress)
        if progress.stage == "done" and self._beep:
            click.echo("\a", nl=False, err=True)
        if not sys.stderr.isatty() or words == self._said:
            return
        self._said = words
        self._within_line = progress.stage != "done"
        click.echo("\r" + words.ljust(79), nl=not self._within_line, err=True)

    def end_line(self) -> None:
        """Have what is said next begin a line of its own, however the frames came to an end."""
        if self._within_line:
            click.echo(err=True)
        self._within_line = False


def progress_words(progress: Progress) -> str:
    """Say in one line, at most 79 letters, what to do and how much of the wheel was seen."""
    if progress.stage == "looking":
        return "Looking for pointer and rim; keep hands out of the picture ..."
    bar = "#" * round(20 * progress.seen)
    if progress.stage == "waiting":
        return f"[{bar:<20}] Turn the wheel slowly, a few times round. Ctrl-C ends."
    so_far = progress.so_far
    known = "" if so_far is None else f", {so_far.total_mm:.2f} ± {2 * so_far.standard_uncertainty_mm:.2f} mm"
    what = {"turning": "Keep turning", "done": "Enough, let it stop"}[progress.stage]
    what = "Turn more slowly" if progress.too_fast and progress.stage == "turning" else what
    return f"[{bar:<20}] {what}: {progress.revolutions:.1f} times round{known}"
