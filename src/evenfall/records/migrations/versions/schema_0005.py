"""The fifth schema: figures also say which cutter, how used, and which air they go with."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

PLAIN = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    """Add the columns."""
    for name in ("cutter", "cutter_uses", "humidity", "temperature"):
        op.add_column("figure", sa.Column(name, PLAIN, nullable=False, server_default=""))
