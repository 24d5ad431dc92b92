"""Plan: what comes off which crossing, what is adjusted, and why; data only."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Literal, get_args

import numpy as np

from evenfall.arrays import CodeArray, FloatArray
from evenfall.codec import Content, FileContent
from evenfall.codec.forms import (
    NAN,
    Form,
    choice,
    derived,
    finding,
    hash_text,
    number,
    spoken,
    truth,
    whole,
)
from evenfall.codec.forms import part as piece
from evenfall.errors import Finding
from evenfall.gates import Accepted, CrossCheck, unmet
from evenfall.instrument.specification import Tool
from evenfall.measurement import Measurement
from evenfall.neck.stiffness import StiffnessOrigin
from evenfall.requirement import State
from evenfall.wording import Sentence, sentence

Status = Literal[
    "nothing", "settings", "cut", "lift", "new-wire", "ask", "read-again", "misfit", "short"
]
"""What a person does next: nothing; make the settings; cut; lift low frets; put in new wire; read a
second time to confirm; take readings again; choose other targets or another attack; take another
method, because this one leaves notes that fail."""

METHODS: dict[str, str] = {
    "adjust": "adjust only, no metal",
    "spot": "by file, on the fewest frets",
    "profile": "by machine, every crossing to its computed height",
    "level": "all that stands out, to the level line",
    "beam": "levelling beam by hand",
    "partial-refret": "replace the fewest frets",
    "refret": "plane the board, replace every fret",
    "least-metal": "every limit used to the full",
}
"""The methods, in the order of growing effort, with their name for people."""


def tool_of(method: str) -> Tool:
    """Return what a method takes metal off with."""
    return {"profile": "machine", "beam": "beam"}.get(method, "file")  # type: ignore[return-value]


LimitName = Literal[
    "clearance",
    "crown-height",
    "action",
    "first-fret-gap",
    "relief",
    "saddle-travel",
    "nut-travel",
    "across",
    "along",
    "smallest-cut",
    "unread",
    "heights",
]
"""What a plan has to keep: clearance under the attack, crown height to leave, the targets, the
travel of saddle and nut, the shape of the crown line across the strings and along them; no cut
under the smallest and none on a crown that was not read; heights that follow from what is done."""

Side = Literal["lower", "upper", ""]

Part = Literal["settings", "whole"]
"""Settings first, then a new reading, where rod or saddle move; or the whole work at once."""

Control = Literal["attack", "action", "relief"]
"""What a person may choose, so that it has a price."""

LEAST_SHOWN_MM = 5e-4
"""Less than this is not called work on a fret: it shows as zero in every table [mm]."""

_HEIGHT = (-1000.0, 1000.0)
_GAP = (-100.0, 100.0)
_FORCE = (-1e6, 1e6)
_CROWN = (-1e-6, 20.0)
_METAL = (0.0, 5000.0)
_CENTS = (-2400.0, 2400.0)


@dataclass(frozen=True, slots=True, eq=False)
class LimitReached(Content):
    """One limit of a plan, and where it is reached."""

    limit: LimitName = field(metadata=choice(get_args(LimitName), "the limit"))
    side: Side = field(
        metadata=choice(get_args(Side), "which end of it; empty where it has one only")
    )
    strings: tuple[int, ...] = field(metadata=whole(1, 12, "the strings concerned", "*"))
    stopped_fret: int | None = field(
        metadata=whole(0, 36, "where the finger is, 0 = open string", null=None)
    )
    fret: int | None = field(metadata=whole(1, 36, "the fret", null=None))
    past_mm: float = field(
        default=0.0,
        metadata=number(0.0, 10.0, "how far under the level line the fret goes for it"),
    )

    @property
    def noun(self) -> Sentence:
        """The limit as a noun, without an article."""
        return sentence(_NOUNS[self.limit], on=self.strings, fret=self.fret)

    @property
    def said(self) -> Sentence:
        """What is reached, as a sentence."""
        if self.limit == "clearance":
            note = (self.strings[0], self.stopped_fret or 0)
            text = "Fret {fret} comes down for {note:stopped}."
            if self.past_mm:
                text = "Fret {fret} goes {past:length} under the level line for {note:stopped}."
            return sentence(text, fret=self.fret, note=note, past=self.past_mm)
        ends = _TRAVEL_ENDS if self.limit in ("saddle-travel", "nut-travel") else _ENDS
        return sentence("The {noun} is at {end}.", noun=self.noun, end=ends[self.side])


_NOUNS: Mapping[LimitName, str] = {
    "clearance": "clearance of {on:strings} over fret {fret}",
    "crown-height": "crown height of fret {fret} under {on:strings}",
    "action": "action of {on:strings}",
    "first-fret-gap": "first-fret gap of {on:strings}",
    "relief": "relief",
    "saddle-travel": "saddle at {on:strings}",
    "nut-travel": "nut slot of {on:strings}",
    "across": "bend of the crown line across the strings",
    "along": "step of removal from fret to fret",
    "smallest-cut": "cut of fret {fret} under {on:strings}",
    "unread": "crown of fret {fret} under {on:strings}, which was not read",
    "heights": "height of fret {fret} under {on:strings}",
}
_ENDS: Mapping[Side, str] = {
    "lower": "its lower limit",
    "upper": "its upper limit",
    "": "its limit",
}
_TRAVEL_ENDS: Mapping[Side, str] = {
    "lower": "the lower end of its travel",
    "upper": "the upper end of its travel",
    "": "the end of its travel",
}


@dataclass(frozen=True, slots=True, eq=False)
class Price(Content):
    """What one step of a control would save in metal, planned again by the same rules."""

    control: Control = field(metadata=choice(get_args(Control), "the control"))
    step: float = field(metadata=number(-100.0, 100.0, "the step that the price is for"))
    unit: Literal["mm", "percent"] = field(metadata=choice(("mm", "percent"), "unit of the step"))
    metal_mm: float = field(metadata=number(*_METAL, "metal that the step would save"))

    @property
    def said(self) -> Sentence:
        """The price as a sentence."""
        return sentence(_PRICES[self.control], step=abs(self.step), metal=self.metal_mm)


_SAVED = " would save {metal:length} of metal."
_PRICES: Mapping[Control, str] = {
    "attack": "A {step:g} % lighter attack" + _SAVED,
    "action": "{step:length} more action" + _SAVED,
    "relief": "{step:length} more relief" + _SAVED,
}


@dataclass(frozen=True, slots=True, eq=False)
class MethodResult(Content):
    """What one method would reach; numbers are NaN where it leaves notes that fail."""

    method: str = field(metadata=choice(METHODS, "the method"))
    holds: bool = field(metadata=truth("whether every note is clear, or as good as level frets"))
    metal_mm: float = field(
        metadata=number(*_METAL, "removal, summed over all crossings", null=NAN)
    )
    frets_touched: int = field(metadata=whole(0, 36, "how many frets are cut"))
    frets_replaced: int = field(metadata=whole(0, 36, "how many frets get new wire"))
    lowest_crown_mm: float = field(metadata=number(*_CROWN, "lowest crown after work", null=NAN))
    life_used: float = field(
        metadata=number(0.0, 1.0, "largest share of fret life used at any crossing", null=NAN)
    )
    lowest_margin_percent: float = field(
        metadata=number(
            -1e9,
            1e9,
            "lowest buzz force after work over the player's attack; null at no attack",
            null=NAN,
        )
    )
    lowest_touch_margin_percent: float = field(
        metadata=number(-1e9, 1e9, "the same of the touch force", null=NAN)
    )
    minutes: float = field(metadata=number(0.0, 1e5, "estimated bench time [min]", null=NAN))
    risks: tuple[Sentence, ...] = field(metadata=spoken("what can go wrong", "*"))
    remark: Sentence | None = field(
        metadata=spoken("why it does not hold, or how it was found", null=None)
    )


@dataclass(frozen=True, slots=True, eq=False)
class Outlook(Content):
    """How far the neck may move before the plan no longer holds, and what would move it."""

    relief_low_mm: float = field(
        metadata=number(*_HEIGHT, "lowest relief at which the plan holds", null=-math.inf)
    )
    relief_high_mm: float = field(
        metadata=number(*_HEIGHT, "highest relief at which the plan holds", null=math.inf)
    )
    low_end: LimitReached | None = field(
        metadata=piece(LimitReached, "the limit that ends it first at less relief", null=None)
    )
    high_end: LimitReached | None = field(
        metadata=piece(LimitReached, "the limit that ends it first at more relief", null=None)
    )
    tension_less_n: float = field(
        metadata=number(
            0.0,
            1e9,
            "by how much the strings may pull less, in all, with 2 u of the neck's stiffness "
            "counted",
            null=math.inf,
        )
    )
    tension_more_n: float = field(
        metadata=number(0.0, 1e9, "by how much they may pull more", null=math.inf)
    )
    humidity_percent: float = field(
        metadata=number(0.0, 100.0, "relative humidity of the air during the readings")
    )
    humidity_noted: bool = field(metadata=truth("whether it was noted, or the usual one is taken"))
    humidity_low_percent: float = field(
        metadata=number(
            0.0,
            100.0,
            "lowest humidity at which the plan holds once the wood rests in it, 2 u counted",
        )
    )
    humidity_high_percent: float = field(
        metadata=number(0.0, 100.0, "highest humidity at which it holds")
    )
    rod_turns_count: float = field(
        metadata=number(
            -1e6,
            1e6,
            "turns of the truss rod for the change of relief, tightening is positive; "
            "null while no turn was measured",
            null=NAN,
        )
    )
    rod_turns_u_count: float = field(
        metadata=number(0.0, 1e6, "standard uncertainty of the turns", null=NAN)
    )
    stiffness: StiffnessOrigin = field(
        metadata=choice(get_args(StiffnessOrigin), "where the neck's stiffness comes from")
    )


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut(Content):
    """A limit that no setting at hand can meet; it is reported, and nothing makes up for it."""

    limit: LimitName = field(metadata=choice(get_args(LimitName), "the limit"))
    strings: tuple[int, ...] = field(metadata=whole(1, 12, "the strings concerned", "*"))
    said: Sentence = field(metadata=spoken("what keeps it from being met, and what would cure it"))


@dataclass(frozen=True, slots=True, eq=False)
class ReadFirst(Content):
    """A fret that would be cut and was not read under every string, or whose height was not."""

    fret: int = field(metadata=whole(1, 36, "the fret"))
    strings: tuple[int, ...] = field(metadata=whole(1, 12, "under which it is to be read", "*"))
    metal_mm: float = field(metadata=number(*_METAL, "metal that hangs on it"))
    height: bool = field(
        default=False, metadata=truth("whether its crown height over the board is to be read")
    )

    @property
    def said(self) -> Sentence:
        """What to read, and why."""
        text = "Read fret {fret} under {on:strings} first: {metal:length} of metal hangs on it."
        if self.height:
            text = (
                "Read the crown height of fret {fret}{tops} first: nobody knows how much crown it "
                "has. If the frets are new, state new = true under [fretwire]."
            )
        under = sentence(", and its top under {on:strings},", on=self.strings)
        tops = under if self.strings else ""
        return sentence(text, fret=self.fret, on=self.strings, metal=self.metal_mm, tops=tops)


@dataclass(frozen=True, slots=True, eq=False)
class LowFrets(Content):
    """Frets that lie low: to lift them would spare the others a cut."""

    frets: tuple[int, ...] = field(metadata=whole(1, 36, "the low frets", "*"))
    worn: bool = field(metadata=truth("whether their crowns are worn, so that only new wire helps"))
    recommended: bool = field(metadata=truth("whether it is recommended instead of the cut"))
    metal_mm: float = field(metadata=number(*_METAL, "removal that would be left to do"))
    frets_cut: int = field(metadata=whole(0, 36, "frets that would be left to cut"))

    @property
    def said(self) -> Sentence:
        """What to do with them."""
        left = sentence("nothing has to be cut then")
        if self.frets_cut:
            left = sentence(
                "{metal:length} on {cut:count fret} is then left to cut",
                metal=self.metal_mm,
                cut=self.frets_cut,
            )
        return sentence(
            "New wire on {frets:frets}: {left}."
            if self.worn
            else "Lift or re-seat {frets:frets}, else new wire there: {left}.",
            frets=self.frets,
            left=left,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Undecided(Content):
    """A position that holds by the readings, not for certain."""

    string: int = field(metadata=whole(1, 12, "the string"))
    stopped_fret: int = field(metadata=whole(0, 36, "where the finger is, 0 = open string"))
    fret: int = field(metadata=whole(1, 36, "the fret it may touch"))
    u_mm: float = field(metadata=number(0.0, 100.0, "standard uncertainty of its clearance"))
    deciding_u_mm: float = field(
        metadata=number(0.0, 100.0, "standard uncertainty of a crown reading that would decide")
    )


Setting = Literal["rod", "saddle", "nut", "file"]


@dataclass(frozen=True, slots=True, eq=False)
class Miss(Content):
    """How far one setting may miss the plan before the first requirement breaks."""

    setting: Setting = field(
        metadata=choice(
            get_args(Setting),
            "what is set: relief by the rod, height of saddle or of a slot's floor, a fret's crown",
        )
    )
    strings: tuple[int, ...] = field(metadata=whole(1, 12, "the strings concerned", "*"))
    frets: tuple[int, ...] = field(metadata=whole(1, 36, "the frets concerned", "*"))
    less_mm: float = field(
        metadata=number(0.0, 1000.0, "how far it may come out lower; null: any", null=math.inf)
    )
    more_mm: float = field(
        metadata=number(0.0, 1000.0, "how far it may come out higher; null: any", null=math.inf)
    )
    allowance_mm: float = field(metadata=number(0.0, 10.0, "what the bench may miss"))
    breaks: LimitReached | None = field(
        metadata=piece(LimitReached, "the requirement that breaks first", null=None)
    )

    @property
    def room_mm(self) -> float:
        """The smaller of the two [mm]."""
        return min(self.less_mm, self.more_mm)

    @property
    def under_allowance(self) -> bool:
        """Whether the bench may miss by more than this."""
        return self.room_mm < self.allowance_mm


@dataclass(frozen=True, slots=True, eq=False)
class Rock(Content):
    """What a rocker shows over a fret before it is filed, with rod, nut and saddle set."""

    fret: int = field(metadata=whole(1, 36, "the fret to be filed"))
    string: int = field(metadata=whole(1, 12, "the string where its cut is deepest"))
    over: tuple[int, ...] = field(metadata=whole(1, 36, "the three frets under the rocker", "*"))
    shows_mm: float = field(
        metadata=number(
            *_GAP,
            "how far the crown in the middle stands over the line of the outer two; negative: gap",
        )
    )
    band_mm: float = field(metadata=number(0.0, 100.0, "by how much the reading may differ"))
    least_mm: float = field(
        metadata=number(
            *_GAP, "stop where it shows less than this; null for small cuts", null=math.nan
        )
    )


@dataclass(frozen=True, slots=True, eq=False)
class Confirmation(Content):
    """What a second reading says of a plan that asks for one before metal comes off."""

    agrees: bool = field(metadata=truth("whether it agrees within the uncertainty of both"))
    said: Sentence = field(metadata=spoken("in what it agrees, or where it does not"))
    measurement_hash: str = field(metadata=hash_text("hash of the second measurement"))


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


@dataclass(frozen=True, slots=True, eq=False)
class Plan(FileContent):
    """What to do to one instrument with K strings and F frets.

    Gaps and forces are those of the crowns as they are taken: where a crown does not stand out from
    the level line, it lies on it. Relief is that of the bow alone.
    """

    KIND: ClassVar = "plan"
    VERSION: ClassVar = 0
    AGAIN: ClassVar = sentence("make the plan again with {door_plan}")
    PRINTED: ClassVar = ("findings", "motion")
    DERIVED: ClassVar[Mapping[str, Form]] = derived(
        lowest_crown_mm=number(*_CROWN, "lowest crown after work"),
        saddle_height_change_mm=number(*_HEIGHT, "how far each saddle moves, up is positive", "K"),
        nut_height_change_mm=number(
            *_HEIGHT, "how far each nut slot's floor is moved, up is positive", "K"
        ),
    )

    status: Status = field(
        metadata=choice(
            get_args(Status),
            "what a person does next: nothing; the settings; cut; lift low frets; new wire; read a "
            "second time to confirm; take readings again; choose other targets or another attack; "
            "take another method",
        )
    )
    method: str = field(metadata=choice(METHODS, "the method"))
    metal_mm: float = field(metadata=number(*_METAL, "removal, summed over all crossings"))
    duality_gap_mm: float = field(
        metadata=number(
            0.0, 1.0, "duality gap of the linear program; null for the other methods", null=NAN
        )
    )
    largest_violation_mm: float = field(
        metadata=number(0.0, 1.0, "largest violation of any limit found by an independent check")
    )
    smallest_cut_mm: float = field(
        metadata=number(0.0, 10.0, "smallest cut of the method: no cut is under it")
    )
    attack_n: FloatArray = field(
        metadata=number(0.0, 1000.0, "design attack: the attack that the plan is made for", "K")
    )
    removal_mm: FloatArray = field(
        metadata=number(0.0, 20.0, "metal that comes off, by fret", "K F")
    )
    crown_top_after_mm: FloatArray = field(
        metadata=number(*_HEIGHT, "crown tops over the datum after the work, by fret", "K F")
    )
    lifted_mm: FloatArray = field(
        metadata=number(*_GAP, "by how much low frets are to be lifted", "K F")
    )
    level_mm: FloatArray = field(
        metadata=number(*_HEIGHT, "level line: where level crowns would stand, as found", "K F")
    )
    stands_out_mm: FloatArray = field(
        metadata=number(*_GAP, "how far each crown stands over it, 0 where it is level", "K F")
    )
    level_after_mm: FloatArray = field(
        metadata=number(*_HEIGHT, "level line with the settings of the plan", "K F")
    )
    stands_out_after_mm: FloatArray = field(
        metadata=number(*_GAP, "how far each crown stands over it after the work", "K F")
    )
    state_before: CodeArray = field(
        metadata=whole(0, 3, _STATES + "as found", "K F", array=np.int8)
    )
    state_after: CodeArray = field(
        metadata=whole(0, 3, _STATES + "after the work", "K F", array=np.int8)
    )
    crown_height_after_mm: FloatArray = field(
        metadata=number(*_CROWN, "crown heights over the board after the work, by fret", "K F")
    )
    replaced_frets: tuple[int, ...] = field(metadata=whole(1, 36, "frets that get new wire", "*"))
    nut_after_mm: FloatArray = field(
        metadata=number(*_HEIGHT, "floor of each nut slot over the datum after the work", "K")
    )
    saddle_after_mm: FloatArray = field(
        metadata=number(*_HEIGHT, "top of the saddle at each string after the work", "K")
    )
    relief_before_mm: float = field(metadata=number(*_GAP, "relief as found, of the bow alone"))
    relief_change_mm: float = field(
        metadata=number(*_GAP, "change of relief that the truss rod makes, more is positive")
    )
    relief_after_mm: float = field(metadata=number(*_GAP, "relief after the work"))
    action_before_mm: FloatArray = field(
        metadata=number(
            *_GAP, "open string over the reference fret on the level line, as found", "K"
        )
    )
    action_after_mm: FloatArray = field(metadata=number(*_GAP, "the same after the work", "K"))
    first_fret_gap_before_mm: FloatArray = field(
        metadata=number(*_GAP, "open string over fret 1 on the level line, as found", "K")
    )
    first_fret_gap_after_mm: FloatArray = field(
        metadata=number(*_GAP, "the same after the work", "K")
    )
    buzz_force_before_n: FloatArray = field(
        metadata=number(
            *_FORCE,
            "buzz force as found, by stopped fret from 0 (open) to F - 1: from it on already the "
            "first swing touches; negative if it touches at rest",
            "K F",
        )
    )
    buzz_force_after_n: FloatArray = field(
        metadata=number(*_FORCE, "buzz force after the work, by stopped fret", "K F")
    )
    touch_force_before_n: FloatArray = field(
        metadata=number(
            *_FORCE,
            "touch force as found, by stopped fret: from it on the string touches at any time",
            "K F",
        )
    )
    touch_force_after_n: FloatArray = field(
        metadata=number(*_FORCE, "touch force after the work, by stopped fret", "K F")
    )
    life_used: float = field(
        metadata=number(0.0, 1.0, "largest share of fret life used at any crossing")
    )
    bow_mm_per_mm: FloatArray = field(
        metadata=number(
            -1000.0,
            1000.0,
            "what one millimetre more relief does to each crown's height over "
            "the line from nut to saddle",
            "K F",
        )
    )
    pitch_change_cents: FloatArray = field(
        metadata=number(
            *_CENTS, "how much sharper each stopped note becomes, cut frets crowned again", "K F"
        )
    )
    pitch_uncrowned_cents: FloatArray = field(
        metadata=number(*_CENTS, "the same as long as the cut frets are flat", "K F")
    )
    binding: tuple[LimitReached, ...] = field(
        metadata=piece(LimitReached, "clearances that each cut is made for, least room first", "*")
    )
    prices: tuple[Price, ...] = field(
        metadata=piece(Price, "what one step of a control would save in metal", "*")
    )
    methods: tuple[MethodResult, ...] = field(
        metadata=piece(MethodResult, "what each method that was tried would reach", "*")
    )
    outlook: Outlook = field(metadata=piece(Outlook, "how far the neck may move"))
    recommended: str = field(
        metadata=choice(("", *METHODS), "the method that the program would take; empty for none")
    )
    reason: Sentence = field(metadata=spoken("why"))
    measurement: Measurement = field(
        metadata=piece(
            Measurement,
            "the readings that the plan is for, with the specification",
        )
    )
    part: Part = field(
        default="whole",
        metadata=choice(
            get_args(Part),
            "the settings alone, cuts being a preview until the next reading; or the whole work",
        ),
    )
    reasons: tuple[Sentence, ...] = field(
        default=(), metadata=spoken("why each setting moves, or stays though it should move", "*")
    )
    left_out: tuple[LeftOut, ...] = field(
        default=(), metadata=piece(LeftOut, "limits that the settings at hand cannot meet", "*")
    )
    misfit: Sentence | None = field(
        default=None,
        metadata=spoken("how attack and targets do not fit each other, and what would", null=None),
    )
    read_first: tuple[ReadFirst, ...] = field(
        default=(), metadata=piece(ReadFirst, "frets to read before they may be cut", "*")
    )
    no_room_frets: tuple[int, ...] = field(
        default=(), metadata=whole(1, 36, "frets with too little crown for what should go", "*")
    )
    unread_frets: tuple[int, ...] = field(
        default=(), metadata=whole(1, 36, "frets that were not read under every string", "*")
    )
    low_frets: LowFrets | None = field(
        default=None, metadata=piece(LowFrets, "low frets to lift or replace", null=None)
    )
    ask: tuple[Sentence, ...] = field(
        default=(), metadata=spoken("what a second reading has to confirm before metal", "*")
    )
    confirmation: Confirmation | None = field(
        default=None, metadata=piece(Confirmation, "what a second reading says", null=None)
    )
    undecided: tuple[Undecided, ...] = field(
        default=(), metadata=piece(Undecided, "positions that hold, not for certain", "*")
    )
    misses: tuple[Miss, ...] = field(
        default=(), metadata=piece(Miss, "how far each setting may miss the plan", "*")
    )
    rocker: tuple[Rock, ...] = field(
        default=(), metadata=piece(Rock, "what a rocker shows over each fret to be filed", "*")
    )
    level_clear_percent: float = field(
        default=math.nan,
        metadata=number(
            -1e9,
            1e9,
            "up to which part of the design attack level frets stay clear; null at no attack",
            null=NAN,
        ),
    )
    least_metal_mm: float = field(
        default=math.nan,
        metadata=number(
            *_METAL,
            "removal with every limit used to the full; null where that saves under 30 %",
            null=NAN,
        ),
    )
    budget_mm: float = field(
        default=math.nan,
        metadata=number(
            *_METAL,
            "metal that might come off, where the design attack is what that buys; null without",
            null=NAN,
        ),
    )
    gates: tuple[Finding, ...] = field(
        default=(),
        metadata=finding("what in the readings has to be read again, or accepted, before a cut"),
    )
    accepted: tuple[Accepted, ...] = field(
        default=(), metadata=piece(Accepted, "what of that was accepted as it is, and why", "*")
    )
    checks: tuple[CrossCheck, ...] = field(
        default=(),
        metadata=piece(CrossCheck, "readings by hand beside what the heights give", "*"),
    )

    @property
    def cuts_now(self) -> bool:
        """Whether metal may come off now; if not, what there is to cut is a preview."""
        return self.status == "cut" or (self.status == "new-wire" and bool(self.replaced_frets))

    @property
    def failing(self) -> int:
        """How many notes still fail once everything is done."""
        return int((self.state_after == State.FAILS).sum())

    @property
    def headline(self) -> Sentence:
        """What the plan comes to, in one sentence."""
        if self.status == "misfit" and self.misfit is not None:
            return self.misfit
        headline = _HEADLINES[self.status]
        if self.status == "settings" and self.part == "settings":
            headline = _SET_FIRST if self.metal_mm else _SET_ONLY
        elif self.status == "read-again" and not unmet(self.gates, self.accepted):
            headline = _TO_READ
        elif (self.state_after == State.AS_GOOD).any():
            headline = _HEADLINES_AS_GOOD.get(self.status, headline)
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
    def _cure(self) -> Sentence:
        """What cures the notes that level frets would not: of open strings alone, their slots."""
        strings, stops = np.nonzero(self.state_after == State.AS_GOOD)
        nuts = {k for one in self.left_out if one.limit == "clearance" for k in one.strings}
        if not stops.any() and {int(k) + 1 for k in strings} <= nuts:
            return sentence("a higher nut slot at {on:strings}", on=tuple(sorted(nuts)))
        return sentence("more action, more relief or a lighter attack")

    @property
    def next_step(self) -> Sentence:
        """What to do now."""
        if self.status == "read-again" and not unmet(self.gates, self.accepted):
            return sentence("Add what is listed to the readings, and plan again.")
        if self.status == "settings" and self.part == "whole":
            return sentence("Make the settings, tune, read again and run {door_prove}.")
        if self.status == "new-wire" and not self.replaced_frets:
            return sentence(
                "Plan with {door_method} partial-refret: it finds the frets to replace."
            )
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
