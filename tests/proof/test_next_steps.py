"""Advice after a verdict: following it must lead where it says."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from draws import draws
from evenfall.instrument import read_specification
from evenfall.measurement import Direct
from evenfall.proof import prove
from evenfall.proof.decision import decide
from evenfall.proof.next_steps import _Advice
from evenfall.proof.uncertainty import BudgetLine
from evenfall.wording import say
from proof.made_cases import after_work, geometry, ideal_heights, made_plan, specification

SPEC = specification()
PLAN = made_plan(SPEC)
LENGTH = r"([\d.]+) mm"


def proof_of(*, spec=SPEC, plan=PLAN, u_mm=0.004, **heights):
    return prove(spec, plan, after_work(spec, plan, u_mm=u_mm, **heights), geometry(spec)[2])


def heights(**off):
    """Return the ideal heights with something added."""
    nut, top, saddle = ideal_heights(SPEC)
    return {
        "nut_mm": nut + off.get("nut", 0.0),
        "top_mm": top + off.get("top", 0.0),
        "saddle_mm": saddle + off.get("saddle", 0.0),
    }


def step_with(proof, words):
    """Return the one step that holds the words."""
    (step,) = [str(step) for step in proof.next_steps if words in str(step)]
    return step


def proof_said(proof):
    """Return all that a proof says: findings, steps, and routes and budgets of what it judged."""
    items = [
        said for item in proof.items for said in (item.route, *(line.name for line in item.lines))
    ]
    return " ".join(
        map(str, (*proof.next_steps, *(one.sentence for one in proof.findings), *items))
    )


def verdicts(proof, quantity):
    return [item.verdict for item in proof.items if item.quantity == quantity]


@pytest.mark.slow
@draws(30)
@given(st.integers(0, 2), st.floats(-0.6, 0.6))
def test_moving_the_saddle_as_told_mends_the_action(k, off) -> None:
    moved = heights()
    moved["saddle_mm"][k] += off
    proof = proof_of(**moved)
    assume(verdicts(proof, "action")[k] != "conforms")
    step = step_with(proof, f"the saddle at string {k + 1} by")
    verb, amount = re.search(rf"(lower|raise) the saddle at string \d by {LENGTH}", step).groups()
    assert verb == ("lower" if off > 0 else "raise")
    moved["saddle_mm"][k] += float(amount) * (-1.0 if verb == "lower" else 1.0)
    assert verdicts(proof_of(**moved), "action")[k] == "conforms"
    # And no further than it takes: a hundredth less would not be enough.
    moved["saddle_mm"][k] += 0.01 * (1.0 if verb == "lower" else -1.0)
    assert verdicts(proof_of(**moved), "action")[k] != "conforms"


@pytest.mark.slow
@draws(30)
@given(st.integers(0, 2), st.floats(-0.3, 0.3))
def test_moving_the_nut_as_told_mends_the_first_fret(k, off) -> None:
    moved = heights()
    moved["nut_mm"][k] += off
    proof = proof_of(**moved)
    assume(verdicts(proof, "first-fret-gap")[k] != "conforms")
    step = step_with(proof, f"the nut slot of string {k + 1} by")
    amount = float(re.search(rf"the nut slot of string \d by {LENGTH}", step).group(1))
    moved["nut_mm"][k] += -amount if "lower the nut slot" in step else amount
    assert verdicts(proof_of(**moved), "first-fret-gap")[k] == "conforms"


def test_no_saddle_is_raised_for_an_end_that_is_too_low() -> None:
    moved = heights()
    moved["nut_mm"][1] -= 0.4
    proof = proof_of(**moved)
    assert verdicts(proof, "action")[1] == "does not conform"
    assert "set the first-fret gap of string 2 first" in step_with(proof, "Action of string 2")
    assert "the saddle at" not in " ".join(map(str, proof.next_steps))
    moved["saddle_mm"][0] -= 0.6  # this one is the saddle's own
    assert "raise the saddle at string 1" in step_with(proof_of(**moved), "Action of string 1")


@pytest.mark.parametrize(
    ("off", "words"),
    [
        (0.3, "lower the zero fret under string 2 by 0.2"),
        (-0.3, "fit higher wire as zero fret: under string 2 it lacks 0.2"),
    ],
)
def test_a_zero_fret_is_no_slot(off, words) -> None:
    board = replace(SPEC.board, zero_fret=True)
    moved = heights()
    moved["nut_mm"][1] += off
    proof = proof_of(spec=replace(SPEC, board=board), **moved)
    steps = " ".join(map(str, proof.next_steps))
    assert words in steps
    assert "slot" not in proof_said(proof)


@pytest.mark.parametrize("case", ["unread", "undecided"])
def test_a_zero_fret_is_read_at_its_top(case) -> None:
    found = heights()
    found["nut_mm"][1] = np.nan if case == "unread" else found["nut_mm"][1] - 0.2
    board = replace(SPEC.board, zero_fret=True)
    proof = proof_of(spec=replace(SPEC, board=board), u_mm=0.08, **found)
    assert case == "undecided" or "read the top of the zero fret at string 2" in " ".join(
        map(str, proof.next_steps)
    )
    assert "top of the zero fret, string" in proof_said(proof)
    assert "slot" not in proof_said(proof)


@pytest.mark.parametrize(
    ("relief", "rod"), [(0.36, "tighten"), (0.05, "loosen"), (0.299, "tighten")]
)
def test_the_rod_is_turned_the_right_method(relief, rod) -> None:
    nut, top, saddle = ideal_heights(SPEC, relief_mm=relief)
    proof = proof_of(nut_mm=nut, top_mm=top, saddle_mm=saddle)
    step = step_with(proof, "truss rod")
    turned, amount, method = re.search(
        rf"(\w+) the truss rod until .*? {LENGTH} (\w+)", step
    ).groups()
    assert (turned, method) == (rod, "less" if rod == "tighten" else "more")
    corrected = relief + float(amount) * (-1.0 if method == "less" else 1.0)
    nut, top, saddle = ideal_heights(SPEC, relief_mm=corrected)
    assert verdicts(proof_of(nut_mm=nut, top_mm=top, saddle_mm=saddle), "relief") == ["conforms"]


@draws(30)
@given(st.integers(0, 2), st.integers(2, 13), st.floats(0.06, 0.3))
def test_taking_off_metal_as_told_clears_every_position(k, at, off) -> None:
    raised = heights()
    raised["top_mm"][k, at] += off
    proof = proof_of(**raised)
    assume(verdicts(proof, "clearance")[k] == "does not conform")
    (step,) = (
        str(step)
        for step in proof.next_steps
        if "remove" in str(step) and f"under string {k + 1}" in str(step)
    )
    cuts = re.findall(rf"{LENGTH} at fret (\d+)", step)
    assume("more frets" not in step)
    assert str(at + 1) in {fret for _, fret in cuts}
    for amount, fret in cuts:
        raised["top_mm"][k, int(fret) - 1] -= float(amount)
    assert verdicts(proof_of(**raised), "clearance")[k] == "conforms"


def test_a_single_high_fret_comes_down_alone() -> None:
    raised = heights()
    raised["top_mm"][1, 8] += 0.2
    step = step_with(proof_of(**raised), "under string 2")
    asked, _, along = step.partition("remove")[2].partition(". Of the ")
    assert re.findall(r"at fret (\d+)", asked) == ["9"]
    assert along.startswith("14 notes of this string, ")


def cut_left_on_fret_9(cut_mm):
    """Return a plan that cuts fret 9, and heights where only that cut was not done."""
    removal = PLAN.removal_mm.copy()
    removal[:, 8] = cut_mm
    left = heights()
    left["top_mm"][:, 8] += cut_mm
    return replace(PLAN, removal_mm=removal), left


def test_a_cut_that_was_not_finished_is_finished_first() -> None:
    plan, left = cut_left_on_fret_9(0.15)
    first, then = map(str, proof_of(plan=plan, u_mm=0.002, **left).next_steps[:2])
    assert first.startswith("The cut of the plan is not finished on fret 9: finish it")
    assert "at fret 9 under string 1" in then
    for waits in ("ask", "read-again"):  # their cuts are a preview, the bench sheet shows none
        said = proof_said(proof_of(plan=replace(plan, status=waits), u_mm=0.002, **left))
        assert "not finished" not in said
    elsewhere = heights()
    elsewhere["top_mm"][1, 8] += 0.2  # much more than was to come off there
    assert "not finished" not in " ".join(map(str, proof_of(**elsewhere).next_steps))


def test_metal_that_is_not_there_is_not_taken() -> None:
    raised = heights()
    raised["top_mm"][1, 8] += 0.2
    thin = PLAN.crown_height_after_mm.copy()
    thin[1, 8] = 0.8
    step = step_with(proof_of(**raised, crown_mm=thin), "remove")
    assert "would leave fret 9 under the least crown height" in step
    assert "least crown height" not in step_with(proof_of(**raised), "remove")


def test_a_crown_too_low_cannot_be_mended_with_a_file() -> None:
    low = PLAN.crown_height_after_mm.copy()
    low[2, 4] = 0.7
    step = step_with(proof_of(crown_mm=low), "Crown height of fret 5 under string 3")
    assert "0.050 mm below its limit" in step
    assert "replace the fret" in step


GAUGE = rf"gauge of standard uncertainty {LENGTH} or less"


@pytest.mark.slow
@draws(20)
@given(st.floats(0.06, 0.142), st.floats(0.01, 0.06))
def test_reading_with_the_gauge_as_told_decides(off, u) -> None:
    """One reading with that gauge has its uncertainty and no more; a coarser one does not do."""
    moved = heights()
    moved["saddle_mm"][0] += 2.0 * off
    proof = proof_of(**moved, u_mm=u)
    assume(verdicts(proof, "action")[0] == "undecided")
    step = step_with(proof, "Action of string 1")
    told = re.search(rf"read the gap over fret (\d+) under string 1 itself with a {GAUGE}", step)
    assume(told is not None)
    fret, gauge = int(told.group(1)), float(told.group(2))
    action = next(item for item in proof.items if str(item.name) == "Action of string 1")

    def with_gauge(u_mm):
        direct = (Direct("action", 1, fret, action.value, u_mm),)
        return verdicts(proof_of(**moved, u_mm=u, direct=direct), "action")[0]

    assert with_gauge(gauge) == "conforms"
    assert with_gauge(gauge + 0.0002) == "undecided"


@pytest.mark.slow
@draws(20)
@given(st.floats(0.02, 0.08), st.floats(0.02, 0.06))
def test_heights_read_with_the_gauge_as_told_decide_a_clearance(short, u) -> None:
    """The same heights with that gauge at the places named; all else stays as it was read."""
    raised = heights()
    exact = next(
        i for i in proof_of(**raised, u_mm=1e-4).items if str(i.name).startswith("Clearance")
    )
    raised["top_mm"][0, exact.fret - 1] += max(0.0, exact.room - short)
    proof = proof_of(**raised, u_mm=u)
    (item,) = [i for i in proof.items if i.quantity == "clearance" and i.string == 1]
    assume(item.verdict == "undecided" and item.room > 0.0)
    step = step_with(proof, f"not for certain: {item.name} is")
    told = re.search(rf"{GAUGE} each \(together {LENGTH} or less", step)
    assume(told is not None)
    each, together = (float(text) for text in told.groups())
    sensitivities = [line.sensitivity for line in item.lines]
    assert np.hypot.reduce(sensitivities) * each == pytest.approx(together, abs=2e-4)

    def verdict(gauge_mm):
        u_item = float(np.hypot.reduce(sensitivities)) * gauge_mm
        return decide(item.value, u_item, lower_mm=item.lower).verdict

    assert verdict(each) == "conforms"
    assert verdict(each + 0.0003) == "undecided"


def test_a_reading_that_is_fine_already_is_not_asked_to_be_finer() -> None:
    """Two heights at 0.001 mm leave the third nearly all the room there is."""
    proof = proof_of(**heights(), u_mm=0.08)
    item = next(i for i in proof.items if i.quantity == "clearance")
    fine = replace(
        item,
        lines=tuple(
            BudgetLine(f"height {n}", 0.0, u, c)
            for n, (u, c) in enumerate([(0.001, 1.0), (0.001, 1.0), (0.08, 1.0)])
        ),
    )
    each = _Advice.each_mm(fine, 0.010)
    assert np.sqrt(0.001**2 + 0.001**2 + each**2) == pytest.approx(0.010)


def test_no_advice_says_to_average() -> None:
    """Repeats leave the gauge's own part as it is (JCGM 100:2008, 4.2.3 and 5.1.2)."""
    proof = proof_of(**heights(), u_mm=0.08)
    assert any("with a gauge of" in str(step) for step in proof.next_steps)
    assert not any("average" in str(step) or "repeat" in str(step) for step in proof.next_steps)


