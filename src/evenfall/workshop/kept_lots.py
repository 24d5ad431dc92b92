"""Lots in an archive: what was agreed with a supplier, the lots in their order, and the answers.

The lots of one supplier and model are a dossier. An entry holds what was found of a lot; the state
of inspection follows from all of them and is stored nowhere else, so that whoever has the dossier,
here or at the other side, comes to the same state.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from evenfall.arrays import FloatArray
from evenfall.codec import plain
from evenfall.names import normal
from evenfall.production.aql_tables import AQLS
from evenfall.production.measured_lots import judged_by_values, plan_for
from evenfall.production.sampling import Lot, Plan, State, Switching, VariablesPlan
from evenfall.production.skip_lots import Qualification, is_drawn
from evenfall.records.archive import Archive, version_of
from evenfall.records.entries import (
    Entry,
    LotAnswer,
    LotAnswered,
    LotDecision,
    LotJudged,
    LotsAgreed,
    LotState,
    last_of,
)
from evenfall.workshop.lots import judged_again, judged_by, next_plan, still_inspected

MEASURED = ("s", "sigma")
"""Methods that measure the sample."""
_KINDS = ("lots agreed", "lot", "lot answered")
_SCORE_OF_MEASURED = 3  # as for counts: ten lots in a row lead to reduced inspection
_LONGEST_TITLE = 200


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
    agreed: LotsAgreed  # by which it was judged
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

    @property
    def refused(self) -> bool:
        """Whether it was not accepted, and has neither been taken all the same nor sent back."""
        settled = self.answer is not None and self.answer.answer != "read again"
        return self.decision == "not accepted" and not settled


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
        return title_of(self.agreed.supplier, self.agreed.model, self.agreed.receiver)

    @cached_property
    def switching(self) -> Switching:
        """Where the inspection stands."""
        return self.lots[-1].after if self.lots else Switching()

    @cached_property
    def qualified(self) -> Qualification:
        """Whether lots may go uninspected."""
        return self.lots[-1].qualified if self.lots else Qualification()

    @property
    def may_skip(self) -> bool:
        """Whether the next lot is accepted without inspection."""
        agreed = self.agreed.one_in
        return agreed > 1 and self.qualified.qualified and not is_drawn(self.last, agreed)

    @property
    def refused(self) -> KeptLot | None:
        """The newest lot, where it is refused."""
        return self.lots[-1] if self.lots and self.lots[-1].refused else None

    @property
    def every(self) -> tuple[KeptLot, ...]:
        """All lots, those of earlier agreements first."""
        return (*self.earlier, *self.lots)

    def plan(self, pieces: int, count: int = 0) -> Plan | VariablesPlan:
        """Return the plan of the next lot, by so many readings where it is measured."""
        return plan_by(self.agreed, self.switching.state, pieces, count)

    def after(self, lot: KeptLot) -> KeptLots:
        """Return the lots as they stood after one of them."""
        every = self.every
        then = every[: [one.entry for one in every].index(lot.entry) + 1]
        lots = tuple(one for one in then if one.agreed is lot.agreed)
        earlier = then[: len(then) - len(lots)]
        return replace(self, agreed=lot.agreed, lots=lots, earlier=earlier, last=lot.entry)

    def named(self, name: str) -> KeptLot | None:
        """Return the lot of a name, if it is kept."""
        return next((one for one in self.every if normal(one.name) == normal(name)), None)

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


def lots_of(archive: Archive, supplier: str, model: str, receiver: str = "") -> KeptLots | None:
    """Return the lots of a supplier and model; None where none was agreed yet."""
    whose = (supplier, model, receiver)
    title = title_of(*(" ".join(name.split()) for name in whose))
    for dossier in archive.named(f"lots {title}"):
        made = read_lots(archive, dossier)
        if made is not None:
            there = (made.agreed.supplier, made.agreed.model, made.agreed.receiver)
            if list(map(normal, there)) == list(map(normal, whose)):
                return made
    return None


def all_lots(archive: Archive) -> list[KeptLots]:
    """Return the lots of every supplier and model that can be read, by their names."""
    made = []
    for dossier in archive.beginning("lots "):
        kept = read_lots(archive, dossier)
        if kept is not None:
            made.append(kept)
    return sorted(made, key=lambda one: one.title)


def read_lots(archive: Archive, dossier: str) -> KeptLots | None:
    """Return the lots of a dossier, each decision worked out again; None where none was agreed."""
    entries = archive.entries(dossier)
    if not entries or entries[0].values.get("subject") != "lots":
        return None
    named = {entry.hash: entry for entry in entries}
    taken_back = {entry.corrects for entry in entries}
    people = archive.people({entry.person for entry in entries} - {""})
    names = {number: person.name for number, person in people.items()}
    shown = [
        (name, entry, entry.read())
        for name, entry in named.items()
        if entry.kind in _KINDS and entry.facts is not None and name not in taken_back
    ]
    answers: dict[str, list[Answer]] = {}
    for _, entry, facts in shown:
        if isinstance(facts, LotAnswered):
            who = names.get(entry.person, "")
            said = Answer(facts.party, facts.answer, facts.reason, facts.done or entry.at, who)
            answers.setdefault(facts.lot, []).append(said)
    keys = _keys(archive, named)
    agreed: LotsAgreed | None = None
    earlier: list[KeptLot] = []
    judged_lots: list[tuple[str, Entry, LotJudged]] = []
    begun = last = ""

    def closed() -> tuple[KeptLot, ...]:
        if agreed is None:
            return ()
        return tuple(_followed(agreed, judged_lots, answers, keys, names, before=begun))

    for name, entry, facts in shown:
        if isinstance(facts, LotsAgreed):
            earlier += closed()
            agreed, judged_lots, begun, last = facts, [], name, name
        elif isinstance(facts, LotJudged) and agreed is not None:
            judged_lots.append((name, entry, facts))
            last = name
    if agreed is None:
        return None
    version = version_of(last_of((name, entry.before) for name, entry in named.items()))
    return KeptLots(dossier, agreed, closed(), tuple(earlier), version, last)


def _followed(
    agreed: LotsAgreed,
    lots: Sequence[tuple[str, Entry, LotJudged]],
    answers: dict[str, list[Answer]],
    keys: dict[str, tuple[str, ...]],
    names: dict[str, str],
    *,
    before: str,
) -> list[KeptLot]:
    """Return lots with the state after each; `before` is the entry of their agreement."""
    made: list[KeptLot] = []
    after, qualified = Switching(), Qualification()
    for name, entry, facts in lots:
        plan: Plan | VariablesPlan | None = None
        follows = True
        if facts.state == "skipped":
            follows = qualified.qualified and not is_drawn(before, agreed.one_in)
        else:
            plan, lot, follows = _again(agreed, after.state, facts)
            after = after.after(lot)
            qualified = qualified.after(facts.decision, after.state)
        before = name
        made.append(
            KeptLot(
                name,
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
                agreed,
                keys.get(name, ()),
                tuple(answers.get(name, ())),
                follows,
            )
        )
    return made


def _again(
    agreed: LotsAgreed, state: State, facts: LotJudged
) -> tuple[Plan | VariablesPlan | None, Lot, bool]:
    """Return plan and lot as judged again, and whether what was decided follows."""

    def judge_by(first: bool) -> tuple[tuple[Plan | VariablesPlan, Lot], tuple[str, str]]:
        made = judge(agreed, state, facts.pieces, facts.found, facts.measured_mm, first=first)
        return made, (made[1].decision, state)

    made, follows = judged_again(facts.edition, judge_by, (facts.decision, facts.state))
    # of one that another program filed nothing else is known
    plan, lot = made or (None, Lot(facts.decision, False, 2))
    return plan, lot, follows


def plan_by(
    agreed: LotsAgreed, state: State, pieces: int, count: int, *, first: bool = False
) -> Plan | VariablesPlan:
    """Return the plan of a lot by an agreement and the state, for so many readings."""
    if agreed.method in MEASURED:
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
        first=first,
    )


def sizes_of(plan: Plan | VariablesPlan) -> tuple[int, ...]:
    """Return of how many pieces each sample of a plan is."""
    if isinstance(plan, Plan):
        return tuple(stage.size_count for stage in plan.stages)
    return (plan.size_count,)


def judge(
    agreed: LotsAgreed,
    state: State,
    pieces: int,
    found: tuple[int, ...],
    measured_mm: FloatArray,
    *,
    first: bool = False,
) -> tuple[Plan | VariablesPlan, Lot]:
    """Return by which plan a lot is judged, and the lot as the switching rules ask about it."""
    plan = plan_by(agreed, state, pieces, len(measured_mm), first=first)
    if isinstance(plan, Plan):
        return plan, judged_by(plan, found)
    limits = (agreed.lower_mm, agreed.upper_mm)
    decision = judged_by_values(measured_mm, *limits, plan, agreed.sigma_mm).decision
    clearly = decision == "accepted" and agreed.aql_percent > AQLS[0]
    if clearly:  # by one limit tighter too
        tighter = plan_by(agreed, "tightened", pieces, len(measured_mm))
        assert isinstance(tighter, VariablesPlan)  # noqa: S101 (by the method)
        if tighter.size_count <= len(measured_mm):
            same = judged_by_values(measured_mm, *limits, tighter, agreed.sigma_mm)
            clearly = same.decision == "accepted"
    return plan, Lot(decision, clearly, _SCORE_OF_MEASURED)


def _keys(archive: Archive, named: Mapping[str, Entry]) -> dict[str, tuple[str, ...]]:
    """Return by entry which keys signed it, or one that follows it."""
    signed: dict[str, set[str]] = {name: set() for name in named}
    for one in archive.signatures(signed):
        if one.holds():
            signed[one.entry].add(one.key)
    for name in reversed(list(named)):
        for earlier in named[name].before:
            if earlier in signed:
                signed[earlier] |= signed[name]
    return {name: tuple(sorted(keys)) for name, keys in signed.items()}


def title_of(supplier: str, model: str, receiver: str) -> str:
    """Return what the dossier of lots is called."""
    title = f"{model} from {supplier}" + f" for {receiver}" * bool(receiver)
    return title[:_LONGEST_TITLE]
