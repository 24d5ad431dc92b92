"""The plan is the least there is: against another solver, brute force, and its own dual values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from evenfall.levelling import make_plan
from evenfall.levelling.model import LevellingModel
from evenfall.levelling.problem import build_problem
from levelling.necks import Neck, Wishes, necks, readings, specification, table
from oracles.brute_force_levelling import (
    Program,
    best_on_grid,
    job,
    least_metal_mm,
    one_pass,
)

FORMS = ({}, {"along": 0.04}, {"across": 0.05}, {"across": 0.03, "along": 0.06})


@settings(deadline=None, max_examples=60)
@given(necks(), st.sampled_from(FORMS))
def test_another_solver_on_a_model_written_apart_finds_the_same_metal(
    neck: Neck, form: dict[str, float]
) -> None:
    neck = replace(neck, wishes=replace(neck.wishes, **form))
    plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
    least = least_metal_mm(job(neck.spec, neck.found, neck.table))
    if least is None:
        assert plan.status != "optimal"
        assert plan.relaxations
        return
    assert plan.status == "optimal"
    assert plan.metal_mm == pytest.approx(least, abs=1e-6)
    assert plan.duality_gap_mm < 1e-6


@settings(deadline=None, max_examples=40)
@given(necks(), st.integers(0, 2**32 - 1))
def test_the_dual_bound_is_under_every_plan(neck: Neck, seed: int) -> None:
    problem = build_problem(neck.spec, neck.found, excursion=neck.table)
    model = LevellingModel(problem)
    metal = model.minimise(model.cost_of(model.r.ravel()))
    assume(metal is not None)
    assert metal is not None
    bound, _ = model.dual_bound()
    assert bound <= metal + 1e-9
    program = Program(job(neck.spec, neck.found, neck.table))
    chance = np.random.default_rng(seed)
    for _ in range(4):
        answer = program.solve(chance.normal(size=program.size))
        assert answer is not None
        assert bound <= answer[1][: model.r.size].sum() + 1e-6


@settings(deadline=None, max_examples=25)
@given(necks(), st.integers(0, 2**32 - 1))
def test_duals_that_are_wrong_prove_less_never_too_much(neck: Neck, seed: int) -> None:
    """The bound is computed from the program's data, so any dual values give a true one."""
    problem = build_problem(neck.spec, neck.found, excursion=neck.table)
    model = LevellingModel(problem)
    metal = model.minimise(model.cost_of(model.r.ravel()))
    assume(metal is not None)
    assert metal is not None
    true, duals = model.dual_bound()
    chance = np.random.default_rng(seed)
    for spread in (1e-3, 0.1, 1.0):
        wrong = duals + spread * chance.normal(size=duals.shape)
        bound = model.bound_by(wrong)[0]
        assert bound <= metal + 1e-9
    assert true == pytest.approx(metal, abs=1e-9)


# ---- brute force --------------------------------------------------------------------------------

SMALL = Wishes(strings=3, frets=5, tolerance=0.3, first_tolerance=0.15, attack=0.6)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("relief_mm", [0.0, 0.3])
def test_no_combination_on_a_grid_of_moves_takes_less(seed: int, relief_mm: float) -> None:
    spec = specification(SMALL)
    found = readings(spec, seed=seed, noise_mm=0.04, relief_mm=relief_mm)
    plan = make_plan(spec, found, method="profile", excursion=table(spec))
    assert plan.status == "optimal"
    asked = job(spec, found, table(spec))
    saddles = np.linspace(-asked.saddle_travel[0], asked.saddle_travel[1], 9)
    nuts = np.linspace(-asked.nut_travel[0], asked.nut_travel[1], 3)
    reliefs = np.linspace(-0.3, 0.3, 13)
    best = best_on_grid(asked, reliefs, saddles, nuts)
    assert best is not None
    assert plan.metal_mm <= best + 1e-9
    # the grid with the plan's own moves in it finds the plan's metal: the oracle is no straw man
    moves = [
        one_pass(
            asked,
            k,
            plan.relief_change_mm,
            float(plan.saddle_after_mm[k] - found.saddle_mm[k]),
            float(plan.nut_after_mm[k] - found.nut_mm[k]),
        )
        for k in range(3)
    ]
    assert all(moves)
    assert sum(m[0] for m in moves if m) == pytest.approx(plan.metal_mm, abs=1e-7)


