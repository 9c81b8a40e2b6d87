"""The rim in the frames of a turning wheel: long parallel edges right through the picture that move as one.

All edges of a rim run along one course, a line that may slope and bend; nothing else in the picture does so from
border to border in every frame. The first and the last of them are its outlines.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from rimgauge.capture.aim_look import GreyPicture, Still
from rimgauge.capture.sources import Frame
from rimgauge.records import BoolArray, FloatArray, IntArray

SLOPES = np.linspace(-0.15, 0.15, 31)
BENDS_PX = np.linspace(-40.0, 40.0, 33)
"""How far the course strays from a line at both ends: a small rim seen from its side does so by 30."""
BLOCK_PX = 6
MOVES = 1.5
"""Spread over time beside the noise of a place that something passes."""
LEAST_EDGE = 0.8
"""Change of brightness [grey levels a pixel] of the faintest edge, over its whole length."""
OUTLINE_SHARE = 0.25
"""An outline is at least this strong beside the rim's strongest edge."""
FAINT_SHARE, FAINT_APART_PX = 0.06, 8.0
"""A pale rim before a pale wall is outlined so faintly beside its black tyre; nearer to a clear edge than this a camera's
sharpening draws such lines by itself."""
THIN_PX, SAME_AGAIN = 12, 0.5
"""A rim is wider than this, though its lip may shine; beyond a spoke the brightness is the same again but for this share
(0.2 on a drawn spoke, 0.7 on a ray-traced lip: a judgement between)."""
MOST_THIN = 4
"""So many thin lines are passed over at most: two each of the spokes that lead to both flanges."""
LIP_PX, LIP_SHARE = 12.0, 0.1
"""A faint lip lies so far before a rim's clear edge at most, and is such a share of its step at least, of the same sign."""
HIDDEN_SHARE = 0.3
"""Share of an edge's length that something before it may hide, or where a spoke lies beside it."""
MOST_PASSED = 2.0
"""A faint edge has its step in every row; where in most of them it changes over the frames by more than so many such steps,
and not in all alike as light does, spokes pass (a judgement: of seven films 0.9 and less at the rims' own faint edges, 1.5
at one where spokes pass it, 2.9 and 3.4 where spokes bunch)."""
CHANGE_PX = 9
"""Width of a step of brightness in the profile, and as much again for its moves."""
BESIDE_PX, LEAST_CHANGE = 3, 0.05
"""An edge that moves by half a pixel changes what is so near to it by a tenth and more of its step; noise by a hundredth."""
FOLLOWED_FRAMES = 40
MOST_MOVE_PX = 40
PADDING_PX = 80


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Where the rim's edges run in a turned look: u = place + slope·(v − middle) + bend·((v − middle) / middle)².

    strength: how clearly all of them stand out. edges_u (k,): the places of all long edges [px] where the rim is
    mostly, steps (k,): their change of brightness [grey levels a pixel], passed (k,): by how much of it that changes over the
    frames. moves_px (n,): how far the rim lies from there in every so many-th frame, fine_moves_px (n,) the same to a fraction
    of a pixel. left_out_u: places of faint edges that aren't among them.
    """

    still: Still
    slope: float
    bend_px: float
    strength: float
    edges_u: FloatArray
    steps: FloatArray
    passed: FloatArray
    moves_px: FloatArray
    every: int
    fine_moves_px: FloatArray
    left_out_u: FloatArray = field(default_factory=lambda: np.empty(0))

    def aside(self, v: FloatArray | float) -> FloatArray:
        """How far [px] the course lies further along u at v than at the middle."""
        middle = (self.still.mean.shape[0] - 1) / 2.0
        t = (np.asarray(v, dtype=np.float64) - middle) / middle
        return np.asarray(self.slope * middle * t + self.bend_px * t**2)

    def slope_at(self, v: float) -> float:
        """du/dv of the course at v."""
        middle = (self.still.mean.shape[0] - 1) / 2.0
        return float(self.slope + 2.0 * self.bend_px * (v - middle) / middle**2)

    @property
    def clear_edges_u(self) -> FloatArray:
        """Places [px] of the edges that are no fainter than an outline mostly is."""
        return np.asarray(self.edges_u[np.abs(self.steps) > OUTLINE_SHARE * np.abs(self.steps).max()])

    @property
    def outlines(self) -> tuple[float, float]:
        """Places [px] of the first and the last edge that is clear, or faint but by itself."""
        clear = self.clear_edges_u
        faint = self.edges_u[np.abs(self.steps) > FAINT_SHARE * np.abs(self.steps).max()]
        apart = (faint < clear[0] - FAINT_APART_PX) | (faint > clear[-1] + FAINT_APART_PX)
        return float(min([clear[0], *faint[apart]])), float(max([clear[-1], *faint[apart]]))

    def lip_before(self, u: float) -> float:
        """Where the rim's faint lip begins before a clear edge [px], the edge itself where there is none."""
        step = self.steps[int(np.argmin(np.abs(self.edges_u - u)))]
        near = (self.edges_u > u - LIP_PX) & (self.edges_u < u) & (self.steps / step > LIP_SHARE)
        return float(self.edges_u[near].min(initial=u))

    @property
    def is_thin(self) -> bool:
        """Whether all that stands out is one narrow line, as spokes are and no rim is: its other side is as the first."""
        clear_u, steps = self.clear_edges_u, self.steps[np.isin(self.edges_u, self.clear_edges_u)]
        back = abs(float(steps[0] + steps[-1])) < SAME_AGAIN * float(np.abs(steps).max())
        return bool(clear_u[-1] - clear_u[0] < THIN_PX and back)

    @property
    def is_outlined(self) -> bool:
        """Whether it is brighter than what is beyond both its outlines, and no faint line is there that may be sharpening.

        Where one outline of a black rim isn't seen, the dark groove behind it is what begins there.
        """
        first, last = (int(np.argmin(np.abs(self.edges_u - u))) for u in self.outlines)
        brighter = self.steps[first] > 0.0 > self.steps[last]
        return bool(brighter and first == 0 and last == len(self.edges_u) - 1)

    def seen_from(self, still: Still) -> Course:
        """Give the same course in a look that is flipped or not."""
        if still.patch.flipped == self.still.patch.flipped:
            return self
        edges_u = self.still.mean.shape[1] - 1.0 - self.edges_u[::-1]
        return replace(
            self,
            still=still,
            slope=-self.slope,
            bend_px=-self.bend_px,
            edges_u=edges_u,
            steps=-self.steps[::-1],
            passed=self.passed[::-1],
            moves_px=-self.moves_px,
            fine_moves_px=-self.fine_moves_px,
            left_out_u=self.still.mean.shape[1] - 1.0 - self.left_out_u[::-1],
        )

    @property
    def passing(self) -> BoolArray:
        """Which of the edges (k,) are faint and may be spokes that pass."""
        return np.asarray(~np.isin(self.edges_u, self.clear_edges_u) & (self.passed > MOST_PASSED))

    def without_passed(self) -> Course:
        """The same without the edges that may be spokes that pass."""
        own = ~self.passing
        edges_u, steps, passed = (each[own] for each in (self.edges_u, self.steps, self.passed))
        return replace(self, edges_u=edges_u, steps=steps, passed=passed, left_out_u=self.edges_u[~own])

    def straightened(self, image: GreyPicture) -> GreyPicture:
        """Shift every row of a turned picture so that the course runs straight along v."""
        rows, columns = image.shape[:2]
        u, v = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
        u += self.aside(np.arange(float(rows))).astype(np.float32)[:, None]
        return np.asarray(
            cv2.remap(image, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=image.dtype
        )


def find_course(still: Still, frames: Sequence[Frame]) -> Course | None:
    """Find the course along which moving edges add up best, and the edges; None where nothing long moves.

    Spokes may shine before a cloth as dark as the rim: what is thin is passed over where something else has two clear
    outlines.
    """
    passed = cv2.dilate(still.spread, np.ones((5, 5), np.uint8)) > MOVES * still.noise
    blocks = _blocks(np.where(passed, _steep(still.mean), 0.0))
    clearest = course = _clearest_course(still, frames, blocks)
    for _ in range(MOST_THIN):
        if course is None or not course.is_thin:
            break
        blocks = _without(blocks, course)
        course = _clearest_course(still, frames, blocks)
    passed_over = course is not clearest and (course is None or course.is_thin or not course.is_outlined)
    return clearest if passed_over else course


def _clearest_course(still: Still, frames: Sequence[Frame], blocks: GreyPicture) -> Course | None:
    asides = [(slope, bend, _asides(len(blocks), slope, bend)) for slope in SLOPES for bend in BENDS_PX]
    energy = [float((_straight(blocks, aside).mean(axis=0) ** 2).sum()) for _, _, aside in asides]
    slope, bend, aside = asides[int(np.argmax(energy))]
    none = np.empty(0)
    course = Course(still, float(slope), float(bend), max(energy), none, none, none, none, 1, none)
    return _with_edges(course, frames, aside)


def _without(blocks: GreyPicture, course: Course) -> GreyPicture:
    """The blocks (n, columns) without the thin line of a course."""
    clear = course.clear_edges_u
    u = np.arange(blocks.shape[1]) - _asides(len(blocks), course.slope, course.bend_px)[:, None]
    line = (u > clear[0] - BESIDE_PX) & (u < clear[-1] + BESIDE_PX)
    return np.asarray(np.where(line, np.float32(0.0), blocks))


def _with_edges(course: Course, frames: Sequence[Frame], aside_px: FloatArray) -> Course | None:
    """Find the edges that are there in every frame, and how they move; None where there are none."""
    patch = course.still.patch
    every = max(1, len(frames) // FOLLOWED_FRAMES)
    chosen = frames[::every]
    straight = [_straight(_blocks(_steep(patch.cut(frame.image))), aside_px) for frame in chosen]
    moving = _moving(np.stack([_all_along(one) for one in straight]))
    straight = [np.asarray(one * moving) for one in straight]
    means = np.stack([one.mean(axis=0) for one in straight])
    moves = _moves(means)
    profile = np.median(
        [np.roll(_all_along(one), -move) for one, move in zip(straight, moves, strict=True)], axis=0
    )
    peaks = _peaks(np.abs(profile))
    if not len(peaks):
        return None
    steps = np.abs(profile[peaks])
    peaks = peaks[(steps > OUTLINE_SHARE * steps.max()) | _moves_along(means, moves)[peaks]]
    left, here, right = (np.abs(profile)[peaks + k] for k in (-1, 0, 1))
    fine = peaks + 0.5 * (left - right) / (left - 2.0 * here + right)
    return replace(
        course,
        strength=float(np.square(profile).sum()),
        edges_u=np.asarray(fine),
        steps=profile[peaks],
        passed=_passed(straight, moves)[peaks] / np.abs(profile[peaks]),
        moves_px=moves.astype(np.float64),
        fine_moves_px=_fine_moves(means, moves),
        every=every,
    )


def moves_on(course: Course, before: Sequence[Frame], later: Sequence[Frame]) -> FloatArray:
    """How far [px] the rim lies in every so many-th of later frames from where it mostly was before."""
    patch, first = course.still.patch, before[:: course.every]
    rows = course.still.mean.shape[0] // BLOCK_PX
    aside_px = _asides(rows, course.slope, course.bend_px)
    chosen = (*first, *later[:: course.every])
    straight = [_straight(_blocks(_steep(patch.cut(frame.image))), aside_px) for frame in chosen]
    moving = _moving(np.stack([_all_along(one) for one in straight]))
    moves = _moves(np.stack([(one * moving).mean(axis=0) for one in straight])).astype(np.float64)
    return moves[len(first) :] - float(np.median(moves[: len(first)]))


def _steep(look: GreyPicture) -> GreyPicture:
    smooth = cv2.GaussianBlur(look, (5, 5), 0)
    return np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125), dtype=np.float32)


