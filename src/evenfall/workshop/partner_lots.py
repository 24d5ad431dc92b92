"""Lots as both sides see them: what is shared with a partner, what it holds, and the answer.

A lot that is kept with its decision is shared with its dossier of lots, so that the partner sees
the same state of inspection; any other is shared as instruments alone.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from evenfall.errors import At, ChangedError, RequestError
from evenfall.names import normal
from evenfall.records.archive import Into
from evenfall.records.entries import legible, sha256
from evenfall.records.exchange import check
from evenfall.records.shared_lots import SharedLot, SharedLots, lot_changed
from evenfall.wording import plain_line
from evenfall.workshop.archive_views import fact
from evenfall.workshop.kept_lots import KeptLot, KeptLots, read_lots
from evenfall.workshop.lot_keeping import answer_lot, check_answer, note_of_answer
from evenfall.workshop.story import Story, story

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from evenfall.workshop.archives import Dossiers

    Stories = Callable[[str], Story]

SHOWN = "certificates"
"""What an exchange file of a lot shows: no station, no person."""


@dataclass(frozen=True, slots=True)
class LotInstrument:
    """What a partner sees of an instrument."""

    dossier: str
    name: str
    model: str
    verdict: str  # as it was filed; "" before it is released
    version: str  # of its dossier, as this was read


@dataclass(frozen=True, slots=True)
class LotSeen:
    """A shared lot as both sides see it."""

    shared: SharedLot
    instruments: tuple[LotInstrument, ...]
    lots: KeptLots | None  # of the same supplier and model; None where no decision is kept
    kept: KeptLot | None  # the decision on this lot

    @property
    def version(self) -> str:
        """What changes whenever the lot is shared again or answered, or what it rests on changes.

        Its first part is the version of `shared`, which a list shows.
        """
        decision = self.kept.decision if self.kept else ""
        rests = sorted(f"{one.dossier} {one.verdict}" for one in self.instruments)
        return f"{self.shared.version}.{sha256(chr(10).join([decision, *rests]))[:16]}"

    @property
    def released_count(self) -> int:
        """How many verdicts are released."""
        return sum(bool(one.verdict) for one in self.instruments)

    @property
    def may_be_accepted(self) -> bool:
        """Whether everything that an answer rests on is there."""
        return self.released_count == len(self.instruments)

    @property
    def may_be_sent_back(self) -> bool:
        """Whether it came from somebody else than the partner."""
        return self.lots is None or normal(self.shared.partner) != normal(self.lots.agreed.supplier)

    @property
    def may_be_taken(self) -> bool:
        """Whether the decision leaves it to the partner to accept it."""
        refused = self.kept is not None and self.kept.decision == "not accepted"
        return self.may_be_sent_back or not refused

    def values(self) -> dict[str, Any]:
        """Return it as plain values: no station, no person, no other partner."""
        return {
            "lot": self.shared.lot,
            "key": self.shared.key,
            "version": self.version,
            "at": self.shared.at,
            "answer": self.shared.answer,
            "answered": self.shared.answered,
            "instruments": [
                {"dossier": one.dossier, "name": one.name, "model": one.model}
                | {"verdict": one.verdict}
                for one in self.instruments
            ],
            "decision": self.kept.decision if self.kept else "",
            "sampling": self.lots.values() if self.lots else None,
        }


@dataclass(frozen=True, slots=True)
class LotListed:
    """A shared lot in a list."""

    shared: SharedLot
    count: int  # instruments
    lots: KeptLots | None
    decision: str  # that is kept; "" for none


def shared_with(dossiers: Dossiers, partner: str | None = None) -> list[LotListed]:
    """Return the lots that are shared with a partner, or all, the newest first."""
    shared = SharedLots(dossiers.archive).of(partner)
    every = sorted({dossier for one in shared for dossier in one.dossiers})
    subjects = {line.dossier: line.subject for line in dossiers.lines(every)}
    kept = {
        dossier: read_lots(dossiers.archive, dossier)
        for dossier in every
        if subjects[dossier] == "lots"
    }
    listed = []
    for one in shared:
        lots = next((kept[dossier] for dossier in one.dossiers if dossier in kept), None)
        found = lots.named(one.lot) if lots else None
        count = sum(dossier not in kept for dossier in one.dossiers)
        listed.append(LotListed(one, count, lots, found.decision if found else ""))
    return listed


def lot_seen(
    dossiers: Dossiers, key: str, partner: str | None = None, stories: Stories | None = None
) -> LotSeen:
    """Return one lot; the same `RequestError` for one that is not there and for another's."""
    shared = SharedLots(dossiers.archive).one(key, partner)
    told = stories or (lambda name: story(dossiers, name))
    instruments, lots = [], None
    for dossier in shared.dossiers:
        found = read_lots(dossiers.archive, dossier)
        if found is None:
            instruments.append(_instrument(dossiers, told(dossier)))
        else:
            lots = found
    instruments.sort(key=lambda one: one.name)
    kept = lots.named(shared.lot) if lots else None
    return LotSeen(shared, tuple(instruments), lots, kept)


