"""JSON and TOML that may come from anybody: bounded before they are parsed, and read strictly."""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Mapping
from typing import Any, NoReturn

from evenfall.codec.forms import Plain
from evenfall.codec.reading import Fault
from evenfall.errors import At, BrokenFileError, FormatMismatchError, UnsupportedError
from evenfall.wording import sentence

JSON_LIMIT_BYTES = 16_000_000
"""No file of ours comes near this; what is larger is refused before it is parsed."""


_KEY = re.compile(r"[\w\"'-]+")
_DEEPEST_KEY = 20
"""Parts of a dotted key; the parser takes a time that grows with their square."""


def parse_toml(text: str) -> dict[str, Any]:
    """Return the tables of TOML; errors as `tomllib.loads`, `RecursionError` where too deep."""
    if "k." * _DEEPEST_KEY in _KEY.sub("k", text.replace(" ", "").replace("\t", "")):
        raise RecursionError("keys are nested too deeply")
    return tomllib.loads(text)


def kind_and_version(values: object) -> tuple[str, int]:
    """Return the kind and version that a parsed JSON object names; "" and -1 if it names none."""
    schema = values.get("schema") if isinstance(values, Mapping) else None
    named = schema if isinstance(schema, str) else ""
    found = re.fullmatch(r"evenfall/([a-z]{1,20})@(\d{1,6})", named)
    return (found[1], int(found[2])) if found else ("", -1)


def parse_json(data: bytes, *, name: str = "") -> Any:
    """Return the plain values of JSON that may come from anybody.

    Parameters
    ----------
    data
        The whole file, UTF-8.
    name
        Name of the file, for messages.

    Raises
    ------
    UnsupportedError
        It is larger than any file of ours.
    FormatMismatchError
        This is no JSON object.
    BrokenFileError
        It is one, but damaged, too deep, with a number too long or a key that stands twice.
    """
    at = At(file=name)
    if len(data) > JSON_LIMIT_BYTES:
        raise UnsupportedError(
            "The file is larger than {limit} MB, more than any file of this kind holds; check "
            "that it is the right one.",
            at=at,
            limit=JSON_LIMIT_BYTES // 1_000_000,
        )
    start = data.removeprefix(b"\xef\xbb\xbf")
    if start.lstrip()[:1] != b"{":
        raise FormatMismatchError("This is not a JSON file; check its name.", at=at)
    try:
        return json.loads(
            start.decode("utf-8"),
            object_pairs_hook=_once,
            parse_constant=_no_constant,
            parse_float=_float,
            parse_int=_int,
        )
    except RecursionError:
        cause = sentence("it is nested too deeply")
    except UnicodeDecodeError:
        cause = sentence("it is not UTF-8")
    except json.JSONDecodeError as error:
        cause = sentence(
            "line {line}, column {column} cannot be read", line=error.lineno, column=error.colno
        )
    except Fault as fault:
        cause = fault.cause
    raise BrokenFileError(
        "The JSON is damaged: {cause}. Export or copy the file again.", at=at, cause=cause
    )


def _once(pairs: list[tuple[str, Any]]) -> Plain:
    made = dict(pairs)
    if len(made) < len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                raise Fault("", "the key {key:quoted} stands twice", key=key)
            seen.add(key)
    return made


def _no_constant(word: str) -> NoReturn:
    raise Fault("", "{word} is not JSON", word=word)


def _float(digits: str) -> float:
    value = float(digits) if len(digits) <= 400 else math.inf
    if abs(value) > 1e300:
        raise Fault("", "the number {digits:quoted} is too large", digits=digits)
    return value


def _int(digits: str) -> int | float:
    return int(digits) if len(digits.lstrip("-")) <= 15 else _float(digits)
