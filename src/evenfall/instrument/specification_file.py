"""From the text of a specification file to a `Specification`, or to every fault in it at once.

What a key may be stands in `specification_keys`; here is how it is taken, and what has to agree
between one key and another.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any, NoReturn

from evenfall.codec.parsing import parse_toml
from evenfall.errors import At, Finding, FindingsError, SpecificationError
from evenfall.instrument.construction import USUAL_CORE_SHARE, Mass, plain_mass, wound_mass
from evenfall.instrument.families import FAMILIES, PLUCK_WIDTH_MM, Family, even_steps
from evenfall.instrument.geometry import relief_share, string_scale_mm
from evenfall.instrument.specification import (
    MATERIALS,
    MODULUS_U_SHARE,
    InstrumentString,
    Limit,
    Scale,
    Specification,
    Target,
)
from evenfall.instrument.specification_keys import (
    ALTERNATIVE,
    LAST_FRET,
    LENGTHS,
    MOST_FRETS,
    NEEDED,
    PER_STRING,
    PLAYED_HZ,
    SCHEMA,
    STRING_COUNT,
    TABLES,
    TOLERANCE_MM,
    Key,
    Table,
)
from evenfall.instrument.unusual import unusual
from evenfall.units import MM_PER_INCH, pitch_frequency_hz
from evenfall.wording import Sentence, Value, plain_line, sentence

Place = tuple[str | int, ...]
"""Where something stands: table, for a string its index, key, part of an inner table."""

LIMIT_CHARACTERS = 200_000
"""Longest file of keys; the largest ones have some 10,000 characters."""

_LONGEST_LINE = 400  # characters; the patterns take long over endless lines
_NAME = r"""[\w\-."' \t]+?"""
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_NAME})\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(rf"\s*({_NAME})\s*=")
_AT_LINE = re.compile(r" \(at line (\d+), column \d+\)$")
_OTHER_MM: Mapping[str, float] = {
    **{"inches": MM_PER_INCH, "millimetres": 1.0, "centimetres": 10.0},
    "thousandths of an inch": 1e-3 * MM_PER_INCH,
}
"""Units that lengths may have been written in by mistake."""

MASS_FACTOR = 1.4
"""Weighed masses are not further from those by construction: polymers stretch, makes differ."""

_KINDS: Mapping[type, Sentence] = {
    bool: sentence("true or false"),
    str: sentence("a text"),
    list: sentence("a list"),
    dict: sentence("a table"),
    int: sentence("a number"),
    float: sentence("a number"),
}


def read_specification(text: str, *, source: str = "") -> tuple[Specification, tuple[Finding, ...]]:
    """Return the specification in `text` and what is unusual about it.

    Parameters
    ----------
    text
        The whole TOML file; docs/reference/specification.md lists its keys.
    source
        Name of the file, for messages.

    Raises
    ------
    SpecificationError
        With every fault found, each with its line where the file gives one.

    Examples
    --------
    >>> from evenfall.instrument.specification_template import specification_template
    >>> specification, findings = read_specification(specification_template())
    >>> specification.frets, specification.scale.treble_mm, findings
    (22, 648.0, ())
    """
    reader = _Reader(toml_document(text, source), text, source)
    specification = reader.specification()
    if specification is None:
        raise SpecificationError(reader.faults)
    return specification, tuple(reader.remarks)


