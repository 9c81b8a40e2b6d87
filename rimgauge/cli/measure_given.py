"""What `rimgauge measure` is told beforehand: where things are, the wheel, the tolerance, the other direction."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rimgauge.cli.views import view_named, with_scale
from rimgauge.errors import BadInput

if TYPE_CHECKING:
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

    def read(self, source: str) -> Known:
        """Read what was named, and what was not from the job here or beside the source."""
        view = self._view(source)
        wheel = load_wheel(self.wheel_file, self.spokes)
        return Known(
            view=view,
            wheel=wheel,
            tolerance_mm=self._against_mm(wheel, view.direction),
            other=self._other_side(view.direction),
            start_spoke=self.start_spoke,
        )

    def _view(self, source: str) -> View:
        from rimgauge.job import check_view_as_recorded, read_view

        view_file = view_named(self.view_file, self.direction, source)
        check_view_as_recorded(view_file)
        view = with_scale(read_view(view_file), view_file)
        if self.direction is not None and view.direction != self.direction:
            raise BadInput(f"{view_file} is a {view.direction} view, not a {self.direction} one")
        return view

    def _against_mm(self, wheel: Wheel, direction: Direction) -> float:
        """The tolerance that was typed, or else the wheel file's."""
        of_wheel = wheel.tolerance.lateral_mm if direction == "lateral" else wheel.tolerance.radial_mm
        return of_wheel if self.tolerance_mm is None else self.tolerance_mm

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
    """Read the wheel file that was named, else the job's here; without any make a usual wheel with so many spokes."""
    from rimgauge.job import find_job, read_build
    from rimgauge.records import FEWEST_SPOKES, MOST_SPOKES
    from rimgauge.wheel import complete_wheel

    job = find_job(Path.cwd())
    # --spokes doesn't put the job's own file aside: its tolerance and its sides of the spokes would go with it
    wheel_file = wheel_file or (None if job is None else job.wheel)
    if wheel_file is not None:
        build = read_build(wheel_file)
        if spokes is not None and spokes != build["spokes"]:
            raise BadInput(
                f"--spokes {spokes} disagrees with {wheel_file}, which says {build['spokes']}; leave --spokes out, "
                "put the file right, or go out of the folder for another wheel"
            )
        return complete_wheel(build)
    if spokes is None:
        raise BadInput("say how many spokes the wheel has with --spokes, or name its file with --wheel")
    if not FEWEST_SPOKES <= spokes <= MOST_SPOKES:
        raise BadInput(f"--spokes {spokes}: a wheel has between {FEWEST_SPOKES} and {MOST_SPOKES} spokes")
    return complete_wheel({"spokes": spokes})
