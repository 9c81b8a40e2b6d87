"""What a job's measurements are of, put in order: `plan` starts from the newest state and the last round done."""

import hashlib
from dataclasses import replace

import pytest

from rimgauge.cli.plan_files import Files, starting_point
from rimgauge.job import create_job, history, keep_pass, keep_plan
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


def test_a_round_is_not_taken_for_done_because_its_film_was_measured_again(job, plan):
    filmed(job, "before", 0.3)
    made_on = starting_point(NOTHING, job, 32, done=None).now
    planned = replace(plan, readings=made_on, earlier=())
    keep_plan(job, planned)
    filmed(job, "before", 0.28, seed=1)
    start = starting_point(NOTHING, job, 32, done=None)
    assert start.last is None
    assert start.round_number == 1
    assert start.files.lateral.name == "pass-02.json"
    filmed(job, "after", 0.1, seed=2)
    start = starting_point(NOTHING, job, 32, done=None)
    assert start.round_number == 2
    assert start.last[1].lateral_mm.tolist() == made_on.lateral_mm.tolist()


def test_the_order_is_that_in_which_films_were_first_measured(job, plan):
    for film, size_mm in (("before", 0.3), ("after", 0.1)):
        filmed(job, film, size_mm)
        keep_plan(job, plan)
    filmed(job, "before", 0.28, seed=1)
    course = history(job)
    assert [result.file for result in course.straight] == ["pass-03.json", "pass-02.json"]
    assert "the same film as pass-03.json" in course.too_few("lateral")
    assert course.too_few("radial") == "holds no radial measurement yet; `rimgauge measure` makes one"
    assert course.replaced == {"pass-01.json": "pass-03.json"}
    assert course.rounds_between("pass-03.json", "pass-02.json") == (1,)
    assert course.corrected_since("pass-03.json")
    assert not course.corrected_since("pass-02.json")
