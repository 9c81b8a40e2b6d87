"""The edge fit against the Cramér–Rao limit on edges drawn here, and the whole chain past a decal."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray
from scipy.special import ndtr

from rimgauge.capture.edge import EdgeShape, fit_edge
from rimgauge.capture.outline import learn_outline
from rimgauge.cli import main

ROWS, COLUMNS, MIDDLE = 100, 80, 40.0
RUNS = 250


def draw(
    rng: np.random.Generator, place_px: float, slope: float, *, blur_px: float, contrast: float, noise: float
) -> NDArray[np.float64]:
    dv = np.arange(ROWS) - (ROWS - 1) / 2.0
    distance = np.arange(COLUMNS) - (place_px + slope * dv)[:, None]
    step = min(contrast, 0.0) * -1.0 + 25.0 + contrast * ndtr(distance / blur_px)
    return np.rint(np.clip(step + rng.normal(0.0, noise, step.shape), 0.0, 255.0))


def errors_px(
    *, blur_px: float, contrast: float, noise: float, slope: float, jpeg: bool = False
) -> tuple[NDArray[np.float64], float]:
    """Errors of many fits, and the standard error they state."""
    rng = np.random.default_rng(round(100 * blur_px + abs(contrast) + 1000 * noise))
    reach = min(math.ceil(9.0 * blur_px) + 2, 28)
    shape = EdgeShape(
        blur_px=blur_px,
        slope=slope,
        bend_per_px=0.0,
        second_step_px=None,
        outside_px=reach,
        inside_px=reach,
    )
    places = MIDDLE + rng.uniform(-0.5, 0.5, RUNS)
    pictures = []
    for place in places:
        picture = draw(rng, place, slope, blur_px=blur_px, contrast=contrast, noise=noise).astype(np.uint8)
        if jpeg:
            packed = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 85])[1]
            picture = cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE)
        pictures.append(picture.astype(np.float32))
    fit = fit_edge(np.array(pictures), np.full(RUNS, MIDDLE), (ROWS - 1) / 2.0, shape)
    assert np.isfinite(fit.place_px).all()
    return fit.place_px - places, float(np.mean(fit.standard_error_px))


def limit_px(*, blur_px: float, contrast: float, noise: float, rows: int) -> float:
    """Cramér–Rao limit of an edge's place (Gatherer, CSL-TR-93-560, 1993): per row, over √rows."""
    return math.sqrt(noise**2 * 2.0 * math.sqrt(math.pi) * blur_px / (contrast**2 * rows))


def rounded(noise: float) -> float:
    """Noise with what rounding to whole grey levels adds."""
    return math.sqrt(noise**2 + 1.0 / 12.0)


@pytest.mark.parametrize(("blur_px", "limit"), [(0.7, 0.0315), (1.0, 0.0377), (1.5, 0.0461), (2.0, 0.0533)])
def test_the_limit_that_fits_are_held_to(blur_px: float, limit: float) -> None:
    """Contrast over noise 50, one row: verified by simulation elsewhere."""
    assert abs(limit_px(blur_px=blur_px, contrast=50.0, noise=1.0, rows=1) - limit) <= 0.5e-4


@pytest.mark.parametrize(
    ("blur_px", "contrast", "noise", "slope"),
    [
        (0.7, 100.0, 2.0, 0.02),
        (1.0, -100.0, 2.0, 0.1),
        (1.5, 50.0, 4.0, -0.17),
        (2.0, -200.0, 6.0, 0.02),
        (3.0, 100.0, 2.0, 0.02),
        (1.0, 25.0, 1.0, 0.0),
    ],
)
def test_standard_deviation_is_near_the_limit_and_stated_truly(
    blur_px: float, contrast: float, noise: float, slope: float
) -> None:
    errors, stated = errors_px(blur_px=blur_px, contrast=contrast, noise=noise, slope=slope)
    limit = limit_px(blur_px=blur_px, contrast=contrast, noise=rounded(noise), rows=ROWS)
    # 250 runs tell a standard deviation to 4.5 %: the mean ratio is held to 1.13 below.
    assert float(np.std(errors)) < 1.25 * limit
    assert 0.85 < stated / float(np.std(errors)) < 1.18
    assert abs(float(np.mean(errors))) < 0.01


