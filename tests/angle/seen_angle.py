"""What a camera sees of a turning wheel, in one dimension along the rim: strips, drawn with exact truth.

The rim's own pattern and tape are tables over the full circle; a bin of a strip is the table's mean over what passes
it during the exposure. Spokes and valve are rods in space (seen_spokes.py). Everything that stands still, and noise, is
laid over it. Sizes are those of a webcam at a bench: 0.12 to 0.16 mm a pixel, 30 frames a second.
"""

from dataclasses import dataclass, replace

import numpy as np
from hand_motion import STEP_S, Motion
from seen_spokes import ALONG_THE_PLANE, Sight, look_on, spoke_strips

from rimgauge.capture.mark import SPOKE_BINS, STRIP_BINS, find_mark
from rimgauge.capture.slide import find_looks, find_slide
from rimgauge.records import EdgeTrack, GapTrack
from rimgauge.signal import Layout

TABLE = 18000
MM_PER_DEG = 311.0 * np.pi / 180.0
SPOKE_COUNTS = (12, 16, 18, 20, 24, 28, 32, 36, 40, 48)

FIRST_FRAME_S = 0.05


@dataclass(frozen=True)
class Bench:
    """Wheel and camera of one run; lengths along the rim in degrees of it."""

    spoke_angles_deg: np.ndarray
    paired: bool = False
    sight: Sight = ALONG_THE_PLANE
    strip_deg: float = 8.0
    spoke_box_deg: float = 3.4
    spoke_box_at_deg: float = 2.0
    px_per_deg: float = 45.0
    guess: float = 1.0
    mark_deg: float = 4.0
    mark_bgr: tuple[float, float, float] = (40.0, 60.0, 215.0)
    rim_bgr: tuple[float, float, float] = (150.0, 150.0, 150.0)
    texture: float = 6.0
    exposure_s: float = 0.006
    noise: float = 2.0
    fps: float = 30.0
    jitter_s: float = 0.0
    beat_jitter_s: float = 0.0
    dropped: float = 0.0
    hand: bool = False
    marked: bool = True
    spokes_seen: bool = True


def draw_bench(rng: np.random.Generator) -> Bench:
    """Draw a bench: any number of spokes, even or paired, lateral or radial view."""
    count = int(rng.choice(SPOKE_COUNTS))
    paired = bool(rng.random() < 0.2)
    radial = rng.random() < 0.4
    shade = rng.choice([45.0, 150.0, 200.0])
    px_per_deg = MM_PER_DEG / rng.uniform(0.12, 0.16)
    length_px = 640.0 if radial else 360.0
    return Bench(
        spoke_angles_deg=spoke_angles(count, paired, rng),
        paired=paired,
        strip_deg=length_px / px_per_deg,
        spoke_box_deg=(0.6 if radial else 0.4) * length_px / px_per_deg,
        spoke_box_at_deg=0.0 if radial else 0.27 * length_px / px_per_deg,
        px_per_deg=px_per_deg,
        guess=rng.uniform(0.96, 1.04),
        mark_deg=rng.uniform(15.0, 40.0) / MM_PER_DEG,
        mark_bgr=tuple(rng.permutation([40.0, 80.0, 220.0])),
        rim_bgr=tuple(shade * rng.uniform(0.9, 1.1, 3)),
        texture=rng.uniform(0.5, 10.0),
        exposure_s=rng.uniform(0.003, 0.010),
        noise=rng.uniform(1.0, 3.0),
        jitter_s=rng.choice([0.0, 0.002, 0.005]),
        dropped=rng.choice([0.0, 0.1]),
        hand=bool(rng.random() < 0.25),
        sight=look_on(count, radial, rng),
    )


def spoke_angles(count: int, paired: bool, rng: np.random.Generator) -> np.ndarray:
    """Angles of the spokes from the mark: the mark's place between two spokes is anybody's."""
    spacing = 360.0 / count
    angles = spacing * (np.arange(count) + 0.5)
    if paired:
        angles = angles + spacing * np.where(np.arange(count) % 2 == 0, 0.3, -0.3)
    return angles + rng.uniform(-0.15, 0.15) * spacing


@dataclass(frozen=True)
class Seen:
    """What the program is given, and the truth (n,) [deg] it is judged by."""

    track: GapTrack
    angle_deg: np.ndarray
    bench: Bench