def toml_document(
    text: str,
    source: str,
    *,
    refused: type[FindingsError] = SpecificationError,
    code: str = "spec-value",
    no_table: str = "This is not a specification: no line of it is a [table] or a key with its "
    "value; give the specification (TOML) here, and readings where readings are asked for.",
) -> dict[str, Any]:
    """Return the tables of a file of keys, or refuse in one sentence what is no TOML."""

    def refuse(said: str, at: At, **values: Value) -> NoReturn:
        raise refused([Finding(code, said, at, "error", **values)])

    if len(text) > LIMIT_CHARACTERS:
        refuse(
            "The file is longer than any specification or description; check that it is the right "
            "one.",
            At(source),
        )
    try:
        return parse_toml(text)
    except tomllib.TOMLDecodeError as error:
        if not line_numbers(text):
            refuse(no_table, At(source, lines=(1,)))
        reason = str(error)
        line = _AT_LINE.search(reason)
        refuse(
            "This is not valid TOML: {reason}; correct that line (texts stand in quotes, decimals "
            "have a point, every table and key stands once).",
            At(source, lines=(int(line[1]),) if line else ()),
            reason=plain_line(_AT_LINE.sub("", reason[:1].lower() + reason[1:]).rstrip("."))[:120],
        )
    except ValueError:  # Python converts no integer of thousands of digits
        refuse("A whole number in the file has too many digits; write it shorter.", At(source))
    except RecursionError:
        refuse(
            "Tables or lists are nested too deeply; this file needs two levels at most.",
            At(source),
        )


def line_numbers(text: str) -> dict[Place, int]:
    """Map every table, key and part of an inner table to its line, counted from 1."""
    lines: dict[Place, int] = {}
    counts: dict[str, int] = {}
    table: Place = ()
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > _LONGEST_LINE:
            continue
        if header := _HEADER.match(line):
            first, *rest = _parts(header[2])
            if header[1] == "[[":
                counts[first] = counts.get(first, -1) + 1
            table = (first, counts[first], *rest) if first in counts else (first, *rest)
            path = table
        elif key := _KEY.match(line):
            path = (*table, *_parts(key[1]))
        else:
            continue
        for end in range(1, len(path) + 1):
            lines.setdefault(path[:end], number)
    return lines


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"' \t") for part in dotted.split(".")]


