"""Speed of the excursion table of an instrument, against taking every cosine directly.

Both give the same table (checked here, 0.1 %) for six strings and twenty-four frets. The ratio of
the two, in one run, is printed and kept with the result; only the ratio is meant to be compared
between machines.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from numpy.typing import NDArray
from pytest_benchmark.fixture import BenchmarkFixture

from evenfall.strings.motion import excursion_per_newton

FloatArray = NDArray[np.float64]

SCALE_MM = 647.7
FRETS = 24
PLUCK_MM, WIDTH_MM = 80.0, 2.0
# Tension [N], inharmonicity of the open string, linear density [kg/m] of a light electric set,
# derived from wire sizes (E = 200 GPa, rho 7850 kg/m3, wound on 6250 kg/m3).
STRINGS = [
    (72.5, 1.33e-5, 0.398e-3),
    (68.8, 3.99e-5, 0.672e-3),
    (75.9, 1.11e-4, 1.177e-3),
    (83.7, 5.22e-5, 2.314e-3),
    (87.6, 7.20e-5, 4.312e-3),
    (79.4, 1.27e-4, 6.964e-3),
]
STATION_MM = SCALE_MM * (1.0 - 2.0 ** (-np.arange(FRETS + 1) / 12.0))


def table() -> FloatArray:
    return np.array(
        [
            excursion_per_newton(
                speaking_length_mm=SCALE_MM,
                tension_n=tension_n,
                linear_density_kg_per_m=density_kg_per_m,
                bending_stiffness_n_mm2=inharmonicity * tension_n * SCALE_MM**2 / np.pi**2,
                station_mm=STATION_MM,
                pluck_distance_mm=PLUCK_MM,
                pluck_width_mm=WIDTH_MM,
            )
            for tension_n, inharmonicity, density_kg_per_m in STRINGS
        ]
    )


def naive_table() -> FloatArray:
    """Every mode, every time step, every cosine: 240 modes, 2048 steps a period."""
    excursion = np.zeros((len(STRINGS), FRETS + 1, FRETS + 1))
    order = np.arange(1.0, 241.0)
    periods = np.linspace(0.0, 2.0, 2 * 2048 + 1)
    for k, (tension_n, open_inharmonicity, _) in enumerate(STRINGS):
        for stop in range(FRETS):
            length_mm = SCALE_MM - STATION_MM[stop]
            inharmonicity = open_inharmonicity * (SCALE_MM / length_mm) ** 2
            pluck_mm = min(PLUCK_MM, length_mm / 2.0)
            squeeze = 1.0 + inharmonicity * order**2
            amplitude = 2.0 * length_mm / (np.pi**2 * tension_n * order**2 * squeeze)
            amplitude *= np.sin(order * np.pi * pluck_mm / length_mm)
            amplitude *= np.sinc(order * WIDTH_MM / (2.0 * length_mm))
            shape = np.sin(np.outer(SCALE_MM - STATION_MM[stop + 1 :], order * np.pi / length_mm))
            turns = 2.0 * np.pi * order * np.sqrt(squeeze / squeeze[0])
            motion = (shape * amplitude) @ np.cos(np.outer(turns, periods))
            excursion[k, stop, stop + 1 :] = np.abs(motion).max(axis=1)
    return excursion


@pytest.mark.benchmark(group="excursion of six strings, twenty-four frets")
def test_table_against_taking_every_cosine(benchmark: BenchmarkFixture) -> None:
    started = time.perf_counter()
    naive = naive_table()
    naive_s = time.perf_counter() - started

    fast = benchmark.pedantic(table, rounds=10, warmup_rounds=1)

    np.testing.assert_allclose(fast, naive, rtol=1e-3)
    ratio = naive_s / benchmark.stats.stats.median
    benchmark.extra_info["ratio_to_naive"] = round(ratio, 1)
    assert ratio > 3.0, f"only {ratio:.1f} times as fast as taking every cosine"
