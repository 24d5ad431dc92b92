"""The tables of an archive, the same for both engines; `migrations` makes them.

`entry`, `document`, `kept_file`, `signature`, `person` and `archive` hold what was filed. `label`
follows from them: it finds a dossier by what somebody types. So does `figure`: every figure with
what it belongs to, so that charts of many instruments need not open the entries. `task` and
`upkeep` are no part of the record: what the program has to do yet, and when it last looked after
the archive. Who may come in stands in `account`, `invitation`, `login`, `token` and `attempt`, see
`records.accounts`; which lots a partner sees in `shared_lot`; what they did in `audit`, which is
only ever added to, see `records.audit`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, TypeVar

from sqlalchemy import (
    REAL,
    BigInteger,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    literal_column,
)
from sqlalchemy.schema import SchemaItem

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

#: Text compared byte by byte, as SQLite does: hashes, times, and labels that are found by prefix.
PLAIN = Text().with_variant(Text(collation="C"), "postgresql")
WHOLE = BigInteger().with_variant(Integer, "sqlite")


def _plain(*names: str) -> Iterator[Column[str]]:
    """Yield columns of text that is always there."""
    return (Column(name, PLAIN, nullable=False) for name in names)


def _whole(*names: str) -> Iterator[Column[int]]:
    """Yield columns of whole numbers that are always there."""
    return (Column(name, WHOLE, nullable=False) for name in names)


def _table(name: str, *columns: SchemaItem, **more: Any) -> Table:
    return Table(name, METADATA, *columns, sqlite_strict=True, **more)


ARCHIVE = _table(
    "archive",
    Column("id", Integer, CheckConstraint("id = 1", name="one"), primary_key=True),
    *_plain("site"),
    *_whole("entries"),
    Column("audited", WHOLE, nullable=False, server_default="0"),
)
ENTRY = _table(
    "entry",
    Column("number", WHOLE, primary_key=True, autoincrement=False),
    Column("hash", PLAIN, nullable=False, unique=True),
    *_plain("dossier", "kind", "at", "site", "person"),
    Column("software", Text, nullable=False),
    *_plain("before", "corrects", "facts_hash"),
    Column("facts", Text),
)
Index("ix_entry_dossier", ENTRY.c.dossier, ENTRY.c.number)
DOCUMENT = _table(
    "document",
    Column("sha256", PLAIN, primary_key=True),
    Column("content", Text, nullable=False),
)
KEPT_FILE = _table(
    "kept_file",
    Column("sha256", PLAIN, primary_key=True),
    *_whole("bytes_count"),
)
SIGNATURE = _table(
    "signature",
    Column("entry", PLAIN, ForeignKey("entry.hash"), primary_key=True),
    Column("key", PLAIN, primary_key=True),
    *_plain("at", "signature"),
)
PERSON = _table(
    "person",
    Column("id", PLAIN, primary_key=True),
    Column("name", Text, nullable=False),
    *_plain("salt"),
)
Index("ix_person_name", PERSON.c.name)
LABEL = _table(
    "label",
    Column("key", PLAIN, primary_key=True),
    Column("dossier", PLAIN, primary_key=True),
    Column("entry", PLAIN, ForeignKey("entry.hash"), primary_key=True),
    sqlite_with_rowid=False,
)
Index("ix_label_dossier", LABEL.c.dossier, LABEL.c.key)
FIGURE = _table(
    "figure",
    Column("number", WHOLE, primary_key=True, autoincrement=False),
    Column("quantity", PLAIN, primary_key=True),
    *_plain("document", "at", "dossier"),
    Column("value", Double().with_variant(REAL(), "sqlite"), nullable=False),
    *_plain("unit", "serial", "model", "site", "person", "station", "batch"),
    *(
        Column(name, PLAIN, nullable=False, server_default="")
        for name in ("cutter", "cutter_uses", "humidity", "temperature")
    ),
)
Index("ix_figure_quantity", FIGURE.c.quantity, FIGURE.c.document, FIGURE.c.at)
Index("ix_figure_model", FIGURE.c.quantity, FIGURE.c.document, FIGURE.c.model, FIGURE.c.at)
Index("ix_figure_station", FIGURE.c.quantity, FIGURE.c.document, FIGURE.c.station, FIGURE.c.at)
Index("ix_figure_site", FIGURE.c.quantity, FIGURE.c.document, FIGURE.c.site, FIGURE.c.at)
Index("ix_figure_dossier", FIGURE.c.dossier)
for _name in ("batch", "cutter", "person"):  # few readings may have one, so these list those alone
    _has = FIGURE.c[_name] != literal_column("''")
    Index(
        f"ix_figure_{_name}",
        *(FIGURE.c.quantity, FIGURE.c.document, FIGURE.c[_name], FIGURE.c.at),
        sqlite_where=_has,
        postgresql_where=_has,
    )
TASK = _table(
    "task",
    Column("id", PLAIN, primary_key=True),
    *_plain("kind", "dossier", "same", "state", "at", "changed", "runner"),
    Column("asked", Text, nullable=False),
    Column("doing", Text, nullable=False),
    Column("result", Text, nullable=False),
    *_whole("permille", "beat", "tries", "stop"),
)
Index("ix_task_state", TASK.c.state, TASK.c.at)
Index("ix_task_dossier", TASK.c.dossier, TASK.c.at)
UPKEEP = _table(
    "upkeep",
    Column("sort", PLAIN, primary_key=True),
    *_plain("at"),
    Column("said", Text, nullable=False),
)
ACCOUNT = _table(
    "account",
    Column("id", PLAIN, primary_key=True),
    Column("person", PLAIN, ForeignKey("person.id"), nullable=False),
    *_plain("role"),
    Column("partner", Text, nullable=False),
    *_plain("password", "since", "ended"),
)
INVITATION = _table(
    "invitation",
    Column("key", PLAIN, primary_key=True),
    *_plain("account", "person", "role"),
    Column("partner", Text, nullable=False),
    *_plain("until"),
)
LOGIN = _table(
    "login",
    Column("key", PLAIN, primary_key=True),
    Column("account", PLAIN, ForeignKey("account.id"), nullable=False),
    *_plain("at", "seen"),
)
Index("ix_login_account", LOGIN.c.account)
TOKEN = _table(
    "token",
    Column("id", PLAIN, primary_key=True),
    Column("key", PLAIN, nullable=False, unique=True),
    Column("account", PLAIN, ForeignKey("account.id"), nullable=False),
    Column("name", Text, nullable=False),
    *_plain("scopes", "at", "until", "used", "ended"),
)
Index("ix_token_account", TOKEN.c.account)
ATTEMPT = _table(
    "attempt",
    Column("key", PLAIN, primary_key=True),
    *_whole("count"),
    *_plain("at"),
)
SHARED_LOT = _table(
    "shared_lot",
    Column("partner", PLAIN, primary_key=True),
    Column("lot", PLAIN, primary_key=True),
    Column("dossier", PLAIN, primary_key=True),
    *_plain("at", "answer", "answered"),
)
AUDIT = _table(
    "audit",
    Column("number", WHOLE, primary_key=True, autoincrement=False),
    *_plain("hash", "at", "account", "token", "what"),
    Column("about", Text, nullable=False),
    *_plain("address"),
)

MOST_AT_ONCE = 200
"""Rows, or values, that one statement takes."""

Kept = TypeVar("Kept")


def some_of(rows: Sequence[Kept]) -> Iterator[Sequence[Kept]]:
    """Yield rows a few at a time, as many as one statement takes."""
    for start in range(0, len(rows), MOST_AT_ONCE):
        yield rows[start : start + MOST_AT_ONCE]


FILED = (ARCHIVE, DOCUMENT, KEPT_FILE, PERSON, ENTRY, SIGNATURE, AUDIT)
"""What an archive holds, in an order in which it can be copied."""
LET_IN = (ACCOUNT, TOKEN, SHARED_LOT)
"""Who may come in: copied with an archive, and no part of the record."""
PASSING = (LABEL, FIGURE, TASK, UPKEEP, INVITATION, LOGIN, ATTEMPT)
"""What may be lost without harm, or follows from the rest."""
