"""The angle by numbered tags: each sighting tells a spoke, and by its place along the rim's path where it stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rimgauge.errors import NotTrustworthy
from rimgauge.records import FloatArray, GapTrack, IntArray, shortest_deg
from rimgauge.signal.place import GRID_DEG, STEPS
from rimgauge.signal.smooth_curve import SmoothCurve, squares

if TYPE_CHECKING:
    from rimgauge.signal.evidence import Layout

STUCK_SD_DEG = 0.25
"""How far a tag is stuck beside its spoke by eye: 1 to 2 mm on a common rim (a judgement)."""
SIGHTING_SD_DEG, DEPTH_UNSURE = 0.05, 0.01
OUTLYING_DEG = 2.0
LEAST_SIGHTINGS = 3
"""A number seen less often may be a chance likeness."""
LEAST_NUMBERS = 2
SCALE_SD = 0.1
"""Tags lie a little nearer or farther than the rim's edge; those on the spokes move less far (a judgement)."""
COARSE_SD_DEG, COARSE_SCALE_UNSURE, MISREAD = 1.0, 0.1, 1e-4
"""Of a sighting while the tags' scale isn't known, and the chance that it is none."""
LONGEST_PAUSE_FRAMES = 60
LEAST_STEPS, LEAST_SHARE = 3, 0.7
"""Tags that follow one another, and the share of them in falling order, from which they are thought to fall."""


@dataclass(frozen=True, slots=True, eq=False)
class Tagged:
    """Sightings (k,): index of the frame, tag's number, its spoke's angle, and how far it had passed the pointer [deg]."""

    frame: IntArray
    number: IntArray
    spoke_deg: FloatArray
    past_deg: FloatArray

    @property
    def numbers(self) -> tuple[int, ...]:
        """Tags seen, each once."""
        return tuple(np.unique(self.number).tolist())


def tagged(track: GapTrack, layout: Layout) -> Tagged | None:
    """Lay tags out along the rim; None where fewer than two were seen often enough.

    Raises
    ------
    NotTrustworthy
        A tag's number is of no spoke of this wheel, or the numbers fall as the rim runs forward.
    """
    seen = track.tags
    if seen is None:
        return None
    number, times = np.unique(seen.number, return_counts=True)
    sure = number[times >= LEAST_SIGHTINGS]
    if len(sure) < LEAST_NUMBERS:
        return None
    count = len(layout.spoke_angles_deg)
    if sure[-1] > count:
        raise NotTrustworthy(
            f"a tag with the number {sure[-1]} was seen, but the wheel has {count} spokes; check --spokes or the "
            "wheel file, and take off tags that belong to another wheel"
        )
    kept = np.isin(seen.number, sure)
    frame, number = seen.frame[kept], seen.number[kept]
    past_deg = (seen.along_px[kept] - layout.pointer_along_px) / layout.px_per_deg
    result = Tagged(frame, number, layout.spoke_angles_deg[number - 1], past_deg)
    if _falls(result, count):
        raise NotTrustworthy(
            "the tags' numbers fall as the wheel rolls forward; they must rise in the order in which they pass the "
            "pointer: stick them the other way round, or run aim again if the wheel was turned backward for it"
        )
    return result


def _falls(seen: Tagged, count: int) -> bool:
    """Whether numbers fall where the rim runs along `forward`, from each tag to the next one seen."""
    order = np.argsort(seen.frame, kind="stable")
    frame, number, past = seen.frame[order], seen.number[order], seen.past_deg[order]
    near = np.diff(frame) <= LONGEST_PAUSE_FRAMES
    same = near & (np.diff(number) == 0)
    way = np.where(same, np.sign(np.diff(past)), np.nan)
    # Which way the rim ran before each change of number: that of the last step of the tag before it.
    last = np.maximum.accumulate(np.where(same, np.arange(len(way)), -1))
    ran = np.where(last >= 0, way[np.maximum(last, 0)], np.nan) if len(way) else way
    step = (np.diff(number) + count / 2.0) % count - count / 2.0
    together = (np.diff(frame) == 0) & (step != 0)
    # Of two tags in one picture the one with the higher number has come less far.
    says = np.where(together, -np.sign(step) * np.sign(np.diff(past)), np.sign(step) * ran)
    told = says[near & (step != 0) & (np.abs(step) < count / 4.0) & np.isfinite(says) & (says != 0)]
    return len(told) >= LEAST_STEPS and float(np.mean(told < 0)) >= LEAST_SHARE


