"""The bench sheet says what the plan says: every figure is looked up or worked out again here."""

from __future__ import annotations

import csv
import doctest
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.errors import SpecificationError
from evenfall.instrument import read_specification, string_lines
from evenfall.plan.limits import Miss
from evenfall.plan.methods import MethodResult
from evenfall.sheets import empty_sheet
from evenfall.wording import say, sentence
from evenfall.work import bench_sheet
from evenfall.work import sheet as sheet_module
from evenfall.work.parts import NOTHING_MM
from evenfall.work.steps import HALFWAY_MM
from work.made_plans import made_plan, misfit, specification_text

BUSY = {"need_mm": 0.12, "roughness_mm": 0.035}


def step_named(sheet, start):
    found = [step for step in sheet.steps if str(step.heading).startswith(start)]
    return found[0] if found else None


def removals_on(sheet):
    """Return {(string, fret): cell} as the table of frets shows them."""
    step = step_named(sheet, "Frets")
    shown = {}
    for row in step.rows if step else ():
        if row.kind == "amounts":
            for column, cell in zip(sheet.columns, row.cells, strict=True):
                if cell.length_mm is not None:
                    shown[column.string, int(str(row.label))] = cell
    return shown


@draws(12)
@given(
    strings=st.integers(3, 12),
    frets=st.integers(5, 36),
    seed=st.integers(0, 10_000),
    need_mm=st.floats(0.05, 0.2),
)
def test_every_removal_of_the_plan_and_nothing_else_is_on_the_sheet(strings, frets, seed, need_mm):
    spec, plan = made_plan(strings, frets, seed=seed, need_mm=need_mm)
    sheet = bench_sheet(spec, plan)
    shown = removals_on(sheet)
    due = {
        (k + 1, j + 1): plan.removal_mm[k, j]
        for k in range(strings)
        for j in range(frets)
        if plan.removal_mm[k, j] >= NOTHING_MM
    }
    assert shown.keys() == due.keys()
    for place, removal_mm in due.items():
        assert shown[place].length_mm == pytest.approx(removal_mm, abs=1e-12)
        assert shown[place].halfway == (removal_mm > HALFWAY_MM)


def test_frets_come_in_order_and_no_more_than_six_without_a_check():
    spec, plan = made_plan(12, 36, need_mm=0.16, roughness_mm=0.03)
    rows = step_named(bench_sheet(spec, plan), "Frets").rows
    frets = [int(str(row.label)) for row in rows if row.kind == "amounts"]
    assert frets == sorted(set(frets))
    assert len(frets) > 20
    checks = [-1, *(place for place, row in enumerate(rows) if row.kind == "check")]
    assert checks[-1] == len(rows) - 1
    assert all(2 <= after - before - 1 <= 6 for before, after in pairwise(checks))


def test_a_check_names_the_deepest_cut_and_the_crown_it_leaves():
    spec, plan = made_plan(**BUSY)
    rows = step_named(bench_sheet(spec, plan), "Frets").rows
    since: list[int] = []
    seen = 0
    for row in rows:
        if row.kind == "amounts":
            since.append(int(str(row.label)))
            continue
        cut = plan.removal_mm[:, np.array(since) - 1]
        string, place = np.unravel_index(cut.argmax(), cut.shape)
        fret = since[place]
        left = plan.crown_height_after_mm[string, fret - 1]
        sentence = str(row.sentences[0])
        assert sentence.startswith(f"Crown at fret {fret}, string {string + 1}: ")
        assert f"{left:.3f} mm when done" in sentence
        half = f"{left + cut.max() / 2:.3f} at half"
        assert (half in sentence) == (cut.max() > HALFWAY_MM)
        seen += cut.max() > HALFWAY_MM
        since = []
    assert seen  # the sample does stop halfway somewhere


def proud_mm(plan, spec, fret):
    """Return by how much a fret stands over the line between its neighbours, per string."""
    x = string_lines(spec).station_mm
    top = plan.crown_top_after_mm
    return [
        top[k, fret - 1]
        - np.interp(
            x[k, fret],
            [x[k, fret - 1], x[k, fret + 1]],
            [top[k, fret - 2], top[k, fret]],
        )
        for k in range(len(top))
    ]


