"""Lots in an archive: what was agreed with a supplier, the lots in their order, and the answers.

The lots of one supplier and model are a dossier. An entry holds what was found of a lot; the state
of inspection follows from all of them and is stored nowhere else, so that whoever has the dossier,
here or at the other side, comes to the same state.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import plain
from evenfall.errors import At, RequestError
from evenfall.production.aql_tables import AQLS, judged
from evenfall.production.measured_lots import judged_by_values, plan_for
from evenfall.production.sampling import Lot, Plan, State, Switching, VariablesPlan, switchings
from evenfall.production.skip_lots import Qualification, SkipPlan, is_drawn, qualifications
from evenfall.records import Filing
from evenfall.records.archive import version_of
from evenfall.records.entries import (
    LotAnswered,
    LotJudged,
    LotsAgreed,
    last_of,
    standing,
)
from evenfall.records.figures import QUANTITIES, newest_by_dossier
from evenfall.records.labels import normal
from evenfall.records.signing import signing_key
from evenfall.workshop.lots import next_plan, next_stage, still_inspected

if TYPE_CHECKING:
    from evenfall.records.archive import Archive
    from evenfall.records.entries import Entry, LotAnswer, LotDecision, LotState
    from evenfall.workshop.archives import Dossiers

_MEASURED = ("s", "sigma")
_KINDS = ("lots agreed", "lot", "lot answered")
_SCORE_OF_MEASURED = 3  # as for counts: ten lots in a row lead to reduced inspection
_LONGEST_TITLE = 200
_SOME_LOT = 100
_READ_AGAIN = "{party} asks to read again, lot {lot}: {reason}"
_MANY = 200
_DAY = len("2026-03-01")


@dataclass(frozen=True, slots=True)
class Answer:
    """What the other side says of a lot."""

    party: str
    answer: LotAnswer
    reason: str
    at: str  # when
    person: str


@dataclass(frozen=True, slots=True)
class KeptLot:
    """A lot that was judged, and where the inspection stood after it."""

    entry: str  # its hash
    name: str
    pieces: int
    at: str  # when it was judged: what was said, else when it was filed
    person: str  # who judged it
    state: LotState  # how it was inspected
    found: tuple[int, ...]  # nonconforming, by stage
    measured_mm: FloatArray  # what was measured
    instruments: tuple[str, ...]  # dossiers of the instruments of the sample
    decision: LotDecision
    plan: Plan | VariablesPlan | None  # None for one that was not inspected
    after: Switching
    qualified: Qualification
    reason: str
    signed_by: tuple[str, ...]  # keys whose signature under the lot, or a later entry, holds
    answers: tuple[Answer, ...]  # the oldest first
    follows: bool = True  # whether the decision follows from what was found

    @property
    def looked_count(self) -> int:
        """How many pieces were looked at."""
        if isinstance(self.plan, Plan):
            return sum(stage.size_count for stage in self.plan.stages[: len(self.found)])
        return len(self.measured_mm)

    @property
    def answer(self) -> Answer | None:
        """What was answered last."""
        return self.answers[-1] if self.answers else None


@dataclass(frozen=True)
class KeptLots:
    """The lots of a supplier and model, by what was agreed last."""

    dossier: str  # "" for one that is not filed yet
    agreed: LotsAgreed
    lots: tuple[KeptLot, ...] = ()
    earlier: tuple[KeptLot, ...] = ()  # by agreements before, the oldest first
    version: str = ""
    last: str = ""  # hash of the newest entry of an agreement or a lot
    filed: bool = True  # whether the agreement is

    @property
    def title(self) -> str:
        """Supplier and model, as the dossier is called."""
        return _title(self.agreed.supplier, self.agreed.model, self.agreed.receiver)

    @cached_property
    def switching(self) -> Switching:
        """Where the inspection stands."""
        return self.lots[-1].after if self.lots else next(switchings(()))

    @cached_property
    def qualified(self) -> Qualification:
        """Whether lots may go uninspected."""
        return self.lots[-1].qualified if self.lots else next(qualifications(()))

    @property
    def may_skip(self) -> bool:
        """Whether the next lot is accepted without inspection."""
        agreed = self.agreed.one_in
        return agreed > 1 and self.qualified.qualified and not is_drawn(self.last, agreed)

    @property
    def every(self) -> tuple[KeptLot, ...]:
        """All lots, those of earlier agreements first."""
        return (*self.earlier, *self.lots)

    @property
    def skipping(self) -> SkipPlan:
        """Of how many lots one is inspected."""
        return SkipPlan(self.agreed.one_in)

    def plan(self, pieces: int, count: int = 0) -> Plan | VariablesPlan:
        """Return the plan of the next lot, by so many readings where it is measured."""
        return _plan(self.agreed, self.switching.state, pieces, count)

    def after(self, lot: KeptLot) -> KeptLots:
        """Return the lots as they stood after one of them."""
        every = self.earlier + self.lots
        place = [one.entry for one in every].index(lot.entry)
        first = 0 if place < len(self.earlier) else len(self.earlier)
        return replace(self, lots=every[first : place + 1], last=lot.entry)

    def named(self, name: str) -> KeptLot:
        """Return the lot of a name."""
        for lot in self.every:
            if normal(lot.name) == normal(name):
                return lot
        raise RequestError("There is no lot {name:quoted} of {title}.", name=name, title=self.title)

    def values(self) -> dict[str, Any]:
        """Return agreement, lots and state as plain values: no person, no instrument."""
        hidden = {"salt", "attached", "done"}
        agreed = {n: v for n, v in plain(self.agreed).items() if n not in hidden}
        return {
            "agreed": agreed,
            "state": self.switching.state,
            "switching": plain(self.switching),
            "qualification": plain(self.qualified),
            "next_is_skipped": self.may_skip,
            "lots": [
                {
                    "name": lot.name,
                    "pieces": lot.pieces,
                    "at": lot.at,
                    "inspection": lot.state,
                    "looked_at": lot.looked_count,
                    "found": list(lot.found),
                    "decision": lot.decision,
                    "state_after": lot.after.state,
                    "answer": lot.answer.answer if lot.answer else "",
                }
                for lot in self.lots
            ],
        }


@dataclass(frozen=True, slots=True)
class LotToKeep:
    """A lot that is to be judged and kept."""

    name: str
    pieces: int
    found: tuple[int, ...] = ()  # nonconforming, by stage; none to count them by their proofs
    instruments: tuple[str, ...] = ()  # numbers of the instruments of the sample
    skipped: bool = False  # accepted without inspection
    person: str = ""
    done: str = ""  # when, ISO 8601; "" for now
    reason: str = ""


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
    supplier, model = " ".join(supplier.split()), " ".join(model.split())
    if not (supplier and model):
        raise RequestError("Lots are of a supplier and a model; name both.", at=At("supplier"))
    if (method in _MEASURED) != bool(quantity):
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
    if quantity and not (math.isfinite(lower_mm) or math.isfinite(upper_mm)):
        raise RequestError(
            "A lot that is measured needs a lower limit, an upper limit or both.",
            at=At(field="limits"),
        )
    values = {
        "supplier": supplier,
        "model": model,
        "receiver": " ".join(receiver.split()),
        "method": method,
        "aql_percent": aql_percent,
        "level": level,
        "quantity": quantity,
        "lower_mm": _or_none(lower_mm),
        "upper_mm": _or_none(upper_mm),
        "sigma_mm": _or_none(sigma_mm),
        "one_in": one_in,
        "reason": reason.strip(),
        "salt": "0" * 32,
        "attached": [],
    }
    made = LotsAgreed.from_dict(values)
    _plan(made, "normal", _SOME_LOT, 0)  # whether the tables hold such a plan
    return made


def lots_of(archive: Archive, supplier: str, model: str, receiver: str = "") -> KeptLots | None:
    """Return the lots of a supplier and model; None where none was agreed yet."""
    title = _title(" ".join(supplier.split()), " ".join(model.split()), " ".join(receiver.split()))
    for dossier in archive.named(f"lots {title}"):
        entries = archive.entries(dossier)
        if _opened(entries) == title:
            return read_lots(archive, dossier)
    return None


def all_lots(archive: Archive) -> list[KeptLots]:
    """Return the lots of every supplier and model that can be read, by their names."""
    made = []
    for dossier in archive.find("lots", _MANY):
        if _opened(archive.entries(dossier)):
            kept = read_lots(archive, dossier)
            if kept is not None:
                made.append(kept)
    return sorted(made, key=lambda one: one.title)


def read_lots(archive: Archive, dossier: str) -> KeptLots | None:
    """Return the lots of a dossier, each decision worked out again; None where none was agreed."""
    entries = archive.entries(dossier)
    if not _opened(entries):
        return None
    shown = {e.hash: e.read() for k in _KINDS for e in standing(entries, k) if e.facts is not None}
    people = archive.people({entry.person for entry in entries} - {""})
    names = {number: person.name for number, person in people.items()}
    answers: dict[str, list[Answer]] = {}
    for entry in entries:
        facts = shown.get(entry.hash)
        if isinstance(facts, LotAnswered):
            who = names.get(entry.person, "")
            said = Answer(facts.party, facts.answer, facts.reason, facts.done or entry.at, who)
            answers.setdefault(facts.lot, []).append(said)
    keys = _keys(archive, entries)
    agreed: LotsAgreed | None = None
    earlier: list[KeptLot] = []
    judged_lots: list[tuple[Entry, LotJudged]] = []
    last = ""

    def closed() -> tuple[KeptLot, ...]:
        if agreed is None:
            return ()
        return tuple(_followed(agreed, judged_lots, answers, keys, names))

    for entry in entries:
        facts = shown.get(entry.hash)
        if isinstance(facts, LotsAgreed):
            earlier += closed()
            agreed, judged_lots, last = facts, [], entry.hash
        elif isinstance(facts, LotJudged) and agreed is not None:
            judged_lots.append((entry, facts))
            last = entry.hash
    if agreed is None:
        return None
    version = version_of(last_of((entry.hash, entry.before) for entry in entries))
    return KeptLots(dossier, agreed, closed(), tuple(earlier), version, last)


def _followed(
    agreed: LotsAgreed,
    lots: Sequence[tuple[Entry, LotJudged]],
    answers: dict[str, list[Answer]],
    keys: dict[str, tuple[str, ...]],
    names: dict[str, str],
) -> list[KeptLot]:
    """Return lots with the state after each."""
    made: list[KeptLot] = []
    counted: deque[Lot] = deque()
    seen: deque[tuple[LotDecision, State] | None] = deque()
    states, ways = switchings(_fed(counted)), qualifications(_fed(seen))
    after, qualified = next(states), next(ways)
    for entry, facts in lots:
        plan: Plan | VariablesPlan | None = None
        follows = True
        if facts.state == "skipped":
            seen.append(None)
        else:
            try:
                plan, lot = judge(agreed, after.state, facts.pieces, facts.found, facts.measured_mm)
                follows = (lot.decision, after.state) == (facts.decision, facts.state)
            except RequestError:  # filed by another program
                lot, follows = Lot(facts.decision, False, 2), False
            counted.append(lot)
            after = next(states)
            seen.append((facts.decision, after.state))
        qualified = next(ways)
        made.append(
            KeptLot(
                entry.hash,
                facts.name,
                facts.pieces,
                facts.done or entry.at,
                names.get(entry.person, ""),
                facts.state,
                facts.found,
                facts.measured_mm,
                facts.instruments,
                facts.decision,
                plan,
                after,
                qualified,
                facts.reason,
                keys.get(entry.hash, ()),
                tuple(answers.get(entry.hash, ())),
                follows,
            )
        )
    return made


def _fed(lots: deque[Any]) -> Iterator[Any]:
    """Yield what is put in, one at a time."""
    while True:
        yield lots.popleft()


def _plan(agreed: LotsAgreed, state: State, pieces: int, count: int) -> Plan | VariablesPlan:
    if agreed.method in _MEASURED:
        return plan_for(
            count,
            pieces,
            agreed.aql_percent,
            level=agreed.level,
            inspection=still_inspected(state),
            sigma_known=agreed.method == "sigma",
        )
    return next_plan(
        state,
        pieces,
        agreed.aql_percent,
        level=agreed.level,
        sort=agreed.method,  # type: ignore[arg-type]
    )


def judge(
    agreed: LotsAgreed,
    state: State,
    pieces: int,
    found: tuple[int, ...],
    measured_mm: FloatArray,
) -> tuple[Plan | VariablesPlan, Lot]:
    """Return by which plan a lot is judged, and the lot as the switching rules ask about it."""
    plan = _plan(agreed, state, pieces, len(measured_mm))
    if isinstance(plan, Plan):
        decision = plan.decide(found)
        if decision is None:
            raise next_stage(plan, found)
        return plan, judged(plan, found, decision)
    limits = (agreed.lower_mm, agreed.upper_mm)
    decision = judged_by_values(measured_mm, *limits, plan, agreed.sigma_mm).decision
    clearly = decision == "accepted" and agreed.aql_percent > AQLS[0]
    if clearly:  # by one limit tighter too
        tighter = _plan(agreed, "tightened", pieces, len(measured_mm))
        assert isinstance(tighter, VariablesPlan)  # noqa: S101 (by the method)
        if tighter.size_count <= len(measured_mm):
            same = judged_by_values(measured_mm, *limits, tighter, agreed.sigma_mm)
            clearly = same.decision == "accepted"
    return plan, Lot(decision, clearly, _SCORE_OF_MEASURED)


# ---- keeping -------------------------------------------------------------------------------------


def proposed(agreed: LotsAgreed, there: KeptLots | None) -> KeptLots:
    """Return the lots by a new agreement, which is filed with the first of them."""
    if there is None:
        return KeptLots("", agreed, filed=False)
    return KeptLots(there.dossier, agreed, (), there.every, there.version, filed=False)


def keep_lot(dossiers: Dossiers, lots: KeptLots, lot: LotToKeep) -> KeptLots:
    """Judge a lot and file it; return the lots with it."""
    name = " ".join(lot.name.split())
    _check_place(lots, name, lot, dossiers.archive.clock())
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
        facts |= _inspected(dossiers.archive, lots, lot, name, instruments)
    filings = [Filing("lot", facts, lot.person)]
    if not lots.filed:
        agreed = {n: v for n, v in plain(lots.agreed).items() if n not in ("salt", "attached")}
        filings.insert(0, Filing("lots agreed", agreed, lot.person))
    if not lots.dossier:
        filings.insert(0, Filing("opened", {"subject": "lots", "name": lots.title}, lot.person))
    entries = dossiers.archive.file(lots.dossier or None, filings, since=lots.version)
    return _signed(dossiers.archive, entries[0].dossier)


def _inspected(
    archive: Archive, lots: KeptLots, lot: LotToKeep, name: str, instruments: dict[str, str]
) -> dict[str, Any]:
    """Return what was found of a lot and what was decided, as facts."""
    agreed, state = lots.agreed, lots.switching.state
    found, measured = lot.found, np.zeros(0)
    if agreed.method in _MEASURED:
        if found or not instruments:
            raise RequestError(
                "This lot is judged by {quantity}, as proofs hold it; name the instruments of the "
                "sample, not how many were found.",
                at=At(field="instrument"),
                quantity=agreed.quantity,
            )
        measured = _measured(archive, agreed.quantity, instruments)
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
        found = found or (_nonconforming(archive, instruments),)
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
    }


def _check_place(lots: KeptLots, name: str, lot: LotToKeep, now: str) -> None:
    """Refuse a lot that was judged, or that comes before one that was."""
    if not name:
        raise RequestError("Name the lot, as it stands on its papers.", at=At(field="name"))
    for other in lots.every:
        if normal(other.name) == normal(name):
            raise RequestError(
                "Lot {name:quoted} was judged already, {decision} on {day}; a lot that is "
                "presented again gets a name of its own.",
                at=At(field="name"),
                name=name,
                decision=other.decision,
                day=other.at[:_DAY],
            )
    day = (lot.done or now)[:_DAY]
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


def _instruments(dossiers: Dossiers, lots: KeptLots, lot: LotToKeep) -> dict[str, str]:
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
    status: dict[str, str] = {}
    entries = archive.entries_of_kinds(list(instruments), ("proof",))
    corrected = {entry.corrects for entry in entries}
    for entry in entries:
        if entry.facts is not None and entry.hash not in corrected:
            status[entry.dossier] = str(json.loads(entry.facts)["status"])
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
) -> KeptLots:
    """File what the other side says of a lot."""
    if answer == "read again" and not reason.strip():
        raise RequestError(
            "Say why the lot is to be read again; the workshop reads it.", at=At(field="reason")
        )
    facts = {"lot": lot.entry, "party": party, "answer": answer, "reason": reason.strip()}
    filing = Filing("lot answered", facts, person)
    dossiers.archive.file(lots.dossier, [filing], since=lots.version)
    return _signed(dossiers.archive, lots.dossier)


def note_answer(
    archive: Archive, instruments: Sequence[str], *, lot: str, party: str, reason: str, person: str
) -> None:
    """Write into the story of each instrument that its lot is to be read again, and why."""
    words = _READ_AGAIN.format(lot=lot, party=party, reason=reason.strip())
    for dossier in instruments:
        archive.file(dossier, [Filing("note", {"words": words}, person)])


def _signed(archive: Archive, dossier: str) -> KeptLots:
    """Sign the last entry of a dossier of lots, and return them."""
    archive.sign(dossier, signing_key())
    made = read_lots(archive, dossier)
    assert made is not None  # noqa: S101 (it was filed just now)
    return made


# ---- reading -------------------------------------------------------------------------------------


def _keys(archive: Archive, entries: Sequence[Entry]) -> dict[str, tuple[str, ...]]:
    """Return by entry which keys signed it, or one that follows it."""
    signed: dict[str, set[str]] = {entry.hash: set() for entry in entries}
    for one in archive.signatures(signed):
        if one.holds():
            signed[one.entry].add(one.key)
    for entry in reversed(entries):
        for earlier in entry.before:
            if earlier in signed:
                signed[earlier] |= signed[entry.hash]
    return {name: tuple(sorted(keys)) for name, keys in signed.items()}


def _title(supplier: str, model: str, receiver: str) -> str:
    title = f"{model} from {supplier}" + f" for {receiver}" * bool(receiver)
    return title[:_LONGEST_TITLE]


def _opened(entries: Sequence[Entry]) -> str:
    """Return the name of a dossier of lots; "" for any other."""
    for entry in entries[:1]:
        facts = json.loads(entry.facts or "{}")
        if entry.kind == "opened" and facts.get("subject") == "lots":
            return str(facts["name"])
    return ""


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None
