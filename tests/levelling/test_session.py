"""The warm model of one instrument: what is asked for changes, and the answers follow."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings

from evenfall.errors import Cancelled, RequestError
from evenfall.levelling import Session, make_plan
from evenfall.levelling import session as module
from evenfall.plan import METHODS, Plan
from levelling.necks import Neck, Wishes, necks, readings, specification, table

NECK = Neck(Wishes(strings=4, frets=12, attack=0.35, tolerance=0.3), seed=4, noise_mm=0.05)
WORN = Wishes(frets=6, attack=0.6, minimum=1.05, tolerance=0.4, saddle=(0.1, 0.1))
SEARCHES = ("fewest_frets", "levelling_beam", "replace_frets", "full_refret")


def session(neck: Neck = NECK) -> Session:
    return Session(neck.spec, neck.found, excursion=neck.table)


def no_search(monkeypatch: pytest.MonkeyPatch) -> None:
    def run(*_: object) -> None:
        raise AssertionError("a search was run that nobody asked for")

    for name in SEARCHES:
        monkeypatch.setattr(module, name, run)


# ---- looking --------------------------------------------------------------------------------


@settings(deadline=None, max_examples=25)
@given(necks())
def test_a_preview_shows_what_the_plan_by_profile_comes_to(neck: Neck) -> None:
    seen = session(neck).preview()
    plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
    assert seen.holds == (plan.status == "optimal")
    if seen.holds:
        assert seen.metal_mm == pytest.approx(plan.metal_mm, abs=1e-7)
        assert seen.lowest_crown_mm == pytest.approx(plan.lowest_crown_mm, abs=1e-6)
        np.testing.assert_array_equal(seen.attack_n, plan.attack_n)
        assert not seen.removal_mm.flags.writeable
        assert (seen.buzz_force.force_n >= seen.attack_n[:, None] - 1e-6).all()


def test_a_preview_follows_every_change() -> None:
    """Warm or built again: the same least metal, buzz force and settings."""
    warm = session()
    changes: list[dict[str, object]] = [
        {"attack_n": 0.4},
        {"action_mm": (0.9, 1.5)},
        {"attack_n": (0.3, 0.32, 0.34, 0.5)},
        {"relief_mm": (0.05, 0.12)},
        {"keep": ("relief",)},
        {"keep": ("saddle", "nut"), "attack_n": 0.25, "action_mm": None},
        {"keep": (), "relief_mm": None},
        {"budget_mm": 0.4, "attack_n": None},
        {"budget_mm": None},
    ]
    asked: dict[str, object] = {}
    metal = set()
    for change in changes:
        warm.change(**change)  # type: ignore[arg-type]
        asked |= change
        built = session()
        built.change(**asked)  # type: ignore[arg-type]
        seen, again = warm.preview(), built.preview()
        assert seen.holds == again.holds
        assert seen.metal_mm == pytest.approx(again.metal_mm, abs=1e-7)
        np.testing.assert_allclose(seen.attack_n, again.attack_n, rtol=1e-7)
        metal.add(round(seen.metal_mm, 6))
    assert len(metal) > 5  # the changes did change something


def test_limits_that_cannot_hold_are_shown_at_the_attack_at_which_they_do() -> None:
    changed = session()
    changed.change(attack_n=2.0)
    seen = changed.preview()
    assert not seen.holds
    assert (seen.attack_n < 2.0).all()
    assert (seen.buzz_force.force_n >= seen.attack_n[:, None] - 1e-6).all()
    changed.change(attack_n=0.999 * seen.attack_n)
    assert changed.preview().holds
    changed.change(attack_n=1.001 * seen.attack_n)
    assert not changed.preview().holds


def test_limits_that_hold_at_no_attack_show_the_instrument_as_found() -> None:
    out_of_reach = session()
    out_of_reach.change(action_mm=(9.0, 9.1))
    seen = out_of_reach.preview()
    assert not seen.holds
    assert not seen.attack_n.any()
    assert not seen.removal_mm.any()
    before = make_plan(NECK.spec, NECK.found, method="profile", excursion=NECK.table)
    np.testing.assert_allclose(seen.buzz_force.force_n, before.buzz_force_before_n)


def test_a_preview_within_a_budget_is_at_the_attack_that_it_buys() -> None:
    bought = session()
    bought.change(budget_mm=0.3)
    seen, plan = bought.preview(), bought.plan()
    np.testing.assert_allclose(seen.attack_n, plan.attack_n, rtol=1e-6)
    assert seen.metal_mm <= 0.3 + 1e-6
    assert seen.metal_mm == pytest.approx(plan.metal_mm, abs=1e-6)


# ---- changing -------------------------------------------------------------------------------


def test_the_same_wishes_give_the_same_plan_whatever_was_asked_before() -> None:
    walked = session()
    for attack in (0.2, 0.5, 0.35, 0.41):
        walked.change(attack_n=attack, action_mm=(0.8, 1.6))
        walked.preview()
        walked.method("beam")
    walked.change(attack_n=0.33, action_mm=None)
    walked.method("beam")
    straight = make_plan(NECK.spec, NECK.found, attack_n=0.33, excursion=NECK.table)
    assert walked.plan().content_hash == straight.content_hash


def test_the_plan_keeps_to_the_changed_limits() -> None:
    changed = session()
    changed.change(attack_n=0.2, action_mm=(0.9, 1.25), relief_mm=(0.1, 0.2))
    assert changed.specification.target.action[0].maximum_mm == 1.25
    assert NECK.spec.target.action[0].maximum_mm != 1.25
    plan = changed.plan("profile")
    assert plan.status == "optimal"
    assert (plan.action_after_mm <= 1.25 + 1e-6).all()
    assert 0.1 - 1e-6 <= plan.relief_after_mm <= 0.2 + 1e-6


@pytest.mark.parametrize(
    ("change", "names"),
    [
        ({"attack_n": -1.0}, "attack"),
        ({"attack_n": (0.3, 0.3)}, "attack"),
        ({"action_mm": (1.5, 1.2)}, "action"),
        ({"action_mm": ((1.0, 1.2), (1.0, 1.2))}, "action"),
        ({"action_mm": ((1.0,), (1.0, 1.2))}, "action"),
        ({"relief_mm": "flat"}, "relief"),
        ({"relief_mm": (0.1, float("nan"))}, "relief"),
        ({"budget_mm": -0.1}, "budget"),
        ({"keep": ("frets",)}, "keep"),
    ],
)
def test_a_change_that_makes_no_sense_changes_nothing(
    change: dict[str, object], names: str
) -> None:
    asked = session()
    before = asked.preview()
    with pytest.raises(RequestError) as refused:
        asked.change(**{"attack_n": 0.5, **change})  # type: ignore[arg-type]
    assert refused.value.at.field == names
    assert asked.preview().metal_mm == pytest.approx(before.metal_mm, abs=1e-9)
    np.testing.assert_array_equal(asked.attack_n, NECK.spec.player.attack_n)


# ---- the methods ----------------------------------------------------------------------------


def test_the_methods_come_one_by_one_and_as_the_compared_plan_has_them() -> None:
    asked = session()
    delivered = asked.methods()
    assert next(delivered).method == "adjust"
    rest = list(delivered)
    assert [result.method for result in rest] == list(METHODS)[1:]
    plan = make_plan(NECK.spec, NECK.found, compare=True, excursion=NECK.table)
    assert [result.method for result in plan.methods] == list(METHODS)
    for result, compared in zip(rest, plan.methods[1:], strict=True):
        assert result == compared
        assert asked.method(result.method) == result


def test_one_method_runs_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    no_search(monkeypatch)
    plan = make_plan(NECK.spec, NECK.found, method="profile", excursion=NECK.table)
    assert plan.status == "optimal"
    assert [result.method for result in plan.methods] == ["profile"]
    assert plan.recommended == ""
    make_plan(NECK.spec, NECK.found, budget_mm=0.3, excursion=NECK.table)
    failing = make_plan(NECK.spec, NECK.found, method="adjust", excursion=NECK.table)
    assert failing.status != "optimal"


def test_a_method_that_fails_tells_whether_new_wire_would_help() -> None:
    spec = specification(WORN)
    found = readings(spec, seed=2, worn={2: 0.2}, high={4: 0.15})
    plan = make_plan(spec, found, method="profile", excursion=table(spec))
    (wire,) = (one for one in plan.relaxations if one.limit == "frets")
    compared = make_plan(spec, found, method="profile", compare=True, excursion=table(spec))
    (named,) = (one for one in compared.relaxations if one.limit == "frets")
    assert wire.helps
    assert named.helps
    assert np.isnan(wire.amount)
    assert named.amount >= 1.0


@settings(deadline=None, max_examples=40)
@given(necks(tolerance=0.3))
def test_what_is_recommended_without_comparing_is_what_comparing_recommends(neck: Neck) -> None:
    quick = make_plan(neck.spec, neck.found, excursion=neck.table)
    compared = make_plan(neck.spec, neck.found, compare=True, excursion=neck.table)
    assert quick.recommended == compared.recommended
    assert quick.method == compared.method
    np.testing.assert_array_equal(quick.removal_mm, compared.removal_mm)
    assert {result.method for result in quick.methods} <= {r.method for r in compared.methods}


@pytest.mark.parametrize("deep", [0.05, 0.12, 0.3])
def test_new_wire_is_recommended_where_the_old_frets_do_not_do(deep: float) -> None:
    spec = specification(WORN)
    found = readings(spec, seed=2, worn={3: deep})
    quick = make_plan(spec, found, excursion=table(spec))
    compared = make_plan(spec, found, compare=True, excursion=table(spec))
    assert quick.recommended == compared.recommended
    assert quick.metal_mm == pytest.approx(compared.metal_mm)


# ---- stopping, and many at once -------------------------------------------------------------


@pytest.mark.parametrize("after", range(0, 24, 3))
def test_stopping_ends_the_work_and_harms_nothing(after: int) -> None:
    told: list[str] = []

    def stop(doing: str, share: float) -> None:
        assert 0.0 <= share <= 1.0
        told.append(doing)
        if len(told) > after:
            raise Cancelled

    asked = session()
    with pytest.raises(Cancelled):
        asked.plan(compare=True, progress=stop)
    assert len(told) == after + 1
    plan = make_plan(NECK.spec, NECK.found, compare=True, excursion=NECK.table)
    assert asked.plan(compare=True).content_hash == plan.content_hash


def test_the_search_by_integers_can_be_stopped() -> None:
    """Only while the optimiser itself runs is the same share told again and again."""
    neck = Neck(Wishes(strings=4, frets=12, attack=0.4), seed=9, noise_mm=0.08)
    shares: list[float] = []
    asked = session(neck)
    asked.method("spot", lambda _, share: shares.append(share))
    inside = [n for n in range(1, len(shares)) if shares[n] == shares[n - 1]]
    assert inside, "the search for this neck has to go as far as the integer program"
    left = iter(range(inside[0]))

    def stop(_: str, __: float) -> None:
        if next(left, None) is None:
            raise Cancelled

    again = session(neck)
    with pytest.raises(Cancelled):
        again.method("spot", stop)
    assert again.method("spot") == asked.method("spot")


def test_sessions_in_four_threads_plan_as_one_after_another() -> None:
    wishes = [Wishes(strings=4, frets=12, attack=0.3 + 0.04 * n, tolerance=0.3) for n in range(4)]
    instruments = [Neck(w, seed=n, noise_mm=0.05) for n, w in enumerate(wishes)]
    for neck in instruments:
        _ = neck.table  # computed once, here

    def work(neck: Neck) -> list[Plan]:
        asked = session(neck)
        plans = []
        for share in (1.0, 0.8, 1.1):
            asked.change(attack_n=share * np.array(neck.spec.player.attack_n))
            asked.preview()
            plans.append(asked.plan(compare=True))
        return plans

    alone = [[plan.content_hash for plan in work(neck)] for neck in instruments]
    with ThreadPoolExecutor(max_workers=4) as threads:
        started = [threads.submit(partial(work, neck)) for neck in instruments]
        together = [[plan.content_hash for plan in one.result()] for one in started]
    assert together == alone
