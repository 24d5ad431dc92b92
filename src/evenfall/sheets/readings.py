"""From the cells of one row to readings, or to one sentence about what is wrong with it."""

from __future__ import annotations

import difflib
import math
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from evenfall.errors import At, Finding
from evenfall.instrument import Specification
from evenfall.sheets.cells import SheetRow, plain_name
from evenfall.sheets.quantities import QUANTITIES, UNCERTAINTY_LIMIT_MM, Quantity
from evenfall.units import last_digit, mm_per_unit, pitch_frequency_hz, read_number
from evenfall.wording import Sentence, Value, sentence

CELL_LIMIT = 500
"""Characters in a cell that is read; a longer one is no reading."""

GAUGE_ROUTE = (
    "Standard uncertainty of gauge {name} by its study of {day}: {u:uncertainty}, for "
    "{count:count reading} that stated none."
)
"""What a measurement says of a gauge whose uncertainty it took."""

HALF_SEMITONE = 1.0 / 24.0
"""Pitches closer than this [octaves] are one pitch."""

FRACTIONS_OF = {"in", "inch", '"'}
INCH_UNITS = {*FRACTIONS_OF, "thou", "mil"}
_READ_COLUMNS = ("value", "quantity", "string", "pitch", "fret", "unit", "uncertainty", "state")
_WHOLE = re.compile(r"([0-9]{1,6})(?:[.,]0*)?")
_RANGE = re.compile(r"([0-9]{1,6})\s*(?:-|–|—|to)\s*([0-9]{1,6})")
_LINE = re.compile(
    r"([0-9]{1,6})(?:\s*(?:between|over)\s+([0-9]{1,6})\s+(?:and|to)\s+([0-9]{1,6}))?"
)
_ROCK = re.compile(r"([0-9]{1,6})\s*,?\s*gap\s+at\s+([0-9]{1,6})")
_COLDEST, _HOTTEST = -20.0, 60.0
_FIGURE = r"([0-9]+(?:[.,][0-9]*)?)"
_AIR = rf"(?<![\d.,])([-−]?){_FIGURE}\s*°?\s*([cf])\b"
_TEMPERATURE = re.compile(_AIR)
_STATE = re.compile(rf"(strung|unstrung)[\s,;]*(?:{_FIGURE}\s*%(.{{0,20}})|{_AIR})?")


class Place(NamedTuple):
    """Where a reading stands: name of the file, and row number as a spreadsheet shows it."""

    file: str
    row: int


def at_places(
    places: Iterable[Place],
    *,
    field: str = "",
    strings: tuple[int, ...] = (),
    frets: tuple[int, ...] = (),
) -> At:
    """Return the rows of some readings; of several files, those in the first."""
    ordered = sorted(set(places))
    file = ordered[0].file if ordered else ""
    rows = tuple(place.row for place in ordered if place.file == file)
    return At(file=file, rows=rows, field=field, strings=strings, frets=frets)


def in_rows(places: Iterable[Place], among: Iterable[Place] = ()) -> Sentence:
    """Return "row 7", or "row 7 of a.csv and row 9 of b.csv" where the places are in several files.

    `among` are places that the sentence speaks of besides.
    """
    by_file: dict[str, list[int]] = defaultdict(list)
    for place in sorted(set(places)):
        by_file[place.file].append(place.row)
    if len({place.file for place in among} | set(by_file)) == 1:
        return sentence("{rows:rows}", rows=next(iter(by_file.values())))
    parts = [
        sentence("{rows:rows} of {file}", rows=rows, file=file) for file, rows in by_file.items()
    ]
    return sentence("{parts:list}", parts=parts)