class KeyReader:
    """One pass over a document by a table of keys: takes values, notes faults, never stops."""

    tables: Mapping[str, Table] = TABLES
    lists: tuple[str, ...] = ("string",)  # tables of which there may be several
    value_code, unknown_code = "spec-value", "spec-unknown"

    def __init__(self, document: dict[str, Any], text: str, source: str) -> None:
        self.document = document
        self.text_read = text
        self.source = source
        self.faults: list[Finding] = []
        self.remarks: list[Finding] = []
        self.unit = "mm"
        self.frets = MOST_FRETS
        self.count = 0
        self.family: Family | None = None
        self.absent: set[str | int] = set()
        self.misfits = 0
        self.fit_other_unit: Counter[str] = Counter()
        self.weighed: dict[
            int, tuple[str, float]
        ] = {}  # too heavy for their make, by key and factor

    # ---- noting -------------------------------------------------------------------------

    @cached_property
    def lines(self) -> dict[Place, int]:
        """Lines of every table, key and part."""
        return line_numbers(self.text_read)

    def at(self, path: Place, string: int = 0) -> At:
        """Return file, line (of what holds it, if it has none itself), field and string."""
        known = [self.lines[path[:n]] for n in range(1, len(path) + 1) if path[:n] in self.lines]
        strings = (string,) if string else ()
        return At(self.source, field=self.field(path), strings=strings, lines=tuple(known[-1:]))

    def fault(
        self, path: Place, text: str, string: int = 0, code: str = "", **values: Value
    ) -> None:
        """Note what makes the file unusable; of a table that is not there, only that."""
        if path[0] not in self.absent:
            key: Value = self.name(path)
            if string:
                key = sentence("{key} of string {n}", key=key, n=string)
            at = self.at(path, string)
            code = code or self.value_code
            self.faults.append(Finding(code, text, at, "error", key=key, **values))

    def remark(self, path: Place, text: str, string: int = 0, **values: Value) -> None:
        """Note what is possible but unusual."""
        at = self.at(path, string)
        self.remarks.append(Finding("spec-unusual", text, at, "warning", **values))

    def unknown(self, path: Place, values: Mapping[str, Any], known: Sequence[str]) -> None:
        """Note every key that a table may not hold, with the nearest known name."""
        for name in values:
            if name not in known:
                close = "".join(difflib.get_close_matches(name, known, n=1))
                text = "{given:quoted} is not known here; remove it."
                if close:
                    text = "{given:quoted} is not known here; the nearest known name is {close}."
                owners = [t for t in self.tables.values() if name in (key.name for key in t.keys)]
                table = owners[0].name if len(path) == 1 and owners else ""
                if table:
                    text = "{given:quoted} belongs under [{table}]; move it there."
                code = self.unknown_code
                self.fault((*path, name), text, 0, code, given=name, close=close, table=table)

    # ---- the value at one key: in internal units; with a fault, and as `_blank`, if it fails --

    def value(self, key: Key, given: Any, path: Place) -> Any:
        """Take the value at one key."""
        takers: dict[str, Callable[[Key, Any, Place], Any]] = {
            **{"text": self.text, "pitch": self.pitch, "forces": self.forces},
            **{"choice": self.choice, "truth": self.choice},
            **{"count": self.whole, "string number": self.whole},
            **{"limit": self.inner, "per string": self.inner, "travel": self.inner},
            **{"number": self.number, "length": self.number, "radius": self.number},
        }
        return takers[key.kind](key, given, path)

    def text(self, key: Key, given: Any, path: Place) -> str:
        """Take a text of one line."""
        if not isinstance(given, str):
            self.fault(path, "{key} must be a text in quotes, not {kind}.", kind=_kind(given))
        elif not given.strip():
            self.fault(path, "{key} is empty; write a text between the quotes.")
        elif key.kind == "text" and (len(given) > 200 or not given.isprintable()):
            self.fault(path, "{key} must be one line of at most 200 printable characters.")
        else:
            return given.strip()
        return ""

    def pitch(self, key: Key, given: Any, path: Place) -> str:
        """Take the name of a pitch."""
        name = self.text(key, given, path)
        try:
            if name and not PLAYED_HZ[0] <= pitch_frequency_hz(name) <= PLAYED_HZ[1]:
                text = "pitch {given:quoted} is out of range: it must be from C0 to B6."
                self.fault(path, text, given=name)
        except ValueError:
            text = "{given:quoted} is not a pitch name; write one such as E4, F#3 or Bb2."
            self.fault(path, text, given=name)
            return ""
        return name

    def choice(self, key: Key, given: Any, path: Place) -> Any:
        """Take one of a few words, or true or false."""
        allowed: tuple[Any, ...] = key.choices or (True, False)
        if type(given) is type(allowed[0]) and given in allowed:
            return given
        words = [f'"{choice}"' for choice in key.choices] or ["true", "false"]
        text = "{key} must be {allowed:or}, not {given:quoted}."
        self.fault(path, text, allowed=words, given=_shown(given))
        return key.default

    def whole(self, key: Key, given: Any, path: Place) -> float:
        """Take a whole number."""
        if type(given) is not int:
            text = "{key} must be a whole number, not {given:quoted}."
            self.fault(path, text, given=_shown(given))
        elif key.kind == "count":
            return given if self.number(key, given, path) == given else math.nan
        elif 1 <= given <= self.count:
            return given
        else:
            text = "{key} = {given:quoted}, but there are {n} strings; use 1 (treble) to {n}."
            self.fault(path, text, given=_shown(given), n=self.count)
        return math.nan

    def forces(self, key: Key, given: Any, path: Place) -> Any:
        """Take a word, a force for all strings, or one for each."""
        if isinstance(given, str):
            if given in key.choices and self.family is not None:
                return given
            text = "{key} must be {words:or}, or a number without quotes, not {given:quoted}."
            if given in key.choices:
                text = "{key} = {given:quoted} needs family under [model], or write it in newtons."
            words = [f'"{word}"' for word in key.choices]
            self.fault(path, text, words=words, given=given)
            return ()
        if not isinstance(given, list):
            return (self.number(key, given, path),) * max(self.count, 1)
        if self.count and len(given) != self.count:
            text = "{key} lists {listed:count number} for {n} strings."
            self.fault(path, text, listed=len(given), n=self.count)
        return tuple(self.number(key, v, path, string) for string, v in enumerate(given, start=1))

    def number(
        self, key: Key, given: Any, path: Place, string: int = 0, tolerance: bool = False
    ) -> float:
        """Take a number in its range."""
        if isinstance(given, bool) or not isinstance(given, int | float):
            text = "{key} must be a number, not {kind}."
            if isinstance(given, str):
                text = "{key} must be a number, not {kind}; write it without quotes."
            self.fault(path, text, string, kind=_kind(given))
            return math.nan
        if given == 0 and key.kind == "radius":  # how a flat board is written
            return math.inf
        low, high = TOLERANCE_MM if tolerance else (key.low, key.high)
        high = self.frets if high == LAST_FRET else high
        length = key.kind in LENGTHS
        factor = (1.0 if self.unit == "mm" else MM_PER_INCH) if length else 1.0
        value = float(given) * factor if abs(given) < 1e300 else math.inf
        if low <= value <= high:
            return value * key.scale[0] / key.scale[1]
        if length:
            self.misfits += 1
            fits = (unit for unit, mm in _OTHER_MM.items() if low <= value / factor * mm <= high)
            self.fit_other_unit.update(fits)
        # in the unit that the file has to use, whatever unit people read
        unit = self.unit if length else key.unit
        text = "{low:quoted} to {high:quoted} {unit}" if unit else "{low:quoted} to {high:quoted}"
        low, high = (float(f"{end / factor:.4g}") for end in (low, high))
        within = Sentence(text, {"low": low, "high": high, "unit": unit})
        text = "{key} = {given:quoted} is out of range: it must be from {within}."
        if key.kind == "radius":
            text = "{key} = {given:quoted} is out of range: it must be from {within}, or 0 (flat)."
        self.fault(path, text, string, given=_shown(given), within=within)
        return math.nan

    def inner(self, key: Key, given: Any, path: Place) -> Any:
        """Take the parts of an inner table."""
        if not isinstance(given, dict):
            text = "{key} must be a table such as {{ {part} = … }}, not {kind}."
            self.fault(path, text, part=key.parts[0], kind=_kind(given))
            return _blank(key)
        for name in [name for name in given if name not in key.parts]:
            text = "{whole} has no part {given:quoted}; it may have {parts:list}."
            here = (*path, name)
            self.fault(
                here, text, 0, self.unknown_code, given=name, whole=key.name, parts=key.parts
            )
        if key.kind == "per string":
            return self.per_string(key, given, path) if self.count else ()
        parts = tuple(self.part(key, given, path, name) for name in key.parts)
        if key.kind == "travel":
            return parts
        value, least, most = parts
        if not least <= value <= most and not any(map(math.isnan, parts)):
            self.fault(path, "{key} must have minimum <= value <= maximum.")
        return Limit(value, least, most)

    def part(self, key: Key, given: Mapping[str, Any], path: Place, name: str) -> float:
        """Take one length of an inner table; of a travel, a direction left out is 0."""
        here = (*path, name)
        if name in given:
            return self.number(key, given[name], here, tolerance=name == "tolerance")
        if key.kind == "travel":
            return 0.0
        self.fault(here, "{key} is missing; add it.")
        return math.nan

    def per_string(self, key: Key, given: Mapping[str, Any], path: Place) -> tuple[Limit, ...]:
        """Take limits for each string, in one of three forms."""
        tolerance = self.part(key, given, path, "tolerance")
        if sum(any(name in given for name in form) for form in PER_STRING) != 1:
            self.fault(path, "{key} needs treble and bass, or value, or each (a list).")
            return ()
        if "each" in given:
            each, here = given["each"], (*path, "each")
            if not isinstance(each, list) or len(each) != self.count:
                self.fault(here, "{key} must list {n} numbers, string 1 first.", n=self.count)
                return ()
            wanted = [self.number(key, v, here, string) for string, v in enumerate(each, start=1)]
        elif "value" in given:
            wanted = [self.part(key, given, path, "value")] * self.count
        else:
            treble, bass = (self.part(key, given, path, end) for end in ("treble", "bass"))
            step = (bass - treble) / max(self.count - 1, 1)
            wanted = [treble + step * index for index in range(self.count)]
        if min(wanted) - tolerance < 0.0:
            self.fault(path, "{key} less its tolerance is below zero.")
        return tuple(Limit(v, v - tolerance, v + tolerance) for v in wanted)

    # ---- one table ------------------------------------------------------------------------

    def table(self, name: str) -> dict[str, Any]:
        """Return the value at every key of a table, or what holds without it."""
        table, values = self.tables[name], self.document.get(name)
        if values is None and table.needed:
            text = "The table [{table}] is missing; add it, with what it needs of {keys:list}."
            self.fault((name,), text, table=name, keys=[key.name for key in table.keys])
            self.absent.add(name)
        elif not isinstance(values, dict | None):
            text = "[{table}] must be a table, not {kind}."
            self.fault((name,), text, table=name, kind=_kind(values))
            self.absent.add(name)
        return self.keys(table, values if isinstance(values, dict) else {}, (name,))

    def keys(self, table: Table, values: Mapping[str, Any], path: Place) -> dict[str, Any]:
        """Take every key of a table."""
        self.unknown(path, values, [key.name for key in table.keys])
        taken: dict[str, Any] = {}
        for key in table.keys:
            place = (*path, key.name)
            if key.name in values:
                taken[key.name] = self.value(key, values[key.name], place)
                continue
            if key.default is NEEDED:
                self.fault(place, "{key} is missing; add it.")
            taken[key.name] = self.frets if key.default == LAST_FRET else _blank(key)
        return taken

    def made(self, name: str, taken: Mapping[str, Any]) -> Any:
        """Return the dataclass of a table, made of what was taken."""
        fields: dict[str, Any] = {}
        for key in self.tables[name].keys:
            value = taken[key.name]
            fields.update(zip(key.fields, value if len(key.fields) > 1 else (value,), strict=True))
        return self.tables[name].made(**fields)

    def name(self, path: Place) -> str:
        """Return the key at a path, with the part of an inner table: `action.tolerance`."""
        parts = path[1:] if path[:1] and path[0] in self.tables else path
        return ".".join(plain_line(part[:40]) for part in parts if isinstance(part, str))

    def field(self, path: Place) -> str:
        """Return table and key at a path as people write them."""
        if path[0] not in self.tables:
            return self.name(path)
        table = f"[{path[0]}]"
        if path[0] in self.lists:
            table = f"[[{path[0]}]]"
            if path[1:]:
                table += f" no. {int(path[1]) + 1} in the file,"
        return f"{table} {self.name(path)}".rstrip(" ,")


