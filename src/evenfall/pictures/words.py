"""What pictures say: sentences in the picture's unit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from evenfall.units import LengthUnit
from evenfall.wording import Value, say, sentence

if TYPE_CHECKING:
    from evenfall.instrument import Specification


def said(text: str, unit: LengthUnit = "mm", **values: Value) -> str:
    """Return a sentence with its values in words, see `evenfall.wording`."""
    return say(sentence(text, **values), unit)


def titled(specification: Specification, serial: str, what: str) -> str:
    """Return the title of a picture: model and serial, which say so if invented, and what it is."""
    return f"{', '.join(name for name in (specification.name, serial) if name)}: {what}"


def began(text: str) -> str:
    """Return a name as the beginning of a title or caption, its first letter large."""
    return text[:1].upper() + text[1:]


def unit_shown(unit_of_values: str, unit: LengthUnit) -> str:
    """Return the unit that values are drawn in: of lengths the picture's, else their own."""
    return unit if unit_of_values == "mm" else unit_of_values


def length(length_mm: float, unit: LengthUnit) -> str:
    """Return a length with its unit."""
    return said("{length:length}", unit, length=float(length_mm))
