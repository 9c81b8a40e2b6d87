"""rimgauge dish: how far the rim stands from the middle."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import PATH, folded, json_option, print_json, shown, signed
from rimgauge.cli.decimals import DECIMAL, TOLERANCE_MM
from rimgauge.cli.runout_words import OUTCOME_WORDS
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.job import Job, KeptDish
    from rimgauge.records import Dish, Outcome


@click.command()
@click.argument("passes", nargs=-1, type=PATH, metavar="FIRST [TURNED]")
@click.option("--between-mm", type=DECIMAL, help="From pointer tip to pointer tip, where there are two.")
@click.option(
    "--tolerance-mm",
    type=TOLERANCE_MM,
    help="Offset that is near enough. Default: the job's wheel file's, or 1.0.",
)
@json_option
def command(
    *, passes: tuple[Path, ...], between_mm: float | None, tolerance_mm: float | None, as_json: bool
) -> None:
    """Tell how far the rim stands from the middle of the hub.

    Measure laterally; turn the wheel round in the stand, so that its other side faces the pointer, touch
    neither pointer nor camera nor nipple, and measure again; name the two in that order. Half the difference
    of the mean gaps is the offset. Or give one measurement with a pointer on either side, the same distance
    from the middle, and how far apart they are; `rimgauge aim --second-pointer-at` finds both. Of
    measurements in a job the result is kept there.

    Example:  rimgauge dish pass-01.json pass-02.json
    """
    from rimgauge.job import check_as_recorded, read_pass
    from rimgauge.signal.centre import dish_between, dish_turned

    check_as_recorded(passes)
    if between_mm is not None:
        if len(passes) != 1 or not 0.0 < between_mm < 1000.0:
            raise BadInput("--between-mm goes with one measurement, and lies between 0 and 1000 mm")
        found = dish_between(read_pass(passes[0]), between_mm)
    else:
        if len(passes) != 2:
            raise BadInput(
                "dish needs two lateral measurements, the wheel turned round in between; "
                "name both: rimgauge dish pass-01.json pass-02.json"
            )
        check_nothing_turned(*passes)
        found = dish_turned(read_pass(passes[0]), read_pass(passes[1]))
    job = _job_of(passes)
    near_mm = dish_tolerance_mm(job) if tolerance_mm is None else tolerance_mm
    kept = None if job is None else _keep(job, found, passes, between_mm, near_mm)
    if as_json:
        print_json({**_fields(found, near_mm), "file": None if kept is None else str(kept)})
    else:
        click.echo(_words(found, near_mm))
        click.echo("\n" + _rests_on(passes))
        if kept is not None and len(passes) == 2:
            click.echo("\n" + _counts_as(*passes))
        if kept is not None:
            click.echo(f"\nWrote {shown(kept)}; the report shows it, and `rimgauge plan` corrects it too.")


def check_nothing_turned(first: Path, turned: Path) -> None:
    """Refuse two measurements of a job between which nipples were to be turned.

    Raises
    ------
    BadInput
        A plan with corrections was kept between them.

    """
    from rimgauge.job import PASS, corrections_between, find_job

    job = find_job(first.resolve().parent)
    inside = job is not None and all(
        path.resolve().parent == job.folder.resolve() and PASS.fullmatch(path.name)
        for path in (first, turned)
    )
    if job is None or not inside:
        return
    plan = corrections_between(job, first, turned)
    if plan is not None:
        raise BadInput(
            f"{first.name} and {turned.name} have the corrections of {plan.name} between them, and turned nipples "
            "move the rim: half their difference is no dish. Measure the wheel as it is now, turn it round in the "
            "stand, measure again, and give dish those two"
        )


def _counts_as(first: Path, turned: Path) -> str:
    """Say which of the two the job takes for the wheel as it stands from now on."""
    words = (
        f"From now on {first.name} counts as the wheel as it stands, and {turned.name} is left out by plan, "
        f"compare, report and jobs. If it was the other way round: rimgauge dish {turned.name} {first.name}"
    )
    back = (
        "Turn the wheel back in the stand before you measure on, or aim anew: turned round, its spokes pass the pointer "
        "the other way round and would be numbered wrongly."
    )
    return f"{folded(words)}\n\n{folded(back)}"


def _rests_on(passes: tuple[Path, ...]) -> str:
    """Say what the person did that no picture shows, and on which the result rests."""
    if len(passes) == 1:
        words = "the middle between the two pointers being that of the hub."
    else:
        first, turned = (path.name for path in passes)
        words = (
            f"the wheel as it stands in {first}, turned round in the stand for {turned} (its other side to the "
            "pointer), and pointer and camera untouched in between. Rimgauge sees only whether the runout came out "
            "mirrored, where there is enough of it. If the wheel was not turned round, this says nothing of the "
            f"middle; if {turned} was measured first, right and left are the other way round."
        )
    return folded(f"This rests on {words}")


def _job_of(passes: tuple[Path, ...]) -> Job | None:
    """Find the job whose measurements they all are; None where any lies elsewhere."""
    from rimgauge.job import find_job

    job = find_job(passes[0].resolve().parent)
    inside = job is not None and {path.resolve().parent for path in passes} == {job.folder.resolve()}
    return job if inside else None


def dish_tolerance_mm(job: Job | None) -> float:
    """Read what offset a job's wheel file accepts [mm]; without a job what is usual."""
    from rimgauge.job import read_build
    from rimgauge.wheel import complete_wheel
    from rimgauge.wheel.classes import TRUE_ENOUGH

    return TRUE_ENOUGH.dish_mm if job is None else complete_wheel(read_build(job.wheel)).tolerance.dish_mm