def rows_by_file(places: Iterable[Place]) -> Sentence | str:
    """Return " (row 7 of a.csv and row 9 of b.csv)"; nothing where all stand in one file."""
    ordered = list(places)
    if len({place.file for place in ordered}) < 2:
        return ""
    return sentence(" ({rows})", rows=in_rows(ordered))


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading."""

    quantity: str  # one of `QUANTITIES`
    string: int  # string number; 0 where the row names none
    # the frets it is about: none; one; (fret, line from, line to); or (middle, gap at)
    frets: tuple[int, ...]
    # value, and standard uncertainty of what it was measured with (NaN if not stated) [mm]
    value_mm: float
    u_mm: float
    inch: bool  # whether it was written in an inch unit
    strung: bool | None  # state of the strings; None if not stated
    humidity_percent: float  # relative humidity of the air [%] noted with the state; NaN if not
    temperature_celsius: float  # temperature of the air noted with the state; NaN if not
    place: Place  # where it stands
    step_mm: float  # last digit of the value as it was written [mm]
    tool: str = ""  # what it was measured with, as it was written

    @property
    def key(self) -> tuple[str, int, tuple[int, ...]]:
        """What was read; repeats have the same key."""
        return self.quantity, self.string, self.frets


@dataclass(frozen=True, slots=True)
class KnownGauge:
    """A gauge whose uncertainty was studied, as a caller names it for the readings of a sheet."""

    name: str
    quantity: str  # one of `QUANTITIES`, the only one it was studied on; empty for all
    u_mm: float  # standard uncertainty of one reading [mm]
    studied: str  # day of the study, ISO 8601


def by_gauges(
    readings: Sequence[Reading], gauges: Sequence[KnownGauge]
) -> tuple[list[Reading], list[Sentence]]:
    """Return readings with the uncertainty of a gauge where they state none, and what that says.

    Of several gauges a row takes that which it names; "dial" names "dial 3" too. Where it names
    none of them, the quantity decides.
    """
    made, counts = [], dict.fromkeys(gauges, 0)
    for reading in readings:
        mine = [one for one in gauges if one.quantity in ("", reading.quantity)]
        if tool := reading.tool.strip().casefold():
            mine = [one for one in mine if one.name.casefold().startswith(tool)] or mine
        if not mine or not math.isnan(reading.u_mm):
            made.append(reading)
            continue
        best = max(mine, key=lambda one: (bool(one.quantity), one.studied))
        counts[best] += 1
        made.append(replace(reading, u_mm=best.u_mm))
    return made, [
        sentence(
            GAUGE_ROUTE,
            name=gauge.name,
            day=gauge.studied[:10],
            u=gauge.u_mm,
            count=count,
        )
        for gauge, count in counts.items()
        if count
    ]


Fault = tuple[str, str, Sentence]
"""Code, column and sentence of what makes a row unreadable."""


class CellError(Exception):
    """One cell cannot be read."""

    def __init__(
        self, column: str, text: str | Sentence, /, *, code: str = "row", **values: Value
    ) -> None:
        super().__init__(text)
        said = text if isinstance(text, Sentence) else Sentence(text, values)
        self.fault: Fault = (code, column, said)


def read_rows(
    rows: Sequence[SheetRow], specification: Specification, *, file: str
) -> tuple[list[Reading], list[Finding]]:
    """Return the readings in the rows of one sheet and a finding for every fault.

    Rows without a value are not yet read and are skipped.
    """
    readings: list[Reading] = []
    faults: dict[Fault, list[int]] = defaultdict(list)
    for row in rows:
        try:
            readings += _readings_in(row, specification, Place(file, row.number))
        except CellError as error:
            faults[error.fault].append(row.number)
    return readings, row_findings(faults, file)


def row_findings(faults: Mapping[Fault, Sequence[int]], file: str = "") -> list[Finding]:
    """Return an error for each fault, with the rows that have it."""
    return [
        Finding(
            code, said.text, At(file=file, rows=tuple(at), field=column), "error", **said.values
        )
        for (code, column, said), at in faults.items()
    ]


def _readings_in(row: SheetRow, specification: Specification, place: Place) -> list[Reading]:
    if row.fault is not None:
        raise CellError(row.fault_column, row.fault)
    cells = row.cells
    if not cells.get("value"):
        return []
    for column in _READ_COLUMNS:
        if len(cells.get(column, "")) > CELL_LIMIT:
            raise CellError(
                column,
                "The {column} {given:quoted} has more than {limit} characters; write the reading "
                "alone, and put what else there is to say into the column note.",
                column=column,
                given=cells[column][: CELL_LIMIT + 1],
                limit=CELL_LIMIT,
            )
    quantity = _quantity(cells.get("quantity", ""))
    strings = _strings(quantity, cells.get("string", ""), specification.string_count)
    _check_pitch(cells.get("pitch", ""), strings, specification)
    frets = _frets(quantity, cells.get("fret", ""), specification.frets)
    unit = cells.get("unit", "") or specification.unit
    scale = _scale(unit)
    value, step = _value(cells["value"], unit)
    value_mm = value * scale
    step_mm = min(1.0, step * scale)  # no tool reads coarser
    u_mm = _uncertainty(cells.get("uncertainty", ""), scale)
    strung, humidity_percent, temperature_celsius = _state(cells.get("state", ""))
    inch = unit.strip().lower() in INCH_UNITS
    return [
        Reading(
            *(quantity.name, string, frets, value_mm, u_mm),
            *(inch, strung, humidity_percent),
            *(temperature_celsius, place, step_mm),
            tool=cells.get("measured_with", ""),
        )
        for string in strings
    ]


def _quantity(given: str) -> Quantity:
    name = plain_name(given)
    if not name:
        text = "The quantity is empty; write what was read, such as action."
        raise CellError("quantity", text)
    if name in QUANTITIES:
        return QUANTITIES[name]
    if close := difflib.get_close_matches(name, QUANTITIES, n=1):
        text = "The quantity {given:quoted} is not known; the nearest is {nearest}."
        raise CellError("quantity", text, given=given, nearest=close[0])
    text = "The quantity {given:quoted} is not known; use one of {known:phrases}."
    raise CellError("quantity", text, given=given, known=list(QUANTITIES))


def _strings(quantity: Quantity, given: str, count: int) -> tuple[int, ...]:
    if not given:
        if quantity.string == "optional":
            return (0,)
        raise CellError(
            "string",
            "The string is empty, but {quantity} needs it; strings are numbered 1 (treble) to "
            "{count}.",
            quantity=quantity.name,
            count=count,
        )
    if given.casefold() == "all":
        return tuple(range(1, count + 1))
    if match := _WHOLE.fullmatch(given):
        first = last = int(match[1])
    elif match := _RANGE.fullmatch(given.casefold()):
        first, last = sorted((int(match[1]), int(match[2])))
    else:
        text = "The string {given:quoted} is not a number such as 3 or a range 1-{count}."
        raise CellError("string", text, given=given, count=count)
    if not 1 <= first <= last <= count:
        raise CellError(
            "string",
            "There is no string {given} on this instrument; strings are numbered 1 (treble) to "
            "{count}.",
            given=given[:20],
            count=count,
        )
    return tuple(range(first, last + 1))


def _check_pitch(given: str, strings: tuple[int, ...], specification: Specification) -> None:
    """Refuse a row whose pitch is that of another string than it names."""
    if not given or strings == (0,):
        return
    try:
        frequency_hz = pitch_frequency_hz(given)
    except ValueError:
        text = (
            "The pitch {given:quoted} is not a pitch name; write one such as E4, or leave it empty."
        )
        raise CellError("pitch", text, given=given) from None
    tuned = [
        string.number
        for string in specification.strings
        if abs(math.log2(string.frequency_hz / frequency_hz)) < HALF_SEMITONE
    ]
    if set(tuned) & set(strings):
        return
    raise CellError(
        "pitch",
        "The row names string {string}, but its pitch {given:quoted} is {whose}; correct one of "
        "the two.",
        string=strings[0],
        given=given,
        whose=sentence("that of {on:strings}", on=tuned) if tuned else sentence("no string's here"),
    )


def _frets(quantity: Quantity, given: str, last: int) -> tuple[int, ...]:
    if quantity.fret == "none":
        if given in ("", "0", "0.0"):
            return ()
        text = "The quantity {quantity} has no fret; leave the cell empty."
        raise CellError("fret", text, quantity=quantity.name)
    if not given:
        text = "The fret is empty, but {quantity} needs it; frets are numbered 1 to {last}."
        raise CellError("fret", text, quantity=quantity.name, last=last)
    if quantity.fret == "line":
        return _line_frets(given, last)
    if quantity.fret == "rock":
        return _rock_frets(given, last)
    match = _WHOLE.fullmatch(given)
    if match is None:
        text = "The fret {given:quoted} is not a whole number; frets are numbered 1 to {last}."
        raise CellError("fret", text, given=given, last=last)
    fret = int(match[1])
    if fret == 0 and quantity.fret == "fret":
        text = (
            "Fret 0 is the nut, which has no {quantity}; use nut_slot for the slot floor, or for "
            "the top of a zero fret."
        )
        raise CellError("fret", text, quantity=quantity.name)
    if fret > last:
        text = "There is no fret {fret} on this instrument; frets are numbered 1 to {last}."
        raise CellError("fret", text, fret=fret, last=last)
    return (fret,)


def _line_frets(given: str, last: int) -> tuple[int, ...]:
    match = _LINE.fullmatch(given.casefold().removesuffix(".0"))
    if match is None:
        raise CellError(
            "fret",
            "The fret {given:quoted} cannot be read; write the fret of the gap, such as 8, or "
            "8 between 1 and 16 where the line lies over other frets than the first and the last.",
            given=given,
        )
    fret, low, high = int(match[1]), int(match[2] or 1), int(match[3] or last)
    low, high = min(low, high), max(low, high)
    if not (1 <= low < fret < high <= last):
        raise CellError(
            "fret",
            "A gap at fret {fret} under a line over frets {low} and {high} cannot be; the fret "
            "lies between the two, and frets are numbered 1 to {last}.",
            fret=fret,
            low=low,
            high=high,
            last=last,
        )
    return fret, low, high


def _rock_frets(given: str, last: int) -> tuple[int, ...]:
    match = _ROCK.fullmatch(given.casefold())
    if match is None:
        raise CellError(
            "fret",
            "The fret {given:quoted} cannot be read; write 5 gap at 6 where the straightedge over "
            "frets 4, 5 and 6 rocks on 5, or 5 gap at 5 where fret 5 is low.",
            given=given,
        )
    middle, gap = int(match[1]), int(match[2])
    if not 2 <= middle <= last - 1:
        raise CellError(
            "fret",
            "Fret {middle} cannot be the middle of three frets; frets are numbered 1 to {last}, "
            "and the middle is 2 to {most}.",
            middle=middle,
            last=last,
            most=last - 1,
        )
    if abs(gap - middle) > 1:
        raise CellError(
            "fret",
            "A straightedge over {three:frets} has no gap at fret {gap}; name one of the three.",
            three=(middle - 1, middle, middle + 1),
            gap=gap,
        )
    return middle, gap


def _scale(unit: str) -> float:
    try:
        return mm_per_unit(unit)
    except ValueError:
        text = "The unit {given:quoted} is not known; use mm, um, cm, m, in or thou."
        if re.fullmatch(r"[0-9.,]+", unit):
            text = (
                "The unit is the number {given:quoted}, as if a decimal comma split the value; put "
                "the value in quotation marks, or separate the columns by semicolons."
            )
        raise CellError("unit", text, given=unit) from None


_FRACTION = re.compile(r"(?:(\d{1,3})[ -])?(\d{1,3})/(2|4|8|16|32|64|128)")


def _value(given: str, unit: str) -> tuple[float, float]:
    """Return a reading and the step of its scale; a rule in inches is read in fractions."""
    if unit.strip().lower() in FRACTIONS_OF and (part := _FRACTION.fullmatch(given)):
        step = 1.0 / int(part[3])
        return int(part[1] or 0) + int(part[2]) * step, step
    return _number("value", given), last_digit(given)


def _number(column: str, given: str) -> float:
    try:
        return read_number(given)
    except ValueError as error:
        if re.search(r"\d.*(mm|cm|um|µm|in|inch|thou|\")$", given, re.IGNORECASE):
            raise CellError(
                column,
                "The {column} {given:quoted} has its unit in the same cell; write the number here "
                "and the unit in the column unit.",
                column=column,
                given=given,
            ) from None
        reason = "too large" if "finite number" in str(error) else "not a number"
        if re.fullmatch(r"[+-]?(inf|infinity|nan)", given, re.IGNORECASE):
            reason = "not a finite number"
        raise CellError(
            column,
            "The {column} {given:quoted} is {reason}; write digits, such as 1.25, or leave the "
            "cell empty.",
            column=column,
            given=given,
            reason=reason,
        ) from None


def _uncertainty(given: str, scale: float) -> float:
    if not given:
        return math.nan
    u_mm = _number("uncertainty", given) * scale
    if not u_mm > 0.0:
        raise CellError(
            "uncertainty",
            "The uncertainty must be more than zero; leave the cell empty where it is not known.",
        )
    if u_mm > UNCERTAINTY_LIMIT_MM:
        raise CellError(
            "uncertainty",
            "The uncertainty is {u:length}, more than any tool for this work has; check it, its "
            "unit, and whether a decimal comma split the value.",
            code="implausible",
            u=u_mm,
        )
    return u_mm


def _state(given: str) -> tuple[bool | None, float, float]:
    if not given:
        return None, math.nan, math.nan
    match = _STATE.fullmatch(given.casefold()) if len(given) <= 60 else None
    if match is None:
        raise CellError(
            "state",
            "The state {given:quoted} is not known; write strung or unstrung, with the humidity "
            "after it if noted (strung 45%), and the temperature (strung 45% 21C).",
            given=given,
        )
    humidity_percent = read_number(match[2]) if match[2] else math.nan
    if humidity_percent > 100.0:
        text = "A humidity of {given} % cannot be; write 0 to 100."
        raise CellError("state", text, given=match[2][:20])
    temperature_celsius = math.nan
    if air := _TEMPERATURE.search(given.casefold()):
        temperature_celsius = read_number(air[2]) * (-1.0 if air[1] else 1.0)
        if air[3] == "f":
            temperature_celsius = (temperature_celsius - 32.0) / 1.8
        if not _COLDEST <= temperature_celsius <= _HOTTEST:
            text = "No instrument is read at {given}; correct the temperature."
            raise CellError("state", text, given=air[0][:20].upper())
    return match[1] == "strung", humidity_percent, temperature_celsius
