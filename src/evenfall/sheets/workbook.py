"""Hand sheets as XLSX workbooks (ISO/IEC 29500), read without trusting the file."""

from __future__ import annotations

import datetime
import io
import re
import warnings
import zipfile
from collections.abc import Iterable, Iterator
from typing import Any

import openpyxl

from evenfall.errors import (
    BrokenFileError,
    EvenfallError,
    Finding,
    FormatMismatchError,
    UnsupportedError,
)
from evenfall.sheets.rows import SheetRow, shown
from evenfall.sheets.text_rows import (
    ROW_LIMIT,
    Header,
    HeaderError,
    Sheet,
    make_row,
    read_header,
    too_many_rows,
    unused_columns,
)

UNPACKED_LIMIT_BYTES = 300_000_000
"""Largest unpacked size of a workbook; more is a trap or no sheet of readings."""

RATIO_LIMIT = 400.0
"""Largest ratio of unpacked to packed size of a large part; honest sheets pack 5 to 50 times."""

COLUMN_LIMIT = 200
_LAST_ROW = 1_048_576  # of any worksheet
_HEADER_ROWS = 50  # how far down a header is looked for
_READ_COLUMNS = {"quantity", "string", "fret", "value", "unit", "uncertainty", "state"}
_MERGE = re.compile(
    rb"<(?:\w{1,20}:)?mergeCell\s[^>]{0,200}?ref=[\"']([A-Z]{1,3}[0-9]{1,7}:[A-Z0-9]{2,10})"
)

Cell = tuple[str, str]
"""Text of a cell, and what is wrong with it (empty if nothing)."""


def read_workbook(data: bytes, *, name: str) -> Sheet:
    """Return the rows of the one worksheet that holds readings.

    Parameters
    ----------
    data
        The whole file.
    name
        Name of the file, for messages.

    Raises
    ------
    FormatMismatchError
        No worksheet has a header of readings, or the file is no workbook.
    BrokenFileError
        The workbook is damaged.
    UnsupportedError
        It is of another kind, locked, too large, or holds readings on several worksheets.
    """
    _check_package(data, name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about styles and extensions that hold no reading
            return _read(data, name)
    except EvenfallError:
        raise
    except Exception:
        # The library meets damage with whatever its parsers raise: KeyError, ParseError,
        # ValueError, BadZipFile, zlib.error … all of them mean the same to the user.
        raise BrokenFileError(
            "The workbook is damaged; open it in a spreadsheet program and save it again as XLSX.",
            where=name,
        ) from None


def _check_package(data: bytes, name: str) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            parts = package.infolist()
            names = {part.filename for part in parts}
            _check_size(parts, name)
            if "mimetype" in names and b"opendocument" in package.read("mimetype")[:200]:
                raise UnsupportedError(
                    "This is an OpenDocument file; save it as XLSX or CSV.", where=name
                )
            if "xl/workbook.bin" in names:
                raise UnsupportedError(
                    "This is a binary workbook (XLSB); save it as XLSX or CSV.", where=name
                )
            if "[Content_Types].xml" not in names or not any(n.startswith("xl/") for n in names):
                raise FormatMismatchError(
                    "This is a ZIP archive, not a workbook; unpack it and name the sheet in it.",
                    where=name,
                )
            for part in names:
                if part.endswith((".xml", ".rels")) and _defines_entities(package, part):
                    raise UnsupportedError(
                        "The workbook holds a document type definition, which no spreadsheet "
                        "program writes; save it again as XLSX.",
                        where=name,
                    )
    except EvenfallError:
        raise
    except Exception:  # a damaged archive: BadZipFile, zlib.error, struct.error …
        raise BrokenFileError(
            "The workbook is damaged or cut short; copy or save it again.",
            where=name,
        ) from None


def _defines_entities(package: zipfile.ZipFile, part: str) -> bool:
    with package.open(part) as stream:
        return b"<!DOCTYPE" in stream.read(2000)


def _check_size(parts: Iterable[zipfile.ZipInfo], name: str) -> None:
    parts = list(parts)
    if any(part.flag_bits & 1 for part in parts):
        raise UnsupportedError(
            "The workbook is locked with a password; save it without one.", where=name
        )
    unpacked = sum(part.file_size for part in parts)
    swollen = any(
        part.file_size > 20_000_000 and part.file_size > RATIO_LIMIT * max(part.compress_size, 1)
        for part in parts
    )
    if unpacked > UNPACKED_LIMIT_BYTES or swollen or len(parts) > 5_000:
        raise UnsupportedError(
            "The workbook unpacks to far more than a sheet of readings holds; copy the readings "
            "into a new workbook.",
            where=name,
        )


def _read(data: bytes, name: str) -> Sheet:
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False)
    try:
        found: list[tuple[Any, int, Header]] = []
        faults: list[HeaderError] = []
        for worksheet in book.worksheets:
            worksheet.reset_dimensions()  # the stated size may be wrong
            try:
                if (place := _find_header(worksheet)) is not None:
                    found.append((worksheet, *place))
            except HeaderError as fault:
                faults.append(fault)
        if len(found) > 1:
            titles = " and ".join(shown(worksheet.title) for worksheet, *_ in found[:2])
            raise UnsupportedError(
                f"The worksheets {titles} both hold readings; keep one of them in the file.",
                where=name,
            )
        if not found:
            raise _no_readings(faults, [worksheet.title for worksheet in book.worksheets], name)
        worksheet, header_row, header = found[0]
        merged = _merged_cells(data, worksheet, header_row, header)
        rows = tuple(_rows(worksheet, header_row, header, name))
        return Sheet(rows, (*unused_columns(header), *merged))
    finally:
        book.close()


