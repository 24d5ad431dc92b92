"""Readings that have to be taken again, at the doors: shown, and told by the exit status."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from evenfall import workshop
from evenfall.cli import main

INVENTED = resources.files("evenfall") / "invented"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with the invented sheet, as it is and with slips."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "spec.toml").write_bytes((INVENTED / "tesquil.spec.toml").read_bytes())
    good = (INVENTED / "tesquil-before.csv").read_text(encoding="utf-8")
    (tmp_path / "good.csv").write_text(good, encoding="utf-8")
    slipped, turned = [], []
    for line in good.splitlines():
        cells = line.split(",")
        if cells[:3] == ["crown_top", "3", "7"]:
            slipped.append(",".join([*cells[:3], f"{float(cells[3]) + 0.31:.3f}", *cells[4:]]))
        else:
            slipped.append(line)
        if cells[0] in ("crown_top", "nut_slot", "saddle"):
            cells[3] = f"{-float(cells[3]):.3f}"
        turned.append(",".join(cells))
    (tmp_path / "slip.csv").write_text("\n".join(slipped), encoding="utf-8")
    (tmp_path / "negated.csv").write_text("\n".join(turned), encoding="utf-8")
    return tmp_path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


def json_of(*arguments: str) -> Any:
    return json.loads(run(*arguments, "--json").stdout)


def test_measure_shows_what_to_read_again_and_still_writes(folder: Path) -> None:
    done = run("measure", "slip.csv", "--spec", "spec.toml")
    assert done.exit_code == 1
    assert "To be read again before metal comes off:" in done.output
    assert "Fret 7, string 3 stands 0.3" in done.output
    assert "over its own fret. Read it again; if it reads the same" in done.output
    assert 'evenfall plan --accept "lone-crown@7:3=REASON"' in done.output
    assert (folder / "slip.measurement.json").exists()
    inches = run("measure", "slip.csv", "--spec", "spec.toml", "--unit", "in")
    assert "string 3 stands 0.012" in inches.output


def test_measure_of_good_readings_says_what_is_worth_reading_yet(folder: Path) -> None:
    done = run("measure", "good.csv", "--spec", "spec.toml")
    assert done.exit_code == 0, folder
    assert "read again before metal" not in done.output
    assert "Read the first crown once more" in done.output
    assert done.output.count("(crown_again)") == 4


@pytest.mark.slow
def test_hand_checks_are_shown_as_evidence_or_as_a_question(folder: Path) -> None:
    good = (folder / "good.csv").read_text(encoding="utf-8")
    made = json_of("measure", "good.csv", "--spec", "spec.toml")
    nut, *crowns, saddle = made["heights"]["height_mm"][0]
    outcome = workshop.diagnose(
        workshop.DiagnoseRequest(workshop.Source("good.csv"), workshop.Source("spec.toml"))
    )
    action = float(outcome.diagnosis.action_mm[0])
    assert nut < saddle
    for off, agrees in ((0.02, True), (0.4, False)):
        by_hand = round(action + off, 2)
        rows = (
            f"\naction,1,12,{by_hand:.2f},mm,0.03,strung,\ncrown_again,1,1,{crowns[0]},mm,0.004,,"
        )
        (folder / "checked.csv").write_text(good.rstrip() + rows, encoding="utf-8")
        done = run("measure", "checked.csv", "--spec", "spec.toml")
        assert done.exit_code == (0 if agrees else 1)
        said = f"Action of string 1 at fret 12: by hand {by_hand:.3f} mm, by the heights"
        assert ("Checked: " if agrees else " ! ") + said in done.output
        assert "Checked: Crown of fret 1, string 1: read again" in done.output


def test_diagnose_shows_findings_and_what_to_read_again(folder: Path) -> None:
    done = run("diagnose", "slip.csv", "--spec", "spec.toml")
    assert done.exit_code == 1, folder
    assert "Fret 7, string 3 stands 0.3" in done.output
    assert "As found" in done.output
    assert 'evenfall plan --accept "lone-crown@7:3=REASON"' in done.output
    assert run("diagnose", "good.csv", "--spec", "spec.toml").exit_code == 0


def test_json_carries_code_place_and_values(folder: Path) -> None:
    findings = json_of("measure", "slip.csv", "--spec", "spec.toml")["findings"]
    [gate] = [f for f in findings if f["code"] == "lone-crown"]
    assert gate["at"] == {"frets": [7], "strings": [3]}, folder
    assert gate["values"]["size"] == pytest.approx(0.31, abs=0.04)


def test_heights_of_the_wrong_sign_are_asked_for_again(folder: Path) -> None:
    done = run("measure", "negated.csv", "--spec", "spec.toml", "--json")
    assert done.exit_code == 1, folder
    codes = {finding["code"] for finding in json.loads(done.stdout)["findings"]}
    assert {"string-through-crown", "order", "out-of-reason"} <= codes
    told = run("plan", "negated.csv", "--spec", "spec.toml").output
    assert "Set and cut nothing by these readings." in told
    assert "plan holds" not in told  # nothing is foretold by strings in the opposite order
    ahead = {
        finding["code"]
        for finding in json_of("plan", "negated.csv", "--spec", "spec.toml")["findings"]
    }
    assert "holds" not in ahead


# ---- acceptance: from the option to the certificate ----------------------------------------------

ACCEPT = ("--accept", "lone-crown@7:3=a burr; filed off", "--accepted-by", "R. Quand")


def test_a_plan_shows_settings_and_no_cut_until_it_is_read_again(folder: Path) -> None:
    waiting = run("plan", "slip.csv", "--spec", "spec.toml", "-o", "w.plan.json")
    assert waiting.exit_code == 1
    assert "Fret 7, string 3 stands 0.3" in waiting.output
    assert '--accept "lone-crown@7:3=REASON"' in waiting.output
    plan = json.loads((folder / "w.plan.json").read_text(encoding="utf-8"))
    assert [gate["code"] for gate in plan["gates"]] == ["lone-crown"]
    assert plan["accepted"] == []
    assert plan["metal_mm"] == 0.0
    assert plan["replaced_frets"] == []
    assert plan["saddle_height_change_mm"], "settings are shown"


def test_what_is_accepted_is_planned_printed_and_kept(folder: Path) -> None:
    arguments = ("plan", "slip.csv", "--spec", "spec.toml", "-o", "a.plan.json")
    done = run(*arguments, *ACCEPT)
    said = "Accepted by R. Quand: lone-crown at fret 7, string 3. Reason: a burr; filed off"
    assert said in done.output
    assert "Read it again" not in done.output
    plan = json.loads((folder / "a.plan.json").read_text(encoding="utf-8"))
    assert [one["at"] for one in plan["accepted"]] == ["7:3"]
    assert plan["metal_mm"] > 0.0
    assert run("sheet", "a.plan.json", "-o", "s.html").exit_code in (0, 1)
    page = (folder / "s.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert said in page


@pytest.mark.slow
def test_what_was_accepted_for_the_plan_holds_after_the_work(folder: Path) -> None:
    """The same crown, which really stands up, read again after work that left it alone."""
    run("plan", "slip.csv", "--spec", "spec.toml", "-o", "a.plan.json", *ACCEPT)
    proved = run("prove", "a.plan.json", "slip.csv", "--certificate", str(folder / "c.html"))
    said = "Accepted with the plan by R. Quand: lone-crown at fret 7, string 3."
    assert said in proved.output
    assert "over its own fret. Read it again" not in proved.output
    page = (folder / "c.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert said in page
    refused = run("prove", "a.plan.json", "slip.csv", "--accept", "coarse=why")
    assert refused.exit_code == 2
    assert "These readings ask for lone-crown." in refused.output


@pytest.fixture
def worked(folder: Path) -> Path:
    """Return the folder with a plan, and readings after the work with one odd crown."""
    after = (INVENTED / "tesquil-after.csv").read_text(encoding="utf-8")
    lines = []
    for line in after.splitlines():
        cells = line.split(",")
        if cells[:3] == ["crown_top", "3", "7"]:
            cells[3] = f"{float(cells[3]) - 0.36:.3f}"
        lines.append(",".join(cells))
    (folder / "after.csv").write_text("\n".join(lines), encoding="utf-8")
    made = run("plan", "good.csv", "--spec", "spec.toml", "-o", "a.plan.json")
    assert made.exit_code in (0, 1), made.output
    return folder


@pytest.mark.slow
def test_a_certificate_waits_for_what_is_not_accepted(worked: Path) -> None:
    arguments = ("prove", "a.plan.json", "after.csv", "--certificate", "c.html")
    refused = run(*arguments)
    assert refused.exit_code == 1
    assert "Fret 7, string 3 lies 0.3" in refused.output
    assert '--accept "lone-crown@7:3=REASON"' in refused.output
    accepted = run(*arguments, *ACCEPT)
    said = "Accepted by R. Quand: lone-crown at fret 7, string 3. Reason: a burr; filed off"
    assert said in accepted.output
    assert "Read crown top and crown height again" not in accepted.output
    page = (worked / "c.html").read_text(encoding="utf-8")
    assert said in page.replace("\N{NO-BREAK SPACE}", " ")
    stored = json.loads((worked / "after.proof.json").read_text(encoding="utf-8"))
    assert stored["accepted"] == [
        {
            "code": "lone-crown",
            "at": "7:3",
            "reason": "a burr; filed off",
            "person": "R. Quand",
            "with_plan": False,
        }
    ]
    assert [gate["code"] for gate in stored["gates"]] == ["lone-crown"]


@pytest.mark.quick(3)
@pytest.mark.parametrize(
    ("accept", "said"),
    [
        ("lone=why", "not a code"),
        ("lone-crown@99=why", "not on this instrument"),
        ("lone-crown@7:3", "gives no reason"),
        ("arch=why", "Nothing asks for arch"),
        ("lone-crown@8=why", "Nothing asks for lone-crown@8"),
    ],
)
def test_what_cannot_be_accepted_is_one_sentence(worked: Path, accept: str, said: str) -> None:
    before = {path.name for path in worked.iterdir()}
    done = run("prove", "a.plan.json", "after.csv", "--accept", accept)
    assert done.exit_code == 2
    assert said in done.output
    assert done.output.count("\n") == 1
    assert {path.name for path in worked.iterdir()} == before
