"""Sheets of many instruments: a row for each reading, with a column for each factor.

Columns are value and, where there is one, quantity, unit, time, serial and size (how much was
looked at, for counts). Every other column is a factor, such as model, station, shift or person.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import TypeVar

import numpy as np

from evenfall.arrays import FloatArray, shut
from evenfall.errors import At, Finding, ReadingsError, RequestError
from evenfall.sheets.cells import Layout, SheetFile, SheetRow, plain_name
from evenfall.sheets.hand import read_table, readings_error
from evenfall.sheets.readings import INCH_UNITS, CellError, Fault, row_findings
from evenfall.units import mm_per_unit, read_number
from evenfall.wording import sentence

TIDY = Layout(
    ("value", "quantity", "unit", "time", "serial", "size"),
    ("value",),
    row_limit=1_000_000,
    unread=("note",),
    others=True,
)
"""A sheet of readings of many instruments."""

NO_READING = "No reading has {name} {wanted:quoted}; there are {there:quoted}."
"""What is said where a factor does not have a value that was asked for."""

_LARGEST = 1e100  # beyond it squares have no number
_NOT_FACTORS = {*TIDY.columns, "note"} - {"serial"}
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, eq=False)
class TidyTable:
    """Readings of one quantity in the order of time, with what each belongs to."""

    quantity: str  # what was read
    unit: str  # "mm" for every length; else as it was written
    inch: bool  # whether the lengths were written in inches
    value: FloatArray  # readings, shape (readings,)
    sizes: FloatArray  # how much was looked at, shape (readings,); empty where no column says so
    time: tuple[str, ...]  # when each was read, as it was written; empty without such a column
    units: tuple[str, ...]  # unit of each as it was written
    rows: tuple[int, ...]  # where each stands, as a spreadsheet shows it; empty of an archive
    factors: dict[str, tuple[str, ...]]  # text of every other column, serial among them
    findings: tuple[Finding, ...] = ()  # what is worth knowing about the sheet

    def __post_init__(self) -> None:
        shut(self)

    def factor(self, name: str) -> tuple[str, ...]:
        """Return the text of a column for each reading."""
        if (plain := plain_name(name)) in self.factors:
            return self.factors[plain]
        raise RequestError(
            "There is no column {name:quoted}; there are {columns:list}.",
            at=At(field="factor"),
            name=name,
            columns=tuple(self.factors) or sentence("no factors"),
        )

    def where(self, name: str, wanted: str) -> TidyTable:
        """Return the readings of one value of a factor."""
        column = self.factor(name)
        kept = [n for n, text in enumerate(column) if text.casefold() == wanted.casefold()]
        if not kept:
            there = sorted(set(column))
            raise RequestError(
                NO_READING,
                at=At(field="only"),
                name=name,
                wanted=wanted,
                there=there[:8],
            )
        return self.taken(kept)

    def taken(self, kept: Sequence[int]) -> TidyTable:
        """Return some of the readings, in the order that is given."""

        def some(column: tuple[_T, ...]) -> tuple[_T, ...]:
            return tuple(map(column.__getitem__, kept))

        return TidyTable(
            self.quantity,
            self.unit,
            self.inch,
            self.value[kept],
            self.sizes[kept] if len(self.sizes) else self.sizes,
            some(self.time) if self.time else (),
            some(self.units),
            some(self.rows) if self.rows else (),
            {name: some(column) for name, column in self.factors.items()},
            self.findings,
        )


@dataclass(frozen=True, slots=True)
class _Read:
    value: float
    unit: str
    inch: bool
    size: float
    time: tuple[int, float]
    cells: dict[str, str]
    row: int


def read_tidy(file: SheetFile, *, quantity: str = "") -> TidyTable:
    r"""Return the readings of one quantity in a sheet; `quantity` names it if there are several.

    Parameters
    ----------
    file
        The sheet, CSV or XLSX.
    quantity
        Which quantity is wanted; may be empty where the sheet holds one.

    Returns
    -------
    TidyTable
        The readings in the order of time; in that of the sheet where no time is written.

    Raises
    ------
    ReadingsError
        Rows that cannot be used, with their numbers.
    RequestError
        The quantity is not there, or not named among several.
    FormatMismatchError, BrokenFileError, UnsupportedError
        The file is no such sheet, is damaged, or is of a kind that is not read.

    Examples
    --------
    >>> file = SheetFile("relief.csv", b"value,unit,station\n0.21,mm,A\n8.0,thou,B\n")
    >>> table = read_tidy(file, quantity="relief")
    >>> table.value.round(4).tolist(), table.factor("station")
    ([0.21, 0.2032], ('A', 'B'))
    """
    table = read_table(file, TIDY)
    rows = list(_of_quantity(table.rows, quantity, file.name))
    read: list[_Read] = []
    faults: dict[Fault, list[int]] = defaultdict(list)
    for row in rows:
        try:
            made = _read(row)
        except CellError as error:
            faults[error.fault].append(row.number)
        else:
            if made is not None:
                read.append(made)
    faults |= _mixed(read)
    if faults:
        raise readings_error(row_findings(faults), At(file=file.name))
    if not read:
        text = "No row holds a value."
        raise ReadingsError([Finding("row", text, severity="error")], at=At(file=file.name))
    return _gathered(read, quantity or _only_quantity(rows), table.findings)


def _only_quantity(rows: Sequence[SheetRow]) -> str:
    named = {row.cells.get("quantity", "") for row in rows} - {""}
    return named.pop() if named else "value"


def _of_quantity(rows: Sequence[SheetRow], quantity: str, name: str) -> Iterator[SheetRow]:
    """Yield the rows of the quantity that is wanted, or of the only one."""
    there = {row.cells["quantity"] for row in rows if row.cells.get("quantity")}
    wanted = plain_name(quantity)
    if there and wanted and wanted not in {plain_name(one) for one in there}:
        text = "The sheet holds no {quantity:quoted}; it holds {there:quoted}."
    elif len({plain_name(one) for one in there}) > 1 and not wanted:
        text = "The sheet holds several quantities, {there:quoted}; name one with {door_quantity}."
    else:
        for row in rows:
            if not (there and wanted) or plain_name(row.cells.get("quantity", "")) == wanted:
                yield row
        return
    raise RequestError(text, at=At(file=name), quantity=quantity, there=tuple(sorted(there))[:8])


def _read(row: SheetRow) -> _Read | None:
    """Return what one row says; None where it holds no value yet."""
    if row.fault is not None:
        raise CellError(row.fault_column, row.fault)
    cells = dict(row.cells)
    text = cells.get("value", "")
    if not text:
        return None
    unit, inch, scale = _unit(cells.get("unit", ""))
    size = math.nan
    if cells.get("size"):
        size = _number(cells["size"], "size")
    time = _time(cells.get("time", ""))
    return _Read(scale * _number(text, "value"), unit, inch, size, time, cells, row.number)


@lru_cache(maxsize=64)  # a long sheet names few units, and each costs as much as a number
def _unit(text: str) -> tuple[str, bool, float]:
    """Return the unit that values are kept in, whether theirs is an inch's, and the factor."""
    try:
        return "mm", text.lower() in INCH_UNITS, mm_per_unit(text)
    except ValueError:
        return text, False, 1.0


