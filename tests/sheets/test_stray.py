"""Crowns that stand off the ones beside them, asked about while a sheet is being filled in."""

from __future__ import annotations

import itertools

import pytest

from evenfall.instrument import read_specification, string_lines
from evenfall.sheets import SheetFile
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
