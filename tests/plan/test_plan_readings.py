"""Plans in a job whose runout was typed in by hand."""

from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from wheels import out_of_true, turns_of

from rimgauge.cli.plan import command
from rimgauge.cli.verify import command as verify
from rimgauge.errors import BadFile, BadInput
from rimgauge.job import read_plan, read_readings

HEAD = "spoke,lateral_mm,radial_mm,tension_n"


def typed(path, readings):
    """Write readings to a table as a person does, to a hundredth."""
    rows = [
        f"{number},{lateral:.2f},{radial:.2f},"
        for number, (lateral, radial) in enumerate(
            zip(readings.lateral_mm, readings.radial_mm, strict=True), start=1
        )
    ]
    path.write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8")


def planned(*arguments):
    return CliRunner().invoke(command, arguments, catch_exceptions=False)


def test_readings_kept_in_a_job_are_found_and_its_last_round_is_learnt_from(job, wheel, answer):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    typed(job.folder / "readings-01.csv", before)
    said = planned().output
    assert "Round 1" in said
    assert "rimgauge measure" not in said, "there is no camera"
    assert "taken to be right to 0.015 mm" in " ".join(said.split())
    first = read_plan(job.folder / "plan-01.json")
    turned = turns_of(first, 36)
    after = before.lateral_mm + 0.8 * answer.lateral_mm @ turned
    with_after = type(before)(lateral_mm=after, radial_mm=before.radial_mm, tension_n=np.full(36, np.nan))
    typed(job.folder / "readings-02.csv", with_after)
    assert "Round 2" in planned().output
    assert read_plan(job.folder / "plan-02.json").round == 2
    planned("--readings", "readings-02.csv", "--done", str(first.corrections[0].spoke))
    assert read_plan(job.folder / "plan-03.json").round == 2


def test_a_plan_of_no_turns_on_typed_readings_says_what_comes_next(job, wheel):
    out = out_of_true(wheel, 1, lateral_mm=2.0)
    typed(job.folder / "readings-01.csv", replace(out, lateral_mm=0.05 * out.lateral_mm))
    said = " ".join(planned().output.split())
    assert "Next: leave the nipples as they are." in said
    assert "write what you read into readings-02.csv and plan again" in said
    assert "rimgauge report" not in said, "a report is of measurements"
    assert "taken to be right to" not in said, "nothing is turned"


def test_readings_of_any_name_that_were_planned_on_belong_to_the_record(job, wheel):
    for name, more in (("front.csv", ()), ("again.csv", ("--wheel", "wheel.toml", "--out", "other.json"))):
        typed(job.folder / name, out_of_true(wheel, 1, lateral_mm=2.0))
        planned("--readings", name, *more)
        checked = CliRunner().invoke(verify, catch_exceptions=False)
        assert checked.exit_code == 0, checked.output


def test_a_file_named_by_half_is_told_how_in_a_job_and_outside(job, wheel):
    typed(job.folder / "front.csv", out_of_true(wheel, 1, lateral_mm=2.0))
    with pytest.raises(BadInput, match="name both --wheel and --out, or, inside a job folder, neither"):
        planned("--readings", "front.csv", "--out", "plan.json")


@pytest.mark.parametrize(
    ("head", "value", "told"),
    [
        ("spoke,lateral_mm,tension_n", "0.1,100", "call the column tension_kgf"),
        ("spoke,lateral_mm,tension_kgf", "0.1,980", "call the column tension_n"),
        ("spoke,lateral_mm,tension_kgf", "0.1,22", "marks of the gauge's own scale"),
        ("spoke,lateral_mm", None, "not hundredths"),
    ],
)
def test_values_in_another_unit_are_refused(tmp_path, head, value, told):
    rows = [f"{number},{value or 3 * number}" for number in range(1, 29)]
    path = tmp_path / "readings.csv"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    with pytest.raises(BadFile, match=told):
        read_readings(path, 28)
