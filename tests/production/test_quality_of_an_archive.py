"""Charts over an archive: figures of documents and readings of check standards."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from evenfall import workshop
from evenfall.cli import main
from evenfall.workshop.archive_readings import Filed


@pytest.fixture
def archive(tmp_path: Path) -> str:
    """Return an archive with a gauge that was checked ten times."""
    address = str(tmp_path / "archive")
    with workshop.archive(address, make=True) as dossiers:
        dossiers.add(workshop.AddRequest(subject="gauge", name="dial 3"))
        for n in range(10):
            facts = {"standard": "block 1", "reference_mm": 1.0, "read_mm": 1.0 + 0.002 * (n % 3)}
            dossiers.note(workshop.NoteRequest("dial 3", "", facts=facts))
    return address


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["quality", *map(str, arguments)])


def test_readings_of_a_check_standard_are_charted(archive: str) -> None:
    done = run("chart", "--archive", archive, "--quantity", "check of block 1", "--json")
    values = json.loads(done.output)
    assert values["kind"] == "individuals"
    assert values["panels"][0]["values"][:3] == pytest.approx([0.0, 0.002, 0.004])
    assert values["panels"][0]["unit"] == "mm"


def test_every_figure_of_a_document_is_a_row(archive: str) -> None:
    with workshop.archive(archive) as dossiers:
        made = workshop.measure(
            workshop.MeasureRequest(
                (workshop.Source.invented("tesquil-before.csv"),),
                workshop.Source.invented("tesquil.spec.toml"),
                serial="UY-0417",
            )
        )
        dossiers.file(made.measurement)
        tables = {
            name: Filed(dossiers.archive).table(name, {"document": "measurement"})
            for name in ("relief", "action of string 1", "lowest crown", "fret life")
        }
    assert tables["relief"].factor("serial") == ("UY-0417",)
    assert 0.0 < float(tables["relief"].value[0]) < 1.0
    assert all(len(table.value) == 1 for table in tables.values())


def test_readings_are_gathered_by_what_every_table_holds(archive: str) -> None:
    """Each instrument is a subgroup, or each kind of paper; a chart may be kept with either."""
    asked = ("chart", "--archive", archive, "--quantity", "check of block 1", "--json")
    for factor in ("dossier", "document"):
        done = run(*asked, "--subgroup", factor, "--kind", "xbar-s")
        values = json.loads(done.output)
        assert values["panels"][0]["values"] == pytest.approx([0.0018]), factor
    with workshop.archive(archive) as dossiers:
        table = Filed(dossiers.archive).table("check of block 1", {}, ["dossier"])
        assert set(table.factor("dossier")) == {dossiers.named("dial 3")}


def test_nothing_named_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("EVENFALL_ARCHIVE", raising=False)
    done = run("chart")
    assert done.exit_code == 2
    assert "Name a sheet of readings, or an archive with --archive." in done.output
    done = run("chart", "--archive", tmp_path / "none")
    assert done.exit_code == 2
