"""Whole jobs through the command line, as other programs and people run it."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from doors.attacks import sealed
from evenfall.cli import main
from evenfall.levelling import make_plan
from evenfall.workshop.outputs import json_file
from levelling.necks import Wishes, readings, specification, table

INVENTED = resources.files("evenfall") / "invented"
NAMES = (
    *("tesquil.spec.toml", "tesquil-before.csv"),
    *("tesquil-settled.csv", "tesquil-after.csv"),
)
SECOND = ("plan", "tesquil-settled.csv", "--spec", "tesquil.spec.toml", "--settled")
"""The plan by the readings with rod and saddle set: what comes off the frets."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder with the invented files."""
    for name in NAMES:
        (tmp_path / name).write_text((INVENTED / name).read_text(encoding="utf-8"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments: str) -> Result:
    """Run one command in this process."""
    return CliRunner().invoke(main, list(arguments))


def json_of(*arguments: str, status: int = 0) -> dict[str, Any]:
    """Run one command with --json and return its object."""
    result = run(*arguments, "--json")
    assert result.exit_code == status, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


@cache
def made_by(command: str) -> str:
    """Return what a command makes of the readings before the work, for all who ask."""
    result = run(command, "tesquil-before.csv", "--spec", "tesquil.spec.toml", "--json")
    assert result.exit_code == 0, result.output
    return result.stdout


def files(folder: Path) -> set[str]:
    """Return what lies in a folder."""
    return {p.name for p in folder.iterdir()}


def test_the_whole_job_by_files(folder: Path) -> None:
    """Each command's file is the next one's input, and the readings after the work conform."""
    assert run("spec", "check", "tesquil.spec.toml").exit_code == 0
    steps = (
        ("measure", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "--serial", "UY-0417"),
        ("diagnose", "tesquil-before.measurement.json"),
        ("plan", "tesquil-before.measurement.json"),
        ("sheet", "tesquil-before.plan.json"),
        (*SECOND, "--serial", "UY-0417"),
        ("sheet", "tesquil-settled.plan.json"),
        ("prove", "tesquil-settled.plan.json", "tesquil-after.csv", "--date", "2026-03-31"),
    )
    for step in steps:
        result = run(*step)
        assert result.exit_code == 0, result.output
    assert files(folder) - set(NAMES) == {
        "tesquil-before.measurement.json",
        "tesquil-before.plan.json",
        "tesquil-before.sheet.pdf",
        "tesquil-before.sheet.html",
        "tesquil-settled.plan.json",
        "tesquil-settled.sheet.pdf",
        "tesquil-settled.sheet.html",
        "tesquil-after.proof.json",
        "tesquil-after.certificate.pdf",
    }
    assert (folder / "tesquil-before.sheet.pdf").read_bytes().startswith(b"%PDF-")
    assert "CONFORMS" in result.output


@pytest.mark.slow
def test_a_second_proof_leaves_the_first_alone(folder: Path) -> None:
    """Proof and certificate are named after the readings they judge."""
    plan = "tesquil-settled.plan.json"
    assert run(*SECOND, "-o", plan).exit_code == 0
    assert run("prove", plan, "tesquil-after.csv").exit_code == 0
    first = (folder / "tesquil-after.proof.json").read_bytes()
    assert run("prove", plan, "tesquil-before.csv").exit_code == 1
    assert (folder / "tesquil-after.proof.json").read_bytes() == first
    ends = {name for name in files(folder) if "proof" in name or "certificate" in name}
    assert ends == {
        f"tesquil-{when}.{what}"
        for when in ("after", "before")
        for what in ("proof.json", "certificate.pdf")
    }


@pytest.mark.slow
def test_prices_follow_the_unit_that_is_asked_for(folder: Path) -> None:
    """A lighter attack at which fewer frets are worse than they may be saves metal."""
    plan = ("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "-o", "a.json")
    metric, inch = run(*plan, "--attack", "0.5"), run(*plan, "--attack", "0.5", "--unit", "in")
    for output, unit in ((metric.output, "mm"), (inch.output, "in")):
        (told,) = re.findall(r"Metal ([\d.]+) (mm|in)", output)
        assert told[1] == unit
        for saved, of in re.findall(r"would save ([\d.]+) (mm|in) of metal", output):
            assert of == unit
            assert float(saved) <= float(told[0])


def test_plan_json_keeps_the_contract(folder: Path) -> None:
    """The keys that other programs rely on are there, with one entry per fret or position."""
    plan = json_of("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml")
    assert (plan["status"], plan["part"]) == ("settings", "settings")
    contract = {"metal_mm", "method", "relief_change_mm", "lowest_crown_mm", "binding"}
    contract |= {"reasons", "left_out", "misses", "rocker", "undecided", "gates", "accepted"}
    assert contract | {"methods"} <= set(plan)
    for key in ("removal_mm", "crown_top_after_mm", "buzz_force_before_n", "buzz_force_after_n"):
        assert np.array(plan[key]).shape == (6, 22)
    for key in ("saddle_after_mm", "nut_after_mm"):
        assert np.array(plan[key]).shape == (6,)
    assert np.sum(plan["removal_mm"]) == pytest.approx(plan["metal_mm"], abs=1e-9)
    for limit in plan["binding"]:
        assert {"limit", "strings", "stopped_fret", "fret"} <= set(limit)


def test_the_reported_heights_clear_by_plain_geometry(folder: Path) -> None:
    """With nothing but the plan's JSON and 12-tone equal temperament the strings clear at rest."""
    plan = json_of("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml")
    setback = (1.6, 1.9, 2.3, 1.4, 2.0, 2.8)  # of tesquil.spec.toml
    station = 648.0 * (1.0 - 2.0 ** (-np.arange(23) / 12.0))
    for k, back in enumerate(setback):
        z = np.array([plan["nut_after_mm"][k], *plan["crown_top_after_mm"][k]])
        bridge = 648.0 + back
        for stop in range(22):
            share = (station[stop + 1 :] - station[stop]) / (bridge - station[stop])
            underside = (1.0 - share) * z[stop] + share * plan["saddle_after_mm"][k]
            assert (underside - z[stop + 1 :]).min() > 0.02  # the rule's extra clearance


@pytest.mark.slow
def test_json_of_measure_is_a_measurement(folder: Path) -> None:
    """What `measure --json` prints can be saved and planned from."""
    measurement = json_of("measure", "tesquil-before.csv", "--spec", "tesquil.spec.toml")
    (folder / "saved.json").write_text(json.dumps(measurement))
    from_sheet = json_of("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml")
    assert json_of("plan", "saved.json")["removal_mm"] == from_sheet["removal_mm"]


def test_diagnosis_names_the_faults_that_were_built_in(folder: Path) -> None:
    """The invented neck has too much relief and action, and high frets at 11 and 16."""
    diagnosis = json_of("diagnose", "tesquil-before.csv", "--spec", "tesquil.spec.toml")
    codes = {f["code"] for f in diagnosis["findings"]}
    assert {"buzzes", "relief", "action", "high-fret", "cure"} <= codes
    named = " ".join(f["sentence"] for f in diagnosis["findings"] if f["code"] == "high-fret")
    assert "Fret 11 stands" in named
    assert "Fret 16 stands" in named
    # over frets 5, 11 and 16, and over 16 from 15, which lies low
    assert diagnosis["failing"] == sum(s["state_before"].count(3) for s in diagnosis["strings"])
    assert diagnosis["failing"] > 0
    assert {11, 16} <= {one["fret"] for one in diagnosis["standing_out"] if one["size_mm"] > 0.0}
    assert not diagnosis["adjusting_cures"]


def test_readings_before_the_work_do_not_pass_on_a_small_neck(folder: Path) -> None:
    """Proved by the very readings that it was planned from, a high fret still stands high."""
    spec = specification(Wishes(frets=8, attack=0.3))
    found = readings(spec, noise_mm=0.0, high={5: 0.12})
    plan = make_plan(spec, found, excursion=table(spec))
    assert plan.removal_mm[:, 4].any()
    for made, name in ((plan, "p.json"), (found, "m.json")):
        (folder / name).write_bytes(json_file(made.as_dict()))
    proof = json_of("prove", "p.json", "m.json", status=1)
    assert proof["verdict"] == "does not conform"
    assert proof["plan_hash"] == plan.content_hash
    assert files(folder) == {*NAMES, "p.json", "m.json"}


@pytest.mark.slow
def test_readings_before_the_work_do_not_pass_for_after(folder: Path) -> None:
    """The verdict on unworked frets is not 'conforms', and the exit status says so."""
    run("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "-o", "p.json")
    proof = json_of("prove", "p.json", "tesquil-before.csv", status=1)
    assert proof["verdict"] == "does not conform"
    assert {"name", "value", "expanded_uncertainty", "limit", "verdict", "probability"} <= set(
        proof["items"][0]
    )
    assert proof["next_steps"]
    assert files(folder) == {*NAMES, "p.json"}, "with --json only what -o names is written"


@pytest.mark.slow
def test_template_is_read_back_once_filled(folder: Path) -> None:
    """The empty sheet, filled with the readings, gives the same plan as the readings."""
    assert run("measure", "--template", "tesquil.spec.toml", "-o", "empty.csv").exit_code == 0
    values = {}
    for line in (folder / "tesquil-before.csv").read_text().splitlines():
        cells = line.split(",")
        if len(cells) > 3 and not line.startswith("#"):
            values[cells[0], cells[1], cells[2]] = cells[3], cells[5]
    filled = []
    for line in (folder / "empty.csv").read_text(encoding="utf-8-sig").splitlines():
        cells = line.split(",")
        key = (*cells[:2], *cells[3:4])
        if not line.startswith("#") and key in values and cells[0] != "quantity":
            cells[4], cells[6] = values[key]
        filled.append(",".join(cells))
    (folder / "filled.csv").write_text("\n".join(filled), encoding="utf-8")
    plain = json_of("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml")
    again = json_of("plan", "filled.csv", "--spec", "tesquil.spec.toml")
    assert again["removal_mm"] == plain["removal_mm"]


@pytest.mark.slow
def test_the_same_readings_in_inches_give_the_same_plan(folder: Path) -> None:
    """Unit slips cannot come from the program: inch readings move no removal by a micrometre."""
    rows = []
    for line in (folder / "tesquil-before.csv").read_text().splitlines():
        cells = line.split(",")
        if len(cells) > 3 and cells[0] != "quantity" and not line.startswith("#"):
            cells[3], cells[5] = f"{float(cells[3]) / 25.4:.9f}", f"{float(cells[5]) / 25.4:.9f}"
            cells[4] = "in"
        rows.append(",".join(cells))
    (folder / "inch.csv").write_text("\n".join(rows))
    metric = json_of("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml")
    inch = json_of("plan", "inch.csv", "--spec", "tesquil.spec.toml")
    np.testing.assert_allclose(metric["removal_mm"], inch["removal_mm"], atol=1e-3)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("plan", "missing.json"), "no such file"),
        (("plan", "tesquil-before.csv"), "--spec"),
        (("plan", "tesquil.spec.toml", "--spec", "tesquil.spec.toml"), ""),
        (("measure", "tesquil-before.csv"), "--spec"),
        (("measure",), "at least one file"),
        (("measure", "--template", "tesquil-before.csv"), "TOML"),
        (("measure", "a.csv", "--template", "tesquil.spec.toml"), "no readings"),
        (("spec", "check", "tesquil-before.csv"), "TOML"),
        (("sheet", "tesquil-before.csv"), "JSON"),
        (("sheet", "missing.json"), "no such file"),
        (("prove", "missing.json", "tesquil-after.csv"), "no such file"),
        (("diagnose", "."), "folder"),
        (("nonsense",), "No such command"),
    ],
)
def test_bad_input_is_one_sentence_and_status_2(
    folder: Path, arguments: tuple[str, ...], says: str
) -> None:
    """Every refusal reads as a sentence, as JSON too, and leaves nothing behind."""
    before = files(folder)
    plain = run(*arguments)
    assert plain.exit_code == 2
    assert says.lower() in plain.stderr.lower()
    assert "Traceback" not in plain.output
    error = json.loads(run(*arguments, "--json").stdout)["error"]
    assert set(error) == {"code", "at", "text", "values", "sentence", "findings"}
    assert error["sentence"].rstrip().endswith((".", "?"))
    assert files(folder) == before


