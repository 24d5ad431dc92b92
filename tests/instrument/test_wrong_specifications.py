"""Specifications that are complete and wrong: each is named in one sentence.

The first four passed as complete and consistent once.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from evenfall.errors import At, SpecificationError
from evenfall.instrument import read_specification, string_lines
from evenfall.instrument.starters import starter
from evenfall.levelling.ideal import ideal_neck
from evenfall.strings.excursion import excursion_table

Change = Callable[[str], str]


def put(*pairs: tuple[str, str]) -> Change:
    """Return a change that writes each first text's first place as the second."""

    def changed(text: str) -> str:
        for old, new in pairs:
            assert old in text, old
            text = text.replace(old, new, 1)
        return text

    return changed


def without(pattern: str) -> Change:
    """Return a change that removes every line that matches."""

    def changed(text: str) -> str:
        kept = [line for line in text.splitlines() if not re.match(pattern, line)]
        assert len(kept) < len(text.splitlines()), pattern
        return "\n".join(kept) + "\n"

    return changed


def turned(text: str) -> str:
    """Return the file with its strings numbered from the bass."""
    count = text.count("[[string]]")
    return re.sub(
        r"^number = (\d+)", lambda n: f"number = {count + 1 - int(n[1])}", text, flags=re.M
    )


def both(*changes: Change) -> Change:
    def changed(text: str) -> str:
        for change in changes:
            text = change(text)
        return text

    return changed


SWAPPED = put(("action = { treble = 2.1, bass = 2.6", "action = { treble = 2.6, bass = 2.1"))
WRONG: tuple[tuple[str, str, Change, str], ...] = (
    (
        "wound strings taken for solid steel",
        "electric",
        both(without("core = "), without("wrap = ")),
        "Plain steel of 1.168 mm (strings 4 to 6) is thicker than plain steel strings are. Give "
        "the core and wrap of a wound string, or its material.",
    ),
    (
        "a ukulele of steel",
        "ukulele",
        without("material = "),
        "Plain steel of 0.910 mm (strings 1 to 4) is thicker than plain steel strings are. Give "
        "the core and wrap of a wound string, or its material.",
    ),
    (
        "a bass numbered from its lowest string",
        "bass",
        turned,
        "String 2 is tuned over string 1, but strings are numbered from the treble; correct the "
        "numbers, or write reentrant = true or the number of courses under [model].",
    ),
    (
        "swapped targets",
        "bass",
        SWAPPED,
        "action asks for 2.100 mm under string 4 and for 2.600 mm under string 1, but low strings "
        "need more; check whether they are swapped.",
    ),
    (
        "an octave too high",
        "electric",
        put(('"E2"', '"E3"')),
        "String 6 as specified is at 319 N, where the others are at 79 N or so. Check its pitch, "
        "gauge and mass per length.",
    ),
    (
        "an octave too low",
        "electric",
        put(('"E4"', '"E3"')),
        "String 2 is tuned over string 1, but strings are numbered from the treble; correct the "
        "numbers, or write reentrant = true or the number of courses under [model].",
    ),
    (
        "a mass in the wrong unit",
        "electric",
        put(("# mass_per_length = 0.4", "mass_per_length = 4.0")),
        "String 1 as specified is at 733 N, where the others are at 81 N or so. Check its pitch, "
        "gauge and mass per length.",
    ),
    (
        "a wound string without mass or wrap",
        "acoustic",
        without("wrap = "),
        "wrap is missing; say what the string is wrapped with, or give mass_per_length.",
    ),
    (
        "one string of steel among nylon",
        "classical",
        put(('material = "nylon"', 'material = "steel"'), ("gauge = 0.65", "gauge = 0.25")),
        "Plain steel (string 1) stands beside plain strings of another material. Check what the "
        "strings are made of.",
    ),
    (
        "first-fret gap and action written for each other",
        "ukulele",
        put(
            ("action = { treble = 2.5, bass = 2.5", "action = { treble = 0.45, bass = 0.45"),
            (
                "first_fret_gap = { treble = 0.45, bass = 0.45",
                "first_fret_gap = { treble = 2.5, bass = 2.5",
            ),
        ),
        "On string 1 the first-fret gap may be as large as the action; check whether they are "
        "swapped.",
    ),
    (
        "swapped first-fret gaps",
        "acoustic",
        put(
            (
                "first_fret_gap = { treble = 0.35, bass = 0.5",
                "first_fret_gap = { treble = 0.5, bass = 0.35",
            )
        ),
        "first_fret_gap asks for 0.350 mm under string 6 and for 0.500 mm under string 1, but low "
        "strings need more; check whether they are swapped.",
    ),
    (
        "inches under mm",
        "electric",
        put(("length = 648.0", "length = 25.5")),
        "length = 25.5 is out of range: it must be from 200 to 1500 mm.",
    ),
    (
        "a word for the attack, and no family",
        "banjo",
        without("family = "),
        'attack = "medium" needs family under [model], or write it in newtons.',
    ),
    (
        "another word for the attack",
        "banjo",
        put(('attack = "medium"', 'attack = "fierce"')),
        'attack must be "light", "medium" or "hard", or a number without quotes, not "fierce".',
    ),
    (
        "slots of a zero fret",
        "electric",
        put(("joint_fret = 17.0", "joint_fret = 17.0\nzero_fret = true")),
        "nut_travel is of nut slots, and zero_fret is true; remove one.",
    ),
    (
        "relief between frets from the wrong end",
        "electric",
        put(("# relief_from = 1", "relief_from = 14"), ("# relief_to = 14", "relief_to = 2")),
        "relief_from must be a lower fret than relief_to.",
    ),
    (
        "a minimum over the value",
        "bass",
        put(("relief = { value = 0.28", "relief = { value = 0.1")),
        "relief must have minimum <= value <= maximum.",
    ),
    (
        "courses that do not share out",
        "mandolin",
        put(("courses = 4", "courses = 3")),
        "courses is 3, and 8 strings do not share out among them; correct one.",
    ),
    (
        "a core thicker than the string",
        "electric",
        put(("core = 0.33", "core = 0.93")),
        "core must be thinner than gauge.",
    ),
)


