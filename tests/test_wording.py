"""What is said: one text and its values, in either unit and in the words of every door."""

from __future__ import annotations

import ast
import doctest
import json
import re
import string
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenfall import wording
from evenfall.errors import At, Finding, ReadingsError, RequestError
from evenfall.wording import LIBRARY_WORDS, Sentence, numbers, plain_line, quoted, say, sentence
from source_trees import outward

PACKAGE = Path(__file__).resolve().parents[1] / "src" / "evenfall"


def test_a_length_reads_in_the_unit_asked_for() -> None:
    step = sentence("Fret {fret} stands {step:length} high.", fret=11, step=0.059)
    assert say(step) == "Fret 11 stands 0.059 mm high."
    assert say(step, "in") == "Fret 11 stands 0.0023 in high."


@pytest.mark.parametrize(
    ("text", "values", "said"),
    [
        ("{low:figure} to {high:length}", {"low": 1.35, "high": 1.65}, "1.350 to 1.650 mm"),
        ("{by:length+}", {"by": 0.02}, "+0.020 mm"),
        ("{u:uncertainty}", {"u": 0.0001}, "0.001 mm"),
        ("{cut:amount}; {u:fine}", {"cut": 0.0211, "u": 0.01239}, "0.022 mm; 0.0123 mm"),
        ("{f:force}, {t:tension}", {"f": 0.217, "t": 78.4}, "0.22 N, 78 N"),
        ("{p:percent.1}, {s:share}", {"p": 96.25, "s": 0.15}, "96.2 %, 15 %"),
        ("{on:strings}", {"on": (2, 3, 4, 6)}, "strings 2 to 4 and 6"),
        ("{on:strings}", {"on": 3}, "string 3"),
        ("{note:stopped}", {"note": (3, 5)}, "string 3 stopped at fret 5"),
        ("{note:stopped}", {"note": (3, 0)}, "string 3 open"),
        ("{at:frets}", {"at": (7,)}, "fret 7"),
        ("{n:count fret} {n:plural is|are} level", {"n": 1}, "1 fret is level"),
        ("{n:count fret} {n:plural is|are} level", {"n": (4, 9)}, "2 frets are level"),
        ("{a:list}; {a:or}", {"a": ("x", "y", "z")}, "x, y and z; x, y or z"),
        ("{a:list}", {"a": ("plain", "turned\u202e", "two\nlines")}, "plain, turned and two lines"),
        ("{a:phrases}", {"a": (sentence("fret {f}", f=2), sentence("low"))}, "fret 2, low"),
        ("{gone:length}", {"gone": float("nan")}, "–"),
        ("{x:.3g} and {x:g}", {"x": 0.125}, "0.125 and 0.125"),
    ],
)
def test_every_form(text: str, values: dict[str, object], said: str) -> None:
    assert say(Sentence(text, values)) == said  # type: ignore[arg-type]


def test_a_text_without_values_is_taken_as_it_is() -> None:
    assert say(sentence("the name {x} in braces")) == "the name {x} in braces"


def test_each_door_speaks_its_own_words() -> None:
    again = sentence("Correct it and {door_measure} again.")
    assert say(again) == "Correct it and measure again."
    cli = {**LIBRARY_WORDS, "door_measure": "run evenfall measure"}
    assert say(again, "mm", cli) == "Correct it and run evenfall measure again."


@given(st.text(max_size=200))
def test_text_from_outside_stays_on_one_short_line(text: str) -> None:
    said = say(sentence("It says {given:quoted}.", given=text))
    assert len(said) <= 60
    assert said.isprintable()
    assert quoted(text)[0] == quoted(text)[-1] == '"'


def test_a_number_from_outside_reads_as_it_was_given() -> None:
    assert say(sentence("{a:quoted}, {b:quoted}", a=1_000_000, b=0.25)) == "1000000, 0.25"


@given(st.lists(st.integers(0, 40), unique=True, max_size=20).map(sorted))
def test_numbers_lose_none(rising: list[int]) -> None:
    back: list[int] = []
    for part in numbers(rising).replace(" and ", ", ").split(", "):
        low, _, high = part.partition(" to ")
        back += range(int(low), int(high or low) + 1) if part else []
    assert back == rising


def test_a_finding_is_data_with_a_place() -> None:
    at = At(file="a.csv", rows=(3, 7), field="value", strings=(2,), frets=(11,))
    found = Finding("high-fret", "Fret {f} stands {step:length} high.", at, f=11, step=0.059)
    plain = json.loads(json.dumps(found.as_dict("in")))
    assert plain["sentence"] == "Fret 11 stands 0.0023 in high."
    assert plain["values"] == {"f": 11, "step": 0.059}
    assert plain["at"] == {
        "file": "a.csv",
        "rows": [3, 7],
        "field": "value",
        "strings": [2],
        "frets": [11],
    }
    assert found == Finding(
        "high-fret", "Fret {f} stands {step:length} high.", at, f=11, step=0.059
    )
    assert found.where == "a.csv, rows 3 and 7, value"
    assert str(At(file="a.toml", lines=(3,), field="[rule] coverage")) == (
        "a.toml, line 3, [rule] coverage"
    )


