"""The archive from the command line: a job filed, found, shown, verified, backed up and moved."""

from __future__ import annotations

import json
import re
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import evenfall as ef
from evenfall.cli import main
from evenfall.records import Filing

STORED = Path(__file__).parents[1] / "records" / "files"
PLAN = STORED / "tesquil-settled.plan@1.json"
PROOF = STORED / "tesquil.proof@1.json"


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("EVENFALL_SETTINGS", str(tmp_path / "settings"))
    monkeypatch.setenv("EVENFALL_ARCHIVE", "shop")
    return tmp_path


def run(*command: object, status: int = 0) -> Result:
    result = CliRunner().invoke(main, ["archive", *map(str, command)])
    assert result.exit_code == status, result.output
    return result


def test_a_job_is_filed_found_shown_and_verified(place: Path) -> None:
    told = run("add", PLAN, PROOF, "--serial", "UY-0417", "--by", "M. Tessquin").output
    assert told.startswith(
        "UY-0417, Tesquil (invented): new dossier; filed 1 number, 1 specification,"
    )
    assert "Known already: 3." in run("add", PLAN, "--instrument", "UY-0417").output
    assert "UY-0417, Tesquil (invented)" in run("find", "tesq", "0417").output
    assert "Nothing found" in run("find", "quenlo", status=1).output
    shown = run("show", "UY-0417").output
    assert "[M. Tessquin]" in shown
    assert shown.count("\n") == 7
    noted = run("note", "UY-0417", "Seated fret 7.", "--station", "2").output
    assert "Seated fret 7. station 2" in noted
    checked = run("verify").output
    assert "1 dossier has entries that no signature covers yet; sign them with --sign." in checked
    assert "Everything is as it was filed." in run("verify", "--sign").output
    history = run("history", "UY-0417", "--picture", "story.svg").output
    assert history.count("measurement ") == 1
    assert (place / "story.svg").read_text(encoding="utf-8").startswith("<svg")
    assert "both sides give" in run("backup", "copy").output
    assert "labels" in run("doctor").output


@pytest.mark.slow
def test_everything_can_be_read_by_a_program() -> None:
    added = json.loads(run("add", PLAN, "--serial", "UY-0417", "--json").output)
    assert added["line"]["serial"] == "UY-0417"
    (found,) = json.loads(run("find", "uy", "--json").output)["dossiers"]
    assert found == added["line"]
    shown = json.loads(run("show", "UY-0417", "--json").output)
    assert shown["entries"][0]["said"]["sentence"].startswith("Dossier of the instrument")
    (point,) = json.loads(run("history", "UY-0417", "--json").output)["points"]
    assert point["kind"] == "measurement"
    seen = json.loads(run("verify", "--json").output)
    assert seen["sound"]
    assert seen["entries"] == 5
    note = json.loads(run("note", "UY-0417", "Nut worn.", "--json").output)
    assert note["kind"] == "note"


def test_a_damaged_archive_is_told_with_status_1(place: Path) -> None:
    run("add", PLAN, "--serial", "UY-0417")
    with closing(sqlite3.connect(place / "shop" / "archive.db")) as connection, connection:
        connection.execute("UPDATE entry SET kind = 'note' WHERE number = 5")
    told = run("verify", status=1).output
    assert "!! Entry 5" in told
    assert "does not match its hash" in told
    assert "Not everything is as filed." in told
    saved = run("doctor", "--save-to", "saved", status=1).output
    assert "4 entries, 2 documents and 0 files saved; 1 entry, 0 documents" in saved


