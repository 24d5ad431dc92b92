"""A store of many invented instruments, written in bulk and kept between runs.

The entries are what filing would have made of them, with their hashes, so that `verify` holds.
"""

from __future__ import annotations

import itertools
import random
import secrets
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

from sqlalchemy import insert, select, text, update

from evenfall.records import Archive
from evenfall.records.entries import Entry, canonical, sha256
from evenfall.records.figures import QUANTITIES, figures_of
from evenfall.records.labels import labels_of
from evenfall.records.tables import ARCHIVE, ENTRY, FIGURE

MODELS = ("Tesquil", "Quenlo", "Gorbune", "Dolqua", "Yvrane Nine", "Ostreval")
MAKERS = ("Ulbrenq (invented)", "Tessquin (invented)")
PREFIXES = ("UY", "TR", "QA", "LO")
SITES = 5
STATIONS = 4
"""At each site."""
A_DAY = 1000
"""Instruments that leave, all sites together."""
EACH = 4
"""Entries of each instrument."""
BATCH = 20_000


def serial_of(number: int) -> str:
    """Return the serial of an instrument by its number."""
    return f"{PREFIXES[number % len(PREFIXES)]}-{number:07}"


def at_of(number: int) -> str:
    """Return when an instrument was filed: so many a day, around the clock."""
    at = datetime(2024, 1, 1, tzinfo=UTC) + timedelta(seconds=number * 86_400 // A_DAY)
    return at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def site_of(number: int) -> str:
    """Return the site of an instrument."""
    return sha256(f"site {number % SITES}")[:32]


def figures_at(number: int) -> dict[str, float]:
    """Return the figures of its proof: chance, and a slow drift at one station."""
    chance = random.Random(number)  # noqa: S311
    drift = 0.01 if number % (SITES * STATIONS) == 7 and number % 200_000 > 150_000 else 0.0
    crown = 1.05 + 0.02 * chance.gauss(0.0, 1.0)
    return {
        "relief_mm": round(0.18 + drift + 0.02 * chance.gauss(0.0, 1.0), 4),
        "action_bass_mm": round(1.9 + 0.05 * chance.gauss(0.0, 1.0), 3),
        "action_treble_mm": round(1.5 + 0.05 * chance.gauss(0.0, 1.0), 3),
        "lowest_crown_mm": round(crown, 3),
        "fret_life_mm": round(crown - 0.8, 3),
    }


def _made(site: str, number: int) -> Iterator[Entry]:
    dossier, at = secrets.token_hex(16), at_of(number)
    before: tuple[str, ...] = ()

    def entry(kind: str, **facts: Any) -> Entry:
        nonlocal before
        told = canonical({**facts, "salt": secrets.token_hex(16)})
        digest = sha256(told)
        made = Entry(dossier, kind, at, site, "", "evenfall 0.1.0", before, "", digest, told)
        before = (made.hash,)
        return made

    model, maker = MODELS[number % len(MODELS)], MAKERS[number // 7 % len(MAKERS)]
    station = f"bench {number % (SITES * STATIONS) + 1}"
    yield entry("opened", subject="instrument", name=model, maker=maker)
    yield entry("alias", sort="serial", value=serial_of(number))
    yield entry("step", work="Levelled and crowned.", station=station)
    proof = {"content_hash": f"{number:064x}", "schema": "evenfall/proof@1", "specification": ""}
    yield entry("proof", **proof, status="conforms", **figures_at(number))


Rows = list[dict[str, Any]]


def _rows(numbers: range) -> tuple[Rows, Rows, Rows]:
    entries: Rows = []
    labels: Rows = []
    figures: Rows = []
    for number in numbers:
        made = []
        for place, one in enumerate(_made(site_of(number), number)):
            hashed = one.hash
            row = {"number": EACH * number + place + 1, "hash": hashed, **one.head()}
            made.append({**row, "before": " ".join(one.before), "facts": one.facts})
            labels += (
                {"key": key, "dossier": one.dossier, "entry": hashed} for key in labels_of(one)
            )
        entries += made
        for figure in figures_of(SimpleNamespace(**row) for row in made):
            figure.pop("entry")
            figures.append(figure)
    return entries, labels, figures


def _batches(count: int) -> Iterator[range]:
    for start in itertools.count(0, BATCH):
        if start >= count:
            return
        yield range(start, min(start + BATCH, count))


def load(archive: Archive, count: int) -> None:
    """Fill an empty archive with so many instruments."""
    sqlite = archive.address.folder is not None
    with archive.engine.connect() as connection:
        if sqlite:
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql("PRAGMA synchronous=OFF")
            connection.exec_driver_sql("PRAGMA cache_size=-1500000")
            connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        else:
            connection.exec_driver_sql("SET session_replication_role = replica")
        connection.execute(text("DROP INDEX ix_label_dossier"))
        for name in sorted(index.name or "" for index in FIGURE.indexes):
            connection.execute(text(f"DROP INDEX {name}"))
        connection.execute(text("CREATE TEMPORARY TABLE heap (key TEXT, dossier TEXT, entry TEXT)"))
        for numbers in _batches(count):
            entries, labels, figures = _rows(numbers)
            if sqlite:
                connection.execute(insert(ENTRY), entries)
                connection.execute(text("INSERT INTO heap VALUES (:key, :dossier, :entry)"), labels)
                connection.execute(insert(FIGURE), figures)
            else:
                _copy(connection, "entry", entries)
                _copy(connection, "heap", labels)
                _copy(connection, "figure", figures)
        connection.execute(
            text("INSERT INTO label SELECT key, dossier, entry FROM heap ORDER BY 1, 2, 3")
        )
        connection.execute(text("CREATE INDEX ix_label_dossier ON label (dossier, key)"))
        for index in FIGURE.indexes:
            index.create(connection)
        connection.execute(update(ARCHIVE).values(entries=EACH * count))
        connection.execute(text("DROP TABLE heap"))
        connection.commit()
        if not sqlite:
            connection.execute(text("ANALYZE"))
            connection.commit()
    archive.engine.dispose()


def load_figures(archive: Archive, numbers: range) -> None:
    """File the figures of so many more instruments, and nothing else: charts open nothing else.

    Their numbers are under zero, where no entry has its own.
    """
    kept = [column.name for column in FIGURE.columns]
    with archive.engine.connect() as connection:
        if archive.address.folder is not None:
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql("PRAGMA synchronous=OFF")
            connection.exec_driver_sql("PRAGMA cache_size=-1000000")
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        for index in FIGURE.indexes:
            index.drop(connection)
        for start in range(numbers.start, numbers.stop, BATCH):
            rows = [
                dict(zip(kept, row, strict=True))
                for number in range(start, min(start + BATCH, numbers.stop))
                for row in _figure_rows(number)
            ]
            if archive.address.folder is not None:
                connection.execute(insert(FIGURE), rows)
            else:
                _copy(connection, "figure", rows)
        for index in FIGURE.indexes:
            index.create(connection)
        connection.commit()
        if archive.address.folder is None:
            connection.execute(text("ANALYZE"))
            connection.commit()
    archive.engine.dispose()


def _figure_rows(number: int) -> Iterator[tuple[Any, ...]]:
    """Yield the rows that the proof of an instrument gives, in the order of the columns."""
    at, dossier, serial = at_of(number), f"{number:032x}", serial_of(number)
    model, station = MODELS[number % len(MODELS)], f"bench {number % (SITES * STATIONS) + 1}"
    for name, value in figures_at(number).items():
        yield (
            *(-number - 1, QUANTITIES[name], "proof", at, dossier, value, "mm"),
            *(serial, model, site_of(number), "", station, f"wire {number // 500}"),
            *("file", str(number // 20 % 200), str(40 + number // 700 % 15), "21"),
        )


def _copy(connection: Any, table: str, rows: list[dict[str, Any]]) -> None:
    columns = list(rows[0])
    cursor = connection.connection.driver_connection.cursor()
    with cursor.copy(f"COPY {table} ({', '.join(columns)}) FROM STDIN") as copying:
        for row in rows:
            copying.write_row(tuple(row.values()))


def loaded(archive: Archive) -> int:
    """Return how many instruments an archive holds."""
    with archive.reading() as connection:
        return int(connection.execute(select(ARCHIVE.c.entries)).scalar_one()) // EACH
