"""rimgauge target: the sheet to print that the scale is taken from."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from rimgauge.cli.common import json_option, print_json


@click.command()
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Its size."
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="File to write. Default: scale-sheet-PAPER.pdf here."
)
@json_option
def command(*, paper: Literal["a4", "letter"], out: Path | None, as_json: bool) -> None:
    """Make the sheet to print that scale is taken from: a checkerboard, and rulers to check the printer.

    Print it at 100 %, measure both rulers, and glue the board to stiff card.

    Example:  rimgauge target --paper letter
    """
    from rimgauge.job import write_bytes
    from rimgauge.report.scale_sheet import SQUARE_MM, sheet_pdf

    path = out or Path(f"scale-sheet-{paper}.pdf")
    write_bytes(path, sheet_pdf(paper))
    if as_json:
        print_json({"file": str(path), "paper": paper, "square_mm": SQUARE_MM})
        return
    click.echo(
        f"Wrote {path}. Print it at 100 %, never “fit to page”, and measure both rulers;\n"
        "if 100 mm isn't 100 mm, give --square-mm a twentieth of what you measured."
    )
