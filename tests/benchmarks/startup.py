"""How long the program takes to say its help, to plan and to make a page, beside importing the libraries alone.

    python -m tests.benchmarks.startup

Processor time of whole processes, which other work on the machine disturbs least; twenty runs of each in turn.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

ROUNDS = 20
SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames"
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "python -c 'import click'": ["-c", "import click"],
    "rimgauge --help": ["-m", "rimgauge", "--help"],
    "rimgauge measure --help": ["-m", "rimgauge", "measure", "--help"],
    "python -c 'import scipy.optimize'": ["-c", "import scipy.optimize"],
    "rimgauge plan": [
        *("-m", "rimgauge", "plan", "--wheel", str(SAMPLE / "wheel.toml"), "--lateral", "pass-01.json"),
        *("--radial", "pass-02.json", "--out", "plan-01.json"),
    ],
    "python -c 'import matplotlib.figure'": ["-c", "import matplotlib.figure"],
    "rimgauge report": [
        *(
            "-m",
            "rimgauge",
            "report",
            "--before",
            "pass-01.json",
            "--after",
            "pass-03.json",
            "--out",
            "a.pdf",
        ),
    ],
}
"""The last two of the program with the measurements of the bundled wheel."""


def main() -> None:
    """Print the table."""
    seconds: dict[str, list[float]] = {name: [] for name in COMMANDS}
    with tempfile.TemporaryDirectory() as place:
        _run(["-m", "rimgauge", "demo", "--out", place], place)
        for _ in range(ROUNDS):
            for name, words in COMMANDS.items():
                Path(place, "plan-01.json").unlink(missing_ok=True)
                before = _used_s()
                _run(words, place)
                seconds[name].append(_used_s() - before)
    median = {name: statistics.median(times) for name, times in seconds.items()}
    print("| process | processor time, ms | beside importing click |\n|---|---|---|")
    click_s = median["python -c 'import click'"]
    for name, each_s in median.items():
        print(f"| `{name}` | {1000.0 * each_s:.0f} | {each_s / click_s:.2f} |")


def _run(words: list[str], place: str) -> None:
    subprocess.run(
        [sys.executable, *words], cwd=place, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True
    )


def _used_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main()
