"""rimgauge scene: draw camera frames of a wheel of known runout."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rimgauge.cli.common import PATH, json_option, print_json, quoted
from rimgauge.cli.decimals import DECIMAL, WHOLE, WholeRange
from rimgauge.errors import BadFile, BadInput

if TYPE_CHECKING:
    from rimgauge.records import FloatArray
    from rimgauge.scene import SceneSpec

_CURVE_HEADER = ["angle_deg", "runout_mm"]
MOST_STRAY_MM = 100.0
EXPOSURE_MS, EXPOSURE_WITH_TAGS_MS = 8.0, 4.0
"""At the usual speed a rim goes 6 mm in 8 ms, and a tag of 10 mm that is smeared so far is read only by chance."""


@click.command()
@click.option("--out", "folder", required=True, type=PATH, help="Folder to make.")
@click.option("--direction", type=click.Choice(["lateral", "radial"]), default="lateral", show_default=True)
@click.option(
    "--runout-mm", type=DECIMAL, default=1.0, show_default=True, help="Total runout that is measured."
)
@click.option(
    "--other-runout-mm", type=DECIMAL, default=0.3, show_default=True, help="In the other direction."
)
@click.option("--curve", type=PATH, help="CSV angle_deg,runout_mm in place of a random shape.")
@click.option("--name", default="drawn wheel", show_default=True, help="What the wheel is called.")
@click.option("--spokes", type=WHOLE, default=32, show_default=True)
@click.option(
    "--crossings", type=WHOLE, default=3, show_default=True, help="How many spokes each spoke crosses."
)
@click.option(
    "--side", type=click.Choice(["right", "left"]), default="right", help="Edge that is measured (lateral)."
)
@click.option("--frames", type=WHOLE, default=240, show_default=True)
@click.option("--fps", type=DECIMAL, default=30.0, show_default=True, help="Frames a second.")
@click.option(
    "--turning", type=click.Choice(["steady", "uneven", "stops", "rocks"]), default="uneven", help="The hand."
)
@click.option("--turns-per-s", type=DECIMAL, default=0.36, show_default=True, help="Mean speed of the wheel.")
@click.option("--dropped-frames", type=WHOLE, default=0, help="How many frames the camera loses.")
@click.option(
    "--mm-per-px", type=DECIMAL, default=0.12, show_default=True, help="Millimetres a pixel at the edge."
)
@click.option("--distance-mm", type=DECIMAL, default=180.0, show_default=True, help="Camera to rim.")
@click.option(
    "--roll-deg", type=DECIMAL, default=0.8, show_default=True, help="Camera turned about its own axis."
)
@click.option("--tilt-deg", type=DECIMAL, default=0.0, help="Camera leaning; the other direction leaks in.")
@click.option("--gap-mm", type=DECIMAL, default=2.0, show_default=True, help="Mean gap from pointer to rim.")
@click.option(
    "--pointer", type=click.Choice(["strip", "bolt", "wire", "card"]), default="strip", show_default=True
)
@click.option("--pointer-shade", type=click.Choice(["dark", "pale"]), default="dark", show_default=True)
@click.option(
    "--finish", type=click.Choice(["bright", "black"]), default="bright", help="Surface of the rim."
)
@click.option(
    "--texture", type=DECIMAL, default=1.0, show_default=True, help="Lines and stains; 0 for plain paint."
)
@click.option("--decal", is_flag=True, help="Stick a line along the rim, close to the edge.")
@click.option(
    "--background", type=click.Choice(["wall", "dark", "cluttered"]), default="wall", show_default=True
)
@click.option(
    "--exposure-ms",
    type=DECIMAL,
    help="The wheel smears meanwhile. Default: 8, or 4 with --tags, to be read.",
)
@click.option(
    "--blur", "blur_px", type=DECIMAL, default=0.9, show_default=True, help="Optical blur, sd in pixels."
)
@click.option(
    "--noise", type=DECIMAL, default=2.0, show_default=True, help="Sensor noise, sd in grey levels."
)
@click.option(
    "--jpeg", "jpeg_quality", type=WHOLE, default=88, show_default=True, help="JPEG quality, 10 to 100."
)
@click.option(
    "--flicker", type=DECIMAL, default=0.01, help="Brightness from frame to frame, sd as a fraction."
)
@click.option("--shake-px", type=DECIMAL, default=0.0, help="Shake of the camera, sd in pixels.")
@click.option("--bump-px", type=DECIMAL, default=0.0, help="A knock moves the camera for good half way.")
@click.option(
    "--pointer-bent-px", type=DECIMAL, default=0.0, help="The pointer is bent away from the rim on the way."
)
@click.option("--pointer-creep-px", type=DECIMAL, default=0.0, help="It gives way slowly, so far by the end.")
@click.option(
    "--hand-frames", type=WHOLE, default=0, help="A hand passes before pointer and rim for so many."
)
@click.option("--dimming", type=DECIMAL, default=0.0, help="Share of the light that is lost by the end.")
@click.option(
    "--exposure-step",
    type=DECIMAL,
    default=0.0,
    help="The camera brightens by this share every other second.",
)
@click.option("--background-sway-px", type=DECIMAL, default=0.0, help="What lies behind moves to and fro.")
@click.option("--both-sides", is_flag=True, help="A second pointer stands at the rim's other edge.")
@click.option(
    "--tags", type=WHOLE, default=0, help="A numbered tag beside every so many spokes, and no tape."
)
@click.option("--tag-mm", type=DECIMAL, default=10.0, show_default=True, help="Size of a tag.")
@click.option("--width-runout-mm", type=DECIMAL, default=0.0, help="How much the rim's width varies.")
@click.option("--no-scale", is_flag=True, help="Leave the scale out of view.json.")
@click.option("--seed", type=WholeRange(min=0), default=1, show_default=True, help="Same seed, same frames.")
@json_option
def command(
    *,
    folder: Path,
    runout_mm: float,
    other_runout_mm: float,
    width_runout_mm: float,
    curve: Path | None,
    exposure_ms: float | None,
    no_scale: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Draw camera frames of a wheel of known runout, with the truth beside them.

    Writes frames, times.csv, view.json, wheel.toml, scale.jpg (5 mm squares) and truth.json.

    Example:  rimgauge scene --out drawn --runout-mm 1.2 --spokes 32 --seed 1
    """
    if exposure_ms is None:
        exposure_ms = EXPOSURE_WITH_TAGS_MS if options["tags"] else EXPOSURE_MS
    spec = _spec(runout_mm, other_runout_mm, width_runout_mm, curve, exposure_s=exposure_ms / 1000, **options)
    truth = write_scene(folder, spec, given_scale=not no_scale)
    summary = {
        "folder": str(folder),
        "frames": spec.frames,
        "total_runout_mm": truth["total_runout_mm"],
        "apparent_total_runout_mm": truth["apparent_total_runout_mm"],
        "revolutions": abs(truth["frames"][-1]["wheel_angle_deg"] - truth["frames"][0]["wheel_angle_deg"])
        / 360,
    }
    if as_json:
        print_json(summary)
        return
    click.echo(
        f"Drew {spec.frames} frames in {folder}: {summary['revolutions']:.2f} revolutions, "
        f"{spec.direction} runout {summary['total_runout_mm']:.3f} mm."
    )
    view = f"--view {quoted(folder / 'view.json')}"
    if no_scale:
        click.echo(
            f"Scale them:    rimgauge scale {view} --checkerboard {quoted(folder / 'scale.jpg')} --square-mm 5"
        )
    click.echo(f"Measure them:  rimgauge measure {quoted(folder / 'frames')} {view} --spokes {spec.spokes}")


