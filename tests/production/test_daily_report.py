"""The report of a day, and signals of frozen charts, each told once."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from evenfall import workshop
from evenfall.cli import main
from evenfall.errors import RequestError
from evenfall.records import Filing
from evenfall.records.queue import Queue
from evenfall.workshop import ChartRequest
from evenfall.workshop.archive_readings import Filed
from evenfall.workshop.archives import Dossiers
from evenfall.workshop.daily_report import DailyReport, ReportRequest, daily_report
from evenfall.workshop.kept_charts import act_on, acts_on, asked_of, chart_name, kept_charts
from evenfall.workshop.kept_lots import lots_of
from evenfall.workshop.lot_keeping import answer_lot
from evenfall.workshop.notices import Looking
from evenfall.workshop.quality import act_on_chart
from evenfall.workshop.signals import signals_of_frozen

STEADY = np.round(0.2 + 0.01 * np.random.default_rng(0).normal(size=30), 4).tolist()


@pytest.fixture
def dossiers(tmp_path: Path) -> Iterator[Dossiers]:
    with workshop.archive(str(tmp_path / "archive"), make=True) as made:
        yield made


def prove(dossiers: Dossiers, reliefs_mm: Sequence[float], day: str, first: int) -> None:
    for number, relief_mm in enumerate(reliefs_mm, start=first):
        facts = {"content_hash": f"{number:064x}", "schema": "evenfall/proof@1"}
        status = "does not conform" if relief_mm > 0.3 else "conforms"
        done = f"{day}T12:{number % 60:02}Z"
        figures = {"specification": "", "relief_mm": relief_mm, "status": status, "done": done}
        opened = Filing("opened", {"subject": "instrument", "name": "Tesquil (invented)"})
        serial = Filing("alias", {"sort": "serial", "value": f"QC-{number:04}"})
        dossiers.archive.file(None, [opened, serial, Filing("proof", {**facts, **figures})])


def said(made: DailyReport) -> dict[str, list[tuple[str, bool]]]:
    return {
        part.title: [(str(line.said), line.alarm) for line in part.lines] for part in made.parts
    }


def test_a_day_counts_its_own_instruments_and_its_own_signals(dossiers: Dossiers) -> None:
    prove(dossiers, STEADY, "2026-03-02", 0)
    prove(dossiers, [0.2, 0.21, 0.34], "2026-03-03", 30)
    quiet = daily_report(dossiers, ReportRequest("2026-03-02"))
    assert quiet.alarms == 0
    assert said(quiet)["What came through"] == [
        ("Tesquil (invented): 30 proved; 30 conform, 0 do not, 0 undecided.", False)
    ]
    loud = daily_report(dossiers, ReportRequest("2026-03-03"))
    assert said(loud)["What came through"] == [
        ("Tesquil (invented): 3 proved; 2 conform, 1 does not, 0 undecided.", True)
    ]
    # what no proof of the model holds is no chart, and no line
    ((signal, alarm),) = said(loud)["Is the process in control?"]
    assert alarm
    assert "1 point of this day signals: QC-0032" in signal
    assert loud.alarms == 2
    nothing = daily_report(dossiers, ReportRequest("2026-03-04"))
    assert said(nothing)["What came through"] == [("Nothing was proved.", False)]
    for day in ("3 March", "2026-02-30", ""):
        with pytest.raises(RequestError, match="is not a day"):
            daily_report(dossiers, ReportRequest(day))


def test_due_gauges_and_lots_stand_in_it(dossiers: Dossiers, tmp_path: Path) -> None:
    for name in ("dial 3 (invented)", "dial 4 (invented)", "dial 5 (invented)"):
        dossiers.add(workshop.AddRequest(subject="gauge", name=name))
    facts = {"date": "2025-03-01"}  # no end is stated
    dossiers.note(workshop.NoteRequest("dial 5 (invented)", "good", facts=facts))
    facts = {"date": "2025-03-01", "valid_until": "2026-03-01"}
    dossiers.note(workshop.NoteRequest("dial 3 (invented)", "good", facts=facts))
    record = tmp_path / "lots.json"
    arguments = "quality lot --pieces 500 --aql 1.0 --found 9 --name L7 --supplier Qen --model T"
    CliRunner().invoke(main, [*arguments.split(), "--record", str(record)])
    lots = (workshop.Source("lots.json", record.read_bytes()),)
    report = daily_report(dossiers, ReportRequest("2026-03-02", lots))
    assert report.invented  # by its gauges: no model is there
    made = said(report)
    assert made["Gauges"] == [
        (
            "dial 3 (invented): the calibration is overdue (valid until 2026-03-01). Have it "
            "calibrated before its readings decide anything more.",
            True,
        ),
        (
            "Of dial 4 (invented) no calibration is filed. Without a calibration nothing says "
            "whether all readings of a gauge are off: use it to compare, from neck to neck or day "
            "to day, and not to say whether a limit is met.",
            True,
        ),
    ]
    assert made["Lots"][0] == ("Qen, T: lot L7 of 500 pieces not accepted.", True)
    assert made["Lots"][1] == ("Qen, T: the next lot is on normal inspection.", False)


def test_a_gauge_that_cannot_judge_what_came_through_stands_in_it(dossiers: Dossiers) -> None:
    dossiers.add(workshop.AddRequest((workshop.Source.invented("tesquil.spec.toml"),)))
    added = dossiers.add(workshop.AddRequest(subject="gauge", name="feeler 2 (invented)"))
    counts = {"parts_count": 10, "persons_count": 2, "trials_count": 2}
    facts = {"quantity": "relief", "method": "crossed", "u_mm": 0.03, **counts}
    dossiers.archive.file(added.line.dossier, [Filing("study", facts)])
    prove(dossiers, [0.2], "2026-03-01", 0)
    lines = said(daily_report(dossiers, ReportRequest("2026-03-01")))["Gauges"]
    (unfit,) = (words for words, _ in lines if "by its study" in words)
    assert "not for relief, action and the first-fret gap of Tesquil (invented)" in unfit
    assert not any("No gauge is due" in words for words, _ in lines)  # nothing says so


@pytest.mark.slow
def test_lots_of_the_archive_stand_in_it_on_their_day(dossiers: Dossiers) -> None:
    for n in range(1, 8):
        asked = workshop.JudgeRequest("Qen", "T", 500, name=f"L-{n}", found=(9,))
        dossiers.judge(replace(asked, done=f"2026-03-{n:02d}"))
    first, last, late = (
        said(daily_report(dossiers, ReportRequest(f"2026-03-{day:02d}")))["Lots"]
        for day in (1, 7, 9)
    )
    assert first[0] == (
        "T from Qen: Lot L-1 is not accepted: 9 nonconforming of 50 looked at.",
        True,
    )
    assert "inspect the next lot by normal inspection" in first[1][0]
    assert len(last) == 2
    assert len(late) == 1
    assert late[0][0].startswith("T from Qen: Take no more lots")
    assert late[0][1]
    lots = lots_of(dossiers.archive, "Qen", "T")
    assert lots is not None
    answer_lot(dossiers, lots, lots.named("L-1"), "accepted", party="Q")
    taken = daily_report(dossiers, ReportRequest("2026-03-01"))
    assert taken.alarms == 0
    assert not any("send it back" in words for words, _ in said(taken)["Lots"])
    none = said(daily_report(dossiers, ReportRequest("2026-02-01")))["Lots"]
    assert none == [("No lot was judged on this day.", False)]


@pytest.mark.slow
def test_a_check_standard_alarms_while_its_newest_readings_do(dossiers: Dossiers) -> None:
    dossiers.add(workshop.AddRequest(subject="gauge", name="dial 3"))
    off_mm = [0.004 * (n * 7 % 5 - 2) for n in range(12)]
    for number, off in enumerate([*off_mm, 0.06, *off_mm], start=1):
        facts = {"standard": "block 1", "reference_mm": 5.0, "read_mm": 5.0 + off}
        done = f"2026-03-{number:02}T08:00Z"
        dossiers.note(workshop.NoteRequest("dial 3", "", facts={**facts, "done": done}))
    loud = "dial 3: block 1 reads otherwise than before. Look for the cause."
    for day, alarm in (("2026-03-12", False), ("2026-03-13", True), ("2026-03-25", False)):
        made = said(daily_report(dossiers, ReportRequest(day)))["Gauges"]
        assert ((loud, True) in made) is alarm, (day, made)


@pytest.mark.slow
def test_charts_with_long_questions_are_told_apart_and_none_is_left_out(
    dossiers: Dossiers,
) -> None:
    prove(dossiers, STEADY, "2026-03-02", 0)
    for batch in ("a", "b"):
        only = {"document": "proof", "batch": "x" * 250 + batch}
        request = ChartRequest(Filed(dossiers.archive), "relief", only)
        name = chart_name("relief", "proof", request)
        assert len(name) <= 200
        fact = {"act": "left out", "point": "1", "at": "", "reason": batch}
        at = "2026-03-02T12:00:00.000000Z"
        asked = asked_of("relief", "proof", request)
        act_on(dossiers.archive, name, {**fact, "at": at, "asked": asked})
        assert [one.reason for one in acts_on(dossiers.archive, name)] == [batch]
    plain = ChartRequest(Filed(dossiers.archive), "relief", {"document": "proof"})
    for number in range(205):
        only = {"model": f"M {number}"}
        request = replace(plain, only=only)
        facts = {**fact, "at": at, "asked": asked_of("relief", "proof", request)}
        act_on(dossiers.archive, chart_name("relief", "proof", request), facts)
    assert len(list(kept_charts(dossiers.archive))) == 207


def test_the_command_writes_paper_and_says_the_same(dossiers: Dossiers, tmp_path: Path) -> None:
    prove(dossiers, [*STEADY, 0.34], "2026-03-02", 0)
    address = str(tmp_path / "archive")
    paper = tmp_path / "day.pdf"
    asked = ["quality", "report", "--archive", address, "--day", "2026-03-02"]
    done = CliRunner().invoke(main, [*asked, "-o", str(paper)])
    assert done.exit_code == 1, done.output
    assert "! Tesquil (invented): 31 proved; 30 conform, 1 does not" in done.output
    assert paper.read_bytes().startswith(b"%PDF")
    values = json.loads(CliRunner().invoke(main, [*asked, "--json"], catch_exceptions=False).output)
    assert values["schema"] == "evenfall/daily-report@0"
    assert values["alarms"] == 2
    assert CliRunner().invoke(main, [*asked, "-o", "day.txt"]).exit_code == 2
    done = CliRunner().invoke(main, ["quality", "report", "--day", "2026-03-02"])
    assert (done.exit_code, "Name the archive with --archive" in done.output) == (2, True)


@pytest.mark.slow
def test_signals_are_those_after_the_limits_were_frozen(dossiers: Dossiers) -> None:
    prove(dossiers, STEADY, "2026-03-02", 0)
    asked = ChartRequest(Filed(dossiers.archive), "relief", {"document": "proof"}, person="Q. U.")
    assert list(signals_of_frozen(dossiers.archive)) == []
    act_on_chart(asked, "frozen", "QC-0029", "runs as it should")
    assert list(signals_of_frozen(dossiers.archive)) == []
    prove(dossiers, [0.34], "2026-03-03", 30)
    told = {(one.rule, one.point) for one in signals_of_frozen(dossiers.archive)}
    assert told == {("outside-limits", "QC-0030")}


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    "asked",
    [
        *("{}", "[]", "null", "no JSON", "[" * 4000),
        '{"quantity": "relief", "only": [], "subgroup": [], "size": 0}',
        '{"quantity": "relief", "only": {}, "subgroup": 1, "size": 0}',
        '{"quantity": "relief", "only": {}, "subgroup": [], "size": Infinity}',
        '{"quantity": "relief", "only": {}, "subgroup": [], "size": -1, "source": 1}',
    ],
)
def test_a_chart_that_a_partner_damaged_spoils_no_report_and_no_notice(
    dossiers: Dossiers, asked: str
) -> None:
    prove(dossiers, STEADY, "2026-03-02", 0)
    opened = Filing("opened", {"subject": "chart", "name": "damaged"})
    at = "2026-03-02T12:00:00.000000Z"
    act = {"act": "frozen", "point": "QC-0029", "at": at, "reason": "so it came", "asked": asked}
    dossiers.archive.file(None, [opened, Filing("on chart", act)])
    assert daily_report(dossiers, ReportRequest("2026-03-02")).alarms == 0
    assert list(signals_of_frozen(dossiers.archive)) == []


@pytest.mark.slow
def test_a_notice_of_a_signal_is_put_once(
    dossiers: Dossiers, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("EVENFALL_NOTICES_WEBHOOK", "https://localhost/hook")
    prove(dossiers, STEADY, "2026-03-02", 0)
    asked = ChartRequest(Filed(dossiers.archive), "relief", {"document": "proof"})
    act_on_chart(asked, "frozen", "QC-0029", "runs as it should")
    prove(dossiers, [0.34], "2026-03-03", 30)
    queue = Queue(dossiers.archive)
    for _ in range(2):
        Looking(dossiers)(queue)
    told = [
        task for task in queue.listed(states=("waiting",)) if "not in control" in str(task.asked)
    ]
    (one,) = told
    assert one.asked["place"] == "/charts?quantity=relief&document=proof"
    assert "QC-0030 signals" in one.asked["text"]
