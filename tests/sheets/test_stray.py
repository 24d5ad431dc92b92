"""Crowns that stand off the ones beside them, asked about while a sheet is being filled in."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from evenfall.instrument import read_specification, string_lines
from evenfall.sheets import SheetFile, plausibility
from evenfall.sheets.hand import read_readings
from evenfall.sheets.plausibility import stray_crowns
from evenfall.workshop import Source

SPEC = read_specification(Source.invented("tesquil.spec.toml").text())[0]


def asked(crowns: dict[int, float]) -> list[tuple[int, float]]:
    """Return which frets of string 1 are asked about, and how far they are said to be off."""
    text = "quantity,string,fret,value,unit,uncertainty\n" + "".join(
        f"crown_top,1,{fret},{value},mm,0.004\n" for fret, value in crowns.items()
    )
    readings, faults = read_readings([SheetFile("sheet.csv", text.encode())], SPEC)
    assert not faults
    found = stray_crowns(readings, string_lines(SPEC))
    return [(one.at.frets[0], float(str(one.said.values["off"]))) for one in found]


@pytest.mark.parametrize("tilt", [0.0, -0.02, 0.02])
@pytest.mark.parametrize("fret", [1, 2, 6, 9])
@pytest.mark.parametrize("slip", [0.8, -0.8, 19.2])
def test_one_slip_is_named_wherever_it_stands(tilt: float, fret: int, slip: float) -> None:
    station = string_lines(SPEC).station_mm[0]
    level = {j: 21.3 + tilt * float(station[j]) for j in range(1, 10)}
    ((named, off),) = asked({**level, fret: level[fret] + slip})
    assert named == fret
    assert off == pytest.approx(abs(slip), abs=0.02)


def test_a_gross_slip_is_named_from_three_crowns_on() -> None:
    assert [fret for fret, _ in asked({1: 21.326, 2: 21.325, 3: 2.131})] == [3]
    assert asked({1: 21.326, 2: 2.131}) == []


def test_two_slips_are_both_named() -> None:
    level = dict.fromkeys(range(1, 12), 21.3)
    assert [fret for fret, _ in asked({**level, 3: 2.13, 8: 22.3})] == [3, 8]


@pytest.mark.slow
@pytest.mark.parametrize(
    "stage", ["before", *(pytest.param(s, marks=pytest.mark.slow) for s in ("settled", "after"))]
)
def test_a_sheet_without_slips_is_never_asked_about(stage: str) -> None:
    readings, _ = read_readings(
        [SheetFile("a.csv", Source.invented(f"tesquil-{stage}.csv").read(10**6))], SPEC
    )
    lines = string_lines(SPEC)
    for last in itertools.islice(range(1, len(readings) + 1), 0, None, 5):
        assert stray_crowns(readings[:last], lines) == []


@given(st.lists(st.floats(-5.0, 5.0), min_size=4, max_size=8), st.floats(0.0, 700.0))
def test_the_line_is_that_of_theil_and_sen(heights_mm: list[float], at_mm: float) -> None:
    """Checked against SciPy, whose own limits of confidence are not asked for here."""
    station_mm = np.cumsum(np.linspace(36.0, 25.0, len(heights_mm)))
    slope, start, *_ = theilslopes(heights_mm, station_mm)
    expected = start + slope * at_mm
    made = plausibility._on_line(station_mm, np.array(heights_mm), at_mm)
    assert made == pytest.approx(expected, abs=1e-9)
