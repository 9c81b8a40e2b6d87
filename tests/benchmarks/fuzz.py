"""Spoilt files, pictures, films and options through every door of the command line.

    python -m tests.benchmarks.fuzz [cases] [seed]

Every case must end in a result or in one sentence, in time and in bounded memory, and write nothing but what
it was asked to. Cases run in processes of their own, a hundred each, so that a crash of a library counts as one
fault; a case is made from its seed and number alone, and `python -m tests.benchmarks.fuzz 1 SEED NUMBER` makes
and runs a single one and prints what it says.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "badinput"))

from doors import DOORS
from sandbox import clear, run_case
from shelf import Shelf, fill_shelf

from rimgauge.cli import LIBRARIES

BATCH = 100
MOST_MEMORY = 6_000_000_000
"""Bytes of address space for a process, most of it libraries and threads that take no memory."""
PATIENCE_S = 90.0


def main() -> None:
    """Print the table, and each fault with the number of its case."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with tempfile.TemporaryDirectory(prefix="rimgauge-fuzz-") as place:
        shelf = fill_shelf(Path(place, "shelf"))
        (Path(place) / "outside").mkdir()
        if len(sys.argv) > 3:
            _one(shelf, Path(place), seed, int(sys.argv[3]))
            return
        endings: list[dict[str, object]] = []
        while len(endings) < count:
            endings += _batch(Path(place), seed, len(endings), min(BATCH, count - len(endings)))
            print(f"\r{len(endings)}", end="", file=sys.stderr, flush=True)
    _print(endings)
    if any(ending["faults"] for ending in endings):
        sys.exit(1)


def _batch(place: Path, seed: int, start: int, count: int) -> list[dict[str, object]]:
    """Run some cases in a process of their own; one that dies or sleeps is the fault of the case it was at."""
    words = [
        sys.executable,
        "-m",
        "tests.benchmarks.fuzz",
        "--batch",
        str(place),
        str(seed),
        str(start),
        str(count),
    ]
    log = place / "log.jsonl"
    log.write_bytes(b"")
    with (place / "noise.txt").open("ab") as noise:
        worker = subprocess.Popen(words, stdout=noise, stderr=noise, env={**LIBRARIES, **os.environ})
    size, moved_s = 0, time.monotonic()
    while worker.poll() is None:
        time.sleep(0.1)
        if log.stat().st_size != size:
            size, moved_s = log.stat().st_size, time.monotonic()
        elif time.monotonic() - moved_s > PATIENCE_S:
            worker.kill()
    endings = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    if len(endings) < count:
        number = start + len(endings)
        dead = {"door": _door(seed, number), "faults": [f"the process ends ({worker.returncode})"]}
        endings.append({**dead, "number": number, "code": None, "seconds": 0.0, "said": "", "memory_mb": 0.0})
    return endings


def _work(place: Path, seed: int, start: int, count: int) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    os.environ["TMPDIR"] = str(place / "tmp")
    (place / "tmp").mkdir(exist_ok=True)
    tempfile.tempdir = None
    shelf = Shelf(place / "shelf")
    with (place / "log.jsonl").open("a", encoding="utf-8") as log:
        for number in range(start, start + count):
            case = _case(shelf, place, seed, number)
            ending = run_case(case, shelf.folder, place / "outside", place / "tmp")
            memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000.0
            told = {"number": number, "door": case.door, "faults": ending.faults, "code": ending.code}
            told |= {"seconds": ending.seconds, "said": ending.said[:400], "memory_mb": memory_mb}
            log.write(json.dumps(told | {"arguments": case.arguments}, default=str) + "\n")
            log.flush()


def _door(seed: int, number: int) -> str:
    names, shares = list(DOORS), np.array([share for _, share in DOORS.values()], dtype=np.float64)
    return str(np.random.default_rng([seed, number]).choice(names, p=shares / shares.sum()))


def _case(shelf, place, seed, number):
    folder = place / "case"
    clear(folder)
    return DOORS[_door(seed, number)][0](shelf, folder, np.random.default_rng([seed, number, 1]))


def _one(shelf: Shelf, place: Path, seed: int, number: int) -> None:
    case = _case(shelf, place, seed, number)
    print(case)
    ending = run_case(case, shelf.folder, place / "outside")
    print(ending)
    keep = Path(tempfile.gettempdir()) / f"rimgauge-fuzz-case-{number}"
    (place / "case").rename(keep)
    print(keep)


def _print(endings: list[dict[str, object]]) -> None:
    print(
        "| door | cases | result | refused | faults | longest s | memory MB |\n|---|---|---|---|---|---|---|"
    )
    for door in [*DOORS, "all"]:
        own = [ending for ending in endings if door in (ending["door"], "all")]
        if own:
            good = sum(ending["code"] in (0, 3) for ending in own)
            bad = sum(bool(ending["faults"]) for ending in own)
            longest, memory = (
                max(float(ending[name]) for ending in own) for name in ("seconds", "memory_mb")
            )
            row = [door, len(own), good, len(own) - good, bad, f"{longest:.1f}", f"{memory:.0f}"]
            print("| " + " | ".join(map(str, row)) + " |")
    kinds = Counter(f"{ending['door']}: {fault}" for ending in endings for fault in ending["faults"])
    first = {f"{e['door']}: {fault}": e["number"] for e in reversed(endings) for fault in e["faults"]}
    for kind, times in kinds.most_common():
        print(f"{times} times, first in case {first[kind]}: {kind}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--batch"]:
        _work(Path(sys.argv[2]), *map(int, sys.argv[3:6]))
    else:
        main()
