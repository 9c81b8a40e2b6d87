"""The command line: one thin file a command, found by name only when it is asked for."""

from __future__ import annotations

import contextlib
import errno
import importlib
import io
import os
import re
import signal
import sys
import threading
from collections.abc import Iterator
from types import FrameType
from typing import Any

import click

from rimgauge import __version__
from rimgauge.errors import BadInput, RimgaugeError

COMMANDS = {
    "demo": "Measure and plan the bundled job, with no camera and no wheel.",
    "new": "Start a job folder for a wheel.",
    "aim": "Find the pointer and the rim in the picture.",
    "target": "Make the sheet to print that scale is taken from.",
    "scale": "Tell how many millimetres a pixel is.",
    "lens": "Find out what the camera's lens does.",
    "measure": "Turn frames into millimetres of runout at every spoke.",
    "dish": "Tell how far the rim stands from the middle.",
    "compare": "Compare a wheel before and after, spoke by spoke.",
    "plan": "Work out which nipples to turn, and how far.",
    "report": "Make the page that goes with the wheel.",
    "verify": "Check that a job is as it was written, and work it out again.",
    "jobs": "List and find past jobs, with totals by month.",
    "export": "Write tables and one JSON file for other programs.",
    "show": "Show the gap large and live, for the bench or a class.",
    "practice": "Turn nipples on a simulated wheel and see the runout change.",
    "scene": "Draw camera frames of a wheel of known runout.",
}
"""Name and one-line help of each command; kept here so that `rimgauge --help` imports none of them."""


LIBRARIES = {
    "OPENCV_LOG_LEVEL": "SILENT",
    "OPENCV_FFMPEG_LOGLEVEL": "-8",
    "QT_LOGGING_RULES": "*.warning=false",
    "OPENCV_IO_MAX_IMAGE_PIXELS": "120000000",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "VECLIB_MAXIMUM_THREADS": "1",
}
"""What the libraries read when they are loaded: their own remarks stay out of the words for people, a small file can't
unfold into gigabytes of picture, and many small matrices are multiplied in one thread, since handing each of them out
takes longer than the product. Whoever sets these otherwise is heeded."""


FULL = (errno.ENOSPC, errno.EDQUOT)
"""What the system says of a disk that takes no more, or of a person's share of it."""

ENDINGS = ("SIGTERM", "SIGHUP", "SIGBREAK")
"""Signals that ask to end, beside Ctrl-C's: of `kill` and `timeout`, of a terminal that is closed, of Ctrl-Break on
Windows; a system knows those that it has."""


class LazyGroup(click.Group):
    """A group whose commands live in modules of the same name, imported when run."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands in the order in which a job uses them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command's module and hand its `command` on."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"rimgauge.cli.{cmd_name}")
        found: click.Command = module.command
        return found

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Say which command is meant, perhaps, where there is none of that name."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            import difflib  # which takes as long as all the rest

            near = difflib.get_close_matches(name, COMMANDS, n=1)
            hint = f"did you mean {near[0]}?" if near else "`rimgauge --help` lists them"
            raise BadInput(f"there is no command {name}; {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.command(
    cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80}
)
@click.version_option(__version__, prog_name="rimgauge")
def main() -> None:
    """Make a wobbling bicycle wheel run straight, with a webcam and a pointer.

    Try it with no wheel at hand:  rimgauge demo --out demo
    """


def run(arguments: list[str] | None = None) -> Any:
    """Run the command line; every error that is the person's business ends as one sentence and an exit code."""
    for name, value in LIBRARIES.items():
        os.environ.setdefault(name, value)
    try:
        with _ended_as_by_ctrl_c():
            left_with = main.main(args=arguments, prog_name="rimgauge", standalone_mode=False)
        if isinstance(left_with, int) and left_with:
            sys.exit(left_with)
    except RimgaugeError as trouble:
        _stop(f"rimgauge: {trouble}", trouble.exit_code)
    except click.Abort:
        _stop("rimgauge: stopped.", 1)
    except click.exceptions.Exit as leave:
        sys.exit(leave.exit_code)
    except click.ClickException as trouble:
        _stop(_typed_wrongly(trouble), trouble.exit_code)
    except ImportError as trouble:
        _stop(f"rimgauge: {_missing_library(trouble)}", 1)
    except BrokenPipeError:
        _print_no_more()
        sys.exit(1)
    except OSError as trouble:
        if trouble.errno in FULL:
            _stop(f"rimgauge: {_no_room(trouble)}", 1)
        said = (trouble.strerror or str(trouble)).lower()
        if trouble.filename is None:
            _stop(
                f"rimgauge: {said}; look whether disk and camera are still there, and run the command again",
                1,
            )
        # A path that the system itself can't take, such as one of a thousand letters.
        _stop(f"rimgauge: {trouble.filename}: {said}", 1)


