"""Looks that come back after a known angle, the spokes' and the gap's: learnt from where the wheel may be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rimgauge.records import FloatArray
from rimgauge.signal.place import STEPS

HARMONICS = 20
UNLIKE = 0.02
"""Chance that a moment shows something else than the look: a hand, or the valve."""
LEAST_SURENESS = 0.35
LEAST_MOMENTS = 8
RIDGE, LEAST_RIDGE = 0.02, 1e-6
STRETCHES = 15


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """Components (n, k) of something that repeats after period_deg, NaN where there is no frame.

    foretold: whether each stretch of a run is explained by what the others foretell.

    It is believed no finer than least_noise, a share of its spread: what is learnt on a few frames doesn't hold for
    all, and an exact gap must not shut out the true path.
    """

    components: FloatArray
    period_deg: float
    least_noise: float = 0.2
    foretold: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class LearntLook:
    """What is expected at each angle (STEPS, k), the noise (k,) round it, and the spread (k,) over all angles."""

    expected: FloatArray
    noise: FloatArray
    spread: FloatArray


def learn_look(chance: FloatArray, look: Look) -> LearntLook | None:
    """Learn a look from the chances (n, STEPS) of each angle; None where too little is known."""
    known = _known(chance, look)
    if known is None:
        return None
    basis, weight, seen = known
    expected = basis @ _coefficients(basis, weight.sum(axis=0), weight.T @ seen)
    return _with_noise(look, expected, _missed(weight, seen, expected) / weight.sum(), _spread(look))


def explain(chance: FloatArray, look: Look, *, once: bool = False) -> FloatArray:
    """Likelihood (n, STEPS) of a look's components by what is learnt from the chances (n, STEPS) of each angle.

    1 where too little is known. once: what a wheel at rest shows again and again counts once.
    """
    if look.foretold:
        return _foretell(chance, look, once=once)
    learnt = learn_look(chance, look)
    return np.ones(chance.shape) if learnt is None else look_likelihood(look.components, learnt, once=once)


def _foretell(chance: FloatArray, look: Look, *, once: bool) -> FloatArray:
    """Likelihood (n, STEPS) of a look's components by what is learnt from all other stretches of the run.

    A path that explains each stretch only by what it learnt from that same stretch gains nothing by it
    (cross-validation: Stone, J. R. Statist. Soc. B 36 (1974) 111; from memory).
    """
    result = np.ones(chance.shape)
    known = _known(chance, look)
    if known is None:
        return result
    basis, weight, seen = known
    stretches = np.array_split(np.arange(len(seen)), STRETCHES)
    cover = np.array([weight[part].sum(axis=0) for part in stretches])
    toward = np.array([weight[part].T @ seen[part] for part in stretches])
    expected = [
        basis @ _coefficients(basis, cover.sum(axis=0) - own_cover, toward.sum(axis=0) - own)
        for own_cover, own in zip(cover, toward, strict=True)
    ]
    missed = sum(
        _missed(weight[part], seen[part], one) for part, one in zip(stretches, expected, strict=True)
    )
    spread = _spread(look)
    for part, one in zip(stretches, expected, strict=True):
        learnt = _with_noise(look, one, missed / weight.sum(), spread)
        result[part] = look_likelihood(look.components[part], learnt, once=once)
    return result


def _known(chance: FloatArray, look: Look) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Waves of the phase, weight (n, STEPS) of each moment at each angle, and what was seen (n, k), 0 where nothing."""
    phase: FloatArray = np.arange(STEPS) * np.float64(2.0 * np.pi / look.period_deg * 360.0 / STEPS)
    # How well a moment's phase within the period is known: 1 for sure, 0 for not at all.
    sureness = np.hypot(chance @ np.cos(phase), chance @ np.sin(phase))
    usable = np.isfinite(look.components).all(axis=1) & (sureness > LEAST_SURENESS)
    if usable.sum() < LEAST_MOMENTS:
        return None
    weight = np.where(usable, sureness**2, 0.0)[:, None] * chance
    return _waves(phase), weight, np.where(usable[:, None], look.components, 0.0)


def _coefficients(basis: FloatArray, cover: FloatArray, toward: FloatArray) -> FloatArray:
    """Of the waves, by least squares, from the weight (STEPS,) and the weighted sum (STEPS, k) at each angle."""
    normal = basis.T @ (basis * cover[:, None])
    # All that is known may stand in the one stretch that is left out.
    ridge = max(RIDGE * float(np.trace(normal)) / len(normal), LEAST_RIDGE) * np.eye(len(normal))
    return np.asarray(np.linalg.solve(normal + ridge, basis.T @ toward), dtype=np.float64)


def _missed(weight: FloatArray, seen: FloatArray, expected: FloatArray) -> FloatArray:
    """Weighted sum of squares (k,) of what was seen less what was expected."""
    second = seen**2 * weight.sum(axis=1)[:, None] - 2.0 * seen * (weight @ expected) + weight @ expected**2
    return np.asarray(second.sum(axis=0))


def _spread(look: Look) -> FloatArray:
    """Standard deviation (k,) of a look's components."""
    return np.asarray(np.maximum(np.nanstd(look.components, axis=0), 1e-6))


def _with_noise(look: Look, expected: FloatArray, variance: FloatArray, spread: FloatArray) -> LearntLook:
    noise = np.sqrt(np.maximum(variance, 1e-9))
    return LearntLook(expected, np.maximum(noise, look.least_noise * spread), spread)


def _waves(phase: FloatArray) -> FloatArray:
    """Constant, cosines and sines (STEPS, 1 + 2·HARMONICS) of the phase within a period."""
    orders = np.arange(1, HARMONICS + 1)
    return np.hstack([np.ones((STEPS, 1)), np.cos(np.outer(phase, orders)), np.sin(np.outer(phase, orders))])


def look_likelihood(components: FloatArray, learnt: LearntLook, *, once: bool = False) -> FloatArray:
    """Likelihood (n, STEPS) of components (n, k), against that of a look of which only the spread is known.

    A mixture with that broad look, so that a hand or the valve in the picture does not decide alone.
    """
    # Components of one picture aren't independent; the mean keeps them from shouting together.
    share = 2.0 / max(2, components.shape[1])
    seen, expected = components / learnt.noise, learnt.expected / learnt.noise
    square = np.sum(seen**2, axis=1)[:, None] - 2.0 * seen @ expected.T + np.sum(expected**2, axis=1)
    gain = float(np.sum(np.log(learnt.spread / learnt.noise)))
    known = share * (0.5 * (components.shape[1] - square) + gain)
    broad = np.exp(-share * 0.125 * np.sum((components / learnt.spread) ** 2, axis=1))
    result = np.exp(known) + UNLIKE * broad[:, None]
    if once and components.shape[1] > 1:
        result **= _news(seen)[:, None]
    result[np.isnan(components).any(axis=1)] = 1.0
    return np.asarray(result)


def _news(seen: FloatArray) -> FloatArray:
    """How much of each moment's look (n, k) [its noise] is news, 0 to 1, by what changed since the moment before.

    A wheel at rest shows the same again and again, and what it shows differs from the look in the same way: thirty
    such pictures say little more than one. Where their differences are noise alone, Σ(change²) is twice the noise's.
    """
    step = np.diff(seen, axis=0, prepend=np.nan)
    return np.asarray(np.nan_to_num(np.minimum(0.5 * np.mean(step**2, axis=1), 1.0), nan=1.0))
