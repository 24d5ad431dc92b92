"""What a complete specification may still have got wrong: possible, but it looks like a slip.

Every bound is common practice, no source, or our judgement; none refuses anything.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING

from evenfall.errors import At, Finding
from evenfall.instrument.families import FAMILIES
from evenfall.instrument.geometry import fret_distance_mm
from evenfall.instrument.specification import STEEL_MODULUS_N_PER_MM2
from evenfall.wording import Value

if TYPE_CHECKING:
    from evenfall.instrument.specification import InstrumentString, Specification

Key = tuple[str, str]
"""Table and key that a remark is about; of strings, the key of the first one named."""

ATTACK_SHARE = 0.2
"""Of a string's tension: with more the motion is no longer small."""
NARROW_MM = 0.02
"""Limits closer than this are met by nobody."""
LEAST_ACTION_MM = 0.5
"""No action over the reference fret is as low."""
WIRE_SHARE = 0.8
"""A crown is not as high as this share of its width."""
IN_TUNE_CENTS = 30.0
"""Strings of a course are so near to a unison or an octave."""
TENSION_N = (15.0, 300.0)
TENSION_FACTOR = 2.6
"""A string is under an unlikely tension outside these, and over so many times the median one."""

PLAIN_STEEL_MM = 0.55
"""Plain steel strings are thinner."""

STEEL_SHARE = 0.5
"""Share of the modulus of steel from which a string counts as one of steel."""
_STEP_MM = {"action": 0.1, "first_fret_gap": 0.05}
"""Gaps that are less on the bass side by more than this look swapped."""


def unusual(
    made: Specification, mass_share: Mapping[int, tuple[str, float]]
) -> Iterator[tuple[Key, Finding]]:
    """Yield what looks like a slip, with the key that it is about.

    `mass_share` are strings that by a key, of mass or tension, are so many times as heavy as their
    make is: they are not said to be under an unlikely tension as well.
    """
    yield from _strings(made, mass_share)
    yield from _scale(made)
    yield from _board(made)
    yield from _player(made)
    yield from _gaps(made)
    yield from _tuning(made)


def _remark(text: str, *strings: int, **values: Value) -> Finding:
    return Finding("spec-unusual", text, At(strings=strings), "warning", **values)


def _strings(
    made: Specification, mass_share: Mapping[int, tuple[str, float]]
) -> Iterator[tuple[Key, Finding]]:
    if mass_share:
        text = (
            "By its {key} {on:strings} would be about {share:.2g} times as heavy as a string of "
            "that gauge and make; check gauge, pitch and {key}, which is in {unit}."
        )
        key = next(iter(mass_share.values()))[0]
        share = median(share for _, share in mass_share.values())
        unit = "newtons, not pounds" if key == "tension" else "grams per metre"
        on = tuple(mass_share)
        yield ("string", key), _remark(text, *on, key=key, on=on, share=share, unit=unit)
    unlikely = list(unlikely_strings(made.strings, "spec-unusual"))
    for finding in unlikely:
        if not set(finding.at.strings) & set(mass_share):
            yield ("string", "gauge"), finding
    usual = float(median(string.tension_n for string in made.strings))
    if made.family is None or unlikely or mass_share:
        return
    low, high = FAMILIES[made.family].tension_n
    if not low <= usual <= high:
        text = (
            "As specified, the strings are at {usual:tension} or so, and those of the family "
            "{family} at {low:.0f} to {high:tension}; check pitches (an octave off?), gauges and "
            "scale."
        )
        remark = _remark(text, 1, usual=usual, family=made.family, low=low, high=high)
        yield ("string", "pitch"), remark


