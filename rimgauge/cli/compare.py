"""rimgauge compare: two measurements side by side, or several of an unchanged wheel."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING, NamedTuple

import click

from rimgauge.cli.common import PATH, folded, json_option, next_step, print_json, readings_are_none, signed
from rimgauge.cli.decimals import TOLERANCE_MM
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.records import Direction, FloatArray, Runout
    from rimgauge.signal.compare import SideChange, Study


@click.command()
@click.argument("files", nargs=-1, type=PATH, metavar="[BEFORE AFTER]...")
@click.option("--same", is_flag=True, help="Nothing was changed in between: tell how well readings repeat.")
@click.option(
    "--direction",
    type=click.Choice(["lateral", "radial"]),
    help="Of the job's measurements. Default: lateral, or radial where only that was measured twice.",
)
@click.option("--tolerance-mm", type=TOLERANCE_MM, help="For --same. Default: that of the last measurement.")
@json_option
def command(
    *,
    files: tuple[Path, ...],
    same: bool,
    direction: Direction | None,
    tolerance_mm: float | None,
    as_json: bool,
) -> None:
    """Compare a wheel before and after, spoke by spoke, and tell what really changed.

    Inside a job folder the first and the last measurement are compared. With --same, two or more measurements
    of a wheel that nobody touched tell how well the gauge repeats: in a job, those since its newest plan.

    Example:  rimgauge compare pass-01.json pass-02.json
    """
    from rimgauge.job import check_as_recorded

    chosen = Chosen(files) if files else _of_the_job(direction, same)
    check_as_recorded(chosen.files)
    if same:
        _print_study(chosen, tolerance_mm, as_json=as_json)
    else:
        _print_changes(chosen, as_json=as_json)


class Chosen(NamedTuple):
    """The measurements to compare, the plan since which they were made, and directions that could be compared too."""

    files: tuple[Path, ...]
    since: Path | None = None
    others: tuple[Direction, ...] = ()


def _print_study(chosen: Chosen, tolerance_mm: float | None, *, as_json: bool) -> None:
    """Tell how well readings of an unchanged wheel repeat."""
    from rimgauge.job import read_pass
    from rimgauge.signal.compare import study

    passes = tuple(read_pass(path) for path in chosen.files)
    against_mm = passes[-1].verdict.tolerance_mm if tolerance_mm is None else tolerance_mm
    found = study(passes, against_mm)
    if as_json:
        print_json({"files": [str(path) for path in chosen.files], **_study_fields(found)})
        return
    if chosen.since is not None:
        click.echo(f"Of this job, what was measured since the corrections of {chosen.since.name}.")
    click.echo(_study_words(found, tuple(path.name for path in chosen.files)))


def _print_changes(chosen: Chosen, *, as_json: bool) -> None:
    """Tell what changed from the first to the second."""
    from rimgauge.job import read_pass
    from rimgauge.signal.compare import changes

    files, others = chosen.files, chosen.others
    if len(files) != 2:
        raise BadInput(
            "compare needs two measurements, before and after; for several of an unchanged wheel add --same"
        )
    before, after = (read_pass(path) for path in files)
    sides, foretold = changes(before, after), _foretold(files[0], files[1], after)
    if as_json:
        named = {"before": str(files[0]), "after": str(files[1])}
        print_json({**named, **_foretold_fields(foretold), "sides": [_change_fields(side) for side in sides]})
    else:
        both = (before, after)
        click.echo(f"Before: {_named(files[0], before, both)}\nAfter:  {_named(files[1], after, both)}\n")
        click.echo("\n\n".join(_change_words(side) for side in sides))
        if foretold is not None:
            click.echo("\n" + _foretold_words(*foretold, after))
        if others:
            next_step(
                f"{others[0]} runout was measured twice too.", f"rimgauge compare --direction {others[0]}"
            )


def _of_the_job(direction: Direction | None, same: bool) -> Chosen:
    """Choose the job's first and last measurement of the direction; with same, all since the last corrections."""
    from rimgauge.job import check_none_missing, find_job, history, since_corrections

    job = find_job(Path.cwd())
    if job is None:
        raise BadInput("no job folder here: go into the wheel's first, or name the measurements to compare")
    check_none_missing(job)
    course = history(job)
    ways: tuple[Direction, ...] = ("lateral", "radial")
    twice = [way for way in ways if len(course.of(way)) > 1]
    others = tuple(twice[1:]) if direction is None else ()
    direction = direction or (twice or ways)[0]
    found = [job.folder / result.file for result in course.of(direction)]
    if len(found) < 2:
        raise BadInput(f"this job {course.too_few(direction, least=2)}{readings_are_none(job)}")
    if not same:
        return Chosen((found[0], found[-1]), others=others)
    files, plan = since_corrections(job, found)
    if plan is not None and len(files) < 2:
        raise BadInput(
            f"only {files[0].name} was measured since the corrections of {plan.name}; measure again with nothing "
            "changed in between, or name the measurements"
        )
    return Chosen(files, since=plan)