def test_a_check_says_no_rocking_only_where_the_finished_frets_do_not_rock():
    spec, plan = made_plan(need_mm=0.14, roughness_mm=0.02)
    rows = step_named(bench_sheet(spec, plan), "Frets").rows
    sentences = [
        str(row.sentences[1]) for row in rows if row.kind == "check" and len(row.sentences) > 1
    ]
    assert sentences
    frets = range(2, spec.frets)
    worst = max(frets, key=lambda fret: max(proud_mm(plan, spec, fret)))
    told = [
        s for s in sentences if f"{max(proud_mm(plan, spec, worst)):.3f} mm at fret {worst}," in s
    ]
    assert len(told) == 1
    smooth_spec, smooth = made_plan(need_mm=0.14, roughness_mm=0.0, seed=2)
    flat = replace(
        smooth,
        crown_top_after_mm=smooth.crown_top_after_mm * 0.0,
        removal_mm=np.where(np.arange(smooth_spec.frets) == 6, 0.02, 0.0)
        * np.ones_like(smooth.removal_mm),
    )
    rows = step_named(bench_sheet(smooth_spec, flat), "Frets").rows
    assert str(rows[-1].sentences[1]) == "Rocker with its middle on frets 6 to 8: no rocking."


@pytest.mark.parametrize(
    ("change_mm", "words"),
    [(0.08, "loosen, 0.080 mm more"), (-0.05, "tighten, 0.050 mm less")],
)
def test_the_rod_turns_the_way_that_makes_the_relief(change_mm, words):
    spec, plan = made_plan(relief_change_mm=change_mm, **BUSY)
    assert words in str(step_named(bench_sheet(spec, plan), "Truss rod").heading)


def test_the_gap_to_read_after_the_rod_is_what_a_straightedge_shows_before_any_cut():
    spec, plan = made_plan(**BUSY)
    reading = step_named(bench_sheet(spec, plan), "Truss rod").targets[0]
    fret = int(str(reading.name).removeprefix("Gap at fret "))
    x = string_lines(spec).station_mm[2]  # string 3 is the middle one
    top = plan.crown_top_after_mm[2] + plan.removal_mm[2]
    gap_mm = np.interp(x[fret], [x[1], x[-1]], [top[0], top[-1]]) - top[fret - 1]
    assert reading.length_mm == pytest.approx(gap_mm, abs=1e-9)


def test_the_empty_sheet_asks_for_relief_where_the_bench_sheet_does():
    for frets in (12, 19, 22, 24):
        spec, plan = made_plan(6, frets)
        rows = csv.DictReader(empty_sheet(spec, "csv").decode().splitlines())
        [relief] = [row for row in rows if row["quantity"] == "relief"]
        asked = bench_sheet(spec, plan).after.targets[0]
        assert str(asked.name).startswith(f"Relief: gap at fret {relief['fret']},")


def test_the_gap_a_rod_is_set_by_keeps_to_what_the_rod_may_miss():
    spec, plan = made_plan(**BUSY)
    near = Miss("rod", (), (), less_mm=0.01, more_mm=0.02, allowance_mm=0.05, breaks=None)
    wide, narrow = (
        step_named(bench_sheet(spec, one), "Truss rod").targets[0]
        for one in (replace(plan, misses=()), replace(plan, misses=(near,)))
    )
    low, high = (narrow.limits.values[end] - narrow.length_mm for end in ("low", "high"))
    assert (low, high) == pytest.approx((-0.01, 0.02), rel=0.05)  # a fret beside the deepest place
    assert wide.limits.values["low"] < narrow.limits.values["low"]


