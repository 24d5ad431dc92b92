"""The state of a position: worked by hand, and what has to be true of every neck."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from evenfall.requirement import Judged, Requirement, State, judge

FloatArray = NDArray[np.float64]
UNKNOWN, HOLDS, AS_GOOD, FAILS = State

K, F = 2, 3
USUAL = {"smallest_cut_mm": 0.02, "attack_tolerance": 0.05}
FREE = np.triu(np.ones((F + 1, F + 1), dtype=bool), k=1)


def table(value: float | FloatArray) -> FloatArray:
    """Return one value for every position, NaN where there is none."""
    return np.where(FREE, np.broadcast_to(value, (K, F + 1, F + 1)), np.nan)


def one_position(
    clear: float, level: float, *, attack: float, cut: float = 0.02, tolerance: float = 0.05
) -> Judged:
    """Return the judgement of positions of 0.2 mm swing per newton and 0.02 mm extra clearance."""
    required = Requirement(np.nan_to_num(table(0.2)), 0.02)
    return judge(
        required,
        np.full(K, attack),
        table(clear),
        table(level),
        smallest_cut_mm=cut,
        attack_tolerance=tolerance,
    )


# ---- worked by hand ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("clear", "level", "state"),
    [
        # The need is 1.0 N x 0.2 mm/N + 0.02 mm = 0.22 mm; 5 % of its swing is 0.010 mm, as much as
        # half the smallest cut.
        (0.220, 0.5, HOLDS),
        (0.2101, 0.5, HOLDS),
        (0.2099, 0.5, FAILS),
        (-0.1, 0.5, FAILS),
        # Level frets give 0.15 mm: 5 % of 0.13 mm is less than half the smallest cut.
        (0.2101, 0.15, HOLDS),
        (0.2099, 0.15, AS_GOOD),
        (0.1401, 0.15, AS_GOOD),
        (0.1399, 0.15, FAILS),
        # Level frets would not clear at rest: the nut is too low, and that is not the frets' fault.
        (-0.3099, -0.30, AS_GOOD),
        (-0.3101, -0.30, FAILS),
    ],
)
def test_a_position_is_judged_as_by_hand(clear: float, level: float, state: State) -> None:
    judged = one_position(clear, level, attack=1.0)
    assert judged.need_mm[0, 0, 1] == pytest.approx(0.22, abs=1e-12)
    assert judged.bound_mm[0, 0, 1] == pytest.approx(min(0.22, level), abs=1e-12)
    assert judged.tolerance_mm[0, 0, 1] == pytest.approx(0.010, abs=1e-12)
    assert (judged.state[:, FREE] == state).all()
    assert (judged.state[:, ~FREE] == UNKNOWN).all()
    assert (judged.note_state == state).all()
    assert judged.worst is state


def test_the_tolerance_grows_with_the_swing_that_the_bound_leaves_room_for() -> None:
    assert one_position(1.0, 1.0, attack=4.0).tolerance_mm[0, 0, 1] == pytest.approx(0.05 * 0.8)
    level = one_position(1.0, 0.52, attack=4.0).tolerance_mm[0, 0, 1]
    assert level == pytest.approx(0.05 * 0.5)
    fine = one_position(1.0, 1.0, attack=1.0, cut=0.0).tolerance_mm[0, 0, 1]
    assert fine == pytest.approx(0.05 * 0.2)
    assert one_position(1.0, 1.0, attack=1.0, cut=0.0, tolerance=0.0).tolerance_mm.max() == 0.0


def test_a_note_is_as_good_as_its_worst_position_and_a_neck_as_its_worst_note() -> None:
    clear, level = table(1.0), table(1.0)
    clear[0, 0, 3] = level[0, 0, 3] = 0.1  # as level frets, which fall short of 0.22
    clear[1, 1, 2] = 0.1
    required = Requirement(np.nan_to_num(table(0.2)), 0.02)
    judged = judge(required, np.ones(K), clear, level, **USUAL)
    assert judged.note_state.tolist() == [[AS_GOOD, HOLDS, HOLDS], [HOLDS, FAILS, HOLDS]]
    assert judged.worst is FAILS


def test_what_is_not_known_neither_holds_nor_fails() -> None:
    clear = table(1.0)
    clear[0, 1, 2] = np.nan
    clear[1, 2, 3] = np.nan
    required = Requirement(np.nan_to_num(table(0.2)), 0.02)
    judged = judge(required, np.ones(K), clear, table(1.0), **USUAL)
    assert judged.state[0, 1, 2] == UNKNOWN
    assert judged.note_state.tolist() == [[HOLDS, HOLDS, HOLDS], [HOLDS, HOLDS, UNKNOWN]]
    nothing = judge(required, np.ones(K), table(np.nan), table(1.0), **USUAL)
    assert nothing.worst is UNKNOWN


def test_nobody_can_write_to_a_judgement() -> None:
    judged = one_position(1.0, 1.0, attack=1.0)
    with pytest.raises(ValueError, match="read-only"):
        judged.state[0, 0, 1] = FAILS


# ---- of every neck -------------------------------------------------------------------------------

gaps = arrays(float, (K, F + 1, F + 1), elements=st.floats(-0.5, 1.5))
swings = arrays(float, (K, F + 1, F + 1), elements=st.floats(0.0, 1.0))
attacks = arrays(float, (K,), elements=st.floats(0.0, 3.0))


@st.composite
def necks(draw: st.DrawFn) -> dict[str, Any]:
    """Draw what `judge` takes."""
    return {
        "requirement": Requirement(draw(swings) * FREE, draw(st.floats(0.0, 0.1))),
        "attack_n": draw(attacks),
        "clearance_mm": table(draw(gaps)),
        "level_clearance_mm": table(draw(gaps)),
        "smallest_cut_mm": draw(st.floats(0.0, 0.05)),
        "attack_tolerance": draw(st.floats(0.0, 0.2)),
    }


@given(neck=necks())
def test_level_frets_never_fail_whatever_the_attack(neck: dict[str, Any]) -> None:
    judged = judge(**neck | {"clearance_mm": neck["level_clearance_mm"]})
    assert judged.worst in (HOLDS, AS_GOOD)


@given(neck=necks(), more=arrays(float, (K, F + 1, F + 1), elements=st.floats(0.0, 0.5)))
def test_more_clearance_is_never_worse(neck: dict[str, Any], more: FloatArray) -> None:
    wider = neck | {"clearance_mm": neck["clearance_mm"] + more}
    assert (judge(**wider).state <= judge(**neck).state).all()


@given(neck=necks(), smaller=st.floats(0.0, 1.0))
def test_a_coarser_tool_or_a_laxer_tolerance_accepts_no_less(
    neck: dict[str, Any], smaller: float
) -> None:
    stricter = neck | {
        "smallest_cut_mm": smaller * neck["smallest_cut_mm"],
        "attack_tolerance": smaller * neck["attack_tolerance"],
    }
    assert (judge(**neck).state <= judge(**stricter).state).all()


@given(neck=necks(), factor=st.floats(0.3, 3.0))
def test_another_unit_changes_no_state(neck: dict[str, Any], factor: float) -> None:
    """Away from a bound by more than rounding."""
    scaled = neck | {
        "requirement": Requirement(
            factor * neck["requirement"].swing_mm_per_n,
            factor * neck["requirement"].extra_clearance_mm,
        ),
        "clearance_mm": factor * neck["clearance_mm"],
        "level_clearance_mm": factor * neck["level_clearance_mm"],
        "smallest_cut_mm": factor * neck["smallest_cut_mm"],
    }
    one, other = judge(**neck), judge(**scaled)
    over = neck["clearance_mm"] + one.tolerance_mm
    with np.errstate(invalid="ignore"):
        clear = (np.abs(over - one.need_mm) > 1e-8) & (np.abs(over - one.bound_mm) > 1e-8)
    assert (one.state == other.state)[clear].all()


@given(neck=necks())
def test_states_agree_with_their_bounds(neck: dict[str, Any]) -> None:
    judged = judge(**neck)
    least = judged.bound_mm - judged.tolerance_mm
    fails = judged.state == FAILS
    assert (neck["clearance_mm"][fails] < least[fails]).all()
    assert (judged.bound_mm <= judged.need_mm)[:, FREE].all()
    holds = judged.state == HOLDS
    reached = neck["clearance_mm"] + judged.tolerance_mm + 1e-8
    assert (reached[holds] >= judged.need_mm[holds]).all()
