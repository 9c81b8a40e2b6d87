"""Every door through which something bad can come in: makes the files and the command line of one case."""

import shutil

from mutations import NUMBERS, PATHS, spoil_film, spoil_json, spoil_picture, spoil_table, spoil_toml
from sandbox import Case

RECORDED = ["--no-window", "--record", "show.avi", "--json"]
DRAWN = [f"--{name}" for name in ("runout-mm", "mm-per-px", "spokes", "curve", "gap-mm")]
DRAWN += [f"--{name}" for name in ("distance-mm", "blur", "noise", "tilt-deg", "texture")]


def _pick(rng, choices):
    return choices[int(rng.integers(len(choices)))]


def view(shelf, folder, rng):
    """A view that is wrong."""
    data, refuse = spoil_json((shelf / "view.json").read_text(encoding="utf-8"), rng)
    (folder / "view.json").write_bytes(data)
    frames, here = str(shelf / "few"), str(folder / "view.json")
    arguments = _pick(
        rng,
        [
            ["measure", frames, "--view", here, "--spokes", "28", "--out", "pass.json", "--json"],
            ["show", frames, "--view", here, "--spokes", "28", *RECORDED],
            ["scale", "--view", here, "--length-mm", "54", "--from", "10,10", "--to", "400,10", "--json"],
            [
                "scale",
                "--view",
                here,
                "--checkerboard",
                str(shelf / "scale.jpg"),
                "--square-mm",
                "5",
                "--json",
            ],
        ],
    )
    may = ("view.json",) if arguments[0] == "scale" else ("pass.json", "pass.jpg", "show.avi")
    return Case("view", arguments, folder, may, refuse)


def wheel(shelf, folder, rng):
    """A wheel file that is wrong."""
    data, refuse = spoil_toml((shelf / "wheel.toml").read_text(encoding="utf-8"), rng)
    (folder / "wheel.toml").write_bytes(data)
    read = ["plan", "--wheel", "wheel.toml", "--readings", str(shelf / "readings.csv"), "--json"]
    arguments = _pick(
        rng,
        [
            [*read, "--out", "p.json"],
            [*read, "--explain", "3"],
            ["measure", str(shelf / "few"), "--view", str(shelf / "view.json"), "--wheel", "wheel.toml"],
        ],
    )
    return Case("wheel", arguments, folder, ("p.json",), refuse)


def measured(shelf, folder, rng):
    """A measurement file that is wrong."""
    data, refuse = spoil_json((shelf / "job/pass-01.json").read_text(encoding="utf-8"), rng)
    (folder / "pass.json").write_bytes(data)
    good, build = str(shelf / "job/pass-02.json"), str(shelf / "wheel.toml")
    arguments = _pick(
        rng,
        [
            ["plan", "--wheel", build, "--lateral", "pass.json", "--out", "p.json", "--json"],
            ["compare", "pass.json", good, "--json"],
            ["compare", "--same", good, "pass.json", "--json"],
            ["dish", "pass.json", good, "--json"],
            ["export", "pass.json", "--to", "tables", "--json"],
        ],
    )
    return Case("pass", arguments, folder, ("p.json", "tables"), refuse)


def page(shelf, folder, rng):
    """A measurement file that is wrong, on a page."""
    data, refuse = spoil_json((shelf / "job/pass-01.json").read_text(encoding="utf-8"), rng)
    (folder / "pass.json").write_bytes(data)
    good = str(shelf / "job/pass-02.json")
    arguments = ["report", "--before", "pass.json", "--after", good, "--out", "r.html"]
    return Case("page", arguments, folder, ("r.html",), refuse)


def plan(shelf, folder, rng):
    """A plan file that is wrong."""
    data, refuse = spoil_json((shelf / "job/plan-01.json").read_text(encoding="utf-8"), rng)
    (folder / "plan.json").write_bytes(data)
    build, readings = str(shelf / "wheel.toml"), str(shelf / "readings.csv")
    arguments = ["plan", "--wheel", build, "--readings", readings, "--previous", "plan.json"]
    arguments += ["--previous-readings", readings, "--out", "p.json", "--json"]
    if rng.random() < 0.15:
        arguments = ["show", str(shelf / "few"), "--view", str(shelf / "view.json"), "--wheel", build]
        arguments += ["--plan", "plan.json", *RECORDED]
    return Case("plan", arguments, folder, ("p.json", "show.avi"), refuse)


