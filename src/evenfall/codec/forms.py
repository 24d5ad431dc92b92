"""What a file may hold: a form for each field of a dataclass, in the field's metadata.

A shape names its dimensions: K strings, F frets, `F+2` two more; `*` is any number. Within one file
K and F stand for one number each.
"""

from __future__ import annotations

import inspect
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from functools import cache
from typing import Any, Literal, TypeVar, dataclass_transform

import numpy as np

SIZES: Mapping[str, tuple[int, int]] = {"K": (3, 12), "F": (5, 36), "*": (0, 5000)}
"""How few and how many of each dimension a file may hold."""

REFUSED = object()
"""What `null` stands for where it may not stand."""

NAN = float("nan")
LONGEST_TEXT = 2000

Kind = Literal["number", "whole", "truth", "text", "choice", "sentence", "finding", "part"]
Plain = dict[str, Any]
_T = TypeVar("_T")
_SECTION = re.compile(r"\n\n(?=\w+\n---)")  # where a section of a docstring begins


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


def _formed(kind: Kind, meaning: str, *, default: Any = MISSING, **form: Any) -> Any:
    """Return the field of a dataclass with a form, and with a default where one is given."""
    return field(default=default, metadata={"form": Form(kind, meaning, **form)})


def number(low_bound: float, high_bound: float, meaning: str, shape: str = "", **more: Any) -> Any:
    """Return the field of a number, or of an array of them."""
    dims = _dimensions(shape)
    bounds = {"low_bound": low_bound, "high_bound": high_bound}
    return _formed(
        "number", meaning, shape=dims, array=np.float64 if dims else None, **bounds, **more
    )


def whole(low: int, high: int, meaning: str, shape: str = "", **more: Any) -> Any:
    """Return the field of a whole number, a tuple or (with `array`) an array of them."""
    dims = _dimensions(shape)
    return _formed("whole", meaning, low_bound=low, high_bound=high, shape=dims, **more)


def truth(meaning: str, **more: Any) -> Any:
    """Return the field of something that is true or false."""
    return _formed("truth", meaning, **more)


def text(meaning: str, shape: str = "", *, longest: int = LONGEST_TEXT, **more: Any) -> Any:
    """Return the field of a text, or of a tuple of them."""
    dims = _dimensions(shape)
    return _formed("text", meaning, low_bound=0, high_bound=longest, shape=dims, **more)


def choice(choices: Iterable[Any], meaning: str, shape: str = "", **more: Any) -> Any:
    """Return the field of one of several words or numbers, or of tuples of them."""
    return _formed("choice", meaning, shape=_dimensions(shape), choices=tuple(choices), **more)


def spoken(meaning: str, shape: str = "", **more: Any) -> Any:
    """Return the field of a `Sentence`, or of a tuple of them."""
    return _formed("sentence", meaning, shape=_dimensions(shape), **more)


def finding(meaning: str, shape: str = "*", **more: Any) -> Any:
    """Return the field of a tuple of findings."""
    return _formed("finding", meaning, shape=_dimensions(shape), **more)


def part(of: Any, meaning: str, shape: str = "", **more: Any) -> Any:
    """Return the field of an object of another class, or of a tuple of them."""
    return _formed("part", meaning, shape=_dimensions(shape), of=of, **more)


def hash_text(meaning: str, shape: str = "", **more: Any) -> Any:
    """Return the field of a content hash, or of a tuple of them."""
    return text(meaning, shape, longest=64, pattern="[0-9a-f]{64}", **more)


def derived(**named: Any) -> dict[str, Form]:
    """Return forms for `Content.DERIVED` from a field for each name."""
    return {name: made.metadata["form"] for name, made in named.items()}


@dataclass_transform(
    eq_default=False,
    frozen_default=True,
    field_specifiers=(number, whole, truth, text, choice, spoken, finding, part, hash_text),
)
def content_dataclass(*, kw_only: bool = False) -> Callable[[type[_T]], type[_T]]:
    """Make a frozen dataclass whose fields have forms; it is equal as `Content` says.

    Its docstring gets the fields with their meaning, unless it tells of its parameters itself.
    """

    def make(of: type[_T]) -> type[_T]:
        made = dataclass(frozen=True, slots=True, eq=False, kw_only=kw_only)(of)
        told = inspect.cleandoc(made.__doc__ or "")
        if "Parameters\n---" not in told:
            lines = ["Parameters", "----------"]
            for name, form in forms(made).items():
                shape = f", shape ({', '.join(form.shape)})" if form.shape else ""
                lines += [name, f"    {form.meaning[:1].upper()}{form.meaning[1:]}{shape}."]
            head, *sections = _SECTION.split(told, maxsplit=1)
            made.__doc__ = "\n\n".join([head, "\n".join(lines), *sections])
        return made

    return make


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
