"""The audit log: who did what, when and from where; only ever added to.

Each line holds the hash of itself and of the line before it, and the archive counts the lines. So
nobody can alter, drop or insert one without `verify` finding it. A person is named by account, so
that a name that is erased is gone from here too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from sqlalchemy import Connection, select, update

from evenfall.records.archive import Archive
from evenfall.records.entries import canonical, sha256
from evenfall.records.tables import ARCHIVE, AUDIT

What = Literal[
    "filed",
    "refused",
    "logged in",
    "log-in refused",
    "logged out",
    "code made",
    "invited",
    "joined",
    "role changed",
    "account ended",
    "token made",
    "token ended",
    "lot shared",
    "lot withdrawn",
    "lot accepted",
    "lot to be read again",
    "lot sent back",
]
"""What a line can tell."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the log."""

    number: int
    at: str  # ISO 8601, UTC
    account: str  # whose; "" where nobody was logged in
    token: str  # by which token; "" for a person at a page
    what: str
    about: str  # an address of these pages, an account, a role: never a person's name
    address: str  # from which address of the network; "" from the console


def note(
    archive: Archive,
    what: What,
    *,
    about: str = "",
    account: str = "",
    token: str = "",
    address: str = "",
) -> None:
    """Add a line."""
    with archive.writing() as connection:
        counted = update(ARCHIVE).values(audited=ARCHIVE.c.audited + 1)
        number = int(connection.execute(counted.returning(ARCHIVE.c.audited)).scalar_one())
        before = select(AUDIT.c.hash).where(AUDIT.c.number == number - 1)
        last = connection.execute(before).scalar_one_or_none() or ""
        line = Line(number, archive.clock(), account, token, what, about, address)
        values = {**asdict(line), "hash": _hash(line, str(last))}
        connection.execute(AUDIT.insert().values(values))


def lines(
    archive: Archive, *, before: int | None = None, account: str = "", most: int = 100
) -> Sequence[Line]:
    """Return lines, the newest first, from those before a number on; of one account or of all."""
    wanted = select(AUDIT).order_by(AUDIT.c.number.desc()).limit(most)
    if before is not None:
        wanted = wanted.where(AUDIT.c.number < before)
    if account:
        wanted = wanted.where(AUDIT.c.account == account)
    with archive.reading() as connection:
        return [_line(row) for row in connection.execute(wanted)]


def altered(connection: Connection) -> Iterator[int]:
    """Yield the number of every line that is not as it was written, or is missing."""
    expected, last = 0, ""
    for row in connection.execute(select(AUDIT).order_by(AUDIT.c.number)):
        expected += 1
        if row.number != expected or row.hash != _hash(_line(row), last):
            yield expected
            expected = row.number
        last = row.hash
    count = int(connection.execute(select(ARCHIVE.c.audited)).scalar_one())
    if count != expected:
        yield expected + 1


def _line(row: Any) -> Line:
    names = ("number", "at", "account", "token", "what", "about", "address")
    return Line(*(getattr(row, name) for name in names))


def _hash(line: Line, last: str) -> str:
    return sha256(canonical({**asdict(line), "before": last}))
