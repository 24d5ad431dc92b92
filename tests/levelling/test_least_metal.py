"""The least metal is the least there is: against another solver, brute force, one pass, duals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray

from draws import draws
from evenfall.instrument.specification import Limit
from evenfall.levelling.least_metal import Solution, least_metal, levelling_program
from evenfall.levelling.problem import Problem, build_problem
from levelling.necks import Neck, Wishes, necks, readings, specification, table
from oracles.brute_force_levelling import (
    Job,
    Program,
    best_on_grid,
    job,
    least_metal_mm,
    one_pass,
    random_crown_tops,
    shortfall_mm,
)
from oracles.one_pass import greatest_crown_tops_mm

FloatArray = NDArray[np.float64]

ALL = ("relief", "saddle", "nut")


def solved(neck: Neck) -> Solution | None:
    return least_metal(build_problem(neck.spec, neck.found, excursion=neck.table))


FORMS = ({}, {"along": 0.04}, {"across": 0.05}, {"across": 0.03, "along": 0.06})


@draws(60)
@given(necks(), st.sampled_from(FORMS))
def test_another_solver_on_a_model_written_apart_finds_the_same_metal(
    neck: Neck, form: dict[str, float]
) -> None:
    neck = replace(neck, wishes=replace(neck.wishes, **form))
    found = solved(neck)
    least = least_metal_mm(job(neck.spec, neck.found, neck.table))
    assert (found is None) == (least is None)
    if found is not None:
        assert found.metal_mm == pytest.approx(least, abs=1e-6)
        assert found.removal_mm.sum() == pytest.approx(least, abs=1e-6)
        assert found.dual_mm == pytest.approx(found.metal_mm, abs=1e-6)


@pytest.mark.slow
@draws(40)
@given(necks(), st.integers(0, 2**32 - 1))
def test_the_dual_bound_is_under_every_plan(neck: Neck, seed: int) -> None:
    answer = solved(neck)
    assume(answer is not None)
    assert answer is not None
    bound = answer.dual_mm
    assert bound <= answer.metal_mm + 1e-9
    program = Program(job(neck.spec, neck.found, neck.table))
    chance = np.random.default_rng(seed)
    for _ in range(4):
        other = program.solve(chance.normal(size=program.size))
        assert other is not None
        assert bound <= other[1][: answer.removal_mm.size].sum() + 1e-6


@pytest.mark.slow
@draws(25)
@given(necks(), st.integers(0, 2**32 - 1))
def test_duals_that_are_wrong_prove_less_never_too_much(neck: Neck, seed: int) -> None:
    """The bound is computed from the program's data, so any dual values give a true one."""
    program = levelling_program(build_problem(neck.spec, neck.found, excursion=neck.table))
    answer = program.solve()
    assume(answer is not None)
    assert answer is not None
    metal, duals = program.cost @ answer.parameters, answer.row_dual
    chance = np.random.default_rng(seed)
    for spread in (1e-3, 0.1, 1.0):
        wrong = duals + spread * chance.normal(size=duals.shape)
        assert program.bound_by(wrong) <= metal + 1e-9
    assert program.bound_by(duals) == pytest.approx(metal, abs=1e-9)


# ---- brute force --------------------------------------------------------------------------------

SMALL = Wishes(strings=3, frets=5, tolerance=0.3, first_tolerance=0.15, attack=0.6)


@pytest.mark.quick(5)
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("relief_mm", [0.0, 0.3])
def test_no_combination_on_a_grid_of_moves_takes_less(seed: int, relief_mm: float) -> None:
    spec = specification(SMALL)
    found = readings(spec, seed=seed, noise_mm=0.04, relief_mm=relief_mm)
    plan = least_metal(build_problem(spec, found, excursion=table(spec)))
    assert plan is not None
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
            float(plan.saddle_height_change_mm[k]),
            float(plan.nut_height_change_mm[k]),
        )
        for k in range(3)
    ]
    assert all(moves)
    assert sum(m[0] for m in moves if m) == pytest.approx(plan.metal_mm, abs=1e-7)


@pytest.mark.slow
def test_a_finer_grid_comes_close_to_the_plan() -> None:
    spec = specification(SMALL)
    found = readings(spec, seed=4, noise_mm=0.04, relief_mm=0.3)
    plan = least_metal(build_problem(spec, found, excursion=table(spec)))
    assert plan is not None
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


# ---- one pass ------------------------------------------------------------------------------------
# With nut, saddle and relief fixed there is one greatest solution; the program must find it.


def bare(problem: Problem) -> FloatArray | None:
    """Return the removal of the program without limits of action, gap and relief."""
    free = Limit(0.0, -np.inf, np.inf)
    each = (free,) * problem.strings
    target = problem.specification.target
    target = replace(target, action=each, first_fret_gap=each, relief=free)
    spec = replace(problem.specification, target=target)
    found = levelling_program(replace(problem, specification=spec)).solve()
    return (
        None
        if found is None
        else found.parameters[: problem.room_mm.size].reshape(problem.room_mm.shape)
    )


