"""Which crown tops stand out from the line of their neighbours, and by how much.

Three crowns cannot tell one high fret from two low neighbours. Here the neck's bow is taken out
first, then each crown is held against a straight line through the nearest crowns that do not
themselves stand out. Which those are is found by starting from lines that a few outliers cannot
mislead, and drawing the lines again until nothing changes.
"""

from __future__ import annotations

from functools import partial
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from evenfall.arrays import BoolArray, FloatArray, IntArray
    from evenfall.measurement import Heights


LEAST_STEP_MM = 0.02
"""A fret that stands out by less than this from its neighbours is not named [mm] (the thinnest
leaf of a usual feeler set; common practice, no source)."""

BY_CHANCE = 0.05
"""Chance that the uncertainty of the readings alone makes any crown stand out."""

_USUAL = 2.0
"""A fret is named only where one of its crowns is further off than this many times what crowns of
this neck commonly are (their median step, as a standard deviation): where all scatter, none
stands out."""

_NEIGHBOURS = 6
"""Crowns that one line is drawn through."""

_PASSES = 10
"""Most times the lines are drawn again; two or three do."""


def standing_out(
    station_mm: FloatArray, heights: Heights, bow_mm_per_mm: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Return each crown's step over its neighbours [mm], and whether it stands out; shape (K, F).

    A crown stands out if its step is more than `LEAST_STEP_MM` and than what measurement
    uncertainty explains, held against all crowns together (Bonferroni's inequality), and if its
    fret is off by more than frets of this neck commonly are.
    """
    top_mm = heights.crown_top_mm
    flat = top_mm - _bow_size(station_mm, top_mm, bow_mm_per_mm) * bow_mm_per_mm
    factor = NormalDist().inv_cdf(1.0 - 0.5 * BY_CHANCE / top_mm.size)
    step, out = np.zeros(top_mm.shape), np.zeros(top_mm.shape, dtype=bool)
    for k, (x, z) in enumerate(zip(station_mm, flat, strict=True)):
        step[k], out[k] = _along_string(x, z, partial(heights.u_mm, string=k), factor)
    usual_mm = 1.4826 * np.median(np.abs(step))
    return step, out & (out & (np.abs(step) > _USUAL * usual_mm)).any(axis=0)


def _along_string(
    x: FloatArray, z: FloatArray, u_mm: Callable[[FloatArray], FloatArray], factor: float
) -> tuple[FloatArray, BoolArray]:
    """Return step and whether it stands out along one string, shape (F,).

    `u_mm` gives the standard uncertainty of weighted sums of the string's heights.
    """
    everything = np.arange(x.size)
    start = np.empty(x.size)
    for j in range(x.size):
        near = _nearest(j, everything)
        start[j] = z[j] - _repeated_median_mm(x[near] - x[j], z[near])
    alone = np.eye(x.size)
    out = np.abs(start) > np.maximum(LEAST_STEP_MM, factor * u_mm(_with_ends(alone)))
    step = start
    for _ in range(_PASSES):
        step, weights = np.empty(x.size), alone.copy()
        for j in range(x.size):
            near = _nearest(j, np.flatnonzero(~out))
            if near.size < 3:  # nothing to hold it against: as the robust line says
                step[j] = start[j]
                continue
            weights[j, near] = -_line_weights(x[near] - x[j])
            step[j] = weights[j] @ z
        now = np.abs(step) > np.maximum(LEAST_STEP_MM, factor * u_mm(_with_ends(weights)))
        if (now == out).all():
            break
        out = now
    return step, out


def _with_ends(weights: FloatArray) -> FloatArray:
    """Return weights of crowns as weights of nut, crowns and saddle, which have none."""
    return np.pad(weights, ((0, 0), (1, 1)))


def _nearest(j: int, frets: IntArray) -> IntArray:
    """Return the nearest of some frets to fret j, without itself, in order."""
    others = frets[frets != j]
    order = np.argsort(np.abs(others - j), kind="stable")
    return np.sort(others[order[:_NEIGHBOURS]])


def _line_weights(x: FloatArray) -> FloatArray:
    """Return the weights of the heights at x in their least-squares line at 0, shape (N,)."""
    middle = x.mean()
    return np.asarray(1.0 / x.size - middle * (x - middle) / np.sum((x - middle) ** 2))


def _repeated_median_mm(x: FloatArray, z: FloatArray) -> float:
    """Return the value at x = 0 of the repeated-median line through points, shape (N,).

    Siegel, Biometrika 69 (1982) 242 (from memory): the slope is the median over the points of the
    median slope to all others, which up to half of the points cannot spoil.
    """
    others = ~np.eye(x.size, dtype=bool)
    rise = (z[:, None] - z)[others].reshape(x.size, -1)
    run = (x[:, None] - x)[others].reshape(x.size, -1)
    slope = np.median(np.median(rise / run, axis=1))
    return float(np.median(z - slope * x))


def _bow_size(station_mm: FloatArray, top_mm: FloatArray, bow: FloatArray) -> float:
    """Return how much of the bow is in the tops [mm], whatever single crowns do.

    Least absolute deviations from one line per string and one bow for all, by iterated weights.
    """
    count, frets = top_mm.shape
    matrix = np.zeros((count, frets, 2 * count + 1))
    for k in range(count):
        matrix[k, :, 2 * k] = 1.0
        matrix[k, :, 2 * k + 1] = station_mm[k] / station_mm.max()
        matrix[k, :, -1] = bow[k]
    rows, heights = matrix.reshape(count * frets, -1), top_mm.ravel()
    weight = np.ones(heights.size)
    size: FloatArray = np.zeros(rows.shape[1])
    for _ in range(30):
        size = np.asarray(np.linalg.lstsq(rows * weight[:, None], heights * weight, rcond=None)[0])
        weight = 1.0 / np.sqrt(np.maximum(np.abs(heights - rows @ size), 1e-4))
    return float(size[-1])
