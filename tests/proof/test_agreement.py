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
from necks.tesquil import SPEC, Bench


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


@pytest.mark.slow
def test_what_a_plan_takes_off_is_no_wear() -> None:
    """Frets are lower by what was filed, and the light wear by the nut is what it was."""
    bench = Bench()
    plan, found = bench.second_plan, bench.second_plan.measurement
    assert plan.removal_mm.max() > 0.05
    done = found.with_heights(
        nut_mm=plan.nut_after_mm,
        crown_top_mm=plan.crown_top_after_mm,
        saddle_mm=plan.saddle_after_mm,
    )
    left = plan.crown_height_after_mm
    for read in (left, np.broadcast_to(left.mean(axis=0), left.shape)):  # by crown, or by fret
        proof = prove(SPEC, plan, replace(done, crown_height_mm=read))
        gaps = [item.value for item in proof.items if item.quantity == "first-fret-gap"]
        assert gaps == pytest.approx(plan.first_fret_gap_after_mm, abs=0.003)
        (relief,) = [item.value for item in proof.items if item.quantity == "relief"]
        assert relief == pytest.approx(plan.relief_after_mm, abs=0.003)
        assert proof.verdict == "conforms"


@pytest.mark.slow
def test_what_an_earlier_plan_took_off_is_no_wear_to_the_proof_of_the_next() -> None:
    """A plan with nothing left to do, made after frets were filed, is proved by those readings."""
    first = Bench().second_plan
    done = replace(
        first.measurement.with_heights(
            nut_mm=first.nut_after_mm,
            crown_top_mm=first.crown_top_after_mm,
            saddle_mm=first.saddle_after_mm,
        ),
        crown_height_mm=first.crown_height_after_mm,
    )
    then = make_plan(SPEC, done, settled=True, worked=[first])
    gap_mm = [
        [i.value for i in one.items if i.quantity in ("first-fret-gap", "relief")]
        for one in (
            prove(SPEC, first, done),
            prove(SPEC, then, done, worked=[first]),
            prove(SPEC, then, done),
        )
    ]
    assert gap_mm[1] == pytest.approx(gap_mm[0], abs=1e-9)
    assert prove(SPEC, then, done, worked=[first]).worked_hashes == (first.content_hash,)
    # what the test is about: filed crowns taken for worn draw the line elsewhere
    assert max(np.abs(np.subtract(gap_mm[2], gap_mm[0]))) > 0.02
