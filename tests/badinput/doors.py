"""Every door through which something bad can come in: makes the files and the command line of one case."""

import shutil

from mutations import NUMBERS, PATHS, spoil_film, spoil_json, spoil_picture, spoil_table, spoil_toml
from sandbox import Case

RECORDED = "--no-window --record show.avi --json"
DRAWN = [
    "runout-mm",
    "mm-per-px",
    "spokes",
    "curve",
    "gap-mm",
    "distance-mm",
    "blur",
    "noise",
    "tilt-deg",
    "texture",
]


def _pick(rng, choices):
    return choices[int(rng.integers(len(choices)))]


def _command(shelf, line):
    """The words of a command line; @ stands before what lies on the shelf."""
    return [str(shelf / word[1:]) if word.startswith("@") else word for word in line.split()]


def spoilt(door, spoil, name, lines, source=None):
    """A door for a file that is wrong, made of a good one on the shelf; `lines` are commands that read it."""

    def make(shelf, folder, rng):
        good = (shelf / (source or name)).read_bytes()
        data, refuse = spoil(good if spoil is spoil_film else good.decode("utf-8"), rng)
        (folder / name).write_bytes(data)
        return Case(door, _command(shelf, _pick(rng, lines)), folder, must_refuse=refuse)

    return make


PLAN = "plan --wheel @wheel.toml --out p.json"
VIEW = [
    "measure @few --view view.json --spokes 28 --out pass.json --json",
    f"show @few --view view.json --spokes 28 {RECORDED}",
    "scale --view view.json --length-mm 54 --from 10,10 --to 400,10 --json",
    "scale --view view.json --checkerboard @scale.jpg --square-mm 5 --json",
]
WHEEL = [
    "plan --wheel wheel.toml --readings @readings.csv --json --out p.json",
    "plan --wheel wheel.toml --readings @readings.csv --json --explain 3",
    "measure @few --view @view.json --wheel wheel.toml",
]
PASS = [
    f"{PLAN} --lateral pass.json --json",
    "compare pass.json @job/pass-02.json --json",
    "compare --same @job/pass-02.json pass.json --json",
    "dish pass.json @job/pass-02.json --json",
    "export pass.json --to tables --json",
]
PAGE = ["report --before pass.json --after @job/pass-02.json --out r.html"]
LATER = [
    *[f"{PLAN} --readings @readings.csv --previous plan.json --previous-readings @readings.csv --json"] * 6,
    f"show @few --view @view.json --wheel @wheel.toml --plan plan.json {RECORDED}",
]
READINGS = [
    f"{PLAN} --readings readings.csv --json",
    f"{PLAN} --readings readings.csv --centred",
    f"{PLAN} --readings @readings.csv --tension readings.csv",
]
CURVE = ["scene --out drawn --curve curve.csv --frames 1"]


def job(shelf, folder, rng):
    """A job folder in which one file is wrong."""
    shutil.copytree(shelf / "job", folder / "job")
    names = ["pass-01.json", "plan-01.json", "view-lateral.json", "wheel.toml"]
    name = _pick(rng, ["manifest.json", "manifest.json", *names])
    text = (folder / "job" / name).read_text(encoding="utf-8")
    data, refuse = spoil_toml(text, rng) if name.endswith(".toml") else spoil_json(text, rng)
    (folder / "job" / name).write_bytes(data)
    commands = ("verify job --json", "verify job", "export job --to tables --json", "jobs . --json", "jobs .")
    arguments = _pick(rng, commands).split()
    refuse = refuse and arguments[0] == "verify"
    return Case("job", arguments, folder, must_refuse=refuse)


def page_of_a_job(shelf, folder, rng):
    """A job folder in which one file is wrong, whose page is asked for, or whose plan."""
    case = job(shelf, folder, rng)
    arguments = _pick(rng, ("report job --out r.html", "plan --json", "compare --json")).split()
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
    bad = f"frames/{name}{ending}"
    commands = [
        "measure frames --view @view.json --spokes 28 --out pass.json",
        "aim frames --direction lateral --out view.json --picture aim.png",
        f"scale --view view.json --checkerboard {bad} --square-mm 5",
        f"scale --view view.json --shim-mm 0.5 {bad} @few/frames/{good[1].name}",
        f"lens {bad} {bad} {bad} --squares 9x6 --out lens.json",
        f"scale --view view.json --card {bad}",
        f"scale --view view.json --coin {bad} --coin-is 1-euro",
    ]
    arguments = _command(shelf, _pick(rng, commands[2:] if sheet else commands))
    if arguments[0] == "scale":
        shutil.copy(shelf / "view.json", folder)
    return Case("picture", arguments, folder, must_refuse=refuse)


