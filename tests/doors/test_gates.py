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
    assert "over its own fret. Read it again; if it is so" in done.output
    assert (folder / "slip.measurement.json").exists()
    inches = run("measure", "slip.csv", "--spec", "spec.toml", "--unit", "in")
    assert "string 3 stands 0.012" in inches.output


def test_measure_of_good_readings_says_what_is_worth_reading_yet(folder: Path) -> None:
    done = run("measure", "good.csv", "--spec", "spec.toml")
    assert done.exit_code == 0, folder
    assert "read again before metal" not in done.output
    assert "Read the first crown once more" in done.output
    assert done.output.count("(crown_again)") == 4


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
