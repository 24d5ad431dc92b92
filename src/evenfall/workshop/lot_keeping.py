"""Lots are judged and kept: each once, in its order and with the sample that its plan asks for."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any, get_args

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import plain
from evenfall.errors import At, RequestError
from evenfall.names import check_line, normal
from evenfall.production.aql_tables import EDITION, check_aql, counts_each
from evenfall.production.sampling import Plan
from evenfall.production.series import check_known, check_known_sigma, check_limits
from evenfall.records import Filing
from evenfall.records.archive import NOTHING, Archive, Into
from evenfall.records.entries import MOST_SKIPPED, LotAnswer, LotMethod, LotsAgreed, legible
from evenfall.records.figures import QUANTITIES, newest_by_dossier
from evenfall.records.shared_lots import SharedLots
from evenfall.records.signing import signing_key
from evenfall.wording import plain_line
from evenfall.workshop.archive_requests import LONGEST_STEP, check_words, read_day
from evenfall.workshop.kept_lots import (
    MEASURED,
    KeptLot,
    KeptLots,
    judge,
    lots_of,
    plan_by,
    read_lots,
)
from evenfall.workshop.lots import check_same

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from evenfall.workshop.archives import Dossiers
    from evenfall.workshop.lot_judging import JudgeRequest

_SOME_LOT = 100
_LONGEST_LOT_NAME = 100  # characters
_FIELDS = {
    **{"aql_percent": "aql", "method": "sort"},
    **{"lower_mm": "lower", "upper_mm": "upper", "sigma_mm": "sigma"},
}
_AHEAD = timedelta(hours=14)  # so far a day somewhere is ahead of Greenwich
_ASKED = {
    "read again": "{party} asks to read again, lot {lot}: {reason}",
    "sent back": "{party} sends lot {lot} back: {reason}",
}
_DAY = len("2026-03-01")
_OURS = "The receiver"
"""Whose answer it is where this workshop received the lot."""


def agreement(
    supplier: str,
    model: str,
    *,
    receiver: str = "",
    method: str = "single",
    aql_percent: float = 1.0,
    level: str = "II",
    quantity: str = "",
    lower_mm: float = math.nan,
    upper_mm: float = math.nan,
    sigma_mm: float = math.nan,
    one_in: int = 1,
    reason: str = "",
) -> LotsAgreed:
    """Return how lots are to be inspected, checked as far as it can be before there is one."""
    supplier, model, receiver = (" ".join(one.split()) for one in (supplier, model, receiver))
    if not (supplier and model):
        raise RequestError("Lots are of a supplier and a model; name both.", at=At("supplier"))
    for name, given in (("supplier", supplier), ("model", model), ("receiver", receiver)):
        check_line(name, given)
    check_words("reason", reason, LONGEST_STEP)
    limited = math.isfinite(lower_mm) or math.isfinite(upper_mm)
    if (method in MEASURED or limited) != bool(quantity) or (quantity and method not in MEASURED):
        raise RequestError(
            "A lot that is measured needs a quantity, and a sorted one has none.",
            at=At(field="quantity"),
        )
    if quantity and quantity not in QUANTITIES.values():
        raise RequestError(
            "Proofs hold no {quantity:quoted}; they hold {there:quoted}.",
            at=At(field="quantity"),
            quantity=quantity,
            there=tuple(QUANTITIES.values()),
        )
    if (method == "sigma") != math.isfinite(sigma_mm):
        raise RequestError(
            "The sigma method needs the standard deviation, and no other method does.",
            at=At(field="sigma"),
        )
    if quantity:
        check_limits(lower_mm, upper_mm, "%" if quantity == QUANTITIES["margin_percent"] else "mm")
    check_known_sigma(sigma_mm)
    check_known("method", method, get_args(LotMethod))
    if not 1 <= one_in <= MOST_SKIPPED:
        raise RequestError(
            "Of qualified lots one in 1 to {most} is inspected, not one in {given}.",
            at=At(field="one_in"),
            most=MOST_SKIPPED,
            given=one_in,
        )
    check_aql(aql_percent)
    values = {
        "supplier": supplier,
        "model": model,
        "receiver": receiver,
        "method": method,
        "aql_percent": aql_percent,
        "level": level,
        "quantity": quantity,
        "lower_mm": plain(lower_mm),
        "upper_mm": plain(upper_mm),
        "sigma_mm": plain(sigma_mm),
        "one_in": one_in,
        "reason": reason.strip(),
        "salt": "0" * 32,
        "attached": [],
    }
    made = LotsAgreed.from_dict(values)
    plan_by(made, "normal", _SOME_LOT, 0)  # whether the tables hold such a plan
    return made


def proposed(agreed: LotsAgreed, there: KeptLots | None) -> KeptLots:
    """Return the lots by a new agreement, which is filed with the first of them."""
    if there is None:
        return KeptLots("", agreed, version=NOTHING, filed=False)
    return KeptLots(there.dossier, agreed, (), there.every, there.version, filed=False)


def check_agreed(there: KeptLots, **asked: Any) -> None:
    """Refuse terms that are asked for where the agreement of the lots says otherwise."""
    agreed = plain(there.agreed)
    for name, value in asked.items():
        field = _FIELDS.get(name, name)
        check_same({field: agreed[name]}, {field: value})


def keep_lot(dossiers: Dossiers, lots: KeptLots, lot: JudgeRequest) -> KeptLots:
    """Judge a lot and file it; return the lots with it."""
    name = " ".join(lot.name.split())
    _check_place(lots, name, lot, dossiers.clock())
    instruments = _instruments(dossiers, lots, lot)
    facts: dict[str, Any] = {
        "name": name,
        "pieces": lot.pieces,
        "found": [],
        "measured_mm": [],
        "instruments": list(instruments),
        "state": "skipped",
        "decision": "accepted",
        "reason": lot.reason.strip(),
        "done": lot.done,
    }
    if lot.skipped:
        if not lots.may_skip:
            raise RequestError(
                "Lot {name:quoted} is to be inspected; only a qualified supplier's lot that was "
                "not drawn may go without.",
                at=At(field="skipped"),
                name=name,
            )
        if lot.found or instruments:
            raise RequestError("A lot that is not inspected has no sample.", at=At("skipped"))
    else:
        facts |= _inspected(dossiers, lots, lot, name, instruments)
    filings = [Filing("lot", facts, lot.person)]
    if not lots.filed:
        agreed = {n: v for n, v in plain(lots.agreed).items() if n not in ("salt", "attached")}
        filings.insert(0, Filing("lots agreed", agreed, lot.person))
    if not lots.dossier:
        filings.insert(0, Filing("opened", {"subject": "lots", "name": lots.title}, lot.person))
    return _filed(dossiers.archive, lots, filings)


def _inspected(
    dossiers: Dossiers,
    lots: KeptLots,
    lot: JudgeRequest,
    name: str,
    instruments: dict[str, str],
) -> dict[str, Any]:
    """Return what was found of a lot and what was decided, as facts."""
    agreed, state = lots.agreed, lots.switching.state
    found, measured = lot.found, np.zeros(0)
    if agreed.method in MEASURED:
        if found or not instruments:
            raise RequestError(
                "This lot is judged by {quantity}, as proofs hold it; name the instruments of the "
                "sample, not how many were found.",
                at=At(field="instrument"),
                quantity=agreed.quantity,
            )
        measured = _measured(dossiers.archive, agreed.quantity, instruments)
        asked = lots.plan(lot.pieces)
        if len(measured) < asked.first_count:
            raise _wrong_size(name, asked.first_count, len(measured))
    elif instruments:
        plan = lots.plan(lot.pieces)
        assert isinstance(plan, Plan)  # noqa: S101 (by the method)
        stages = max(len(found), 1)
        wanted = sum(stage.size_count for stage in plan.stages[:stages])
        if len(instruments) != wanted:
            raise _wrong_size(name, wanted, len(instruments))
        if counts_each(agreed.aql_percent) and not found:
            raise RequestError(
                "By this agreement nonconformities are counted, of which an instrument may have "
                "several; say how many were found.",
                at=At(field="found"),
            )
        told = _nonconforming(dossiers.archive, instruments)
        if found and (sum(found) < told or (sum(found) > told and not plan.each_counts)):
            raise RequestError(
                "Nonconforming by their proofs: {told} of {n:count instrument}, not {given}. "
                "Correct the number, or leave it out.",
                at=At(field="found"),
                told=told,
                n=len(instruments),
                given=sum(found),
            )
        found = found or (told,)
    elif not found:
        raise RequestError(
            "Say how many of the sample of lot {name:quoted} were found nonconforming, or name its "
            "instruments.",
            at=At(field="found"),
            name=name,
        )
    _, judged_lot = judge(agreed, state, lot.pieces, found, measured)
    return {
        "found": list(found),
        "measured_mm": measured.tolist(),
        "state": state,
        "decision": judged_lot.decision,
        "edition": EDITION,
    }


def _check_place(lots: KeptLots, name: str, lot: JudgeRequest, now: str) -> None:
    """Refuse a lot that was judged, or that comes before one that was."""
    if not name:
        raise RequestError("Name the lot, as it stands on its papers.", at=At(field="name"))
    check_line("name", name, _LONGEST_LOT_NAME)
    check_words("reason", lot.reason, LONGEST_STEP)
    if (other := lots.named(name)) is not None:
        raise RequestError(
            "Lot {name:quoted} was judged already, {decision} on {day}; a lot that is presented "
            "again gets a name of its own.",
            at=At(field="name"),
            name=name,
            decision=other.decision,
            day=other.at[:_DAY],
        )
    day = (read_day("done", lot.done) or now)[:_DAY]
    if day > (datetime.fromisoformat(now) + _AHEAD).date().isoformat():
        raise RequestError(
            "Lot {name:quoted} cannot have been inspected on {day}, which is still to come; give "
            "the day of its inspection.",
            at=At(field="done"),
            name=name,
            day=day,
        )
    if lots.lots and day < lots.lots[-1].at[:_DAY]:
        before = lots.lots[-1]
        raise RequestError(
            "Lot {name:quoted} of {day} comes before lot {before:quoted} of {then}, which is "
            "judged; the state follows the lots in their order. Give the day of its inspection.",
            at=At(field="done"),
            name=name,
            day=day,
            before=before.name,
            then=before.at[:_DAY],
        )


def _instruments(dossiers: Dossiers, lots: KeptLots, lot: JudgeRequest) -> dict[str, str]:
    """Return the instruments of a sample: their dossiers, each with what was given."""
    found: dict[str, str] = {}
    earlier = {dossier: other.name for other in lots.every for dossier in other.instruments}
    for given in lot.instruments:
        (line,) = dossiers.lines([dossiers.named(given)])
        if line.subject != "instrument" or normal(line.name) != normal(lots.agreed.model):
            raise RequestError(
                "{given:quoted} is no {model}, and these are lots of that.",
                at=At(field="instrument"),
                given=given,
                model=lots.agreed.model,
            )
        if line.dossier in found or line.dossier in earlier:
            raise RequestError(
                "{given:quoted} is counted already, in lot {lot:quoted}; name each instrument "
                "once.",
                at=At(field="instrument"),
                given=given,
                lot=earlier.get(line.dossier, lot.name),
            )
        found[line.dossier] = given
    if len(found) > lot.pieces:
        raise _wrong_size(lot.name, lot.pieces, len(found))
    return found


def _wrong_size(name: str, wanted: int, given: int) -> RequestError:
    return RequestError(
        "The sample of lot {name:quoted} is {wanted:count instrument}, and {given} were named; "
        "take as many as the plan asks for.",
        at=At(field="instrument"),
        name=name,
        wanted=wanted,
        given=given,
    )


def _measured(archive: Archive, quantity: str, instruments: dict[str, str]) -> FloatArray:
    """Return the newest proofs' figures of instruments, in their order."""
    with archive.reading() as connection:
        found = newest_by_dossier(connection, quantity, "proof", list(instruments))
    _all_proved([given for dossier, given in instruments.items() if dossier not in found])
    return np.array([found[dossier] for dossier in instruments])


