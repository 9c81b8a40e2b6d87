"""Pictures over HTTP, one JPEG after another in one endless answer (multipart/x-mixed-replace, MJPEG).

The form is that of RFC 2046 (section 5.1: boundaries and headers of the parts), whose parts here have no end.
"""

from __future__ import annotations

import base64
import http.client
import math
import re
import urllib.error
import urllib.request
from collections.abc import Iterator
from typing import IO
from urllib.parse import unquote, urlsplit, urlunsplit

import cv2
import numpy as np
from numpy.typing import NDArray

STALLED_S = 5.0
"""A stream that sends nothing for so long is called anew."""
LARGEST_PICTURE = 32_000_000
LARGEST_HEADER = 65_536
PIECE = 65_536
JPEG_BEGIN, JPEG_END = b"\xff\xd8", b"\xff\xd9"


class NoMjpeg(OSError):
    """The address answers with something else; a video file, perhaps."""


class MjpegLine:
    """One connection to an MJPEG address.

    Raises
    ------
    NoMjpeg
        The address answers, but not with a row of pictures.
    OSError
        Nothing answers.
    """

    def __init__(self, address: str) -> None:
        # A phone is on the same network: no proxy stands between.
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        try:
            self._answer = opener.open(_request(address), timeout=STALLED_S)
        except (http.client.HTTPException, ValueError) as trouble:
            raise ConnectionError(str(trouble)) from trouble
        kind = self._answer.headers.get_content_type()
        if not kind.startswith("multipart/"):
            self._answer.close()
            raise NoMjpeg(f"{kind} instead of multipart/x-mixed-replace")
        stated = str(self._answer.headers.get_param("boundary") or "").strip('"').lstrip("-")
        # Some cameras write the dashes of the delimiter into its name as well.
        self._boundary = b"--" + stated.encode("latin-1", "replace")

    def pictures(self) -> Iterator[tuple[NDArray[np.generic] | None, float | None]]:
        """Give pictures until the line is cut or stalls, None for what is no whole picture."""
        try:
            for headers, body in parts(self._answer, self._boundary):
                yield _decoded(body), _stated_s(headers)
        except (OSError, http.client.HTTPException, ValueError):
            return  # the caller calls again

    def close(self) -> None:
        """Hang up."""
        self._answer.close()


def parts(answer: IO[bytes], boundary: bytes) -> Iterator[tuple[dict[str, str], bytes]]:
    """Give headers (names in small letters) and body of each part of an endless answer.

    Where a part states its length that is read; otherwise it ends where the next boundary begins.
    """
    waiting = b""
    while True:
        waiting = _skip_to(answer, waiting, boundary)
        head, waiting = _until(answer, waiting, re.compile(rb"\r?\n\r?\n"), LARGEST_HEADER)
        headers = dict(_header(line) for line in head.decode("latin-1").splitlines() if ":" in line)
        length = headers.get("content-length", "")
        if length.isdecimal() and int(length) <= LARGEST_PICTURE:
            while len(waiting) < int(length):
                waiting += _more(answer)
            body, waiting = waiting[: int(length)], waiting[int(length) :]
        else:
            body, rest = _until(answer, waiting, re.compile(re.escape(boundary)), LARGEST_PICTURE)
            waiting = boundary + rest
        yield headers, body


def _skip_to(answer: IO[bytes], waiting: bytes, boundary: bytes) -> bytes:
    skipped = 0
    while (at := waiting.find(boundary)) < 0:
        if skipped > LARGEST_PICTURE:
            raise ValueError("no boundary between pictures")
        skipped += len(waiting)
        waiting = waiting[-len(boundary) :] + _more(answer)
    return waiting[at + len(boundary) :]


def _until(answer: IO[bytes], waiting: bytes, end: re.Pattern[bytes], most: int) -> tuple[bytes, bytes]:
    searched = 0
    while (found := end.search(waiting, max(0, searched - 256))) is None:
        searched = len(waiting)
        if searched > most:
            raise ValueError("a part without an end")
        waiting += _more(answer)
    return waiting[: found.start()], waiting[found.end() :]


def _more(answer: IO[bytes]) -> bytes:
    piece: bytes = answer.read1(PIECE)  # type: ignore[attr-defined] # of HTTPResponse
    if not piece:
        raise ConnectionError("the stream ended")
    return piece


def _header(line: str) -> tuple[str, str]:
    name, _, value = line.partition(":")
    return name.strip().lower(), value.strip()


def _decoded(body: bytes) -> NDArray[np.generic] | None:
    """Decode a whole JPEG; half of one would be filled up with grey, and measured."""
    begin, end = body.find(JPEG_BEGIN), body.rfind(JPEG_END)
    if begin < 0 or end < begin:
        return None
    try:
        return cv2.imdecode(np.frombuffer(body[begin : end + 2], dtype=np.uint8), cv2.IMREAD_COLOR)
    except cv2.error:
        return None


def _stated_s(headers: dict[str, str]) -> float | None:
    """Time that the camera states for a picture [s]; many write it as seconds since 1970 in X-Timestamp."""
    try:
        stated_s = float(headers.get("x-timestamp", ""))
    except ValueError:
        return None
    return stated_s if math.isfinite(stated_s) and stated_s > 0.0 else None


def _request(address: str) -> urllib.request.Request:
    """Ask for an address; a name and password in it go into a header, where they belong."""
    split = urlsplit(address)
    host = split.netloc.rpartition("@")[2]
    request = urllib.request.Request(urlunsplit(split._replace(netloc=host)))
    if split.username is not None:
        login = f"{unquote(split.username)}:{unquote(split.password or '')}"
        request.add_header("Authorization", "Basic " + base64.b64encode(login.encode()).decode())
    return request


def without_secrets(address: str) -> str:
    """Address as it may be shown and kept: without user, password and query, in which keys are handed over too.

    Raises
    ------
    ValueError
        It can't be an address.

    """
    split = urlsplit(address)
    return urlunsplit(split._replace(netloc=split.netloc.rpartition("@")[2], query="", fragment=""))
