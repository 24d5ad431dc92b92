"""PLY, ASCII and binary: points, or a mesh.

The header is read here and the numbers by NumPy, because the libraries for PLY hold several copies
of a large file at once (docs/decisions/0006). Before anything is allocated the header is held
against the length of the file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np

from evenfall.arrays import IntArray
from evenfall.errors import At, BrokenFileError, UnsupportedError
from evenfall.scans.formats.corners import FewRows
from evenfall.scans.formats.meshes import (
    Together,
    coarse_mesh,
    fine_mesh,
    is_fine,
    no_such_point,
)
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    PIECE_POINTS,
    GrowingPoints,
    Scan,
    ScanFile,
    claims_more,
    cloud,
    no_points,
    not_used,
    too_many,
    unit_named,
)
from evenfall.scans.formats.text_blocks import LineBlocks, portions, rows_in
from evenfall.wording import Sentence, quoted, sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray


MOST_HEADER_BYTES = 1 << 20

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_FACE_NAMES = ("vertex_indices", "vertex_index")
_UNIT = re.compile(r"(?:units?|length[ _]units?)\s*[:=]?\s*(\S+)\s*")


@dataclass(frozen=True, slots=True)
class _Element:
    """One kind of thing in the file: name, count, and properties (name, type, type of count)."""

    name: str
    count: int
    properties: tuple[tuple[str, str, str], ...]

    @property
    def has_list(self) -> bool:
        return any(length for _, _, length in self.properties)

    @property
    def least_bytes(self) -> int:
        """Fewest bytes of one in a binary file; a list may be empty."""
        return sum(np.dtype(length or kind).itemsize for _, kind, length in self.properties)

    def row(self, order: str) -> np.dtype[Any]:
        return np.dtype([(name, order + kind) for name, kind, _ in self.properties])


@dataclass(frozen=True, slots=True)
class _Header:
    binary: bool
    order: str
    elements: tuple[_Element, ...]
    unit: str | None
    length_bytes: int
    line_count: int


def read_ply(file: ScanFile) -> Scan:
    """Return the points or the mesh in a PLY file."""
    with file.path.open("rb") as stream:
        header = _header(stream)
        _check(header, file.size)
        kind = "binary" if header.binary else "ASCII"
        scan = replace(file.scan, format=f"PLY, {kind}").in_unit(header.unit, "file")
        few, (lowest, highest) = FewRows(), (0, -1)

        def judge(faces: IntArray) -> None:
            nonlocal lowest, highest
            few.add(faces)
            lowest = min(lowest, int(faces.min(initial=0)))
            highest = max(highest, int(faces.max(initial=-1)))

        source = _source(stream, header, file)
        vertices, left = _content(header, source, judge)
        if not few.count:
            return cloud(scan, vertices, left_out=left)
        if lowest < 0 or highest >= len(vertices):
            raise no_such_point()
        if is_fine(vertices[few.rows]):
            return fine_mesh(scan, vertices, few.count, left)
        if few.count > MOST_POINTS:
            raise too_many(few.count)
        # read again: only now it is known that the triangles themselves are wanted
        triangles = Together(few.count, vertices.dtype)
        source = _source(stream, header, file)
        _content(header, source, lambda faces: triangles.add(vertices[faces]), with_points=False)
        return coarse_mesh(scan, triangles.done(), left)


def _source(stream: BinaryIO, header: _Header, file: ScanFile) -> _Binary | _Ascii:
    """Return the elements of a file, from the first one on."""
    return _Binary(stream, header, file) if header.binary else _Ascii(header, file)


def _header(stream: BinaryIO) -> _Header:
    """Return what the header says."""
    text = stream.read(MOST_HEADER_BYTES)
    end = re.search(rb"(?:^|[\r\n])end_header[ \t]*(\r\n|\n|\r)?", text)
    if end is None:
        raise BrokenFileError("The header has no end; the file was cut short or is not PLY.")
    lines = re.split(r"\r\n|\n|\r", text[: end.start()].decode("latin-1"))
    line_count = len(lines) + 1
    binary, order, unit = None, "<", None
    elements: list[_Element] = []
    for line in lines[1:]:
        words = line.split()
        if not words or words[0] in ("comment", "obj_info"):
            if (match := _UNIT.fullmatch(" ".join(words[1:]).lower())) and (
                found := unit_named(match[1])
            ):
                unit = found[0] if found[1] == 1.0 else None
            continue
        if words[0] == "format" and len(words) >= 2:
            if words[1] not in ("ascii", "binary_little_endian", "binary_big_endian"):
                raise UnsupportedError(
                    "The format {given:quoted} of PLY is not known; export the mesh again.",
                    given=words[1],
                )
            binary = words[1] != "ascii"
            order = ">" if words[1].endswith("big_endian") else "<"
        elif (
            words[0] == "element" and len(words) == 3 and words[2].isdigit() and len(words[2]) < 20
        ):
            elements.append(_Element(words[1], int(words[2]), ()))
        elif words[0] == "property" and elements:
            last = elements[-1]
            properties = (*last.properties, _property(words))
            elements[-1] = _Element(last.name, last.count, properties)
        else:
            raise _bad_line(line)
    if binary is None:
        raise BrokenFileError("The header does not say whether the file is ASCII or binary.")
    for element in elements:
        names = [p[0] for p in element.properties]
        if len(set(names)) < len(names):
            raise BrokenFileError(
                "The element {name:quoted} has a property twice; export the mesh again.",
                name=element.name,
            )
    return _Header(binary, order, tuple(elements), unit, end.end(), line_count)


def _bad_line(line: str) -> BrokenFileError:
    return BrokenFileError(
        "The header line {line:quoted} cannot be read; export the mesh again.", line=line
    )


def _property(words: list[str]) -> tuple[str, str, str]:
    if words[1:2] == ["list"] and len(words) == 5:
        kinds, name = words[2:4], words[4]
    elif len(words) == 3:
        kinds, name = ["", words[1]], words[2]
    else:
        raise _bad_line(" ".join(words))
    for kind in kinds:
        if kind and kind not in _TYPES:
            raise UnsupportedError(
                "The type {given:quoted} of PLY is not known; export the mesh again.", given=kind
            )
    if kinds[0] and not _TYPES[kinds[0]].startswith(("i", "u")):
        raise BrokenFileError("A list is counted in fractions; the header is damaged.")
    return name, _TYPES[kinds[1]], _TYPES.get(kinds[0], "")


def _check(header: _Header, size: int) -> None:
    """Hold the counts in the header against the length of the file."""
    vertex = next((e for e in header.elements if e.name == "vertex"), None)
    if vertex is None or not vertex.count:
        raise no_points()
    names = [e.name for e in header.elements]
    if twice := next((name for name in names if names.count(name) > 1), ""):
        raise BrokenFileError(
            "The header names the element {name:quoted} twice; export the scan again.", name=twice
        )
    axes = {p[0] for p in vertex.properties if not p[2]}
    if not {"x", "y", "z"} <= axes:
        raise UnsupportedError("The points of the file have no x, y and z.")
    have = size - header.length_bytes
    for element in header.elements:
        # in text, each number takes a digit and a space or line end
        each = element.least_bytes if header.binary else 2 * len(element.properties)
        if element.count * max(1, each) > have + 1:
            what = quoted(element.name)
            raise claims_more(element.count, what, max(0, have) // max(1, each))
    if vertex.count > MOST_POINTS:
        raise too_many(vertex.count)
    if vertex.has_list and header.binary:
        raise UnsupportedError("The points of the file carry lists; export them without.")


def _content(
    header: _Header,
    source: _Binary | _Ascii,
    take: Callable[[IntArray], None],
    *,
    with_points: bool = True,
) -> tuple[NDArray[Any], tuple[Sentence, ...]]:
    """Hand the triangles to `take` piece by piece; return the points and what was left out."""
    vertices: NDArray[Any] | None = None
    left: list[Sentence] = []
    for at, element in enumerate(header.elements):
        later = {e.name for e in header.elements[at + 1 :] if e.count}
        if element.name == "vertex":
            if with_points:
                vertices = source.points(element)
            else:
                source.skip(element)
                vertices = np.empty((0, 3))
            more = [p[0] for p in element.properties if p[0] not in ("x", "y", "z")]
            left += not_used(more)
        elif element.name == "face" and vertices is not None and element.count:
            if any(p[0] in _FACE_NAMES and p[2] for p in element.properties):
                source.faces(element, take)
            else:
                left.append(sentence("Its faces name no points and were not used."))
                break
        elif element.count:
            unused = sentence(
                "Not used: {count:,} of {name:quoted}.", count=element.count, name=element.name
            )
            left.append(unused)
            if not later & {"vertex", "face"}:
                break
            source.skip(element)
    assert vertices is not None  # noqa: S101 (_check saw to it)
    return vertices, tuple(left)


class _Binary:
    """Elements of a binary file, in order."""

    def __init__(self, stream: BinaryIO, header: _Header, file: ScanFile) -> None:
        self.stream, self.order, self.file = stream, header.order, file
        self.size = file.size
        stream.seek(header.length_bytes)

    def points(self, element: _Element) -> NDArray[Any]:
        row = element.row(self.order)
        single = all(row[a].itemsize <= 4 and row[a].kind == "f" for a in "xyz")
        points = GrowingPoints(element.count, np.float32 if single else np.float64)
        for piece in self._pieces(row, element.count):
            room = points.reserve(len(piece))
            for at, axis in enumerate("xyz"):
                room[:, at] = piece[axis]
            points.keep(len(piece))
        return points.done()

    def _pieces(self, row: np.dtype[Any], count: int) -> Iterator[NDArray[Any]]:
        at = 0
        while at < count:
            many = min(PIECE_POINTS, count - at)
            data = self.stream.read(many * row.itemsize)
            got = len(data) // row.itemsize
            if got < many:
                raise claims_more(count, "points", at + got)
            yield np.frombuffer(data, dtype=row)
            at += many
            self.file.done(self.stream.tell() / max(1, self.size))

    def faces(self, element: _Element, take: Callable[[IntArray], None]) -> None:
        if len(element.properties) == 1:
            _, kind, length = element.properties[0]
            start = self.stream.tell()
            for corners in (3, 4):
                row = np.dtype([("n", self.order + length), ("v", self.order + kind, (corners,))])
                if element.count * row.itemsize > self.size - start:
                    continue
                pieces = self._pieces(row, element.count)
                alike = all(bool(np.all(piece["n"] == corners)) for piece in pieces)
                self.stream.seek(start)
                if alike:
                    for piece in self._pieces(row, element.count):
                        take(_fan(piece["v"]))
                    return
        for triangles in self._walk(element):
            take(triangles)

    def _walk(self, element: _Element) -> Iterator[IntArray]:
        """Yield triangles of faces of any make, one face after the other."""
        rows = [
            (name, np.dtype(self.order + kind), np.dtype(self.order + length) if length else None)
            for name, kind, length in element.properties
        ]
        found: list[IntArray] = []
        for number in range(element.count):
            for name, kind, length in rows:
                many = int(self._take(length, 1)[0]) if length is not None else 1
                if many < 0 or many * kind.itemsize > self.size:
                    raise claims_more(many, "corners of one face")
                values = self._take(kind, many)
                if name in _FACE_NAMES and many >= 3:
                    found.append(_fan(values[None, :]))
            if len(found) >= 1 << 14:
                yield np.concatenate(found)
                found = []
                self.file.done(number / element.count)
        if found:
            yield np.concatenate(found)

    def _take(self, kind: np.dtype[Any], many: int) -> NDArray[Any]:
        data = self.stream.read(many * kind.itemsize)
        if len(data) < many * kind.itemsize:
            raise claims_more(many * kind.itemsize, "bytes more", len(data))
        return np.frombuffer(data, dtype=kind)

    def skip(self, element: _Element) -> None:
        if element.has_list:
            for _ in self._walk(element):
                pass
        else:
            self.stream.seek(element.least_bytes * element.count, 1)


class _Ascii:
    """Elements of an ASCII file, in order."""

    def __init__(self, header: _Header, file: ScanFile) -> None:
        self.file, self.size = file, max(1, file.size)
        self.blocks = LineBlocks(file.path, header.line_count)
        self.iterator = iter(self.blocks)
        self.rest, self.rest_line = b"", header.line_count

    def _lines(self, count: int) -> Iterator[tuple[bytes, int]]:
        """Yield blocks that hold the next `count` lines which are not empty, and their places."""
        while count > 0:
            block, line = self.rest, self.rest_line
            if not block:
                block = next(self.iterator, b"")
                line = self.blocks.line
                if not block:
                    raise claims_more(count, "lines more", 0)
            if b"\n\n" in block or block.startswith(b"\n") or b"\n " in block:
                block = b"\n".join(s for s in block.split(b"\n") if s.strip()) + b"\n"
            have = block.count(b"\n") if block.strip() else 0
            if not have:
                self.rest = b""
                continue
            if have > count:
                ends = np.flatnonzero(np.frombuffer(block, np.uint8) == ord("\n"))
                cut = int(ends[count - 1]) + 1
                self.rest, self.rest_line = block[cut:], line + count
                block, have = block[:cut], count
            else:
                self.rest = b""
            count -= have
            yield block, line
            self.file.done(self.blocks.read_bytes / self.size)

    def points(self, element: _Element) -> NDArray[Any]:
        names = [p[0] for p in element.properties]
        lists = [at for at, p in enumerate(element.properties) if p[2]]
        columns = [names.index(axis) for axis in "xyz"]
        if lists and min(lists) < max(columns):
            raise UnsupportedError("The points of the file carry lists; export them without.")
        points = GrowingPoints(element.count)
        for block, line in self._lines(element.count):
            points.add(rows_in(block, columns, width=len(names), first_line=line))
        return points.done()

    def faces(self, element: _Element, take: Callable[[IntArray], None]) -> None:
        before = next(at for at, p in enumerate(element.properties) if p[0] in _FACE_NAMES and p[2])
        if any(p[2] for p in element.properties[:before]):
            raise UnsupportedError("The faces of the file carry several lists; export triangles.")
        for block, first_line in self._lines(element.count):
            for portion, line in portions(block, first_line):
                for triangles in self._polygons(portion, before, line):
                    take(triangles)

    def _polygons(self, block: bytes, before: int, line: int) -> list[IntArray]:
        """Return the triangles in lines of faces; all alike in one go, else one by one."""
        try:
            lines = block.decode("ascii").strip()
            if not lines:
                return []
            rows = np.loadtxt(lines.split("\n"), ndmin=2, comments=None)
            corners = rows[:, before]
            if rows.size and bool(np.all(corners == corners[0])):
                first, many = before + 1, int(corners[0])
                if 3 <= many <= rows.shape[1] - first:
                    return [_fan(_whole(rows[:, first : first + many]))]
        except ValueError:
            pass
        found = []
        for number, text in enumerate(block.split(b"\n"), start=line + 1):
            cells = text.split()
            if not cells:
                continue
            try:
                many = int(cells[before])
                corners = np.array([int(c) for c in cells[before + 1 : before + 1 + many]])
            except (ValueError, IndexError, OverflowError):
                many, corners = -1, np.empty(0)
            if many < 0 or len(corners) < many:
                raise BrokenFileError(
                    "This face cannot be read; correct the line or export the mesh again.",
                    at=At(lines=(number,)),
                )
            if many >= 3:
                found.append(_fan(corners[None, :]))
        return found

    def skip(self, element: _Element) -> None:
        for _ in self._lines(element.count):
            pass


def _whole(values: NDArray[Any]) -> IntArray:
    if not bool(np.all((values >= 0) & (values < 2**53) & (values == np.floor(values)))):
        raise no_such_point()
    return values.astype(np.int64)


def _fan(corners: NDArray[Any]) -> IntArray:
    """Return polygons, shape (M, n), as fans of triangles."""
    whole = corners.astype(np.int64)
    count = whole.shape[1]
    if count == 3:
        return whole
    first = np.repeat(whole[:, :1], count - 2, axis=1)
    return np.stack([first, whole[:, 1:-1], whole[:, 2:]], axis=2).reshape(-1, 3)
