"""Angle of the wheel in every frame: a smooth curve of time through all the evidence there is.

The coarse path (follow.py) tells which turn and which spoke, the course through it (course.py) the angle; here
it is decided in which frames that can be trusted, and whether the run can be.
"""

from __future__ import annotations

import contextlib
import math
from dataclasses import replace

import numpy as np

from rimgauge.errors import (
    MarkNotSeen,
    NotTrustworthy,
    PlaceLost,
    RimgaugeError,
    SpokesMiscounted,
    TooFewRevolutions,
)
from rimgauge.records import BoolArray, FloatArray, GapTrack, IntArray, Turning, shortest_deg
from rimgauge.signal.astray import astray, but_for_beside, but_for_lost_stops, slipped
from rimgauge.signal.counted import but_for_uncounted
from rimgauge.signal.course import Course, fit_course
from rimgauge.signal.doubt import at_all, contested, doubted
from rimgauge.signal.evidence import Layout, gather, passes, spoke_components
from rimgauge.signal.follow import Evidence, Followed, follow, reconsider
from rimgauge.signal.its_way import check_way
from rimgauge.signal.long_run import LONGEST_PIECE, piece_by_piece
from rimgauge.signal.place import FASTEST_STEPS, STEPS, strays_deg
from rimgauge.signal.series import foretold
from rimgauge.signal.sightings import outward_deg
from rimgauge.signal.slid import but_for_hands
from rimgauge.signal.spoke_count import check_multiple, fits
from rimgauge.signal.spokes_seen import spokes_seen
from rimgauge.signal.tagged import Tagged, check_tags, in_words, tagged
from rimgauge.signal.too_fast import times_too_slow
from rimgauge.signal.unmarked import (
    begun_at_start,
    check_start,
    counted_from_mark,
    counted_through,
)

COMPONENTS = 12
SOFT_DEG = 0.7
LEAST_REVOLUTIONS = 1.1
FEWEST_FRAMES = math.ceil(LEAST_REVOLUTIONS * STEPS / FASTEST_STEPS)
"""In fewer no wheel that can be followed turns so far."""
SURE_SHARE = 1.0 / 6.0
"""Largest standard uncertainty of a usable angle, as a share of the spokes' spacing: three of them are half
a spacing, beyond which a neighbouring spoke would be named."""
LARGEST_SD_DEG = 2.0
MARK_AGREES, LEAST_AGREES = 1.0 / 3.0, 0.6
"""The mark is seen where it should be if it is so near, as a share of the spokes' spacing; and in so many of the frames that
show it, at least. On films with a mark it is all of them (17 looked at), on one with none two of four."""
MARK_WITHIN_DEG, LEAST_SEEN = 2.0, 1.0 / 3.0
"""So near the middle of its box the mark must show, in so many frames at least: a hand may cover it. On eleven films and
simulated runs with a mark it was in all of them, on two with glints alone in a tenth."""
SPOKES_AT_MARK_SD_DEG = 0.15
"""What the few spokes beside the mark, in each turn the same, stray from all the others: in 11 ray-traced lateral films the
course was 0.15° rms from where the mark was seen, in 5 radial ones 0.03°."""
LEAST_USED_SHARE, ALL_BUT_SHARE = 0.5, 0.9
FEWEST_PASSES = 2
"""Of the mark, where nothing but it and the spokes tells the turns: one pass fixes the place, the next counts the turn."""


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
    try:
        return _found(track, layout)
    except SpokesMiscounted:
        raise
    except PlaceLost:
        if not track.spoke_profile.shape[1] or not layout.soft_deg:
            raise
        # Where spokes are faint their finest lines may be all that tells them.
        with contextlib.suppress(RimgaugeError):
            return _found(track, replace(layout, soft_deg=0.0))
        raise


def _found(track: GapTrack, layout: Layout) -> Turning:
    """The same by spokes softened as the layout says."""
    if layout.start_spoke is None:
        return _find(track, layout)
    if tagged(track, replace(layout, start_spoke=None)) is not None:
        raise NotTrustworthy(
            "numbered tags are read in this film and tell the wheel's place; leave --start-spoke out"
        )
    begun, from_start, start_deg = begun_at_start(track, layout)
    turning = counted_from_mark(_find(begun, from_start), start_deg)
    check_start(track, layout, turning)
    return turning


