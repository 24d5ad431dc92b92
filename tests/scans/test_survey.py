"""Crowns of synthetic scans whose every height is known.

Small scans here: a ukulele at 0.1 by 0.3 mm. The calibration over many necks is in
`test_calibration.py`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache, partial

import numpy as np
import pytest
from numpy.typing import NDArray

from evenfall.errors import Finding, ReadingsError, RequestError
from evenfall.instrument import read_specification, string_lines
from evenfall.measurement import Measurement, Origin
from evenfall.scans import (
    CrownSurvey,
    HeightMap,
    Mesh,
    measure_crowns,
    to_measurement,
)
from evenfall.scans.orientation import locate
from evenfall.scans.surface import as_surface
from oracles.surfaces import (
    Bump,
    Flat,
    Lift,
    Recipe,
    Scan,
    crown_errors,
    facetted,
    height_map,
    make_scan,
    specification,
    turned,
)

FloatArray = NDArray[np.float64]
COARSE = Recipe(step_x=0.1, step_y=0.3, shadow_share=0.0, height_error=0.01, tilt_error=0.0003)
FAULTS = {
    "missing-fret",
    "extra-bump",
    "worn-flat",
    "lifted-end",
    "tang-gap",
    "board-shape",
    "scale",
    "scan",
}


@cache
def scan_of(model: str, recipe: Recipe) -> Scan:
    return make_scan(specification(model), recipe)


@cache
def surveyed(model: str, recipe: Recipe) -> tuple[Scan, CrownSurvey, tuple[Finding, ...]]:
    scan = scan_of(model, recipe)
    survey, findings = measure_crowns(scan.points_mm, specification(model), mirrored=False)
    return scan, survey, findings


def codes(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.code for finding in findings if finding.code in FAULTS]


def unmoved(points: FloatArray) -> FloatArray:
    return points


def test_crown_tops_are_within_two_micrometres_and_the_claim_fits() -> None:
    scan = scan_of("ukulele", replace(COARSE, shadow_share=0.3, seed=2))
    turn = partial(turned, seed=3)
    survey, findings = measure_crowns(turn(scan.points_mm), scan.specification)
    error = crown_errors(scan, turn, survey)
    assert np.isfinite(error).all()
    assert np.std(error) < 0.002
    assert abs(np.mean(error)) < 0.001
    # some 100 crossings tell a standard deviation to 7 %, errors along one fret go together
    claim = np.sqrt(np.mean(survey.crown_top_u_mm**2))
    assert 0.6 < claim / np.sqrt(np.mean(error**2)) < 1.6
    assert not codes(findings)


@pytest.mark.slow
@pytest.mark.parametrize("unit", ["um", "in"])
def test_any_axis_and_unit_give_the_same_crowns(unit: str) -> None:
    scan, straight, _ = surveyed("ukulele", COARSE)
    factor = {"in": 1 / 25.4, "um": 1000.0}[unit]  # metres: test_calibration.py
    turn = partial(turned, seed=len(unit), factor=factor)
    survey, findings = measure_crowns(turn(scan.points_mm), scan.specification)
    assert survey.orientation.unit == unit
    assert not survey.orientation.mirrored
    error = crown_errors(scan, turn, survey)
    assert np.std(error) < 0.002
    # heights over the board need no common frame
    assert survey.height_mm == pytest.approx(straight.height_mm, abs=0.003)
    word = {"in": "inches", "um": "µm"}.get(unit, unit)
    assert any(f"is in {word};" in f.sentence for f in findings if f.code == "orientation")


@pytest.mark.slow
def test_fanned_frets_show_that_the_scan_is_mirrored() -> None:
    scan = scan_of("fanned", replace(COARSE, seed=4))
    points = turned(scan.points_mm, seed=9, mirrored=True)
    located = locate(as_surface(points), scan.specification)
    orientation, findings = located.orientation, located.findings
    assert orientation.mirrored is True
    assert "ambiguous" not in [finding.code for finding in findings]
    back = orientation.to_neck(points)
    # treble stays treble: the true y comes back
    assert np.abs(back[:, 1] - scan.points_mm[:, 1]).max() < 0.05
    contradicted = locate(as_surface(points), scan.specification, mirrored=False).findings
    assert any("run the other way" in finding.sentence for finding in contradicted)


@pytest.mark.slow
def test_straight_frets_leave_the_side_open_and_say_so() -> None:
    scan, survey, findings = surveyed("ukulele", COARSE)
    silent = locate(as_surface(scan.points_mm), scan.specification).findings
    assert [f.where for f in silent if f.code == "ambiguous"] == ["mirrored"]
    assert not [f for f in findings if f.code == "ambiguous"]  # it was said there
    flipped, _ = measure_crowns(scan.points_mm, scan.specification, mirrored=True)
    assert flipped.height_mm[:, ::-1] == pytest.approx(survey.height_mm, abs=0.003)


@pytest.mark.slow
def test_a_scan_upside_down_and_back_to_front_comes_out_the_same() -> None:
    scan, survey, _ = surveyed("ukulele", COARSE)
    for signs in ([1.0, -1.0, -1.0], [-1.0, -1.0, 1.0]):
        other, _ = measure_crowns(scan.points_mm * signs, scan.specification, mirrored=False)
        assert other.crown_top_mm == pytest.approx(survey.crown_top_mm, abs=0.001)


@pytest.mark.slow
def test_the_points_are_left_alone_and_their_order_does_not_matter() -> None:
    scan, survey, _ = surveyed("ukulele", COARSE)
    mixed = np.random.default_rng(1).permutation(scan.points_mm)
    kept = mixed.copy()
    other, _ = measure_crowns(mixed, scan.specification)
    assert np.array_equal(mixed, kept)
    # the frame is found from other samples, so tops agree within what is claimed for them
    difference = other.crown_top_mm - survey.crown_top_mm
    assert np.std(difference) < np.median(survey.crown_top_u_mm)
    single, _ = measure_crowns(mixed.astype(np.float32), scan.specification)
    assert single.crown_top_mm == pytest.approx(other.crown_top_mm, abs=0.0005)


@pytest.mark.slow
def test_missing_points_are_no_points() -> None:
    scan, survey, _ = surveyed("ukulele", COARSE)
    points = np.concatenate([scan.points_mm, np.full((50_000, 3), np.nan)])
    points[::7, 2] = np.inf
    other, _ = measure_crowns(points, scan.specification)
    assert other.crown_top_mm == pytest.approx(survey.crown_top_mm, abs=0.004)


@pytest.mark.slow
def test_a_height_map_gives_what_its_points_give() -> None:
    spec = specification("ukulele")
    recipe = replace(COARSE, outlier_share=0.0)
    heights, step_x, step_y = height_map(spec, recipe)
    survey, _ = measure_crowns(HeightMap(heights, step_x, step_y), spec)
    row, column = np.nonzero(np.isfinite(heights))
    points = np.column_stack([column * step_x, row * step_y, heights[row, column]])
    other, findings = measure_crowns(points, spec)
    assert survey.crown_top_mm == pytest.approx(other.crown_top_mm, abs=0.002)
    # rows of an image run either way: there the open side is a warning
    from_map = locate(as_surface(HeightMap(heights, step_x, step_y)), spec).findings
    severity = {"map": from_map, "points": findings}
    assert {
        name: [f.severity for f in found if f.where == "mirrored"]
        for name, found in severity.items()
    } == {"map": ["warning"], "points": ["note"]}
    depths = HeightMap(-heights[::-1], step_x, step_y)  # depths, first row at the far side
    upside_down, _ = measure_crowns(depths, spec)
    assert upside_down.crown_top_mm == pytest.approx(survey.crown_top_mm, abs=0.002)


@pytest.mark.slow
def test_crown_radius_and_height_over_the_board_on_both_sides() -> None:
    scan, survey, _ = surveyed("ukulele", COARSE)
    wire = scan.specification.fretwire
    radius = (0.25 * wire.crown_width_mm**2 + wire.crown_height_mm**2) / (2 * wire.crown_height_mm)
    off = (survey.crown_radius_mm - radius) / survey.crown_radius_u_mm
    assert 0.7 < np.sqrt(np.mean(off**2)) < 1.4
    for side in range(2):
        error = survey.height_mm[side] - scan.crown_height_mm
        assert np.std(error) < 0.003
        assert abs(np.mean(error)) < 0.001
        ratio = np.sqrt(np.mean(survey.height_u_mm[side] ** 2) / np.mean(error**2))
        assert 0.6 < ratio < 1.6


@pytest.mark.slow
def test_a_clean_neck_has_no_fault() -> None:
    for model in ("ukulele", "bass"):
        _, _, findings = surveyed(model, replace(COARSE, seed=6))
        assert codes(findings) == []


@pytest.mark.slow
def test_bevelled_fret_ends_are_no_fault_and_do_not_pull_the_outer_strings() -> None:
    recipe = replace(COARSE, seed=6, bevel=1.5, shadow_share=0.3, step_y=0.2)
    scan, survey, findings = surveyed("bass", recipe)
    assert codes(findings) == []
    error = crown_errors(scan, unmoved, survey)
    assert np.isfinite(error).all()
    assert np.std(error[[0, -1]]) < 0.003


FAULTY = replace(
    COARSE,
    seed=8,
    flats=(Flat(5, 4.0, 9.0, 0.04),),
    lifts=(Lift(9, 1, 0.25), Lift(12, -1, 0.2)),
    missing=(7,),
    bumps=(Bump(30.0, 3.0),),
    unseated=((15, 0.2),),
)


@pytest.mark.slow
def test_each_fault_is_found_where_it_is_and_no_other() -> None:
    scan, survey, findings = surveyed("ukulele", FAULTY)
    found = {f.code: f for f in findings}
    assert sorted(codes(findings)) == [
        "extra-bump",
        "lifted-end",
        "lifted-end",
        "missing-fret",
        "tang-gap",
        "worn-flat",
    ]
    assert found["missing-fret"].at.frets == (7,)
    assert np.isnan(survey.crown_top_mm[:, 6]).all()
    assert np.isfinite(np.delete(survey.crown_top_mm, 6, axis=1)).all()
    assert found["extra-bump"].at.frets == (1, 2)
    assert "30." in found["extra-bump"].sentence
    assert found["worn-flat"].at.frets == (5,)
    assert found["worn-flat"].at.strings == found["worn-flat"].said.values["strings"] != ()
    assert found["tang-gap"].at.frets == (15,)
    ends = [f for f in findings if f.code == "lifted-end"]
    assert [(f.at.frets, "treble end" in f.sentence) for f in ends] == [
        ((9,), True),
        ((12,), False),
    ]
    worn = np.nan_to_num(scan.flat_width_mm) > 0.25
    assert (survey.flat_width_mm[worn] > 0.0).all()
    error = survey.flat_width_mm[worn] - scan.flat_width_mm[worn]
    assert np.abs(error).max() < 0.08
    tops = crown_errors(scan, unmoved, survey)
    assert np.nanmax(np.abs(tops)) < 0.006


@pytest.mark.slow
def test_levelled_frets_are_told_in_one_sentence() -> None:
    flats = tuple(Flat(fret, 0.0, 200.0, 0.1) for fret in range(1, 19))
    _, survey, findings = surveyed("ukulele", replace(COARSE, flats=flats))
    (finding,) = [f for f in findings if f.code == "worn-flat"]
    assert "levelled and not crowned" in finding.sentence
    assert np.nanmin(survey.flat_width_mm) > 0.5


@pytest.mark.slow
def test_a_rising_end_and_a_hump_stay_in_the_board() -> None:
    recipe = replace(COARSE, rising_end=0.25, hump=0.12, outlier_share=0.01)
    scan, survey, findings = surveyed("ukulele", recipe)
    shapes = [f.sentence for f in findings if f.code == "board-shape"]
    assert any("rises" in sentence for sentence in shapes)
    assert any("hump" in sentence for sentence in shapes)
    error = crown_errors(scan, unmoved, survey)
    assert np.std(error) < 0.002
    # the board itself, straight from its generator: every cell well inside it, within 10 µm
    from oracles.surfaces import _Neck

    neck = _Neck(scan.specification, recipe, np.random.default_rng(recipe.seed))
    board = survey.board
    x, y = np.meshgrid(board.x_mm, board.y_mm, indexing="ij")
    seen = np.isfinite(board.height_mm) & (board.point_count > 15) & (x > 1.0)
    seen &= np.abs(y) < neck.half_width(x) - 1.0
    place = np.column_stack([x[seen], y[seen], neck.board(x[seen], y[seen])])
    truth = survey.orientation.to_neck(place)[:, 2]
    off = board.height_mm[seen] - truth
    assert np.median(np.abs(off)) < 0.002
    assert np.quantile(np.abs(off), 0.99) < 0.01


@pytest.mark.slow
def test_the_radius_along_the_neck_is_the_board_s() -> None:
    scan, survey, _ = surveyed("bass", replace(COARSE, seed=6))
    board = scan.specification.board
    last = float(scan.lines.x_mm[0, -1])
    inside = (survey.board.station_mm > 10.0) & (survey.board.station_mm < last)
    along = survey.board.station_mm[inside] / last
    truth = board.radius_nut_mm + (board.radius_last_mm - board.radius_nut_mm) * along
    assert survey.board.radius_mm[inside] == pytest.approx(truth, rel=0.01)
    flat = surveyed("ukulele", COARSE)[1].board
    assert np.isinf(flat.radius_mm).all()


def hole(points: FloatArray, low: float, high: float) -> FloatArray:
    return points[(points[:, 1] < low) | (points[:, 1] > high)]


@pytest.mark.slow
def test_what_a_hole_hides_stays_missing() -> None:
    scan = scan_of("ukulele", COARSE)
    lines = scan.lines
    cut = hole(scan.points_mm, lines.y_mm[1, 1] - 6.0, lines.y_mm[1, 1] + 6.0)
    survey, findings = measure_crowns(cut, scan.specification)
    gone = survey.crown_top_origin == Origin.MISSING
    assert gone[1].any()
    assert not gone[[0, 3]].any()
    for name in ("crown_top_mm", "crown_radius_mm", "flat_width_mm"):
        assert np.isnan(getattr(survey, name)[gone]).all()
    assert any(
        "cannot be seen near the string" in f.sentence for f in findings if f.code == "shadow"
    )
    # a treble side that ends before the string is not carried on past its end
    scan = scan_of("bass", replace(COARSE, seed=6))
    end = scan.lines.y_mm[0, 12] - 1.5
    side = scan.points_mm[scan.points_mm[:, 1] < end]
    one_sided, told = measure_crowns(side, scan.specification)
    assert any(f.where == "centre line" for f in told)
    assert np.isnan(one_sided.crown_top_mm[scan.lines.y_mm[:, 1:] > end + 0.5]).all()
    assert np.isfinite(one_sided.crown_top_mm[scan.lines.y_mm[:, 1:] < end - 1.0]).all()


@pytest.mark.slow
def test_a_shadow_is_bridged_from_both_sides_and_marked() -> None:
    _, survey, findings = surveyed("ukulele", replace(COARSE, shadow_share=0.3, seed=2))
    assert (survey.crown_top_origin == Origin.INTERPOLATED).mean() > 0.8
    assert "shadow" in [f.code for f in findings]
    assert np.isnan(survey.flat_width_mm[survey.crown_top_origin == Origin.INTERPOLATED]).all()
    seen = surveyed("ukulele", COARSE)[1]
    assert (seen.crown_top_origin == Origin.READ).all()
    assert all(section is not None for row in seen.sections for section in row)


@pytest.mark.slow
def test_half_a_neck_gives_half_its_frets() -> None:
    scan = scan_of("bass", replace(COARSE, seed=6))
    for low, high, there in ((-10.0, 250.0, range(5)), (200.0, 600.0, range(5, 20))):
        inside = (scan.points_mm[:, 0] > low) & (scan.points_mm[:, 0] < high)
        survey, findings = measure_crowns(scan.points_mm[inside], scan.specification)
        known = np.isfinite(survey.crown_top_mm).all(axis=0)
        assert known[list(there)].all()
        assert known.sum() <= len(list(there)) + 2
        (outside,) = [f for f in findings if f.code == "scan"]
        assert (low > 0.0) is any(f.code == "numbering" for f in findings)
        assert "does not show frets" in outside.sentence
        error = crown_errors(scan, unmoved, survey)
        assert np.nanstd(error) < 0.003


@pytest.mark.slow
def test_outer_strings_of_a_strung_neck_are_carried_at_ten_points_a_crown() -> None:
    # little more than the board's edge shows beside an outer string's shadow
    recipe = Recipe(seed=21, step_x=0.12, step_y=0.4)
    scan, survey, _ = surveyed("electric", recipe)
    error = crown_errors(scan, unmoved, survey)[[0, -1]]
    assert np.isfinite(error).mean() > 0.7
    assert np.nanstd(error) < 0.002
    share = np.sqrt(np.nanmean((error / survey.crown_top_u_mm[[0, -1]]) ** 2))
    assert 0.6 < share < 1.6


@pytest.mark.slow
def test_a_scan_that_ends_on_a_fret_does_not_call_it_missing() -> None:
    scan = scan_of("bass", replace(COARSE, seed=6))
    fret = float(scan.lines.x_mm[:, 8].mean())
    for end in (fret - 0.4, fret + 0.2):
        _, findings = measure_crowns(scan.points_mm[scan.points_mm[:, 0] < end], scan.specification)
        assert "missing-fret" not in codes(findings)


@pytest.mark.slow
@pytest.mark.parametrize("model", ["electric", pytest.param("fanned", marks=pytest.mark.slow)])
def test_frets_after_the_last_one_are_told_in_one_sentence(model: str) -> None:
    scan = scan_of(model, COARSE)
    have = scan.specification.frets
    fewer = read_specification(
        scan.specification.text.replace(f"frets = {have}", f"frets = {have - 2}")
    )[0]
    _, findings = measure_crowns(scan.points_mm, fewer, mirrored=False)
    (told,) = [f for f in findings if f.code == "extra-bump"]
    assert f"fret {have - 1} " in told.sentence or f"frets {have - 1} and {have} " in told.sentence
    assert "too few frets" in told.sentence


@pytest.mark.slow
def test_another_scale_is_measured_and_told() -> None:
    scan = scan_of("ukulele", COARSE)
    stretched = scan.points_mm * [1.006, 1.0, 1.0]
    findings = locate(as_surface(stretched), scan.specification).findings
    (finding,) = [f for f in findings if f.code == "scale"]
    found, u = map(float, re.findall(r"of (\S+) mm.*± (\S+) mm", finding.sentence)[0])
    assert found == pytest.approx(1.006 * 382.0, abs=2.0 * u)
    assert u < 0.15


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda p: p[:500], "points; a fretboard needs"),
        (lambda p: p[:, :2], "must have shape"),
        (lambda p: p * [1.0, 1.0, 0.0], "are not in this scan"),
        (lambda p: p * 1.2, r"scale of about 484\.9 mm or 457\.7 mm, not 382\.0 mm"),
        pytest.param(
            lambda p: p * 1.09, "no unit makes that the specified 382", marks=pytest.mark.slow
        ),
        (lambda p: np.where(p > -1e9, np.nan, p), "missing"),
    ],
    ids=["few", "shape", "no relief", "longer scale", "another scale", "all missing"],
)
def test_what_is_no_scan_of_this_neck_is_refused(
    change: Callable[[FloatArray], FloatArray], sentence: str
) -> None:
    scan = scan_of("ukulele", COARSE)
    with pytest.raises(ReadingsError, match=sentence):
        measure_crowns(change(scan.points_mm), scan.specification)


def test_an_unknown_unit_is_a_wrong_request() -> None:
    scan = scan_of("ukulele", COARSE)
    with pytest.raises(RequestError, match="furlong"):
        locate(as_surface(scan.points_mm), scan.specification, unit_hint="furlong")


@pytest.mark.slow
@pytest.mark.parametrize("facets", [8, 40])
def test_a_facetted_sheet_of_mesh_is_claimed_as_well_as_it_is_read(facets: int) -> None:
    spec = specification("ukulele")
    triangles, truth = facetted(spec, replace(COARSE, seed=3), facets)
    survey, findings = measure_crowns(Mesh(triangles), spec, mirrored=False)
    lines = string_lines(spec)
    there = np.column_stack([lines.x_mm[:, 1:].ravel(), lines.y_mm[:, 1:].ravel(), truth.ravel()])
    error = survey.crown_top_mm - survey.orientation.to_neck(there)[:, 2].reshape(truth.shape)
    claim = float(np.median(survey.crown_top_u_mm))
    assert np.sqrt(np.mean(error**2)) < 2.0 * claim
    assert claim < 0.002
    # a sheet of mesh looks the same from its other side: that is no rival
    assert not any(f.where == "orientation" for f in findings if f.code == "ambiguous")


@pytest.mark.slow
def test_noisy_facets_are_no_worn_flats() -> None:
    spec = specification("ukulele")
    heights, along, across = height_map(
        spec, Recipe(seed=7, step_x=0.15, step_y=0.3, shadow_share=0.0)
    )
    rows, columns = heights.shape
    y, x = np.meshgrid(np.arange(rows) * across, np.arange(columns) * along, indexing="ij")
    corner = np.stack([x, y, heights], axis=-1)
    a, b, c, d = corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1]
    sides = [np.stack(part, axis=2).reshape(-1, 3, 3) for part in ((a, b, c), (a, c, d))]
    triangles = np.concatenate(sides)
    kept = np.isfinite(triangles).all(axis=(1, 2))
    _, findings = measure_crowns(Mesh(triangles[kept]), spec, mirrored=False)
    assert "worn-flat" not in codes(findings)


@pytest.mark.slow
def test_the_scanner_s_own_uncertainty_is_added() -> None:
    scan, survey, _ = surveyed("ukulele", COARSE)
    other, _ = measure_crowns(scan.points_mm, scan.specification, scan_uncertainty_mm=0.004)
    assert other.crown_top_u_mm == pytest.approx(np.hypot(survey.crown_top_u_mm, 0.004), abs=1e-9)


@pytest.mark.slow
def test_the_survey_becomes_a_measurement_like_any_other() -> None:
    scan, survey, _ = surveyed("ukulele", FAULTY)
    measurement = to_measurement(
        survey, scan.specification, serial="UY-0042", source=("scan.ply",), strung=False
    )
    np.testing.assert_array_equal(measurement.crown_top_mm, survey.crown_top_mm)
    assert (measurement.heights.origin[:, 7] == Origin.MISSING).all()
    assert np.isnan(measurement.nut_mm).all()
    assert not measurement.complete
    assert measurement.specification_hash == scan.specification.content_hash
    both = np.nanmean(survey.height_mm[:, :, :6], axis=0)
    assert measurement.crown_height_mm[:, :6] == pytest.approx(both, abs=1e-12)
    again = Measurement.from_dict(measurement.as_dict())
    assert again.content_hash == measurement.content_hash
    assert "circle fitted" in str(measurement.routes[0])


@pytest.mark.slow
def test_sections_hold_what_was_fitted() -> None:
    _, survey, _ = surveyed("ukulele", COARSE)
    section = survey.sections[0][3]
    assert section is not None
    assert 20 < len(section.across_mm) <= 480
    near = np.abs(section.across_mm - section.centre_mm) < section.fitted_half_mm
    off = section.height_mm - section.fitted_mm(section.across_mm)
    assert np.median(np.abs(off[near])) < 0.006
    assert section.fitted_mm(np.array(section.centre_mm)) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.slow
def test_the_same_scan_gives_the_same_bytes() -> None:
    scan, survey, _ = surveyed("ukulele", COARSE)
    again, _ = measure_crowns(scan.points_mm, scan.specification, mirrored=False, workers=1)
    assert np.array_equal(again.crown_top_mm, survey.crown_top_mm)
