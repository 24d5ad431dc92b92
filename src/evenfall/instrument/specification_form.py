"""A specification file as a form: its fields, and one value changed in the text.

The text stays what is kept. A change touches one value of it; order, comments and everything that a
person wrote beside it stay as they are.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

import tomlkit

from evenfall.errors import At, RequestError
from evenfall.instrument.specification_file import toml_document
from evenfall.instrument.specification_keys import (
    LENGTHS,
    NEEDED,
    PER_STRING,
    STRING_COUNT,
    TABLES,
    Key,
    Table,
)
from evenfall.instrument.specification_template import left_out
from evenfall.units import MM_PER_INCH, LengthUnit
from evenfall.wording import plain_line

_LONGEST = 400  # characters of one value
_DIGITS: Mapping[LengthUnit, int] = {"mm": 4, "in": 6}
"""Decimals of lengths that were converted, so many that the way back gives the same figure."""
_USUAL = {"core", "wrap", "material", "saddle_setback"}
"""What a row of a string shows, given or not."""
_NUMBER = r"[-+]?\d+(?:[.,]\d+)?"


@dataclass(frozen=True, slots=True)
class Field:
    """One value of the form."""

    path: str  # table, index of a string, key, part: `string.2.gauge`, `target.action.treble`
    key: Key
    part: str  # part of an inner table; empty for the value itself
    given: str  # as it stands in the file, a text without its quotes; empty if it is left out
    unit: str  # what the figure is in; empty for what has no unit
    without: str  # what holds when it is left out, in words

    @property
    def asked(self) -> bool:
        """Whether the file has it, or needs it."""
        return bool(self.given) or self.key.default is NEEDED

    @property
    def choices(self) -> tuple[str, ...]:
        """The words that it may be, where it is one of a few."""
        if self.key.kind == "truth":
            return ("true", "false")
        return self.key.choices if self.key.kind == "choice" else ()


@dataclass(frozen=True, slots=True)
class Section:
    """One table of the form: a row of fields, or one for each string."""

    table: Table
    rows: tuple[tuple[Field, ...], ...]

    @property
    def groups(self) -> tuple[tuple[Field, ...], ...]:
        """The fields of each key of the first row: one, or one for each part."""
        return tuple(tuple(group) for _, group in groupby(self.rows[0], lambda one: one.key.name))

    @property
    def columns(self) -> tuple[Key, ...]:
        """The keys that some row has, and the usual ones of strings."""
        given = {field.key.name for row in self.rows for field in row if field.asked}
        return tuple(key for key in self.table.keys if key.name in given | _USUAL)


def form_of(text: str) -> tuple[Section, ...]:
    """Return the form of a specification's text; SpecificationError where it is no TOML."""
    document = toml_document(text, "")
    unit = unit_of(document)
    sections = []
    for table in TABLES.values():
        held = document.get(table.name, {})
        several = table.name == "string"
        standing: Sequence[Any] = held if several and isinstance(held, list) else [held]
        rows = [
            tuple(_fields(table, values if isinstance(values, dict) else {}, place, unit))
            for n, values in enumerate(standing)
            for place in (f"{table.name}.{n}" if several else table.name,)
        ]
        sections.append(Section(table, tuple(rows)))
    return tuple(sections)


def unit_of(document: Mapping[str, Any]) -> LengthUnit:
    """Return the unit of the lengths in a file."""
    model = document.get("model")
    return "in" if isinstance(model, Mapping) and model.get("units") == "in" else "mm"


def with_value(text: str, path: str, given: str) -> str:
    """Return the text with another value at the path of a field; an empty one leaves it out.

    What was typed is taken as it was typed, also if it cannot be right: the checks say so.
    """
    if len(given) > _LONGEST or plain_line(given) != given:
        raise RequestError(
            "A value is one line of at most {most} characters.", at=At(field=path), most=_LONGEST
        )
    key, places = _known(path)
    document = _to_change(text)
    holder: Any = document
    for place in places[:-1]:
        if isinstance(place, str) and place not in holder:
            inner = len(places) - 1 > 1 and place == places[-2] and key.parts
            holder[place] = tomlkit.inline_table() if inner else tomlkit.table()
        try:
            holder = holder[place]
        except (KeyError, IndexError):
            holder = None
        if not isinstance(holder, MutableMapping | list):
            raise RequestError(
                "The text has no such place; load the form again.", at=At(field=path)
            )
    last = places[-1]
    if given.strip():
        holder[last] = _item(key, given.strip())
    elif last in holder:
        del holder[last]
    return tomlkit.dumps(document)


def with_strings(text: str, count: int) -> str:
    """Return the text with so many strings: the last one repeated, or the last ones left out."""
    least, most = STRING_COUNT
    document = _to_change(text)
    strings = document.get("string")
    if not isinstance(strings, list) or not strings or not least <= count <= most:
        text_ = "A specification has {least} to {most} strings, each in its own table [[string]]."
        raise RequestError(text_, at=At(field="[[string]]"), least=least, most=most)
    while len(strings) > count:
        del strings[-1]
    while len(strings) < count:
        made = tomlkit.table()
        for name, value in strings[-1].unwrap().items():
            made[name] = len(strings) + 1 if name == "number" else value
        made.add(tomlkit.nl())
        strings.append(made)
    return tomlkit.dumps(document)


