"""What earlier plans took off is no wear to the next one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenfall.errors import RequestError
from evenfall.levelling import Session, make_plan
from evenfall.neck.wear import wear_read
from evenfall.workshop import PlanRequest, ProveRequest, Source, prove
from evenfall.workshop import plan as plan_of
from evenfall.workshop.opening import open_worked, require_same
from evenfall.workshop.outputs import json_file
from made_heights import changed
from necks.invented import Bump, neck
from necks.kinds import table
from necks.readings import exact


@pytest.mark.slow
def test_a_fret_that_was_filed_is_not_worn_to_a_further_plan() -> None:
    truth = neck("electric", bumps=[Bump(3, 0.1), Bump(7, 0.12), Bump(8, 0.11)])
    spec, before = truth.specification, exact(truth)
    made = make_plan(spec, before, excursion=table(spec), settled=True)
    assert made.removal_mm.max() > 0.08
    done = truth.moved(off_mm=-made.removal_mm)
    after = replace(
        exact(done).with_heights(
            crown_top_mm=done.crown_top_mm,
            nut_mm=made.nut_after_mm,
            saddle_mm=made.saddle_after_mm,
        ),
        crown_height_u_mm=np.full_like(before.crown_height_mm, 0.01),
    )
    assert wear_read(spec, after)[2].any()  # by the readings alone it is
    session = Session(spec, after, excursion=table(spec), settled=True, worked=[made])
    assert not session.level_line().standing
    assert not session.preview().metal_mm
    known = session.level_line().level_mm
    assert np.abs(known - (done.crown_top_mm - done.off_mm)).max() < 0.002

    # of a plan for settings nothing was filed: its cuts were a preview
    level_mm = [
        Session(spec, after, excursion=table(spec), settled=True, worked=plans)
        .level_line()
        .level_mm
        for plans in ([replace(made, part="settings")], [])
    ]
    np.testing.assert_array_equal(*level_mm)

    # a later plan is told of both, and what each took off is put back
    again = Session(spec, after, excursion=table(spec), settled=True, worked=[made, session.plan()])
    np.testing.assert_allclose(again.level_line().level_mm, known, atol=1e-9)


@pytest.mark.slow
def test_a_plan_of_another_instrument_was_not_worked_here() -> None:
    truth = neck("electric", bumps=[Bump(7, 0.12)])
    spec, found = truth.specification, exact(truth)
    other = replace(found, serial="UY-0001 (invented)")
    made = make_plan(spec, other, excursion=table(spec))

    def source(name: str, one: object) -> Source:
        return Source(name, json_file(one.as_dict()))  # type: ignore[attr-defined]

    worked = (source("plan.json", made),)
    with pytest.raises(RequestError, match="another instrument"):
        plan_of(PlanRequest(source("found.json", found), worked=worked))
    own = source("own.json", make_plan(spec, found, excursion=table(spec)))
    with pytest.raises(RequestError, match="another instrument"):
        prove(ProveRequest(own, source("found.json", found), worked=worked))


def test_a_number_is_the_same_in_small_letters_as_an_archive_has_it() -> None:
    truth = neck("electric", bumps=[Bump(7, 0.12)])
    spec, found = truth.specification, replace(exact(truth), serial="UY-0417")
    other = changed(replace(found, serial=" uy-0417"), saddle_mm=found.saddle_mm + 0.1)
    require_same(found, other, file="second.json", field="second")
    made = make_plan(spec, found, excursion=table(spec))
    assert open_worked([Source("plan.json", json_file(made.as_dict()))], other) == [made]
    with pytest.raises(RequestError, match='readings of "UY-0418", not of "UY-0417"'):
        require_same(found, replace(other, serial="UY-0418"), file="second.json", field="second")


@pytest.mark.slow
def test_a_plan_named_twice_was_worked_once() -> None:
    truth = neck("electric", bumps=[Bump(7, 0.12)])
    spec, found = truth.specification, exact(truth)
    made = make_plan(spec, found, excursion=table(spec))
    source = Source("plan.json", json_file(made.as_dict()))
    after = changed(found, saddle_mm=found.saddle_mm + 0.1)
    assert len(open_worked([source, source], after)) == 1
    assert not open_worked([source], after, judged=made)
    with pytest.raises(RequestError, match="not worked before them"):
        open_worked([source], found)