def _spec(
    runout_mm: float, other_runout_mm: float, width_runout_mm: float, curve: Path | None, **options: Any
) -> SceneSpec:
    """Draw the curves that were asked for by lot, or read one, and describe the scene."""
    import numpy as np

    from rimgauge.scene import SceneSpec, random_curve

    amounts = {
        "--runout-mm": runout_mm,
        "--other-runout-mm": other_runout_mm,
        "--width-runout-mm": width_runout_mm,
    }
    for option, value in amounts.items():
        if not 0 <= value <= 20:
            raise BadInput(f"{option} is {value}: it must lie between 0 and 20")
    rng = np.random.default_rng([options["seed"], 9])
    drawn, other = random_curve(rng, runout_mm), random_curve(rng, other_runout_mm)
    width = random_curve(rng, width_runout_mm)
    measured = drawn if curve is None else read_curve(curve)
    lateral, radial = (measured, other) if options["direction"] == "lateral" else (other, measured)
    try:
        return SceneSpec(lateral_mm=lateral, radial_mm=radial, width_mm=width, **options)
    except BadInput as trouble:
        raise BadInput(_as_typed(str(trouble))) from None


def _as_typed(words: str) -> str:
    """Name the option that was typed in place of the scene's own name, which a complaint begins with."""
    name, space, rest = words.partition(" ")
    option = next((each.opts[0] for each in command.params if each.name == name), name)
    return f"{option}{space}{rest}"


