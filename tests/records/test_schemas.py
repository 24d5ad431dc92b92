"""Archives of every schema that the program has written are read by the program of today."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, inspect, text
from sqlalchemy.engine import Connection

from evenfall.errors import BrokenFileError, EvenfallError, UnsupportedError
from evenfall.records import archive as archive_module
from evenfall.records import engines, open_archive
from evenfall.records.engines import Address, engine_of, writing
from evenfall.records.schema import STEPS, TODAY, refuse_other, schema_of, upgrade
from evenfall.records.tables import FILED, LET_IN, METADATA, PASSING
from evenfall.records.verifying import verify

STORED = sorted((Path(__file__).parent / "archives").glob("*.json"))

AFTER = f"{int(TODAY) + 1:04}"
NEXT = '''
"""A made-up next schema: dossiers can be put aside, and a document says how long it is."""

import sqlalchemy as sa
from alembic import op

revision = "AFTER"
down_revision = "TODAY"


def upgrade() -> None:
    op.create_table("aside", sa.Column("dossier", sa.Text, primary_key=True), sqlite_strict=True)
    with op.batch_alter_table("document") as table:
        table.add_column(sa.Column("length", sa.Integer))
    op.execute("UPDATE document SET length = length(content)")
    with op.batch_alter_table("document") as table:
        table.alter_column("length", existing_type=sa.Integer, nullable=False)
'''.replace("AFTER", AFTER).replace("TODAY", TODAY)


def load(connection: Connection, stored: dict[str, Any]) -> None:
    """Make the schema that an archive was stored with, and put its rows there."""
    upgrade(connection, stored["schema"])
    for name, rows in stored["tables"].items():
        columns = list(rows[0]) if rows else []
        places = ", ".join(f":{column}" for column in columns)
        for row in rows:
            connection.execute(
                text(f"INSERT INTO {name} ({', '.join(columns)}) VALUES ({places})"),  # noqa: S608
                row,
            )


def loaded(address: str, path: Path) -> Address:
    place = Address.read(address)
    if place.folder is not None:
        place.folder.mkdir()
    engine = engine_of(place)
    with writing(engine, place) as connection:
        load(connection, json.loads(path.read_text(encoding="utf-8")))
    engine.dispose()
    return place


@pytest.mark.parametrize("path", STORED, ids=lambda path: path.stem)
def test_a_stored_archive_of_every_schema_is_read_today(
    path: Path, new_address: Callable[[str], str]
) -> None:
    place = loaded(new_address("stored"), path)
    with open_archive(place) as archive:
        seen = verify(archive)
        assert [f.sentence for f in seen.findings if "gone" not in f.sentence] == []
        assert seen.entries >= 10
        assert seen.signatures >= 1
        assert len(archive.find("UY-0417")) == 1
        (dossier,) = archive.named("UY-0417")
        for entry in archive.entries(dossier):
            entry.read()
        with archive.reading() as connection:
            assert schema_of(connection) == TODAY


@pytest.mark.parametrize(
    ("found", "error", "said"),
    [
        *(
            (found, BrokenFileError, "a schema that never existed")
            for found in ("0", "0000", "1", "00060", "0006 ", "garbage")
        ),
        (AFTER, UnsupportedError, "use the newer version"),
    ],
)
def test_a_schema_that_never_existed_is_a_damaged_archive(
    tmp_path: Path, found: str, error: type[EvenfallError], said: str
) -> None:
    with closing(sqlite3.connect(tmp_path / "a.db")) as database, database:
        database.execute("CREATE TABLE alembic_version (version_num TEXT)")
        database.execute("INSERT INTO alembic_version VALUES (?)", (found,))
    engine = create_engine(f"sqlite:///{tmp_path / 'a.db'}")
    with engine.connect() as connection, pytest.raises(error, match=said):
        refuse_other(connection, Address.read(str(tmp_path / "a")))
    engine.dispose()


def test_every_schema_has_a_stored_archive() -> None:
    steps = {path.stem.removeprefix("schema_") for path in (STEPS / "versions").glob("schema_*")}
    assert {path.stem.removeprefix("schema-") for path in STORED} == steps
    assert max(steps) == TODAY


def test_the_first_schema_goes_up_to_a_made_up_next_one(
    new_address: Callable[[str], str], tmp_path: Path
) -> None:
    place = loaded(new_address("old"), STORED[0])
    steps = tmp_path / "steps"
    steps.mkdir()
    (steps / f"schema_{AFTER}.py").write_text(NEXT, encoding="utf-8")
    engine = engine_of(place)
    with writing(engine, place) as connection:
        upgrade(connection, AFTER, steps)
    with engines.reading(engine, place) as connection:
        assert schema_of(connection) == AFTER
        lengths = connection.execute(text("SELECT content, length FROM document")).all()
        assert lengths
        assert all(len(content) == length for content, length in lengths)
        seen = inspect(connection)
        assert seen.has_table("aside")
        assert seen.get_pk_constraint("document")["constrained_columns"] == ["sha256"]
    engine.dispose()


def test_a_step_that_fails_leaves_the_old_schema(
    new_address: Callable[[str], str], tmp_path: Path
) -> None:
    place = loaded(new_address("old"), STORED[0])
    steps = tmp_path / "steps"
    steps.mkdir()
    broken = NEXT.replace("length(content)", "no_such(content)")
    (steps / f"schema_{AFTER}.py").write_text(broken, encoding="utf-8")
    engine = engine_of(place)
    with pytest.raises(Exception, match="no_such"), writing(engine, place) as connection:
        upgrade(connection, AFTER, steps)
    engine.dispose()
    with open_archive(place) as archive:
        assert verify(archive).entries >= 10
        with archive.reading() as connection:
            assert not inspect(connection).has_table("aside")


def test_the_steps_make_the_tables_of_today(
    new_address: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive_module, "upgrade", upgrade)  # the steps themselves
    with (
        open_archive(new_address("today"), make=True) as archive,
        archive.reading() as connection,
    ):
        seen = inspect(connection)
        listed = {table.name for table in (*FILED, *LET_IN, *PASSING)}
        assert listed == METADATA.tables.keys()
        assert set(seen.get_table_names()) == listed | {"alembic_version"}
        for table in METADATA.sorted_tables:
            there = {c["name"]: c["nullable"] for c in seen.get_columns(table.name)}
            assert there == {c.name: c.nullable for c in table.columns}
            indexes = {index["name"] for index in seen.get_indexes(table.name)}
            assert {index.name for index in table.indexes} <= indexes
            assert seen.get_pk_constraint(table.name)["constrained_columns"] == [
                column.name for column in table.primary_key
            ]
        if connection.dialect.name == "sqlite":
            strict = connection.execute(text("PRAGMA table_list")).all()
            ours = {row.name: row.strict for row in strict if row.name in METADATA.tables}
            assert set(ours.values()) == {1}
