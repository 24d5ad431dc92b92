"""A sheet says what its figures rest on, and what is not to be done from it yet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenfall.errors import At, Finding
from evenfall.gates import Accepted, CrossCheck
from evenfall.measurement.heights import Origin
from evenfall.plan.before_cut import Confirmation, LowFrets, ReadFirst, Rock
from evenfall.plan.limits import LeftOut, LimitReached, Miss, Undecided
from evenfall.sheets.readings import GAUGE_ROUTE
from evenfall.wording import say, sentence
from evenfall.work import bench_sheet
from work.made_plans import made_plan

BUSY = {"need_mm": 0.12, "roughness_mm": 0.035}
GATE = Finding(
    "not-seated",
    "Fret 7 stands {over:length} over its neighbours: press it home and read it again.",
    At(frets=(7,)),
    over=0.31,
)
OVER_5 = LimitReached("clearance", "", (2,), 4, 5)


def sheet_of(**changed):
    spec, plan = made_plan(**BUSY)
    return bench_sheet(spec, replace(plan, **changed))


def said(sheet, topic, unit="mm"):
    return [say(s, unit) for note in sheet.notes if note.topic == topic for s in note.sentences]


def headings(steps):
    return [str(step.heading).split()[0] for step in steps]


def test_a_plan_with_nothing_to_say_has_no_notes():
    sheet = sheet_of()
    assert sheet.notes == ()
    assert sheet.preview == ()


def test_a_reading_to_check_stops_the_cut_until_it_is_accepted():
    stopped = sheet_of(status="read-again", gates=(GATE,))
    assert stopped.notes[0].topic == "Read again"
    assert stopped.notes[0].waits
    assert said(stopped, "Read again") == [
        "Fret 7 stands 0.310 mm over its neighbours: press it home and read it again."
    ]
    assert "0.0122 in" in said(stopped, "Read again", "in")[0]
    assert stopped.banner.tone == "stop"
    assert "taken again before any metal" in str(stopped.banner.headline)
    assert stopped.steps == ()
    assert stopped.cautions == ()
    assert headings(stopped.preview) == ["Truss", "Saddle:", "Frets:", "Nut"]
    assert str(stopped.after.heading) == "Read again."

    accepted = sheet_of(
        gates=(GATE,), accepted=(Accepted("not-seated", "7", "pressed home, glued", "Ilva Rem"),)
    )
    assert headings(accepted.steps) == ["Truss", "Saddle:", "Frets:", "Nut"]
    assert accepted.preview == ()
    (told,) = said(accepted, "Kept readings")
    assert "Ilva Rem" in told
    assert "pressed home, glued" in told


@pytest.mark.parametrize("status", ["read-again", "misfit", "short"])
def test_nothing_is_set_by_a_plan_that_does_not_stand(status):
    """Neither by readings to be taken again, nor for targets that are not agreed on."""
    spec, plan = made_plan(**BUSY)
    sheet = bench_sheet(spec, replace(plan, status=status))
    assert sheet.steps == ()
    shown = [cell.length_mm for cell in sheet.after.rows[0].cells]
    assert shown == list(plan.action_before_mm[::-1])
    assert sheet.after.targets[0].length_mm == plan.relief_before_mm
    assert "as first read" in " ".join(map(str, sheet.after.sentences))


def test_part_one_is_settings_and_a_reading_and_shows_the_cut_without_asking_for_it():
    sheet = sheet_of(status="settings", part="settings")
    assert headings(sheet.steps) == ["Truss", "Saddle:"]
    assert str(sheet.after.heading) == "Let it settle, tune, read again."
    assert headings(sheet.preview) == ["Frets:", "Nut"]
    assert str(sheet.banner.headline).startswith("Settings come first.")
    kinds = {row.kind for step in sheet.preview for row in step.rows}
    assert kinds == {"amounts"}
    assert all(not step.sentences and not step.targets for step in sheet.preview)
    assert {one.topic for one in sheet.cautions}.isdisjoint(
        {"Sharp edges", "Machines and spindles"}
    )


def test_part_one_expects_what_the_uncut_neck_shows_at_its_new_settings():
    spec, plan = made_plan(**BUSY)
    sheet = bench_sheet(spec, replace(plan, status="settings", part="settings"))
    saddle = sheet.steps[1].rows[1].cells
    assert [cell.length_mm for cell in sheet.after.rows[0].cells] == [c.length_mm for c in saddle]
    rod, again = sheet.steps[0].targets[0], sheet.after.targets[0]
    assert again.length_mm == pytest.approx(rod.length_mm, abs=1e-12)


@pytest.mark.parametrize(("agrees", "work"), [(None, 2), (False, 2), (True, 4)])
def test_what_has_to_be_asked_waits_for_a_second_reading_that_agrees(agrees, work):
    second = Confirmation(bool(agrees), sentence("The second reading was compared."), "0" * 64)
    ask = (sentence("A cut of {cut:length} is deep.", cut=0.16),)
    sheet = sheet_of(
        status="cut" if agrees else "ask",
        ask=ask,
        confirmation=None if agrees is None else second,
    )
    assert len(sheet.steps) == work
    assert bool(sheet.preview) == (work == 2)
    (note,) = [note for note in sheet.notes if note.topic == "Read twice"]
    assert note.waits == (not agrees)
    assert (sheet.banner.tone == "stop") == (not agrees)
    assert "A cut of 0.160 mm is deep." in said(sheet, "Read twice")


def test_crowns_without_a_reading_are_named_with_their_strings():
    spec, plan = made_plan(**BUSY)
    heights = plan.measurement.heights
    origin = heights.origin.copy()
    origin[:3, 5] = Origin.INTERPOLATED  # fret 5 under strings 1 to 3
    origin[:3, 9] = Origin.INTERPOLATED
    origin[4, 12] = Origin.MISSING
    origin[0, 7] = Origin.DERIVED
    changed = replace(plan.measurement, heights=replace(heights, origin=origin))
    sheet = bench_sheet(spec, replace(plan, measurement=changed))
    (told,) = said(sheet, "Not read")
    assert "frets 5 and 9 under strings 1 to 3" in told
    assert "fret 12 under string 5" in told
    assert "fret 7" not in told


def test_what_each_setting_may_miss_stands_at_its_step_and_a_small_room_in_the_box():
    misses = (
        Miss("rod", (), (), 0.004, 0.3, 0.05, OVER_5),
        Miss("saddle", (2,), (), 0.4, np.inf, 0.05, OVER_5),
        Miss("saddle", (3,), (), 0.07, 0.2, 0.05, None),
        Miss("nut", (1,), (), np.inf, np.inf, 0.03, None),
        Miss("file", (2,), (5,), 0.1, 0.019, 0.02, OVER_5),
    )
    sheet = sheet_of(misses=misses)
    rod, saddle, frets, nut = (" ".join(map(str, step.sentences)) for step in sheet.steps)
    small = (
        "The relief may come out only 0.004 mm less or 0.300 mm more than planned; beyond the "
        "nearer of the two the clearance of string 2 over fret 5 is out of limits. Work at the "
        "bench is usually good to 0.050 mm: read it back."
    )
    assert small in rod
    assert "The saddle at string 3 may come out 0.070 mm lower or 0.200 mm higher" in saddle
    assert "only 0.100 mm lower or 0.019 mm higher" in frets
    assert "may come out" not in nut
    assert said(sheet, "Set with care") == [
        "Here the plan leaves less room than bench work usually needs: relief (0.004 mm) and "
        "crown of fret 5 (0.019 mm). Read these back."
    ]


def test_a_requirement_far_off_is_no_concern_of_a_step():
    far = (
        Miss("saddle", (2,), (), 1.2, 3.0, 0.05, OVER_5),
        Miss("rod", (), (), 0.2, 1.5, 0.05, None),
    )
    rod, saddle, *_ = (" ".join(map(str, step.sentences)) for step in sheet_of(misses=far).steps)
    assert "may come out" not in saddle
    assert "The relief may come out 0.200 mm less than planned" in rod


def test_the_rocker_comes_before_the_file_with_its_band():
    rocks = (
        Rock(5, 2, (4, 5, 6), 0.058, 0.03, 0.015),
        Rock(11, 6, (10, 11, 12), 0.020, 0.03, np.nan),
    )
    sheet = sheet_of(rocker=rocks)
    assert headings(sheet.steps) == ["Truss", "Saddle:", "Rocker,", "Frets:", "Nut"]
    first, second = sheet.steps[2].targets
    assert str(first.name) == "Fret 5: over frets 4 to 6, string 2"
    assert first.length_mm == 0.058
    assert str(first.limits) == "0.028 to 0.088 mm"
    assert str(second.limits) == "−0.010 to 0.050 mm"
    low = sheet_of(rocker=(replace(rocks[0], band_mm=0.05),)).steps[2].targets[0]
    assert str(low.limits) == "0.015 to 0.108 mm"  # a fret free of fault could show 0.008
    assert "Rocker," not in headings(
        sheet_of(rocker=rocks, status="settings", part="settings").steps
    )


def test_what_is_left_open_is_told_and_stops_nothing():
    sheet = sheet_of(
        left_out=(LeftOut("action", (1,), sentence("Action of string 1 stays low.")),),
        low_frets=LowFrets((3, 4), False, True, 0.1, 2),
        undecided=(Undecided(3, 5, 6, 0.02, 0.0041),),
        level_clear_percent=72.0,
        checks=(
            CrossCheck("action", 1, 12, 1.61, 1.60, 0.02, True),
            CrossCheck("action", 6, 12, 1.95, 1.51, 0.02, False),  # a gate says that
        ),
        reasons=(sentence("Relief is over its limit."),),
    )
    topics = [note.topic for note in sheet.notes]
    assert topics == [
        *("Attack and targets", "Low frets", "Limits not met", "Not certain"),
        *("Checks by hand", "Reasons"),
    ]
    assert not any(note.waits for note in sheet.notes)
    assert len(sheet.steps) == 4
    assert "72 %" in said(sheet, "Attack and targets")[0]
    assert "string 3 stopped at fret 5 over fret 6" in said(sheet, "Not certain")[0]
    assert "0.0041 mm" in said(sheet, "Not certain")[0]
    (by_hand,) = said(sheet, "Checks by hand")
    assert "by hand 1.610 mm, by the heights 1.600 mm: they agree." in by_hand
    assert not sheet_of(level_clear_percent=120.0).notes


def test_low_frets_are_lifted_first_and_nothing_is_cut_meanwhile():
    spec, plan = made_plan(**BUSY)
    lifted = np.zeros_like(plan.removal_mm)
    lifted[:, 2] = 0.05
    sheet = bench_sheet(
        spec,
        replace(
            plan,
            status="lift",
            lifted_mm=lifted,
            low_frets=LowFrets((3,), False, True, 0.1, 2),
        ),
    )
    assert headings(sheet.steps) == ["Low", "Truss", "Saddle:"]
    (row,) = sheet.steps[0].rows
    assert str(row.label) == "3"
    assert {(cell.length_mm, cell.move) for cell in row.cells} == {(0.05, "up")}
    assert headings(sheet.preview) == ["Frets:", "Nut"]
    assert "Glue, solvents, heat" in [one.topic for one in sheet.cautions]


def test_what_must_be_read_or_is_too_low_before_a_cut_is_named():
    sheet = sheet_of(read_first=(ReadFirst(12, (3, 4), 0.08),), no_room_frets=(2, 5))
    assert said(sheet, "Not read") == [
        "Read fret 12 under strings 3 and 4 first: 0.080 mm of metal depends on it."
    ]
    assert said(sheet, "Too low to cut")[0].startswith("frets 2 and 5:")


def test_many_uncertain_positions_are_cut_short():
    sheet = sheet_of(undecided=tuple(Undecided(1, n, n + 1, 0.02, 0.004) for n in range(20)))
    (told,) = said(sheet, "Not certain")
    assert told.startswith("20 positions are too close to call")
    assert "15 more" in told


def test_coarse_readings_ask_for_every_note_to_be_played():
    spec, plan = made_plan(**BUSY)
    heights = plan.measurement.heights
    for u_mm, asked in ((0.009, False), (0.02, True)):
        own = np.full_like(heights.own_u_mm, u_mm)
        measured = replace(plan.measurement, heights=replace(heights, own_u_mm=own))
        sheet = bench_sheet(spec, replace(plan, measurement=measured))
        told = " ".join(map(str, sheet.after.sentences))
        assert ("play every note" in told) == asked


def test_a_gauge_whose_study_counted_is_named_with_its_uncertainty():
    spec, plan = made_plan(**BUSY)
    told = {"name": "dial 3", "day": "2026-03-09", "u": 0.004, "count": 12}
    routes = (*plan.measurement.routes, sentence(GAUGE_ROUTE, **told))
    sheet = bench_sheet(spec, replace(plan, measurement=replace(plan.measurement, routes=routes)))
    assert said(sheet, "Gauges") == [
        "Standard uncertainty of gauge dial 3 by its study of 2026-03-09: 0.004 mm, for 12 "
        "readings that stated none."
    ]


def test_the_next_reading_is_taken_as_the_first_was():
    spec, plan = made_plan(**BUSY)
    orders = []
    for origin in (Origin.READ, Origin.DERIVED):
        heights = plan.measurement.heights
        kind = np.full_like(heights.origin, origin)
        found = replace(plan.measurement, heights=replace(heights, origin=kind))
        sheet = bench_sheet(spec, replace(plan, measurement=found))
        orders.append(" ".join(say(one) for one in sheet.after.sentences))
    assert "over one fixed datum" in orders[0]
    assert "datum" not in orders[1]
    assert "in the same way as before" in orders[1]
