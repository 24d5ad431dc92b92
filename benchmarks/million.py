"""A store of many invented instruments, written in bulk and kept between runs.

The entries are what filing would have made of them, with their hashes, so that `verify` holds. It
is kept at the addresses that EVENFALL_STORE (a folder) and EVENFALL_STORE_POSTGRESQL name;
EVENFALL_STORE_SIZE asks for a smaller one. `python benchmarks/million.py ADDRESS ADDRESS` writes
the same into each.
"""

from __future__ import annotations

import os
import random
import secrets
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from sqlalchemy import Connection, select, text, update

import evenfall as ef
from evenfall.records import Archive
from evenfall.records.entries import canonical, sha256
from evenfall.records.figures import QUANTITIES
from evenfall.records.labels import keys_of
from evenfall.records.tables import ARCHIVE, FIGURE, LABEL

SIZE = int(os.environ.get("EVENFALL_STORE_SIZE", "1000000"))
MODELS = ("Tesquil", "Quenlo", "Gorbune", "Dolqua", "Yvrane Nine", "Ostreval")
MAKERS = ("Ulbrenq (invented)", "Tessquin (invented)")
PREFIXES = ("UY", "TR", "QA", "LO")
SITES = 5
STATIONS = 4
"""At each site."""
A_DAY = 1000
"""Instruments that leave, all sites together."""
EACH = 5
"""Entries of each instrument."""
BATCH = 20_000
SOFTWARE = "evenfall 0.1.0"


def serial_of(number: int) -> str:
    """Return the serial of an instrument by its number."""
    return f"{PREFIXES[number % len(PREFIXES)]}-{number:07}"