def readings(shelf, folder, rng):
    """Readings typed in wrong."""
    data, refuse = spoil_table((shelf / "readings.csv").read_text(encoding="utf-8"), rng)
    (folder / "readings.csv").write_bytes(data)
    build, good = str(shelf / "wheel.toml"), str(shelf / "readings.csv")
    arguments = _pick(
        rng,
        [
            ["plan", "--wheel", build, "--readings", "readings.csv", "--out", "p.json", "--json"],
            ["plan", "--wheel", build, "--readings", "readings.csv", "--centred", "--out", "p.json"],
            ["plan", "--wheel", build, "--readings", good, "--tension", "readings.csv", "--out", "p.json"],
        ],
    )
    return Case("readings", arguments, folder, ("p.json",), refuse)


def job(shelf, folder, rng):
    """A job folder in which one file is wrong."""
    shutil.copytree(shelf / "job", folder / "job")
    names = ["pass-01.json", "plan-01.json", "view-lateral.json", "wheel.toml"]
    name = _pick(rng, ["manifest.json", "manifest.json", *names])
    text = (folder / "job" / name).read_text(encoding="utf-8")
    data, refuse = spoil_toml(text, rng) if name.endswith(".toml") else spoil_json(text, rng)
    (folder / "job" / name).write_bytes(data)
    arguments = _pick(
        rng,
        [
            ["verify", "job", "--json"],
            ["verify", "job"],
            ["export", "job", "--to", "tables", "--json"],
            ["jobs", ".", "--json"],
            ["jobs", "."],
        ],
    )
    refuse = refuse and arguments[0] == "verify"
    return Case("job", arguments, folder, ("tables",), refuse)


def page_of_a_job(shelf, folder, rng):
    """A job folder in which one file is wrong, whose page is asked for, or whose plan."""
    case = job(shelf, folder, rng)
    arguments = _pick(rng, [["report", "job", "--out", "r.html"], ["plan", "--json"], ["compare", "--json"]])
    case.door, case.arguments, case.must_refuse = "page of a job", arguments, False
    case.may_write = ("r.html", "job")
    case.inside = "job" if arguments[0] in ("plan", "compare") else "."
    return case


def picture(shelf, folder, rng):
    """A picture that is wrong, alone or among good ones."""
    good = sorted((shelf / "few/frames").iterdir())
    sheet = rng.random() < 0.4
    data, ending, refuse = spoil_picture((shelf / "scale.jpg" if sheet else good[0]).read_bytes(), rng)
    (folder / "frames").mkdir()
    name = f"{int(rng.integers(6)):06d}"
    (folder / "frames" / f"{name}{ending}").write_bytes(data)
    for path in good[:6] if rng.random() < 0.5 else ():
        if path.stem != name and not sheet:
            (folder / "frames" / path.name).hardlink_to(path)
    bad, where = str(folder / "frames" / f"{name}{ending}"), str(shelf / "view.json")
    arguments = _pick(
        rng,
        [
            ["measure", "frames", "--view", where, "--spokes", "28", "--out", "pass.json"],
            ["aim", "frames", "--direction", "lateral", "--out", "view.json", "--picture", "aim.png"],
            ["scale", "--view", "view.json", "--checkerboard", bad, "--square-mm", "5"],
            ["scale", "--view", "view.json", "--shim-mm", "0.5", bad, str(good[1])],
            ["lens", bad, bad, bad, "--squares", "9x6", "--out", "lens.json"],
            ["scale", "--view", "view.json", "--card", bad],
            ["scale", "--view", "view.json", "--coin", bad, "--coin-is", "1-euro"],
        ][2 if sheet else 0 :],
    )
    if arguments[0] == "scale":
        shutil.copy(where, folder / "view.json")
    return Case("picture", arguments, folder, ("view.json", "aim.png", "lens.json"), refuse)


def film(shelf, folder, rng):
    """A film that is cut off or is none."""
    data, refuse = spoil_film((shelf / "film.avi").read_bytes(), rng)
    name = _pick(rng, ["film.avi", "film.mp4", "film.mov", "film.txt", "film"])
    (folder / name).write_bytes(data)
    where = str(shelf / "view.json")
    arguments = _pick(
        rng,
        [
            ["measure", name, "--view", where, "--spokes", "28", "--out", "pass.json"],
            ["aim", name, "--direction", "lateral", "--out", "view.json"],
            ["show", name, "--view", where, "--spokes", "28", "--no-window", "--record", "show.avi"],
        ],
    )
    return Case("film", arguments, folder, ("view.json", "show.avi", "pass.json", "pass.jpg"), refuse)


