"""Twelve necks as a technician would meet them: the words of whoever brings one, and the truth.

`words` are what is said at the counter; the neck behind it is made by the first generator, and read
as the person at the bench would read it. Invented throughout.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from evenfall.measurement import Measurement
from necks.invented import Bump, neck, worn_first_frets
from necks.kinds import specification
from necks.neck import Neck
from necks.readings import Reader, read
from necks.slips import SLIPS


@dataclass(frozen=True)
class Told:
    """One neck, in words and in truth."""

    name: str
    words: str  # as told at the counter
    truth: Neck
    reader: Reader
    slip: str = ""  # a key of `SLIPS`, if it was put down wrongly

    def measurement(self) -> Measurement:
        """Return the readings that the bench took."""
        chance = np.random.default_rng([12, *self.name.encode()])
        found = read(self.truth, chance, self.reader)
        return SLIPS[self.slip](found, chance) if self.slip else found


DIAL, FEELER = Reader(0.005), Reader(0.02)


def _around(kind: str, what: str, by_mm: float) -> np.ndarray:
    """Return a target's values, all moved by so much."""
    limits = getattr(specification(kind).target, what)
    return np.array([limit.value_mm for limit in limits]) + by_mm


def _rough(kind: str, **faults: object) -> Neck:
    chance = np.random.default_rng(417)
    return neck(kind, roughness_mm=0.003, chance=chance, **faults)  # type: ignore[arg-type]


def _high_action() -> Neck:
    return _rough("acoustic", action_mm=_around("acoustic", "action", 0.7))


def _worn_first_frets() -> Neck:
    made = specification("electric")
    return _rough("electric", wear_mm=worn_first_frets(made, 0.16, frets=4))


def _hump() -> Neck:
    hump = [Bump(15, 0.04), Bump(16, 0.12), Bump(17, 0.13), Bump(18, 0.05)]
    return _rough("electric", bumps=hump, action_mm=_around("electric", "action", -0.1))


def _back_bow() -> Neck:
    return _rough("electric", relief_mm=-0.09, action_mm=_around("electric", "action", -0.12))


def _low_slot() -> Neck:
    gap = _around("bass", "first_fret_gap", 0.0)
    gap[2] -= 0.42
    return _rough("bass", first_fret_gap_mm=gap)


def _one_high_fret() -> Neck:
    return _rough("electric", bumps=[Bump(9, 0.075)])


def _after_a_refret() -> Neck:
    bumps = [Bump(5, 0.12, 0.02), Bump(11, 0.09), Bump(12, 0.01, 0.10)]
    made = _rough("bass", bumps=bumps, relief_mm=0.30)
    new = np.full_like(made.crown_height_mm, made.specification.fretwire.crown_height_mm)
    return replace(made, crown_height_mm=new)


def _sound() -> Neck:
    return _rough("electric")


def _too_much_relief_and_no_rod() -> Neck:
    return _rough("classical", relief_mm=0.42, action_mm=_around("classical", "action", 0.3))


def _low_on_the_bass_side() -> Neck:
    action = _around("mandolin", "action", 0.0)
    action -= np.linspace(0.0, 0.45, len(action))
    return _rough("mandolin", action_mm=action)


def _everything_adrift() -> Neck:
    return _rough(
        "fan",
        relief_mm=0.38,
        action_mm=_around("fan", "action", 0.35),
        first_fret_gap_mm=_around("fan", "first_fret_gap", 0.18),
        bumps=[Bump(7, 0.07), Bump(8, 0.06, 0.02)],
    )


_MADE: tuple[tuple[str, str, Callable[[], Neck], Reader, str], ...] = (
    (
        "high action",
        "Steel-string. Never buzzes, but my hands give up after an hour: the strings are miles "
        "off the board up the neck. Neck looks straight.",
        _high_action,
        DIAL,
        "",
    ),
    (
        "worn first frets",
        "Electric, fifteen years of cowboy chords. Grooves under the top strings on the first "
        "few frets; those chords rattle now, everything higher up is fine.",
        _worn_first_frets,
        DIAL,
        "",
    ),
    (
        "hump at the joint",
        "Electric with a set neck. There is a hump where the neck meets the body: from the "
        "twelfth fret to the fifteenth it chokes out.",
        _hump,
        DIAL,
        "",
    ),
    (
        "back-bow",
        "Electric, spent the winter in a damp room. First five frets buzz on every string. I "
        "can see the neck humping up when I sight along it.",
        _back_bow,
        DIAL,
        "",
    ),
    (
        "low nut slot",
        "Bass. The open A rattles against the first fret; fret it anywhere and it is clean.",
        _low_slot,
        DIAL,
        "",
    ),
    (
        "one high fret",
        "Electric. Bends at the eighth fret die on every string; next fret up they ring.",
        _one_high_fret,
        DIAL,
        "",
    ),
    (
        "after a refret",
        "Bass, new wire last week by an apprentice. Strung up; a few frets look proud at one "
        "end. Level it only as far as it needs.",
        _after_a_refret,
        DIAL,
        "",
    ),
    (
        "sound, read with feelers",
        "Electric, just bought. Nothing wrong that I can hear; please check it over. Only "
        "feelers and a straightedge at hand.",
        _sound,
        FEELER,
        "",
    ),
    (
        "strings numbered from the bass",
        "Electric. Standard check before it goes back to the customer. (The new hand wrote the "
        "sheet and counted the strings from the low one.)",
        _one_high_fret,
        DIAL,
        "strings reversed",
    ),
    (
        "no rod and too much relief",
        "Classical, no truss rod. A deep dip in the neck, action high with it. What can be done "
        "short of pulling the board?",
        _too_much_relief_and_no_rod,
        DIAL,
        "",
    ),
    (
        "low on the bass side",
        "Mandolin. Bridge foot was sanded crooked: the low courses sit down on the frets and "
        "rattle, the high ones are fine.",
        _low_on_the_bass_side,
        DIAL,
        "",
    ),
    (
        "everything adrift",
        "Seven-string, fanned. Strings changed to another set by a friend, rod untouched since. "
        "High everywhere, and a dead patch around the seventh fret.",
        _everything_adrift,
        DIAL,
        "",
    ),
)

TOLD: dict[str, Told] = {
    name: Told(name, words, make(), reader, slip) for name, words, make, reader, slip in _MADE
}
