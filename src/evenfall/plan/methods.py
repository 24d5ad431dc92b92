"""The methods of work, what each would reach, and what a step of a control would save."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, get_args

from evenfall.codec import Content
from evenfall.codec.forms import NAN, choice, content_dataclass, number, spoken, truth, whole
from evenfall.instrument.specification import Tool
from evenfall.plan.ranges import CROWN, METAL
from evenfall.wording import Sentence, sentence

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


@content_dataclass()
class MethodResult(Content):
    """What one method would reach; numbers are NaN where it leaves notes that fail."""

    method: str = choice(METHODS, "the method")
    holds: bool = truth("whether every note is clear, or as good as level frets")
    metal_mm: float = number(*METAL, "removal, summed over all crossings", null=NAN)
    frets_touched: int = whole(0, 36, "how many frets are cut")
    frets_replaced: int = whole(0, 36, "how many frets get new wire")
    lowest_crown_mm: float = number(*CROWN, "lowest crown after work", null=NAN)
    life_used: float = number(0.0, 1.0, "largest share of fret life used at any crossing", null=NAN)
    lowest_margin_percent: float = number(
        -1e9,
        1e9,
        "lowest of buzz force after work over the player's attack; null at no attack",
        null=NAN,
    )
    lowest_touch_margin_percent: float = number(-1e9, 1e9, "the same of the touch force", null=NAN)
    minutes: float = number(0.0, 1e5, "estimated bench time [min]", null=NAN)
    risks: tuple[Sentence, ...] = spoken("what can go wrong", "*")
    remark: Sentence | None = spoken("why it does not hold, or how it was found", null=None)


Control = Literal["attack", "action", "relief"]
"""What a person may choose, so that it has a price."""


@content_dataclass()
class Price(Content):
    """What one step of a control would save in metal, planned again by the same rules."""

    control: Control = choice(get_args(Control), "the control")
    step: float = number(-100.0, 100.0, "the step that the price is for")
    unit: Literal["mm", "percent"] = choice(("mm", "percent"), "unit of the step")
    metal_mm: float = number(*METAL, "metal that the step would save")

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
