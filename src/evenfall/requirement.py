"""What a stopped position has to clear, and when it does: one rule for all who say holds or fails.

Stopped at fret i, a string needs room over fret j for its first swing and the specification's extra
clearance. Between buzz force and touch force it grazes a crown late and loses less than about 1 %
of its energy; metal is not cut for that. Nor is it cut for what level frets would not give either:
no file makes a neck clear more than its level line does at the same rod, nut and saddle. So a
position that falls short of the need fails only where it is also worse than level frets.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, CodeArray, FloatArray, ahead, shut
from evenfall.wording import SHARE_TOLERANCE

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.strings.excursion import ExcursionTable

ROUNDING_MM = 1e-9
"""A clearance worked out in two orders must not come out on both sides of a bound [mm]."""
FITS_SHARE = 0.85
"""Attack and targets do not fit each other where level frets stay clear up to less of the attack;
our judgement, no source."""
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


class State(IntEnum):
    """How a position, a note or a neck stands; the worst is the largest."""

    UNKNOWN = 0  # no such position, or one of its heights is not known
    HOLDS = 1  # clears what is needed
    AS_GOOD = 2  # needs more than level frets would give, and is as good as they are
    FAILS = 3  # worse than needed, and worse than level frets


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """How K strings over F frets stand; arrays by stopped fret i and fret j further on."""

    need_mm: FloatArray  # clearance needed at the attack, (K, F + 1, F + 1)
    bound_mm: FloatArray  # the need, or what level frets would give if that is less
    tolerance_mm: FloatArray  # by which a position may fall short of either
    state: CodeArray  # `State` of each position, UNKNOWN where j <= i

    def __post_init__(self) -> None:
        shut(self)

    @property
    def note_state(self) -> CodeArray:
        """Return the worst state of each note, stopped at 0 to F - 1, shape (K, F)."""
        return np.asarray(self.state[:, :-1].max(axis=2))

    @property
    def worst(self) -> State:
        """Return the worst state of the whole neck."""
        return State(int(self.state.max()))


def judge(
    requirement: Requirement,
    attack_n: FloatArray,
    clearance_mm: FloatArray,
    level_clearance_mm: FloatArray,
    *,
    smallest_cut_mm: float,
    attack_tolerance: float,
) -> Judged:
    """Return how every position stands at an attack of shape (K,) [N].

    Rest clearances as found and with level frets at the same rod, nut and saddle have the shape
    (K, F + 1, F + 1) [mm], NaN where j <= i or where a height is not known. The tolerance is half
    the smallest cut, or `attack_tolerance` of the swing that the bound leaves room for.
    """
    need = requirement.need_mm(attack_n)
    bound = np.fmin(need, level_clearance_mm)
    swing = np.maximum(bound - requirement.extra_clearance_mm, 0.0)
    tolerance = np.maximum(0.5 * smallest_cut_mm, attack_tolerance * swing)
    reached = clearance_mm + tolerance + ROUNDING_MM
    free = np.isfinite(clearance_mm) & ahead(clearance_mm.shape[1])
    # by the worst first, for speed: each better state stands over it
    state = np.full(clearance_mm.shape, State.FAILS, dtype=np.int8)
    state[reached >= bound] = State.AS_GOOD
    state[reached >= need] = State.HOLDS
    state[~free] = State.UNKNOWN
    return Judged(need, bound, tolerance, state)


def margin_share(force_n: FloatArray, attack_n: FloatArray) -> FloatArray:
    """Return buzz (or touch) force (K, F) over the attack (K,), huge where there is no attack."""
    return np.asarray(force_n / np.maximum(attack_n[:, None], _LEAST_ATTACK_N))


def falls_short(force_n: FloatArray, attack_n: FloatArray) -> BoolArray:
    """Return where a force (K, F) is under the attack (K,)."""
    return np.asarray(force_n < (1.0 - SHARE_TOLERANCE) * attack_n[:, None])
