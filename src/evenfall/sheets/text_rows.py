"""From the bytes of a hand sheet, CSV or XLSX, to its rows; the format is told by the content."""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from evenfall.errors import (
    BrokenFileError,
    EvenfallError,
    Finding,
    FormatMismatchError,
    UnsupportedError,
)
from evenfall.files import decode_text
from evenfall.sheets.quantities import COLUMNS
from evenfall.sheets.rows import SheetRow, plain_name, shown

ROW_LIMIT = 200_000
"""More rows than this are not hand readings."""

FILE_LIMIT_BYTES = 64_000_000
"""Largest hand sheet to read."""

_HEADER_LIMIT = 5_000  # characters
_REQUIRED = ("quantity", "value")
_ZIP = b"PK\x03\x04"
_COMPOUND = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ENCRYPTED = "EncryptedPackage".encode("utf-16-le")
_OTHER_FORMATS: dict[bytes, str] = {
    b"%PDF": "a PDF document",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"\x1f\x8b": "a compressed file",
    b"{\\rtf": "a text document",
    b"<": "a web page or XML file",
    b"{": "a JSON file",
}


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows under the header of one sheet.

    Parameters
    ----------
    rows
        Every row that holds something.
    findings
        Columns that are not used.
    """

    rows: tuple[SheetRow, ...]
    findings: tuple[Finding, ...]


class HeaderError(Exception):
    """A row is not the header of a sheet of readings.

    Parameters
    ----------
    sentence
        Why not.
    missing_all
        Whether it names none of the required columns, so that it is no header at all.
    """

    def __init__(self, sentence: str, *, missing_all: bool) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.missing_all = missing_all


@dataclass(frozen=True, slots=True)
class Header:
    """Which column stands where.

    Parameters
    ----------
    columns
        Index of each known column by name.
    unused
        Columns that have no meaning here, as written.
    width
        Number of columns.
    """

    columns: Mapping[str, int]
    unused: tuple[str, ...]
    width: int


def read_sheet(data: bytes, *, name: str) -> Sheet:
    """Return the rows of a hand sheet.

    Parameters
    ----------
    data
        The whole file, CSV or XLSX.
    name
        Name of the file, for messages.

    Raises
    ------
    FormatMismatchError
        It is no sheet of readings.
    BrokenFileError
        It is one, but damaged or cut short.
    UnsupportedError
        It is a sheet of another kind, locked, or too large.
    """
    if not data.strip():
        raise FormatMismatchError(
            "The file is empty; write a template with evenfall measure --template.", where=name
        )
    if data.startswith(_COMPOUND):
        if _ENCRYPTED in data:
            raise UnsupportedError(
                "The workbook is locked with a password; save it without one.", where=name
            )
        raise UnsupportedError(
            "This is a workbook in the old XLS format; save it as XLSX or CSV.", where=name
        )
    if data.startswith(_ZIP):
        from evenfall.sheets.workbook import read_workbook  # loads a large library

        return read_workbook(data, name=name)
    return _read_text_sheet(data, name)


# ---- header ------------------------------------------------------------------------------


def read_header(cells: Sequence[str]) -> Header:
    """Return which column stands where.

    Parameters
    ----------
    cells
        The cells of the first row that holds anything.

    Raises
    ------
    HeaderError
        A required column is missing, one is there twice, or one looks misspelt.
    """
    columns: dict[str, int] = {}
    unused: list[str] = []
    for index, cell in enumerate(cells):
        name = plain_name(cell)
        if name in columns:
            raise HeaderError(
                f"The column {name} is there twice; keep one of them.", missing_all=False
            )
        if name in COLUMNS:
            columns[name] = index
        elif name:
            unused.append(cell.strip())
    missing = [name for name in _REQUIRED if name not in columns]
    for text in unused:
        free = [name for name in COLUMNS if name not in columns]
        close = difflib.get_close_matches(plain_name(text), free, n=1, cutoff=0.75)
        if close and len(missing) < len(_REQUIRED):
            raise HeaderError(
                f"The column {shown(text)} is not known; rename it {close[0]} if that is meant.",
                missing_all=False,
            )
    if missing:
        raise HeaderError(
            f"The first row must name the columns, at least quantity and value, but it has no "
            f"{' and no '.join(missing)}; it reads {shown(', '.join(c for c in cells if c))}.",
            missing_all=len(missing) == len(_REQUIRED),
        )
    return Header(columns, tuple(unused), len(cells))


def unused_columns(header: Header) -> tuple[Finding, ...]:
    """Return a note about columns that nothing reads.

    Parameters
    ----------
    header
        The header of a sheet.
    """
    if not header.unused:
        return ()
    names = ", ".join(shown(name) for name in header.unused[:10])
    plural = "s" if len(header.unused) > 1 else ""
    return (Finding("unused", f"Nothing reads the column{plural} {names}.", "header", "note"),)


def make_row(
    number: int, cells: Sequence[str], header: Header, *, advice: str = ""
) -> SheetRow | None:
    """Return a row by column names, or None if it holds nothing or is a comment.

    Parameters
    ----------
    number
        Row number as a spreadsheet shows it.
    cells
        Text of its cells.
    header
        The header of the sheet.
    advice
        How a row with more cells than columns is mended; empty where such cells are harmless.
    """
    trimmed = [cell.strip() for cell in cells]
    if not any(trimmed) or trimmed[0].startswith("#"):
        return None
    if advice and len(trimmed) == 1 < header.width:
        fault = "The row is one single cell; separate its cells as the header's are separated."
        return SheetRow(number, {}, fault)
    named = {name: trimmed[at] for name, at in header.columns.items() if at < len(trimmed)}
    if advice and any(trimmed[header.width :]):
        fault = (
            f"The row has {len(trimmed)} cells, but the header names {header.width} columns; "
            f"{advice}."
        )
        return SheetRow(number, named, fault)
    return SheetRow(number, named)


# ---- CSV ---------------------------------------------------------------------------------


def _read_text_sheet(data: bytes, name: str) -> Sheet:
    for magic, what in _OTHER_FORMATS.items():
        if data.startswith(magic):
            raise FormatMismatchError(
                f"This is {what}, not a sheet of readings; use CSV or XLSX.", where=name
            )
    text = decode_text(data, name=name)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if text.count("\n") > ROW_LIMIT:
        raise too_many_rows(name)
    delimiter, header, rows = _split(text, name)
    advice = "remove the extra cells"
    if delimiter == ",":
        advice = (
            "if a decimal comma split a number, put the number in quotation marks or separate the "
            "columns by semicolons"
        )
    made = (make_row(number, cells, header, advice=advice) for number, cells in rows)
    return Sheet(tuple(row for row in made if row), unused_columns(header))


def too_many_rows(name: str) -> UnsupportedError:
    """Return the error for a sheet that no one can have written by hand.

    Parameters
    ----------
    name
        Name of the file.
    """
    return UnsupportedError(
        f"The sheet has more than {ROW_LIMIT} rows, so these are not hand readings; check that it "
        "is the right file.",
        where=name,
    )


def _split(text: str, name: str) -> tuple[str, Header, Iterator[tuple[int, list[str]]]]:
    """Find the header, tell the delimiter from it, and return the rows below, numbered."""
    lines = text.split("\n")
    start, stated = 0, ""
    while start < len(lines) and (not lines[start].strip() or lines[start].startswith("#")):
        start += 1
    if start < len(lines) and (match := re.fullmatch(r"sep=([,;\t])", lines[start].strip(" "))):
        start, stated = start + 1, match[1]  # a line that some spreadsheets put first
    if start >= len(lines):
        raise FormatMismatchError(
            "The file holds no header; the first row must name the columns, at least quantity and "
            "value.",
            where=name,
        )
    line = lines[start][:_HEADER_LIMIT]
    errors: list[HeaderError] = []
    for delimiter in stated or ",;\t":
        try:
            cells = next(csv.reader([line], delimiter=delimiter))
            header = read_header(cells)
        except HeaderError as error:
            errors.append(error)
        except (csv.Error, StopIteration):
            continue
        else:
            return delimiter, header, _records(lines, start + 1, delimiter, name)
    # the delimiter under which the line says most tells the user most
    telling = [error for error in errors if not error.missing_all] or errors
    sentence = telling[0].sentence if telling else "The first row cannot be read; write it anew."
    raise FormatMismatchError(sentence, where=name)


def _records(
    lines: list[str], start: int, delimiter: str, name: str
) -> Iterator[tuple[int, list[str]]]:
    """Yield each record with the number of its row, comment lines counted but left out.

    A quoted cell may hold line ends, so that a record can span lines; a spreadsheet shows it as
    one row.
    """
    row = start
    position = start
    between = True

    def feed() -> Iterator[str]:
        nonlocal position, row, between
        while position < len(lines):
            line = lines[position]
            position += 1
            if between and line.startswith("#"):
                row += 1
                continue
            between = False
            yield line + "\n"

    reader = csv.reader(feed(), delimiter=delimiter, strict=True)
    while True:
        between = True
        first_line = position
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise _quote_error(error, row + 1, position - first_line, name) from None
        row += 1
        yield row, cells


def _quote_error(error: csv.Error, row: int, span: int, name: str) -> EvenfallError:
    where = f"{name}, row {row}" if name else f"row {row}"
    if "limit" in str(error) or "unexpected end" in str(error) or span > 1:
        return BrokenFileError(
            f"A quotation mark opened in row {row} is not closed as it should be; close it, or "
            "write the unit of inches as in, without the mark.",
            where=where,
        )
    return BrokenFileError(
        f"Row {row} has something after a closing quotation mark; put the mark at the end of the "
        "cell or remove it.",
        where=where,
    )
