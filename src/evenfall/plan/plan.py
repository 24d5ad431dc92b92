"""The plan: what comes off which crossing, what is adjusted, and why; data only."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import ClassVar, Literal, get_args

import numpy as np

from evenfall.arrays import CodeArray, FloatArray
from evenfall.codec import FileContent
from evenfall.codec.forms import (
    NAN,
    Form,
    choice,
    content_dataclass,
    derived,
    finding,
    number,
    spoken,
    whole,
)
from evenfall.codec.forms import part as piece
from evenfall.errors import Finding
from evenfall.gates import Accepted, CrossCheck, unmet
from evenfall.measurement import Measurement
from evenfall.neck.wear import before_filing
from evenfall.plan.before_cut import Confirmation, LowFrets, ReadFirst, Rock
from evenfall.plan.limits import LeftOut, LimitReached, Miss, Undecided
from evenfall.plan.methods import METHODS, MethodResult, Price
from evenfall.plan.outlook import Outlook
from evenfall.plan.ranges import CENTS, CROWN, FORCE, GAP, HEIGHT, LEAST_SHOWN_MM, METAL
from evenfall.requirement import State
from evenfall.wording import Sentence, sentence

Status = Literal[
    "nothing", "settings", "cut", "lift", "new-wire", "ask", "read-again", "misfit", "short"
]
"""What a person does next: nothing; make the settings; cut; lift low frets; put in new wire; read a
second time to confirm; take readings again; choose other targets or another attack; take another
method, because this one leaves notes that fail."""


Part = Literal["settings", "whole"]
"""Settings first, then a new reading, where rod or saddle move; or the whole work at once."""


_STATES = "state of each note by stopped fret (1 holds, 2 as good as level frets, 3 fails), "


_HEADLINES: Mapping[Status, str] = {
    "nothing": "Every note is clear by these readings; nothing has to be done.",
    "settings": "Settings alone make every note clear; no fret has to be cut.",
    "cut": "{cut:count fret} {cut:plural comes|come} down, by up to {deepest:length}.",
    "lift": "Low frets make the others buzz: {low:frets} {low:plural is|are} to be lifted.",
    "new-wire": "New wire is needed in {new:frets}.",
    "ask": "{cut:count fret} would come down, by up to {deepest:length}: a second reading has to "
    "confirm it.",
    "read-again": "Readings have to be taken again before any metal comes off.",
    "misfit": "The attack and the targets do not fit each other.",
    "short": "This plan leaves {failing:count note} that {failing:plural fails|fail}.",
}
_ONE_FRET: Mapping[Status, str] = {
    "cut": "Fret {fret} comes down, by up to {deepest:length}.",
    "ask": "Fret {fret} would come down, by up to {deepest:length}: a second reading has to "
    "confirm it.",
}
_HEADLINES_AS_GOOD: Mapping[Status, str] = {
    "nothing": "{alike:count note} {alike:plural buzzes|buzz} at the design attack, and would over "
    "level frets too. Filing does not cure that; {cure} does.",
    "settings": "With the settings {alike:count note} still {alike:plural buzzes|buzz} at the "
    "design attack, and would over level frets too. Filing does not cure that; {cure} does.",
}
_SET_FIRST = (
    "Settings come first. The cut after them, on {cut:count fret} and up to {deepest:length} deep, "
    "is a preview."
)
_TO_READ = "One more reading is needed before any metal comes off {first:frets}."
_SET_ONLY = "Settings come first; by these readings no fret has to be cut after them."
_SET_UNREAD = (
    "Settings come first. Whether {first:frets} {first:plural has|have} to be cut after them is "
    "open until the readings listed are added."
)
_SET_AND_READ = (
    "Set {what}, tune, read again, including what is listed, and plan from that reading with "
    "{door_settled}."
)
_UNMET = "Every note is clear by these readings, but not every limit can be met."
_UNMET_TOO = " Besides, not every limit can be met."
_CURE_UNMET = (
    "Put right what is listed, or agree on other limits. As it is, {door_prove} will not find that "
    "the instrument conforms."
)
_NEXT_STEPS: Mapping[Status, str] = {
    "nothing": "Keep these readings; {door_prove} shows that the instrument conforms.",
    "settings": "Set {what}, tune, read again and plan from that reading with {door_settled}.",
    "cut": "Print the bench sheet, do the work, read again and run {door_prove}.",
    "lift": "Lift or re-seat the low frets, read again and plan from that reading.",
    "new-wire": "Print the bench sheet, put in the new wire, read and plan again.",
    "ask": "Read the instrument a second time and give that reading to {door_plan} with "
    "{door_confirmed_by}.",
    "read-again": "Read again what is listed, or accept it with a reason ({door_accept}).",
    "misfit": "Choose other targets or a lighter attack; {door_method} level takes what stands out "
    "to the level line all the same.",
    "short": "Another method ({door_method}), new wire or other targets may clear them; what "
    "stands in the way is listed above.",
}


@content_dataclass()
class Plan(FileContent):
    """What to do to one instrument with K strings and F frets.

    Gaps and forces are those of the crowns as they are taken: where a crown does not stand out from
    the level line, it lies on it. Relief is that of the bow alone.
    """

    KIND: ClassVar = "plan"
    VERSION: ClassVar = 1
    AGAIN: ClassVar = sentence("make the plan again with {door_plan}")
    PRINTED: ClassVar = ("findings", "motion")
    DERIVED: ClassVar[Mapping[str, Form]] = derived(
        lowest_crown_mm=number(*CROWN, "lowest crown after work"),
        saddle_height_change_mm=number(*HEIGHT, "how far each saddle moves, up is positive", "K"),
        nut_height_change_mm=number(
            *HEIGHT, "how far each nut slot's floor is moved, up is positive", "K"
        ),
    )

    status: Status = choice(
        get_args(Status),
        "what a person does next: nothing; the settings; cut; lift low frets; new wire; read a "
        "second time to confirm; take readings again; choose other targets or another attack; "
        "take another method",
    )
    method: str = choice(METHODS, "the method")
    metal_mm: float = number(*METAL, "removal, summed over all crossings")
    duality_gap_mm: float = number(
        0.0, 1.0, "duality gap of the linear program; null for the other methods", null=NAN
    )
    largest_violation_mm: float = number(
        0.0, 1.0, "largest violation of any limit found by an independent check"
    )
    smallest_cut_mm: float = number(0.0, 10.0, "smallest cut of the method: no cut is under it")
    attack_n: FloatArray = number(
        0.0, 1000.0, "design attack: the attack that the plan is made for", "K"
    )
    removal_mm: FloatArray = number(0.0, 20.0, "metal that comes off, by fret", "K F")
    crown_top_after_mm: FloatArray = number(
        *HEIGHT, "crown tops over the datum after the work, by fret", "K F"
    )
    lifted_mm: FloatArray = number(*GAP, "by how much low frets are to be lifted", "K F")
    level_mm: FloatArray = number(
        *HEIGHT, "level line: where level crowns would stand, as found", "K F"
    )
    stands_out_mm: FloatArray = number(
        *GAP, "how far each crown stands over it, 0 where it is level", "K F"
    )
    level_after_mm: FloatArray = number(*HEIGHT, "level line with the settings of the plan", "K F")
    stands_out_after_mm: FloatArray = number(
        *GAP, "how far each crown stands over it after the work", "K F"
    )
    state_before: CodeArray = whole(0, 3, _STATES + "as found", "K F", array=np.int8)
    state_after: CodeArray = whole(0, 3, _STATES + "after the work", "K F", array=np.int8)
    crown_height_after_mm: FloatArray = number(
        *CROWN, "crown heights over the board after the work, by fret", "K F"
    )
    replaced_frets: tuple[int, ...] = whole(1, 36, "frets that get new wire", "*")
    nut_after_mm: FloatArray = number(
        *HEIGHT, "floor of each nut slot over the datum after the work", "K"
    )
    saddle_after_mm: FloatArray = number(
        *HEIGHT, "top of the saddle at each string after the work", "K"
    )
    relief_before_mm: float = number(*GAP, "relief as found, of the bow alone")
    relief_change_mm: float = number(
        *GAP, "change of relief that the truss rod makes, more is positive"
    )
    relief_after_mm: float = number(*GAP, "relief after the work")
    action_before_mm: FloatArray = number(
        *GAP, "open string over the reference fret on the level line, as found", "K"
    )
    action_after_mm: FloatArray = number(*GAP, "the same after the work", "K")
    first_fret_gap_before_mm: FloatArray = number(
        *GAP, "open string over fret 1 on the level line, as found", "K"
    )
    first_fret_gap_after_mm: FloatArray = number(*GAP, "the same after the work", "K")
    buzz_force_before_n: FloatArray = number(
        *FORCE,
        "buzz force as found, by stopped fret from 0 (open) to F - 1: from it on already the "
        "first swing touches; negative if it touches at rest",
        "K F",
    )
    buzz_force_after_n: FloatArray = number(
        *FORCE, "buzz force after the work, by stopped fret", "K F"
    )
    touch_force_before_n: FloatArray = number(
        *FORCE,
        "touch force as found, by stopped fret: from it on the string touches at any time",
        "K F",
    )
    touch_force_after_n: FloatArray = number(
        *FORCE, "touch force after the work, by stopped fret", "K F"
    )
    life_used: float = number(0.0, 1.0, "largest share of fret life used at any crossing")
    bow_mm_per_mm: FloatArray = number(
        -1000.0,
        1000.0,
        "what one millimetre more relief does to each crown's height over "
        "the line from nut to saddle",
        "K F",
    )
    pitch_change_cents: FloatArray = number(
        *CENTS, "how much sharper each stopped note becomes, cut frets crowned again", "K F"
    )
    pitch_uncrowned_cents: FloatArray = number(
        *CENTS, "the same as long as the cut frets are flat", "K F"
    )
    binding: tuple[LimitReached, ...] = piece(
        LimitReached, "clearances that each cut is made for, least room first", "*"
    )
    prices: tuple[Price, ...] = piece(Price, "what one step of a control would save in metal", "*")
    methods: tuple[MethodResult, ...] = piece(
        MethodResult, "what each method that was tried would reach", "*"
    )
    outlook: Outlook = piece(Outlook, "how far the neck may move")
    recommended: str = choice(
        ("", *METHODS), "the method that the program would take; empty for none"
    )
    reason: Sentence = spoken("why")
    measurement: Measurement = piece(
        Measurement, "the readings that the plan is for, with the specification"
    )
    part: Part = choice(
        get_args(Part),
        "the settings alone, cuts being a preview until the next reading; or the whole work",
        default="whole",
    )
    reasons: tuple[Sentence, ...] = spoken(
        "why each setting moves, or stays though it should move", "*", default=()
    )
    left_out: tuple[LeftOut, ...] = piece(
        LeftOut, "limits that the settings at hand cannot meet", "*", default=()
    )
    misfit: Sentence | None = spoken(
        "how attack and targets do not fit each other, and what would", null=None, default=None
    )
    read_first: tuple[ReadFirst, ...] = piece(
        ReadFirst, "frets to read before they may be cut", "*", default=()
    )
    no_room_frets: tuple[int, ...] = whole(
        1, 36, "frets with too little crown for what should go", "*", default=()
    )
    unread_frets: tuple[int, ...] = whole(
        1, 36, "frets that were not read under every string", "*", default=()
    )
    low_frets: LowFrets | None = piece(
        LowFrets, "low frets to lift or replace", null=None, default=None
    )
    ask: tuple[Sentence, ...] = spoken(
        "what a second reading has to confirm before metal", "*", default=()
    )
    confirmation: Confirmation | None = piece(
        Confirmation, "what a second reading says", null=None, default=None
    )
    undecided: tuple[Undecided, ...] = piece(
        Undecided, "positions that hold, not for certain", "*", default=()
    )
    misses: tuple[Miss, ...] = piece(
        Miss, "how far each setting may miss the plan", "*", default=()
    )
    rocker: tuple[Rock, ...] = piece(
        Rock, "what a rocker shows over each fret to be filed", "*", default=()
    )
    level_clear_percent: float = number(
        -1e9,
        1e9,
        "up to which part of the design attack level frets stay clear; null at no attack",
        null=NAN,
        default=math.nan,
    )
    least_metal_mm: float = number(
        *METAL,
        "removal with every limit used to the full; null where that saves under 30 %",
        null=NAN,
        default=math.nan,
    )
    budget_mm: float = number(
        *METAL,
        "metal that might come off, where the design attack is what that buys; null without",
        null=NAN,
        default=math.nan,
    )
    gates: tuple[Finding, ...] = finding(
        "what in the readings has to be read again, or accepted, before a cut", default=()
    )
    accepted: tuple[Accepted, ...] = piece(
        Accepted, "what of that was accepted as it is, and why", "*", default=()
    )
    checks: tuple[CrossCheck, ...] = piece(
        CrossCheck, "readings by hand beside what the heights give", "*", default=()
    )

    @property
    def cuts_now(self) -> bool:
        """Whether metal may come off now; if not, what there is to cut is a preview."""
        return self.status == "cut" or (self.status == "new-wire" and bool(self.replaced_frets))

    @property
    def cuts_wait(self) -> bool:
        """Whether metal and slots wait for a reading: what is filed is a preview until then."""
        return self.part == "settings" or not (
            self.cuts_now or self.status in ("nothing", "settings")
        )

    @property
    def filed_mm(self) -> FloatArray:
        """What its work takes off each crown, (K, F) [mm]: nothing where cuts are a preview."""
        return self.removal_mm if self.part == "whole" else np.zeros_like(self.removal_mm)

    @property
    def misread(self) -> bool:
        """Whether strings seem read in the opposite order: nothing that follows from it is told."""
        return any(gate.code == "order" for gate in unmet(self.gates, self.accepted))

    @property
    def stands_out_read_mm(self) -> FloatArray:
        """How far crowns stand over the level line when the heights are read next, (K, F) [mm]."""
        uncut = self.cuts_wait and not self.replaced_frets
        return self.stands_out_mm if uncut else self.stands_out_after_mm

    @property
    def failing(self) -> int:
        """How many notes still fail once everything is done."""
        return int((self.state_after == State.FAILS).sum())

    @property
    def limits_unmet(self) -> bool:
        """Whether a limit stays unmet that a proof asks for; notes as over level frets pass it."""
        return any(one.limit != "clearance" for one in self.left_out)

    @property
    def headline(self) -> Sentence:
        """What the plan comes to, in one sentence."""
        if self.status == "misfit" and self.misfit is not None:
            return self.misfit
        headline = _HEADLINES[self.status]
        if self.status == "settings" and self.part == "settings":
            unread = _SET_UNREAD if self.read_first else _SET_ONLY
            headline = _SET_FIRST if self.metal_mm else unread
        elif self._only_to_read:
            headline = _TO_READ
        elif (self.state_after == State.AS_GOOD).any():
            headline = _HEADLINES_AS_GOOD.get(self.status, headline)
            if self.status == "nothing" and self.limits_unmet:
                headline += _UNMET_TOO
        elif self.status == "nothing" and self.limits_unmet:
            headline = _UNMET
        cut = np.flatnonzero((self.removal_mm > 0.0).any(axis=0)) + 1
        if len(cut) == 1:
            headline = _ONE_FRET.get(self.status, headline)
        return sentence(
            headline,
            cut=len(cut),
            fret=int(cut[0]) if len(cut) else 0,
            deepest=float(self.removal_mm.max()),
            alike=int((self.state_after == State.AS_GOOD).sum()),
            cure=self._cure,
            new=self.replaced_frets or self.no_room_frets,
            failing=self.failing,
            low=() if self.low_frets is None else self.low_frets.frets,
            first=tuple(one.fret for one in self.read_first),
        )

    @property
    def _only_to_read(self) -> bool:
        """Whether the readings stand as they are, and only lack one."""
        return self.status == "read-again" and not unmet(self.gates, self.accepted)

    @property
    def _cure(self) -> Sentence:
        """What cures the notes that level frets would not: of open strings alone, their slots."""
        strings, stops = np.nonzero(self.state_after == State.AS_GOOD)
        nuts = {k for one in self.left_out if one.limit == "clearance" for k in one.strings}
        if not stops.any() and {int(k) + 1 for k in strings} <= nuts:
            return sentence(
                "a higher nut slot, or zero fret, at {on:strings}", on=tuple(sorted(nuts))
            )
        return sentence("more action, more relief or a lighter attack")

    @property
    def next_step(self) -> Sentence:
        """What to do now."""
        if self._only_to_read:
            return sentence("Add what is listed to the readings, and plan again.")
        if self.status == "nothing" and self.limits_unmet:
            return sentence(_CURE_UNMET)
        if self.status == "settings" and self.part == "whole":
            return sentence("Make the settings, tune, read again and run {door_prove}.")
        if self.status == "new-wire" and not self.replaced_frets:
            return sentence(
                "Plan with {door_method} partial-refret: it finds the frets to replace."
            )
        if self.status == "settings" and self.read_first:
            return sentence(_SET_AND_READ, what=self.moving)
        return sentence(_NEXT_STEPS[self.status], what=self.moving)

    @property
    def moving(self) -> Sentence:
        """What is set before the next reading: the rod, the saddle or both."""
        if abs(self.relief_change_mm) < LEAST_SHOWN_MM:
            return sentence("the saddle")
        if (np.abs(self.saddle_height_change_mm) < LEAST_SHOWN_MM).all():
            return sentence("the rod, let the neck settle")
        return sentence("rod and saddle, let the neck settle")

    @property
    def lowest_crown_mm(self) -> float:
        """Lowest crown after work [mm]."""
        return float(np.min(self.crown_height_after_mm))

    @property
    def saddle_height_change_mm(self) -> FloatArray:
        """How far each saddle is moved, up is positive [mm], shape (K,)."""
        return np.asarray(self.saddle_after_mm - self.measurement.saddle_mm)

    @property
    def nut_height_change_mm(self) -> FloatArray:
        """How far each nut slot's floor is moved, up is positive [mm], shape (K,)."""
        return np.asarray(self.nut_after_mm - self.measurement.nut_mm)

    def check(self) -> None:
        """Refuse what no plan can be: more metal off a crown than there is."""
        frets = self.removal_mm.shape[1]
        if any(fret > frets for fret in self.replaced_frets):
            raise ValueError("replaced_frets names a fret that is not there")
        whole_crown = self.removal_mm + self.crown_height_after_mm
        old = np.isin(np.arange(1, frets + 1), self.replaced_frets, invert=True)
        found = self.measurement.crown_height_mm
        if (np.abs(whole_crown - found)[:, old] > 1e-6).any():
            raise ValueError("removal_mm does not fit the crown heights before and after")


def before_work(after: Measurement, worked: Sequence[Plan]) -> Measurement:
    """Return readings with crowns as high as before some plans, oldest first, were worked."""
    found = after
    for plan in reversed(worked):
        found = before_filing(found, plan.measurement, plan.filed_mm)
    return found
