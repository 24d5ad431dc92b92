"""Readings that cannot be, and the slip that would explain them."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import Finding
from evenfall.instrument import Specification, StringLines
from evenfall.sheets.quantities import CROWN_LINE_LIMIT_MM, QUANTITIES
from evenfall.sheets.readings import at_places
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
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


STRAY_MM = 0.3
"""A crown further than this [mm] from a straight line through the crowns beside it is asked about
while a sheet is being filled in: twice what the bow of a usable neck or a lifted fret comes to over
so few frets (common practice, no source)."""

_NEAR = 8  # crowns beside one that the line goes through
_LINE = 4  # fewer make no line; their median then serves, for gross slips alone


def stray_crowns(readings: Sequence[Reading], lines: StringLines) -> list[Finding]:
    """Return the crowns read so far that stand off the others of their string: likely slips."""
    by_string: dict[int, dict[int, Reading]] = defaultdict(dict)
    for one in readings:
        if one.quantity == "crown_top":
            by_string[one.string][one.frets[0]] = one
    findings = []
    for string, read in sorted(by_string.items()):
        station_mm = lines.station_mm[string - 1]
        while worst := _furthest(read, station_mm):
            off_mm, fret = worst
            stray = read.pop(fret)
            text = (
                "The crown of string {string} at fret {fret} stands {off:length} {side} the ones "
                "beside it. Read it again: a digit, the sign, or another fret?"
            )
            at = at_places([stray.place], strings=(string,), frets=(fret,))
            findings.append(
                Finding(
                    "implausible",
                    text,
                    at,
                    string=string,
                    fret=fret,
                    off=abs(off_mm),
                    side=sentence("over") if off_mm > 0.0 else sentence("under"),
                )
            )
    return findings


def _on_line(x: FloatArray, y: FloatArray, at: float) -> float:
    """Return the height at a place of the Theil-Sen line through points.

    Written out: `scipy.stats.theilslopes` spends 1 ms on limits of confidence, and a sheet of 12
    crowns asks 12 times at each key.
    """
    apart = x[:, None] - x
    slope = np.median((y[:, None] - y)[apart > 0.0] / apart[apart > 0.0])
    return float(np.median(y) + slope * (at - np.median(x)))


def _furthest(read: dict[int, Reading], station_mm: FloatArray) -> tuple[float, int] | None:
    """Return by how much, and at which fret, a crown stands off most; None where none does."""
    found: list[tuple[float, float, int]] = []
    for fret, one in read.items():
        near = sorted((f for f in read if f != fret), key=lambda f: (abs(f - fret), f))[:_NEAR]
        if len(near) < 2:
            continue
        heights_mm = [read[f].value_mm for f in near]
        if len(near) < _LINE:
            expected, limit = sorted(heights_mm)[len(near) // 2], CROWN_LINE_LIMIT_MM
        else:
            expected = _on_line(station_mm[near], np.asarray(heights_mm), station_mm[fret])
            limit = STRAY_MM
        off_mm = one.value_mm - float(expected)
        found.append((abs(off_mm) / limit, off_mm, fret))
    share, off_mm, fret = max(found, default=(0.0, 0.0, 0))
    return (off_mm, fret) if share > 1.0 else None