def test_a_neck_without_a_rod_is_not_told_to_turn_one() -> None:
    text = SPEC.text + "[neck]\ntruss_rod = false\n"
    spec = read_specification(text)[0]
    plan = made_plan(spec)
    nut, top, saddle = ideal_heights(spec, relief_mm=0.36)
    proof = proof_of(spec=spec, plan=plan, nut_mm=nut, top_mm=top, saddle_mm=saddle)
    assert verdicts(proof, "relief") == ["does not conform"]
    step = step_with(proof, "has no truss rod")
    assert "Relief is" in step
    assert not any("tighten" in str(s) or "loosen" in str(s) for s in proof.next_steps)


def test_uncertainty_alone_never_costs_metal() -> None:
    proof = proof_of(**heights(), u_mm=0.08)
    assert "undecided" in verdicts(proof, "clearance")
    assert not any("remove" in str(step) for step in proof.next_steps)
    plan, left = cut_left_on_fret_9(0.09)
    sharp = proof_of(plan=plan, u_mm=0.002, **left)
    assert set(verdicts(sharp, "clearance")) == {"undecided", "conforms"}
    plan, left = cut_left_on_fret_9(0.15)
    unstrung = proof_of(plan=plan, u_mm=0.002, strung=False, **left)
    for one in (sharp, unstrung):
        assert not re.search("remove|finish it|amounts below", proof_said(one))


