"""Wrong use of `new`, `plan`, `verify` and `scene`: one sentence, an exit code, nothing left behind."""

import importlib

import click
import cv2
import numpy as np
import pytest

from rimgauge.cli import COMMANDS
from rimgauge.cli import run as rimgauge

READINGS = "spoke,lateral_mm\n" + "".join(f"{spoke},{0.1 * (spoke % 3)}\n" for spoke in range(1, 33))


@pytest.fixture
def refused(tmp_path, monkeypatch, capsys):
    """Run the command, and see that it refuses: the message, with the exit code already checked."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments, code=2):
        before = sorted(tmp_path.rglob("*"))
        with pytest.raises(SystemExit) as leave:
            rimgauge([str(argument) for argument in arguments])
        said = capsys.readouterr().err
        assert leave.value.code == code, said
        assert sorted(tmp_path.rglob("*")) == before, "something was written"
        return said

    return run


@pytest.fixture
def wheel(tmp_path):
    path = tmp_path / "wheel.toml"
    path.write_text("spokes = 32\n", encoding="utf-8")
    return path


@pytest.fixture
def readings(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(READINGS, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("typed", "code", "named"),
    [
        ("straighten", 2, "there is no command straighten; `rimgauge --help` lists them"),
        ("mesure", 2, "there is no command mesure; did you mean measure?"),
        ("new job", 2, "--spokes"),
        ("plan", 2, "--readings"),
        ("verify", 2, "job folder"),
        ("scene", 2, "--out"),
        ("practice --wheel nowhere.toml", 1, "nowhere.toml"),
        ("verify nowhere", 1, "nowhere"),
        ("scene --out drawn --curve nowhere.csv", 1, "nowhere.csv"),
    ],
)
def test_what_is_missing_is_named(refused, typed, code, named):
    assert named in refused(*typed.split(), code=code)


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("demo", "demo needs --out; type for example: rimgauge demo --out demo"),
        (
            "aim 0",
            "aim needs --direction (lateral or radial); type for example: rimgauge aim 0 --direction lateral",
        ),
        (
            "measure",
            "measure needs SOURCE (0 for the first camera, or a video, a folder or an address); type",
        ),
    ],
)
def test_what_a_command_lacks_is_one_sentence_with_what_to_type(refused, typed, told):
    said = refused(*typed.split())
    assert said.startswith(f"rimgauge: {told}")
    assert said.count("\n") == 1


def test_aim_names_what_is_no_film_or_too_short(refused, tmp_path):
    (tmp_path / "few").mkdir()
    for name in ("sheet.jpg", "few/1.png", "few/2.png"):
        cv2.imwrite(str(tmp_path / name), np.zeros((9, 9, 3), dtype=np.uint8))
    to = ("--direction", "lateral", "--out", "view.json")
    assert "sheet.jpg: is a single picture; give a video" in refused("aim", "sheet.jpg", *to, code=1)
    assert "few: 2 frames are too few to aim with" in refused("aim", "few", *to, code=1)


@pytest.mark.parametrize("count", ["0", "7.5", "-32", "nan", "61", "1e3", ""])
def test_new_refuses_a_number_of_spokes_that_no_wheel_has(refused, count):
    assert "spokes" in refused("new", "job", "--spokes", count)


def test_new_leaves_a_folder_with_something_in_it_alone(refused, tmp_path):
    (tmp_path / "job").mkdir()
    (tmp_path / "job" / "letter.txt").write_text("dear", encoding="utf-8")
    assert "not empty" in refused("new", "job", "--spokes", "32")


def test_new_names_the_known_kinds(refused):
    message = refused("new", "job", "--spokes", "32", "--kind", "light aloy")
    assert 'did you mean "light alloy"?' in message


def test_new_where_the_parent_is_a_file(refused, wheel):
    assert "wheel.toml" in refused("new", wheel / "job", "--spokes", "32", code=1)


def test_plan_needs_a_place_to_write(refused, wheel, readings):
    assert "--out" in refused("plan", "--wheel", wheel, "--readings", readings)


@pytest.mark.parametrize("option", ["--wheel", "--readings"])
def test_plan_names_the_file_that_is_not_there(refused, wheel, readings, option):
    files = {"--wheel": wheel, "--readings": readings, option: "nowhere.txt"}
    given = [part for pair in files.items() for part in pair]
    assert "nowhere.txt" in refused("plan", *given, "--out", "plan.json", code=1)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("spokes = 0\n", "spokes"),
        ("spokes = 7.5\n", "spokes"),
        ("spokes = 32\nspoke_count = 32\n", "spoke_count"),
        ("spokes = 32\n[rim]\neffective_diameter_mm = -602\n", "effective_diameter_mm"),
        ("spokes = 32\n[rim]\neffective_diameter_mm = nan\n", "effective_diameter_mm"),
        ("spokes = \n", "wheel.toml"),
        ("", "spokes"),
    ],
)
def test_plan_names_what_is_wrong_in_the_wheel_file(refused, wheel, readings, text, word):
    wheel.write_text(text, encoding="utf-8")
    message = refused("plan", "--wheel", wheel, "--readings", readings, "--out", "plan.json", code=1)
    assert "wheel.toml" in message
    assert word in message


@pytest.mark.parametrize(
    "text",
    [
        "",
        "spoke,lateral_mm\n",
        READINGS.replace("\n7,", "\n8,"),
        READINGS.replace("\n7,0.1\n", "\n7,inf\n"),
        READINGS.replace("\n7,0.1\n", "\n7,wide\n"),
        READINGS.replace("lateral_mm", "sideways"),
        "\x00\x01\x02",
    ],
)
def test_plan_names_the_readings_that_cannot_be_used(refused, wheel, readings, text):
    readings.write_text(text, encoding="utf-8")
    assert text != READINGS
    message = refused("plan", "--wheel", wheel, "--readings", readings, "--out", "plan.json", code=1)
    assert "readings.csv" in message


@pytest.mark.parametrize("turn", ["0", "-0.5", "nan", "3"])
def test_plan_refuses_a_turn_that_is_no_turn(refused, wheel, readings, turn):
    given = ("--wheel", wheel, "--readings", readings, "--out", "plan.json", "--largest-turn", turn)
    assert "turn" in refused("plan", *given)


def test_plan_into_a_folder_that_is_not_there(refused, wheel, readings):
    given = ("--wheel", wheel, "--readings", readings, "--out", "nowhere/plan.json")
    assert "nowhere" in refused("plan", *given, code=1)


@pytest.mark.parametrize(("seized", "word"), [("99", "no spoke 99"), ("3;4", "no list of spokes")])
def test_plan_refuses_seized_spokes_that_are_not_there(refused, wheel, readings, seized, word):
    given = ("--wheel", wheel, "--readings", readings, "--out", "plan.json", "--seized", seized)
    assert word in refused("plan", *given)


def test_practice_needs_room_below_the_tension_limit(refused, wheel):
    wheel.write_text("spokes = 36\n[tension]\nright_n = 1195\nlimit_n = 1200\n", encoding="utf-8")
    assert "so near its limit" in refused("practice", "--wheel", wheel)


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--spokes", "0"),
        ("--spokes", "7.5"),
        ("--runout-mm", "nan"),
        ("--runout-mm", "-1"),
        ("--mm-per-px", "0"),
        ("--mm-per-px", "nan"),
        ("--fps", "0"),
        ("--frames", "0"),
        ("--jpeg", "500"),
        ("--noise", "-1"),
    ],
)
def test_scene_refuses_a_number_that_cannot_be(refused, option, value):
    assert refused("scene", "--out", "drawn", option, value)


def test_scale_never_guesses_between_two_views(refused, tmp_path):
    for direction in ("lateral", "radial"):
        (tmp_path / f"view-{direction}.json").write_text("{}", encoding="utf-8")
    (tmp_path / "wheel.toml").write_text("spokes = 32\n", encoding="utf-8")
    (tmp_path / "manifest.json").write_text("{}", encoding="utf-8")
    said = refused("scale", "--checkerboard", "sheet.jpg", "--square-mm", "5")
    assert "--direction lateral or --direction radial" in said


def test_scale_in_a_new_job_says_to_aim_first(refused, tmp_path, monkeypatch):
    rimgauge(["new", "job", "--spokes", "32"])
    monkeypatch.chdir(tmp_path / "job")
    assert "rimgauge aim SOURCE" in refused("scale", "--checkerboard", "sheet.jpg", "--square-mm", "5")


def test_at_a_terminal_no_line_is_wider_than_80_columns(refused, monkeypatch):
    name = "a name with spaces that goes on and on, " * 4
    assert len(refused("verify", name, code=1).splitlines()) == 1
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    for arguments, code in ((["verify", name], 1), (["plan", f"--{name}"], 2), (["measure"], 2)):
        lines = refused(*arguments, code=code).splitlines()
        assert 1 < len(lines) < 9
        assert max(map(len, lines)) <= 80


@pytest.mark.parametrize(
    ("library", "package"),
    [
        ("libGL.so.1", "apt-get install libgl1"),
        ("libxcb.so.1", "apt-get install libxcb1"),
        ("libxyz.so.3", "install what provides libxyz.so.3"),
    ],
)
def test_a_missing_system_library_is_named_with_what_brings_it(refused, monkeypatch, library, package):
    def lacks(*_):
        raise ImportError(f"{library}: cannot open shared object file: No such file or directory")

    monkeypatch.setattr("rimgauge.cli.main.main", lambda **_: lacks())
    said = refused("measure", "0", code=1)
    assert said.startswith(f"rimgauge: OpenCV needs the system library {library}, which is missing here")
    assert package in said


def test_every_option_that_takes_a_fraction_takes_a_decimal_comma():
    options = [
        option
        for name in COMMANDS
        for option in importlib.import_module(f"rimgauge.cli.{name}").command.params
    ]
    kinds = [option.type for option in options if isinstance(option.type, click.types.FloatParamType)]
    assert len(kinds) > 10
    for kind in kinds:
        assert kind.convert("1,5", None, None) == kind.convert("1.5", None, None) == 1.5


@pytest.mark.parametrize("text", ["1,5,5", "1.000,5", "1,2.5", "1,200"])
def test_a_number_with_more_than_a_decimal_comma_is_refused(refused, text):
    assert text in refused("scene", "--out", "x", "--runout-mm", text)
