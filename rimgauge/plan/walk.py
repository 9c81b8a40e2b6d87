"""A walk through many good plans: what is still out of limits is made dearer, what is inside cheaper.

Each step of the walk has a price that is a plain quadratic in the eighths: weighted squares of the runout
about its middle, of tension about each side's mean, of dish and mean tension, and the turning. For such a
price all pairs of nipples are judged by adding numbers, so that a descent takes a millisecond. The weights
then follow what the plan leaves: that is how limits on the *worst* place are met by sums of squares
(multiplicative weights; S. Arora, E. Hazan, S. Kale, Theory of Computing 8, 2012, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from rimgauge.plan.changes import Answers, searching_price
from rimgauge.plan.prices import GAIN, turning_price
from rimgauge.plan.problem import Line, Problem
from rimgauge.records import FloatArray, IntArray, record

WEIGHTS = (2.0, 40.0)
"""Weight of a row at its limit at the start of a walk, between these [turns]."""
MOST_SLACK_MM = 0.06
"""By how much at most the runout aimed at lies over what the relaxed program reaches, which whole eighths don't."""
RATES = (0.3, 0.6, 1.0)
"""How fast a weight follows: a place at twice its limit grows by this power of e each step."""
STEPS = 40
"""Steps of one walk; after about as many it goes in a circle."""
SETTLING = 12.0
"""Steps after which the weights follow half as fast, so that they settle."""
PEAK_SHARE = 0.02
"""Weight of a spoke's own tension at its limit, beside that: few spokes ever come near."""
LEAST_WEIGHT, MOST_WEIGHT = 1e-3, 1e4
LEAST_HALF_MM = 0.01
"""Half the width of the narrowest band that is aimed at."""
MOST_MOVES = 60
"""Changes in one descent; a brake that is hardly ever reached."""
KEPT = 2
"""Plans that each walk hands on."""


@record
class _Scaled:
    """Rows in units of their limits: start (r,), step (r, n), and which of them are which.

    A line counts place by place, a side by the root mean square of its spokes and again spoke by spoke.
    """

    start: FloatArray
    step: FloatArray
    lines: tuple[slice, ...]
    sides: tuple[slice, ...]
    peaks: tuple[slice, ...]


def walk(answers: Answers, relaxed: FloatArray, random: np.random.Generator) -> list[FloatArray]:
    """Walk from the relaxed answer (n,) [eighths] and give the few best plans (n,) on the way.

    Where the relaxed program does not come under an aim, its own reading and a little more are aimed at. Which
    weight, slack and rate lead farthest differs by wheel, so each walk draws its own.
    """
    weight = float(np.exp(random.uniform(*np.log(WEIGHTS))))
    rows = _scaled(answers, relaxed, random.uniform(0.0, MOST_SLACK_MM))
    steps = _steps(answers.problem, rows, weight, float(random.choice(RATES)), relaxed)
    met = {plan.tobytes(): plan for plan in steps}
    return sorted(met.values(), key=lambda plan: searching_price(answers, plan))[:KEPT]


def _steps(
    problem: Problem, rows: _Scaled, weight: float, rate: float, start: FloatArray
) -> Iterator[FloatArray]:
    """Give the plan at the end of each step."""
    weights = np.full(len(rows.start), weight)
    for peaks in rows.peaks:
        weights[peaks] = PEAK_SHARE * weight
    plan = np.clip(np.round(start), -problem.most_eighths, problem.most_eighths)
    for step in range(STEPS):
        plan = _descend(problem, rows, weights, plan)
        yield plan
        over = _over(rows, rows.start + rows.step @ plan)
        weights = np.clip(weights * np.exp(rate / (1 + step / SETTLING) * over), LEAST_WEIGHT, MOST_WEIGHT)


