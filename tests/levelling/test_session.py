"""The warm model of one instrument: what is asked for changes, and the answers follow."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import cache, partial

import numpy as np
import pytest

from draws import some
from evenfall.errors import Cancelled, RequestError
from evenfall.levelling import Session, make_plan
from evenfall.levelling.decision import Decision
from evenfall.levelling.problem import Problem
from evenfall.levelling.rules import decide
from evenfall.measurement import Measurement
from evenfall.neck.level_line import LevelLine
from evenfall.plan import METHODS, Plan
from evenfall.requirement import State
from necks import invented
from necks.invented import Bump
from necks.kinds import table
from necks.neck import Neck
from necks.readings import Reader, read

NECK = invented.neck("electric", bumps=[Bump(5, 0.08), Bump(14, 0.02, 0.10)])
SPEC = NECK.specification


@cache
def found(seed: int = 4) -> Measurement:
    return read(NECK, np.random.default_rng(seed), Reader(u_mm=0.002))


def session(seed: int = 4) -> Session:
    return Session(SPEC, found(seed), excursion=table(SPEC))


def planned(**asked: object) -> Plan:
    return make_plan(SPEC, found(), excursion=table(SPEC), **asked)  # type: ignore[arg-type]


# ---- budgets made ready ---------------------------------------------------------------------


def test_making_budgets_ready_can_be_stopped_and_taken_up_again() -> None:
    warm, told = session(), list[str]()

    def patience(doing: str, _share: float, *, most: int) -> None:
        told.append(doing)
        if len(told) == most:
            raise Cancelled

    with pytest.raises(Cancelled):
        warm.ready_for_budgets("spot", [0.4], partial(patience, most=3))
    warm.ready_for_budgets("spot", [0.4], partial(patience, most=0))
    assert len(told) > 3
    at_once = len(told)
    warm.ready_for_budgets("spot", [0.4], partial(patience, most=0))
    assert len(told) == at_once, "what was decided is kept"
    warm.change(budget_mm=0.4)
    np.testing.assert_array_equal(warm.preview("spot").attack_n, planned(budget_mm=0.4).attack_n)


# ---- looking --------------------------------------------------------------------------------


@pytest.mark.quick(2)
@pytest.mark.parametrize("method", ["adjust", "spot", "profile", "level", "beam"])
def test_a_preview_shows_what_the_plan_comes_to(method: str) -> None:
    seen, plan = session().preview(method), planned(method=method)
    assert seen.metal_mm == pytest.approx(plan.metal_mm, abs=1e-12)
    assert seen.lowest_crown_mm == pytest.approx(plan.lowest_crown_mm, abs=1e-12)
    assert 100.0 * seen.level_margin_share == pytest.approx(plan.level_clear_percent)
    np.testing.assert_array_equal(seen.attack_n, plan.attack_n)
    np.testing.assert_array_equal(seen.note_state, plan.state_after)
    np.testing.assert_allclose(seen.buzz_force.force_n, plan.buzz_force_after_n)
    assert not seen.removal_mm.flags.writeable
    assert not seen.holds or not (seen.note_state == State.FAILS).any()


def test_a_preview_follows_every_change() -> None:
    """Warm or built again: the same metal, states and settings."""
    warm = session()
    changes: list[dict[str, object]] = [
        {"attack_n": 0.42},
        {"action_mm": (1.2, 1.6)},
        {"attack_n": (0.3, 0.32, 0.34, 0.4, 0.4, 0.5)},
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
        assert seen.conclusion == again.conclusion
        assert seen.metal_mm == pytest.approx(again.metal_mm, abs=1e-12)
        np.testing.assert_array_equal(seen.note_state, again.note_state)
        np.testing.assert_allclose(seen.attack_n, again.attack_n, rtol=1e-12)
        metal.add(round(seen.metal_mm, 6))
    assert len(metal) >= 3  # the changes did change something


def test_an_attack_that_level_frets_do_not_bear_is_a_misfit() -> None:
    changed = session()
    changed.change(attack_n=2.0)
    seen = changed.preview()
    assert seen.conclusion == "misfit"
    assert not seen.holds
    assert not seen.removal_mm.any()
    assert seen.level_margin_share < 0.85
    plan = changed.plan()
    assert plan.status == "misfit"
    assert plan.misfit is not None
    said = str(plan.misfit)
    assert "the attack and the targets do not fit" in said.lower()
    fits = 2.0 * seen.level_margin_share
    assert f"{fits:.2f} N" in said
    changed.change(attack_n=0.98 * fits)
    assert changed.preview().conclusion != "misfit"
    assert changed.plan("level").removal_mm.any()  # by name, all the same


@pytest.mark.slow
def test_a_preview_within_a_budget_is_at_the_attack_that_it_buys() -> None:
    bought = session()
    whole = bought.preview().metal_mm
    bought.change(budget_mm=0.6 * whole)
    seen, plan = bought.preview(), bought.plan()
    np.testing.assert_allclose(seen.attack_n, plan.attack_n, rtol=1e-9)
    assert seen.metal_mm <= 0.6 * whole + 1e-9
    assert seen.attack_n.max() < max(SPEC.player.attack_n)


# ---- changing -------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_same_wishes_give_the_same_plan_whatever_was_asked_before() -> None:
    walked = session()
    for attack in (0.2, 0.5, 0.35):
        walked.change(attack_n=attack, action_mm=(1.2, 2.2))
        walked.preview()
        walked.method("beam")
    walked.change(attack_n=0.42, action_mm=None)
    walked.method("beam")
    assert walked.plan().content_hash == planned(attack_n=0.42).content_hash


def test_the_plan_keeps_to_the_changed_limits() -> None:
    changed = session()
    changed.change(attack_n=0.2, action_mm=(1.7, 2.0), relief_mm=(0.24, 0.30))
    assert changed.specification.target.action[0].maximum_mm == 2.0
    assert SPEC.target.action[0].maximum_mm != 2.0
    plan = changed.plan()
    assert (plan.action_after_mm >= 1.7 - 1e-6).all()
    assert (plan.action_after_mm <= 2.0 + 1e-6).all()
    assert 0.24 - 1e-6 <= plan.relief_after_mm <= 0.30 + 1e-6


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
    assert asked.preview().metal_mm == pytest.approx(before.metal_mm, abs=1e-12)
    np.testing.assert_array_equal(asked.attack_n, SPEC.player.attack_n)


# ---- the methods ----------------------------------------------------------------------------


@pytest.mark.slow
def test_the_methods_come_one_by_one_and_as_the_compared_plan_has_them() -> None:
    asked = session()
    delivered = asked.methods()
    assert next(delivered).method == "adjust"
    rest = list(delivered)
    assert [result.method for result in rest] == list(METHODS)[1:]
    plan = planned(compare=True)
    assert [result.method for result in plan.methods] == list(METHODS)
    for result, compared in zip(rest, plan.methods[1:], strict=True):
        assert result == compared
        assert asked.method(result.method) == result


@pytest.mark.slow
def test_what_is_recommended_without_comparing_is_what_comparing_recommends() -> None:
    for seed in range(2):
        neck = invented.as_found("electric", np.random.default_rng(seed))
        readings = read(neck, np.random.default_rng(seed), Reader(u_mm=0.002))
        asked = Session(neck.specification, readings, excursion=table(neck.specification))
        quick, compared = asked.plan(), asked.plan(compare=True)
        assert quick.recommended == compared.recommended
        assert quick.method == compared.method
        np.testing.assert_array_equal(quick.removal_mm, compared.removal_mm)


def test_a_price_is_what_one_step_saves() -> None:
    plan = planned()
    assert plan.removal_mm.any()
    for price in plan.prices:
        asked = session()
        if price.control == "attack":
            asked.change(attack_n=(1.0 - 0.01 * price.step) * asked.attack_n)
        elif price.control == "relief":
            relief = SPEC.target.relief
            limits = (relief.minimum_mm + price.step, relief.maximum_mm + price.step)
            asked.change(relief_mm=limits)
        else:
            continue
        assert plan.metal_mm - asked.preview().metal_mm == pytest.approx(price.metal_mm, abs=0.02)


def test_readings_to_take_again_withhold_the_cut_and_keep_the_settings() -> None:
    """A single crown 0.3 above its fret is no cut but a slip, until somebody says otherwise."""
    slip = found().crown_top_mm.copy()
    slip[2, 9] += 0.30
    readings = found().with_heights(
        crown_top_mm=slip, nut_mm=found().nut_mm, saddle_mm=found().saddle_mm
    )
    plan = make_plan(SPEC, readings, excursion=table(SPEC))
    assert plan.status == "read-again"
    assert plan.gates
    assert not plan.removal_mm.any()
    assert plan.replaced_frets == ()
    assert not plan.cuts_now


# ---- stopping, and many at once -------------------------------------------------------------


@pytest.mark.quick(1)
@pytest.mark.parametrize("after", some([0, 3, 1, 5], 2))
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
    assert asked.plan(compare=True).content_hash == planned(compare=True).content_hash


def test_each_method_is_told_of_before_it_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that the work can be stopped between any two."""
    seen: list[str] = []

    def watched(problem: Problem, line: LevelLine, method: str, **asked: bool) -> Decision:
        seen.append(method)
        return decide(problem, line, method, **asked)

    monkeypatch.setattr("evenfall.levelling.session.decide", watched)
    session().plan(progress=lambda doing, _share: seen.append(doing))
    for name in ("adjust", "spot", "profile"):
        assert seen[seen.index(name) - 1] == "Planning"


@pytest.mark.slow
def test_sessions_in_four_threads_plan_as_one_after_another() -> None:
    necks = [invented.as_found("electric", np.random.default_rng(n)) for n in range(4)]
    _ = table(SPEC)  # computed once, here

    def work(neck: Neck) -> list[Plan]:
        readings = read(neck, np.random.default_rng(1), Reader(u_mm=0.002))
        asked = Session(neck.specification, readings, excursion=table(neck.specification))
        plans = []
        for share in (1.0, 0.8):
            asked.change(attack_n=share * np.array(neck.specification.player.attack_n))
            asked.preview()
            plans.append(asked.plan(compare=True))
        return plans

    alone = [[plan.content_hash for plan in work(neck)] for neck in necks]
    with ThreadPoolExecutor(max_workers=4) as threads:
        started = [threads.submit(partial(work, neck)) for neck in necks]
        together = [[plan.content_hash for plan in one.result()] for one in started]
    assert together == alone
