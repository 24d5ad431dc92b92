"""A neck without a truss rod: its relief stays as it is, and nobody is told to turn anything.

How far the relief is off is built into the neck; how near it is found: our choice.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenfall.instrument import read_specification
from evenfall.levelling import diagnose, make_plan
from evenfall.levelling.problem import build_problem
from evenfall.work import bench_sheet
from levelling.necks import Wishes, readings, table, text
from necks.invented import Bump, neck
from necks.readings import exact

# Relief outside its limits, and a neck that needs metal off.
WITH = read_specification(text(Wishes(strings=4, frets=12, relief=(0.05, 0.20), attack=0.2)))[0]
WITHOUT = read_specification(WITH.text + "[neck]\ntruss_rod = false\n")[0]


def found(spec, relief_mm=0.30):
    return readings(spec, relief_mm=relief_mm, seed=3)


def test_the_plan_leaves_the_relief_and_reports_it() -> None:
    with_rod = neck("electric", relief_mm=0.42, bumps=[Bump(7, 0.1)])
    made = with_rod.specification
    turned = make_plan(made, exact(with_rod), excursion=table(made))
    assert turned.relief_change_mm == pytest.approx(-0.22, abs=0.02)
    spec = replace(made, neck=replace(made.neck, truss_rod=False))
    plan = make_plan(spec, exact(with_rod), excursion=table(made))
    assert plan.relief_change_mm == 0.0
    assert "relief" in {one.limit for one in plan.left_out}
    assert "no truss rod" in " ".join(str(one.said) for one in plan.left_out)
    kept = make_plan(made, exact(with_rod), excursion=table(made), keep=("relief",))
    np.testing.assert_array_equal(plan.removal_mm, kept.removal_mm)
    assert "rod is kept" in " ".join(str(one.said) for one in kept.left_out)


@pytest.mark.slow
def test_the_diagnosis_reports_the_relief_and_turns_nothing() -> None:
    seen = diagnose(WITHOUT, found(WITHOUT), excursion=table(WITHOUT))
    assert seen.adjusted.relief_change_mm == 0.0
    (relief,) = [f.sentence for f in seen.findings if f.code == "relief"]
    assert "it should be 0.050 to 0.200 mm" in relief
    assert "no truss rod" in relief
    assert "Correcting" not in relief
    others = [f.sentence for f in seen.findings if f.code != "relief"]
    assert not any("rod" in sentence for sentence in others)
    inside = diagnose(WITHOUT, found(WITHOUT, 0.12), excursion=table(WITHOUT))
    assert not any("rod" in f.sentence for f in inside.findings)


def test_a_diagnosis_that_needs_nothing_still_names_the_relief() -> None:
    """Where all else holds, the last sentence does not claim that every limit does."""
    easy = Wishes(strings=3, frets=8, relief=(0.05, 0.10), attack=0.02, action=1.6, saddle=(1, 1))
    spec = read_specification(text(easy) + "[neck]\ntruss_rod = false\n")[0]
    seen = diagnose(spec, readings(spec, relief_mm=0.2, noise_mm=0.0), excursion=table(spec))
    assert seen.adjusting_cures
    assert "Relief is 0.200 mm" in seen.findings[-1].sentence


@pytest.mark.slow
@pytest.mark.parametrize("method", ["profile", "beam", "refret"])
def test_the_bench_sheet_says_nothing_of_a_rod(method: str) -> None:
    with_rod = neck("electric", relief_mm=0.42, bumps=[Bump(7, 0.1)])
    spec = with_rod.specification
    without = replace(spec, neck=replace(spec.neck, truss_rod=False))
    made = make_plan(without, exact(with_rod), excursion=table(spec))
    named = replace(made, method=method)
    if method == "refret":
        named = replace(named, replaced_frets=tuple(range(1, spec.frets + 1)))
    told = str(bench_sheet(without, named)).lower()
    assert "relief: gap at fret" in told  # its limits are still there to read against
    assert "rod" not in told.replace("product", "").replace("no truss rod", "")
    turned = make_plan(spec, exact(with_rod), excursion=table(spec))
    assert turned.relief_change_mm
    assert "rod" in str(bench_sheet(spec, turned)).lower()


def test_the_rod_alone_decides() -> None:
    assert build_problem(WITH, found(WITH), excursion=table(WITH)).relief_free
    assert not build_problem(WITHOUT, found(WITHOUT), excursion=table(WITHOUT)).relief_free
