"""What a method remarks is in the unit that is asked for."""

from __future__ import annotations

import re

import pytest

from evenfall.instrument import read_specification
from evenfall.levelling import diagnose, make_plan
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


def test_a_slot_that_no_file_raises_is_named_where_readings_would_not_prove_it() -> None:
    """Over its least by less than 1.645 u (5 %), as the guard band of a proof asks for.

    No reading is trusted to less than 0.002: nearer than 0.0033 none would prove it.
    """
    spec = read_specification(text(Wishes(strings=3, frets=12, attack=0.02)))[0]
    found = readings(spec, noise_mm=0.0, u_mm=0.004)
    least = spec.target.first_fret_gap[1].minimum_mm
    gap = make_plan(spec, found, excursion=table(spec)).first_fret_gap_before_mm[1]
    near_it, on_it = "comes to within 0.005 mm of a limit", "so near a limit that no reading tells"
    for above_mm, expected in ((0.001, on_it), (0.005, near_it), (0.08, "")):
        nut = found.nut_mm.copy()
        nut[1] += (least + above_mm - gap) * 2.0 ** (1.0 / 12.0)  # what a slot moves at fret 1
        near = found.with_heights(
            crown_top_mm=found.crown_top_mm, nut_mm=nut, saddle_mm=found.saddle_mm
        )
        made = make_plan(spec, near, excursion=table(spec))
        said = [say(one, "mm") for one in made.reasons]
        told = [text for text in (near_it, on_it) if any(text in one for one in said)]
        assert told == [expected] * bool(expected), said
        assert any("fill the slot of string 2" in one for one in said) == bool(expected)
