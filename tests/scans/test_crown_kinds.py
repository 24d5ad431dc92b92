"""Crowns that are not round: the kind is told, the top is taken for it, and no wear is invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenfall.errors import Finding
from evenfall.instrument import read_specification
from evenfall.scans import CrownSurvey, measure_crowns
from evenfall.scans.crown_kind import _domed, _width, mean_section
from evenfall.scans.fret_comb import nominal_lines
from oracles.surfaces import (
    Crown,
    Flat,
    FloatArray,
    Recipe,
    Scan,
    crown_drop,
    crown_errors,
    drawn,
    make_scan,
    specification,
)
from studies.scans import perfect_neck

CLEAN = Recipe(step_x=0.07, step_y=0.25, shadow_share=0.0, height_error=0.01, tilt_error=0.0003)
FAULTS = {"missing-fret", "extra-bump", "worn-flat", "lifted-end", "tang-gap", "board-shape"}
CASES = [
    ("ukulele", "triangular", "pointed"),
    ("ukulele", "flat", "flat"),
    ("fanned", "one-sided", "one-sided"),
    ("electric", "moulded", "pointed"),
]
"""Each kind once; the study of scans has every kind on every model."""


def measured(model: str, recipe: Recipe) -> tuple[Scan, CrownSurvey, tuple[Finding, ...]]:
    scan = make_scan(specification(model), recipe)
    survey, findings = measure_crowns(scan.points_mm, scan.specification, mirrored=False)
    return scan, survey, findings


@pytest.mark.quick(1)
@pytest.mark.parametrize(("model", "crown", "kind"), CASES)
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


@pytest.mark.slow
@pytest.mark.parametrize(("crown", "neck"), [("triangular", (1, 40)), ("moulded", (2, 45))])
def test_a_section_drawn_over_a_poor_crown_line_is_drawn_until_it_settles(
    crown: Crown, neck: tuple[int, int]
) -> None:
    # two necks of the study of scans, on which three rounds left one fret standing up
    kind, index = neck
    scores, wrong = perfect_neck(crown, index, np.random.default_rng([1, index, 21, kind]))
    assert scores["tops"] < 1.25**2
    assert not wrong


@pytest.mark.slow
@pytest.mark.parametrize(("crown", "noise"), [("blunt", 0.005), ("keen", 0.01)])
def test_crowns_that_no_arc_fits_are_not_worn(crown: Crown, noise: float) -> None:
    """A flat between two arcs lies near a blunt top and never on it."""
    recipe = replace(CLEAN, seed=4, step_x=0.05, noise=noise, crown=crown, height_error=0.0)
    scan, survey, findings = measured("ukulele", recipe)
    ratio = crown_errors(scan, np.asarray, survey) / survey.crown_top_u_mm
    assert 0.5 < float(np.sqrt(np.nanmean(ratio**2))) < 1.25
    ratio = (survey.height_mm - scan.crown_height_mm) / survey.height_u_mm
    assert 0.5 < float(np.sqrt(np.nanmean(ratio**2))) < 1.25
    assert not {f.code for f in findings} & {*FAULTS, "wire"}
    kinds = {line.section.kind for line in survey.crown_lines if line and line.section}
    assert kinds <= ({"pointed"} if crown == "keen" else {"blunt", "flat"})
    assert all(line is not None and line.section is not None for line in survey.crown_lines)


@pytest.mark.parametrize("crown", ["bluntest", "flat"])
def test_the_top_of_a_wide_crown_is_that_of_its_dome_or_bar(crown: Crown) -> None:
    """The mean of a dome's middle lies 0.0015 under its top."""
    chance = np.random.default_rng(5)
    height, width = 1.2, 2.4
    across = chance.uniform(-0.5, 0.5, 12000) * width
    drop = crown_drop(crown, across, height, width)
    on = drop < height
    section = mean_section(
        across[on],
        (-drop + chance.normal(0.0, 0.002, len(drop)))[on],
        crown_height_mm=height,
        crown_width_mm=width,
    )
    assert section is not None
    upper = np.abs(section.across_mm) < 0.5
    true = -crown_drop(crown, section.across_mm[upper], height, width)
    top = float(np.mean(true - section.height_mm[upper]))
    assert abs(top) < min(0.0005, 4.0 * section.top_u_mm)
    assert abs(section.top_across_mm) < 4.0 * section.top_across_u_mm


