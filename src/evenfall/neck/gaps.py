"""Gaps that a straightedge or a string shows, as weights on the heights of one string's line.

Each function returns weights w so that gap = sum(w * heights); they are linear, so the same
weights serve to solve for heights, to check them, and to carry uncertainty.
"""

from __future__ import annotations

import numpy as np

from evenfall.arrays import FloatArray


def line_gap_weights(station_mm: FloatArray, fret: int, low: int, high: int) -> FloatArray:
    """Return the weights of the gap at a fret under a straight line over two others.

    gap = (1 - a) z_low + a z_high - z_fret, a = (x_fret - x_low) / (x_high - x_low).

    Stations [mm] are those of frets 1 to F, shape (F,).
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
    """
    resting = [fret for fret in (middle - 1, middle, middle + 1) if fret != at]
    return line_gap_weights(station_mm, at, *resting)
