"""Advice after a verdict: following it must lead where it says."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from evenfall.proof import prove
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
    (step,) = [step for step in proof.next_steps if words in step]
    return step


def verdicts(proof, quantity):
    return [item.verdict for item in proof.items if item.quantity == quantity]


@settings(max_examples=30, deadline=None)
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


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2), st.floats(-0.3, 0.3))
def test_moving_the_nut_as_told_mends_the_first_fret(k, off) -> None:
    moved = heights()
    moved["nut_mm"][k] += off
    proof = proof_of(**moved)
    assume(verdicts(proof, "first-fret")[k] != "conforms")
    step = step_with(proof, f"the nut slot of string {k + 1} by")
    amount = float(re.search(rf"the nut slot of string \d by {LENGTH}", step).group(1))
    moved["nut_mm"][k] += -amount if "lower the nut slot" in step else amount
    assert verdicts(proof_of(**moved), "first-fret")[k] == "conforms"


@pytest.mark.parametrize(
    ("relief", "rod"), [(0.36, "tighten"), (0.05, "loosen"), (0.299, "tighten")]
)
def test_the_rod_is_turned_the_right_way(relief, rod) -> None:
    nut, top, saddle = ideal_heights(SPEC, relief_mm=relief)
    proof = proof_of(nut_mm=nut, top_mm=top, saddle_mm=saddle)
    step = step_with(proof, "truss rod")
    turned, amount, way = re.search(rf"(\w+) the truss rod until .*? {LENGTH} (\w+)", step).groups()
    assert (turned, way) == (rod, "less" if rod == "tighten" else "more")
    mended = relief + float(amount) * (-1.0 if way == "less" else 1.0)
    nut, top, saddle = ideal_heights(SPEC, relief_mm=mended)
    assert verdicts(proof_of(nut_mm=nut, top_mm=top, saddle_mm=saddle), "relief") == ["conforms"]


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2), st.integers(2, 13), st.floats(0.06, 0.3))
def test_taking_off_metal_as_told_clears_every_position(k, at, off) -> None:
    raised = heights()
    raised["top_mm"][k, at] += off
    proof = proof_of(**raised)
    assume(verdicts(proof, "clearance")[k] == "does not conform")
    step = step_with(proof, f"under string {k + 1}")
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
    cuts = re.findall(r"at fret (\d+)", step.split("remove")[1])
    assert cuts == ["9"]
    assert "of 14 positions of this string" in step


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
    assert "0.050 mm under its least value" in step
    assert "replace the fret" in step


@settings(max_examples=20, deadline=None)
@given(st.floats(0.06, 0.142), st.floats(0.01, 0.06))
def test_reading_as_finely_as_told_decides(off, u) -> None:
    k = 0
    moved = heights()
    moved["saddle_mm"][k] += 2.0 * off
    proof = proof_of(**moved, u_mm=u)
    assume(verdicts(proof, "action")[k] == "undecided")
    step = step_with(proof, "Action of string 1")
    needed = re.search(rf"a standard uncertainty of {LENGTH} or less", step)
    have = next(item for item in proof.items if item.name == "Action of string 1")
    assume(needed is not None and float(needed.group(1)) > 0)
    finer = u * float(needed.group(1)) / have.standard_uncertainty
    assert verdicts(proof_of(**moved, u_mm=finer), "action")[k] == "conforms"
    if repeats := re.search(r"average (\d+) independent readings", step):
        averaged = u / np.sqrt(int(repeats.group(1)))
        assert verdicts(proof_of(**moved, u_mm=averaged), "action")[k] == "conforms"
        fewer = u / np.sqrt(int(repeats.group(1)) - 1)
        assert verdicts(proof_of(**moved, u_mm=fewer), "action")[k] == "undecided"
    else:
        assert "better gauge" in step


def test_doubt_alone_never_costs_metal() -> None:
    proof = proof_of(**heights(), u_mm=0.08)
    assert "undecided" in verdicts(proof, "clearance")
    assert not any("remove" in step for step in proof.next_steps)


def test_a_value_on_its_limit_is_left_to_no_gauge() -> None:
    nut, top, saddle = ideal_heights(SPEC, action_off_mm=0.15)
    proof = proof_of(nut_mm=nut, top_mm=top, saddle_mm=saddle)
    assert "so near to its limit no gauge decides" in step_with(proof, "Action of string 2")


def test_a_cure_that_takes_the_room_of_positions_says_so() -> None:
    """Lower a high saddle, and positions that clear only because of it clear no more."""
    moved = heights(saddle=0.5)
    moved["top_mm"][1, 8] += 0.055
    clearance = [i for i in proof_of(**moved).items if i.quantity == "clearance"][1]
    assert clearance.fret == 9
    moved["top_mm"][1, 8] += clearance.room - clearance.guard_band - 0.004
    before = proof_of(**moved)
    assert verdicts(before, "clearance")[1] == "conforms"
    assert "1 position of this string would then no longer" in step_with(before, "of string 2 is")
    assert "no longer clear" not in step_with(before, "Action of string 1")
    assert before.next_steps[0].startswith("Mending one moves the others: make a new plan")


def test_several_faults_at_once_ask_for_a_new_plan() -> None:
    proof = proof_of(**heights(saddle=0.5, nut=0.2))
    assert "make a new plan" in proof.next_steps[0]
    alone = proof_of(**heights(saddle=0.5))
    assert "make a new plan" not in alone.next_steps[0]


def test_lengths_are_in_the_unit_of_the_instrument() -> None:
    spec = specification(unit="in")
    plan = made_plan(spec)
    saddle = plan.saddle_after_mm + 0.5
    proof = proof_of(spec=spec, plan=plan, saddle_mm=saddle)
    step = step_with(proof, "the saddle at string 1")
    assert " mm" not in step
    inches = float(re.search(r"by ([\d.]+) in", step).group(1))
    mended = proof_of(spec=spec, plan=plan, saddle_mm=saddle - 25.4 * inches)
    assert verdicts(mended, "action")[0] == "conforms"
