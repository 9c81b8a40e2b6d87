"""A cursor over a parsed file that knows where it stands, so that every complaint names file and field."""

from __future__ import annotations

import datetime
import difflib
import json
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Literal, NoReturn, TypeVar, cast

import numpy as np

from rimgauge.errors import BadFile
from rimgauge.records import Box

from . import disk

_T = TypeVar("_T")
_L = TypeVar("_L", bound=str)

LARGEST_WHOLE = 2**53
"""Up to here every whole number is one that the file can mean: JSON's numbers are read as such by other programs."""
LARGEST = 1e50
"""Nothing measured is larger, whatever its unit; the fourth powers in sums of variances are still finite numbers."""
FARTHEST_MM = 100.0
"""A rim that strays so far at a spoke is past truing; more is a slip."""
AS_NEAR = 0.1
"""Names whose shares of like letters differ by less are about as near: a surplus letter and a wrong one do."""
_KINDS: dict[type, str] = {
    dict: "a group of fields",
    list: "a list",
    str: "text",
    bool: "true or false",
    type(None): "empty",
}


def nearest(name: str, known: Sequence[str]) -> str | None:
    """Find the known name that a misspelt one is likeliest to mean; None where none is near.

    Of names about as near, one of the same length: a wrong letter is likelier than a surplus one.
    """
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.5)
    share = {each: difflib.SequenceMatcher(None, each, name).ratio() for each in near}
    as_near = [each for each in near if share[each] > share[near[0]] - AS_NEAR]
    return min(as_near, key=lambda each: abs(len(each) - len(name)), default=None)


