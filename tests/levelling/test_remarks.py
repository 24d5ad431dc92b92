"""What a method remarks is in the unit that is asked for."""

from __future__ import annotations

import re

import pytest

from evenfall.instrument import read_specification
from evenfall.levelling import diagnose
from evenfall.levelling.new_wire import refretted
from evenfall.levelling.problem import build_problem
from evenfall.levelling.rules import decide, level_line_for
from evenfall.units import LengthUnit
from evenfall.wording import say
from levelling.necks import Wishes, readings, table, text


@pytest.mark.parametrize(("unit", "digits"), [("mm", 3), ("in", 4)])
def test_wood_planed_off_is_told_in_the_unit_asked_for(unit: LengthUnit, digits: int) -> None:
    spec = read_specification(text(Wishes(strings=3, frets=8, attack=0.2)))[0]
    per = 25.4 if unit == "in" else 1.0
    problem = build_problem(spec, readings(spec), excursion=table(spec))
    outcome = decide(problem, level_line_for(problem, "refret"), "refret")
    assert outcome.remark is not None
    told = say(outcome.remark, unit)
    shown = re.fullmatch(rf"Planing takes up to ([\d.]+) {unit} off the board\.", told)
    assert shown is not None
    assert float(shown.group(1)) == pytest.approx(refretted(problem)[1] / per, abs=10**-digits)


@pytest.mark.parametrize(("over_mm", "named"), [(0.0003, False), (0.002, True)])
def test_a_gap_off_its_limit_by_less_than_is_shown_is_not_named(
    over_mm: float, named: bool
) -> None:
    """'Over its limit by up to 0.000 mm' would help nobody."""
    wishes = Wishes(strings=3, frets=8, tolerance=0.1)
    spec = read_specification(text(wishes))[0]
    found = readings(spec, noise_mm=0.0, action_off_mm=wishes.tolerance + over_mm)
    findings = diagnose(spec, found, excursion=table(spec)).findings
    told = [finding.sentence for finding in findings if finding.code == "action"]
    assert bool(told) == named
    assert not [sentence for sentence in told if "up to 0.000 " in sentence]
