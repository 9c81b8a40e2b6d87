"""rimgauge report: make the page that goes with the wheel."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from rimgauge.cli.common import PATH, folded, json_option, next_step, print_json, quoted, shown
from rimgauge.cli.report_evidence import SOFTWARE, from_files, from_job, with_dish
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.job import Job
    from rimgauge.report.comparison import Evidence


@click.command()
@click.argument("job", required=False, type=PATH)
@click.option(
    "--out",
    "outs",
    type=PATH,
    multiple=True,
    help="What to write, a .pdf or an .html; may be given twice. Left out: report.pdf in the job folder.",
)
@click.option("--before", type=PATH, help="Without a job: the measurement before the work.")
@click.option("--after", type=PATH, help="Without a job: the measurement after the work.")
@click.option(
    "--dish",
    "dish_files",
    type=(PATH, PATH),
    metavar="FIRST TURNED",
    help="Put the rim's offset on the page: two lateral measurements, the wheel turned round in between. Left "
    "out: the offset that the job holds, if any.",
)
@click.option("--name", help="What the wheel is called on the page.")
@click.option(
    "--by", help="Who measured, if that is to stand on the page. Left out: as `measure --by` recorded it."
)
@click.option("--picture", type=PATH, help="A picture of the worst place to put on the page.")
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Size of the page."
)
@json_option
def command(
    *,
    job: Path | None,
    outs: tuple[Path, ...],
    before: Path | None,
    after: Path | None,
    dish_files: tuple[Path, Path] | None,
    name: str | None,
    by: str | None,
    picture: Path | None,
    paper: Literal["a4", "letter"],
    as_json: bool,
) -> None:
    """Make the page that goes with the wheel.

    It says how true the wheel runs and how sure that is, with every measurement of the job in a row, pictures
    of the worst place and the usual cautions: as a PDF to print, or as one HTML file that needs no network.
    Where a plan was made in the job, it says which measurements came before and after. A film measured again
    stands in the place of what was measured of it before. Inside a job folder JOB can be left out.

    Example:  rimgauge report "rear wheel" --out report.pdf --out report.html
    """
    from rimgauge.job import check_none_missing, check_replaceable, update_manifest, write_bytes

    for target in outs:
        if target.suffix.lower() not in (".pdf", ".html"):
            raise BadInput(f"{target}: a report is a .pdf or an .html; give it a name that ends so")
    if job is not None and (before is not None or after is not None):
        raise BadInput("give either a job or --before and --after, not both")
    folder = _job(job) if before is None and after is None else None
    outs = outs or ((Path() if folder is None else folder.folder) / "report.pdf",)
    check_replaceable(*((each, ".html" if each.suffix.lower() == ".html" else ".pdf") for each in outs))
    inside = folder is not None and any(
        each.resolve().is_relative_to(folder.folder.resolve()) for each in outs
    )
    if folder is None:
        evidence = from_files(before, after, name=name, by=by, picture=picture)
    else:
        check_none_missing(folder)
        if inside:  # what a person changed since, such as wheel.toml, belongs to the record from now on
            update_manifest(folder)
        evidence = from_job(folder, name=name, by=by, picture=picture, dish_files=dish_files)
    evidence = with_dish(evidence, dish_files, folder)
    for target in outs:
        write_bytes(target, _drawn(evidence, target, paper))
    if folder is not None and inside:
        update_manifest(folder, outs)
    _tell(evidence, outs, folder, as_json=as_json)


def _tell(evidence: Evidence, outs: tuple[Path, ...], folder: Job | None, *, as_json: bool) -> None:
    """Say what the pages say in one line, and where they are."""
    from rimgauge.report.words import evidence_headline, evidence_outcome

    line = evidence_headline(evidence)
    order = dict(evidence.facts).get("Order", "")
    old = {
        each.after.direction: each.after.verdict.outcome
        for each in evidence.comparisons
        if each.planned_since
    }
    if as_json:
        outcomes = {each.after.direction: each.after.verdict.outcome for each in evidence.comparisons}
        print_json(
            {
                "reports": [str(target) for target in outs],
                "headline": line,
                "outcome": evidence_outcome(evidence),
                "outcomes": outcomes,
                "planned_since": list(old),
                "order": order or None,
            }
        )
        return
    click.echo(folded(line))
    if order:
        click.echo(folded(f"Order: {order}."))
    click.echo(f"Wrote {' and '.join(shown(target) for target in outs)}.")
    if folder is None:
        return
    again = [direction for direction, outcome in old.items() if outcome != "within"]
    if again:
        next_step(
            "measure what wasn't measured since the corrections were planned, and make the page anew.",
            *(f"rimgauge measure SOURCE --direction {direction}" for direction in again),
        )
    else:
        where = "" if folder.folder.resolve() == Path.cwd().resolve() else f" {quoted(folder.folder)}"
        next_step("anyone can check the record it rests on.", f"rimgauge verify{where}")


def _drawn(evidence: Evidence, target: Path, paper: Literal["a4", "letter"]) -> bytes:
    """Draw the report of the kind that the file's name asks for."""
    from rimgauge.report.evidence import evidence_pages
    from rimgauge.report.html import evidence_html
    from rimgauge.report.pdf import pdf_bytes
    from rimgauge.report.words import moment

    if target.suffix.lower() == ".html":
        return evidence_html(evidence).encode()
    when = moment(evidence.comparisons[-1].after.created)
    title = f"Runout of {evidence.wheel_name}"
    return pdf_bytes(evidence_pages(evidence, paper=paper), when=when, title=title, software=SOFTWARE)


def _job(folder: Path | None) -> Job:
    from rimgauge.job import find_job, open_job

    if folder is not None:
        return open_job(folder)
    here = find_job(Path.cwd())
    if here is None:
        raise BadInput("no job folder here; name one (rimgauge report FOLDER), or give --before and --after")
    return here
