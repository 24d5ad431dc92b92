"""Readings that cannot be, and the slip that would explain them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from evenfall.errors import Finding
from evenfall.sheets.quantities import QUANTITIES
from evenfall.units import length_text

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.sheets.rows import Reading

#: By how much a value slips when a unit or a decimal point is mistaken, and what happened then.
_SLIPS: tuple[tuple[float, str], ...] = (
    (10.0, "check the decimal point"),
    (0.1, "check the decimal point"),
    (25.4, "check whether it was read in inches"),
    (1 / 25.4, "check whether it was read in mm"),
    (100.0, "check the decimal point"),
    (0.01, "check the decimal point"),
    (1000.0, "check the unit"),
    (0.001, "check the unit"),
)


def implausible(reading: Reading, specification: Specification) -> Finding | None:
    """Return an error if a reading lies outside what its quantity can be; None if it does not.

    Parameters
    ----------
    reading
        The reading.
    specification
        The instrument.
    """
    quantity, value_mm = QUANTITIES[reading.quantity], reading.value_mm
    if quantity.low_mm <= value_mm <= quantity.high_mm:
        return None
    low, high = length_text(quantity.low_mm), length_text(quantity.high_mm)
    value = length_text(value_mm) if abs(value_mm) < 1e6 else f"{value_mm:.3g} mm"
    sentence = (
        f"The {quantity.name} cannot be {value}, which lies outside {low} to {high}"
        f"{_mending(reading, specification)}."
    )
    return Finding("implausible", sentence, str(reading.place), "error")


def _mending(reading: Reading, specification: Specification) -> str:
    """Say which slip would explain an impossible value: the one that leads nearest to the usual."""
    quantity, value_mm = QUANTITIES[reading.quantity], reading.value_mm
    usual_mm = _usual_mm(reading, specification)
    tried = [
        (abs(math.log(value_mm * factor / usual_mm)), value_mm * factor, advice)
        for factor, advice in _SLIPS
        if value_mm > 0.0 and quantity.low_mm < value_mm * factor <= quantity.high_mm
    ]
    if quantity.over_datum or not tried:
        return ""
    _, mended_mm, advice = min(tried)
    return f"; {length_text(mended_mm)} would fit, so {advice}"


def _usual_mm(reading: Reading, specification: Specification) -> float:
    """Return what such a reading is expected to be on this instrument [mm], always positive."""
    target = specification.target
    action = target.first_fret_gap if reading.frets and reading.frets[0] <= 2 else target.action
    usual_mm = {
        "action": action[0].value_mm,
        "relief": target.relief.value_mm,
        "crown_height": specification.fretwire.crown_height_mm,
        "string_spacing": specification.board.string_spread_nut_mm,
    }.get(reading.quantity, 0.1)
    return max(usual_mm, 0.01)
