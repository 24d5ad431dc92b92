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
from typing import Any, Literal, get_args

from sqlalchemy import Connection, Table, delete, func, insert, select, text

from evenfall.errors import RequestError
from evenfall.records.archive import Archive
from evenfall.records.engines import DATABASE
from evenfall.records.tables import ARCHIVE, DOCUMENT, ENTRY, KEPT_FILE, SIGNATURE, UPKEEP

Sort = Literal["verified", "backup", "counted"]
_MANY = 10_000
"""After so many new entries the count is kept, and counting takes a while."""
_STEP = 50_000
"""So many entries are counted at a time."""


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
    uncounted: int = 0  # entries that are not among the kinds yet
    whole: bool = True  # whether all of it was counted; else some figures are those of before

    @property
    def entries(self) -> int:
        """How many entries there are."""
        return sum(self.kinds.values()) + self.uncounted

    @property
    def dossiers(self) -> int:
        """How many dossiers there are."""
        return self.kinds.get("opened", 0)


def note_done(archive: Archive, sort: Sort, said: str) -> None:
    """Note that something was done now; an archive that may only be read goes without."""
    with suppress(RequestError), archive.writing() as connection:
        connection.execute(delete(UPKEEP).where(UPKEEP.c.sort == sort))
        connection.execute(insert(UPKEEP).values(sort=sort, at=archive.clock(), said=said))


def filed(archive: Archive) -> int:
    """Return how many entries an archive holds."""
    with archive.reading() as connection:
        return int(connection.execute(select(ARCHIVE.c.entries)).scalar_one())


def contents(archive: Archive, *, waiting: bool = False, step: bool = False) -> Contents:
    """Count what an archive holds, going on from what was counted before.

    While somebody is waiting, no more is counted than takes no time. A step counts some more.
    """
    with archive.reading() as connection:
        noted = select(UPKEEP).where(UPKEEP.c.sort.in_(get_args(Sort)))  # claims beside are many
        done = {row.sort: Done(row.at, row.said) for row in connection.execute(noted)}
        total = int(connection.execute(select(ARCHIVE.c.entries)).scalar_one())
        kept = _kept(done.get("counted"), total)
        most = _MANY if waiting else _STEP if step else total
        upto = min(total, kept["upto"] + most)
        by_kind = select(ENTRY.c.kind, func.count()).group_by(ENTRY.c.kind)
        new = by_kind.where(ENTRY.c.number > kept["upto"], ENTRY.c.number <= upto)
        fresh = Counter({kind: int(n) for kind, n in connection.execute(new)})
        counted = {**kept, "upto": upto, "kinds": dict(fresh + Counter(kept["kinds"]))}
        whole = upto == total and not (waiting and total > _MANY)
        if whole:
            counted |= _beside(connection)
        held = Contents(
            **{name: number for name, number in counted.items() if name != "upto"},
            database_bytes=_database_bytes(connection, archive),
            verified=done.get("verified"),
            backup=done.get("backup"),
            uncounted=total - upto,
            whole=whole,
        )
    if fresh.total() >= _MANY or (step and whole):
        note_done(archive, "counted", json.dumps(counted))
    return held


def _kept(counted: Done | None, total: int) -> dict[str, Any]:
    """Return what was counted before, nothing where the archive is another by now."""
    nothing = {
        "upto": 0,
        "kinds": {},
        "documents": 0,
        "files": 0,
        "files_bytes": 0,
        "signatures": 0,
    }
    kept: dict[str, Any] = nothing if counted is None else nothing | json.loads(counted.said)
    return kept if kept["upto"] <= total else nothing


def _beside(connection: Connection) -> dict[str, int]:
    """Count what lies beside the entries."""
    sizes = select(func.count(), func.coalesce(func.sum(KEPT_FILE.c.bytes_count), 0))
    files, files_bytes = connection.execute(sizes.select_from(KEPT_FILE)).one()
    return {
        "documents": _count(connection, DOCUMENT),
        "files": int(files),
        "files_bytes": int(files_bytes),
        "signatures": _count(connection, SIGNATURE),
    }


def _count(connection: Connection, table: Table) -> int:
    return int(connection.execute(select(func.count()).select_from(table)).scalar_one())


def _database_bytes(connection: Connection, archive: Archive) -> int:
    """Return the size of the database, of SQLite with what waits in its log."""
    folder = archive.address.folder
    if folder is not None:
        return sum(path.stat().st_size for path in folder.glob(f"{DATABASE}*"))
    size = connection.execute(text("SELECT pg_database_size(current_database())"))
    return int(size.scalar_one())
