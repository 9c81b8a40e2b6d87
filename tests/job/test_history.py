"""What a job's measurements are of, put in order: `plan` starts from the newest state and the last round done."""

import hashlib
from dataclasses import replace

import numpy as np
import pytest

from rimgauge.cli.measure import _next_step
from rimgauge.cli.plan_files import starting_point
from rimgauge.cli.plan_given import Files
from rimgauge.cli.report_evidence import _kept_dish
from rimgauge.cli.runout_words import check_text
from rimgauge.cli.show import _still_to_do
from rimgauge.errors import BadFile, BadInput
from rimgauge.job import (
    KeptDish,
    corrections_between,
    create_job,
    history,
    keep_dish,
    keep_pass,
    keep_plan,
    now,
    passes,
    read_manifest,
    read_pass,
    since_corrections,
    verify_job,
)
from rimgauge.job import manifest as manifests
from rimgauge.records import Verdict
from rimgauge.signal.centre import dish_turned
from tests.laws.simulated import simulated_pass, wave

NOTHING = Files(lateral=None, radial=None, readings=None, tension=None, centred=False)


@pytest.fixture
def job(tmp_path):
    return create_job(tmp_path / "wheel", spokes=32)


def filmed(job, film, size_mm, seed=0):
    """Measure a film; the same film may come out a little otherwise with other options."""
    runout = simulated_pass(wave(2, size_mm), seed=seed)
    source = replace(runout.source, sha256=hashlib.sha256(film.encode()).hexdigest())
    return keep_pass(job, replace(runout, source=source))


def test_a_round_is_not_taken_for_done_because_its_film_was_measured_again(job, plan, capsys):
    filmed(job, "before", 0.3)
    made_on = starting_point(NOTHING, job, 32, done=None).now
    planned = replace(plan, readings=made_on, earlier=())
    keep_plan(job, planned)
    with pytest.raises(BadInput, match=r"but nothing was measured since plan-01\.json was made"):
        starting_point(NOTHING, job, 32, done="none")
    again = filmed(job, "before", 0.28, seed=1)
    start = starting_point(NOTHING, job, 32, done=None)
    assert start.last is None
    told = "pass-02.json is of the same film as pass-01.json, after which round 1 was planned: nothing that was turned"
    assert start.notes[0].startswith(told)
    with pytest.raises(BadInput, match="film the wheel after turning"):
        starting_point(NOTHING, job, 32, done="none")
    _next_step(read_pass(again), job, again.name)
    said = " ".join(capsys.readouterr().out.split())
    assert told in said
    assert "rimgauge plan" not in said
    within = replace(read_pass(again), verdict=Verdict(tolerance_mm=1.0, rule="guard band", outcome="within"))
    assert check_text(within, job, again.name) == (False, f"Check not passed: {start.notes[0]}")
    assert start.round_number == 1
    assert start.files.lateral.name == "pass-02.json"
    after = filmed(job, "after", 0.1, seed=2)
    assert check_text(within, job, after.name)[0]
    start = starting_point(NOTHING, job, 32, done=None)
    assert start.notes == ()
    assert start.round_number == 2
    assert start.last[1].lateral_mm.tolist() == made_on.lateral_mm.tolist()


def typed(job, number, lateral_mm, radial_mm):
    """Type readings in, to a tenth of a millimetre."""
    rows = [
        f"{spoke},{lateral:.1f},{radial:.1f}"
        for spoke, lateral, radial in zip(range(1, 33), lateral_mm, radial_mm, strict=True)
    ]
    text = "\n".join(["spoke,lateral_mm,radial_mm", *rows, ""])
    (job.folder / f"readings-{number:02}.csv").write_text(text, encoding="utf-8")


@pytest.mark.parametrize("turned", [True, False])
def test_a_round_counts_that_moved_radial_runout_alone_but_none_of_a_plan_without_turns(job, plan, turned):
    lateral_mm, radial_mm = np.cos(np.arange(32)), np.sin(np.arange(32))
    typed(job, 1, lateral_mm, radial_mm)
    first = starting_point(NOTHING, job, 32, done=None).now
    corrections = plan.corrections if turned else ()
    keep_plan(job, replace(plan, corrections=corrections, readings=first, earlier=()))
    typed(job, 2, lateral_mm, radial_mm / 2)
    start = starting_point(NOTHING, job, 32, done=None)
    assert [one.spoke for one in start.last[0].corrections] == [one.spoke for one in corrections]
    assert start.round_number == 1 + turned


def test_what_was_measured_between_a_plan_and_its_being_planned_anew_is_from_before_the_turns(job, plan):
    """Lateral, plan, radial only, and the round planned anew on both, since nothing was turned."""
    lateral = simulated_pass(wave(2, 0.3))
    keep_pass(job, lateral)
    made_on = starting_point(NOTHING, job, 32, done=None).now
    keep_plan(job, replace(plan, readings=made_on, earlier=()))
    radial = keep_pass(job, simulated_pass(wave(3, 0.3), direction="radial", gaps_mm=(("outer", 2.0),)))
    assert history(job).rounds_between("pass-01.json", radial.name) == (1,)
    both = replace(made_on, radial_mm=read_pass(radial).sides[0].spoke_mm)
    keep_plan(job, replace(plan, readings=both, earlier=()))
    assert history(job).rounds_between("pass-01.json", radial.name) == ()
    assert not history(job).planned_since("pass-01.json")
    filmed(job, "after", 0.1)
    assert history(job).rounds_between(radial.name, "pass-03.json") == (1,)
    # The same number on other readings is no plan made anew: what was turned in between stays known.
    keep_plan(job, replace(plan, readings=replace(both, lateral_mm=made_on.lateral_mm / 3), earlier=()))
    assert history(job).rounds_between(radial.name, "pass-03.json") == (1,)


