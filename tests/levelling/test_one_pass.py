"""With nut, saddle and relief fixed there is one greatest solution; the program must find it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenfall.levelling.model import LevellingModel
from evenfall.levelling.problem import Problem, build_problem
from levelling.necks import Neck, Wishes, necks, readings, specification, table
from oracles.brute_force_levelling import (
    Job,
    Program,
    job,
    one_pass,
    random_crown_tops,
    shortfall_mm,
)
from oracles.one_pass import greatest_crown_tops_mm

ALL = ("relief", "saddle", "nut")


def fixed_problem(neck: Neck) -> Problem:
    return build_problem(neck.spec, neck.found, excursion=neck.table, keep=frozenset(ALL))


def deep_job(neck: Neck, *, limits: bool = False) -> Job:
    """Return the job with nothing moved and more fret life than any pass takes."""
    asked = job(neck.spec, neck.found, neck.table, keep=ALL, limits=limits)
    return replace(asked, room=np.full_like(asked.room, 5.0))


@settings(deadline=None, max_examples=60)
@given(necks())
def test_the_linear_program_finds_the_greatest_solution_at_every_crossing(neck: Neck) -> None:
    problem = fixed_problem(neck)
    removal = problem.measurement.crown_top_mm - greatest_crown_tops_mm(problem)
    solution = LevellingModel(problem, limits=False).least_metal()
    if (removal > problem.room_mm).any():
        # the least there is at a crossing is more than its fret life: no plan can exist
        assert solution is None
        return
    assert solution is not None
    np.testing.assert_allclose(solution.removal_mm, removal, rtol=0.0, atol=1e-9)


@settings(deadline=None, max_examples=30)
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


@settings(deadline=None, max_examples=30)
@given(necks())
def test_the_pass_is_the_one_of_plain_loops(neck: Neck) -> None:
    problem = fixed_problem(neck)
    removal = problem.measurement.crown_top_mm - greatest_crown_tops_mm(problem)
    asked = deep_job(neck)
    for k in range(asked.strings):
        loops = one_pass(asked, k, 0.0, 0.0, 0.0)
        assert loops is not None
        assert removal[k].sum() == pytest.approx(loops[0], abs=1e-12)


@settings(deadline=None, max_examples=30)
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
    solution = LevellingModel(problem).least_metal()
    assert solution is not None
    bare = problem.measurement.crown_top_mm - greatest_crown_tops_mm(problem)
    assert (solution.removal_mm >= bare - 1e-9).all()
    assert (solution.removal_mm[:, wishes.reference_fret - 1] > 0.01).all()
    asked = deep_job(neck, limits=True)
    metals = [one_pass(asked, k, 0.0, 0.0, 0.0) for k in range(asked.strings)]
    assert all(metals)
    assert solution.metal_mm == pytest.approx(sum(m[0] for m in metals if m), abs=1e-9)


def test_a_full_size_neck_agrees_too() -> None:
    wishes = Wishes(strings=6, frets=24, action=1.5, action_bass=1.9, attack=0.4)
    spec = specification(wishes)
    found = readings(spec, seed=8, noise_mm=0.03)
    problem = build_problem(spec, found, excursion=table(spec), keep=frozenset(ALL))
    removal = found.crown_top_mm - greatest_crown_tops_mm(problem)
    assert removal.max() > 0.05
    solution = LevellingModel(problem, limits=False).least_metal()
    assert solution is not None
    np.testing.assert_allclose(solution.removal_mm, removal, rtol=0.0, atol=1e-9)
    asked = job(spec, found, table(spec), keep=ALL, limits=False)
    independent = Program(asked).solve()
    assert independent is not None
    np.testing.assert_allclose(
        independent[1][: removal.size].reshape(removal.shape), removal, rtol=0.0, atol=1e-6
    )
