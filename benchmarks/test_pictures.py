"""Speed of a map redrawn, against reading it back with the standard library's XML parser.

A page that follows a slider has 8 ms of processor time for a map; the time is kept with the result,
and the ratio to the parser in the same run is what may be compared between machines.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from xml.etree import ElementTree

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from evenfall.pictures.board_map import board_map
from evenfall.pictures.fret_map import buzz_force_map, removal_map
from evenfall.pictures.play_map import play_map
from pictures.instruments import plan, specification
from pictures.test_play_map import made
from pictures.test_scans import scanned

SPEC = specification(6, 24)
PLAN, _ = plan(SPEC)
ATTACK = np.array(SPEC.player.attack_n)
FIRST = np.full((6, 24), 12)
PLAYED = made(SPEC, 3)

MAPS: dict[str, Callable[[], str]] = {
    "buzz force": lambda: buzz_force_map(
        SPEC, PLAN.buzz_force_before_n, ATTACK, title="t", critical_fret=FIRST
    ),
    "removal": lambda: removal_map(SPEC, PLAN),
    "play test, three attacks": lambda: play_map(SPEC, PLAYED, title="t"),
    "board": lambda: board_map(*scanned()),
}


def least_processor_s(work: Callable[[], object]) -> float:
    """Return the least processor time of twenty runs: what other processes do counts least."""
    times = []
    for _ in range(20):
        started = time.process_time()
        work()
        times.append(time.process_time() - started)
    return min(times)


@pytest.mark.benchmark(group="maps of six strings, twenty-four frets")
@pytest.mark.parametrize("name", MAPS)
def test_a_map_redrawn(benchmark: BenchmarkFixture, name: str) -> None:
    draw = MAPS[name]
    picture = draw()
    drawn_s = least_processor_s(draw)
    parsed_s = least_processor_s(lambda: ElementTree.fromstring(picture))  # noqa: S314 (our own)
    benchmark.pedantic(draw, rounds=20)
    benchmark.extra_info["processor_ms"] = round(1e3 * drawn_s, 2)
    benchmark.extra_info["ratio_to_parsing"] = round(drawn_s / parsed_s, 1)
