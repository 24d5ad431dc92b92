"""What the page of the twelve necks says of each sheet is what the sheet says."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from evenfall.levelling import make_plan
from evenfall.wording import say
from evenfall.work import BenchSheet, bench_sheet
from evenfall.work.notes import notes
from evenfall.workshop import PlanRequest, Source
from evenfall.workshop import plan as plan_of
from necks.kinds import table
from necks.told import TOLD

PAGE = Path(__file__).resolve().parents[2] / "docs" / "studies" / "twelve-necks.md"
ROWS = [
    [cell.strip() for cell in line.strip("|").split("|")]
    for line in PAGE.read_text(encoding="utf-8").splitlines()
    if line.startswith("| ") and not line.startswith(("| Neck", "| ---"))
]


def sheet_of(name: str) -> BenchSheet:
    told = TOLD[name]
    specification = told.truth.specification
    plan = make_plan(specification, told.measurement(), excursion=table(specification))
    return bench_sheet(specification, plan)


def all_said(sheet: BenchSheet) -> str:
    """Return every sentence of a sheet but those of its tables."""
    steps = (*sheet.steps, sheet.after, *sheet.preview)
    notes = [said for note in sheet.notes for said in note.sentences]
    told = [said for step in steps for said in (step.heading, *step.sentences)]
    return " ".join(say(said) for said in (*sheet.banner.sentences, *notes, *told))


def test_the_page_has_every_neck() -> None:
    assert len(ROWS) == len(TOLD) == 12


@pytest.mark.quick(1)
@pytest.mark.parametrize("number", range(12))
def test_the_page_begins_with_the_headline_of_the_sheet(number: int) -> None:
    sheet = sheet_of(list(TOLD)[number])
    headline = say(sheet.banner.headline)
    words = ROWS[number][1].split(":")[0].split(",")[0]
    assert headline.startswith(words), headline


@pytest.mark.slow
def test_what_the_answers_promise_is_on_the_sheets() -> None:
    said = {
        "high action": ("Not every limit can be met", "A neck reset by"),
        "back-bow": ("damp or dry air",),
        "low nut slot": ("only a higher slot cures that", "under the line through the other"),
        "one high fret": ("First press and tap the fret",),
        "after a refret": ("First press and tap the fret",),
        "low on the bass side": ("whether saddle and bridge stand level",),
        "everything adrift": ("With the rod set, the action of strings",),
        "worn first frets": (
            "Fret 1 lies up to 0.163 mm under the level line at strings 1 to 6: worn or low.",
            "the nut is right: do not file it",
        ),
    }
    for name, texts in said.items():
        words = all_said(sheet_of(name))
        for text in texts:
            assert text in words, (name, words)


@pytest.mark.parametrize("name", ["low nut slot", "strings numbered from the bass"])
def test_what_rests_on_readings_to_be_taken_again_is_not_told(name: str) -> None:
    sheet = sheet_of(name)
    topics = {note.topic for note in sheet.notes}
    assert "Read again" in topics
    assert not topics & {"Not certain", "Reasons", "Set with care"}
    assert sheet.steps == ()
    assert sheet.cautions == ()


def test_of_strings_read_the_wrong_way_round_nothing_that_follows_is_told() -> None:
    """Neither orders nor figures rest on readings that the sheet itself refuses."""
    sheet = sheet_of("strings numbered from the bass")
    assert {note.topic for note in sheet.notes} == {"Read again", "Checks by hand"}
    assert sheet.preview == ()
    assert sheet.banner.sentences == ()
    assert "slot" not in all_said(sheet)


def test_of_one_slot_to_be_read_again_the_cure_is_told_under_a_condition() -> None:
    sheet = sheet_of("low nut slot")
    (note,) = (note for note in sheet.notes if note.topic == "If the readings stand")
    assert "fill the slot" in say(note.sentences[0])


def marked(sheet: BenchSheet) -> list[tuple[str, int]]:
    """Return the rows and strings that the last table of a sheet marks as outside their limits."""
    return [
        (say(row.label), column.string)
        for row in sheet.after.rows
        for column, cell in zip(sheet.columns, row.cells, strict=bool(row.cells))
        if cell.outside
    ]


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", list(TOLD))
def test_no_mark_stands_without_a_reason(name: str) -> None:
    sheet = sheet_of(name)
    if sheet.banner.tone == "stop":
        return  # as first read: what is to be read again is named
    reasons = " ".join(
        say(said)
        for note in sheet.notes
        if note.topic in ("Limits not met", "Gaps")
        for said in note.sentences
    )
    reasons += " ".join(say(said) for said in sheet.after.sentences)
    for label, string in marked(sheet):
        what = label.split(",")[0]
        pattern = rf"{what} of strings? ([0-9 ,toand]+) (?:is|stays)"
        named = {
            number
            for found in re.findall(pattern, reasons)
            for first, last in re.findall(r"(\d+)(?: to (\d+))?", found)
            for number in range(int(first), int(last or first) + 1)
        }
        assert string in named, (what, string, reasons)
    for target in sheet.after.targets:
        if target.limits is not None and say(target.limits).startswith("!"):
            assert "Relief is" in reasons


def test_worn_first_frets_mark_no_gap_and_others_do() -> None:
    assert marked(sheet_of("worn first frets")) == []
    assert marked(sheet_of("back-bow")) == [("First-fret gap", 4)]
    assert len(marked(sheet_of("high action"))) == 6


def test_a_slot_that_is_filed_is_not_said_to_be_right() -> None:
    """Where the gap over the level line is off as well, the sentence about the nut ends."""
    specification = TOLD["worn first frets"].truth.specification
    plan = make_plan(
        specification, TOLD["worn first frets"].measurement(), excursion=table(specification)
    )
    told = " ".join(say(said) for note in notes(specification, plan) for said in note.sentences)
    assert "do not file it" in told
    filed = replace(plan, nut_after_mm=plan.nut_after_mm - 0.1)
    told = " ".join(say(said) for note in notes(specification, filed) for said in note.sentences)
    assert "worn or low" in told
    assert "do not file it" not in told


def test_an_action_that_is_out_of_limits_anyway_gives_no_room() -> None:
    """No sheet says how far a saddle may still come down whose action stays too high."""
    told = all_said(sheet_of("high action"))
    assert "before the action of" not in told
    assert "end the action of" not in told


def test_a_sheet_says_which_relief_a_gap_stands_for() -> None:
    assert "The planned gap is a relief of 0.200 mm." in all_said(sheet_of("back-bow"))
    # both are the same to 0.005
    assert "is a relief of" not in all_said(sheet_of("hump at the joint"))


def test_what_breaks_is_said_of_the_end_where_it_does() -> None:
    told = all_said(sheet_of("back-bow"))
    assert (
        "more than planned; beyond the nearer of the two the action of string 4 is out of limits"
        in told
    )


@pytest.mark.quick(2)
@pytest.mark.parametrize("name", list(TOLD))
def test_no_sheet_shows_a_cut_under_the_smallest(name: str) -> None:
    told = TOLD[name]
    specification = told.truth.specification
    plan = make_plan(specification, told.measurement(), excursion=table(specification))
    sheet = bench_sheet(specification, plan)
    shown = [
        cell.length_mm
        for step in (*sheet.steps, *sheet.preview)
        if say(step.heading).startswith("Frets:")
        for row in step.rows
        for cell in row.cells
        if cell.length_mm is not None
    ]
    assert bool(shown) == bool(plan.metal_mm)
    assert all(length_mm >= plan.smallest_cut_mm - 1e-9 for length_mm in shown)


@pytest.mark.slow
def test_the_second_sheet_cuts_what_the_first_only_shows() -> None:
    """The demonstration: rod and saddle, a second reading, then the frets."""
    spec = Source.invented("tesquil.spec.toml")
    sheets = []
    for name, settled in (("tesquil-before.csv", False), ("tesquil-settled.csv", True)):
        request = PlanRequest(Source.invented(name), spec, settled=settled)
        made = plan_of(request)
        sheets.append(bench_sheet(made.specification, made.plan))
    first, second = ([say(step.heading) for step in sheet.steps] for sheet in sheets)
    assert [words.split(":")[0] for words in first] == ["Truss rod", "Saddle"]
    assert any(say(step.heading).startswith("Frets:") for step in sheets[0].preview)
    assert [words.split(",")[0].split(":")[0] for words in second] == ["Rocker", "Frets"]
    assert sheets[1].preview == ()
    assert "Sharp edges" not in {one.topic for one in sheets[0].cautions}
    assert "Sharp edges" in {one.topic for one in sheets[1].cautions}
