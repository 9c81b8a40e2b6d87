"""The rim's own look as a measurement: in another turn the same stains, holes and decals come by again.

Where a wheel is too fast to be seen sliding, one frame shows none of what the one before showed; but a turn later some frame
does, a little before or after. Two such frames tell by how much their angles differ, but for whole turns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from rimgauge.records import FloatArray, GapTrack, IntArray, RimLooks, shortest_deg
from rimgauge.signal.slid import NEAR_DEG, OUTLYING, peaks
from rimgauge.signal.smooth_curve import SmoothCurve

NEIGHBOURS, MOST_PAIRS = 8, 6000
"""So many frames next to each in the order of their angles it is compared with, fewer in a long run, for the time it takes."""
APART_FRAMES = 12
"""Frames nearer in time show the same stains by the same light and smear: the slide tells of them."""
LEAST_OFF_DEG, STILL_DEG = 1.0, 0.35
"""So far apart by the course must two frames be, and so far by their looks: what stands still looks the same at no shift."""
COMMON_SHARE = 0.4
"""Of the strip that two frames must share."""
LEAST_SD_DEG, UNSURE_SHARE = 0.03, 0.01
SCALE_SD, SCALE_BOUNDS = 0.05, (0.9, 1.1)
"""The picture's scale differs along the strip by so much, and is known so well beforehand."""
LEAST_NATS = 4.0
LEAST_CLEAR, ELSEWHERE_DEG = 0.07, (40.0, 75.0, 110.0, 205.0)
"""Share of the pairs that must be clear, beyond that of frames so far from one another on the rim. On six films of a path tracer
whose rims show next to nothing it was 0.01 to 0.05, and one lost by it; on one that gained 0.17, in drawn runs 0 to 0.9."""
USUAL_SQUARE = 0.455
"""Median square of what is normally distributed, in variances."""
FARTHEST_GAP, HIGHEST_POWER = 3.0, 3
"""In standard deviations, what a gap tells with; and in powers up to that."""
CLOSEST = 0.995
"""Correlation beyond which a likeness says no more."""
LEAST_APART_DEG, MOST_NATS_A_PAIR = 2.4, 2.0
"""So far apart must two frames be that what the wheel shows turned one way isn't looked for where it would be the other way; and
how much (a logarithm) they may say of that."""
LEAST_WAY_NATS, LEAST_WAY_SD = 30.0, 4.0
"""By so much, and by so many times what pairs that say either by chance come to, must they speak for one way. In 20 fast drawn
runs they came to 42 nats and more, 4.9 times chance; along courses that a film had nothing to do with to 26 and twice (judgements)."""