def _number(text: str, column: str) -> float:
    try:
        number = read_number(text)
    except ValueError:
        raise CellError(
            column, "{given:quoted} is not a number such as 0.21.", given=text
        ) from None
    if abs(number) > _LARGEST:
        raise CellError(
            column, "{given:quoted} is larger than any reading; correct it.", given=text
        )
    return number


def _time(text: str) -> tuple[int, float]:
    """Return a time as what can be put in order: its kind, and seconds or a plain number."""
    if not text:
        return 0, 0.0
    try:
        return 1, read_number(text)
    except ValueError:
        pass
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        text_ = "{given:quoted} is not a time such as 2026-03-09 or 2026-03-09 14:05."
        raise CellError("time", text_, given=text) from None
    if when.tzinfo is not None:
        return 3, when.timestamp()
    return 2, (when - datetime(1970, 1, 1)).total_seconds()


def _mixed(read: Sequence[_Read]) -> dict[Fault, list[int]]:
    """Return the rows that do not go with the first one."""
    found: dict[Fault, list[int]] = defaultdict(list)
    if not read:
        return found
    units = {one.unit for one in read}
    if len(units) > 1:
        text = "The unit {unit:quoted} is another than {first:quoted} in the rows before."
        for one in read:
            if one.unit != read[0].unit:
                said = sentence(text, unit=one.unit or "none", first=read[0].unit or "none")
                found["row", "unit", said].append(one.row)
    kinds = [one.time[0] for one in read]
    if len(set(kinds)) > 1:
        said = sentence("The times are not all written alike, or some are missing.")
        found["row", "time", said] += [one.row for one in read if one.time[0] != kinds[0]]
    sized = [math.isnan(one.size) for one in read]
    if any(sized) and not all(sized):
        said = sentence("The size is missing.")
        found["row", "size", said] += [one.row for one in read if math.isnan(one.size)]
    return found


def _gathered(read: list[_Read], quantity: str, findings: tuple[Finding, ...]) -> TidyTable:
    order = sorted(range(len(read)), key=lambda n: read[n].time)  # equal times keep their rows
    if order != list(range(len(read))):
        text = "The rows do not stand in the order of time and were put into it."
        findings = (*findings, Finding("route", text, At(field="time"), "note"))
    ordered = [read[n] for n in order]
    names = {name: None for one in ordered for name in one.cells if name not in _NOT_FACTORS}
    sized = not math.isnan(ordered[0].size)
    timed = ordered[0].time[0] > 0
    return TidyTable(
        quantity,
        ordered[0].unit,
        any(one.inch for one in ordered),
        np.array([one.value for one in ordered]),
        np.array([one.size for one in ordered]) if sized else np.zeros(0),
        tuple(one.cells["time"] for one in ordered) if timed else (),
        tuple(one.cells.get("unit", "") for one in ordered),
        tuple(one.row for one in ordered),
        {name: tuple(one.cells.get(name, "") for one in ordered) for name in names},
        findings,
    )
