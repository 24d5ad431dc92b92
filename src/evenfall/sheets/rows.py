"""From the cells of one row to readings, or to one sentence about what is wrong with it."""

from __future__ import annotations

import difflib
import math
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from evenfall.errors import Finding
from evenfall.sheets.quantities import QUANTITIES, UNCERTAINTY_LIMIT_MM, Quantity
from evenfall.units import length_text, mm_per_unit, read_number

if TYPE_CHECKING:
    from evenfall.instrument import Specification

_INCH_UNITS = {"in", "inch", '"', "thou", "mil"}
_WHOLE = re.compile(r"([0-9]{1,6})(?:[.,]0*)?")
_RANGE = re.compile(r"([0-9]{1,6})\s*(?:-|–|—|to)\s*([0-9]{1,6})")
_LINE = re.compile(
    r"([0-9]{1,6})(?:\s*(?:between|over)\s+([0-9]{1,6})\s+(?:and|to)\s+([0-9]{1,6}))?"
)
_ROCK = re.compile(r"([0-9]{1,6})\s*,?\s*gap\s+at\s+([0-9]{1,6})")
_STATE = re.compile(r"(strung|unstrung)[\s,;]*(?:([0-9]+(?:[.,][0-9]*)?)\s*%.{0,20})?")


class Place(NamedTuple):
    """Where a reading stands.

    Parameters
    ----------
    file
        Name of the file; empty where there is only one.
    row
        Row number as a spreadsheet shows it.
    """

    file: str
    row: int

    def __str__(self) -> str:
        return f"{self.file}, row {self.row}" if self.file else f"row {self.row}"


def rows_text(places: Iterable[Place]) -> str:
    """Return "row 7" or "rows 7, 9 and 12 …", at most six of them.

    Parameters
    ----------
    places
        Places, in any order.
    """
    ordered = sorted(set(places))
    if any(place.file for place in ordered):
        names, lead, separator = [str(place) for place in ordered], "", "; "
    else:
        names, lead, separator = [str(place.row) for place in ordered], "rows ", ", "
    if len(names) < 2:
        return "".join(str(place) for place in ordered)
    last = names[-1] if len(names) <= 6 else f"{len(names) - 6} more"
    return lead + separator.join(names[: min(6, len(names) - 1)]) + " and " + last


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row of a sheet as it stands.

    Parameters
    ----------
    number
        Row number as a spreadsheet shows it.
    cells
        Text of each cell by column name, trimmed.
    fault
        What makes the row unreadable before its words are looked at; empty if nothing does.
    """

    number: int
    cells: Mapping[str, str]
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading.

    Parameters
    ----------
    quantity
        One of `QUANTITIES`.
    string
        String number; 0 where the row names none.
    frets
        The frets it is about: none; one; (fret, line from, line to); or (middle, gap at).
    value_mm, u_mm
        Value, and standard uncertainty of the gauge (NaN if not stated) [mm].
    inch
        Whether it was written in an inch unit.
    strung
        State of the strings; None if not stated.
    humidity_percent
        Relative humidity of the air [%] noted with the state; NaN if not.
    place
        Where it stands.
    """

    quantity: str
    string: int
    frets: tuple[int, ...]
    value_mm: float
    u_mm: float
    inch: bool
    strung: bool | None
    humidity_percent: float
    place: Place

    @property
    def key(self) -> tuple[str, int, tuple[int, ...]]:
        """What was read; repeats have the same key."""
        return self.quantity, self.string, self.frets


class _CellError(Exception):
    """One cell cannot be read."""

    def __init__(self, sentence: str, code: str = "row") -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.code = code


def read_rows(
    rows: Sequence[SheetRow], specification: Specification, *, file: str
) -> tuple[list[Reading], list[Finding]]:
    """Return the readings in the rows of one sheet and a finding for every fault.

    Rows without a value are not yet read and are skipped.

    Parameters
    ----------
    rows
        The rows under the header.
    specification
        The instrument.
    file
        Name to put before row numbers; empty if there is only one file.
    """
    readings: list[Reading] = []
    faults: dict[tuple[str, str], list[Place]] = defaultdict(list)
    for row in rows:
        place = Place(file, row.number)
        try:
            readings += _readings_in(row, specification, place)
        except _CellError as fault:
            faults[fault.code, fault.sentence].append(place)
    findings = [
        Finding(code, sentence, rows_text(places), "error")
        for (code, sentence), places in faults.items()
    ]
    return readings, findings


