"""Lines of OBJ: points, and faces as triangles, in pieces.

Of a point its x, y and z are read, of a face the points of its corners; everything else in the
file concerns looks and is passed over.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import IntArray
from evenfall.errors import At, BrokenFileError, UnsupportedError
from evenfall.scans.formats.scan import ScanFile
from evenfall.scans.formats.text_blocks import BLOCK_BYTES, LineBlocks, portions, rows_in

if TYPE_CHECKING:
    from numpy.typing import NDArray


MOST_CORNERS = 1 << 16
"""No face has more corners than this."""

_LOOKS = re.compile(rb"(?<=[0-9])/\S*")
"""What follows the number of a point: those of its texture and direction."""

_WHOLE = re.compile(rb"[+-]?[0-9]{1,18}")

_LONE_SIGN = re.compile(rb"-(?![0-9])|[0-9]-")

_END = -(1 << 62)
"""Follows the last number, to show that all were read."""


def obj_pieces(
    file: ScanFile, *, with_points: bool = True
) -> Iterator[tuple[NDArray[Any], IntArray]]:
    """Yield the points, shape (M, 3), and the triangles, shape (T, 3), of an OBJ file, in pieces.

    Triangles name points of the whole file from 0, and perhaps some beyond the last one.
    """
    size = max(1, file.size)
    blocks = LineBlocks(file.path)
    before = 0
    for block, line in _unbroken(blocks):
        lines = _lines(block)
        is_point = [text[:2] == b"v " for text in lines]
        count = sum(is_point)
        points = np.empty((0, 3))
        if with_points and count:
            # other lines stay as empty ones, so that a faulty line is named by its number
            chosen = [text if is_p else b"" for text, is_p in zip(lines, is_point, strict=True)]
            points = rows_in(b"\n".join(chosen), (1, 2, 3), width=4, first_line=line)
        at = [number for number, text in enumerate(lines) if text[:2] == b"f "]
        triangles = np.empty((0, 3), dtype=np.int64)
        if at:
            seen = before + np.cumsum(is_point)[at]
            places = [line + number + 1 for number in at]
            triangles = _triangles([lines[number] for number in at], seen, places)
        before += count
        yield points, triangles
        file.done(blocks.read_bytes / size)


def _unbroken(blocks: LineBlocks) -> Iterator[tuple[bytes, int]]:
    """Yield portions of which none ends in a line that goes on, and the number of lines before."""
    held, before = b"", 0
    for block in blocks:
        for portion, line in portions(block, blocks.line):
            if not held:
                before = line
            held += portion
            if not held.endswith(b"\\\n"):
                yield held, before
                held = b""
            elif len(held) > BLOCK_BYTES:
                raise BrokenFileError(
                    "From here on lines go on without an end; export the mesh again.",
                    at=At(lines=(before + 1,)),
                )
    if held:
        yield held, before


def _lines(block: bytes) -> list[bytes]:
    """Return the lines; those that go on after a backslash as one, with empty ones after it."""
    lines = block.split(b"\n")
    if b"\t" in block or b"\n " in block or block[:1] == b" ":
        lines = [line.strip().replace(b"\t", b" ") for line in lines]
    if b"\\\n" not in block:
        return lines
    joined: list[bytes] = []
    at = 0
    while at < len(lines):
        end = at
        # a comment or the name of a part may well end with a backslash
        while (
            lines[at][:2] in (b"v ", b"f ") and lines[end].endswith(b"\\") and end + 1 < len(lines)
        ):
            end += 1
        parts = [line.removesuffix(b"\\") for line in lines[at:end]]
        joined += [b" ".join([*parts, lines[end]]), *[b""] * (end - at)]
        at = end + 1
    return joined


def _triangles(faces: Sequence[bytes], seen: IntArray, places: Sequence[int]) -> IntArray:
    """Return faces as fans of triangles, shape (T, 3)."""
    if max(map(len, faces)) > BLOCK_BYTES:
        raise _too_many_corners()
    numbers = _quick_numbers(faces)
    if numbers is None:
        numbers = _careful_numbers(faces, places)
    starts = np.flatnonzero(numbers == 0)
    corners = np.diff(np.append(starts, len(numbers) - 1)) - 1
    if int(corners.max()) > MOST_CORNERS:
        raise _too_many_corners()
    count = np.maximum(corners - 2, 0)
    if bool(np.all(corners == 3)):
        found = numbers[:-1].reshape(-1, 4)[:, 1:]
    else:
        first = np.repeat(starts + 1, count)
        second = first + 1 + np.arange(len(first)) - np.repeat(np.cumsum(count) - count, count)
        found = np.column_stack([numbers[first], numbers[second], numbers[second + 1]])
    backwards = found < 0
    found = found - 1
    if backwards.any():
        found += backwards * (np.repeat(seen, count)[:, None] + 1)
        if bool((found < 0).any()):
            raise BrokenFileError("A face names a point before the first; export the mesh again.")
    return found


def _quick_numbers(faces: Sequence[bytes]) -> IntArray | None:
    """Return a 0 and the points of each face, then `_END`; None if something else is in the way."""
    text = b"\n".join(faces)
    if b"/" in text:
        text = _LOOKS.sub(b"", text)
    # no point has the number 0, so that it can stand for the letter in front of a face
    text = text.replace(b"f", b"0")
    if text.translate(None, b"0123456789- \r\n") or (b"-" in text and _LONE_SIGN.search(text)):
        return None
    numbers = np.fromstring(text + b"\n%d" % _END, dtype=np.int64, sep=" ")
    sound = numbers[-1] == _END and np.count_nonzero(numbers == 0) == len(faces)
    return numbers if sound else None


def _careful_numbers(faces: Sequence[bytes], places: Sequence[int]) -> IntArray:
    """Return the same numbers, read face by face; the first that is none is named."""
    numbers: list[int] = []
    for face, place in zip(faces, places, strict=True):
        numbers.append(0)
        words = face.partition(b"#")[0].split(None, MOST_CORNERS + 2)[1:]
        if len(words) > MOST_CORNERS:
            raise _too_many_corners()
        for word in words:
            number = word.partition(b"/")[0]
            if not _WHOLE.fullmatch(number) or not int(number):
                raise BrokenFileError(
                    "{word:quoted} stands where the number of a point belongs, from 1; correct "
                    "the line or export the mesh again.",
                    at=At(lines=(place,)),
                    word=word.decode("latin-1"),
                )
            numbers.append(int(number))
    return np.array([*numbers, _END], dtype=np.int64)


def _too_many_corners() -> UnsupportedError:
    return UnsupportedError(
        "A face has more than {most:,} corners; export the mesh as triangles.", most=MOST_CORNERS
    )
