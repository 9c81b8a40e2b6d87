"""manifest.json: the SHA-256 of every file of a job, and the check of it."""

from __future__ import annotations

import datetime
import hashlib
import json
import os
from collections.abc import Collection, Iterable, Iterator
from dataclasses import asdict
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from rimgauge.errors import BadFile
from rimgauge.records import record

from . import disk
from .build import read_build
from .names import PASS, is_page, is_persons, result_stem
from .reader import Reader, headed, read_json, render, write_json
from .result import Result, completed, parse_results, result_fields, summed_up_if_readable

MANIFEST = "manifest.json"
_LITTER = ("Thumbs.db", "desktop.ini")
"""What Windows leaves in folders; what other systems leave there starts with a dot."""


@record
class Entry:
    """One file of the job: name with / between folders, size in bytes, SHA-256 in hexadecimal."""

    name: str
    bytes: int
    sha256: str


@record
class Manifest:
    """When the job was started, its files by name, what its wheel is called and its measurements came to."""

    created: str
    name: str
    results: tuple[Result, ...]
    entries: tuple[Entry, ...]

    @property
    def fingerprint(self) -> str:
        """SHA-256 over the date and the sums and names of the files, pages made from them apart."""
        return _sum(self.created, [entry for entry in self.entries if not is_page(entry.name)])

    @property
    def whole_sha256(self) -> str:
        """SHA-256 over all else that stands in it, so that a change of the manifest itself is found."""
        told = {"name": self.name, "results": [result_fields(result) for result in self.results]}
        sizes = [entry.bytes for entry in self.entries]
        return _sum(f"{self.created} {json.dumps(told)} {sizes}", self.entries)


def _sum(first_line: str, entries: Iterable[Entry]) -> str:
    """Sum up the lines that the usual SHA-256 tools print for these files, after a first line."""
    lines = [f"{first_line}\n", *(f"{entry.sha256}  {entry.name}\n" for entry in entries)]
    return hashlib.sha256("".join(lines).encode("utf-8", "backslashreplace")).hexdigest()


@record
class Trouble:
    """Something that is not as it was recorded."""

    kind: Literal["missing", "changed", "extra", "manifest"]
    file: str
    words: str


def now() -> str:
    """Tell the present moment the way it stands in our files: ISO 8601, whole seconds.

    In the zone of the place, so that an evening's work has one date.
    """
    return datetime.datetime.now(datetime.UTC).astimezone().isoformat(timespec="seconds")


def read_manifest(folder: Path) -> Manifest:
    """Read a job's manifest.

    Raises
    ------
    BadFile
        It isn't there or can't be understood, or isn't exactly as rimgauge wrote it.

    """
    path = folder / MANIFEST
    fields = read_json(path, "rimgauge-job")
    manifest = _parse(fields)
    if disk.read_text(path) != render(_whole(manifest)):
        raise BadFile(path, "was changed after rimgauge wrote it")
    return manifest


def write_manifest(
    folder: Path, created: str, *, ours: Collection[str] = (), used: Collection[str] = ()
) -> Manifest:
    """Record the folder: the wheel, which a person fills in, and what the caller says is the job's.

    Views and readings that a person added, and what was used, are recorded once. All else that is recorded
    already keeps its sum, so that a change since is still found, and all else that isn't stays out of the
    record. Of what is gone, results, what goes with them, views and readings are missed; all else is forgotten.

    Parameters
    ----------
    folder : the job's.
    created : when the job was started.
    ours : files to record as they are now, gone if they are: names with / between folders, or the name of a folder
        for all in it. A result that is gone is missed all the same.
    used : files to record unless they are recorded already: they were read, not written.

    Raises
    ------
    BadFile
        A file can't be read, or the manifest can't be written.

    """
    before = read_manifest(folder) if (folder / MANIFEST).exists() else None
    there = job_files(folder)
    known_names = {entry.name for entry in before.entries} if before else set()
    added = {name for name in there if is_persons(name) or _is_among(name, used)} - known_names
    fresh = added | {name for name in there if name == "wheel.toml" or _is_among(name, ours)}
    kept = {
        entry.name: entry
        for entry in (before.entries if before else ())
        if entry.name not in fresh and (entry.name in there or _is_missed(entry.name, ours))
    }
    entries = kept | {name: _entry(folder, name) for name in fresh}
    known = {result.file: result for result in (before.results if before else ()) if result.file in kept}
    passes = [name for name in sorted(entries) if PASS.fullmatch(name)]
    results = (completed(known.get(name), folder / name) for name in passes)
    manifest = Manifest(
        created=created,
        name=_wheel_name(folder),
        results=tuple(result for result in results if result is not None),
        entries=tuple(entries[name] for name in sorted(entries)),
    )
    write_json(folder / MANIFEST, "rimgauge-job", _fields(manifest), _parse)
    return manifest


def _is_among(name: str, files: Collection[str]) -> bool:
    return any(name == each or name.startswith(f"{each}/") for each in files)