def write_scene(folder: Path, spec: SceneSpec, *, given_scale: bool = True) -> dict[str, Any]:
    """Draw a scene into a new folder, whole or not at all, and return its truth.

    Raises
    ------
    BadFile
        The folder isn't empty, or can't be written.

    """
    import secrets
    import shutil

    from rimgauge.job.disk import one_sentence

    with one_sentence(folder):
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise BadFile(folder, "is there already and isn't empty; take another name or remove it first")
        part = folder.absolute().with_name(f".{folder.absolute().name}-{secrets.token_hex(4)}.part")
        part.mkdir(parents=True)
        try:
            truth = _fill(part, spec, given_scale)
            if folder.exists():
                folder.rmdir()
            part.rename(folder)
        finally:
            shutil.rmtree(part, ignore_errors=True)
    return truth


def _fill(folder: Path, spec: SceneSpec, given_scale: bool) -> dict[str, Any]:
    """Write every file of a scene into an empty folder."""
    import json

    from rimgauge.job import write_view
    from rimgauge.scene import Scene, draw_board, scene_truth, scene_view

    scene = Scene(spec)
    pictures = folder / "frames"
    pictures.mkdir()
    noted, times = [], ["frame,time_s"]
    label = f"Drawing {spec.frames} frames"
    with click.progressbar(scene.frames(), spec.frames, label, file=sys.stderr) as frames:
        for frame in frames:
            _write_picture(pictures / f"{frame.index:06d}.jpg", frame.image, spec.jpeg_quality)
            times.append(f"{frame.index},{frame.time_s:.6f}")
            noted.append(frame)
    truth = scene_truth(scene, noted)
    _write_picture(folder / "scale.jpg", draw_board(spec, scene.camera), spec.jpeg_quality)
    write_view(folder / "view.json", scene_view(scene, given_scale=given_scale))
    for name, text in (
        ("times.csv", "\n".join(times) + "\n"),
        ("wheel.toml", _wheel_text(spec)),
        ("truth.json", json.dumps(truth, indent=None, separators=(",", ":")) + "\n"),
    ):
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return truth


def _write_picture(path: Path, image: Any, quality: int) -> None:
    import cv2

    done, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise BadFile(path, "the picture could not be encoded")
    path.write_bytes(data.tobytes())


def _wheel_text(spec: SceneSpec) -> str:
    import json

    return (
        f"name = {json.dumps(spec.name)}\n"  # a JSON string is a TOML string
        f"spokes = {spec.spokes}\n"
        f"crossings = {spec.crossings}\n"
        f'first_spoke_side = "{spec.first_spoke_side}"\n'
        f"first_spoke_deg = {float(spec.spoke_angles_deg[0]):g}\n"
    )


def read_curve(path: Path) -> FloatArray:
    """Read a runout curve from CSV (angle_deg,runout_mm) onto every half degree, straight between its points.

    Raises
    ------
    BadFile
        It can't be read, or holds fewer than eight angles or anything but finite numbers.

    """
    import csv

    import numpy as np

    from rimgauge.job.disk import read_text
    from rimgauge.scene import CURVE_POINTS

    try:
        rows = [row for row in csv.reader(read_text(path).splitlines()) if row]
    except csv.Error as trouble:
        raise BadFile(path, f"can't be read as a table ({trouble})") from None
    if not rows or [cell.strip() for cell in rows[0]] != _CURVE_HEADER:
        raise BadFile(path, "must start with the line angle_deg,runout_mm")
    try:
        points = np.array([[float(cell) for cell in row] for row in rows[1:]], dtype=np.float64)
    except ValueError:
        raise BadFile(
            path, "holds something that is no number; each line must be angle_deg,runout_mm"
        ) from None
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 8 or not np.isfinite(points).all():
        raise BadFile(path, "must hold at least eight lines of two finite numbers, angle_deg,runout_mm")
    if float(np.abs(points[:, 1]).max()) > MOST_STRAY_MM:
        raise BadFile(path, f"strays by more than {MOST_STRAY_MM:g} mm, which no picture shows")
    angle = np.arange(CURVE_POINTS) * (360.0 / CURVE_POINTS)
    curve = np.interp(angle, points[:, 0], points[:, 1], period=360.0)
    return np.asarray(curve - curve.mean())
