"""The lesson of `rimgauge show --lesson`: the bundled passes measured and told."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import stop_on_ctrl_c
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rimgauge.cli.show import Look
    from rimgauge.live import Cue, Shown
    from rimgauge.records import Moment, Wheel

PASSES = ("lateral_before", "lateral_after")


def needs_nothing(*given: str | int | Path | None) -> None:
    """Say so where something was named that the lesson would not show."""
    idle = [str(word) for word in given if word is not None]
    if idle:
        raise BadInput(
            f"--lesson shows the bundled frames and wheel; leave out {idle[0]}, or leave out --lesson to see that"
        )


def teach(look: Look) -> Shown:
    """Show the lesson in a window, write it to a clip, or both."""
    import threading

    from rimgauge.cli.demo import sample_folder
    from rimgauge.cli.show import drawing
    from rimgauge.job import read_build, read_view
    from rimgauge.live import draw_preparing, run_window
    from rimgauge.wheel import complete_wheel

    folder = sample_folder()
    wheel = complete_wheel(read_build(folder / "wheel.toml"))
    window, dark = not look.no_window, not look.light
    if window and look.record is not None:
        click.echo(
            "The clip goes on when you press space in the window, and shows its keys;\n"
            "with --no-window it is written by itself and without them.",
            err=True,
        )
    stopped = threading.Event()
    with stop_on_ctrl_c(stopped.set):
        return run_window(
            _told(folder, wheel, window=window),
            drawing(read_view(folder / PASSES[-1] / "view.json"), wheel.spoke_angles_deg, look.size_px),
            window=window,
            record_to=look.record,
            hold=look.record is None,
            dark=dark,
            stopped=stopped.is_set,
            preparing=draw_preparing(
                "Preparing the lesson",
                "Measuring the bundled frames takes a few seconds",
                look.size_px,
                dark=dark,
            ),
        )


def _told(folder: Path, wheel: Wheel, *, window: bool) -> Iterator[Moment | Cue]:
    """Measure the bundled passes, then give the lesson made of them and say how to go through it."""
    click.echo("Measuring the bundled frames ...", err=True)
    # Loaded here, while the window is open already.
    from rimgauge.bench import to_compare
    from rimgauge.capture import ReadAhead, open_source
    from rimgauge.cli.demo import turns_made
    from rimgauge.job import read_view
    from rimgauge.lesson import lesson, look_back
    from rimgauge.records import Moment, WheelInView

    passes = []
    for name in PASSES:
        view = read_view(folder / name / "view.json")
        with open_source(str(folder / name)) as frames:
            passes.append(look_back(ReadAhead(frames), view, WheelInView.of(wheel)))
    steps = to_compare(view, wheel, turns_made(folder), None).steps
    told = list(lesson(passes[0], passes[1], steps, wheel.spoke_angles_deg))
    if window:
        yield told[0]
        # The next is asked for when the window shows the lesson, which it doesn't where the person has quit meanwhile.
        click.echo("Press space in the window to go on to the next step; q ends the lesson.", err=True)
        yield from told[1:]
        return
    lasts_s = max(item.time_s for item in told if isinstance(item, Moment))
    with click.progressbar(told, label=f"Writing a clip of {lasts_s:.0f} s", file=sys.stderr) as shown:
        yield from shown
