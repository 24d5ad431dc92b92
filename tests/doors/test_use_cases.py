"""The use cases of the workshop: from bytes as from disk, and stopped wherever they report."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from doors.stopping import stopped_wherever_it_reports
from evenfall import workshop
from evenfall.cli import main
from evenfall.cli.door import WORDS
from evenfall.cli.waiting import Waiting
from evenfall.errors import Cancelled, Progress, RequestError
from evenfall.wording import LIBRARY_WORDS
from evenfall.workshop import NeckReadings, Source
from evenfall.workshop.outputs import json_file, picture_files

INVENTED = resources.files("evenfall") / "invented"


def given(name: str) -> Source:
    """Return an invented file as bytes."""
    return Source(name, (INVENTED / name).read_bytes())


SPEC, BEFORE, AFTER = (
    given(name) for name in ("tesquil.spec.toml", "tesquil-before.csv", "tesquil-after.csv")
)


@pytest.fixture(scope="module")
def plan_file() -> Source:
    """Return a plan as bytes."""
    outcome = workshop.plan(workshop.PlanRequest(BEFORE, SPEC))
    return Source("tesquil.plan.json", json_file(outcome.plan.as_dict()))


# ---- bytes and paths ----------------------------------------------------------------------------


def test_bytes_and_files_give_the_same(tmp_path: Path) -> None:
    sheet, spec = (tmp_path / one.name for one in (BEFORE, SPEC))
    for path, source in ((sheet, BEFORE), (spec, SPEC)):
        path.write_bytes(source.read(10_000_000))
    on_disk = workshop.PlanRequest(Source(str(sheet)), Source(str(spec)), "UY-0417")
    in_hand = workshop.PlanRequest(BEFORE, SPEC, "UY-0417")
    assert workshop.plan(on_disk).plan == workshop.plan(in_hand).plan
    measured = workshop.measure(workshop.MeasureRequest((BEFORE,), SPEC, "UY-0417"))
    assert measured.measurement.source == (BEFORE.name,)
    again = Source("m.json", json_file(measured.measurement.as_dict()))
    found = workshop.diagnose(workshop.DiagnoseRequest(again))
    assert found.diagnosis.measurement == measured.measurement


@pytest.mark.parametrize("field", ["second", "unstrung", "before_turning"])
def test_readings_of_another_instrument_are_refused(field: str) -> None:
    """A plan of one neck was confirmed by a reading filed under another's number."""
    other = workshop.measure(workshop.MeasureRequest((AFTER,), SPEC, "UY-0418")).measurement
    file = Source("other.json", json_file(other.as_dict()))
    asked = workshop.PlanRequest(BEFORE, SPEC, "UY-0417")
    if field == "second":
        asked = replace(asked, second=file)
    else:
        asked = replace(asked, neck=NeckReadings(**{field: file}))
    with pytest.raises(RequestError, match=r"readings of .UY-0418., not of .UY-0417") as error:
        workshop.plan(asked)
    assert error.value.at.field == field


def test_two_sheets_of_one_name_are_kept_apart() -> None:
    rows = BEFORE.text().splitlines(keepends=True)
    head = next(n for n, row in enumerate(rows) if row.startswith("quantity,"))
    halves = ["".join([rows[head], *part]) for part in (rows[head + 1 : 60], rows[60:])]
    files = tuple(Source("sheet.csv", half.encode()) for half in halves)
    both = workshop.measure(workshop.MeasureRequest(files, SPEC)).measurement
    assert (
        both.heights
        == workshop.measure(workshop.MeasureRequest((BEFORE,), SPEC)).measurement.heights
    )


