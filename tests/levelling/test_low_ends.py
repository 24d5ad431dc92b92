"""A slot or zero fret that is too low: it is not filed further, and no saddle makes up for it.

The nut comes before the action (common practice, no source); metal cannot be put back.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.levelling.problem import build_problem
from evenfall.levelling.rules import decide, smallest_cut_mm
from evenfall.levelling.settings import SetUp, as_found, limits_mm
from levelling.level_lines import known_line
from necks.invented import neck
from necks.kinds import specification, table
from necks.readings import exact

if TYPE_CHECKING:
    from collections.abc import Collection

    from evenfall.arrays import FloatArray
    from evenfall.levelling.decision import Decision

SPEC = specification("electric")
ACTION = np.array([limit.value_mm for limit in SPEC.target.action])
THIRD = np.arange(6) == 2
NEAR_MM = 1e-6


@dataclass
class Case:
    found: SetUp
    after: SetUp
    decision: Decision


def decided(
    nut_off_mm: FloatArray,
    saddle_off_mm: FloatArray,
    *,
    zero_fret: bool = False,
    one_piece: bool = False,
    tolerance_mm: float | None = None,
    keep: Collection[str] = (),
    travel_mm: float = 0.8,
) -> Case:
    """Return a level neck at its targets with ends and saddles off, and what is to be done."""
    target = replace(SPEC.target, one_piece_saddle=one_piece)
    if tolerance_mm is not None:
        gaps = (
            replace(
                limit,
                minimum_mm=limit.value_mm - tolerance_mm,
                maximum_mm=limit.value_mm + tolerance_mm,
            )
            for limit in target.first_fret_gap
        )
        target = replace(target, first_fret_gap=tuple(gaps))
    spec = replace(SPEC, target=target, board=replace(SPEC.board, zero_fret=zero_fret))
    truth = neck("electric").moved(nut_mm=nut_off_mm, saddle_mm=saddle_off_mm)
    kept = {*keep, *(("nut",) if zero_fret else ())}
    problem = build_problem(spec, exact(truth), excursion=table(SPEC), keep=kept)
    travel = np.minimum(problem.saddle_travel_mm, travel_mm)
    problem = replace(problem, saddle_travel_mm=travel).with_attack(0.6 * problem.player_n)
    smallest = smallest_cut_mm(problem, "spot")
    line = known_line(truth, smallest)
    found, decision = as_found(problem, line, smallest), decide(problem, line, "spot")
    after = found.moved(
        decision.relief_change_mm, decision.nut_height_change_mm, decision.saddle_height_change_mm
    )
    return Case(found, after, decision)


@draws(40)
@given(
    st.lists(st.sampled_from([0.0, -0.15, -0.35, -0.5]), min_size=6, max_size=6),
    st.lists(st.floats(-0.4, 0.4), min_size=6, max_size=6),
    st.booleans(),
    st.sampled_from([(), ("saddle",), ("nut",)]),
    st.sampled_from([0.0, 0.2, 0.8]),
    st.sampled_from([None, 0.02]),
)
def test_what_conforms_is_left_and_no_low_end_is_filed_or_made_up_for(  # noqa: PLR0917  (drawn)
    nut: list[float],
    saddle: list[float],
    zero_fret: bool,
    keep: Collection[str],
    travel_mm: float,
    tolerance_mm: float | None,
) -> None:
    made = decided(
        np.array(nut),
        np.array(saddle),
        zero_fret=zero_fret,
        keep=keep,
        travel_mm=travel_mm,
        tolerance_mm=tolerance_mm,
    )
    found, after = made.found, made.after
    ends = found.low_ends & after.low_ends
    assert not after.nut_change_mm[ends].any()
    low, high = limits_mm(SPEC.target.action, 0.0)
    conformed = ends & (found.action_mm >= low) & (found.action_mm <= high)
    assert (after.action_mm >= low - NEAR_MM)[conformed].all()
    assert (after.action_mm <= high + NEAR_MM)[conformed].all()
    raised = ends & (after.saddle_change_mm > NEAR_MM)
    assert (after.cured_action_mm(ends) <= ACTION + NEAR_MM)[raised].all()
    lowered = ends & (after.saddle_change_mm < -NEAR_MM)
    assert (after.action_mm >= ACTION - NEAR_MM)[lowered].all()


@pytest.mark.parametrize("zero_fret", [True, False])
@pytest.mark.parametrize(("saddle_off_mm", "to_mm"), [(0.0, 0.0), (0.35, 0.35), (-0.4, 0.0)])
def test_the_saddle_is_set_once_for_all(
    saddle_off_mm: float, to_mm: float, *, zero_fret: bool
) -> None:
    """Where the action is off both ways it is set for the end at its target, else it is left."""
    made = decided(-0.35 * THIRD, saddle_off_mm * THIRD, zero_fret=zero_fret)
    change = made.decision.saddle_height_change_mm
    assert saddle_off_mm * THIRD + change == pytest.approx(to_mm * THIRD, abs=1e-6)
    said = [str(one.said) for one in made.decision.left_out if one.limit == "action"]
    if to_mm == 0.0:
        end = "zero fret" if zero_fret else "nut slot"
        assert said[0].startswith(f"Action of string 3 is too low only because the {end} is")
        assert f"{ACTION[2]:.3f} mm" in said[0]
    else:  # the end is low by more than the saddle is high, and the action conforms
        assert said == []


@pytest.mark.parametrize(
    ("saddle_off_mm", "tolerance_mm", "keep"),
    [(0.0, 0.02, ("saddle",)), (0.9, 0.02, ()), (1.6, 0.02, ()), (1.6, 0.04, ())],
)
def test_a_slot_too_low_is_not_filed_where_the_saddle_does_not_come_down(
    saddle_off_mm: float, tolerance_mm: float, keep: Collection[str]
) -> None:
    made = decided(-0.35 * THIRD, saddle_off_mm * THIRD, tolerance_mm=tolerance_mm, keep=keep)
    assert not made.decision.nut_height_change_mm.any()
    assert not any("file" in str(reason) for reason in made.decision.reasons)


@pytest.mark.parametrize(
    ("off_mm", "words"),
    [
        (-0.35, "is too low: the zero fret needs higher wire"),
        (0.35, "is too high: the zero fret stands too high"),
    ],
)
def test_a_gap_that_is_off_is_said_of_the_zero_fret(off_mm: float, words: str) -> None:
    made = decided(off_mm * THIRD, 0.0 * THIRD, zero_fret=True)
    said = " ".join(str(one.said) for one in made.decision.left_out)
    assert f"First-fret gap of string 3 {words}" in said
    assert "slot" not in said
    assert not made.decision.nut_height_change_mm.any()


def test_the_reason_states_the_action_as_found() -> None:
    made = decided(-0.35 * THIRD, -0.4 * THIRD)
    said = [str(reason) for reason in made.decision.reasons]
    assert any(f"Action of string 3 is {made.found.action_mm[2]:.3f} mm" in one for one in said)
    assert any(one.startswith("With the nut slot of string 3 too low") for one in said)


def test_what_the_saddle_lacks_is_without_the_end_that_is_too_low() -> None:
    """The neck angle is for what stays wrong once the end is cured, not for the end as well."""
    alone = decided(0.0 * THIRD, -0.6 * THIRD, travel_mm=0.1)
    with_end = decided(-0.35 * THIRD, -0.6 * THIRD, travel_mm=0.1)
    for made in (alone, with_end):
        [said] = [str(one.said) for one in made.decision.left_out if one.limit == "action"]
        lacks = re.search(r"lacks ([\d.]+) mm of travel", said)
        assert lacks is not None
        assert 0.46 < float(lacks.group(1)) <= 0.5


def test_a_saddle_of_one_piece_is_not_raised_for_one_low_end() -> None:
    made = decided(-0.35 * THIRD, 0.0 * THIRD, one_piece=True)
    assert not made.decision.saddle_height_change_mm.any()
    made = decided(-0.35 * THIRD, np.full(6, -0.5), one_piece=True)
    assert made.decision.saddle_height_change_mm == pytest.approx(np.full(6, 0.5), abs=1e-6)
