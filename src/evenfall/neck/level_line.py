"""The level line of a neck: where its crowns would stand if every fret were level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from evenfall.arrays import shut

if TYPE_CHECKING:
    from evenfall.arrays import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class StandsOut:
    """A fret that stands out of the level line, up or down."""

    fret: int
    strings: tuple[int, ...]  # under which it does
    size_mm: float  # the most that it stands out by, low is negative
    mean_mm: float  # over the strings read
    tilt_mm: float  # from the last string to the first, the treble side higher is positive


@dataclass(frozen=True, slots=True, eq=False)
class LevelLine:
    """The level line of K strings over F frets, and what stands out of it."""

    level_mm: FloatArray  # the line itself at each crown, (K, F)
    taken_mm: FloatArray  # crown tops as they are taken for a decision, (K, F)
    off_mm: FloatArray  # how far they stand out, 0 where level, (K, F)
    read: BoolArray  # which crowns were read or follow from readings, (K, F)
    u_mm: FloatArray  # standard uncertainty of the crowns, (K, F)
    standing: tuple[StandsOut, ...]
    hump_mm: float  # rise past the joint that is no part of the line
    fall_away_mm: float  # fall past the joint that is part of it
    relief_mm: float  # of the bow alone
    scatter_mm: float  # robust spread of the crowns about the line
    follows_arch: bool  # whether the heights were read from a datum that follows the arch

    def __post_init__(self) -> None:
        shut(self)
