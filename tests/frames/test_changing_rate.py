"""A film whose frames don't come evenly, as a phone writes it, made by a general-purpose library."""

from fractions import Fraction

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.capture import open_source

TICKS_PER_S = 90_000


def test_frames_of_a_film_with_a_changing_rate_bear_the_times_they_were_written_with(tmp_path):
    av = pytest.importorskip("av")
    steps = [0, *[3000] * 12, *[3750] * 12, 3003, 4100, 3600, 9200, 3000]
    ticks = np.cumsum(steps)
    film = tmp_path / "phone.mp4"
    with av.open(str(film), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        stream.codec_context.time_base = Fraction(1, TICKS_PER_S)
        for number, tick in enumerate(ticks):
            frame = av.VideoFrame.from_ndarray(np.full((240, 320, 3), 5 * number, np.uint8), format="bgr24")
            frame.pts, frame.time_base = int(tick), Fraction(1, TICKS_PER_S)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    with open_source(str(film), fps=30.0) as frames:
        read_s = np.array([frame.time_s for frame in frames])
    assert_allclose(read_s - read_s[0], ticks / TICKS_PER_S, atol=1e-3)