def _no_room(trouble: OSError) -> str:
    """What to say of a full disk, and that no more is printed."""
    _print_no_more()
    if trouble.filename is not None:
        return f"{trouble.filename}: the disk is full; free some space and run the command again"
    # Where the words themselves go to a file, no name comes with it.
    return (
        "the disk is full, and what was still to be printed is lost; what was to be written may be there: free some space "
        "and look before running the command again"
    )


def _print_no_more() -> None:
    """Let what is still to be printed go nowhere, or Python would try once more on its way out."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@contextlib.contextmanager
def _ended_as_by_ctrl_c() -> Iterator[None]:
    """Let what else asks a program to end do what Ctrl-C does at that moment, so that nothing half-written is left."""

    def end(number: int, frame: FrameType | None) -> None:
        on_ctrl_c = signal.getsignal(signal.SIGINT)
        if not callable(on_ctrl_c):  # ignored, as in what a script starts in the background
            raise KeyboardInterrupt
        on_ctrl_c(signal.SIGINT, frame)

    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ENDINGS:
            ending = getattr(signal, name, None)
            # One that is ignored, as under nohup, stays ignored.
            if ending is not None and signal.getsignal(ending) == signal.SIG_DFL:
                before[ending] = signal.signal(ending, end)
    try:
        yield
    finally:
        for ending, handler in before.items():
            signal.signal(ending, handler)


def _stop(words: str, exit_code: int) -> None:
    from rimgauge.cli.common import complain

    complain(words)
    sys.exit(exit_code)


def _typed_wrongly(trouble: click.ClickException) -> str:
    """Say what is wrong with an option or argument; of what a command lacks also what to type, by its help's example."""
    if not isinstance(trouble, click.BadParameter) or trouble.param is None or trouble.ctx is None:
        said = io.StringIO()
        trouble.show(said)
        return said.getvalue()
    command, param = trouble.ctx.command, trouble.param
    what = param.opts[0] if isinstance(param, click.Option) else param.make_metavar(trouble.ctx)
    if not isinstance(trouble, click.MissingParameter):
        return f"rimgauge: {what}: {trouble.message.removesuffix('.')}"
    if isinstance(param.type, click.Choice):
        what += f" ({' or '.join(param.type.choices)})"
    if param.name == "source":
        what += " (0 for the first camera, or a video, a folder or an address)"
    example = re.search(r"Example[^:]*:\s+(rimgauge .+)", command.help or "")
    typed = f"; type for example: {example[1]}" if example else ""
    return f"rimgauge: {trouble.ctx.info_name} needs {what}{typed}"


def _missing_library(trouble: ImportError) -> str:
    """Say which shared library the import lacks and how to get it; anything else is our own mistake."""
    text = str(trouble)
    packages = {
        "libGL.so.1": "libgl1",
        "libgthread-2.0.so.0": "libglib2.0-0",
        "libglib-2.0.so.0": "libglib2.0-0",
        "libxcb.so.1": "libxcb1",
    }
    library = text.split(":", maxsplit=1)[0].strip()
    if ".so" not in library:
        raise trouble
    how = (
        f"apt-get install {packages[library]}" if library in packages else f"install what provides {library}"
    )
    return f"OpenCV needs the system library {library}, which is missing here; on Debian or Ubuntu: {how}"