def _blocks(image: GreyPicture) -> GreyPicture:
    count = image.shape[0] // BLOCK_PX
    return np.asarray(image[: count * BLOCK_PX].reshape(count, BLOCK_PX, -1).mean(axis=1))


def _asides(blocks: int, slope: float, bend: float) -> FloatArray:
    """How far the course lies aside at the middle of each block."""
    t = np.linspace(-1.0, 1.0, blocks) * (1.0 - 1.0 / blocks)
    return np.asarray(slope * blocks * BLOCK_PX / 2.0 * t + bend * t**2)


def _straight(blocks: GreyPicture, aside_px: FloatArray) -> GreyPicture:
    """Shift the blocks (n, columns) back by their place on a course; beyond the picture is nothing."""
    padded = np.pad(blocks, ((0, 0), (PADDING_PX, PADDING_PX)))
    columns = np.arange(blocks.shape[1]) + PADDING_PX
    places = np.clip(np.rint(aside_px).astype(np.intp)[:, None] + columns, 0, padded.shape[1] - 1)
    return np.asarray(np.take_along_axis(padded, places, axis=1))


def _all_along(straight: GreyPicture) -> FloatArray:
    """The step (columns,) that most of the blocks have at least, with the sign of their mean: a spoke has none in many."""
    mean = straight.mean(axis=0)
    ways = np.where(mean > 0.0, 1.0, -1.0)
    near = cv2.dilate((straight * ways).astype(np.float32), np.ones((1, 3), np.uint8))
    return np.asarray(ways * np.clip(np.quantile(near, HIDDEN_SHARE, axis=0), 0.0, np.abs(mean)))


