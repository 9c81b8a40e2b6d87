"""How a record is made, and the few types all of them share."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, TypeVar, dataclass_transform

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

Direction = Literal["lateral", "radial"]
Side = Literal["right", "left", "outer"]
Flange = Literal["right", "left"]
Outcome = Literal["within", "out", "undecided"]
SeenFrom = Literal["tyre", "hub"]
Box = tuple[int, int, int, int]
"""x, y, width, height in whole pixels of the full picture, origin top left."""


def middle_px(box: Box) -> FloatArray:
    """Middle (2,) of a box in the picture, where a pixel's own middle has whole numbers."""
    x, y, width, height = box
    return np.array([x + (width - 1) / 2.0, y + (height - 1) / 2.0])


_Angle = TypeVar("_Angle", float, FloatArray)


def shortest_deg(angle_deg: _Angle) -> _Angle:
    """Take whole turns off an angle or angles, so that they go the short way round: -180 to below 180."""
    return (angle_deg + 180.0) % 360.0 - 180.0


_T = TypeVar("_T")


@dataclass_transform(frozen_default=True, kw_only_default=True, eq_default=False)
def record(cls: type[_T]) -> type[_T]:
    """Make a frozen, slotted, keyword-only dataclass without generated equality (arrays have none)."""
    return dataclass(frozen=True, slots=True, kw_only=True, eq=False)(cls)


def own(instance: object, name: str, shape: tuple[int | None, ...], dtype: Any = np.float64) -> None:
    """Replace an array field by a read-only copy of the checked shape (None: any length).

    What nobody can write to already, since it is read-only itself and no view of another array, is kept as it is.
    """
    given = getattr(instance, name)
    frozen = isinstance(given, np.ndarray) and given.base is None and not given.flags.writeable
    array = given if frozen and given.dtype == dtype else np.array(given, dtype=dtype)
    fits = len(array.shape) == len(shape) and all(
        want is None or have == want for have, want in zip(array.shape, shape, strict=True)
    )
    if not fits:
        raise ValueError(f"{type(instance).__name__}.{name} has shape {array.shape}, wanted {shape}")
    array.flags.writeable = False
    object.__setattr__(instance, name, array)


def round_factor(most: float) -> int:
    """Largest of 1, 2, 5, 10, 20, … that is not above `most`, but 1 at least: so many times too large is easily said."""
    most = max(most, 1.0)
    decade: int = 10 ** math.floor(math.log10(most))
    return max(step * decade for step in (1, 2, 5) if step * decade <= most)
