"""Outcomes as a program of the same version takes them up whole, every array to the last bit.

What is packed names the classes of this package; unpacking makes frozen data of them and nothing
else: no code, no function and no class of another package.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from importlib import import_module
from typing import Any

import numpy as np

from evenfall.arrays import read_only
from evenfall.errors import BrokenFileError, Finding

_PACKAGE = "evenfall."
_CLASS, _SPECIAL = "class", "special"
_DTYPES = {"b", "i", "u", "f", "U"}


def packed(value: Any) -> Any:  # noqa: PLR0911  (one answer for each kind of value)
    """Return plain values for JSON that `unpacked` takes up again."""
    if value is None or isinstance(value, bool | int | str):
        return value.item() if isinstance(value, np.generic) else value
    if isinstance(value, float):
        number = float(value)
        return number if math.isfinite(number) else {_SPECIAL: "number", "text": repr(number)}
    if isinstance(value, np.generic):
        return packed(value.item())
    if isinstance(value, np.ndarray):
        return {
            _SPECIAL: "array",
            "dtype": value.dtype.str,
            "shape": list(value.shape),
            "bytes": base64.b64encode(np.ascontiguousarray(value).tobytes()).decode(),
        }
    if isinstance(value, bytes):
        return {_SPECIAL: "bytes", "bytes": base64.b64encode(value).decode()}
    if isinstance(value, list):
        return [packed(one) for one in value]
    if isinstance(value, tuple) and not hasattr(value, "_fields"):
        return {_SPECIAL: "tuple", "of": [packed(one) for one in value]}
    if isinstance(value, Mapping):
        pairs = [[packed(key), packed(inner)] for key, inner in value.items()]
        return {_SPECIAL: "mapping", "of": pairs}
    return {_CLASS: f"{type(value).__module__}:{type(value).__qualname__}", "of": _inside(value)}


def _inside(value: Any) -> dict[str, Any]:
    """Return what an object holds, packed."""
    if isinstance(value, Finding):
        return {n: packed(getattr(value, n)) for n in ("code", "said", "at", "severity")}
    if hasattr(value, "_fields"):
        return {name: packed(getattr(value, name)) for name in value._fields}
    if not is_dataclass(value):
        raise TypeError(f"{type(value)} does not travel")
    return {f.name: packed(getattr(value, f.name)) for f in fields(value)}


def unpacked(given: Any) -> Any:
    """Return what was packed; `BrokenFileError` where that is not what was given."""
    try:
        return _taken(given)
    except (AttributeError, ImportError, LookupError, TypeError, ValueError) as error:
        raise BrokenFileError(
            "The answer holds what this program does not know; use programs of the same version.",
        ) from error


def _taken(given: Any) -> Any:  # noqa: PLR0911  (one answer for each kind of value)
    if isinstance(given, list):
        return [_taken(one) for one in given]
    if not isinstance(given, Mapping):
        return given
    if _CLASS in given:
        return _made(_class(given[_CLASS]), {k: _taken(v) for k, v in given["of"].items()})
    special = given[_SPECIAL]
    if special == "number":
        return float(given["text"])
    if special == "tuple":
        return tuple(_taken(one) for one in given["of"])
    if special == "mapping":
        return {_taken(key): _taken(inner) for key, inner in given["of"]}
    content = base64.b64decode(given["bytes"], validate=True)
    if special == "bytes":
        return content
    dtype = np.dtype(given["dtype"])
    if special != "array" or dtype.kind not in _DTYPES:
        raise ValueError(special)
    return read_only(np.frombuffer(content, dtype).reshape(given["shape"]))


def _class(name: str) -> Any:
    """Return a class of data of this package."""
    module, _, qualified = name.partition(":")
    if not module.startswith(_PACKAGE):
        raise ValueError(name)
    found: Any = import_module(module)
    for part in qualified.split("."):
        found = getattr(found, part)
    data = isinstance(found, type) and found.__module__ == module
    if not data or not (is_dataclass(found) or hasattr(found, "_fields") or found is Finding):
        raise ValueError(name)
    return found


def _made(of: Any, values: dict[str, Any]) -> Any:
    """Return an object with these values, as they stood in the one that was packed."""
    if of is Finding:
        said = values["said"]
        made = Finding(values["code"], said.text, values["at"], values["severity"])
        made.said = said
        return made
    if hasattr(of, "_fields"):
        return of(**values)
    made = object.__new__(of)
    for f in fields(of):
        object.__setattr__(made, f.name, values[f.name])
    return made