def test_limits_of_the_gap_are_the_limits_of_relief_moved_with_the_fret():
    # a neck without roughness: the gap where the bow is deepest is the relief itself, to the
    # share by which the fret misses the deepest place
    spec, plan = made_plan(roughness_mm=0.0)
    sheet = bench_sheet(spec, plan)
    reading = step_named(sheet, "Truss rod").targets[0]
    low, high = (reading.limits.values[end] for end in ("low", "high"))
    relief = spec.target.relief
    assert low == pytest.approx(relief.minimum_mm, abs=0.002)
    assert high == pytest.approx(relief.maximum_mm, abs=0.002)
    assert reading.length_mm == pytest.approx(plan.relief_after_mm, abs=0.002)


def test_saddle_and_nut_go_by_the_plan_and_the_nut_comes_after_the_frets():
    spec, plan = made_plan(nut_change_mm=-0.03, saddle_change_mm=0.06, **BUSY)
    sheet = bench_sheet(spec, plan)
    order = [str(step.heading).split()[0] for step in sheet.steps]
    assert order == ["Truss", "Saddle:", "Frets:", "Nut"]
    before = plan.measurement
    for name, change_mm in (
        ("Saddle", plan.saddle_after_mm - before.saddle_mm),
        ("Nut", plan.nut_after_mm - before.nut_mm),
    ):
        cells = step_named(sheet, name).rows[0].cells
        for column, cell in zip(sheet.columns, cells, strict=True):
            change = change_mm[column.string - 1]
            assert cell.move == ("up" if change > 0 else "down")
            assert cell.length_mm == pytest.approx(abs(change), abs=1e-9)


def test_a_raised_nut_slot_is_filled_or_shimmed():
    spec, plan = made_plan(nut_change_mm=0.04, **BUSY)
    step = step_named(bench_sheet(spec, plan), "Nut")
    told = [str(one) for one in step.sentences]
    assert "Up: fill the slot or shim the nut." in told
    assert not any(one.startswith("Down") for one in told)


def test_the_gap_after_the_saddle_is_that_of_the_uncut_frets():
    """Over the level line, and a fret that stands out from it as it stands."""
    spec, plan = made_plan(**BUSY)
    sheet = bench_sheet(spec, plan)
    row = step_named(sheet, "Saddle").rows[1]
    lines = string_lines(spec)
    top = plan.level_mm + plan.relief_change_mm * plan.bow_mm_per_mm + plan.stands_out_mm
    for column, cell in zip(sheet.columns, row.cells, strict=True):
        k = column.string - 1
        under = np.interp(
            lines.station_mm[k, 12],
            [0.0, lines.saddle_station_mm[k]],
            [plan.measurement.nut_mm[k], plan.saddle_after_mm[k]],
        )
        assert cell.length_mm == pytest.approx(under - top[k, 11], abs=1e-9)


def test_after_the_work_every_target_has_its_aim_its_limits_and_room_to_write():
    spec, plan = made_plan(**BUSY)
    sheet = bench_sheet(spec, plan)
    action, write, gap, write_too = sheet.after.rows
    assert (write.kind, write_too.kind) == ("write", "write")
    for row, aims, limits in (
        (action, plan.action_after_mm, spec.target.action),
        (gap, plan.first_fret_gap_after_mm, spec.target.first_fret_gap),
    ):
        for column, cell in zip(sheet.columns, row.cells, strict=True):
            k = column.string - 1
            assert cell.length_mm == pytest.approx(aims[k], abs=1e-9)
            assert cell.limits_mm == (limits[k].minimum_mm, limits[k].maximum_mm)
    relief, crown, *crossings = sheet.after.targets
    assert str(relief.name).startswith("Relief: gap at fret")
    assert crown.length_mm == pytest.approx(plan.lowest_crown_mm, abs=1e-9)
    assert [str(reading.name) for reading in crossings] == [
        "String 2 stopped at 4: over fret 5",  # the least room
        "String 6 open: over fret 7",
    ]
    lines = string_lines(spec)
    under = np.interp(
        lines.station_mm[1, 5],
        [lines.station_mm[1, 4], lines.saddle_station_mm[1]],
        [plan.crown_top_after_mm[1, 3], plan.saddle_after_mm[1]],
    )
    gap_mm = under - plan.crown_top_after_mm[1, 4]
    assert crossings[0].length_mm == pytest.approx(gap_mm, abs=1e-9)


