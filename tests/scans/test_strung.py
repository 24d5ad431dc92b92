"""Strung necks: which strings a scan shows, their action over every fret, nut and saddle."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from evenfall.measurement import Origin
from evenfall.scans import CrownSurvey, Mesh, measure_crowns, to_measurement
from evenfall.scans.strung import THICKNESS_U_MM
from oracles.bodies import (
    SLOT_ROOM,
    STRING_OVER_MM,
    Assembly,
    Parts,
    make_assembly,
    string_at,
    with_ends,
)
from oracles.bodies import strung_from_above as strung
from oracles.surfaces import FloatArray, Recipe, make_scan, specification

RECIPE = Recipe(
    seed=3, step_x=0.1, step_y=0.5, shadow_share=1.8, height_error=0.01, tilt_error=0.0003
)


@cache
def neck(model: str = "ukulele", recipe: Recipe = RECIPE) -> Assembly:
    return make_assembly(specification(model), recipe, Parts())


def underside(made: Assembly, k: int, x: FloatArray) -> FloatArray:
    """Return the height of the underside of a straight string in the generator's frame."""
    _, top, half = string_at(made.neck, k, x, STRING_OVER_MM)
    return top - 2.0 * half


def true_action(made: Assembly, sag: float = 0.0) -> FloatArray:
    lines = made.neck.lines
    share = lines.station_mm[:, 1:] / lines.saddle_station_mm[:, None]
    rows = [underside(made, k, lines.x_mm[k, 1:]) for k in range(len(lines.x_mm))]
    return np.array(rows) - made.crown_top_mm - sag * 4.0 * share * (1.0 - share)


def action_error(survey: CrownSurvey, made: Assembly, sag: float = 0.0) -> FloatArray:
    assert survey.scanned.strings is not None
    return survey.scanned.strings.action_mm - true_action(made, sag)


def test_the_action_is_read_over_every_fret_and_gives_nut_and_saddle() -> None:
    made = neck()
    survey, findings = measure_crowns(strung(made), made.specification, mirrored=False)
    told = survey.scanned.strings
    assert told is not None
    error = action_error(survey, made)
    assert np.isfinite(error).all()
    assert np.abs(error / told.action_u_mm).max() < 3.0
    # plain strings are known to their gauge; of wound ones flat windings are as likely as round
    assert np.nanmedian(told.action_u_mm) < 0.025
    (seen,) = [f for f in findings if f.code == "strings-seen"]
    assert seen.at.strings == (1, 2, 3, 4)
    assert "action over fret 12 is" in seen.sentence
    measured = to_measurement(survey, made.specification)
    assert measured.complete
    # over the straight line through its own ends a string stands as the generator has it
    lines = made.neck.lines
    ends = np.stack([lines.x_mm[:, 0], lines.saddle_x_mm], axis=1)
    true = np.array([underside(made, k, ends[k]) for k in range(4)])
    share = lines.station_mm[:, 1:] / lines.saddle_station_mm[:, None]
    for k in range(4):
        weights = np.zeros(measured.fret_count + 2)
        weights[[0, -1]] = 1.0 - share[k, 11], share[k, 11]
        weights[12] = -1.0
        gap = float(weights @ measured.heights.height_mm[k])
        wanted = true[k] @ weights[[0, -1]] - made.crown_top_mm[k, 11]
        assert abs(gap - wanted) < 3.0 * float(measured.heights.u_mm(weights, k))
    # strings that are not at pitch hang anywhere: nothing of them is taken
    assert np.isnan(to_measurement(survey, made.specification, strung=False).nut_mm).all()


@pytest.mark.slow
def test_windings_and_sag_are_counted() -> None:
    made = neck()
    sag = 0.02
    points = strung(made, wound=True, sag=sag)
    survey, _ = measure_crowns(points, made.specification, mirrored=False)
    told = survey.scanned.strings
    assert told is not None
    score = action_error(survey, made, sag) / told.action_u_mm
    assert np.isfinite(score).all()
    assert np.abs(score).max() < 3.0


@pytest.mark.slow
def test_a_drawing_has_its_strings_to_their_gauge() -> None:
    made = make_assembly(
        specification("ukulele"), replace(RECIPE, wave=0.0), Parts(strings=True, along=40)
    )
    survey, _ = measure_crowns(Mesh(made.triangles), made.specification, mirrored=False)
    told = survey.scanned.strings
    assert told is not None
    assert np.abs(action_error(survey, made)).max() < 0.004
    assert np.nanmedian(told.action_u_mm) == pytest.approx(THICKNESS_U_MM, rel=0.3)


@pytest.mark.slow
def test_strings_beside_their_lines_are_found_and_told() -> None:
    made = neck()
    points = strung(made, beside=(1.5, 1.2))
    survey, findings = measure_crowns(points, made.specification, mirrored=False)
    told = survey.scanned.strings
    assert told is not None
    lines = made.neck.lines
    assert np.abs(told.string_nut_mm - lines.y_mm[:, 0] - 1.5).max() < 0.2
    (beside,) = [f for f in findings if f.code == "string-line"]
    assert "beside the specified line" in beside.sentence
    assert "nearer the treble" in beside.sentence
    assert not any(f.code == "extra-bump" for f in findings)


