"""From data to sentences: in the unit asked for, and in the words of the door that speaks.

What the program has to say travels as a `Sentence`: a constant text with named places, and the
values that belong there, in mm, N, cent and plain counts. Only here do they become English. So one
finding reads in mm on one screen and in inches on the next, and names an option on the command
line, a field on a page and an argument in Python.

A place in a text is `{name}` or `{name:form}`. The forms:

    length, length+     0.059 mm or 0.0023 in; + shows the sign
    figure, figure+     the same without the unit, for ranges and rows
    size                a length as a rule shows it: 307.1 mm or 12.09 in
    amount              a length rounded up, so that what is moved or removed is never short
    fine                an uncertainty to a digit more than a length, rounded down
    uncertainty         a length that never reads as zero where it is not
    force, tension      0.22 N; 59 N
    percent, percent.1  15 %; 96.3 %
    share               a share of one in whole percent, rounded down: 0.159 reads 15 %
    taken               the same of one that is the worse the larger it is, rounded up
    cents               2.9 cents
    strings, frets      string 3; frets 2 to 5, 8 and 11 (with the noun)
    rows                row 7; rows 7, 9 and 12 to 15 (with the noun), a long list cut short
    numbers             2 to 5, 8 and 11
    stopped             string 3 stopped at fret 5, or string 3 open, of string and stopped fret
    list, or            one, two and three; one, two or three
    sentences, phrases  several sentences one after another; phrases with commas
    count NOUN          1 fret; 3 frets
    plural ONE|MANY     one word where the number (or the length of the list) is 1, else the other
    quoted              text from outside, in quotes, clipped, with nothing unprintable in it;
                        a number from outside as it was given

Any other form is Python's own. Numbers below zero have a true minus. A name that begins with
`door_` stands for a word of the door.
"""

from __future__ import annotations

import math
import string
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, TypeAlias

from evenfall.units import (
    MINUS,
    MM_PER_INCH,
    LengthUnit,
    in_unit,
    length_text,
    number_text,
    uncertainty_text,
)

Several: TypeAlias = "Sequence[str] | Sequence[int] | Sequence[Sentence]"
Value: TypeAlias = "str | int | float | bool | Sentence | Several | None"

_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_LONGEST_QUOTE = 40
_MOST_ROWS = 7

ALIKE_MM = 0.0001 * MM_PER_INCH
"""Two lengths that differ by no more are shown as one: they may read the same in inches [mm]."""

SHARE_TOLERANCE = 1e-6
"""What a share of one may lack through rounding."""

LIBRARY_WORDS: Mapping[str, str] = {
    "door_measure": "measure",
    "door_plan": "plan",
    "door_convert": "neck(…).converted()",
    "door_prove": "prove",
    "door_spec": "the specification",
    "door_scan_uncertainty": "scan_uncertainty_mm",
    "door_scan_unit": "unit",
    "door_scan_steps": "step",
    "door_accept": "accepted",
    "door_attack": "attack_n",
    "door_budget": "budget_mm",
    "door_keep": "keep",
    "door_method": "method",
    "door_serial": "serial",
    "door_confirmed_by": "second",
    "door_settled": "settled",
    "door_state": "state",
    "door_touch": "touched_mm",
    "door_found": "found",
    "door_quantity": "quantity",
    "door_names": "levels",
    "door_accept_stiffness": "accepted_stiffness",
    "door_machine": "machine",
    "door_fixture": "fixture",
    "door_archive_add": "archive(…).add(AddRequest(…, instrument=ID)), or new=True",
    "door_archive_doctor": "archive(…).doctor()",
    "door_archive_save": "workshop.archives.saved_from(address, folder)",
    "door_archive_verify": "archive(…).verify()",
}
"""How a Python program names what the other doors name by option, command or field. Every door has
a word for each of these and for no others; a test compares them."""


@dataclass(frozen=True, slots=True)
class Sentence:
    """Something to say, not yet said."""

    text: str  # a constant with places, see the module
    # What stands at them. Without any, the text is taken as it is, braces and all.
    values: Mapping[str, Value] = field(default_factory=dict)

    def __post_init__(self) -> None:
        kept = {name: _kept(value) for name, value in self.values.items()}
        object.__setattr__(self, "values", kept)

    def __str__(self) -> str:
        return say(self)

    def __hash__(self) -> int:
        return hash((self.text, repr(sorted(self.values.items()))))

    def as_dict(self) -> dict[str, object]:
        """Return text and values as plain values for JSON."""
        return {"text": self.text, "values": {k: _plain(v) for k, v in self.values.items()}}