@pytest.mark.slow
def test_entries_that_were_cut_off_count_as_lost(place: Path) -> None:
    run("add", PLAN, "--serial", "UY-0417")
    for number in range(40):
        run("note", "UY-0417", f"{number} " + "word " * 200)
    run("add", PROOF, "--instrument", "UY-0417")
    database = place / "shop" / "archive.db"
    database.write_bytes(database.read_bytes()[: database.stat().st_size // 2])
    saved = json.loads(run("doctor", "--save-to", "saved", "--json", status=1).output)
    assert saved["entries"] + saved["lost_entries"] == 46
    assert saved["lost_entries"] > 0


@pytest.mark.slow
def test_an_entry_that_is_no_json_any_more_is_one_sentence(place: Path) -> None:
    run("add", PLAN, "--serial", "UY-0417")
    with closing(sqlite3.connect(place / "shop" / "archive.db")) as broken, broken:
        broken.execute("UPDATE entry SET facts = substr(facts, 1, 20) WHERE kind = 'plan'")
    for command in (["doctor"], ["show", "UY-0417"], ["export", "--as", "csv", "-o", "tables"]):
        said = run(*command, status=2).output
        assert re.match(r"evenfall: entry [0-9a-f]{12}: What an entry says is damaged\.", said)
    assert not (place / "tables").exists()


def test_a_copy_that_fails_leaves_nothing(place: Path) -> None:
    (place / "neck.ply").write_bytes(b"ply\n")
    run("add", PLAN, "neck.ply", "--serial", "UY-0417")
    (kept,) = (place / "shop" / "files").glob("??/*")
    kept.unlink()
    assert "is gone" in run("backup", "copy", status=2).output
    assert not (place / "copy").exists()
    (place / "empty").mkdir()
    run("backup", "empty", status=2)
    assert list((place / "empty").iterdir()) == []


def test_a_file_that_is_there_is_not_filed_again(place: Path) -> None:
    (place / "neck.ply").write_bytes(b"ply\n")
    run("add", PLAN, "neck.ply", "--serial", "UY-0417")
    (place / "other.ply").write_bytes(b"ply\n")
    told = run("add", "neck.ply", "other.ply", "--instrument", "UY-0417").output
    assert "filed nothing new. Known already: 1." in told


@pytest.mark.quick(2)
@pytest.mark.parametrize(
    ("command", "told"),
    [
        (("show", "UY-9999"), 'No dossier goes by "UY-9999"'),
        (("add",), "name no instrument"),
        (("add", "missing.json"), "no such file"),
        (("note", "UY-9999", "x"), "No dossier goes by"),
        (("restore", "nowhere"), "There is no archive here"),
        (("doctor", "--erase", "Nobody"), "No person of the name"),
        (("backup", "shop"), "already"),
        (("note", "UY-0417", "a\x1b[2Jb"), "words: Words are at most"),
        (("note", "UY-0417", " "), "There are no words to file"),
        (("note", "UY-0417", "", "--station", "2"), "There are no words to file"),
        (("note", "UY-0417", "x", "--part", "W-99"), 'No dossier goes by "W-99"'),
        (("note", "UY-0417", "x", "--on", "31.3.2026"), 'on: "31.3.2026" is not a day or time'),
        (("add", "--instrument", "UY-0417", "--on", "x"), 'on: "x" is not a day or time'),
        (("note", "UY-0417", "x", "--by", "a\nb"), "by: Numbers and names are one line"),
        (("note", "UY-0417", "x", "--cutter", "\a"), "cutter: Numbers and names are one line"),
        (
            ("note", "UY-0417", "x", "--calibrated", "2026-13-01"),
            'calibrated: "2026-13-01" is not a day',
        ),
        (("note", "UY-0417", "x", "--started", "soon"), 'started: "soon" is not a day'),
        (
            ("note", "UY-0417", "x", "--calibrated", "2026-03-01", "--valid-until", "2026-02-01"),
            "valid-until: 2026-02-01 is before 2026-03-01",
        ),
        (
            ("note", "UY-0417", "x", "--started", "2026-03-01T10:00", "--ended", "2026-02-28"),
            "ended: 2026-02-28 is before",
        ),
        (("note", "UY-0417", "x", "--valid-until", "2026-02-01"), "Only a calibration"),
        (("find", "x", "--archive", "mysql://x"), "is not an address of an archive"),
        (("find", "x", "--archive", ""), "Name the archive with --archive"),
        (("find", "x", "--archive", "postgresql://"), "This is not an address of a server"),
        (("find", "x", "--archive", "postgresql://h:port/d"), "This is not an address of a server"),
        (("find", "x", "--archive", "postgresql://[::1/d"), "This is not an address of a server"),
        (("find", "x", "--archive", "x" * 300), "There is no archive here"),
    ],
)
def test_bad_input_gets_one_sentence_and_status_2(command: tuple[str, ...], told: str) -> None:
    run("add", PLAN, "--serial", "UY-0417")
    result = run(*command, status=2)
    assert told in result.output
    assert "Traceback" not in result.output


def test_an_archive_that_is_not_there_is_not_made_by_looking(place: Path) -> None:
    assert "There is no archive here" in run("find", "x", status=2).output
    assert not (place / "shop").exists()


@pytest.mark.parametrize(
    ("command", "told"),
    [
        (("add", "plain.csv"), "These files name no instrument"),
        (("add", "plain.csv", "--instrument", "UY-0417"), "There is no archive here"),
        (("add", PLAN, "--on", "yesterday"), "yesterday"),
        (("import", "plain.csv"), "not an exchange file"),
    ],
)
def test_what_is_refused_makes_no_archive(
    place: Path, command: tuple[object, ...], told: str
) -> None:
    (place / "plain.csv").write_text("value,unit\n0.2,mm\n" * 3, encoding="utf-8")
    assert told in run(*command, status=2).output
    assert not (place / "shop").exists()


def step(*command: object, status: int | tuple[int, ...] = (0, 1)) -> Result:
    """Run a step of a job, whose status 1 says that something is left to settle."""
    result = CliRunner().invoke(main, list(map(str, command)))
    allowed = (status,) if isinstance(status, int) else status
    assert result.exit_code in allowed, result.output
    return result


@pytest.mark.slow
def test_a_whole_job_goes_through_the_archive_without_files_in_between(place: Path) -> None:
    for name in ("spec.toml", "before.csv", "settled.csv", "after.csv"):
        full = f"tesquil.{name}" if name == "spec.toml" else f"tesquil-{name}"
        (place / name).write_bytes(ef.Source.invented(full).content or b"")
    known = ("--spec", "spec.toml", "--serial", "UY-0417")
    told = step("measure", "before.csv", *known).output
    assert "in a new dossier of UY-0417, Tesquil (invented): 1 number, 1 file of readings," in told
    assert ": 1 plan." in step("plan", "UY-0417").output
    step("measure", "settled.csv", *known)
    step("plan", "UY-0417", "--settled", "--json")
    assert ": 1 page." in step("sheet", "UY-0417", "-o", "sheet.pdf").output
    told = step("prove", "UY-0417", "after.csv").output
    assert ": 1 file of readings, 1 page, 1 measurement, 1 proof." in told
    assert sorted(path.name for path in place.glob("*.json")) == []
    kinds = [e["kind"] for e in json.loads(run("show", "UY-0417", "--json").output)["entries"]]
    assert kinds.count("plan") == 2
    assert kinds[-4:] == ["readings", "page", "measurement", "proof"]
    assert json.loads(run("verify", "--json").output)["unsigned"] == 0
    refused = step("sheet", "UY-0417", "-o", "again.pdf", status=2).output
    assert "is done: proof" in refused
    assert not (place / "again.pdf").exists()
    step("prove", "UY-0417", "after.csv")  # judged once more
    step("plan", "UY-0417", "--settled", "--json")  # from the readings after the work


@pytest.mark.slow
def test_who_did_a_step_and_when_are_filed_with_it(place: Path) -> None:
    for name in ("tesquil.spec.toml", "tesquil-before.csv"):
        (place / name).write_bytes(ef.Source.invented(name).content or b"")
    known = ("--spec", "tesquil.spec.toml", "--serial", "UY-0417")
    who = ("--by", "Q. Ulbrenq", "--on", "2024-05-02")
    step("measure", "tesquil-before.csv", *known, *who)
    shown = run("show", "UY-0417").output
    (line,) = (one for one in shown.splitlines() if " measurement " in one)
    assert line.startswith("2024-05-02 ")
    assert "[Q. Ulbrenq]" in line
    assert "2024-05-02" in run("history", "UY-0417").output
    refused = step("plan", "UY-0417", "--settled", "--on", "soon", status=2).output
    assert 'on: "soon" is not a day or time' in refused
    assert ": 1 plan." in step("plan", "UY-0417", *who).output


@pytest.mark.slow
def test_every_step_takes_the_number_of_a_dossier(place: Path) -> None:
    for name in ("yard.machine.toml", "yard.cutters.toml"):
        (place / name).write_bytes(ef.Source.invented(name).content or b"")
    run("add", PLAN, "--serial", "UY-0417")
    assert "Tesquil" in step("diagnose", "UY-0417").output
    assert "Tesquil" in step("pitch", "UY-0417").output
    assert json.loads(step("neck", "UY-0417", "--json").stdout)
    machine = ("--machine", "yard.machine.toml", "--cutters", "yard.cutters.toml")
    cut = ("--accept-stiffness", "measured on this bench", "-o", "cut.ngc")
    told = step("program", "UY-0417", *machine, *cut).output
    assert "Filed in the dossier of UY-0417, Tesquil (invented): 1 program." in told
    step("program", "check", "cut.ngc", "--plan", "UY-0417", *machine, *cut[:2])
    assert "Program cut.ngc." in run("show", "UY-0417").output
    for name in ("diagnose", "pitch", "neck", "play"):
        assert "No dossier goes by" in step(name, "UY-9999", status=2).output


@pytest.mark.slow
def test_a_batch_of_wire_is_kept_and_fitted() -> None:
    run("add", PLAN, "--serial", "UY-0417")
    run("add", "--subject", "wire batch", "--name", "W-12")
    told = run("note", "W-12", "Two coils.", "--amount", "4 m", "--crown-height", "1.2").output
    assert "received" in told
    assert "crown height 1.200 mm" in told
    assert "Fitted W-12" in run("note", "UY-0417", "frets 1 to 20", "--part", "W-12").output
    assert "UY-0417" in run("find", "w-12").output


@pytest.mark.slow
def test_a_path_that_is_there_wins_over_a_number(place: Path) -> None:
    run("add", PLAN, "--serial", "UY-0417")
    (place / "UY-0417").write_bytes((STORED / "quenlo.measurement@1.json").read_bytes())
    made = json.loads(step("plan", "UY-0417", "--json").stdout)
    assert made["measurement"]["model"].startswith("Quenlo")
    (place / "UY-0417").unlink()
    made = json.loads(step("plan", "UY-0417", "--settled", "--json").stdout)
    assert made["measurement"]["model"].startswith("Tesquil")


@pytest.mark.slow
def test_a_measurement_from_before_the_work_is_not_planned_from_again() -> None:
    run("add", PLAN, PROOF, "--serial", "UY-0417")
    refused = step("plan", "UY-0417", "--settled", status=2).output
    assert "was taken before the work of proof" in refused
    assert "read the instrument again and file it" in refused


@pytest.mark.slow
def test_a_part_of_a_number_is_enough_to_look_but_not_to_file() -> None:
    run("add", PLAN, "--serial", "UY-0417")
    assert "UY-0417" in run("show", "417").output
    for refused in (
        run("note", "417", "Nut worn.", status=2),
        run("add", PROOF, "--instrument", "UY", status=2),
        step("plan", "tesquil", status=2),
        step("sheet", "041", status=2),
    ):
        assert "as a whole; near it: UY-0417, Tesquil (invented) (" in refused.output
    told = run("note", "uy-0417", "Nut worn.").output
    assert told.startswith("UY-0417, Tesquil (invented): filed note ")


def test_words_of_several_lines_forge_no_entry(place: Path) -> None:
    run("add", PLAN, "--serial", "UY-0417")
    run("note", "UY-0417", "Nut worn.\n2026-01-01 10:00  proof          conforms")
    lines = run("show", "UY-0417").output.splitlines()
    assert lines[-1] == " " * 33 + "2026-01-01 10:00 proof conforms"
    run("note", "UY-0417", "ok", "--calibrated", "2026-01-05", "--valid-until", "2027-01-05")
    told = run("show", "UY-0417").output
    assert "Calibrated 2026-01-05, valid until 2027-01-05: ok" in told


@pytest.mark.slow
def test_a_page_survives_control_characters_that_were_filed_before(place: Path) -> None:
    run("add", PLAN, "--serial", "UY-0417")
    with ef.archive(str(place / "shop")) as dossiers:
        words = Filing("note", {"words": "a\x1b[2Jb\x00c\nd"})
        object.__setattr__(words, "person", "M.\x07 T.")  # as names were taken once
        dossiers.archive.file(dossiers.named("UY-0417"), [words])
    for kind in ("pdf", "html"):
        assert "Wrote" in run("show", "UY-0417", "-o", f"dossier.{kind}").output
    assert "\x1b" not in run("show", "UY-0417").output


@pytest.mark.slow
def test_a_story_of_one_document_and_of_none_say_so(place: Path) -> None:
    run("add", "--subject", "gauge", "--name", "dial 3")
    assert run("history", "dial 3").output == "dial 3: No measurement or proof is filed yet.\n"
    run("add", PLAN, "--serial", "UY-0417")
    run("history", "UY-0417", "--picture", "story.svg")
    assert "1 document of 20" in (place / "story.svg").read_text(encoding="utf-8")


def test_an_archive_without_entries_is_said_to_be_empty(place: Path) -> None:
    with ef.archive(str(place / "shop"), make=True) as dossiers:
        assert list(dossiers.archive.dossiers()) == []
    assert run("verify").output == "The archive is empty.\n"


def test_a_serial_is_one_whatever_its_case_and_space() -> None:
    run("add", PLAN, "--serial", "UY-0417")
    assert "Known already" in run("add", PLAN, "--serial", " uy-0417 ").output
    assert run("find", "0417").output.count("\n") == 1


@pytest.mark.slow
def test_what_the_archive_refuses_leaves_no_file(place: Path) -> None:
    run("add", PLAN, "--serial", "UY-0417")
    run("add", PLAN, "--serial", "UY-0417", "--new")
    for name in ("tesquil.spec.toml", "tesquil-before.csv"):
        (place / name).write_bytes(ef.Source.invented(name).content or b"")
    known = ("--spec", "tesquil.spec.toml", "--serial", "UY-0417", "-o", "made.json")
    refused = step("measure", "tesquil-before.csv", *known, status=2).output
    assert "evenfall archive add FILE --instrument ID, or --new" in refused
    assert not (place / "made.json").exists()


@pytest.mark.slow
def test_a_number_of_two_instruments_lists_them_and_status_is_2() -> None:
    run("add", PLAN, "--serial", "UY-0417")
    run("add", PLAN, "--serial", "UY-0417", "--new")
    refused = step("plan", "UY-0417", status=2).output
    assert '2 dossiers go by "UY-0417"' in refused
    assert refused.count("UY-0417, Tesquil (invented) (") == 2
    refused = step("sheet", "missing.plan.json", status=2).output
    assert 'There is no file "missing.plan.json". A step that works with an archive' in refused


@pytest.mark.slow
def test_dossiers_go_to_a_partner_who_trusts_the_key(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("add", PLAN, PROOF, "--serial", "UY-0417", "--by", "M. Tessquin")
    assert (
        "6 entries exported: 3 in full, 3 as hashes."
        in run("export", "UY-0417", "-o", "lot.zip").output
    )
    monkeypatch.setenv("EVENFALL_SETTINGS", str(place / "partner"))
    untrusted = run("import", "lot.zip", "--archive", "theirs", status=1).output
    assert "Not filed: nobody here trusts the key" in untrusted
    key = untrusted.partition("trusts the key ")[2][:64]
    taken = run("import", "lot.zip", "--trust", key, "--archive", "theirs").output
    assert "6 new, 0 known already, 0 completed." in taken
    assert "0 new, 6 known" in run("import", "lot.zip", "--archive", "theirs").output
    shown = run("show", "UY-0417", "--archive", "theirs").output
    assert "Withheld by the site that filed it." in shown
    assert "Tessquin" not in shown
    assert "not an exchange file" in run("import", PLAN, status=2).output


@pytest.mark.slow
def test_an_import_says_which_numbers_collide() -> None:
    run("add", PLAN, "--serial", "UY-0417")
    run("export", "-o", "first.zip", "--showing", "all")
    run("import", "first.zip", "--archive", "theirs")
    for shop, number in (("shop", "UY-0471"), ("theirs", "UY-0741")):
        run("add", "--instrument", "UY-0417", "--serial", number, "--archive", shop)
    run("add", "--name", "Dolqua", "--serial", "UY-0471", "--archive", "theirs")
    run("export", "-o", "second.zip", "--showing", "all")
    told = run("import", "second.zip", "--archive", "theirs", status=1).output
    assert "Two sites corrected one number: " in told
    assert "UY-0471" in told
    assert "UY-0741" in told
    values = json.loads(
        run("import", "second.zip", "--archive", "theirs", "--json", status=1).output
    )
    assert values["collisions"][0]["sentence"] in told


@pytest.mark.slow
def test_a_number_that_another_instrument_has_is_named_by_an_import() -> None:
    run("add", PLAN, "--serial", "UY-0417")
    run("export", "-o", "lot.zip")
    run("add", "--name", "Dolqua", "--serial", "UY-0417", "--archive", "theirs")
    told = run("import", "lot.zip", "--archive", "theirs").output
    assert "its serial number is also that of UY-0417, Dolqua (" in told


@pytest.mark.slow
def test_results_and_tables_go_out(place: Path) -> None:
    run("add", PLAN, PROOF, "--serial", "UY-0417", "--by", "M. Tessquin")
    told = run("export", "UY-0417", "--as", "qif", "-o", "results.qif").output
    assert told == "Wrote results.qif\n"
    assert b"<SerialNumber>UY-0417<" in (place / "results.qif").read_bytes()
    told = run("export", "--as", "csv", "-o", "tables").output
    assert "dossiers: 1 row." in told
    assert (place / "tables" / "csv-metadata.json").exists()
    values = json.loads(run("export", "--as", "parquet", "-o", "more", "--json").output)
    assert values["rows"]["entries"] == 6
    refused = run("export", "--as", "csv", "-o", "tables", status=2).output
    assert "files in this folder already" in refused
    run("add", "--subject", "gauge", "--name", "dial 3")
    refused = run("export", "dial 3", "--as", "qif", "-o", "x.qif", status=2).output
    assert "No proof is filed here yet" in refused
    assert not (place / "x.qif").exists()


def test_one_document_comes_out_as_the_file_it_was(place: Path) -> None:
    (place / "neck.ply").write_bytes(b"ply\n")
    run("add", PLAN, "neck.ply", "--serial", "UY-0417")
    run("export", "UY-0417", "--document", "plan", "-o", "out.json")
    assert json.loads((place / "out.json").read_text()) == json.loads(PLAN.read_text())
    run("export", "UY-0417", "--document", "neck.ply", "-o", "out.ply")
    assert (place / "out.ply").read_bytes() == b"ply\n"
    run("export", "UY-0417", "--document", "specification", "-o", "out.toml")
    assert "[model]" in (place / "out.toml").read_text()
    told = run("export", "UY-0417", "--document", "proof", "-o", "x.json", status=2).output
    assert (
        '"proof" means 0 documents of this dossier; name one of them: "specification.toml"' in told
    )
    assert "needs the number" in run("export", "--document", "plan", "-o", "x", status=2).output
    assert not (place / "x.json").exists()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["pdf", "html"])
def test_a_dossier_is_one_page_on_paper_and_on_screen(place: Path, kind: str) -> None:
    run("add", PLAN, PROOF, "--serial", "UY-0417", "--by", "M. Tessquin")
    run("note", "UY-0417", "<b>Seated</b> fret 7.", "--station", "2")
    assert f"Wrote dossier.{kind}" in run("show", "UY-0417", "-o", f"dossier.{kind}").output
    page = place / f"dossier.{kind}"
    if kind == "pdf":
        told = subprocess.run(
            ["pdftotext", "-layout", str(page), "-"], capture_output=True, text=True, check=True
        ).stdout
    else:
        told = page.read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
        assert "<b>Seated</b>" not in told
        assert "evenfall:dossier:" in told
    for words in ("UY-0417", "M. Tessquin", "invented example", "Proof", "signed", "fret 7."):
        assert words in told
    assert "must end in .pdf or .html" in run("show", "UY-0417", "-o", "x.txt", status=2).output