def _foretold(before: Path, after: Path, measured: Runout) -> tuple[Path, float] | None:
    """Find what the newest plan between two measurements of a job foretold at the spokes [mm]; None without one."""
    from rimgauge.job import check_as_recorded, corrections_between, find_job, read_plan

    job = find_job(after.resolve().parent)
    if job is None or {path.resolve().parent for path in (before, after)} != {job.folder.resolve()}:
        return None
    plan = corrections_between(job, before, after)
    if plan is None:
        return None
    check_as_recorded([plan])
    predicted = read_plan(plan).predicted
    total_mm = predicted.lateral_mm if measured.direction == "lateral" else predicted.radial_mm
    return None if total_mm is None else (plan, total_mm)


def _foretold_fields(foretold: tuple[Path, float] | None) -> dict[str, object]:
    return {} if foretold is None else {"plan": foretold[0].name, "foretold_at_spokes_mm": foretold[1]}


def _foretold_words(plan: Path, total_mm: float, after: Runout) -> str:
    """Set what a plan foretold beside what came out."""
    at_spokes_mm = after.worse_side.spoke_mm
    now_mm = float(at_spokes_mm.max() - at_spokes_mm.min())
    return folded(
        f"{plan.name} foretold {total_mm:.2f} mm of {after.direction} runout at the spokes; {now_mm:.2f} mm was "
        "measured there after it."
    )


def _named(path: Path, runout: Runout, both: tuple[Runout, ...]) -> str:
    """Name a measurement by its file, what it is of and when it was made, with the zone where there are two."""
    zones = {datetime.fromisoformat(each.created).utcoffset() for each in both}
    when = datetime.fromisoformat(runout.created).strftime(
        "%Y-%m-%d %H:%M %Z" if len(zones) > 1 else "%Y-%m-%d %H:%M"
    )
    return f"{path.name}, {runout.direction}, {when}, total runout {runout.total_runout.value:.2f} mm"


def sure_from_mm(side: SideChange) -> FloatArray:
    """How large the change at each spoke (s,) [mm] must be to be sure: its expanded uncertainty.

    Of all spokes of a wheel that nobody touched none goes beyond it in 95 of 100 comparisons: each is covered with a
    probability of 0.95^(1/s) (Šidák's inequality, which holds however the spokes' errors go together; from memory).
    """
    each = 0.95 ** (1.0 / len(side.standard_uncertainty_mm))
    return NormalDist().inv_cdf((1.0 + each) / 2.0) * side.standard_uncertainty_mm


def _change_fields(side: SideChange) -> dict[str, object]:
    return {
        "side": side.side,
        "total_change_mm": asdict(side.total_change),
        "shifted_spokes": side.shifted_spokes,
        "other_way_round": side.other_way_round,
        "spokes": [
            {
                "number": number,
                "before_mm": before,
                "after_mm": after,
                "change_mm": after - before,
                "standard_uncertainty_mm": unsure,
                "expanded_uncertainty_mm": sure_from,
                "sure": abs(after - before) > sure_from,
            }
            for number, (before, after, unsure, sure_from) in enumerate(
                zip(
                    side.before_mm.tolist(),
                    side.after_mm.tolist(),
                    side.standard_uncertainty_mm.tolist(),
                    sure_from_mm(side).tolist(),
                    strict=True,
                ),
                start=1,
            )
        ],
    }


