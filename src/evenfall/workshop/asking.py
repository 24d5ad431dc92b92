"""Requests as plain values: written, read again and described, from the classes themselves.

A file in a request is an object: its name with its `text` or `base64`, an `upload` that came piece
by piece (TASK/NUMBER), or a `document` of a `dossier` in the archive. Nothing names a path.
"""

from __future__ import annotations

import base64
import binascii
import inspect
import math
import re
import types
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from functools import cache
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from evenfall.codec.forms import Plain
from evenfall.errors import At, Finding, RequestError
from evenfall.records.archive import Archive
from evenfall.wording import Sentence
from evenfall.workshop.archive_readings import Filed
from evenfall.workshop.opening import Source

LONGEST_TEXT = 20_000  # characters
_MOST = 5000  # values in a list
_LARGEST = 10**12
_NAMES = {"Source": Source, "Archive": Archive}
"""Types that a module of requests may import for the type checker alone."""
_REFUSED = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")

Resolve = Callable[[Mapping[str, Any], str], Any]
"""What makes a source of an object that stands at a place in a request; of one with the key
`filed`, readings of the archive."""
Send = Callable[[Source], Plain]


@cache
def hints(of: Any) -> Mapping[str, Any]:
    """Return the types of a class of data by field, in order."""
    found = get_type_hints(of, localns=_NAMES)
    names = of._fields if hasattr(of, "_fields") else [f.name for f in fields(of)]
    return {name: found[name] for name in names}


def _data(of: Any) -> bool:
    return isinstance(of, type) and (is_dataclass(of) or hasattr(of, "_fields"))


def _defaults(of: Any) -> dict[str, Any]:
    """Return what stands in each field that may be left out."""
    if hasattr(of, "_fields"):
        return dict(of._field_defaults)
    made: dict[str, Any] = {}
    for f in fields(of):
        if f.default is not MISSING:
            made[f.name] = f.default
        elif f.default_factory is not MISSING:
            made[f.name] = f.default_factory()
    return made


# ---- reading -------------------------------------------------------------------------------------


def read_request(of: Any, given: object, resolve: Resolve, place: str = "") -> Any:
    """Return the request that plain values hold; `RequestError` names what cannot be so."""
    if not isinstance(given, Mapping):
        raise _wrong(place, "an object with keys must stand here")
    wanted, defaults = hints(of), _defaults(of)
    for key in given:
        if key not in wanted:
            raise RequestError(
                "The key {key:quoted} is not known here; there are {known:list}.",
                at=At(field=place),
                key=str(key)[:100],
                known=tuple(wanted),
            )
    values = {}
    for name, hint in wanted.items():
        here = f"{place}.{name}" if place else name
        if name in given:
            unknown = given[name] is None and _nan(defaults.get(name))
            values[name] = math.nan if unknown else _read(hint, given[name], resolve, here)
        elif name not in defaults:
            raise RequestError("This key is missing; give it.", at=At(field=here))
    try:
        return of(**values)
    except RequestError as error:
        error.at = error.at if error.at.field else At(field=place)
        raise


def _nan(value: Any) -> bool:
    return isinstance(value, float) and math.isnan(value)


def _read(hint: Any, given: Any, resolve: Resolve, place: str) -> Any:  # noqa: PLR0911
    origin, within = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        if given is None and type(None) in within:
            return None
        if Filed in within and isinstance(given, Mapping) and "filed" in given:
            _filed(given, resolve, place)
            return resolve(given, place)
        one = next(one for one in within if one not in (type(None), Filed))
        return _read(one, given, resolve, place)
    if origin is Literal:
        for one in within:
            if type(one) is type(given) and one == given:
                return one
        raise _wrong(place, "it must be one of {choices:or}", choices=tuple(map(str, within)))
    if origin is tuple:
        return _tuple(within, given, resolve, place)
    if origin is not None and issubclass(origin, Mapping):
        return _mapping(within, given, resolve, place)
    if hint is Source:
        if not isinstance(given, Mapping) or "filed" in given:
            raise _wrong(place, "a file must stand here: its name, with text or base64")
        return resolve(given, place)
    if _data(hint):
        return read_request(hint, given, resolve, place)
    return _single(hint, given, place)


def _filed(given: Mapping[str, Any], resolve: Resolve, place: str) -> None:
    """Refuse what names no readings of the archive."""
    inside = given["filed"]
    if set(given) != {"filed"} or not isinstance(inside, Mapping) or "archive" in inside:
        raise _wrong(place, "readings of the archive are named by `filed` alone")
    for key, one in inside.items():
        if key not in hints(Filed):
            raise _wrong(f"{place}.filed", "there are since, until and most")
        _read(hints(Filed)[key], one, resolve, f"{place}.filed.{key}")


