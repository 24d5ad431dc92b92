"""What pictures say: sentences in the picture's unit, with the minus sign of print."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from evenfall.wording import say, sentence

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.units import LengthUnit
    from evenfall.wording import Value

_MINUS = re.compile(r"(?<![\w.])-(?=[\d.])")


def said(text: str, unit: LengthUnit = "mm", **values: Value) -> str:
    """Return a sentence with its values in words, see `evenfall.wording`."""
    return _MINUS.sub("−", say(sentence(text, **values), unit))


def figure(number: float, digits: int, *, signed: bool = False) -> str:
    """Return a number with so many digits after the point, and never a negative zero."""
    return f"{round(number, digits) + 0.0:{'+' * signed}.{digits}f}".replace("-", "−")


def titled(specification: Specification, serial: str, what: str) -> str:
    """Return the title of a picture: model and serial, which say so if invented, and what it is."""
    return f"{', '.join(name for name in (specification.name, serial) if name)}: {what}"


def length(length_mm: float, unit: LengthUnit) -> str:
    """Return a length with its unit."""
    return said("{length:length}", unit, length=float(length_mm))
