"""The rows of a hand sheet in an XLSX workbook (ISO/IEC 29500), read without trusting the file."""

from __future__ import annotations

import datetime
import io
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from typing import Any

import openpyxl
from openpyxl.utils.exceptions import InvalidFileException

from evenfall.errors import (
    At,
    BrokenFileError,
    EvenfallError,
    Finding,
    FormatMismatchError,
    UnsupportedError,
)
from evenfall.sheets.cells import (
    HAND_READINGS,
    Header,
    HeaderError,
    Layout,
    SheetFile,
    SheetRow,
    Table,
    make_row,
    read_header,
    too_many_rows,
    unused_columns,
)
from evenfall.wording import Sentence, sentence

UNPACKED_LIMIT_BYTES = 100_000_000
"""Largest unpacked size of a workbook; more is a trap or no sheet of readings."""

MARKUP_LIMIT_BYTES = 30_000_000
"""Largest size of its sheets and texts; the longest sheet of readings takes two thirds of that."""

RATIO_LIMIT = 200.0
"""Largest ratio of unpacked to packed size of a large part; honest sheets pack 5 to 50 times."""

LOCKED = "The workbook is locked with a password; save it without one."

COLUMN_LIMIT = 200
_MOST_WORKSHEETS = 100
_LAST_ROW = 1_048_576  # of any worksheet
_HEADER_ROWS = 50  # how far down a header is looked for
_MERGE = re.compile(
    rb"<(?:\w{1,20}:)?mergeCell\s[^>]{0,200}?ref=[\"']([A-Z]{1,3}[0-9]{1,7}:[A-Z0-9]{2,10})"
)

# The library meets damage with whatever its parsers raise; all of it means the same to the user.
_DAMAGE = (
    *(zipfile.BadZipFile, zlib.error, struct.error, EOFError, OSError, RuntimeError),
    *(InvalidFileException, LookupError, ValueError, TypeError, AttributeError),
    SyntaxError,  # what is no XML, by the standard library and by lxml, of which each has its own
    *(ArithmeticError, AssertionError),
)


def read_workbook(file: SheetFile, layout: Layout = HAND_READINGS) -> Table:
    """Return the rows of the one worksheet that holds readings."""
    at = At(file=file.name)
    try:
        with zipfile.ZipFile(io.BytesIO(file.content)) as package:
            _check_package(package, at)
    except _DAMAGE:
        text = "The workbook is damaged or cut short; copy or save it again."
        raise BrokenFileError(text, at=at) from None
    try:
        return _read(file, at, layout)
    except _DAMAGE:
        raise BrokenFileError(
            "The workbook is damaged; open it in a spreadsheet program and save it again as XLSX.",
            at=at,
        ) from None


def _check_package(package: zipfile.ZipFile, at: At) -> None:
    parts = package.infolist()
    names = {part.filename for part in parts}
    _check_size(parts, at)
    if "mimetype" in names and b"opendocument" in package.read("mimetype")[:200]:
        raise UnsupportedError("This is an OpenDocument file; save it as XLSX or CSV.", at=at)
    if "xl/workbook.bin" in names:
        raise UnsupportedError("This is a binary workbook (XLSB); save it as XLSX or CSV.", at=at)
    if "[Content_Types].xml" not in names or not any(n.startswith("xl/") for n in names):
        raise FormatMismatchError(
            "This is a ZIP archive, not a workbook; unpack it and name the sheet in it.", at=at
        )
    for part in names:
        if part.endswith((".xml", ".rels")) and _defines_entities(package, part):
            raise UnsupportedError(
                "The workbook holds a document type definition, which no spreadsheet program "
                "writes; save it again as XLSX.",
                at=at,
            )
        count = package.read(part).count(b" sheetId=") if part.count("/") == 1 else 0
        if count > _MOST_WORKSHEETS:
            text = "The workbook has {count} worksheets; copy the readings into a new one."
            raise UnsupportedError(text, at=at, count=count)


def _defines_entities(package: zipfile.ZipFile, part: str) -> bool:
    with package.open(part) as stream:
        return b"<!DOCTYPE" in stream.read(2000)


def _check_size(parts: list[zipfile.ZipInfo], at: At) -> None:
    if any(part.flag_bits & 1 for part in parts):
        raise UnsupportedError(LOCKED, at=at)
    unpacked = sum(part.file_size for part in parts)
    markup = sum(part.file_size for part in parts if part.filename.endswith((".xml", ".rels")))
    swollen = any(
        part.file_size > 5_000_000 and part.file_size > RATIO_LIMIT * max(part.compress_size, 1)
        for part in parts
    )
    large = unpacked > UNPACKED_LIMIT_BYTES or markup > MARKUP_LIMIT_BYTES
    if large or swollen or len(parts) > 5_000:
        raise UnsupportedError(
            "The workbook unpacks to far more than a sheet of readings holds; copy the readings "
            "into a new workbook.",
            at=at,
        )


