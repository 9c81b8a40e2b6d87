"""What `rimgauge measure` is told beforehand: where things are, the wheel, the tolerance, the other direction."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rimgauge.cli.views import view_beside, view_in_job
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.job import Job
    from rimgauge.records import Direction, SideRunout, View, Wheel, WheelInView


@dataclass(frozen=True, kw_only=True)
class Given:
    """What was typed of it; None where nothing was."""

    view_file: Path | None
    direction: Direction | None
    spokes: int | None
    wheel_file: Path | None
    tolerance_mm: float | None
    radial_file: Path | None
    lateral_file: Path | None
    start_spoke: int | None

    def read(self, source: str, job: Job | None) -> Known:
        """Read what was named, and what was not from the job here or beside the source."""
        view = self._view(source, job)
        # --spokes doesn't put the job's own file aside: its tolerance and its sides of the spokes would go with it
        own = None if job is None else job.wheel
        wheel = load_wheel(self.wheel_file or own, self.spokes)
        return Known(
            view=view,
            wheel=wheel,
            tolerance_mm=self._against_mm(wheel, view.direction),
            other=self._other_side(view.direction),
            start_spoke=self.start_spoke,
        )

    def _view(self, source: str, job: Job | None) -> View:
        from rimgauge.job import check_view_as_recorded, read_view

        view_file = self.view_file
        if view_file is None:
            view_file = view_beside(source) if job is None else view_in_job(job, self.direction)
        if view_file is None:
            raise BadInput("measure needs --view view.json; make one with aim, or work inside a job folder")
        check_view_as_recorded(view_file)
        view = read_view(view_file)
        if self.direction is not None and view.direction != self.direction:
            raise BadInput(f"{view_file} is a {view.direction} view, not a {self.direction} one")
        return view

    def _against_mm(self, wheel: Wheel, direction: Direction) -> float:
        """The tolerance that was typed, or else the wheel file's."""
        of_wheel = wheel.tolerance.lateral_mm if direction == "lateral" else wheel.tolerance.radial_mm
        tolerance_mm = of_wheel if self.tolerance_mm is None else self.tolerance_mm
        if not 0.0 < tolerance_mm < 100.0:
            raise BadInput("--tolerance-mm must be more than 0 and under 100 mm")
        return tolerance_mm

    def _other_side(self, direction: Direction) -> SideRunout | None:
        """Read the measurement of the other direction that --radial or --lateral names."""
        from rimgauge.job import read_pass
        from rimgauge.pipeline import other_side

        same, wanted = self.lateral_file, self.radial_file
        if direction == "radial":
            same, wanted = wanted, same
        if same is not None:
            raise BadInput(
                f"the view is {direction}; --{direction} would correct a view of the other direction"
            )
        return None if wanted is None else other_side(read_pass(wanted), direction)


@dataclass(frozen=True, kw_only=True)
class Known:
    """What is known of view and wheel; other: the other direction's runout, where it was named."""

    view: View
    wheel: Wheel
    tolerance_mm: float
    other: SideRunout | None
    start_spoke: int | None

    @property
    def in_view(self) -> WheelInView:
        """The wheel as the measurement must know it."""
        from rimgauge.records import WheelInView

        return WheelInView.of(self.wheel, self.start_spoke)

    def check_start(self, *, live: bool) -> None:
        """Refuse a spoke to start with that there isn't, or that nobody can hold to."""
        if self.start_spoke is None:
            return
        spokes = len(self.wheel.flanges)
        if self.start_spoke > spokes:
            raise BadInput(f"--start-spoke {self.start_spoke}: the wheel has {spokes} spokes")
        if live:
            raise BadInput(
                "--start-spoke is for a film or a folder of frames; for a camera or stream stick a piece of tape at "
                "the valve"
            )


def load_wheel(wheel_file: Path | None, spokes: int | None) -> Wheel:
    """Read the wheel file, or make a wheel of the usual kind with so many spokes."""
    import rimgauge.job as job
    from rimgauge.records import FEWEST_SPOKES, MOST_SPOKES
    from rimgauge.wheel import complete_wheel

    if wheel_file is not None:
        build = job.read_build(wheel_file)
        if spokes is not None and spokes != build["spokes"]:
            raise BadInput(
                f"--spokes {spokes} disagrees with {wheel_file}, which says {build['spokes']}; leave --spokes out, "
                "put the file right, or go out of the folder to measure another wheel"
            )
        return complete_wheel(build)
    if spokes is None:
        raise BadInput("say how many spokes the wheel has with --spokes, or give its file with --wheel")
    if not FEWEST_SPOKES <= spokes <= MOST_SPOKES:
        raise BadInput(f"--spokes {spokes}: a wheel has between {FEWEST_SPOKES} and {MOST_SPOKES} spokes")
    return complete_wheel({"spokes": spokes})
