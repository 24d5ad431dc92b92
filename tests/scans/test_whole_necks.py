"""Necks as closed bodies: drawings, points over all surfaces, strung; one neck in every form."""

from __future__ import annotations

from dataclasses import replace
from functools import cache, partial

import numpy as np
import pytest

from evenfall.errors import Finding
from evenfall.gates import Accepted
from evenfall.instrument import string_lines
from evenfall.levelling import make_plan
from evenfall.measurement import Measurement, Origin
from evenfall.scans import CrownSurvey, HeightMap, Mesh, measure_crowns, to_measurement
from evenfall.strings.excursion import excursion_table
from oracles.bodies import Assembly, Parts, make_assembly, sampled, strung_from_above
from oracles.surfaces import Crown, FloatArray, Recipe, height_map, make_scan, specification, turned

COARSE = Recipe(
    seed=3, step_x=0.1, step_y=0.3, shadow_share=0.0, height_error=0.01, tilt_error=0.0003
)
WHOLE = Parts(strings=True, body=True, pegs=True)
FAULTS = {
    "missing-fret",
    "extra-bump",
    "worn-flat",
    "lifted-end",
    "tang-gap",
    "board-shape",
    "scan",
}


@cache
def assembly(model: str, recipe: Recipe, parts: Parts) -> Assembly:
    return make_assembly(specification(model), recipe, parts)


def errors(
    survey: CrownSurvey, made: Assembly, turn: partial[FloatArray] | None = None
) -> FloatArray:
    """Return survey less truth at each crossing [mm], shape (K, F)."""
    there = made.crossings_mm if turn is None else turn(made.crossings_mm)
    truth = survey.orientation.to_neck(there)[:, 2].reshape(made.crown_top_mm.shape)
    return survey.crown_top_mm - truth


def faults(findings: tuple[Finding, ...]) -> list[str]:
    return [f.sentence for f in findings if f.code in FAULTS]


def codes(findings: tuple[Finding, ...]) -> set[str]:
    return {f.code for f in findings}


@pytest.mark.slow
@pytest.mark.parametrize("model", ["electric", pytest.param("ukulele", marks=pytest.mark.slow)])
def test_an_assembly_with_body_pegs_and_strings_is_read_from_above(model: str) -> None:
    made = assembly(model, COARSE, WHOLE)
    turn = partial(turned, seed=4)
    corners = turn(made.triangles.reshape(-1, 3)).reshape(-1, 3, 3)
    survey, findings = measure_crowns(Mesh(corners), made.specification, mirrored=False)
    error = errors(survey, made, turn)
    assert np.isfinite(error).all()
    assert np.sqrt(np.mean(error**2)) < 0.003
    assert faults(findings) == []
    assert {"left-aside", "strings-seen"} <= codes(findings)
    # the body that the neck lies on goes on past the board's end, and is no board
    assert np.nanmin(survey.board.height_mm) > -3.0
    (seen,) = [f for f in findings if f.code == "strings-seen"]
    assert seen.at.strings == tuple(range(1, made.specification.string_count + 1))


@pytest.mark.slow
def test_points_over_all_surfaces_of_closed_bodies_give_the_crowns() -> None:
    made = assembly("ukulele", COARSE, Parts(facets=150))
    points = sampled(made, 20.0)
    survey, findings = measure_crowns(points, made.specification, mirrored=False)
    error = errors(survey, made)
    assert np.isfinite(error).mean() > 0.98
    score = (error / survey.crown_top_u_mm)[np.isfinite(error)]
    assert 0.7 < np.sqrt(np.mean(score**2)) < 1.4
    assert faults(findings) == []
    assert "left-aside" in codes(findings)
    # no strings, no talk of strings
    assert not any("under their string" in f.sentence for f in findings)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("facets", "along"),
    [(16, 20), (8, 45)],
)
def test_facets_are_put_back_on_the_surface_that_they_stand_for(facets: int, along: int) -> None:
    # crowns as a drawing has them, without waves that its corners could not carry
    made = assembly(
        "electric", replace(COARSE, seed=5, wave=0.0), Parts(facets=facets, along=along)
    )
    survey, findings = measure_crowns(Mesh(made.triangles), made.specification, mirrored=False)
    error = errors(survey, made)
    assert np.isfinite(error).mean() > 0.97
    rms = float(np.sqrt(np.nanmean(error**2)))
    assert rms < 1.25 * float(np.nanmedian(survey.crown_top_u_mm))
    assert faults(findings) == []
    # what chords of this drawing cut off: across the round crown, and along the arched board
    wire = made.specification.fretwire
    radius = (0.25 * wire.crown_width_mm**2 + wire.crown_height_mm**2) / (2 * wire.crown_height_mm)
    across = radius * (1.0 - np.cos(0.5 * np.pi / facets))
    arch = (50.0 / along) ** 2 / (8.0 * 254.0)
    assert rms < 0.06 * (across + arch)
    told = [f for f in findings if f.code == "facets"]
    assert len(told) == 1
    assert "chord tolerance" in told[0].sentence


@pytest.mark.slow
@pytest.mark.parametrize(("facets", "crown"), [(4, "round"), (2, "triangular"), (3, "round")])
def test_crowns_of_a_few_facets_say_how_well_their_tops_are_known(
    facets: int, crown: Crown
) -> None:
    recipe = replace(COARSE, seed=5, wave=0.0, crown=crown)
    made = assembly("electric", recipe, Parts(facets=facets, along=20))
    survey, findings = measure_crowns(Mesh(made.triangles), made.specification, mirrored=False)
    error = errors(survey, made)
    assert np.isfinite(error).all()
    # an edge on top is a corner of the drawing; over a level facet the crown may be an arc
    assert np.sqrt(np.mean((error / survey.crown_top_u_mm) ** 2)) < 1.25
    # chords along the arched board cut off so much
    assert (np.abs(error) < (50.0 / 20) ** 2 / (8.0 * 254.0)).all() or facets == 3
    told = [f for f in findings if f.code == "facets"]
    assert any("eight facets a crown" in f.sentence for f in told) == (facets == 3)