def _read(file: SheetFile, at: At, layout: Layout) -> Table:
    book = openpyxl.load_workbook(io.BytesIO(file.content), read_only=True, data_only=False)
    try:
        found: list[tuple[Any, int, Header]] = []
        faults: list[HeaderError] = []
        for worksheet in book.worksheets:
            worksheet.reset_dimensions()  # the stated size may be wrong
            try:
                if (place := _find_header(worksheet, layout)) is not None:
                    found.append((worksheet, *place))
            except HeaderError as fault:
                faults.append(fault)
        if len(found) > 1:
            raise UnsupportedError(
                "The worksheets {titles:quoted} both hold readings; keep one of them in the file.",
                at=at,
                titles=[worksheet.title for worksheet, *_ in found[:2]],
            )
        if not found:
            titles = [worksheet.title for worksheet in book.worksheets]
            raise _no_readings(faults, titles, layout, at)
        worksheet, header_row, header = found[0]
        merged = _merged_cells(file.content, worksheet, header_row, header)
        rows = tuple(_rows(worksheet, header_row, header, file.name))
        return Table(rows, (*unused_columns(header), *merged))
    finally:
        book.close()


def _no_readings(
    faults: list[HeaderError], titles: list[str], layout: Layout, at: At
) -> EvenfallError:
    for fault in faults:
        if not fault.no_header:
            return FormatMismatchError(fault.said, at=at)
    return FormatMismatchError(
        "No worksheet has a first row that names the columns, at least {needed:list} "
        "(worksheets: {titles:quoted}).",
        at=at,
        needed=layout.required,
        titles=titles[:5],
    )


def _find_header(worksheet: Any, layout: Layout) -> tuple[int, Header] | None:
    """Return the row number of the header and what it says; None on an empty worksheet."""
    for number, cells in enumerate(
        worksheet.iter_rows(max_row=_HEADER_ROWS, max_col=COLUMN_LIMIT), start=1
    ):
        texts = [_text(cell)[0] for cell in cells[:COLUMN_LIMIT]]
        if not any(texts) or texts[0].startswith("#"):
            continue
        while texts and not texts[-1]:
            texts.pop()
        return number, read_header(texts, layout)
    return None


def _rows(worksheet: Any, header_row: int, header: Header, name: str) -> Iterator[SheetRow]:
    columns = list(header.read.items())
    for number, cells in enumerate(worksheet.iter_rows(max_col=header.width), start=1):
        if number <= header_row or all(cell.value is None for cell in cells):
            if number > _LAST_ROW:
                raise too_many_rows(name, header.layout)
            continue
        if number > header.layout.row_limit:
            raise too_many_rows(name, header.layout)
        read = [_text(cell) for cell in cells]
        row = make_row(number, [text for text, _ in read], header)
        if row is None:
            continue
        faults = [
            (column, fault)
            for column, at in columns
            if at < len(read) and (fault := read[at][1]) is not None
        ]
        for column, fault in faults[:1]:
            text = "The {column} {fault}"
            row = SheetRow(number, row.cells, sentence(text, column=column, fault=fault), column)
        yield row


def _text(cell: Any) -> tuple[str, Sentence | None]:
    """Return a cell as text, and why it cannot be taken as it stands, to follow its column."""
    value = cell.value
    text, fault = str(value), None
    if value is None:
        text = ""
    elif cell.data_type == "f":
        text = "="
        fault = sentence("is a formula; copy the cell and paste it as a value.")
    elif cell.data_type == "e":
        fault = sentence(
            "holds the spreadsheet's error {given:quoted}; write the reading itself.", given=text
        )
    elif isinstance(value, bool):
        fault = sentence("is true or false, not a reading; write the number.")
    elif isinstance(value, datetime.date | datetime.time | datetime.timedelta):
        fault = sentence(
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
    used = [at + 1 for at in header.read.values()]
    for match in _MERGE.finditer(content):
        reference = match[1].decode()
        left, top, right, bottom = openpyxl.utils.range_boundaries(reference)
        if bottom > header_row and any(left <= column <= right for column in used):
            yield Finding(
                "row",
                "Cells {cells} are merged; unmerge them and fill in each row.",
                At(rows=(max(top, header_row + 1),)),
                "error",
                cells=reference,
            )