def _change_words(side: SideChange) -> str:
    total, sure_from = side.total_change, sure_from_mm(side)
    sure = abs(total.value) > total.expanded_uncertainty
    way = "less" if total.value < 0 else "more"
    change = f"{abs(total.value):.2f} ± {total.expanded_uncertainty:.2f} mm {way}"
    lines = [
        f"Total runout, {side.side} side: {change} than before."
        if sure
        else f"Total runout, {side.side} side: no sure change ({signed(total.value)} ± "
        f"{total.expanded_uncertainty:.2f} mm).",
        "",
        f"Change at each spoke [mm], + where the rim went {'outward' if side.side == 'outer' else 'to the right'};",
        f"* where it exceeds the spoke's own ±, {sure_from.min():.3f} to {sure_from.max():.3f}:",
    ]
    cells = []
    for number, change_mm in enumerate(side.after_mm - side.before_mm, start=1):
        star = "*" if abs(change_mm) > sure_from[number - 1] else " "
        cells.append(f"{number:3d} {signed(change_mm)}{star}")
    lines += ["  ".join(cells[k : k + 6]) for k in range(0, len(cells), 6)]
    if side.other_way_round:
        lines.append(
            folded(
                "The two fit far better with the spokes of the second counted the other way round: was the wheel turned "
                "round in the stand, or does the rim run the other way than its view says? Then turn it back, or aim "
                "anew, and measure again."
            )
        )
    if side.shifted_spokes:
        lines.append(
            f"The two fit far better with the second turned by {side.shifted_spokes:+d} spokes: "
            "was the mark moved?"
        )
    return "\n".join(lines)


def _study_fields(found: Study) -> dict[str, object]:
    return {
        "totals_mm": found.totals_mm.tolist(),
        "total_standard_deviation_mm": found.total_sd_mm,
        "repeatability_mm": found.repeatability.standard_deviation_mm,
        "degrees_of_freedom": found.repeatability.degrees_of_freedom,
        "day_to_day": found.day._asdict(),
        "set_up_to_set_up": found.set_up._asdict(),
        "differ_mm": found.differ_mm,
        "tolerance_mm": found.tolerance_mm,
        "tolerance_share": found.tolerance_share,
    }


def _study_words(found: Study, names: tuple[str, ...]) -> str:
    count = len(found.totals_mm)
    listed = ", ".join(f"{name} {value:.3f}" for name, value in zip(names, found.totals_mm, strict=True))
    rough = " With so few measurements this is rough; five or more tell more." if count < 5 else ""
    sentences = (
        f"{count} measurements of the same wheel, total runout: {listed} mm.",
        f"Standard deviation of the total: {found.total_sd_mm:.3f} mm. Two readings differ by less than "
        f"{found.differ_mm:.3f} mm in 95 of 100 cases.",
        f"One spoke's reading repeats within {found.repeatability.standard_deviation_mm:.3f} mm (standard "
        f"deviation, {found.repeatability.degrees_of_freedom} degrees of freedom).",
        *(
            f"Its mean {what} varies by {level.standard_deviation_mm:.3f} mm (standard deviation, "
            f"{level.degrees_of_freedom} degrees of freedom)."
            for what, level in (
                ("from day to day", found.day),
                ("from one set-up of the camera to the next", found.set_up),
            )
            if level.degrees_of_freedom
        ),
        f"The gauge takes up {found.tolerance_share:.0%} of the tolerance of {found.tolerance_mm:g} mm; "
        f"under 10 % is good, over 30 % is too much (common practice).{rough}",
    )
    return "\n".join(folded(sentence) for sentence in sentences)
