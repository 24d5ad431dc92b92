"""Strings that no instrument has: what a complete specification may still have got wrong."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median
from typing import TYPE_CHECKING

from evenfall.errors import At, Finding
from evenfall.instrument.specification import STEEL_MODULUS_N_PER_MM2

if TYPE_CHECKING:
    from evenfall.instrument.specification import InstrumentString

TENSION_N = (15.0, 300.0)
TENSION_FACTOR = 2.6
"""A string is under an unlikely tension outside these, and over so many times the median one."""

PLAIN_STEEL_MM = 0.55
"""Plain steel strings are thinner."""

STEEL_SHARE = 0.5
"""Share of the modulus of steel from which a string counts as one of steel."""


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
