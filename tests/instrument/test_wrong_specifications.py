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


def rewritten(pattern: str, by: Callable[[re.Match[str]], str]) -> Change:
    """Return a change that rewrites every match of a pattern."""
    return lambda text: re.sub(pattern, by, text, flags=re.MULTILINE)


def octave(up: int) -> Change:
    """Return a change that tunes every string by octaves."""
    return rewritten(r'^pitch = "([A-G]#?)(\d)"', lambda m: f'pitch = "{m[1]}{int(m[2]) + up}"')


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
        "By its mass_per_length string 1 would be about 10 times as heavy as a string of that "
        "gauge "
        "and make; check gauge, pitch and mass_per_length, which is in grams per metre.",
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
    (
        "centimetres for millimetres",
        "electric",
        rewritten(r"(?<![\w-])(\d+\.\d+)(?=[ ,}\n])", lambda m: f"{float(m[1]) / 10:.5g}"),
        "16 of the 16 lengths that are out of range would fit as centimetres; check units = "
        '"mm" first.',
    ),
    (
        "gauges in thousandths of an inch",
        "acoustic",
        rewritten(r"^(gauge|core) = (.*)$", lambda m: f"{m[1]} = {float(m[2]) / 0.0254:.0f}"),
        "10 of the 10 lengths that are out of range would fit as thousandths of an inch; check "
        'units = "mm" first.',
    ),
    (
        "an action in centimetres",
        "electric",
        put(
            (
                "treble = 1.7, bass = 2.1, tolerance = 0.15",
                "treble = 0.17, bass = 0.21, tolerance = 0.05",
            )
        ),
        "No instrument is set to an action of 0.170 mm; check action and its unit.",
    ),
    (
        "tensions in pounds",
        "electric",
        rewritten(r"^saddle_setback", lambda m: f"tension = 16.5\n{m[0]}"),
        "By its tension strings 1 to 6 would be about 0.21 times as heavy as a string of that "
        "gauge "
        "and make; check gauge, pitch and tension, which is in newtons, not pounds.",
    ),
    (
        "kilograms per metre for grams",
        "bass",
        put(("# mass_per_length = 0.4", "mass_per_length = 0.0072")),
        "mass_per_length = 0.0072 is out of range: it must be from 0.02 to 200 g/m.",
    ),
    (
        "every string an octave high",
        "electric",
        octave(1),
        "As specified, strings 3 to 6 are at 325 N or so, as no such strings are. Check "
        "pitches (an "
        "octave off?), gauges, masses and scale.",
    ),
    (
        "every string an octave low",
        "bass",
        octave(-1),
        "As specified, the strings are at 51 N or so, and those of the family bass at 95 to 400 N; "
        "check pitches (an octave off?), gauges and scale.",
    ),
    (
        "no frets",
        "bass",
        put(("frets = 20", "frets = 0")),
        "frets = 0 is out of range: it must be from 5 to 36.",
    ),
    (
        "the scale of another instrument",
        "bass",
        put(("length = 864.0", "length = 648.0")),
        "A scale of 648.0 mm is unusual in the family bass, whose scales are 700.0 mm to 960.0 mm; "
        "check scale and family.",
    ),
    (
        "a left-handed neck numbered across",
        "electric",
        both(put(('handed = "right"', 'handed = "left"')), turned),
        "String 2 is tuned over string 1, but strings are numbered from the treble; correct the "
        "numbers, or write reentrant = true or the number of courses under [model].",
    ),
    (
        "another word for the left hand",
        "electric",
        put(('handed = "right"', 'handed = "lefty"')),
        'handed must be "right" or "left", not "lefty".',
    ),
    (
        "strings wider at the nut than at the saddle",
        "electric",
        put(
            ("string_spread_nut = 36.0", "string_spread_nut = 40.0"),
            ("string_spread_saddle = 52.0", "string_spread_saddle = 36.0"),
        ),
        "string_spread_nut is larger than its counterpart at the saddle; check whether they are "
        "swapped.",
    ),
    (
        "a board wider at the nut",
        "electric",
        put(("width_nut = 43.0", "width_nut = 54.5"), ("width_last = 54.5", "width_last = 53.0")),
        "width_nut is larger than its counterpart at the last fret; check whether they are "
        "swapped.",
    ),
    (
        "radii swapped",
        "electric",
        put(
            ("radius_nut = 254.0", "radius_nut = 305.0"),
            ("radius_last = 305.0", "radius_last = 254.0"),
        ),
        "radius_nut is larger than its counterpart at the last fret; check whether they are "
        "swapped.",
    ),
    (
        "strings beside the board",
        "electric",
        put(("string_spread_saddle = 52.0", "string_spread_saddle = 72.0")),
        "At the last fret the outer strings are 61.9 mm apart and the board is 54.5 mm wide; check "
        "width_last and string_spread_saddle.",
    ),
    (
        "height and width of the wire swapped",
        "electric",
        put(
            ("crown_height = 1.2", "crown_height = 2.4"),
            ("crown_width = 2.4", "crown_width = 1.2"),
        ),
        "A crown 2.4 mm high and 1.2 mm wide is not fret wire; check whether crown_height and "
        "crown_width are swapped.",
    ),
    (
        "an attack in grams",
        "electric",
        put(('attack = "medium"', "attack = 45")),
        "An attack of 45.00 N on strings 1 to 6 is over a fifth of the tension, and the motion no "
        "longer small; check it: 1 N is the weight of about 100 grams.",
    ),
    (
        "the pluck measured from the nut",
        "acoustic",
        put(("pluck_distance = 150.0", "pluck_distance = 500.0")),
        "The strings are plucked 500.000 mm from the saddle, which is over the fretboard between "
        "frets 4 and 5; check pluck_distance and frets.",
    ),
    (
        "strings in a course for the number of courses",
        "mandolin",
        put(("courses = 4", "courses = 2")),
        "The strings of course 1 are neither in unison nor octaves apart; check their pitches, and "
        "courses, which is the number of courses.",
    ),
    (
        "a fan the wrong way round",
        "seven-string",
        put(("bass = 686.0", "bass = 648.0"), ("treble = 648.0", "treble = 686.0")),
        "The bass string's scale of 648.0 mm is shorter than the treble string's of 686.0 mm; "
        "check "
        "whether bass and treble are swapped.",
    ),
    (
        "a relief in inches under mm",
        "electric",
        put(
            (
                "relief = { value = 0.2, minimum = 0.1, maximum = 0.3",
                "relief = { value = 0.008, minimum = 0.004, maximum = 0.012",
            )
        ),
        "The limits of relief are 0.008 mm apart, which nobody can set; check them and their unit.",
    ),
    (
        "a key in another table",
        "electric",
        put(("joint_fret = 17.0", "joint_fret = 17.0\naction = 1.5")),
        '"action" belongs under [target]; move it there.',
    ),
    (
        "a decimal comma",
        "electric",
        put(("648.0", "648,0")),
        "This is not valid TOML: expected newline or end of document after a statement; correct "
        "that line (texts stand in quotes, decimals have a point, every table and key stands "
        "once).",
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