def film(motion: Motion, bench: Bench, rng: np.random.Generator, taken_s: np.ndarray | None = None) -> Seen:
    """Film the motion: frames dropped, stamps that jitter, a hand in the picture where the bench says so.

    taken_s: when the frames are taken; evenly at the bench's rate if not given.
    """
    if taken_s is None:
        taken_s = np.arange(FIRST_FRAME_S, motion.clock_s[-1] - 0.05, 1.0 / bench.fps)
    taken_s = taken_s[rng.random(len(taken_s)) >= bench.dropped]
    if bench.beat_jitter_s:
        # Some cameras don't take frames evenly, and stamp them when they are taken.
        taken_s = taken_s + np.clip(rng.normal(0.0, 1.0, len(taken_s)), -2, 2) * bench.beat_jitter_s
    angle = motion.at(taken_s)
    smear = np.abs(motion.speed_at(taken_s)) * bench.exposure_s
    stamps = np.maximum.accumulate(
        taken_s + np.clip(rng.normal(0.0, 1.0, len(taken_s)), -2, 2) * bench.jitter_s
    )
    stamps = stamps + 1e-6 * np.arange(len(stamps))
    gain = 1.0 + rng.normal(0.0, 0.01, len(angle))
    strips = _mark_strips(angle, smear, gain, bench, rng)
    spokes = spoke_strips(bench.sight, bench.spoke_angles_deg, _along_mm(bench), angle, smear, rng)
    spokes = spokes * gain[:, None, None] + rng.normal(0.0, bench.noise / bench.sight.averaged, spokes.shape)
    if bench.hand:
        _put_hands(strips, spokes, rng)
    per_bin = bench.strip_deg * bench.px_per_deg / STRIP_BINS
    strips = np.clip(np.round(strips), 0.0, 255.0)
    mark_px, strength = find_mark(strips, (STRIP_BINS - 1) / 2.0, per_bin)
    slide = find_slide(strips, per_bin)
    if not bench.marked:
        mark_px, strength = np.full(len(angle), np.nan), np.zeros(len(angle))
    track = GapTrack(
        time_s=stamps - stamps[0],
        sides=(_gap(angle, rng),),
        mark_px=mark_px,
        mark_strength=strength,
        spoke_profile=np.clip(spokes, 0, 255) if bench.spokes_seen else np.empty((len(angle), 0, 0)),
        lost=("",) * len(angle),
        slide=slide,
        looks=find_looks(strips, per_bin, np.zeros(len(angle))),
    )
    return Seen(track, angle, bench)


def layout_of(bench: Bench) -> Layout:
    """What the program knows of the bench; its scale is a guess."""
    return Layout(
        spoke_angles_deg=bench.spoke_angles_deg,
        px_per_deg=bench.px_per_deg * bench.guess,
        spoke_bin_deg=bench.spoke_box_deg / SPOKE_BINS / bench.guess,
        spoke_lead_deg=bench.spoke_box_at_deg / bench.guess,
    )


def begun_at(motion: Motion, spoke_deg: float) -> Motion:
    """The same motion, with a spoke of that angle at the pointer in the first frame."""
    return replace(motion, angle_deg=motion.angle_deg - motion.at(FIRST_FRAME_S) + spoke_deg)


def even_film(seed: int, way: int) -> Seen:
    """A wheel turned fast and as evenly as can be, forward (1) or backward (-1), a turn in nearly a whole number of frames: 24 to 59.

    The rim is plain, so that its own slide is hardly seen.
    """
    rng = np.random.default_rng(seed)
    bench = replace(draw_bench(rng), hand=False, paired=False, texture=1.0)
    bench = replace(bench, dropped=rng.choice([0.0, 0.1]), jitter_s=rng.choice([0.0, 0.005]))
    frames_a_turn = int(rng.integers(24, 60)) + rng.uniform(-0.1, 0.1)
    clock_s = np.arange(0.0, rng.uniform(4.0, 8.0) * frames_a_turn / bench.fps, STEP_S)
    turned_deg = rng.uniform(0.0, 360.0) + way * 360.0 / frames_a_turn * bench.fps * clock_s
    return film(Motion("steady", clock_s, turned_deg), bench, rng)


def without_spokes(bench: Bench) -> Bench:
    """The same bench, its spokes not in view."""
    return replace(bench, spokes_seen=False)