def _find(track: GapTrack, layout: Layout) -> Turning:
    tags = tagged(track, layout)
    if tags is not None:
        # Tags tell all that a mark would, and a tag or a glint may pass for one.
        track = replace(track, mark_px=np.full(len(track.time_s), np.nan))
    elif not np.isfinite(track.mark_px).any():
        raise _never_seen(track)
    if len(track.time_s) > LONGEST_PIECE:
        joined = piece_by_piece(track, lambda piece: _find(piece, layout))
        told = np.isfinite(joined.angle_deg)
        _check(np.where(told, joined.angle_deg, np.nanmedian(joined.angle_deg)), told, joined.evidence)
        return joined
    if len(track.time_s) < FEWEST_FRAMES:
        raise TooFewRevolutions(
            0.0,
            f"only {len(track.time_s)} frames could be used; take a film of at least one and a half turns",
        )
    if track.slide is not None and track.spoke_profile.shape[1]:
        track = replace(track, slide=but_for_hands(track.slide, track.spoke_profile.astype(np.float64)))
    return _told(track, layout, tags)


def _told(track: GapTrack, layout: Layout, tags: Tagged | None) -> Turning:
    """The angle by one piece that is long enough."""
    components = spoke_components(track, layout, SOFT_DEG, COMPONENTS)
    spokes = components.shape[1] > 0
    moment, evidence = gather(track, layout, tags)
    found = _followed(evidence, layout, counted=tags is None and spokes)
    path_deg = found.place.angle_deg[moment]
    course = fit_course(track, layout, tags, moment, path_deg, components, sure=found.alone)
    if spokes and not spokes_seen(components, course, layout):
        if layout.start_spoke is not None:
            raise PlaceLost(
                "the spokes can't be followed in these frames, and without a mark nothing else counts them; turn the "
                "wheel more slowly, or put a piece of tape at the valve and leave --start-spoke out"
            )
        # A wrong path learns a look that foretells nothing; what is left is the mark.
        return _find(replace(track, spoke_profile=track.spoke_profile[:, :0]), layout)
    _check_counted(track, layout, tags, course)
    # Where the valve stood among the spokes a look that follows it foretells others amiss.
    missed, whole = foretold(components, course.angle_deg, layout.look_period_deg, robust=True)
    course = replace(course, missed=missed, whole=whole)
    # What a wheel at rest shows over and over has made sure of a wrong place too.
    once = reconsider(evidence, at_all(moment, course.angle_deg), once=True).chance[moment]
    usable = _usable(course, found, evidence, moment, layout.spacing_deg, once, spokes=spokes)
    if spokes:
        # Where a curve can't follow a hand it knows nothing of what it goes past.
        course = replace(course, spread_deg=np.hypot(course.spread_deg, strays_deg(once, course.angle_deg)))
        usable &= _sure_enough(course.spread_deg, layout.spacing_deg)
    if spokes or layout.start_spoke is not None:
        usable = _counted(track, layout, course.angle_deg, usable, tagged=tags is not None)
    sources = _sources(track, layout, tags, spokes=spokes, slides=course.slides)
    _check(course.angle_deg, usable, sources)
    check_way(found.place.angle_deg, evidence, marked=layout.start_spoke is None)
    angle_deg = np.where(usable, course.angle_deg, np.nan)
    marked = tags is None and layout.start_spoke is None
    beside_deg = _beside_deg(layout, course, spokes=spokes) if marked else 0.0
    if spokes and tags is None:
        check_multiple(track.spoke_profile, angle_deg, layout)
    if not (course.slides or found.alone):
        _check_speed(track, moment, angle_deg)
    if marked:
        _check_mark(track, layout, angle_deg)
    return Turning(
        angle_deg=angle_deg,
        standard_uncertainty_deg=np.hypot(course.spread_deg, beside_deg),
        common_uncertainty_deg=math.hypot(course.mark_sd_deg, beside_deg),
        revolutions=float(np.ptp(course.angle_deg[usable])) / 360.0,
        reversals=_reversals(course.angle_deg[usable]),
        evidence=sources,
    )


