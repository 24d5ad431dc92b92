"""Pitch and neck through the command line: measurement, plan, pairs of profiles, bad input."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from evenfall.cli import main
from evenfall.instrument import read_specification, string_lines
from evenfall.levelling import make_plan
from evenfall.measurement import Measurement
from evenfall.neck import default_bow
from evenfall.pictures.neck import neck_curve
from evenfall.workshop.necks import outlook_findings
from made_heights import changed, converted

INVENTED = resources.files("evenfall") / "invented"
SHEET = ("tesquil-before.csv", "--spec", "tesquil.spec.toml")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder with the invented files."""
    for name in ("tesquil.spec.toml", "tesquil-before.csv"):
        (tmp_path / name).write_text((INVENTED / name).read_text(encoding="utf-8"))
    heavier = (tmp_path / "tesquil.spec.toml").read_text(encoding="utf-8")
    heavier = heavier.replace("gauge = 0.254", "gauge = 0.279").replace("Tesquil", "Heavy Tesquil")
    (tmp_path / "heavy.spec.toml").write_text(heavier, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments: str) -> Result:
    """Run one command in this process."""
    return CliRunner().invoke(main, list(arguments))


def json_of(*arguments: str) -> dict[str, Any]:
    """Run one command with --json and return its object."""
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def refusal(*arguments: str) -> str:
    """Run one command that must be refused and return its sentence."""
    result = run(*arguments)
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output
    return str(result.stderr)


def measured(folder: Path) -> dict[str, Any]:
    run("measure", *SHEET, "-o", "m.json")
    values: dict[str, Any] = json.loads((folder / "m.json").read_text(encoding="utf-8"))
    return values


def bowed(folder: Path, name: str, relief_mm: float, *, strung: bool) -> None:
    """Write the same readings with another relief."""
    found = Measurement.from_dict(measured(folder))
    spec = read_specification(found.specification_text)[0]
    frets = default_bow(spec, string_lines(spec)).frets
    other = changed(found, strung=strung, crown_top_mm=found.crown_top_mm + relief_mm * frets)
    (folder / name).write_text(json.dumps(other.as_dict()), encoding="utf-8")


@pytest.mark.slow
def test_pitch_of_a_sheet_a_measurement_and_a_plan(folder: Path) -> None:
    of_sheet = json_of("pitch", *SHEET)
    measured(folder)
    assert json_of("pitch", "m.json")["found"] == of_sheet["found"]
    cents = np.array(of_sheet["found"]["deviation_cents"])
    assert cents.shape == (6, 23)
    assert of_sheet["planned"] is None
    assert of_sheet["change_cents"] is None
    both, alone = of_sheet["compensation"]["strings"], of_sheet["saddle_alone"]["strings"]
    for one, other in zip(both, alone, strict=True):
        assert other["nut_setback_change_mm"] == 0.0
        assert one["rms_after_cents"] <= other["rms_after_cents"] <= one["rms_before_cents"]

    run("plan", "m.json", "-o", "p.json")
    of_plan = json_of("pitch", "p.json")
    assert of_plan["found"] == of_sheet["found"]
    change = np.array(of_plan["change_cents"])
    assert 0.0 < np.abs(change).max() < 3.0
    np.testing.assert_allclose(
        change, np.array(of_plan["planned"]["deviation_cents"]) - cents, atol=1e-9
    )
    # a flat crown ends the string nearer to the saddle: never flatter, and only where it was cut
    edge = np.array(of_plan["uncrowned_cents"]) - np.array(of_plan["planned"]["deviation_cents"])
    plan = json.loads((folder / "p.json").read_text(encoding="utf-8"))
    said = json_of("plan", "m.json")["findings"]
    assert [f["sentence"] for f in said if f["code"] == "pitch"] == [
        f["sentence"] for f in of_plan["findings"] if "plan moves" in f["sentence"]
    ]
    cut = np.array(plan["removal_mm"]) > 1e-9
    assert (edge[:, 1:][cut] > 0.0).all()
    np.testing.assert_allclose(edge[:, 1:][~cut], 0.0, atol=1e-3)


