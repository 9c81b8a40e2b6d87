"""What the outline's edge looks like: blur, a bevel's second step, slope, bend, and how wide a band tells most."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.optimize import leastsq
from scipy.special import ndtr

from rimgauge.capture.edge import LEAST_QUALITY, MANY_ROWS, EdgeFit, EdgeShape, fit_edge
from rimgauge.capture.patch import GreyArray
from rimgauge.errors import RimNotSeen
from rimgauge.records import BoolArray, FloatArray

SECOND_STEPS_PX = (2.0, 3.0, 4.5)
"""Distances at which a bevel, seen as a line beside the outline, is looked for; the fit then moves them."""
PROFILE_REACH_PX = 9.0
PROFILE_BIN_PX = 0.25
BANDS = ((4.0, 2.0), (4.0, 4.0), (6.0, 6.0), (9.0, 9.0), (14.0, 14.0))
"""Widths of the fit's band that are tried in turn, in blurs, toward the pointer and into the rim."""
FOOT, MOST_DRAWN_PX = (4.0, 0.6), 0.15
"""Where a decal close behind the edge comes and goes, what the bands tell differs by more than that from what the edge's
foot alone does, and the foot alone is fitted: less sure, but not drawn aside by half a pixel and more."""
BY_CHANCE = 2.0
"""What a dozen frames show of scatter is by chance up to about twice what it should be."""
FIRST_SLANTED = 2
"""In bands narrower than this one the blur of the edge hides how its plateaus slant."""
WHITE = 248.0
"""Grey level from which on a pixel may be clipped: JPEG blurs 255 a little."""
MOST_WHITE, WHITE_REACH_PX, LEAST_FULL = 0.02, 8, 0.25
"""Frames with less than this share of white pixels near the edge show the whole step; at least this share must."""
STREAKS = 0.5
"""Where too few frames do, but so few rows are clipped in as many, streaks are white and not the rim: all frames show it but
those in which the camera takes more light."""
CLEAR_SLANT = 5.0
"""A slant counts from so many of its standard errors on: else it would only follow noise."""
MOST_SLANT = 0.03
"""What changes by more than that share of the contrast a pixel is a bevel or a line, not light that falls off."""
LEAST_CONTRAST = 5.0
ROUNDS = 2
"""Profile and places sharpen one another; the second round moves them by hundredths of a pixel."""
WINDOWS = 3
CLOSE = {"ftol": 1e-8, "xtol": 1e-8, "gtol": 1e-8}
"""So near an optimum, as shares, a fit ends."""
PLAIN_ENOUGH = 1.25
"""A single step is kept while its misfit is smaller than the noise: √(1.25² − 1) = 0.75 of it."""
LESS_SURE = 1.25
"""So much less sure a second step may make the place."""
SHARPER = 0.85
"""A mean profile is blurred by the scatter of its frames and a bevel is a slope, not a step.
Too wide a blur lets two steps trade place for width; one too narrow by this much costs 4 % in standard deviation."""
LEAST_BLUR_PX = 0.4
BOUNDS_PX = np.array([[-4.0, LEAST_BLUR_PX, 1.2], [4.0, 6.0, 9.0]])
"""Least and most of place, blur and width."""
RIDGE = 1e-9
"""Keeps steps beside the profile solvable."""


