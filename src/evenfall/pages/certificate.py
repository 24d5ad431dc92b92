"""The certificate: what it says, put together from a proof, and its page."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.pages.figures import Figures
from evenfall.pages.page import Page
from evenfall.pages.typesetting import Paper, paper_for
from evenfall.requirement import State
from evenfall.units import MINUS, LengthUnit, in_unit, length_text, number_text
from evenfall.wording import Sentence, counted, plain_line

if TYPE_CHECKING:
    from evenfall.proof.decision import Verdict
    from evenfall.proof.result import Item, Proof
    from evenfall.proof.uncertainty import BudgetLine

KINDS: dict[str, str] = {
    "action": "Action",
    "first-fret-gap": "First-fret gap",
    "relief": "Relief",
    "crown-height": "Crown height",
    "clearance": "Clearance at the attack",
}
"""What is judged, in the order of the certificate."""

_STATES = {
    State.HOLDS: "clear",
    State.AS_GOOD: "as good as level frets",
    State.FAILS: "not clear",
    State.UNKNOWN: "not known",
}

LINES_OF_A_BUDGET = 8
"""Inputs listed one by one; the rest of a long budget is summed, since none of them counts."""

BUDGETS = 12


@dataclass(frozen=True, slots=True)
class Amount:
    """A length as figures in the unit chosen, and in the other where both are shown, else empty."""

    figure: str
    other: str


@dataclass(frozen=True, slots=True)
class Judged:
    """One item as the certificate shows it."""

    name: str  # what was judged
    result: Amount
    expanded: Amount  # its expanded uncertainty
    limits: str  # in words, in the unit chosen
    limits_other: str  # in the other unit, where both are shown
    probability: str  # of conformity
    verdict: Verdict
    route: str  # how the value was obtained


@dataclass(frozen=True, slots=True)
class Kind:
    """All items of one kind, in one line."""

    name: str
    count: str  # how many were judged, and how many have which verdict
    verdict: Verdict  # the worst among them
    nearest: Judged  # nearest to its limit, by the probability of conformity


@dataclass(frozen=True, slots=True)
class Input:
    """One line of an uncertainty budget, as written."""

    name: str
    value: str
    uncertainty: str
    sensitivity: str
    contribution: str
    degrees: str
    distribution: str


@dataclass(frozen=True, slots=True)
class Listing:
    """The uncertainty budget of one item."""

    item: Judged
    inputs: tuple[Input, ...]  # the largest, largest first
    rest: str  # what those not listed add; empty if all are listed
    result: str  # combined and expanded uncertainty


@dataclass(frozen=True, slots=True)
class Certificate:
    """Everything that the certificate says.

    Parameters
    ----------
    serial, model
        Which instrument.
    verdict
        The verdict on the whole.
    headline
        The verdict in one sentence.
    code, plan_code
        Codes of the proof and of its plan.
    unit, beside
        Unit of every length, and of the small figures; empty where there are none.
    date, issuer, place
        As given; empty to be filled in by hand.
    facts
        Pairs of label and value.
    rule
        Decision rule and uncertainty statement, one sentence each.
    kinds
        One line per kind of limit.
    open_items
        Items that do not conform or are undecided.
    items
        Everything judged.
    next_steps, cautions, remarks
        What to do now; what can hurt in it, with a word or two before; what a reader should know.
    budgets
        Uncertainty budgets of the items listed.
    budgets_note
        Which items those are.
    hashes
        Pairs of what and content hash.
    """

    serial: str
    model: str
    verdict: Verdict
    headline: str
    code: str
    plan_code: str
    unit: LengthUnit
    beside: str
    date: str
    issuer: str
    place: str
    facts: tuple[tuple[str, str], ...]
    rule: tuple[str, ...]
    kinds: tuple[Kind, ...]
    open_items: tuple[Judged, ...]
    items: tuple[Judged, ...]
    next_steps: tuple[str, ...]
    cautions: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]
    budgets: tuple[Listing, ...]
    budgets_note: str
    hashes: tuple[tuple[str, str], ...]


def certificate(
    proof: Proof,
    *,
    unit: LengthUnit,
    both: bool = False,
    date: str = "",
    issuer: str = "",
    place: str = "",
    cautions: Sequence[tuple[str, Sentence]] = (),
    gauges: Sequence[Sentence] = (),
) -> Certificate:
    """Return what the certificate of a proof says.

    Parameters
    ----------
    proof
        The verdict and what it rests on.
    unit
        "mm" or "in", for every length.
    both
        Whether results and limits stand in the other unit as well, in small.
    date
        Date of issue as it shall be printed, best as 2026-03-31; a blank line if empty.
    issuer, place
        Who issues it, and where; blank lines if empty.
    cautions
        What can hurt in what is left to do, each with a word or two before.
    gauges
        Whose uncertainty the readings took, one sentence each.
    """
    writer = _Writer(unit, both=both)
    judged = [(item, writer.judged(item)) for item in proof.items]
    serial = plain_line(proof.serial) or "no serial number"
    model = plain_line(proof.model)
    chosen = _worth_a_budget(proof.items)
    return Certificate(
        serial=serial,
        model=model,
        verdict=proof.verdict,
        headline=_headline(proof),
        code=proof.code,
        plan_code=proof.plan_hash[:10].upper(),
        unit=unit,
        beside=writer.beside or "",
        date=plain_line(date),
        issuer=plain_line(issuer),
        place=plain_line(place),
        facts=(
            ("Judged for attack", writer.line(proof.attack_said)),
            *_clear_up_to(proof),
            ("Notes", _notes(proof)),
            ("Judged", counted(len(proof.items), "item")),
        ),
        rule=tuple(writer.line(said) for said in (*proof.decided_by, *gauges)),
        kinds=tuple(writer.kinds(judged)),
        open_items=tuple(shown for item, shown in judged if item.verdict != "conforms"),
        items=tuple(shown for _, shown in judged),
        next_steps=tuple(writer.line(step) for step in proof.next_steps),
        cautions=tuple((topic, writer.line(said)) for topic, said in cautions),
        remarks=(
            *(writer.line(one.said) for one in proof.findings),
            *(writer.line(one.said) for one in proof.accepted),
            *(writer.line(one.said) for one in proof.checks),
        ),
        budgets=tuple(writer.listing(item) for item in chosen),
        budgets_note=_budgets_note(proof, chosen),
        hashes=(
            ("Readings after work", proof.after_hash),
            ("Readings as found", proof.before_hash),
            ("Plan", proof.plan_hash),
            *(("Plan worked before", one) for one in proof.worked_hashes),
            ("Specification", proof.specification_hash),
            ("This proof", proof.content_hash),
        ),
    )


def certificate_page(certificate: Certificate, *, paper: Paper | None = None) -> Page:
    """Return the certificate as a page; with a date as 2026-03-31 its PDF is one for archives.

    Parameters
    ----------
    certificate
        What it says.
    paper
        "a4" or "us-letter"; by default what goes with the certificate's unit.
    """
    told = {**asdict(certificate), "name": "Setup certificate", "job": certificate.plan_code}
    return Page("certificate", told, paper or paper_for(certificate.unit))


def deciding_items(proof: Proof) -> tuple[Item, ...]:
    """Return the item nearest to its limit of every kind, for a picture of the verdict.

    Parameters
    ----------
    proof
        The verdict and what it rests on.
    """
    return tuple(_nearest(items) for items in _by_kind(proof.items))


def _headline(proof: Proof) -> str:
    wrong = sum(item.verdict == "does not conform" for item in proof.items)
    unsure = sum(item.verdict == "undecided" for item in proof.items)
    total = counted(len(proof.items), "item")
    if proof.verdict == "conforms":
        return f"Every one of {total} conforms with its limits."
    parts = [f"{wrong} do not conform" if wrong != 1 else "1 does not conform"] if wrong else []
    if unsure:
        parts.append(f"{unsure} {'is' if unsure == 1 else 'are'} undecided")
    return f"Of {total}, {' and '.join(parts)}."


def _clear_up_to(proof: Proof) -> Iterable[tuple[str, str]]:
    """Yield up to which attack the neck is clear, where level frets would not clear more."""
    if (proof.positions.state == State.AS_GOOD).any():
        clear_n = proof.clear_up_to_n[np.isfinite(proof.clear_up_to_n)]
        yield "Clear up to", _attack(np.minimum(clear_n, proof.attack_n.max()))


def _notes(proof: Proof) -> str:
    """Return how many notes stand in which state."""
    state = proof.positions.state
    found = [(int((state == one).sum()), words) for one, words in _STATES.items()]
    return ", ".join(f"{count} {words}" for count, words in found if count)


def _attack(attack_n: FloatArray) -> str:
    least, most = float(attack_n.min()), float(attack_n.max())
    if most - least < 0.005:
        return f"an attack of {least:.2f} N"
    return f"an attack of {least:.2f} to {most:.2f} N"


def _worth_a_budget(items: Sequence[Item]) -> list[Item]:
    """Return the item nearest to its limit of every kind, then what is open, without repeats."""
    nearest = [_nearest(kind) for kind in _by_kind(items)]
    still_open = sorted((i for i in items if i.verdict != "conforms"), key=_uncertainty)
    chosen: list[Item] = []
    for item in (*still_open, *nearest):
        if item.lines and item not in chosen:
            chosen.append(item)
    return chosen[: max(BUDGETS, len(nearest))]


def _budgets_note(proof: Proof, chosen: Sequence[Item]) -> str:
    if len(chosen) == len(proof.items):
        return "Every item is listed."
    return (
        f"Listed: {len(chosen)} of {counted(len(proof.items), 'item')}, the nearest to its limit "
        "of every kind and those that are open; the proof file holds the budget of every item."
    )


def _by_kind(items: Iterable[Item]) -> list[list[Item]]:
    kinds: dict[str, list[Item]] = {}
    for item in items:
        kinds.setdefault(item.quantity, []).append(item)
    order = [*KINDS, *(kind for kind in kinds if kind not in KINDS)]
    return [kinds[kind] for kind in order if kind in kinds]


def _uncertainty(item: Item) -> tuple[int, float, float]:
    rank = {"does not conform": 0, "undecided": 1, "conforms": 2}[item.verdict]
    probability = item.probability if math.isfinite(item.probability) else -1.0
    room = item.room if math.isfinite(item.room) else -math.inf
    return rank, probability, room


def _nearest(items: Sequence[Item]) -> Item:
    return min(items, key=_uncertainty)


class _Writer(Figures):
    """Puts what was judged into words and figures."""

    def judged(self, item: Item) -> Judged:
        u_mm = item.expanded_uncertainty
        return Judged(
            name=self.line(item.name),
            result=Amount(self.figure(item.value), self.small(item.value)),
            expanded=Amount(self.figure(u_mm, never_zero=True), self.small(u_mm, never_zero=True)),
            limits=_limits(item, self.unit),
            limits_other=_limits(item, self.beside) if self.beside else "",
            probability=_probability(item.probability),
            verdict=item.verdict,
            route=self.line(item.route),
        )

    def line(self, said: Sentence | str) -> str:
        return plain_line(self.say(said))

    def kinds(self, judged: Sequence[tuple[Item, Judged]]) -> Iterable[Kind]:
        shown = {id(item): words for item, words in judged}
        for items in _by_kind(item for item, _ in judged):
            counts = [
                (sum(item.verdict == verdict for item in items), verdict)
                for verdict in ("conforms", "does not conform", "undecided")
            ]
            parts = [f"{count} {_many(verdict, count)}" for count, verdict in counts if count]
            worst = _nearest(items)
            yield Kind(
                name=KINDS.get(items[0].quantity, items[0].quantity),
                count=", ".join(parts),
                verdict=worst.verdict,
                nearest=shown[id(worst)],
            )

    def listing(self, item: Item) -> Listing:
        lines = sorted(item.lines, key=lambda line: -line.contribution)
        listed = lines if len(lines) <= LINES_OF_A_BUDGET + 1 else lines[:LINES_OF_A_BUDGET]
        left = lines[len(listed) :]
        rest = ""
        if left:
            together = math.sqrt(sum(line.contribution**2 for line in left))
            rest = f"{len(left)} further inputs together: {self.fine(together)} {self.unit}"
        return Listing(
            item=self.judged(item),
            inputs=tuple(self.input(line) for line in listed),
            rest=rest,
            result=(
                f"u = {self.fine(item.standard_uncertainty)} {self.unit}, "
                f"U = {self.fine(item.expanded_uncertainty)} {self.unit}, "
                f"guard band {self.fine(item.guard_band)} {self.unit}"
            ),
        )

    def input(self, line: BudgetLine) -> Input:
        length = line.unit == "mm"
        unit = self.unit if length else line.unit

        def told(value: float) -> str:
            figure = self.fine(value) if length else f"{value:.4g}".replace("-", MINUS)
            return f"{figure} {unit}".strip()

        return Input(
            name=self.line(line.name),
            value=told(line.value),
            uncertainty=told(line.standard_uncertainty),
            sensitivity=number_text(line.sensitivity, 3, signed=True),
            contribution=f"{self.fine(line.contribution)} {self.unit}",
            degrees="∞"
            if math.isinf(line.degrees_of_freedom)
            else f"{line.degrees_of_freedom:.0f}",
            distribution=self.line(line.distribution),
        )

    def fine(self, length_mm: float) -> str:
        """Return a length with a digit more than people read off a gauge."""
        if not math.isfinite(length_mm):
            return "–" if math.isnan(length_mm) else "∞"
        digits = 4 if self.unit == "mm" else 5
        return number_text(in_unit(length_mm, self.unit), digits)


def _many(verdict: str, count: int) -> str:
    if count == 1 or verdict == "undecided":
        return verdict
    return {"conforms": "conform", "does not conform": "do not conform"}[verdict]


def _limits(item: Item, unit: LengthUnit) -> str:
    low = length_text(item.lower, unit).removesuffix(f" {unit}")
    high = length_text(item.upper, unit).removesuffix(f" {unit}")
    if math.isinf(item.upper):
        return f"≥ {low}"
    if math.isinf(item.lower):
        return f"≤ {high}"
    return f"{low} to {high}"


def _probability(probability: float) -> str:
    if not math.isfinite(probability):
        return "–"
    percent = 100.0 * probability
    if percent >= 99.95:
        return "> 99.9 %"
    if percent < 0.05:
        return "< 0.1 %"
    return f"{percent:.1f} %"
