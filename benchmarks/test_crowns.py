"""Speed and memory of reading crowns off a scan, against the plain scipy route in the same run.

The plain route is what a careful user of numpy and scipy writes for the same results: the points of
each fret by a mask; `curve_fit` with a robust loss for every half millimetre of each crown, the
slices that the survey keeps for the cutter; a robust plane on either side of each string crossing
for the heights over the board; mean heights in cells of a square millimetre for the board's map. It
is given the neck's frame for nothing; the survey finds unit, axes, nut, edges and faults as well.
Also printed: the ratio to the crown tops at the crossings alone, without crown lines, board or
heights. Times are by the clock, each route as it runs on this machine (the survey uses two cores,
the plain route one); the ratio in processor time, two threads added up, is printed beside it.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from pytest_benchmark.fixture import BenchmarkFixture
from scipy.optimize import curve_fit
from scipy.stats import binned_statistic_2d

from evenfall.scans import measure_crowns
from oracles.surfaces import Recipe, Scan, make_scan, specification, turned

FloatArray = NDArray[np.float64]
MODEL = "electric"
#: 480 mm of a 43 to 56 mm wide board at 0.05 mm along the neck: six million points.
RECIPE = Recipe(seed=1, step_x=0.05, step_y=0.0575, span=(-5.0, 9.0))
SLICE_MM = 0.5

MEASURE = """
import json, sys, time
from pathlib import Path
import numpy as np
from evenfall.scans import measure_crowns
from oracles.surfaces import specification
points = np.load(sys.argv[1])
started, busy = time.perf_counter(), time.process_time()
survey, _ = measure_crowns(points, specification(sys.argv[2]), mirrored=False)
taken, busy = time.perf_counter() - started, time.process_time() - busy
status = Path("/proc/self/status").read_text().split()
peak = int(status[status.index("VmHWM:") + 1]) * 1024
print(json.dumps({"s": taken, "busy": busy, "peak": peak, "points": points.nbytes,
                  "crossings": int(np.isfinite(survey.crown_top_mm).sum())}))