def _nonconforming(archive: Archive, instruments: dict[str, str]) -> int:
    """Return how many of some instruments do not conform by their newest proof."""
    proofs = legible(archive.entries_of_kinds(list(instruments), ("proof",)), "proof")
    status = {proof.dossier: str(proof.values["status"]) for proof in proofs}
    _all_proved([given for dossier, given in instruments.items() if dossier not in status])
    return sum(status[dossier] != "conforms" for dossier in instruments)


def _all_proved(without: list[str]) -> None:
    if without:
        raise RequestError(
            "Not proved yet: {names:list}. A lot is judged when its whole sample is proved.",
            at=At(field="instrument"),
            names=tuple(without[:8]),
        )


def answer_lot(
    dossiers: Dossiers,
    lots: KeptLots,
    lot: KeptLot,
    answer: LotAnswer,
    *,
    party: str,
    reason: str = "",
    person: str = "",
    with_it: Sequence[Into] = (),
    along: Callable[[Connection], object] | None = None,
) -> KeptLots:
    """File what the other side says of a lot; what goes `with_it` and `along` as one."""
    check_answer(answer, reason)
    facts = {"lot": lot.entry, "party": party, "answer": answer, "reason": reason.strip()}
    filing = Filing("lot answered", facts, person)
    return _filed(dossiers.archive, lots, [filing], with_it, along)