@pytest.mark.slow
def test_a_job_of_bytes_makes_every_page_and_picture(plan_file: Source) -> None:
    sheet = workshop.sheet(workshop.SheetRequest(plan_file))
    assert sheet.pages["pdf"].startswith(b"%PDF-")
    proved = workshop.prove(workshop.ProveRequest(plan_file, AFTER))
    assert proved.conforms
    assert proved.certificate("pdf", date="2026-03-31").startswith(b"%PDF-")
    assert b"2026" in proved.certificate("html", date="2026-03-31")
    drawings = proved.pictures("in")
    files = picture_files(drawings, Path("drawn"))
    assert {path.suffix for path in files} == {".svg", ".png"}
    assert len(files) == 2 * len(drawings)
    empty = workshop.template(workshop.TemplateRequest(SPEC, "csv"))
    assert empty.file_name == "tesquil.readings.csv"
    assert empty.content.startswith(b"quantity,")


def test_a_name_that_came_with_bytes_is_no_path(tmp_path: Path) -> None:
    """Wherever it points to, nothing is read or written there."""
    secret = tmp_path / "secret.csv"
    secret.write_bytes(BEFORE.read(10_000_000))
    with pytest.raises(RequestError, match=r"not a measurement"):
        workshop.plan(workshop.PlanRequest(Source(str(secret), b"quantity,string,fret,value\n")))
    named = Source("../../escaped.csv", BEFORE.content)
    assert workshop.measure(workshop.MeasureRequest((named,), SPEC)).measurement.source == (
        "escaped.csv",
    )


# ---- stopping -----------------------------------------------------------------------------------

Step = Callable[[Source, Progress], Any]
STEPS: dict[str, Step] = {
    "measure": lambda _, told: workshop.measure(
        workshop.MeasureRequest((BEFORE,), SPEC), told
    ).pictures("mm", told),
    "diagnose": lambda _, told: workshop.diagnose(
        workshop.DiagnoseRequest(BEFORE, SPEC), told
    ).pictures("mm", told),
    "plan": lambda _, told: workshop.plan(
        workshop.PlanRequest(BEFORE, SPEC, method="spot", verify_by_motion=True), told
    ).pictures("mm", told),
    "sheet": lambda plan, told: workshop.sheet(workshop.SheetRequest(plan), told),
    "prove": lambda plan, told: workshop.prove(
        workshop.ProveRequest(plan, AFTER), told
    ).certificate("pdf", date="2026-03-31", progress=told),
    "neck": lambda plan, told: workshop.neck(workshop.NeckRequest(plan), told),
    "pitch": lambda plan, told: workshop.pitch(workshop.PitchRequest(plan), told).pictures(
        "mm", told
    ),
    "play": lambda plan, told: workshop.play(workshop.PlayRequest(plan, sounds=True), told),
}


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    "verb",
    [pytest.param(v, marks=pytest.mark.slow if v == "play" else ()) for v in STEPS],
)
def test_a_step_stops_wherever_it_reports(verb: str, plan_file: Source) -> None:
    """In everything that it says it does: `Cancelled` comes out as it went in, at once."""
    told = stopped_wherever_it_reports(lambda tell: STEPS[verb](plan_file, tell))
    assert told, "a step without a word cannot be stopped"


