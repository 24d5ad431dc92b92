"""Readings that cannot be, and the slip that would explain them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from evenfall.errors import Finding
from evenfall.sheets.quantities import QUANTITIES
from evenfall.sheets.readings import at_places
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.sheets.readings import Reading

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
    """Return an error if a reading lies outside what its quantity can be; None if it does not."""
    quantity = QUANTITIES[reading.quantity]
    if quantity.low_mm <= reading.value_mm <= quantity.high_mm:
        return None
    return Finding(
        "implausible",
        "The {quantity} cannot be {value:length}, which lies outside {low:figure} to "
        "{high:length}{cure}.",
        at_places(
            [reading.place],
            field="value",
            strings=(reading.string,) if reading.string else (),
            frets=reading.frets[:1],
        ),
        "error",
        quantity=quantity.name,
        value=reading.value_mm,
        low=quantity.low_mm,
        high=quantity.high_mm,
        cure=_cure(reading, specification),
    )


def _cure(reading: Reading, specification: Specification) -> Sentence | str:
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
    _, fitting_mm, advice = min(tried)
    text = "; {fitting:length} would fit, so {advice}"
    return sentence(text, fitting=fitting_mm, advice=sentence(advice))


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
