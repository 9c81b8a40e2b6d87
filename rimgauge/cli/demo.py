"""`rimgauge demo`: the whole job on the bundled frames."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import PATH, json_option, next_step, print_json
from rimgauge.errors import BadFile, RimgaugeError

if TYPE_CHECKING:
    from rimgauge.records import Plan, Runout, Wheel

PASSES = ("lateral_before", "radial_before", "lateral_after", "radial_after")


@click.command()
@click.option("--out", type=PATH, required=True, help="Folder for the results.")
@json_option
def command(out: Path, as_json: bool) -> None:
    """Measure and plan the bundled job: an invented wheel, before and after truing.

    The folder must be new or empty, or hold an earlier demo, which is then made anew.

    Example:  rimgauge demo --out demo
    """
    import rimgauge.job as job
    from rimgauge.cli.measure_given import load_wheel

    _check_free(out)
    sample = sample_folder()
    wheel = load_wheel(sample / "wheel.toml", None)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadFile(
            out, f"this folder can't be made or written ({error.strerror}); choose another"
        ) from None
    runouts, plan = _written(out, sample, wheel)
    if as_json:
        print_json(
            {
                "passes": {name: job.pass_fields(runout) for name, runout in runouts.items()},
                "plan": job.plan_fields(plan),
            }
        )
        return
    click.echo(f"The {wheel.name}: invented, and drawn by rimgauge's own camera.\n")
    click.echo(_story(sample, runouts, plan))
    click.echo(f"\nPasses, plan and pictures are in {out}")
    next_step("start on a wheel of your own.", 'rimgauge new "front wheel" --spokes 32')


def _written(out: Path, sample: Path, wheel: Wheel) -> tuple[dict[str, Runout], Plan]:
    """Measure all passes and plan from those before; write these, and the picture of before and after."""
    import rimgauge.job as job
    from rimgauge.correcting import correct, readings_from_passes
    from rimgauge.report.runout import runout_figure

    runouts = {}
    for number, (name, runout, picture) in enumerate(_measured(sample, wheel), start=1):
        runouts[name] = runout
        job.write_measured(out / f"pass-{number:02d}.json", runout, picture=picture, frames=[])
    before, radial = runouts["lateral_before"], runouts["radial_before"]
    readings = readings_from_passes(before, radial, spokes=len(wheel.flanges))
    plan = correct(readings, wheel, measured=(before, radial))
    job.write_plan(out / "plan-01.json", plan)
    figure = runout_figure(
        runouts["lateral_after"],
        before=before,
        rim_diameter_mm=wheel.rim.effective_diameter_mm,
        title=wheel.name,
    )
    drawn = io.BytesIO()
    figure.savefig(drawn, dpi=110)
    job.write_bytes(out / "runout.png", drawn.getvalue())
    return runouts, plan


def _story(sample: Path, runouts: dict[str, Runout], plan: Plan) -> str:
    """Tell the job from before to after."""
    from rimgauge.cli.runout_words import runout_text
    from rimgauge.plan import plan_text

    parts = (
        f"BEFORE\n{runout_text(runouts['lateral_before'])}",
        _line(runouts["radial_before"]),
        f"PLAN\n{plan_text(plan)}",
        f"{after_words(sample, plan)}\n{_line(runouts['lateral_after'])}\n{_line(runouts['radial_after'])}",
    )
    return "\n\n".join(parts)


def _check_free(out: Path) -> None:
    """Refuse a folder that holds anything but an earlier demo, so that nobody's own files are written over."""
    from rimgauge.job import read_pass

    if not out.is_dir():
        return  # made anew, or refused where it is made
    passes = [f"pass-{number:02d}.json" for number in range(1, len(PASSES) + 1)]
    ours = {*passes, *(f"{name[:-5]}.jpg" for name in passes), "plan-01.json", "runout.png"}
    try:
        found = {path.name for path in out.iterdir() if not path.name.startswith(".")}
        measured = [read_pass(out / name) for name in passes if name in found]
    except OSError as error:
        raise BadFile(out, f"this folder can't be read ({error.strerror}); choose another") from None
    except BadFile:
        measured = []
    if found and not (found <= ours and measured and all(each.created == DRAWN_ON for each in measured)):
        raise BadFile(out, "holds files that the demo did not write; choose a new or empty folder for --out")


