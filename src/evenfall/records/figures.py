"""Every figure of what was filed, with what it belongs to: made as entries arrive.

A row follows from the entries of one dossier and is made again whenever they change: a figure of a
corrected or withheld entry has none. So a chart of many instruments is one look at an index.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Select,
    delete,
    func,
    insert,
    literal_column,
    or_,
    select,
)

from evenfall.records.entries import values_of
from evenfall.records.labels import key_of, span_of
from evenfall.records.tables import ENTRY, FIGURE, LABEL, MOST_AT_ONCE, PERSON, some_of

QUANTITIES = {
    "relief_mm": "relief",
    "action_bass_mm": "action of the lowest string",
    "action_treble_mm": "action of string 1",
    "lowest_crown_mm": "lowest crown",
    "fret_life_mm": "fret life",
    "metal_mm": "metal removed",
    "crown_spread_mm": "crown spread before work",
    "margin_percent": "margin",
}
"""Figures of measurements, plans and proofs, by their name among the facts."""
STEP_TIME = "time of a step"
FACTORS = (
    *("serial", "model", "site", "person", "station", "batch"),
    *("cutter", "cutter_uses", "humidity", "temperature"),
)
"""What a figure may belong to, by column."""
_OF_DOSSIER = tuple(name for name in FACTORS if name not in ("site", "person"))

_DOCUMENTS = ("measurement", "plan", "proof")
_FIGURED = (*_DOCUMENTS, "check", "step")
_AROUND = ("opened", "alias", "fitted", "step", "measurement")
"""Kinds that say what a figure belongs to."""
_MIDNIGHT = "0000-00-00T00:00:00.000000"


@dataclass(slots=True)
class _Around:
    """What the entries of a dossier say, up to one of them, of what a figure belongs to."""

    model: str = ""
    serials: dict[str, str] = field(default_factory=dict)
    station: str = ""
    batch: str = ""
    cutter: str = ""
    cutter_uses: str = ""
    humidity: str = ""
    temperature: str = ""

    def see(self, name: str, kind: str, facts: Mapping[str, Any]) -> None:
        if kind == "opened":
            self.model = str(facts.get("name", ""))
        elif kind == "alias" and facts.get("sort") == "serial":
            self.serials[name] = str(facts.get("value", ""))
        elif kind == "fitted":
            self.batch = str(facts.get("name", ""))
        elif kind == "step":
            self.station = str(facts.get("station") or self.station)
            if facts.get("cutter") or facts.get("cutter_uses") is not None:
                self.cutter = str(facts.get("cutter") or "")
                self.cutter_uses = _written(facts.get("cutter_uses"))
        elif kind in _DOCUMENTS and ("humidity_percent" in facts or kind == "measurement"):
            self.humidity = _written(facts.get("humidity_percent"))
            self.temperature = _written(facts.get("temperature_celsius"))

    @property
    def serial(self) -> str:
        return "|".join(filter(None, self.serials.values()))


def _written(figure: Any) -> str:
    return f"{figure:g}" if isinstance(figure, int | float) else ""


def follow(connection: Connection, entries: Mapping[str, Any]) -> None:
    """Bring the figures up to entries, by hash, that were just inserted or completed."""
    touched: dict[str, bool] = {}
    for entry in entries.values():
        if entry.kind in _FIGURED or entry.kind in _AROUND:
            whole = bool(entry.corrects) or entry.kind in ("opened", "alias")
            touched[entry.dossier] = touched.get(entry.dossier, False) or whole
    wholly = [dossier for dossier, whole in touched.items() if whole]
    again(connection, wholly)
    more = [dossier for dossier, whole in touched.items() if not whole]
    for some in some_of(more):
        wanted = select(ENTRY).where(ENTRY.c.dossier.in_(some))
        new = [name for name, entry in entries.items() if entry.dossier in some]
        wanted = wanted.where(or_(ENTRY.c.kind.in_(_AROUND), ENTRY.c.hash.in_(new)))
        _put(connection, wanted, set(new))


def again(connection: Connection, dossiers: Sequence[str]) -> None:
    """Make the figures of dossiers again."""
    for some in some_of(dossiers):
        connection.execute(delete(FIGURE).where(FIGURE.c.dossier.in_(some)))
        _put(connection, select(ENTRY).where(ENTRY.c.dossier.in_(some)))


def figures_again(connection: Connection) -> None:
    """Make all figures again from the entries."""
    connection.execute(delete(FIGURE))
    for dossiers in _dossiers(connection):
        _put(connection, select(ENTRY).where(ENTRY.c.dossier.in_(dossiers)))


def with_cutters(connection: Connection) -> list[str]:
    """Return the dossiers that name a cutter: their figures had no place for it before."""
    named = ENTRY.c.facts.like('%"cutter":"_%')
    wanted = select(ENTRY.c.dossier).where(ENTRY.c.kind == "step", named).distinct()
    return list(connection.execute(wanted).scalars())


def figures_differ(connection: Connection) -> bool:
    """Say whether the figures that are kept are others than those that the entries make."""
    count = 0
    for dossiers in _dossiers(connection):
        rows = connection.execute(select(ENTRY).where(ENTRY.c.dossier.in_(dossiers)))
        made = [
            tuple(figure[column.name] for column in FIGURE.columns)
            for of_one in _by_dossier(rows)
            for figure in figures_of(of_one)
        ]
        kept = connection.execute(select(FIGURE).where(FIGURE.c.dossier.in_(dossiers)))
        if sorted(made) != sorted(tuple(row) for row in kept):
            return True
        count += len(made)
    there = select(func.count()).select_from(FIGURE)
    return bool(connection.execute(there).scalar_one() != count)


def _dossiers(connection: Connection) -> Iterator[list[str]]:
    """Yield all dossiers, a few at a time."""
    last = 0
    opened = select(ENTRY.c.number, ENTRY.c.dossier).where(ENTRY.c.kind == "opened")
    while rows := connection.execute(
        opened.where(ENTRY.c.number > last).order_by(ENTRY.c.number).limit(MOST_AT_ONCE)
    ).all():
        yield [row.dossier for row in rows]
        last = rows[-1].number


def _by_dossier(rows: Iterable[Row[Any]]) -> Iterable[list[Row[Any]]]:
    found: dict[str, list[Row[Any]]] = defaultdict(list)
    for row in sorted(rows, key=lambda one: int(one.number)):
        found[row.dossier].append(row)
    return found.values()


def _put(connection: Connection, wanted: Select[Any], only: set[str] | None = None) -> None:
    """Insert the figures of entries; `only` names the entries that have none yet."""
    made = [
        {column.name: figure[column.name] for column in FIGURE.columns}
        for rows in _by_dossier(connection.execute(wanted))
        for figure in figures_of(rows)
        if only is None or figure["entry"] in only
    ]
    for some in some_of(made):
        connection.execute(insert(FIGURE), list(some))


def figures_of(rows: Iterable[Any]) -> Iterator[dict[str, Any]]:
    """Yield the figures of the entries of one dossier, in the order they were filed."""
    rows = list(rows)
    corrected = {row.corrects for row in rows if row.corrects}
    known = [
        (row, values_of(row)) for row in rows if row.facts is not None and row.hash not in corrected
    ]
    around = _Around()
    for row, facts in known:  # a number is that which stands now
        if row.kind == "alias":
            around.see(row.hash, row.kind, facts)
    for row, facts in known:
        if row.kind != "alias":
            around.see(row.hash, row.kind, facts)
        if row.kind not in _FIGURED:
            continue
        common = {name: getattr(around, name) for name in _OF_DOSSIER} | {
            "number": row.number,
            "entry": row.hash,
            "document": row.kind,
            "at": _time(str(facts.get("done") or ""), row.at),
            "dossier": row.dossier,
            "site": row.site,
            "person": row.person,
        }
        for quantity, value, unit in _values(row.kind, facts):
            yield {"quantity": quantity, "value": value, "unit": unit, **common}


def _values(kind: str, facts: Mapping[str, Any]) -> Iterator[tuple[str, float, str]]:
    if kind == "check":
        off_mm = float(facts["read_mm"]) - float(facts["reference_mm"])
        yield f"check of {facts['standard']}", off_mm, "mm"
    elif kind == "step":
        started, ended = str(facts.get("started") or ""), str(facts.get("ended") or "")
        if "T" in started and "T" in ended:
            took = datetime.fromisoformat(_time(ended, "")) - datetime.fromisoformat(
                _time(started, "")
            )
            yield STEP_TIME, took.total_seconds() / 60.0, "min"
    elif kind in _DOCUMENTS:
        for name, quantity in QUANTITIES.items():
            if isinstance(value := facts.get(name), int | float):
                yield quantity, float(value), "%" if name.endswith("_percent") else "mm"


def _time(done: str, filed: str) -> str:
    """Return when it was done as entries hold a time; a day as its beginning; else when filed.

    What was filed on the day that it was done on has its time from the filing.
    """
    done = done.rstrip("Z")
    if not done or (len(done) == len("2026-05-04") and filed.startswith(done)):
        return filed
    return f"{done}{_MIDNIGHT[len(done) :]}Z"


# ---- looking -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Figures:
    """Which figures are wanted."""

    quantity: str
    document: str = ""  # kind of entry; empty for any
    since: str = ""  # ISO 8601, from then on
    until: str = ""  # ISO 8601, before then
    only: Mapping[str, str] = field(default_factory=dict)  # factors that must have a value


def newest_figures(
    connection: Connection, asked: Figures, most: int, factors: Iterable[str] = FACTORS
) -> list[Row[Any]]:
    """Return the newest figures, the oldest of them first, with some of the factors."""
    names = ("at", "value", "unit", "dossier", *factors)
    wanted = select(*(FIGURE.c[name] for name in names)).where(FIGURE.c.quantity == asked.quantity)
    if asked.document:
        wanted = wanted.where(FIGURE.c.document == asked.document)
    if asked.since:
        wanted = wanted.where(FIGURE.c.at >= asked.since)
    if asked.until:
        wanted = wanted.where(FIGURE.c.at < asked.until)
    for name, value in asked.only.items():
        if name == "site":  # by its first digits
            low, high = span_of(value)
            known = select(func.min(FIGURE.c.site)).where(
                FIGURE.c.quantity == asked.quantity,
                FIGURE.c.document == asked.document,
                FIGURE.c.site >= low,
                FIGURE.c.site < high,
            )
            wanted = wanted.where(FIGURE.c.site == connection.execute(known).scalar())
        elif name == "person":
            known = select(PERSON.c.id).where(PERSON.c.name == value)
            ids = list(connection.execute(known).scalars())
            if not ids:
                return []
            wanted = wanted.where(FIGURE.c.person.in_(ids), _has(name))
        elif name == "serial" and value:
            named = select(LABEL.c.dossier).where(LABEL.c.key == key_of(value.partition("|")[0]))
            numbers = select(FIGURE.c.number).where(
                FIGURE.c.dossier.in_(named), FIGURE.c.serial == value
            )
            found = list(connection.execute(numbers.distinct()).scalars())
            if not found:
                return []
            wanted = wanted.where(FIGURE.c.number.in_(found))
        else:
            wanted = wanted.where(FIGURE.c[name] == value)
            if value and name in ("batch", "cutter"):
                wanted = wanted.where(_has(name))
    newest = wanted.order_by(FIGURE.c.at.desc(), FIGURE.c.number.desc()).limit(most)
    return list(reversed(connection.execute(newest).all()))


def _has(name: str) -> ColumnElement[bool]:
    """Return what an index asks that lists only the readings that have a factor."""
    return FIGURE.c[name] != literal_column("''")


def newest_by_dossier(
    connection: Connection, quantity: str, document: str, dossiers: Sequence[str]
) -> dict[str, float]:
    """Return the newest figure of each of some dossiers that has one."""
    found: dict[str, float] = {}
    for some in some_of(dossiers):
        wanted = select(FIGURE.c.dossier, FIGURE.c.value).where(
            FIGURE.c.dossier.in_(some),
            FIGURE.c.quantity == quantity,
            FIGURE.c.document == document,
        )
        for row in connection.execute(wanted.order_by(FIGURE.c.at, FIGURE.c.number)):
            found[row.dossier] = row.value
    return found


def proved_between(connection: Connection, since: str, until: str) -> list[tuple[str, str]]:
    """Return model and verdict of the proofs between two times."""
    numbers = select(FIGURE.c.number, FIGURE.c.model).where(
        FIGURE.c.quantity.in_(QUANTITIES.values()),
        FIGURE.c.document == "proof",
        FIGURE.c.at >= since,
        FIGURE.c.at < until,
    )
    some = numbers.distinct().subquery()
    wanted = select(some.c.model, ENTRY.c.facts, ENTRY.c.hash)
    proofs = connection.execute(wanted.join(ENTRY, ENTRY.c.number == some.c.number))
    return [(row.model, str(values_of(row).get("status", ""))) for row in proofs]


def kinds_of_figures(connection: Connection) -> dict[str, list[str]]:
    """Return every quantity that there is, each with the kinds of entries that it is from."""
    return {quantity: kinds_of(connection, quantity) for quantity in _each(connection, "quantity")}


def kinds_of(connection: Connection, quantity: str) -> list[str]:
    """Return the kinds of entries that a quantity is from; none where there is no such quantity."""
    return list(_each(connection, "document", quantity=quantity))


def factor_values(
    connection: Connection, quantity: str, document: str, factor: str, most: int
) -> list[str]:
    """Return values of the factors model, station, batch or cutter, as many as are wanted."""
    return list(islice(_each(connection, factor, quantity=quantity, document=document), most))


def _each(connection: Connection, column: str, **fixed: str) -> Iterator[str]:
    """Yield the values of a column one after another, each by one look into an index."""
    wanted = select(func.min(FIGURE.c[column])).filter_by(**fixed).where(_has(column))
    value: str | None = ""
    while value is not None:  # one bound alone: of two, the database may begin at the lower one
        value = connection.execute(wanted.where(FIGURE.c[column] > value)).scalar()
        if value is not None:
            yield value
