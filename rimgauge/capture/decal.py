"""What a decal that begins close behind the edge draws the fit aside by, told by the whole pass.

A decal's border blurs into the edge, and where it lies within the band or near it the fit takes a part of one for the
other: the edge is read up to a pixel aside wherever the decal passes, alike in all rows and in every turn. Over a pass the
mean profiles then fall into two heaps, with the decal and without it, which differ by what it is made of:

    m₁(x) = a + g·m₀(x − d) + h·(Φ((x − w₁)/σ) − Φ((x − w₂)/σ))

a band from w₁ to w₂ behind the edge, and a shift d of the edge itself, by which the fit was drawn aside. That the rim
before the decal is as bright as elsewhere (g near 1) is what tells d from the rest: the edge's foot alone shows it.

Where that doesn't hold, d is wrong: a worn or faded stretch is brighter or darker up to its edge. So d is believed only
where a band explains the profiles clearly better than such a stretch does, whose edge hasn't moved:

    m₁(x) = a + g·m₀(x) + b·(x/σ)·φ(x/σ) + ∫ (s₁·t + s₂·t²)·[t > 0] φ((x − t)/σ)/σ dt

of any brightness g, blur b and shade s₁, s₂. Else nothing is taken off, and d counts as an uncertainty, by the odds that
the two models have.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import least_squares
from scipy.special import expit, ndtr

from rimgauge.capture.two_looks import heaps
from rimgauge.records import FloatArray

ALIKE = 0.05
"""By that share the rim's brightness differs from one stretch to another (a judgement; drawn rims agree)."""
NOISE = 2.0
"""Grey levels by which a heap's mean profile differs from what it is made of, at the least (a judgement)."""
FOOT_BLURS = 2.0
"""So many blurs before the edge the profiles must begin: its foot tells the shift."""
BEGINS_BLURS, FARTHER_PX = (1.5, 3.0, 5.0), (3.0, 8.0)
"""Where a band is sought first, and how wide."""
NEAREST_PX, MOST_SHIFT_PX, WIDEST_PX = 0.8, 2.0, 12.0
BETTER = 0.25
"""A band must leave no more than that share of the squares that a plain shift of the edge, or a worn stretch, leaves."""
CLEARLY = 10.0
"""By so much a band's information criterion must be below the worn stretch's: very strong evidence (Kass and Raftery, Journal
of the American Statistical Association 90 (1995) 773; from memory). Of 25 drawn decals 23 reach
-12 and less, worn rims 2 and more."""
BAND_UNKNOWNS, WORN_UNKNOWNS = 6, 5


@dataclass(frozen=True, slots=True, eq=False)
class Decal:
    """How much of it each frame shows (m,), 0 to 1, and how far the edge lies from the fit with all of it, and its error [px].

    instead: (pixels,) to be added to the profile of a frame that shows all of it, for that of one without.
    Where it may as well be a worn stretch, nothing is to be taken off: shift and what is added are 0.
    """

    share: FloatArray
    shift_px: float
    error_px: float
    instead: FloatArray

    @property
    def variance(self) -> FloatArray:
        """Of the shift in each frame (m,) [px²]: what all share, but for the mean, and where the decal begins or ends."""
        part = 2.0 * self.share * (1.0 - self.share)
        variance = (self.error_px * (self.share - self.share.mean())) ** 2 + (self.shift_px * part) ** 2
        return np.asarray(variance)


def find_decal(profiles: FloatArray, x: FloatArray, blur_px: float) -> Decal | None:
    """Tell by profiles (m, pixels) at places x (pixels,) from the fitted edge whether a decal comes and goes; None if not."""
    share = _shares(profiles, x, blur_px)
    if share is None:
        return None
    heaps = [np.median(profiles[share == whole], axis=0) for whole in (0.0, 1.0)]
    rim = x >= FOOT_BLURS * blur_px
    # The plainer one is moved: what comes in at the profile's end is the same as there.
    if np.ptp(heaps[0][rim]) > np.ptp(heaps[1][rim]):
        share, heaps = 1.0 - share, heaps[::-1]
    without, with_it = heaps
    found = _drawn_aside(without, with_it, x, blur_px)
    if found is None:
        return None
    shift, error, believed = found
    return Decal(share, shift, error, (without - with_it) * believed)