def test_columns_stand_as_the_strings_lie_seen_from_the_front():
    """Headstock up, fret 1 on top: the bass string lies left on a right-handed neck."""
    spec, plan = made_plan(**BUSY)
    for handed, order in (("right", [6, 5, 4, 3, 2, 1]), ("left", [1, 2, 3, 4, 5, 6])):
        turned = replace(spec, handed=handed)
        sheet = bench_sheet(turned, plan)
        assert [column.string for column in sheet.columns] == order
        for column in sheet.columns:
            string = spec.strings[column.string - 1]
            assert (column.name, column.gauge_mm) == (string.pitch, string.gauge_mm)
            side = {1: "treble", 6: "bass"}.get(column.string, "")
            assert column.side == side
        shown = {place: cell.length_mm for place, cell in removals_on(sheet).items()}
        assert shown == {
            place: cell.length_mm for place, cell in removals_on(bench_sheet(spec, plan)).items()
        }


def test_a_specification_says_for_which_hand_the_neck_is():
    text = specification_text()
    assert read_specification(text)[0].handed == "right"
    left = text.replace('units = "mm"', 'units = "mm"\nhanded = "left"')
    assert read_specification(left)[0].handed == "left"
    with pytest.raises(SpecificationError, match="handed must be"):
        read_specification(left.replace('"left"', '"both"'))


def test_nothing_to_do_says_so_and_asks_for_nothing():
    spec, plan = made_plan(cut=False, relief_change_mm=0.0, saddle_change_mm=0, nut_change_mm=0)
    sheet = bench_sheet(spec, plan)
    assert sheet.banner.tone == "nothing"
    assert str(sheet.banner.headline).endswith("nothing has to be done.")
    assert sheet.steps == ()
    assert sheet.cautions == ()


def test_a_string_that_lies_on_a_fret_is_said_so_and_has_no_percentage():
    spec, plan = made_plan(cut=False)
    low = plan.buzz_force_after_n.copy()
    low[1, 4] = -3.0
    said = str(bench_sheet(spec, replace(plan, buzz_force_after_n=low)).banner.sentences[0])
    assert said.startswith("Weakest: string 2 stopped at fret 4, where the string lies on a fret")
    cured = bench_sheet(spec, replace(plan, buzz_force_before_n=low))
    assert str(cured.banner.sentences[0]).endswith("(as found, a string lies on a fret at rest).")


def test_adjusting_alone_cuts_nothing():
    spec, plan = made_plan(cut=False, nut_change_mm=0.0)
    sheet = bench_sheet(spec, plan)
    assert str(sheet.banner.headline).startswith("Settings alone")
    assert step_named(sheet, "Frets") is None
    topics = [one.topic for one in sheet.cautions]
    assert topics == ["Strings under tension", "Truss rod", "Dust", "Above all"]
    raised = replace(plan, saddle_after_mm=plan.measurement.saddle_mm + 0.05)
    assert not any(one.topic == "Dust" for one in bench_sheet(spec, raised).cautions)


def test_attack_and_targets_that_do_not_fit_stop_the_work():
    spec, plan = made_plan(**BUSY)
    sheet = bench_sheet(spec, misfit(plan))
    assert sheet.banner.tone == "stop"
    assert str(sheet.banner.headline).endswith("an action of 2.120 mm would fit.")
    assert say(sheet.banner.headline, "in").endswith("an action of 0.0835 in would fit.")
    assert step_named(sheet, "Frets") is None


@pytest.mark.parametrize("status", ["misfit", "short", "lift"])
def test_no_metal_is_asked_for_before_what_comes_first(status):
    spec, plan = made_plan(**BUSY)
    assert step_named(bench_sheet(spec, plan), "Frets") is not None
    assert step_named(bench_sheet(spec, replace(plan, status=status)), "Frets") is None


