"""From plain values to data, held against the forms; one clear refusal where they do not fit."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import fields
from string import Formatter
from typing import Any

import numpy as np

from evenfall.codec.forms import LONGEST_TEXT, REFUSED, SIZES, Form, dimension_of
from evenfall.errors import FINDING_CODES, At, BrokenFileError, Finding
from evenfall.wording import Sentence, counted, say

_DEEPEST = 6


class Fault(Exception):  # noqa: N818  (it never leaves this module)
    """Something in a file that cannot be so."""

    def __init__(self, place: str, text: str, **values: Any) -> None:
        super().__init__(text)
        self.place, self.cause = place, Sentence(text, values)

    def error(self, kind: str, again: Sentence) -> BrokenFileError:
        """Return the refusal of the whole file."""
        return BrokenFileError(
            "The {kind} file is damaged: {cause}; {again}.",
            at=At(field=self.place),
            kind=kind,
            cause=self.cause,
            again=again,
        )


def read_value(form: Form, given: Any, place: str, sizes: dict[str, int]) -> Any:
    """Return what a form says stands at a place; `sizes` are those met so far in the file."""
    if form.shape and form.array is not None:
        return _array(form, given, place, sizes)
    if form.shape:
        return _tuple(form, form.shape, given, place, sizes)
    if given is None:
        if form.null is REFUSED:
            raise Fault(place, "null has no meaning here")
        return form.null
    return _READERS[form.kind](form, given, place, sizes)


def _listed(given: Any, dimension: str, place: str, sizes: dict[str, int]) -> list[Any]:
    """Return a list that is as long as its dimension asks for."""
    if not isinstance(given, list):
        raise Fault(place, "a list must stand here")
    letter, more = dimension_of(dimension)
    low, high = SIZES[letter]
    count = len(given) - more
    wanted = count if letter == "*" else sizes.setdefault(letter, count)
    if count != wanted or not low <= count <= high:
        wrong = counted(len(given), "value")
        raise Fault(place, "a list of {wrong} cannot stand here", wrong=wrong)
    return given


def _array(form: Form, given: Any, place: str, sizes: dict[str, int]) -> Any:
    flat = [given]
    lengths: list[int] = []
    for dimension in form.shape:
        rows = [_listed(one, dimension, place, sizes) for one in flat]
        lengths.append(len(rows[0]) if rows else 0)
        if any(len(row) != lengths[-1] for row in rows):
            raise Fault(place, "the rows must be equally long")
        flat = [one for row in rows for one in row]
    numbers = [_value_of_number(form, one, place) for one in flat]
    return np.array(numbers, dtype=form.array).reshape(lengths)


def _tuple(
    form: Form, shape: tuple[str, ...], given: Any, place: str, sizes: dict[str, int]
) -> tuple[Any, ...]:
    values = _listed(given, shape[0], place, sizes)
    if shape[1:]:
        return tuple(
            _tuple(form, shape[1:], one, f"{place}[{at}]", sizes) for at, one in enumerate(values)
        )
    read = _READERS[form.kind]
    return tuple(read(form, one, f"{place}[{at}]", sizes) for at, one in enumerate(values))


def _value_of_number(form: Form, given: Any, place: str) -> float:
    if given is None and form.null is not REFUSED:
        return float(form.null)
    if type(given) is not int and (form.kind == "whole" or type(given) is not float):
        noun = "a whole number" if form.kind == "whole" else "a number"
        raise Fault(place, "{noun} must stand here", noun=noun)
    if not form.low_bound <= given <= form.high_bound:
        low, high = f"{form.low_bound:g}", f"{form.high_bound:g}"
        raise Fault(
            place, "it cannot be {given:g}, only {low} to {high}", given=given, low=low, high=high
        )
    return given if form.kind == "whole" else float(given)


def _number(form: Form, given: Any, place: str, _sizes: object) -> float:
    return _value_of_number(form, given, place)


def _truth(_form: Form, given: Any, place: str, _sizes: object) -> bool:
    if not isinstance(given, bool):
        raise Fault(place, "true or false must stand here")
    return given


def _text(form: Form, given: Any, place: str, _sizes: object) -> str:
    if not isinstance(given, str):
        raise Fault(place, "a text must stand here")
    if len(given) > form.high_bound:
        most = int(form.high_bound)
        raise Fault(place, "the text is longer than {most} characters", most=most)
    if any("\ud800" <= letter <= "\udfff" for letter in given):
        raise Fault(place, "the text holds half a character")
    if form.pattern and not re.fullmatch(form.pattern, given):
        raise Fault(place, "it cannot be {given:quoted}", given=given)
    return given


def _choice(form: Form, given: Any, place: str, _sizes: object) -> Any:
    for one in form.choices:
        if type(one) is type(given) and one == given:
            return one
    raise Fault(
        place,
        "it must be one of {choices:or}",
        choices=tuple(str(one) or '""' for one in form.choices),
    )


_PLACE = re.compile(
    r"(length|figure)\+?|size|amount|fine|uncertainty|force|tension|percent(\.1)?|share|taken|cents"
    r"|strings|frets|rows|numbers|stopped"
    r"|list|or|sentences|phrases|quoted|count [a-z -]{1,40}|plural [^{}|]{1,60}\|[^{}|]{1,60}"
    r"|\+?,?(\.\d)?[defg]?"
)
"""Forms that a place in a sentence from a file may have."""


def _sentence(_form: Form, given: Any, place: str, _sizes: object, depth: int = 0) -> Sentence:
    """Return a sentence that can be said, and whose places ask for nothing unreasonable."""
    if not isinstance(given, Mapping) or set(given) - {"sentence"} != {"text", "values"}:
        raise Fault(place, "a sentence must stand here: text and values")
    words = _text(_TEXT, given["text"], f"{place}.text", {})
    values = given["values"]
    if not isinstance(values, Mapping) or len(values) > 50 or depth > _DEEPEST:
        raise Fault(place, "the values of a sentence must stand here")
    made = Sentence(
        words, {str(key): _place(one, f"{place}.values", depth) for key, one in values.items()}
    )
    try:
        places_ok = all(
            _PLACE.fullmatch(form or "") for _, name, form, _ in Formatter().parse(words) if name
        )
        say(made)
    except (KeyError, IndexError, ValueError, TypeError):
        places_ok = False
    if not places_ok:
        raise Fault(place, "the sentence does not fit its values")
    return made


def _place(given: Any, place: str, depth: int) -> Any:
    """Return one value of a sentence."""
    if given is None or isinstance(given, bool):
        return given
    if isinstance(given, str):
        return _text(_TEXT, given, place, {})
    if isinstance(given, int | float):
        return given if isinstance(given, int) else _value_of_number(_ANY_NUMBER, given, place)
    if isinstance(given, list) and depth <= _DEEPEST:
        return tuple(_place(one, place, depth + 1) for one in _listed(given, "*", place, {}))
    return _sentence(_TEXT, given, place, {}, depth + 1)


def _finding(_form: Form, given: Any, place: str, _sizes: object) -> Finding:
    wanted = {"code", "severity", "at", "text", "values"}
    if not isinstance(given, Mapping) or set(given) - {"sentence"} != wanted:
        raise Fault(place, "a finding must stand here: code, severity, at, text and values")
    if given["code"] not in FINDING_CODES or given["severity"] not in ("error", "warning", "note"):
        raise Fault(place, "the code or severity is not known")
    words = _sentence(_TEXT, {key: given[key] for key in ("text", "values")}, place, {})
    at = _at(given["at"], f"{place}.at")
    if not words.values.keys().isdisjoint(("code", "text", "at", "severity", "self")):
        raise Fault(place, "the sentence does not fit its values")
    return Finding(given["code"], words.text, at, given["severity"], **words.values)


def finding_of(given: Any) -> Finding:
    """Return the finding that plain values hold."""
    return _finding(_TEXT, given, "finding", {})


def _at(given: Any, place: str) -> At:
    known = {f.name: f.default for f in fields(At)}
    if not isinstance(given, Mapping) or set(given) - set(known):
        raise Fault(place, "a place must stand here")
    values: dict[str, Any] = {}
    for key, value in given.items():
        form = _NUMBERS if isinstance(known[key], tuple) else _TEXT
        if known[key] is None:
            form = _COUNT
        values[key] = read_value(form, value, f"{place}.{key}", {})
    return At(**values)


def _part(form: Form, given: Any, place: str, sizes: dict[str, int]) -> Any:
    return form.of.read_part(given, place, sizes)


_READERS = {
    "number": _number,
    "whole": _number,
    "truth": _truth,
    "text": _text,
    "choice": _choice,
    "sentence": _sentence,
    "finding": _finding,
    "part": _part,
}
_TEXT = Form("text", high_bound=LONGEST_TEXT)
_COUNT = Form("whole", low_bound=0, high_bound=10**9)
_NUMBERS = Form("whole", low_bound=0, high_bound=10**9, shape=("*",))
_ANY_NUMBER = Form("number", low_bound=-1e12, high_bound=1e12)


def near(made: Any, given: Any) -> bool:
    """Say whether plain values are the same, numbers to within the rounding of another machine."""
    if isinstance(made, list) and isinstance(given, list):
        return len(made) == len(given) and all(map(near, made, given))
    if isinstance(made, float) and isinstance(given, int | float):
        return math.isclose(made, given, rel_tol=1e-9, abs_tol=1e-12)
    return type(made) is type(given) and bool(made == given)
