"""What the tests of the plan command share: a bench with a wheel and readings, and how the command is run."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from rimgauge.cli.plan import command
from rimgauge.records import Direction, FloatArray, Measured, Readings, Runout, Wheel
from tests.job.conftest import make_runout, make_side

COMMON = ("--wheel", "wheel.toml", "--readings", "readings.csv", "--out", "plan.json")


def write_readings(path: Path, readings: Readings) -> None:
    rows = ["spoke,lateral_mm,radial_mm,tension_n"]
    for number, values in enumerate(
        zip(readings.lateral_mm, readings.radial_mm, readings.tension_n, strict=True), start=1
    ):
        cells = ("" if np.isnan(value) else f"{value:.3f}" for value in values)
        rows.append(",".join([str(number), *cells]))
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def run_plan(*arguments: str) -> str:
    result = CliRunner().invoke(command, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def a_pass(direction: Direction, values: FloatArray, wheel: Wheel) -> Runout:
    """A measurement that gives these values at the spokes."""
    reading = Measured(value=float(np.ptp(values)), expanded_uncertainty=0.02)
    once = 2.0 * np.mean(values * np.exp(1j * np.radians(wheel.spoke_angles_deg)))
    side = replace(
        make_side("right" if direction == "lateral" else "outer"),
        total_runout=reading,
        harmonic_order=np.array([1]),
        harmonic_amplitude_mm=np.array([np.abs(once)]),
        harmonic_phase_deg=np.array([np.degrees(np.angle(once)) % 360.0]),
        curve_angle_deg=wheel.spoke_angles_deg,
        curve_mm=values,
        spoke_flange=wheel.flanges,
        spoke_angle_deg=wheel.spoke_angles_deg,
        spoke_mm=values,
        spoke_standard_uncertainty_mm=np.full(len(values), 0.01),
        zones=(),
    )
    made = make_runout((side,), direction)
    return replace(made, total_runout=reading, source=replace(made.source, sha256=""))