class Reader:
    """A value of a file, with the file's path and the dotted name of the place.

    Each method checks one thing and hands back the plain value; what doesn't fit raises BadFile.
    """

    __slots__ = ("_above", "_step", "path", "value")

    def __init__(self, path: Path, value: Any, above: Reader | None = None, step: str | int = "") -> None:
        self.path = path
        self.value = value
        self._above = above
        self._step = step

    @property
    def where(self) -> str:
        """Dotted name of the place, put together only when a complaint asks for it."""
        if self._above is None:
            return ""
        if isinstance(self._step, int):
            return f"{self._above.where}[{self._step}]"
        name = self._step
        shown = name if re.fullmatch(r"[\w-]{1,60}", name) else json.dumps(name[:60], ensure_ascii=False)
        return f"{self._above.where}.{shown}" if self._above.where else shown

    def fail(self, trouble: str) -> NoReturn:
        """Raise BadFile for this place."""
        raise BadFile(self.path, f"{self.where} {trouble}" if self.where else trouble)

    # --- going down ---

    def __getitem__(self, name: str) -> Reader:
        """Go to the field of that name, which must be there."""
        found = self.get(name)
        if found is None:
            Reader(self.path, None, self, name).fail("is missing")
        return found

    def get(self, name: str) -> Reader | None:
        """Go to the field of that name; None where it isn't there."""
        fields = self._fields()
        return Reader(self.path, fields[name], self, name) if name in fields else None

    def items(self, *, least: int = 0, most: int | None = None) -> list[Reader]:
        """List the places of a list, which holds at least and at most so many."""
        values = self._listed(least, most)
        return [Reader(self.path, value, self, index) for index, value in enumerate(values)]

    def or_none(self, read: Callable[[Reader], _T]) -> _T | None:
        """Read this place with `read`; None where the file says null."""
        return None if self.value is None else read(self)

    def or_nan(self, *, least: float = -LARGEST) -> float:
        """Read a number; NaN where the file says null."""
        return math.nan if self.value is None else self.number(least=least)

    def only(self, *names: str) -> None:
        """Complain about a field whose name isn't one of these, with the nearest one as a hint."""
        for name in self._fields():
            if name not in names:
                near = nearest(name, names)
                hint = f"did you mean {near!r}?" if near else f"known are {', '.join(names)}"
                Reader(self.path, None, self, name).fail(f"is no field that rimgauge knows; {hint}")

    # --- plain values ---

    def text(self) -> str:
        """Read text."""
        if not isinstance(self.value, str):
            self.fail(f"must be text, not {self._kind()}")
        return self.value

    def choice(self, *options: _L) -> _L:
        """Read one of the given words."""
        if self.value not in options or not isinstance(self.value, str):
            said = json.dumps(self.value, ensure_ascii=False) if isinstance(self.value, str) else self._kind()
            self.fail(f"must be {_either(options)}, not {said}")
        return cast(_L, self.value)

    def number(
        self,
        *,
        above: float = -math.inf,
        least: float = -LARGEST,
        most: float = LARGEST,
        below: float = math.inf,
    ) -> float:
        """Read a finite number within the bounds."""
        value = self._finite()
        if above < value < below and least <= value <= most:
            return value
        for fits, words in (
            (value > above, f"above {above:g}"),
            (value >= least, f"{least:g} or more"),
            (value <= most, f"{most:g} or less"),
            (value < below, f"below {below:g}"),
        ):
            if not fits:
                self.fail(f"must be {words}, not {value!r}")
        return value

    def whole(self, *, least: int | None = None, most: int | None = None) -> int:
        """Read a whole number within the bounds."""
        value = self._finite()
        if value != int(value):
            self.fail(f"must be a whole number, not {value!r}")
        self.number(
            least=-LARGEST_WHOLE if least is None else least, most=LARGEST_WHOLE if most is None else most
        )
        return int(value)

    def numbers(
        self, *, length: int | None = None, gaps: bool = False, least: float = -LARGEST
    ) -> list[float]:
        """Read a list of finite numbers, of that length; with gaps, null stands for a missing one (NaN)."""
        values = self._listed(length or 0, length)
        if all(  # the usual case, quick for every frame of an hour; the other way knows the place
            (isinstance(value, float) and least <= value <= LARGEST) or (gaps and value is None)
            for value in values
        ):
            return [math.nan if value is None else value for value in values]
        return [item.or_nan(least=least) if gaps else item.number(least=least) for item in self.items()]

    def box(self, image_size: tuple[int, int]) -> Box:
        """Read a box [x, y, width, height] that lies within the picture."""
        names = ("x", "y", "width", "height")
        x, y, width, height = (
            item.whole(least=0 if name in "xy" else 1)
            for item, name in zip(self.items(least=4, most=4), names, strict=True)
        )
        if x + width > image_size[0] or y + height > image_size[1]:
            self.fail(f"reaches outside the picture of {image_size[0]} by {image_size[1]} pixels")
        return x, y, width, height

    # --- inside ---

    def _listed(self, least: int, most: int | None) -> list[Any]:
        if not isinstance(self.value, list):
            self.fail(f"must be a list, not {self._kind()}")
        count = len(self.value)
        if count < least or (most is not None and count > most):
            wanted = (
                f"{least}" if least == most else f"{least} or more" if most is None else f"{least} to {most}"
            )
            self.fail(f"must hold {wanted} entries, not {count}")
        return self.value

    def _finite(self) -> float:
        if isinstance(self.value, bool) or not isinstance(self.value, int | float):
            self.fail(f"must be a number, not {self._kind()}")
        try:
            value = float(self.value)
        except OverflowError:
            value = math.inf
        if not math.isfinite(value):
            self.fail("must be a finite number")
        return value

    def _fields(self) -> dict[str, Any]:
        if not isinstance(self.value, dict):
            self.fail(f"must be a group of fields, not {self._kind()}")
        return self.value

    def _kind(self) -> str:
        return _KINDS.get(
            type(self.value), "a number" if isinstance(self.value, int | float) else "a date or time"
        )


def _either(options: tuple[str, ...]) -> str:
    quoted = [json.dumps(option, ensure_ascii=False) for option in options]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} or {quoted[-1]}"


JsonFormat = Literal[
    "rimgauge-view",
    "rimgauge-pass",
    "rimgauge-plan",
    "rimgauge-job",
    "rimgauge-lens",
    "rimgauge-dish",
    "rimgauge-export",
]
VERSION = 1
"""Of every JSON file; a change that an older program would misread raises it."""


