"""Speed of both excursion tables of an instrument, against taking every cosine directly.

The direct way follows only the first period, on one fine grid of time; the tables hold the first
period and the whole motion, whose end the bound on it finds. The ratio of the two, in one run, is
printed and kept with the result; only the ratio is meant to be compared between machines.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from numpy.typing import NDArray
from pytest_benchmark.fixture import BenchmarkFixture

from evenfall.strings.modes import string_modes
from evenfall.strings.swing import Swing, deepest_swing, modes_needed
from strings.made_strings import STRINGS, stations, stopped

FloatArray = NDArray[np.float64]

FRETS = 24


def table() -> dict[tuple[str, int], Swing]:
    found = {}
    for name in STRINGS:
        for fret in range(FRETS):
            string, ahead = stopped(name, fret), np.array(stations(fret, FRETS))
            modes = string_modes(string, ahead, modes_needed(string, ahead[0]))
            found[name, fret] = deepest_swing(modes)
    return found


def naive_first_period() -> dict[tuple[str, int], FloatArray]:
    """Every mode, every time step, every cosine: 240 modes, 2048 steps."""
    found = {}
    for name in STRINGS:
        for fret in range(FRETS):
            modes = string_modes(stopped(name, fret), np.array(stations(fret, FRETS)), 240)
            damped = np.sqrt(modes.angular_per_s**2 - modes.decay_per_s**2)
            times = np.linspace(0.0, 2.0 * np.pi / modes.angular_per_s[0], 2049)
            phase = np.outer(damped, times)
            left = np.cos(phase) + (modes.decay_per_s / damped)[:, None] * np.sin(phase)
            left *= np.exp(-np.outer(modes.decay_per_s, times))
            found[name, fret] = (modes.shape_fraction * modes.amplitude_mm_per_n) @ left
    return found


@pytest.mark.benchmark(group="both excursion tables of six strings, twenty-four frets")
def test_tables_against_taking_every_cosine(benchmark: BenchmarkFixture) -> None:
    started = time.perf_counter()
    naive = naive_first_period()
    naive_s = time.perf_counter() - started

    started_cpu = time.process_time()
    fast = table()
    benchmark.extra_info["processor_s"] = round(time.process_time() - started_cpu, 3)
    benchmark.pedantic(table, rounds=5)

    for place, moved in naive.items():
        np.testing.assert_allclose(fast[place].towards_first_mm_per_n, moved.max(axis=1), rtol=2e-3)
        np.testing.assert_allclose(fast[place].away_first_mm_per_n, -moved.min(axis=1), rtol=2e-3)
    ratio = naive_s / benchmark.stats.stats.median
    benchmark.extra_info["ratio_to_naive"] = round(ratio, 1)
    assert ratio > 1.0, f"slower than taking every cosine of one period ({ratio:.1f})"
