"""Readings by hand beside the heights: whether two ways to one figure agree."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from evenfall.codec import Content
from evenfall.codec.forms import choice, number, truth, whole
from evenfall.wording import Sentence, sentence

_GAP = (-1000.0, 1000.0)


@dataclass(frozen=True, slots=True, eq=False)
class CrossCheck(Content):
    """One figure read directly, and the same worked out from the heights."""

    quantity: Literal["action", "relief", "crown-top"] = field(
        metadata=choice(("action", "relief", "crown-top"), "what was compared")
    )
    string: int = field(metadata=whole(0, 12, "string; 0 if for all"))
    fret: int = field(metadata=whole(1, 36, "fret"))
    by_hand_mm: float = field(metadata=number(*_GAP, "as read directly"))
    by_heights_mm: float = field(metadata=number(*_GAP, "as the heights give it"))
    u_mm: float = field(metadata=number(0.0, 1000.0, "standard uncertainty of the difference"))
    agrees: bool = field(metadata=truth("whether the two agree"))

    @property
    def said(self) -> Sentence:
        """The comparison as a sentence."""
        return sentence(
            _WORDS[self.quantity],
            string=self.string,
            fret=self.fret,
            hand=self.by_hand_mm,
            heights=self.by_heights_mm,
        )


_WORDS = {
    "action": "Action of string {string} at fret {fret}: by hand {hand:length}, by the heights "
    "{heights:length}.",
    "relief": "Relief at fret {fret}: by straightedge {hand:length}, by the heights "
    "{heights:length}.",
    "crown-top": "Crown at fret {fret}, string {string}: read again {hand:length}, at first "
    "{heights:length}.",
}
