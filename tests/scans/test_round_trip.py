"""From a hand sheet to a surface, scanned, and back: the same Measurement, the same plan."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from evenfall.instrument import string_lines
from evenfall.levelling import make_plan
from evenfall.measurement import Measurement, Origin
from evenfall.plan import Plan
from evenfall.scans import measure_crowns, to_measurement
from levelling.necks import readings, table
from made_heights import changed
from oracles.surfaces import Recipe, crown_errors, make_scan, specification, turned


@pytest.mark.slow
def test_a_scanned_hand_sheet_gives_the_same_plan() -> None:
    seed = 1
    spec = specification("electric")
    lines = string_lines(spec)
    high = {5: 0.09, 9: 0.08, 13: 0.08, 16: 0.07, 19: 0.08}
    sheet = readings(spec, seed=seed, noise_mm=0.006, high=high, tilted=False)
    up = spec.fretwire.crown_height_mm  # the sheet's datum lies at the crowns, the board's under it
    sheet = sheet.with_heights(
        crown_top_mm=sheet.crown_top_mm + up,
        nut_mm=sheet.nut_mm + up,
        saddle_mm=sheet.saddle_mm + up,
    )
    recipe = Recipe(
        seed=seed,
        step_x=0.08,
        step_y=0.2,
        shadow_share=0.0,
        relief=0.0,
        crown_top=sheet.crown_top_mm,
    )
    scan = make_scan(spec, recipe)
    assert scan.crown_top_mm == pytest.approx(sheet.crown_top_mm, abs=1e-9)
    turn = partial(turned, seed=5)
    survey, _ = measure_crowns(turn(scan.points_mm), spec, mirrored=False)
    error = crown_errors(scan, turn, survey)
    assert np.std(error) < 0.002

    # what a scan of the board does not show comes from the sheet, over the scan's datum
    def over_datum(x, y, z):  # type: ignore[no-untyped-def]
        return survey.orientation.to_neck(turn(np.column_stack([x, y, z])))[:, 2]

    scanned = changed(
        to_measurement(survey, spec, serial=sheet.serial),
        nut_mm=over_datum(lines.x_mm[:, 0], lines.y_mm[:, 0], sheet.nut_mm),
        nut_u_mm=sheet.heights.nut_u_mm,
        nut_origin=sheet.heights.origin[:, 0],
        saddle_mm=over_datum(lines.saddle_x_mm, lines.saddle_y_mm, sheet.saddle_mm),
        saddle_u_mm=sheet.heights.saddle_u_mm,
        saddle_origin=sheet.heights.origin[:, -1],
        crown_height_mm=sheet.crown_height_mm,
        crown_height_u_mm=sheet.crown_height_u_mm,
        crown_height_origin=np.full_like(sheet.crown_height_origin, Origin.READ),
    )
    assert scanned.complete
    # margins follow the uncertainty: give both the same
    read = changed(sheet, crown_top_u_mm=scanned.heights.crown_top_u_mm)

    def plan(measurement: Measurement) -> Plan:
        return make_plan(spec, measurement, method="profile", excursion=table(spec))

    by_hand, by_scan = plan(read), plan(scanned)
    assert by_hand.status == by_scan.status
    assert (by_hand.removal_mm > 0.01).sum() > 3  # there is metal to take off
    # how far the claim lets the plan of this very sheet wander
    rng = np.random.default_rng(seed)
    others = [
        plan(
            read.with_heights(
                crown_top_mm=rng.normal(read.crown_top_mm, read.heights.crown_top_u_mm),
                nut_mm=read.nut_mm,
                saddle_mm=read.saddle_mm,
            )
        )
        for _ in range(12)
    ]
    removal_u = np.sqrt(np.mean([(o.removal_mm - by_hand.removal_mm) ** 2 for o in others], axis=0))
    off = by_scan.removal_mm - by_hand.removal_mm
    assert np.all(np.abs(off) < 4.0 * removal_u + 0.001)
    objective_u = np.sqrt(np.mean([(o.metal_mm - by_hand.metal_mm) ** 2 for o in others]))
    assert abs(by_scan.metal_mm - by_hand.metal_mm) < 4.0 * objective_u
