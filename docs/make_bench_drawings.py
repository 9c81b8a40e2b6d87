"""Draw the set-ups of docs/bench.md; run it from anywhere: python docs/make_bench_drawings.py."""

from __future__ import annotations

import math
from pathlib import Path

import matplotlib as mpl

mpl.use("svg")

import matplotlib.pyplot as plt
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Ellipse, FancyBboxPatch, Polygon, Rectangle

OUT = Path(__file__).parent / "pictures"
INK, QUIET, RIM, POINTER, MARK = "#1a1a1a", "#7a7a7a", "#0b3c6f", "#c04a00", "#b00020"


def main() -> None:
    """Write the drawings."""
    mpl.rcParams.update({"svg.hashsalt": "rimgauge", "font.size": 9, "svg.fonttype": "none"})
    drawings = {
        "bench-bike": upside_down,
        "bench-stand": from_above,
        "bench-radial": radial,
        "bench-frame": frame,
        "bench-tyre": tyre,
        "bench-phone": phone,
    }
    for name, draw in drawings.items():
        figure, axes = plt.subplots(figsize=(6.4, 3.7))
        axes.set_aspect("equal")
        axes.axis("off")
        draw(axes)
        figure.savefig(OUT / f"{name}.svg", bbox_inches="tight", metadata={"Date": None})
        plt.close(figure)


def upside_down(axes: Axes) -> None:
    """Bike on saddle and bars, from the side; nothing of the rim stands between camera and pointer."""
    _floor(axes, -3.4, 9.6, -3.4)
    axes.add_patch(Rectangle((4.1, -3.4), 1.1, 1.8, facecolor="#cfd8e3", edgecolor=INK, zorder=0))
    _wheel(axes, 0.0, 0.0)
    axes.plot([0.0, 1.3, 2.4], [0.0, -1.9, -2.2], color=QUIET, linewidth=5, solid_capstyle="round")
    axes.plot([2.4, 1.6], [-2.2, -3.3], color=QUIET, linewidth=5, solid_capstyle="round")
    axes.plot([2.4, 6.4, 6.4], [-2.2, -2.0, -3.3], color=QUIET, linewidth=5, solid_capstyle="round")
    axes.plot([1.25, 1.75], [-1.85, -1.45], color=POINTER, linewidth=3)
    _say(axes, (1.75, -1.45), (2.8, -0.3), "pointer: a cable tie\non the fork, by the rim")
    _camera(axes, 4.65, -1.3, -1)
    axes.plot([3.9, 1.8], [-1.32, -1.5], color=QUIET, linewidth=0.8, linestyle=":")
    _say(axes, (5.0, -1.3), (5.9, -1.2), "camera: on something heavy,\nlooking along the wheel's plane")
    axes.add_patch(Circle((0.0, 2.35), 0.14, color=MARK))
    _say(axes, (0.1, 2.4), (1.7, 2.6), "mark: bright tape across\nthe rim at the valve")
    _lamp(axes, 5.6, 0.7)


def from_above(axes: Axes) -> None:
    """Wheel in a stand, from above: rim, pointer, camera, lamp and background in a line."""
    axes.add_patch(Rectangle((-2.4, -0.14), 4.8, 0.28, facecolor="#cfd8e3", edgecolor=RIM, linewidth=1.5))
    axes.plot([0.0, 0.0], [-1.0, 1.0], color=QUIET, linewidth=4)
    axes.plot([-0.5, 0.5], [1.0, 1.0], color=QUIET, linewidth=4)
    axes.plot([-0.5, 0.5], [-1.0, -1.0], color=QUIET, linewidth=4)
    axes.plot([-1.9, -1.9], [-1.2, -0.2], color=POINTER, linewidth=3)
    _say(axes, (-1.9, -1.0), (-3.4, -2.2), "pointer: square to the rim,\n2 to 4 mm away, touching nothing")
    _camera(axes, -5.2, -0.15, 1)
    axes.plot([-4.6, -1.9], [-0.15, -0.15], color=QUIET, linewidth=0.8, linestyle=":")
    _say(axes, (-5.2, 0.2), (-6.0, 1.2), "camera: 20 to 40 cm away,\nso that gap and spokes are sharp")
    axes.add_patch(Rectangle((2.9, -1.1), 0.16, 2.2, facecolor="white", edgecolor=INK))
    _say(axes, (2.98, 1.1), (3.4, 1.6), "plain card behind,\nlighter or darker than the rim")
    _lamp(axes, 0.6, 2.2)


