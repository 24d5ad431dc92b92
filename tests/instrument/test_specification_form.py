"""A specification as a form: what a change touches, and what it leaves as it was written."""

from __future__ import annotations

import difflib

import pytest

from evenfall.errors import FindingsError, RequestError
from evenfall.instrument import read_specification
from evenfall.instrument.specification_form import (
    form_of,
    in_unit_text,
    path_at,
    with_strings,
    with_value,
)
from evenfall.instrument.specification_keys import TABLES
from evenfall.instrument.starters import KINDS, starter
from evenfall.workshop import Source
from evenfall.workshop.specifying import look_at_text

TEXT = Source.invented("tesquil.spec.toml").text()


def changed(after: str) -> list[str]:
    """Return the lines that went and came, by a sign before them."""
    lines = difflib.unified_diff(TEXT.splitlines(), after.splitlines(), lineterm="", n=0)
    return [line for line in lines if not line.startswith(("---", "+++", "@@"))]


@pytest.mark.parametrize(
    ("path", "typed", "line"),
    [
        ("scale.length", "650,5", "length = 650.5"),
        ("scale.length", "650.50", "length = 650.50"),
        ("target.action.treble", "1,6", "action = { treble = 1.6, bass"),
        ("string.2.gauge", "0.44", "gauge = 0.44"),
        ("player.attack", "0,4; 0,5; 0,5; 0,5; 0,5; 0,6", "attack = [0.4, 0.5, 0.5"),
        ("player.attack", "0.4, 0.5, 0.5, 0.5, 0.5, 0.6", "attack = [0.4, 0.5, 0.5"),
        ("player.attack", "hard", 'attack = "hard"'),
        ("model.name", 'A "b"', r'name = "A \"b\""'),
        ("rule.coverage", "much", 'coverage = "much"'),
    ],
)
def test_a_change_touches_one_line_and_keeps_its_comment(path: str, typed: str, line: str) -> None:
    gone, come = changed(with_value(TEXT, path, typed))
    assert come.startswith(f"+{line}")
    assert come.partition("#")[2] == gone.partition("#")[2]


def test_an_empty_value_is_left_out_and_a_new_one_gets_its_table() -> None:
    assert changed(with_value(TEXT, "string.2.gauge", "")) == ["-gauge = 0.432"]
    made = with_value(TEXT, "compensation.saddle_along.back", "2.5")
    made = with_value(with_value(made, "neck.truss_rod", "false"), "fretwire.new", "true")
    read = read_specification(made)[0]
    assert read.compensation.saddle_back_mm == 2.5
    assert not read.neck.truss_rod
    assert read.fretwire.new


@pytest.mark.quick(3)
@pytest.mark.parametrize("kind", KINDS)
def test_there_and_back_between_the_units_is_the_same_instrument(kind: str) -> None:
    text = starter(kind)
    inches = in_unit_text(text, "in")
    assert read_specification(inches)[0].unit == "in"
    again = read_specification(in_unit_text(inches, "mm"))[0]
    assert again.content_hash == read_specification(text)[0].content_hash


def test_a_string_more_or_less_keeps_the_others() -> None:
    seven = read_specification(with_value(with_strings(TEXT, 7), "player.attack", "0.5"))[0]
    assert [s.number for s in seven.strings] == [1, 2, 3, 4, 5, 6, 7]
    assert with_strings(with_strings(TEXT, 7), 6).split() == TEXT.split()
    for count in (2, 13):
        with pytest.raises(RequestError, match="3 to 12 strings"):
            with_strings(TEXT, count)


def test_every_key_has_its_field_and_every_field_takes_a_value() -> None:
    fields = [field for section in form_of(TEXT) for field in section.rows[0]]
    named = {(field.path.split(".")[0], field.key.name) for field in fields}
    assert named == {(t.name, key.name) for t in TABLES.values() for key in t.keys}
    for field in fields:
        if field.given:
            assert look_at_text(with_value(TEXT, field.path, field.given)).specification


@pytest.mark.parametrize(
    "path", ["", "scale", "scale.no", "no.length", "string.gauge.x", "string.99.gauge"]
)
def test_a_field_that_is_none_is_refused(path: str) -> None:
    with pytest.raises(RequestError, match="load"):
        with_value(TEXT, path, "1")


@pytest.mark.parametrize("typed", ["1\n[board]", "x" * 500, "1\x00"])
def test_a_value_cannot_reach_past_its_line(typed: str) -> None:
    with pytest.raises(RequestError, match="one line"):
        with_value(TEXT, "scale.length", typed)


def test_what_is_no_toml_has_findings_and_no_form() -> None:
    written = look_at_text("[scale\nlength = 1")
    assert written.sections == ()
    assert written.findings[0].at.lines == (1,)
    for change in (
        lambda text: with_value(text, "scale.length", "2"),
        lambda text: with_strings(text, 7),
        lambda text: in_unit_text(text, "in"),
    ):
        with pytest.raises(FindingsError, match="not valid TOML"):
            change("[scale\nlength = 1")


@pytest.mark.parametrize(
    ("path", "typed"),
    [
        ("scale.length", "6500"),
        ("target.action.tolerance", "x"),
        ("string.3.gauge", "66"),
        ("string.0.pitch", "H9"),
        ("board.width_nut", ""),
    ],
)
def test_each_fault_leads_to_its_field(path: str, typed: str) -> None:
    written = look_at_text(with_value(TEXT, path, typed))
    assert written.specification is None
    assert path in [path_at(one.at) for one in written.findings]
