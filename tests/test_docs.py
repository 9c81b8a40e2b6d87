"""What is written about the program is true: commands, help, reference page and README agree."""

import importlib
import re
import runpy
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest

from rimgauge.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parents[1]
PROSE = sorted(path for path in [*ROOT.glob("*.md"), *ROOT.glob("docs/*.md")] if path.is_file())
LINK = re.compile(r"\]\((?!https?://|#)([^)#\s]+)(?:#[^)]*)?\)")


def read(name):
    return (ROOT / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_has_a_module_with_help(name):
    command = importlib.import_module(f"rimgauge.cli.{name}").command
    assert isinstance(command, click.Command)
    assert len((command.help or "").strip()) > 20
    assert any(f"rimgauge {name}" in (text or "") for text in (command.help, command.epilog)), (
        "no example in the help"
    )


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_takes_json(name):
    options = [
        option
        for item in importlib.import_module(f"rimgauge.cli.{name}").command.params
        for option in item.opts
    ]
    assert "--json" in options


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_stands_in_the_reference_page(name):
    assert f"\n## rimgauge {name}\n" in read("docs/cli.md")


def test_the_reference_page_is_what_the_commands_say():
    # In a process of its own: click remembers the help option of a command that ran before outside its group.
    code = f"import runpy; print(runpy.run_path({str(ROOT / 'docs' / 'make_cli.py')!r})['page'](), end='')"
    made = subprocess.run(
        [sys.executable, "-X", "utf8", "-c", code], capture_output=True, encoding="utf-8", check=True
    ).stdout
    assert read("docs/cli.md") == made, "run: python docs/make_cli.py"


@pytest.mark.parametrize("name", COMMANDS)
def test_help_fits_80_columns(name):
    lines = runpy.run_path(str(ROOT / "docs" / "make_cli.py"))["help_text"](name).splitlines()
    assert max(len(line) for line in lines) <= 80


def test_documents_name_only_commands_that_exist():
    named = {
        (path.name, word)
        for path in PROSE
        for block in re.findall(r"```(?:sh|console)\n(.*?)```", path.read_text(encoding="utf-8"), re.DOTALL)
        for word in re.findall(r"^(?:\$ )?(?:\S*/)?rimgauge ([a-z]+)", block, re.MULTILINE)
    }
    assert named
    assert {(page, word) for page, word in named if word not in COMMANDS} == set()


def test_documents_name_only_options_that_exist():
    unknown = []
    for path in PROSE:
        text = path.read_text(encoding="utf-8").replace("\\\n", " ")
        for block in re.findall(r"```(?:sh|console)\n(.*?)```", text, re.DOTALL):
            for name, rest in re.findall(r"rimgauge ([a-z]+)([^\n#]*)", block):
                known = {
                    o
                    for item in importlib.import_module(f"rimgauge.cli.{name}").command.params
                    for o in item.opts
                }
                used = re.findall(r"(?<=\s)--[a-z-]+", rest)
                unknown += [f"{path.name}: rimgauge {name} {o}" for o in used if o not in {*known, "--help"}]
    assert unknown == []


@pytest.mark.parametrize(
    "line",
    [
        "demo --out DIR",
        "measure frames --view view.json --spokes 32 --wheel wheel.toml --out pass.json",
        "measure 0 --view view.json --spokes 32 --check --tolerance-mm 0.5 --fps 30 --json",
        "aim frames --direction lateral --out view.json --picture aim.png --pointer-at 3,4 --rim-at 5,6",
        "scale --view view.json --checkerboard picture.jpg --square-mm 5",
        "scale --view view.json --length-mm 53.98 --from 1,2 --to 3,4",
        "scale --view view.json --shim-mm 0.5 before.jpg after.jpg",
        "lens one.jpg two.jpg --squares 9x6 --out lens.json",
        "plan --wheel wheel.toml --lateral pass.json --radial pass.json --tension readings.csv --out plan.json",
        "plan --wheel wheel.toml --readings readings.csv --centred --out plan.json --previous plan-01.json "
        "--previous-readings readings-01.csv",
        "report JOB --out report.pdf",
        "verify JOB",
        "show frames --view view.json --spokes 32 --record out.mp4 --no-window",
    ],
)
def test_command_lines_that_other_programs_rely_on_are_understood(line):
    name, *arguments = line.split()
    command = importlib.import_module(f"rimgauge.cli.{name}").command
    with command.make_context(name, arguments) as context:
        assert context.params


@pytest.mark.parametrize("path", PROSE, ids=lambda path: path.name)
def test_links_inside_the_project_lead_somewhere(path):
    missing = [
        target
        for target in LINK.findall(path.read_text(encoding="utf-8"))
        if not (path.parent / target).exists()
    ]
    assert missing == []


def test_the_licence_named_is_the_licence_that_lies_in_docs():
    project = tomllib.loads(read("pyproject.toml"))["project"]
    assert project["license"] in read("README.md")
    assert project["license-files"] == ["docs/LICENSE"]
    assert read("docs/LICENSE").startswith(f"{project['license']} License")


def test_the_readme_asks_for_the_python_that_the_project_asks_for():
    least = tomllib.loads(read("pyproject.toml"))["project"]["requires-python"].removeprefix(">=")
    assert f"Python {least} or newer" in read("README.md")


def test_the_machine_check_runs_the_command_of_the_readme():
    lines = read("README.md").splitlines()
    marked = lines[lines.index("<!-- the test command -->") + 1 :][:3]
    assert marked[0] == "```sh"
    assert marked[1].endswith("pytest")
    assert marked[2] == "```"
    assert "<!-- the test command -->" in read(".ci/run")


def test_every_module_of_the_command_line_is_a_command():
    found = {path.stem for path in (ROOT / "rimgauge" / "cli").glob("*.py")} - {
        "__init__",
        "aim_second",
        "common",
        "decimals",
        "forward",
        "guidance",
        "measure_given",
        "measure_kept",
        "plan_dish",
        "plan_files",
        "plan_given",
        "report_evidence",
        "runout_words",
        "scale_picture",
        "scale_ways",
        "scale_words",
        "teaching",
        "turned_round",
        "views",
    }
    assert found <= set(COMMANDS)


def test_no_command_imports_numpy_before_it_runs():
    code = (
        "import importlib, sys\nfrom rimgauge.cli import COMMANDS\n"
        "for name in COMMANDS:\n    importlib.import_module(f'rimgauge.cli.{name}')\n"
        "heavy = {'numpy', 'scipy', 'cv2', 'matplotlib'} & set(sys.modules)\nassert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_overview_lists_every_command_without_importing_numpy():
    code = (
        "import sys\nfrom rimgauge.cli import main\nmain.main(['--help'], standalone_mode=False)\n"
        "heavy = {'numpy', 'scipy', 'cv2', 'matplotlib'} & set(sys.modules)\nassert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    for name, sentence in COMMANDS.items():
        assert re.search(rf"^  {name} +{re.escape(sentence.split()[0])}", done.stdout, re.MULTILINE)
    assert main.name == "main"


@pytest.mark.parametrize("room", ["capture", "signal"])
def test_the_map_of_a_large_room_names_its_files_and_no_others(room):
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split(f"| in `{room}/` | files |")[1].split("\n\n")[0]
    files = {path.stem for path in (ROOT / "rimgauge" / room).glob("[!_]*.py")}
    assert set(re.findall(r"`(\w+)`", table)) == files
