"""Each cause that nipples don't mend is simulated on a wheel that finds its own balance, read with noise.

The wheel is that of the closed loop: spokes at their true slant and tension, readings with 0.01 mm and 3 %.
A wheel that is merely out of true beside it is planned.
"""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.correcting import correct
from rimgauge.plan import Wishes
from rimgauge.records import Plan, Readings, Wheel
from tests.benchmarks.true_wheel import TrueWheel, random_wheel

SEEDS = range(3)


def bench(wheel: Wheel, seed: int, *, lateral=0.0, radial=0.0, turned=0.0) -> TrueWheel:
    """A wheel whose rim stands bent so at the spokes [mm], with nipples a little off besides and some turned."""
    random = np.random.default_rng(seed)
    n = len(wheel.flanges)
    made = TrueWheel(nominal=wheel, true=wheel, bend=(np.full(n, 0.0) + lateral, np.full(n, 0.0) + radial))
    made.turn(random.normal(0, 0.06, n) + turned)
    return made


def read(made: TrueWheel, seed: int, *, tension: bool = True) -> Readings:
    readings = made.read(np.random.default_rng(seed + 50), tension=tension)
    return replace(readings, tension_n=np.maximum(readings.tension_n, 0.0))


def why(readings: Readings, wheel: Wheel, **wishes) -> str:
    plan = correct(readings, wheel, wishes=Wishes(**wishes))
    assert plan.refused is not None
    assert plan.corrections == ()
    return plan.refused


def planned(readings: Readings, wheel: Wheel, **wishes) -> Plan:
    plan = correct(readings, wheel, wishes=Wishes(**wishes))
    assert plan.refused is None
    assert plan.corrections
    return plan


def apart_deg(wheel: Wheel, spoke: int) -> np.ndarray:
    """Angle of each spoke from one of them, −180 to 180."""
    return (wheel.spoke_angles_deg - wheel.spoke_angles_deg[spoke] + 180.0) % 360.0 - 180.0


@pytest.mark.parametrize("seed", SEEDS)
def test_a_wheel_that_is_merely_out_of_true_is_planned(wheel, seed):
    n = len(wheel.flanges)
    pull = np.where(np.array(wheel.flanges) == "right", 1.0, -1.0)
    waves = 0.5 * pull * np.cos(np.radians(2 * wheel.spoke_angles_deg) + seed)
    planned(read(bench(wheel, seed, turned=waves + np.zeros(n)), seed), wheel)
    planned(read(bench(wheel, seed, turned=waves + np.zeros(n)), seed, tension=False), wheel)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_rim_bent_short_and_sharply(wheel, seed):
    bend = 4.0 * np.cos(np.radians(9 * wheel.spoke_angles_deg) + seed)
    assert "rim itself seems bent" in why(read(bench(wheel, seed, lateral=bend), seed), wheel)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("tension", [True, False])
def test_an_axle_that_tilts_a_true_wheel(wheel, seed, tension):
    random = np.random.default_rng(seed)
    made = TrueWheel(nominal=wheel, true=wheel, bend=(np.zeros(36), np.zeros(36)))
    made.turn(random.normal(0, 0.02, 36))
    seen = read(made, seed, tension=tension)
    tilt = random.uniform(0.4, 1.2) * np.cos(np.radians(wheel.spoke_angles_deg) - seed)
    tilted = replace(seen, lateral_mm=seen.lateral_mm + tilt)
    assert "tilted" in why(tilted, wheel)
    assert correct(tilted, wheel, wishes=Wishes(checked=frozenset({"axle"}))).refused is None


def test_a_small_tilt_is_planned_and_hinted_at(wheel):
    """Nipples tilt a rim a little without pulling unevenly, so a swing of 0.3 mm proves nothing about the axle."""
    strict = replace(wheel, tolerance=replace(wheel.tolerance, lateral_mm=0.2))
    made = TrueWheel(nominal=strict, true=strict, bend=(np.zeros(36), np.zeros(36)))
    seen = read(made, 0)
    tilt = 0.15 * np.cos(np.radians(wheel.spoke_angles_deg))
    seen = replace(seen, lateral_mm=seen.lateral_mm + tilt)
    for checked, asked in ((frozenset(), True), (frozenset({"axle"}), False)):
        plan = planned(seen, strict, checked=checked)
        assert any("See that the axle is straight" in words for words in plan.see_to_first) == asked


