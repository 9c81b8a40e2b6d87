"""Angle of the wheel in every frame: a smooth curve of time through all the evidence there is.

The coarse path (follow.py) tells which turn and which spoke; here the mark's place and the phase of the
spokes' look become measurements with weights, and a cubic spline of time is fitted to all of them by
linear least squares, with a weak preference for steady speed that bridges what wasn't seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import minimum_filter1d, uniform_filter1d

from rimgauge.errors import MarkNotSeen, PlaceLost, TooFewRevolutions
from rimgauge.records import BoolArray, FloatArray, GapTrack, IntArray, Turning
from rimgauge.signal.evidence import Layout, gather, look_period_deg
from rimgauge.signal.follow import Rival, follow
from rimgauge.signal.long_run import LONGEST_PIECE, piece_by_piece
from rimgauge.signal.place import STEPS, Place
from rimgauge.signal.profile import learn_axes
from rimgauge.signal.slid import slid
from rimgauge.signal.smooth_curve import SmoothCurve
from rimgauge.signal.tagged import Tagged, check_tags, in_words, tagged, tags_say

KNOT_SPACING_S = 0.1
COMPONENTS = 12
INDEPENDENT = 4.0
"""So many components of a picture count as independent."""
LOOK_ROUNDS = 4
SPOKE_SD_DEG = 0.1
SOFT_DEG = 0.7
RIDGE = 0.05
SETTLED_DEG = 0.5
LEAST_FORETOLD, LEAST_FORETOLD_NEAR, NEAR_FRAMES = 0.65, 0.0, 15
MOST_UNKNOWN_SHARE = 0.5
STRETCHES = 15
LONGEST_STEP_DEG = 1.5
FINENESS_DEG = 2.5
"""Shortest wave of a look: what is softened by 0.7° holds hardly any shorter."""
ROUNDS = 8
STEADY_DEG = 0.005
ROOM_DEG = 0.1
SLIDE_SCALE_SD = 0.1
LEAST_SLIDE_SHARE = 0.1
MARK_SD_DEG, CUT_MARK_SD_DEG, CUT_STRENGTH = 0.08, 0.6, 0.5
SCALE_UNSURE = 0.02
LEAST_REVOLUTIONS = 1.1
SURE_SHARE = 1.0 / 6.0
"""Largest standard uncertainty of a usable angle, as a share of the spokes' spacing: three of them are half
a spacing, beyond which a neighbouring spoke would be named."""
LARGEST_SD_DEG = 2.0
LARGEST_DOUBT = 0.01
LEAST_LIKELIER = math.log(20.0)
"""Odds in favour of a path from which it is believed against another one."""
LOSING_FRAMES = 6
LEAST_USED_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """A curve fitted to all evidence, and what it was fitted to.

    angle_deg, spread_deg (n,): its values and their standard uncertainty. settled (n,): where the last step was
    small. slides: whether the rim's own slide had a say. tag_scale: of the tags' path, learnt from it.
    """

    angle_deg: FloatArray
    spread_deg: FloatArray
    settled: BoolArray
    slides: bool
    tag_scale: float


def find_turning(track: GapTrack, layout: Layout) -> Turning:
    """Fit the wheel's angle to the mark's passes, numbered tags, the spokes' look and the rim's own slide.

    Returns
    -------
    Turning
        Its angle is NaN in frames where it can't be told well enough to name a spoke.

    Raises
    ------
    MarkNotSeen, TooFewRevolutions, PlaceLost, NotTrustworthy
    """
    tags = tagged(track, layout)
    if tags is None and not np.isfinite(track.mark_px).any():
        raise _never_seen(track)
    if len(track.time_s) > LONGEST_PIECE:
        return piece_by_piece(track, lambda piece: find_turning(piece, layout))
    period_deg = look_period_deg(layout.spoke_angles_deg)
    soft_bins = SOFT_DEG / max(layout.spoke_bin_deg, 1e-3)
    profile = track.spoke_profile
    components = np.empty((len(profile), 0))
    if profile.shape[1]:
        components = learn_axes(profile, soft_bins=soft_bins, most=COMPONENTS).project(profile)
    moment, evidence = gather(track, layout, tags)
    place, rivals = follow(evidence, layout.spacing_deg)
    fitted = _fit(track, layout, tags, moment, place.angle_deg[moment], components)
    usable = fitted.spread_deg < min(SURE_SHARE * layout.spacing_deg, LARGEST_SD_DEG)
    usable &= fitted.settled
    if tags is not None:
        check_tags(tags, np.where(usable, fitted.angle_deg, np.nan), fitted.tag_scale, layout.spacing_deg)
    if components.shape[1]:
        missed, whole = _foretold(components, fitted.angle_deg, period_deg)
        if _share_foretold(missed, whole) < LEAST_FORETOLD:
            # A wrong path learns a look that foretells nothing; what is left is the mark.
            return find_turning(replace(track, spoke_profile=np.empty((len(moment), 0))), layout)
        usable &= ~_astray(missed, whole)
    usable &= _doubt(place.chance[moment], fitted.angle_deg, layout.spacing_deg) < LARGEST_DOUBT
    for rival in rivals:
        usable &= ~_contested(place, rival, layout.spacing_deg)[moment]
    # Where the angle is lost it was going wrong for some frames before.
    usable = minimum_filter1d(usable, 2 * LOSING_FRAMES + 1, mode="nearest")
    marked = bool(np.isfinite(track.mark_px).any())
    by_tags = "" if tags is None else in_words(tags.numbers)
    found = {
        "mark": marked,
        by_tags: bool(by_tags),
        "spokes": components.shape[1] > 0,
        "the rim's own slide": fitted.slides,
    }
    sources = tuple(name for name, there in found.items() if there)
    _check(fitted.angle_deg, usable, sources)
    return Turning(
        angle_deg=np.where(usable, fitted.angle_deg, np.nan),
        standard_uncertainty_deg=fitted.spread_deg,
        revolutions=float(np.ptp(fitted.angle_deg[usable])) / 360.0,
        reversals=_reversals(fitted.angle_deg[usable]),
        evidence=sources,
    )


def _fit(
    track: GapTrack,
    layout: Layout,
    tags: Tagged | None,
    moment: IntArray,
    angle_deg: FloatArray,
    components: FloatArray,
) -> _Fitted:
    """Fit a smooth curve of time, from a coarse path (n,), by Gauss–Newton steps."""
    # Stamps jitter more than the camera's own beat does.
    beat_s: FloatArray = moment * np.float64(np.polyfit(moment, track.time_s, 1)[0])
    curve = SmoothCurve.over(beat_s, KNOT_SPACING_S)
    by_mark_deg = track.mark_px / layout.px_per_deg
    period_deg = look_period_deg(layout.spoke_angles_deg)
    scale, slides, by_tag_scale = 1.0, False, 1.0
    for left in range(ROUNDS - 1, -1, -1):
        before = angle_deg
        by_mark, sure = _mark_target(track, by_mark_deg, angle_deg, scale, layout.mark_to_pointer_deg)
        normal, right = curve.places(by_mark, sure)
        if tags is not None:
            by_tags, toward, by_tag_scale = tags_say(tags, angle_deg, by_tag_scale, curve)
            normal, right = normal + by_tags, right + toward
        if track.slide is not None:
            change, clear = slid(track.slide, angle_deg, layout.px_per_deg, ROOM_DEG * left)
            by_slide, steady = curve.moves(change, clear, SLIDE_SCALE_SD)
            normal, right = normal + by_slide, right + steady
            slides = float(np.mean(clear > 0.0)) > LEAST_SLIDE_SHARE
        if components.shape[1]:
            by_spokes, toward = _spokes_say(components, angle_deg, period_deg, layout.spacing_deg, curve)
            normal = normal + by_spokes
            right = right + toward + by_spokes @ curve.nearest(angle_deg)
        values = curve.fit(normal, right).values()
        angle_deg = angle_deg + np.clip(values - angle_deg, -LONGEST_STEP_DEG, LONGEST_STEP_DEG)
        scale = _mark_scale(by_mark_deg, angle_deg + layout.mark_to_pointer_deg)
        if float(np.abs(angle_deg - before).max()) < STEADY_DEG:
            break
    spread_deg = curve.spread(normal, right)
    if tags is None or sure.any():
        spread_deg = np.hypot(spread_deg, _shift_uncertainty(sure))
    return _Fitted(values, spread_deg, np.abs(values - angle_deg) < SETTLED_DEG, slides, by_tag_scale)


def _doubt(chance: FloatArray, angle_deg: FloatArray, spacing_deg: float) -> FloatArray:
    """Chance (n,) that the wheel is really a spoke or more from where the angle says, by the coarse path."""
    grid = np.arange(STEPS) * (360.0 / STEPS)
    off = np.abs((grid - angle_deg[:, None] + 180.0) % 360.0 - 180.0)
    return np.asarray(np.sum(np.where(off > 0.5 * spacing_deg + 1.0, chance, 0.0), axis=1))


def _contested(place: Place, other: Rival, spacing_deg: float) -> BoolArray:
    """Moments (n,) at which the next likely path, hardly less likely, would name another spoke.

    A mark seen in one frame a turn doesn't tell which way the wheel goes round.
    """
    off = np.abs((place.angle_deg - other.angle_deg + 180.0) % 360.0 - 180.0)
    return np.asarray((off > 0.5 * spacing_deg) & (place.likelihood - other.likelihood < LEAST_LIKELIER))


def _shift_uncertainty(mark_weight: FloatArray) -> float:
    """Of the mean of all the mark's sightings, which the whole curve hangs on."""
    return 1.0 / math.sqrt(max(float(mark_weight.sum()), 1e-9))