def _moving(profiles: FloatArray) -> BoolArray:
    """Whether what is near each place (columns,) of profiles (n, columns) moves; all of them where nothing long does.

    A wall's corner may be clearer than the rim, and is none of its edges; light that changes is no movement.
    """
    usual = np.median(profiles, axis=0)
    clear = np.abs(usual) >= OUTLINE_SHARE * np.abs(usual).max()
    gains = np.median(profiles[:, clear] / np.where(usual, usual, 1.0)[clear], axis=1)
    even = profiles / np.clip(gains, 0.2, 5.0)[:, None]
    near = np.ones((1, 2 * BESIDE_PX + 1), np.uint8)
    most = np.quantile(np.abs(even), 0.9, axis=0)
    size, change = (cv2.dilate(one[None].astype(np.float32), near)[0] for one in (most, even.std(axis=0)))
    moving = np.asarray(change > LEAST_CHANGE * size)
    return moving if (moving & (size > OUTLINE_SHARE * size.max())).any() else np.ones_like(moving)


def _moves(profiles: FloatArray) -> IntArray:
    """Whole pixels by which the edges of each profile (n, columns) lie further than they do mostly."""
    reference = np.median(profiles, axis=0)
    # What most edges agree in tells the moves only beside a sharp reference, which the strongest have made by then.
    for agreement in (_product, _product, _again, _again):
        moves = np.array([_move(profile, reference, agreement) for profile in profiles])
        moves -= int(np.median(moves))
        reference = np.median([np.roll(p, -move) for p, move in zip(profiles, moves, strict=True)], axis=0)
    return moves


