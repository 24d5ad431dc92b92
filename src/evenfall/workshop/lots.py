"""The use case "lot": which sample to take, what it means, and how the next lot is inspected.

What was decided of the lots of one supplier and model is kept in a record, a file of its own: the
state of the switching rules follows from it and is stored nowhere else.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from evenfall.codec import plain
from evenfall.codec.parsing import parse_json
from evenfall.errors import At, BrokenFileError, Finding, Progress, RequestError, silent
from evenfall.pictures.inks import Theme
from evenfall.production.aql_tables import AQLS, EDITION, LEVELS, Inspection, Sort, judged, plan_of
from evenfall.production.sampling import (
    Decision,
    Lot,
    Plan,
    State,
    Switching,
    VariablesPlan,
    plan_by_risks,
    variables_plan_by_risks,
)
from evenfall.units import LengthUnit
from evenfall.wording import sentence
from evenfall.workshop.outputs import Shown, json_file

if TYPE_CHECKING:
    from evenfall.workshop.opening import Source

SCHEMA = "evenfall/lots@0"
_AGREED = ("supplier", "model", "aql_percent", "level", "sort")
_LARGEST_RECORD_BYTES = 10_000_000
AQL_PERCENT, LEVEL = 1.0, "II"
SORT: Sort = "single"
"""What is agreed on where nothing else is said."""
UNSAID = -1
"""Edition of the plans of a lot that was kept before editions were."""
PRODUCER, CONSUMER = 0.95, 0.10
"""Probabilities of acceptance that describe a plan (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One lot of a record."""

    name: str
    pieces: int
    found: tuple[int, ...]  # nonconforming, of each stage
    state: State  # how it was inspected
    decision: Decision
    clearly: bool  # see `evenfall.production.sampling.Lot`
    number_count: int
    between: bool
    edition: int  # of the plans it was judged by
    after: Switching  # where inspection stands after it


@dataclass(frozen=True, slots=True)
class LotRecord:
    """The lots of one supplier and model, oldest first."""

    supplier: str
    model: str
    aql_percent: float
    level: str
    sort: Sort
    lots: tuple[Judged, ...] = ()

    @property
    def switching(self) -> Switching:
        """Where inspection stands after the lots."""
        return self.lots[-1].after if self.lots else Switching()

    def file(self) -> bytes:
        """Return the record as a file; where inspection stands after each lot follows from it."""
        values = plain(self)
        for one in values["lots"]:
            del one["after"]
        return json_file({"schema": SCHEMA, **values})

    @classmethod
    def read(cls, source: Source) -> LotRecord:
        """Return what a file holds; its decisions are worked out again."""
        values = parse_json(source.read(_LARGEST_RECORD_BYTES), name=source.name)
        broken = BrokenFileError(
            "This is not a record of lots, or it is damaged; take another copy, or begin a new "
            "one.",
            at=At(file=source.name),
        )
        try:
            if values.pop("schema") != SCHEMA:
                raise broken
            lots = values.pop("lots")
            made = cls(*(values.pop(name) for name in _AGREED))
            if values or made.aql_percent not in AQLS or made.level not in LEVELS:
                raise broken
            kept: list[Judged] = []
            for number, one in enumerate(lots, start=1):
                stands = kept[-1].after if kept else Switching()
                kept.append(made._judged_again(stands, number, one))
        except (KeyError, TypeError, ValueError, AttributeError, RequestError):
            raise broken from None
        return replace(made, lots=tuple(kept))

    def plan(self, pieces: int, *, first: bool = False) -> Plan:
        """Return the plan of the next lot."""
        return self._plan(self.switching, pieces, first=first)

    def with_lot(
        self, name: str, pieces: int, found: tuple[int, ...], *, first: bool = False
    ) -> LotRecord:
        """Return the record with one lot more; all stages that its plan asks for must be there."""
        number = len(self.lots) + 1
        one = self._judged(self.switching, number, name, pieces, found, first=first)
        return replace(self, lots=(*self.lots, one))

    def _plan(self, stands: Switching, pieces: int, *, first: bool) -> Plan:
        terms = (stands.state, pieces, self.aql_percent)
        return next_plan(*terms, level=self.level, sort=self.sort, first=first)

    def _judged(
        self,
        stands: Switching,
        number: int,
        name: str,
        pieces: int,
        found: tuple[int, ...],
        *,
        first: bool,
    ) -> Judged:
        """Return a lot judged where inspection stands so."""
        plan = self._plan(stands, pieces, first=first)
        lot = judged_by(plan, found, name or str(number))
        return Judged(
            name,
            pieces,
            found,
            stands.state,
            lot.decision,
            lot.clearly,
            lot.number_count,
            lot.between,
            0 if first else EDITION,
            stands.after(lot),
        )

    def _judged_again(self, stands: Switching, number: int, kept: Mapping[str, Any]) -> Judged:
        """Return a lot that a file held; `RequestError` where it does not follow."""
        found = tuple(int(n) for n in kept["found"])
        name, pieces = str(kept["name"]), int(kept["pieces"])

        def judge(first: bool) -> tuple[Judged, tuple[Decision, str]]:
            made = self._judged(stands, number, name, pieces, found, first=first)
            return made, (made.decision, made.state)

        edition = int(kept.get("edition", UNSAID))
        made, follows = judged_again(edition, judge, (kept["decision"], kept["state"]))
        if made is None or not follows:
            raise RequestError("A lot of the record does not follow from its numbers.")
        return made


def next_plan(
    state: State,
    pieces: int,
    aql_percent: float,
    *,
    level: str,
    sort: Sort,
    first: bool = False,
) -> Plan:
    """Return the plan of a lot by the state of inspection; `first`, that of the edition 0."""
    inspection = still_inspected(state)
    return plan_of(pieces, aql_percent, level=level, inspection=inspection, sort=sort, first=first)


_Made = TypeVar("_Made")


def judged_again(
    edition: int, judge: Callable[[bool], tuple[_Made, object]], kept: object
) -> tuple[_Made | None, bool]:
    """Return a lot judged again by the plans of its edition, and whether it comes to what was kept.

    `judge` is told whether to go by the plans of the edition 0, and returns what it made and what
    that came to.
    """
    made = None
    for first in (False, True) if edition == UNSAID else (edition == 0,):
        try:
            made, came = judge(first)
        except RequestError:
            continue
        if came == kept:
            return made, True
    return made, False


def check_same(there: Mapping[str, Any], asked: Mapping[str, Any]) -> None:
    """Refuse what is asked of lots whose agreement says otherwise; None asks for nothing."""
    for name, given in asked.items():
        if given is not None and given != there[name]:
            raise RequestError(
                "The agreement of these lots says {there}, not {given}. Leave it out, or begin "
                "again by a new agreement.",
                at=At(field=name),
                there=_term(there[name]),
                given=_term(given),
            )


def _term(value: object) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    return "none" if value in (None, "") else str(value)


def still_inspected(state: State) -> Inspection:
    """Return how a lot is inspected; `RequestError` where inspection is stopped."""
    if state == "stopped":
        raise RequestError(
            "Inspection is stopped: five lots were not accepted on tightened inspection. Begin "
            "a new record when the supplier has shown what was changed."
        )
    return state


def judged_by(plan: Plan, found: tuple[int, ...], name: str = "") -> Lot:
    """Return a lot judged by its plan; refuse it where a stage is missing."""
    decision = plan.decide(found)
    if decision is not None:
        return judged(plan, found, decision)
    raise RequestError(
        "Stage {next} is needed before {lot} can be judged: take {size} more.",
        at=At(field="found"),
        next=len(found) + 1,
        lot=sentence("lot {name}", name=name) if name else sentence("the lot"),
        size=plan.stages[len(found)].size_count,
    )


@dataclass(frozen=True, slots=True)
class LotRequest:
    """Which lot is to be judged, and by which agreement.

    Parameters
    ----------
    pieces
        Pieces in the lot.
    aql_percent
        Acceptance quality limit that was agreed [%]; None for that of the record, or 1.
    level, sort
        Inspection level, and single, double or multiple sampling; None for what the record says, or
        level II and single.
    found
        Nonconforming pieces found in each stage; none to be told the plan only.
    name
        Name of the lot.
    record
        Record of earlier lots of this supplier and model; its agreement holds, and another one is
        refused.
    supplier, model
        Whose lots they are, for a new record.
    """

    pieces: int
    aql_percent: float | None = None
    level: str | None = None
    sort: Sort | None = None
    found: tuple[int, ...] = ()
    name: str = ""
    record: Source | None = None
    supplier: str = ""
    model: str = ""


@dataclass(frozen=True, slots=True)
class LotOutcome(Shown):
    """What to inspect, what was decided, and how the next lot is inspected."""

    plan: Plan
    state: State  # how this lot is inspected
    pieces: int
    record: LotRecord  # with this lot, if it was judged
    decision: Decision | None

    @property
    def unit(self) -> LengthUnit:
        """Lots have no lengths."""
        return "mm"

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The plan, the decision and the state in words."""
        return tuple(_findings(self))

    def values(self) -> dict[str, Any]:
        """Return plan, decision and state as plain values."""
        return {
            "schema": "evenfall/lot@0",
            "plan": plain(self.plan),
            "state": self.state,
            "decision": self.decision,
            "switching": plain(self.record.switching),
            "accepted_in_95_percent": self.plan.quality_at(PRODUCER),
            "accepted_in_10_percent": self.plan.quality_at(CONSUMER),
        }

    def drawings(self, _unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws how often lots of each quality are accepted."""
        from evenfall.pictures.operating_curve import operating_curve

        return {"operating curve": lambda: operating_curve(self.plan, self.pieces, theme=theme)}


def lot(request: LotRequest, progress: Progress = silent) -> LotOutcome:
    """Find out which sample to take of a lot, and what it means.

    Parameters
    ----------
    request
        The lot and the agreement.
    progress
        Told what is being done and how far it is, 0 to 1; it may stop the work.

    Returns
    -------
    LotOutcome
        The plan; with numbers found, the decision and the record with this lot.

    Raises
    ------
    RequestError
        The tables hold no such plan, the numbers are not possible, or inspection is stopped.
    BrokenFileError
        The record is damaged.

    Examples
    --------
    >>> outcome = lot(LotRequest(500, found=(1,)))
    >>> outcome.plan.stages[0].size_count, outcome.decision
    (50, 'accepted')
    """
    progress("Judging", 0.0)
    asked = {"aql": request.aql_percent, "level": request.level, "sort": request.sort}
    if request.record is None:
        aql_percent = AQL_PERCENT if request.aql_percent is None else request.aql_percent
        terms = (aql_percent, request.level or LEVEL, request.sort or SORT)
        record = LotRecord(request.supplier, request.model, *terms)
    else:
        record = LotRecord.read(request.record)
        there = {"aql": record.aql_percent, "level": record.level, "sort": record.sort}
        check_same(there, asked)
    plan, state = record.plan(request.pieces), record.switching.state
    decision = plan.decide(request.found) if request.found else None
    if request.found:
        record = record.with_lot(request.name, request.pieces, request.found)
    return LotOutcome(plan, state, request.pieces, record, decision)


STATES: Mapping[State | Literal["skipped"], str] = {
    "normal": "normal inspection",
    "tightened": "tightened inspection",
    "reduced": "reduced inspection",
    "stopped": "no inspection until the supplier has shown what was changed",
    "skipped": "not inspected",
}


def counted(plan: Plan | VariablesPlan | None) -> str:
    """Return what a plan counts, in a word."""
    several = isinstance(plan, Plan) and plan.each_counts
    return "nonconformities" if several else "nonconforming"


def plan_findings(plan: Plan, state: State | None = None) -> list[Finding]:
    """Return in words what a plan asks for and what it lets pass."""
    told = []
    for number, stage in enumerate(plan.stages, start=1):
        text = "Inspect {size:count piece}"
        if len(plan.stages) > 1:
            text = "Stage {number}: inspect {size:count piece}{more}"
        most = stage.accepted_count
        accept = sentence("accept at {most} {what} or fewer", most=most, what=counted(plan))
        if stage.accepted_count < 0:
            accept = sentence("accept only after the next stage")
        more = " more" * (number > 1)
        told.append(
            Finding(
                "lot",
                "{what}{how}: {accept}, do not accept at {refused} or more.",
                severity="note",
                what=sentence(text, number=number, size=stage.size_count, more=more),
                how=""
                if state is None or number > 1
                else sentence(
                    " (code letter {letter}, {state})", letter=plan.letter, state=STATES[state]
                ),
                accept=accept,
                refused=stage.refused_count,
            )
        )
    if any(stage.refused_count > stage.accepted_count + 1 for stage in plan.stages[-1:]):
        told.append(
            Finding(
                "lot",
                "Between both numbers the lot is accepted, and the next one is inspected normally.",
                severity="note",
            )
        )
    told.append(
        Finding(
            "lot",
            "Of lots with {good:.1f} nonconformities per 100 pieces this plan accepts 95 %, of "
            "lots with {bad:.1f} it accepts 10 %. A piece may have several; count each."
            if plan.each_counts
            else "Of lots with {good:.2f} % nonconforming this plan accepts 95 %, of lots with "
            "{bad:.2f} % it accepts 10 %.",
            severity="note",
            good=100.0 * plan.quality_at(PRODUCER),
            bad=100.0 * plan.quality_at(CONSUMER),
        )
    )
    if plan.single is not None and len(plan.stages) > 1:
        told.append(
            Finding(
                "lot",
                "These stages are worked out to keep both risks of the single sample of "
                "{size:count piece}, not taken from a table.",
                severity="note",
                size=plan.single.size_count,
            )
        )
    return told


def _findings(made: LotOutcome) -> list[Finding]:
    told = plan_findings(made.plan, made.state)
    if made.decision is None:
        return told
    found = sum(made.record.lots[-1].found)
    bad = made.decision != "accepted"
    said = Finding(
        "lot",
        "The lot is {decision}: {found} {what} found.",
        severity="warning" if bad else "note",
        decision=made.decision,
        found=found,
        what=counted(made.plan),
    )
    after = made.record.switching.state
    text = "The next lot: {state}."
    if after != made.state:
        text = "The inspection changes. The next lot: {state}."
    changed = Finding(
        "lot",
        text,
        severity="warning" if after in ("tightened", "stopped") else "note",
        state=STATES[after],
    )
    return [said, changed, *told]


@dataclass(frozen=True, slots=True)
class RisksRequest:
    """Which plan by both risks is wanted.

    Parameters
    ----------
    good_percent, bad_percent
        Quality that is to be accepted, and quality that is not [% nonconforming].
    producer_probability, consumer_probability
        How often lots of either are accepted.
    method
        "attributes" (sorted), "s" or "sigma" (measured, the standard deviation that of the sample
        or known).
    """

    good_percent: float
    bad_percent: float
    producer_probability: float = PRODUCER
    consumer_probability: float = CONSUMER
    method: str = "attributes"


def plan_for_risks(request: RisksRequest) -> Plan | VariablesPlan:
    """Return the smallest plan that keeps both risks.

    Parameters
    ----------
    request
        Both qualities and both probabilities.

    Raises
    ------
    RequestError
        No plan keeps both.

    Examples
    --------
    >>> plan_for_risks(RisksRequest(5.0, 15.0, 0.95, 0.075)).stages
    (Stage(size_count=80, accepted_count=7, refused_count=8),)
    """
    risks = (
        request.good_percent / 100.0,
        request.producer_probability,
        request.bad_percent / 100.0,
        request.consumer_probability,
    )
    if request.method == "attributes":
        return plan_by_risks(*risks)
    if request.method not in ("s", "sigma"):
        text = "The method {method:quoted} is not known; use attributes, s or sigma."
        raise RequestError(text, at=At(field="method"), method=request.method)
    return variables_plan_by_risks(*risks, sigma_known=request.method == "sigma")