def _is_missed(name: str, accepted: Collection[str]) -> bool:
    """Whether a recorded file that is gone is still asked for."""
    return result_stem(name) != "" or (is_persons(name) and not _is_among(name, accepted))


def _wheel_name(folder: Path) -> str:
    try:
        return str(read_build(folder / "wheel.toml").get("name", ""))
    except BadFile:
        return ""


def verify_job(folder: Path) -> tuple[Trouble, ...]:
    """Compare every file of a job with its manifest; nothing found means that all is as it was written.

    Hidden files and what file managers leave behind are passed over.

    Raises
    ------
    BadFile
        The folder isn't there, or is no job.

    """
    folder = Path(folder)
    if not folder.is_dir():
        raise BadFile(folder, "there is no such folder")
    if not (folder / MANIFEST).exists() and not (folder / "wheel.toml").exists():
        raise BadFile(folder, f"is no job: neither {MANIFEST} nor wheel.toml is in it")
    try:
        manifest = read_manifest(folder)
    except BadFile as trouble:
        return (Trouble(kind="manifest", file=MANIFEST, words=str(trouble)),)
    recorded = {entry.name: entry for entry in manifest.entries}
    found = job_files(folder)
    troubles = [_compare(folder, recorded[name]) for name in sorted(recorded)]
    extra = [
        Trouble(kind="extra", file=name, words=f"{name} is no part of the record: it was added later")
        for name in found
        if name not in recorded
    ]
    found_troubles = (*(trouble for trouble in troubles if trouble), *extra)
    return found_troubles or tuple(_disagreeing(folder, manifest))


def _disagreeing(folder: Path, manifest: Manifest) -> Iterator[Trouble]:
    """Find results in the manifest that are not those of the measurements themselves."""
    for result in manifest.results:
        again = summed_up_if_readable(folder / result.file)
        told = completed(result, folder / result.file)
        if again is None or told is None or result_fields(told) != result_fields(again):
            words = f"{MANIFEST} sums {result.file} up otherwise than that file does"
            yield Trouble(kind="manifest", file=MANIFEST, words=words)


def _compare(folder: Path, entry: Entry) -> Trouble | None:
    name = entry.name
    if not (folder / name).is_file():
        return Trouble(kind="missing", file=name, words=f"{name} is missing")
    now = _entry(folder, name)
    if now.sha256 == entry.sha256:
        return None
    sizes = "" if now.bytes == entry.bytes else f" ({entry.bytes} bytes then, {now.bytes} now)"
    return Trouble(kind="changed", file=name, words=f"{name} was changed after it was recorded{sizes}")


def job_files(folder: Path) -> list[str]:
    """List what can be part of a job's record, sorted, with / between folders on every system.

    The manifest itself, hidden files and what file managers leave behind can't.
    """
    names: list[str] = []
    with disk.one_sentence(folder):
        for inside, folders, files in os.walk(folder):
            folders[:] = [name for name in folders if not name.startswith(".")]
            names += [
                (Path(inside) / name).relative_to(folder).as_posix()
                for name in files
                if not name.startswith(".") and name not in _LITTER
            ]
    return sorted(name for name in names if name != MANIFEST)


def _entry(folder: Path, name: str) -> Entry:
    path = folder / name
    with disk.one_sentence(path), path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        return Entry(name=name, bytes=file.tell(), sha256=digest)


def _fields(manifest: Manifest) -> dict[str, Any]:
    return {
        "created": manifest.created,
        "fingerprint": manifest.fingerprint,
        "whole_sha256": manifest.whole_sha256,
        "name": manifest.name,
        "results": [result_fields(result) for result in manifest.results],
        "files": [asdict(entry) for entry in manifest.entries],
    }


def recorded_bytes(fields: Reader, names: Iterable[str]) -> dict[str, int]:
    """Size in bytes that a manifest records of each of these files, of those that it knows."""
    wanted = set(names)
    return {
        name: item["bytes"].whole(least=0)
        for item in fields["files"].items()
        if (name := item["name"].text()) in wanted
    }


def _whole(manifest: Manifest) -> dict[str, Any]:
    return headed("rimgauge-job", _fields(manifest))


def _parse(fields: Reader) -> Manifest:
    name, results = parse_results(fields)
    manifest = Manifest(
        created=fields["created"].text(),
        name=name,
        results=results,
        entries=tuple(
            Entry(
                name=_name(item["name"]),
                bytes=item["bytes"].whole(least=0),
                sha256=item["sha256"].text(),
            )
            for item in fields["files"].items()
        ),
    )
    for field, made in (("fingerprint", manifest.fingerprint), ("whole_sha256", manifest.whole_sha256)):
        if fields[field].text() != made:
            fields[field].fail("does not fit the files that are listed: the manifest was changed")
    return manifest


def _name(place: Reader) -> str:
    name = place.text()
    if not name or PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts or "\0" in name:
        place.fail(f"must be the name of a file inside the job, not {name[:60]!r}")
    return name
