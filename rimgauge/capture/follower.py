"""One pointer and the rim edge it faces, followed from frame to frame."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.behind import Behind, Plain, learn_behind, made_plain, more_behind, rim_brightness
from rimgauge.capture.edge import LEAST_QUALITY, MANY_ROWS, EdgeFit, fit_edge
from rimgauge.capture.mixture import best_mixture
from rimgauge.capture.outline import Outline, close_scores, learn_outline, nearest_edge, outline_scores
from rimgauge.capture.patch import GreyArray, Patch, inward
from rimgauge.capture.pointer import PointerLook, learn_pointer
from rimgauge.capture.shape import least_outside_px
from rimgauge.capture.sharpness import edge_blurs
from rimgauge.capture.shift import MARGIN_PX, Shift, find_shift
from rimgauge.capture.steadiness import steadied
from rimgauge.capture.texture import evened, mean_profiles, widened
from rimgauge.capture.texture_gaps import Gaps
from rimgauge.capture.two_looks import two_looks
from rimgauge.records import BoolArray, Edge, FloatArray, View

BAND_ROOM_PX = 18
LEAST_REACH_PX, MOVES_AHEAD, LEARNING_RATE = 3.0, 4.0, 0.2
"""The edge is sought within so much and so many usual moves a frame of its last place; the usual move is a running mean."""
CLOSE_REACH_PX, MOST_BRIDGED = 1.0, 8
"""Where something stands close before it the edge is sought only so near, and for so many frames on end."""
FAR_FROM_IT = -1e9
SAMPLE_FRAMES, MOSTLY = 15, 0.75
"""So many frames tell how sure an edge usually is, if so many of them show it."""
STILL_PX = 0.3
"""A camera that has moved by more sees what is behind elsewhere."""
TIP_CLEARANCE_PX = 3.0
"""Nearer to the tip than this, the rim's edge and the pointer's are one blur."""
SEEN, NOT_FOUND, COVERED, VAGUE, MOVED, WHITE = range(6)
REASONS = (
    "",
    "the rim's edge was not found",
    "the rim's edge or the pointer was covered or too faint",
    "the rim's edge was far less clear than usual",
    "the camera or the pointer was moved for good, and only the longer stretch counts",
    "the rim was burnt out to white; use less light, or lock the camera's exposure",
)
"""Why a frame gives no gap, by its number in `Sightings.lost`."""


@dataclass(frozen=True, slots=True, eq=False)
class Sightings:
    """What n frames say of one pointer: gap (n,) [px] with its standard error, tip and rim (n, 2) in the picture.

    shift_px: of the pointer along the measuring direction, with its standard error.
    place_px: of the rim's edge in its patch. profile (n, pixels): mean brightness across it, NaN where unknown.
    lost (n,): number of the reason among REASONS, 0 where the gap is good.
    white (n,): whether the rim, usually below white, is clipped in nearly all rows.
    look, blur_px (n,): how much of a second look the edge shows, and its blur, which the whole pass tells; NaN where it doesn't.
    """

    gap_px: FloatArray
    standard_error_px: FloatArray
    quality: FloatArray
    tip_px: FloatArray
    rim_px: FloatArray
    shift_px: FloatArray
    shift_error_px: FloatArray
    place_px: FloatArray
    profile: GreyArray
    lost: NDArray[np.uint8]
    white: BoolArray
    look: FloatArray
    blur_px: FloatArray

    @staticmethod
    def joined(parts: list[Sightings]) -> Sightings:
        """Those of all frames, one part after another."""
        names = Sightings.__slots__
        return Sightings(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


Cut = tuple[GreyArray, GreyArray]
"""What is kept of pictures for one edge: the pointer's patches (n, rows, columns) with their margin, and the rim's."""
Shown = tuple[NDArray[np.uint8], GreyArray]
"""What one picture shows of an edge: the pointer's box in colours with its margin, and the rim's patch."""


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Where pointer and rim of one edge are cut out of a picture, and the mixture of colours that shows the pointer best.

    box_rows: rows of the rim's patch that its box has, as the first and the one after the last; further ones lie beside it.
    taller: the place that this one is a part of, if any.
    """

    pointer: Patch
    rim: Patch
    box_rows: tuple[int, int]
    mixture: FloatArray | None = None
    taller: Place | None = None

    def cut(self, pictures: list[NDArray[np.uint8]]) -> Cut:
        """What is kept of pictures."""
        return self._cut([self.show(picture) for picture in pictures])

    def show(self, picture: NDArray[np.uint8]) -> Shown:
        """What is kept of a picture to learn from."""
        # A part that isn't copied holds the whole picture in memory.
        return self.pointer.crop(picture, MARGIN_PX).copy(), self.rim.cut(picture)

    def learn(self, shown: list[Shown], still: int = 0) -> tuple[Place, Cut]:
        """Choose the mixture of colours by the first pictures but so many, and cut them all so."""
        pointers = np.asarray([colours for colours, _ in shown[still:]])[
            :, MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX
        ]
        place = replace(self, mixture=best_mixture(pointers, 0 if self.pointer.transposed else 1))
        return place, place._cut(shown)

    def of_box(self) -> Place:
        """The same with the rim's box alone."""
        first, end = self.box_rows
        return replace(self, rim=self.rim.rows(first, end), box_rows=(0, end - first), taller=self)

    def own(self, cut: Cut) -> Cut:
        """What belongs to this place of what may have been cut out for the taller one."""
        pointers, rims = cut
        if self.taller is None or rims.shape[1] == self.rim.shape[0]:
            return cut
        return pointers, np.ascontiguousarray(rims[:, slice(*self.taller.box_rows)])

    def _cut(self, shown: list[Shown]) -> Cut:
        pointers = [self.pointer.levels(colours, self.mixture) for colours, _ in shown]
        return np.asarray(pointers), np.asarray([rim for _, rim in shown])