@pytest.mark.slow
def test_pitch_for_people(folder: Path) -> None:
    result = run("pitch", *SHEET, "--pictures", "drawn", "--unit", "in", "--finger", "8")
    assert result.exit_code == 0, result.output
    assert "Cents from equal temperament" in result.output
    assert "[in]" in result.output
    assert {p.name for p in (folder / "drawn").glob("*.png")} == {
        "pitch.png",
        "pitch-saddle-moved.png",
        "pitch-nut-and-saddle-moved.png",
    }


def test_neck_with_other_strings_and_a_season(folder: Path) -> None:
    found = json_of(
        "neck",
        *SHEET,
        "--strings",
        "heavy.spec.toml",
        "--humidity",
        "50",
        "30",
        "--relief-per-turn",
        "0.2",
    )
    assert found["strings"]["name"] == "Heavy Tesquil (invented)"
    assert found["strings"]["tension_after_n"] > found["strings"]["tension_before_n"]
    assert found["strings"]["relief_after_mm"] > found["relief_mm"]
    turns = found["rod"]["turns_count"]
    assert turns == pytest.approx(-found["rod"]["relief_change_mm"] / 0.2)
    assert found["season"]["fret_end_mm"] > 0.0
    assert {f["code"] for f in found["findings"]} >= {"neck", "season"}
    people = run("neck", *SHEET, "--humidity", "50", "30", "--pictures", "drawn")
    assert people.exit_code == 0, people.output
    assert "a usual neck, not measured" in people.output
    assert (folder / "drawn" / "neck-forecast.svg").is_file()


@pytest.mark.slow
def test_neck_after_a_plan_starts_from_the_relief_after_it(folder: Path) -> None:
    run("plan", *SHEET, "-o", "p.json")
    plan = json.loads((folder / "p.json").read_text(encoding="utf-8"))
    found = json_of("neck", "p.json", "--humidity", "45", "35")
    assert found["relief_mm"] == pytest.approx(plan["relief_after_mm"], abs=1e-9)
    assert found["season"]["holds_from_percent"] <= 45.0 <= found["season"]["holds_to_percent"]


@pytest.mark.slow
def test_after_a_plan_the_rod_keeps_the_relief_that_the_plan_was_made_with(folder: Path) -> None:
    """Not the relief that the specification wants: here the rod was to be left alone."""
    run("plan", *SHEET, "--keep", "relief", "-o", "p.json")
    plan = json.loads((folder / "p.json").read_text(encoding="utf-8"))
    assert plan["relief_after_mm"] > 0.3  # the specification wants 0.2
    found = json_of("neck", "p.json", "--relief-per-turn", "0.12")
    assert found["relief_wanted_mm"] == pytest.approx(plan["relief_after_mm"], abs=1e-9)
    assert found["rod"]["turns_count"] == pytest.approx(0.0, abs=1e-6)
    assert "Truss rod: leave" in run("neck", "p.json").output
    swapped = json_of("neck", "p.json", "--strings", "heavy.spec.toml", "--relief-per-turn", "0.12")
    change = swapped["strings"]["relief_change_mm"]
    assert swapped["rod"]["turns_count"] == pytest.approx(change / 0.12, rel=1e-6)


@pytest.mark.slow
def test_a_relief_with_uncertainty_beyond_its_limits_is_undecided(folder: Path) -> None:
    run("plan", *SHEET, "-o", "p.json")
    lines = run("neck", "p.json", "--humidity", "45", "70").output.splitlines()
    rows = [line for line in lines if line.lstrip().startswith("at ")]
    assert [row.split()[-1] for row in rows] == ["inside", "undecided"]


