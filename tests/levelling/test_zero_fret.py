"""A zero fret has no slots: nothing is filed there, and what is off is said of the fret."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenfall.gates import open_gates
from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.instrument.starters import starter
from evenfall.levelling import make_plan
from evenfall.neck import default_bow
from evenfall.sheets.template import empty_sheet
from necks.neck import strung
from necks.readings import Reader, exact, read


def made() -> Specification:
    text = starter("electric").replace("joint_fret = 17.0", "joint_fret = 17.0\nzero_fret = true")
    return read_specification(text.replace("nut_travel = { down = 0.25 }\n", ""))[0]


@pytest.mark.parametrize(
    ("gap_mm", "words"), [(0.15, "needs higher wire"), (0.7, "stands too high")]
)
def test_a_gap_that_is_off_is_said_of_the_zero_fret(gap_mm: float, words: str) -> None:
    spec = made()
    line = spec.target.relief.value_mm * default_bow(spec, string_lines(spec)).frets
    neck = strung(spec, line, 0.0 * line, first_fret_gap_mm=gap_mm)
    plan = make_plan(spec, read(neck, np.random.default_rng(2), Reader(u_mm=0.003)))
    assert np.array_equal(plan.nut_after_mm, plan.measurement.nut_mm)
    said = " ".join(str(one.said) for one in plan.left_out if one.limit == "first-fret-gap")
    assert f"the zero fret {words}" in said
    assert "slot" not in said
    assert "will not find that the instrument conforms" in str(plan.next_step)


def test_what_is_to_be_read_again_is_the_zero_fret() -> None:
    spec = made()
    line = spec.target.relief.value_mm * default_bow(spec, string_lines(spec)).frets
    found = exact(strung(spec, line, 0.0 * line))
    height = found.heights.height_mm.copy()
    height[2, 0] -= 0.35
    found = replace(found, heights=replace(found.heights, height_mm=height))
    [gate] = [g for g in open_gates(spec, found, None).found if g.code == "out-of-line"]
    assert gate.sentence.endswith("Read the top of the zero fret under that string again.")


def test_the_empty_sheet_says_where_to_read() -> None:
    rows = empty_sheet(made(), "csv").decode().splitlines()
    assert sum("top of the zero fret" in row for row in rows) == 6
