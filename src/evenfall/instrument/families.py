"""What instruments of one family have in common, where a specification does not say more.

Every number is common practice, no source, unless its comment names one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

Plucked = Literal["pick", "finger"]
AttackWord = Literal["light", "medium", "hard"]
Ends = tuple[float, float]  # first and last string

ATTACK_SHARES: dict[str, float] = {"light": 0.7, "medium": 1.0, "hard": 1.4}
"""A word for how hard somebody plucks, as a share of the medium force of the family. Published
forces span more (`evenfall.strings.attack.PUBLISHED`): they are whole ones, and the part of a
stroke that is normal to the board is about a third of it."""

ATTACK_WORDS: tuple[AttackWord, ...] = get_args(AttackWord)

PLUCK_WIDTH_MM: dict[str, float] = {"pick": 2.0, "finger": 8.0}
"""Width at release."""


@dataclass(frozen=True, slots=True)
class NeckSize:
    """Depths of a neck with its board, at nut and joint, and thickness of the board [mm]."""

    nut_mm: float
    joint_mm: float
    board_mm: float
    u_share: float  # relative standard uncertainty of the depths


ANY_NECK = NeckSize(20.0, 23.0, 6.0, 0.15)
"""A neck of which nothing is known."""


@dataclass(frozen=True, slots=True)
class Family:
    """One family of instruments."""

    medium_n: Mapping[Plucked, Ends]  # usual tool first
    setback_mm: Ends  # of the saddle
    tension_n: Ends  # most instruments have a median string between these
    scale_mm: Ends  # scales between these are usual
    neck: NeckSize = field(default=ANY_NECK)

    @property
    def plucked_with(self) -> Plucked:
        """What these instruments are usually plucked with."""
        return next(iter(self.medium_n))

    def attack_n(self, word: str, plucked: Plucked, count: int) -> tuple[float, ...]:
        """Return the force of an `AttackWord` on each string, normal to the board, (count,) [N]."""
        share = ATTACK_SHARES[word]
        return tuple(share * force for force in even_steps(self.medium_n[plucked], count))


def even_steps(ends: Ends, count: int) -> tuple[float, ...]:
    """Return `count` values from the first string's to the last one's."""
    first, last = ends
    return tuple(first + (last - first) * k / max(count - 1, 1) for k in range(count))


FAMILIES: dict[str, Family] = {
    "electric guitar": Family(
        {"pick": (0.44, 0.58), "finger": (0.40, 0.52)},
        (1.4, 4.3),
        (35.0, 150.0),
        (560.0, 770.0),
        NeckSize(20.0, 23.0, 6.0, 0.08),
    ),
    "steel-string guitar": Family(
        {"pick": (0.70, 0.92), "finger": (0.60, 0.80)},
        (2.0, 4.5),
        (50.0, 230.0),
        (500.0, 770.0),
        NeckSize(21.0, 25.0, 6.0, 0.08),
    ),
    "twelve-string guitar": Family(
        {"pick": (0.52, 0.70), "finger": (0.46, 0.62)},
        (2.0, 4.5),
        (45.0, 190.0),
        (500.0, 770.0),
        NeckSize(21.0, 25.0, 6.0, 0.10),
    ),
    "classical guitar": Family(
        {"finger": (0.62, 0.75), "pick": (0.52, 0.64)}, (1.5, 1.5), (30.0, 130.0), (430.0, 700.0)
    ),
    "bass": Family(
        {"finger": (1.05, 1.20), "pick": (1.15, 1.40)},
        (2.5, 5.0),
        (95.0, 400.0),
        (700.0, 960.0),
        NeckSize(22.0, 25.0, 6.0, 0.08),
    ),
    "ukulele": Family(
        {"finger": (0.44, 0.44), "pick": (0.40, 0.40)},
        (1.6, 2.1),
        (16.0, 75.0),
        (320.0, 560.0),
        NeckSize(16.0, 19.0, 3.5, 0.08),
    ),
    "mandolin": Family(
        {"pick": (0.62, 0.76), "finger": (0.52, 0.64)}, (1.5, 3.3), (40.0, 180.0), (320.0, 560.0)
    ),
    "banjo": Family(
        {"pick": (0.36, 0.46), "finger": (0.32, 0.42)}, (1.5, 3.0), (28.0, 130.0), (430.0, 830.0)
    ),
}
"""Families by the trade's names. Of other instruments a specification states what it knows."""
