"""With a metal budget the attack is as large as the budget buys."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from evenfall.errors import RequestError
from evenfall.levelling import make_plan
from levelling.necks import Neck, Wishes, necks, readings, specification, table
from oracles.brute_force_levelling import job, least_metal_mm


def metal_for(neck: Neck, share: float) -> float:
    """Return the least metal for a share of the attack, by the independent program."""
    attack = tuple(share * a for a in neck.spec.player.attack_n)
    metal = least_metal_mm(job(neck.spec, neck.found, neck.table, attack_n=attack))
    return np.inf if metal is None else metal


@settings(deadline=None, max_examples=12)
@given(necks(), st.floats(0.0, 1.5))
def test_the_attack_is_the_most_the_budget_buys(neck: Neck, budget_mm: float) -> None:
    assume(metal_for(neck, 0.0) <= budget_mm)
    plan = make_plan(neck.spec, neck.found, budget_mm=budget_mm, excursion=neck.table)
    assert plan.status == "optimal"
    assert plan.metal_mm <= budget_mm + 1e-6
    shares = plan.attack_n / np.array(neck.spec.player.attack_n)
    np.testing.assert_allclose(shares, shares[0], rtol=1e-9)
    low, high = 0.0, 1.0
    while metal_for(neck, high) <= budget_mm:
        low, high = high, 2.0 * high
    for _ in range(30):
        middle = 0.5 * (low + high)
        if metal_for(neck, middle) <= budget_mm:
            low = middle
        else:
            high = middle
    assert shares[0] == pytest.approx(low, rel=1e-5, abs=1e-5)  # the other solver's tolerance
    assert (plan.buzz_force_after_n >= plan.attack_n[:, None] - 1e-5).all()


def test_a_larger_budget_never_buys_less() -> None:
    neck = Neck(Wishes(strings=4, frets=7, attack=0.5), seed=3, noise_mm=0.04)
    budgets = (0.0, 0.05, 0.1, 0.3, 0.8, 2.0)
    plans = [make_plan(neck.spec, neck.found, budget_mm=b, excursion=neck.table) for b in budgets]
    bought = [p.attack_n[0] for p in plans]
    assert bought == sorted(bought)
    assert bought[-1] > bought[0]
    np.testing.assert_array_equal(plans[0].removal_mm, 0.0)


def test_least_metal_for_the_attack_bought_is_the_budget() -> None:
    """The two modes are each other's inverse where more metal buys more attack."""
    neck = Neck(Wishes(attack=0.4), seed=5, noise_mm=0.05)
    bought = make_plan(neck.spec, neck.found, budget_mm=0.2, excursion=neck.table)
    again = make_plan(
        neck.spec, neck.found, method="profile", attack_n=bought.attack_n, excursion=neck.table
    )
    assert again.status == "optimal"
    assert again.metal_mm == pytest.approx(0.2, abs=1e-6)


def test_a_budget_too_small_for_any_attack_is_never_overdrawn() -> None:
    """A fret so high that the string rests on it: what cannot be bought must not be taken."""
    spec = specification(Wishes(tolerance=0.6, minimum=0.2, attack=0.1, attack_step=0.0))
    found = readings(spec, seed=1, high={4: 0.6})
    keep = ("relief", "saddle", "nut")
    needed = make_plan(
        spec, found, attack_n=0.0, method="profile", keep=keep, excursion=table(spec)
    )
    assert needed.status == "optimal"
    assert needed.metal_mm > 0.3
    with pytest.raises(RequestError, match="buys no plan") as caught:
        make_plan(spec, found, budget_mm=0.2, keep=keep, excursion=table(spec))
    assert f"{needed.metal_mm:.3f}" in str(caught.value)
    enough = make_plan(
        spec, found, budget_mm=needed.metal_mm + 1e-6, keep=keep, excursion=table(spec)
    )
    assert enough.status == "optimal"
    assert enough.attack_n.max() < 1e-2


def test_limits_out_of_reach_are_relaxed_within_the_budget() -> None:
    """Action far too high for the saddle's travel: relaxed, but never more metal than allowed."""
    spec = specification(Wishes(saddle=(0.1, 0.1), tolerance=0.1))
    found = readings(spec, seed=1, action_off_mm=1.5)
    plan = make_plan(spec, found, budget_mm=0.05, excursion=table(spec))
    assert plan.status != "optimal"
    assert plan.relaxations
    assert plan.metal_mm <= 0.05 + 1e-6


def test_the_budget_holds_whatever_the_attack_asked_for() -> None:
    """Only the ratio between the strings counts: a tiny attack buys the same."""
    neck = Neck(Wishes(attack=0.5), seed=2, noise_mm=0.04)
    plans = [
        make_plan(
            neck.spec,
            neck.found,
            budget_mm=0.3,
            attack_n=scale * np.array(neck.spec.player.attack_n),
            excursion=neck.table,
        )
        for scale in (1.0, 20.0, 1e-2)
    ]
    for plan in plans[1:]:
        np.testing.assert_allclose(plan.attack_n, plans[0].attack_n, rtol=1e-5)


def test_a_budget_bounds_every_way_or_the_way_is_refused() -> None:
    neck = Neck(Wishes(attack=0.5), seed=2, noise_mm=0.04)
    for method in ("adjust", "spot", "profile"):
        plan = make_plan(neck.spec, neck.found, budget_mm=0.3, method=method, excursion=neck.table)
        assert plan.method == method
        assert plan.metal_mm <= 0.3 + 1e-6
        for result in plan.methods:
            assert not result.holds or result.metal_mm <= 0.3 + 1e-6
    for method in ("beam", "partial-refret", "refret"):
        with pytest.raises(RequestError, match="budget"):
            make_plan(neck.spec, neck.found, budget_mm=0.3, method=method, excursion=neck.table)


@pytest.mark.parametrize("budget_mm", [-0.1, np.nan, np.inf])
def test_a_budget_must_be_a_length(budget_mm: float) -> None:
    neck = Neck(Wishes())
    with pytest.raises(RequestError, match="budget"):
        make_plan(neck.spec, neck.found, budget_mm=budget_mm, excursion=neck.table)


def test_a_budget_without_attack_buys_nothing() -> None:
    neck = Neck(Wishes())
    with pytest.raises(RequestError, match="attack"):
        make_plan(neck.spec, neck.found, budget_mm=0.3, attack_n=0.0, excursion=neck.table)


def test_replanning_with_the_wishes_unchanged_ignores_the_old_attack() -> None:
    wishes = Wishes(attack=0.5)
    neck = Neck(wishes, seed=6, noise_mm=0.04)
    harder = replace(neck, wishes=replace(wishes, attack=1.0, attack_step=0.1))
    one = make_plan(neck.spec, neck.found, budget_mm=0.25, excursion=neck.table)
    found = replace(neck.found, specification_hash=harder.spec.content_hash)
    two = make_plan(harder.spec, found, budget_mm=0.25, excursion=neck.table)
    np.testing.assert_allclose(one.attack_n, two.attack_n, rtol=1e-6)