def _no_readings(faults: list[HeaderError], titles: list[str], name: str) -> EvenfallError:
    telling = [fault for fault in faults if not fault.missing_all]
    if telling:
        return FormatMismatchError(telling[0].sentence, where=name)
    listed = ", ".join(shown(title) for title in titles[:5]) or "none"
    return FormatMismatchError(
        "No worksheet has a first row that names the columns, at least quantity and value "
        f"(worksheets: {listed}).",
        where=name,
    )


def _find_header(worksheet: Any) -> tuple[int, Header] | None:
    """Return the row number of the header and what it says; None on an empty worksheet."""
    for number, cells in enumerate(worksheet.iter_rows(max_row=_HEADER_ROWS), start=1):
        texts = [_text(cell)[0] for cell in cells[:COLUMN_LIMIT]]
        if not any(texts) or texts[0].startswith("#"):
            continue
        while texts and not texts[-1]:
            texts.pop()
        return number, read_header(texts)
    return None


def _rows(worksheet: Any, header_row: int, header: Header, name: str) -> Iterator[SheetRow]:
    columns = [(column, at) for column, at in header.columns.items() if column in _READ_COLUMNS]
    for number, cells in enumerate(worksheet.iter_rows(), start=1):
        if number <= header_row or all(cell.value is None for cell in cells):
            if number > _LAST_ROW:
                raise too_many_rows(name)
            continue
        if number > ROW_LIMIT:
            raise too_many_rows(name)
        read = [_text(cell) for cell in cells[: header.width]]
        row = make_row(number, [text for text, _ in read], header)
        if row is None:
            continue
        faults = [
            f"The {column} {read[at][1]}"
            for column, at in columns
            if at < len(read) and read[at][1]
        ]
        yield SheetRow(number, row.cells, faults[0]) if faults else row


def _text(cell: Any) -> Cell:
    """Return a cell as text, and why it cannot be taken as it stands."""
    value = cell.value
    text, fault = str(value), ""
    if value is None:
        text = ""
    elif cell.data_type == "f":
        text, fault = "=", "is a formula; copy the cell and paste it as a value."
    elif cell.data_type == "e":
        fault = f"holds the spreadsheet's error {shown(text)}; write the reading itself."
    elif isinstance(value, bool):
        fault = "is true or false, not a reading; write the number."
    elif isinstance(value, datetime.date | datetime.time | datetime.timedelta):
        fault = (
            "was turned into a date or time by the spreadsheet; set the cell's format to number "
            "or text and type it again."
        )
    elif isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        text = str(int(value))  # 3.0 is fret 3
    return text.strip(), fault


def _merged_cells(
    data: bytes, worksheet: Any, header_row: int, header: Header
) -> Iterator[Finding]:
    """Yield a finding for each merged cell among the readings.

    Only the first of the cells holds the value; the others would pass for not yet read.
    """
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        content = package.read(worksheet._worksheet_path)
    used = [at + 1 for column, at in header.columns.items() if column in _READ_COLUMNS]
    for match in _MERGE.finditer(content):
        reference = match[1].decode()
        left, top, right, bottom = openpyxl.utils.range_boundaries(reference)
        if bottom > header_row and any(left <= column <= right for column in used):
            yield Finding(
                "row",
                f"Cells {reference} are merged; unmerge them and fill in each row.",
                f"row {max(top, header_row + 1)}",
                "error",
            )