def times(shelf, folder, rng):
    """A table of times that is wrong."""
    data, refuse = spoil_table((shelf / "times.csv").read_text(encoding="utf-8"), rng)
    (folder / "times.csv").write_bytes(data)
    (folder / "frames").mkdir()
    for path in sorted((shelf / "few/frames").iterdir()):
        (folder / "frames" / path.name).hardlink_to(path)
    where = str(shelf / "view.json")
    arguments = ["measure", "frames", "--view", where, "--spokes", "28", "--out", "pass.json"]
    return Case("times", arguments, folder, (), refuse)


def curve(shelf, folder, rng):
    """A curve to draw that is wrong."""
    data, refuse = spoil_table((shelf / "curve.csv").read_text(encoding="utf-8"), rng)
    (folder / "curve.csv").write_bytes(data)
    arguments = ["scene", "--out", "drawn", "--curve", "curve.csv", "--frames", "1"]
    return Case("curve", arguments, folder, ("drawn",), refuse)


def option(shelf, folder, rng):
    """A value on the command line that can't be."""
    value = str(
        _pick(rng, [*NUMBERS, *(path for path in PATHS if "\0" not in path), "1,2", "nan,nan", "-5,9e9"])
    )
    build, where, frames = str(shelf / "wheel.toml"), str(shelf / "view.json"), str(shelf / "few")
    read = ["plan", "--wheel", build, "--readings", str(shelf / "readings.csv"), "--out", "p.json"]
    measure = ["measure", frames, "--view", where, "--spokes", "28"]
    scale = ["scale", "--view", "view.json", "--length-mm", "54", "--from", "10,10", "--to", "400,10"]
    scene = ["scene", "--out", "drawn", "--frames", "1"]
    shutil.copy(where, folder / "view.json")
    options = [
        *([*scale, name, value] for name in ("--rim-mm", "--coin-mm", "--distance-mm", "--tilt-deg")),
        ["practice", "--seed", value],
        *([*read, name, value] for name in ("--largest-turn", "--round", "--done", "--explain")),
        *([*measure, name, value] for name in ("--tolerance-mm", "--fps", "--spokes", "--view", "--wheel")),
        *([*scale, name, value] for name in ("--length-mm", "--from", "--to", "--picture")),
        *([*scene, name, value] for name in DRAWN),
        ["verify", value],
        ["jobs", value],
        ["jobs", ".", "--from", value],
        ["export", value, "--to", "tables"],
        ["dish", value, value],
        ["compare", value, value],
        ["measure", value, "--view", where, "--spokes", "28"],
        ["jobs", str(shelf / "job"), "--find", value],
        ["aim", frames, "--direction", "lateral", "--pointer-at", value, "--out", "view.json"],
    ]
    arguments = _pick(rng, options)
    may = ("p.json", "drawn", "tables", "view.json", "view.png")
    return Case("option", arguments, folder, may)


def typed(shelf, folder, rng):
    """Lines typed at practice that make no sense."""
    words = [
        "7 1/4",
        "7 0.25",
        "12 -1/8",
        "+3",
        "3 +1/2",
        "99 1/4",
        "7 1e308",
        "nan nan",
        "1/0 1/0",
        "7 9999999",
    ]
    words += ["", "?", "quit", "7 " + "1" * 5000, "\x00", "\x1b[2J", "7,1/4", "7\t1/4", "٣ 1/4", "7 ½"]
    words += ["all", "plan", "measure"]
    lines = [_pick(rng, words) for _ in range(int(rng.integers(1, 8)))]
    return Case("typed", ["practice", "--seed", str(int(rng.integers(9)))], folder, typed="\n".join(lines))


DOORS = {
    "view": (view, 14),
    "wheel": (wheel, 10),
    "pass": (measured, 14),
    "page": (page, 2),
    "plan": (plan, 8),
    "readings": (readings, 10),
    "job": (job, 10),
    "page of a job": (page_of_a_job, 2),
    "picture": (picture, 12),
    "film": (film, 4),
    "times": (times, 4),
    "curve": (curve, 2),
    "option": (option, 10),
    "typed": (typed, 4),
}
"""Each door with its share of the cases."""