def test_a_plan_made_once_more_on_an_old_state_doesnt_undo_its_turns(job, plan):
    """Planned, turned, filmed; then someone plans on the old measurement again, to see what was asked."""
    first = filmed(job, "before", 0.3)
    planned = replace(plan, readings=starting_point(NOTHING, job, 32, done=None).now, earlier=())
    keep_plan(job, planned)
    after = filmed(job, "after", 0.1)
    keep_plan(job, planned)
    assert history(job).rounds_between(first.name, after.name) == (1,)
    assert corrections_between(job, first, after) == job.folder / "plan-01.json"
    assert since_corrections(job, [first, after]) == ((after,), job.folder / "plan-01.json")


def test_the_steps_of_a_plan_are_shown_until_the_wheel_is_measured_again(job, plan, capsys):
    assert _still_to_do(job) is None
    filmed(job, "before", 0.3)
    keep_plan(job, plan)
    assert _still_to_do(job) == job.folder / "plan-01.json"
    filmed(job, "before", 0.28, seed=1)
    assert _still_to_do(job) == job.folder / "plan-01.json"
    filmed(job, "after", 0.1)
    assert _still_to_do(job) is None
    assert "measured (pass-03.json) after plan-01.json was made" in capsys.readouterr().err


def test_an_older_measurement_that_was_changed_by_hand_is_refused(job):
    older = filmed(job, "before", 0.3)
    filmed(job, "after", 0.1)
    text = older.read_text(encoding="utf-8")
    older.write_text(text.replace("2026-01-31", "2026-01-30", 1), encoding="utf-8")
    assert older.read_text(encoding="utf-8") != text
    with pytest.raises(BadFile, match=r"pass-01\.json: is not as it was recorded"):
        starting_point(NOTHING, job, 32, done=None)


def test_the_order_is_that_in_which_films_were_first_measured(job, plan):
    for round_number, (film, size_mm) in enumerate((("before", 0.3), ("after", 0.1)), start=1):
        filmed(job, film, size_mm)
        keep_plan(job, replace(plan, round=round_number))
    filmed(job, "before", 0.28, seed=1)
    course = history(job)
    assert [result.file for result in course.straight] == ["pass-03.json", "pass-02.json"]
    assert "the same film as pass-03.json" in course.too_few("lateral")
    assert course.too_few("radial") == "holds no radial measurement yet; `rimgauge measure` makes one"
    assert course.replaced == {"pass-01.json": "pass-03.json"}
    assert course.rounds_between("pass-03.json", "pass-02.json") == (1,)
    assert course.planned_since("pass-03.json")
    assert not course.planned_since("pass-02.json")


def test_a_film_of_the_turned_wheel_stays_one_when_it_is_measured_again(job):
    first, turned = filmed(job, "before", 0.3), filmed(job, "turned", -0.3)
    dish = dish_turned(read_pass(first), read_pass(turned))
    pair = (first.name, turned.name)
    keep_dish(job, KeptDish(created=now(), measurements=pair, between_mm=None, tolerance_mm=1.0, dish=dish))
    filmed(job, "turned", -0.28, seed=1)
    assert [result.file for result in history(job).straight] == [first.name]


def test_an_old_film_measured_again_is_not_since_the_corrections(job, plan):
    first, turned = filmed(job, "before", 0.3), filmed(job, "turned", -0.3)
    dish = dish_turned(read_pass(first), read_pass(turned))
    pair = (first.name, turned.name)
    keep_dish(job, KeptDish(created=now(), measurements=pair, between_mm=None, tolerance_mm=1.0, dish=dish))
    keep_plan(job, plan)
    after = filmed(job, "after", 0.1)
    again = filmed(job, "before", 0.28, seed=1)
    assert since_corrections(job, passes(job)) == ((after,), job.folder / "plan-01.json")
    assert "before the last corrections were planned" in _kept_dish(job)[0]
    assert corrections_between(job, again, after) == job.folder / "plan-01.json"
    assert corrections_between(job, first, again) is None


def test_an_older_manifest_learns_which_film_a_measurement_is_of(job):
    for seed in (0, 1):
        filmed(job, "one", 0.3, seed=seed)
    told = read_manifest(job.folder)
    older = replace(told, results=tuple(replace(result, source_sha256=None) for result in told.results))
    manifests.write_json(
        job.folder / "manifest.json", "rimgauge-job", manifests._fields(older), manifests._parse
    )
    assert verify_job(job.folder) == ()
    assert history(job).replaced == {"pass-01.json": "pass-02.json"}
    filmed(job, "other", 0.2)
    assert all(result.source_sha256 for result in read_manifest(job.folder).results)
