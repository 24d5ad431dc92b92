"""How deep every string of an instrument swings, per newton: a table of the specification alone.

The table depends on nothing that is measured, so it is computed once per specification and may
be kept: `excursion_key` names it.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import astuple, dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.strings.damping import Damping, default_damping
from evenfall.strings.modes import RUNS_ON, PluckedString, pluck_compliance_mm_per_n, string_modes
from evenfall.strings.swing import deepest_swing, modes_needed

if TYPE_CHECKING:
    from evenfall.instrument import Specification, StringLines

TABLE_VERSION = 5
"""Raise when the motion model changes, so that kept tables are not used again."""

AWAY, TOWARDS = 0, 1
"""Directions in a table: pulled away from the board and let go, or pressed towards it."""


@dataclass(frozen=True, slots=True)
class ExcursionTable:
    """Excursion of K strings over F frets, per newton of attack normal to the board."""

    # deepest excursion at any time after release over fret j of string k stopped at i (0 = open),
    # by direction (`AWAY`, `TOWARDS`) [mm/N]; zero for j <= i; shape (2, K, F + 1, F + 1)
    whole_mm_per_n: FloatArray
    first_mm_per_n: FloatArray  # the same within the first period
    # displacement at the pluck point by stopped fret [mm/N], shape (K, F + 1)
    compliance_mm_per_n: FloatArray

    @property
    def touch_mm_per_n(self) -> FloatArray:
        """Deepest excursion at any time, the larger of both directions, (K, F + 1, F + 1)."""
        return np.asarray(self.whole_mm_per_n.max(axis=0))

    @property
    def buzz_mm_per_n(self) -> FloatArray:
        """Deepest excursion within the first period, the larger of both directions."""
        return np.asarray(self.first_mm_per_n.max(axis=0))


def excursion_table(
    specification: Specification, lines: StringLines, damping: Damping | None = None
) -> ExcursionTable:
    """Return the excursion table of an instrument; damping by what each string is made of."""
    size = specification.frets + 1
    whole = np.zeros((2, specification.string_count, size, size))
    first = np.zeros_like(whole)
    compliance = np.zeros((specification.string_count, size))
    for k, string in enumerate(specification.strings):
        station = lines.station_mm[k]
        for i in range(size):
            plucked = PluckedString.of(
                string,
                length_mm=float(lines.saddle_station_mm[k] - station[i]),
                pluck_distance_mm=specification.player.pluck_distance_mm,
                pluck_width_mm=specification.player.pluck_width_mm,
                damping=damping,
            )
            compliance[k, i] = pluck_compliance_mm_per_n(plucked)
            ahead = station[i + 1 :] - station[i]
            if not len(ahead):
                continue
            swing = deepest_swing(string_modes(plucked, ahead, modes_needed(plucked, ahead[0])))
            whole[:, k, i, i + 1 :] = swing.away_mm_per_n, swing.towards_mm_per_n
            first[:, k, i, i + 1 :] = swing.away_first_mm_per_n, swing.towards_first_mm_per_n
    return ExcursionTable(whole, first, compliance)


def excursion_key(specification: Specification) -> str:
    """Return the name under which the table of a specification may be kept (SHA-256).

    Only what the motion depends on enters it.
    """
    parts = {
        "version": TABLE_VERSION,
        "frets": specification.frets,
        "pluck": [specification.player.pluck_distance_mm, specification.player.pluck_width_mm],
        "ends": [RUNS_ON, RUNS_ON],
        "strings": [
            [
                s.scale_mm,
                s.saddle_setback_mm,
                s.frequency_hz,
                s.linear_density_kg_per_m,
                s.bending_stiffness_n_mm2,
                s.gauge_mm,
                *astuple(default_damping(s)),
            ]
            for s in specification.strings
        ],
    }
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()
