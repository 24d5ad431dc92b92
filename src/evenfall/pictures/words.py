"""What pictures say: sentences in the picture's unit, with the minus sign of print."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from evenfall.wording import say, sentence

if TYPE_CHECKING:
    from evenfall.units import LengthUnit
    from evenfall.wording import Value

_MINUS = re.compile(r"(?<![\w.])-(?=[\d.])")


def said(text: str, unit: LengthUnit = "mm", **values: Value) -> str:
    """Return a sentence with its values in words, see `evenfall.wording`."""
    return _MINUS.sub("−", say(sentence(text, **values), unit))


def length(length_mm: float, unit: LengthUnit) -> str:
    """Return a length with its unit."""
    return said("{length:length}", unit, length=float(length_mm))
