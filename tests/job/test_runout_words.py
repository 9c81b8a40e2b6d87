"""What a measurement says on the terminal, and what it says comes next."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.cli.common import signed
from rimgauge.cli.measure import _next_step
from rimgauge.cli.runout_words import check_text, runout_text
from rimgauge.errors import BadFile
from rimgauge.job import create_job, keep_pass, keep_plan
from rimgauge.records import BudgetLine, Verdict
from tests.job.conftest import make_runout, make_side


def test_what_rounds_to_nothing_has_no_minus(runout):
    side = replace(runout.sides[0], spoke_mm=np.array([-0.004, 0.004, -0.006, 0.1]))
    said = runout_text(replace(runout, sides=(side,)))
    assert "1R +0.00    2L +0.00    3R -0.01" in said
    assert (signed(-0.0), signed(-0.0049), signed(-0.0051)) == ("+0.00", "+0.00", "-0.01")


def test_one_spoke_is_one(runout):
    (zone, *_), side = runout.sides[0].zones, runout.sides[0]
    named = {(2,): ": spoke 2\n", (2, 3): ": spokes 2 and 3\n", (31, 32, 1, 2): ": spokes 31 to 2\n"}
    for spokes, said in named.items():
        text = runout_text(replace(runout, sides=(replace(side, zones=(replace(zone, spokes=spokes),)),)))
        assert said in text


def test_each_side_of_the_rim_is_named_before_its_deviations(runout):
    first, second = make_side("right"), make_side("left")
    both = replace(runout, sides=(first, second))
    lines = runout_text(both).splitlines()
    right = lines.index("Right side of the rim: 0.84 mm")
    assert lines[right + 1].startswith("  0.")
    assert "Left side of the rim: 0.84 mm" in lines
    assert "side of the rim: " not in runout_text(replace(runout, sides=(first,)))


def test_one_frame_is_one(runout):
    one = replace(runout, source=replace(runout.source, frames=1, used=1))
    assert "1 of 1 frame used" in runout_text(one)
    assert "3 of 4 frames used" in runout_text(runout)


def test_too_close_to_call_asks_for_what_would_decide_it(runout, capsys):
    close = replace(runout, verdict=Verdict(tolerance_mm=0.85, rule="guard band", outcome="undecided"))
    for source, words in (
        ("scale", "take the scale again"),
        ("camera not square to the rim", "give a radial measurement of the same wheel with --radial"),
        ("repeatability of the curve", "turn the wheel more often"),
    ):
        lines = (
            BudgetLine(source=source, standard_uncertainty_mm=0.01),
            BudgetLine(source="x", standard_uncertainty_mm=0.001),
        )
        _next_step(replace(close, budget=lines), None)
        said = " ".join(capsys.readouterr().out.split())
        assert f"most of it from: {source}. To decide it, {words}" in said
        assert "rimgauge plan" not in said


def test_a_direction_alone_does_not_make_the_wheel_true(plan, tmp_path, capsys):
    job = create_job(tmp_path / "wheel", spokes=4)

    def judged(direction, outcome):
        made = make_runout((make_side("right" if direction == "lateral" else "outer"),), direction)
        made = replace(made, source=replace(made.source, sha256=""))
        return replace(made, verdict=Verdict(tolerance_mm=0.5, rule="guard band", outcome=outcome))

    def said_after(runout):
        _next_step(runout, job, keep_pass(job, runout).name)
        return " ".join(capsys.readouterr().out.split())

    good = judged("lateral", "within")
    within = "Check passed: lateral runout is within its tolerance of 0.5 mm; "
    assert check_text(good, None) == (True, f"{within}radial runout was not judged.")
    assert said_after(good).endswith(
        "lateral runout is true enough, and radial runout was not measured; make the page that says so. rimgauge report"
    )
    assert check_text(good, job) == (True, f"{within}radial runout was not measured.")
    keep_pass(job, judged("radial", "out"))
    assert said_after(good).endswith(
        "radial runout is out of its tolerance of 0.5 mm (pass-02.json); ask which nipples to turn. rimgauge plan"
    )
    but = within.replace("; ", ", BUT ")
    assert check_text(good, job) == (
        True,
        f"{but}radial runout is out of its tolerance of 0.5 mm (pass-02.json).",
    )
    keep_plan(job, plan)
    said = said_after(good)
    old = "radial runout was out of its tolerance of 0.5 mm in pass-02.json and was not measured since"
    assert old in said
    assert said.endswith("rimgauge measure SOURCE --direction radial")
    assert check_text(good, job)[1].startswith(but + old)
    keep_pass(job, judged("radial", "undecided"))
    assert "against its tolerance of 0.5 mm (pass-05.json); measure that again" in said_after(good)
    assert check_text(good, job)[1].startswith(but)
    assert said_after(judged("radial", "within")).endswith("rimgauge report")
    passed, words = check_text(good, job)
    assert passed
    assert words == f"{within}radial runout is within its tolerance of 0.5 mm (pass-07.json)."
    assert not check_text(judged("lateral", "undecided"), job)[0]
    (job.folder / "pass-02.json").unlink()
    with pytest.raises(BadFile, match="missing"):
        check_text(good, job)
