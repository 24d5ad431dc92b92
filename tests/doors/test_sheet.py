"""The terminal says what a sheet asks for, what it waits for, and what can hurt."""

from __future__ import annotations

import json
from contextlib import redirect_stdout
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest
from click.testing import CliRunner

from evenfall.cli import main
from evenfall.cli.plan_report import show_plan
from evenfall.cli.reports import Lengths
from evenfall.errors import At, Finding
from evenfall.workshop.planning import PlanOutcome
from work.made_plans import made_plan

GATE = Finding("not-seated", "Fret 7 stands {over:length} high.", At(frets=(7,)), over=0.31)


@pytest.fixture
def plan_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.chdir(tmp_path)
    _, plan = made_plan(need_mm=0.12)
    Path("neck.plan.json").write_text(
        json.dumps(replace(plan, status="read-again", gates=(GATE,)).as_dict())
    )
    return "neck.plan.json"


def test_what_the_sheet_waits_for_is_said(plan_file: str) -> None:
    told = CliRunner().invoke(main, ["sheet", plan_file])
    assert told.exit_code == 0
    lines = told.stdout.splitlines()
    assert lines[0] == "Readings have to be taken again before any metal comes off."
    assert lines[1] == " ! Read again. Fret 7 stands 0.310 mm high."
    assert lines[-2:] == ["Wrote neck.sheet.pdf", "Wrote neck.sheet.html"]
    assert "0.0122 in high" in CliRunner().invoke(main, ["sheet", plan_file, "--unit", "in"]).stdout


def test_the_same_as_json(plan_file: str) -> None:
    made = json.loads(CliRunner().invoke(main, ["sheet", plan_file, "--json"]).stdout)
    assert made["files"] == ["neck.sheet.pdf", "neck.sheet.html"]
    assert made["headline"]["sentence"].startswith("Readings have to be taken again")
    (note,) = [note for note in made["notes"] if note["waits"]]
    assert note["topic"] == "Read again"
    assert note["sentences"][0]["sentence"] == "Fret 7 stands 0.310 mm high."


@pytest.mark.slow
def test_a_sheet_that_waits_shows_no_picture_of_a_cut(plan_file: str) -> None:
    assert CliRunner().invoke(main, ["sheet", plan_file]).exit_code == 0
    page = Path("neck.sheet.html").read_text(encoding="utf-8")
    assert "buzz force as found" in page
    assert "metal to remove (mm" not in page


def test_the_terminal_gives_the_cautions_of_the_work_that_a_plan_asks_for() -> None:
    spec, plan = made_plan(need_mm=0.12)
    lengths = Lengths.asked(None, "mm")
    for status, part, dust in (("cut", "whole", True), ("settings", "settings", False)):
        made = PlanOutcome(spec, (), replace(plan, status=status, part=part), None, ())
        with StringIO() as told, redirect_stdout(told):
            show_plan(made, lengths)
            lines = told.getvalue().splitlines()
        assert any(line.startswith("Strings under tension: 6 strings pull") for line in lines)
        assert any(line.startswith("Sharp edges: ") for line in lines) == dust
        assert lines[-1].startswith("-> ")
