"""The rules of judgement on necks whose level line is known exactly."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from draws import draws
from evenfall.levelling.cut import asked_mm, least_cut_mm
from evenfall.levelling.explanation import method_result, recommend
from evenfall.levelling.leeway import with_leeway
from evenfall.levelling.problem import build_problem
from evenfall.levelling.rules import decide, level_line_for, set_up
from evenfall.levelling.settings import SetUp, as_found, limits_mm, settle
from evenfall.plan import METHODS
from evenfall.requirement import State
from evenfall.strings.clearance import open_share
from levelling.level_lines import job, known_line, worked
from necks import invented
from necks.invented import Bump, neck
from necks.kinds import specification, table
from necks.neck import Neck
from necks.told import TOLD
from oracles.least_cut import least_cut_by_program

KINDS = ["electric", "ukulele", "bass"]
CUTTING = ["adjust", "spot", "profile", "level", "beam", "partial-refret"]
KEPT = [(), ("relief",), ("saddle",), ("nut",), ("relief", "saddle", "nut")]

seeds = st.integers(0, 10_000)
kinds = st.sampled_from(KINDS)


def found(kind: str, seed: int) -> Neck:
    return invented.as_found(kind, np.random.default_rng(seed))


def set_up_of(kind: str, seed: int, smallest: float = 0.02) -> SetUp:
    made = job(found(kind, seed))
    return set_up(as_found(made.problem, known_line(made.truth, smallest), smallest))


@given(
    kind=kinds,
    seed=seeds,
    attack=st.sampled_from([0.0, 0.5, 1.0, 2.0, 10.0]),
    keep=st.sampled_from(KEPT),
    method=st.sampled_from(CUTTING),
    unread=st.sets(st.tuples(st.integers(1, 4), st.integers(1, 12)), max_size=6),
)
def test_a_level_neck_is_never_cut(  # noqa: PLR0917  (drawn by name)
    kind: str,
    seed: int,
    attack: float,
    keep: tuple[str, ...],
    method: str,
    unread: set[tuple[int, int]],
) -> None:
    truth = invented.level(kind, np.random.default_rng(seed))
    decision = job(truth, attack=attack, keep=keep, unread=unread).decided(method)
    assert not decision.removal_mm.any()
    assert not decision.replaced
    assert decision.conclusion in ("nothing", "settings", "misfit")


@pytest.mark.parametrize(("under_mm", "turned"), [(0.004, False), (0.03, True)])
def test_no_rod_is_turned_by_less_than_anybody_can(under_mm: float, *, turned: bool) -> None:
    """The action is so low that all fails; the relief is a little under its target."""
    target = specification("electric").target
    low = np.array([limit.value_mm for limit in target.action]) - 0.5
    truth = neck("electric", relief_mm=target.relief.value_mm - under_mm, action_mm=low)
    decision = job(truth, attack=1.3).decided("adjust")
    assert (decision.saddle_height_change_mm > 0.3).all()
    assert (decision.relief_change_mm > 0.0) == turned


@given(kind=kinds, seed=seeds, method=st.sampled_from(CUTTING))
@example(kind="electric", seed=180, method="adjust")
@example(kind="electric", seed=450, method="beam")
@example(kind="electric", seed=1444, method="adjust")
@example(kind="bass", seed=4890, method="adjust")
def test_what_conforms_is_moved_within_half_its_tolerance_or_not_at_all(
    kind: str, seed: int, method: str
) -> None:
    decision = job(found(kind, seed)).decided(method)
    target = decision.problem.specification.target
    before = as_found(decision.problem, decision.line, decision.smallest_cut_mm)
    reference = decision.problem.specification.scale.reference_fret
    # a quarter of the width inside its limits, a setting conforms whatever readings may miss
    low, high = limits_mm(target.first_fret_gap, np.inf)
    assert (decision.nut_height_change_mm <= 0.0).all()
    # rod and saddle take the string over fret 1 along; leeway may bring it back a little
    on_nut = 1.0 - open_share(decision.problem.lines, 1)
    set_alone = decision.level_gap_mm(1) - on_nut * decision.nut_height_change_mm
    conforms = np.maximum(before.first_fret_gap_mm, set_alone) <= high - 0.01
    assert not decision.nut_height_change_mm[conforms].any()
    low, high = limits_mm(target.action, np.inf)
    # or its gap stays as it was, while the rod turns or a beam lowers every fret
    level = decision.line.level_mm + decision.relief_change_mm * decision.problem.bow.frets
    lowered = (level - decision.level_after_mm)[:, reference - 1]
    low, high = np.minimum(low, before.action_mm), np.maximum(high, before.action_mm + lowered)
    # a slot filed to its target takes the action down, where it stays while it conforms
    filed = (1.0 - open_share(decision.problem.lines, reference)) * decision.nut_height_change_mm
    low = np.minimum(low, before.action_mm + filed)
    moved = np.abs(decision.saddle_height_change_mm) > 1e-6
    gap = decision.level_gap_mm(reference)
    assert ((low - 1e-6 <= gap) | ~moved).all()
    assert ((high + 1e-6 >= gap) | ~moved).all()
    least = np.array([limit.minimum_mm for limit in target.action])
    assert ((np.minimum(least, before.action_mm) - 1e-6 <= gap) | ~moved).all()
    if decision.relief_change_mm:
        # a rod that conforms may also turn by less than would bring it there, never away from it
        (least,), (most,) = limits_mm((target.relief,), np.inf)
        least, most = min(least, before.relief_mm), max(most, before.relief_mm)
        assert least - 1e-6 <= decision.relief_after_mm <= most + 1e-6
        limit = target.relief
        assert limit.minimum_mm <= decision.relief_after_mm <= limit.maximum_mm


@given(kind=kinds, seed=seeds, method=st.sampled_from(CUTTING))
def test_what_is_left_is_as_good_as_level_frets(kind: str, seed: int, method: str) -> None:
    decision = job(found(kind, seed)).decided(method)
    done = decision.conclusion in ("nothing", "settings", "cut", "lift")
    if done and method != "level":
        assert decision.judged.worst < State.FAILS
    cut = decision.removal_mm[decision.removal_mm > 0.0]
    assert (cut >= decision.smallest_cut_mm - 1e-9).all()
    assert (decision.removal_mm <= decision.problem.room_mm + 1e-9).all()


@given(
    kind=kinds,
    seed=seeds,
    unread=st.sets(st.tuples(st.integers(1, 4), st.integers(1, 12)), min_size=1, max_size=6),
)
def test_crowns_that_were_not_read_neither_ask_nor_are_cut(
    kind: str, seed: int, unread: set[tuple[int, int]]
) -> None:
    made = job(found(kind, seed), unread=unread)
    decision = made.decided()
    places = tuple(np.array(sorted(unread)).T - 1)
    frets = np.unique(places[1])
    assert not decision.removal_mm[:, frets].any()
    # whatever is thought of them, what is decided is the same
    heights = made.truth.crown_top_mm.copy()
    heights[places] += 0.5
    other = made.problem.with_heights(
        crown_top_mm=heights, nut_mm=made.truth.nut_mm, saddle_mm=made.truth.saddle_mm
    )
    again = decide(other, known_line(made.truth, unread=unread))
    np.testing.assert_array_equal(again.removal_mm, decision.removal_mm)
    np.testing.assert_array_equal(again.saddle_height_change_mm, decision.saddle_height_change_mm)
    assert {one.fret for one in decision.read_first} <= set((frets + 1).tolist())


@given(kind=kinds, seed=seeds)
def test_the_walk_is_the_linear_program_at_fixed_settings(kind: str, seed: int) -> None:
    at = set_up_of(kind, seed, smallest=0.0)
    walk = least_cut_mm(at, np.ones_like(at.line.read))
    asked, clear = asked_mm(at), at.clearance_mm
    program = least_cut_by_program(at.problem.share, asked, clear)
    assert walk.sum() == pytest.approx(program.sum(), abs=1e-9)
    np.testing.assert_allclose(walk, program, atol=1e-8)


@draws(15)
@given(seed=seeds, smallest=st.sampled_from([0.0, 0.005, 0.02]))
def test_no_fewer_frets_do(seed: int, smallest: float) -> None:
    """On the first strings and frets alone, with every other fret closed in turn."""
    at = set_up_of("electric", seed, smallest)
    whole = least_cut_mm(at, np.ones_like(at.line.read))
    opened = np.flatnonzero((whole > 0.0).any(axis=0))
    asked = asked_mm(at)
    for fewer in combinations(opened.tolist(), len(opened) - 1) if len(opened) else ():
        may = np.zeros_like(at.line.read)
        others = [j for j in range(may.shape[1]) if j not in opened]
        may[:, [*fewer, *others]] = True  # all that the walk left alone may be cut as well
        cut = least_cut_mm(at, may)
        height = np.column_stack([at.nut_mm, at.taken_mm - cut])
        share = at.problem.share
        clear = (1.0 - share) * height[:, :, None] + share * at.saddle_mm[:, None, None]
        assert ((clear - height[:, None, :]) < asked - 1e-9).any()


@given(kind=kinds, seed=seeds, factor=st.sampled_from([1.0, 2.0, 5.0]))
def test_uncertainty_opens_no_fret(kind: str, seed: int, factor: float) -> None:
    made = job(found(kind, seed), keep=("relief", "saddle", "nut"))
    sure = made.decided()
    unsure = replace(
        made.problem,
        clearance_u_mm=made.problem.clearance_u_mm + 0.01 * factor,
        limit_u_mm={name: u + 0.01 * factor for name, u in made.problem.limit_u_mm.items()},
    )
    again = decide(unsure, known_line(made.truth))
    np.testing.assert_array_equal(again.removal_mm, sure.removal_mm)
    assert len(again.undecided) >= len(sure.undecided)


@given(kind=kinds, seed=seeds, method=st.sampled_from(["spot", "profile", "beam"]))
@example(kind="ukulele", seed=70, method="spot")
@example(kind="ukulele", seed=70, method="beam")
def test_the_result_read_again_asks_for_nothing_more(kind: str, seed: int, method: str) -> None:
    truth = found(kind, seed)
    slight = np.where(np.abs(truth.off_mm) < 0.02, truth.off_mm, 0.0)  # counts as level
    first = job(truth.moved(off_mm=-slight))
    decision = first.decided(method)
    if decision.conclusion not in ("nothing", "settings", "cut", "lift"):
        return
    if any(one.limit == "action" for one in decision.left_out):
        return
    after = worked(first.truth, decision)
    if method == "beam":  # the level line went down with the crowns
        gone = after.level_mm - decision.level_after_mm
        after = replace(after, off_mm=after.off_mm + gone)
    again = job(after).decided(method)
    assert not again.removal_mm.any()
    assert again.conclusion == "nothing"
    assert abs(again.relief_change_mm) < 1e-6
    np.testing.assert_allclose(again.saddle_height_change_mm, 0.0, atol=1e-6)
    np.testing.assert_allclose(again.nut_height_change_mm, 0.0, atol=1e-6)


# ---- single rules -----------------------------------------------------------------------------


def test_a_high_fret_is_cut_to_the_level_line() -> None:
    decision = job(neck("electric", bumps=[Bump(7, 0.12)])).decided()
    assert decision.conclusion == "cut"
    assert decision.cut_frets == (7,)
    np.testing.assert_allclose(decision.removal_mm[:, 6], 0.12, atol=0.01)
    assert decision.part == "whole"
    assert not decision.reasons


def test_a_high_action_is_lowered_and_nothing_else() -> None:
    truth = neck("electric", action_mm=np.linspace(1.8, 2.2, 6))
    decision = job(truth).decided()
    assert decision.conclusion == "settings"
    assert decision.part == "settings"
    target = [limit.value_mm for limit in truth.specification.target.action]
    np.testing.assert_allclose(decision.level_gap_mm(12), target, atol=1e-9)
    assert not decision.nut_height_change_mm.any()


def test_a_worn_first_fret_moves_no_slot_and_no_saddle() -> None:
    worn = np.zeros((6, 22))
    worn[:, 0] = 0.1
    decision = job(neck("electric", wear_mm=worn)).decided()
    assert not decision.nut_height_change_mm.any()
    assert not decision.saddle_height_change_mm.any()


def test_a_kept_saddle_is_reported_and_not_made_up_for() -> None:
    truth = neck("electric", action_mm=np.linspace(1.8, 2.2, 6))
    decision = job(truth, keep=("saddle",)).decided()
    assert not decision.relief_change_mm
    assert not decision.nut_height_change_mm.any()
    assert not decision.removal_mm.any()
    assert [one.limit for one in decision.left_out] == ["action"]


def test_a_saddle_without_travel_names_the_neck_angle() -> None:
    truth = neck("electric", action_mm=np.linspace(4.5, 4.9, 6))
    decision = job(truth).decided()
    (left,) = (one for one in decision.left_out if one.limit == "action")
    # tilted about the joint at fret 17, the saddle is 648 x 2^(-17/12) + setback away
    lack = left.said.values["lack"]
    away = 648.0 * 2.0 ** (-17.0 / 12.0)
    assert isinstance(lack, float)
    assert left.said.values["angle"] == pytest.approx(np.degrees(lack / away), rel=0.02)


def test_a_low_fret_is_lifted_rather_than_its_neighbours_ground() -> None:
    truth = neck("electric", bumps=[Bump(6, -0.12)])
    decision = job(truth).decided()
    assert decision.conclusion == "lift"
    assert decision.low_frets is not None
    assert decision.low_frets.frets == (6,)
    np.testing.assert_allclose(decision.lifted_mm[:, 5], 0.12)
    ground = job(truth).decided(lift=False)
    assert ground.conclusion == "cut"
    assert ground.metal_mm > 2.0 * decision.metal_mm
    assert ground.low_frets is not None
    assert not ground.low_frets.recommended


def test_an_attack_beyond_the_targets_is_said_first_and_nothing_is_cut() -> None:
    made = job(neck("electric", bumps=[Bump(7, 0.12)]), attack=1.6)
    decision = made.decided()
    assert decision.conclusion == "misfit"
    assert decision.level_margin_share < 0.85
    assert not decision.removal_mm.any()
    assert made.decided("level").cut_frets == (7,)
    # at the action that would fit, level frets just hold
    reference = decision.problem.specification.scale.reference_fret
    raised = decision.fitting_action_mm
    fits = neck("electric", action_mm=raised, bumps=[Bump(7, 0.12)])
    at = as_found(job(fits, attack=1.6).problem, known_line(fits), 0.02)
    assert at.level_margin_share == pytest.approx(1.0, abs=0.02)
    assert (raised > decision.level_gap_mm(reference)).any()


def test_many_frets_or_a_deep_cut_are_asked_first() -> None:
    many = job(neck("electric", bumps=[Bump(j, 0.06) for j in range(2, 18, 2)])).decided()
    assert len(many.ask) == 1
    deep = job(neck("electric", bumps=[Bump(9, 0.2)])).decided()
    assert [one.frets for one in deep.ask] == [(9,)]


def test_a_high_fret_without_crown_to_spare_is_left_alone_and_named() -> None:
    """Its board stands high: new wire, dressed to the same crown, would stand as high."""
    truth = neck("electric", bumps=[Bump(9, 0.12)])
    height = truth.crown_height_mm.copy()
    height[:, 8] = truth.specification.fretwire.least_crown_height_mm + 0.03
    made = job(replace(truth, crown_height_mm=height))
    decision = made.decided()
    assert decision.conclusion == "short"
    assert decision.no_room == (9,)
    assert not decision.removal_mm.any()
    assert [one.limit for one in decision.left_out] == ["crown-height"]
    assert not made.decided("partial-refret").replaced


@pytest.mark.parametrize("rises", [(0.08, 0.13), (0.12, 0.15)])
def test_no_note_is_made_worse_over_a_fret_that_has_no_room(rises: tuple[float, float]) -> None:
    """Filing fret 5 would let note 5 buzz more over fret 6, which cannot be filed."""
    truth = neck("electric", bumps=[Bump(5, rises[0]), Bump(6, rises[1]), Bump(12, 0.12)])
    height = truth.crown_height_mm.copy()
    height[:, 5] = truth.specification.fretwire.least_crown_height_mm + 0.05
    decision = job(replace(truth, crown_height_mm=height)).decided()
    assert decision.no_room == (6,)
    assert set(np.flatnonzero(decision.removal_mm.any(axis=0)) + 1) == {12}


def test_frets_worn_low_get_new_wire() -> None:
    truth = neck("electric", bumps=[Bump(9, -0.45)])
    height = truth.crown_height_mm + np.minimum(truth.off_mm, 0.0)
    made = job(replace(truth, crown_height_mm=height))
    decision = made.decided("partial-refret")
    assert decision.conclusion == "new-wire"
    assert decision.replaced == (9,)
    assert decision.judged.worst < State.FAILS


def test_worn_out_frets_ask_for_new_wire_and_nothing_is_cut() -> None:
    truth = neck("electric", bumps=[Bump(9, 0.1)])
    height = truth.crown_height_mm.copy()
    height[:, :9] = 0.7
    decision = job(replace(truth, crown_height_mm=height)).decided()
    assert decision.conclusion == "new-wire"
    assert not decision.removal_mm.any()
    assert decision.ask


def test_a_slot_is_not_filed_for_what_rod_and_saddle_may_miss() -> None:
    """They are set and read before it; what is left of their misses is less than a file can set."""
    target = specification("electric").target
    most = np.array([one.maximum_mm for one in target.first_fret_gap])
    for over in np.linspace(-0.03, 0.03, 7):
        gap, relief = most + over, target.relief.maximum_mm + 0.1
        decision = job(neck("electric", relief_mm=relief, first_fret_gap_mm=gap)).decided()
        assert decision.relief_change_mm < 0.0
        filed = decision.nut_height_change_mm
        on_nut = 1.0 - open_share(decision.problem.lines, 1)
        others_set = decision.level_gap_mm(1) - on_nut * filed
        assert (others_set[filed < 0.0] > (most - 0.0034)[filed < 0.0]).all()
        assert (others_set[filed == 0.0] <= most[filed == 0.0]).all()


def test_a_one_piece_saddle_is_one_height_and_a_slope() -> None:
    truth = neck("electric", action_mm=np.array([1.9, 1.6, 2.0, 1.7, 2.2, 2.3]))
    target = replace(truth.specification.target, one_piece_saddle=True)
    one_piece = replace(truth, specification=replace(truth.specification, target=target))
    moved = job(one_piece).decided().saddle_height_change_mm
    assert np.abs(moved).max() > 0.1
    np.testing.assert_allclose(np.diff(moved, 2), 0.0, atol=1e-9)


def test_new_wire_on_every_fret_is_never_recommended() -> None:
    """Not even where it alone clears every note: a crown stands up by more than may come off it."""
    made = job(neck("bass", bumps=[Bump(7, 0.28, strings=(3, 3))]))
    low = replace(made.problem, room_mm=np.full_like(made.problem.room_mm, 0.1))
    results = [method_result(replace(made, problem=low).decided(method)) for method in METHODS]
    assert [one.method for one in results if one.holds] == ["refret"]
    method, reason = recommend(results)
    assert not method
    assert "fret 7" in str(reason)
    assert recommend([one for one in results if one.holds])[0] == ""


def test_leeway_tries_the_rod_alone_then_failing_saddles() -> None:
    """And asks for no move that the bench, with what it may miss, could not make."""
    worn = TOLD["worn first frets"]
    problem = build_problem(
        worn.truth.specification, worn.measurement(), excursion=table(worn.truth.specification)
    )
    by_rod = decide(problem, level_line_for(problem, "adjust"), "adjust")
    assert by_rod.conclusion == "settings"
    assert by_rod.relief_change_mm >= 0.025
    assert not by_rod.saddle_height_change_mm.any()
    low = np.array([limit.value_mm for limit in specification("electric").target.action])
    low[1] -= 0.1
    bent = neck("electric", action_mm=low, bumps=[Bump(9, 0.03)])
    by_saddle = job(bent, keep=("relief",), attack=1.1).decided("adjust")
    assert by_saddle.conclusion == "settings"
    assert np.flatnonzero(by_saddle.saddle_height_change_mm).tolist() == [1]


@given(kind=kinds, seed=seeds)
def test_leeway_asks_for_no_move_below_half_of_what_the_bench_may_miss(
    kind: str, seed: int
) -> None:
    made = job(found(kind, seed))
    before = settle(as_found(made.problem, known_line(made.truth), 0.02))
    after = with_leeway(before)
    if after is None:
        return
    allowed = made.problem.specification.judgement
    least = 0.5 * min(allowed.allowance_saddle_mm, allowed.allowance_rod_mm)
    start, end = (np.append(one.saddle_change_mm, one.relief_change_mm) for one in (before, after))
    small = (np.abs(end - start) > 1e-6) & (np.abs(end - start) < least - 1e-9)
    if small.any():  # then it is not settled without
        *saddle, rod = np.where(small, start, end)
        there = replace(before, saddle_change_mm=np.array(saddle), relief_change_mm=float(rod))
        assert not there.holds.all()
