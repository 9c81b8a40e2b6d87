"""How long the program takes to say its help, beside importing click alone.

    python -m tests.benchmarks.startup

Processor time of whole processes, which other work on the machine disturbs least; twenty runs of each in turn.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys

ROUNDS = 20
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "python -c 'import click'": ["-c", "import click"],
    "rimgauge --help": ["-m", "rimgauge", "--help"],
    "rimgauge measure --help": ["-m", "rimgauge", "measure", "--help"],
}


def main() -> None:
    """Print the table."""
    seconds: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(ROUNDS):
        for name, words in COMMANDS.items():
            before = _used_s()
            subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True)
            seconds[name].append(_used_s() - before)
    median = {name: statistics.median(times) for name, times in seconds.items()}
    print("| process | processor time, ms | beside importing click |\n|---|---|---|")
    click_s = median["python -c 'import click'"]
    for name, each_s in median.items():
        print(f"| `{name}` | {1000.0 * each_s:.0f} | {each_s / click_s:.2f} |")


def _used_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main()
