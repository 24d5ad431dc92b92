"""The use cases of an archive, from files of a job to a dossier and its story, on both engines."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import update

import evenfall as ef
from evenfall.errors import FormatMismatchError, RequestError
from evenfall.records import Filing, upkeep
from evenfall.records.entries import KINDS
from evenfall.records.tables import ENTRY
from evenfall.wording import say
from evenfall.workshop.archive_filing import papers_of
from evenfall.workshop.archive_views import filed_words
from evenfall.workshop.archives import Dossiers

STORED = Path(__file__).parent / "files"


def stored(name: str) -> ef.Source:
    return ef.Source(str(STORED / name))


MEASUREMENT = stored("tesquil-settled.measurement@1.json")
PLAN = stored("tesquil-settled.plan@1.json")
PROOF = stored("tesquil.proof@1.json")


@pytest.fixture
def dossiers(new_address: Callable[[str], str]) -> Iterator[Dossiers]:
    with ef.archive(new_address("shop"), make=True) as opened:
        yield opened


def add(dossiers: Dossiers, *files: ef.Source, **more: object) -> str:
    request = ef.AddRequest(files, serial="UY-0417", **more)  # type: ignore[arg-type]
    return dossiers.add(request).line.dossier


def test_a_job_is_filed_with_all_it_was_made_from(dossiers: Dossiers) -> None:
    added = dossiers.add(ef.AddRequest((PLAN, PROOF), serial="UY-0417", person="M. Tessquin"))
    assert added.new == (*("opened", "alias", "specification", "measurement", "plan", "proof"),)
    again = dossiers.add(ef.AddRequest((MEASUREMENT, PLAN), instrument="UY-0417"))
    assert again.new == ()
    assert again.known == 3
    shown = dossiers.show("uy-0417")
    assert shown.line.title == "UY-0417, Tesquil (invented)"
    assert [entry.kind for entry in shown.entries] == list(added.new)
    assert {entry.person for entry in shown.entries} == {"M. Tessquin"}
    assert shown.entries[-1].signed  # a verdict was filed
    words = [say(entry.said) for entry in shown.entries]
    proof = json.loads(Path(PROOF.name).read_text(encoding="utf-8"))
    assert words[-1] == f"Proof {proof['content_hash'][:10].upper()}: {proof['verdict']}."
    assert dossiers.verify().sound
    assert dossiers.find(proof["content_hash"][:10])[0].dossier == shown.line.dossier


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_filed_is_counted_in_words(kind: str) -> None:
    one, two = filed_words([kind]), filed_words([kind] * 2)
    assert one.startswith("1 ")
    assert two.startswith("2 ")
    assert re.search(r"\w(?<!s)s\b", two), two  # in the plural, and with one s
    assert not re.search(r"[^aeious]ys\b|ss\b|eds\b", two), two
    assert filed_words(["note", kind, "note"]).startswith("3 " if kind == "note" else "2 notes, 1 ")


def test_a_document_comes_out_as_it_was_filed(dossiers: Dossiers) -> None:
    add(dossiers, PLAN)
    source = dossiers.latest("UY-0417", "plan")
    given = json.loads(Path(PLAN.name).read_text(encoding="utf-8"))
    assert source.name == "UY-0417.plan.json"
    assert json.loads(source.text()) == given
    with pytest.raises(RequestError, match="holds no proof yet"):
        dossiers.latest("UY-0417", "proof")


@pytest.mark.slow
def test_a_document_is_named_by_the_code_that_the_dossier_shows(dossiers: Dossiers) -> None:
    add(dossiers, PLAN, PROOF)
    for kind in ("measurement", "plan", "proof", "specification"):
        newest = dossiers.document("UY-0417", kind)
        (said,) = (e.said for e in dossiers.show("UY-0417").entries if e.kind == kind)
        code = str(said.values["content_hash"])
        assert code in say(said)
        for given in (code, code.lower(), code[:8]):
            assert dossiers.document("UY-0417", given) == newest
    with pytest.raises(RequestError, match="means 0 documents"):
        dossiers.document("UY-0417", code[:7])


@pytest.mark.slow
def test_a_document_with_an_erased_name_is_still_worked_with(dossiers: Dossiers) -> None:
    before = ef.Source.invented("tesquil-before.csv")
    spec = ef.Source.invented("tesquil.spec.toml")
    values = json.loads(Path(PROOF.name).read_text(encoding="utf-8"))
    proof = ef.Proof.from_dict(values)
    accepted = ef.Accepted("coarse", "", "only a rough look", "M. Tessquin")
    named = dataclasses.replace(proof, accepted=(accepted,))
    dossiers.file(named, ef.measure(ef.MeasureRequest((before,), spec)).measurement)
    (line,) = dossiers.find("tesquil")
    latest = dossiers.latest(line.dossier, "proof").text()
    assert ef.Proof.from_dict(json.loads(latest)) == named
    pseudonym = dossiers.erase("M. Tessquin")
    latest = dossiers.latest(line.dossier, "proof").text()
    assert "Tessquin" not in latest
    assert ef.Proof.from_dict(json.loads(latest)).accepted[0].person == pseudonym
    assert dossiers.verify().sound


@pytest.mark.slow
def test_the_story_has_a_point_for_each_document_that_measured(dossiers: Dossiers) -> None:
    add(dossiers, PLAN, PROOF)
    told = dossiers.history("UY-0417")
    assert [point.kind for point in told.points] == ["measurement", "proof"]
    measured = json.loads(Path(MEASUREMENT.name).read_text(encoding="utf-8"))
    lowest = min(v for row in measured["crown_height_mm"] for v in row)
    assert told.points[0].lowest_crown_mm == pytest.approx(lowest, abs=1e-4)
    proof = json.loads(Path(PROOF.name).read_text(encoding="utf-8"))
    (relief,) = (i["value"] for i in proof["items"] if i["quantity"] == "relief")
    assert told.points[1].relief_mm == pytest.approx(relief, abs=1e-4)
    assert told.points[1].status == proof["verdict"]
    for unit in ("mm", "in"):
        drawing = told.drawing(unit)  # type: ignore[arg-type]
        assert drawing.startswith("<svg")
        for point in told.points:
            assert point.code in drawing


@pytest.mark.slow
def test_readings_that_were_judged_stand_in_the_story_once(dossiers: Dossiers) -> None:
    add(dossiers, PLAN)
    after = ef.Source.invented("tesquil-after.csv")
    plan = dossiers.latest("UY-0417", "plan")
    outcome = ef.prove(ef.ProveRequest(plan, after))
    dossiers.file(outcome.after, instrument="UY-0417")
    assert [p.kind for p in dossiers.history("UY-0417").points] == ["measurement", "measurement"]
    dossiers.file(outcome.proof, instrument="UY-0417")
    points = dossiers.history("UY-0417").points
    assert [point.kind for point in points] == ["measurement", "proof"]
    assert points[1].status == outcome.proof.verdict


def test_an_empty_story_says_so(dossiers: Dossiers) -> None:
    dossiers.add(ef.AddRequest(subject="gauge", name="dial 3"))
    assert "No measurement or proof is filed yet." in dossiers.history("dial 3").drawing()


def test_a_serial_arrives_later_and_is_corrected(dossiers: Dossiers) -> None:
    spec = ef.Source.invented("tesquil.spec.toml")
    first = dossiers.add(ef.AddRequest((spec,), job="J-88"))
    assert first.line.title == "J-88, Tesquil (invented)"
    dossiers.add(ef.AddRequest(instrument="J-88", serial="UY-0714"))
    last = dossiers.add(ef.AddRequest(instrument="J-88", serial="UY-0417"))
    assert (last.line.serial, last.line.job) == ("UY-0417", "J-88")
    shown = dossiers.show("UY-0714")
    assert [e.corrected for e in shown.entries if e.kind == "alias"] == [False, True, False]
    assert shown.conflicts == ()


def test_a_serial_of_two_instruments_asks_which(dossiers: Dossiers) -> None:
    one = add(dossiers, PLAN)
    two = add(dossiers, PLAN, new=True)
    assert one != two
    with pytest.raises(RequestError, match="2 dossiers go by") as refused:
        dossiers.show("UY-0417")
    assert one[:12] in str(refused.value)
    assert two[:12] in str(refused.value)
    with pytest.raises(RequestError, match="is in the archive already"):
        add(dossiers, PLAN)
    assert dossiers.show(two[:12]).line.dossier == two
    other = dossiers.add(ef.AddRequest((stored("quenlo.measurement@1.json"),)))
    assert other.line.name.startswith("Quenlo")


@pytest.mark.slow
def test_what_follows_from_a_document_without_a_number_joins_it(dossiers: Dossiers) -> None:
    first = dossiers.add(ef.AddRequest((MEASUREMENT,)))
    then = dossiers.add(ef.AddRequest((PLAN,)))
    assert then.line.dossier == first.line.dossier
    assert then.new == ("plan",)
    apart = dossiers.add(ef.AddRequest((PLAN,), new=True))
    assert apart.line.dossier != first.line.dossier
    with pytest.raises(RequestError, match="in several dossiers"):
        dossiers.add(ef.AddRequest((PROOF,)))


@pytest.mark.parametrize("given", [{"serial": "UY\x1b[3m"}, {"job": "a\nb"}, {"name": "x" * 201}])
def test_what_no_list_could_show_is_refused(dossiers: Dossiers, given: dict[str, str]) -> None:
    with pytest.raises(RequestError, match="one line of at most 200 printable"):
        dossiers.add(ef.AddRequest((PLAN,), **given))


@pytest.mark.slow
def test_a_number_spelt_otherwise_is_of_the_same_instrument(dossiers: Dossiers) -> None:
    papers = []
    for read, file, number in (
        (ef.Measurement, MEASUREMENT, "UY-0417"),
        (ef.Proof, PROOF, "uy-0417"),
    ):
        stored = json.loads(Path(file.name).read_text(encoding="utf-8"))
        made = read.rehashed(stored | {"serial": number}).as_dict()
        papers.append(ef.Source(file.name, json.dumps(made).encode()))
    assert add(dossiers, *papers) == dossiers.named("UY-0417")


def test_what_cannot_be_filed_leaves_no_archive(tmp_path: Path) -> None:
    place = tmp_path / "shop"
    with ef.archive(str(place), make=True) as opened, pytest.raises(RequestError, match="no instr"):
        opened.add(ef.AddRequest())
    assert not place.exists()


def test_files_of_two_instruments_are_not_mixed(dossiers: Dossiers) -> None:
    with pytest.raises(RequestError, match="several instruments"):
        add(dossiers, PLAN, stored("quenlo.measurement@1.json"))
    with pytest.raises(RequestError, match="name no instrument"):
        dossiers.add(ef.AddRequest((ef.Source("photo.jpg", b"\xff\xd8"),)))
    with pytest.raises(FormatMismatchError, match="Nothing of this kind"):
        papers_of(ef.Source("words.docx", b"PK"))
    assert list(dossiers.archive.dossiers()) == []


def test_gauges_have_dossiers_with_calibrations_and_check_readings(dossiers: Dossiers) -> None:
    dossiers.add(ef.AddRequest(subject="gauge", name="dial 3", serial="G-3"))
    facts = {"date": "2026-01-05", "valid_until": "2027-01-05"}
    dossiers.note(ef.NoteRequest("G-3", "within limits", facts=facts))
    reading = {"standard": "5 mm block", "reference_mm": 5.0, "read_mm": 5.001}
    told = dossiers.note(ef.NoteRequest("G-3", "", "Q. Ulbrenq", facts=reading))
    assert say(told.said) == "Check standard 5 mm block: 5.001 mm read, 5.000 mm stated."
    kinds = [entry.kind for entry in dossiers.show("dial 3").entries]
    assert kinds == ["opened", "alias", "calibration", "check"]


def test_photos_pages_and_scans_are_kept_as_they_are(dossiers: Dossiers) -> None:
    add(dossiers, PLAN)
    photo, page = ef.Source("n.jpg", b"\xff\xd8\xff"), ef.Source("c.pdf", b"%PDF-1.7")
    scan = ef.Source("neck.ply", b"ply\n")
    dossiers.note(ef.NoteRequest("UY-0417", "Crack at fret 3.", photos=(photo,)))
    added = dossiers.add(ef.AddRequest((page, scan), instrument="UY-0417"))
    assert added.new == ("page", "scan")
    assert len(list(dossiers.archive.files.names())) == 3
    assert dossiers.verify().files == 3


def test_a_plan_of_an_archive_is_proved(dossiers: Dossiers) -> None:
    add(dossiers, PLAN)
    after = ef.Source.invented("tesquil-after.csv")
    made = ef.prove(ef.ProveRequest(dossiers.latest("UY-0417", "plan"), after)).proof
    dossiers.file(made, instrument="UY-0417")
    assert dossiers.history("UY-0417").points[-1].status == made.verdict


def test_backup_and_restore_give_the_same_archive(
    dossiers: Dossiers, new_address: Callable[[str], str], tmp_path: Path
) -> None:
    add(dossiers, PLAN, PROOF)
    copied = dossiers.backup(str(tmp_path / "backup"))
    with ef.archive(new_address("restored"), make=True) as empty:
        assert empty.restore(str(tmp_path / "backup")) == copied
        assert empty.show("UY-0417") == dossiers.show("UY-0417")
        assert empty.latest("UY-0417", "plan").text() == dossiers.latest("UY-0417", "plan").text()
        assert empty.verify().sound
    with pytest.raises(RequestError, match="already"):
        dossiers.restore(str(tmp_path / "backup"))
    with pytest.raises(RequestError, match="A backup is a folder"):
        dossiers.backup("postgresql://somewhere/x")
    with closing(sqlite3.connect(tmp_path / "backup" / "archive.db")) as broken, broken:
        broken.execute("DROP TABLE account")
    with ef.archive(str(tmp_path / "new"), make=True) as new, pytest.raises(RequestError):
        new.restore(str(tmp_path / "backup"))
    assert not (tmp_path / "new").exists()


@pytest.mark.slow
def test_what_a_file_would_come_to_is_said_before_it_is_filed(
    dossiers: Dossiers, new_address: Callable[[str], str], tmp_path: Path
) -> None:
    dossier = add(dossiers, PLAN)
    file = tmp_path / "lot.zip"
    dossiers.export([], file, shown="certificates")
    sent = ef.Source(str(file))
    with ef.archive(new_address("other"), make=True) as other:
        own = add(other, PLAN)  # the same serial number, in a dossier of another site
        told = other.look(sent)
        assert (told.trusted, told.absorbed, told.entries) == (True, None, 5)
        (coming,) = told.coming
        assert (coming.line.serial, coming.entries, coming.new, coming.completed) == (
            ("UY-0417", 5, 5, 0)
        )
        (collision,) = told.collisions
        assert own[:12] in say(collision)
        assert list(other.archive.dossiers()) == [own]
        filed = other.import_(sent)
        assert filed.absorbed is not None
        assert (filed.absorbed.new, filed.coming, filed.collisions) == (5, (), told.collisions)
        dossiers.export([], file, shown="all")
        (coming,) = other.look(sent).coming
        assert (coming.new, coming.completed) == (0, 3)
        other.import_(sent)
        dossiers.add(ef.AddRequest(instrument=dossier, serial="UY-0418"))
        other.add(ef.AddRequest(instrument=dossier, serial="UY-0419"))
        dossiers.export([], file)
        (line,) = other.look(sent).conflicts
        assert line.dossier == dossier
        assert not other.lines([dossier])[0].conflict  # nothing was filed


@pytest.mark.slow
def test_the_archive_says_what_it_holds_and_when_it_was_looked_after(
    dossiers: Dossiers, tmp_path: Path
) -> None:
    add(dossiers, PLAN, PROOF)
    dossiers.add(ef.AddRequest((ef.Source("neck.ply", b"ply\n"),), instrument="UY-0417"))
    held = dossiers.contents()
    assert (held.dossiers, held.files, held.files_bytes) == (1, 1, 4)
    assert held.entries == len(dossiers.show("UY-0417").entries)
    assert held.kinds["proof"] == held.kinds["plan"] == 1
    assert held.documents == dossiers.verify().documents
    assert held.database_bytes > 50_000
    assert (held.verified, held.backup) == (None, None)
    place = tmp_path / "backup"
    dossiers.backup(str(place))
    seen = dossiers.contents()
    assert seen.verified is not None
    assert seen.backup is not None
    assert (seen.verified.said, seen.backup.said) == ("sound", str(place))
    assert seen.verified.at <= seen.backup.at
    with ef.archive(str(place)) as copied:
        assert copied.contents().backup is None
        assert copied.contents().kinds == held.kinds


@pytest.mark.slow
def test_what_was_counted_is_kept_and_the_count_goes_on(
    dossiers: Dossiers, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(upkeep, "_MANY", 5)
    add(dossiers, PLAN)
    before = dossiers.contents().kinds
    with dossiers.archive.writing() as connection:  # entries that were counted are not read again
        connection.execute(update(ENTRY).values(kind="scan").where(ENTRY.c.kind == "plan"))
    assert dossiers.contents().kinds == before
    add(dossiers, PROOF)
    assert dossiers.contents().kinds == {**before, "proof": 1}


@pytest.mark.slow
def test_a_large_archive_is_counted_step_by_step(
    dossiers: Dossiers, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(dossiers, PLAN, PROOF)
    dossiers.add(ef.AddRequest((ef.Source("neck.ply", b"ply\n"),), instrument="UY-0417"))
    whole = dossiers.contents()
    assert whole.whole
    monkeypatch.setattr(upkeep, "_MANY", 2)
    monkeypatch.setattr(upkeep, "_STEP", 3)
    seen = dossiers.contents(waiting=True)
    assert (sum(seen.kinds.values()), seen.entries, seen.files) == (2, whole.entries, 0)
    assert not seen.whole
    left = [seen.uncounted]
    while not seen.whole:
        seen = dossiers.contents(step=True)
        left.append(seen.uncounted)
    assert [a - b for a, b in itertools.pairwise(left)][:-1] == [3] * (len(left) - 2)
    assert (seen.kinds, seen.files, seen.files_bytes) == (whole.kinds, 1, 4)
    again = dossiers.contents(waiting=True)  # what was counted is shown at once
    assert (again.kinds, again.files, again.uncounted, again.whole) == (whole.kinds, 1, 0, False)


def test_figures_that_are_not_known_are_left_out(dossiers: Dossiers) -> None:
    from evenfall.records.entries import Filed

    add(dossiers, PLAN)
    dossier = dossiers.named("UY-0417")
    facts = {"content_hash": "ab" * 32, "schema": "evenfall/measurement@1", "specification": ""}
    (entry,) = dossiers.archive.file(dossier, [Filing("measurement", facts)])
    read = entry.read()
    assert isinstance(read, Filed)
    assert math.isnan(read.relief_mm)
    assert "relief" not in str(entry.facts)
    assert "–" not in dossiers.history("UY-0417").drawing()[:50]


def test_what_was_accepted_is_an_entry_of_its_own_by_who_accepted_it(dossiers: Dossiers) -> None:
    plan = ef.Plan.from_dict(json.loads(Path(PLAN.name).read_text(encoding="utf-8")))
    proof = ef.Proof.from_dict(json.loads(Path(PROOF.name).read_text(encoding="utf-8")))
    burr = ef.Accepted("lone-crown", "7:3", "wire burr, filed off", "M. Tessquin")
    rough = ef.Accepted("coarse", "", "only a rough look", "")
    plan = dataclasses.replace(plan, accepted=(burr,))
    with_plan = dataclasses.replace(burr, with_plan=True)
    proof = dataclasses.replace(proof, accepted=(with_plan, rough))
    dossiers.file(plan, proof, person="Q. Ulbrenq")
    assert dossiers.file(plan, proof).new == ()
    (line,) = dossiers.find("tesquil")
    told = {say(e.said): e.person for e in dossiers.show(line.dossier).entries}
    codes = [made.content_hash[:10].upper() for made in (plan, proof)]
    words = f"Accepted for {codes[0]}: lone-crown@7:3. Reason: wire burr, filed off"
    assert told[words] == "M. Tessquin"
    assert told[f"Accepted for {codes[1]}: coarse. Reason: only a rough look"] == "Q. Ulbrenq"
    assert sum(words.startswith("Accepted") for words in told) == 2


def test_a_specification_alone_goes_into_the_dossier_of_its_model(dossiers: Dossiers) -> None:
    text = ef.Source.invented("tesquil.spec.toml").text()
    added = dossiers.add(ef.AddRequest((ef.Source("tesquil.toml", text.encode()),)))
    assert (added.line.subject, added.line.name) == ("model", "Tesquil (invented)")
    add(dossiers, PLAN)  # an instrument of that model has a dossier of its own
    revised = text.replace("relief = { value = 0.20", "relief = { value = 0.22")
    again = dossiers.add(ef.AddRequest((ef.Source("tesquil.toml", revised.encode()),)))
    assert (again.line.dossier, again.new) == (added.line.dossier, ("specification",))
    assert dossiers.named("model Tesquil (invented)") == added.line.dossier
    (found,) = dossiers.find("model tesq")
    assert found.dossier == added.line.dossier


@pytest.mark.slow
def test_wire_of_a_batch_leads_to_the_instruments_it_was_fitted_to(dossiers: Dossiers) -> None:
    add(dossiers, PLAN)
    dossiers.add(ef.AddRequest(subject="wire batch", name="W-12", maker="Ulbrenq (invented)"))
    facts = {"amount": "4 m", "material": "nickel silver", "crown_height_mm": 1.2}
    told = dossiers.note(ef.NoteRequest("W-12", "Two coils.", facts=facts))
    words = "Received: Two coils. amount 4 m, material nickel silver, crown height 1.200 mm"
    assert say(told.said) == words
    told = dossiers.note(ef.NoteRequest("UY-0417", "frets 1 to 20", facts={"part": "W-12"}))
    assert say(told.said) == "Fitted W-12, Ulbrenq (invented): frets 1 to 20"
    assert {line.subject for line in dossiers.find("w-12")} == {"wire batch", "instrument"}
    assert dossiers.named("wire batch W-12") != dossiers.named("UY-0417")
    with pytest.raises(RequestError, match="No dossier goes by"):
        dossiers.note(ef.NoteRequest("UY-0417", "x", facts={"part": "W-99"}))


def test_the_story_goes_by_when_it_was_measured(dossiers: Dossiers) -> None:
    add(dossiers, PLAN)
    earlier = ef.MeasureRequest(
        (ef.Source.invented("tesquil-before.csv"),), ef.Source.invented("tesquil.spec.toml")
    )
    measured = ef.measure(earlier).measurement
    dossiers.file(measured, instrument="UY-0417", person="Q. Ulbrenq", done="2023-05-02")
    points = dossiers.history("UY-0417").points
    assert points[0].at[:10] == "2023-05-02"
    assert points[0].code == measured.content_hash[:10].upper()
    assert "2023" in dossiers.history("UY-0417").drawing()
    shown = dossiers.show("UY-0417")
    assert [e.shown_at for e in shown.entries if e.done] == ["2023-05-02"]
    with pytest.raises(RequestError, match="not a day or time"):
        dossiers.add(ef.AddRequest(instrument="UY-0417", job="J", done="yesterday"))


def test_entries_carry_the_time_of_the_clock_that_is_given(
    new_address: Callable[[str], str],
) -> None:
    at = "2024-02-29T09:30:00.000000Z"
    with ef.archive(new_address("past"), make=True, clock=lambda: at) as past:
        dossier = add(past, PLAN, PROOF, person="M. Tessquin")
        assert {entry.at for entry in past.archive.entries(dossier)} == {at}
        assert {point.at for point in past.history(dossier).points} == {at}
        assert past.verify().sound