def read_json(path: Path, wanted: JsonFormat) -> Reader:
    """Read a JSON file of one of our formats and check format and version.

    Raises
    ------
    BadFile
        The file can't be read, is not JSON, or is of another format or version.

    """
    text = disk.read_text(path)
    try:
        value = json.loads(text, object_pairs_hook=_once)
    except RecursionError as trouble:
        raise BadFile(path, "is nested too deeply to be one of rimgauge's files") from trouble
    except json.JSONDecodeError as trouble:
        raise BadFile(
            path, f"is not JSON: line {trouble.lineno}, column {trouble.colno} can't be read"
        ) from trouble
    except _DoubledFieldError as trouble:
        raise BadFile(path, f"the field {str(trouble)[:60]!r} stands twice in one group") from trouble
    except ValueError as trouble:  # Python reads no whole number of thousands of digits
        raise BadFile(path, "a number in it has more digits than can be meant") from trouble
    reader = Reader(path, value)
    check_format(reader, wanted)
    return reader


def check_format(reader: Reader, wanted: JsonFormat) -> None:
    """Check the first two fields of every JSON file."""
    reader["format"].choice(wanted)
    version = reader["version"].whole()
    if version != VERSION:
        trouble = f"is {version}, and this rimgauge reads version {VERSION}"
        reader["version"].fail(f"{trouble}; update rimgauge, or make the file anew")


class _DoubledFieldError(ValueError):
    """A field that stands twice in one group; JSON itself would silently take the last."""


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) < len(pairs):
        names = [name for name, _ in pairs]
        raise _DoubledFieldError(next(name for name in names if names.count(name) > 1))
    return fields


def write_json(
    path: Path, wanted: JsonFormat, fields: dict[str, Any], check: Callable[[Reader], object]
) -> None:
    """Write a JSON file of one of our formats, after making sure that it can be read back.

    Raises
    ------
    BadFile
        The file can't be written, or holds a value that reading it would refuse.

    """
    disk.write_text(path, _readable(path, wanted, fields, check))


def _readable(
    path: Path, wanted: JsonFormat, fields: dict[str, Any], check: Callable[[Reader], object]
) -> str:
    """Render a file of one of our formats, and make sure that it can be read back."""
    text = render(headed(wanted, fields))
    check(Reader(path, json.loads(text)))
    return text


@dataclass(frozen=True)
class FileFormat(Generic[_T]):
    """A format of ours with the record it holds: its fields as they stand in the file, and how they are read."""

    name: JsonFormat
    fields: Callable[[_T], dict[str, Any]]
    parse: Callable[[Reader], _T]

    def read(self, path: Path) -> _T:
        """Read a file and check every field.

        Raises
        ------
        BadFile
            The file can't be read or understood; the sentence names the field.

        """
        return self.parse(read_json(Path(path), self.name))

    def write(self, path: Path, value: _T) -> None:
        """Write a file, whole or not at all; raises what write_json does."""
        disk.write_text(Path(path), self.text(path, value))

    def text(self, path: Path, value: _T) -> str:
        """Give what `write` would write.

        Raises
        ------
        BadFile
            It holds a value that reading it would refuse.

        """
        return _readable(Path(path), self.name, self.fields(value), self.parse)


def headed(wanted: JsonFormat, fields: dict[str, Any]) -> dict[str, Any]:
    """Put format and version before the fields of a file."""
    return {"format": wanted, "version": VERSION, **fields}


def render(value: dict[str, Any]) -> str:
    """Make JSON text: lists of numbers on one line, and every digit of every number."""
    return _pack(json.dumps(value, ensure_ascii=False, indent=1, default=_plain)) + "\n"


def _plain(value: object) -> object:
    """Turn a numpy number into Python's; anything else is our own mistake."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"a {type(value).__name__} has no place in a file")


_PLAIN_LIST = re.compile(r"\[\n\s*((?:-?[\d.][\d.e+-]*|null)(?:,\n\s*(?:-?[\d.][\d.e+-]*|null))*)\n\s*\]")


def _pack(text: str) -> str:
    """Put each list of numbers on one line: a curve of 720 points is no reading matter one to a line."""
    return _PLAIN_LIST.sub(lambda match: "[" + re.sub(r",\n\s*", ", ", match[1]) + "]", text)


def read_moment(place: Reader) -> str:
    """Read a date and time with its zone; the text stays as it is."""
    text = place.text()
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        place.fail(
            f"must be a date and time with its zone, like 2026-01-31T12:00:00+00:00, not {text[:40]!r}"
        )
    return text
