"""One record of each kind, with awkward numbers: a third, a gap, a sign, the smallest of floats."""

import math

import numpy as np
import pytest

from rimgauge.records import (
    Bound,
    BudgetLine,
    CameraPlace,
    Correction,
    Edge,
    FrameValues,
    Lens,
    Measured,
    Plan,
    Readings,
    Round,
    Runout,
    Scale,
    SideRunout,
    Source,
    Verdict,
    View,
    WheelState,
    Zone,
)


@pytest.fixture
def view() -> View:
    return View(
        direction="lateral",
        image_size=(640, 360),
        positive=np.array([math.cos(0.3), math.sin(0.3)]),
        forward=np.array([-math.sin(0.3), math.cos(0.3)]),
        edges=(
            Edge(side="right", pointer_box=(331, 153, 45, 53), rim_box=(299, 140, 36, 81)),
            Edge(side="left", pointer_box=(31, 153, 45, 53), rim_box=(0, 140, 36, 220)),
        ),
        mark_box=(130, 90, 130, 180),
        mark_to_pointer_deg=-1 / 3,
        spoke_box=None,
        scale=Scale(
            mm_per_px=0.1 + 0.2,
            standard_uncertainty_mm_per_px=5e-324,
            method="bank card",
            camera=CameraPlace(
                distance_mm=1 / 0.007,
                distance_standard_uncertainty_mm=3.5,
                crosstalk=-0.59,
                crosstalk_standard_uncertainty=0.04,
                focal_px=1404.95,
            ),
        ),
        lens=Lens(
            camera_matrix=np.array([[800.1, 0, 320], [0, 801.7, 180], [0, 0, 1]]),
            distortion=np.array([0.1, -0.2, 1e-5, 0, 1 / 7]),
            rms_px=0.21,
        ),
    )


def make_side(side: str, non_repeatable_mm: float = 0.02) -> SideRunout:
    angle_deg = np.arange(720) / 2
    rng = np.random.default_rng(7)
    return SideRunout(
        side=side,
        mean_gap_mm=2.1,
        total_runout=Measured(value=0.84, expanded_uncertainty=0.03),
        non_repeatable_mm=non_repeatable_mm,
        harmonic_order=np.array([1, 2]),
        harmonic_amplitude_mm=np.array([0.21, 1 / 3]),
        harmonic_phase_deg=np.array([40.0, -170.0]),
        curve_angle_deg=angle_deg,
        curve_mm=rng.normal(size=720),
        spoke_flange=("right", "left", "right", "left"),
        spoke_angle_deg=np.array([45.0, 135.0, 225.0, 315.0]),
        spoke_mm=rng.normal(size=4),
        spoke_standard_uncertainty_mm=np.array([0.006, 0.007, 0.0, 0.006]),
        zones=(
            Zone(
                start_deg=350.0, centre_deg=10.0, end_deg=40.0, width_deg=50.0, peak_mm=-0.42, spokes=(4, 1)
            ),
        ),
    )


def make_runout(sides: tuple[SideRunout, ...], direction: str = "lateral") -> Runout:
    gap_mm = np.array([[2.1, np.nan, 1 / 3, 2.0]] * len(sides)) + np.arange(len(sides))[:, None]
    return Runout(
        direction=direction,
        created="2026-01-31T12:00:00+00:00",
        source=Source(kind="frames", name="véló 🚲", frames=4, used=3, sha256="0f" * 32, every=2),
        revolutions=2.7,
        total_runout=Measured(value=0.84, expanded_uncertainty=0.03, coverage_probability=0.99),
        sides=sides,
        budget=(BudgetLine(source="scale", standard_uncertainty_mm=0.002),),
        verdict=Verdict(tolerance_mm=0.5, rule="guard band", outcome="out"),
        frames=FrameValues(
            time_s=np.array([0.0, 0.1, 0.2, 0.3]),
            angle_deg=np.array([-10.0, np.nan, 350.0, 365.0]),
            gap_mm=gap_mm,
            quality=np.array([1.0, np.nan, 0.5, 0.0]),
        ),
        notes=("the wheel rocked back twice",),
    )


@pytest.fixture
def runout() -> Runout:
    return make_runout((make_side("right"),))


@pytest.fixture
def two_sided() -> Runout:
    return make_runout((make_side("right"), make_side("left", non_repeatable_mm=math.nan)))


@pytest.fixture
def plan() -> Plan:
    before = WheelState(
        lateral_mm=0.84,
        radial_mm=None,
        dish_mm=-0.2,
        tension_spread_right=0.06,
        tension_spread_left=None,
        highest_tension_n=1080.0,
    )
    return Plan(
        round=1,
        corrections=(
            Correction(order=1, spoke=7, side="left", turns=0.25, words="tighten spoke 7 by a quarter turn"),
            Correction(order=2, spoke=8, side="right", turns=-0.125, words="loosen spoke 8 by an eighth"),
        ),
        predicted=before,
        before=before,
        bound=Bound(objective=0.9, proved=math.nan),
        cautions=("wear eye protection",),
        refused=None,
        notes=("no radial pass",),
        readings=Readings(
            lateral_mm=np.array([0.4, math.nan]),
            radial_mm=np.full(2, math.nan),
            tension_n=np.array([900.0, 1080.0]),
            centred=True,
        ),
        earlier=(
            Round(
                readings=Readings(
                    lateral_mm=np.array([0.4, -0.4]),
                    radial_mm=np.array([math.nan, 0.1]),
                    tension_n=np.full(2, math.nan),
                ),
                turns=np.array([0.0, -0.125]),
            ),
        ),
    )