def test_new_wire_comes_first_and_is_named():
    spec, plan = made_plan(method="partial-refret", **BUSY)
    sheet = bench_sheet(spec, replace(plan, status="new-wire", replaced_frets=(3, 4, 5, 9)))
    assert str(sheet.steps[0].heading) == "New wire: frets 3 to 5 and 9."
    assert "1.200 mm" in str(sheet.steps[0].sentences[0])
    assert "0.0472 in" in say(sheet.steps[0].sentences[0], "in")
    assert str(sheet.banner.headline) == "New wire is needed in frets 3 to 5 and 9."
    assert any("solvents" in one.topic for one in sheet.cautions)


def test_a_refret_starts_with_the_board():
    spec, plan = made_plan(method="refret", **BUSY)
    method = MethodResult(
        "refret",
        True,
        0.1,
        22,
        22,
        1.1,
        0.1,
        100.0,
        95.0,
        1.0,
        (),
        sentence("planing takes up to {wood:length} off", wood=0.31),
    )
    whole = replace(plan, replaced_frets=tuple(range(1, 23)), methods=(method,))
    sheet = bench_sheet(spec, whole)
    assert str(sheet.steps[0].heading) == "Board and new wire."
    assert "; planing takes up to 0.310 mm off." in str(sheet.steps[0].sentences[1])
    assert "from straight" in str(step_named(sheet, "Truss rod").heading)


def test_a_beam_works_with_the_relief_out():
    spec, plan = made_plan(method="beam", **BUSY)
    told = " ".join(str(one) for one in step_named(bench_sheet(spec, plan), "Frets").sentences)
    assert "the relief out with the rod" in told
    assert "set the rod back" in told


def test_cautions_name_the_pull_of_these_strings_and_defer_to_local_rules():
    spec, plan = made_plan(**BUSY)
    told = {one.topic: str(one.sentence) for one in bench_sheet(spec, plan).cautions}
    pull_n = sum(
        4 * s.linear_density_kg_per_m * (s.speaking_length_mm / 1000 * s.frequency_hz) ** 2
        for s in spec.strings
    )  # T = 4 mu L^2 f^2 (Fletcher & Rossing, ch. 2)
    assert f"{pull_n:.0f} N" in told["Strings under tension"]
    assert "manual" in told["Machines and spindles"]
    assert {"Dust", "Sharp edges", "Truss rod", "Above all"} <= told.keys()


def test_text_from_files_becomes_one_plain_line():
    spec, plan = made_plan(serial="AL\n07\u202e\x00 <b>")
    assert bench_sheet(spec, plan).serial == "AL 07 <b>"
    spec, plan = made_plan(serial=" ")
    assert bench_sheet(spec, plan).serial == "no serial number"


def test_the_sheet_carries_the_code_of_its_plan():
    spec, plan = made_plan()
    assert bench_sheet(spec, plan).code == plan.content_hash[:10].upper()


@pytest.mark.slow
def test_the_example_of_the_face_comes_true():
    result = doctest.testmod(sheet_module)
    assert result.attempted > 0
    assert result.failed == 0


def test_an_outer_string_that_is_not_the_lowest_is_only_on_the_bass_side():
    spec, plan = made_plan(**BUSY)
    last = replace(spec.strings[-1], frequency_hz=2.0 * spec.strings[0].frequency_hz)
    reentrant = replace(spec, strings=(*spec.strings[:-1], last))
    sides = {column.string: column.side for column in bench_sheet(reentrant, plan).columns}
    assert (sides[1], sides[6]) == ("treble", "bass side")


def test_a_sheet_for_a_machine_names_what_can_hurt_at_it():
    for method, words in (
        ("profile", ("Dry run", "interlocks", "hearing", "clamps", "cutters", "manual")),
        ("spot", ("manual",)),
    ):
        spec, plan = made_plan(method=method, relief_change_mm=0.0, saddle_change_mm=0.0)
        told = {one.topic: str(one.sentence) for one in bench_sheet(spec, plan).cautions}
        assert all(word in told["Machines and spindles"] for word in words)
        assert ("Dry run" in told["Machines and spindles"]) == (method == "profile")
