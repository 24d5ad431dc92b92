"""Any changed byte is found and named, 200 random places of 200, and whatever is removed."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Connection, Table, delete, select, text, update

from evenfall.records import Archive, Filing, audit
from evenfall.records.copying import labels_again
from evenfall.records.entries import sha256
from evenfall.records.signing import signing_key
from evenfall.records.tables import ENTRY, FILED, LABEL
from evenfall.records.verifying import verify

SCAN = bytes(range(250)) * 20


@pytest.fixture
def filled(archive: Archive) -> Archive:
    """Return an archive with a little of everything."""
    key = signing_key()
    for number in range(4):
        opened = Filing("opened", {"subject": "instrument", "name": "Tesquil", "maker": "Ulbrenq"})
        serial = Filing("alias", {"sort": "serial", "value": f"UY-04{number:02}"})
        dossier = archive.file(None, [opened, serial])[0].dossier
        values = {"accepted": [{"person": "M. Tessquin", "reason": "burr"}], "number": number}
        scan = Filing("scan", {"title": "scan"}, documents={"d": values}, files={"s.ply": SCAN})
        note = Filing("note", {"words": "Nut – worn."}, person="Q. Ulbrenq")
        archive.file(dossier, [scan, note])
        archive.sign(dossier, key)
        audit.note(archive, "filed", about=dossier, account="a4", address="127.0.0.1")
    return archive


def altered(archive: Archive) -> list[str]:
    return [f.sentence for f in verify(archive).findings if f.severity == "error"]


def test_a_sound_archive_is_found_sound(filled: Archive) -> None:
    seen = verify(filled)
    assert seen.findings == ()
    assert seen.sound
    counts = (seen.entries, seen.dossiers, seen.documents, seen.files, seen.signatures)
    assert counts == (16, 4, 4, 1, 4)
    assert seen.unsigned == 0
    filled.file(filled.named("UY-0400")[0], [Filing("note", {"words": "later"})])
    assert verify(filled).unsigned == 1


def unguarded(archive: Archive, change: Callable[[Connection], object]) -> None:
    """Change the database as somebody would who goes round the program."""
    with archive.engine.connect() as connection:
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
            connection.exec_driver_sql("BEGIN")
        else:
            connection.exec_driver_sql("SET session_replication_role = replica")
        change(connection)
        connection.commit()
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql("PRAGMA foreign_keys=ON")
            connection.exec_driver_sql("BEGIN")
        else:
            connection.exec_driver_sql("SET session_replication_role = origin")
        connection.commit()


def flipped(value: Any, chance: random.Random) -> Any:
    """Return a value with one bit of one byte turned over, still fit for its column."""
    if isinstance(value, int):
        return value ^ (1 << chance.randrange(6))
    place = chance.randrange(len(value))
    turned = chr(ord(value[place]) ^ (1 << chance.randrange(3)))
    return value[:place] + (turned if turned != "\0" else "~") + value[place + 1 :]


def cells(archive: Archive) -> list[tuple[Table, dict[str, Any], str, Any]]:
    """Return every cell of every table that holds at least a byte."""
    found = []
    with archive.reading() as connection:
        for table in (*FILED, LABEL):
            for row in connection.execute(select(table)):
                values = dict(row._mapping)
                found += [
                    (table, values, name, value)
                    for name, value in values.items()
                    if value not in (None, "") and (table.name, name) != ("archive", "id")
                ]
    return found


@pytest.mark.slow
def test_one_changed_byte_in_the_database_is_found_200_of_200(filled: Archive) -> None:
    chance = random.Random(20261127)  # noqa: S311
    every = cells(filled)
    weights = [len(str(value)) for *_, value in every]
    missed = []
    count = 200 if filled.engine.dialect.name == "sqlite" else 40  # the hashes are ours in both
    for table, row, name, value in chance.choices(every, weights, k=count):
        changed = flipped(value, chance)
        at = [table.c[key.name] == row[key.name] for key in table.primary_key]
        now = [
            table.c[key.name] == (changed if key.name == name else row[key.name])
            for key in table.primary_key
        ]

        def change(connection: Connection, at: Any = at, to: Any = changed) -> None:
            connection.execute(update(table).where(*at).values({name: to}))  # noqa: B023

        unguarded(filled, change)
        if not altered(filled) and not _refused(filled):
            missed.append((table.name, name, value, changed))
        unguarded(filled, lambda c, now=now, v=value: change(c, now, v))  # type: ignore[misc]
    assert missed == []
    assert altered(filled) == []


def test_facts_that_can_no_longer_be_read_are_told(filled: Archive) -> None:
    broken = update(ENTRY).where(ENTRY.c.number == 2).values(facts="{")
    unguarded(filled, lambda connection: connection.execute(broken))
    assert altered(filled) != []


def _refused(archive: Archive) -> bool:
    """Say whether the archive is not even opened: the name of its site is damaged."""
    from evenfall.errors import BrokenFileError
    from evenfall.records import open_archive

    try:
        open_archive(archive.address).close()
    except BrokenFileError:
        return True
    return False


def test_one_changed_byte_in_a_scan_is_found(filled: Archive) -> None:
    path = filled.files.path(sha256(SCAN))
    chance = random.Random(5)  # noqa: S311
    for _ in range(20):
        place = chance.randrange(len(SCAN))
        path.write_bytes(SCAN[:place] + bytes([SCAN[place] ^ 1]) + SCAN[place + 1 :])
        assert "does not match its hash" in altered(filled)[0]
    path.write_bytes(SCAN[:2000])
    assert "copied in part (2000 bytes are there)" in altered(filled)[0]
    path.unlink()
    assert "gone" in altered(filled)[0]
    filled.files.keep(SCAN)
    assert altered(filled) == []


@pytest.mark.quick(3)
@pytest.mark.parametrize("table", [*FILED[1:], LABEL], ids=lambda table: table.name)
def test_a_row_that_was_removed_is_found(filled: Archive, table: Table) -> None:
    if table.name == "signature":  # one less signature is one dossier unsigned, no damage
        unguarded(filled, lambda connection: connection.execute(delete(table)))
        assert verify(filled).unsigned == 4
        return
    with filled.reading() as connection:
        rows = connection.execute(select(table).order_by(*table.primary_key)).all()
    at = [key == rows[-1]._mapping[key.name] for key in table.primary_key]
    unguarded(filled, lambda connection: connection.execute(delete(table).where(*at)))
    assert altered(filled)


def test_a_chain_that_was_made_again_does_not_carry_the_signature(filled: Archive) -> None:
    """Whoever rewrites an entry and every hash after it has to have the key as well."""
    dossier = filled.named("UY-0400")[0]
    last = filled.entries(dossier)[-1]
    facts = (last.facts or "").replace("worn", "good")
    forged = type(last)(**{**last.head(), "before": last.before, "facts": facts})
    forged = type(last)(
        **{**forged.head(), "before": last.before, "facts": facts, "facts_hash": sha256(facts)}
    )

    def forge(connection: Connection) -> None:
        for name in ("label", "signature"):
            connection.execute(
                text(f"UPDATE {name} SET entry = :new WHERE entry = :old"),  # noqa: S608
                {"new": forged.hash, "old": last.hash},
            )
        connection.execute(
            text("UPDATE entry SET hash = :new, facts = :facts, facts_hash = :h WHERE hash = :old"),
            {"new": forged.hash, "facts": facts, "h": sha256(facts), "old": last.hash},
        )

    unguarded(filled, forge)
    (fault,) = altered(filled)
    assert "signature" in fault


def test_labels_are_made_again(filled: Archive) -> None:
    unguarded(filled, lambda connection: connection.execute(delete(LABEL)))
    assert "made" not in altered(filled)[0]
    labels_again(filled)
    assert altered(filled) == []
    assert len(filled.named("UY-0400")) == 1


def test_a_clock_that_stood_back_is_noted(filled: Archive) -> None:
    filled.clock = lambda: "2001-01-01T00:00:00.000000Z"
    filled.file(filled.named("UY-0400")[0], [Filing("note", {"words": "Earlier?"})])
    seen = verify(filled)
    assert [f.code for f in seen.findings] == ["clock"]
    assert seen.sound
