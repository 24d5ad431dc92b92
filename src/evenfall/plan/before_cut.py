"""What stands before a cut: readings, frets to lift, the rocker, a second reading."""

from __future__ import annotations

import math

from evenfall.codec import Content
from evenfall.codec.forms import content_dataclass, hash_text, number, spoken, truth, whole
from evenfall.plan.ranges import GAP, METAL
from evenfall.wording import Sentence, sentence


@content_dataclass()
class ReadFirst(Content):
    """A fret that would be cut and was not read under every string, or whose height was not."""

    fret: int = whole(1, 36, "the fret")
    strings: tuple[int, ...] = whole(1, 12, "under which it is to be read", "*")
    metal_mm: float = number(*METAL, "metal that hangs on it")
    height: bool = truth("whether its crown height over the board is to be read", default=False)

    @property
    def said(self) -> Sentence:
        """What to read, and why."""
        text = "Read fret {fret} under {on:strings} first: {metal:length} of metal depends on it."
        if self.height:
            text = (
                "Read the crown height of fret {fret}{tops} first: how much crown it has is "
                "not known. If the frets are new, state new = true under [fretwire]."
            )
        under = sentence(", and its top under {on:strings},", on=self.strings)
        tops = under if self.strings else ""
        return sentence(text, fret=self.fret, on=self.strings, metal=self.metal_mm, tops=tops)


@content_dataclass()
class LowFrets(Content):
    """Frets that lie low: to lift them would spare the others a cut."""

    frets: tuple[int, ...] = whole(1, 36, "the low frets", "*")
    worn: bool = truth("whether their crowns are worn, so that only new wire helps")
    recommended: bool = truth("whether it is recommended instead of the cut")
    metal_mm: float = number(*METAL, "removal that would be left to do")
    frets_cut: int = whole(0, 36, "frets that would be left to cut")

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


@content_dataclass()
class Rock(Content):
    """What a rocker shows over a fret before it is filed, with rod, nut and saddle set."""

    fret: int = whole(1, 36, "the fret to be filed")
    string: int = whole(1, 12, "the string where its cut is deepest")
    over: tuple[int, ...] = whole(1, 36, "the three frets under the rocker", "*")
    shows_mm: float = number(
        *GAP, "how far the crown in the middle stands over the line of the outer two; negative: gap"
    )
    band_mm: float = number(0.0, 100.0, "by how much the reading may differ")
    least_mm: float = number(
        *GAP, "stop where it shows less than this; null for small cuts", null=math.nan
    )


@content_dataclass()
class Confirmation(Content):
    """What a second reading says of a plan that asks for one before metal comes off."""

    agrees: bool = truth("whether it agrees within the uncertainty of both")
    said: Sentence = spoken("in what it agrees, or where it does not")
    measurement_hash: str = hash_text("hash of the second measurement")