@pytest.mark.slow
def test_a_plan_by_a_measured_turn_says_the_turns(folder: Path) -> None:
    result = run("plan", *SHEET, "--relief-per-turn", "0.12", "-o", "p.json")
    plan = json.loads((folder / "p.json").read_text(encoding="utf-8"))
    turns = -plan["relief_change_mm"] / 0.12
    assert turns > 0.0
    assert f"takes {turns:.2f} ± {0.2 * turns:.2f} turns of the truss rod: tighten" in result.output
    assert "turns" not in run("plan", *SHEET, "-o", "p.json").output


@pytest.mark.slow
def test_strings_cannot_pull_less_than_nothing(folder: Path) -> None:
    """A light set on a plan that would still hold with less pull than none."""
    found = Measurement.from_dict(measured(folder))
    spec = read_specification(found.specification_text)[0]
    plan = make_plan(spec, found)
    pull_n = sum(string.tension_n for string in spec.strings)
    for less_n, said in ((0.9 * pull_n, f"up to {0.9 * pull_n:.0f} N"), (pull_n, "any amount")):
        ahead = replace(plan.outlook, tension_less_n=less_n)
        sentences = outlook_findings(spec, replace(plan, outlook=ahead))
        assert any(
            f"string tension falls by {said} or rises by " in found.sentence for found in sentences
        )


@pytest.mark.slow
def test_a_profile_without_strings_measures_the_neck_and_is_carried(folder: Path) -> None:
    strung = measured(folder)
    bowed(folder, "unstrung.json", -0.4, strung=False)
    found = json_of("neck", "m.json", "--unstrung", "unstrung.json")
    assert found["neck"]["origin"] == "pair"
    tension = found["neck"]["tension_n"]
    assert found["neck"]["relief_mm_per_n"] * tension == pytest.approx(0.4, abs=1e-6)

    # the other way round: told the stiffness, the profile without strings comes back up
    spec = (folder / "tesquil.spec.toml").read_text(encoding="utf-8")
    spec += f"\n[neck]\nrelief_per_100n = {40.0 / tension!r}\n"
    (folder / "told.spec.toml").write_text(spec, encoding="utf-8")
    sheet = (folder / "tesquil-before.csv").read_text(encoding="utf-8")
    (folder / "told.csv").write_text(sheet, encoding="utf-8")
    run("measure", "told.csv", "--spec", "told.spec.toml", "-o", "told.json")
    told = Measurement.from_dict(json.loads((folder / "told.json").read_text(encoding="utf-8")))
    frets = default_bow(
        read_specification(spec)[0], string_lines(read_specification(spec)[0])
    ).frets
    unstrung = changed(told, strung=False, crown_top_mm=told.crown_top_mm - 0.4 * frets)
    (folder / "told-unstrung.json").write_text(json.dumps(unstrung.as_dict()), encoding="utf-8")
    result = run("neck", "told-unstrung.json", "--convert", "carried.json")
    assert result.exit_code == 0, result.output
    carried = Measurement.from_dict(
        json.loads((folder / "carried.json").read_text(encoding="utf-8"))
    )
    assert carried.strung
    # the model's bow leans a little, the readings were bowed evenly
    np.testing.assert_allclose(
        carried.crown_top_mm, Measurement.from_dict(strung).crown_top_mm, atol=0.03
    )
    assert run("diagnose", "carried.json").exit_code == 0


def test_a_known_turn_measures_the_rod(folder: Path) -> None:
    measured(folder)
    bowed(folder, "before.json", 0.3, strung=True)
    found = json_of("neck", "m.json", "--before-turning", "before.json", "1.5")
    assert found["neck"]["turn_mm"] == pytest.approx(0.2, abs=1e-6)
    assert found["rod"]["turns_count"] == pytest.approx(
        -found["rod"]["relief_change_mm"] / 0.2, rel=1e-3
    )


