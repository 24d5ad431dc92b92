"""Where a verdict tells people to work, it says what can hurt; where it does not, it is silent."""

from __future__ import annotations

from functools import cache

import pytest

from evenfall.proof import prove
from evenfall.workshop.proving import ProveOutcome
from proof.made_cases import after_work, geometry, made_plan, specification

SPEC = specification()


@cache
def planned():
    return made_plan(SPEC)


def topics(*, u_mm=0.002, top_by=0.0, saddle_by=0.0):
    """Return the first words of the cautions after one thing was spoilt."""
    top = planned().crown_top_after_mm.copy()
    top[1, 8] += top_by
    readings = after_work(
        SPEC, planned(), top_mm=top, saddle_mm=planned().saddle_after_mm + saddle_by, u_mm=u_mm
    )
    made = prove(SPEC, planned(), readings, geometry(SPEC)[2])
    return {topic for topic, _ in ProveOutcome(SPEC, (), made, readings).cautions}


@pytest.mark.parametrize(
    ("spoilt", "named", "silent"),
    [
        ({}, set(), {"Strings under tension", "Dust"}),
        ({"top_by": 0.2}, {"Strings under tension", "Sharp edges", "Dust"}, {"Truss rod"}),
        ({"saddle_by": 0.5}, {"Strings under tension"}, {"Sharp edges"}),
        ({"u_mm": 0.05}, set(), {"Sharp edges"}),
    ],
)
def test_cautions_go_with_the_work_that_is_asked_for(spoilt, named, silent) -> None:
    found = topics(**spoilt)
    assert named <= found
    assert not silent & found