@pytest.mark.slow
@pytest.mark.parametrize("depth", [0.03, pytest.param(0.1, marks=pytest.mark.slow)])
def test_wear_under_every_string_of_a_played_neck_is_wear(depth: float) -> None:
    """Nearly every fret flat over half its length is worn, and not made so."""
    spec = specification("ukulele")
    lines = drawn(make_scan(spec, replace(CLEAN, step_x=5.0, step_y=5.0))).lines
    flats = tuple(
        Flat(fret, float(lines.y_mm[string, fret]), 6.0, depth)
        for fret in range(1, spec.frets + 1)
        for string in range(spec.string_count)
    )
    _, _, findings = measured("ukulele", replace(CLEAN, seed=4, step_x=0.05, flats=flats))
    worn = {fret for f in findings if f.code == "worn-flat" for fret in f.at.frets}
    assert len(worn) > 0.9 * spec.frets
    assert "crown-kind" not in {f.code for f in findings}


@pytest.mark.slow
def test_no_board_is_shown_as_part_of_the_fit_of_an_upright_side() -> None:
    recipe = Recipe(seed=4, step_x=0.06, step_y=0.3, shadow_share=0.0, crown="one-sided")
    scan = make_scan(specification("ukulele"), recipe)
    survey, _ = measure_crowns(scan.points_mm, scan.specification, mirrored=False)
    drawn = [section for row in survey.sections for section in row if section is not None]
    half = 0.5 * scan.specification.fretwire.crown_height_mm
    assert len(drawn) > 60
    for section in drawn:
        assert section.taken.sum() > 30
        assert (section.height_mm[section.taken] > -half - 0.1).all()


@pytest.mark.slow
def test_round_crowns_with_glue_at_their_feet_are_round() -> None:
    scan, survey, findings = measured("electric", replace(CLEAN, glue=0.15, seed=3))
    assert "crown-kind" not in {f.code for f in findings}
    assert [f.sentence for f in findings if f.code in FAULTS] == []
    error = crown_errors(scan, lambda points: points, survey)
    assert np.sqrt(np.nanmean(error**2)) < 0.002


@pytest.mark.slow
@pytest.mark.parametrize("off", [0.3, pytest.param(-0.3, marks=pytest.mark.slow)])
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


@pytest.mark.slow
def test_places_sections_ends_and_board_are_told_with_their_uncertainty() -> None:
    recipe = replace(CLEAN, seed=8, place_error=0.03)
    scan, survey, _ = measured("electric", recipe)
    neck, found = drawn(scan), survey.scanned
    spec = scan.specification
    nominal = nominal_lines(neck.lines).base_mm

    def score(error: FloatArray, u: FloatArray) -> float:
        return float(np.sqrt(np.mean((error / u) ** 2)))

    assert score(found.fret_place_mm - (neck.base - nominal), found.fret_place_u_mm) < 1.8
    assert np.abs(found.scale_mm - 648.0) < 3.0 * found.scale_u_mm
    assert 0.4 < score(found.crown_radius_mm - neck.radius, found.crown_radius_u_mm) < 1.4
    # wire of this specification is a half circle: as wide as it is from side to side
    assert score(found.crown_width_mm - 2.0 * neck.radius, found.crown_width_u_mm) < 1.4
    # the scan ends with the board, and so do its frets
    for side in (found.fret_end_bass_mm, found.fret_end_treble_mm):
        assert score(side, found.fret_end_u_mm) < 1.4
    last = float(neck.lines.x_mm[:, -1].max())
    radius = 254.0 + (305.0 - 254.0) * found.board_place_mm / last
    assert np.abs(found.board_radius_mm - radius).max() < 0.6
    first = float(nominal[0])
    assert found.board_bow_mm == pytest.approx(0.15 * (1.0 - first / last) ** 2, abs=0.0005)
    assert abs(found.board_twist_rad) < 3e-5
    assert found.board_flatness_mm < 0.001
    board = spec.board
    assert found.board_width_nut_mm == pytest.approx(board.width_nut_mm, abs=0.2)
    assert found.board_width_last_mm == pytest.approx(board.width_last_mm, abs=0.2)