@dataclass(frozen=True, slots=True, eq=False)
class RimSeen:
    """The looks of n frames as they are compared.

    spectrum (n, f): of each. energy (n, b + 1): up to each bin. length: bins that one independent piece of the pattern takes.
    shake (n,): where the picture had been shaken to [bins].
    """

    spectrum: NDArray[np.complex64]
    energy: FloatArray
    length: float
    shake: FloatArray
    px_per_bin: float

    @staticmethod
    def of(looks: RimLooks, gaps_px: FloatArray) -> RimSeen:
        """Make looks ready for comparing, by the gaps (sides, n) of the frames."""
        flat = _but_for_the_edge(looks.brightness.astype(np.float32), gaps_px)
        flat -= flat.mean(axis=1, keepdims=True)
        spectrum = fft.rfft(flat, _size(flat.shape[1]))
        likeness = fft.irfft(np.sum(np.abs(spectrum) ** 2, axis=0), _size(flat.shape[1]))[: flat.shape[1]]
        likeness /= max(float(likeness[0]), 1e-12)
        faded = int(np.argmax(likeness < 0.1)) or flat.shape[1]
        return RimSeen(
            spectrum=spectrum,
            energy=np.pad(np.cumsum(flat.astype(np.float64) ** 2, axis=1), ((0, 0), (1, 0))),
            length=1.0 + 2.0 * float(np.sum(likeness[1:faded])),
            shake=looks.shake_px / looks.px_per_bin,
            px_per_bin=looks.px_per_bin,
        )

    @property
    def bins(self) -> int:
        """Of a look."""
        return int(self.energy.shape[1]) - 1

    def likeness(self, later: IntArray, sooner: IntArray) -> tuple[IntArray, NDArray[np.float32]]:
        """Shifts (s,) in bins, and how much likelier each is for pairs (k,) of frames than that they have nothing in common.

        As of neighbouring frames: −½ m ln(1 − ρ²) over the m independent bins that both show (Gelfand and Yaglom 1957; from
        memory).
        """
        bins = self.bins
        most = int((1.0 - 0.5 * COMMON_SHARE) * bins)
        lags = np.arange(-most, most + 1)
        common = fft.irfft(np.conj(self.spectrum[sooner]) * self.spectrum[later], _size(bins))[:, lags]
        low, high = np.maximum(-lags, 0), bins - np.maximum(lags, 0)
        before, after = self.energy[sooner], self.energy[later]
        held = (before[:, high] - before[:, low]) * (after[:, high + lags] - after[:, low + lags])
        alike = np.clip(common / np.sqrt(np.maximum(held, 1e-12)), 0.0, CLOSEST)
        share = -0.5 * (bins - np.abs(lags)) / self.length
        return lags, np.asarray(share * np.log1p(-(alike**2)), dtype=np.float32)


def rim_seen(track: GapTrack) -> RimSeen | None:
    """Make a run's looks of the rim ready for comparing, if it has any."""
    if track.looks is None:
        return None
    return RimSeen.of(track.looks, np.stack([side.gap_px for side in track.sides]))


def _but_for_the_edge(looks: NDArray[np.float32], gaps_px: FloatArray) -> NDArray[np.float32]:
    """Looks (n, b) less what the gap tells: what stands still comes and goes with the runout, and seems the same place."""
    columns = [np.ones(len(looks))]
    for gap_px in gaps_px[np.isfinite(gaps_px).any(axis=1)]:
        away = np.nan_to_num((gap_px - np.nanmedian(gap_px)) / max(float(np.nanstd(gap_px)), 1e-9))
        columns += [
            np.clip(away, -FARTHEST_GAP, FARTHEST_GAP) ** power for power in range(1, HIGHEST_POWER + 1)
        ]
    told_by = np.column_stack(columns).astype(np.float32)
    factors, *_ = np.linalg.lstsq(told_by, looks, rcond=None)
    return np.asarray(looks - told_by @ factors)


def _size(bins: int) -> int:
    return int(fft.next_fast_len(2 * bins, real=True))


