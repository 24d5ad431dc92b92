"""The schema of the database: which one it has, and the steps to the one of today."""

from __future__ import annotations

import re
from pathlib import Path

from sqlalchemy import Connection, inspect, text

from evenfall.errors import BrokenFileError, UnsupportedError
from evenfall.records.engines import Address

STEPS = Path(__file__).parent / "migrations"
TODAY = "0006"
"""The schema that this program writes."""
_SCHEMAS = {f"{number:04}" for number in range(1, int(TODAY) + 1)}
NAMES_CUTTERS = "0005"
"""The first one whose figures have a place for the cutter."""


def schema_of(connection: Connection) -> str:
    """Return the schema of a database; "" where it holds no archive."""
    if not inspect(connection).has_table("alembic_version"):
        return ""
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()
    return str(found or "")


def refuse_other(connection: Connection, address: Address) -> bool:
    """Say whether a database has an older schema; refuse a newer one, and what is no archive."""
    found = schema_of(connection)
    if found == TODAY:
        return False
    if not found:
        raise BrokenFileError(
            "There is a database here, but no archive in it; check the address.", at=address.at
        )
    if re.fullmatch("[0-9]{4}", found) and found > TODAY:
        raise UnsupportedError(
            "The archive has schema {found}, and this program knows those up to {today}; use the "
            "newer version of the program.",
            at=address.at,
            found=found,
            today=TODAY,
        )
    if found not in _SCHEMAS:
        raise BrokenFileError(
            "The archive names a schema that never existed, {found:quoted}: its database is "
            "damaged. Restore a backup, or use {door_archive_save} to file what can be read into a "
            "new archive.",
            at=address.at,
            found=found,
        )
    return True


def upgrade(connection: Connection, to: str = TODAY, steps: Path | None = None) -> None:
    """Bring a database, empty or of an older schema, to a schema; whole or not at all.

    `steps` is one more folder with steps.
    """
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(STEPS).replace("%", "%%"))
    places = [STEPS / "versions", *([steps] if steps else [])]
    config.set_main_option("path_separator", "newline")
    config.set_main_option("version_locations", "\n".join(map(str, places)).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, to)