def unlikely_strings(strings: Sequence[InstrumentString], code: str) -> Iterator[Finding]:
    """Yield what is unlikely about strings as specified, under a finding code."""
    usual, (low, high) = float(median(s.tension_n for s in strings)), TENSION_N
    off = [s for s in strings if not low <= s.tension_n <= min(high, TENSION_FACTOR * usual)]
    if 2 * len(off) > len(strings):
        numbers = tuple(string.number for string in off)
        yield Finding(
            code,
            "As specified, {on:strings} are at {usual:tension} or so, as no such strings are. "
            "Check pitches (an octave off?), gauges, masses and scale.",
            At(strings=numbers),
            on=numbers,
            usual=float(median(string.tension_n for string in off)),
        )
        off = []
    for string in off:
        yield Finding(
            code,
            "String {n} as specified is at {tension:tension}, where the others are at "
            "{usual:tension} or so. Check its pitch, gauge and mass per length.",
            At(strings=(string.number,)),
            n=string.number,
            tension=string.tension_n,
            usual=usual,
        )
    plain = [string for string in strings if not string.wound]
    steel = [s for s in plain if s.modulus_n_per_mm2 > STEEL_SHARE * STEEL_MODULUS_N_PER_MM2]
    thick = [string for string in steel if string.gauge_mm > PLAIN_STEEL_MM]
    if thick:
        numbers = tuple(string.number for string in thick)
        yield Finding(
            code,
            "Plain steel of {gauge:length} ({on:strings}) is thicker than plain steel strings are. "
            "Give the core and wrap of a wound string, or its material.",
            At(strings=numbers),
            on=numbers,
            gauge=max(string.gauge_mm for string in thick),
        )
    if steel and len(steel) < len(plain):
        numbers = tuple(string.number for string in steel)
        yield Finding(
            code,
            "Plain steel ({on:strings}) stands beside plain strings of another material. Check "
            "what the strings are made of.",
            At(strings=numbers),
            on=numbers,
        )


def _scale(made: Specification) -> Iterator[tuple[Key, Finding]]:
    scale = made.scale
    if scale.bass_mm < scale.treble_mm:
        text = (
            "The bass string's scale of {bass:size} is shorter than the treble string's of "
            "{treble:size}; check whether bass and treble are swapped."
        )
        yield (
            ("scale", "bass"),
            _remark(text, bass=scale.bass_mm, treble=scale.treble_mm),
        )
    if made.family is None:
        return
    low, high = FAMILIES[made.family].scale_mm
    if scale.treble_mm < low or scale.bass_mm > high:
        text = (
            "A scale of {scale:size} is unusual in the family {family}, whose scales are "
            "{low:size} to {high:size}; check scale and family."
        )
        key = "length" if scale.treble_mm == scale.bass_mm else "treble"
        given = scale.treble_mm if scale.treble_mm < low else scale.bass_mm
        remark = _remark(text, scale=given, family=made.family, low=low, high=high)
        yield ("scale", key), remark


def _board(made: Specification) -> Iterator[tuple[Key, Finding]]:
    board, wire = made.board, made.fretwire
    ends = (
        ("string_spread_nut", board.string_spread_nut_mm, board.string_spread_saddle_mm, "saddle"),
        ("width_nut", board.width_nut_mm, board.width_last_mm, "last fret"),
        ("radius_nut", board.radius_nut_mm, board.radius_last_mm, "last fret"),
    )
    for key, nut, far, place in ends:
        if nut > far:
            text = (
                "{key} is larger than its counterpart at the {place}; check whether they are "
                "swapped."
            )
            yield ("board", key), _remark(text, key=key, place=place)
    along = float(fret_distance_mm(1.0, made.frets))
    nut, saddle = board.string_spread_nut_mm, board.string_spread_saddle_mm
    spread = nut + (saddle - nut) * along
    if spread > board.width_last_mm:
        text = (
            "At the last fret the outer strings are {spread:size} apart and the board is "
            "{width:size} wide; check width_last and string_spread_saddle."
        )
        yield (
            ("board", "width_last"),
            _remark(text, spread=spread, width=board.width_last_mm),
        )
    if wire.crown_height_mm > WIRE_SHARE * wire.crown_width_mm:
        text = (
            "A crown {height:size} high and {width:size} wide is not fret wire; check whether "
            "crown_height and crown_width are swapped."
        )
        values = {"height": wire.crown_height_mm, "width": wire.crown_width_mm}
        yield ("fretwire", "crown_height"), _remark(text, **values)


