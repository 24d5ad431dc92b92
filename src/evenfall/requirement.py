"""What a stopped position has to clear: one rule for plan, audit, diagnosis, proof and pictures.

No position may buzz at the attack that it is judged by: over every fret further on there is room
for the first swing and the specification's extra clearance. Between buzz force and touch force a
string grazes a crown late and loses less than about 1 % of its energy; metal is not cut for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from evenfall.arrays import BoolArray, FloatArray
    from evenfall.instrument import Specification
    from evenfall.strings.excursion import ExcursionTable

SHARE_TOLERANCE = 1e-6
"""A plan that stays clear up to exactly the attack must not fall short of it by rounding."""
_LEAST_ATTACK_N = 1e-9
"""With no attack at all every note that clears at rest has a margin without end [N]."""


@dataclass(frozen=True, slots=True)
class Requirement:
    """What K strings over F frets have to clear, by stopped fret i and fret j further on."""

    swing_mm_per_n: FloatArray  # per newton of attack, (K, F + 1, F + 1); 0 where j <= i
    extra_clearance_mm: float  # on top of the swing

    @staticmethod
    def of(specification: Specification, excursion: ExcursionTable) -> Requirement:
        """Return what a specification requires: that the first swing clears."""
        return Requirement(excursion.buzz_mm_per_n, specification.rule.extra_clearance_mm)

    def need_mm(self, attack_n: FloatArray) -> FloatArray:
        """Return the clearance needed at an attack of shape (K,), shape (K, F + 1, F + 1) [mm]."""
        return np.asarray(attack_n[:, None, None] * self.swing_mm_per_n + self.extra_clearance_mm)


def margin_share(force_n: FloatArray, attack_n: FloatArray) -> FloatArray:
    """Return buzz (or touch) force (K, F) over the attack (K,), huge where there is no attack."""
    return np.asarray(force_n / np.maximum(attack_n[:, None], _LEAST_ATTACK_N))


def falls_short(force_n: FloatArray, attack_n: FloatArray) -> BoolArray:
    """Return where a force (K, F) is under the attack (K,)."""
    return np.asarray(force_n < (1.0 - SHARE_TOLERANCE) * attack_n[:, None])


def whole_percent(share: float) -> int:
    """Return a margin in percent, rounded down so that it never looks safer than it is."""
    return math.floor(100.0 * (share + SHARE_TOLERANCE))