def _single(hint: Any, given: Any, place: str) -> Any:
    """Return a number, a truth or a text."""
    number = isinstance(given, int | float) and not isinstance(given, bool)
    if hint is bool and not isinstance(given, bool):
        raise _wrong(place, "true or false must stand here")
    if hint is int and not (number and isinstance(given, int)):
        raise _wrong(place, "a whole number must stand here")
    if hint is float and not number:
        raise _wrong(place, "a number must stand here")
    if number and hint is not bool and not abs(given) <= _LARGEST:
        raise _wrong(place, "the number is too large")
    if hint is str and not isinstance(given, str):
        raise _wrong(place, "a text must stand here")
    if hint is Any and not isinstance(given, str | int | float):
        raise _wrong(place, "a text or a number must stand here")
    if isinstance(given, str) and (len(given) > LONGEST_TEXT or _REFUSED.search(given)):
        raise _wrong(
            place,
            "a text has at most {most} characters, none of them control characters",
            most=LONGEST_TEXT,
        )
    return float(given) if hint is float else given


def _tuple(within: tuple[Any, ...], given: Any, resolve: Resolve, place: str) -> tuple[Any, ...]:
    if not isinstance(given, list) or len(given) > _MOST:
        raise _wrong(place, "a list of at most {most} values must stand here", most=_MOST)
    if within[-1] is Ellipsis:
        within = (within[0],) * len(given)
    if len(given) != len(within):
        raise _wrong(place, "a list of {count} values must stand here", count=len(within))
    pairs = enumerate(zip(within, given, strict=True))
    return tuple(_read(hint, one, resolve, f"{place}[{at}]") for at, (hint, one) in pairs)


def _mapping(within: tuple[Any, ...], given: Any, resolve: Resolve, place: str) -> dict[Any, Any]:
    if not isinstance(given, Mapping) or len(given) > _MOST:
        raise _wrong(place, "an object with at most {most} keys must stand here", most=_MOST)
    key_hint, hint = within
    made = {}
    for key, one in given.items():
        here = f"{place}.{key}"[:200]
        wanted = _single(str, key, place)
        if key_hint is not str:
            parts = key.split(":")
            if not all(part.isascii() and part.isdigit() and len(part) < 9 for part in parts):
                raise _wrong(place, "its keys are whole numbers with colons between, as 7:3")
            wanted = _read(key_hint, [int(part) for part in parts], resolve, here)
        made[wanted] = _read(hint, one, resolve, here)
    return made


def _wrong(place: str, text: str, **values: Any) -> RequestError:
    why = Sentence(text, values)
    return RequestError("This cannot be used: {why}.", at=At(field=place), why=why)


def source_of(given: Mapping[str, Any], place: str) -> Source | None:
    """Return a file that came with its request; None for one that is to be looked up."""
    kinds = [{"name", "text"}, {"name", "base64"}, {"upload"}, {"dossier", "document"}]
    texts = all(isinstance(one, str) for one in given.values())
    if set(given) not in kinds or not texts:
        raise _wrong(
            place,
            "a file is its name with text or base64, an upload, or a document of a dossier",
        )
    if "name" not in given:
        return None
    name = str(_single(str, given["name"], f"{place}.name"))[:500]
    if "text" in given:
        return Source(name, given["text"].encode("utf-8", "replace"))
    try:
        return Source(name, base64.b64decode(given["base64"], validate=True))
    except (binascii.Error, ValueError):
        raise _wrong(f"{place}.base64", "it is not in base64") from None


# ---- writing -------------------------------------------------------------------------------------


def plain_request(request: Any, send: Send) -> Plain:
    """Return a request as plain values, what is as it would be without being named left out."""
    of: Any = type(request)
    defaults = _defaults(of)
    made = {}
    for name in hints(of):
        value = getattr(request, name)
        left_out = name in defaults and (value == defaults[name] or _nan(value))
        if not left_out:
            made[name] = _plain(value, send)
    return made