def fixed_problem(neck: Neck) -> Problem:
    return build_problem(neck.spec, neck.found, excursion=neck.table, keep=frozenset(ALL))


def deep_job(neck: Neck, *, limits: bool = False) -> Job:
    """Return the job with nothing moved and more fret life than any pass takes."""
    asked = job(neck.spec, neck.found, neck.table, keep=ALL, limits=limits)
    return replace(asked, room=np.full_like(asked.room, 5.0))


@pytest.mark.slow
@draws(60)
@given(necks())
def test_the_linear_program_finds_the_greatest_solution_at_every_crossing(neck: Neck) -> None:
    problem = fixed_problem(neck)
    removal = problem.measurement.crown_top_mm - greatest_crown_tops_mm(problem)
    found = bare(problem)
    if (removal > problem.room_mm).any():
        # the least there is at a crossing is more than its fret life: no plan can exist
        assert found is None
        return
    assert found is not None
    np.testing.assert_allclose(found, removal, rtol=0.0, atol=1e-9)


@pytest.mark.slow
@draws(30)
@given(necks(), st.integers(0, 2**32 - 1))
def test_no_plan_that_holds_the_limits_leaves_a_crown_higher(neck: Neck, seed: int) -> None:
    greatest = greatest_crown_tops_mm(fixed_problem(neck))
    asked = deep_job(neck)
    assert shortfall_mm(asked, greatest, asked.nut, asked.saddle) <= 1e-12
    chance = np.random.default_rng(seed)
    for _ in range(5):
        other = random_crown_tops(asked, chance)
        assert other is not None
        assert shortfall_mm(asked, other, asked.nut, asked.saddle) <= 1e-6
        assert (other <= greatest + 1e-6).all()


@draws(30)
@given(necks())
def test_the_pass_is_the_one_of_plain_loops(neck: Neck) -> None:
    problem = fixed_problem(neck)
    removal = problem.measurement.crown_top_mm - greatest_crown_tops_mm(problem)
    asked = deep_job(neck)
    for k in range(asked.strings):
        loops = one_pass(asked, k, 0.0, 0.0, 0.0)
        assert loops is not None
        assert removal[k].sum() == pytest.approx(loops[0], abs=1e-12)


@pytest.mark.slow
@draws(30)
@given(necks())
def test_a_neck_that_was_passed_once_needs_no_second_pass(neck: Neck) -> None:
    problem = fixed_problem(neck)
    once = greatest_crown_tops_mm(problem)
    again = greatest_crown_tops_mm(
        problem.with_heights(
            crown_top_mm=once,
            nut_mm=problem.measurement.nut_mm,
            saddle_mm=problem.measurement.saddle_mm,
        )
    )
    np.testing.assert_allclose(again, once, rtol=0.0, atol=1e-12)


def test_limits_of_action_only_ever_lower_the_greatest_solution() -> None:
    wishes = Wishes(tolerance=0.05, attack=0.1)
    neck = Neck(wishes, seed=3, action_off_mm=-0.08)  # too low: the reference fret must come down
    problem = fixed_problem(neck)
    solution = least_metal(problem)
    assert solution is not None
    bare = problem.measurement.crown_top_mm - greatest_crown_tops_mm(problem)
    assert (solution.removal_mm >= bare - 1e-9).all()
    assert (solution.removal_mm[:, wishes.reference_fret - 1] > 0.01).all()
    asked = deep_job(neck, limits=True)
    metals = [one_pass(asked, k, 0.0, 0.0, 0.0) for k in range(asked.strings)]
    assert all(metals)
    assert solution.metal_mm == pytest.approx(sum(m[0] for m in metals if m), abs=1e-9)


@pytest.mark.slow
def test_a_full_size_neck_agrees_too() -> None:
    wishes = Wishes(strings=6, frets=24, action=1.5, action_bass=1.9, attack=0.4)
    spec = specification(wishes)
    found = readings(spec, seed=8, noise_mm=0.03)
    problem = build_problem(spec, found, excursion=table(spec), keep=frozenset(ALL))
    removal = found.crown_top_mm - greatest_crown_tops_mm(problem)
    assert removal.max() > 0.05
    program_finds = bare(problem)
    assert program_finds is not None
    np.testing.assert_allclose(program_finds, removal, rtol=0.0, atol=1e-9)
    asked = job(spec, found, table(spec), keep=ALL, limits=False)
    independent = Program(asked).solve()
    assert independent is not None
    np.testing.assert_allclose(
        independent[1][: removal.size].reshape(removal.shape), removal, rtol=0.0, atol=1e-6
    )
