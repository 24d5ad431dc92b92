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

ARCHIVE = Table(
    "archive",
    METADATA,
    Column("id", Integer, CheckConstraint("id = 1", name="one"), primary_key=True),
    Column("site", PLAIN, nullable=False),
    Column("entries", WHOLE, nullable=False),
    Column("audited", WHOLE, nullable=False, server_default="0"),
    sqlite_strict=True,
)
ENTRY = Table(
    "entry",
    METADATA,
    Column("number", WHOLE, primary_key=True, autoincrement=False),
    Column("hash", PLAIN, nullable=False, unique=True),
    Column("dossier", PLAIN, nullable=False),
    Column("kind", PLAIN, nullable=False),
    Column("at", PLAIN, nullable=False),
    Column("site", PLAIN, nullable=False),
    Column("person", PLAIN, nullable=False),
    Column("software", Text, nullable=False),
    Column("before", PLAIN, nullable=False),
    Column("corrects", PLAIN, nullable=False),
    Column("facts_hash", PLAIN, nullable=False),
    Column("facts", Text),
    sqlite_strict=True,
)
Index("ix_entry_dossier", ENTRY.c.dossier, ENTRY.c.number)
DOCUMENT = Table(
    "document",
    METADATA,
    Column("sha256", PLAIN, primary_key=True),
    Column("content", Text, nullable=False),
    sqlite_strict=True,
)
KEPT_FILE = Table(
    "kept_file",
    METADATA,
    Column("sha256", PLAIN, primary_key=True),
    Column("bytes_count", WHOLE, nullable=False),
    sqlite_strict=True,
)
SIGNATURE = Table(
    "signature",
    METADATA,
    Column("entry", PLAIN, ForeignKey("entry.hash"), primary_key=True),
    Column("key", PLAIN, primary_key=True),
    Column("at", PLAIN, nullable=False),
    Column("signature", PLAIN, nullable=False),
    sqlite_strict=True,
)
PERSON = Table(
    "person",
    METADATA,
    Column("id", PLAIN, primary_key=True),
    Column("name", Text, nullable=False),
    Column("salt", PLAIN, nullable=False),
    sqlite_strict=True,
)
Index("ix_person_name", PERSON.c.name)
LABEL = Table(
    "label",
    METADATA,
    Column("key", PLAIN, primary_key=True),
    Column("dossier", PLAIN, primary_key=True),
    Column("entry", PLAIN, ForeignKey("entry.hash"), primary_key=True),
    sqlite_strict=True,
    sqlite_with_rowid=False,
)
Index("ix_label_dossier", LABEL.c.dossier, LABEL.c.key)
FIGURE = Table(
    "figure",
    METADATA,
    Column("number", WHOLE, primary_key=True, autoincrement=False),
    Column("quantity", PLAIN, primary_key=True),
    Column("document", PLAIN, nullable=False),
    Column("at", PLAIN, nullable=False),
    Column("dossier", PLAIN, nullable=False),
    Column("value", Double().with_variant(REAL(), "sqlite"), nullable=False),
    Column("unit", PLAIN, nullable=False),
    Column("serial", PLAIN, nullable=False),
    Column("model", PLAIN, nullable=False),
    Column("site", PLAIN, nullable=False),
    Column("person", PLAIN, nullable=False),
    Column("station", PLAIN, nullable=False),
    Column("batch", PLAIN, nullable=False),
    *(
        Column(name, PLAIN, nullable=False, server_default="")
        for name in ("cutter", "cutter_uses", "humidity", "temperature")
    ),
    sqlite_strict=True,
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
TASK = Table(
    "task",
    METADATA,
    Column("id", PLAIN, primary_key=True),
    Column("kind", PLAIN, nullable=False),
    Column("dossier", PLAIN, nullable=False),
    Column("same", PLAIN, nullable=False),
    Column("state", PLAIN, nullable=False),
    Column("at", PLAIN, nullable=False),
    Column("changed", PLAIN, nullable=False),
    Column("runner", PLAIN, nullable=False),
    Column("asked", Text, nullable=False),
    Column("doing", Text, nullable=False),
    Column("result", Text, nullable=False),
    Column("permille", WHOLE, nullable=False),
    Column("beat", WHOLE, nullable=False),
    Column("tries", WHOLE, nullable=False),
    Column("stop", WHOLE, nullable=False),
    sqlite_strict=True,
)
Index("ix_task_state", TASK.c.state, TASK.c.at)
Index("ix_task_dossier", TASK.c.dossier, TASK.c.at)
UPKEEP = Table(
    "upkeep",
    METADATA,
    Column("sort", PLAIN, primary_key=True),
    Column("at", PLAIN, nullable=False),
    Column("said", Text, nullable=False),
    sqlite_strict=True,
)
ACCOUNT = Table(
    "account",
    METADATA,
    Column("id", PLAIN, primary_key=True),
    Column("person", PLAIN, ForeignKey("person.id"), nullable=False),
    Column("role", PLAIN, nullable=False),
    Column("partner", Text, nullable=False),
    Column("password", PLAIN, nullable=False),
    Column("since", PLAIN, nullable=False),
    Column("ended", PLAIN, nullable=False),
    sqlite_strict=True,
)
INVITATION = Table(
    "invitation",
    METADATA,
    Column("key", PLAIN, primary_key=True),
    Column("account", PLAIN, nullable=False),
    Column("person", PLAIN, nullable=False),
    Column("role", PLAIN, nullable=False),
    Column("partner", Text, nullable=False),
    Column("until", PLAIN, nullable=False),
    sqlite_strict=True,
)
LOGIN = Table(
    "login",
    METADATA,
    Column("key", PLAIN, primary_key=True),
    Column("account", PLAIN, ForeignKey("account.id"), nullable=False),
    Column("at", PLAIN, nullable=False),
    Column("seen", PLAIN, nullable=False),
    sqlite_strict=True,
)
Index("ix_login_account", LOGIN.c.account)
TOKEN = Table(
    "token",
    METADATA,
    Column("id", PLAIN, primary_key=True),
    Column("key", PLAIN, nullable=False, unique=True),
    Column("account", PLAIN, ForeignKey("account.id"), nullable=False),
    Column("name", Text, nullable=False),
    Column("scopes", PLAIN, nullable=False),
    Column("at", PLAIN, nullable=False),
    Column("until", PLAIN, nullable=False),
    Column("used", PLAIN, nullable=False),
    Column("ended", PLAIN, nullable=False),
    sqlite_strict=True,
)
Index("ix_token_account", TOKEN.c.account)
ATTEMPT = Table(
    "attempt",
    METADATA,
    Column("key", PLAIN, primary_key=True),
    Column("count", WHOLE, nullable=False),
    Column("at", PLAIN, nullable=False),
    sqlite_strict=True,
)
SHARED_LOT = Table(
    "shared_lot",
    METADATA,
    Column("partner", PLAIN, primary_key=True),
    Column("lot", PLAIN, primary_key=True),
    Column("dossier", PLAIN, primary_key=True),
    Column("at", PLAIN, nullable=False),
    Column("answer", PLAIN, nullable=False),
    Column("answered", PLAIN, nullable=False),
    sqlite_strict=True,
)
AUDIT = Table(
    "audit",
    METADATA,
    Column("number", WHOLE, primary_key=True, autoincrement=False),
    Column("hash", PLAIN, nullable=False),
    Column("at", PLAIN, nullable=False),
    Column("account", PLAIN, nullable=False),
    Column("token", PLAIN, nullable=False),
    Column("what", PLAIN, nullable=False),
    Column("about", Text, nullable=False),
    Column("address", PLAIN, nullable=False),
    sqlite_strict=True,
)

FILED = (ARCHIVE, DOCUMENT, KEPT_FILE, PERSON, ENTRY, SIGNATURE, AUDIT)
"""What an archive holds, in an order in which it can be copied."""
LET_IN = (ACCOUNT, TOKEN, SHARED_LOT)
"""Who may come in: copied with an archive, and no part of the record."""
PASSING = (LABEL, FIGURE, TASK, UPKEEP, INVITATION, LOGIN, ATTEMPT)
"""What may be lost without harm, or follows from the rest."""
