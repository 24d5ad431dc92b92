"""The audit of a finished plan fails where it should, whatever the engine says."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from evenfall.levelling import make_plan
from evenfall.levelling.audit import audit
from evenfall.levelling.finishing import ALLOWED_VIOLATION_MM
from evenfall.measurement import Origin
from evenfall.plan import Plan
from evenfall.requirement import State
from necks import invented
from necks.invented import Bump
from necks.kinds import table
from necks.readings import Reader, read

NECK = invented.neck("electric", relief_mm=0.36, action_mm=1.8, bumps=[Bump(6, 0.07)])
SPEC = NECK.specification
FOUND = read(NECK, np.random.default_rng(8), Reader(u_mm=0.002))


@cache
def made() -> Plan:
    return make_plan(SPEC, FOUND, excursion=table(SPEC))


def missed(plan: Plan) -> set[str]:
    found = audit(SPEC, plan, table(SPEC))
    return {one.limit for one in found if one.violation_mm > ALLOWED_VIOLATION_MM}


def cut_by(more_mm: float) -> Plan:
    """Return the plan with every cut deeper, and everything that follows from it changed too."""
    more = np.where(made().removal_mm > 0.0, more_mm, 0.0)
    return replace(
        made(),
        removal_mm=made().removal_mm + more,
        crown_top_after_mm=made().crown_top_after_mm - more,
        crown_height_after_mm=made().crown_height_after_mm - more,
        stands_out_after_mm=made().stands_out_after_mm - more,
    )


def test_a_plan_passes() -> None:
    assert made().removal_mm.any()
    assert missed(made()) == set()


def test_a_cut_under_the_smallest_is_found() -> None:
    assert "smallest-cut" in missed(cut_by(0.01 - made().removal_mm.max()))


def test_a_cut_on_a_crown_that_was_not_read_is_found() -> None:
    k, j = np.argwhere(made().removal_mm > 0.0)[0]
    heights = made().measurement.heights
    origin = heights.origin.copy()
    origin[k, j + 1] = Origin.INTERPOLATED
    found = replace(made().measurement, heights=replace(heights, origin=origin))
    assert "unread" in missed(replace(made(), measurement=found))


def test_a_crown_under_the_least_height_is_found() -> None:
    assert "crown-height" in missed(cut_by(0.6))


def test_a_state_that_is_not_reached_is_found() -> None:
    states = made().state_after.copy()
    states[0, 0] = State.AS_GOOD
    assert missed(replace(made(), state_after=states)) == {"clearance"}


def test_notes_left_failing_are_found() -> None:
    uncut = cut_by(0.0)
    back = made().removal_mm
    uncut = replace(
        made(),
        removal_mm=0.0 * back,
        crown_top_after_mm=made().crown_top_after_mm + back,
        crown_height_after_mm=made().crown_height_after_mm + back,
        stands_out_after_mm=made().stands_out_after_mm + back,
    )
    assert "clearance" in missed(uncut)


def test_heights_that_do_not_follow_are_found() -> None:
    assert missed(replace(made(), crown_top_after_mm=made().crown_top_after_mm + 0.01)) == {
        "heights"
    }
    assert "heights" in missed(replace(made(), level_after_mm=made().level_after_mm - 0.01))


@pytest.mark.parametrize(
    ("setting", "by_mm", "limit"),
    [
        ("saddle_after_mm", 0.6, "action"),
        ("saddle_after_mm", 3.0, "saddle-travel"),
        ("nut_after_mm", -0.9, "nut-travel"),
        ("nut_after_mm", -0.2, "first-fret-gap"),
    ],
)
def test_settings_outside_their_limits_are_found(setting: str, by_mm: float, limit: str) -> None:
    moved = {setting: getattr(made(), setting) + by_mm}
    assert limit in missed(replace(made(), **moved))


def test_a_relief_outside_its_limits_is_found() -> None:
    assert "relief" in missed(replace(made(), relief_after_mm=0.6))
