"""Frets of a scan that are off level: neighbours together, tilted, up at one end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from evenfall.errors import Finding
from evenfall.neck.level_line import standing_findings
from evenfall.scans import measure_crowns, to_measurement
from evenfall.workshop.measuring import line_of
from oracles.surfaces import Lift, Recipe, make_scan, specification

LEVEL = Recipe(
    step_x=0.07, step_y=0.3, shadow_share=0.0, height_error=0.0, tilt_error=0.0, wave=0.002, seed=9
)


def found_in(recipe: Recipe, model: str = "electric") -> tuple[Finding, ...]:
    scan = make_scan(specification(model), recipe)
    survey, findings = measure_crowns(scan.points_mm, scan.specification, mirrored=False)
    measurement = to_measurement(survey, scan.specification)
    line = line_of(scan.specification, measurement)
    return (*findings, *standing_findings(line))


def of(findings: tuple[Finding, ...], code: str) -> dict[int, Finding]:
    return {f.at.frets[0]: f for f in findings if f.code == code}


@pytest.mark.slow
def test_neighbours_that_are_off_are_named_and_no_others() -> None:
    off = ((5, 0.05, 0.0), (6, 0.04, 0.0), (7, 0.06, 0.0), (13, -0.04, 0.0), (14, -0.05, 0.0))
    findings = found_in(replace(LEVEL, off=off))
    high, low = of(findings, "high-fret"), of(findings, "low-fret")
    assert set(high) == {5, 6, 7}
    assert set(low) == {13, 14}
    for fret, size, _ in off:
        told = (high if size > 0.0 else low)[fret]
        assert told.said.values["mean"] == pytest.approx(abs(size), abs=0.006)
    assert of(findings, "tilted-fret") == {}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("slope", "end"), [(0.0015, "treble"), pytest.param(-0.0015, "bass", marks=pytest.mark.slow)]
)
def test_a_tilt_across_the_strings_is_a_finding_of_its_own(slope: float, end: str) -> None:
    findings = found_in(replace(LEVEL, off=((9, 0.0, slope),)))
    told = of(findings, "tilted-fret")
    assert set(told) == {9}
    assert f"its {end} end stands" in told[9].sentence
    # over the strings, which span some 41 mm there
    assert told[9].said.values["tilt"] == pytest.approx(0.0015 * 41.0, rel=0.1)


@pytest.mark.slow
def test_an_end_that_stands_up_is_named_with_how_far() -> None:
    findings = found_in(replace(LEVEL, lifts=(Lift(8, -1, 0.2),)))
    told = of(findings, "lifted-end")
    assert set(told) == {8}
    assert "at its bass end" in told[8].sentence
    assert told[8].said.values["rise"] == pytest.approx(0.2, abs=0.06)
    assert set(of(findings, "high-fret")) <= {8}


@pytest.mark.slow
def test_level_necks_have_no_such_finding() -> None:
    """The study of scans has every model."""
    codes = {f.code for f in found_in(LEVEL, "fanned")}
    assert not codes & {"high-fret", "low-fret", "tilted-fret", "lifted-end"}