@pytest.mark.slow
@pytest.mark.parametrize(("crown", "facets"), [("flat", 60), ("triangular", 16), ("moulded", 60)])
def test_what_narrow_facets_round_off_is_neither_arched_nor_an_edge(
    facets: int, crown: Crown
) -> None:
    recipe = replace(COARSE, seed=7, wave=0.0, crown=crown)
    made = assembly("electric", recipe, Parts(facets=facets, along=20))
    survey, findings = measure_crowns(Mesh(made.triangles), made.specification, mirrored=False)
    error = errors(survey, made)
    # a bar's top is level up to its edges of 0.08, and a roof's ridge is an arc of as much, 0.033
    # under where its flanks would meet; the board is drawn with chords of 0.003
    assert np.isfinite(error).all()
    assert np.abs(error).max() < 0.005
    assert np.sqrt(np.mean((error / survey.crown_top_u_mm) ** 2)) < 1.25
    assert faults(findings) == []


@pytest.mark.slow
def test_a_strung_scan_shows_strings_and_no_bumps() -> None:
    made = assembly("electric", COARSE, Parts())
    points = strung_from_above(made)
    survey, findings = measure_crowns(points, made.specification, mirrored=False)
    error = errors(survey, made)
    assert np.isfinite(error).all()
    assert np.sqrt(np.mean(error**2)) < 0.002
    assert faults(findings) == []
    assert "strings-seen" in codes(findings)


@pytest.mark.slow
def test_rows_of_half_a_millimetre_with_shadows_beside_the_strings() -> None:
    made = assembly("electric", replace(COARSE, step_y=0.5, shadow_share=1.8), Parts())
    survey, findings = measure_crowns(strung_from_above(made), made.specification, mirrored=False)
    error = errors(survey, made)
    assert np.isfinite(error).mean() > 0.95
    score = (error / survey.crown_top_u_mm)[np.isfinite(error)]
    assert 0.6 < np.sqrt(np.mean(score**2)) < 1.4
    assert any("under their string" in f.sentence for f in findings)


ACCEPTED = (
    Accepted("tension", "", "the specification is a drawn one"),
    Accepted("over-new-wire", "6", "made so"),
)


def with_ends(survey: CrownSurvey, made: Assembly, form: str) -> Measurement:
    """Return the measurement with the true ends of the strings, brought over to its datum."""
    lines, found = made.neck.lines, to_measurement(survey, made.specification, serial=form)
    over = np.array([[0.3, 0.35, 0.4, 0.45], [2.4, 2.5, 2.6, 2.7]])
    ends = [
        survey.orientation.to_neck(np.column_stack([x, y, made.crown_top_mm[:, j] + more]))[:, 2]
        for x, y, j, more in (
            (lines.x_mm[:, 0], lines.y_mm[:, 0], 0, over[0]),
            (lines.saddle_x_mm, lines.saddle_y_mm, -1, over[1]),
        )
    ]
    heights = found.heights.at(nut_mm=ends[0], saddle_mm=ends[1])
    own = heights.own_u_mm.copy()
    own[:, [0, -1]] = 0.005
    origin = heights.origin.copy()
    origin[:, [0, -1]] = Origin.READ
    return replace(found, heights=replace(heights, own_u_mm=own, origin=origin))


@pytest.mark.slow
def test_one_neck_in_four_forms_has_the_same_crowns_and_the_same_plan() -> None:
    spec = specification("ukulele")
    recipe = replace(
        COARSE,
        wave=0.0,
        place_error=0.0,
        outlier_share=0.0,
        height_error=0.002,
        off=((6, 0.1, 0.0),),
    )
    made = assembly("ukulele", recipe, Parts(facets=150))
    heights, step_x, step_y = height_map(spec, recipe)
    forms = {
        "cloud from above": make_scan(spec, recipe).points_mm,
        "cloud over all surfaces": sampled(made, 20.0),
        "assembly": Mesh(made.triangles),
        "height map": HeightMap(heights, step_x, step_y),
    }
    surveys = {
        name: measure_crowns(form, spec, mirrored=False)[0]  # type: ignore[arg-type]
        for name, form in forms.items()
    }
    table = excursion_table(spec, string_lines(spec))
    plans = {
        name: make_plan(spec, with_ends(survey, made, name), excursion=table, accepted=ACCEPTED)
        for name, survey in surveys.items()
    }
    first = surveys.pop("cloud from above")
    plan = plans.pop("cloud from above")
    assert plan.removal_mm.any()
    for name, other in surveys.items():
        # heights of a plane through the crowns are free: both stand on their own
        off = other.crown_top_mm - first.crown_top_mm
        u = np.hypot(other.crown_top_u_mm, first.crown_top_u_mm)
        known = np.isfinite(off)
        assert known.mean() > 0.97, name
        assert float(np.mean(np.abs(off[known]) < 2.0 * u[known])) > 0.93, name
        # the same frets are cut, as deep to what the readings are known to
        again = plans[name]
        assert again.status == plan.status, name
        assert ((again.removal_mm > 0.0) == (plan.removal_mm > 0.0)).all(), name
        assert np.abs(again.removal_mm - plan.removal_mm).max() < 0.01, name
