"""The sixth schema: figures are found by batch, cutter and person as fast as by model."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Make the indexes."""
    for name in ("batch", "cutter", "person"):
        has = sa.text(f"{name} <> ''")
        op.create_index(
            f"ix_figure_{name}",
            "figure",
            ["quantity", "document", name, "at"],
            sqlite_where=has,
            postgresql_where=has,
        )