def _readings_in(row: SheetRow, specification: Specification, place: Place) -> list[Reading]:
    if row.fault:
        raise _CellError(row.fault)
    cells = row.cells
    if not cells.get("value"):
        return []
    quantity = _quantity(cells.get("quantity", ""))
    strings = _strings(quantity, cells.get("string", ""), specification.string_count)
    frets = _frets(quantity, cells.get("fret", ""), specification.frets)
    unit = cells.get("unit", "") or specification.unit
    scale = _scale(unit)
    value_mm = _number("value", cells["value"]) * scale
    u_mm = _uncertainty(cells.get("uncertainty", ""), scale)
    strung, humidity_percent = _state(cells.get("state", ""))
    inch = unit.strip().lower() in _INCH_UNITS
    return [
        Reading(quantity.name, string, frets, value_mm, u_mm, inch, strung, humidity_percent, place)
        for string in strings
    ]


def shown(text: str) -> str:
    """Return a piece of someone's file fit for a sentence: short, quoted, printable.

    Parameters
    ----------
    text
        Anything.
    """
    clipped = text if len(text) <= 40 else text[:39] + "…"
    return '"' + "".join(c if c.isprintable() else "?" for c in clipped) + '"'


def plain_name(text: str) -> str:
    """Return a name with case, spaces and dashes out of the way: "Crown Top" is crown_top.

    Parameters
    ----------
    text
        A column or quantity as written.
    """
    return re.sub(r"[\s_-]+", "_", text.strip().casefold()[:60]).strip("_")


def _quantity(text: str) -> Quantity:
    name = plain_name(text)
    if not name:
        raise _CellError("The quantity is empty; write what was read, such as action.")
    if name in QUANTITIES:
        return QUANTITIES[name]
    close = difflib.get_close_matches(name, QUANTITIES, n=1)
    hint = f"the nearest is {close[0]}" if close else f"use one of {', '.join(QUANTITIES)}"
    raise _CellError(f"The quantity {shown(text)} is not known; {hint}.")


def _strings(quantity: Quantity, text: str, count: int) -> tuple[int, ...]:
    known = f"strings are numbered 1 (treble) to {count}"
    if not text:
        if quantity.string == "optional":
            return (0,)
        raise _CellError(f"The string is empty, but {quantity.name} needs it; {known}.")
    if text.casefold() == "all":
        return tuple(range(1, count + 1))
    if match := _WHOLE.fullmatch(text):
        first = last = int(match[1])
    elif match := _RANGE.fullmatch(text.casefold()):
        first, last = sorted((int(match[1]), int(match[2])))
    else:
        raise _CellError(
            f"The string {shown(text)} is not a number such as 3 or a range 1-{count}."
        )
    if not 1 <= first <= last <= count:
        raise _CellError(f"There is no string {text[:20]} on this instrument; {known}.")
    return tuple(range(first, last + 1))


def _frets(quantity: Quantity, text: str, last: int) -> tuple[int, ...]:
    known = f"frets are numbered 1 to {last}"
    if quantity.fret == "none":
        if text in ("", "0", "0.0"):
            return ()
        raise _CellError(f"The quantity {quantity.name} has no fret; leave the cell empty.")
    if not text:
        raise _CellError(f"The fret is empty, but {quantity.name} needs it; {known}.")
    if quantity.fret == "line":
        return _line_frets(text, last, known)
    if quantity.fret == "rock":
        return _rock_frets(text, last, known)
    match = _WHOLE.fullmatch(text)
    if match is None:
        raise _CellError(f"The fret {shown(text)} is not a whole number; {known}.")
    fret = int(match[1])
    if fret == 0 and quantity.fret == "fret":
        raise _CellError(
            f"Fret 0 is the nut, which has no {quantity.name}; use nut_slot for the slot floor."
        )
    if fret > last:
        raise _CellError(f"There is no fret {fret} on this instrument; {known}.")
    return (fret,)