class EdgeFollower:
    """One pointer and the rim edge it faces, followed from frame to frame.

    Holds the only state of tracking: where the edge was last, how far it usually moves from frame to frame, and
    for how many frames it wasn't seen.
    rows: (rows,) of the rim's patch that are looked at, all if not given.
    """

    def __init__(self, view: View, edge: Edge, place: Place, cut: Cut, rows: BoolArray | None = None) -> None:
        self.place, self.rim_patch = place, place.rim
        which = "it" if edge.side == "outer" else f"the {edge.side} one"
        name = f"the picture where {which} should be"
        pointers, rims = cut
        self.look: PointerLook = learn_pointer(pointers, name)
        self.tip = place.rim.to_patch(*place.pointer.to_picture(self.look.tip_u, self.look.tip_v))
        self.front_px = self.tip[0] + self.look.front_u - self.look.tip_u
        self.du, self.dv = self.rim_patch.turn(inward(view, edge))
        forward_u, forward_v = self.rim_patch.turn(view.forward)
        self._forward_v, self._beside = forward_v, rows is not None
        slope = forward_u / forward_v if abs(forward_v) > 0.2 else 0.0
        self.outline: Outline = learn_outline(
            rims, slope, self.tip[1], BAND_ROOM_PX, math.ceil(self.front_px + TIP_CLEARANCE_PX), rows
        )
        self._begin()
        # What is behind is learnt before the first gap is read, so that the first frames have it too.
        shift, start_px = find_shift(self.look.look, pointers), self._starts(rims)
        shape, row_px = self.outline.shape, self.tip[1]
        self.behind: Behind = learn_behind(rims, self._standing(shift, start_px), row_px, shape)
        self.rim, self.rim_spread = rim_brightness(rims, start_px, row_px, shape, shift.gain)
        self.sample = self._sample(rims, start_px, shift)
        self._begin()

    @property
    def ahead_px(self) -> float:
        """How far forward of its tip the edge is read: rows on one side of it tell no slope to carry the place back by."""
        if self.outline.spans_tip:
            return 0.0
        return float(np.flatnonzero(self.outline.rows).mean() - self.tip[1]) * self._forward_v

    @property
    def usual_error_px(self) -> float:
        """Standard error that is usual in a sample of the first frames [px], infinite where most aren't followed."""
        good = self.sample.quality >= LEAST_QUALITY
        return float(np.median(self.sample.standard_error_px[good])) if good.mean() > MOSTLY else math.inf

    def _sample(self, rims: GreyArray, start_px: FloatArray, shift: Shift) -> EdgeFit:
        """Fits of some of the frames that were learnt from."""
        some = slice(None, None, max(1, len(rims) // SAMPLE_FRAMES))
        place_px = self._standing(shift, start_px)[some]
        plain = made_plain(rims[some], place_px, self.tip[1], self.outline.shape, self.behind)
        plain = replace(plain, clear=plain.clear & self.outline.rows)
        return self._fit(plain, start_px[some], self.rim * shift.gain[some])

    def _begin(self) -> None:
        """Nothing was seen yet."""
        self.last_px = math.nan
        self.usual_move_px = 0.0
        self.missed = self.bridged = 0
        self.shifted_px = (0.0, 0.0)

    def read(self, cut: Cut) -> Sightings:
        """Read the gaps in what was cut out of the next pictures."""
        pointers, rims = self.place.own(cut)
        shift = find_shift(self.look.look, pointers, self.shifted_px)
        agreeing = np.flatnonzero(shift.agrees >= LEAST_QUALITY)
        if len(agreeing):
            self.shifted_px = (float(shift.du_px[agreeing[-1]]), float(shift.dv_px[agreeing[-1]]))
        start_px = self._starts(rims)
        white = (rims >= self.outline.shape.white).any(axis=2).mean(axis=1) > MANY_ROWS
        plain = self._made_plain(rims, self._standing(shift, start_px))
        rim = self.rim * shift.gain
        fit = self._fit(plain, start_px, rim)
        if white.any():
            fit = self._less_sure(fit, plain, start_px, rim, white)
        return self._sightings(fit, shift, self._profiles(plain, fit), white)

    def evened(self, seen: Sightings, time_s: FloatArray) -> Sightings:
        """The same with what the rim's texture does to its edge taken off, as far as the whole pass tells it.

        Of the pointer's shift it takes off what is noise; the standard error is then that of the whole gap.
        """
        shape = self.outline.shape
        good = seen.lost == SEEN
        if not good.any():
            return seen
        steady_px, pointer_error_px = steadied(seen.gap_px, seen.shift_px, seen.shift_error_px, good)
        gap_px = np.where(good, steady_px, np.nan)
        gaps = Gaps(time_s, gap_px, seen.standard_error_px, pointer_error_px)
        # The rim looks the same after a knock.
        shown = good | (seen.lost == MOVED)
        look = two_looks(seen.profile, shown)
        blur_px = edge_blurs(seen.profile, shown, widened(shape))
        found = evened(seen.profile, seen.place_px, gaps, shown, shape)
        per_px = 1.0 / (self.du - shape.slope * self.dv)
        gap_px = steady_px + per_px * np.nan_to_num(found.correction_px)
        lost = np.where(found.unlike, COVERED, seen.lost).astype(np.uint8)
        # Of a long film the profiles are most of what is held, and they have told what they can.
        spent = np.empty((len(lost), 0), dtype=seen.profile.dtype)
        return replace(
            seen,
            gap_px=gap_px,
            standard_error_px=found.standard_error_px,
            profile=spent,
            lost=lost,
            look=look,
            blur_px=blur_px,
        )

    def _next(self, scores: FloatArray, patch: GreyArray) -> float:
        """Where the edge is in the next frame, NaN where it isn't seen.

        It is sought where it can be by now: a rim doesn't jump, another edge in its box seems to.
        """
        if math.isnan(self.last_px):
            # At first what lies beside the box counts as little as it did when the outline was learnt.
            scores = np.where(np.arange(len(scores)) < BAND_ROOM_PX, FAR_FROM_IT, scores)
        reach_px = LEAST_REACH_PX + MOVES_AHEAD * self.usual_move_px * (1 + self.missed)
        found_px = nearest_edge(scores, self.outline, self.last_px, reach_px)
        close = math.isnan(found_px) and self.bridged < MOST_BRIDGED
        if close:
            # Something stands close before the edge: what is left is its nearest surroundings, where it can be by now.
            reach_px = CLOSE_REACH_PX + self.usual_move_px * (1 + self.missed)
            found_px = nearest_edge(
                close_scores(patch, self.outline), self.outline, self.last_px, reach_px, close=True
            )
        if math.isnan(found_px):
            self.missed += 1
            return math.nan
        if not math.isnan(self.last_px):
            move_px = abs(found_px - self.last_px) / (1 + self.missed)
            self.usual_move_px += LEARNING_RATE * (move_px - self.usual_move_px)
        self.last_px, self.missed = found_px, 0
        self.bridged = self.bridged + 1 if close else 0
        return found_px

    def _starts(self, patches: GreyArray) -> FloatArray:
        """Where the edge is (n,) to a third of a pixel, NaN where it isn't seen."""
        scores = outline_scores(patches, self.outline)
        return np.array([self._next(*each) for each in zip(scores, patches, strict=True)])

    @staticmethod
    def _standing(shift: Shift, place_px: FloatArray) -> FloatArray:
        """Places (n,) of the edge in frames in which the camera stands where it stood, else NaN."""
        return np.where(np.hypot(shift.du_px, shift.dv_px) < STILL_PX, place_px, np.nan)

    def _made_plain(self, patches: GreyArray, place_px: FloatArray) -> Plain:
        """What is behind made plain where the edge is near place_px (n,), NaN where unknown."""
        self.behind = more_behind(self.behind, patches, place_px, self.tip[1], self.outline.shape)
        plain = made_plain(patches, place_px, self.tip[1], self.outline.shape, self.behind)
        return replace(plain, clear=plain.clear & self.outline.rows)

    def _less_sure(
        self, fit: EdgeFit, plain: Plain, start_px: FloatArray, rim: FloatArray, white: BoolArray
    ) -> EdgeFit:
        """The same with what the rim's brightness may be off by in clipped frames, which is alike in all their rows."""
        part = Plain(plain.patches[white], plain.clear[white])
        moved_px = self._fit(part, start_px[white], rim[white] * (1.0 + self.rim_spread)).place_px
        error_px = fit.standard_error_px.copy()
        error_px[white] = np.hypot(error_px[white], moved_px - fit.place_px[white])
        return replace(fit, standard_error_px=error_px)

    def _fit(self, plain: Plain, start_px: FloatArray, rim: FloatArray) -> EdgeFit:
        """Fit the edge in a band that ends short of the pointer, as far as the edge's blur allows."""
        shape = self.outline.shape
        room_px = np.maximum(np.nan_to_num(start_px - self.front_px).astype(int) - 1, least_outside_px(shape))
        outside_px = np.minimum(shape.outside_px, room_px)
        result = np.full((len(EdgeFit.__slots__), len(start_px)), np.nan)
        for width in np.unique(outside_px):
            same = outside_px == width
            narrower = replace(shape, outside_px=int(width))
            fit = fit_edge(
                plain.patches[same],
                start_px[same],
                self.tip[1],
                narrower,
                plain.clear[same],
                rim=rim[same],
                fit_slope=self.outline.spans_tip,
                # So far apart the rim's own bends show.
                fit_bend=self._beside,
            )
            result[:, same] = [getattr(fit, name) for name in EdgeFit.__slots__]
        return EdgeFit(**dict(zip(EdgeFit.__slots__, result, strict=True)))

    def _profiles(self, plain: Plain, fit: EdgeFit) -> GreyArray:
        """Mean profiles across the edge, unknown where the pointer's tip is too near."""
        shape = widened(self.outline.shape)
        profiles = mean_profiles(plain.patches, fit.place_px, fit.slope, self.tip[1], shape, plain.clear)
        room_px = fit.place_px - self.front_px - 1.0
        profiles[np.arange(-shape.outside_px, shape.inside_px + 1) < -room_px[:, None]] = np.nan
        return profiles

    def _sightings(self, fit: EdgeFit, shift: Shift, profile: GreyArray, white: BoolArray) -> Sightings:
        quality = np.minimum(fit.quality, shift.agrees)
        lost = np.where(quality >= LEAST_QUALITY, SEEN, np.where(white, WHITE, COVERED))
        lost[np.isnan(fit.place_px)] = NOT_FOUND
        tip_u, tip_v = self.tip[0] + shift.du_px, self.tip[1] + shift.dv_px
        gap = (fit.place_px + fit.slope * shift.dv_px - tip_u) / (self.du - fit.slope * self.dv)
        found = np.where(np.isnan(gap), np.nan, 1.0)
        tip = self.rim_patch.to_picture(tip_u * found, tip_v * found)
        rim = self.rim_patch.to_picture(tip_u + gap * self.du, tip_v + gap * self.dv)
        return Sightings(
            gap_px=gap,
            standard_error_px=fit.standard_error_px,
            quality=quality,
            tip_px=np.stack(tip, axis=1),
            rim_px=np.stack(rim, axis=1),
            shift_px=shift.du_px * found,
            shift_error_px=shift.standard_error_px * found,
            place_px=fit.place_px,
            profile=profile,
            lost=lost.astype(np.uint8),
            white=white,
            look=np.full(len(gap), np.nan),
            blur_px=np.full(len(gap), np.nan),
        )
