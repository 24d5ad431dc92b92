"""Do touch force and buzz force keep their word? Random necks, drawn notes played with contact.

On each neck some positions are drawn, and played away from the board and towards it at 0.997 and
1.003 times the touch force of that direction: the first must not touch, the second must. Each
is also played both ways at a force between 0.6 and 2 times its touch force, to see whether it
rattles. Nothing is left out because the table calls it clean, and each note is followed until the
bound on its motion allows no first touch.

    python tests/oracles/play_against_touch_force.py [necks] [positions per neck]
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evenfall.strings.clearance import buzz_force, rest_clearance_mm, touch_force
from evenfall.strings.playtest import Settings
from evenfall.strings.playtest.notes import Note, StoppedStrings, load_kernel, run_notes
from evenfall.strings.playtest.whole_neck import _force_by_direction, _settled_s
from strings.played_necks import MODELS, random_neck

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


def agreement(necks: int, positions: int, first_seed: int = 0) -> Agreement:
    """Play notes on random necks of every model."""
    kernel = load_kernel()
    settings = Settings()
    found = Agreement()
    for seed in range(first_seed, first_seed + necks):
        model = list(MODELS)[seed % len(MODELS)]
        made = random_neck(model, seed)
        clearance = rest_clearance_mm(made.lines, *made.heights_mm)
        touch = touch_force(clearance, made.excursion).force_n
        buzz = buzz_force(clearance, made.excursion).force_n
        by_side, _ = _force_by_direction(clearance, made.excursion.whole_mm_per_n)
        rng = np.random.default_rng(10_000 + seed)
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
            made.specification, made.lines, clearance, settings,
            duration_s=0.25, only=tuple(places),
        )  # fmt: skip
        followed = []
        for stopped, (k, p), gaps in zip(table.strings, places, table.clearance_mm, strict=True):
            swings = made.excursion.whole_mm_per_n[:, k, p, p + 1 :]
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


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    result = agreement(*(numbers + [500, 6][len(numbers) :]))
    wrong = result.contradictions()
    print(f"{len(result.near)} notes at the touch force, contradictions: {len(wrong)}", wrong[:20])
    for multiple in (0.96, 1.0, 1.04, 1.08):
        print(f"{multiple:.2f} x buzz force: {100.0 * result.sorting_mistakes(multiple):.1f} %")
    print(f"best multiple of touch force: {100.0 * result.sorting_mistakes_by_touch():.1f} %")
