"""The third schema: the figures of what was filed, each with what it belongs to."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

PLAIN = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.BigInteger().with_variant(sa.Integer, "sqlite")
FACTORS = ("serial", "model", "site", "person", "station", "batch")


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "figure",
        sa.Column("number", WHOLE, nullable=False, autoincrement=False),
        *(sa.Column(n, PLAIN, nullable=False) for n in ("quantity", "document", "at", "dossier")),
        sa.Column("value", sa.Double().with_variant(sa.REAL(), "sqlite"), nullable=False),
        sa.Column("unit", PLAIN, nullable=False),
        *(sa.Column(name, PLAIN, nullable=False) for name in FACTORS),
        sa.PrimaryKeyConstraint("number", "quantity", name="pk_figure"),
        sqlite_strict=True,
    )
    op.create_index("ix_figure_quantity", "figure", ["quantity", "document", "at"])
    op.create_index("ix_figure_model", "figure", ["quantity", "document", "model", "at"])
    op.create_index("ix_figure_station", "figure", ["quantity", "document", "station", "at"])
    op.create_index("ix_figure_site", "figure", ["quantity", "document", "site", "at"])
    op.create_index("ix_figure_dossier", "figure", ["dossier"])
