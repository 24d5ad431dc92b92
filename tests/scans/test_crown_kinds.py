"""Crowns that are not round: the kind is told, the top is taken for it, and no wear is invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenfall.errors import Finding
from evenfall.scans import CrownSurvey, measure_crowns
from oracles.surfaces import Crown, Recipe, Scan, crown_errors, make_scan, specification

CLEAN = Recipe(step_x=0.07, step_y=0.25, shadow_share=0.0, height_error=0.01, tilt_error=0.0003)
FAULTS = {"missing-fret", "extra-bump", "worn-flat", "lifted-end", "tang-gap", "board-shape"}
CASES = [
    ("ukulele", "triangular", "pointed"),
    ("bass", "one-sided", "one-sided"),
    ("ukulele", "flat", "flat"),
    ("fanned", "moulded", "pointed"),
]
MORE = [
    (model, crown, kind)
    for model in ("electric", "bass", "ukulele", "fanned")
    for _, crown, kind in CASES
    if (model, crown, kind) not in CASES
]


def measured(model: str, recipe: Recipe) -> tuple[Scan, CrownSurvey, tuple[Finding, ...]]:
    scan = make_scan(specification(model), recipe)
    survey, findings = measure_crowns(scan.points_mm, scan.specification, mirrored=False)
    return scan, survey, findings


@pytest.mark.parametrize(
    ("model", "crown", "kind"),
    [*CASES, *(pytest.param(*case, marks=pytest.mark.slow) for case in MORE)],
)
def test_the_kind_of_crown_is_told_and_its_top_taken(model: str, crown: Crown, kind: str) -> None:
    scan, survey, findings = measured(model, replace(CLEAN, crown=crown, seed=len(model)))
    assert {line.section.kind for line in survey.crown_lines if line and line.section} == {kind}
    assert all(line is not None and line.section is not None for line in survey.crown_lines)
    error = crown_errors(scan, lambda points: points, survey)
    known = np.isfinite(error)
    assert known.mean() > 0.95
    assert np.sqrt(np.mean(error[known] ** 2)) < 0.008
    score = np.sqrt(np.mean((error / survey.crown_top_u_mm)[known] ** 2))
    assert 0.2 < score < 1.6
    assert [f.sentence for f in findings if f.code in FAULTS] == []
    (told,) = [f for f in findings if f.code == "crown-kind"]
    assert "not round: all of them are" in told.sentence
    section = survey.sections[0][3]
    assert section is not None
    near = np.abs(section.across_mm - section.centre_mm) < 0.2
    off = section.height_mm - section.fitted_mm(section.across_mm)
    assert np.median(np.abs(off[near])) < 0.03


def test_round_crowns_with_glue_at_their_feet_are_round() -> None:
    scan, survey, findings = measured("electric", replace(CLEAN, glue=0.15, seed=3))
    assert "crown-kind" not in {f.code for f in findings}
    assert [f.sentence for f in findings if f.code in FAULTS] == []
    error = crown_errors(scan, lambda points: points, survey)
    assert np.sqrt(np.nanmean(error**2)) < 0.002


@pytest.mark.parametrize("off", [0.3, -0.3])
def test_a_fret_off_its_place_is_named_with_its_cents(off: float) -> None:
    recipe = replace(CLEAN, moved=((7, off),), seed=4, place_error=0.02)
    scan, _, findings = measured("electric", recipe)
    (told,) = [f for f in findings if f.code == "fret-place"]
    assert told.at.frets == (7,)
    assert ("bridge" if off > 0 else "nut") in told.sentence
    # what is left of the string from there sounds: 648 mm / 2^(7/12) of it
    left = scan.specification.scale.treble_mm / 2 ** (7 / 12)
    cents = abs(1200.0 * np.log2(left / (left - off)))
    assert told.said.values["cents"] == pytest.approx(cents, abs=0.25)
    assert ("sharp" if off > 0 else "flat") in told.sentence


def test_frets_in_their_places_are_not_named() -> None:
    for model in ("ukulele", "fanned"):
        _, _, findings = measured(model, replace(CLEAN, seed=6))
        assert "fret-place" not in {f.code for f in findings}


def test_higher_wire_on_the_whole_neck_is_no_fret_that_stands_up() -> None:
    scan = make_scan(specification("ukulele"), replace(CLEAN, seed=2))
    low = scan.specification.text.replace("crown_height = 0.9", "crown_height = 0.75")
    from evenfall.instrument import read_specification

    _, findings = measure_crowns(scan.points_mm, read_specification(low)[0], mirrored=False)
    assert "tang-gap" not in {f.code for f in findings}
