"""What the commands about programs and starters answer to values that are none."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from doors.attacks import sealed
from doors.stopping import stopped_wherever_it_reports
from evenfall.cli import main
from evenfall.errors import Cancelled, ProgramError, RequestError
from evenfall.files import write_together
from evenfall.workshop import (
    MachineRequest,
    PlanRequest,
    ProgramRequest,
    Source,
    StarterRequest,
    plan,
    program,
    starter,
)
from evenfall.workshop.outputs import json_file

FILED = Path(__file__).parents[1] / "records" / "files"


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    folder = tmp_path_factory.mktemp("job")
    names = ("yard.machine.toml", "yard.cutters.toml")
    settled, spec = (Source.invented(n) for n in ("tesquil-settled.csv", "tesquil.spec.toml"))
    made = plan(PlanRequest(settled, spec, method="profile", settled=True, serial="UY-0417")).plan
    files = {folder / "a.plan.json": json_file(made.as_dict())}
    files |= {folder / name: Source.invented(name).text().encode() for name in names}
    write_together(files)
    return folder


def on_the_command_line(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args])


def written(job, *more):
    machine = ("--machine", job / "yard.machine.toml", "--cutters", job / "yard.cutters.toml")
    out = ("--state", "strung", "-o", job / "a.ngc")
    return on_the_command_line("program", job / "a.plan.json", *machine, *out, *more)


@pytest.mark.parametrize("value", ["1e308", "-10001", "nan", "inf"])
def test_a_place_that_no_machine_reaches_is_refused(job, value: str) -> None:
    done = written(job, "--touch", f"1:1={value},0,0")
    assert done.exit_code == 2
    assert "within 10 m" in done.output


@pytest.mark.parametrize(
    ("name", "serial", "said"),
    [
        ("quenlo", "", "4 strings and 16 frets, the plan is for 6 and 22"),
        ("tesquil", "UY-0419", 'These are readings of "UY-0419", not of "UY-0417"'),
    ],
)
def test_a_reading_of_another_instrument_is_not_cut_from(job, name, serial, said) -> None:
    text = (FILED / f"{name}.measurement@1.json").read_text(encoding="utf-8")
    (job / "found.json").write_text(sealed(json.loads(text) | {"serial": serial}), "utf-8")
    done = written(job, "--found", job / "found.json")
    assert done.exit_code == 2, done.output
    assert said in done.output


@pytest.mark.slow
def test_an_undecided_cut_is_no_success(job, monkeypatch) -> None:
    from evenfall.workshop.programs import ProgramOutcome

    done = written(job)
    assert ("Do not cut yet" in done.output) == (done.exit_code == 1)

    class Undecided:
        verdict = "undecided"

    monkeypatch.setattr(ProgramOutcome, "proof", lambda *_: Undecided())
    done = written(job)
    assert done.exit_code == 1
    assert "Do not cut yet" in done.output


def test_a_reason_that_no_controller_can_show_is_refused(job) -> None:
    files = (Source.invented(name) for name in ("yard.machine.toml", "yard.cutters.toml"))
    on = MachineRequest(*files, accepted_stiffness="理由")
    file = Source("a.plan.json", (job / "a.plan.json").read_bytes())
    with pytest.raises(RequestError, match="plain ASCII"):
        program(ProgramRequest(file, on))


def test_nothing_is_not_left_out(tmp_path) -> None:
    with pytest.raises(RequestError, match="name of the model is empty"):
        starter(StarterRequest("electric", name=" "))
    for option, value in (("--frets", "0"), ("--name", ""), ("--strings", "")):
        path = tmp_path / "a.toml"
        done = on_the_command_line("spec", "new", "electric", option, value, "-o", path)
        assert done.exit_code == 2
        assert not path.exists()


def test_what_the_moves_alone_show_is_refused_before_anything_is_cut(job) -> None:
    machine, cutters = (
        Source.invented(name) for name in ("yard.machine.toml", "yard.cutters.toml")
    )
    lies = Source.invented("yard.fixture.toml").text().replace("zero_x = 120.0", "zero_x = 600.0")
    on = MachineRequest(machine, cutters, Source("far.toml", lies.encode()), state="strung")
    steps = set()
    with pytest.raises(ProgramError, match="outside its travel"):
        program(
            ProgramRequest(Source("a.plan.json", (job / "a.plan.json").read_bytes()), on),
            lambda step, _: steps.add(step),
        )
    assert "Writing the program" in steps
    assert "Cutting virtually" not in steps


@pytest.mark.slow
def test_what_the_demonstration_writes_can_be_cut() -> None:
    from evenfall.workshop import DemoRequest, demo

    files = demo(DemoRequest(date="2026-05-04")).files
    machine, cutters, fixture = (
        Source(name, files[name])
        for name in ("yard.machine.toml", "yard.cutters.toml", "yard.fixture.toml")
    )
    made = Source("a.plan.json", files["tesquil-settled.plan.json"])
    on = MachineRequest(machine, cutters, fixture, state="strung")
    assert program(ProgramRequest(made, on)).faults == ()


@pytest.mark.slow
def test_a_plan_goes_by_the_limits_of_the_machine_that_cuts_it() -> None:
    settled, spec = (Source.invented(n) for n in ("tesquil-settled.csv", "tesquil.spec.toml"))
    text = Source.invented("yard.machine.toml").text()
    coarse = Source("c.toml", text.replace("_cut = 0.005", "_cut = 0.031").encode())
    files = [coarse, Source.invented("yard.cutters.toml")]
    plans = {
        machine: plan(PlanRequest(settled, spec, method=method, settled=True, machine=machine)).plan
        for machine, method in ((None, "profile"), (coarse, None))
    }
    assert plans[coarse].smallest_cut_mm == 0.031
    cut = plans[coarse].removal_mm
    assert cut[cut > 0.0].min() >= 0.031 - 1e-9
    assert min(plans[None].removal_mm[plans[None].removal_mm > 0.0]) < 0.031
    allowed = {miss.allowance_mm for miss in plans[coarse].misses if miss.setting == "file"}
    assert allowed == {0.005}
    on = MachineRequest(*files, state="strung")
    made = Source("a.plan.json", json_file(plans[None].as_dict()))
    with pytest.raises(RequestError, match=r"smallest cut of this machine is 0\.031"):
        program(ProgramRequest(made, on))
    with pytest.raises(RequestError, match="takes no metal off by machine"):
        plan(PlanRequest(settled, spec, method="spot", machine=coarse))


def with_parts(job) -> ProgramRequest:
    names = ("yard.machine.toml", "yard.cutters.toml", "yard.fixture.toml", "yard.parts.toml")
    machine, cutters, fixture, parts = (Source.invented(name) for name in names)
    on = MachineRequest(machine, cutters, fixture, state="strung", parts=parts)
    return ProgramRequest(Source("a.plan.json", (job / "a.plan.json").read_bytes()), on)


@pytest.mark.slow
def test_nut_and_fret_ends_of_the_example_are_cut_and_conform(job) -> None:
    made = program(with_parts(job))
    assert made.faults == ()
    assert made.as_dict()["cuts"] == ["frets", "fret ends", "nut"]
    assert made.proof().verdict == "conforms"
    pictures = made.pictures()
    assert {"program nut", "program path", "program fret ends"} <= pictures.keys()
    told = re.search(
        r"22 frets: no end stands more than ([\d.]+) µm", pictures["program fret ends"]
    )
    assert told is not None
    assert 0.0 < float(told[1]) < 30.0


@pytest.mark.slow
def test_a_program_stops_wherever_it_reports(job) -> None:
    assert len(stopped_wherever_it_reports(lambda told: program(with_parts(job), told))) > 4


@pytest.mark.slow
def test_a_command_that_is_stopped_writes_no_program(job, monkeypatch) -> None:
    from evenfall.cli.waiting import Waiting

    before = sorted(path.name for path in job.iterdir())

    def stop(_: Waiting, what: str, _share: float) -> None:
        if what == "Judging the simulated cut":
            raise Cancelled

    monkeypatch.setattr(Waiting, "__call__", stop)
    done = written(job, "--pictures", job / "new", "-o", job / "stopped.ngc")
    assert done.exit_code == 130
    assert "nothing was written" in done.stderr
    assert sorted(path.name for path in job.iterdir()) == before


def test_a_part_that_is_not_described_or_does_not_exist(job) -> None:
    request = with_parts(job)
    for cuts, said in ((("saddle",), "no program to write"), (("bridge",), "What is cut must be")):
        with pytest.raises(RequestError, match=said):
            program(replace(request, on=replace(request.on, cuts=cuts)))
