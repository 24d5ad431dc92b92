"""Lots that a partner sees: which instruments belong to each, and what the partner answered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from sqlalchemy import delete, select, update

from evenfall.errors import RequestError
from evenfall.records.archive import Archive
from evenfall.records.entries import sha256
from evenfall.records.tables import SHARED_LOT
from evenfall.wording import plain_line

Answer = Literal["", "accepted", "read again"]
"""What a partner says of a lot: nothing yet, accepted, or that it is to be read again."""
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

    def share(self, lot: str, partner: str, dossiers: Sequence[str]) -> SharedLot:
        """Let a partner see a lot of these instruments; one of that name is replaced."""
        lot, partner = plain_line(lot)[:_LONGEST], plain_line(partner)[:_LONGEST]
        if not (lot and partner and dossiers):
            raise RequestError(
                "A shared lot has a name, a partner and instruments; give all three."
            )
        now = self._archive.clock()
        row = {"partner": partner, "lot": lot, "at": now, "answer": "", "answered": ""}
        rows = [{**row, "dossier": dossier} for dossier in sorted(set(dossiers))]
        with self._archive.writing() as connection:
            connection.execute(delete(SHARED_LOT).filter_by(partner=partner, lot=lot))
            connection.execute(SHARED_LOT.insert(), rows)
        return SharedLot(partner, lot, tuple(row["dossier"] for row in rows), now, "", "")

    def withdraw(self, lot: SharedLot) -> None:
        """Let the partner see a lot no more."""
        with self._archive.writing() as connection:
            connection.execute(delete(SHARED_LOT).filter_by(partner=lot.partner, lot=lot.lot))

    def answer(self, lot: SharedLot, answer: Answer) -> None:
        """Keep what the partner says of a lot as they saw it."""
        same = update(SHARED_LOT).filter_by(partner=lot.partner, lot=lot.lot, at=lot.at)
        with self._archive.writing() as connection:
            changed = same.values(answer=answer, answered=self._archive.clock())
            if not connection.execute(changed).rowcount:
                raise RequestError("This lot was changed meanwhile; load it again, then answer.")

    def of(self, partner: str | None = None) -> list[SharedLot]:
        """Return the lots of a partner, or all, the newest first."""
        wanted = select(SHARED_LOT)
        if partner is not None:
            wanted = wanted.where(SHARED_LOT.c.partner == partner)
        with self._archive.reading() as connection:
            rows = connection.execute(wanted).all()
        named = sorted(rows, key=lambda row: (row.partner, row.lot, row.dossier))
        lots = []
        for _, several in groupby(named, key=lambda row: (row.partner, row.lot)):
            group = list(several)
            one = group[0]
            dossiers = tuple(row.dossier for row in group)
            lots.append(SharedLot(one.partner, one.lot, dossiers, one.at, one.answer, one.answered))
        return sorted(lots, key=lambda lot: lot.at, reverse=True)

    def one(self, key: str, partner: str | None = None) -> SharedLot:
        """Return a lot; the same `RequestError` for one that is not there and for another's."""
        for lot in self.of(partner):
            if lot.key == key:
                return lot
        raise RequestError("There is no such lot here; see the lots that are shared.")