def learn_shape(
    patches: GreyArray, places: FloatArray, slope: float, row_px: float, room_px: int, rows: BoolArray
) -> tuple[EdgeShape, float]:
    """Learn the edge's shape from a sample of frames.

    Parameters
    ----------
    patches : (n, rows, columns).
    places : (n,) rough places of the edge at row_px [px].
    slope, row_px : by how much it shifts from row to row [px a row], and the row at which its place is told.
    room_px : the band must not reach farther than this.
    rows : (rows,) those in which the edge shows.

    Returns
    -------
    The shape, and how far the fitted places lie from the rough ones (median) [px].

    Raises
    ------
    RimNotSeen
        The edge can't be followed in most of the patches.
    """
    white, full = _whole_steps(patches, places)
    patches, places = patches[full], places[full]
    now, bend = places, 0.0
    fitting: list[tuple[float, EdgeShape, EdgeFit]] = []
    for _ in range(ROUNDS):
        u, grey = _mean_profile(patches, now, slope, bend, row_px, rows)
        plain = EdgeShape(
            blur_px=1.0,
            slope=slope,
            bend_per_px=bend,
            second_step_px=None,
            outside_px=0,
            inside_px=0,
            white=white,
        )
        shapes = [_fitted_steps(u, grey, plain, second) for second in (None, SECOND_STEPS_PX)]
        fitting = [_tried(shape, shift, patches, now, row_px, rows) for shape, shift in shapes]
        noise, shape, fits = _plainest(fitting)
        if not math.isfinite(noise):
            raise RimNotSeen(
                "the rim's edge can't be followed in its box; run aim again, or move the camera closer"
            )
        slope, bend = float(np.nanmedian(fits.slope)), float(np.nanmedian(fits.bend_per_px))
        now = np.where(np.isfinite(fits.place_px), fits.place_px, now)
    shape = replace(shape, slope=slope, bend_per_px=bend)
    clear = fits.quality >= LEAST_QUALITY
    band = _best_band(shape, patches[clear], now[clear], row_px, rows, room_px) if clear.any() else shape
    return band, float(np.median((now - places)[clear])) if clear.any() else 0.0


def _whole_steps(patches: GreyArray, places: FloatArray) -> tuple[float, BoolArray]:
    """Grey level from which on pixels count as clipped, and the frames (n,) to learn from, which show the whole step."""
    white_near = [_white_near(patch, place) for patch, place in zip(patches, places, strict=True)]
    full = np.array([float(white.mean()) for white in white_near]) < MOST_WHITE
    rows_white = np.array([float(white.any(axis=1).mean()) for white in white_near])
    if full.mean() < LEAST_FULL <= (rows_white <= STREAKS).mean():
        full = rows_white <= MANY_ROWS
    if full.mean() >= LEAST_FULL:
        return WHITE, full
    # Where the rim is white in nearly all frames, what is cut off can't be told, and is much the same in all.
    return math.inf, np.ones(len(full), dtype=bool)


def _white_near(patch: GreyArray, place: float) -> BoolArray:
    """Which pixels (rows, columns) near the edge may be clipped."""
    first = max(0, round(float(place)) - WHITE_REACH_PX)
    return np.asarray(patch[:, first : first + 2 * WHITE_REACH_PX + 1] >= WHITE)


def _mean_profile(
    patches: GreyArray,
    places: FloatArray,
    slope: float,
    bend: float,
    row_px: float,
    rows: BoolArray,
    reach_px: float = PROFILE_REACH_PX,
) -> tuple[FloatArray, FloatArray]:
    """Brightness against distance from the edge, finer than the pixels: the rows cross them at many phases."""
    edges = np.arange(-reach_px, reach_px + PROFILE_BIN_PX, PROFILE_BIN_PX)
    patches, columns = patches[:, rows], patches.shape[2]
    dv = np.flatnonzero(rows) - row_px
    bins = len(edges) - 1
    profiles = np.full((len(patches), bins), np.nan)
    for profile, patch, place in zip(profiles, patches, places, strict=True):
        u = np.arange(columns) - (place + slope * dv + bend * dv**2)[:, None]
        index = np.floor((u - edges[0]) / PROFILE_BIN_PX).astype(np.intp).ravel()
        inside = (index >= 0) & (index < bins)
        count = np.bincount(index[inside], minlength=bins)
        total = np.bincount(index[inside], weights=patch.ravel()[inside], minlength=bins)
        profile[count > 0] = total[count > 0] / count[count > 0]
    known = ~np.isnan(profiles).all(axis=0)
    return (edges[:-1] + PROFILE_BIN_PX / 2.0)[known], np.nanmedian(profiles[:, known], axis=0)


