"""What a round is taken for that moved the rim by another amount than planned, or elsewhere."""

from dataclasses import replace

import numpy as np
import pytest
from wheels import build, out_of_true

from rimgauge.records import Round
from rimgauge.wheel import influence
from rimgauge.wheel.groups import groups_of
from rimgauge.wheel.learning import believable
from rimgauge.wheel.missed import nipples_missed


@pytest.mark.parametrize(("share", "believed"), [(0.34, False), (0.46, True)])
def test_a_round_of_which_under_two_fifths_show_is_not_believed(wheel, answer, share, believed):
    before = out_of_true(wheel, 1, lateral_mm=2.5)
    turns = np.where(np.arange(36) % 9 == 0, 0.375, 0.0)
    then = replace(
        before,
        lateral_mm=before.lateral_mm + share * answer.lateral_mm @ turns,
        radial_mm=before.radial_mm + share * answer.radial_mm @ turns,
        tension_n=np.full(36, np.nan),
    )
    assert len(believable(wheel, [Round(readings=before, turns=turns)], then)) == believed


@pytest.mark.parametrize(("missed_by", "named"), [(0.18, ()), (0.3, (8, 9, 10))])
def test_nipples_are_named_where_no_more_than_three_would_explain_it(missed_by, named):
    """Sixty spokes stand so near one another that a smaller slip of one could be that of any of five."""
    wheel = build(60)
    answer = influence(wheel)
    before = replace(out_of_true(wheel, 1, lateral_mm=2.5), tension_n=np.full(60, np.nan))
    turns = np.where(np.arange(60) % 6 == 0, 0.25, 0.0)
    slip = np.where(np.arange(60) == 9, missed_by, 0.0)
    then = replace(
        before,
        lateral_mm=before.lateral_mm + answer.lateral_mm @ (turns + slip),
        radial_mm=np.full(60, np.nan),
    )
    found = nipples_missed(wheel, answer, groups_of(wheel, answer), Round(readings=before, turns=turns), then)
    assert found is not None
    assert found.nipples == named
