"""What else follows from the table of keys: a commented specification file, and its JSON Schema."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from evenfall.instrument.specification_keys import (
    ALTERNATIVE,
    LAST_FRET,
    LENGTHS,
    MOST_FRETS,
    NEEDED,
    PER_STRING,
    SCHEMA,
    STRING_COUNT,
    TABLES,
    TOLERANCE_MM,
    Key,
    Table,
    Toml,
)
from evenfall.units import LengthUnit, in_unit

Given = Mapping[str, Toml]

_OFFERED = {
    "fretwire": {"new"},
    "string": {"mass_per_length", "tension"},
    "target": {"relief_from", "relief_to"},
    "player": {"plucked_with"},
    "neck": {"depth_nut", "depth_joint", "board_thickness", "board_wood", "shaft_wood", "turn"},
}
"""What a short file offers besides what stands in it, by table."""

#: Six plain and wound strings of steel; invented.
_STRINGS: tuple[Given, ...] = (
    {"pitch": "E4", "gauge": 0.254},
    {"pitch": "B3", "gauge": 0.330},
    {"pitch": "G3", "gauge": 0.432},
    {"pitch": "D3", "gauge": 0.660, "core": 0.330, "wrap": "nickel-plated steel"},
    {"pitch": "A2", "gauge": 0.914, "core": 0.381, "wrap": "nickel-plated steel"},
    {"pitch": "E2", "gauge": 1.168, "core": 0.406, "wrap": "nickel-plated steel"},
)


def specification_template(
    given: Mapping[str, Given] | None = None,
    strings: Sequence[Given] = _STRINGS,
    unit: LengthUnit = "mm",
    *,
    short: Sequence[str] = (),
) -> str:
    """Return a whole specification file in which every key is explained.

    `given` (by table) and `strings` are lengths in mm, whatever the `unit` of the file. What is
    needed and not given stands there with an example; what else is not given is commented out. A
    short file begins with the lines of `short` and leaves out most of the rest.
    """
    given = dict(given or {})
    given["model"] = {**given.get("model", {}), "units": unit}
    straight = {} if "bass" in given.get("scale", {}) else {"length": 648.0}
    given["scale"] = {**straight, **given.get("scale", {})}
    lines = [
        *(f"# {line}" for line in short),
        "# Setup specification for evenfall. A key after # is left out: remove the # to use it.",
        f'schema = "{SCHEMA}"',
    ]
    for table in TABLES.values():
        if short:
            standing = given.get(table.name, {}) if table.name != "string" else strings[0]
            table = replace(table, keys=_short(table, standing))  # noqa: PLW2901
            if not table.keys:
                continue
        lines += ["", f"# {table.help}"]
        if table.name != "string":
            lines += _table(table, given.get(table.name, {}), unit)
            continue
        for number, string in enumerate(strings, start=1):
            lines += [""] * (number > 1)
            lines += _table(table, {"number": number, **string}, unit, explained=number == 1)
    return "\n".join(lines) + "\n"


def _short(table: Table, given: Given) -> tuple[Key, ...]:
    kept = _OFFERED.get(table.name, set()) | set(given)
    if table.name == "string":
        kept |= {"core", "wrap", "material"}
    return tuple(key for key in table.keys if key.name in kept or key.default is NEEDED)


def _table(
    table: Table, given: Given, unit: LengthUnit, *, explained: bool = True
) -> Iterator[str]:
    """Yield the lines of one table: all its keys, or without explanation those with a value."""
    yield f"[[{table.name}]]" if table.name == "string" else f"[{table.name}]"
    for key in table.keys:
        stands = key.name in given or key.default is NEEDED
        if explained:
            without = left_out(key, unit)
            words = f"{key.help}{f' If left out: {without}.' if without else ''}"
            if key.choices and not key.parts:
                word = "One of" if key.kind == "choice" else "Words:"
                words += f" {word} {', '.join(_toml(choice) for choice in key.choices)}."
            if key.unit:
                words += f" In {key.unit}."
            yield from _wrapped(words)
        if explained or stands:
            value = _toml(_written(key, given.get(key.name, key.example), unit, _of_the_trade))
            yield f"{'' if stands else '# '}{key.name} = {value}"


def _wrapped(words: str) -> list[str]:
    return textwrap.wrap(
        words, 98, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False
    )


def left_out(key: Key, unit: LengthUnit = "mm") -> str:
    """Return in words what holds when a key is left out; empty if it cannot be."""
    if key.left_out or key.default in (None, NEEDED, ALTERNATIVE):
        return key.left_out
    if isinstance(key.default, str | bool):
        return _toml(key.default)
    words = f"{_written(key, key.default, unit):g}"
    return f"{words} {unit}" if key.kind in LENGTHS and key.default else words


def _exact(inches: float) -> float:
    return float(f"{inches:.5g}")


def _of_the_trade(inches: float) -> float:
    """Return a length in inches as it is usually written; what is small has a digit more."""
    return round(inches, 3 if abs(inches) >= _SMALL_IN else 4)


_SMALL_IN = 0.02  # such as a tolerance, or the clearance asked for on top


def _written(
    key: Key, value: Any, unit: LengthUnit, inches: Callable[[float], float] = _exact
) -> Any:
    """Return a value as the file has it: lengths in its unit."""
    if isinstance(value, dict):
        return {name: _written(key, part, unit, inches) for name, part in value.items()}
    if isinstance(value, list):
        return [_written(key, part, unit, inches) for part in value]
    if key.kind not in LENGTHS or unit == "mm":
        return value
    return inches(in_unit(value, unit))


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{name} = {_toml(part)}' for name, part in value.items())} }}"
    return json.dumps(value, ensure_ascii=False)  # text, numbers and lists are written the same way


# ---- JSON Schema ------------------------------------------------------------------------------


def specification_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a specification file.

    It knows what each key may be and which keys there have to be; what has to agree between one key
    and another, only the reader knows.
    """
    return file_schema(
        SCHEMA, "Setup specification, a TOML file.", TABLES, "model", {"string": STRING_COUNT}
    )