def radial(axes: Axes) -> None:
    """Radial runout: the camera looks along the axle at the outer edge of the rim."""
    _wheel(axes, 0.0, 0.0)
    axes.plot([0.0, 0.0], [2.55, 3.5], color=POINTER, linewidth=3)
    _say(axes, (0.0, 3.2), (1.6, 3.2), "pointer from outside,\ntoward the axle")
    axes.add_patch(Rectangle((-1.0, 1.5), 2.0, 1.5, fill=False, edgecolor=INK, linestyle="--"))
    _say(axes, (-1.0, 2.6), (-5.4, 2.6), "what the camera sees:\nit looks along the axle")
    axes.add_patch(Circle((1.3, 1.96), 0.14, color=MARK))
    _say(axes, (1.4, 1.9), (3.0, 1.2), "mark on the side\nof the rim")
    axes.text(2.9, -1.2, "tyre off, where it hides\nthe rim's outer edge", color=INK)


def frame(axes: Axes) -> None:
    """What a good picture of the lateral set-up shows."""
    axes.add_patch(Rectangle((0.0, 0.0), 6.4, 3.6, facecolor="#f1efe9", edgecolor=INK))
    axes.add_patch(Rectangle((1.9, 0.0), 1.1, 3.6, facecolor="#5b84b1", edgecolor=RIM))
    axes.add_patch(Rectangle((1.9, 0.3), 1.1, 0.8, facecolor=MARK))
    axes.add_patch(Rectangle((3.25, 1.9), 3.15, 0.3, facecolor=INK))
    for x in (3.1, 3.5):
        axes.plot([x, x + 0.4, x + 0.1], [0.0, 1.4, 3.6], color=QUIET, linewidth=1.5)
    axes.annotate("", (3.0, 1.55), (3.25, 1.55), arrowprops={"arrowstyle": "<->", "color": INK})
    _say(axes, (3.12, 1.55), (6.8, 1.0), "gap: at least 15 pixels,\nwith plain ground behind it")
    _say(axes, (6.0, 2.1), (6.8, 2.6), "pointer: its tip whole\nin the picture")
    _say(axes, (2.4, 0.7), (-3.2, 0.3), "mark: of a colour that\nthe rim has nowhere else")
    _say(axes, (3.6, 0.3), (6.8, 0.0), "spokes: they tell the angle")
    _say(axes, (1.95, 2.6), (-3.2, 2.4), "rim: its edge sharp\nfrom top to bottom")


def tyre(axes: Axes) -> None:
    """Cross-sections through the rim with the tyre on and off, and where the pointers may point."""
    for x, title in ((-3.0, "tyre on"), (3.0, "tyre off")):
        _section(axes, x)
        axes.text(x, -2.0, title, ha="center", color=INK, fontweight="bold")
        axes.plot([x + 0.85, x + 1.9], [0.1, 0.1], color=POINTER, linewidth=3)
    axes.add_patch(Ellipse((-3.0, 1.35), 1.9, 2.1, facecolor="#d9d9d9", edgecolor=INK))
    axes.plot([3.65, 3.65], [0.85, 1.9], color=POINTER, linewidth=3)
    _say(axes, (-1.6, 0.1), (-1.4, -1.1), "lateral: the rim's edge\nbelow the tyre is seen")
    _say(axes, (4.6, 0.1), (4.4, -1.1), "lateral: as before")
    _say(axes, (3.65, 1.6), (4.4, 1.9), "radial: the rim's outer\nedge is seen only so")
    _say(axes, (-3.4, 1.9), (-6.6, 2.2), "the tyre hides\nthe outer edge")


