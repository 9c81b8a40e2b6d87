"""Runouts drawn up from stated harmonics, for figures and pages."""

import hashlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from rimgauge.job import create_job, keep_pass
from rimgauge.records import (
    BudgetLine,
    Correction,
    Direction,
    FrameValues,
    Measured,
    Outcome,
    Runout,
    SideRunout,
    Source,
    Verdict,
    Zone,
)
from tests.plan.steps import plan_of

Harmonics = dict[int, tuple[float, float]]
BEND: Harmonics = {1: (0.12, 40.0), 2: (0.25, 100.0), 3: (0.18, 200.0), 5: (0.07, 10.0)}


def side_runout(
    harmonics: Harmonics, *, side: str = "right", spokes: int = 32, uncertainty_mm: float = 0.04
) -> SideRunout:
    angle_deg = np.arange(720) / 2

    def value(at_deg: np.ndarray) -> np.ndarray:
        waves = [a * np.cos(np.radians(order * at_deg - phase)) for order, (a, phase) in harmonics.items()]
        return np.sum(waves, axis=0)

    curve_mm = value(angle_deg)
    spoke_deg = (np.arange(spokes) + 0.5) * 360 / spokes
    worst = angle_deg[np.argmax(np.abs(curve_mm))]
    near = [i + 1 for i in range(spokes) if abs((spoke_deg[i] - worst + 180) % 360 - 180) < 24]
    zone = Zone(
        start_deg=float(worst - 24) % 360,
        centre_deg=float(worst),
        end_deg=float(worst + 24) % 360,
        width_deg=48.0,
        peak_mm=float(curve_mm[np.argmax(np.abs(curve_mm))]),
        spokes=tuple(near),
    )
    return SideRunout(
        side=side,  # type: ignore[arg-type]
        mean_gap_mm=2.1,
        total_runout=Measured(value=float(np.ptp(curve_mm)), expanded_uncertainty=uncertainty_mm),
        non_repeatable_mm=0.02,
        harmonic_order=np.array(list(harmonics)),
        harmonic_amplitude_mm=np.array([a for a, _ in harmonics.values()]),
        harmonic_phase_deg=np.array([p for _, p in harmonics.values()]),
        curve_angle_deg=angle_deg,
        curve_mm=curve_mm,
        spoke_flange=tuple("right" if i % 2 == 0 else "left" for i in range(spokes)),
        spoke_angle_deg=spoke_deg,
        spoke_mm=value(spoke_deg),
        spoke_standard_uncertainty_mm=np.full(spokes, 0.006),
        zones=(zone,),
    )


BUDGET = (
    BudgetLine(source="scale", standard_uncertainty_mm=0.004),
    BudgetLine(source="edge and tip noise", standard_uncertainty_mm=0.006),
    BudgetLine(source="angle", standard_uncertainty_mm=0.003),
    BudgetLine(source="repeatability", standard_uncertainty_mm=0.018),
)


def _judged(value_mm: float, tolerance_mm: float, uncertainty_mm: float) -> Outcome:
    if value_mm <= tolerance_mm - uncertainty_mm:
        return "within"
    return "out" if value_mm > tolerance_mm + uncertainty_mm else "undecided"


def make_runout(
    size: float = 1.0,
    *,
    direction: Direction = "lateral",
    spokes: int = 32,
    tolerance_mm: float = 0.5,
    uncertainty_mm: float = 0.04,
    created: str = "2026-01-31T12:00:00+00:00",
    sides: int = 1,
    film: str = "",
) -> Runout:
    harmonics = {order: (a * size, phase) for order, (a, phase) in BEND.items()}
    names = ("outer",) if direction == "radial" else ("right", "left")[:sides]
    both = tuple(
        side_runout(
            {k: (a * (1 - 0.1 * i), p + 4 * i) for k, (a, p) in harmonics.items()},
            side=name,
            spokes=spokes,
            uncertainty_mm=uncertainty_mm,
        )
        for i, name in enumerate(names)
    )
    total = max((s.total_runout for s in both), key=lambda each: each.value)
    time_s = np.arange(90) / 30
    return Runout(
        direction=direction,
        created=created,
        source=Source(
            kind="frames",
            name="front lateral",
            frames=90,
            used=88,
            sha256=hashlib.sha256(f"{direction} {size} {film}".encode()).hexdigest(),
        ),
        revolutions=2.7,
        total_runout=total,
        sides=both,
        budget=BUDGET,
        verdict=Verdict(
            tolerance_mm=tolerance_mm,
            rule="within if runout plus its expanded uncertainty is at most the limit (ISO 14253-1)",
            outcome=_judged(total.value, tolerance_mm, uncertainty_mm),
        ),
        frames=FrameValues(
            time_s=time_s,
            angle_deg=time_s * 324,
            gap_mm=np.full((len(both), 90), 2.1),
            quality=np.ones(90),
        ),
    )


@pytest.fixture
def runout() -> Callable[..., Runout]:
    """Build a lateral runout whose total is about `size` mm."""
    return make_runout


@pytest.fixture
def bytes_of(tmp_path: Path) -> Callable[[str, str], str]:
    """Give the SHA-256 of what a program leaves in `made`, run in a process with its own order of hashes."""

    def run(program: str, hash_seed: str) -> str:
        whole = (
            "import sys; sys.path.insert(0, sys.argv[1]); import hashlib;"
            "from conftest import make_runout; from rimgauge.report.comparison import *;"
            "from rimgauge.report.evidence import *; from rimgauge.report.html import *;"
            "from rimgauge.report.runout import *; from rimgauge.report.pdf import *;"
            f"from rimgauge.report.words import *; {program};"
            "print(hashlib.sha256(made).hexdigest())"
        )
        return subprocess.run(
            [sys.executable, "-c", whole, str(Path(__file__).parent)],
            env={
                "PYTHONHASHSEED": hash_seed,
                "MPLCONFIGDIR": str(tmp_path),
                "PYTHONPATH": os.pathsep.join(sys.path),
            },
            capture_output=True,
            text=True,
            check=True,
        ).stdout

    return run


@pytest.fixture
def job(tmp_path, runout):
    """A job with a lateral pass before and after the work."""
    made = create_job(tmp_path / "Hinterrad für Jörg", spokes=32, name="rear, Jörg")
    keep_pass(made, runout(1.0))
    keep_pass(made, runout(0.25))
    return made


@pytest.fixture
def plan():
    """A plan of one correction."""
    turn = Correction(order=1, spoke=7, side="left", turns=0.25, words="tighten spoke 7 by a quarter turn")
    return plan_of([turn])
