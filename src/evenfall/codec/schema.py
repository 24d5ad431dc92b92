"""What the forms of a file say of themselves: its JSON Schema."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from evenfall.codec.content import Content, FileContent
from evenfall.codec.forms import REFUSED, SIZES, Form, Plain, dimension_of, forms


def json_schema(
    of: type[FileContent],
    printed: Mapping[str, Any] | None = None,
    beside: Sequence[type[Content]] = (),
) -> Plain:
    """Return the JSON Schema (draft 2020-12) of one kind of file."""
    parts: Plain = dict(FIXED)
    body = _schema_of(of, parts)
    parts.update({one.__name__.lower(): _schema_of(one, parts) for one in beside})
    body["properties"] |= printed or {}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": of.schema(),
        **body,
        "$defs": dict(sorted(parts.items())),
    }


def _schema_of(of: type[Content], parts: Plain) -> Plain:
    properties: Plain = {}
    if issubclass(of, FileContent):
        properties["schema"] = {"const": of.schema()}
        properties["content_hash"] = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
    every = {**forms(of), **of.DERIVED}
    for name, form in every.items():
        words = {"description": form.meaning} if form.meaning else {}
        properties[name] = words | _schema_value(form, form.shape, parts)
    return _closed(properties, *(name for name, form in every.items() if form.later))


def _schema_value(form: Form, shape: tuple[str, ...], parts: Plain) -> Plain:
    if not shape:
        return _schema_leaf(form, parts)
    letter, more = dimension_of(shape[0])
    low, high = SIZES[letter]
    return {
        "type": "array",
        "minItems": low + more,
        "maxItems": high + more,
        "items": _schema_value(form, shape[1:], parts),
    }


def _schema_leaf(form: Form, parts: Plain) -> Plain:
    nullable = form.null is not REFUSED
    if form.kind == "choice":
        return {"enum": list(form.choices)}
    if form.kind in ("sentence", "finding", "part"):
        name = form.of.__name__.lower() if form.of else form.kind
        if name not in parts:
            parts[name] = {}  # a class may hold itself
            parts[name] = _schema_of(form.of, parts) if form.of else FIXED[form.kind]
        reference = {"$ref": f"#/$defs/{name}"}
        return {"anyOf": [reference, {"type": "null"}]} if nullable else reference
    kind = {"number": "number", "whole": "integer", "truth": "boolean", "text": "string"}[form.kind]
    leaf: Plain = {"type": [kind, "null"] if nullable else kind}
    low, high = ("minLength", "maxLength") if kind == "string" else ("minimum", "maximum")
    if math.isfinite(form.low_bound) and kind != "boolean" and (kind != "string" or form.low_bound):
        leaf[low] = form.low_bound
    if math.isfinite(form.high_bound) and kind != "boolean":
        leaf[high] = form.high_bound
    if form.pattern:
        leaf["pattern"] = f"^{form.pattern}$"
    return leaf


def _closed(properties: Plain, *optional: str) -> Plain:
    return {
        "type": "object",
        "properties": properties,
        "required": [key for key in properties if key not in optional],
        "additionalProperties": False,
    }


_VALUE: Plain = {
    "anyOf": [
        {"type": ["string", "number", "boolean", "null"]},
        {"type": "array", "items": {"$ref": "#/$defs/value"}},
        {"$ref": "#/$defs/sentence"},
    ]
}
_SAID: Plain = {
    "text": {"type": "string", "description": "constant text with places for the values"},
    "values": {
        "type": "object",
        "description": "what stands at the places, in mm, N, cents and counts",
        "additionalProperties": {"$ref": "#/$defs/value"},
    },
    "sentence": {"type": "string", "description": "the same in words; only in what is printed"},
}
_COUNTS: Plain = {"type": "array", "items": {"type": "integer"}}
_PLACES: Plain = {
    "file": {"type": "string"},
    "rows": _COUNTS,
    "lines": _COUNTS,
    "field": {"type": "string"},
    "strings": _COUNTS,
    "frets": _COUNTS,
    "stopped_fret": {"type": "integer"},
}
FIXED: dict[str, Plain] = {
    "value": _VALUE,
    "sentence": _closed(_SAID, "sentence"),
    "finding": _closed(
        {
            "code": {"type": "string", "pattern": "^[a-z]+(-[a-z]+)*$"},
            "severity": {"enum": ["error", "warning", "note"]},
            "at": {"description": "what it is about", **_closed(_PLACES, *_PLACES)},
            **_SAID,
        },
        "sentence",
    ),
}
"""Schemas of what stands in files of every kind: values, sentences, findings."""
