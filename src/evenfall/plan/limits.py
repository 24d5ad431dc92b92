"""What a plan has to keep, where it is reached, and how far a setting may miss it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal, get_args

from evenfall.codec import Content
from evenfall.codec.forms import choice, content_dataclass, number, spoken, whole
from evenfall.codec.forms import part as piece
from evenfall.wording import Sentence, sentence

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


@content_dataclass()
class LimitReached(Content):
    """One limit of a plan, and where it is reached."""

    limit: LimitName = choice(get_args(LimitName), "the limit")
    side: Side = choice(get_args(Side), "which end of it; empty where it has one only")
    strings: tuple[int, ...] = whole(1, 12, "the strings concerned", "*")
    stopped_fret: int | None = whole(0, 36, "where the finger is, 0 = open string", null=None)
    fret: int | None = whole(1, 36, "the fret", null=None)
    past_mm: float = number(
        0.0, 10.0, "how far under the level line the fret goes for it", default=0.0
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


@content_dataclass()
class LeftOut(Content):
    """A limit that no setting at hand can meet; it is reported, and nothing makes up for it."""

    limit: LimitName = choice(get_args(LimitName), "the limit")
    strings: tuple[int, ...] = whole(1, 12, "the strings concerned", "*")
    said: Sentence = spoken("what keeps it from being met, and what would cure it")


@content_dataclass()
class Undecided(Content):
    """A position that holds by the readings, not for certain."""

    string: int = whole(1, 12, "the string")
    stopped_fret: int = whole(0, 36, "where the finger is, 0 = open string")
    fret: int = whole(1, 36, "the fret it may touch")
    u_mm: float = number(0.0, 100.0, "standard uncertainty of its clearance")
    deciding_u_mm: float = number(
        0.0, 100.0, "standard uncertainty of a crown reading that would decide"
    )


Setting = Literal["rod", "saddle", "nut", "file"]


@content_dataclass()
class Miss(Content):
    """How far one setting may miss the plan before the first requirement breaks."""

    setting: Setting = choice(
        get_args(Setting),
        "what is set: relief by the rod, height of saddle or of a slot's floor, a fret's crown",
    )
    strings: tuple[int, ...] = whole(1, 12, "the strings concerned", "*")
    frets: tuple[int, ...] = whole(1, 36, "the frets concerned", "*")
    less_mm: float = number(0.0, 1000.0, "how far it may come out lower; null: any", null=math.inf)
    more_mm: float = number(0.0, 1000.0, "how far it may come out higher; null: any", null=math.inf)
    allowance_mm: float = number(0.0, 10.0, "what the bench may miss")
    breaks: LimitReached | None = piece(
        LimitReached, "the requirement that breaks first", null=None
    )

    @property
    def room_mm(self) -> float:
        """The smaller of the two [mm]."""
        return min(self.less_mm, self.more_mm)

    @property
    def under_allowance(self) -> bool:
        """Whether the bench may miss by more than this."""
        return self.room_mm < self.allowance_mm
