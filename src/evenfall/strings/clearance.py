"""Rest clearance, touch and buzz force, and the quantities a straightedge or feeler would show.

All functions take heights over one straight datum for K strings over F frets: `nut_mm` (K,),
`crown_top_mm` (K, F), `saddle_mm` (K,). Adding a + b x to the heights of a string changes none of
the results.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray, IntArray, ahead

if TYPE_CHECKING:
    from evenfall.instrument import StringLines
    from evenfall.strings.excursion import ExcursionTable


def chord_share(lines: StringLines) -> FloatArray:
    """Return a[k, i, j] = (x_j - x_i) / (x_s - x_i), the share of the saddle in the chord.

    Stopped at i (0 = open), the string's underside over fret j > i lies at (1 - a) z_i + a z_s.
    """
    station = lines.station_mm
    span = lines.saddle_station_mm[:, None] - station
    return (station[:, None, :] - station[:, :, None]) / span[:, :, None]


def rest_clearance_mm(
    lines: StringLines,
    nut_mm: FloatArray,
    crown_top_mm: FloatArray,
    saddle_mm: FloatArray,
    share: FloatArray | None = None,
) -> FloatArray:
    """Return the gap c[k, i, j] at rest of string k, stopped at i, over fret j; NaN for j <= i.

    Who has `chord_share` of the lines at hand passes it on as `share`.
    """
    height = np.concatenate([nut_mm[:, None], crown_top_mm], axis=1)
    share = chord_share(lines) if share is None else share
    chord: FloatArray = (1.0 - share) * height[:, :, None] + share * saddle_mm[:, None, None]
    chord -= height[:, None, :]
    chord[:, ~ahead(chord.shape[1])] = np.nan
    return chord


def clearance_weights(lines: StringLines) -> FloatArray:
    """Return the weights of a string's heights (nut, crown tops, saddle) in its rest clearances.

    Shape (K, F + 1, F + 1, F + 2); 0 where j <= i, where the string is not free.
    """
    share = chord_share(lines)
    free = ahead(share.shape[1])
    weights = np.zeros((*share.shape, share.shape[-1] + 1))
    i, j = np.nonzero(free)
    weights[:, i, j, i] = 1.0 - share[:, i, j]
    weights[:, i, j, j] = -1.0
    weights[:, i, j, -1] = share[:, i, j]
    return weights


def open_gap_weights(lines: StringLines, fret: int) -> FloatArray:
    """Return the weights of a string's heights in its open gap over a fret, shape (K, F + 2)."""
    share = open_share(lines, fret)
    weights = np.zeros((len(share), lines.station_mm.shape[1] + 1))
    weights[:, 0], weights[:, -1] = 1.0 - share, share
    weights[:, fret] = -1.0
    return weights


def clearance_per_relief(lines: StringLines, bow_mm_per_mm: FloatArray) -> FloatArray:
    """Return what one millimetre more relief does to every rest clearance; 0 where j <= i.

    The bow is what it does to each crown over the line from nut to saddle, shape (K, F).
    """
    still = np.zeros(len(bow_mm_per_mm))
    return np.nan_to_num(rest_clearance_mm(lines, still, bow_mm_per_mm, still))


@dataclass(frozen=True, slots=True)
class PluckForce:
    """The plucking force from which each stopped string touches, or buzzes."""

    # force normal to the board by stopped fret 0..F-1 [N], shape (K, F); negative if the string
    # touches at rest
    force_n: FloatArray
    displacement_mm: FloatArray  # the same as displacement at the pluck point [mm], shape (K, F)
    critical_fret: IntArray  # the fret that is reached first, shape (K, F)


def touch_force(clearance_mm: FloatArray, excursion: ExcursionTable) -> PluckForce:
    """Return the touch force: a string touches a fret, at any time, from this force on.

    H[k, i] = min over j > i of c[k, i, j] / e[k, i, j], e of the whole motion.
    """
    return _force(clearance_mm, excursion.touch_mm_per_n, excursion.compliance_mm_per_n)


def buzz_force(clearance_mm: FloatArray, excursion: ExcursionTable) -> PluckForce:
    """Return the buzz force: already the first swing touches from this force on.

    The same as the touch force with the excursion of the first period. Contact then comes back in
    every period, and the note rattles.
    """
    return _force(clearance_mm, excursion.buzz_mm_per_n, excursion.compliance_mm_per_n)


def _force(
    clearance_mm: FloatArray, swing_mm_per_n: FloatArray, compliance_mm_per_n: FloatArray
) -> PluckForce:
    with np.errstate(divide="ignore", invalid="ignore"):
        force = np.where(swing_mm_per_n > 0.0, clearance_mm / swing_mm_per_n, np.inf)[:, :-1, :]
    force = np.where(np.isnan(force), np.inf, force)
    least = force.min(axis=2)
    return PluckForce(
        force_n=least,
        displacement_mm=least * compliance_mm_per_n[:, :-1],
        critical_fret=force.argmin(axis=2),
    )


def open_gap_mm(
    lines: StringLines,
    nut_mm: FloatArray,
    crown_top_mm: FloatArray,
    saddle_mm: FloatArray,
    fret: int,
) -> FloatArray:
    """Return the gap of each open string over a fret, shape (K,): action, or the first-fret gap."""
    share = open_share(lines, fret)
    return (1.0 - share) * nut_mm + share * saddle_mm - crown_top_mm[:, fret - 1]


def open_share(lines: StringLines, fret: int) -> FloatArray:
    """Return the share of the saddle in the open string's height over a fret, shape (K,)."""
    return lines.station_mm[:, fret] / lines.saddle_station_mm
