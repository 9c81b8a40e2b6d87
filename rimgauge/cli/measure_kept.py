"""What `rimgauge measure` keeps: its result, the picture of the worst place, and the frames."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from rimgauge.cli.runout_words import runout_text
from rimgauge.errors import BadFile, BadInput, RimgaugeError

if TYPE_CHECKING:
    from rimgauge.capture import FrameSource
    from rimgauge.job import Job
    from rimgauge.records import GapTrack, Runout, View

Keep = Literal["frames", "worst", "none"]


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What was typed of it: the file to write, the pictures to keep, and who measures, '' if that isn't told."""

    out: Path | None = None
    keep: Keep = "worst"
    by: str = ""


@dataclass(frozen=True)
class Target:
    """Where the result goes: the file named, else the job's next number, else nowhere; and what goes with it.

    source: what is measured, a path if it is one.
    """

    asked: Kept
    job: Job | None
    source: Path

    def __post_init__(self) -> None:
        """Refuse now what would lose the measurement later."""
        from rimgauge.job import (
            check_picture_replaceable,
            check_replaceable,
            check_writable,
            frames_path,
            picture_path,
        )

        out, keep = self.asked.out, self.asked.keep
        if out is None:
            if self.job is not None:
                check_writable(self.job.folder / "pass.json")
            elif keep == "frames":
                raise BadInput("--keep frames needs --out pass.json, or a job folder, to keep them in")
            return
        check_replaceable((out, "rimgauge-pass"))
        if keep != "none" and picture_path(out) == out:
            raise BadFile(out, "a measurement is JSON; give it a name that ends in .json")
        if keep != "none":
            check_picture_replaceable(out)
        if keep == "frames" and frames_path(out).exists():
            raise BadFile(frames_path(out), "is there already; move it away, or use another --out")

    @property
    def home(self) -> Job | None:
        """The job whose next measurement it becomes; None where a file was named for it, or there is no job."""
        return self.job if self.asked.out is None else None

    @property
    def keeps(self) -> Keep:
        """What is kept; nothing where there is no file to keep it beside."""
        return "none" if self.asked.out is None and self.job is None else self.asked.keep

    def write(self, runout: Runout, picture: bytes | None, frames: list[Path]) -> Path | None:
        """Write the result; where that fails it is shown, so that it isn't lost."""
        try:
            return self._write(runout, picture, frames)
        except RimgaugeError:
            click.echo(f"{runout_text(runout)}\n\nNOT written:", err=True)
            raise

    def _write(self, runout: Runout, picture: bytes | None, frames: list[Path]) -> Path | None:
        from rimgauge.job import keep_as, keep_pass, write_measured

        out = self.asked.out
        if out is None:
            if self.job is None:
                return None
            return keep_pass(self.job, runout, picture=picture, frames=frames, used=[self.source])
        if self.job is not None and out.resolve().is_relative_to(self.job.folder):
            keep_as(self.job, out, runout, picture=picture, frames=frames, used=[self.source])
        else:
            write_measured(out, runout, picture=picture, frames=frames)
        return out


def worst_picture(runout: Runout, seen: GapTrack, view: View, source: FrameSource) -> bytes:
    """Draw pointer, rim edge and gap into the source's frame that shows the worst place; a JPEG."""
    import cv2
    import numpy as np

    from rimgauge.capture import picture_at
    from rimgauge.pipeline import worst_frame
    from rimgauge.report.marked import overlay

    index, worst_deg, off_mm = worst_frame(runout)
    picture = overlay(
        picture_at(source, index, float(runout.frames.time_s[index])),
        np.array([side.tip_px[index] for side in seen.sides]),
        np.array([side.rim_px[index] for side in seen.sides]),
        runout.frames.gap_mm[:, index],
        view.positive,
        label=worst_label(runout, worst_deg, off_mm),
    )
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return data.tobytes()


def worst_label(runout: Runout, worst_deg: float, off_mm: float) -> str:
    """Say how far the rim strays at its worst place, and by which spoke that is."""
    from rimgauge.records import nearest_spoke

    ways = ("to the right", "to the left") if runout.direction == "lateral" else ("outward", "inward")
    spoke = nearest_spoke(worst_deg, runout.worse_side.spoke_angle_deg)
    return (
        f"Worst place: {abs(off_mm):.2f} mm {ways[off_mm < 0]}, near spoke {spoke} ({worst_deg:.0f} degrees)"
    )