def sentence(text: str, **values: Value) -> Sentence:
    """Return a sentence; see `Sentence`.

    Examples
    --------
    >>> step = sentence("Fret {fret} stands {step:length} high.", fret=11, step=0.059)
    >>> say(step)
    'Fret 11 stands 0.059 mm high.'
    >>> say(step, unit="in")
    'Fret 11 stands 0.0023 in high.'
    """
    return Sentence(text, values)


def span(lengths_mm: Iterable[float]) -> Sentence:
    """Return one length, or the least and the largest of several, for a place in a sentence.

    Examples
    --------
    >>> say(span([1.7, 1.86])), say(span([0.07]))
    ('1.700 to 1.860 mm', '0.070 mm')
    >>> say(span([1.6996, 1.7004])), say(span([1.6990, 1.7005]), "in")
    ('1.700 mm', '0.0669 in')
    """
    values = [float(one) for one in lengths_mm]
    low, high = min(values), max(values)
    text = "{low:figure} to {high:length}" if high - low > ALIKE_MM else "{high:length}"
    return sentence(text, low=low, high=high)


def say(
    said: Sentence | str, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
) -> str:
    """Return a sentence in words."""
    if isinstance(said, str):
        return said
    if not said.values and "{door_" not in said.text:
        return said.text
    parts: list[str] = []
    for literal, name, form, _ in string.Formatter().parse(said.text):
        parts.append(literal)
        if name is None:
            continue
        value = door[name] if name.startswith("door_") else said.values[name]
        parts.append(_worded(value, form or "", unit, door))
    return "".join(parts)


def _kept(value: Any) -> Value:
    """Return a value as a file can hold it: Python's own numbers, tuples, None for not finite."""
    value = value.tolist() if hasattr(value, "tolist") else value
    if isinstance(value, list | tuple | range):
        return tuple(_kept(one) for one in value)  # type: ignore[return-value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _plain(value: Value) -> object:
    if isinstance(value, Sentence):
        return value.as_dict()
    return [_plain(one) for one in value] if isinstance(value, tuple) else value


def plain_line(text: str) -> str:
    """Return text as one line that can be printed: no control or direction marks."""
    seen = "".join(" " if unicodedata.category(c) in _UNSEEN else c for c in text)
    return " ".join(seen.split())


def quoted(text: str) -> str:
    """Return text from outside fit for a sentence: on one line, clipped, in quotes."""
    line = plain_line(text[: 2 * _LONGEST_QUOTE])
    cut = len(text) > 2 * _LONGEST_QUOTE or len(line) > _LONGEST_QUOTE
    return f'"{line[: _LONGEST_QUOTE - 1]}…"' if cut else f'"{line}"'


