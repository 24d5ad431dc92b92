"""Speed of machine programs: written, read back and cut virtually, for twenty-four frets.

The baseline of the simulation is a plain loop over the moves, each over every column of the neck;
it runs on some of the moves and is scaled, in the same run. Processor time is compared, since it
does not hang on what else the computer does.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from pytest_benchmark.fixture import BenchmarkFixture

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from evenfall.work.simulation import _near, _swept, fret_patch, simulate
from evenfall.work.trace import trace
from work.made_programs import made_job

TIMES_FASTER = 10.0
MOST_S = 3.0


def all_frets():
    """Return a job that cuts a hundredth to a tenth of a millimetre off each of 24 frets."""
    job = made_job(3, cutter=1, frets=24)
    crowns = tuple(
        replace(crown, removal_mm=np.full_like(crown.removal_mm, 0.01 + 0.004 * (crown.fret % 24)))
        for crown in job.piece.crowns
    )
    return replace(job, piece=replace(job.piece, crowns=crowns))


def plain_loop_s(job, traced, patches, every: int, *, own_fret: bool) -> float:
    """Return how long a plain loop over the moves takes.

    Each goes over all columns of the neck, or of the fret that it is on alone.
    """
    cutters = job.setting.cutters
    low = np.minimum(traced.start_mm, traced.end_mm)
    high = np.maximum(traced.start_mm, traced.end_mm)
    begun, done, count = time.process_time(), 0, 0
    for patch in patches:
        near = np.arange(len(traced.line))
        if own_fret:
            near = _near(patch, traced, (low, high), float(patch.height_mm.max()), cutters)
        near = near[traced.tool[near] > 0]
        count += len(near)
        height = patch.height_mm.copy()
        for n in near[::every]:
            done += 1
            ends = patch.local(np.stack([traced.start_mm[n], traced.end_mm[n]])).tolist()
            cutter = cutters[int(traced.tool[n])]
            swept = _swept(patch, cutter, ends[0], ends[1], (slice(None), slice(None)))
            height = np.minimum(height, swept)
    return (time.process_time() - begun) * count / done


def test_a_program_is_written_and_cut_in_time(benchmark: BenchmarkFixture) -> None:
    job = all_frets()

    def whole() -> int:
        traced, patches = job.cut(job.program())
        return len(traced.line) + len(patches)

    benchmark.pedantic(whole, rounds=1, warmup_rounds=1)
    begun = time.process_time()
    whole()
    took = time.process_time() - begun
    print(f"\nprogram and simulation of 24 frets: {took:.2f} s of one processor")
    assert took < MOST_S


def test_the_simulation_is_faster_than_a_plain_loop(benchmark: BenchmarkFixture) -> None:
    job = all_frets()
    traced = trace(job.program())
    patches = tuple(fret_patch(job.piece, crown) for crown in job.piece.crowns)
    benchmark.pedantic(
        lambda: simulate(patches, traced, job.setting.cutters), rounds=1, warmup_rounds=1
    )
    begun = time.process_time()
    simulate(patches, traced, job.setting.cutters)
    ours = time.process_time() - begun
    ratio = plain_loop_s(job, traced, patches, 400, own_fret=False) / ours
    fret = plain_loop_s(job, traced, patches, 20, own_fret=True) / ours
    print(
        f"\n{len(traced.line)} moves: {ratio:.0f} times as fast as a plain loop over the neck, "
        f"{fret:.1f} times as one that knows the fret of each move"
    )
    assert ratio > TIMES_FASTER
