"""How blurred an edge is, told frame by frame from its mean profiles."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from rimgauge.capture.edge import EdgeShape
from rimgauge.capture.sharpness import edge_blurs
from rimgauge.records import FloatArray

SHAPE = EdgeShape(blur_px=1.2, slope=0.0, bend_per_px=0.0, second_step_px=None, outside_px=6, inside_px=7)
FRAMES = 120


def test_the_blur_is_told_whatever_brightness_contrast_and_place() -> None:
    rng = np.random.default_rng(8)
    x: FloatArray = np.arange(-SHAPE.outside_px, SHAPE.inside_px + 1.0)
    blur_px = 1.2 + 0.9 * np.sin(np.arange(FRAMES) / 9.0) ** 2
    place_px, contrast, light = (
        rng.normal(0.0, 0.1, FRAMES),
        rng.uniform(60, 120, FRAMES),
        rng.uniform(20, 50, FRAMES),
    )
    profiles = light[:, None] + contrast[:, None] * ndtr((x - place_px[:, None]) / blur_px[:, None])
    profiles = (profiles + rng.normal(0.0, 0.5, profiles.shape)).astype(np.float32)
    profiles[7, 3] = np.nan
    good = np.arange(FRAMES) != 11
    found = edge_blurs(profiles, good, SHAPE)
    assert np.isnan(found[[7, 11]]).all()
    off = np.delete(found / blur_px - 1.0, [7, 11])
    # Half a grey level of noise in each pixel at a contrast of 60 leaves two per cent.
    assert float(np.std(off)) < 0.03
    assert abs(float(np.mean(off))) < 0.02


def test_no_frames_or_too_few_columns_tell_no_blur() -> None:
    profiles = np.zeros((FRAMES, SHAPE.outside_px + SHAPE.inside_px + 1), dtype=np.float32)
    assert np.isnan(edge_blurs(profiles, np.zeros(FRAMES, dtype=bool), SHAPE)).all()
    profiles[:, 4:] = np.nan
    assert np.isnan(edge_blurs(profiles, np.ones(FRAMES, dtype=bool), SHAPE)).all()