def _shares(profiles: FloatArray, x: FloatArray, blur_px: float) -> FloatArray | None:
    """How much of what makes two heaps of profiles (m, pixels) each of them has (m,), None where there is one heap."""
    before, behind = x < -FOOT_BLURS * blur_px, x >= 0.0
    if not before.any() or x[-1] < FOOT_BLURS * blur_px:
        return None
    rim = profiles[:, behind] - profiles[:, before].mean(axis=1, keepdims=True)
    rim -= rim.mean(axis=0)
    # What they differ by most: the first principal component.
    along = rim @ np.linalg.eigh(rim.T @ rim)[1][:, -1]
    found = heaps(along)
    return None if found is None else found[1]


def _drawn_aside(
    without: FloatArray, with_it: FloatArray, x: FloatArray, blur_px: float
) -> tuple[float, float, bool] | None:
    """Shift d of the edge, its standard error [px] and whether it is a decal's, by two profiles (pixels,).

    If it isn't clearly one, the shift is 0, and unsure by d with the odds that the two criteria give (Kass and Raftery).
    None where no band explains them, or there is no edge.
    """
    contrast = _gain(without, with_it, x, blur_px)
    if contrast is None:
        return None
    spline = CubicSpline(x, without)
    gain, unsure = contrast

    def misfit(unknowns: FloatArray) -> FloatArray:
        shift, begins, wide = unknowns
        band = ndtr((x - begins) / blur_px) - ndtr((x - begins - wide) / blur_px)
        moved = spline(np.clip(x - shift, x[0], x[-1]))
        basis = np.stack([np.ones_like(x), moved, band], axis=1) / NOISE
        basis = np.vstack([basis, (0.0, 1.0 / unsure, 0.0)])
        seen = np.append(with_it / NOISE, gain / unsure)
        return np.asarray(seen - basis @ np.linalg.lstsq(basis, seen, rcond=None)[0])

    low, high = (-MOST_SHIFT_PX, NEAREST_PX, 1.0), (MOST_SHIFT_PX, float(x[-1]), WIDEST_PX)
    starts = [
        (0.0, min(max(begins * blur_px, NEAREST_PX), float(x[-1])), wide)
        for begins in BEGINS_BLURS
        for wide in FARTHER_PX
    ]
    tried = [least_squares(misfit, start, bounds=(low, high)) for start in starts]
    best = min(tried, key=lambda each: float(each.cost))
    plain = least_squares(lambda moved: misfit(np.array([moved[0], 1e3, 1.0])), (0.0,))
    if best.cost > BETTER * plain.cost or np.any(best.active_mask[:2]):
        return None
    freedom = max(len(x) - len(low) - 2, 1)
    variance = float(np.linalg.pinv(best.jac.T @ best.jac)[0, 0]) * max(2.0 * best.cost / freedom, 1.0)
    left, of_worn = 2.0 * float(best.cost), _left_by_worn(without, with_it, x, blur_px)
    criterion = left - of_worn + (BAND_UNKNOWNS - WORN_UNKNOWNS) * float(np.log(len(x)))
    shift, error = float(best.x[0]), float(np.sqrt(variance))
    if left < BETTER * of_worn and criterion < -CLEARLY:
        return shift, error, True
    return 0.0, float(np.sqrt(expit(-0.5 * criterion))) * float(np.hypot(shift, error)), False


def _left_by_worn(without: FloatArray, with_it: FloatArray, x: FloatArray, blur_px: float) -> float:
    """Squares [NOISE²] that an edge leaves which hasn't moved, of a rim of another brightness, blur and shade behind it."""
    z = x / blur_px
    change = np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    step = ndtr(z)
    ramp = z * step + change
    basis = np.stack([np.ones_like(x), without, z * change, ramp, z * ramp + step], axis=1)
    off = with_it - basis @ np.linalg.lstsq(basis, with_it, rcond=None)[0]
    return float(off @ off) / NOISE**2


def _gain(
    without: FloatArray, with_it: FloatArray, x: FloatArray, blur_px: float
) -> tuple[float, float] | None:
    """Contrast of the edge in one profile beside the other's, and its standard uncertainty, before they are looked at closely.

    If it is another before the edge, the background may have changed, and the rim not, or the light of both. None where
    there is no contrast beyond the noise.
    """
    before, behind = x < -FOOT_BLURS * blur_px, (x >= 0.0) & (x <= FOOT_BLURS * blur_px)
    outside = float(without[before].mean())
    contrast = without[behind] - outside
    most = float(contrast[np.argmax(np.abs(contrast))])
    if abs(most) < NOISE:
        return None
    changed = (float(with_it[before].mean()) - outside) / most
    return 1.0 - changed, float(np.hypot(ALIKE, 0.5 * changed))