def _fitted_steps(
    u: FloatArray, grey: FloatArray, plain: EdgeShape, seconds: tuple[float, ...] | None
) -> tuple[EdgeShape, float]:
    """One step, or two at the best of several distances, fitted to the profile; and where the first one lies.

    Where too little of the profile is seen for that it is the plain step.
    """
    best, least = np.array([0.0, plain.blur_px]), math.inf
    for second in seconds or (None,):
        now = np.array([0.0, plain.blur_px] if second is None else [-second / 2.0, plain.blur_px, second])
        before = np.zeros(len(u), dtype=bool)
        for _ in range(WINDOWS):
            # The window is held still within a fit: a blur must not win by choosing which pixels count.
            near = (u > now[0] - 4.0 * now[1] - 2.0) & (u < now[0] + 2.0 * now[1] + 1.0 + sum(now[2:]))
            if near.sum() <= 2 * len(now) or (near == before).all():
                break
            before, steps = near, _Steps(u[near], grey[near])
            found = leastsq(steps.misfit, now, Dfun=steps.change, full_output=True, maxfev=60, **CLOSE)[0]
            now, square = _bounded(found), float(np.mean(steps.misfit(found) ** 2))
            if square < least:
                best, least = now, square
    second_step = float(best[2]) if len(best) > 2 else None
    blur = max(LEAST_BLUR_PX, (1.0 if second_step is None else SHARPER) * float(best[1]))
    shape = replace(plain, blur_px=blur, second_step_px=second_step)
    return _with_band(shape, *BANDS[0]), float(best[0])


def least_outside_px(shape: EdgeShape) -> int:
    """How far the narrowest band reaches toward the pointer."""
    return math.ceil(BANDS[0][0] * shape.blur_px) + 2


def _with_band(shape: EdgeShape, outside: float, inside: float, room_px: int = 99) -> EdgeShape:
    """The shape with a band of so many blurs on either side, within the room there is."""
    beyond = math.ceil(inside * shape.blur_px + (shape.second_step_px or 0.0)) + 1
    return replace(
        shape,
        outside_px=min(math.ceil(outside * shape.blur_px) + 2, room_px),
        inside_px=min(beyond, room_px),
    )


