"""Runs one command line in a place of its own, and tells what went wrong with it, if anything did."""

import contextlib
import io
import json
import os
import re
import shutil
import signal
import sys
import time
import warnings
from dataclasses import dataclass, field
from pathlib import Path

from rimgauge.cli import run

LONGEST_S = 10.0
"""Of processor time; on the clock six times as long, since other programs may want the machine."""
LONGEST_SAID = 2000


MAY_WRITE = {
    "measure": ("pass.json", "pass.jpg"),
    "show": ("show.avi",),
    "scale": ("view.json",),
    "plan": ("p.json",),
    "export": ("tables",),
    "report": ("r.html",),
    "aim": ("view.json", "view.png", "aim.png"),
    "lens": ("lens.json",),
    "scene": ("drawn",),
}
"""What commands that may write were told to write to."""


@dataclass
class Case:
    """A command line, what it may write if not the usual (names at the top of its folder), whether it must refuse."""

    door: str
    arguments: list[str]
    folder: Path
    may_write: tuple[str, ...] = ()
    must_refuse: bool = False
    inside: str = "."
    typed: str = ""


@dataclass
class Ending:
    """How it ended: the faults found, the exit code and what was said."""

    faults: list[str] = field(default_factory=list)
    code: object = 0
    said: str = ""
    seconds: float = 0.0


class Hangs(BaseException):
    """It took too long; not an Exception, so that nothing swallows it."""


def run_case(case, *watched):
    """Run a case; `watched` are folders that nothing may be written to."""
    before = _seen(case.folder, *watched)
    ending, out, err = Ending(), io.StringIO(), io.StringIO()
    home, began_s = Path.cwd(), time.process_time()
    os.chdir(case.folder / case.inside)
    try:
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            _typing(case.typed),
            _watchdog(),
        ):
            warnings.simplefilter("always")
            run(case.arguments)
    except SystemExit as leave:
        ending.code = leave.code
    except Hangs:
        ending.faults.append("hangs")
    except BaseException as trouble:
        ending.faults.append(f"traceback: {_where(trouble)}")
    finally:
        os.chdir(home)
    ending.seconds = time.process_time() - began_s
    ending.said = err.getvalue()
    if not ending.faults:
        ending.faults = _faults(case, ending, out.getvalue(), before, _seen(case.folder, *watched))
    return ending


def _faults(case, ending, out, before, after):
    faults = []
    if ending.code not in (0, 1, 2, 3):
        faults.append(f"exit code {ending.code!r}")
    if "Warning" in ending.said or "Traceback" in ending.said:
        faults.append("warns")
    if ending.code in (1, 2) and not (ending.said + out).strip():
        faults.append("stops without a word")
    if len(ending.said) > LONGEST_SAID or re.search(r"[\x00-\x08\x0b-\x1f\x7f]", ending.said):
        faults.append("says what can't be read")
    if ending.code == 0 and case.must_refuse:
        faults.append("takes what must be refused")
    if ending.code == 0 and "--json" in case.arguments:
        with contextlib.suppress(StopIteration):
            try:
                json.loads(out, parse_constant=_no_number)
            except ValueError as trouble:
                faults.append(f"prints what is not JSON ({trouble})")
    return faults + _strays(case, ending, before, after)


def _strays(case, ending, before, after):
    faults, may_write = [], case.may_write or MAY_WRITE.get(case.arguments[0], ())
    for path in sorted(before.keys() | after.keys()):
        if before.get(path) == after.get(path):
            continue
        inside = path.relative_to(case.folder).parts if path.is_relative_to(case.folder) else ("",)
        kind = "is lost" if path not in after else "is written" if path not in before else "is changed"
        if inside[0] not in may_write or (ending.said and ending.code in (1, 2)):
            faults.append(f"{'/'.join(inside)[:60]} {kind}")
    return faults


def _no_number(name):
    raise ValueError(f"{name} in it")


def _seen(*folders):
    found = {}
    for folder in folders:
        for place, _, names in os.walk(folder):
            for name in names:
                path = Path(place, name)
                told = path.lstat()
                found[path] = (told.st_size, told.st_mtime_ns)
    return found


def _where(trouble):
    """Name the error and the innermost line of ours it went through."""
    ours, step = "", trouble.__traceback__
    while step is not None:
        name = step.tb_frame.f_code.co_filename
        if "rimgauge" in name and "tests" not in Path(name).parts:
            ours = f"{Path(name).parent.name}/{Path(name).name}:{step.tb_lineno}"
        step = step.tb_next
    return f"{type(trouble).__name__} at {ours}: {str(trouble)[:120]}"


@contextlib.contextmanager
def _watchdog():
    """Interrupt what takes too long, by the processor's time and by the clock."""

    def bark(number, frame):
        raise Hangs

    pairs = (
        (signal.SIGPROF, signal.ITIMER_PROF, LONGEST_S),
        (signal.SIGALRM, signal.ITIMER_REAL, 6 * LONGEST_S),
    )
    before = [signal.signal(number, bark) for number, _, _ in pairs]
    for _, timer, seconds in pairs:
        signal.setitimer(timer, seconds)
    try:
        yield
    finally:
        for (number, timer, _), old in zip(pairs, before, strict=True):
            signal.setitimer(timer, 0.0)
            signal.signal(number, old)


@contextlib.contextmanager
def _typing(text):
    before, sys.stdin = sys.stdin, io.StringIO(text)
    try:
        yield
    finally:
        sys.stdin = before


def clear(folder):
    """Empty a case's folder."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
