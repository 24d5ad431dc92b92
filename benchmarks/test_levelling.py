"""Speed of planning: a session, its preview after a slider moved, plans, a whole command.

What is compared is always the work of a named baseline in the same run: the linear program of
`least-metal`, built and solved from nothing, which is what a plan once began with; or a bare
interpreter that imports what the command cannot do without. Only ratios are asserted; the medians
are printed and kept with the result.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from evenfall.instrument import Specification, string_lines
from evenfall.levelling import Session, make_plan
from evenfall.levelling.least_metal import least_metal as solved
from evenfall.levelling.problem import build_problem
from evenfall.measurement import Measurement
from evenfall.neck import default_bow, level_line
from evenfall.plan import METHODS
from necks.invented import Bump, neck
from necks.kinds import table
from necks.readings import read


@cache
def job() -> tuple[Specification, Measurement]:
    """Return six strings over twenty-two frets, three of them high, as they were read."""
    chance = np.random.default_rng(4)
    bumps = [Bump(5, 0.08), Bump(11, 0.01, 0.09), Bump(16, 0.07)]
    found = neck("electric", bumps=bumps, roughness_mm=0.004, chance=chance)
    return found.specification, read(found, chance)


def least_metal(_: int) -> None:
    """Build and solve the linear program: the baseline."""
    made, found = job()
    assert solved(build_problem(made, found, excursion=table(made)))


def opened() -> Session:
    made, found = job()
    return Session(made, found, excursion=table(made))


def compare(
    benchmark: BenchmarkFixture,
    work: Callable[[int], object],
    baseline: Callable[[int], object],
    rounds: int = 8,
) -> tuple[float, float]:
    """Time some work and its baseline turn by turn; return two ratios, baseline over work.

    The first is of the least times of both, which are those that were troubled least. The second
    is of processor time: the baseline's median over what 95 % of the rounds of the work stay under.
    Both are called with the round's number, turn by turn, so that what else the machine does
    troubles both alike.
    """
    turns = iter(range(10_000))
    times_s: list[float] = []
    processor_s: dict[str, list[float]] = {"work": [], "baseline": []}

    def measured(what: str, called: Callable[[int], object], n: int) -> None:
        started = time.process_time()
        called(n)
        processor_s[what].append(time.process_time() - started)

    def baseline_first() -> tuple[tuple[int], dict[str, object]]:
        n = next(turns)
        started = time.perf_counter()
        measured("baseline", baseline, n)
        times_s.append(time.perf_counter() - started)
        return (n,), {}

    benchmark.pedantic(
        lambda n: measured("work", work, n),
        setup=baseline_first,
        rounds=rounds,
        warmup_rounds=1,
    )
    stats = benchmark.stats.stats
    least = min(times_s) / stats.min
    p95_s = float(np.percentile(processor_s["work"][1:], 95.0))
    benchmark.extra_info["median_ms"] = round(1e3 * stats.median, 1)
    benchmark.extra_info["least_ms"] = round(1e3 * stats.min, 1)
    benchmark.extra_info["processor_p95_ms"] = round(1e3 * p95_s, 1)
    benchmark.extra_info["baseline_least_ms"] = round(1e3 * min(times_s), 1)
    benchmark.extra_info["ratio"] = round(least, 1)
    return least, statistics.median(processor_s["baseline"]) / p95_s


@pytest.mark.benchmark(group="a plan, six strings, twenty-two frets")
def test_a_plan(benchmark: BenchmarkFixture) -> None:
    """From readings to a checked and explained plan, its table being kept; goal: under 80 ms."""
    made, found = job()

    def work(_: int) -> None:
        planned = make_plan(made, found, excursion=table(made))
        assert planned.status == "cut"

    ratio, _ = compare(benchmark, work, least_metal)
    assert ratio > 0.06, f"{1.0 / ratio:.1f} times the linear program"


@pytest.mark.benchmark(group="a plan, six strings, twenty-two frets")
def test_all_methods(benchmark: BenchmarkFixture) -> None:
    """Every method side by side; goal: under 0.5 s."""

    def work(_: int) -> None:
        assert len(list(opened().methods())) == len(METHODS)

    ratio, _ = compare(benchmark, work, least_metal)
    assert ratio > 0.04, f"{1.0 / ratio:.1f} times the linear program"


@pytest.mark.benchmark(group="a session")
def test_a_session_and_its_first_preview(benchmark: BenchmarkFixture) -> None:
    """What a page waits for when an instrument is opened, its excursion table being kept."""
    ratio, _ = compare(benchmark, lambda _: opened().preview(), least_metal)
    assert ratio > 0.2, f"{1.0 / ratio:.1f} times the linear program"


@pytest.mark.benchmark(group="the level line, six strings, twenty-two frets")
def test_the_level_line(benchmark: BenchmarkFixture) -> None:
    """The line and what stands out from it, for a neck with three high frets; goal: under 8 ms."""
    made, found = job()
    lines = string_lines(made)
    bow = default_bow(made, lines)
    ratio, _ = compare(
        benchmark, lambda _: level_line(made, found, lines, bow, 0.02), least_metal, rounds=30
    )
    assert ratio > 0.5, f"{1.0 / ratio:.1f} times the linear program"


@pytest.mark.parametrize("slider", ["attack", "action", "relief", "attack beyond the targets"])
@pytest.mark.benchmark(group="a preview after a slider moved")
def test_a_preview(benchmark: BenchmarkFixture, slider: str) -> None:
    """Goal: 95 % under 15 ms, whether the limits hold or not."""
    session = opened()
    attack, target = session.attack_n, session.specification.target
    action = [(one.minimum_mm, one.maximum_mm) for one in target.action]
    relief = target.relief.minimum_mm, target.relief.maximum_mm
    session.preview()

    def look(n: int) -> None:
        step = 0.01 * (n % 7 - 3)  # to and fro, as a slider goes
        if slider == "action":
            session.change(action_mm=[(low, high + step) for low, high in action])
        elif slider == "relief":
            session.change(relief_mm=(relief[0], relief[1] + step))
        else:
            share = 1.0 if slider == "attack" else 3.0
            session.change(attack_n=share * (1.0 + step) * attack)
        session.preview()

    _, at_95_percent = compare(benchmark, look, least_metal, rounds=60)
    assert at_95_percent > 0.5, f"{1.0 / at_95_percent:.1f} times the linear program"


@pytest.mark.benchmark(group="whole command: evenfall plan")
def test_the_whole_command(benchmark: BenchmarkFixture, tmp_path: Path) -> None:
    """A new process from start to written plan; goal: under 0.75 s."""
    source = tmp_path / "neck.measurement.json"
    source.write_text(json.dumps(job()[1].as_dict()), encoding="utf-8")
    # a folder of its own for what the program keeps, so that no table is there at first
    place = {**os.environ, "XDG_CACHE_HOME": str(tmp_path / "cache")}

    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(  # noqa: S603 (our own command line)
            [sys.executable, *arguments],
            cwd=tmp_path,
            env=place,
            capture_output=True,
            text=True,
            check=False,
        )

    def command(_: int) -> None:
        done = run("-m", "evenfall.cli", "plan", str(source), "--json", "-o", "plan.json")
        assert done.returncode == 0, done.stderr
        assert json.loads(done.stdout)["status"] == "cut"

    ratio, _ = compare(benchmark, command, lambda _: run("-c", "import numpy, highspy, click"))
    benchmark.extra_info["times its bare imports"] = round(1.0 / ratio, 1)