class _Steps:
    """What no brightness and contrasts explain of a profile (m,), for steps at places given (place, blur, width)."""

    def __init__(self, u: FloatArray, grey: FloatArray) -> None:
        self._u, self._grey = u, grey
        self._at: tuple[float, ...] = ()
        self._found = (grey, grey)

    def misfit(self, unknowns: FloatArray) -> FloatArray:
        """What is left (m,)."""
        return self._both(unknowns)[0]

    def change(self, unknowns: FloatArray) -> FloatArray:
        """Change (m, unknowns) of the misfit (Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973; from memory)."""
        return self._both(unknowns)[1]

    def _both(self, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Misfit and its change, which are asked for one after the other."""
        if self._at != tuple(unknowns):
            self._at, self._found = tuple(unknowns), self._worked_out(unknowns)
        return self._found

    def _worked_out(self, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
        bounded = _bounded(unknowns)
        place, blur, *widths = bounded.tolist()
        z = np.subtract.outer(self._u - place, [0.0, *widths]) / blur
        slopes = np.exp(-0.5 * z * z) * (1.0 / (math.sqrt(2.0 * math.pi) * blur))
        basis = np.ones((len(z), 1 + z.shape[1]))
        ndtr(z, out=basis[:, 1:])
        inverse = np.linalg.solve(basis.T @ basis + RIDGE * np.eye(basis.shape[1]), basis.T)
        solved = inverse @ self._grey
        rest = self._grey - basis @ solved
        # Changes (unknowns, m, k) of the basis, less their sign: the place moves all steps, a width only the second.
        moved = np.stack([slopes, slopes * z, *([slopes * (0.0, 1.0)] if widths else [])])
        direct = (moved @ solved[1:]).T
        turned = ((rest @ moved) @ inverse[1:]).T
        inside = bounded == unknowns
        return rest, (direct - basis @ (inverse @ direct) + turned) * inside


def _bounded(unknowns: FloatArray) -> FloatArray:
    """Place, blur and width kept where they mean something."""
    low, high = BOUNDS_PX[:, : len(unknowns)]
    return np.asarray(np.minimum(np.maximum(unknowns, low), high))


def _tried(
    shape: EdgeShape, shift: float, patches: GreyArray, places: FloatArray, row_px: float, rows: BoolArray
) -> tuple[float, EdgeShape, EdgeFit]:
    """Typical residual of a shape on the frames [grey levels], infinite where it can't be followed in most."""
    clear = np.broadcast_to(rows, patches.shape[:2])
    fits = fit_edge(patches, places + shift, row_px, shape, clear, fit_bend=bool(rows[0] and rows[-1]))
    followed = 2 * np.isfinite(fits.place_px).sum() > len(places)
    return float(np.nanmedian(fits.noise)) if followed else math.inf, shape, fits


def _plainest(tried: list[tuple[float, EdgeShape, EdgeFit]]) -> tuple[float, EdgeShape, EdgeFit]:
    """The plainest shape that is nearly as good: a second step must earn its place.

    Steps so close that each could pass for a part of the other leave hardly any residual, and no place either.
    """
    best = min(noise for noise, _, _ in tried)
    plain = tried[0]
    if plain[0] <= PLAIN_ENOUGH * best or not math.isfinite(best):
        return plain
    if not math.isfinite(plain[0]):
        return tried[1]
    stated, plainly = (float(np.nanmedian(each[2].standard_error_px)) for each in (tried[1], plain))
    return tried[1] if stated <= LESS_SURE * plainly else plain


def _best_band(
    shape: EdgeShape, patches: GreyArray, places: FloatArray, row_px: float, rows: BoolArray, room_px: int
) -> EdgeShape:
    """The band with the least error: plain surroundings tell more the wider it is, busy ones must stay out.

    Noise is told by the residual and the width. Light and shade that slide along the rim shift a wide band's
    answer in all rows alike: that shows in how it differs from the narrowest band's from frame to frame, by more
    than the noise of both allows (Hausman's comparison of estimators, Econometrica 46 (1978); from memory).
    """
    profile = _mean_profile(patches, places, shape.slope, shape.bend_per_px, row_px, rows, room_px)
    clear = np.broadcast_to(rows, patches.shape[:2])
    tried: list[tuple[EdgeShape, EdgeFit]] = []
    for number, band in enumerate((FOOT, *BANDS), start=-1):
        level = _with_band(shape, *band, room_px)
        slanted = _slanted(level, *profile) if number >= FIRST_SLANTED else level
        ways = [level, *([slanted] if slanted is not level else [])]
        fits = [fit_edge(patches, places, row_px, way, clear) for way in ways]
        # In one band the smaller residual tells, not the error: a slant that is left out passes for contrast.
        least = min(range(len(ways)), key=lambda k: float(np.mean(fits[k].noise)))
        tried.append((ways[least], fits[least]))
    foot, *wider = tried
    best = min(wider, key=lambda each: _variance(each[1], wider[0][1]))
    return foot[0] if _variance(best[1], foot[1]) > MOST_DRAWN_PX**2 else best[0]


def _variance(fits: EdgeFit, narrowest: EdgeFit) -> float:
    """Variance of the places by noise, and by what they differ from the narrowest band's more than noise allows [px²]."""
    noise = _mean_square(fits.pixel_error_px)
    by_noise = _mean_square(narrowest.pixel_error_px) - noise
    by_blocks = _mean_square(narrowest.standard_error_px) - _mean_square(fits.standard_error_px)
    expected = BY_CHANCE * max(by_noise, by_blocks, 0.0)
    total = noise + max(float(np.var(fits.place_px - narrowest.place_px)) - expected, 0.0)
    return total if math.isfinite(total) else math.inf


def _mean_square(values: FloatArray) -> float:
    return float(np.mean(values**2))


def _slanted(shape: EdgeShape, u: FloatArray, grey: FloatArray) -> EdgeShape:
    """The shape with the slant of the plateaus beside the edge, by the mean profile within its band."""
    near = (u >= -shape.outside_px) & (u <= shape.inside_px)
    u, blur = u[near], shape.blur_px
    step = ndtr(u / blur)
    slope = np.exp(-0.5 * (u / blur) ** 2)
    # A place and a blur that are a little off must not pass for a slant.
    basis = [step, u, u * step, np.ones_like(u), slope, u * slope]
    if shape.second_step_px is not None:
        basis.append(ndtr((u - shape.second_step_px) / blur))
    design = np.stack(basis, axis=1)
    contrast, before, behind, *_ = solved = np.linalg.lstsq(design, grey[near], rcond=None)[0]
    noise = float(np.std(grey[near] - design @ solved))
    spread = noise * np.sqrt(np.diagonal(np.linalg.pinv(design.T @ design)))[1:3]
    if abs(contrast) < LEAST_CONTRAST:
        return shape
    share = np.array((before, behind)) / contrast
    if (np.abs((before, behind)) < CLEAR_SLANT * spread).all() or np.abs(share).max() > MOST_SLANT:
        return shape
    return replace(shape, slant_per_px=(float(share[0]), float(share[1])))