def settle_lot(
    dossiers: Dossiers,
    dossier: str,
    entry: str,
    answer: str,
    *,
    reason: str = "",
    person: str = "",
    seen: str = "",
) -> KeptLot:
    """File what this workshop, as the receiver, did with a lot that was not accepted.

    A partner with whom the lot is shared sees it too. With `seen`, the version of the lots, only as
    they were seen.
    """
    archive = dossiers.archive
    lots = read_lots(archive, dossier)
    lot = next((one for one in lots.every if one.entry == entry), None) if lots else None
    if lots is None or lot is None or lots.agreed.receiver or not lot.refused:
        raise RequestError("No lot that you received waits to be settled here; see the list.")
    said, reason = check_answer(answer, reason), plain_line(reason)
    note = note_of_answer(said, lot.name, _OURS, reason, person) if said == "sent back" else None
    settled = partial(SharedLots(archive).settle, dossier=dossier, name=lot.name, answer=said)
    answer_lot(
        dossiers,
        replace(lots, version=seen or lots.version),
        lot,
        said,
        party=_OURS,
        reason=reason,
        person=person,
        with_it=[Into(one, [note]) for one in lot.instruments if note],
        along=settled,
    )
    return lot


def check_answer(answer: str, reason: str) -> LotAnswer:
    """Return the answer to a lot; refuse what is none, and one that says not why."""
    known = next((one for one in get_args(LotAnswer) if one == answer), None)
    if known is None:
        raise RequestError(
            "The answer to a lot is to accept it, to ask for another reading, or to send it back."
        )
    check_words("reason", reason, LONGEST_STEP)
    if known != "accepted" and not reason.strip():
        raise RequestError(
            "Say why the lot is {what}; the workshop reads it.",
            at=At(field="reason"),
            what="to be read again" if known == "read again" else known,
        )
    return known  # type: ignore[no-any-return]


