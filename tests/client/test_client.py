"""The client: the same requests and outcomes, the same errors, over a real server."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import evenfall as ef
from evenfall.client.errors import error_of
from evenfall.codec.whole import packed, unpacked
from evenfall.workshop.asking import plain_request, read_request, source_of
from evenfall.workshop.outputs import json_file
from served import serving, started

BEFORE, SPEC = ef.Source.invented("tesquil-before.csv"), ef.Source.invented("tesquil.spec.toml")
DOCS = Path(__file__).resolve().parents[2] / "docs"
AFTER = ef.Source.invented("tesquil-after.csv")


@pytest.fixture(scope="module")
def there(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ef.Connection]:
    process, address = started(str(tmp_path_factory.mktemp("there") / "archive"))
    try:
        with ef.connect(address) as connection:
            yield connection
    finally:
        process.terminate()
        process.communicate(timeout=30)


def same(made: Any, here: Any) -> None:
    """Hold an outcome from there against one made here, figures and pictures too."""
    assert type(made) is type(here)
    assert json.dumps(packed(made)) == json.dumps(packed(here))
    assert made.as_dict() == here.as_dict()


def test_the_steps_of_a_job_come_to_the_same(there: ef.Connection) -> None:
    measure = ef.MeasureRequest((BEFORE,), SPEC, serial="UY-0417")
    same(there.measure(measure), ef.measure(measure))
    same(
        there.diagnose(ef.DiagnoseRequest(BEFORE, SPEC)),
        ef.diagnose(ef.DiagnoseRequest(BEFORE, SPEC)),
    )
    made = there.plan(ef.PlanRequest(BEFORE, SPEC))
    here = ef.plan(ef.PlanRequest(BEFORE, SPEC))
    same(made, here)
    assert made == here
    assert made.pictures("in") == here.pictures("in")
    plan = ef.Source("tesquil.plan.json", json_file(made.plan.as_dict()))
    same(there.prove(ef.ProveRequest(plan, AFTER)), ef.prove(ef.ProveRequest(plan, AFTER)))
    assert there.sheet(ef.SheetRequest(plan)).pages["pdf"][:5] == b"%PDF-"
    assert there.starter(ef.StarterRequest("ukulele")) == ef.starter(ef.StarterRequest("ukulele"))
    assert there.lot(ef.LotRequest(100)) == ef.lot(ef.LotRequest(100))


def test_errors_are_the_same(there: ef.Connection) -> None:
    wrong = ef.Source("a.csv", BEFORE.text().replace("fret", "frat", 1).encode())
    for request in (ef.PlanRequest(wrong, SPEC), ef.PlanRequest(BEFORE)):
        with pytest.raises(ef.EvenfallError) as here:
            ef.plan(request)
        with pytest.raises(type(here.value)) as raised:
            there.plan(request)
        assert str(raised.value) == str(here.value)
        assert raised.value.as_dict() == here.value.as_dict()
    with pytest.raises(AttributeError, match="no use case 'cut'"):
        there.cut(1)


def test_what_is_not_there_is_said() -> None:
    with pytest.raises(ef.EvenfallError, match=r"cannot be reached \(.*\); check address"):
        ef.connect("http://127.0.0.1:9").lot(ef.LotRequest(100))
    with pytest.raises(ef.EvenfallError, match="no address of a server"):
        ef.connect("bench")


def test_an_archive_elsewhere_has_the_same_verbs(there: ef.Connection, tmp_path: Path) -> None:
    with there.archive() as dossiers:
        made = there.plan(ef.PlanRequest(BEFORE, SPEC, serial="UY-0417")).plan
        added = dossiers.file(made, files=(SPEC,), person="Q. Ulbrenq")
        assert added.line.serial == "UY-0417"
        told = dossiers.note(ef.NoteRequest("UY-0417", "Nut worn.", person="Q. Ulbrenq"))
        assert told.person == "Q. Ulbrenq"
        shown = dossiers.show("UY-0417")
        assert shown.page("html").startswith(b"<!DOCTYPE html>")
        assert [one.line for one in (shown, dossiers.history("UY-0417"))] == [added.line] * 2
        assert dossiers.find("UY-04") == dossiers.newest() == (added.line,)
        latest = dossiers.latest("UY-0417", "plan")
        assert ef.Plan.from_dict(json.loads(latest.read(10**7))) == made
        assert dossiers.document("UY-0417", "specification").content == SPEC.content
        with pytest.raises(ef.EvenfallError, match="No dossier goes by"):
            dossiers.show("UY-9999")
        late = ef.NoteRequest("UY-0417", "Late.", since=shown.version)
        dossiers.note(ef.NoteRequest("UY-0417", "First.", person="A. Dremquil"))
        with pytest.raises(ef.EvenfallError, match=r"since you looked: note .* by A\. Dremquil"):
            dossiers.note(late)
        steps: list[str] = []
        seen = dossiers.verify(progress=lambda doing, _share: steps.append(doing))
        assert seen.sound
        assert steps
        entries, _ = dossiers.export(["UY-0417"], tmp_path / "out.zip")
        assert entries == len(dossiers.show("UY-0417").entries)
        assert dossiers.look(ef.Source(str(tmp_path / "out.zip"))).entries == entries
        assert dossiers.contents().kinds["note"] == 2


def test_a_long_step_tells_how_far_it_is_and_may_be_stopped(there: ef.Connection) -> None:
    request = ef.PlayRequest(BEFORE, SPEC, notes=((1, 0),))

    def stop(_doing: str, _share: float) -> None:
        raise ef.Cancelled

    with pytest.raises(ef.Cancelled):
        there.play(request, stop)


def test_large_files_go_piece_by_piece(
    there: ef.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("evenfall.client.connection.INLINE_BYTES", 100)
    monkeypatch.setattr("evenfall.client.connection._PIECE_BYTES", 1000)
    request = ef.MeasureRequest((BEFORE,), SPEC)
    same(there.measure(request), ef.measure(request))


def test_the_page_for_teams_calls_a_server_as_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(DOCS / "examples")
    page = (DOCS / "team.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    with serving(tmp_path / "archive") as place, ef.connect(place) as there:
        readings, spec = ef.Source("quenlo-readings.csv"), ef.Source("quenlo.spec.toml")
        made = ef.measure(ef.MeasureRequest((readings,), spec, serial="TR-0052")).measurement
        there.archive().file(made, files=(spec, readings), person="Q. Ulbrenq")
        called = block.replace("https://bench.workshop.example:8417", place).replace("…", "")
        assert called.count(place) == 1
        exec(compile(called, "team.md", "exec"), {})  # noqa: S102
        plan = ef.plan(ef.PlanRequest(readings, spec)).plan
        assert capsys.readouterr().out == f"{plan.status} {plan.code}\n"
        shown = there.archive().show("TR-0052").entries
        assert [one.kind for one in shown if "Nut worn." in str(one.said)] == ["note"]


# ---- how requests and outcomes travel ------------------------------------------------------------


def travelled(request: Any) -> Any:
    """Return a request that was written and read again."""

    def send(source: ef.Source) -> dict[str, str]:
        return {"name": source.name, "text": source.text()}

    written = json.loads(json.dumps(plain_request(request, send), allow_nan=False))

    def resolve(given: Any, place: str) -> ef.Source:
        found = source_of(given, place)
        assert found is not None
        return found

    return read_request(type(request), written, resolve)


@pytest.mark.parametrize(
    "request_",
    [
        ef.PlanRequest(BEFORE, SPEC, neck=ef.NeckReadings(SPEC, turns_count=0.5), keep=("nut",)),
        ef.MeasureRequest((BEFORE, SPEC), SPEC, step=(0.1, 0.2), strung=False),
        ef.MachineRequest(SPEC, SPEC, touched_mm={(7, 3): (1.0, 2.0, 3.0)}),
        ef.ChartRequest(BEFORE, only={"station": "B"}, frozen={"20": "trial"}),
        ef.NoteRequest("UY-0417", "Checked.", facts={"standard": "S", "reference_mm": 1.0}),
        ef.LotRequest(100, found=(1, 2)),
    ],
)
def test_a_request_is_the_same_after_it_travelled(request_: Any) -> None:
    made = travelled(request_)
    assert type(made) is type(request_)
    assert packed(made) == packed(request_)


def test_nothing_but_data_of_this_package_is_unpacked() -> None:
    for wrong in (
        {"class": "os:system", "of": {}},
        {"class": "evenfall.errors:EvenfallError", "of": {}},
        {"class": "evenfall.files:Path", "of": {}},
        {"class": "evenfall.nothing:Nothing", "of": {}},
        {"special": "array", "dtype": "|O", "shape": [1], "bytes": ""},
        {"special": "other", "bytes": ""},
    ):
        with pytest.raises(ef.EvenfallError, match="does not know"):
            unpacked(wrong)
    array = np.array([1.0, np.nan, np.inf])
    again = unpacked(json.loads(json.dumps(packed(array), allow_nan=False)))
    assert np.array_equal(again, array, equal_nan=True)
    assert not again.flags.writeable


def test_every_kind_of_error_is_raised_again() -> None:
    from evenfall import errors

    finding = ef.Finding("row", "Row {row} is empty.", ef.At(rows=(7,)), row=7)
    for kind in (errors.SpecificationError, errors.ReadingsError):
        error = kind([finding], at=ef.At(file="a"))
        again = error_of(json.loads(json.dumps(error.as_dict())))
        assert type(again) is kind
        assert str(again) == str(error)
        assert isinstance(again, errors.FindingsError)
        assert again.findings == (finding,)
    for other in (errors.BrokenFileError, errors.UnsupportedError, errors.ChangedError):
        made = error_of(other("Row {row}.", row=7).as_dict())
        assert type(made) is other
        assert made.sentence == "Row 7."
