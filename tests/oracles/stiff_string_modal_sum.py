"""Slow independent answer: the motion of a plucked stiff string, mode by mode, in SI units.

Written apart from the program: metres from the stopping fret (not from the saddle), kilograms and
seconds, the pluck force integrated over its contact, every cosine taken directly on one fine grid
of time. No interpolation, no choice of modes, optional damping.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

AIR_VISCOSITY_PA_S = 1.8e-5
AIR_DENSITY_KG_PER_M3 = 1.2


def static_amplitude_m(
    order: FloatArray,
    *,
    length_m: float,
    tension_n: float,
    bending_stiffness_n_m2: float,
    pluck_m: float,
    width_m: float,
) -> FloatArray:
    """Return the amplitude of each mode under one newton at `pluck_m` from the stopping fret.

    Static balance of one mode: (T k^2 + EI k^4) (l / 2) a = integral of the load times the shape,
    with wave number k = n pi / l.
    """
    wave_number = order * np.pi / length_m
    if width_m > 0.0:
        left, right = pluck_m - width_m / 2.0, pluck_m + width_m / 2.0
        load = (np.cos(wave_number * left) - np.cos(wave_number * right)) / (wave_number * width_m)
    else:
        load = np.sin(wave_number * pluck_m)
    restoring = tension_n * wave_number**2 + bending_stiffness_n_m2 * wave_number**4
    return load / (restoring * length_m / 2.0)


def air_and_internal_decay_per_s(
    order: FloatArray,
    *,
    length_m: float,
    tension_n: float,
    linear_density_kg_per_m: float,
    inharmonicity: float,
    diameter_m: float,
    internal_loss: float,
) -> FloatArray:
    """Return the decay rate of each mode: air drag and a constant internal loss angle.

    Valette and Cuesta's model as coded from C. Issanchou's thesis, eq. 2.20 (air term), with the
    thermoelastic loss angle for the internal term; valid for a plain steel string.
    """
    harmonic_hz = order / (2.0 * length_m) * np.sqrt(tension_n / linear_density_kg_per_m)
    mode_hz = harmonic_hz * np.sqrt(1.0 + inharmonicity * order**2)
    drag = 2.0 * np.pi * AIR_VISCOSITY_PA_S + 2.0 * np.pi * diameter_m * np.sqrt(
        np.pi * AIR_VISCOSITY_PA_S * AIR_DENSITY_KG_PER_M3 * mode_hz
    )
    air_loss = harmonic_hz / mode_hz * drag / (2.0 * np.pi * linear_density_kg_per_m * mode_hz)
    return np.pi * mode_hz * (air_loss + internal_loss)


def deepest_excursion_mm_per_n(
    *,
    length_mm: float,
    tension_n: float,
    linear_density_kg_per_m: float,
    bending_stiffness_n_mm2: float,
    from_stop_mm: FloatArray,
    pluck_from_saddle_mm: float,
    pluck_width_mm: float,
    periods: int = 2,
    modes: int = 2000,
    samples_per_period: int = 10240,
    decay_per_s: Callable[[FloatArray], FloatArray] | None = None,
) -> FloatArray:
    """Return the largest |u| [mm] over time at each distance from the stop, for one newton."""
    length_m = length_mm * 1e-3
    stiffness_n_m2 = bending_stiffness_n_mm2 * 1e-6
    order = np.arange(1, modes + 1, dtype=float)
    amplitude_m = static_amplitude_m(
        order,
        length_m=length_m,
        tension_n=tension_n,
        bending_stiffness_n_m2=stiffness_n_m2,
        pluck_m=(length_mm - pluck_from_saddle_mm) * 1e-3,
        width_m=pluck_width_mm * 1e-3,
    )
    wave_number = order * np.pi / length_m
    angular_rad_per_s = np.sqrt(
        (tension_n * wave_number**2 + stiffness_n_m2 * wave_number**4) / linear_density_kg_per_m
    )
    decay = np.zeros_like(order) if decay_per_s is None else decay_per_s(order)
    shape_m = amplitude_m * np.sin(np.outer(from_stop_mm * 1e-3, wave_number))
    period_s = 2.0 * np.pi / angular_rad_per_s[0]
    time_s = np.linspace(0.0, periods * period_s, periods * samples_per_period + 1)
    deepest_m = np.zeros(len(from_stop_mm))
    for some_s in np.array_split(time_s, max(1, len(time_s) // 512)):
        motion = np.cos(np.outer(angular_rad_per_s, some_s))
        if decay_per_s is not None:
            motion *= np.exp(-np.outer(decay, some_s))
        deepest_m = np.maximum(deepest_m, np.abs(shape_m @ motion).max(axis=1))
    return deepest_m * 1e3


def static_displacement_mm_per_n(
    *,
    length_mm: float,
    tension_n: float,
    bending_stiffness_n_mm2: float,
    pluck_from_saddle_mm: float,
    pluck_width_mm: float,
    modes: int = 200_000,
) -> float:
    """Return the static displacement [mm] at the middle of the pluck, for one newton."""
    order = np.arange(1, modes + 1, dtype=float)
    pluck_m = (length_mm - pluck_from_saddle_mm) * 1e-3
    amplitude_m = static_amplitude_m(
        order,
        length_m=length_mm * 1e-3,
        tension_n=tension_n,
        bending_stiffness_n_m2=bending_stiffness_n_mm2 * 1e-6,
        pluck_m=pluck_m,
        width_m=pluck_width_mm * 1e-3,
    )
    return float(amplitude_m @ np.sin(order * np.pi * pluck_m / (length_mm * 1e-3))) * 1e3
