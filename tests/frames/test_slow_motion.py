"""Slow motion: of far more frames a second than films have, every so many are read, counted and found again."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.capture import FrameSource, at_times, kept_source, open_source, picture_at
from rimgauge.capture.slow_motion import every_of
from rimgauge.errors import FrameTrouble

LEVELS = range(10, 250, 3)


def film_at(folder: Path, per_s: float) -> Path:
    film = folder / "film.mp4"
    writer = cv2.VideoWriter(str(film), cv2.VideoWriter.fourcc(*"mp4v"), per_s, (64, 48))
    for level in LEVELS:
        writer.write(np.full((48, 64, 3), level, dtype=np.uint8))
    writer.release()
    return film


def pictures_at(folder: Path, per_s: float) -> Path:
    lines = ["frame,time_s"]
    for index, level in enumerate(LEVELS):
        cv2.imwrite(str(folder / f"{index:03d}.png"), np.full((48, 64, 3), level, dtype=np.uint8))
        lines.append(f"{index},{index / per_s!r}")
    (folder / "times.csv").write_text("\n".join(lines))
    return folder


def read(source: FrameSource) -> tuple[list[float], list[float]]:
    """Times [s] and brightness of the frames read."""
    frames = list(source)
    assert [frame.index for frame in frames] == list(range(len(frames)))
    return [frame.time_s for frame in frames], [float(frame.image.mean()) for frame in frames]


@pytest.mark.parametrize(
    ("per_s", "every"),
    [
        (24, 1),
        (30, 1),
        (60, 1),
        (72, 1),
        (90, 2),
        (120, 2),
        (240, 4),
        (480, 7),
        (960, 13),
        (2000, 1),
        (1e5, 1),
    ],
)
def test_as_many_frames_a_second_are_read_as_films_have(per_s: float, every: int) -> None:
    assert every_of([index / per_s for index in range(60)]) == every


def test_times_that_tell_no_rate_leave_every_frame() -> None:
    assert every_of([]) == every_of([0.0]) == every_of([1.0, 1.0, 1.0]) == 1


def test_frames_that_come_by_fits_and_starts_are_no_slow_motion() -> None:
    times_s = np.cumsum(np.tile([0.001, 0.0657], 40))
    assert every_of(times_s.tolist()) == 1


def test_a_backlog_that_came_at_once_makes_no_slow_motion_of_what_follows() -> None:
    assert every_of(np.cumsum([0.002] * 55 + [1.0 / 60.0] * 100).tolist()) == 1


@pytest.mark.parametrize("made", [film_at, pictures_at])
@pytest.mark.parametrize(
    ("per_s", "every", "said"), [(60.0, 1, ""), (120.0, 2, "second"), (240.0, 4, "fourth")]
)
def test_every_so_many_frames_are_read_and_found_again(
    tmp_path: Path, made, per_s: float, every: int, said: str
) -> None:
    with open_source(str(made(tmp_path, per_s))) as source:
        time_s, brightness = read(source)
        assert_allclose(time_s, np.arange(0, len(LEVELS), every) / per_s, rtol=0.0, atol=1e-6)
        # A film's colours are rounded, by up to 4 here; the next frame read of slow motion is 6 away and more.
        assert_allclose(brightness, LEVELS[::every], rtol=0.0, atol=4.0)
        assert picture_at(source, 7, time_s[7]).mean() == pytest.approx(brightness[7], abs=1e-9)
        assert picture_at(source, 7, time_s[7] + 1.0).mean() == pytest.approx(brightness[7], abs=1e-9)
        notes = source.notes()
    assert len(notes) == (every > 1)
    assert all(f"{per_s:.0f} frames a second: every {said} frame" in note for note in notes)


@pytest.mark.parametrize("made", [film_at, pictures_at])
@pytest.mark.parametrize("per_s", [30.0, 240.0])
def test_what_was_kept_is_read_as_it_was_measured_though_it_was_stopped(
    tmp_path: Path, made, per_s: float
) -> None:
    made(tmp_path, per_s)
    for stop_at in (9, None):
        with open_source(str(tmp_path if made is pictures_at else tmp_path / "film.mp4")) as source:
            frames = []
            for frame in source:
                frames.append(frame)
                if frame.index == stop_at:
                    source.stop()
            notes = source.notes()
        assert ["stopped before the last frame" in note for note in notes] == (
            [False] * (per_s > 100.0) + [True] * (stop_at is not None)
        )
        time_s = [frame.time_s + 0.5 for frame in frames]
        again = list(at_times(kept_source(tmp_path, source.every), time_s))
        assert [frame.time_s for frame in again] == time_s
        assert all(np.array_equal(one.image, two.image) for one, two in zip(frames, again, strict=True))
        source.stop()
    assert not any("stopped" in note for note in source.notes())  # all had come before
    with pytest.raises(
        FrameTrouble, match=rf"holds {len(time_s)} frames, but {len(time_s) + 1} were measured"
    ):
        list(at_times(kept_source(tmp_path, source.every), [*time_s, 99.0]))


def test_a_film_stopped_before_its_first_frame_is_not_told_as_one_that_holds_none(tmp_path: Path) -> None:
    with open_source(str(film_at(tmp_path, 30.0))) as source:
        source.stop()
        with pytest.raises(FrameTrouble, match=r"film\.mp4: it was stopped before its first frame$"):
            next(iter(source))


def test_pictures_without_times_are_read_again_as_they_were_at_the_rate_that_was_told(tmp_path: Path) -> None:
    (pictures_at(tmp_path, 30.0) / "times.csv").unlink()
    source = open_source(str(tmp_path), fps=150.0)
    time_s, brightness = read(source)
    assert (time_s[1], source.every) == (pytest.approx(2 / 150.0), 2)
    assert read(kept_source(tmp_path, source.every))[1] == brightness
