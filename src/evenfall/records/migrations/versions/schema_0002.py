"""The second schema: work under way, and when the archive was last looked after."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

PLAIN = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "task",
        *(
            sa.Column(name, PLAIN, nullable=False)
            for name in ("id", "kind", "dossier", "same", "state", "at", "changed", "runner")
        ),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("asked", "doing", "result")),
        *(sa.Column(name, WHOLE, nullable=False) for name in ("permille", "beat", "tries", "stop")),
        sa.PrimaryKeyConstraint("id", name="pk_task"),
        sqlite_strict=True,
    )
    op.create_index("ix_task_state", "task", ["state", "at"])
    op.create_index("ix_task_dossier", "task", ["dossier", "at"])
    op.create_table(
        "upkeep",
        *(sa.Column(name, PLAIN, nullable=False) for name in ("sort", "at")),
        sa.Column("said", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("sort", name="pk_upkeep"),
        sqlite_strict=True,
    )
