"""What a way remarks is in the unit of the instrument."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from evenfall.instrument import read_specification
from evenfall.levelling.problem import build_problem
from evenfall.levelling.ways import full_refret, refretted
from levelling.necks import Wishes, readings, table, text


@pytest.mark.parametrize(("unit", "digits"), [("mm", 3), ("in", 4)])
def test_wood_planed_off_is_told_in_the_unit_of_the_instrument(unit: str, digits: int) -> None:
    spec = read_specification(text(Wishes(strings=3, frets=8, attack=0.2)))[0]
    per = 25.4 if unit == "in" else 1.0
    problem = build_problem(replace(spec, unit=unit), readings(spec), envelope=table(spec))
    outcome = full_refret(problem)
    assert outcome is not None
    shown = re.fullmatch(rf"planing takes up to ([\d.]+) {unit} off the board", outcome.remark)
    assert shown is not None
    assert float(shown.group(1)) == pytest.approx(refretted(problem)[1] / per, abs=10**-digits)