COMMANDS = (
    ("measure", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "--pictures", "new"),
    ("diagnose", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "--pictures", "new"),
    ("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "--pictures", "new"),
    ("sheet", "p.json"),
    ("prove", "p.json", "tesquil-after.csv", "--pictures", "new"),
    ("neck", "p.json", "--pictures", "new"),
    ("pitch", "p.json", "--pictures", "new"),
    ("play", "p.json", "--wav", "new"),
    ("demo", "new"),
)


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("arguments", "stopped_by"),
    [
        (COMMANDS[0], Cancelled),  # as the next: one line catches both
        *(pytest.param(given, KeyboardInterrupt, id=given[0]) for given in COMMANDS),
    ],
)
def test_a_command_that_is_stopped_leaves_nothing(
    arguments: tuple[str, ...],
    stopped_by: type[BaseException],
    plan_file: Source,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """In the last thing that it says it does, when all but the writing is worked out."""
    monkeypatch.chdir(tmp_path)
    for source in (SPEC, BEFORE, AFTER, Source("p.json", plan_file.content)):
        Path(source.name).write_bytes(source.read(10_000_000))
    before = {path.name for path in tmp_path.iterdir()}
    told: dict[str, None] = {}
    monkeypatch.setattr(Waiting, "__call__", lambda _, what, _share: told.setdefault(what))
    assert CliRunner().invoke(main, [*arguments, "--json"]).exit_code == 0
    for path in sorted(tmp_path.rglob("*"), reverse=True):
        if path.relative_to(tmp_path).parts[0] not in before:
            path.unlink() if path.is_file() else path.rmdir()

    def stop(_: Waiting, what: str, _share: float) -> None:
        if what == list(told)[-1]:
            raise stopped_by

    monkeypatch.setattr(Waiting, "__call__", stop)
    result = CliRunner().invoke(main, list(arguments))
    assert result.exit_code == 130, result.output
    assert result.stderr.strip() == "Stopped; nothing was written."
    assert result.stdout == ""
    assert {path.name for path in tmp_path.iterdir()} == before


# ---- what a door says ---------------------------------------------------------------------------


def test_every_door_has_a_word_for_every_place() -> None:
    assert set(WORDS) == set(LIBRARY_WORDS)


def test_starting_loads_no_numerical_library() -> None:
    """Help, version and a wrong option are quick: what computes is loaded when it is used."""
    heavy = ("numpy", "highspy", "numba", "openpyxl", "rich", "typst")
    code = (
        "import sys; from evenfall.cli import main\n"
        "for given in (['--help'], ['plan', '--help'], ['play', '--note', 'x', 'm.json']):\n"
        "    try: main(given)\n"
        "    except SystemExit: pass\n"
        f"print([name for name in {heavy!r} if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.splitlines()[-1] == "[]"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("arguments", "encoding"),
    [
        (("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "-o", "p.json"), "ascii"),
        (
            ("measure", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "--serial", "Nº 7 琴"),
            "latin-1",
        ),
        (("play", "none–such.json"), "ascii"),
    ],
    ids=["plan", "measure", "play"],
)
def test_a_terminal_without_such_letters_is_shown_others(
    arguments: tuple[str, ...], encoding: str, tmp_path: Path
) -> None:
    for source in (SPEC, BEFORE):
        (tmp_path / source.name).write_bytes(source.read(10_000_000))
    done = subprocess.run(
        [sys.executable, "-m", "evenfall", *arguments],
        cwd=tmp_path,
        env={**os.environ, "PYTHONIOENCODING": encoding},
        capture_output=True,
        check=False,
    )
    assert done.returncode == (2 if arguments[0] == "play" else 0)
    if encoding == "latin-1":
        assert "琴".encode() not in done.stdout
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "file"),
    [
        (("plan", "nowhere/m.json"), "nowhere/m.json"),
        (("measure", "nowhere/a.csv", "--spec", "tesquil.spec.toml"), "nowhere/a.csv"),
        (("measure", "a.csv", "--spec", "nowhere/s.toml"), "nowhere/s.toml"),
        (("plan", "sub/bad.json"), "sub/bad.json"),
        (("measure", "sub/bad.csv", "--spec", "tesquil.spec.toml"), "sub/bad.csv"),
    ],
)
def test_a_path_is_shown_as_it_was_given(
    arguments: tuple[str, ...], file: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sub").mkdir()
    Path("sub/bad.json").write_text('{"schema": 5}')
    Path("sub/bad.csv").write_text("quantity,value\naction,none\n")
    Path("tesquil.spec.toml").write_bytes(SPEC.read(10_000_000))
    result = CliRunner().invoke(main, [*arguments, "--json"])
    assert result.exit_code == 2
    assert json.loads(result.stdout)["error"]["at"]["file"] == file
    assert result.stderr.startswith(f"evenfall: {file}")


def test_a_long_argument_is_not_repeated_whole() -> None:
    for arguments in (("plan", "m.json", "--attack"), ("play", "m.json", "--note")):
        result = CliRunner().invoke(main, [*arguments, "x" * 5000])
        assert result.exit_code == 2
        assert len(result.stderr) < 300