def _player(made: Specification) -> Iterator[tuple[Key, Finding]]:
    forced = {
        string.number: force
        for string, force in zip(made.strings, made.player.attack_n, strict=True)
        if force > ATTACK_SHARE * string.tension_n
    }
    if forced:
        text = (
            "An attack of {attack:force} on {on:strings} is over a fifth of the tension, and the "
            "motion no longer small; check it: 1 N is the weight of about 100 grams."
        )
        most = max(forced.values())
        yield ("player", "attack"), _remark(text, *forced, on=tuple(forced), attack=most)
    pluck, frets = made.player.pluck_distance_mm, made.frets
    fret = int(12.0 * math.log2(made.scale.treble_mm / pluck)) if pluck > 0.0 else frets
    if fret < frets:
        text = (
            "The strings are plucked {pluck:length} from the saddle, which is over the "
            "fretboard between frets {fret} and {next}; check pluck_distance and frets."
        )
        yield ("player", "pluck_distance"), _remark(text, pluck=pluck, fret=fret, next=fret + 1)


def _gaps(made: Specification) -> Iterator[tuple[Key, Finding]]:
    target, strings = made.target, made.strings
    falling = strings[-1].frequency_hz < strings[0].frequency_hz and not made.reentrant
    named = {"action": target.action, "first_fret_gap": target.first_fret_gap}
    for key, gap in named.items():
        treble, bass = gap[0].value_mm, gap[-1].value_mm
        if falling and bass < treble - _STEP_MM[key]:
            text = (
                "{key} asks for {bass:length} under string {n} and for {treble:length} under "
                "string 1, but low strings need more; check whether they are swapped."
            )
            yield ("target", key), _remark(text, key=key, bass=bass, treble=treble, n=len(gap))
    least, first_gap = target.action[0].value_mm, target.first_fret_gap[0].value_mm
    if least < LEAST_ACTION_MM and first_gap < LEAST_ACTION_MM:  # else the two are swapped
        text = "No instrument is set to an action of {action:length}; check action and its unit."
        yield ("target", "action"), _remark(text, action=least)
        return
    for number, (over, near) in enumerate(zip(*named.values(), strict=True), start=1):
        if near.maximum_mm >= over.minimum_mm:
            text = (
                "On string {n} the first-fret gap may be as large as the action; check "
                "whether they are swapped."
            )
            yield ("target", "first_fret_gap"), _remark(text, number, n=number)
            break
    limits = {**{key: gap[0] for key, gap in named.items()}, "relief": target.relief}
    for key, limit in limits.items():
        if limit.maximum_mm - limit.minimum_mm < NARROW_MM:
            text = (
                "The limits of {key} are {width:length} apart, which nobody can set; check them "
                "and their unit."
            )
            width = limit.maximum_mm - limit.minimum_mm
            yield ("target", key), _remark(text, key=key, width=width)


def _tuning(made: Specification) -> Iterator[tuple[Key, Finding]]:
    """Yield strings numbered from the bass; of a course its lowest string counts."""
    per_course = len(made.strings) // (made.courses or len(made.strings))
    courses = [made.strings[n : n + per_course] for n in range(0, len(made.strings), per_course)]
    for number, course in enumerate(courses, start=1):
        low = min(one.frequency_hz for one in course)
        octaves = [math.log2(one.frequency_hz / low) for one in course]
        if any(1200.0 * abs(up - round(up)) > IN_TUNE_CENTS for up in octaves):
            text = (
                "The strings of course {n} are neither in unison nor octaves apart; check their "
                "pitches, and courses, which is the number of courses."
            )
            at = (one.number for one in course)
            yield ("string", "pitch"), _remark(text, *at, n=number)
            return
    if made.reentrant:
        return
    lowest = [min(course, key=lambda one: one.frequency_hz) for course in courses]
    for before, after in pairwise(lowest):
        if after.frequency_hz > before.frequency_hz:
            text = (
                "String {n} is tuned over string {before}, but strings are numbered from the "
                "treble; correct the numbers, or write reentrant = true or the number of "
                "courses under [model]."
            )
            yield (
                ("string", "pitch"),
                _remark(text, after.number, n=after.number, before=before.number),
            )
            return
