"""What every hand sheet is made of, CSV and XLSX alike: named columns, and rows of cells."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from evenfall.errors import At, Finding, UnsupportedError
from evenfall.sheets.quantities import COLUMNS
from evenfall.wording import Sentence, sentence

FILE_LIMIT_BYTES = 64_000_000
"""Largest hand sheet to read."""

ROW_LIMIT = 20_000
"""More rows than this are not hand readings: 12 strings, 36 frets, 4 quantities, 10 times."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Which columns a kind of sheet has."""

    columns: tuple[str, ...]  # names of those that are known
    required: tuple[str, ...]  # those that must be there
    row_limit: int  # more rows are refused
    unread: tuple[str, ...] = ()  # those whose cells nothing depends on
    others: bool = False  # whether every other column is taken too, under its own name


HAND_READINGS = Layout(
    tuple(COLUMNS), ("quantity", "value"), ROW_LIMIT, unread=("measured_with", "note")
)
"""A sheet of readings of one instrument."""


class SheetFile(NamedTuple):
    """A hand sheet as it came in: its name, for messages, and all its bytes."""

    name: str
    content: bytes


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row of a sheet as it stands."""

    number: int  # row number as a spreadsheet shows it
    cells: Mapping[str, str]  # text of each cell by column name, trimmed
    # what makes the row unreadable before its words are looked at, None if nothing does; and in
    # which column, where it is one
    fault: Sentence | None = None
    fault_column: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """Every row under the header of one sheet that holds something, and findings on columns."""

    rows: tuple[SheetRow, ...]
    findings: tuple[Finding, ...]


class HeaderError(Exception):
    """A row is not the header of a sheet of readings; no header at all if it names no column."""

    def __init__(self, said: Sentence, *, no_header: bool = False) -> None:
        super().__init__(said)
        self.said = said
        self.no_header = no_header


@dataclass(frozen=True, slots=True)
class Header:
    """Index of each known column by name, the names of the others, and how many there are."""

    columns: Mapping[str, int]
    unused: tuple[str, ...]
    width: int
    layout: Layout = HAND_READINGS

    @property
    def read(self) -> dict[str, int]:
        """Index of each column whose cells something depends on."""
        return {name: at for name, at in self.columns.items() if name not in self.layout.unread}


def plain_name(text: str) -> str:
    """Return a name with case, spaces and dashes out of the way: "Crown Top" is crown_top."""
    return re.sub(r"[\s_-]+", "_", text[:200].strip().casefold()[:60]).strip("_")


def read_header(cells: Sequence[str], layout: Layout = HAND_READINGS) -> Header:
    """Return which column stands where, from the first row that holds anything."""
    columns: dict[str, int] = {}
    unused: list[str] = []
    for index, cell in enumerate(cells):
        name = plain_name(cell)
        if name in columns:
            text = "The column {name} is there twice; keep one of them."
            raise HeaderError(sentence(text, name=name))
        if name in layout.columns or (name and layout.others):
            columns[name] = index
        elif name:
            unused.append(cell.strip())
    missing = [name for name in layout.required if name not in columns]
    for given in unused:
        free = [name for name in layout.columns if name not in columns]
        close = difflib.get_close_matches(plain_name(given), free, n=1, cutoff=0.75)
        if close and len(missing) < len(layout.required):
            text = "The column {given:quoted} is not known; rename it {name} if that is meant."
            raise HeaderError(sentence(text, given=given, name=close[0]))
    if missing:
        text = (
            "The first row must name the columns, at least {needed:list}, but it has no "
            "{missing:list}; it reads {given:quoted}."
        )
        if len(missing) > 1:
            missing[1:] = [f"no {name}" for name in missing[1:]]
        given = ", ".join(cell[:100] for cell in cells[:20] if cell)
        raise HeaderError(
            sentence(text, needed=layout.required, missing=missing, given=given),
            no_header=len(missing) == len(layout.required),
        )
    return Header(columns, tuple(unused), len(cells), layout)


def unused_columns(header: Header) -> tuple[Finding, ...]:
    """Return a note about columns that nothing reads."""
    if not header.unused:
        return ()
    text = "Nothing reads the {names:plural column|columns} {names:quoted}."
    return (Finding("unused", text, At(field="header"), "note", names=header.unused[:10]),)


def make_row(
    number: int, cells: Sequence[str], header: Header, *, advice: str = ""
) -> SheetRow | None:
    """Return a row by column names, or None if it holds nothing or is a comment.

    `advice` says how a row with more cells than columns is corrected; empty where such cells do no
    harm.
    """
    trimmed = [cell.strip() for cell in cells]
    if not any(trimmed) or trimmed[0].startswith("#"):
        return None
    if advice and len(trimmed) == 1 < header.width:
        text = "The row is one single cell; separate its cells as the header's are separated."
        return SheetRow(number, {}, sentence(text))
    named = {name: trimmed[at] for name, at in header.columns.items() if at < len(trimmed)}
    if advice and any(trimmed[header.width :]):
        text = "The row has {cells} cells, but the header names {columns} columns; {advice}."
        fault = sentence(text, cells=len(trimmed), columns=header.width, advice=sentence(advice))
        return SheetRow(number, named, fault)
    return SheetRow(number, named)


def too_many_rows(name: str, layout: Layout = HAND_READINGS) -> UnsupportedError:
    """Return the error for a sheet with more rows than its kind can have."""
    return UnsupportedError(
        "The sheet has more than {limit} rows, {reason}.",
        at=At(file=name),
        limit=layout.row_limit,
        reason=sentence("more than are read at once; split it")
        if layout.others
        else sentence("so these are not hand readings; check that it is the right file"),
    )