def phone(axes: Axes) -> None:
    """A phone alone: leaning on something heavy, held across, its pictures filmed or sent."""
    _floor(axes, -5.0, 8.0, -1.0)
    _wheel(axes, 4.4, 1.9)
    axes.plot([4.4, 3.6, 5.2, 4.4], [1.9, -1.0, -1.0, 1.9], color=QUIET, linewidth=3)
    axes.plot([2.2, 1.4], [1.0, 0.6], color=POINTER, linewidth=3)
    axes.add_patch(Rectangle((-2.9, -1.0), 1.3, 1.5, facecolor="#cfd8e3", edgecolor=INK))
    axes.add_patch(Polygon([(-1.6, -1.0), (-1.35, -1.0), (-1.45, 0.9), (-1.62, 0.9)], color=INK))
    axes.plot([-1.4, 2.1], [0.5, 0.9], color=QUIET, linewidth=0.8, linestyle=":")
    _say(axes, (-2.3, -0.4), (-6.6, -0.2), "something heavy\nto lean it on")
    _say(axes, (-1.5, 0.7), (-5.4, 1.7), "phone, held across;\nfocus and exposure locked")
    _say(axes, (1.7, 0.8), (-2.4, 3.2), "pointer, with gap and\nmark in the picture")
    axes.text(
        -4.6, -1.7, "film it and copy the film, or send the picture over the network as it turns", color=INK
    )


def _section(axes: Axes, x: float) -> None:
    """Rim cut through, its outer side up, with a spoke."""
    outline = [(-0.75, 0.7), (-0.55, 0.7), (-0.5, 0.1), (0.5, 0.1), (0.55, 0.7), (0.75, 0.7), (0.6, -0.5)]
    corners = [(x + u, v) for u, v in [*outline, (0.0, -0.9), (-0.6, -0.5)]]
    axes.add_patch(Polygon(corners, facecolor="#cfd8e3", edgecolor=RIM, linewidth=1.5))
    axes.plot([x, x], [-0.9, -1.6], color=QUIET, linewidth=2)


def _wheel(axes: Axes, x: float, y: float) -> None:
    axes.add_patch(Circle((x, y), 2.35, fill=False, edgecolor=RIM, linewidth=5))
    axes.add_patch(Circle((x, y), 0.2, color=QUIET))
    for k in range(12):
        axes.annotate(
            "",
            (x, y),
            (x + 2.25 * _turn(k)[0], y + 2.25 * _turn(k)[1]),
            arrowprops={"arrowstyle": "-", "color": QUIET, "linewidth": 0.6},
        )


def _turn(k: int) -> tuple[float, float]:
    return math.cos(math.tau * k / 12), math.sin(math.tau * k / 12)


def _camera(axes: Axes, x: float, y: float, way: int) -> None:
    axes.add_patch(FancyBboxPatch((x - 0.4, y - 0.25), 0.8, 0.5, boxstyle="round,pad=0.05", color=INK))
    axes.add_patch(
        Polygon([(x + 0.45 * way, y), (x + 0.75 * way, y + 0.25), (x + 0.75 * way, y - 0.25)], color=INK)
    )


def _lamp(axes: Axes, x: float, y: float) -> None:
    axes.plot(x, y, marker="*", markersize=15, color="#e0a800", markeredgecolor=INK)
    axes.text(x, y + 0.4, "lamp: soft, from the camera's side", ha="center", color=INK)


def _floor(axes: Axes, left: float, right: float, y: float) -> None:
    axes.plot([left, right], [y, y], color=QUIET, linewidth=1)


def _say(axes: Axes, at: tuple[float, float], where: tuple[float, float], words: str) -> None:
    axes.annotate(
        words,
        at,
        where,
        color=INK,
        va="center",
        arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.6},
    )


if __name__ == "__main__":
    main()
