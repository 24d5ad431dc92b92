"""The section of a crown that is to be filed, and the neck strip of a list."""

from __future__ import annotations

import math
import re
from functools import cache

import numpy as np
import pytest

from evenfall import workshop
from evenfall.instrument import string_lines
from evenfall.pictures.crown_cut import crown_cut
from evenfall.pictures.neck_strip import neck_strip
from evenfall.requirement import State
from evenfall.workshop import PlanRequest, Source
from evenfall.workshop.planning import PlanOutcome


@cache
def outcome() -> PlanOutcome:
    readings = Source.invented("tesquil-settled.csv")
    return workshop.plan(
        PlanRequest(readings, Source.invented("tesquil.spec.toml"), settled=True, method="spot")
    )


def test_the_flat_is_the_chord_of_the_wire_at_the_depth_of_the_cut() -> None:
    made, spec = outcome().plan, outcome().specification
    k, j = np.unravel_index(int(made.removal_mm.argmax()), made.removal_mm.shape)
    removal = float(made.removal_mm[k, j])
    height = float(made.crown_height_after_mm[k, j]) + removal
    radius = (spec.fretwire.crown_width_mm**2 / 4 + height**2) / (2 * height)
    chord = 2 * math.sqrt(radius**2 - (radius - removal) ** 2)
    drawn = crown_cut(spec, made, string=int(k) + 1, fret=int(j) + 1)
    assert f"{removal:.3f} mm comes off" in drawn
    told = re.search(r"flat over ([0-9.]+) mm", drawn)
    assert told is not None
    assert float(told[1]) == pytest.approx(chord, abs=6e-4)  # a figure shows micrometres
    beside = dict(re.findall(r"<title>String ([0-9]): ([0-9.]+) mm left", drawn))
    assert {int(n) - 1: float(left) for n, left in beside.items()} == pytest.approx(
        dict(enumerate(made.crown_height_after_mm[:, j])), abs=6e-4
    )


def test_a_crown_that_is_left_alone_says_so_in_either_unit() -> None:
    made, spec = outcome().plan, outcome().specification
    k, j = np.argwhere(made.removal_mm == 0.0)[0]
    drawn = crown_cut(spec, made, string=int(k) + 1, fret=int(j) + 1, unit="in")
    assert "Nothing comes off" in drawn
    assert " mm" not in re.sub(r"<[^>]*>", "", drawn)
    with pytest.raises(ValueError, match="no fret 0"):
        crown_cut(spec, made, string=1, fret=0)


def test_the_strip_has_a_tooth_for_each_note_that_fails() -> None:
    spec = outcome().specification
    state = np.full((6, 22), State.HOLDS)
    state[2, 5] = state[0, 21] = State.FAILS
    state[1, 3] = State.AS_GOOD
    lines = string_lines(spec)
    assert "2 notes fail" in neck_strip(lines, state)
    assert neck_strip(lines, state).count("Z") == 2
    state[2, 5] = State.HOLDS
    assert 'aria-label="1 note fails"' in neck_strip(lines, state)
    assert 'aria-label="clear"' in neck_strip(lines, np.full((6, 22), State.HOLDS))
    assert "not read yet" in neck_strip(lines, None)
