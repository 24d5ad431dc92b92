"""The rows of a hand sheet in CSV, whatever separates its columns."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator

from evenfall.errors import At, BrokenFileError, FormatMismatchError
from evenfall.files import decode_text
from evenfall.sheets.cells import (
    HAND_READINGS,
    Header,
    HeaderError,
    Layout,
    SheetFile,
    Table,
    make_row,
    read_header,
    too_many_rows,
    unused_columns,
)
from evenfall.wording import sentence

_HEADER_LIMIT = 5_000  # characters
_OTHER_FORMATS: dict[bytes, str] = {
    b"%PDF": "a PDF document",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"\x1f\x8b": "a compressed file",
    b"{\\rtf": "a text document",
    b"<": "a web page or XML file",
    b"{": "a JSON file",
}


def read_text_table(file: SheetFile, layout: Layout = HAND_READINGS) -> Table:
    """Return the rows of a sheet in CSV."""
    for magic, what in _OTHER_FORMATS.items():
        if file.content.startswith(magic):
            raise FormatMismatchError(
                "This is {what}, not a sheet of readings; use CSV or XLSX.",
                at=At(file=file.name),
                what=what,
            )
    text = decode_text(file.content, name=file.name)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if text.count("\n") > layout.row_limit:
        raise too_many_rows(file.name, layout)
    delimiter, header, rows = _split(text, file.name, layout)
    advice = "remove the extra cells"
    if delimiter == ",":
        advice = (
            "if a decimal comma split a number, put the number in quotation marks or separate the "
            "columns by semicolons"
        )
    made = (make_row(number, cells, header, advice=advice) for number, cells in rows)
    return Table(tuple(row for row in made if row), unused_columns(header))


def _split(
    text: str, name: str, layout: Layout
) -> tuple[str, Header, Iterator[tuple[int, list[str]]]]:
    """Find the header, take the delimiter from it, and return the rows below, numbered."""
    lines = text.split("\n")
    start, stated = 0, ""
    while start < len(lines) and (not lines[start].strip() or lines[start].startswith("#")):
        start += 1
    if start < len(lines) and (match := re.fullmatch(r"sep=([,;\t]) *", lines[start][:20])):
        start, stated = start + 1, match[1]  # a line that some spreadsheets put first
    if start >= len(lines):
        raise FormatMismatchError(
            "The file holds no header; the first row must name the columns, at least "
            "{needed:list}.",
            at=At(file=name),
            needed=layout.required,
        )
    line = lines[start][:_HEADER_LIMIT]
    errors: list[HeaderError] = []
    for delimiter in stated or ",;\t":
        try:
            cells = next(csv.reader([line], delimiter=delimiter))
            header = read_header(cells, layout)
        except HeaderError as error:
            errors.append(error)
        except (csv.Error, StopIteration):
            continue
        else:
            return delimiter, header, _records(lines, start + 1, delimiter, name)
    # the delimiter under which the line names most columns explains most
    said = [error.said for error in sorted(errors, key=lambda error: error.no_header)]
    unreadable = sentence("The first row cannot be read; write it again.")
    raise FormatMismatchError([*said, unreadable][0], at=At(file=name, rows=(start + 1,)))


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


def _quote_error(error: csv.Error, row: int, span: int, name: str) -> BrokenFileError:
    at = At(file=name, rows=(row,))
    if "limit" in str(error) or "unexpected end" in str(error) or span > 1:
        return BrokenFileError(
            "A quotation mark opened in row {row} is not closed as it should be; close it, or "
            "write the unit of inches as in, without the mark.",
            at=at,
            row=row,
        )
    return BrokenFileError(
        "Row {row} has something after a closing quotation mark; put the mark at the end of the "
        "cell or remove it.",
        at=at,
        row=row,
    )
