"""What a person does with a plan: as it says, give or take what a bench misses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from necks.neck import Neck


@dataclass(frozen=True)
class Misses:
    """How far a setting or a cut may end up from what was asked for [mm], evenly spread.

    The working allowances of `[judgement]`: common practice, no source.
    """

    rod: float = 0.05
    saddle: float = 0.05
    nut: float = 0.03
    file: float = 0.02


NONE = Misses(0.0, 0.0, 0.0, 0.0)
STILL_MM = 1e-9
"""What moves by less is left alone, and so misses nothing."""


def set_up(
    neck: Neck,
    chance: np.random.Generator,
    *,
    relief_mm: float = 0.0,
    saddle_mm: FloatArray | float = 0.0,
    nut_mm: FloatArray | float = 0.0,
    misses: Misses | None = None,
) -> Neck:
    """Return the neck after rod, saddle and nut slots were moved; what is left is not missed."""
    misses = misses or Misses()
    count = neck.specification.string_count

    def moved(asked: FloatArray | float, miss: float) -> FloatArray:
        wanted = np.broadcast_to(np.asarray(asked, dtype=float), (count,))
        off = miss * chance.uniform(-1.0, 1.0, count)
        return np.asarray(np.where(np.abs(wanted) > STILL_MM, wanted + off, 0.0))

    turned = relief_mm + misses.rod * chance.uniform(-1.0, 1.0)
    return neck.moved(
        relief_mm=turned if abs(relief_mm) > STILL_MM else 0.0,
        saddle_mm=moved(saddle_mm, misses.saddle),
        nut_mm=moved(nut_mm, misses.nut),
    )


def cut(
    neck: Neck, chance: np.random.Generator, removal_mm: FloatArray, misses: Misses | None = None
) -> Neck:
    """Return the neck after metal came off, shape (K, F).

    A fret is filed in one go, so most of a miss is common to the whole fret; none is put back.
    """
    misses = misses or Misses()
    strings, frets = removal_mm.shape
    common = 0.75 * chance.uniform(-1.0, 1.0, frets)
    own = 0.25 * chance.uniform(-1.0, 1.0, (strings, frets))
    off = misses.file * (common + own)
    done = np.where(removal_mm > STILL_MM, np.maximum(0.0, removal_mm + off), 0.0)
    return neck.moved(off_mm=-done)