def test_a_finer_grid_comes_close_to_the_plan() -> None:
    spec = specification(SMALL)
    found = readings(spec, seed=4, noise_mm=0.04, relief_mm=0.3)
    plan = make_plan(spec, found, method="profile", excursion=table(spec))
    assert plan.metal_mm > 0.01
    asked = job(spec, found, table(spec))
    best = np.inf
    for step in (0.04, 0.01):  # around the plan's relief only: the strings' moves stay a full grid
        reliefs = plan.relief_change_mm + step * np.arange(-2.0, 3.0)
        grid = best_on_grid(
            asked, reliefs, np.arange(-0.4, 0.41, 0.025), np.arange(-0.2, 0.01, 0.05)
        )
        assert grid is not None
        best = min(best, grid)
    assert plan.metal_mm <= best + 1e-9
    assert best <= plan.metal_mm + 0.02


# ---- prices -------------------------------------------------------------------------------------

RELAXED = {
    "attack": lambda w, h: replace(
        w, attack=w.attack * (1.0 - h), attack_step=w.attack_step * (1.0 - h)
    ),
    "action": lambda w, h: replace(w, tolerance=w.tolerance + h),
    "first-fret-gap": lambda w, h: replace(w, first_tolerance=w.first_tolerance + h),
    "relief": lambda w, h: replace(w, relief=(w.relief[0] - h, w.relief[1] + h)),
    "saddle-travel": lambda w, h: replace(w, saddle=(w.saddle[0] + h, w.saddle[1] + h)),
    "nut-travel": lambda w, h: replace(w, nut=(w.nut[0] + h, w.nut[1] + h)),
}


def metal_mm(neck: Neck, wishes: Wishes) -> float:
    spec = specification(wishes)
    problem = build_problem(spec, neck.found, excursion=neck.table)
    model = LevellingModel(problem)
    metal = model.minimise(model.cost_of(model.r.ravel()))
    assert metal is not None
    return metal


def test_prices_are_what_a_small_relaxation_saves() -> None:
    """Finite differences of the least metal; skipped where the two sides differ (a kink)."""
    compared: dict[str, int] = {}
    for seed in range(12):
        wishes = Wishes(
            strings=3 + seed % 2,
            frets=6,
            tolerance=(0.05, 0.12)[seed % 2],
            first_tolerance=0.05,
            relief=(0.0, 0.1),
            saddle=(0.05, 0.3),
            nut=(0.05, 0.01),
            attack=0.5,
            minimum=0.4,
        )
        neck = Neck(wishes, seed=seed, noise_mm=0.05, relief_mm=0.3)
        plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
        if plan.status != "optimal":
            continue
        priced = {price.limit: price for price in plan.prices}
        for limit, relax in RELAXED.items():
            h = 1e-5
            here = metal_mm(neck, wishes)
            saved = (here - metal_mm(neck, relax(wishes, h))) / h
            lost = (metal_mm(neck, relax(wishes, -h)) - here) / h
            if abs(saved - lost) > 1e-4:
                continue  # a corner: the dual value is one of many
            step = 0.01
            price = priced[limit].metal_mm if limit in priced else 0.0
            assert price == pytest.approx(step * saved, abs=1e-5), (seed, limit)
            compared[limit] = compared.get(limit, 0) + (price > 1e-4)
    assert set(compared) == set(RELAXED)
    assert all(count >= 2 for count in compared.values()), compared


def test_the_price_of_a_binding_limit_is_its_own_share() -> None:
    """More room for one limit alone, by hand, saves what its binding says."""
    neck = Neck(Wishes(tolerance=0.12, relief=(0.0, 0.1), attack=0.5), seed=1, noise_mm=0.05)
    plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
    assert plan.status == "optimal"
    clear = [b for b in plan.binding if b.limit == "clearance" and len(b.strings) == 1]
    assert clear
    problem = build_problem(neck.spec, neck.found, excursion=neck.table)
    h = 1e-5
    for binding in clear:
        k, i, j = binding.strings[0] - 1, binding.stopped_fret, binding.fret
        metals = []
        for sign in (-1.0, 0.0, 1.0):
            margin = problem.margin_mm.copy()
            margin[k, i, j] -= sign * h
            model = LevellingModel(replace(problem, margin_mm=margin))
            metals.append(model.minimise(model.cost_of(model.r.ravel())))
        harder, here, easier = metals
        assert harder is not None
        assert here is not None
        assert easier is not None
        if abs((harder - here) - (here - easier)) < 1e-9:
            saved = (here - easier) / h
            assert binding.price_mm_per_mm == pytest.approx(saved, abs=1e-4)