"""


@cache
def scan() -> Scan:
    return make_scan(specification(MODEL), RECIPE)


@cache
def points() -> NDArray[np.float32]:
    return turned(scan().points_mm, seed=2).astype(np.float32)


def crown(place: FloatArray, centre: float, top: float, radius: float) -> FloatArray:
    return top - radius + np.sqrt(np.maximum(radius**2 - (place - centre) ** 2, 1e-6))


def plain_crowns(cloud: FloatArray, *, crossings_only: bool) -> int:
    """Fit the crowns with masks and `curve_fit`; return how many fits there were."""
    spec = specification(MODEL)
    lines = scan().lines
    cap = 0.3 * spec.fretwire.crown_width_mm
    fits = 0
    for j in range(spec.frets):
        base = lines.x_mm[0, j + 1]
        near = np.abs(cloud[:, 0] - base) < cap
        x, y, z = cloud[near].T
        if crossings_only:
            starts, length = lines.y_mm[:, j + 1] - 2.5, 5.0  # the shadow and both sides of it
        else:
            starts, length = np.arange(y.min(), y.max(), SLICE_MM), SLICE_MM
        for start in starts:
            here = (y >= start) & (y < start + length)
            if int(here.sum()) < 30:
                continue
            top = float(np.median(z[here]))
            curve_fit(
                crown, x[here] - base, z[here], p0=[0.0, top, 1.2],
                method="trf", loss="soft_l1", f_scale=0.01,
            )  # fmt: skip
            fits += 1
    return fits


def plane(place: FloatArray, height: float, along: float, across: float) -> FloatArray:
    return height + along * place[0] + across * place[1]


def plain_board(cloud: FloatArray) -> int:
    """Fit the board beside each crossing and average it in cells; return the number of fits."""
    spec = specification(MODEL)
    lines = scan().lines
    foot = 0.5 * spec.fretwire.crown_width_mm + 0.35
    fits = 0
    for j in range(spec.frets):
        base = lines.x_mm[0, j + 1]
        for low, high in ((base - foot - 6.0, base - foot), (base + foot, base + foot + 6.0)):
            x, y, z = cloud[(cloud[:, 0] > low) & (cloud[:, 0] < high)].T
            for k in range(spec.string_count):
                middle = lines.y_mm[k, j + 1]
                here = np.abs(y - middle) < 3.0
                curve_fit(
                    plane, np.stack([x[here] - base, y[here] - middle]), z[here],
                    p0=[float(np.median(z[here])), 0.0, 0.0],
                    method="trf", loss="soft_l1", f_scale=0.01,
                )  # fmt: skip
                fits += 1
    edges = [np.arange(cloud[:, i].min(), cloud[:, i].max() + 1.0, 1.0) for i in (0, 1)]
    cells = binned_statistic_2d(cloud[:, 0], cloud[:, 1], cloud[:, 2], "mean", edges)
    assert np.isfinite(cells.statistic).mean() > 0.5
    return fits


def seconds(what: object, *arguments: object, **options: object) -> float:
    started = time.perf_counter()
    what(*arguments, **options)  # type: ignore[operator]
    return time.perf_counter() - started


@pytest.mark.benchmark(group="six million points to crowns")
def test_survey_against_curve_fit(benchmark: BenchmarkFixture) -> None:
    cloud = scan().points_mm
    lines_s = seconds(plain_crowns, cloud, crossings_only=False)
    board_s = seconds(plain_board, cloud)
    crossings_s = seconds(plain_crowns, cloud, crossings_only=True)
    plain_s = lines_s + board_s
    busy = time.process_time()
    survey, _ = benchmark.pedantic(
        measure_crowns,
        (points(), specification(MODEL)),
        {"mirrored": False},
        rounds=3,
        warmup_rounds=1,
    )
    busy = (time.process_time() - busy) / 4  # mean of the rounds and the warm-up
    assert np.isfinite(survey.crown_top_mm).all()
    taken = benchmark.stats.stats.min  # the machine at its calmest
    benchmark.extra_info |= {
        "points": len(points()),
        "ratio_to_same_results": round(plain_s / taken, 1),
        "ratio_to_crown_lines_only": round(lines_s / taken, 1),
        "ratio_to_crossings_only": round(crossings_s / taken, 1),
        "ratio_in_processor_time": round(plain_s / busy, 1),
    }
    assert plain_s / taken > 5.0, f"only {plain_s / taken:.1f} times as fast as curve_fit"


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="only on Linux")
@pytest.mark.parametrize("millions", [6, 50])
def test_memory_and_time_in_a_process_of_its_own(tmp_path: Path, millions: int) -> None:
    cloud = points()
    if millions > 6:
        rng = np.random.default_rng(3)
        parts = [cloud]
        copies = -(-millions * 1_000_000 // len(cloud)) - 1
        parts += [
            cloud + rng.normal(0.0, 0.003, cloud.shape).astype(np.float32) for _ in range(copies)
        ]
        cloud = np.concatenate(parts)[: millions * 1_000_000]
    np.save(tmp_path / "points.npy", cloud)
    done = subprocess.run(  # noqa: S603 (this very interpreter)
        [sys.executable, "-c", MEASURE, str(tmp_path / "points.npy"), MODEL],
        env={"PYTHONPATH": str(Path(__file__).parents[1] / "tests"), "PATH": ""},
        capture_output=True,
        text=True,
        check=True,
    )
    found = json.loads(done.stdout)
    print(
        f"{len(cloud):,} points: {found['s']:.2f} s ({found['busy']:.2f} s of processor), "
        f"peak {found['peak'] / 1e6:.0f} MB for {found['points'] / 1e6:.0f} MB of points"
    )
    assert found["crossings"] == 132
    # the points themselves once more, and what the interpreter and the sample take
    assert found["peak"] < 2.0 * found["points"] + 150e6