def tag_likelihood(seen: Tagged, moment: IntArray, count: int) -> FloatArray:
    """Likelihood (count, STEPS) of each angle at every moment by the tags seen then; moment (n,) of each frame."""
    by_tag = (seen.spoke_deg + seen.past_deg)[:, None]
    sd = (COARSE_SD_DEG + COARSE_SCALE_UNSURE * np.abs(seen.past_deg))[:, None]
    off = shortest_deg(GRID_DEG - by_tag)
    result = np.ones((count, STEPS))
    np.multiply.at(result, moment[seen.frame], np.exp(-0.5 * (off / sd) ** 2) + MISREAD)
    return result


def _off(seen: Tagged, angle_deg: FloatArray, scale: float) -> FloatArray:
    """Angle by each sighting less that of a course (n,), within half a turn."""
    by_tag = seen.spoke_deg + scale * seen.past_deg
    return np.asarray(shortest_deg(by_tag - angle_deg[seen.frame]))


def tags_say(
    seen: Tagged, angle_deg: FloatArray, scale: float, curve: SmoothCurve
) -> tuple[FloatArray, FloatArray, float]:
    """What the tags say of a curve near a course (n,): normal matrix (c, c) and right side (c,), and their scale.

    How far each tag is stuck beside its spoke, and how far tags really move along their path a nominal degree,
    are unknowns of their own with standard deviations, eliminated as in any linear least squares of two groups of
    unknowns: many sightings of one tag are hardly surer than one. The scale returned is that by the course itself.
    """
    course = angle_deg[seen.frame]
    off = _off(seen, angle_deg, scale)
    target = course + off - (scale - 1.0) * seen.past_deg
    weight = 1.0 / (SIGHTING_SD_DEG**2 + (DEPTH_UNSURE * seen.past_deg) ** 2)
    weight /= 1.0 + (off / OUTLYING_DEG) ** 4
    aside = np.column_stack([seen.past_deg, seen.number[:, None] == np.array(seen.numbers)])
    known = np.diag([1.0 / SCALE_SD**2, *([1.0 / STUCK_SD_DEG**2] * len(seen.numbers))])
    own = aside.T @ (aside * weight[:, None]) + known
    design = curve.design[seen.frame]
    both = design.T @ (aside * weight[:, None])
    shared = np.linalg.solve(own, both.T)
    normal = squares(design, weight) - both @ shared
    right = np.asarray(design.T @ (weight * target)) - shared.T @ (aside.T @ (weight * target))
    unknown = np.linalg.solve(own, aside.T @ (weight * (course - target)))
    return normal, right, 1.0 + float(unknown[0])


def check_tags(seen: Tagged, angle_deg: FloatArray, scale: float, spacing_deg: float) -> None:
    """Refuse a run in which a tag stands nearer to another spoke than to its own by a course (n,), NaN where lost.

    Raises
    ------
    NotTrustworthy
    """
    off = _off(seen, angle_deg, scale)
    for number in seen.numbers:
        here = off[(seen.number == number) & np.isfinite(off)]
        if len(here) >= LEAST_SIGHTINGS and abs(float(np.median(here))) > 0.5 * spacing_deg:
            spokes = abs(float(np.median(here))) / spacing_deg
            raise NotTrustworthy(
                f"tag {number} stands {spokes:.1f} spokes away from spoke {number}, as the other tags count; stick "
                "it where it belongs, or take it off"
            )


def in_words(numbers: tuple[int, ...]) -> str:
    """Name tags briefly: runs of numbers by their ends."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = [
        part
        for run in runs
        for part in ([str(n) for n in run] if len(run) < 3 else [f"{run[0]} to {run[-1]}"])
    ]
    return f"tag {words[0]}" if len(numbers) == 1 else "tags " + ", ".join(words)