def _line_frets(text: str, last: int, known: str) -> tuple[int, ...]:
    match = _LINE.fullmatch(text.casefold().removesuffix(".0"))
    if match is None:
        raise _CellError(
            f"The fret {shown(text)} cannot be read; write the fret of the gap, such as 8, or "
            "8 between 1 and 16 where the line lies over other frets than the first and the last."
        )
    fret, low, high = int(match[1]), int(match[2] or 1), int(match[3] or last)
    low, high = min(low, high), max(low, high)
    if not (1 <= low < fret < high <= last):
        raise _CellError(
            f"A gap at fret {fret} under a line over frets {low} and {high} cannot be; "
            f"the fret lies between the two, and {known}."
        )
    return fret, low, high


def _rock_frets(text: str, last: int, known: str) -> tuple[int, ...]:
    match = _ROCK.fullmatch(text.casefold())
    if match is None:
        raise _CellError(
            f"The fret {shown(text)} cannot be read; write 5 gap at 6 where the straightedge over "
            "frets 4, 5 and 6 rocks on 5, or 5 gap at 5 where fret 5 is low."
        )
    middle, gap = int(match[1]), int(match[2])
    if not 2 <= middle <= last - 1:
        raise _CellError(
            f"Fret {middle} cannot be the middle of three frets; {known}, and the middle is 2 to "
            f"{last - 1}."
        )
    if abs(gap - middle) > 1:
        raise _CellError(
            f"A straightedge over frets {middle - 1}, {middle} and {middle + 1} has no gap at fret "
            f"{gap}; name one of the three."
        )
    return middle, gap


def _scale(unit: str) -> float:
    try:
        return mm_per_unit(unit)
    except ValueError:
        if re.fullmatch(r"[0-9.,]+", unit):
            raise _CellError(
                f"The unit is the number {shown(unit)}, as if a decimal comma split the value; put "
                "the value in quotation marks, or separate the columns by semicolons."
            ) from None
        raise _CellError(
            f"The unit {shown(unit)} is not known; use mm, um, cm, m, in or thou."
        ) from None


def _number(column: str, text: str) -> float:
    try:
        return read_number(text)
    except ValueError as error:
        if re.search(r"\d.*(mm|cm|um|µm|in|inch|thou|\")\s*$", text, re.IGNORECASE):
            raise _CellError(
                f"The {column} {shown(text)} has its unit in the same cell; write the number here "
                "and the unit in the column unit."
            ) from None
        reason = "too large" if "finite number" in str(error) else "not a number"
        if re.fullmatch(r"[+-]?(inf|infinity|nan)", text.strip(), re.IGNORECASE):
            reason = "not a finite number"
        raise _CellError(
            f"The {column} {shown(text)} is {reason}; write digits, such as 1.25, or leave the "
            "cell empty."
        ) from None


def _uncertainty(text: str, scale: float) -> float:
    if not text:
        return math.nan
    u_mm = _number("uncertainty", text) * scale
    if not u_mm > 0.0:
        raise _CellError(
            "The uncertainty must be more than zero; leave the cell empty where it is not known."
        )
    if u_mm > UNCERTAINTY_LIMIT_MM:
        raise _CellError(
            f"The uncertainty is {length_text(u_mm)}, more than any gauge for this work has; check "
            "it, its unit, and whether a decimal comma split the value.",
            "implausible",
        )
    return u_mm


def _state(text: str) -> tuple[bool | None, float]:
    if not text:
        return None, math.nan
    match = _STATE.fullmatch(text.casefold()) if len(text) <= 60 else None
    if match is None:
        raise _CellError(
            f"The state {shown(text)} is not known; write strung or unstrung, with the humidity "
            "after it if noted (strung 45%)."
        )
    humidity_percent = read_number(match[2]) if match[2] else math.nan
    if humidity_percent > 100.0:
        raise _CellError(f"A humidity of {match[2][:20]} % cannot be; write 0 to 100.")
    return match[1] == "strung", humidity_percent