def broken(wheel: Wheel, seed: int, spoke: int) -> TrueWheel:
    """Loosen one spoke until it pulls no more, which is what it does when it is broken."""
    made = bench(wheel, seed)
    for _ in range(40):
        if made.tension_n[spoke] <= 0:
            break
        loosened = np.zeros(len(wheel.flanges))
        loosened[spoke] = -0.25
        made.turn(loosened)
    return made


@pytest.mark.parametrize("seed", SEEDS)
def test_a_broken_spoke(wheel, seed):
    spoke = 7 * seed + 3
    made = broken(wheel, seed, spoke)
    assert f"spoke {spoke + 1} on the" in why(read(made, seed), wheel)
    unread = read(made, seed, tension=False)
    assert f"spoke {spoke + 1} " in why(unread, wheel)
    assert "lost its tension" in why(unread, wheel)


@pytest.mark.parametrize("seed", range(23000, 23006))
def test_a_slack_spoke_is_told_from_both_runouts_on_a_wheel_that_is_out_of_true_besides(seed):
    """One wheel of each kind of the closed loop; on the same wheel with all spokes sound none is named."""
    made = random_wheel(seed, 0.2)
    sound = read(made, seed, tension=False)
    assert not any("lost its tension" in words for words in planned(sound, made.nominal).see_to_first)
    spoke, turn = 11, np.zeros(len(made.nominal.flanges))
    start_n, turn[spoke] = made.tension_n[spoke], -0.1
    while made.tension_n[spoke] > 0.1 * start_n:
        made.turn(turn)
    assert f"as if spoke {spoke + 1} " in why(read(made, seed, tension=False), made.nominal)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("tension", [True, False])
def test_a_rim_bent_by_six_millimetres_in_long_waves(wheel, seed, tension):
    bend = 3.0 * np.cos(3 * np.radians(wheel.spoke_angles_deg) + seed)
    assert "rim itself seems bent" in why(
        read(bench(wheel, seed, lateral=bend), seed, tension=tension), wheel
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_a_bend_that_spokes_could_pull_straight_is_said_before_the_steps(wheel, seed):
    """Two waves round the rim can be held straight, but not by spokes of even tension."""
    bend = 1.9 * np.cos(2 * np.radians(wheel.spoke_angles_deg) + seed)
    bent = bench(wheel, seed, lateral=bend)
    first = planned(read(bent, seed), wheel).see_to_first
    assert any("the rim itself is bent" in words for words in first)
    unread = read(bent, seed, tension=False)
    assert any("Pluck the spokes" in words for words in planned(unread, wheel).see_to_first)
    assert not any(
        "Pluck" in words for words in planned(unread, wheel, checked=frozenset({"rim"})).see_to_first
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_a_rim_that_hit_a_kerb(wheel, seed):
    dent = -1.1 * np.exp(-((apart_deg(wheel, 5 * seed) / 22.0) ** 2))
    seen = read(bench(wheel, seed, radial=dent), seed)
    assert "flat spot" in why(seen, wheel)
    planned(seen, wheel, checked=frozenset({"rim"}))


def test_a_limit_that_every_spoke_has_reached(wheel):
    tight = replace(wheel, tension=replace(wheel.tension, limit_n=wheel.tension.right_n * 0.97))
    assert "over the limit" in why(read(bench(wheel, 0), 0), tight)


@pytest.mark.parametrize("seed", SEEDS)
def test_readings_that_leave_out_a_stretch(wheel, seed):
    seen = read(bench(wheel, seed, lateral=1.0 * np.cos(np.radians(2 * wheel.spoke_angles_deg))), seed)
    lateral = seen.lateral_mm.copy()
    lateral[(np.arange(4) + 9 * seed) % 36] = np.nan
    assert "4 spokes in a row" in why(replace(seen, lateral_mm=lateral), wheel)
