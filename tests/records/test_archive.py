"""The contract of an archive, on both engines alike."""

from __future__ import annotations

import itertools
import json
import multiprocessing
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import select, text, update

from evenfall.errors import (
    BrokenFileError,
    ChangedError,
    EvenfallError,
    RequestError,
    UnsupportedError,
)
from evenfall.records import Archive, Filing, finding, open_archive
from evenfall.records.archive import Into
from evenfall.records.entries import sha256, standing
from evenfall.records.figures import figures_again
from evenfall.records.signing import SigningKey, signing_key
from evenfall.records.tables import ARCHIVE, ENTRY, LABEL
from evenfall.workshop.archive_views import said_of
from records import servers

OPENED = Filing("opened", {"subject": "instrument", "name": "Tesquil Nine", "maker": "Ulbrenq"})


def serial(value: str, corrects: str = "") -> Filing:
    return Filing("alias", {"sort": "serial", "value": value}, corrects=corrects)


def note(words: str, person: str = "") -> Filing:
    return Filing("note", {"words": words}, person=person)


def opened(archive: Archive, value: str = "UY-0417") -> str:
    return archive.file(None, [OPENED, serial(value)])[0].dossier


def test_what_was_filed_is_there_when_the_archive_is_opened_again(
    new_address: Callable[[str], str],
) -> None:
    address = new_address("again")
    with open_archive(address, make=True) as archive:
        dossier = opened(archive)
        filed = archive.file(dossier, [note("Nut worn."), note("Nut replaced.")])
        site = archive.site
    with open_archive(address) as archive:
        assert archive.site == site
        entries = archive.entries(dossier)
        assert entries[2:] == filed
        assert [entry.kind for entry in entries] == ["opened", "alias", "note", "note"]
        assert entries[0].before == ()
        for earlier, later in itertools.pairwise(entries):
            assert later.before == (earlier.hash,)
        facts = filed[1].read()
        assert facts.as_dict()["words"] == "Nut replaced."


def test_a_call_files_all_or_nothing(archive: Archive) -> None:
    dossier = opened(archive)
    with pytest.raises(RequestError, match="entry to correct"):
        archive.file(dossier, [note("kept?"), serial("X", corrects="f" * 64)])
    with pytest.raises(RequestError, match="no dossier"):
        archive.file("a" * 32, [note("nowhere")])
    with pytest.raises(BrokenFileError, match="subject"):
        archive.file(None, [Filing("opened", {"subject": "teapot", "name": "x"})])
    assert len(archive.entries(dossier)) == 2
    with archive.reading() as connection:
        assert connection.execute(select(ARCHIVE.c.entries)).scalar_one() == 2


def test_a_correction_names_the_old_entry_and_both_numbers_find(archive: Archive) -> None:
    dossier = opened(archive, "UY-0714")
    wrong = archive.entries(dossier)[1]
    (right,) = archive.file(dossier, [serial("UY-0417", corrects=wrong.hash)])
    entries = archive.entries(dossier)
    assert wrong in entries
    assert standing(entries, "alias") == (right,)
    assert archive.named("uy-0417") == archive.named("UY-0714") == (dossier,)


def test_one_serial_of_two_makers_names_two_dossiers(archive: Archive) -> None:
    one, two = opened(archive), opened(archive)
    assert archive.named("UY-0417") == tuple(sorted((one, two)))
    assert archive.named(one) == (one,)
    assert archive.named(one[:10]) == (one,)


def test_a_short_number_is_found_among_many_names_that_hold_it(archive: Archive) -> None:
    many = [
        Into(None, [Filing("opened", {"subject": "instrument", "name": f"Tesquil {word} 9"})])
        for word in range(101)
    ]
    archive.file_together(many)
    assert len(archive.named("9")) == 100  # nothing has it as a whole: those that share it
    with pytest.raises(ChangedError, match="meanwhile"):  # whoever looked before does not see it
        archive.file(None, [OPENED, serial("9")], looked={"9": ()})
    looked = {"9": archive.named("9")}
    dossier = archive.file(None, [OPENED, serial("9")], looked=looked)[0].dossier
    assert archive.named("9") == (dossier,)
    assert archive.named("9", most_looked_through=102) == (dossier,)
    with pytest.raises(RequestError, match="Too many names"):  # not that it has none
        archive.named("9", most_looked_through=101)
    with pytest.raises(ChangedError, match=dossier):  # and no second one is opened
        archive.file(None, [OPENED, serial("9")], looked=looked)