def _along_mm(bench: Bench) -> np.ndarray:
    """Where along the spokes' box the edges of its bins lie, from the pointer, in mm at the rim's edge."""
    return MM_PER_DEG * (
        bench.spoke_box_at_deg + bench.spoke_box_deg * (np.arange(SPOKE_BINS + 1) / SPOKE_BINS - 0.5)
    )


def _table(bench: Bench, rng: np.random.Generator) -> np.ndarray:
    """Colour of the rim (TABLE, 3) round the circle: specks and stains of all lengths, spoke holes, the tape."""
    white = rng.normal(size=(TABLE, 1))
    frequency = np.fft.rfftfreq(TABLE, 360.0 / TABLE)[:, None]
    shape = 1.0 / np.sqrt(1.0 + (frequency / 0.3) ** 2) * np.exp(-((frequency / 3.0) ** 2))
    pattern = np.fft.irfft(np.fft.rfft(white, axis=0) * shape, TABLE, axis=0)
    colour = np.array(bench.rim_bgr) + bench.texture * pattern / pattern.std()
    around = np.arange(TABLE) * 360.0 / TABLE
    for angle in bench.spoke_angles_deg:
        off = (around - angle + 180.0) % 360.0 - 180.0
        colour *= 1.0 - 0.15 * np.exp(-0.5 * (off / 0.4) ** 2)[:, None]
    if bench.marked:
        off = np.abs((around + 180.0) % 360.0 - 180.0)
        colour[off < bench.mark_deg / 2.0] = bench.mark_bgr
    return colour


def _mark_strips(
    angle: np.ndarray, smear: np.ndarray, gain: np.ndarray, bench: Bench, rng: np.random.Generator
) -> np.ndarray:
    """Strips (n, bins, 3): a rim point at a stands at x = angle − a, x rising along `forward`."""
    step = bench.strip_deg / STRIP_BINS
    place = (np.arange(STRIP_BINS) - (STRIP_BINS - 1) / 2.0) * step
    seen = _mean_of(_table(bench, rng), angle[:, None] - place, (smear + step)[:, None])
    light = 1.0 + 0.15 * np.cos(np.linspace(0.0, 2.0, STRIP_BINS) + rng.uniform(0.0, 3.0))
    result = seen * light[:, None] * gain[:, None, None]
    # A bin is the mean over the box's width and a few rows: less noise than a pixel has.
    return result + rng.normal(0.0, bench.noise / 4.0, result.shape)


def _mean_of(table: np.ndarray, centre_deg: np.ndarray, width_deg: np.ndarray) -> np.ndarray:
    """Mean of a table round the circle over stretches."""
    total = np.vstack([np.zeros((1, table.shape[1])), np.cumsum(np.vstack([table] * 3), axis=0)])
    per_deg = TABLE / 360.0
    start = ((centre_deg - width_deg / 2.0) % 360.0 + 360.0) * per_deg
    low, high = start, start + width_deg * per_deg

    def integral(at: np.ndarray) -> np.ndarray:
        whole = np.floor(at).astype(np.intp)
        return total[whole] + (at - whole)[..., None] * (total[whole + 1] - total[whole])

    return (integral(high) - integral(low)) / (high - low)[..., None]


def _put_hands(strips: np.ndarray, spokes: np.ndarray, rng: np.random.Generator) -> None:
    """A hand before the lens twice, for a few frames, in either picture."""
    for picture in (strips, spokes):
        start, length = int(rng.integers(0, max(len(picture) - 15, 1))), int(rng.integers(3, 12))
        low = int(rng.integers(0, picture.shape[1] // 2))
        picture[start : start + length, low : low + picture.shape[1] // 2] = rng.uniform(60.0, 190.0)


def _gap(angle: np.ndarray, rng: np.random.Generator) -> EdgeTrack:
    orders = np.arange(1, 9)
    size = rng.uniform(0.5, 4.0) * rng.normal(size=8) / orders
    phase = np.radians(angle)[:, None] * orders + rng.uniform(0.0, 6.3, 8)
    count = len(angle)
    nowhere = np.zeros((count, 2))
    return EdgeTrack(
        side="right",
        gap_px=18.0 + np.cos(phase) @ size + rng.normal(0.0, 0.08, count),
        standard_error_px=np.full(count, 0.08),
        quality=np.ones(count),
        tip_px=nowhere,
        rim_px=nowhere,
    )
