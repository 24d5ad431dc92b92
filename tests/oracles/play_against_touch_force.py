"""Does the touch force keep its word? Random necks, every sampled note played with contact.

For each neck some positions are drawn, and for each an attack between 0.4 and 2 times the
position's touch force by the excursion table, half of the draws near the two limits it sets:
touch force over 1.3 times the attack is clean, under 0.7 touches. Notes are played plucked away
from the board and towards it, all with contact: nothing is left out because the table calls it
clean.

    python tests/oracles/play_against_touch_force.py [necks] [positions per neck]
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evenfall.strings.clearance import rest_clearance_mm, touch_force
from evenfall.strings.playtest import Settings
from evenfall.strings.playtest.notes import Note, StoppedStrings, load_kernel, run_notes
from strings.played_necks import MODELS, random_neck

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass
class Agreement:
    """Touch force over attack, and the worst verdict of both directions (0, 1, 2), note by note."""

    model: list[str] = field(default_factory=list)
    position: list[int] = field(default_factory=list)
    touch_force_ratio: list[float] = field(default_factory=list)
    verdict: list[int] = field(default_factory=list)

    def table(self) -> dict[str, list[int]]:
        """Return counts of clean, touching and rattling notes by touch force over attack."""
        ratio, verdict = np.array(self.touch_force_ratio), np.array(self.verdict)
        bands = {
            "under 0.7": ratio < 0.7,
            "0.7 to 1": (ratio >= 0.7) & (ratio < 1.0),
            "1 to 1.3": (ratio >= 1.0) & (ratio < 1.3),
            "over 1.3": ratio >= 1.3,
        }
        return {
            name: [int(np.count_nonzero(verdict[inside] == v)) for v in range(3)]
            for name, inside in bands.items()
        }


def agreement(necks: int, positions: int, first_seed: int = 0) -> Agreement:
    """Play notes on random necks of three models."""
    kernel = load_kernel()
    settings = Settings()
    found = Agreement()
    for seed in range(first_seed, first_seed + necks):
        model = list(MODELS)[seed % len(MODELS)]
        made = random_neck(model, seed)
        clearance = rest_clearance_mm(made.lines, *made.heights_mm)
        room = touch_force(clearance, made.excursion).force_n
        rng = np.random.default_rng(10_000 + seed)
        strings, frets = room.shape
        drawn = sorted(
            {
                (int(k), int(p))
                for k, p in zip(
                    rng.integers(strings, size=positions),
                    rng.integers(frets, size=positions),
                    strict=True,
                )
                if room[k, p] > 0.0
            }
        )
        if not drawn:
            continue
        table = StoppedStrings.of(
            made.specification,
            made.lines,
            clearance,
            settings,
            duration_s=0.25,
            only=tuple(drawn),
        )
        ratio = np.where(
            rng.random(len(drawn)) < 0.5,
            rng.choice([0.69, 1.31], size=len(drawn)),
            rng.uniform(0.5, 2.5, size=len(drawn)),
        )
        notes = [
            Note((*place, 0, d), index, sign * room[place] / ratio[index])
            for index, place in enumerate(drawn)
            for d, sign in enumerate((1.0, -1.0))
        ]
        played = run_notes(kernel, table, notes, settings)
        touched = played.counts[:, kernel.FIRST_FRET] >= 0
        verdict = np.where(played.counts[:, kernel.STRIKES_OVER] > 0, 2, touched.astype(int))
        found.model += [model] * len(drawn)
        found.position += [p for _, p in drawn]
        found.touch_force_ratio += ratio.tolist()
        found.verdict += verdict.reshape(-1, 2).max(axis=1).tolist()
    return found


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    result = agreement(*(numbers + [500, 6][len(numbers) :]))
    print(f"{'touch_force / attack':20s} {'clean':>7s} {'touches':>8s} {'rattles':>8s}")
    for name, (clean, touches, rattles) in result.table().items():
        print(f"{name:20s} {clean:7d} {touches:8d} {rattles:8d}")
    over = [
        (m, p, r, v)
        for m, p, r, v in zip(
            result.model, result.position, result.touch_force_ratio, result.verdict, strict=True
        )
        if (r >= 1.3 and v > 0) or (r < 0.7 and v == 0)
    ]
    print(f"{len(over)} of {len(result.verdict)} break the requirement:", sorted(over)[:60])