@pytest.mark.slow
def test_frets_that_reach_past_the_board_are_named_with_their_side() -> None:
    scan = make_scan(specification("electric"), replace(CLEAN, seed=8))
    neck, points = drawn(scan), scan.points_mm
    x, y = points[:, 0], points[:, 1]
    near = np.abs(x[:, None] - neck.base[[4, 9]]).min(axis=1) < 1.2
    # a board that has shrunk on its treble side, under two frets that have not
    shrunk = (y > neck.half_width(x) - 0.6) & ~near
    _, findings = measure_crowns(points[~shrunk], scan.specification, mirrored=False)
    (told,) = [f for f in findings if f.code == "fret-end"]
    assert told.at.frets == (5, 10)
    assert "treble side" in told.sentence
    assert told.said.values["past"] == pytest.approx(0.6, abs=0.25)


@pytest.mark.slow
def test_other_wire_and_another_board_are_told_once() -> None:
    scan = make_scan(specification("electric"), replace(CLEAN, seed=5))
    text = scan.specification.text
    for said, other in (
        ("crown_height = 1.2", "crown_height = 1.0"),
        ("width_nut = 43.0", "width_nut = 46.0"),
    ):
        assert said in text
        text = text.replace(said, other)
    _, findings = measure_crowns(scan.points_mm, read_specification(text)[0], mirrored=False)
    (wire,) = [f for f in findings if f.code == "wire"]
    assert wire.said.values["found"] == pytest.approx(1.2, abs=0.02)
    (board,) = [f for f in findings if f.code == "board-width"]
    assert board.said.values["nut"] == pytest.approx(43.0, abs=0.25)
    assert not {"tang-gap", "lifted-end"} & {f.code for f in findings}
    assert not any("twisted" in f.sentence for f in findings)


@pytest.mark.slow
def test_frets_in_their_places_are_not_named() -> None:
    for model in ("ukulele", "fanned"):
        _, _, findings = measured(model, replace(CLEAN, seed=6))
        assert "fret-place" not in {f.code for f in findings}


@pytest.mark.slow
def test_higher_wire_on_the_whole_neck_is_no_fret_that_stands_up() -> None:
    scan = make_scan(specification("ukulele"), replace(CLEAN, seed=2))
    low = scan.specification.text.replace("crown_height = 0.9", "crown_height = 0.75")
    _, findings = measure_crowns(scan.points_mm, read_specification(low)[0], mirrored=False)
    assert "tang-gap" not in {f.code for f in findings}


def test_the_top_of_a_dome_lies_over_the_dome() -> None:
    t = np.linspace(-1.0, 1.0, 41)
    found = _domed(0.4 * t, 0.002 * t - 0.006 * t**2, 0.4 * t)
    assert found is not None
    assert found[1] == pytest.approx(0.4 * 0.002 / 0.012)  # where the slope of the parabola is 0
    # one that goes on rising at its end has its parabola's top beside it: it is no dome
    assert _domed(0.4 * t, 0.010 * t - 0.006 * t**2, 0.4 * t) is None


def test_a_section_whose_top_lies_past_its_end_has_no_width() -> None:
    x, z = np.linspace(-1.0, 0.0, 11), np.zeros(11)
    z[-1] = -0.3
    assert _width(x, z, 0.5, -0.1) is None
