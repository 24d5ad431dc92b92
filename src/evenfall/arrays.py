"""The few array types of the package, arrays that nobody can write to, and runs in an array."""

from __future__ import annotations

from dataclasses import fields
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

FloatArray: TypeAlias = "NDArray[np.float64]"
IntArray: TypeAlias = "NDArray[np.int64]"
CodeArray: TypeAlias = "NDArray[np.int8]"
BoolArray: TypeAlias = "NDArray[np.bool_]"

Scalar = TypeVar("Scalar", bound=np.generic)


def read_only(array: NDArray[Scalar]) -> NDArray[Scalar]:
    """Return an array that cannot be written to: itself if it is so already, else a copy."""
    if not array.flags.writeable and array.base is None:
        return array
    kept = array.copy()
    kept.flags.writeable = False
    return kept


@lru_cache(maxsize=64)
def ahead(places: int) -> BoolArray:
    """Return which places lie ahead of which, j > i, shape (N, N)."""
    return read_only(np.triu(np.ones((places, places), dtype=bool), k=1))


def runs(flag: BoolArray) -> list[tuple[int, int]]:
    """Return the runs of places for which something holds: first, and one past the last."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flag.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def numbered(which: BoolArray | np.bool_) -> tuple[int, ...]:
    """Return the numbers, counted from 1, of the strings or frets for which something holds."""
    return tuple((np.flatnonzero(which) + 1).tolist())


def along_axes(points_mm: FloatArray, axes: FloatArray) -> FloatArray:
    """Return coordinates along the rows of `axes`, shape (3, 3), of points as rows, shape (N, 3).

    Each of the three columns lies in one piece, for what follows goes by columns.
    """
    return np.asarray((axes @ points_mm.T).T)


def shut(made: Any) -> None:
    """Make every array of a frozen dataclass read-only; for its `__post_init__`."""
    for one in fields(made):
        value = getattr(made, one.name)
        if isinstance(value, np.ndarray):
            object.__setattr__(made, one.name, read_only(value))
