"""rimgauge new: start a job folder for a wheel."""

from __future__ import annotations

from pathlib import Path

import click

from rimgauge.cli.common import PATH, folded, json_option, print_json, quoted, shown
from rimgauge.cli.decimals import WHOLE

NEXT_STEPS = """\
Made {folder} for a wheel with {spokes} spokes.

What to do next:
  1. Go into the folder, so that no command needs file names:
       cd {quoted}
  2. Write what you know of the wheel into wheel.toml, above all its
     tension limit and first_spoke_side; it is plain text, and what you
     leave out is assumed.
  3. Stick a mark on the rim at the valve, a piece of bright tape. Hold the
     axle still, fix a pointer close to the rim, and point the camera at
     both. Turn the wheel forward while the program finds them (camera 0
     is the first one; a folder of pictures or a video will do as well):
       rimgauge aim 0 --direction lateral
  4. Tell it how many millimetres a pixel is:
       rimgauge scale --checkerboard 0 --square-mm 5
     while you hold the printed sheet still where the rim's edge is (a picture
     of it by the same camera, sheet.jpg, will do in place of 0); rimgauge
     target makes the sheet, rimgauge scale --help tells of other ways.
  5. Turn the wheel slowly by hand, three times round:
       rimgauge measure 0
  6. Ask which nipples to turn:
       rimgauge plan
  7. Measure and plan again until it runs true, then make the page for it:
       rimgauge report

Spokes are under tension and can break: wear eye protection. The wheel
maker's limits and a qualified mechanic's word come before this program's.
"""


@click.command()
@click.argument("folder", type=PATH)
@click.option(
    "--spokes",
    required=True,
    type=WHOLE,
    help="How many spokes the wheel has, both sides together, 4 to 60.",
)
@click.option("--name", default="", help="What the wheel is called; left out: the folder's name.")
@click.option("--kind", help="Kind of wheel, in general words: what is unknown is taken from it.")
@click.option("--crossings", type=WHOLE, help="How many spokes each spoke crosses; 0 = radial.")
@json_option
def command(
    *, folder: Path, spokes: int, name: str, kind: str | None, crossings: int | None, as_json: bool
) -> None:
    """Start a job folder for a wheel.

    Everything about the wheel is kept in FOLDER: its build, where pointer and rim are in the picture,
    every measurement and every plan.

    Example:  rimgauge new "rear wheel" --spokes 32 --crossings 3
    """
    from rimgauge.job import create_job

    if kind is not None:
        from rimgauge.wheel import ready_made

        ready_made(kind)
    job = create_job(folder, spokes=spokes, name=name, kind=kind, crossings=crossings)
    if as_json:
        print_json({"folder": str(job.folder), "wheel": str(job.wheel), "spokes": spokes})
        return
    if spokes % 2:
        words = (
            f"{spokes} is odd: count again and type this again with the right number, or say how the spokes go "
            "to the two flanges with side_pattern in"
        )
        click.echo(f"{folded(words)}\n{shown(job.wheel)}.")
    click.echo(NEXT_STEPS.format(folder=folder, quoted=quoted(folder), spokes=spokes), nl=False)
