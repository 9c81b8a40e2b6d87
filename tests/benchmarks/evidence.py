"""How long `report`, `verify` and `jobs` take: `python -m tests.benchmarks.evidence`."""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames"
JOBS = 10_000
RUNS = 5


def rimgauge(*arguments: str, cwd: Path) -> float:
    """Run a command as a person does, start of Python and all, and return its seconds."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-m", "rimgauge", *arguments], cwd=cwd, check=True, capture_output=True)
    return time.perf_counter() - start


def make_job(place: Path) -> Path:
    """Measure the sample, lateral and radial, before and after, in a job folder."""
    rimgauge("new", "Millpond", "--spokes", "28", cwd=place)
    job = place / "Millpond"
    shutil.copy(SAMPLE / "wheel.toml", job)
    for name in ("lateral_before", "radial_before", "lateral_after", "radial_after"):
        direction = name.split("_")[0]
        shutil.copy(SAMPLE / name / "view.json", job / f"view-{direction}.json")
        if name.endswith("_after"):
            rimgauge("verify", "--take-in", f"view-{direction}.json", cwd=job)
        rimgauge("measure", str(SAMPLE / name), "--direction", direction, cwd=job)
    return job


def make_many(job: Path, place: Path) -> Path:
    """Lay so many jobs side by side; the measurements are linked, for the list never reads them."""
    many = place / "many"
    for number in range(JOBS):
        folder = many / f"{2020 + number // 2000}" / f"{number:05d}"
        folder.mkdir(parents=True)
        for path in job.iterdir():
            if path.name == "manifest.json":
                shutil.copy(path, folder)
            elif path.is_file() and not path.name.startswith("."):
                os.link(path, folder / path.name)
    return many


def main() -> None:
    """Print the table of docs/benchmarks.md."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        job = make_job(place)
        many = make_many(job, place)
        rows = {
            "report, PDF, two directions before and after": (["report"], job),
            "report, HTML": (["report", "--out", str(place / "r.html")], job),
            "verify, four measurements": (["verify"], job),
            f"jobs, {JOBS} of them": (["jobs"], many),
            f"jobs --find 01234, {JOBS} of them": (["jobs", "--find", "01234"], many),
        }
        print("| command | seconds, median | slowest |\n|---|---|---|")
        for what, (arguments, cwd) in rows.items():
            times = [rimgauge(*arguments, cwd=cwd) for _ in range(RUNS)]
            print(f"| {what} | {statistics.median(times):.2f} | {max(times):.2f} |")


if __name__ == "__main__":
    main()
