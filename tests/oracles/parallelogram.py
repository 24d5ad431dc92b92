"""The ideal string in closed form: a check of the motion, and a fast estimate of it."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray


def parallelogram_excursion_per_newton(
    *,
    speaking_length_mm: float,
    tension_n: float,
    station_mm: FloatArray,
    pluck_distance_mm: float,
) -> FloatArray:
    """Return the excursion of a string without stiffness or losses, plucked at a point [mm/N].

    It moves inside a parallelogram: its static
    triangle and the same triangle turned half round, half a period later (d'Alembert's
    solution; any acoustics text, for instance Fletcher and Rossing, chapter 2). At distance d
    from the stopped fret::

        e = h max(tri(d; p), tri(d; l - p)),    h = p (l - p) / (T l)

    where tri(d; q) rises from 0 at d = 0 to 1 at d = q and falls to 0 at d = l. A fast estimate,
    not a bound: over the next frets a real string swings several to thirty per cent deeper.
    """
    length, pluck = _stopped(speaking_length_mm, tension_n, station_mm, pluck_distance_mm)
    from_saddle = length[None, :]
    from_stop = length[:, None] - from_saddle
    near, far = pluck[:, None], (length - pluck)[:, None]
    # Both triangles are the lower of their two sides; p (l - p) / l is taken into the sides.
    turned = np.minimum(from_stop * far, from_saddle * near)
    static = np.minimum(from_stop * near, from_saddle * far)
    ideal: FloatArray = np.maximum(turned, static) / (tension_n * length[:, None])
    return np.triu(ideal, k=1)


def _stopped(
    speaking_length_mm: float,
    tension_n: float,
    station_mm: FloatArray,
    pluck_distance_mm: float,
) -> tuple[FloatArray, FloatArray]:
    """Return length and pluck distance [mm] by stopped fret, after checking the input."""
    _check_positive("speaking_length_mm", speaking_length_mm)
    _check_positive("tension_n", tension_n)
    _check_positive("pluck_distance_mm", pluck_distance_mm)
    station = np.asarray(station_mm, dtype=np.float64)
    if station.ndim != 1 or len(station) == 0:
        raise ValueError(
            f"station_mm must be one row of stations with the nut first, "
            f"but has shape {station.shape}."
        )
    if not np.isfinite(station).all() or station[0] != 0.0 or (np.diff(station) <= 0.0).any():
        raise ValueError("station_mm must start at 0 (the nut) and increase towards the saddle.")
    if station[-1] >= speaking_length_mm:
        raise ValueError(
            f"The last fret at {station[-1]:g} mm must lie before the saddle "
            f"at {speaking_length_mm:g} mm."
        )
    length = speaking_length_mm - station
    return length, np.minimum(pluck_distance_mm, length / 2.0)


def _check_positive(name: str, quantity: float) -> None:
    if not (isfinite(quantity) and quantity > 0.0):
        raise ValueError(f"{name} must be positive, not {quantity}.")
