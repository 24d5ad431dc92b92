"""Gaps that a straightedge or a string shows, as weights on the heights of one string's line.

Each function returns weights w so that gap = sum(w * heights); they are linear, so the same
weights serve to solve for heights, to check them, and to carry uncertainty.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]


def line_gap_weights(station_mm: FloatArray, fret: int, low: int, high: int) -> FloatArray:
    """Return the weights of the gap at a fret under a straight line over two others.

    gap = (1 - a) z_low + a z_high - z_fret, a = (x_fret - x_low) / (x_high - x_low).

    Parameters
    ----------
    station_mm
        Stations of frets 1 to F [mm], shape (F,).
    fret, low, high
        Where the gap is, and which frets the line lies on.
    """
    x = station_mm
    share = (x[fret - 1] - x[low - 1]) / (x[high - 1] - x[low - 1])
    weights = np.zeros(len(x))
    weights[low - 1] += 1.0 - share
    weights[high - 1] += share
    weights[fret - 1] -= 1.0
    return weights


def rocking_gap_weights(station_mm: FloatArray, middle: int, at: int) -> FloatArray:
    """Return the weights of the gap under a straightedge over three neighbouring frets.

    With the gap at an end it rests on the other two frets and reaches past the middle one; with
    the gap in the middle it rests on both ends.

    Parameters
    ----------
    station_mm
        Stations of frets 1 to F [mm], shape (F,).
    middle, at
        The middle fret, and the fret with the gap.
    """
    resting = [fret for fret in (middle - 1, middle, middle + 1) if fret != at]
    return line_gap_weights(station_mm, at, *resting)
