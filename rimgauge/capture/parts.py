"""A long pass is worked through a part at a time, for copies of all its frames would fill the memory."""

from __future__ import annotations

TOGETHER = 4096
"""Frames that are told in one go: of a pass of 100,000 every copy of all profiles takes 20 MB, all windows of the tip 55."""


def parts(count: int) -> list[slice]:
    """Cut so many frames into parts, each of which is told in one go."""
    return [slice(start, start + TOGETHER) for start in range(0, count, TOGETHER)]