def _scaled(answers: Answers, relaxed: FloatArray, slack_mm: float) -> _Scaled:
    problem, of = answers.problem, answers.rows
    right, left = problem.sides
    low, high = problem.dish_range_mm
    # Rows, half the width of what they may be within, and its middle.
    bands = [
        (of.lateral, _half_mm(problem.lateral, relaxed, slack_mm), 0.0),
        (of.radial, _half_mm(problem.radial, relaxed, slack_mm), 0.0),
        (of.right, right.largest_rms_n, 0.0),
        (of.left, left.largest_rms_n, 0.0),
        (of.right, right.largest_peak_n, 0.0),
        (of.left, left.largest_peak_n, 0.0),
        (of.dish, max((high - low) / 2, LEAST_HALF_MM), (low + high) / 2),
    ]
    for rows, side in ((of.right_mean, right), (of.left_mean, left)):
        rise, drop = side.largest_rise_n, side.largest_drop_n
        bands.append((rows, (rise + drop) / 2, (rise - drop) / 2))
    ends = np.cumsum([0, *(rows.stop - rows.start for rows, _, _ in bands)])
    parts = tuple(slice(int(first), int(end)) for first, end in pairwise(ends))
    return _Scaled(
        start=np.concatenate([(answers.start[rows] - middle) / half for rows, half, middle in bands]),
        step=np.concatenate([answers.step[rows] / half for rows, half, _ in bands]),
        lines=parts[:2],
        sides=parts[2:4],
        peaks=parts[4:6],
    )


def _half_mm(line: Line, relaxed: FloatArray, slack_mm: float) -> float:
    """Half of the reading aimed at."""
    return max(line.aim_mm, line.seen_after_mm(relaxed) + slack_mm, 2 * LEAST_HALF_MM) / 2


def _middled(rows: _Scaled, after: FloatArray) -> FloatArray:
    """Runout about the middle of its range instead of its mean."""
    middled = after.copy()
    for line in rows.lines:
        part = after[line]
        middled[line] = part - (part.max() + part.min()) / 2
    return middled


def _over(rows: _Scaled, after: FloatArray) -> FloatArray:
    """How far each row is past its limit, in limits, from −1 to 1."""
    over = np.abs(_middled(rows, after)) - 1
    for side in rows.sides:
        over[side] = np.sqrt(np.mean(after[side] ** 2)) - 1
    clipped: FloatArray = np.clip(over, -1.0, 1.0)
    return clipped


def _descend(problem: Problem, rows: _Scaled, weights: FloatArray, plan: FloatArray) -> FloatArray:
    """Take the best change of one or two nipples by an eighth until none helps.

    A change is a column of 2n: each nipple an eighth tighter, then each an eighth looser.
    """
    n = problem.nipples
    share = weights.copy()
    for side in rows.sides:
        share[side] /= side.stop - side.start
    weighted = rows.step.T * share
    product = weighted @ rows.step
    slope = 2 * weighted @ _middled(rows, rows.start + rows.step @ plan)
    sign = np.repeat([1.0, -1.0], n)
    together = 2 * np.tile(product, (2, 2)) * np.outer(sign, sign)
    same = np.arange(2 * n)
    together[same, (same + n) % (2 * n)] = np.inf  # tighter and looser at once is no change
    own, most = np.tile(np.diag(product), 2), np.tile(problem.most_eighths, 2)
    plan, gain = plan.copy(), np.empty_like(together)
    for _ in range(MOST_MOVES):
        alone = np.concatenate([slope, -slope]) + own + _turning(most, plan)
        np.add(together, alone, out=gain)
        gain += alone[:, None]
        gain[same, same] = alone
        best = int(np.argmin(gain))
        if gain.flat[best] > -GAIN:
            break
        for change in {best // (2 * n), best % (2 * n)}:
            plan[change % n] += sign[change]
            slope += 2 * sign[change] * product[:, change % n]
    return plan


def _turning(most: IntArray, plan: FloatArray) -> FloatArray:
    """Price of turning each nipple an eighth tighter, then looser (2n,); infinite past the largest turn, most (2n,)."""
    after = np.concatenate([plan + 1, plan - 1])
    now = turning_price(plan)
    price: FloatArray = turning_price(after) - np.concatenate([now, now])
    price[np.abs(after) > most] = np.inf
    return price
