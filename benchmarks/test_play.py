"""Speed of the play test, each figure beside a baseline measured in the same run.

* A whole neck: six strings, 22 frets, three attacks, a quarter of a second each, every note played
  with contact although most would be clean by linearity.
* The same machine on a plain stencil: explicit updates of a stiff string on a grid, eight
  operations a point, nothing else in the loop; by operations per second, counted alike.
* The same scheme in vectorised numpy, one position with all its attacks side by side.

Figures are medians of what the machine can do when it is calm; run it alone.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numba as nb
import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from evenfall.strings.clearance import rest_clearance_mm
from evenfall.strings.playtest import Attack, Settings, play
from evenfall.strings.playtest.notes import Note, StoppedStrings, load_kernel, run_notes
from evenfall.strings.playtest.play_test import AWAY
from oracles.motion_in_numpy import move
from strings.played_necks import Neck, neck

ATTACKS_N = (0.7, 1.0, 1.4)
DURATION_S = 0.25
KERNEL = load_kernel()


@nb.njit(parallel=True)
def plain_stencil(strings: np.ndarray, points: int, steps: int) -> None:  # type: ignore[type-arg]
    """Update explicit stiff strings (two states each) with nothing else in the loop."""
    for s in nb.prange(len(strings)):
        u, p = strings[s, 0], strings[s, 1]
        for _ in range(steps // 2):
            for i in range(points):
                p[i + 2] = (
                    0.1 * u[i + 2] + 0.2 * (u[i + 1] + u[i + 3]) + 0.05 * (u[i] + u[i + 4])
                ) - 0.3 * p[i + 2]
            for i in range(points):
                u[i + 2] = (
                    0.1 * p[i + 2] + 0.2 * (p[i + 1] + p[i + 3]) + 0.05 * (p[i] + p[i + 4])
                ) - 0.3 * u[i + 2]


@dataclass
class Work:
    """All notes of a neck, and what they cost by count."""

    table: StoppedStrings
    notes: list[Note]
    mode_updates: int
    operations: int


def whole_neck(made: Neck) -> Work:
    """Return every note of a neck, with contact, and the arithmetic it takes.

    A mode update is 3 operations, and 2 more for every fret within reach.
    """
    clearance = rest_clearance_mm(made.lines, *made.heights_mm)
    table = StoppedStrings.of(
        made.specification, made.lines, clearance, Settings(), duration_s=DURATION_S
    )
    notes = [
        Note((k, p, a, 0), place, force)
        for place, (k, p) in enumerate(table.place)
        for a, force in enumerate(ATTACKS_N)
    ]
    order = np.argsort((np.arange(len(notes)) * 0.6180339887498949) % 1.0)
    notes = [notes[i] for i in order]
    from evenfall.strings.playtest import notes as played_notes

    updates = operations = 0
    for note in notes:
        stopped = table.strings[note.place]
        modes, steps = len(stopped.frequency_hz), table.steps[note.place]
        held = note.force_n * stopped.pluck_mm_per_n
        energy = stopped.energy_n_mm(held, stopped.from_rest(held, 1.0 / stopped.rate_hz))
        frets = played_notes._within_reach(stopped, table.clearance_mm[note.place], energy)
        updates += modes * steps
        operations += modes * steps * (3 + 2 * frets)
    return Work(table, notes, updates, operations)


def seconds(call: object, rounds: int = 5) -> float:
    """Return the median wall time of a call."""
    taken = []
    for _ in range(rounds):
        start = time.perf_counter()
        call()  # type: ignore[operator]
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


@pytest.fixture(scope="module")
def work() -> Work:
    return whole_neck(neck())


def test_a_whole_neck_all_notes_with_contact(benchmark: BenchmarkFixture, work: Work) -> None:
    """Time, mode updates per second, and the share of a plain stencil's arithmetic."""
    played = run_notes(KERNEL, work.table, work.notes, Settings())
    assert not played.counts[:, KERNEL.UNSETTLED].any()
    result = benchmark.pedantic(
        run_notes, (KERNEL, work.table, work.notes, Settings()), rounds=5, iterations=1
    )
    assert len(result.notes) == 396
    taken = benchmark.stats.stats.median
    threads = nb.get_num_threads()
    strings = np.random.default_rng(1).normal(size=(32 * threads, 2, 204))
    plain_stencil(strings, 200, 2)
    steps = 160_000
    stencil = seconds(lambda: plain_stencil(strings, 200, steps))
    stencil_rate = 8.0 * 200 * steps * len(strings) / stencil
    rate = work.operations / taken
    benchmark.extra_info |= {
        "threads": threads,
        "notes_touching": int((played.counts[:, KERNEL.FIRST_FRET] >= 0).sum()),
        "mode_updates_per_s": work.mode_updates / taken,
        "operations_per_s": rate,
        "stencil_points_per_s": stencil_rate / 8.0,
        "share_of_plain_stencil": rate / stencil_rate,
    }


def test_the_play_test_of_a_neck(benchmark: BenchmarkFixture) -> None:
    """The call its users make: three attacks, away from the board, clean notes by linearity."""
    made = neck()
    strings = made.specification.string_count
    attacks = [Attack(f"{force:g} N", (force,) * strings) for force in ATTACKS_N]

    def whole() -> object:
        return play(
            made.specification,
            *made.heights_mm,
            attacks=attacks,
            directions=[AWAY],
            duration_s=DURATION_S,
            excursion=made.excursion,
        )

    whole()
    benchmark.pedantic(whole, rounds=5, iterations=1)


@pytest.mark.parametrize("place", [(5, 0), (2, 5), (0, 12)], ids=str)
def test_against_vectorised_numpy(
    benchmark: BenchmarkFixture, work: Work, place: tuple[int, int]
) -> None:
    """One position under all attacks: the kernel beside the same scheme in numpy."""
    made = neck()
    index = work.table.place.index(place)
    stopped, clearance = work.table.strings[index], work.table.clearance_mm[index]
    string = made.specification.strings[place[0]]
    duration = 0.05
    table = StoppedStrings.joined([stopped], [place], [clearance], duration)
    notes = [Note((*place, 0, 0), 0, force) for force in ATTACKS_N]
    station = made.lines.station_mm[place[0]]
    player = made.specification.player

    def in_numpy() -> object:
        return move(
            length=stopped.string.length_mm / 1e3,
            tension=string.tension_n,
            density=string.linear_density_kg_per_m,
            bending=string.bending_stiffness_n_mm2 * 1e-6,
            decay=stopped.decay_per_s,
            fret=(station[place[1] + 1 :] - station[place[1]]) / 1e3,
            clearance=clearance / 1e3,
            force=np.array(ATTACKS_N),
            pluck=min(player.pluck_distance_mm, stopped.string.length_mm / 2.0) / 1e3,
            width=player.pluck_width_mm / 1e3,
            rate=stopped.rate_hz,
            steps=table.steps[0],
        )

    run_notes(KERNEL, table, notes, Settings())
    benchmark.pedantic(run_notes, (KERNEL, table, notes, Settings()), rounds=15, iterations=1)
    numpy_s = seconds(in_numpy, rounds=3)
    benchmark.extra_info |= {
        "numpy_s": numpy_s,
        "times_faster": numpy_s / benchmark.stats.stats.median,
    }
