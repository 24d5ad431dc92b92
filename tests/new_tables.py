"""The tables of a new SQLite archive, made by all steps of the schema once a process.

The steps take as long as twenty entries, and hundreds of tests begin with an archive of their own.
"""

from __future__ import annotations

from sqlalchemy import Connection, inspect

from evenfall.records.schema import TODAY, upgrade

MADE: list[str] = []
"""What the steps left in the database, as statements; nothing before the first archive."""


def upgrade_once(connection: Connection) -> None:
    """Do what `upgrade` does; an empty SQLite database gets what it made of the first one."""
    empty = connection.dialect.name == "sqlite" and not inspect(connection).get_table_names()
    if not empty or not MADE:
        upgrade(connection)
    if empty and not MADE:
        made = connection.exec_driver_sql("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")
        MADE.extend(made.scalars())
    elif empty:
        for statement in MADE:
            connection.exec_driver_sql(statement)
        connection.exec_driver_sql("INSERT INTO alembic_version VALUES (?)", (TODAY,))
