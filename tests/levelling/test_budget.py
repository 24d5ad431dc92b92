"""With a metal budget the attack is as large as the budget buys, by the same rules."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from evenfall.errors import RequestError
from evenfall.levelling import make_plan
from evenfall.measurement import Measurement
from evenfall.plan import Plan
from necks.invented import Bump, neck
from necks.kinds import table
from necks.neck import Neck
from necks.readings import exact

METHODS = ("adjust", "spot", "profile")


@cache
def rough() -> tuple[Neck, Measurement]:
    """Return a neck with two high frets, and its readings."""
    truth = neck("electric", bumps=[Bump(7, 0.12), Bump(15, 0.08)])
    return truth, exact(truth)


def planned(budget_mm: float | None, **asked: object) -> Plan:
    truth, found = rough()
    made = truth.specification
    return make_plan(made, found, budget_mm=budget_mm, excursion=table(made), **asked)  # type: ignore[arg-type]


@pytest.mark.quick(1)
@pytest.mark.parametrize("method", METHODS)
def test_a_budget_is_never_overdrawn_and_buys_all_it_can(method: str) -> None:
    truth, _ = rough()
    whole = planned(None, method=method).metal_mm
    plan = planned(0.5 * whole, method=method)
    assert plan.method == method
    assert plan.metal_mm <= 0.5 * whole + 1e-6
    shares = plan.attack_n / np.array(truth.specification.player.attack_n)
    np.testing.assert_allclose(shares, shares[0], rtol=1e-9)
    if method != "adjust":  # a little more attack takes more than the budget
        more = planned(None, method=method, attack_n=1.003 * plan.attack_n)
        assert more.metal_mm > 0.5 * whole


@pytest.mark.slow
def test_a_larger_budget_never_buys_less() -> None:
    bought = [planned(budget).attack_n[0] for budget in (0.0, 0.3, 0.6, 2.0)]
    assert bought == sorted(bought)
    assert bought[-1] > bought[0]


@pytest.mark.slow
def test_only_the_proportions_of_the_attack_count() -> None:
    truth, _ = rough()
    plans = [
        planned(0.3, attack_n=scale * np.array(truth.specification.player.attack_n))
        for scale in (1.0, 20.0, 1e-2)
    ]
    for plan in plans[1:]:
        np.testing.assert_allclose(plan.attack_n, plans[0].attack_n, rtol=3e-3)


@pytest.mark.parametrize("method", ["beam", "partial-refret", "refret", "level", "least-metal"])
def test_a_method_whose_metal_no_budget_can_bound_is_refused(method: str) -> None:
    with pytest.raises(RequestError, match="budget"):
        planned(0.3, method=method)


@pytest.mark.parametrize("budget_mm", [-0.1, np.nan, np.inf])
def test_a_budget_must_be_a_length(budget_mm: float) -> None:
    with pytest.raises(RequestError, match="budget"):
        planned(budget_mm)


def test_a_budget_without_attack_buys_nothing() -> None:
    with pytest.raises(RequestError, match="attack"):
        planned(0.3, attack_n=0.0)


def test_a_fret_that_a_string_rests_on_needs_more_than_too_small_a_budget() -> None:
    truth = neck("electric", bumps=[Bump(9, 0.22)])
    made = truth.specification
    low = {"excursion": table(made), "keep": ("relief", "saddle", "nut")}
    least = make_plan(made, exact(truth), attack_n=0.0, method="spot", **low)  # type: ignore[arg-type]
    if least.metal_mm == 0.0:
        pytest.fail("the neck is meant to touch at rest")
    with pytest.raises(RequestError, match="too little for any plan"):
        make_plan(made, exact(truth), budget_mm=0.5 * least.metal_mm, **low)  # type: ignore[arg-type]


def test_a_plan_says_what_its_budget_buys() -> None:
    truth, _ = rough()
    plan, free = planned(0.3), planned(0.0)
    said = str(plan.reason)
    assert plan.budget_mm == 0.3
    share = plan.attack_n[0] / truth.specification.player.attack_n[0]
    assert f"0.300 mm clears every note up to an attack of {plan.attack_n.min():.2f} to" in said
    assert f"{100.0 * share:.0f} % of the player's attack" in said
    assert f"no cut at all: {free.attack_n.min():.2f} to {free.attack_n.max():.2f} N" in said
    assert np.isnan(planned(None).budget_mm)
