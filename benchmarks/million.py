"""A store of many invented instruments, written in bulk and kept between runs.

The entries are what filing would have made of them, with their hashes, so that `verify` holds.
"""

from __future__ import annotations

import itertools
import secrets
from collections.abc import Iterator
from typing import Any

from sqlalchemy import insert, select, text, update

from evenfall.records import Archive
from evenfall.records.entries import Entry, canonical, sha256
from evenfall.records.labels import labels_of
from evenfall.records.tables import ARCHIVE, ENTRY

MODELS = ("Tesquil", "Quenlo", "Gorbune", "Dolqua", "Yvrane Nine", "Ostreval")
MAKERS = ("Ulbrenq (invented)", "Tessquin (invented)")
PREFIXES = ("UY", "TR", "QA", "LO")
BATCH = 20_000


def serial_of(number: int) -> str:
    """Return the serial of an instrument by its number."""
    return f"{PREFIXES[number % len(PREFIXES)]}-{number:07}"


def _made(site: str, number: int) -> tuple[Entry, Entry]:
    dossier = secrets.token_hex(16)
    at = f"2026-01-01T{number // 3600 % 24:02}:{number // 60 % 60:02}:{number % 60:02}.000000Z"

    def entry(kind: str, before: tuple[str, ...], **facts: Any) -> Entry:
        told = canonical({**facts, "salt": secrets.token_hex(16)})
        return Entry(dossier, kind, at, site, "", "evenfall 0.1.0", before, "", sha256(told), told)

    model, maker = MODELS[number % len(MODELS)], MAKERS[number // 7 % len(MAKERS)]
    first = entry("opened", (), subject="instrument", name=model, maker=maker)
    return first, entry("alias", (first.hash,), sort="serial", value=serial_of(number))


def _rows(site: str, numbers: range) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    entries: list[dict[str, Any]] = []
    labels: list[dict[str, Any]] = []
    for number in numbers:
        for place, one in enumerate(_made(site, number)):
            hashed = one.hash
            row = {"number": 2 * number + place + 1, "hash": hashed, **one.head()}
            entries.append({**row, "before": " ".join(one.before), "facts": one.facts})
            labels += (
                {"key": key, "dossier": one.dossier, "entry": hashed} for key in labels_of(one)
            )
    return entries, labels


def _batches(count: int) -> Iterator[range]:
    for start in itertools.count(0, BATCH):
        if start >= count:
            return
        yield range(start, min(start + BATCH, count))


def load(archive: Archive, count: int) -> None:
    """Fill an empty archive with so many instruments, two entries each."""
    sqlite = archive.address.folder is not None
    with archive.engine.connect() as connection:
        if sqlite:
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql("PRAGMA synchronous=OFF")
            connection.exec_driver_sql("PRAGMA cache_size=-1500000")
            connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        else:
            connection.exec_driver_sql("SET session_replication_role = replica")
        connection.execute(text("DROP INDEX ix_label_dossier"))
        connection.execute(text("CREATE TEMPORARY TABLE heap (key TEXT, dossier TEXT, entry TEXT)"))
        for numbers in _batches(count):
            entries, labels = _rows(archive.site, numbers)
            if sqlite:
                connection.execute(insert(ENTRY), entries)
                connection.execute(text("INSERT INTO heap VALUES (:key, :dossier, :entry)"), labels)
            else:
                _copy(connection, "entry", entries)
                _copy(connection, "heap", labels)
        connection.execute(
            text("INSERT INTO label SELECT key, dossier, entry FROM heap ORDER BY 1, 2, 3")
        )
        connection.execute(text("CREATE INDEX ix_label_dossier ON label (dossier, key)"))
        connection.execute(update(ARCHIVE).values(entries=2 * count))
        connection.execute(text("DROP TABLE heap"))
        connection.commit()
        if not sqlite:
            connection.execute(text("ANALYZE"))
            connection.commit()
    archive.engine.dispose()


def _copy(connection: Any, table: str, rows: list[dict[str, Any]]) -> None:
    columns = list(rows[0])
    cursor = connection.connection.driver_connection.cursor()
    with cursor.copy(f"COPY {table} ({', '.join(columns)}) FROM STDIN") as copying:
        for row in rows:
            copying.write_row(tuple(row.values()))


def loaded(archive: Archive) -> int:
    """Return how many instruments an archive holds."""
    with archive.reading() as connection:
        return int(connection.execute(select(ARCHIVE.c.entries)).scalar_one()) // 2