def test_an_error_says_where_and_what_in_either_unit() -> None:
    error = RequestError("{given:length} is too much.", at=At(field="budget"), given=25.4)
    assert str(error) == "budget: 25.400 mm is too much."
    assert error.words("in") == "budget: 1.0000 in is too much."
    both = ReadingsError([Finding("row", "One."), Finding("row", "Two.", At(rows=(4,)))])
    assert str(both) == "One.\nrow 4: Two."
    assert both.sentence == "One. Two."


def test_the_examples_of_the_module_come_true() -> None:
    result = doctest.testmod(wording)
    assert result.attempted > 0
    assert result.failed == 0


@given(st.text())
def test_a_plain_line_is_one_printable_line_and_stays_so(text: str) -> None:
    line = plain_line(text)
    assert line.isprintable()
    assert line == line.strip()
    assert plain_line(line) == line
    line.encode()


def test_rows_of_a_long_list_are_cut_short_and_counted() -> None:
    rows = [1, 3, 5, 6, 7, 10, 12, 14, 16, 18, 20, 21, 22]
    assert say(sentence("{rows:rows}", rows=[4])) == "row 4"
    assert say(sentence("{rows:rows}", rows=rows)) == "rows 1, 3, 5 to 7, 10, 12, 14 and 5 more"


# ---- every sentence of the program is a constant text with data --------------------------------

SAYING = ("Finding", "sentence", "Sentence")


def calls_that_say(source: str) -> Iterator[tuple[ast.Call, ast.expr]]:
    """Yield every call that makes a finding, a sentence or an error, with its text."""
    if not re.search(r"\b(Finding|[Ss]entence|\w*Error)\(", source):
        return
    for node in outward(source):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else ""
        if name == "Finding" and len(node.args) > 1:
            yield node, node.args[1]
        elif (name in SAYING[1:] or name.endswith("Error")) and node.args:
            yield node, node.args[0]


OURS = {
    *("EvenfallError", "RequestError", "FormatMismatchError", "BrokenFileError"),
    *("UnsupportedError", "SolverError", "Finding", "sentence", "Sentence"),
}
UNITS_IN_WORDS = (" mm", " inch", " inches")


def text_faults(text: str, given: set[str]) -> Iterator[str]:
    """Say what is wrong with one constant text whose values have these names."""
    fields = [field for _, field, _, _ in string.Formatter().parse(text) if field is not None]
    for place in fields if given or "{door_" in text else []:
        if place.startswith("door_"):
            if place not in LIBRARY_WORDS:
                yield f"no door has a word for {place}"
        elif place not in given:
            yield f"{{{place}}} has no value"
    for wrong in ("--", "evenfall "):
        if wrong in text:
            yield f"{wrong!r} is for a door to say: {text!r}"
    if any(f"}}{unit}" in text for unit in UNITS_IN_WORDS):
        yield f"a unit is baked in: {text!r}"


def saying_faults(source: str) -> Iterator[str]:
    """Say where a text is not constant, lacks a value, or bakes in a unit or a door's words."""
    for call, text in calls_that_say(source):
        name = call.func.id if isinstance(call.func, ast.Name) else ""
        if name not in OURS or isinstance(text, ast.Name | ast.Attribute | ast.Subscript):
            continue  # a constant named elsewhere, or a text handed on
        # one of two constants is a constant
        texts = [text.body, text.orelse] if isinstance(text, ast.IfExp) else [text]
        constants = [t.value for t in texts if isinstance(t, ast.Constant)]
        if len(constants) < len(texts) or not all(isinstance(c, str) for c in constants):
            yield f"line {call.lineno}: the text of {name} is put together, not constant"
            continue
        given = {keyword.arg for keyword in call.keywords}
        if None in given or (name == "Sentence" and len(call.args) > 1):
            continue  # values handed on
        apart = set() if name == "sentence" else {"at", "severity"}
        named = {key for key in given if key} - apart
        for fault in (f for c in constants for f in text_faults(str(c), named)):
            yield f"line {call.lineno}: {fault}"


def speaking_modules() -> list[Path]:
    return [p for p in PACKAGE.rglob("*.py") if p.relative_to(PACKAGE).parts[0] != "cli"]


def test_every_sentence_is_a_constant_text_with_its_values() -> None:
    faults = [
        f"{path.relative_to(PACKAGE)}: {fault}"
        for path in speaking_modules()
        for fault in saying_faults(path.read_text(encoding="utf-8"))
    ]
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize(
    "line",
    [
        'RequestError(f"{x} is wrong.")',
        'RequestError("a" + b)',
        'Finding("row", "Give --spec.")',
        'Finding("row", "Run evenfall measure.")',
        'Finding("row", "It is {x:.3f} mm.", x=1.0)',
        'Finding("row", "It is {y}.", x=1.0)',
        'Finding("row", "See {door_nothing}.")',
    ],
)
def test_the_rule_about_sentences_sees_a_fault(line: str) -> None:
    assert list(saying_faults(line))
    assert not list(saying_faults('Finding("row", "It is {x:length}.", x=1.0)'))