def film(shelf, folder, rng):
    """A film that is cut off or is none."""
    data, refuse = spoil_film((shelf / "film.avi").read_bytes(), rng)
    name = _pick(rng, ["film.avi", "film.mp4", "film.mov", "film.txt", "film"])
    (folder / name).write_bytes(data)
    commands = [
        f"measure {name} --view @view.json --spokes 28 --out pass.json",
        f"aim {name} --direction lateral --out view.json",
        f"show {name} --view @view.json --spokes 28 --no-window --record show.avi",
    ]
    return Case("film", _command(shelf, _pick(rng, commands)), folder, must_refuse=refuse)


def times(shelf, folder, rng):
    """A table of times that is wrong."""
    data, refuse = spoil_table((shelf / "times.csv").read_text(encoding="utf-8"), rng)
    (folder / "times.csv").write_bytes(data)
    (folder / "frames").mkdir()
    for path in sorted((shelf / "few/frames").iterdir()):
        (folder / "frames" / path.name).hardlink_to(path)
    command = "measure frames --view @view.json --spokes 28 --out pass.json"
    return Case("times", _command(shelf, command), folder, must_refuse=refuse)


def option(shelf, folder, rng):
    """A value on the command line that can't be."""
    value = str(
        _pick(rng, [*NUMBERS, *(path for path in PATHS if "\0" not in path), "1,2", "nan,nan", "-5,9e9"])
    )
    shutil.copy(shelf / "view.json", folder)
    scale = "scale --view view.json --length-mm 54 --from 10,10 --to 400,10"
    measure = "measure @few --view @view.json --spokes 28"
    commands = [
        *(f"{scale} --{name} VALUE" for name in ("rim-mm", "coin-mm", "distance-mm", "tilt-deg")),
        "practice --seed VALUE",
        *(
            f"{PLAN} --readings @readings.csv --{name} VALUE"
            for name in ("largest-turn", "round", "done", "explain")
        ),
        *(f"{measure} --{name} VALUE" for name in ("tolerance-mm", "fps", "spokes", "view", "wheel")),
        *(f"{scale} --{name} VALUE" for name in ("length-mm", "from", "to", "picture")),
        *(f"scene --out drawn --frames 1 --{name} VALUE" for name in DRAWN),
        *(
            "verify VALUE",
            "jobs VALUE",
            "jobs . --from VALUE",
            "export VALUE --to tables",
            "dish VALUE VALUE",
        ),
        *("compare VALUE VALUE", "measure VALUE --view @view.json --spokes 28", "jobs @job --find VALUE"),
        "aim @few --direction lateral --pointer-at VALUE --out view.json",
    ]
    words = _command(shelf, _pick(rng, commands))
    return Case("option", [value if word == "VALUE" else word for word in words], folder)


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
    "view": (spoilt("view", spoil_json, "view.json", VIEW), 14),
    "wheel": (spoilt("wheel", spoil_toml, "wheel.toml", WHEEL), 10),
    "pass": (spoilt("pass", spoil_json, "pass.json", PASS, "job/pass-01.json"), 14),
    "page": (spoilt("page", spoil_json, "pass.json", PAGE, "job/pass-01.json"), 2),
    "plan": (spoilt("plan", spoil_json, "plan.json", LATER, "job/plan-01.json"), 8),
    "readings": (spoilt("readings", spoil_table, "readings.csv", READINGS), 10),
    "job": (job, 10),
    "page of a job": (page_of_a_job, 2),
    "picture": (picture, 12),
    "film": (film, 4),
    "times": (times, 4),
    "curve": (spoilt("curve", spoil_table, "curve.csv", CURVE), 2),
    "option": (option, 10),
    "typed": (typed, 4),
}
"""Each door with its share of the cases."""
