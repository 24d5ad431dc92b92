"""An archive carried from one engine to the other and back, and saved when it is damaged."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from evenfall.errors import BrokenFileError, RequestError
from evenfall.records import Archive, Filing, open_archive
from evenfall.records.copying import copy, digest_of, save
from evenfall.records.entries import sha256
from evenfall.records.signing import signing_key
from evenfall.records.verifying import verify
from records import servers

SCAN = bytes(range(256)) * 40


def fill(archive: Archive, count: int = 5) -> None:
    key = signing_key()
    for number in range(count):
        opened = Filing("opened", {"subject": "instrument", "name": "Tesquil"})
        serial = Filing("alias", {"sort": "serial", "value": f"UY-{number:04}"})
        note = Filing("note", {"words": "Nut – worn. " * 20}, person="Q. Ulbrenq")
        scan = Filing("scan", {}, documents={"d": {"number": number}}, files={"s.ply": SCAN})
        dossier = archive.file(None, [opened, serial, note, scan])[0].dossier
    archive.sign(dossier, key)


@pytest.mark.slow
def test_an_archive_goes_to_the_other_engine_and_back_unchanged(
    new_address: Callable[[str], str], postgres: servers.Server, tmp_path: Path
) -> None:
    with open_archive(new_address("here"), make=True) as archive:
        fill(archive)
        with archive.reading() as connection:
            before = digest_of(connection)
        there = postgres.address(tmp_path / "there-files")
        moved = copy(archive, there)
        assert moved == before
        assert moved.rows["entry"] == 20
    with open_archive(there) as archive:
        assert archive.site
        assert verify(archive).sound
        assert archive.files.read(sha256(SCAN)) == SCAN
        assert len(archive.find("uy")) == 5
        assert copy(archive, new_address("back")) == before
        with pytest.raises(RequestError, match="already"):
            copy(archive, there)


def test_a_damaged_file_stops_the_copy_and_nothing_is_kept(
    archive: Archive, new_address: Callable[[str], str]
) -> None:
    fill(archive)
    archive.files.path(sha256(SCAN)).write_bytes(SCAN[:100])
    to = new_address("to")
    with pytest.raises(BrokenFileError, match="copied in part"):
        copy(archive, to)
    assert "://" in to or not Path(to).exists()
    with open_archive(to, make=True) as target:
        assert list(target.dossiers()) == []


def look_at(address: str) -> None:
    with open_archive(address) as archive:
        verify(archive)


@pytest.mark.slow
def test_a_truncated_database_is_named_and_what_is_left_is_saved(tmp_path: Path) -> None:
    address = tmp_path / "shop"
    with open_archive(str(address), make=True) as archive:
        fill(archive, 60)
    database = address / "archive.db"
    with closing(sqlite3.connect(database)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    whole = database.read_bytes()
    saved_some = 0
    for share in (0.3, 0.6, 0.9, 0.97):
        database.write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(BrokenFileError, match="damaged or cut short"):
            look_at(str(address))
        to = tmp_path / f"saved-{share}"
        try:
            saved = save(str(address), str(to))
        except BrokenFileError:
            continue
        with open_archive(str(to)) as archive:
            seen = verify(archive)
            assert len(seen.findings) == saved.lost_documents + saved.lost_files
            assert all("missing" in finding.sentence for finding in seen.findings)
            assert seen.entries == saved.entries
        saved_some += saved.entries > 0
    assert saved_some >= 1
    database.write_bytes(b"")
    with pytest.raises(BrokenFileError, match="no archive in it"):
        open_archive(str(address))