def at_of(number: int) -> str:
    """Return when an instrument was filed: so many a day, around the clock."""
    at = datetime(2024, 1, 1, tzinfo=UTC) + timedelta(seconds=number * 86_400 // A_DAY)
    return at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


@cache
def _site(number: int) -> str:
    return sha256(f"site {number}")[:32]


def site_of(number: int) -> str:
    """Return the site of an instrument."""
    return _site(number % SITES)


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


Row = tuple[Any, ...]
Rows = list[Row]


def _filed(number: int) -> Iterator[tuple[str, dict[str, Any], tuple[str, ...]]]:
    """Yield kind and facts of each entry, and which of the facts it is found by."""
    names = {"name": MODELS[number % len(MODELS)], "maker": MAKERS[number // 7 % len(MAKERS)]}
    yield "opened", {"subject": "instrument", **names}, ("name", "maker")
    yield "alias", {"sort": "serial", "value": serial_of(number)}, ("value",)
    batch = {"part": f"{number // 500:032x}", "name": f"wire {number // 500}"}
    yield "fitted", {**batch, "words": "24 frets"}, ("name",)
    step = {"work": "Levelled and crowned.", "station": f"bench {number % (SITES * STATIONS) + 1}"}
    yield "step", {**step, "cutter": "file", "cutter_uses": float(number // 20 % 200)}, ()
    proof = {"content_hash": f"{number:064x}", "schema": "evenfall/proof@1", "specification": ""}
    air = {"humidity_percent": 40.0 + number // 700 % 15, "temperature_celsius": 21.0}
    yield "proof", {**proof, "status": "conforms", **figures_at(number), **air}, ("content_hash",)


def _rows(numbers: range) -> dict[str, Rows]:
    """Return what goes into each table: what filing makes, by less work, as `verify` finds."""
    entries: Rows = []
    labels: Rows = []
    figures: Rows = []
    for number in numbers:
        dossier, at, site, before = secrets.token_hex(16), at_of(number), site_of(number), ""
        for place, (kind, facts, found_by) in enumerate(_filed(number), EACH * number + 1):
            told = canonical({**facts, "salt": secrets.token_hex(16)})
            digest, follows = sha256(told), f'"{before}"' if before else ""
            hashed = sha256(
                f'{{"at":"{at}","before":[{follows}],"corrects":"","dossier":"{dossier}",'
                f'"facts_hash":"{digest}","kind":"{kind}","person":"","site":"{site}",'
                f'"software":"{SOFTWARE}"}}'
            )
            head = (place, hashed, dossier, kind, at, site, "", SOFTWARE, before, "")
            entries.append((*head, digest, told))
            keys = set().union(*(keys_of(facts[name]) for name in found_by))
            labels += ((key, dossier, hashed) for key in keys)
            before = hashed
        figures += _figures(number, place, (at, dossier), site)
    return {"entry": entries, "heap": labels, "figure": figures}


def _figures(number: int, place: int, when: tuple[str, str], site: str) -> Iterator[Row]:
    """Yield the figures of the proof of an instrument, in the order of the columns."""
    model, station = MODELS[number % len(MODELS)], f"bench {number % (SITES * STATIONS) + 1}"
    own = (serial_of(number), model, site, "", station, f"wire {number // 500}", "file")
    air = (str(40 + number // 700 % 15), "21")
    for name, value in figures_at(number).items():
        uses = str(number // 20 % 200)
        yield (place, QUANTITIES[name], "proof", *when, value, "mm", *own, uses, *air)


def load(archives: Sequence[Archive], count: int) -> None:
    """Fill empty archives with the same instruments, so many of them."""
    with ExitStack() as opened:
        connections = [opened.enter_context(one.engine.connect()) for one in archives]
        for connection in connections:
            _begin(connection)
        for start in range(0, count, BATCH):
            for table, rows in _rows(range(start, min(start + BATCH, count))).items():
                for connection in connections:
                    _put(connection, table, rows)
        for connection in connections:
            _end(connection, count)


def _begin(connection: Connection) -> None:
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("COMMIT")
        connection.exec_driver_sql("PRAGMA synchronous=OFF")
        connection.exec_driver_sql("PRAGMA cache_size=-1500000")
        connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
        connection.exec_driver_sql("BEGIN IMMEDIATE")
    else:
        connection.exec_driver_sql("SET session_replication_role = replica")
    for index in (*LABEL.indexes, *FIGURE.indexes):
        index.drop(connection)
    connection.execute(text("CREATE TEMPORARY TABLE heap (key TEXT, dossier TEXT, entry TEXT)"))


def _put(connection: Connection, table: str, rows: Rows) -> None:
    driver: Any = connection.connection.driver_connection
    if connection.dialect.name == "sqlite":
        places = ", ".join("?" * len(rows[0]))
        driver.executemany(f"INSERT INTO {table} VALUES ({places})", rows)  # noqa: S608 (ours)
        return
    with driver.cursor().copy(f"COPY {table} FROM STDIN") as copying:
        for row in rows:
            copying.write_row(row)


def _end(connection: Connection, count: int) -> None:
    connection.execute(
        text("INSERT INTO label SELECT key, dossier, entry FROM heap ORDER BY 1, 2, 3")
    )
    for index in (*LABEL.indexes, *FIGURE.indexes):
        index.create(connection)
    connection.execute(update(ARCHIVE).values(entries=EACH * count))
    connection.execute(text("DROP TABLE heap"))
    connection.commit()
    if connection.dialect.name == "postgresql":
        connection.execute(text("ANALYZE"))
        connection.commit()
    connection.invalidate()  # its settings are for writing in bulk


def loaded(archive: Archive) -> int:
    """Return how many instruments an archive holds."""
    with archive.reading() as connection:
        return int(connection.execute(select(ARCHIVE.c.entries)).scalar_one()) // EACH


def kept(engine: str) -> str:
    """Return where the store of an engine is kept; "" where nobody keeps one."""
    return os.environ.get("EVENFALL_STORE" + ("_POSTGRESQL" if engine == "postgresql" else ""), "")


@contextmanager
def store(*addresses: str) -> Iterator[tuple[ef.Dossiers, ...]]:
    """Open archives with a whole store in each, written now where none is there."""
    with ExitStack() as opened:
        stores = [opened.enter_context(ef.archive(one, make=True)) for one in addresses]
        if empty := [one.archive for one in stores if loaded(one.archive) < SIZE]:
            began, used = time.perf_counter(), time.process_time()
            load(empty, SIZE)
            took, used = time.perf_counter() - began, time.process_time() - used
            print(f"{SIZE:,} instruments written in {took:.0f} s, {used:.0f} s of this processor")
        yield tuple(stores)


if __name__ == "__main__":
    with store(*sys.argv[1:]):
        pass
