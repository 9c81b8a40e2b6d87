"""Make the picture of the window while a nipple is turned again: `python docs/make_show_correct.py`.

It is of the bundled frames and the plan that `rimgauge demo` makes on them; nothing in it is photographed.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import cv2

from rimgauge.bench import to_compare
from rimgauge.capture import open_source
from rimgauge.cli import run
from rimgauge.cli.show import drawing
from rimgauge.job import read_build, read_plan, read_view
from rimgauge.live.desk import Desk
from rimgauge.live.screen import Controls
from rimgauge.live.trail import extend
from rimgauge.records import Plan, Wheel, WheelInView
from rimgauge.watching import watch
from rimgauge.wheel import complete_wheel

PICTURE = Path(__file__).parent / "pictures" / "show-correct.png"
SAMPLES = Path(__file__).parents[1] / "sample_frames"
BEFORE = SAMPLES / "lateral_before"
SIZE = (1280, 720)
REACHED = 0.9
"""Share of the planned movement that is added to a frame, as if the nipple had been turned."""


def draw(wheel: Wheel, plan: Plan) -> None:
    """The first nipple of the plan, turned: the gap at its spoke has changed by most of what is planned."""
    view = read_view(BEFORE / "view.json")
    bench = to_compare(view, wheel, [(each.spoke, each.turns) for each in plan.corrections], None)
    desk = Desk(drawing(view, wheel.spoke_angles_deg, SIZE), bench, Path(), keys=True, live=True)
    first, there = bench.steps[0], None
    with open_source(str(BEFORE / "frames"), fps=30.0) as frames:
        for moment in watch(frames, view, WheelInView.of(wheel), live=False):
            desk.trail = extend(desk.trail, moment)
            desk.show(moment)
            if moment.spoke == first.spoke:
                there = moment, desk.trail.cell
    assert there is not None
    moment, cell = there
    gap_mm = moment.gap_mm + REACHED * first.planned_mm
    desk.trail = replace(desk.trail, cell=cell, gap_mm=float(gap_mm[0]))
    desk.show(replace(moment, gap_mm=gap_mm))
    cv2.imwrite(str(PICTURE), desk.picture(Controls()))
    print(f"spoke {first.spoke}, {first.turns:+g} turns, {first.planned_mm:+.2f} mm planned")


def main() -> None:
    """Let the demo plan, and draw."""
    with tempfile.TemporaryDirectory() as place:
        run(["demo", "--out", place])
        plan = read_plan(Path(place) / "plan-01.json")
    draw(complete_wheel(read_build(SAMPLES / "wheel.toml")), plan)


if __name__ == "__main__":
    main()
