"""What the spokes' looks say of the wheel's course, the look itself being learnt from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.linalg import cho_factor, cho_solve

from rimgauge.records import FloatArray
from rimgauge.signal.series import Series, independent_share, learn_series, waves
from rimgauge.signal.smooth_curve import SmoothCurve, squares

JITTER_KNOWN = 10.0
"""As if so much were known already of the stamps' jitter: that it says nothing."""
IN_STEP, BEND_SPOKES, FAINTEST = 0.95, 4, 1e-9
"""A wave goes in step with the frames that moves on by a twentieth of its length or less from one to the next, but for whole
lengths. Not longer than so many spokes, after which an even wheel looks the same: where only a whole turn brings the look back,
nothing else held a tag that was stuck amiss. And what an unknown that nothing tells is held by, as a share of the others."""
HELD_SPOKES, HELD_SHARE = (4, 2), 0.01
"""A look may have been learnt bent by the spokes' own pattern, waves of so many of them, each by such a share of their spacing
(standard deviation, a judgement)."""


@dataclass(frozen=True, slots=True, eq=False)
class SpokesSay:
    """What the spokes' looks say of a change of the angles (n,), if the look is that which was learnt.

    slope (n, k): of each component, in units of its noise [1/deg]. toward (n,): slope of the log-likelihood.
    information (n,): its curvature. basis (n, p), series: of the look that the frames share. bends (n, q): how angles may be
    bent by the phase. hold (q,): how narrowly each such bend is held [1/deg²].
    """

    slope: FloatArray
    toward: FloatArray
    information: FloatArray
    basis: FloatArray
    bends: FloatArray
    hold: FloatArray
    series: Series

    def of(self, curve: SmoothCurve) -> tuple[FloatArray, FloatArray]:
        """Normal matrix (c, c) and right side (c,) of a change of the curve.

        The look is eliminated (variable projection: Golub and Pereyra 1973; from memory), so that a change of the
        angles that a change of the look would explain as well counts for nothing. Its prior holds the look where it is,
        and so holds what bends the angle by the phase alone: a shift of the whole curve, and where the wheel turns by a
        simple share of the look's period a frame, so that few places of it are ever seen, a drift past them, which is
        slower past a look that is pressed together. Such bends are unknowns of their own, eliminated too, and bends by the
        spokes' own pattern, narrowly held.
        """
        bends = self.bends
        shared, bent = self._looks(curve.design), self._looks(bends)
        share = independent_share(self.slope)
        informed = bends * self.information[:, None]
        both = np.asarray(curve.design.T @ informed) - share * (shared @ bent.T)
        own = bends.T @ informed - share * (bent @ bent.T)
        faint = FAINTEST * (1.0 + float(np.trace(own)) / len(own))
        factor = cho_factor(own + np.diag(self.hold + faint))
        normal = squares(curve.design, self.information) - share * (shared @ shared.T)
        normal -= both @ cho_solve(factor, both.T)
        right = np.asarray(curve.design.T @ self.toward)
        return normal, right - both @ cho_solve(factor, bends.T @ self.toward)

    def _looks(self, changes: FloatArray | sparse.csr_array) -> FloatArray:
        """What changes of the angles (n, c) have in common with changes of the look (c, k·p), which is believed to be so wide."""
        weighted = self.basis * self.series.weight[:, None]
        shared = [
            np.asarray(changes.T @ (weighted * part[:, None])) @ (self.series.directions / np.sqrt(stiffness))
            for part, stiffness in zip(self.slope.T, self.series.stiffness.T, strict=True)
        ]
        return np.hstack(shared)


def _bends(basis: FloatArray, look_spokes: float, spacing_deg: float) -> tuple[FloatArray, FloatArray]:
    """Those of the waves (n, p) by which angles may be bent (n, q), and how narrowly each is held (q,) [1/deg²].

    Free are those that hardly change from frame to frame, as a smooth curve does; look_spokes: spokes a look's period.
    """
    alike = np.mean(basis[1:] * basis[:-1], axis=0)
    half = len(alike) // 2
    orders = np.arange(1, half + 1)
    free = (alike[1 : half + 1] + alike[half + 1 :] > IN_STEP) & (orders > look_spokes / BEND_SPOKES - 0.01)
    held = ~free & np.isclose(look_spokes / orders[:, None], HELD_SPOKES, atol=0.01).any(axis=1)
    bend = free | held
    hold = held[bend] / (HELD_SHARE * spacing_deg) ** 2
    return basis[:, np.concatenate([[True], bend, bend])], np.concatenate([[0.0], hold, hold])


def spokes_say(
    components: FloatArray,
    angle_deg: FloatArray,
    wave_deg: tuple[float, float],
    spacing_deg: float,
    look: Series | None,
) -> SpokesSay:
    """Learn the look along a path (n,), and find which way it wants each angle moved."""
    basis, slope = waves(angle_deg, *wave_deg)
    passing = np.cumsum(np.diff(np.rint(angle_deg / spacing_deg), prepend=0.0) != 0.0, dtype=np.intp)
    begun = look if look is not None and len(look.width) == basis.shape[1] else None
    series = learn_series(basis, components, slope, passing, begun)
    change = (slope @ series.coefficients) / series.noise
    residual = (components - basis @ series.coefficients) / series.noise
    weight = independent_share(components) * series.weight
    bends, hold = _bends(basis, wave_deg[0] / spacing_deg, spacing_deg)
    return SpokesSay(
        slope=change,
        toward=weight * np.sum(change * residual, axis=1),
        information=weight * np.sum(change**2, axis=1),
        basis=basis,
        bends=bends,
        hold=hold,
        series=series,
    )


def stamps_kept(kept: float, late_deg: FloatArray, says: SpokesSay) -> float:
    """Share of the stamps' jitter that is the camera's own beat, 0 to 1: some are taken when the frame arrives.

    late_deg (n,): how far the wheel turned meanwhile. By regression of what the spokes say on it.
    """
    known = float(says.information @ late_deg**2)
    return min(max(kept + float(says.toward @ late_deg) / (known + JITTER_KNOWN), 0.0), 1.0)
