"""What the spokes' looks say of the wheel's place, told apart by looks made here."""

from dataclasses import replace

import numpy as np
from hand_motion import STEP_S, Motion
from seen_angle import draw_bench, film, layout_of

from rimgauge.signal import doubt, turning
from rimgauge.signal.follow import Evidence
from rimgauge.signal.looks import LearntLook, look_likelihood
from rimgauge.signal.place import SPEEDS, STEPS, Place, chance_along, strays_deg

HERE, THERE, KINDS = 10, 20, 6
RIGHT, WRONG = np.zeros(KINDS), np.full(KINDS, 2.0)


def nats_for_the_wrong_place(components: np.ndarray, *, once: bool) -> np.ndarray:
    """Logarithms (n,) of how much likelier looks (n, k) make the wrong of two places."""
    expected = np.full((STEPS, KINDS), 50.0)
    expected[HERE], expected[THERE] = RIGHT, WRONG
    learnt = LearntLook(expected, np.ones(KINDS), np.full(KINDS, 5.0))
    likelihood = look_likelihood(components, learnt, once=once)
    return np.log(likelihood[:, THERE] / likelihood[:, HERE])


def test_a_wheel_at_rest_does_not_say_the_same_fault_thirty_times_over():
    rng = np.random.default_rng(31)
    fault = 1.2 * np.ones(KINDS)
    at_rest = RIGHT + fault + rng.normal(0.0, 0.2, (30, KINDS))
    every, once = (nats_for_the_wrong_place(at_rest, once=once) for once in (False, True))
    assert once[0] == every[0] > 0.5
    assert every.sum() > 20.0 * every[0]
    assert once.sum() < 3.0 * once[0]


def test_pictures_whose_noise_is_their_own_each_count_in_full():
    rng = np.random.default_rng(32)
    moving = RIGHT + rng.normal(0.0, 1.0, (400, KINDS))
    said = nats_for_the_wrong_place(moving, once=True)
    # The looks lie 2√6 noises apart and count as two of six: 1/3 · ½ · 24 = 4 nats each, less where a change is small.
    assert -4.3 < said.mean() < -3.0


def test_a_picture_after_a_gap_counts_in_full():
    one = (RIGHT + 1.2)[None]
    seen = np.concatenate([one, np.full((1, KINDS), np.nan), one, one])
    said = nats_for_the_wrong_place(seen, once=True)
    assert said[0] == said[2]
    assert said[1] == 0.0
    assert abs(said[3]) < 1e-9


def test_frames_in_which_only_a_look_counted_many_times_is_sure_of_the_place_are_doubted(monkeypatch):
    course_deg = np.concatenate([np.arange(0.0, 300.0, 3.0), np.full(30, 300.0)])
    rests = np.arange(len(course_deg)) >= 100

    def place(angle_deg: np.ndarray) -> Place:
        return Place(angle_deg, chance_along(angle_deg), np.ones((len(angle_deg), SPEEDS)), 0.0)

    def reconsidered(evidence: Evidence, angle_deg: np.ndarray, *, once: bool = False) -> Place:
        return place(np.where(rests & once, angle_deg + 10.0, angle_deg))

    monkeypatch.setattr(doubt, "reconsider", reconsidered)
    none = np.full(len(course_deg), np.nan)
    evidence = Evidence(mark_deg=none, mark_sd_deg=none, hidden_deg=0.0)
    once = reconsidered(evidence, course_deg, once=True).chance
    doubted = doubt.doubted(place(course_deg), evidence, np.arange(len(none)), course_deg, 10.0, once)
    assert (doubted == rests).all()


def test_a_place_is_unsure_by_how_far_its_chances_lie_from_it_beyond_a_step_of_the_grid():
    """All at the place or next to it, or a quarter of them nine degrees on, across the grid's end too."""
    angle_deg = np.array([40.0, 40.0, 357.0, 717.0])
    chance = np.zeros((4, STEPS))
    chance[0, [39, 40, 41]] = 1.0 / 3.0
    chance[1, [40, 49]] = chance[2, [357, 6]] = chance[3, [357, 6]] = 0.75, 0.25
    np.testing.assert_allclose(strays_deg(chance, angle_deg), [0.0, 4.0, 4.0, 4.0], atol=1e-9)


def test_where_the_spokes_speak_for_another_place_the_angle_is_less_sure_or_not_told(monkeypatch):
    """Of two frames a twentieth of the chances lie six degrees on, of two others twenty."""
    rng = np.random.default_rng(1)
    bench = replace(draw_bench(rng), dropped=0.0, jitter_s=0.0, hand=False)
    clock_s = np.arange(0.0, 5.0, STEP_S)
    seen = film(Motion("steady", clock_s, 150.0 * clock_s + 20.0), bench, rng)
    frame = np.arange(len(seen.angle_deg))
    unsure, lost = np.isin(frame, [40, 41]), np.isin(frame, [90, 91])

    def reconsidered(evidence: Evidence, angle_deg: np.ndarray, *, once: bool = False) -> Place:
        there = chance_along(angle_deg)
        farther = 0.95 * there + 0.05 * chance_along(angle_deg + np.where(lost, 20.0, 6.0))
        chance = np.where((unsure | lost)[:, None], farther, there)
        return Place(angle_deg, chance, np.ones((len(angle_deg), SPEEDS)), 0.0)

    monkeypatch.setattr(turning, "reconsider", reconsidered)
    told = turning.find_turning(seen.track, layout_of(bench))
    assert (np.isnan(told.angle_deg) == lost).all()
    assert (told.standard_uncertainty_deg[unsure] > 1.0).all()
    assert (told.standard_uncertainty_deg[~unsure & ~lost] < 0.5).all()
