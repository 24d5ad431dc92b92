"""The greatest solution by one pass, where only clearance and fret life limit the frets.

With relief, saddle and nut fixed, every constraint reads z'_j <= bound(z'_i, i < j): the bounds
rise with the heights before them, so taking each fret as high as its bounds allow, from the nut
on, removes the least at every crossing at once (theory.md, section 3).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.levelling.problem import Problem


def greatest_crown_tops_mm(problem: Problem) -> FloatArray:
    """Return the highest crown tops that clear with nut, saddle and relief as found, (K, F) [mm].

    Fret life is not looked at: compare the result with `problem.room_mm`.
    """
    measurement = problem.measurement
    height = np.concatenate([measurement.nut_mm[:, None], measurement.crown_top_mm], axis=1)
    need = problem.margin_mm + problem.attack_n[:, None, None] * problem.excursion.buzz_mm_per_n
    for j in range(1, problem.frets + 1):
        share = problem.share[:, :j, j]
        bound = (
            (1.0 - share) * height[:, :j] + share * measurement.saddle_mm[:, None] - need[:, :j, j]
        )
        height[:, j] = np.minimum(height[:, j], bound.min(axis=1))
    return height[:, 1:]
