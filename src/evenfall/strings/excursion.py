"""How deep every string of an instrument swings, per newton: a table of the specification alone.

The table depends on nothing that is measured, so it is computed once per specification and may
be kept: `excursion_key` names it.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypedDict

import numpy as np

from evenfall.strings.motion import excursion_per_newton, pluck_compliance_mm_per_n

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification, StringLines

TABLE_VERSION = 2
"""Raise when the motion model changes, so that kept tables are not used again."""

PERIODS = 3
"""Periods of the lowest mode that the swing is followed for.

A stiff string swings deeper in the third period than in the first two: over the next fret by
2 % on a plain 0.25 mm steel string, by up to 6 % on a stiff wound one. The published ratios to the
ideal string (6-8 % and 12-30 % deeper) are those of three periods too.
"""


class _Quantities(TypedDict):
    """What the motion of one string depends on; see `evenfall.strings.motion`."""

    speaking_length_mm: float
    tension_n: float
    linear_density_kg_per_m: float
    bending_stiffness_n_mm2: float
    station_mm: FloatArray
    pluck_distance_mm: float
    pluck_width_mm: float


@dataclass(frozen=True, slots=True)
class ExcursionTable:
    """Excursion of K strings over F frets, per newton of attack normal to the board.

    Parameters
    ----------
    excursion_mm_per_n
        e[k, i, j] [mm/N]: deepest excursion over fret j of string k stopped at i (0 = open);
        zero for j <= i; shape (K, F + 1, F + 1).
    compliance_mm_per_n
        Displacement at the pluck point by stopped fret [mm/N], shape (K, F + 1).
    """

    excursion_mm_per_n: FloatArray
    compliance_mm_per_n: FloatArray


def excursion_table(specification: Specification, lines: StringLines) -> ExcursionTable:
    """Return the excursion table of an instrument."""
    excursion = []
    compliance = []
    for index, string in enumerate(specification.strings):
        quantities = _Quantities(
            speaking_length_mm=float(lines.saddle_station_mm[index]),
            tension_n=string.tension_n,
            linear_density_kg_per_m=string.linear_density_kg_per_m,
            bending_stiffness_n_mm2=string.bending_stiffness_n_mm2,
            station_mm=lines.station_mm[index],
            pluck_distance_mm=specification.player.pluck_distance_mm,
            pluck_width_mm=specification.player.pluck_width_mm,
        )
        excursion.append(excursion_per_newton(**quantities, periods=PERIODS))
        compliance.append(pluck_compliance_mm_per_n(**quantities))
    return ExcursionTable(np.array(excursion), np.array(compliance))


def excursion_key(specification: Specification) -> str:
    """Return the name under which the table of a specification may be kept (SHA-256).

    Only what the motion depends on enters it.
    """
    parts = {
        "version": TABLE_VERSION,
        "frets": specification.frets,
        "pluck": [specification.player.pluck_distance_mm, specification.player.pluck_width_mm],
        "strings": [
            [
                s.scale_mm,
                s.saddle_setback_mm,
                s.frequency_hz,
                s.linear_density_kg_per_m,
                s.bending_stiffness_n_mm2,
            ]
            for s in specification.strings
        ],
    }
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()