LONG = "x" * 5_000


@pytest.mark.parametrize(
    "arguments",
    [
        (LONG,),
        ("plan", LONG),
        ("plan", f"a \x1b[31m\n{LONG}"),
        ("plan", "tesquil-before.csv", LONG),
        ("plan", "tesquil-before.csv", f"--{LONG}"),
        ("plan", "tesquil-before.csv", "--unit", LONG),
        ("plan", "tesquil-before.csv", "--method", LONG, "--spec", "tesquil.spec.toml"),
        ("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "-o", LONG),
        ("play", "tesquil-before.csv", "--note", LONG),
        ("measure", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "--step", LONG, "1"),
        ("measure", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "--serial", LONG),
        ("spec", "new", "electric", "-o", LONG),
        ("archive", "find", "--archive", LONG),
        ("archive", "restore", LONG, "--archive", "new"),
        ("quality", "lot", "--pieces", "50", "--aql", "1", "--record", LONG),
        ("demo", LONG),
    ],
)
def test_what_is_long_or_unprintable_is_not_echoed_whole(
    folder: Path, arguments: tuple[str, ...]
) -> None:
    before = files(folder)
    told = run(*arguments)
    assert told.exit_code == 2
    (sentence,) = [row for row in told.stderr.splitlines() if not row.endswith(" ...")]
    assert len(sentence) < 500
    assert sentence.isprintable()
    assert files(folder) == before


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sent", "at_file"), [(signal.SIGTERM, 1), (signal.SIGINT, 2), (signal.SIGTERM, 5)]
)
def test_a_command_that_is_stopped_while_it_writes_leaves_nothing(
    folder: Path, monkeypatch: pytest.MonkeyPatch, sent: signal.Signals, at_file: int
) -> None:
    job = ("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "-o", "new.json")
    assert run(*job).exit_code == 0
    before, kept, replace, count = files(folder), Path("new.json").read_bytes(), os.replace, 0

    def interrupted(source: str, target: str) -> None:
        nonlocal count
        count += 1
        replace(source, target)
        if count == at_file:
            os.kill(os.getpid(), sent)

    monkeypatch.setattr("evenfall.files.os.replace", interrupted)
    told = run(*job, "--attack", "0.3", "--pictures", "new")
    assert count >= at_file
    assert told.exit_code == 130
    assert told.stderr.splitlines()[-1] == "Stopped; nothing was written."
    assert files(folder) == before
    assert Path("new.json").read_bytes() == kept
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL


def test_a_working_folder_that_was_removed_is_a_sentence(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    code = (
        "import os, sys; os.rmdir(os.getcwd()); from evenfall.__main__ import main;"
        "sys.argv = ['evenfall', 'demo', 'new']; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=gone, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stderr == "evenfall: The working folder is no longer there; change to another.\n"


@pytest.mark.parametrize(
    "options",
    [
        ("--method", "magic"),
        ("--attack", "-1"),
        ("--attack", "nan"),
        ("--attack", "lots"),
        ("--budget", "-0.1"),
        ("--budget", "inf"),
        ("--keep", "strings"),
        ("--attack", "1_0"),
        ("--attack", "٣"),
        ("-o", "no/such/folder/plan.json"),
        ("-o", "-"),
        ("--pictures", ""),
    ],
)
def test_bad_options_of_plan(folder: Path, options: tuple[str, ...]) -> None:
    """A bad option is refused in words, and no plan is written."""
    before = files(folder)
    result = run("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml", *options)
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert len(result.stderr.strip().splitlines()) == 1
    assert files(folder) == before


@pytest.mark.slow
def test_nothing_that_is_read_is_written_over(folder: Path) -> None:
    """Readings, specification, measurement and plan outlive a wrong output name."""
    spec = ("--spec", "tesquil.spec.toml")
    assert run("measure", "tesquil-before.csv", *spec, "-o", "m.json").exit_code == 0
    assert run("plan", "m.json", "-o", "p.json").exit_code == 0
    assert run("measure", "--template", "tesquil.spec.toml").exit_code == 0
    before = {p: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    for arguments in (
        ("measure", "tesquil-before.csv", *spec, "-o", "tesquil-before.csv"),
        ("measure", "tesquil-before.csv", *spec, "-o", "tesquil.spec.toml"),
        ("measure", "--template", "tesquil.spec.toml"),
        ("measure", "--template", "tesquil.spec.toml", "-o", "tesquil-before.csv"),
        ("plan", "m.json", "-o", "m.json"),
        ("plan", "tesquil-before.csv", *spec, "-o", "tesquil.spec.toml"),
        ("prove", "p.json", "tesquil-after.csv", "-o", "p.json"),
        ("prove", "p.json", "tesquil-after.csv", "-o", "tesquil-after.csv"),
        ("prove", "p.json", "tesquil-after.csv", "-o", "c.pdf", "--certificate", "c.pdf"),
    ):
        error = json_of(*arguments, status=2)["error"]
        assert error["at"]["file"] in (*arguments, "tesquil.readings.xlsx")
        assert "name" in error["sentence"]
    assert {p: p.read_bytes() for p in folder.iterdir() if p.is_file()} == before


@pytest.mark.parametrize("given", ["lots", "nan", "inf", "-1", "51", "1,5"])
def test_an_attack_that_is_no_number_is_refused_in_plain_words(folder: Path, given: str) -> None:
    """The sentence names the option, repeats what was given and shows a number that would do."""
    for arguments in (
        ("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml"),
        ("prove", "p.json", "tesquil-after.csv"),
    ):
        sentence = json_of(*arguments, "--attack", given, status=2)["error"]["sentence"]
        assert "--attack" in sentence
        assert given in sentence
        assert "0.5" in sentence or "from 0 to 50" in sentence
        assert "float" not in sentence


def test_a_changed_plan_is_refused(folder: Path) -> None:
    """A plan edited by hand no longer matches its own hash."""
    plan = json.loads(made_by("plan"))
    plan["attack_n"][0] += 0.01
    (folder / "p.json").write_text(json.dumps(plan))
    error = json_of("sheet", "p.json", status=2)["error"]
    assert error["code"] == "broken-file"
    assert "changed" in error["sentence"]


@pytest.mark.quick(5)
@pytest.mark.parametrize(
    ("keys", "value", "says"),
    [
        (("heights", "height_mm", 0, 0), 1e299, "height_mm"),
        (("heights", "height_mm", 0, 0), "x", "height_mm"),
        (("heights", "height_mm", 0), [1.0], "height_mm"),
        (("heights", "own_u_mm", 0, 3), 1e9, "u_mm"),
        (("heights", "own_u_mm", 0, 3), None, "u_mm"),
        (("heights", "own_u_mm", 0, 3), -0.1, "u_mm"),
        (("heights", "origin", 0, 3), 9, "origin"),
        (("crown_height_mm", 2, 3), -1.0, "crown_height_mm"),
        (("crown_height_mm", 2, 3), 900.0, "crown_height_mm"),
        (("humidity_percent",), 300.0, "humidity_percent"),
        (("direct",), [{"quantity": "action"}], "key is missing"),
        (("direct",), 5, "a list must"),
    ],
)
def test_a_measurement_that_cannot_be_is_refused(
    folder: Path, keys: tuple[Any, ...], value: object, says: str
) -> None:
    """Even with a content hash that matches: another program may have written the file."""
    made = json.loads(made_by("measure"))
    place: Any = made
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = value
    (folder / "m.json").write_text(sealed(made))
    for command in ("diagnose", "plan"):
        error = json_of(command, "m.json", status=2)["error"]
        assert error["code"] == "broken-file"
        assert error["at"]["file"] == "m.json"
        assert says in f"{error['at'].get('field', '')}: {error['sentence']}"
        assert error["at"].get("field", says) in run(command, "m.json").stderr


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("keys", "value"),
    [
        (("removal_mm", 0, 0), None),
        (("removal_mm", 0, 0), 1e299),
        (("removal_mm", 0, 0), -0.01),
        (("removal_mm", 0), [0.0]),
        (("attack_n", 0), None),
        (("nut_after_mm", 0), "x"),
        (("replaced_frets",), [99]),
        (("replaced_frets",), "all"),
        (("methods",), [1, 2]),
        (("duality_gap_mm",), "x"),
        (("largest_violation_mm",), None),
        (("padding",), "x" * 100),
        (("relief_change_mm",), None),
    ],
)
def test_a_plan_that_cannot_be_is_refused(
    folder: Path, keys: tuple[Any, ...], value: object
) -> None:
    """A plan with a matching hash and impossible content makes no bench sheet and no proof."""
    made = json.loads(made_by("plan"))
    place: Any = made
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = value
    (folder / "p.json").write_text(sealed(made))
    for arguments in (("sheet", "p.json"), ("prove", "p.json", "tesquil-after.csv")):
        error = json_of(*arguments, status=2)["error"]
        assert error["code"] == "broken-file"
        assert error["at"]["file"] == "p.json"
        assert "make the plan again" in error["sentence"]
        assert "hash" not in error["sentence"]
        assert "float" not in error["sentence"]
        assert "<class" not in error["sentence"]


@pytest.mark.parametrize("number", ["1e400", "-1e999", "9" * 6000, "1e301"])
def test_a_number_beyond_all_measure_is_a_sentence(folder: Path, number: str) -> None:
    """JSON allows numbers that no computer holds; they are damage, not a crash."""
    made = json.loads(made_by("measure"))
    made["heights"]["height_mm"][0][0] = 4711.5
    (folder / "m.json").write_text(json.dumps(made).replace("4711.5", number))
    error = json_of("plan", "m.json", status=2)["error"]
    assert error["code"] == "broken-file"
    assert "too large" in error["sentence"]


@pytest.mark.parametrize(
    "keep", [17, -1, *(pytest.param(n, marks=pytest.mark.slow) for n in (1, 400, 4000))]
)
def test_a_plan_cut_short_is_refused(folder: Path, keep: int) -> None:
    """Wherever the file was cut, the sentence says that it is damaged or no plan."""
    (folder / "cut.json").write_text(made_by("plan").rstrip()[:keep])
    error = json_of("sheet", "cut.json", status=2)["error"]
    assert error["code"] in ("broken-file", "format-mismatch")
    assert error["at"]["file"] == "cut.json"


@pytest.mark.slow
def test_demo_leaves_a_folder_to_start_from_and_undoes_no_change(folder: Path) -> None:
    """The demonstration runs the whole job, and its folder can be worked in."""
    job = json_of("demo", "start")
    assert job["status"] == "cut"
    assert job["verdict"] == "conforms"
    for name in job["files"]:
        assert Path(name).stat().st_size > 0
    assert Path(job["picture"]).read_bytes().startswith(b"\x89PNG")
    start = folder / "start"
    settled = str(start / "tesquil-settled.measurement.json")
    again = json_of("plan", settled, "--settled", "-o", "again.json")
    assert again["metal_mm"] == pytest.approx(job["metal_mm"], abs=1e-9)
    # run once more it is the same; what a person filled in or changed is left as it is
    empty, sheet = start / "empty-sheet.xlsx", start / "tesquil-before.csv"
    empty.write_bytes(b"filled in")
    assert run("demo", "start").exit_code == 0
    assert empty.read_bytes() == b"filled in"
    sheet.write_text(sheet.read_text().replace("21.464", "21.474"))
    before = {p: p.read_bytes() for p in start.iterdir() if p.is_file()}
    error = json_of("demo", "start", status=2)["error"]
    assert error["at"]["file"] == str(Path("start") / "tesquil-before.csv")
    assert "another folder" in error["sentence"]
    assert {p: p.read_bytes() for p in start.iterdir() if p.is_file()} == before


@pytest.mark.slow
def test_a_kept_table_that_is_damaged_is_computed_anew(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broken cache file changes nothing but the time it takes."""
    monkeypatch.setenv("EVENFALL_CACHE", str(folder / ".kept"))
    first = json_of("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml")
    kept = list((folder / ".kept").glob("excursion-*.npy"))
    assert len(kept) == 1
    kept[0].write_bytes(kept[0].read_bytes()[:100])
    second = json_of("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml")
    assert second == first


@pytest.mark.slow
def test_nothing_but_json_reaches_standard_output(folder: Path) -> None:
    """In a process of its own, libraries' banners included, stdout is one JSON object."""
    done = subprocess.run(
        [
            *(sys.executable, "-m", "evenfall", "plan", "tesquil-before.csv"),
            *("--spec", "tesquil.spec.toml", "--json"),
        ],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(done.stdout)["status"] == "settings"
    assert all(line.endswith(" ...") for line in done.stderr.splitlines())  # a slow machine


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only on Linux")
@pytest.mark.parametrize(
    "arguments", [("plan", "tesquil-before.csv", "--json"), ("spec", "check")], ids=" ".join
)
def test_a_full_disk_behind_standard_output_is_a_sentence(
    folder: Path, arguments: tuple[str, ...]
) -> None:
    """What is redirected to a disk without room ends in words, not in a crash."""
    last = ("tesquil.spec.toml",) if arguments[0] == "spec" else ("--spec", "tesquil.spec.toml")
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "evenfall", *arguments, *last],
            cwd=folder,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1] == (
        "evenfall: The result cannot be written (no space left on device); make room, or check it."
    )


def test_a_link_that_leads_to_itself_is_a_sentence(folder: Path) -> None:
    """Wherever a file is read."""
    (folder / "loop.csv").symlink_to("loop.csv")
    for arguments in (
        ("measure", "loop.csv", "--spec", "tesquil.spec.toml"),
        ("measure", "tesquil-before.csv", "loop.csv", "--spec", "tesquil.spec.toml"),
        ("plan", "loop.csv", "--spec", "tesquil.spec.toml"),
        ("plan", "tesquil-before.csv", "--spec", "loop.csv"),
    ):
        error = json_of(*arguments, status=2)["error"]
        assert error["at"]["file"] == "loop.csv"


def test_a_finding_does_not_name_its_place_twice(folder: Path) -> None:
    """The place stands in brackets only where the sentence has not said it."""
    said = run("diagnose", "tesquil-before.csv", "--spec", "tesquil.spec.toml").stdout
    assert "String 1 fails at" in said
    assert "(string 1)" not in said


@pytest.mark.slow
def test_a_job_without_any_attack_has_all_its_pages_and_pictures(folder: Path) -> None:
    """No attack at all: nothing may touch at rest, and that is all that is asked."""
    steps = (
        (*SECOND, "--attack", "0", "-o", "p.json", "--pictures", "p"),
        ("sheet", "p.json", "-o", "s.html"),
        ("prove", "p.json", "tesquil-after.csv", "--attack", "0", "--pictures", "p"),
    )
    for step in steps:
        result = run(*step)
        assert result.exit_code == 0, result.output
    page = (folder / "s.html").read_text(encoding="utf-8")
    # what is left is still held against the player's attack, as everywhere
    assert re.search(r"\d+\s% of the player", page[page.index("Weakest: ") :][:80])


@pytest.mark.slow
def test_the_sheet_and_its_map_give_the_same_share(folder: Path) -> None:
    """The weakest position reads alike on one page: both are rounded down."""
    run(*SECOND, "-o", "p.json")
    run("sheet", "p.json", "-o", "s.html")
    page = (folder / "s.html").read_text(encoding="utf-8")
    told = re.search(
        r"clear up to (\d+)\s% of the player's attack",
        page.replace("&#x27;", "'").replace("&#39;", "'"),
    )
    drawn = re.search(r"Lowest margin: (\d+)\s% \(", page)
    assert told is not None
    assert drawn is not None
    assert told[1] == drawn[1]


@pytest.mark.parametrize("serial", ["x" * 81, "two\nlines", "tab\there", "\x1b[31mred"])
def test_a_serial_is_one_short_line(folder: Path, serial: str) -> None:
    """It stands on labels, sheets and certificates, and in file lists."""
    sheet = ("tesquil-before.csv", "--spec", "tesquil.spec.toml", "--serial", serial)
    for command in ("measure", "diagnose", "plan"):
        error = json_of(command, *sheet, status=2)["error"]
        assert error["at"]["field"] == "serial"
        assert "at most 80 characters" in error["sentence"]
    assert run("measure", *sheet[:3], "--serial", "Nº 7 “Ω” 琴").exit_code == 0


def test_the_help_does_not_cut_sentences_short() -> None:
    """Every command is listed with a whole sentence."""
    listed = run("--help").stdout.partition("Commands:")[2]
    assert "..." not in listed
    for name in ("demo", "spec", "measure", "diagnose", "plan", "sheet", "prove"):
        assert re.search(rf"^  {name} +[A-Z]", listed, flags=re.MULTILINE), name