def test_bad_input_is_named(folder: Path) -> None:
    measured(folder)
    bowed(folder, "unstrung.json", -0.4, strung=False)
    bowed(folder, "same.json", 0.0, strung=True)
    bowed(folder, "same-unstrung.json", 0.0, strung=False)
    assert "out of range" in refusal("pitch", "m.json", "--finger", "-3")
    assert "out of range" in refusal("pitch", "m.json", "--finger", "nan")
    assert "not a number" in refusal("neck", "m.json", "--humidity", "50", "damp")
    assert "written over" in refusal("neck", "unstrung.json", "--convert", "unstrung.json")
    assert "humidity" in refusal("neck", "m.json", "--humidity", "50", "120")
    assert "out of range" in refusal("neck", "m.json", "--relief-per-turn", "0")
    assert "not both" in refusal(
        "neck", "m.json", "--relief-per-turn", "1", "--before-turning", "same.json", "1"
    )
    assert "with strings and one without" in refusal("neck", "m.json", "--unstrung", "same.json")
    assert "less than the readings" in refusal("neck", "m.json", "--unstrung", "same-unstrung.json")
    assert "less than the readings" in refusal(
        "neck", "m.json", "--before-turning", "same.json", "1"
    )
    assert "same state" in refusal("neck", "m.json", "--before-turning", "unstrung.json", "1")
    assert "out of range" in refusal("neck", "m.json", "--before-turning", "same.json", "0")
    assert "nothing to convert" in refusal("neck", "m.json", "--convert", "c.json")
    assert not (folder / "c.json").exists()
    other = (folder / "heavy.spec.toml").read_text(encoding="utf-8")
    (folder / "other.toml").write_text(
        other.replace("length = 648.0", "length = 628.0"), encoding="utf-8"
    )
    assert "another neck" in refusal("neck", "m.json", "--strings", "other.toml")
    assert "tesquil.spec.toml" in refusal("neck", "tesquil.spec.toml")
    assert "name the specification" in refusal("pitch", "tesquil-before.csv")
    (folder / "odd.json").write_text('{"schema": "evenfall/proof@1"}', encoding="utf-8")
    assert "not a measurement" in refusal("pitch", "odd.json")


# ---- what was measured of the neck, in diagnosis and plan ----------------------------------------


@pytest.mark.slow
def test_diagnosis_and_plan_for_other_strings(folder: Path) -> None:
    measured(folder)
    neck = json_of("neck", "m.json", "--strings", "heavy.spec.toml")
    more = neck["strings"]["relief_after_mm"] - neck["relief_mm"]
    found = json_of("diagnose", "m.json", "--strings", "heavy.spec.toml")
    plain = json_of("diagnose", "m.json")
    # of the bow alone, without the end that falls away, which the neck's own page counts in
    assert found["relief_mm"] - plain["relief_mm"] == pytest.approx(more, abs=0.005)
    assert more > 0.005
    said = [f["sentence"] for f in found["findings"]]
    assert any("Heavy Tesquil" in s and "relief becomes" in s for s in said)
    result = run("plan", "m.json", "--strings", "heavy.spec.toml", "-o", "heavy.plan.json")
    assert result.exit_code == 0, result.output
    assert "relief becomes" in result.output
    plan = json.loads((folder / "heavy.plan.json").read_text(encoding="utf-8"))
    assert plan["measurement"]["model"] == "Heavy Tesquil (invented)"
    assert plan["relief_before_mm"] == pytest.approx(found["relief_mm"], abs=1e-9)
    assert run("sheet", "heavy.plan.json").exit_code == 0


