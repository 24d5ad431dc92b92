"""The first schema."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

PLAIN = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "archive",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("site", PLAIN, nullable=False),
        sa.Column("entries", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_archive"),
        sa.CheckConstraint("id = 1", name="ck_archive_one"),
        sqlite_strict=True,
    )
    op.create_table(
        "entry",
        sa.Column("number", WHOLE, nullable=False, autoincrement=False),
        *(
            sa.Column(name, PLAIN, nullable=False)
            for name in ("hash", "dossier", "kind", "at", "site", "person")
        ),
        sa.Column("software", sa.Text, nullable=False),
        *(sa.Column(n, PLAIN, nullable=False) for n in ("before", "corrects", "facts_hash")),
        sa.Column("facts", sa.Text),
        sa.PrimaryKeyConstraint("number", name="pk_entry"),
        sa.UniqueConstraint("hash", name="uq_entry_hash"),
        sqlite_strict=True,
    )
    op.create_index("ix_entry_dossier", "entry", ["dossier", "number"])
    op.create_table(
        "document",
        sa.Column("sha256", PLAIN, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_document"),
        sqlite_strict=True,
    )
    op.create_table(
        "kept_file",
        sa.Column("sha256", PLAIN, nullable=False),
        sa.Column("bytes_count", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_kept_file"),
        sqlite_strict=True,
    )
    op.create_table(
        "signature",
        *(sa.Column(n, PLAIN, nullable=False) for n in ("entry", "key", "at", "signature")),
        sa.PrimaryKeyConstraint("entry", "key", name="pk_signature"),
        sa.ForeignKeyConstraint(["entry"], ["entry.hash"], name="fk_signature_entry"),
        sqlite_strict=True,
    )
    op.create_table(
        "person",
        sa.Column("id", PLAIN, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("salt", PLAIN, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_person"),
        sqlite_strict=True,
    )
    op.create_index("ix_person_name", "person", ["name"])
    op.create_table(
        "label",
        *(sa.Column(n, PLAIN, nullable=False) for n in ("key", "dossier", "entry")),
        sa.PrimaryKeyConstraint("key", "dossier", "entry", name="pk_label"),
        sa.ForeignKeyConstraint(["entry"], ["entry.hash"], name="fk_label_entry"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_label_dossier", "label", ["dossier", "key"])