def _check(angle_deg: FloatArray, usable: BoolArray, evidence: tuple[str, ...]) -> None:
    """Refuse a run in which the wheel turned too little, or whose angle was lost for too long."""
    revolutions = float(np.ptp(angle_deg)) / 360.0
    if revolutions < LEAST_REVOLUTIONS:
        raise TooFewRevolutions(
            revolutions,
            f"the wheel turned only {revolutions:.2f} times in these frames; turn it one and a half times or more",
        )
    if usable.mean() >= LEAST_USED_SHARE and float(np.ptp(angle_deg[usable])) >= 360.0:
        return
    remedy = (
        "turn the wheel more slowly and evenly, and let the mark pass at least three times"
        if "spokes" in evidence
        else "let the wheel spin freely for five turns or more instead of pushing it on, or run aim again so that "
        "spokes are seen too"
    )
    raise PlaceLost(
        f"the wheel's angle can be told in only {usable.sum()} of {len(usable)} frames from: "
        f"{', '.join(evidence)}; {remedy}"
    )


def _never_seen(track: GapTrack) -> MarkNotSeen | TooFewRevolutions:
    profile = track.spoke_profile
    gaps = track.sides[0].gap_px
    still = profile.size == 0 or float(np.median(np.std(profile, axis=0))) < 1.5
    if still and float(np.nanstd(gaps)) < 0.3:
        return TooFewRevolutions(
            0.0, "the wheel does not turn in these frames; turn it slowly by hand while they are taken"
        )
    if track.tags is not None:
        return MarkNotSeen(
            "fewer than two numbered tags could be read often enough; turn the wheel more slowly, add light so that "
            "they are smeared less, or run aim again and check their box in its picture"
        )
    return MarkNotSeen(
        "the mark was never seen in its box; stick a piece of bright tape on the rim at the valve, "
        "or run aim again and check the mark's box in its picture"
    )


