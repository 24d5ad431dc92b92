"""Plan and proof say the same of the same readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenfall.levelling import make_plan
from evenfall.proof import prove
from evenfall.requirement import State
from necks import invented
from necks.kinds import table
from necks.readings import exact


@pytest.mark.parametrize("kind", [pytest.param("electric", marks=pytest.mark.slow), "bass"])
def test_exact_readings_are_decided_as_their_states_say(kind: str) -> None:
    """Up to what a crown that is taken as level differs from itself: less than a smallest cut."""
    notes = apart = failing = 0
    for seed in range(4):
        truth = invented.as_found(kind, np.random.default_rng(seed))
        spec = truth.specification
        readings = replace(exact(truth), direct=())
        plan = make_plan(spec, readings, excursion=table(spec))
        positions = prove(spec, plan, readings, table(spec)).positions
        fails = positions.state == State.FAILS
        refused = np.array(positions.verdict) == "does not conform"
        assert (np.array(positions.verdict) != "undecided").all()
        room_mm = positions.clearance_mm - positions.required_mm
        assert (np.abs(room_mm[fails != refused]) < 0.02).all()
        notes, apart = notes + fails.size, apart + int((fails != refused).sum())
        failing += int(fails.sum())
    assert failing > 5
    assert apart <= 0.01 * notes
