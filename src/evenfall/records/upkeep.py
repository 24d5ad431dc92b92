"""What an archive holds, in figures, and when it was last verified and backed up.

None of it is part of the record: it may be lost without harm, and is not copied. Entries are only
ever added, so what was counted once is kept, and the count goes on from there.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import Connection, Table, delete, func, insert, select, text

from evenfall.errors import RequestError
from evenfall.records.archive import Archive
from evenfall.records.engines import DATABASE
from evenfall.records.tables import ARCHIVE, DOCUMENT, ENTRY, KEPT_FILE, SIGNATURE, UPKEEP

Sort = Literal["verified", "backup", "counted"]
_MANY = 10_000
"""After so many new entries the count is kept."""


@dataclass(frozen=True, slots=True)
class Done:
    """When something was last done for an archive, and what came of it."""

    at: str  # ISO 8601, UTC
    said: str  # of a backup where it lies, of a verification "sound" or "not sound"


@dataclass(frozen=True, slots=True)
class Contents:
    """What an archive holds."""

    kinds: Mapping[str, int]  # entries of each kind
    documents: int
    files: int
    signatures: int
    database_bytes: int
    files_bytes: int
    verified: Done | None
    backup: Done | None

    @property
    def entries(self) -> int:
        """How many entries there are."""
        return sum(self.kinds.values())

    @property
    def dossiers(self) -> int:
        """How many dossiers there are."""
        return self.kinds.get("opened", 0)


def note_done(archive: Archive, sort: Sort, said: str) -> None:
    """Note that something was done now; an archive that may only be read goes without."""
    with suppress(RequestError), archive.writing() as connection:
        connection.execute(delete(UPKEEP).where(UPKEEP.c.sort == sort))
        connection.execute(insert(UPKEEP).values(sort=sort, at=archive.clock(), said=said))


def contents(archive: Archive) -> Contents:
    """Count what an archive holds."""
    with archive.reading() as connection:
        done = {row.sort: Done(row.at, row.said) for row in connection.execute(select(UPKEEP))}
        kinds, upto, fresh = _kinds(connection, done.get("counted"))
        sizes = select(func.count(), func.coalesce(func.sum(KEPT_FILE.c.bytes_count), 0))
        files, files_bytes = connection.execute(sizes.select_from(KEPT_FILE)).one()
        held = Contents(
            kinds=kinds,
            documents=_count(connection, DOCUMENT),
            files=int(files),
            signatures=_count(connection, SIGNATURE),
            database_bytes=_database_bytes(connection, archive),
            files_bytes=int(files_bytes),
            verified=done.get("verified"),
            backup=done.get("backup"),
        )
    if fresh >= _MANY:
        note_done(archive, "counted", json.dumps({"upto": upto, "kinds": kinds}))
    return held


def _kinds(connection: Connection, counted: Done | None) -> tuple[dict[str, int], int, int]:
    """Return how many entries of each kind there are, up to which number, how many of them new."""
    nothing: dict[str, Any] = {"upto": 0, "kinds": {}}
    kept: dict[str, Any] = json.loads(counted.said) if counted else nothing
    upto = int(connection.execute(select(ARCHIVE.c.entries)).scalar_one())
    if kept["upto"] > upto:
        kept = nothing
    by_kind = select(ENTRY.c.kind, func.count()).where(ENTRY.c.number > kept["upto"])
    fresh = Counter(
        {kind: int(n) for kind, n in connection.execute(by_kind.group_by(ENTRY.c.kind))}
    )
    return dict(fresh + Counter(kept["kinds"])), upto, fresh.total()


def _count(connection: Connection, table: Table) -> int:
    return int(connection.execute(select(func.count()).select_from(table)).scalar_one())


def _database_bytes(connection: Connection, archive: Archive) -> int:
    """Return the size of the database, of SQLite with what waits in its log."""
    folder = archive.address.folder
    if folder is not None:
        return sum(path.stat().st_size for path in folder.glob(f"{DATABASE}*"))
    size = connection.execute(text("SELECT pg_database_size(current_database())"))
    return int(size.scalar_one())
