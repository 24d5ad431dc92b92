"""The curve of metal against action passes through the plan and begins where plans begin."""

from __future__ import annotations

from importlib import resources

import numpy as np
import pytest
from hypothesis import assume, given, settings

from evenfall.levelling import make_plan, trade_off
from evenfall.workshop.opening import Source, open_instrument
from levelling.necks import Neck, Wishes, necks, readings, specification, table

INVENTED = resources.files("evenfall") / "invented"


@settings(deadline=None, max_examples=20)
@given(necks())
def test_more_action_never_takes_more_metal(neck: Neck) -> None:
    plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
    assume(plan.status == "optimal")
    curve = trade_off(neck.spec, plan, excursion=neck.table)
    holds = np.isfinite(curve.metal_mm)
    assert (np.diff(curve.action_mm) > 0.0).all()
    assert (np.diff(holds.astype(int)) >= 0).all()  # once it holds, more action holds too
    assert (np.diff(curve.metal_mm[holds]) <= 1e-7).all()


def test_the_curve_passes_through_a_plan_whose_actions_stand_at_their_most() -> None:
    """The invented guitar: the plan is the least metal for its own action, so it is on the curve.

    It used to be drawn on ground where the chart said that no plan holds.
    """
    files = ("tesquil-before.csv", "tesquil.spec.toml")
    opened = open_instrument(*(Source(name, (INVENTED / name).read_bytes()) for name in files))
    spec, found = opened.specification, opened.measurement
    plan = make_plan(spec, found, method="profile")
    over = plan.action_after_mm - np.array([limit.value_mm for limit in spec.target.action])
    assert np.ptp(over) < 1e-6
    curve = trade_off(spec, plan)
    at = int(np.argmin(np.abs(curve.action_mm - plan.action_after_mm.mean())))
    assert curve.action_mm[at] == pytest.approx(plan.action_after_mm.mean(), abs=1e-9)
    assert curve.metal_mm[at] == pytest.approx(plan.metal_mm, abs=1e-6)


def test_where_the_curve_begins_is_found_closely() -> None:
    neck = Neck(Wishes(strings=3, frets=6, attack=0.9), seed=4, noise_mm=0.03)
    plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
    curve = trade_off(neck.spec, plan, excursion=neck.table)
    holds = np.isfinite(curve.metal_mm)
    assert holds.any()
    assert not holds.all()
    first = int(np.argmax(holds))
    assert curve.action_mm[first] - curve.action_mm[first - 1] <= 1.01e-4


@pytest.mark.parametrize("method", ["partial-refret", "refret"])
def test_with_new_wire_the_curve_is_that_of_the_new_frets(method: str) -> None:
    spec = specification(Wishes(frets=6, attack=0.6, minimum=1.0, tolerance=0.4, saddle=(0.4, 0.4)))
    found = readings(spec, seed=5, worn={2: 0.2}, high={6: 0.1})
    plan = make_plan(spec, found, method=method, excursion=table(spec))
    assert plan.replaced_frets
    assert plan.status == "optimal"
    curve = trade_off(spec, plan, excursion=table(spec))
    at = int(np.argmin(np.abs(curve.action_mm - plan.action_after_mm.mean())))
    assert np.isfinite(curve.metal_mm[at])
    assert curve.metal_mm[at] <= plan.metal_mm + 1e-6