def _plain(value: Any, send: Send) -> Any:  # noqa: PLR0911  (one answer for each kind)
    if isinstance(value, Source):
        return send(value)
    if isinstance(value, Filed):
        values = {name: getattr(value, name) for name in hints(Filed) if name != "archive"}
        return {"filed": values}
    if _data(type(value)):
        return plain_request(value, send)
    if isinstance(value, Mapping):
        return {_key(key): _plain(one, send) for key, one in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(one, send) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _key(key: Any) -> str:
    return ":".join(map(str, key)) if isinstance(key, tuple) else str(key)


# ---- describing ----------------------------------------------------------------------------------


def schema_of(of: Any, parts: Plain, *, asked: bool = True) -> Plain:
    """Return the JSON Schema of a class of data; the classes inside go into `parts` by name.

    With `asked` it is of a request: what may be left out is not required, nothing else may stand
    there. Else it is of a result, as `plain` writes it.
    """
    name = of.__name__
    if name not in parts:
        parts[name] = {}  # a class may hold itself
        told, defaults = _told(of), _defaults(of) if asked else {}
        properties = {}
        for key, hint in hints(of).items():
            words = {"description": told[key]} if key in told else {}
            schema = _schema(hint, parts, asked=asked)
            if asked and _nan(defaults.get(key)):
                schema = {"anyOf": [schema, {"type": "null"}]}
            properties[key] = {**schema, **words}
        parts[name] = {
            "type": "object",
            "description": (inspect.getdoc(of) or "").partition("\n")[0],
            "properties": properties,
            "required": [key for key in properties if key not in defaults],
            "additionalProperties": False,
        }
    return _reference(name)


def _reference(name: str) -> Plain:
    return {"$ref": f"#/components/schemas/{name}"}


def _schema(hint: Any, parts: Plain, *, asked: bool) -> Plain:  # noqa: PLR0911
    origin, within = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        known = [_schema(one, parts, asked=asked) for one in within if one is not type(None)]
        null = [{"type": "null"}] * (type(None) in within)
        return {"anyOf": [*known, *null]}
    if origin is Literal:
        return {"enum": list(within)}
    if origin is tuple and within[-1] is Ellipsis:
        items = _schema(within[0], parts, asked=asked)
        return {"type": "array", "items": items, "maxItems": _MOST}
    if origin is tuple:
        prefix = [_schema(one, parts, asked=asked) for one in within]
        return {
            "type": "array",
            "prefixItems": prefix,
            "items": False,
            "minItems": len(prefix),
            "maxItems": len(prefix),
        }
    if origin is not None and issubclass(origin, Mapping):
        made = {
            "type": "object",
            "additionalProperties": _schema(within[1], parts, asked=asked),
            "maxProperties": _MOST,
        }
        if within[0] is not str and asked:
            made["propertyNames"] = {"pattern": "^[0-9]{1,8}(:[0-9]{1,8})*$"}
        return made
    if hint is Source:
        return _reference("File")
    if hint is Filed:
        inside = {
            name: _schema(one, parts, asked=True)
            for name, one in hints(Filed).items()
            if name != "archive"
        }
        named = {"type": "object", "properties": inside, "additionalProperties": False}
        return {
            "type": "object",
            "description": "Readings that the archive holds.",
            "properties": {"filed": named},
            "required": ["filed"],
            "additionalProperties": False,
        }
    if hint is Sentence or hint is Finding:
        return _reference(hint.__name__.lower())
    if _data(hint):
        return schema_of(hint, parts, asked=asked)
    return _leaf(hint, asked=asked)


def _leaf(hint: Any, *, asked: bool) -> Plain:
    if hint is Any:
        return {"type": ["string", "number"]} if asked else {}
    if hint is str:
        return {"type": "string", "maxLength": LONGEST_TEXT} if asked else {"type": "string"}
    if hint is bool:
        return {"type": "boolean"}
    bounds = {"minimum": -_LARGEST, "maximum": _LARGEST} if asked else {}
    if hint is int:
        return {"type": "integer", **bounds}
    return {"type": "number", **bounds} if asked else {"type": ["number", "null"]}


def _named(**meanings: str) -> Plain:
    """Return the JSON Schema of an object of texts, each with what it means."""
    properties = {
        name: {"type": "string", "description": meaning} for name, meaning in meanings.items()
    }
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


FILE: Plain = {
    "description": "A file: with its content, one that came piece by piece, or one of the archive.",
    "oneOf": [
        _named(name="its name, which says what it is", text="its text"),
        _named(name="its name, which says what it is", base64="its bytes, in base64"),
        _named(upload="TASK/NUMBER, see /api/v1/uploads"),
        _named(
            dossier="number or id of a dossier",
            document="a kind, for the newest of it; a code, a name or an entry",
        ),
    ],
}
"""JSON Schema of a file in a request."""


@cache
def _told(of: Any) -> Mapping[str, str]:
    """Return what the documentation of a class and its bases says of each field."""
    made: dict[str, str] = {}
    for one in reversed(of.__mro__):
        doc = inspect.cleandoc(one.__doc__ or "")
        _, found, rest = doc.partition("Parameters\n----------\n")
        names: list[str] = []
        for line in rest.partition("\n\n")[0].splitlines() if found else ():
            if line[:1] not in ("", " "):
                names = [name.strip() for name in line.split(",")]
            else:
                for name in names:
                    made[name] = f"{made.get(name, '')} {line.strip()}".strip()
    return made