class _Reader(KeyReader):
    """One pass over a specification."""

    # ---- the parts ------------------------------------------------------------------------

    def specification(self) -> Specification | None:
        """Return the specification, or None if there are faults."""
        self.unknown((), self.document, ["schema", *TABLES])
        schema = self.document.get("schema")
        if schema != SCHEMA:
            missing = "schema must be {wanted:quoted}; add it as the first line."
            other = "schema must be {wanted:quoted}, not {given:quoted}."
            here, said = ("schema",), missing if schema is None else other
            self.fault(here, said, wanted=SCHEMA, given=_shown(schema))
        model = self.table("model")
        self.unit = model["units"]
        self.family = FAMILIES.get(model["family"] or "")
        if not math.isnan(model["frets"]):  # else no key that names a fret is blamed as well
            self.frets = model["frets"]
        scale = self.scale()
        strings = self.strings(scale)
        parts = {name: self.table(name) for name in ("board", "fretwire", "target", "player")}
        parts |= {name: self.table(name) for name in ("rule", "judgement", "compensation", "neck")}
        self.player(parts["player"])
        self.agreement(parts, scale)
        courses = model["courses"] or self.count or 1
        if not math.isnan(courses) and self.count % courses:
            text = "{key} is {courses}, and {n} strings do not share out among them; correct one."
            self.fault(("model", "courses"), text, courses=courses, n=self.count)
        if self.faults:
            self.faults.sort(key=lambda fault: fault.at.lines)
            self.other_unit()
            return None
        compensation = parts["compensation"]
        compensation["saddle"] = compensation["saddle"] == "straight"
        compensation["last_fret"] = min(compensation["last_fret"], self.frets)
        made = {name: self.made(name, taken) for name, taken in parts.items()}
        word = self.document["player"]["attack"]
        if isinstance(word, str):
            made["player"] = replace(made["player"], attack_word=word)
        made["target"] = self.whole_relief(made["target"], parts["board"]["joint_fret"])
        specification = Specification(
            name=model["name"],
            kind=model["kind"],
            unit=model["units"],
            frets=self.frets,
            scale=scale,
            strings=strings,
            text=self.text_read,
            courses=model["courses"],
            reentrant=model["reentrant"],
            handed=model["handed"],
            family=model["family"],
            **made,
        )
        self.unusual(specification)
        return specification

    def player(self, taken: dict[str, Any]) -> None:
        """Put forces for a word, and what is usual for what is left out."""
        if taken["plucked_with"] is None and self.family is not None:
            taken["plucked_with"] = self.family.plucked_with
        if taken["pluck_width"] is None:
            taken["pluck_width"] = PLUCK_WIDTH_MM[taken["plucked_with"] or "pick"]
        if isinstance(taken["attack"], str) and self.family is not None:
            word, plucked = taken["attack"], taken["plucked_with"]
            taken["attack"] = self.family.attack_n(word, plucked, max(self.count, 1))

    def whole_relief(self, target: Target, joint_fret: float) -> Target:
        """Return the target with its relief as it reads over fret 1 and the last fret."""
        share = relief_share(joint_fret, self.frets, *target.relief_over)
        stated = target.relief
        ends = (stated.value_mm, stated.minimum_mm, stated.maximum_mm)
        return replace(target, relief=Limit(*(end / share for end in ends)))

    def scale(self) -> Scale:
        taken = self.table("scale")
        length, bass, treble = taken["length"], taken["bass"], taken["treble"]
        square, reference = taken["square_fret"], taken["reference_fret"]
        if reference > self.frets:
            text = "{key} is {given}, but there are {frets} frets; name one of them."
            self.fault(("scale", "reference_fret"), text, given=reference, frets=self.frets)
        if length is not None:
            if bass is not None or treble is not None:
                text = "Give either length, or bass and treble, not both."
                self.fault(("scale", "length"), text)
            if square is not None:
                text = "square_fret has no meaning with straight frets."
                self.remark(("scale", "square_fret"), text)
            return Scale(length, length, 0.0, reference)
        if bass is None and treble is None:
            text = "{key} is missing; add it (or bass and treble for fanned frets)."
            self.fault(("scale", "length"), text)
        else:
            for name in ("bass", "treble", "square_fret"):
                if taken[name] is None:
                    self.fault(("scale", name), "{key} is missing; fanned frets need it.")
        if bass is None or treble is None:
            return Scale(math.nan, math.nan, 0.0, reference)
        if treble > 1.25 * bass or bass > 1.25 * treble:
            text = "bass and treble differ by more than a quarter; check them."
            self.fault(("scale", "bass"), text)
        return Scale(treble, bass, square, reference)

    def strings(self, scale: Scale) -> tuple[InstrumentString, ...]:
        entries = self.document.get("string")
        least, most = STRING_COUNT
        if entries is None:
            text = "There is no [[string]]; add one for each string, 1 = treble."
            self.fault(("string",), text)
            return ()
        if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
            self.fault(("string",), "Write each string as its own [[string]] table.")
            return ()
        if not least <= len(entries) <= most:
            text = "The number of strings is {n}; {least} to {most} are supported."
            self.fault(("string",), text, n=len(entries), least=least, most=most)
            return ()
        self.count = len(entries)
        made: dict[int, InstrumentString] = {}
        for index, values in enumerate(entries):
            string = self.string(values, ("string", index), scale)
            if string.number in made and not math.isnan(string.number):
                here = ("string", index, "number")
                self.fault(here, "String {n} is there twice.", string.number, n=string.number)
            made[string.number] = string
        return tuple(made[number] for number in sorted(made))

    def string(self, values: Mapping[str, Any], path: Place, scale: Scale) -> InstrumentString:
        taken = self.keys(TABLES["string"], values, path)
        if ("pitch" in values) == ("frequency" in values):
            self.fault((*path, "pitch"), "Give either pitch or frequency.")
        number, pitch, gauge, core = (taken[n] for n in ("number", "pitch", "gauge", "core"))
        modulus = taken["modulus"]
        _, usual_modulus = MATERIALS[taken["material"]]
        u_share = MODULUS_U_SHARE[taken["material"]]
        if core is not None and core >= gauge:
            self.fault((*path, "core"), "core must be thinner than gauge.")
        wound = core is not None or taken["wrap"] is not None
        if taken["winding"] == "flat" and not wound:
            text = "{key} is of a wound string; give its wrap or core, or remove this key."
            self.fault((*path, "winding"), text)
        if wound and core is None:
            core = USUAL_CORE_SHARE * gauge
            if taken["material"] != "steel":
                text = "{key} is missing; only of steel is there a usual one."
                self.fault((*path, "core"), text)
        setback = taken["saddle_setback"]
        if setback is None:
            usual = even_steps(self.family.setback_mm, self.count) if self.family else ()
            known = usual and not math.isnan(number)
            setback = usual[number - 1] if known else 0.0
        made = InstrumentString(
            number=number,
            frequency_hz=pitch_frequency_hz(pitch) if pitch else taken["frequency"],
            pitch=pitch or "",
            gauge_mm=gauge,
            core_mm=gauge if core is None else core,
            linear_density_kg_per_m=math.nan,
            modulus_n_per_mm2=usual_modulus if modulus is None else modulus,
            wound=wound,
            scale_mm=string_scale_mm(scale.treble_mm, scale.bass_mm, number - 1, self.count),
            saddle_setback_mm=setback,
            nut_setback_mm=taken["nut_setback"],
            setback_stated="saddle_setback" in values or "nut_setback" in values,
            modulus_u_share=u_share if modulus is None else 0.0,
        )
        mass = self.mass(taken, made, path)
        return replace(made, linear_density_kg_per_m=mass.kg_per_m, mass_u_share=mass.u_share)

    def mass(self, taken: Mapping[str, Any], made: InstrumentString, path: Place) -> Mass:
        """Return the mass per length as it was weighed, follows from a tension, or is computed."""
        weighed, tension = taken["mass_per_length"], taken["tension"]
        if weighed is not None:
            if tension is not None:
                text = "Give either mass_per_length or tension; one follows from the other."
                self.fault((*path, "tension"), text)
            return self.fitting(Mass(weighed, 0.0), taken, made)
        if tension is not None:
            wave_m_per_s = 2e-3 * made.speaking_length_mm * made.frequency_hz
            return self.fitting(Mass(tension / wave_m_per_s**2, 0.0), taken, made)
        if made.wound and taken["wrap"] is None:
            text = "{key} is missing; say what the string is wrapped with, or give mass_per_length."
            self.fault((*path, "wrap"), text)
            return Mass(math.nan, 0.0)
        return self.built(taken, made)

    def built(self, taken: Mapping[str, Any], made: InstrumentString) -> Mass:
        """Return the mass that follows from how a string is made."""
        density, _ = MATERIALS[taken["material"]]
        if not made.wound:
            return plain_mass(made.gauge_mm, density)
        return wound_mass(made.gauge_mm, made.core_mm, density, taken["wrap"], taken["winding"])

    def fitting(self, mass: Mass, taken: Mapping[str, Any], made: InstrumentString) -> Mass:
        """Note a mass, weighed or by a tension, that a string of such a make has not."""
        if made.wound and taken["wrap"] is None:
            return mass
        share = mass.kg_per_m / self.built(taken, made).kg_per_m
        if not math.isnan(share + made.number) and abs(math.log(share)) > math.log(MASS_FACTOR):
            key = "tension" if taken["mass_per_length"] is None else "mass_per_length"
            self.weighed[made.number] = (key, share)
        return mass

    # ---- what has to agree; what failed already is NaN or None -----------------------------------

    def agreement(self, parts: Mapping[str, Mapping[str, Any]], scale: Scale) -> None:
        board, fretwire, neck = parts["board"], parts["fretwire"], parts["neck"]
        if board["string_spread_nut"] > board["width_nut"]:
            self.fault(("board", "string_spread_nut"), "{key} is wider than the board (width_nut).")
        for end in ("nut", "last"):
            if board[f"width_{end}"] > 2.0 * board[f"radius_{end}"]:
                self.fault(("board", f"radius_{end}"), "{key} is less than half the board's width.")
        if fretwire["least_crown_height"] >= fretwire["crown_height"]:
            self.fault(("fretwire", "least_crown_height"), "{key} must be less than crown_height.")
        if parts["player"]["pluck_distance"] >= min(scale.treble_mm, scale.bass_mm):
            self.fault(("player", "pluck_distance"), "{key} is longer than the strings.")
        for name in ("depth_nut", "depth_joint"):
            if (neck[name] or math.inf) <= (neck["board_thickness"] or 0.0):
                self.fault(("neck", name), "{key} must be more than board_thickness.")
        target = parts["target"]
        if target["relief_from"] >= target["relief_to"]:
            self.fault(("target", "relief_from"), "{key} must be a lower fret than relief_to.")
        elif target["relief_from"] >= board["joint_fret"]:
            text = "{key} must be under joint_fret: the neck does not bend past the joint."
            self.fault(("target", "relief_from"), text)
        if board["zero_fret"] and any(target["nut_travel"]):
            text = "{key} is of nut slots, and zero_fret is true; remove one."
            self.fault(("target", "nut_travel"), text)
        if neck["turn"] is not None and not neck["truss_rod"]:
            text = "{key} is of a truss rod, and truss_rod is false; remove one."
            self.fault(("neck", "turn"), text)

    def other_unit(self) -> None:
        """Name the unit first, where most lengths that do not fit would in the other unit."""
        misfits, at = self.misfits, self.at(("model", "units"))
        if not self.fit_other_unit:
            return
        other, fit = self.fit_other_unit.most_common(1)[0]
        if misfits >= 3 and 2 * fit > misfits:
            text = (
                "{fit} of the {misfits} lengths that are out of range would fit as {other}; check "
                "units = {unit:quoted} first."
            )
            named = {"fit": fit, "misfits": misfits, "other": other, "unit": self.unit}
            self.faults.insert(0, Finding("spec-value", text, at, "error", **named))  # type: ignore[arg-type]

    def unusual(self, made: Specification) -> None:
        """Remark on what is possible but looks like a slip."""
        entries = {entry["number"]: index for index, entry in enumerate(self.document["string"])}
        for (table, key), remark in unusual(made, self.weighed):
            string = remark.at.strings[0] if remark.at.strings and table == "string" else 0
            path: Place = ("string", entries[string], key) if string else (table, key)
            place = replace(self.at(path), strings=remark.at.strings)
            self.remarks.append(remark.placed(place))


def _blank(key: Key) -> Any:
    """Return what stands where a key is left out, or where its value failed."""
    if key.default is ALTERNATIVE:
        return None
    if key.default is not NEEDED:
        return (key.default,) * len(key.choices) if key.kind == "travel" else key.default
    empty: dict[str, Any] = {"text": "", "per string": (), "forces": ()}
    return {**empty, "limit": Limit(math.nan, math.nan, math.nan)}.get(key.kind, math.nan)


def _kind(given: Any) -> Sentence:
    """Name the type of a TOML value in plain words."""
    return _KINDS.get(type(given), sentence("a date or time"))


def _shown(given: Any) -> Value:
    """Return a value from the file fit for a sentence: a text or number, or what kind it is."""
    if isinstance(given, str | float) or given is None:
        return given
    if isinstance(given, bool) or not isinstance(given, int):
        return _kind(given)
    return given if abs(given) < 10**9 else sentence("a huge number")