def joined(parts: Sequence[str], last: str = "and") -> str:
    """Return "a", "a and b" or "a, b and c"."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def numbers(rising: Sequence[int], most: int = 1_000) -> str:
    """Return "3", "3 and 7" or "2 to 5, 8 and 11": runs of three and more are drawn together.

    More than `most` of them end in "and 12 more".

    Examples
    --------
    >>> numbers([2, 3, 4, 5, 8, 11])
    '2 to 5, 8 and 11'
    """
    runs: list[list[int]] = []
    for before, number in pairwise([None, *rising]):
        if runs and before is not None and number == before + 1:
            runs[-1].append(number)
        elif number is not None:
            runs.append([number])
    spans = [span for run in runs for span in ([run] if len(run) > 2 else [[n] for n in run])]
    parts = [f"{span[0]} to {span[-1]}" if len(span) > 1 else str(span[0]) for span in spans]
    if len(parts) > most:
        left = sum(len(span) for span in spans[most - 1 :])
        parts = [*parts[: most - 1], f"{left} more"]
    return joined(parts)


def rows_text(rising: Sequence[int]) -> str:
    """Return "row 7" or "rows 7, 9 and 12 to 15"; of many, the first and how many more."""
    return f"row{'' if len(rising) == 1 else 's'} {numbers(rising, _MOST_ROWS)}"


def counted(count: int, noun: str) -> str:
    """Return "1 fret" or "3 frets"."""
    return f"{count} {noun}" + ("" if count == 1 else "s")


def _worded(  # noqa: PLR0911  (one answer for each kind of value)
    value: Value, form: str, unit: LengthUnit, door: Mapping[str, str]
) -> str:
    if isinstance(value, Sentence):
        return say(value, unit, door)
    if isinstance(value, str):
        return quoted(value) if form == "quoted" else value
    if value is None:
        return "–"
    if form == "quoted" and isinstance(value, int | float):
        return f"{value:g}" if isinstance(value, float) else str(value)
    word, _, more = form.partition(" ")
    if word == "count":
        return counted(len(value) if isinstance(value, Sequence) else int(value), more)
    if word == "plural":
        one = (len(value) if isinstance(value, Sequence) else value) == 1
        return more.split("|")[0 if one else 1]
    if word in ("strings", "frets", "rows", "numbers"):
        listed = [int(one) for one in value] if isinstance(value, Sequence) else [int(value)]  # type: ignore[arg-type]
        if word == "rows":
            return rows_text(listed)
        noun = "" if word == "numbers" else f"{word[:-1] if len(listed) == 1 else word} "
        return noun + numbers(listed)
    if word == "stopped":
        on, fret = value  # type: ignore[misc]
        return f"string {on} stopped at fret {fret}" if fret else f"string {on} open"
    if isinstance(value, Sequence):
        return _several(value, form, unit, door)
    if form in _NUMBERS:
        return _number(float(value), form, unit)
    told = format(value, form)
    if told.startswith("-") and not told.strip("-0.%"):  # rounded to zero
        told = told[1:]
    return told.replace("-", MINUS)


_NUMBERS = {
    *("length", "length+", "figure", "figure+", "size", "uncertainty", "amount", "fine"),
    *("force", "tension", "percent", "percent.1", "share", "taken", "cents"),
}


def whole_percent(share: float) -> int:
    """Return a share in whole percent, rounded down so that it never looks safer than it is."""
    return math.floor(100.0 * (share + SHARE_TOLERANCE))


def _number(value: float, form: str, unit: LengthUnit) -> str:
    """Return a number in one of our own forms."""
    if math.isnan(value):  # nothing is known
        return "–"
    kind, signed = form.rstrip("+"), form.endswith("+")
    if kind in ("amount", "fine"):
        digits = (3 if unit == "mm" else 4) + (kind == "fine")
        steps = in_unit(value, unit) * 10**digits
        whole = math.ceil(steps - 1e-6) if kind == "amount" else math.floor(steps + 1e-6)
        return f"{number_text(whole / 10**digits, digits)} {unit}"
    if kind == "uncertainty":
        return uncertainty_text(value, unit)
    if kind == "size":
        there, digits = (value, 1) if unit == "mm" else (value / MM_PER_INCH, 2)
        usual = there == 0.0 or 0.5 * 0.1**digits <= abs(there) < 1e6
        told = number_text(there, digits) if usual else f"{there:.3g}".replace("-", MINUS)
        return f"{told} {unit}"
    if kind in ("length", "figure"):
        told = length_text(value, unit, signed=signed)
        return told if kind == "length" else told.rsplit(" ", 1)[0]
    plain = {
        "force": (value, 2, "N"),
        "tension": (value, 0, "N"),
        "percent": (value, 0, "%"),
        "percent.1": (value, 1, "%"),
        "share": (whole_percent(value), 0, "%"),
        "taken": (math.ceil(100.0 * (value - SHARE_TOLERANCE)), 0, "%"),
        "cents": (value, 1, "cents"),
    }
    number, digits, noun = plain[kind]
    return f"{number_text(number, digits)} {noun}"


def _several(
    value: Several,
    form: str,
    unit: LengthUnit,
    door: Mapping[str, str],
) -> str:
    parts = [_worded(one, "quoted" if form == "quoted" else "", unit, door) for one in value]
    # names of columns and the like may come from outside
    parts = [part if part.isprintable() else plain_line(part) for part in parts]
    if form == "sentences":
        return " ".join(parts)
    if form == "phrases":
        return ", ".join(parts)
    return joined(parts, "or" if form == "or" else "and")
