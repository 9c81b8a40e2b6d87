"""How rim and tensions moved in a round, against what was foretold."""

from __future__ import annotations

import numpy as np

from rimgauge.records import FloatArray, Influence, Readings, Round, Wheel, record

MOVEMENT_NOISE_MM = 0.03
"""Standard deviation of a measured movement: two readings, what the groups can't say."""
TENSION_NOISE = 0.045
"""The same of a change of tension, as a share of the tension: two readings of a gauge of 3 %."""
TOO_LITTLE = 0.4
"""A rim that moved by less than this share was hardly turned as planned."""
TOO_MUCH, TOO_MUCH_MM = 1.5, 0.1
"""A rim that moved by more than this share of a movement as large as that is hardly the one that was turned: of 140 drawn
rounds done by hand none came over 1.23, nor done by half; of 140 rounds done on another wheel 88 did."""
TURN_SPREAD = 0.02
"""Standard deviation of what a hand and a spoke that winds up make of one turn [turns]; a judgement."""


@record
class Movement:
    """How rim and tensions moved from one reading to the next at each of n spokes; NaN where not read both times.

    mean_n (n,): mean tension of each spoke's side, by which the gauge's noise goes. noise_mm: of a lateral and a radial
    movement. centred: both lateral readings are from the centre plane, so that the mean of their movement counts.
    """

    lateral_mm: FloatArray
    radial_mm: FloatArray
    tension_n: FloatArray
    mean_n: FloatArray
    noise_mm: tuple[float, float]
    centred: bool

    @classmethod
    def between(cls, wheel: Wheel, before: Readings, after: Readings) -> Movement:
        """Take the difference of two readings; steps they were read in make it noisy."""
        steps = zip(before.steps_mm, after.steps_mm, strict=True)
        lateral, radial = (
            float(np.sqrt(MOVEMENT_NOISE_MM**2 + (one**2 + two**2) / 12)) for one, two in steps
        )
        return cls(
            lateral_mm=after.lateral_mm - before.lateral_mm,
            radial_mm=after.radial_mm - before.radial_mm,
            tension_n=after.tension_n - before.tension_n,
            mean_n=wheel.mean_tensions_n,
            noise_mm=(lateral, radial),
            centred=before.centred and after.centred,
        )

    @property
    def measured(self) -> FloatArray:
        """All that was read (r,), in standard deviations of its noise."""
        return self._in_noise(self.lateral_mm, self.radial_mm, self.tension_n)

    def foretold(self, answer: Influence, turns: FloatArray) -> FloatArray:
        """What turns (n,) should have made of the same readings (r,), in the same units."""
        return self._in_noise(answer.lateral_mm @ turns, answer.radial_mm @ turns, answer.tension_n @ turns)

    def _in_noise(self, lateral_mm: FloatArray, radial_mm: FloatArray, tension_n: FloatArray) -> FloatArray:
        lateral_mm = lateral_mm[np.isfinite(self.lateral_mm)]
        lateral_mm = lateral_mm if self.centred else about_mean(lateral_mm)
        radial_mm = about_mean(radial_mm[np.isfinite(self.radial_mm)])
        read = np.isfinite(self.tension_n)
        return np.concatenate(
            [
                lateral_mm / self.noise_mm[0],
                radial_mm / self.noise_mm[1],
                tension_n[read] / (TENSION_NOISE * self.mean_n[read]),
            ]
        )


def share_moved(
    answer: Influence, done: Round, after: Readings, name: str, least_mm: float = MOVEMENT_NOISE_MM
) -> float | None:
    """How far the rim moved along its foretold movement, as a share of that; None where it was to move little."""
    moved = getattr(after, name) - getattr(done.readings, name)
    read = np.isfinite(moved)
    foretold = about_mean((getattr(answer, name) @ done.turns)[read])
    coarse_mm = max(state.steps_mm[name == "radial_mm"] for state in (done.readings, after))
    if not read.any() or np.ptp(foretold) < max(least_mm, coarse_mm):
        return None
    return float(foretold @ about_mean(moved[read]) / (foretold @ foretold))


def far_more(answer: Influence, done: Round, after: Readings, name: str) -> bool:
    """Whether the rim moved along its foretold movement much farther than a wheel can differ from its model."""
    share = share_moved(answer, done, after, name, TOO_MUCH_MM)
    return share is not None and share > TOO_MUCH


def about_mean(values: FloatArray) -> FloatArray:
    """Take the mean off values of any length."""
    return values - values.mean() if len(values) else values