def sample_folder() -> Path:
    """Find the bundled frames: inside the installed package, or beside it in a checkout."""
    import rimgauge

    package = Path(rimgauge.__file__).parent
    for folder in (package / "sample_frames", package.parent / "sample_frames"):
        if (folder / "wheel.toml").is_file():
            return folder
    raise BadFile("sample_frames", "the bundled frames are missing; install rimgauge again")


def turns_made(sample: Path) -> list[tuple[int, float]]:
    """Read which nipples were turned between the films, and how far [turns]; + tightens."""
    with (sample / "turns.csv").open(newline="", encoding="utf-8") as rows:
        turns = [(int(row["spoke"]), float(row["turns"])) for row in csv.DictReader(rows)]
    return [(spoke, turn) for spoke, turn in turns if turn]


def after_words(sample: Path, plan: Plan) -> str:
    """Say what the second films show: the wheel after this plan, or after an earlier round."""
    from rimgauge.records import turns_in_all

    made = turns_made(sample)
    if made == sorted((item.spoke, item.turns) for item in plan.corrections):
        return "AFTER these turns, measured again"
    turns = turns_in_all(turn for _, turn in made)
    return (
        f"AFTER an earlier round of {len(made)} nipples, {turns}, measured again\n"
        "(the plan above was made later, and has not been turned on this wheel)"
    )


def _measured(sample: Path, wheel: Wheel) -> Iterator[tuple[str, Runout, bytes]]:
    """Give each pass by name, measured, with the picture of its worst place; as many at a time as there are cores."""
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(max_workers=min(len(PASSES), os.cpu_count() or 1)) as workers:
        waiting = [workers.submit(_measure, sample / name, wheel) for name in PASSES]
        for name, result in zip(PASSES, waiting, strict=True):
            click.echo(f"Measuring {name.replace('_', ', ')} ...", err=True)
            runout, picture, trouble = result.result()
            if runout is None:
                raise RimgaugeError(trouble)
            yield name, runout, picture


def _measure(folder: Path, wheel: Wheel) -> tuple[Runout | None, bytes, str]:
    """Measure one pass in a process of its own: runout and picture of the worst place, or what went wrong."""
    import rimgauge.job as job
    from rimgauge.capture import open_source
    from rimgauge.cli.measure_kept import worst_picture
    from rimgauge.pipeline import reckon, see
    from rimgauge.records import Source, WheelInView

    seen_wheel = WheelInView.of(wheel)
    try:
        view = job.read_view(folder / "view.json")
        tolerance_mm = (
            wheel.tolerance.lateral_mm if view.direction == "lateral" else wheel.tolerance.radial_mm
        )
        with open_source(str(folder)) as frames:
            seen, turning = see(frames, view, seen_wheel)
            runout = reckon(
                seen,
                turning,
                view,
                seen_wheel,
                tolerance_mm=tolerance_mm,
                created=DRAWN_ON,
                source=Source(kind=frames.kind, name=folder.name, frames=0, used=0, sha256=frames.sha256()),
            )
            return runout, worst_picture(runout, seen, view, frames), ""
    except RimgaugeError as error:
        # Errors that carry numbers can't be handed from process to process; their words can.
        return None, b"", str(error)


DRAWN_ON = "2026-11-25T12:00:00+00:00"
"""The day the bundled frames were drawn; the demo gives the same files whenever it is run."""


def _line(runout: Runout) -> str:
    total = runout.total_runout
    return (
        f"{runout.direction.capitalize()} runout: {total.value:.2f} ± {total.expanded_uncertainty:.2f} mm, "
        f"{runout.verdict.outcome} (tolerance {runout.verdict.tolerance_mm:g} mm)"
    )
