"""Lots that a partner sees: which instruments belong to each, and what the partner answered."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from sqlalchemy import Connection, delete, select, update

from evenfall.errors import ChangedError, RequestError
from evenfall.names import same_name
from evenfall.records.archive import Archive
from evenfall.records.entries import LotAnswer, sha256
from evenfall.records.tables import ARCHIVE, SHARED_LOT
from evenfall.wording import plain_line

_LONGEST = 100


@dataclass(frozen=True, slots=True)
class SharedLot:
    """A lot as a partner sees it."""

    partner: str  # name of the partner's firm
    lot: str
    dossiers: tuple[str, ...]  # of its instruments
    at: str  # when it was shared
    answer: str
    answered: str  # when; "" before

    @property
    def key(self) -> str:
        """What stands for the lot in an address."""
        return sha256(f"{self.partner}\n{self.lot}")[:16]

    @property
    def version(self) -> str:
        """What changes whenever the lot is shared again or answered."""
        return sha256(f"{self.at}\n{self.answer}\n{self.answered}")[:16]


class SharedLots:
    """The lots that an archive shares."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive

    def share(
        self, lot: str, partner: str, dossiers: Sequence[str], *, seen: str = ""
    ) -> SharedLot:
        """Let a partner see a lot of these instruments; one of that name is replaced.

        With `seen`, which `version_of_shared` gave of all lots, it is replaced only as it was seen.
        """
        lot, partner = plain_line(lot)[:_LONGEST], plain_line(partner)[:_LONGEST]
        if not (lot and partner and dossiers):
            raise RequestError(
                "A shared lot has a name, a partner and instruments; give all three."
            )
        now = self._archive.clock()
        row = {"partner": partner, "lot": lot, "at": now, "answer": "", "answered": ""}
        rows = [{**row, "dossier": dossier} for dossier in sorted(set(dossiers))]
        with self._archive.writing() as connection:
            there = _locked(connection)
            replaced = any((one.lot, one.partner) == (lot, partner) for one in there)
            if seen and replaced and seen != version_of_shared(there):
                raise ChangedError(
                    "Somebody shared or answered a lot since you looked; look at it, then share "
                    "yours."
                )
            connection.execute(delete(SHARED_LOT).filter_by(partner=partner, lot=lot))
            connection.execute(SHARED_LOT.insert(), rows)
        return SharedLot(partner, lot, tuple(row["dossier"] for row in rows), now, "", "")

    def withdraw(self, key: str, *, seen: str = "") -> SharedLot:
        """Let the partner see a lot no more; with `seen`, only as it was seen."""
        with self._archive.writing() as connection:
            lot = _unchanged(_locked(connection), key, seen)
            connection.execute(delete(SHARED_LOT).filter_by(partner=lot.partner, lot=lot.lot))
        return lot

    def answer(
        self, connection: Connection, lot: SharedLot, answer: LotAnswer, *, seen: str = ""
    ) -> None:
        """Keep what the partner says of a lot as they saw it, along with what is filed of it."""
        now = _unchanged(_locked(connection), lot.key, seen)
        if now.at != lot.at:  # shared again, perhaps with other instruments
            raise lot_changed()
        self._keep(connection, lot, answer)

    def settle(self, connection: Connection, dossier: str, name: str, answer: LotAnswer) -> None:
        """Keep what became of a lot of a dossier of lots, with whomever it is shared."""
        for lot in _locked(connection):
            if dossier in lot.dossiers and same_name(name, lot.lot):
                self._keep(connection, lot, answer)

    def _keep(self, connection: Connection, lot: SharedLot, answer: LotAnswer) -> None:
        same = update(SHARED_LOT).filter_by(partner=lot.partner, lot=lot.lot)
        connection.execute(same.values(answer=answer, answered=self._archive.clock()))

    def of(self, partner: str | None = None) -> list[SharedLot]:
        """Return the lots of a partner, or all, the newest first."""
        with self._archive.reading() as connection:
            return _of(connection, partner)

    def one(self, key: str, partner: str | None = None) -> SharedLot:
        """Return a lot; the same `RequestError` for one that is not there and for another's."""
        return _one(self.of(partner), key)


def version_of_shared(lots: Iterable[SharedLot]) -> str:
    """Return what changes whenever anything is shared, withdrawn or answered."""
    return sha256("".join(f"{lot.key}{lot.version}" for lot in lots))[:16]


def _locked(connection: Connection) -> list[SharedLot]:
    """Return every lot; whoever else would change one waits from here on."""
    connection.execute(select(ARCHIVE).with_for_update())
    return _of(connection, None)


def _of(connection: Connection, partner: str | None) -> list[SharedLot]:
    wanted = select(SHARED_LOT)
    if partner is not None:
        wanted = wanted.where(SHARED_LOT.c.partner == partner)
    rows = connection.execute(wanted).all()
    named = sorted(rows, key=lambda row: (row.partner, row.lot, row.dossier))
    lots = []
    for _, several in groupby(named, key=lambda row: (row.partner, row.lot)):
        group = list(several)
        one = group[0]
        dossiers = tuple(row.dossier for row in group)
        lots.append(SharedLot(one.partner, one.lot, dossiers, one.at, one.answer, one.answered))
    return sorted(lots, key=lambda lot: lot.at, reverse=True)


def _one(lots: Iterable[SharedLot], key: str) -> SharedLot:
    for lot in lots:
        if lot.key == key:
            return lot
    raise RequestError("There is no such lot here; see the lots that are shared.")


def _unchanged(lots: Iterable[SharedLot], key: str, seen: str) -> SharedLot:
    """Return a lot, which has still the version that was seen."""
    lot = _one(lots, key)
    if seen and seen != lot.version:
        raise lot_changed()
    return lot


def lot_changed() -> ChangedError:
    """Return what is said to who saw a lot as it no longer stands."""
    return ChangedError("This lot was changed meanwhile; load it again, then answer.")
