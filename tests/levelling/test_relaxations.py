"""Where the limits cannot all hold: what is named is enough, and a little less is not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings

from evenfall.levelling import make_plan
from evenfall.plan import Plan, Relaxation
from levelling.necks import Neck, Wishes, necks, readings, specification, table
from made_heights import changed
from oracles.brute_force_levelling import Program, job

RELAX: dict[str, Callable[[Wishes, float], Wishes]] = {
    "attack": lambda w, percent: replace(
        w,
        attack=w.attack * (1.0 - 0.01 * percent),
        attack_step=w.attack_step * (1.0 - 0.01 * percent),
    ),
    "action": lambda w, mm: replace(w, tolerance=w.tolerance + mm),
    "first-fret-gap": lambda w, mm: replace(w, first_tolerance=w.first_tolerance + mm),
    "relief": lambda w, mm: replace(w, relief=(w.relief[0] - mm, w.relief[1] + mm)),
    "travel": lambda w, mm: replace(
        w,
        saddle=(w.saddle[0] + mm, w.saddle[1] + mm),
        nut=(w.nut[0] + mm, w.nut[1] + mm),
    ),
    "crown-height": lambda w, mm: replace(w, minimum=w.minimum - mm),
}
UTMOST = {"action": 0.9, "first-fret-gap": 0.3, "relief": 0.45, "travel": 10.0, "crown-height": 0.6}


def fits(neck: Neck, wishes: Wishes) -> bool:
    """Say whether the limits can hold, by the independent program."""
    spec = specification(wishes)
    return Program(job(spec, neck.found, neck.table)).fits()


def planned_status(neck: Neck, wishes: Wishes) -> str:
    spec = specification(wishes)
    found = replace(neck.found, specification_hash=spec.content_hash)
    return make_plan(spec, found, method="profile", excursion=neck.table).status


def in_range(wishes: Wishes) -> bool:
    """Say whether a specification may ask for it at all."""
    return (
        min(wishes.action, wishes.action_bass) >= wishes.tolerance
        and wishes.first >= wishes.first_tolerance
        and wishes.minimum >= 0.0
        and wishes.relief[0] >= -0.5
        and max(*wishes.saddle, *wishes.nut) <= 20.0
    )


hard = necks(attack=0.9, minimum=0.95, saddle=(0.1, 0.1), tolerance=0.1, first_tolerance=0.1)


@settings(deadline=None, max_examples=35)
@given(hard)
def test_each_named_relaxation_is_enough_and_hardly_less_is(neck: Neck) -> None:
    plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
    assume(plan.status != "optimal")
    assert not fits(neck, neck.wishes)
    named = {r.limit: r for r in plan.relaxations}
    assert set(RELAX) <= set(named)
    for limit, relax in RELAX.items():
        relaxation = named[limit]
        if not relaxation.helps:
            assert np.isnan(relaxation.amount)
            continue
        assert relaxation.amount > 0.0
        enough = relax(neck.wishes, relaxation.amount * (1.0 + 1e-6) + 1e-6)
        less = relax(neck.wishes, relaxation.amount * 0.99)
        if in_range(enough):
            assert fits(neck, enough), limit
            assert planned_status(neck, enough) == "optimal", limit
        if in_range(less):
            assert not fits(neck, less), limit


@settings(deadline=None, max_examples=25)
@given(hard)
def test_a_limit_that_is_said_not_to_help_does_not(neck: Neck) -> None:
    plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
    assume(plan.status != "optimal")
    for relaxation in plan.relaxations:
        if relaxation.helps or relaxation.limit not in UTMOST:
            continue
        much = RELAX[relaxation.limit](neck.wishes, UTMOST[relaxation.limit])
        if in_range(much):
            assert not fits(neck, much), relaxation.limit


@settings(deadline=None, max_examples=25)
@given(hard)
def test_an_eased_plan_keeps_every_limit_that_was_not_eased(neck: Neck) -> None:
    plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
    assume(plan.status == "relaxed")
    spec, found = neck.spec, neck.found
    helping = next(r for r in plan.relaxations if r.helps)
    asked = job(spec, found, neck.table, attack_n=tuple(plan.attack_n))
    after = (plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm)
    breaks = broken_limits(plan, neck)
    assert breaks <= {helping.limit}, (breaks, helping)
    if helping.limit == "attack":
        borne = 1.0 - 0.01 * helping.amount
        np.testing.assert_allclose(plan.attack_n, borne * np.array(spec.player.attack_n), atol=1e-6)
    assert all(np.isfinite(a).all() for a in after)
    assert asked.strings == len(plan.attack_n)


def broken_limits(plan: Plan, neck: Neck) -> set[str]:
    """Return the limits that the finished neck breaks by more than rounding."""
    spec, found = neck.spec, neck.found
    target, unstrung = spec.target, 1e-6
    broken = set()
    for name, gaps, limits in (
        ("action", plan.action_after_mm, target.action),
        ("first-fret-gap", plan.first_fret_gap_after_mm, target.first_fret_gap),
    ):
        for gap, limit in zip(gaps, limits, strict=True):
            if not limit.minimum_mm - unstrung <= gap <= limit.maximum_mm + unstrung:
                broken.add(name)
    relief = target.relief
    if not relief.minimum_mm - unstrung <= plan.relief_after_mm <= relief.maximum_mm + unstrung:
        broken.add("relief")
    saddle, nut = plan.saddle_after_mm - found.saddle_mm, plan.nut_after_mm - found.nut_mm
    for move, down, up in (
        (saddle, target.saddle_down_mm, target.saddle_up_mm),
        (nut, target.nut_down_mm, target.nut_up_mm),
    ):
        if (move < -down - unstrung).any() or (move > up + unstrung).any():
            broken.add("travel")
    if (plan.crown_height_after_mm < spec.fretwire.least_crown_height_mm - unstrung).any():
        broken.add("crown-height")
    if (plan.buzz_force_after_n < plan.attack_n[:, None] - 1e-5).any():
        broken.add("clearance")
    return broken


WORN = Wishes(frets=6, attack=0.6, minimum=1.05, tolerance=0.4, saddle=(0.1, 0.1))


@pytest.mark.parametrize("lacking_mm", [0.0, 0.02, 0.1])
@pytest.mark.parametrize("seed", range(4))
def test_crown_height_eased_means_what_it_says_on_worn_frets(seed: int, lacking_mm: float) -> None:
    """A crown under the least height, and no life beside it, until that is relaxed by enough.

    The heights are exact here: a relaxed least height is what stays, not what can be proved.
    """
    spec = specification(WORN)
    found = readings(spec, seed=seed, high={4: 0.15})
    height = found.crown_height_mm.copy()
    height[:, 3] = WORN.minimum - lacking_mm + 0.005 * np.arange(3)
    found = changed(found, crown_height_mm=height, crown_height_u_mm=np.zeros_like(height))
    plan = make_plan(spec, found, method="profile", excursion=table(spec))
    assert plan.status != "optimal"
    named: dict[str, Relaxation] = {r.limit: r for r in plan.relaxations}
    relaxed = named["crown-height"]
    assert relaxed.helps

    def fits_with(least: float) -> bool:
        other = specification(replace(WORN, minimum=least))
        return Program(job(other, found, table(spec))).fits()

    assert fits_with(WORN.minimum - relaxed.amount - 1e-6)
    assert not fits_with(WORN.minimum - 0.99 * relaxed.amount)


@pytest.mark.parametrize("tolerance", [0.0, 0.01, 0.05])
def test_relaxing_limits_narrower_than_their_guard_is_enough(tolerance: float) -> None:
    """Readings so uncertain that the limits are drawn in to their middle: widening starts there."""
    wishes = Wishes(
        frets=12,
        action=1.5,
        action_bass=1.8,
        attack=0.1,
        minimum=1.1,
        saddle=(0.02, 0.02),
        nut=(0.0, 0.0),
        tolerance=tolerance,
        first_tolerance=0.3,
        relief=(0.1, 0.25),
    )
    neck = Neck(wishes, seed=1, noise_mm=0.01, action_off_mm=0.5, u_mm=0.02)
    plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
    named = {r.limit: r for r in plan.relaxations}["action"]
    assert named.helps
    assert fits(neck, RELAX["action"](wishes, named.amount + 1e-6))
    assert not fits(neck, RELAX["action"](wishes, 0.99 * named.amount))


def test_what_is_kept_is_not_eased() -> None:
    """The saddle that must stay does not move, whatever else gives way."""
    spec = specification(Wishes(attack=0.6, saddle=(0.0, 0.0), tolerance=0.3, minimum=1.05))
    found = readings(spec, seed=1, action_off_mm=-0.4)
    plan = make_plan(spec, found, method="profile", keep=("saddle",), excursion=table(spec))
    assert plan.status != "optimal"
    np.testing.assert_array_equal(plan.saddle_after_mm, found.saddle_mm)
    free = make_plan(spec, found, method="profile", excursion=table(spec))
    relaxation = {r.limit: r for r in free.relaxations}["travel"]
    kept = {r.limit: r for r in plan.relaxations}["travel"]
    assert relaxation.helps
    assert not kept.helps or kept.amount > relaxation.amount + 1e-6


def test_every_relaxation_is_said_in_words() -> None:
    spec = specification(WORN)
    plan = make_plan(
        spec, readings(spec, seed=2, worn={2: 0.2}), method="profile", excursion=table(spec)
    )
    assert plan.status != "optimal"
    for relaxation in plan.relaxations:
        assert str(relaxation.said).endswith(".")
        assert "nan" not in str(relaxation.said)
        assert "inf" not in str(relaxation.said)


def test_new_wire_is_named_where_worn_frets_are_the_reason() -> None:
    """A low fret is cured by new wire: the relaxation says which, and it is enough."""
    spec = specification(WORN)
    found = readings(spec, seed=2, worn={2: 0.2}, high={4: 0.15})
    plan = make_plan(spec, found, excursion=table(spec))
    assert plan.method == "partial-refret"
    assert plan.status == "optimal"
    assert 2 in plan.replaced_frets
    each = make_plan(spec, found, method="profile", compare=True, excursion=table(spec))
    frets = {r.limit: r for r in each.relaxations}["frets"]
    assert frets.helps
    assert frets.amount == len(plan.replaced_frets)
    asked = job(spec, found, table(spec))
    assert Program(asked, replaced=plan.replaced_frets).fits()
    assert not Program(asked).fits()


def test_a_crown_under_the_least_height_is_never_called_fine() -> None:
    """Where nothing must be cut, a worn crown still asks for new wire or a relaxed least height."""
    spec = specification(Wishes(frets=6, attack=0.2, minimum=1.0))
    found = readings(spec, seed=1, noise_mm=0.0)
    fine = make_plan(spec, found, excursion=table(spec))
    assert (fine.status, fine.method) == ("optimal", "adjust")
    height, top = found.crown_height_mm.copy(), found.crown_top_mm.copy()
    worn = height[:, 3] - 0.99
    height[:, 3] -= worn
    top[:, 3] -= worn
    as_high = changed(found, crown_height_mm=height)  # the board stands as much higher there
    found = changed(found, crown_height_mm=height, crown_top_mm=top)
    plan = make_plan(spec, found, excursion=table(spec))
    assert (plan.status, plan.method, plan.replaced_frets) == ("optimal", "partial-refret", (4,))
    assert plan.lowest_crown_mm >= 1.0
    adjusted = make_plan(spec, as_high, method="adjust", excursion=table(spec))
    assert adjusted.status == "relaxed"
    relaxation = {r.limit: r for r in adjusted.relaxations}["crown-height"]
    assert relaxation.helps
    assert relaxation.amount == pytest.approx(0.01, abs=1e-9)
