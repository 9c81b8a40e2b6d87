"""A few hundred spoilt files and options through every door; `python -m tests.benchmarks.fuzz` runs thousands."""

import numpy as np
import pytest
from doors import DOORS, fill_shelf
from sandbox import clear, run_case

CASES_A_SHARE = 3
QUICK = [name for name in DOORS if name not in ("page", "page of a job")]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    return fill_shelf(tmp_path_factory.mktemp("shelf"))


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # the case itself tells a warning from silence
@pytest.mark.parametrize("door", QUICK)
def test_what_is_spoilt_ends_in_a_result_or_a_sentence(shelf, tmp_path, monkeypatch, door):
    make, share = DOORS[door]
    (tmp_path / "outside").mkdir()
    (tmp_path / "tmp").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "tmp"))
    faults = []
    for number in range(CASES_A_SHARE * share):
        clear(tmp_path / "case")
        case = make(shelf, tmp_path / "case", np.random.default_rng([number, share]))
        ending = run_case(case, shelf.folder, tmp_path / "outside", tmp_path / "tmp")
        faults += [f"{number}: {fault}; {case.arguments}" for fault in ending.faults]
    assert not faults