def file_schema(
    schema: str,
    told: str,
    tables: Mapping[str, Table],
    head: str,
    several: Mapping[str, tuple[int, int]],
) -> dict[str, Any]:
    """Return the JSON Schema of a TOML file that is read by a table of keys.

    `head` names the table with the unit; of those in `several` there are so many.
    """
    inch = {"properties": {"units": {"const": "in"}}, "required": ["units"]}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": schema,
        "description": told,
        "if": {"properties": {head: inch}, "required": [head]},
        "then": {"$ref": "#/$defs/in"},
        "else": {"$ref": "#/$defs/mm"},
        "$defs": {
            "mm": _file("mm", schema, tables, several),
            "in": _file("in", schema, tables, several),
        },
    }


def _file(
    unit: LengthUnit,
    schema: str,
    tables: Mapping[str, Table],
    several: Mapping[str, tuple[int, int]],
) -> dict[str, Any]:
    found: dict[str, Any] = {"schema": {"const": schema}}
    for table in tables.values():
        keys = {key.name: _of_key(key, unit) for key in table.keys}
        made = _object(keys, [key.name for key in table.keys if key.default is NEEDED])
        if table.alternatives:
            made["oneOf"] = [{"required": names} for names in table.alternatives]
        made["description"] = table.help
        if table.name in several:
            least, most = several[table.name]
            made = {"type": "array", "minItems": least, "maxItems": most, "items": made}
        found[table.name] = made
    return _object(found, ["schema", *(name for name, t in tables.items() if t.needed)])


def _object(properties: dict[str, Any], required: Sequence[str]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": [*required],
        "additionalProperties": False,
    }


def _of_key(key: Key, unit: LengthUnit) -> dict[str, Any]:
    def number(low: float, high: float, kind: str = "number") -> dict[str, Any]:
        high = MOST_FRETS if high == LAST_FRET else high
        low, high = (_written(key, end, unit) for end in (low, high))
        return {"type": kind, "minimum": low, "maximum": high}

    one = number(key.low, key.high)
    said = {"description": key.help}
    if key.parts:
        parts = dict.fromkeys(key.parts, one)
        if key.kind == "travel":
            return said | _object(parts, [])
        if key.kind == "limit":
            return said | _object(parts, key.parts)
        parts |= {"tolerance": number(*TOLERANCE_MM), "each": {"type": "array", "items": one}}
        forms = [(*form, "tolerance") for form in PER_STRING]
        return said | {"oneOf": [_object({n: parts[n] for n in form}, form) for form in forms]}
    kinds: dict[str, dict[str, Any]] = {
        "text": {"type": "string", "minLength": 1, "maxLength": 200},
        "pitch": {"type": "string", "minLength": 1},
        "choice": {"enum": [*key.choices]},
        "truth": {"type": "boolean"},
        "count": number(key.low, key.high, "integer"),
        "string number": number(key.low, key.high, "integer"),
        "radius": {"anyOf": [{"const": 0}, one]},
        "forces": {"anyOf": [one, {"type": "array", "items": one}]},
    }
    unit_of = unit if key.kind in LENGTHS else key.unit
    return said | kinds.get(key.kind, one) | ({"x-unit": unit_of} if unit_of else {})