def test_a_value_on_its_limit_is_left_to_no_gauge() -> None:
    nut, top, saddle = ideal_heights(SPEC, action_off_mm=0.15)
    proof = proof_of(nut_mm=nut, top_mm=top, saddle_mm=saddle)
    assert "no bench gauge is fine enough to decide that" in step_with(proof, "Action of string 2")


def test_a_cure_that_takes_the_room_of_positions_says_so() -> None:
    """Lower a high saddle, and positions that clear only because of it clear no more."""
    moved = heights(saddle=0.5)
    moved["top_mm"][1, 8] += 0.055
    clearance = [i for i in proof_of(**moved).items if i.quantity == "clearance"][1]
    assert clearance.fret == 9
    moved["top_mm"][1, 8] += clearance.room - clearance.guard_band - 0.004
    before = proof_of(**moved)
    assert verdicts(before, "clearance")[1] == "conforms"
    assert "1 note of this string would then no longer" in step_with(before, "of string 2 is")
    assert "no longer clear" not in step_with(before, "Action of string 1")
    first, then = (str(step) for step in before.next_steps[:2])
    assert first.startswith("Before anything else, read again: Fret 9, string 2 stands 0.12")
    assert then.startswith("Correcting one moves the others: make a new plan")


def test_several_faults_at_once_ask_for_a_new_plan() -> None:
    proof = proof_of(**heights(saddle=0.5, nut=0.2))
    assert "make a new plan" in str(proof.next_steps[0])
    alone = proof_of(**heights(saddle=0.5))
    assert "make a new plan" not in str(alone.next_steps[0])


def test_lengths_are_in_the_unit_asked_for() -> None:
    spec = specification(unit="in")
    plan = made_plan(spec)
    saddle = plan.saddle_after_mm + 0.5
    proof = proof_of(spec=spec, plan=plan, saddle_mm=saddle)
    (told,) = [s for s in proof.next_steps if "the saddle at string 1" in str(s)]
    step = say(told, "in")
    assert " mm" not in step
    inches = float(re.search(r"by ([\d.]+) in", step).group(1))
    corrected = proof_of(spec=spec, plan=plan, saddle_mm=saddle - 25.4 * inches)
    assert verdicts(corrected, "action")[0] == "conforms"
