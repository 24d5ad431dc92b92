"""What a file may hold: a form for each field, in the field's metadata.

A shape names its dimensions: K strings, F frets, `F+2` two more; `*` is any number. Within one file
K and F stand for one number each.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from functools import cache
from typing import Any, Literal

import numpy as np

SIZES: Mapping[str, tuple[int, int]] = {"K": (3, 12), "F": (5, 36), "*": (0, 5000)}
"""How few and how many of each dimension a file may hold."""

REFUSED = object()
"""What `null` stands for where it may not stand."""

NAN = float("nan")
LONGEST_TEXT = 2000

Kind = Literal["number", "whole", "truth", "text", "choice", "sentence", "finding", "part"]
Plain = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Form:
    """What a file may hold in one place."""

    kind: Kind  # what a single value is
    # what it is, for the reference page: with its unit where the name does not end in it
    meaning: str = ""
    low_bound: float = -math.inf  # range of a number, both ends included; of a text, its length
    high_bound: float = math.inf
    # what `null` stands for: NaN (not known), an infinity (no limit), None (there is none)
    null: Any = REFUSED
    shape: tuple[str, ...] = ()  # names of the dimensions, outermost first
    array: Any = None  # type of the numbers of an array; None for tuples and single values
    choices: tuple[Any, ...] = ()  # the values that may stand there
    pattern: str = ""  # regular expression that a text matches as a whole
    of: Any = None  # class of a part
    # Whether the field came after its file's version was frozen. A file leaves it out where it has
    # its default, so that older files keep their hash.
    later: bool = False


def _dimensions(shape: str) -> tuple[str, ...]:
    return tuple(shape.split())


def number(
    low_bound: float,
    high_bound: float,
    meaning: str,
    shape: str = "",
    *,
    null: Any = REFUSED,
    **more: Any,
) -> dict[str, Form]:
    """Return the metadata of a number, or of an array of them."""
    dims = _dimensions(shape)
    array = np.float64 if dims else None
    return {"form": Form("number", meaning, low_bound, high_bound, null, dims, array, **more)}


def whole(
    low: int, high: int, meaning: str, shape: str = "", *, null: Any = REFUSED, **more: Any
) -> dict[str, Form]:
    """Return the metadata of a whole number, a tuple or (with `array`) an array of them."""
    return {"form": Form("whole", meaning, low, high, null, _dimensions(shape), **more)}


def truth(meaning: str, **more: Any) -> dict[str, Form]:
    """Return the metadata of something that is true or false."""
    return {"form": Form("truth", meaning, **more)}


def text(meaning: str, shape: str = "", *, longest: int = LONGEST_TEXT, **more: Any) -> Plain:
    """Return the metadata of a text, or of a tuple of them."""
    return {"form": Form("text", meaning, 0, longest, shape=_dimensions(shape), **more)}


def choice(choices: Iterable[Any], meaning: str, shape: str = "", **more: Any) -> dict[str, Form]:
    """Return the metadata of one of several words or numbers, or of tuples of them."""
    shape_ = _dimensions(shape)
    return {"form": Form("choice", meaning, shape=shape_, choices=tuple(choices), **more)}


def spoken(meaning: str, shape: str = "", *, null: Any = REFUSED, **more: Any) -> dict[str, Form]:
    """Return the metadata of a `Sentence`, or of a tuple of them."""
    return {"form": Form("sentence", meaning, null=null, shape=_dimensions(shape), **more)}


def finding(meaning: str, shape: str = "*", **more: Any) -> dict[str, Form]:
    """Return the metadata of a tuple of findings."""
    return {"form": Form("finding", meaning, shape=_dimensions(shape), **more)}


def part(
    of: Any, meaning: str, shape: str = "", *, null: Any = REFUSED, **more: Any
) -> dict[str, Form]:
    """Return the metadata of an object of another class, or of a tuple of them."""
    return {"form": Form("part", meaning, null=null, shape=_dimensions(shape), of=of, **more)}


def derived(**metadata: dict[str, Form]) -> dict[str, Form]:
    """Return forms for `Content.DERIVED` from the metadata of each name."""
    return {name: made["form"] for name, made in metadata.items()}


def hash_text(meaning: str, shape: str = "", **more: Any) -> dict[str, Form]:
    """Return the metadata of a content hash, or of a tuple of them."""
    return text(meaning, shape, longest=64, pattern="[0-9a-f]{64}", **more)


def forms(of: Any) -> Mapping[str, Form]:
    """Return the forms of a class by field; a field without one is not written."""
    return _forms(of)


@cache  # the type checker takes no class that has a hash of its own for one that can be looked up
def _forms(of: Any) -> Mapping[str, Form]:
    return {f.name: f.metadata["form"] for f in fields(of) if "form" in f.metadata}


def dimension_of(dimension: str) -> tuple[str, int]:
    """Return the letter of a dimension and how many more than that there are."""
    letter, _, more = dimension.partition("+")
    return letter, int(more or 0)