@pytest.mark.slow
def test_a_string_that_is_pressed_down_gives_no_action() -> None:
    made = neck()
    points = strung(made)
    x, y, z = points.T
    middle, top, half = string_at(made.neck, 1, x, STRING_OVER_MM)
    on = (np.abs(y - middle) < half) & (z > top - 2.0 * half - 0.05)
    points[on, 2] -= 0.4 * np.maximum(0.0, 1.0 - np.abs(x[on] - 100.0) / 100.0)
    survey, findings = measure_crowns(points, made.specification, mirrored=False)
    told = survey.scanned.strings
    assert told is not None
    assert np.isnan(told.action_mm[1]).all()
    assert np.isfinite(told.action_mm[[0, 2, 3]]).all()
    (bent,) = [f for f in findings if f.code == "string-line"]
    assert bent.at.strings == (2,)
    assert "not at pitch" in bent.sentence
    assert np.isnan(to_measurement(survey, made.specification).nut_mm).tolist() == [
        False, True, False, False
    ]  # fmt: skip


@pytest.mark.slow
def test_a_scan_without_strings_has_none() -> None:
    made = make_scan(specification("ukulele"), replace(RECIPE, shadow_share=0.3))
    survey, findings = measure_crowns(made.points_mm, made.specification, mirrored=False)
    told = survey.scanned.strings
    assert told is not None  # it shows a nut, in its place, and no slots
    assert abs(told.nut_place_mm) < 3.0 * told.nut_place_u_mm
    for part in (told.action_mm, told.string_nut_mm, told.slot_width_mm, told.saddle_place_mm):
        assert np.isnan(part).all()
    assert not any(f.code.startswith(("string", "nut")) for f in findings)
    bare = replace(made.recipe, nut_height=0.0)
    survey, _ = measure_crowns(make_scan(made.specification, bare).points_mm, made.specification)
    assert survey.scanned.strings is None


@pytest.mark.slow
@pytest.mark.parametrize(("model", "step"), [("ukulele", 0.05), ("electric", 0.1)])
def test_slots_and_saddle_are_read_where_no_string_lies(model: str, step: float) -> None:
    spec = specification(model)
    recipe = replace(RECIPE, shadow_share=0.0, step_y=0.2)
    made = make_assembly(spec, recipe, Parts())
    lines, count = made.neck.lines, spec.string_count
    floor = made.neck.board(lines.x_mm[:, 0], lines.y_mm[:, 0]) + 1.4 + 0.05 * np.arange(count)
    saddle = made.crown_top_mm[:, -1] + 2.0 + 0.1 * np.arange(count)
    board = make_scan(spec, recipe).points_mm
    points = with_ends(board, made, floor, saddle, edge=0.5, step=(step, step))
    survey, findings = measure_crowns(points, spec, mirrored=False)
    ends, told = survey.ends, survey.scanned.strings
    assert told is not None

    def there(x: FloatArray, y: FloatArray, z: FloatArray) -> FloatArray:
        return survey.orientation.to_neck(np.column_stack([x, y, z]))[:, 2]

    off = ends.floor_mm[:, 0] - there(lines.x_mm[:, 0] + 0.5, lines.y_mm[:, 0], floor)
    assert np.abs(off).max() < 0.012
    assert np.abs(off / ends.floor_mm[:, 1]).max() < 3.5
    off = ends.saddle_mm[:, 0] - there(lines.saddle_x_mm, lines.saddle_y_mm, saddle)
    assert np.abs(off / ends.saddle_mm[:, 1]).max() < 3.5
    wide = told.slot_width_mm - [SLOT_ROOM * string.gauge_mm for string in spec.strings]
    assert np.abs(wide / told.slot_width_u_mm).max() < 2.5
    assert abs(told.nut_place_mm - 0.5) < 3.0 * told.nut_place_u_mm < 0.15
    assert np.abs(told.saddle_place_mm).max() < 0.2
    assert np.abs(told.string_nut_mm - lines.y_mm[:, 0]).max() < 0.1
    (place,) = [f for f in findings if f.code == "nut-place"]
    assert "too near the bridge" in place.sentence
    assert "cents flat" in place.sentence
    measured = to_measurement(survey, spec)
    assert measured.complete
    np.testing.assert_allclose(measured.nut_mm, ends.floor_mm[:, 0])
    assert (measured.heights.origin[:, [0, -1]] == Origin.READ).all()


@pytest.mark.slow
def test_wild_points_are_no_strings() -> None:
    recipe = replace(RECIPE, shadow_share=0.0, step_x=0.05, step_y=0.2, outlier_share=0.03)
    made = make_scan(specification("ukulele"), recipe)
    survey, findings = measure_crowns(made.points_mm, made.specification, mirrored=False)
    assert survey.strings == (None,) * 4
    assert not any(f.code.startswith("string") for f in findings)