def test_mean_ratio_to_the_limit() -> None:
    ratios = []
    for blur_px, contrast, noise in (
        (0.7, 100.0, 2.0),
        (1.0, 50.0, 2.0),
        (1.5, 100.0, 4.0),
        (2.0, 50.0, 2.0),
    ):
        errors, _ = errors_px(blur_px=blur_px, contrast=contrast, noise=noise, slope=0.03)
        limit = limit_px(blur_px=blur_px, contrast=contrast, noise=rounded(noise), rows=ROWS)
        ratios.append(float(np.std(errors)) / limit)
    assert np.mean(ratios) < 1.13


def test_jpeg_leaves_no_bias() -> None:
    errors, _ = errors_px(blur_px=1.0, contrast=100.0, noise=2.0, slope=0.03, jpeg=True)
    assert abs(float(np.mean(errors))) < 0.01


def test_light_that_falls_off_does_not_shift_the_edge() -> None:
    rng = np.random.default_rng(30)
    places = MIDDLE + rng.uniform(-0.5, 0.5, 60)
    light = 1.0 + 0.3 * (np.arange(COLUMNS) - MIDDLE) / COLUMNS
    even = [draw(rng, place, 0.03, blur_px=1.5, contrast=100.0, noise=0.0) for place in places]
    pictures = np.rint(np.array(even) * light + rng.normal(0.0, 2.0, (60, ROWS, COLUMNS))).astype(np.float32)
    row_px = (ROWS - 1) / 2.0
    outline = learn_outline(pictures[:12], 0.03, row_px, 25)
    fit = fit_edge(pictures, places, row_px, outline.shape)
    # Level plateaus put the edge 0.12 px off; sixty frames tell the mean to 0.001 px.
    assert abs(float(np.mean(fit.place_px - places))) < 0.01


def test_a_clipped_rim_is_less_sure_rather_than_elsewhere() -> None:
    rng = np.random.default_rng(31)
    places = MIDDLE + rng.uniform(-0.5, 0.5, 100)
    pictures = np.array([draw(rng, place, 0.03, blur_px=1.5, contrast=240.0, noise=2.0) for place in places])
    shape = EdgeShape(
        blur_px=1.5,
        slope=0.03,
        bend_per_px=0.0,
        second_step_px=None,
        outside_px=12,
        inside_px=12,
        white=248.0,
    )
    row_px = (ROWS - 1) / 2.0
    whole = fit_edge(pictures.astype(np.float32), places, row_px, shape)
    clipped = np.minimum(pictures * 1.3, 255.0).astype(np.float32)
    fit = fit_edge(clipped, places, row_px, shape)
    blind = fit_edge(clipped, places, row_px, replace(shape, white=math.inf))
    assert float(np.mean(blind.place_px - places)) < -0.1
    assert abs(float(np.mean(fit.place_px - places))) < 0.02
    assert (fit.standard_error_px > whole.standard_error_px).mean() > 0.9
    # 25 and 240 grey levels, 1.3 times as bright.
    told = fit_edge(clipped, places, row_px, shape, rim=np.full(len(places), 1.3 * 265.0))
    assert abs(float(np.mean(told.place_px - places))) < 0.02
    assert np.std(told.place_px - places) < 0.5 * np.std(fit.place_px - places)


@pytest.mark.parametrize("finish", ["bright", "black"])
def test_a_decal_beside_the_edge_is_not_taken_for_it(tmp_path: Path, finish: str) -> None:
    run = CliRunner()
    drawn = ["scene", "--out", str(tmp_path / "s"), "--decal", "--finish", finish, "--frames", "120"]
    assert run.invoke(main, drawn).exit_code == 0
    measured = ["measure", str(tmp_path / "s" / "frames"), "--view", str(tmp_path / "s" / "view.json")]
    result = run.invoke(main, [*measured, "--spokes", "32", "--out", str(tmp_path / "p.json")])
    assert result.exit_code == 0, result.output
    total = json.loads((tmp_path / "p.json").read_text(encoding="utf-8"))["total_runout_mm"]["value"]
    truth = json.loads((tmp_path / "s" / "truth.json").read_text(encoding="utf-8"))
    assert total == pytest.approx(truth["total_runout_mm"], abs=0.03)
