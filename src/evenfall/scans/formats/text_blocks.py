"""Large text files in blocks of whole lines, and blocks of numbers into rows.

The numbers are parsed by NumPy's text reader, block by block. A block that it refuses is read once
more line by line, so that a missing reading becomes NaN and a bad line is named by its number.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator, Sequence
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.errors import At, BrokenFileError, FormatMismatchError
from evenfall.scans.formats.text_layout import MISSING_WORDS, split_cells

if TYPE_CHECKING:
    from numpy.typing import NDArray

BLOCK_BYTES = 1 << 22
"""Read at a time: some hundred thousand points."""

PORTION_BYTES = 1 << 18
"""Of a block taken apart line by line: its lines need some ten times their own size."""

LONGEST_LINE_BYTES = 1 << 24
"""No row of points or heights is longer than this."""

HEAD_BYTES = 1 << 20
"""Start of a text file from which its layout is told."""

_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def head_lines(start: bytes, *, whole: bool) -> list[str]:
    """Return the first lines of a text file, decoded; its numbers are ASCII in any encoding."""
    if start.startswith(_UTF16):
        text = start[: len(start) // 2 * 2].decode("utf-16", errors="replace")
    else:
        if b"\0" in start:
            raise FormatMismatchError("This is not text, and no format of scans that is known.")
        try:
            text = codecs.getincrementaldecoder("utf-8-sig")().decode(start, final=whole)
        except UnicodeDecodeError:
            # only names and units of columns lie outside ASCII, and the micro sign is the same
            # in all western one-byte encodings
            text = start.decode("latin-1")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if not whole and len(lines) > 1:
        lines.pop()
    return lines


class LineBlocks:
    """The lines of a text file in blocks of whole lines, after some skipped at its start."""

    def __init__(self, path: Path, skipped: int = 0) -> None:
        self.path = path
        self.line = 0
        self.read_bytes = 0
        self._skipped = skipped

    def __iter__(self) -> Iterator[bytes]:
        """Yield blocks; `line` is the number of lines before the block just yielded."""
        following = 0
        for block in self._blocks():
            self.line = following
            following += block.count(b"\n")
            if following <= self._skipped:
                continue
            if self.line < self._skipped:
                ends = np.flatnonzero(np.frombuffer(block, np.uint8) == ord("\n"))
                at = int(ends[self._skipped - self.line - 1]) + 1
                self.line, block = self._skipped, block[at:]  # noqa: PLW2901
            if block:
                yield block

    def _blocks(self) -> Iterator[bytes]:
        rest = b""
        for raw in self._raw():
            data = raw if b"\r" not in raw else raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
            rest = rest + data if rest else data
            end = rest.rfind(b"\n") + 1
            if end:
                yield rest[:end]
                rest = rest[end:]
            elif len(rest) > LONGEST_LINE_BYTES:
                raise BrokenFileError(
                    "A line is longer than {most} million characters; this is not a list of "
                    "points.",
                    most=LONGEST_LINE_BYTES >> 20,
                )
        if rest:
            yield rest + b"\n"

    def _raw(self) -> Iterator[bytes]:
        """Yield the file piece by piece; UTF-16 as ASCII; never cut between CR and LF."""
        with self.path.open("rb") as stream:
            start = stream.read(3)
            decoder = None
            if start.startswith(_UTF16):
                decoder = codecs.getincrementaldecoder("utf-16")(errors="replace")
            stream.seek(3 if start == codecs.BOM_UTF8 else 0)
            held = b""
            while data := stream.read(BLOCK_BYTES):
                self.read_bytes = stream.tell()
                if decoder is not None:
                    data = decoder.decode(data).encode("ascii", errors="replace")
                data = held + data
                held = b"\r" if data.endswith(b"\r") else b""
                yield data[: len(data) - len(held)]
            if held:
                yield held


def portions(block: bytes, line: int) -> Iterator[tuple[bytes, int]]:
    """Yield a block of whole lines in smaller ones, and the number of lines before each."""
    start = 0
    while start < len(block):
        end = block.find(b"\n", start + PORTION_BYTES) + 1 or len(block)
        portion = block[start:end]
        yield portion, line
        line += portion.count(b"\n")
        start = end


def rows_in(
    block: bytes,
    columns: Sequence[int],
    *,
    width: int,
    first_line: int,
    delimiter: str | None = None,
    decimal_comma: bool = False,
) -> NDArray[Any]:
    """Return the numbers in a block of lines, shape (rows, columns); NaN for no reading."""
    if not block.strip():
        return np.empty((0, len(columns)))
    try:
        return _quick_rows(block, columns, delimiter, decimal_comma=decimal_comma)
    except ValueError:
        return _careful_rows(
            block,
            columns,
            delimiter,
            width=width,
            first_line=first_line,
            decimal_comma=decimal_comma,
        )


def _quick_rows(
    block: bytes, columns: Sequence[int], delimiter: str | None, *, decimal_comma: bool
) -> NDArray[Any]:
    data = block
    if decimal_comma:
        data = data.replace(b",", b".")
    if b'"' in data:
        data = data.replace(b'"', b"")
    if delimiter is not None:
        data = _fill_empty(data, delimiter.encode())
    # A first row of our own: over a block without any number NumPy would warn.
    first = (delimiter or " ").encode().join([b"nan"] * (max(columns) + 1)) + b"\n"
    rows = np.loadtxt(
        BytesIO(first + data),
        delimiter=delimiter,
        usecols=columns,
        ndmin=2,
        comments="#" if b"#" in data else None,
        encoding="ascii",
    )
    return rows[1:]


def _fill_empty(data: bytes, mark: bytes) -> bytes:
    """Return lines with nan in empty cells."""
    if mark + mark in data:
        data = data.replace(mark + mark, mark + b"nan" + mark)
        data = data.replace(mark + mark, mark + b"nan" + mark)
    if mark + b"\n" in data:
        data = data.replace(mark + b"\n", mark + b"nan\n")
    if b"\n" + mark in data:
        data = data.replace(b"\n" + mark, b"\nnan" + mark)
    return b"nan" + data if data.startswith(mark) else data


def _careful_rows(
    block: bytes,
    columns: Sequence[int],
    delimiter: str | None,
    *,
    width: int,
    first_line: int,
    decimal_comma: bool,
) -> NDArray[Any]:
    """Return the same, line by line."""
    rows = []
    for number, raw in enumerate(block.split(b"\n"), start=first_line + 1):
        line = raw.decode("latin-1").strip()
        if not line or line.startswith(("#", "//", "%", "!")):
            continue
        cells = split_cells(line, delimiter)
        if len(cells) <= max(columns):
            raise BrokenFileError(
                "This line has {count:count cell}, but {width} are needed; the file was cut short "
                "or damaged, so export it again.",
                at=At(lines=(number,)),
                count=len(cells),
                width=width,
            )
        rows.append([_number(cells[c], number, decimal_comma=decimal_comma) for c in columns])
    return np.array(rows, dtype=float).reshape(-1, len(columns))


def _number(cell: str, line: int, *, decimal_comma: bool) -> float:
    if cell.lower() in MISSING_WORDS:
        return float("nan")
    try:
        return float(cell.replace(",", ".") if decimal_comma else cell)
    except ValueError:
        raise BrokenFileError(
            "{cell:quoted} stands where a number belongs; correct the line or export the file "
            "again.",
            at=At(lines=(line,)),
            cell=cell,
        ) from None
