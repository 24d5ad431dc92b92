"""What is shown of the lots of a supplier and model: in words, as a picture, as a signed report."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from evenfall.codec import plain
from evenfall.errors import Finding
from evenfall.pictures.inks import Theme
from evenfall.production.aql_tables import counts_each
from evenfall.production.sampling import Plan, VariablesPlan
from evenfall.production.skip_lots import CLEARANCE
from evenfall.units import LengthUnit
from evenfall.wording import Sentence, plain_line, say, sentence
from evenfall.workshop.lots import CONSUMER, PRODUCER, STATES, counted, plan_findings
from evenfall.workshop.outputs import Shown

if TYPE_CHECKING:
    from evenfall.pages.page import Page
    from evenfall.workshop.kept_lots import Answer, KeptLot, KeptLots

ANSWERS: Mapping[str, str] = {
    "accepted": "accepted",
    "read again": "to be read again",
    "sent back": "sent back",
}
_KEY_DIGITS = 16


@dataclass(frozen=True, slots=True)
class KeptLotOutcome(Shown):
    """The lots of a supplier and model, one of them looked at, and what comes next."""

    lots: KeptLots
    lot: KeptLot | None  # the one that is shown; None before it is judged
    pieces: int  # of that lot, or of the next one
    plan: Plan | VariablesPlan | None  # by which it was or is to be judged; None where it is not

    @property
    def unit(self) -> LengthUnit:
        """Lots have no unit of their own."""
        return "mm"

    @property
    def decision(self) -> str:
        """What was decided; "" before."""
        return self.lot.decision if self.lot else ""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The decision, the state and the next step in words."""
        told = []
        if self.lot is not None:
            told += [*decision_findings(self.lots, self.lot), *_unfounded(self.lot)]
            told += [_noted(_answered(answer)) for answer in self.lot.answers]
        whose = sentence("{title}.", title=self.lots.title)
        told.append(_noted(sentence("{both:sentences}", both=(whose, state_said(self.lots)))))
        told.append(_noted(next_said(self.lots)))
        if self.plan is not None:
            told += _planned(self)
        return tuple(told)

    def values(self) -> dict[str, Any]:
        """Return lots, plan and state as plain values."""
        return {
            "schema": "evenfall/kept-lots@0",
            "supplier": self.lots.agreed.supplier,
            "model": self.lots.agreed.model,
            "lot": self.lot.name if self.lot else "",
            "decision": self.decision,
            "plan": plain(self.plan) if self.plan else None,
            **self.lots.values(),
        }

    def drawings(self, _unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the state over the lots, and how often lots are accepted."""
        from evenfall.pictures.lot_strip import lot_strip
        from evenfall.pictures.operating_curve import operating_curve

        made: dict[str, Callable[[], str]] = {}
        if self.lots.lots:
            made["state over the lots"] = lambda: lot_strip(strip_of(self.lots), theme=theme)
        plan = self.plan
        if plan is not None:
            made["operating curve"] = lambda: operating_curve(plan, self.pieces, theme=theme)
        return made


def shown_lots(lots: KeptLots, pieces: int = 0) -> KeptLotOutcome:
    """Return what is shown of the last lot; or, of so many pieces, of the next."""
    if lots.lots and not pieces:
        return lot_outcome(lots, lots.lots[-1])
    plan = lots.plan(pieces) if pieces and not lots.may_skip else None
    return KeptLotOutcome(lots, None, pieces, plan)


def lot_outcome(lots: KeptLots, lot: KeptLot) -> KeptLotOutcome:
    """Return what is shown of a lot, as things stood after it."""
    return KeptLotOutcome(lots.after(lot), lot, lot.pieces, lot.plan)


def strip_of(lots: KeptLots) -> list[tuple[str, str, str, str]]:
    """Return of each lot its name, how it was inspected, the decision and the state after it."""
    return [(plain_line(lot.name), lot.state, lot.decision, lot.after.state) for lot in lots.lots]


def _noted(said: Sentence, severity: str = "note") -> Finding:
    return Finding("lot", "{said}", severity=severity, said=said)  # type: ignore[arg-type]


def decision_findings(lots: KeptLots, lot: KeptLot) -> list[Finding]:
    """Return in words what was decided of a lot, and by what."""
    if lot.state == "skipped":
        text = "Lot {name} is accepted without inspection: the supplier is qualified."
        return [_noted(sentence(text, name=lot.name))]
    bad = "note" if lot.decision == "accepted" else "warning"
    if len(lot.measured_mm):
        said = sentence(
            "Lot {name} is {decision}, by {quantity} of {count:count instrument}.",
            name=lot.name,
            decision=lot.decision,
            quantity=lots.agreed.quantity,
            count=len(lot.measured_mm),
        )
    else:
        said = sentence(
            "Lot {name} is {decision}: {found} nonconforming of {looked} looked at."
            if counted(lot.plan) == "nonconforming"
            else "Lot {name} is {decision}: {found} nonconformities on {looked} looked at.",
            name=lot.name,
            decision=lot.decision,
            found=sum(lot.found),
            looked=lot.looked_count,
        )
    return [_noted(said, bad)]


def _unfounded(lot: KeptLot) -> list[Finding]:
    if lot.follows:
        return []
    text = (
        "The decision on lot {name} does not follow from its numbers and the lots before it; "
        "another program may have filed it. Judge it again."
    )
    return [_noted(sentence(text, name=lot.name), "warning")]


def _answered(answer: Answer) -> Sentence:
    return sentence(
        "{party}, {day}: {answer}. {reason}",
        party=answer.party,
        day=answer.at[:10],
        answer=ANSWERS[answer.answer],
        reason=answer.reason,
    )


def state_said(lots: KeptLots) -> Sentence:
    """Return where the inspection stands."""
    switching, agreed = lots.switching, lots.agreed
    if switching.state == "tightened":
        text = (
            "Tightened inspection, because 2 of 5 lots in a row were not accepted. Since it began: "
            "{row} accepted in a row, 5 end it; {refused} not accepted, 5 stop the deliveries."
        )
    elif switching.state == "normal":
        text = "Normal inspection; at a switching score of 30 it is reduced, now {score}."
    else:
        text = "{state}."
    said = sentence(
        text,
        state=STATES[switching.state].capitalize(),
        row=switching.accepted_in_a_row_count,
        refused=switching.refused_count,
        score=switching.score_count,
    )
    if agreed.one_in == 1:
        return said
    one = "Qualified: one lot in {one_in} is inspected."
    if not lots.qualified.qualified:
        one = "{row} of {needed} lots in a row accepted until one lot in {one_in} is inspected."
    more = sentence(
        one,
        row=lots.qualified.in_a_row_count,
        needed=CLEARANCE,
        one_in=agreed.one_in,
    )
    return sentence("{both:sentences}", both=(said, more))


def next_said(lots: KeptLots) -> Sentence:
    """Return what to do next."""
    if lots.switching.state == "stopped":
        return sentence(
            "Take no more lots: the supplier shows what was changed, then the count begins again "
            "by a new agreement, with the reason."
        )
    if lots.may_skip:
        return sentence("The next lot was not drawn: accept it without inspection.")
    text = "Inspect the next lot by {state}{plan}."
    if lots.refused:
        text = "Sort lot {name} or send it back; inspect the next lot by {state}{plan}."
    return sentence(
        text,
        name=lots.refused.name if lots.refused else "",
        state=STATES[lots.switching.state],
        plan=_next_plan(lots),
    )


def _next_plan(lots: KeptLots) -> Sentence | str:
    """Return the sample of a next lot as large as the newest, where it is not the same again."""
    last = lots.lots[-1] if lots.lots else None
    if last is None or not isinstance(last.plan, Plan):
        return ""
    plan = lots.plan(last.pieces)
    if not isinstance(plan, Plan) or plan.stages == last.plan.stages:
        return ""
    first, *more = plan.stages
    text = ": of {pieces} pieces look at {size} and accept at {most} {what} or fewer{then}"
    if first.accepted_count < 0:
        text = ": of {pieces} pieces look at {size} first{then}"
    return sentence(
        text,
        then=", else go on to the next sample" if more else "",
        pieces=last.pieces,
        size=first.size_count,
        most=first.accepted_count,
        what=counted(plan),
    )


def _planned(made: KeptLotOutcome) -> list[Finding]:
    plan = made.plan
    if isinstance(plan, Plan):
        return plan_findings(plan, None)
    assert plan is not None  # noqa: S101 (asked before)
    text = (
        "Measure {size:count instrument}; accept if the mean stays {k:.3f} standard deviations "
        "inside the limit. Of lots with {good:.2f} % nonconforming this plan accepts 95 %, of lots "
        "with {bad:.2f} % it accepts 10 %."
    )
    return [
        _noted(
            sentence(
                text,
                size=plan.size_count,
                k=plan.k_factor,
                good=100.0 * plan.quality_at(PRODUCER),
                bad=100.0 * plan.quality_at(CONSUMER),
            )
        )
    ]


def lot_report(lots: KeptLots, lot: KeptLot, kind: str, *, unit: LengthUnit) -> bytes:
    """Return the report of a lot, "pdf" or "html": the decision, the state, who signed."""
    from evenfall.pictures.inks import PAGE, PRINT

    theme = PRINT if kind == "pdf" else PAGE
    outcome = lot_outcome(lots, lot)
    drawn = {name.capitalize(): draw() for name, draw in outcome.drawings(unit, theme).items()}
    return _report_page(outcome, lot, unit).file(kind, drawn)


def report_lines(made: KeptLotOutcome, lot: KeptLot) -> list[tuple[str, list[Sentence]]]:
    """Return what the report says, by part: the same on the page and on paper."""
    lots = made.lots
    answers = [_answered(answer) for answer in lot.answers]
    signed = [sentence("Signed by the key {key}.", key=key[:_KEY_DIGITS]) for key in lot.signed_by]
    unsigned = sentence("No signature stands under this lot.")
    return [
        ("Decision", [one.said for one in (*decision_findings(lots, lot), *_unfounded(lot))]),
        ("What follows", [next_said(lots), state_said(lots)]),
        ("Judged by this plan", [one.said for one in _planned(made)] if lot.plan else []),
        ("Answers", answers),
        ("Signature", signed or [unsigned]),
    ]


def _report_page(made: KeptLotOutcome, lot: KeptLot, unit: LengthUnit) -> Page:
    from evenfall.pages.lot_report import lot_report_page

    agreed = made.lots.agreed
    limit = "{aql:g} per 100" if counts_each(agreed.aql_percent) else "{aql:g} %"
    facts = [
        ("Pieces", str(lot.pieces)),
        ("Judged", lot.at[:10]),
        ("Quality limit", say(sentence(limit, aql=agreed.aql_percent), unit)),
        ("Level", agreed.level),
        ("Inspection", lot.state),
        ("Reason", lot.reason),
    ]
    parts = [
        (title, [plain_line(say(one, unit)) for one in lines])
        for title, lines in report_lines(made, lot)
    ]
    return lot_report_page(
        name=plain_line(lot.name),
        model=plain_line(made.lots.title),
        facts=[(what, plain_line(value)) for what, value in facts if value],
        code=lot.entry[:10].upper(),
        headline=say(sentence("{decision}", decision=lot.decision.capitalize()), unit),
        parts=parts,
        alarm=lot.decision != "accepted",
        unit=unit,
    )