def _mark_target(
    track: GapTrack, by_mark_deg: FloatArray, angle_deg: FloatArray, scale: float, offset_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Angle by the mark (n,), full turns added from the present angle, and its weight 1/sd² (0: unseen)."""
    by_mark = by_mark_deg * scale - offset_deg
    turns = np.rint((angle_deg - by_mark) / 360.0)
    target = by_mark + 360.0 * turns
    whole = track.mark_strength > CUT_STRENGTH
    sd = np.where(whole, MARK_SD_DEG + SCALE_UNSURE * np.abs(by_mark_deg), CUT_MARK_SD_DEG)
    good = np.isfinite(target) & (np.abs(target - angle_deg) < 6.0)
    return np.where(good, target, 0.0), np.where(good, 1.0 / sd**2, 0.0)


def _mark_scale(by_mark_deg: FloatArray, angle_deg: FloatArray) -> float:
    """Degrees a nominal degree of the mark's picture, by regression; 1 within reason where it can't be told."""
    off = (angle_deg + 180.0) % 360.0 - 180.0
    good = np.isfinite(by_mark_deg) & (np.abs(off - by_mark_deg) < 6.0)
    spread = by_mark_deg[good]
    if len(spread) < 4 or float(np.ptp(spread)) < 2.0:
        return 1.0
    slope = float(np.polyfit(spread, off[good], 1)[0])
    return min(max(slope, 0.7), 1.4)


def _waves(angle_deg: FloatArray, period_deg: float) -> tuple[FloatArray, FloatArray]:
    """Constant, cosines and sines (n, 1 + 2h) of the phase in the period, and their slopes [1/deg]."""
    orders = np.arange(1, math.ceil(period_deg / FINENESS_DEG) + 1)
    wave = np.outer(2.0 * np.pi * angle_deg / period_deg, orders)
    basis = np.hstack([np.ones((len(wave), 1)), np.cos(wave), np.sin(wave)])
    slope = np.hstack([np.zeros((len(wave), 1)), -np.sin(wave) * orders, np.cos(wave) * orders])
    return basis, slope * (2.0 * np.pi / period_deg)


def _foretold(
    components: FloatArray, angle_deg: FloatArray, period_deg: float
) -> tuple[FloatArray, FloatArray]:
    """How far each frame's look (n,) misses what the looks at other times foretell, and misses the mean look, squared.

    The run is cut into stretches of time, and each is left out in turn when the mean look is learnt
    (cross-validation: Stone, J. R. Statist. Soc. B 36 (1974) 111; from memory). Single frames would not do: one
    of a wheel that stands still is foretold by its neighbours wherever it stands. Where there is hardly a frame
    for each unknown, nothing is foretold.
    """
    basis, _ = _waves(angle_deg, period_deg)
    if basis.shape[1] > MOST_UNKNOWN_SHARE * len(basis):
        whole = np.sum(components**2, axis=1)
        return whole, whole
    missed = np.empty_like(components)
    for left_out in np.array_split(np.arange(len(basis)), STRETCHES):
        others = np.ones(len(basis), dtype=bool)
        others[left_out] = False
        seen = basis[others]
        normal = seen.T @ seen + RIDGE * np.eye(basis.shape[1])
        missed[left_out] = components[left_out] - basis[left_out] @ np.linalg.solve(
            normal, seen.T @ components[others]
        )
    return np.sum(missed**2, axis=1), np.sum((components - components.mean(axis=0)) ** 2, axis=1)


def _share_foretold(missed: FloatArray, whole: FloatArray) -> float:
    """Share of all variance that was foretold, 1 all to 0 none, the worst tenth of the frames left out."""
    kept = int(0.9 * len(missed))
    return 1.0 - float(np.sort(missed)[:kept].sum() / max(np.sort(whole)[:kept].sum(), 1e-12))


def _astray(missed: FloatArray, whole: FloatArray) -> BoolArray:
    """Frames (n,) round which the looks are foretold hardly better than by their mean: the path slipped there."""
    near_missed, near_whole = (
        uniform_filter1d(part, NEAR_FRAMES, mode="nearest") for part in (missed, whole)
    )
    busy = near_whole > 0.5 * float(np.mean(whole))
    return np.asarray(busy & (near_missed > (1.0 - LEAST_FORETOLD_NEAR) * near_whole))


def _spokes_say(
    components: FloatArray, angle_deg: FloatArray, period_deg: float, spacing_deg: float, curve: SmoothCurve
) -> tuple[FloatArray, FloatArray]:
    """What the spokes' looks say of the curve: normal matrix (c, c) and right side (c,) of a change of it.

    The mean look, a Fourier series of the phase, is learnt from the same frames. It is eliminated on the way
    (variable projection: Golub and Pereyra 1973; from memory), so that a change of the angles that a change of
    the look would explain as well counts for nothing.
    """
    basis, slope = _waves(angle_deg, period_deg)
    ridge = RIDGE * np.eye(basis.shape[1])
    # Components of one picture aren't independent.
    share = min(1.0, INDEPENDENT / components.shape[1])
    passing = np.cumsum(np.abs(np.diff(np.rint(angle_deg / spacing_deg), prepend=0.0)) > 0.0)
    weight = np.ones(len(basis))
    for _ in range(LOOK_ROUNDS):
        normal = basis.T @ (basis * weight[:, None]) + ridge
        look = np.linalg.solve(normal, basis.T @ (components * weight[:, None]))
        residual = components - basis @ look
        noise = np.sqrt(np.sum(weight[:, None] * residual**2, axis=0) / weight.sum()) + 1e-6
        change = (slope @ look) / noise
        used = weight
        size = np.sqrt(np.mean(residual**2, axis=1))
        # Many frames may show no spoke at all, and fit easily: the size that is usual is that of the worse ones.
        weight = 1.0 / (1.0 + (size / (3.0 * np.quantile(size, 0.8) + 1e-9)) ** 4)
        # No spoke stands quite where the look says; all frames of its pass share that error.
        in_pass = np.bincount(passing, share * weight * np.sum(change**2, axis=1))[passing]
        weight = weight / (1.0 + in_pass * SPOKE_SD_DEG**2)
    # The weights that the look was fitted with: with others its residual would push the whole curve along.
    design = curve.design.toarray()
    says = design.T @ (design * (used * np.sum(change**2, axis=1))[:, None])
    toward = design.T @ (used * np.sum(change * residual / noise, axis=1))
    for part in change.T:
        shared = (basis * (used * part)[:, None]).T @ design
        says -= shared.T @ np.linalg.solve(normal, shared)
    return share * says, share * toward


def _reversals(angle_deg: FloatArray) -> int:
    """How often the wheel changed its direction, movements under two degrees left out."""
    turning, extreme, direction = 0, float(angle_deg[0]), 0
    for angle in angle_deg:
        change = float(angle) - extreme
        if abs(change) < 2.0:
            if direction and change * direction > 0:
                extreme = float(angle)
            continue
        sign = 1 if change > 0 else -1
        turning += int(direction == -sign)
        direction, extreme = sign, float(angle)
    return turning