@pytest.mark.slow
def test_a_measured_neck_feeds_the_plan_and_its_sheet(folder: Path) -> None:
    measured(folder)
    bowed(folder, "before.json", 0.3, strung=True)
    bowed(folder, "unstrung.json", -0.4, strung=False)
    default = json_of("plan", "m.json")
    made = run(
        "plan",
        "m.json",
        "--before-turning",
        "before.json",
        "1.5",
        "--unstrung",
        "unstrung.json",
        "-o",
        "p.json",
    )
    assert made.exit_code == 0, made.output
    assert "On the measured neck the plan still holds" in made.output
    plan = json.loads((folder / "p.json").read_text(encoding="utf-8"))
    outlook = plan["outlook"]
    assert outlook["stiffness"] == "pair"
    assert default["outlook"]["rod_turns_count"] is None
    assert outlook["rod_turns_count"] == pytest.approx(-plan["relief_change_mm"] / 0.2, rel=1e-3)
    # a measured neck is known better: it certainly holds over more than one that is guessed at
    span = [o["tension_less_n"] + o["tension_more_n"] for o in (outlook, default["outlook"])]
    per_n = 0.4 / json_of("neck", "m.json")["neck"]["tension_n"]
    room = outlook["relief_high_mm"] - outlook["relief_low_mm"]
    assert span[0] == pytest.approx(room / per_n, rel=0.02)
    assert run("sheet", "p.json", "-o", "sheet.html").exit_code == 0
    page = (folder / "sheet.html").read_text(encoding="utf-8")
    assert f"{abs(outlook['rod_turns_count']):.2f} turns ± " in page


@pytest.mark.slow
def test_readings_without_strings_are_diagnosed_and_planned_at_tension(folder: Path) -> None:
    measured(folder)
    bowed(folder, "unstrung.json", -0.1, strung=False)
    forecast = json_of("neck", "unstrung.json")
    found = json_of("diagnose", "unstrung.json")
    assert found["relief_mm"] == pytest.approx(forecast["relief_mm"], abs=0.05)
    assert any("unstrung" in f["sentence"] for f in found["findings"])
    plan = json_of("plan", "unstrung.json")
    assert plan["relief_before_mm"] == pytest.approx(found["relief_mm"], abs=1e-9)
    assert plan["measurement"]["strung"]
    assert any("converted to" in route["sentence"] for route in plan["measurement"]["routes"])


def test_what_does_not_go_together_is_refused_by_the_plan(folder: Path) -> None:
    measured(folder)
    bowed(folder, "unstrung.json", -0.4, strung=False)
    assert "written over" in refusal(
        "plan", "m.json", "--unstrung", "unstrung.json", "-o", "unstrung.json"
    )
    assert "not both" in refusal(
        "plan", "m.json", "--relief-per-turn", "1", "--before-turning", "unstrung.json", "1"
    )
    assert "with strings and one without" in refusal("diagnose", "m.json", "--unstrung", "m.json")
    spec = (folder / "tesquil.spec.toml").read_text(encoding="utf-8")
    (folder / "other.toml").write_text(spec.replace("length = 648.0", "length = 628.0"))
    assert "another neck" in refusal("plan", "m.json", "--strings", "other.toml")
    assert not list(folder.glob("*.plan.json"))


def test_the_neck_curve_counts_the_uncertainty_of_carried_readings(folder: Path) -> None:
    found = Measurement.from_dict(measured(folder))
    spec = read_specification(found.specification_text)[0]
    assert "0.388 ± 0.056 mm" in neck_curve(spec, found)  # most of it what the line leaves open
    assert "0.388 ± 0.059 mm" in neck_curve(  # and twice the 0.01 carried, as a root of squares
        spec, converted(found, default_bow(spec, string_lines(spec)).frets, 0.01)
    )


@pytest.mark.slow
def test_a_plan_or_a_measurement_of_another_specification_is_refused(folder: Path) -> None:
    """A specification beside a file that holds its own is either that one, or a mistake."""
    measured(folder)
    assert run("plan", "m.json", "-o", "p.json").exit_code == 0
    text = (folder / "tesquil.spec.toml").read_text(encoding="utf-8")
    (folder / "other.toml").write_text(text.replace("treble = 1.5", "treble = 1.6", 1))
    for name, what in (("m.json", "measurement"), ("p.json", "plan")):
        assert run("pitch", name, "--spec", "tesquil.spec.toml").exit_code in {0, 1}
        refused = run("pitch", name, "--spec", "other.toml")
        assert refused.exit_code == 2
        assert f"The {what} was made with another specification" in refused.stderr
