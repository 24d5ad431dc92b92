"""What rod, saddle and nut slots are brought to agrees with the bench sheet."""

from __future__ import annotations

import numpy as np
import pytest

from evenfall.plan import Plan
from evenfall.work import bench_sheet
from evenfall.work.aims import aims
from evenfall.workshop import PlanRequest, Source, plan
from work.made_plans import made_plan


@pytest.mark.parametrize("stage", ["before", "made up"])
def test_aims_are_those_of_the_sheet(stage: str) -> None:
    if stage == "before":
        read, spec_file = (Source.invented(n) for n in ("tesquil-before.csv", "tesquil.spec.toml"))
        outcome = plan(PlanRequest(read, spec_file))
        spec, made = outcome.specification, outcome.plan
    else:
        spec, made = made_plan(seed=2)
    found = aims(spec, made)
    kinds = [one.setting for one in found]
    assert kinds == sorted(kinds, key=["rod", "saddle", "nut"].index)
    assert kinds.count("rod") == 1
    for one in found:
        low, high = one.stop_mm
        assert low <= one.target_mm <= high
        # a place to stop never goes beyond a limit that the target itself keeps
        if one.limits_mm[0] <= one.target_mm <= one.limits_mm[1]:
            assert one.limits_mm[0] <= low
            assert high <= one.limits_mm[1]
    sheet = bench_sheet(spec, made)
    rod = next(step for step in sheet.steps if "Truss rod" in str(step.heading))
    assert rod.targets[0].length_mm == pytest.approx(found[0].target_mm)
    slots = [one.target_mm for one in found if one.setting == "nut"]
    if stage == "made up":
        moved = np.abs(made.nut_after_mm - made.measurement.nut_mm) > 5e-4
        wanted = np.asarray(made.first_fret_gap_after_mm)[moved]
        assert sorted(slots) == pytest.approx(sorted(wanted.tolist()))
        assert all(one.final is not None for one in found if one.setting == "nut")


def test_a_plan_that_waits_has_no_aims() -> None:
    spec, made = made_plan(seed=2)
    assert aims(spec, _stopped(made)) == ()


def _stopped(made: Plan) -> Plan:
    from dataclasses import replace

    return replace(made, status="read-again")
