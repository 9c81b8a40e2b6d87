"""What the files of a job are called: pass-01.json, plan-01.json, dish-01.json, readings-01.csv."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Literal

Numbered = Literal["pass", "plan", "dish", "readings"]
_ENDINGS: dict[Numbered, str] = {"pass": "json", "plan": "json", "dish": "json", "readings": "csv"}
_NUMBER = r"-(\d{2,6})"
_TYPED_NUMBER = r"-(\d{1,6})"
"""Of readings, whose name a person types: readings-3.csv counts as the third too."""


def _whole(kind: Numbered) -> re.Pattern[str]:
    return re.compile(rf"{kind}{_number(kind)}\.{_ENDINGS[kind]}")


def _number(kind: Numbered) -> str:
    return _TYPED_NUMBER if kind == "readings" else _NUMBER


_WHOLE = {kind: _whole(kind) for kind in _ENDINGS}
PASS = _WHOLE["pass"]
_BESIDE = re.compile(rf"(pass|plan|dish){_NUMBER}\b")
_PERSONS = re.compile(r"wheel\.toml|view(-lateral|-radial)?\.json")


def is_numbered(name: str, kind: Numbered) -> bool:
    """Whether a file is a measurement, plan, dish or readings, by its name."""
    return _WHOLE[kind].fullmatch(name) is not None


def is_result(name: str) -> bool:
    """Whether a file is what a command came to, written once: a measurement, plan or dish."""
    return any(is_numbered(name, kind) for kind in ("pass", "plan", "dish"))


def is_persons(name: str) -> bool:
    """Whether a file is one that a person writes or may mend: the wheel, a view, readings."""
    return _PERSONS.fullmatch(name) is not None or is_numbered(name, "readings")


def is_page(name: str) -> bool:
    """Whether a file is a page made from the record, and so no part of its fingerprint, which it prints."""
    return name.endswith((".pdf", ".html"))


def result_stem(name: str) -> str:
    """Name the result that a file is or goes with: pass-03 of pass-03.json or pass-03-frames/0001.png; '' for none."""
    found = _BESIDE.match(name)
    return found[0] if found else ""


def number_of(name: str) -> int:
    """Number in the name of a result: 3 of pass-03.json."""
    return int(name.partition("-")[2].partition(".")[0])


def numbered(kind: Numbered, number: int) -> str:
    """Name the file of a kind with a number."""
    return f"{kind}-{number:02d}.{_ENDINGS[kind]}"


def highest(names: Iterable[str], kind: Numbered) -> int:
    """Highest number among files of a kind and what goes with them; 0 for none."""
    found = (re.match(rf"{kind}{_number(kind)}\b", name) for name in names)
    return max((int(match[1]) for match in found if match), default=0)