def note_of_answer(answer: LotAnswer, lot: str, party: str, reason: str, person: str) -> Filing:
    """Return what stands in the story of each instrument of a lot that was not accepted."""
    words = _ASKED[answer].format(lot=lot, party=party, reason=reason.strip())
    return Filing("note", {"words": words}, person)


def _filed(
    archive: Archive,
    lots: KeptLots,
    filings: Sequence[Filing],
    with_it: Sequence[Into] = (),
    along: Callable[[Connection], object] | None = None,
) -> KeptLots:
    """File into a dossier of lots, signed, and return them."""
    key = signing_key()  # without one nothing is filed
    looked = {} if lots.dossier else _others(archive, lots)
    into = Into(lots.dossier or None, filings, lots.version, looked, key)
    dossier = archive.file_together([into, *with_it], along)[0][0].dossier
    made = read_lots(archive, dossier)
    assert made is not None  # noqa: S101 (it was filed just now)
    return made


def _others(archive: Archive, lots: KeptLots) -> dict[str, list[str]]:
    """Return which dossiers bear the label of new lots and are not theirs."""
    label, agreed = f"lots {lots.title}", lots.agreed
    named = archive.named(label)
    there = lots_of(archive, agreed.supplier, agreed.model, agreed.receiver)
    return {label: [one for one in named if there is None or one != there.dossier]}
