"""Do touch force and buzz force keep their word? Random necks, drawn notes played with contact.

On each neck some positions are drawn, and played away from the board and towards it at 0.997 and
1.003 times the touch force of that direction: the first must not touch, the second must. Each
is also played both ways at a force between 0.6 and 2 times its touch force, to see whether it
rattles. Nothing is left out because the table calls it clean, and each note is followed until the
bound on its motion allows no first touch.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from evenfall.instrument import Specification, StringLines
from evenfall.strings.clearance import buzz_force, rest_clearance_mm, touch_force
from evenfall.strings.excursion import ExcursionTable
from evenfall.strings.playtest import Settings
from evenfall.strings.playtest.notes import Note, StoppedStrings, load_kernel, run_notes
from evenfall.strings.playtest.whole_neck import _force_by_direction, _settled_s

FloatArray = NDArray[np.float64]

NEAR = 0.003  # of the force: what table and steps in time may differ by
MULTIPLES = np.arange(0.9, 1.6, 0.01)


@dataclass
class Agreement:
    """What the table says of each note, and what became of it."""

    model: list[str] = field(default_factory=list)
    near: list[tuple[str, int, int, float, bool]] = field(default_factory=list)
    over_touch: list[float] = field(default_factory=list)  # force over touch force
    over_buzz: list[float] = field(default_factory=list)
    rattles: list[bool] = field(default_factory=list)

    def add(self, other: Agreement) -> None:
        """Take over the notes of another."""
        for name in ("model", "near", "over_touch", "over_buzz", "rattles"):
            getattr(self, name).extend(getattr(other, name))

    def contradictions(self) -> list[tuple[str, int, int, float, bool]]:
        """Return notes that touch under their touch force, or stay clean over it."""
        return [note for note in self.near if note[4] != (note[3] > 1.0)]

    def sorting_mistakes(self, multiple: float) -> float:
        """Return the share of notes that this multiple of the buzz force sorts wrongly."""
        return float(np.mean((np.array(self.over_buzz) > multiple) != np.array(self.rattles)))

    def sorting_mistakes_by_touch(self) -> float:
        """Return the same of the best multiple of the touch force."""
        wrong = (np.array(self.over_touch) > MULTIPLES[:, None]) != np.array(self.rattles)
        return float(wrong.mean(axis=1).min())


class Case(NamedTuple):
    """A neck to be played: heights [mm] over one datum, and the chance that notes are drawn by."""

    name: str
    specification: Specification
    lines: StringLines
    heights_mm: tuple[FloatArray, FloatArray, FloatArray]
    excursion: ExcursionTable
    chance: np.random.Generator


def agreement(cases: Iterable[Case], positions: int) -> Agreement:
    """Play so many stopped positions of each neck."""
    kernel = load_kernel()
    settings = Settings()
    found = Agreement()
    for model, specification, lines, heights_mm, excursion, rng in cases:
        clearance = rest_clearance_mm(lines, *heights_mm)
        touch = touch_force(clearance, excursion).force_n
        buzz = buzz_force(clearance, excursion).force_n
        by_side, _ = _force_by_direction(clearance, excursion.whole_mm_per_n)
        strings, frets = touch.shape
        drawn = rng.choice(strings * frets, size=positions, replace=False)
        places = [
            (int(n) // frets, int(n) % frets)
            for n in sorted(drawn)
            if touch[int(n) // frets, int(n) % frets] > 0.0
        ]
        if not places:
            continue
        table = StoppedStrings.of(
            specification, lines, clearance, settings,
            duration_s=0.25, only=tuple(places),
        )  # fmt: skip
        followed = []
        for stopped, (k, p), gaps in zip(table.strings, places, table.clearance_mm, strict=True):
            swings = excursion.whole_mm_per_n[:, k, p, p + 1 :]
            nearest = [gaps <= 1.01 * (gaps / swing).min() * swing for swing in swings]
            followed.append(
                max(
                    0.25,
                    *(_settled_s(stopped, *pair) for pair in zip(swings, nearest, strict=True)),
                )
            )
        table = table.followed(np.array(followed))
        notes, drawn_ratio = [], rng.uniform(0.6, 2.0, size=len(places))
        for index, place in enumerate(places):
            for side, sign in enumerate((1.0, -1.0)):
                for share in (1.0 - NEAR, 1.0 + NEAR):
                    force = sign * share * by_side[(*place, side)]
                    notes.append(Note((*place, 0, side), index, force))
                notes.append(
                    Note((*place, 0, side), index, sign * drawn_ratio[index] * touch[place])
                )
        played = run_notes(kernel, table, notes, settings)
        touched = (played.counts[:, kernel.FIRST_FRET] >= 0).reshape(-1, 2, 3)
        rattling = (played.counts[:, kernel.STRIKES_OVER] > 0).reshape(-1, 2, 3)
        for index, (k, p) in enumerate(places):
            found.model.append(model)
            for side in range(2):
                for at, share in enumerate((1.0 - NEAR, 1.0 + NEAR)):
                    note = (model, k + 1, p, share, bool(touched[index, side, at]))
                    found.near.append(note)
            found.over_touch.append(float(drawn_ratio[index]))
            found.over_buzz.append(float(drawn_ratio[index] * touch[k, p] / buzz[k, p]))
            found.rattles.append(bool(rattling[index, :, 2].any()))
    return found
