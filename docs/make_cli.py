"""Write docs/cli.md from the commands' own help: `python docs/make_cli.py`."""

from __future__ import annotations

import importlib
from pathlib import Path

import click

from rimgauge.cli import COMMANDS, main

PAGE = Path(__file__).with_name("cli.md")
HEAD = """\
# The commands

`python docs/make_cli.py` writes this page from the commands' own help; a test checks that it is up to date.

A command run inside a job folder needs no file names.
`--json` prints one JSON object for programs instead of words.

Exit codes:

- 0: done
- 1: the data can't give an answer, and the message says why
- 2: wrong usage
- 3: `--check` was asked, and the measurement doesn't show the wheel as it is to be within the tolerance
"""


def help_text(name: str) -> str:
    """Lay the help of one command out at 80 columns, as a terminal of that width shows it."""
    command: click.Command = importlib.import_module(f"rimgauge.cli.{name}").command
    context = click.Context(
        command,
        info_name=f"rimgauge {name}",
        terminal_width=80,
        max_content_width=80,
        help_option_names=main.context_settings["help_option_names"],
    )
    return command.get_help(context)


def page() -> str:
    """Join the help of every command whose module is there, in the order in which a job uses them."""
    parts = [HEAD]
    for name in COMMANDS:
        if Path(importlib.import_module("rimgauge.cli").__file__ or "").with_name(f"{name}.py").is_file():
            parts.append(f"## rimgauge {name}\n\n```text\n{help_text(name)}\n```\n")
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