def _instrument(dossiers: Dossiers, told: Story) -> LotInstrument:
    line, verdict = told.line, ""
    if told.proved:
        verdict = fact(legible(dossiers.archive.entries(line.dossier), "proof")[-1], "status")
    return LotInstrument(line.dossier, line.serial or line.name, line.name, verdict, told.version)


def share_lot(
    dossiers: Dossiers,
    lot: str,
    partner: str,
    names: Sequence[str],
    *,
    kept: str = "",
    seen: str = "",
) -> SharedLot:
    """Share instruments by number; with `kept`, the entry of a lot that is kept, its sample too.

    With `seen`, which `version_of_shared` gave, a lot of that name is replaced only as it was seen.
    """
    names = tuple(dict.fromkeys(names))
    wanted = [dossiers.named(name) for name in names]
    for name, line in zip(names, dossiers.lines(wanted), strict=True):
        if line.subject != "instrument":
            raise RequestError(
                "{name:quoted} is not an instrument; a lot has only those.", name=name
            )
    if kept:
        lots, found = _kept(dossiers, kept)
        sides = (lots.agreed.supplier, lots.agreed.receiver)
        if normal(partner) not in map(normal, sides):
            raise RequestError(
                "This lot is between {supplier} and {receiver}; share it with one of them.",
                at=At(field="partner"),
                supplier=lots.agreed.supplier,
                receiver=lots.agreed.receiver or "you",
            )
        lot = found.name
        wanted = [lots.dossier, *(wanted or found.instruments)]
    return SharedLots(dossiers.archive).share(lot, partner, wanted, seen=seen)


def _kept(dossiers: Dossiers, entry: str) -> tuple[KeptLots, KeptLot]:
    dossier, _, name = entry.partition(":")
    lots = read_lots(dossiers.archive, dossier)
    for lot in lots.every if lots else ():
        if lots is not None and lot.entry == name:
            return lots, lot
    raise RequestError("This lot is not kept here; choose one of the list.", at=At(field="kept"))


def withdraw_lot(dossiers: Dossiers, key: str, *, seen: str = "") -> SharedLot:
    """Let a partner see a lot no more."""
    return SharedLots(dossiers.archive).withdraw(key, seen=seen.partition(".")[0])


def answer_shared(
    dossiers: Dossiers,
    seen_lot: LotSeen,
    answer: str,
    *,
    reason: str = "",
    party: str = "",
    person: str = "",
    seen: str = "",
) -> None:
    """Keep what a partner says of a lot: with the lot, and to be read again in each story too.

    All of it or nothing; with `seen`, the version of the lot, only as it was seen.
    """
    shared, reason = seen_lot.shared, plain_line(reason)
    if "." in seen and seen != seen_lot.version:  # a verdict, where the lot itself is as it was
        raise lot_changed()
    said = check_answer(answer, reason)
    if said == "accepted" and not seen_lot.may_be_accepted:
        raise RequestError("Not every verdict of this lot is released yet; accept it after that.")
    if said == "accepted" and not seen_lot.may_be_taken:
        raise RequestError(
            "A lot that was not accepted can be taken by its receiver, and not by whoever made it."
        )
    if said == "sent back" and not seen_lot.may_be_sent_back:
        raise RequestError("Who made a lot cannot send it back; ask for another reading of it.")
    party, archive = party or shared.partner, dossiers.archive
    if said == "accepted":  # each verdict that it rests on still stands then
        with_it = [Into(one.dossier, (), one.version) for one in seen_lot.instruments]
    else:
        note = note_of_answer(said, shared.lot, party, reason, person)
        with_it = [Into(one.dossier, [note]) for one in seen_lot.instruments]

    def along(connection: Connection) -> None:
        SharedLots(archive).answer(connection, shared, said, seen=seen.partition(".")[0])

    try:
        if seen_lot.lots is not None and seen_lot.kept is not None:
            told = {"party": party, "reason": reason, "person": person}
            lots, kept = seen_lot.lots, seen_lot.kept
            answer_lot(dossiers, lots, kept, said, **told, with_it=with_it, along=along)
        else:
            archive.file_together(with_it, along)
    except ChangedError:
        raise lot_changed() from None


def lot_parcel(dossiers: Dossiers, seen_lot: LotSeen) -> bytes:
    """Return a lot as a signed exchange file, checked as the receiver will check it."""
    names = [one.dossier for one in seen_lot.instruments if one.verdict]
    names += [seen_lot.lots.dossier] if seen_lot.lots else []
    if not names:
        raise RequestError("Nothing of this lot is released yet; there is nothing to send.")
    with TemporaryDirectory() as folder:
        path = Path(folder) / "lot.zip"
        dossiers.export(names, path, shown=SHOWN)
        content = path.read_bytes()
    check(io.BytesIO(content))
    return content
