"""The fourth schema: who may come in, and what they did."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

PLAIN = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def _plain(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, PLAIN, nullable=False) for name in names]


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "account",
        *_plain("id", "person", "role"),
        sa.Column("partner", sa.Text, nullable=False),
        *_plain("password", "since", "ended"),
        sa.PrimaryKeyConstraint("id", name="pk_account"),
        sa.ForeignKeyConstraint(["person"], ["person.id"], name="fk_account_person"),
        sqlite_strict=True,
    )
    op.create_table(
        "invitation",
        *_plain("key", "account", "person", "role"),
        sa.Column("partner", sa.Text, nullable=False),
        *_plain("until"),
        sa.PrimaryKeyConstraint("key", name="pk_invitation"),
        sqlite_strict=True,
    )
    op.create_table(
        "login",
        *_plain("key", "account", "at", "seen"),
        sa.PrimaryKeyConstraint("key", name="pk_login"),
        sa.ForeignKeyConstraint(["account"], ["account.id"], name="fk_login_account"),
        sqlite_strict=True,
    )
    op.create_index("ix_login_account", "login", ["account"])
    op.create_table(
        "token",
        *_plain("id", "key", "account"),
        sa.Column("name", sa.Text, nullable=False),
        *_plain("scopes", "at", "until", "used", "ended"),
        sa.PrimaryKeyConstraint("id", name="pk_token"),
        sa.UniqueConstraint("key", name="uq_token_key"),
        sa.ForeignKeyConstraint(["account"], ["account.id"], name="fk_token_account"),
        sqlite_strict=True,
    )
    op.create_index("ix_token_account", "token", ["account"])
    op.create_table(
        "attempt",
        *_plain("key"),
        sa.Column("count", WHOLE, nullable=False),
        *_plain("at"),
        sa.PrimaryKeyConstraint("key", name="pk_attempt"),
        sqlite_strict=True,
    )
    op.create_table(
        "shared_lot",
        *_plain("partner", "lot", "dossier", "at", "answer", "answered"),
        sa.PrimaryKeyConstraint("partner", "lot", "dossier", name="pk_shared_lot"),
        sqlite_strict=True,
    )
    op.add_column("archive", sa.Column("audited", WHOLE, nullable=False, server_default="0"))
    op.create_table(
        "audit",
        sa.Column("number", WHOLE, nullable=False, autoincrement=False),
        *_plain("hash", "at", "account", "token", "what"),
        sa.Column("about", sa.Text, nullable=False),
        *_plain("address"),
        sa.PrimaryKeyConstraint("number", name="pk_audit"),
        sqlite_strict=True,
    )
