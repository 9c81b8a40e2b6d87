"""`rimgauge measure`: frames to millimetres of runout at every spoke."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import json_option, print_json
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.records import Runout, Wheel


@click.command()
@click.argument("source")
@click.option("--view", "view_file", type=click.Path(path_type=Path), help="Where things are (view.json).")
@click.option("--spokes", type=int, help="How many spokes, when there is no wheel file.")
@click.option(
    "--wheel", "wheel_file", type=click.Path(path_type=Path), help="The wheel's build (wheel.toml)."
)
@click.option("--out", type=click.Path(path_type=Path), help="File to write (pass.json).")
@click.option(
    "--tolerance-mm", type=float, help="Limit of the total runout. Default: the wheel file's, or 0.5."
)
@click.option(
    "--fps", type=float, default=30.0, show_default=True, help="Frame rate where the source states none."
)
@click.option("--check", is_flag=True, help="Leave with code 3 unless the wheel is within the limit.")
@json_option
def command(
    source: str,
    view_file: Path | None,
    spokes: int | None,
    wheel_file: Path | None,
    out: Path | None,
    tolerance_mm: float | None,
    fps: float,
    check: bool,
    as_json: bool,
) -> None:
    """Measure the runout in SOURCE: a folder of frames, a video file or a camera number.

    Example:  rimgauge measure frames --view view.json --spokes 32 --out pass.json
    """
    import sys
    from datetime import UTC, datetime

    import rimgauge.job as job
    from rimgauge.capture import ReadAhead, open_source
    from rimgauge.pipeline import measure
    from rimgauge.records import Source

    folder = job.find_job(Path.cwd())
    if view_file is None and folder is not None:
        view_file = _view_in_job(folder)
    if view_file is None:
        raise BadInput("measure needs --view view.json; make one with aim, or work inside a job folder")
    view = job.read_view(view_file)
    if wheel_file is None and spokes is None and folder is not None:
        wheel_file = folder.folder / "wheel.toml"
    wheel = load_wheel(wheel_file, spokes)
    limit = wheel.tolerance.lateral_mm if view.direction == "lateral" else wheel.tolerance.radial_mm
    limit = limit if tolerance_mm is None else tolerance_mm
    if not 0.0 < limit < 100.0:
        raise BadInput("--tolerance-mm must be more than 0 and under 100 mm")
    if not 0.5 <= fps <= 1000.0:
        raise BadInput("--fps must be between 0.5 and 1000 frames a second")
    with open_source(source, fps=fps) as frames:
        runout = measure(
            ReadAhead(frames),
            view,
            spoke_angles_deg=wheel.spoke_angles_deg,
            flanges=wheel.flanges,
            tolerance_mm=limit,
            created=datetime.now(UTC).isoformat(timespec="seconds"),
            source=Source(kind=frames.kind, name=Path(source).name, frames=0, used=0, sha256=frames.sha256()),
            radius_mm=wheel.rim.effective_diameter_mm / 2.0 + 9.0,
        )
    if out is None and folder is not None:
        out = job.next_path(folder, "pass")
    if out is not None:
        job.write_pass(out, runout)
    if as_json:
        print_json(job.pass_fields(runout))
    else:
        click.echo(runout_text(runout))
        if out is not None:
            click.echo(f"\nWritten: {out}")
    if check and runout.verdict.outcome != "within":
        sys.exit(3)


def _view_in_job(folder: object) -> Path:
    import rimgauge.job as job

    assert isinstance(folder, job.Job)
    path = job.view_path(folder, "lateral")
    return path if path.is_file() else job.view_path(folder, "radial")


def load_wheel(wheel_file: Path | None, spokes: int | None) -> Wheel:
    """Read the wheel file, or make a wheel of the usual kind with so many spokes."""
    import rimgauge.job as job
    from rimgauge.wheel import complete_wheel

    if wheel_file is not None:
        build = job.read_build(wheel_file)
        if spokes is not None and spokes != build["spokes"]:
            raise BadInput(f"--spokes {spokes} disagrees with {wheel_file}, which says {build['spokes']}")
        return complete_wheel(build)
    if spokes is None:
        raise BadInput("say how many spokes the wheel has with --spokes, or give its file with --wheel")
    if not 4 <= spokes <= 60:
        raise BadInput(f"--spokes {spokes}: a wheel has between 4 and 60 spokes")
    return complete_wheel({"spokes": spokes})


def runout_text(runout: Runout) -> str:
    """Put the result in words and a table of spokes, at most 80 columns wide."""
    total = runout.total_runout
    outcome = {"within": "WITHIN", "out": "OUT OF", "undecided": "UNDECIDED against"}[runout.verdict.outcome]
    lines = [
        f"{runout.direction.capitalize()} runout: {total.value:.2f} ± {total.expanded_uncertainty:.2f} mm "
        f"({total.coverage_probability:.0%}), {outcome} the limit of {runout.verdict.tolerance_mm:g} mm",
        f"{runout.source.used} of {runout.source.frames} frames used, {runout.revolutions:.1f} revolutions",
    ]
    ways = ("to the right", "to the left") if runout.direction == "lateral" else ("outward", "inward")
    for side in runout.sides:
        for zone in side.zones[:4]:
            spokes = ", ".join(str(number) for number in zone.spokes) or "between two spokes"
            lines.append(
                f"  {abs(zone.peak_mm):.2f} mm {ways[zone.peak_mm < 0]} at {zone.centre_deg:.0f}°, "
                f"from {zone.start_deg:.0f}° to {zone.end_deg:.0f}°: spokes {spokes}"[:80]
            )
        lines += ["", f"Runout at each spoke, {side.side} side of the rim [mm]:"]
        cells = [
            f"{number:3d}{flange[0].upper()} {value:+.2f}"
            for number, (flange, value) in enumerate(
                zip(side.spoke_flange, side.spoke_mm, strict=True), start=1
            )
        ]
        lines += ["  ".join(cells[k : k + 7]) for k in range(0, len(cells), 7)]
    return "\n".join([*lines, *runout.notes])
