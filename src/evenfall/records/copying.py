"""A whole archive carried to another address: to move to another engine, to back up, to restore."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, Row, Table, delete, insert, select
from sqlalchemy.exc import DBAPIError

from evenfall.errors import BrokenFileError, Progress, RequestError, silent
from evenfall.records.archive import Archive, entry_of, insert_labels, open_archive, whole_row
from evenfall.records.engines import DATABASE, Address, engine_of
from evenfall.records.entries import Entry, in_order, sha256, stored
from evenfall.records.figures import figures_again
from evenfall.records.kept import KeptFiles
from evenfall.records.persons import Person
from evenfall.records.signing import Signature
from evenfall.records.tables import (
    ARCHIVE,
    DOCUMENT,
    ENTRY,
    FILED,
    KEPT_FILE,
    LABEL,
    LET_IN,
    PERSON,
    SIGNATURE,
)

_BATCH = 1000
_LARGEST = 1 << 40
"""No archive is longer [bytes]; what a damaged head says may be anything."""


@dataclass(frozen=True, slots=True)
class Copied:
    """What was carried over; both sides gave these counts and this hash."""

    rows: dict[str, int]
    sha256: str


def copy(source: Archive, to: str | Address, progress: Progress = silent) -> Copied:
    """Carry an archive to an address where there is none yet, counted and hashed on both sides."""
    address = to if isinstance(to, Address) else Address.read(to)
    fresh = not address.exists()
    new = [path for path in (address.folder, address.files) if path and not path.exists()]
    try:
        with open_archive(address, make=True) as target:
            _refuse_used(target)
            return _copied(source, target, progress)
    except BaseException:
        if fresh and address.folder is not None:
            _remove(address.folder, new)
        raise


def _remove(folder: Path, new: Sequence[Path]) -> None:
    """Remove what was made of an archive that could not be copied whole."""
    for part in folder.glob(f"{DATABASE}*"):
        part.unlink()
    for made in new:
        shutil.rmtree(made, ignore_errors=True)


def _copied(source: Archive, target: Archive, progress: Progress) -> Copied:
    with source.reading() as connection, target.writing() as written:
        written.execute(delete(ARCHIVE))
        files = select(KEPT_FILE.c.sha256).order_by(KEPT_FILE.c.sha256)
        hashes = list(connection.execute(files).scalars())
        for number, digest in enumerate(hashes):
            progress("Copying files", number / len(hashes))
            if fault := source.files.fault(digest):
                raise fault
            with source.files.path(digest).open("rb") as stream:
                target.files.keep(stream)
        tables = (*FILED, *LET_IN)
        for table in tables:
            progress("Copying the database", tables.index(table) / len(tables))
            for rows in _batches(connection, table):
                written.execute(insert(table), rows)
                if table is ENTRY:
                    insert_labels(written, {row["hash"]: _as_entry(row) for row in rows})
        figures_again(written)
        there = digest_of(connection)
        here = digest_of(written)
        if there != here:
            raise BrokenFileError(
                "The copy is not the same as the archive; nothing was kept of it. Verify the "
                "archive, then copy it again.",
                at=target.address.at,
            )
    return here


def digest_of(connection: Connection) -> Copied:
    """Return counts and a hash of everything that was filed, the same on either engine."""
    digest, counts = hashlib.sha256(), {}
    for table in FILED:
        columns = sorted(column.name for column in table.columns)
        count = 0
        for rows in _batches(connection, table):
            for row in rows:
                digest.update("\x1f".join(f"{row[name]!r}" for name in columns).encode())
                digest.update(b"\x1e")
            count += len(rows)
        counts[table.name] = count
    return Copied(counts, digest.hexdigest())


def _batches(connection: Connection, table: Table) -> Iterator[list[dict[str, Any]]]:
    key = list(table.primary_key.columns)
    streaming = connection.execution_options(yield_per=_BATCH)
    for part in streaming.execute(select(table).order_by(*key)).partitions():
        yield [dict(row._mapping) for row in part]


def _as_entry(row: dict[str, Any]) -> Entry:
    values = {name: row[name] for name in row if name not in ("number", "hash")}
    return Entry(**{**values, "before": tuple(row["before"].split())})


def _refuse_used(target: Archive) -> None:
    with target.reading() as connection:
        if connection.execute(select(ARCHIVE.c.entries)).scalar_one():
            raise RequestError(
                "There is an archive already, with entries in it; choose another address.",
                at=target.address.at,
            )


def labels_again(archive: Archive) -> None:
    """Make the labels and the figures again from the entries."""
    with archive.writing() as connection:
        connection.execute(select(ARCHIVE).with_for_update())
        connection.execute(delete(LABEL))
        last = 0
        while rows := connection.execute(
            select(ENTRY).where(ENTRY.c.number > last).order_by(ENTRY.c.number).limit(_BATCH)
        ).all():
            insert_labels(connection, {row.hash: entry_of(row) for row in rows})
            last = rows[-1].number
        figures_again(connection)


# ---- what can be saved of a damaged archive ------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Saved:
    """What could be read of a damaged archive, and what could not."""

    entries: int
    lost_entries: int | None  # None where the archive no longer says how many there were
    documents: int
    lost_documents: int
    files: int
    lost_files: int

    @property
    def whole(self) -> bool:
        """Whether nothing is lost."""
        return (self.lost_entries, self.lost_documents, self.lost_files) == (0, 0, 0)


def save(address: str, to: str, progress: Progress = silent) -> Saved:
    """File into a new archive whatever of a damaged SQLite archive is still as it was filed.

    An entry whose predecessor is gone cannot be filed again, and counts as lost. The damaged
    archive is read from a copy and left as it is.
    """
    place = Address.read(address)
    if place.folder is None:
        raise RequestError(
            "A PostgreSQL database is saved by its own programs, from its own backups.",
            at=place.at,
        )
    if not place.exists():
        raise RequestError("There is no archive here; check the address.", at=place.at)
    with tempfile.TemporaryDirectory() as folder:
        left = _left_of(_filled_up(place.folder, Path(folder)))
    entries = _connected(left.entries)
    wanted = stored(entries)
    documents = {d: left.documents[d] for d in sorted(wanted["document"] & left.documents.keys())}
    kept = KeptFiles(place.files)
    names = {entry.hash for entry in entries}
    with open_archive(to, make=True) as target:
        _refuse_used(target)
        files: dict[str, int] = {}
        for number, digest in enumerate(sorted(wanted["file"])):
            progress("Saving files", number / len(wanted["file"]))
            if kept.fault(digest) is None:
                _, files[digest] = target.files.keep(kept.read(digest))
        target.absorb(
            entries,
            documents=documents,
            files=files,
            people=left.people,
            signatures=[one for one in left.signatures if one.entry in names],
        )
    return Saved(
        entries=len(entries),
        lost_entries=_lost(left, len(entries)),
        documents=len(documents),
        lost_documents=len(wanted["document"]) - len(documents),
        files=len(files),
        lost_files=len(wanted["file"]) - len(files),
    )


def _lost(left: _Left, saved: int) -> int | None:
    seen = left.lost + len(left.entries)
    return None if left.expected is None else max(left.expected, seen) - saved


@dataclass(frozen=True, slots=True)
class _Left:
    """What could still be read of a damaged database, all of it as it was filed."""

    entries: dict[str, Entry]
    lost: int
    expected: int | None  # entries, by the archive's own count; None where it cannot be read
    documents: dict[str, str]
    people: list[Person]
    signatures: list[Signature]


def _left_of(place: Address) -> _Left:
    engine = engine_of(place)
    try:
        entries, lost = {}, 0
        for row in _readable(engine, ENTRY):
            entry = entry_of(row)
            sound = entry.facts is None or sha256(entry.facts) == entry.facts_hash
            if sound and entry.hash == row.hash:
                entries[row.hash] = entry
            else:
                lost += 1
        expected = next((int(row.entries) for row in _readable(engine, ARCHIVE)), None)
        documents = {
            row.sha256: row.content
            for row in _readable(engine, DOCUMENT)
            if sha256(row.content) == row.sha256
        }
        people = [Person(row.id, row.name, row.salt) for row in _readable(engine, PERSON)]
        signed = [
            Signature(row.entry, row.key, row.at, row.signature)
            for row in _readable(engine, SIGNATURE)
        ]
    finally:
        engine.dispose()
    return _Left(
        entries,
        lost,
        expected,
        documents,
        [one for one in people if one.sound],
        [one for one in signed if one.holds()],
    )


def _filled_up(folder: Path, copied: Path) -> Address:
    """Copy a database and give it its length back; the engine refuses a shorter one altogether."""
    database = copied / DATABASE
    shutil.copyfile(folder / DATABASE, database)
    if (log := folder / f"{DATABASE}-wal").exists():
        shutil.copyfile(log, copied / log.name)
    head = database.read_bytes()[:32]
    if len(head) == 32:
        page = int.from_bytes(head[16:18]) or 1
        length = (65536 if page == 1 else page) * int.from_bytes(head[28:32])
        if database.stat().st_size < length < _LARGEST:
            os.truncate(database, length)
    return Address.read(str(copied))


def _connected(entries: dict[str, Entry]) -> list[Entry]:
    """Return the entries whose every predecessor is there."""
    made: list[Entry] = []
    there: set[str] = set()
    for entry in in_order(entries.values()):
        if {*entry.before, *([entry.corrects] if entry.corrects else [])} <= there:
            made.append(entry)
            there.add(entry.hash)
    return made


def _readable(engine: Engine, table: Table) -> Iterator[Row[Any]]:
    """Yield the rows that the engine can still read: from the first on, then from the last back."""
    key = list(table.primary_key.columns)
    seen: set[tuple[Any, ...]] = set()
    for order in (key, [column.desc() for column in key]):
        try:
            with engine.connect() as connection:
                for row in connection.execute(select(table).order_by(*order)):
                    name = tuple(row._mapping[column.name] for column in key)
                    if name not in seen and whole_row(row):
                        seen.add(name)
                        yield row
            return
        except DBAPIError:
            continue