def _counted(
    track: GapTrack, layout: Layout, angle_deg: FloatArray, usable: BoolArray, *, tagged: bool
) -> BoolArray:
    """The usable frames (n,) but for stretches across which nothing counted the spokes; tags count them everywhere."""
    gaps_px = np.stack([side.gap_px for side in track.sides])
    if layout.start_spoke is not None:
        return counted_through(gaps_px, angle_deg, track.time_s, usable, layout.spacing_deg)
    if tagged:
        return usable
    at_mark = _at_mark(track, layout, angle_deg)
    return but_for_uncounted(gaps_px, angle_deg, track.time_s, usable, at_mark, layout.spacing_deg)


def _beside_deg(layout: Layout, course: Course, *, spokes: bool) -> float:
    """How far all angles may be off together though the mark was seen exactly, standard uncertainty."""
    return math.hypot(outward_deg(layout, course.mark.scale), SPOKES_AT_MARK_SD_DEG if spokes else 0.0)


def _check_counted(track: GapTrack, layout: Layout, tags: Tagged | None, course: Course) -> None:
    """Refuse a run in which nothing counts the turns, or a tag stands elsewhere than its number says."""
    if tags is not None:
        # Frames too doubtful to use count too: it may be the tag that stands elsewhere that makes them so.
        settled_deg = np.where(course.settled, course.angle_deg, np.nan)
        check_tags(tags, settled_deg, course.tag_scale, layout.spacing_deg)
    elif (
        layout.start_spoke is None
        and not course.slides
        and passes(np.isfinite(track.mark_px)) < FEWEST_PASSES
    ):
        raise PlaceLost(
            "the mark passed only once, and the rim's own slide can't be seen; film the wheel about three times round, "
            "so that the mark passes two or three times, and turn it more slowly if it did"
        )


def _sure_enough(spread_deg: FloatArray, spacing_deg: float) -> BoolArray:
    """Frames (n,) in which an angle that is unsure by so much (n,) names a spoke."""
    return np.asarray(spread_deg < min(SURE_SHARE * spacing_deg, LARGEST_SD_DEG))


def _usable(
    course: Course,
    found: Followed,
    evidence: Evidence,
    moment: IntArray,
    spacing_deg: float,
    once: FloatArray,
    *,
    spokes: bool,
) -> BoolArray:
    """Frames (n,) in which the angle is known well enough, and no other path through them is nearly as likely.

    once (n, STEPS): chances of each angle where the course is reconsidered, what comes again counting once.
    """
    usable = _sure_enough(course.spread_deg, spacing_deg)
    usable &= course.settled
    if spokes:
        usable &= ~astray(course.missed, course.whole)
        usable &= ~slipped(course, moment, spacing_deg)
    usable &= ~doubted(found.place, evidence, moment, course.angle_deg, spacing_deg, once)
    for rival in found.rivals:
        usable &= ~contested(found.place, rival, spacing_deg)[moment]
    usable = but_for_beside(usable)
    return but_for_lost_stops(usable, course.angle_deg, spacing_deg) if spokes else usable


def _followed(evidence: Evidence, layout: Layout, *, counted: bool) -> Followed:
    """Follow the wheel; refuse spokes that, where they are counted from mark to mark, are another number."""
    found = follow(evidence, layout.spacing_deg)
    counted = counted and layout.start_spoke is None
    if counted and not fits(evidence, found.place.angle_deg, layout, alone=found.alone):
        raise SpokesMiscounted(
            f"these frames don't fit a wheel of {len(layout.spoke_angles_deg)} spokes; another number explains them far "
            "better: count the spokes, and correct wheel.toml or --spokes; if the number is right, turn the wheel more slowly"
        )
    return found


def _sources(
    track: GapTrack, layout: Layout, tags: Tagged | None, *, spokes: bool, slides: bool
) -> tuple[str, ...]:
    """What the angle was told by, in words."""
    named = "" if tags is None else in_words(tags.numbers)
    found = {
        "mark": layout.start_spoke is None and bool(np.isfinite(track.mark_px).any()),
        f"spoke {layout.start_spoke} at the start": layout.start_spoke is not None,
        named: bool(named),
        "spokes": spokes,
        "the rim's own slide": slides,
    }
    return tuple(name for name, there in found.items() if there)


