"""What every plan keeps, whatever the neck: the whole way through `make_plan`."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from evenfall.levelling import make_plan
from evenfall.measurement import Measurement
from evenfall.plan import METHODS, Plan
from levelling.level_lines import job
from necks import invented
from necks.kinds import table
from necks.neck import Neck
from necks.readings import Reader, read

KEPT = ((), ("relief",), ("saddle",), ("nut",), ("relief", "saddle", "nut"), ("saddle", "nut"))
kinds = st.sampled_from(["electric", "ukulele", "bass"])
seeds = st.integers(0, 10_000)


def found(kind: str, seed: int) -> tuple[Neck, Measurement]:
    chance = np.random.default_rng(seed)
    truth = invented.as_found(kind, chance)
    return truth, read(truth, chance, Reader(0.004))


def plan_of(
    truth: Neck, readings: Measurement, method: str | None = None, keep: tuple[str, ...] = ()
) -> Plan:
    made = truth.specification
    return make_plan(made, readings, method=method, keep=keep, excursion=table(made))


@pytest.mark.slow
@given(kind=kinds, seed=seeds, keep=st.sampled_from(KEPT))
def test_a_straight_line_added_to_a_string_changes_nothing(
    kind: str, seed: int, keep: tuple[str, ...]
) -> None:
    """A datum lifted, turned along the neck or across it: one plane, so that no gate asks."""
    truth, readings = found(kind, seed)
    lift, slope, cant = np.random.default_rng(seed).normal(0.0, [3.0, 0.001, 0.003])
    lines = truth.lines

    def raised(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(lift + slope * x + cant * y)

    moved = readings.with_heights(
        crown_top_mm=readings.crown_top_mm + raised(lines.x_mm[:, 1:], lines.y_mm[:, 1:]),
        nut_mm=readings.nut_mm + raised(lines.x_mm[:, 0], lines.y_mm[:, 0]),
        saddle_mm=readings.saddle_mm + raised(lines.saddle_x_mm, lines.saddle_y_mm),
    )
    plan, other = (plan_of(truth, one, keep=keep) for one in (readings, moved))
    assert (plan.status, plan.method) == (other.status, other.method)
    for name in ("removal_mm", "relief_change_mm", "action_after_mm", "first_fret_gap_after_mm"):
        np.testing.assert_allclose(getattr(other, name), getattr(plan, name), atol=2e-5)


@given(kind=kinds, seed=seeds, keep=st.sampled_from(KEPT), method=st.sampled_from([*METHODS]))
def test_what_is_kept_stays_and_what_moves_stays_inside_its_limits(
    kind: str, seed: int, keep: tuple[str, ...], method: str
) -> None:
    truth, readings = found(kind, seed)
    plan = plan_of(truth, readings, method, keep)
    target = truth.specification.target
    if "relief" in keep:
        assert plan.relief_change_mm == 0.0
    if "saddle" in keep:
        np.testing.assert_array_equal(plan.saddle_after_mm, readings.saddle_mm)
    if "nut" in keep:
        np.testing.assert_array_equal(plan.nut_after_mm, readings.nut_mm)
    if plan.relief_change_mm and method not in ("refret", "least-metal"):
        assert target.relief.minimum_mm <= plan.relief_after_mm <= target.relief.maximum_mm
    assert (plan.saddle_height_change_mm <= target.saddle_up_mm + 1e-9).all()
    assert (plan.saddle_height_change_mm >= -target.saddle_down_mm - 1e-9).all()
    assert (plan.nut_height_change_mm >= -target.nut_down_mm - 1e-9).all()
    # no crown is raised but by new wire or by lifting, and none falls under the least height
    assert (plan.removal_mm >= 0.0).all()
    cut = plan.removal_mm > 0.0
    least = truth.specification.fretwire.least_crown_height_mm
    assert (plan.crown_height_after_mm[cut] >= least - 1e-6).all()


@example(kind="electric", seed=118, share=0.5)
@given(kind=kinds, seed=seeds, share=st.floats(0.3, 1.0))
def test_a_lighter_attack_opens_no_other_fret(kind: str, seed: int, share: float) -> None:
    """What is opened may go nearer to the level line, as its neighbours now bear."""
    truth = invented.as_found(kind, np.random.default_rng(seed))
    harder, lighter = job(truth).decided(lift=False), job(truth, attack=share).decided(lift=False)
    if harder.conclusion != "misfit":
        opened = [decided.removal_mm.any(axis=0) for decided in (harder, lighter)]
        assert not (opened[1] & ~opened[0]).any()