def test_words_find_by_their_beginning(archive: Archive) -> None:
    dossier = opened(archive)
    archive.file(None, [Filing("opened", {"subject": "gauge", "name": "dial 3"})])
    found = ["UY-0417, (Ulbrenq)", "UY-04", "uy-0417", "0417", "041", "tesq", "nine tesq"]
    found += ["ulb 041", "417"]
    for words in (*found, "( – )", "17", "tesquil eight", "%", ""):
        assert archive.find(words) == ((dossier,) if words in found else ()), words


@pytest.mark.slow
def test_finding_stops_at_the_limit_and_gives_each_dossier_once(archive: Archive) -> None:
    made = [opened(archive, f"QA-{number:04}") for number in range(60)]
    assert len(archive.find("qa", limit=20)) == 20
    assert sorted(archive.find("qa", limit=100)) == sorted(made)
    assert archive.find("qa-0059 tesquil") == (made[59],)


def test_the_rarer_of_two_words_that_many_share_leads(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    entry = archive.file(None, [OPENED])[0].hash

    def labelled(key: str, numbers: range) -> list[dict[str, str]]:
        return [{"key": key, "dossier": f"{n:032x}", "entry": entry} for n in numbers]

    with archive.writing() as connection:  # a batch of wire in the last of a model's instruments
        connection.execute(LABEL.insert(), labelled("yvrane", range(4000)))
        connection.execute(LABEL.insert(), labelled("193", range(3900, 4400)))

    def never(*_asked: object) -> tuple[str, ...]:
        raise AssertionError("all labels of both words were compared")

    monkeypatch.setattr(finding, "_compared_at_once", never)
    assert archive.find("yvrane 193", 30) == tuple(f"{n:032x}" for n in range(3900, 3930))


@pytest.mark.slow
def test_words_that_many_share_are_compared_at_once(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(40):
        opened(archive, f"{'UY' if number % 2 else 'TR'}-{number:04}")
    whole = {words: archive.find(words, 5) for words in ("tesquil uy", "ulb 00 tr", "nine 7 uy")}
    assert {words: len(found) for words, found in whole.items()} == {
        "tesquil uy": 5,
        "ulb 00 tr": 5,
        "nine 7 uy": 1,
    }
    monkeypatch.setattr(finding, "_TRIED", 0)
    for words, found in whole.items():
        at_once = archive.find(words, 50)
        assert set(found) <= set(at_once)
        assert len(at_once) == (1 if "7" in words else 20)
        assert archive.find(words, 5) == at_once[:5]


def test_documents_and_files_lie_there_once(archive: Archive) -> None:
    dossier = opened(archive)
    scan = bytes(range(256)) * 50
    values = {"heights": [1.5, None], "who": {"person": "M. Tessquin"}}
    filing = Filing("scan", {"title": "scan"}, documents={"s": "text"}, files={"a.ply": scan})
    archive.file(dossier, [filing, filing])
    archive.file(dossier, [Filing("scan", {"title": "x"}, documents={"d": values})])
    first, second, third = archive.entries(dossier)[2:]
    hashes = [one.sha256 for one in first.read().attached]
    assert hashes == [one.sha256 for one in second.read().attached]
    assert archive.document(hashes[0]) == "text"
    assert archive.files.read(sha256(scan)) == scan
    assert list(archive.files.names()) == [sha256(scan)]
    (document,) = third.read().attached
    assert archive.json_document(document.sha256) == values
    assert "Tessquin" not in archive.document(document.sha256)


def test_a_name_is_kept_once_and_can_be_erased_without_breaking_a_chain(archive: Archive) -> None:
    dossier = opened(archive)
    (entry,) = archive.file(dossier, [note("Seated fret 7.", "M. Tessquin")])
    values = {"accepted": [{"person": "M. Tessquin", "reason": "burr"}]}
    archive.file(dossier, [Filing("scan", {}, person="M. Tessquin", documents={"d": values})])
    before = archive.entries(dossier)
    assert archive.people([entry.person])[entry.person].name == "M. Tessquin"
    pseudonym = archive.erase("M. Tessquin")
    assert archive.entries(dossier) == before
    assert archive.people([entry.person])[entry.person].name == pseudonym
    (document,) = before[-1].read().attached
    assert archive.json_document(document.sha256)["accepted"][0]["person"] == pseudonym
    with archive.reading() as connection:
        for table in ("entry", "document", "person", "label"):
            rows = connection.execute(text(f"SELECT * FROM {table}")).all()  # noqa: S608
            assert "Tessquin" not in str(rows)
    with pytest.raises(RequestError, match="No person of the name"):
        archive.erase("M. Tessquin")
    (later,) = archive.file(dossier, [note("Back again.", "M. Tessquin")])
    assert later.person != entry.person  # nothing leads from the new number to the erased one


def test_a_clock_that_went_back_does_not_change_the_order(
    new_address: Callable[[str], str],
) -> None:
    times = iter(f"2026-05-0{day}T08:00:00.000000Z" for day in (4, 5, 2, 3))
    with open_archive(new_address("clock"), make=True, clock=lambda: next(times)) as archive:
        dossier = opened(archive)
        archive.file(dossier, [note("first"), note("second")])
        words = [e.read().as_dict().get("words") for e in archive.entries(dossier)]
        assert words[2:] == ["first", "second"]


def test_signatures_hold_for_their_entry_alone(archive: Archive, settings: Path) -> None:
    dossier = opened(archive)
    key = signing_key()
    (made,) = archive.sign(dossier, key)
    assert made.holds()
    assert archive.sign(dossier, key) == ()
    last = archive.entries(dossier)[-1].hash
    assert archive.signatures([last]) == (made,)
    assert (settings / "signing-key").stat().st_mode & 0o777 == 0o600
    assert signing_key().public == key.public
    archive.file(dossier, [note("later")])
    (next_one,) = archive.sign(dossier, key)
    assert next_one.entry != made.entry


def test_what_cannot_be_signed_with_its_filing_is_not_filed(
    archive: Archive, settings: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    dossier, key = opened(archive), signing_key()
    (signed,) = archive.file(dossier, [note("signed")], signed_by=key)
    assert [one.holds() for one in archive.signatures([signed.hash])] == [True]

    def fails(*_given: object) -> None:
        raise RequestError("The disk takes no more.")

    monkeypatch.setattr(SigningKey, "sign", fails)
    with pytest.raises(RequestError, match="no more"):
        archive.file(dossier, [note("unsigned")], signed_by=key)
    assert archive.entries(dossier)[-1] == signed
    assert settings.is_dir()


def _files_many(address: str, dossier: str, count: int) -> None:
    with open_archive(address) as archive:
        for number in range(count):
            archive.file(dossier, [note(f"note {number}")])


@pytest.mark.slow
def test_two_programs_that_write_at_once_both_get_through(
    new_address: Callable[[str], str],
) -> None:
    address = new_address("both")
    with open_archive(address, make=True) as archive:
        dossier = opened(archive)
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_files_many, args=(address, dossier, 25)) for _ in range(2)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
        assert writer.exitcode == 0
    with open_archive(address) as archive:
        entries = archive.entries(dossier)
        assert len(entries) == 52
        assert all(len(entry.before) == 1 for entry in entries[1:])
        with archive.reading() as connection:
            numbers = connection.execute(select(ENTRY.c.number).order_by(ENTRY.c.number))
            assert list(numbers.scalars()) == list(range(1, 53))


def test_a_reader_sees_one_state_while_another_writes(archive: Archive) -> None:
    dossier = opened(archive)
    count = text("SELECT count(*) FROM entry")
    with archive.reading() as connection:
        before = connection.execute(count).scalar_one()
        archive.file(dossier, [note("meanwhile")])
        assert connection.execute(count).scalar_one() == before
    with archive.reading() as connection:
        assert connection.execute(count).scalar_one() == before + 1


def test_a_writer_that_cannot_have_its_turn_says_so(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    from evenfall.records import engines

    dossier = opened(archive)
    monkeypatch.setattr(engines, "PATIENCE_S", 1)
    with open_archive(archive.address) as other, archive.writing() as connection:
        connection.execute(select(ARCHIVE).with_for_update()).all()
        with pytest.raises(RequestError, match="Another program has been writing"):
            other.file(dossier, [note("too late")])
    assert len(archive.entries(dossier)) == 2


def test_a_newer_schema_and_a_strange_database_are_refused(
    new_address: Callable[[str], str],
) -> None:
    address = new_address("newer")
    with open_archive(address, make=True) as archive:
        with archive.writing() as connection:
            connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
        with pytest.raises(UnsupportedError, match="schema 9999"):
            open_archive(address)
        with archive.writing() as connection:
            connection.execute(text("DROP TABLE alembic_version"))
        with pytest.raises(BrokenFileError, match="no archive in it"):
            open_archive(address)


def test_the_database_refuses_what_has_the_wrong_type(archive: Archive) -> None:
    opened(archive)
    with pytest.raises(EvenfallError), archive.writing() as connection:
        connection.execute(text("UPDATE archive SET entries = 'many'"))
    with pytest.raises(EvenfallError), archive.writing() as connection:
        connection.execute(text("INSERT INTO signature VALUES ('x', 'y', 'z', 'w')"))


def test_a_damaged_site_is_named(archive: Archive) -> None:
    with archive.writing() as connection:
        connection.execute(update(ARCHIVE).values(site="0" * 32))
    with pytest.raises(BrokenFileError, match="name of the site"):
        open_archive(archive.address)


@pytest.mark.parametrize("left", ['{"attached":[', "[1]", "[" * 10_000, "NULL"])
def test_facts_that_are_no_json_any_more_are_a_damaged_entry(archive: Archive, left: str) -> None:
    dossier = opened(archive)
    (entry,) = archive.file(dossier, [note("as it was")])
    assert entry.facts is not None
    assert sha256(entry.facts) == entry.facts_hash
    assert entry.values == json.loads(entry.facts)
    with archive.writing() as connection:
        facts = None if left == "NULL" else left
        connection.execute(update(ENTRY).filter_by(hash=entry.hash).values(facts=facts))
    damaged = archive.entries(dossier)[-1]
    if left == "NULL":  # withheld
        assert (damaged.values, [*damaged.attached]) == ({}, [])
        return
    for look in (lambda: damaged.values, damaged.read, lambda: said_of(damaged)):
        with pytest.raises(BrokenFileError, match="What an entry says is damaged") as told:
            look()
        assert entry.hash[:12] in told.value.at.field
    with pytest.raises(BrokenFileError), archive.writing() as connection:
        figures_again(connection)


@contextmanager
def who_may_only_read(folder: Path) -> Iterator[None]:
    """Go on as somebody who may read a folder and what is in it, and change nothing there."""
    nobody = 65534
    paths = [folder, *folder.rglob("*")]
    for path in paths:
        path.chmod(0o555 if path.is_dir() else 0o444)
    was_root = os.geteuid() == 0
    if was_root:
        os.seteuid(nobody)
    try:
        yield
    finally:
        if was_root:
            os.seteuid(0)
        for path in paths:
            path.chmod(0o755)


def test_a_folder_that_may_only_be_read_is_read(settings: Path) -> None:
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        folder = Path(place) / "archive"
        with open_archive(str(folder), make=True) as archive:
            dossier = opened(archive)
        with who_may_only_read(folder), open_archive(str(folder)) as read_only:
            assert [entry.kind for entry in read_only.entries(dossier)] == ["opened", "alias"]
            with pytest.raises(RequestError, match="may only be read"):
                read_only.file(dossier, [note("x")])
        with open_archive(str(folder)) as writer:
            writer.file(dossier, [note("Nut worn.")])  # lies in the log of changes yet
            with who_may_only_read(folder), open_archive(str(folder)) as read_only:
                assert len(read_only.entries(dossier)) == 3


@pytest.mark.slow
def test_a_database_that_may_only_be_read_is_read(postgres: servers.Server, tmp_path: Path) -> None:
    address = postgres.address(tmp_path / "files")
    with open_archive(address, make=True) as archive:
        dossier = opened(archive)
        with archive.writing() as connection:
            connection.execute(text("CREATE ROLE reader LOGIN"))
            connection.execute(text("GRANT SELECT ON ALL TABLES IN SCHEMA public TO reader"))
    with open_archive(address.replace(f"//{postgres.user}@", "//reader@")) as read_only:
        assert len(read_only.entries(dossier)) == 2
        with pytest.raises(RequestError, match="may only be read"):
            read_only.file(dossier, [note("x")])


@pytest.mark.slow
def test_a_server_that_was_started_anew_is_asked_again(tmp_path: Path) -> None:
    if servers.programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    with (
        servers.server(("synchronous_commit=on",)) as server,
        open_archive(server.address(tmp_path / "files"), make=True) as archive,
    ):
        dossier = opened(archive)
        archive.entries(dossier)
        server.kill()
        server.start()
        assert [entry.kind for entry in archive.entries(dossier)] == ["opened", "alias"]
        server.kill()
        server.start()
        assert archive.file(dossier, [note("Nut worn.")])


@pytest.mark.slow
def test_a_look_at_one_dossier_asks_the_server_once(tmp_path: Path) -> None:
    if servers.programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    with (
        servers.server() as server,
        open_archive(server.address(tmp_path / "files"), make=True) as archive,
    ):
        dossier = opened(archive)
        with archive.engine.connect() as connection:
            driver = connection.connection.driver_connection
        assert driver is not None
        asked = tmp_path / "asked"
        with asked.open("w", encoding="utf-8") as told:
            driver.pgconn.trace(told.fileno())
            archive.entries(dossier)
            driver.pgconn.untrace()
        lines = asked.read_text(encoding="utf-8").splitlines()
        assert sum("ReadyForQuery" in line for line in lines) == 1
        with archive.reading() as connection:  # what asks more than once sees one state as before
            level = connection.execute(text("SHOW transaction_isolation")).scalar_one()
        assert level == "repeatable read"