def pairs(angle_deg: FloatArray, reach_deg: float) -> tuple[IntArray, IntArray]:
    """Frames (k,) and (k,) that show the same of the rim at different times, by their angles (n,), at most so far apart.

    Not at the same place of the picture: what stands still there would look the same too.
    """
    count = len(angle_deg)
    phase = angle_deg % 360.0
    order = np.argsort(phase, kind="stable")
    around = np.concatenate([phase[order], phase[order] + 360.0])
    most = min(NEIGHBOURS, max(MOST_PAIRS // count, 1))
    past_deg = np.linspace(LEAST_OFF_DEG, reach_deg, most + 1)[:-1]
    at = np.searchsorted(around, phase[order][:, None] + past_deg)
    # Where frames are few the next one is that of several places.
    new = np.diff(at, axis=1, prepend=-1) > 0
    one, other = np.broadcast_to(order[:, None], at.shape)[new], order[at[new] % count]
    near = (phase[other] - phase[one]) % 360.0 < reach_deg
    near &= np.abs(other - one) >= APART_FRAMES
    return np.maximum(one, other)[near], np.minimum(one, other)[near]


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Frames (k,) and (k,) that show the same of the rim by a course, and what their looks say of that.

    off_deg (k,): their angles' difference but for turned_deg (k,), whole turns. change_deg, sd_deg (k,): the same by their looks,
    NaN where those are unclear, and its standard deviation. nats (k, s): how likely each shift is; place (k,): the column of the
    course's own.
    """

    later: IntArray
    sooner: IntArray
    off_deg: FloatArray
    turned_deg: FloatArray
    nats: NDArray[np.float32]
    place: FloatArray
    change_deg: FloatArray
    sd_deg: FloatArray

    @staticmethod
    def along(seen: RimSeen, angle_deg: FloatArray, px_per_deg: float) -> Pairs:
        """Pair the frames along a course (n,); the picture's scale, roughly known, is that by which the looks agree best."""
        per_bin_deg = seen.px_per_bin / px_per_deg
        later, sooner = pairs(angle_deg, (1.0 - COMMON_SHARE) * seen.bins * per_bin_deg)
        apart_deg = angle_deg[later] - angle_deg[sooner]
        turned_deg = 360.0 * np.rint(apart_deg / 360.0)
        shaken = seen.shake[later] - seen.shake[sooner]
        lags, nats = seen.likeness(later, sooner)
        off_deg, scale = apart_deg - turned_deg, 1.0
        for _ in range(2):
            place = scale * off_deg / per_bin_deg + shaken - lags[0]
            shift, sd_bins = _shifts(lags, nats, place, per_bin_deg)
            moved_deg, least_deg = (shift - shaken) * per_bin_deg, sd_bins * per_bin_deg
            scale = _scale(moved_deg, off_deg, np.hypot(least_deg, LEAST_SD_DEG))
        sd_deg = np.sqrt(least_deg**2 + LEAST_SD_DEG**2 + (UNSURE_SHARE * off_deg) ** 2)
        return Pairs(later, sooner, off_deg, turned_deg, nats, place, moved_deg / scale, sd_deg)

    def of_frames(self, values: FloatArray, count: int) -> FloatArray:
        """Sum (count,) over each frame's pairs of values (k,)."""
        return np.asarray(
            np.bincount(self.later, values, count) + np.bincount(self.sooner, values, count), dtype=np.float64
        )


def _shifts(
    lags: IntArray, nats: NDArray[np.float32], place: FloatArray, per_bin_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Likeliest shift (k,) in bins near the columns (k,) expected, NaN where none is clear or it stands still, and its sd."""
    best, sd_bins = peaks(nats, place, math.ceil(NEAR_DEG / per_bin_deg), 1.0, LEAST_NATS)
    shift = best + lags[0]
    return np.where(np.abs(shift * per_bin_deg) < STILL_DEG, np.nan, shift), sd_bins


def _scale(moved_deg: FloatArray, off_deg: FloatArray, sd_deg: FloatArray) -> float:
    """Scale of the picture by shifts (k,) seen, NaN where unclear, of angles (k,) by a course, and their standard deviations."""
    told, known = np.isfinite(moved_deg), 1.0 / SCALE_SD**2
    weighted = off_deg[told] / sd_deg[told] ** 2
    scale = (float(weighted @ moved_deg[told]) + known) / (float(weighted @ off_deg[told]) + known)
    return float(np.clip(scale, *SCALE_BOUNDS))


def comes_round(
    seen: RimSeen, angle_deg: FloatArray, px_per_deg: float, room_deg: float, curve: SmoothCurve
) -> tuple[FloatArray, FloatArray]:
    """What the rim's looks say of a curve near a course (n,): normal matrix (c, c) and right side (c,).

    Of m frames that all show one place there are m(m − 1)/2 pairs, and they weigh 2/m each: together as much as m sightings
    of a place that isn't known (derived). room_deg: that the course itself is unsure by.
    """
    both = Pairs.along(seen, angle_deg, px_per_deg)
    clear = np.isfinite(both.change_deg)
    change = np.where(clear, both.change_deg, 0.0)
    off = np.where(clear, change - both.off_deg, 0.0)
    partners = both.of_frames(clear.astype(np.float64), len(angle_deg))
    shared = np.where(clear, 2.0 / (1.0 + 0.5 * (partners[both.later] + partners[both.sooner])), 0.0)
    # What stands still in the picture, a gleam or a shadow, is at odds with the course and with itself.
    usual = np.median((off**2 / (both.sd_deg**2 + room_deg**2))[clear]) / USUAL_SQUARE if clear.any() else 1.0
    shared /= max(float(usual), 1.0)
    weight = shared / (both.sd_deg**2 * (1.0 + (off / (OUTLYING * both.sd_deg + room_deg)) ** 4))
    return curve.differences(both.later, both.sooner, change, both.turned_deg, weight, SCALE_SD)


def shows_again(seen: RimSeen, angle_deg: FloatArray, px_per_deg: float, share: float = 1.0) -> bool:
    """Tell whether the rim shows enough, along a course (n,), of what comes round again.

    Pairs of frames that show the same of the rim must be clear more often, by a share of LEAST_CLEAR, than frames that show other
    places of it and whose likeness is looked for at the same shifts: what stands still is alike in both.
    """
    both, count = Pairs.along(seen, angle_deg, px_per_deg), len(angle_deg)
    if not len(both.later):
        return False
    phase = angle_deg % 360.0
    order = np.argsort(phase, kind="stable")
    elsewhere = []
    for past_deg in ELSEWHERE_DEG:
        at = np.searchsorted(phase[order], (phase[both.sooner] + past_deg) % 360.0) % count
        shift, _ = _shifts(*seen.likeness(both.later, order[at]), both.place, seen.px_per_bin / px_per_deg)
        elsewhere.append(np.mean(np.isfinite(shift)))
    return bool(np.mean(np.isfinite(both.change_deg)) - np.mean(elsewhere) >= share * LEAST_CLEAR)


def way_shown(seen: RimSeen, angle_deg: FloatArray, other_deg: FloatArray, px_per_deg: float) -> int:
    """Tell which way the wheel turns: 1 as along a course (n,), −1 as along another (n,), 0 where the rim doesn't show it.

    Spokes and gap come again at the same angles along a course's mirror image. But of two frames that show one place of the rim
    the one in which the wheel has turned farther shows it farther along `forward`, and along the mirror image farther back.
    """
    both, count = Pairs.along(seen, angle_deg, px_per_deg), len(angle_deg)
    per_bin_deg = seen.px_per_bin / px_per_deg
    farther_deg = both.off_deg - shortest_deg(other_deg[both.later] - other_deg[both.sooner])
    elsewhere = both.place - farther_deg / per_bin_deg
    # Of what wouldn't be in the picture along the other course nothing is said.
    apart = np.abs(farther_deg) > 2.0 * LEAST_APART_DEG
    apart &= (elsewhere > -0.5) & (elsewhere < both.nats.shape[1] - 0.5)
    if not apart.any():
        return 0
    reach = math.ceil(NEAR_DEG / per_bin_deg)
    so, otherwise = (_likeliest(both.nats, place, reach) for place in (both.place, elsewhere))
    partners = both.of_frames(apart.astype(np.float64), count)
    shared = np.where(apart, 2.0 / (1.0 + 0.5 * (partners[both.later] + partners[both.sooner])), 0.0)
    says = shared * np.clip(so - otherwise, -MOST_NATS_A_PAIR, MOST_NATS_A_PAIR)
    total, chance = float(says.sum()), float(np.linalg.norm(says))
    return int(np.sign(total)) if abs(total) >= max(LEAST_WAY_NATS, LEAST_WAY_SD * chance) else 0


def _likeliest(nats: NDArray[np.float32], place: FloatArray, reach: int) -> FloatArray:
    """Highest (k,) of the columns near a place (k,)."""
    window = np.rint(place).astype(np.intp)[:, None] + np.arange(-reach, reach + 1)
    there = nats[np.arange(len(nats))[:, None], np.clip(window, 0, nats.shape[1] - 1)]
    return np.asarray(there.max(axis=1), dtype=np.float64)