def dish_of(job: Job) -> tuple[KeptDish, Outcome | None] | None:
    """Read the latest dish that a job holds, and judge it; no verdict where corrections were planned since."""
    from rimgauge.job import check_as_recorded, dishes, passes, read_dish, since_corrections
    from rimgauge.signal.centre import judge_dish

    latest = dishes(job)[-1:]
    if not latest:
        return None
    check_as_recorded(latest)
    kept = read_dish(latest[0])
    since, _ = since_corrections(job, passes(job))
    late = set(kept.measurements) <= {path.name for path in since}
    return kept, judge_dish(kept.dish, kept.tolerance_mm) if late else None


def _keep(
    job: Job, found: Dish, passes: tuple[Path, ...], between_mm: float | None, tolerance_mm: float
) -> Path:
    """Lay it down in the job whose measurements it is from."""
    from rimgauge.job import KeptDish, keep_dish, now

    return keep_dish(
        job,
        KeptDish(
            created=now(),
            measurements=tuple(path.name for path in passes),
            between_mm=between_mm,
            tolerance_mm=tolerance_mm,
            dish=found,
        ),
    )


def _fields(found: Dish, tolerance_mm: float) -> dict[str, object]:
    from rimgauge.signal.centre import judge_dish

    return {
        "offset_mm": found.offset_mm,
        "expanded_uncertainty_mm": found.expanded_uncertainty_mm,
        "coverage_probability": found.coverage_probability,
        "tolerance_mm": tolerance_mm,
        "outcome": judge_dish(found, tolerance_mm),
        "width_mm": found.width
        and {"value": found.width.value, "expanded_uncertainty": found.width.expanded_uncertainty},
        "uncertainty_budget": [
            {"source": line.source, "standard_uncertainty_mm": line.standard_uncertainty_mm}
            for line in found.budget
        ],
    }


def _words(found: Dish, tolerance_mm: float) -> str:
    from rimgauge.signal.centre import judge_dish

    size, guard = abs(found.offset_mm), found.expanded_uncertainty_mm
    side = "right" if found.offset_mm > 0 else "left"
    if size <= guard:
        told = f"The rim stands in the middle, as far as this can tell: {signed(found.offset_mm)} ± {guard:.2f} mm"
    else:
        told = f"The rim stands {size:.2f} ± {guard:.2f} mm to the wheel's {side}"
    lines = [
        f"{told} ({found.coverage_probability:.0%}),",
        f"{OUTCOME_WORDS[judge_dish(found, tolerance_mm)]} the tolerance of {tolerance_mm:g} mm.",
    ]
    if found.width is not None:
        lines.append(
            f"The rim is {found.width.value:.2f} ± {found.width.expanded_uncertainty:.2f} mm wide on average."
        )
    lines += ["", "What makes it unsure (standard uncertainty, mm):"]
    lines += [f"  {line.source:<34} {line.standard_uncertainty_mm:.3f}" for line in found.budget]
    return "\n".join(lines)
