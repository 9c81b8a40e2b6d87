"""rimgauge target: the sheets to print, for the scale and for numbered tags."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from rimgauge.cli.common import PATH, folded, into_record, json_option, print_json, shown
from rimgauge.cli.decimals import WHOLE
from rimgauge.errors import BadInput


@click.command()
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Its size."
)
@click.option(
    "--tags",
    type=WHOLE,
    help="Make numbered tags to stick beside so many spokes, up to a sheet full, in place of the checkerboard.",
)
@click.option(
    "--out",
    type=PATH,
    help="File to write. Default: scale-sheet-PAPER.pdf or tag-sheet-PAPER.pdf here.",
)
@json_option
def command(*, paper: Literal["a4", "letter"], tags: int | None, out: Path | None, as_json: bool) -> None:
    """Make the sheet to print that scale is taken from, or, with --tags, numbered tags for the spokes.

    Print it at 100 %. The scale's sheet: measure both rulers, and glue the board to stiff card. Tags tell camera
    and class which spoke is where; with them no mark is needed.

    Example:  rimgauge target --paper letter

    Example:  rimgauge target --tags 32
    """
    from rimgauge.job import check_replaceable, is_page, write_bytes
    from rimgauge.report.scale_sheet import SQUARE_MM, as_pdf, draw_sheet

    path = out or Path(f"{'scale' if tags is None else 'tag'}-sheet-{paper}.pdf")
    check_replaceable((path, ".pdf"))
    fields: dict[str, object]
    if tags is None:
        name, sheet, fields = "scale", draw_sheet(paper), {"square_mm": SQUARE_MM}
        words = (
            "Print it at 100 %, never “fit to page”, and measure both rulers; if 100 mm isn't 100 mm, give "
            "--square-mm a twentieth of what you measured."
        )
    else:
        from rimgauge.records import MOST_TAGS
        from rimgauge.report.tag_sheet import TAG_MM, draw_tags

        if not 2 <= tags <= MOST_TAGS:
            raise BadInput(
                f"--tags {tags}: a sheet holds 2 to {MOST_TAGS} tags; one beside every second spoke will do"
            )
        name, sheet, fields = "tag", draw_tags(paper, tags), {"tags": tags, "tag_mm": TAG_MM}
        words = (
            "Print it at 100 %, cut the tags out, and stick each in line with the spoke of its number, rising in "
            "the order in which the spokes pass the pointer; then run aim again."
        )
    write_bytes(path, as_pdf(sheet, f"rimgauge {name} sheet, {paper}"))
    if is_page(path.name):  # under another file's name it must not pass for that in a job's record
        into_record(path)
    if as_json:
        print_json({"file": str(path), "paper": paper, **fields})
    else:
        click.echo(f"Wrote {shown(path)}.\n{folded(words)}")