def _check(angle_deg: FloatArray, usable: BoolArray, evidence: tuple[str, ...]) -> None:
    """Refuse a run in which the wheel turned too little, or whose angle was lost for too long."""
    revolutions = float(np.ptp(angle_deg)) / 360.0
    # Across a stretch that is lost nobody has counted the turns.
    if float(usable.mean()) >= ALL_BUT_SHARE and revolutions < LEAST_REVOLUTIONS:
        raise TooFewRevolutions(
            revolutions,
            f"the wheel turned only {revolutions:.2f} times in these frames; turn it one and a half times or more",
        )
    if float(usable.mean()) >= LEAST_USED_SHARE and float(np.ptp(angle_deg[usable])) >= 360.0:
        return
    raise PlaceLost(
        f"the wheel's angle can be told in only {usable.sum()} of {len(usable)} frames from: "
        f"{', '.join(evidence)}; {_remedy(evidence, revolutions)}"
    )


def _check_mark(track: GapTrack, layout: Layout, angle_deg: FloatArray) -> None:
    """Refuse a run in which what was taken for the mark is seen where it can't be, or not seen where it must be.

    A real mark agrees with the course wherever it is seen, and comes by whenever its place does; glints agree by chance
    or because the course was drawn to them, and tell no spoke.
    """
    told = np.isfinite(track.mark_px) & np.isfinite(angle_deg)
    agrees = _at_mark(track, layout, angle_deg)
    reach_deg = min(MARK_WITHIN_DEG, 0.5 * float(np.nanmax(np.abs(track.mark_px))) / layout.px_per_deg)
    place_deg = shortest_deg(angle_deg + layout.mark_to_pointer_deg)
    due = np.abs(place_deg) < reach_deg
    if agrees.sum() >= LEAST_AGREES * told.sum() and (due & agrees).sum() >= LEAST_SEEN * due.sum():
        return
    raise MarkNotSeen(
        f"what was taken for the mark came by in {told.sum()} frames, but in {(told & ~agrees).sum()} of them where the "
        f"mark can't be, and it was missing from {(due & ~agrees).sum()} of the {due.sum()} in which its place passed; "
        "stick a bright piece of tape of another colour than the rim at the valve, or begin the film with a spoke at the "
        "pointer and tell its number with --start-spoke"
    )


def _at_mark(track: GapTrack, layout: Layout, angle_deg: FloatArray) -> BoolArray:
    """Frames (n,) in which the mark is seen where angles (n,) say that it is."""
    mark_deg = track.mark_px / layout.px_per_deg - layout.mark_to_pointer_deg
    return np.asarray(np.abs(shortest_deg(mark_deg - angle_deg)) < MARK_AGREES * layout.spacing_deg)


def _remedy(evidence: tuple[str, ...], revolutions: float) -> str:
    if revolutions < LEAST_REVOLUTIONS:
        return f"the wheel seems to have turned only {revolutions:.1f} times; turn it one and a half times or more"
    if evidence[0].startswith("spoke "):
        return "turn the wheel more slowly and evenly, or put a piece of tape at the valve and leave --start-spoke out"
    if any(name.startswith("tag") for name in evidence):
        return (
            "turn the wheel more slowly and evenly, and see that each tag sits beside the spoke of its number"
        )
    if "spokes" in evidence:
        return "turn the wheel more slowly and evenly, and let the mark pass at least three times"
    return (
        "spokes would tell it, but none could be followed: put something plain behind them, light them so that they "
        "stand out, and run aim again so that they are seen; without them let the wheel spin freely for five turns or "
        "more instead of pushing it on"
    )


def _check_speed(track: GapTrack, moment: IntArray, angle_deg: FloatArray) -> None:
    """Refuse a run that only looks slow, because the wheel turned by a spoke or more between two frames."""
    faster = times_too_slow(moment, angle_deg, np.stack([side.gap_px for side in track.sides]))
    if faster is None:
        return
    per_s = float(np.ptp(moment) / np.ptp(track.time_s))
    raise PlaceLost(
        f"the wheel turns too fast for {per_s:.0f} frames a second: by its gap about {faster:.1f} times as fast as "
        f"its spokes seem to; turn it at most {0.5 * FASTEST_STEPS * per_s / 360.0:.1f} times a second"
    )


def _never_seen(track: GapTrack) -> MarkNotSeen | TooFewRevolutions:
    profile = track.spoke_profile[:LONGEST_PIECE].astype(np.float64)
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
        "or run aim again and check the mark's box in its picture; of a film that begins with a spoke at the pointer "
        "tell its number with --start-spoke"
    )


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
