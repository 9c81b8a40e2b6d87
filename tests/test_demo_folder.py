"""`rimgauge demo` writes over nobody's files."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rimgauge.cli.demo import DRAWN_ON, _check_free, after_words, sample_folder, turns_made
from rimgauge.correcting import correct
from rimgauge.errors import BadFile
from rimgauge.job import create_job, keep_pass, write_pass
from rimgauge.records import Correction, Readings
from rimgauge.wheel import complete_wheel
from tests.laws.simulated import simulated_pass, wave
from tests.said import stopped


def _folder_with(kind: str, place: Path) -> Path:
    if kind == "job":
        job = create_job(place, spokes=32)
        keep_pass(job, simulated_pass(wave(2, 0.3)))
        return place
    place.mkdir()
    if kind == "measurement":
        write_pass(place / "pass-01.json", simulated_pass(wave(2, 0.3)))
    elif kind == "damaged measurement":
        (place / "pass-01.json").write_text("{", encoding="utf-8")
    else:
        (place / kind).write_text("mine", encoding="utf-8")
    return place


@pytest.mark.parametrize("kind", ["job", "measurement", "damaged measurement", "letter.txt", "runout.png"])
def test_a_folder_with_other_files_is_refused(
    tmp_path: Path, kind: str, capsys: pytest.CaptureFixture
) -> None:
    place = _folder_with(kind, tmp_path / "mine")
    before = {path: path.read_bytes() for path in place.iterdir()}
    code, said = stopped(["demo", "--out", str(place)], capsys)
    assert code == 1
    assert "mine: holds files that the demo did not write" in said
    assert {path: path.read_bytes() for path in place.iterdir()} == before


def test_the_demo_says_whether_its_second_films_are_of_the_plan_it_prints() -> None:
    """turns.csv: 8 of 28 nipples turned, by 0.25 + 0.5 + 0.25 + 0.125 + 0.125 + 0.25 + 0.5 + 0.25 turns."""
    readings = Readings(lateral_mm=np.zeros(36), radial_mm=np.zeros(36), tension_n=np.full(36, np.nan))
    plan = correct(readings, complete_wheel({"spokes": 36}))
    said = after_words(sample_folder(), plan)
    assert said.startswith("AFTER an earlier round of 8 nipples, 2 1/4 turns in all, measured again")
    assert "the plan above was made later, and has not been turned" in said
    same = tuple(
        Correction(order=k, spoke=spoke, side="right", turns=turns, words="")
        for k, (spoke, turns) in enumerate(turns_made(sample_folder()), start=1)
    )
    assert (
        after_words(sample_folder(), replace(plan, corrections=same)) == "AFTER these turns, measured again"
    )


def test_a_second_demo_goes_into_the_folder_of_the_first(tmp_path: Path) -> None:
    _check_free(tmp_path / "new")
    _check_free(tmp_path)
    made = replace(simulated_pass(wave(2, 0.3)), created=DRAWN_ON)
    for name in ("pass-01.json", "pass-02.json"):
        write_pass(tmp_path / name, made)
    for name in ("pass-01.jpg", "plan-01.json", "runout.png"):
        (tmp_path / name).write_text("of the demo", encoding="utf-8")
    _check_free(tmp_path)
    write_pass(tmp_path / "pass-03.json", replace(made, created="2026-11-26T12:00:00+00:00"))
    with pytest.raises(BadFile, match="the demo did not write"):
        _check_free(tmp_path)