@pytest.mark.parametrize(
    ("kind", "change", "said"), [wrong[1:] for wrong in WRONG], ids=[wrong[0] for wrong in WRONG]
)
def test_what_is_wrong_is_named_in_one_sentence(kind: str, change: Change, said: str) -> None:
    text = change(starter(kind))
    try:
        _, found = read_specification(text)
    except SpecificationError as error:
        found = error.findings
    named = [finding for finding in found if finding.sentence == said]
    assert named, [finding.sentence for finding in found]
    assert named[0].severity in ("error", "warning")
    assert named[0].at.lines != At().lines, "the sentence comes with its line"
    assert "\n" not in named[0].sentence


def test_an_action_too_low_for_the_player_is_named_with_what_would_do() -> None:
    change = put(("action = { treble = 1.7, bass = 2.1", "action = { treble = 1.0, bass = 1.2"))
    spec, remarks = read_specification(change(starter("electric")))
    assert remarks == ()
    found = ideal_neck(spec, excursion_table(spec, string_lines(spec))).findings
    assert any(
        re.fullmatch(
            r"Level frets at these targets stay clear up to \d+ % of the attack, least under "
            r"string \d: 0\.\d\d N of 0\.\d\d N\. Any of these would do: an attack of "
            r"\d+ % of it.* an action of .* under string .*\.",
            one.sentence,
        )
        for one in found
    ), [one.sentence for one in found]


def test_a_gap_too_small_for_the_open_string_is_named() -> None:
    change = put(
        (
            "first_fret_gap = { treble = 0.3, bass = 0.45, tolerance = 0.1",
            "first_fret_gap = { treble = 0.08, bass = 0.1, tolerance = 0.05",
        )
    )
    spec = read_specification(change(starter("electric")))[0]
    ideal = ideal_neck(spec, excursion_table(spec, string_lines(spec)))
    open_ones = [one for one in ideal.findings if one.at.field == "[target] first_fret_gap"]
    assert open_ones
    assert "A first-fret gap of " in open_ones[0].sentence
