"""Proof: what the readings after the work show, item by item; data only."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import ClassVar, Literal, get_args

import numpy as np

from evenfall.arrays import CodeArray, FloatArray, IntArray
from evenfall.codec import Content, FileContent
from evenfall.codec.forms import (
    NAN,
    Form,
    choice,
    content_dataclass,
    derived,
    finding,
    hash_text,
    number,
    part,
    spoken,
    text,
    whole,
)
from evenfall.errors import Finding
from evenfall.gates import Accepted, CrossCheck
from evenfall.instrument.specification import DecisionRule
from evenfall.proof.decision import Verdict
from evenfall.proof.uncertainty import Budget, BudgetLine
from evenfall.requirement import State
from evenfall.wording import Sentence, sentence

Quantity = Literal["action", "first-fret-gap", "relief", "crown-height", "clearance"]
Basis = Literal["direct", "read", "derived", "wire", "none"]

_VERDICTS = get_args(Verdict)
_LENGTH = (-1000.0, 1000.0)
_SIZE = (0.0, 1000.0)


@content_dataclass()
class Item(Content):
    """One quantity judged against its limits; every number is in `unit`."""

    DERIVED: ClassVar[Mapping[str, Form]] = derived(
        limit=number(
            *_LENGTH, "the limit that the value is nearest to; null if it has none", null=NAN
        ),
    )

    name: Sentence = spoken("what was judged, in words")
    quantity: Quantity = choice(get_args(Quantity), "what was judged")
    unit: str = choice(("mm",), "unit of every number here")
    string: int | None = whole(1, 12, "string number", null=None)
    stopped_fret: int | None = whole(0, 36, "where the finger is, 0 = open string", null=None)
    fret: int | None = whole(1, 36, "fret", null=None)
    value: float = number(*_LENGTH, "result", null=NAN)
    standard_uncertainty: float = number(*_SIZE, "u of the result", null=NAN)
    expanded_uncertainty: float = number(*_SIZE, "U = k u of the result", null=NAN)
    lower: float = number(*_LENGTH, "lower limit", null=-math.inf)
    upper: float = number(*_LENGTH, "upper limit", null=math.inf)
    degrees_of_freedom: float = number(
        0.0, 1e300, "of u, by Welch and Satterthwaite; null where u is known", null=math.inf
    )
    guard_band: float = number(
        *_SIZE,
        "distance inside the limits from which the verdict counts as proven; null where no "
        "value can be accepted or none was read",
        null=math.inf,
    )
    refusal_band: float = number(
        *(0.0, 1e12),
        "distance outside the limits from which the item is refused; null if none was read",
        null=math.inf,
    )
    probability: float = number(0.0, 1.0, "probability of conformity", null=NAN)
    verdict: Verdict = choice(_VERDICTS, "verdict")
    basis: Basis = choice(
        get_args(Basis),
        "gap read directly; height read; worked out from heights; worked out from the wire as "
        "supplied; not read",
    )
    route: Sentence = spoken("how the value was obtained, in words")
    lines: tuple[BudgetLine, ...] = part(BudgetLine, "budget of its uncertainty, line by line", "*")

    @property
    def place(self) -> tuple[int, int]:
        """String and fret, 0 for one that the item does not have."""
        return self.string or 0, self.fret or 0

    @property
    def limit(self) -> float:
        """The limit that the value is nearest to, or the only one; NaN without any."""
        if math.isinf(self.lower) and math.isinf(self.upper):
            return math.nan
        if math.isinf(self.upper):
            return self.lower
        if math.isinf(self.lower):
            return self.upper
        nearer_lower = self.value - self.lower <= self.upper - self.value
        return self.lower if nearer_lower else self.upper

    @property
    def room(self) -> float:
        """Distance of the value inside its nearest limit, negative outside."""
        return min(self.value - self.lower, self.upper - self.value)

    @property
    def budget(self) -> Budget:
        """The uncertainty budget of the value."""
        return Budget(self.lines)


@content_dataclass()
class Positions(Content):
    """Every stopped fret 0 (open) to F - 1 of K strings."""

    buzz_force_n: FloatArray = number(
        -1e6, 1e6, "buzz force; null where a height is missing", "K F", null=NAN
    )
    touch_force_n: FloatArray = number(
        -1e6, 1e6, "touch force; null where a height is missing", "K F", null=NAN
    )
    buzz_force_u_n: FloatArray = number(
        0.0, 1e6, "standard uncertainty of the buzz force", "K F", null=NAN
    )
    clearance_mm: FloatArray = number(*_LENGTH, "clearance over the critical fret", "K F", null=NAN)
    clearance_u_mm: FloatArray = number(*_SIZE, "standard uncertainty of it", "K F", null=NAN)
    required_mm: FloatArray = number(
        *_LENGTH,
        "what that clearance must be: what the attack needs, or what level frets would give if "
        "that is less, without the agreed tolerance or the smallest cut",
        "K F",
        null=NAN,
    )
    critical_fret: IntArray = whole(
        0,
        36,
        "fret whose clearance is least sure to be enough; 0 if none was read",
        "K F",
        array=np.int64,
    )
    probability: FloatArray = number(
        0.0, 1.0, "probability that this clearance is enough", "K F", null=NAN
    )
    state: CodeArray = whole(
        0,
        max(State),
        "how it stands by the readings alone, crowns that do not stand out taken as level: 0 "
        "not known, 1 holds, 2 needs more than level frets would give and is as good as they "
        "are, 3 fails",
        "K F",
        array=np.int8,
    )
    verdict: tuple[tuple[Verdict, ...], ...] = choice(_VERDICTS, "verdict", "K F")


@content_dataclass()
class Deviation(Content):
    """How far the instrument is from its plan, positive where it stands higher.

    The set-ups before and after need not share a datum: a straight line per string is taken out
    of the crown tops by least squares, together with one bow common to all strings.
    """

    DERIVED: ClassVar[Mapping[str, Form]] = derived(
        rms_mm=number(*_SIZE, "root mean square of the crown-top deviations", null=NAN),
        fret_mean_mm=number(
            *_LENGTH, "mean deviation of each fret over the strings", "F", null=NAN
        ),
    )

    crown_top_mm: FloatArray = number(*_LENGTH, "crown tops over plan", "K F", null=NAN)
    crown_top_u_mm: FloatArray = number(*_SIZE, "standard uncertainty of them", "K F", null=NAN)
    nut_mm: FloatArray = number(*_LENGTH, "nut slots over plan in the same frame", "K", null=NAN)
    nut_u_mm: FloatArray = number(*_SIZE, "standard uncertainty of them", "K", null=NAN)
    saddle_mm: FloatArray = number(*_LENGTH, "saddles over plan in the same frame", "K", null=NAN)
    saddle_u_mm: FloatArray = number(*_SIZE, "standard uncertainty of them", "K", null=NAN)
    relief_mm: float = number(*_LENGTH, "relief over plan", null=NAN)
    relief_u_mm: float = number(*_SIZE, "standard uncertainty of it", null=NAN)

    @property
    def rms_mm(self) -> float:
        """Root mean square of the crown-top deviations [mm]; NaN if there are none."""
        known = self.crown_top_mm[np.isfinite(self.crown_top_mm)]
        return float(np.sqrt(np.mean(known**2))) if known.size else math.nan

    @property
    def fret_mean_mm(self) -> FloatArray:
        """Mean deviation of each fret over the strings [mm], shape (F,)."""
        known = np.isfinite(self.crown_top_mm)
        total = np.where(known, self.crown_top_mm, 0.0).sum(axis=0)
        count = known.sum(axis=0)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    @property
    def worst(self) -> tuple[int, int, float]:
        """String, fret and size [mm] of the largest crown-top deviation; (0, 0, NaN) if none."""
        if not np.isfinite(self.crown_top_mm).any():
            return 0, 0, math.nan
        string, fret = divmod(
            int(np.nanargmax(np.abs(self.crown_top_mm))), self.crown_top_mm.shape[1]
        )
        return string + 1, fret + 1, float(self.crown_top_mm[string, fret])


@content_dataclass()
class Proof(FileContent):
    """What the readings after the work show."""

    KIND: ClassVar = "proof"
    VERSION: ClassVar = 1
    AGAIN: ClassVar = sentence("make the proof again with {door_prove}")
    PRINTED: ClassVar = ("findings_of_readings",)

    verdict: Verdict = choice(_VERDICTS, "every item conforms; any item does not; anything else")
    rule: DecisionRule = choice(get_args(DecisionRule), "decision rule")
    false_acceptance: float = number(
        0.0, 0.5, "largest chance that an instrument off a limit is accepted"
    )
    false_refusal: float = number(
        0.0, 0.5, "largest chance that one which meets every limit is refused"
    )
    refusal_factor: float = number(
        *(0.0, 100.0),
        "standard uncertainties by which a value must be outside to be refused, so many being "
        "compared at once; more where u is from few repeats",
    )
    coverage: float = number(0.5, 1.0, "coverage probability of the expanded uncertainties")
    coverage_factor: float = number(
        0.0, 100.0, "k of the expanded uncertainties: two-sided, for the same probability"
    )
    serial: str = text("serial number of the instrument; may be empty")
    model: str = text("name of the model")
    specification_hash: str = hash_text("content hash of the specification")
    plan_hash: str = hash_text("content hash of the plan")
    before_hash: str = hash_text("content hash of the measurement that the plan is for")
    after_hash: str = hash_text("content hash of the measurement after the work")
    attack_n: FloatArray = number(0.0, 1000.0, "attack that is judged", "K")
    attack_said: Sentence = spoken("the same in newtons, and in the player's words")
    clear_up_to_n: FloatArray = number(
        *(0.0, 1e6),
        "attack up to which each string is clear everywhere by the readings, the agreed "
        "tolerance counted; null where a height is missing",
        "K",
        null=NAN,
    )
    items: tuple[Item, ...] = part(
        Item, "everything judged: action, first-fret gap, relief, crown heights, clearances", "*"
    )
    positions: Positions = part(Positions, "every stopped fret")
    deviation: Deviation = part(
        Deviation, "where the instrument is other than planned, positive is higher"
    )
    next_steps: tuple[Sentence, ...] = spoken("what to do now, in order", "*")
    findings: tuple[Finding, ...] = finding("what a reader of the verdict should know")
    gates: tuple[Finding, ...] = finding(
        "what in the readings after the work has to be read again, or accepted", default=()
    )
    accepted: tuple[Accepted, ...] = part(
        Accepted, "what of that, and of the plan's readings, was accepted", "*", default=()
    )
    checks: tuple[CrossCheck, ...] = part(
        CrossCheck, "readings by hand beside what the heights give", "*", default=()
    )
    worked_hashes: tuple[str, ...] = hash_text(
        "content hashes of the plans that were worked before this one, oldest first: what they "
        "took off was counted as no wear; absent if none",
        "*",
        later=True,
        default=(),
    )

    def check(self) -> None:
        """Refuse earlier plans of which one is named twice, or is the plan itself."""
        named = (*self.worked_hashes, self.plan_hash)
        if len(set(named)) < len(named):
            raise ValueError("a plan counts once: each of worked_hashes is another one")

    @property
    def decided_by(self) -> tuple[Sentence, ...]:
        """Decision rule, risks and statement of uncertainty, one sentence each."""
        return (
            sentence(_RULES[self.rule], acceptance=100.0 * self.false_acceptance),
            sentence(
                "Risks: an instrument that is off one of its limits or more is accepted with a "
                "chance of at most {acceptance:g} %. One that meets them all is refused with a "
                "chance of at most {refusal:g} %; as so many items are decided at once, each is "
                "refused only from {factor:.2f} standard uncertainties outside its limits.",
                acceptance=100.0 * self.false_acceptance,
                refusal=100.0 * self.false_refusal,
                factor=self.refusal_factor,
            ),
            sentence(
                "Uncertainty: U = k u by the GUM (JCGM 100), where u is the combined standard "
                "uncertainty; k = {k:.2f} covers {coverage:g} % of a normal distribution, "
                "two-sided. Where u comes from few repeats, k and both factors are Student's.",
                k=self.coverage_factor,
                coverage=100.0 * self.coverage,
            ),
        )


_RULES: dict[DecisionRule, str] = {
    "guard band": "Decision rule: guard band (ISO 14253-1). A value conforms if it lies inside its "
    "limits by at least the guard band, does not conform if it lies far enough outside them, and "
    "is undecided between.",
    "probability": "Decision rule: probability of conformity (JCGM 106). A value conforms if it "
    "lies outside its limits with a probability of at most {acceptance:g} %, does not conform if "
    "it lies far enough outside them, and is undecided between.",
}