def _move(profile: FloatArray, reference: FloatArray, agreement: Callable[..., FloatArray]) -> int:
    """Move at which a profile (columns,) agrees best with a reference."""
    moved = np.lib.stride_tricks.sliding_window_view(np.pad(profile, MOST_MOVE_PX), len(reference))
    return int(np.argmax(agreement(moved, reference).sum(axis=1))) - MOST_MOVE_PX


def _fine_moves(profiles: FloatArray, moves: IntArray) -> FloatArray:
    """The moves of profiles (n, columns) to a fraction of a pixel: where each agrees best with what they mostly are."""
    moved_back = np.array([np.roll(p, -move) for p, move in zip(profiles, moves, strict=True)])
    reference = np.median(moved_back, axis=0)
    left, here, right = (np.roll(moved_back, -k, axis=1) @ reference for k in (-1, 0, 1))
    bend = left - 2.0 * here + right
    vertex = 0.5 * (left - right) / np.where(bend < 0.0, bend, -np.inf)
    # Farther off decals' lines agree as well.
    return np.asarray(moves + np.clip(vertex, -0.5, 0.5))


def _product(moved: FloatArray, reference: FloatArray) -> FloatArray:
    return moved * reference


def _again(moved: FloatArray, reference: FloatArray) -> FloatArray:
    """How much of each step of a reference is there again; a decal's lines along the rim, which may be steeper, count no more."""
    return np.clip(moved * np.sign(reference), 0.0, np.abs(reference))


def _moves_along(profiles: FloatArray, moves: IntArray) -> BoolArray:
    """Whether there is less change near each place (columns,) of the profiles (n, columns) when their moves are taken out.

    What lies behind stands still and changes more then; where nothing moves neither can be told.
    """
    moved_back = np.array([np.roll(p, -move) for p, move in zip(profiles, moves, strict=True)])
    change = [
        cv2.blur(np.square(each - np.median(each, axis=0)).mean(axis=0)[None, :], (CHANGE_PX, 1))[0]
        for each in (moved_back, profiles)
    ]
    return np.asarray(change[0] < change[1])


def _passed(straight: Sequence[GreyPicture], moves: IntArray) -> FloatArray:
    """How much the steepness near each place (columns,) changes over the frames in most of the blocks, beside what all do.

    straight: the blocks (n, columns) of every frame; what the rim moves by is taken out.
    """
    back = [np.roll(one, -move, axis=1) for one, move in zip(straight, moves, strict=True)]
    near = np.stack([cv2.blur(one, (3, 1)) for one in back])
    return np.asarray(np.median((near - near.mean(axis=1, keepdims=True)).std(axis=0), axis=0))


def _peaks(steep: FloatArray) -> IntArray:
    here = steep[1:-1]
    peak = (here >= steep[:-2]) & (here > steep[2:]) & (here > LEAST_EDGE)
    return np.flatnonzero(peak) + 1