def in_unit_text(text: str, unit: LengthUnit) -> str:
    """Return the text with every length in another unit."""
    document = _to_change(text)
    if unit_of(document) == unit:
        return text
    factor = 1.0 / MM_PER_INCH if unit == "in" else MM_PER_INCH
    for table in TABLES.values():
        held = document.get(table.name)
        for values in held if isinstance(held, list) else [held]:
            for key in table.keys:
                if (
                    isinstance(values, MutableMapping)
                    and key.kind in LENGTHS
                    and key.name in values
                ):
                    _convert(values, key.name, factor, _DIGITS[unit])
    if "model" not in document:
        document["model"] = tomlkit.table()
    document["model"]["units"] = unit
    return tomlkit.dumps(document)


def path_at(at: At) -> str:
    """Return the path of the field that a finding is about; empty where it is about no one."""
    found = re.fullmatch(r"\[+(\w+)\]+(?: no\. (\d+) in the file)?,? ?([\w.]*)", at.field)
    if found is None or not found[3]:
        return ""
    table, number, key = found[1], found[2], found[3]
    if table == "string" and number is None and at.strings:
        number = str(at.strings[0])
    return ".".join(part for part in (table, number and str(int(number) - 1), key) if part)


def _to_change(text: str) -> Any:
    """Return a text with its order and comments; SpecificationError where it is no TOML."""
    toml_document(text, "")
    return tomlkit.parse(text)


def _fields(
    table: Table, values: Mapping[str, Any], place: str, unit: LengthUnit
) -> Iterator[Field]:
    for key in table.keys:
        standing = values.get(key.name)
        made = Field(
            f"{place}.{key.name}",
            key,
            "",
            _shown(standing),
            unit if key.kind in LENGTHS else key.unit,
            left_out(key, unit),
        )
        if not key.parts:
            yield made
            continue
        inner = standing if isinstance(standing, dict) else {}
        for part in _parts(key, inner):
            given = _shown(inner.get(part))
            yield replace(made, path=f"{made.path}.{part}", part=part, given=given)


def _parts(key: Key, inner: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the parts of an inner table in the form that it is written in."""
    if key.kind != "per string":
        return key.parts
    form = next((form for form in PER_STRING if any(name in inner for name in form)), PER_STRING[0])
    return (*form, "tolerance")


def _shown(value: Any) -> str:
    if value is None or isinstance(value, dict):
        return ""
    if isinstance(value, list):
        return "; ".join(_shown(one) for one in value)
    if isinstance(value, str):
        return value
    return json.dumps(value) if isinstance(value, bool | int) else f"{value:g}"


def _known(path: str) -> tuple[Key, tuple[str | int, ...]]:
    """Return the key at a path, and the way to it in a document."""
    table, *rest = path.split(".")
    places: list[str | int] = [table]
    if table == "string" and rest[:1] and re.fullmatch(r"\d{1,2}", rest[0]):
        places.append(int(rest.pop(0)))
    keys = {key.name: key for key in TABLES[table].keys} if table in TABLES else {}
    key = keys.get(rest[0]) if rest else None
    if key is None or rest[1:] not in ([], *([part] for part in key.parts)):
        raise RequestError("The form has no such field; load it again.", at=At(field=path[:80]))
    return key, (*places, *rest)


def _item(key: Key, given: str) -> Any:
    """Return what was typed as the value that it stands for: a number, a list, a word, a text."""
    if key.kind in ("text", "pitch", "choice"):
        return given
    many = re.split(r"\s*;\s*|,\s+|\s+", given.strip("; "))
    if len(many) > 1 and all(re.fullmatch(_NUMBER, one) for one in many):
        return [_number(one) for one in many]
    return _number(given)


def _number(given: str) -> Any:
    """Return a number as it was typed, with its digits; what is none stays a text."""
    written = given.replace(",", ".") if re.fullmatch(_NUMBER, given) else given
    try:
        value = tomllib.loads(f"value = {written}")["value"]
    except tomllib.TOMLDecodeError:
        return given
    if isinstance(value, float) and not math.isfinite(value):
        return given
    made = isinstance(value, bool | int | float)
    return tomlkit.value(written) if made else given


def _convert(values: MutableMapping[str, Any], name: str, factor: float, digits: int) -> None:
    """Convert the length at a key, or each length in the table or list there."""
    held = values[name]
    if isinstance(held, MutableMapping):
        for part in list(held):
            _convert(held, part, factor, digits)
    elif isinstance(held, list):
        values[name] = [
            round(float(one) * factor, digits) if isinstance(one, int | float) else one
            for one in held
        ]
    elif isinstance(held, int | float) and not isinstance(held, bool):
        values[name] = round(float(held) * factor, digits)
