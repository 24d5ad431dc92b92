"""Words and figures of a page, in the unit that was chosen and, if both are shown, in the other."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

from evenfall.units import LengthUnit, length_text, uncertainty_text
from evenfall.wording import Sentence, say


class Figures:
    """A page's way with lengths: its unit, and the other one in small or none."""

    def __init__(self, unit: LengthUnit, *, both: bool) -> None:
        self.unit: LengthUnit = unit
        self.beside: LengthUnit | None = ("in" if unit == "mm" else "mm") if both else None

    def say(self, said: Sentence | str) -> str:
        """Return a sentence in words."""
        return say(said, self.unit)

    def figure(self, length_mm: float, *, never_zero: bool = False) -> str:
        """Return a length [mm] as a number; what is there never reads as zero if so asked."""
        return _figure(length_mm, self.unit, never_zero=never_zero)

    def small(self, length_mm: float, *, never_zero: bool = False) -> str:
        """Return the same in the other unit; empty where only one is shown."""
        return _figure(length_mm, self.beside, never_zero=never_zero) if self.beside else ""

    def plain(self, value: object) -> Any:
        """Return what a page says as plain values, every sentence in words."""
        if isinstance(value, Sentence):
            return self.say(value)
        if is_dataclass(value):
            return {one.name: self.plain(getattr(value, one.name)) for one in fields(value)}
        if isinstance(value, tuple):
            return [self.plain(one) for one in value]
        return value


def _figure(length_mm: float, unit: LengthUnit, *, never_zero: bool) -> str:
    told = uncertainty_text if never_zero else length_text
    return told(length_mm, unit).removesuffix(f" {unit}")
