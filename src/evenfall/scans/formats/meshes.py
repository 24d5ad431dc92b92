"""Meshes: triangles from CAD are exact and coarse; those of a scanner are as fine as its points."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np

from evenfall.errors import BrokenFileError
from evenfall.scans.formats.corners import ENOUGH_ROWS, DistinctPoints, FewRows
from evenfall.scans.formats.obj_lines import obj_pieces
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    PIECE_POINTS,
    GrowingPoints,
    Scan,
    ScanFile,
    claims_more,
    cloud,
    finite_rows,
    no_points,
    too_many,
    usual_edge,
)
from evenfall.scans.formats.text_blocks import LineBlocks, portions, rows_in
from evenfall.scans.surface import Mesh
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

FINE_SHARE = 1.0 / 1500.0
"""Triangles whose usual edge is under this share of the length (0.3 mm on a neck) are a scanner's:
their corners are as dense as points."""

STL_TRIANGLE = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
"""One triangle of a binary STL file."""

STL_HEAD_BYTES = 84

STL_PIECE = PIECE_POINTS // 4
"""Triangles read at a time."""

STL_POINT_BYTES = 500
"""In an ASCII STL file two facets, a point of a scanner's mesh, take about as much."""

OBJ_POINT_BYTES = 200
"""In an OBJ file a point, with its normal and two faces, takes up to so much."""


def is_fine(triangles: NDArray[Any]) -> bool:
    """Say whether a mesh is a scanner's, whose corners are as dense as points."""
    return usual_edge(triangles) < FINE_SHARE


def fine_mesh(scan: Scan, points: NDArray[Any], count: int, left_out: tuple[Sentence, ...]) -> Scan:
    """Return the scan with the corners of a scanner's mesh as its content."""
    note = sentence(
        "Its {count:,} triangles are finer than the crowns; their corners were used.", count=count
    )
    return cloud(scan, points, left_out=(*left_out, note))


def coarse_mesh(scan: Scan, triangles: NDArray[Any], left_out: tuple[Sentence, ...]) -> Scan:
    """Return the scan with triangles as its content; those that lack a number are left out."""
    rows, lost = finite_rows(triangles.reshape(-1, 9))
    if lost:
        text = "{count:,} {count:plural triangle lacks|triangles lack} a number."
        left_out += (sentence(text, count=lost),)
    if not len(rows):
        raise no_points()
    content = Mesh(rows.reshape(-1, 3, 3))
    return replace(scan, content=content, left_out=scan.left_out + left_out)


class Together:
    """All triangles of a file that was counted before, put together from pieces."""

    def __init__(self, count: int, dtype: Any) -> None:
        self._triangles, self._at = np.empty((count, 3, 3), dtype=dtype), 0

    def add(self, piece: NDArray[Any]) -> None:
        """Put a piece after those before."""
        end = self._at + len(piece)
        if end <= len(self._triangles):
            self._triangles[self._at : end] = piece
        self._at = end

    def done(self) -> NDArray[Any]:
        """Return all of them, shape (count, 3, 3)."""
        if self._at != len(self._triangles):
            raise BrokenFileError("The file changed while it was read; wait until it is written.")
        return self._triangles


def no_such_point() -> BrokenFileError:
    """Return the error for a face of a point that is not there."""
    return BrokenFileError("A face names a point that is not there; export the mesh again.")


# ---- STL ---------------------------------------------------------------------------------------


def read_stl(file: ScanFile) -> Scan:
    """Return the mesh in a binary STL file."""
    with file.path.open("rb") as stream:
        head = stream.read(STL_HEAD_BYTES)
        count = int.from_bytes(head[80:84], "little")
        room = (file.size - STL_HEAD_BYTES) // STL_TRIANGLE.itemsize
        if len(head) < STL_HEAD_BYTES or count > room:
            raise claims_more(count, "triangles", max(0, room))
        if not count:
            raise no_points()
        extra = file.size - STL_HEAD_BYTES - count * STL_TRIANGLE.itemsize
        more = sentence("{count:count byte} {count:plural follows|follow} the last triangle.",
                        count=extra)  # fmt: skip
        left = (more,) if extra else ()
        fine = is_fine(_stl_few(stream, count))
        if not fine and count > MOST_POINTS:
            raise too_many(count)
        pieces = _stl_pieces(stream, count, file)
        if fine:
            points = DistinctPoints(_points_of(count))
            for piece in pieces:  # STL repeats a corner for every triangle around it
                points.add(piece.reshape(-1, 3))
            return fine_mesh(file.scan, points.done(), count, left)
        return coarse_mesh(file.scan, _together(pieces, count, np.float32), left)


def _stl_few(stream: BinaryIO, count: int) -> NDArray[np.float32]:
    """Return triangles from all over a binary STL file, enough to judge it by."""
    every = count // ENOUGH_ROWS
    if every < 2:
        return _stl_corners(stream, count, 0, count)
    few = np.empty((-(-count // every), 3, 3), dtype=np.float32)
    for number, at in enumerate(range(0, count, every)):
        few[number] = _stl_corners(stream, count, at, 1)[0]
    return few


def _stl_pieces(stream: BinaryIO, count: int, file: ScanFile) -> Iterator[NDArray[np.float32]]:
    """Yield all triangles of a binary STL file, shape (M, 3, 3)."""
    for at in range(0, count, STL_PIECE):
        many = min(STL_PIECE, count - at)
        yield _stl_corners(stream, count, at, many)
        file.done((at + many) / count)


def _stl_corners(stream: BinaryIO, count: int, first: int, many: int) -> NDArray[np.float32]:
    """Return some triangles of a binary STL file that claims `count`."""
    stream.seek(STL_HEAD_BYTES + first * STL_TRIANGLE.itemsize)
    data = stream.read(many * STL_TRIANGLE.itemsize)
    if len(data) < many * STL_TRIANGLE.itemsize:
        raise claims_more(count, "triangles")
    corners: NDArray[np.float32] = np.frombuffer(data, dtype=STL_TRIANGLE)["corners"]
    return corners


def read_stl_text(file: ScanFile) -> Scan:
    """Return the mesh in an ASCII STL file."""
    few, points = FewRows(), DistinctPoints(file.size // STL_POINT_BYTES)
    for piece in _stl_text_pieces(file):
        few.add(piece)
        points.add(piece.reshape(-1, 3))
    if not few.count:
        raise no_points()
    if is_fine(few.rows):
        return fine_mesh(file.scan, points.done(), few.count, ())
    del points
    if few.count > MOST_POINTS:
        raise too_many(few.count)
    # read again: only now it is known that the triangles themselves are wanted
    return coarse_mesh(file.scan, _together(_stl_text_pieces(file), few.count, np.float64), ())


def _stl_text_pieces(file: ScanFile) -> Iterator[NDArray[Any]]:
    """Yield all triangles of an ASCII STL file, shape (M, 3, 3)."""
    size = max(1, file.size)
    over = np.empty((0, 3))  # corners of a triangle that goes on in the next portion
    last = b""
    blocks = LineBlocks(file.path)
    for block in blocks:
        for portion, line in portions(block, blocks.line):
            data = portion if b"vertex" in portion else portion.lower()
            lines = data.split(b"\n")
            last = next((text for text in reversed(lines) if text.strip()), last)
            # other lines stay as empty ones, so that a faulty line is named by its number
            lines = [text if text.lstrip()[:7] == b"vertex " else b"" for text in lines]
            rows = rows_in(b"\n".join(lines), (1, 2, 3), width=4, first_line=line)
            rows = np.concatenate([over, rows])
            over = rows[len(rows) // 3 * 3 :]
            yield rows[: len(rows) - len(over)].reshape(-1, 3, 3)
        file.done(blocks.read_bytes / size)
    if not last.strip().lower().startswith(b"endsolid") or len(over):
        raise BrokenFileError(
            "The file ends within a solid; it was cut short, so export or copy it again."
        )


def _points_of(count: int) -> int:
    """Return about how many points a mesh of `count` triangles has: half as many (Euler)."""
    return int(0.52 * count) + 100


def _together(pieces: Iterator[NDArray[Any]], count: int, dtype: Any) -> NDArray[Any]:
    """Return all triangles of a file that was counted before, shape (count, 3, 3)."""
    triangles = Together(count, dtype)
    for piece in pieces:
        triangles.add(piece)
    return triangles.done()


# ---- OBJ ---------------------------------------------------------------------------------------


def read_obj(file: ScanFile) -> Scan:
    """Return the mesh or the points in an OBJ file; other files that it names are never opened."""
    growing, few, highest = GrowingPoints(file.size // OBJ_POINT_BYTES), FewRows(), -1
    for points, faces in obj_pieces(file):
        growing.add(points)
        few.add(faces)
        highest = max(highest, int(faces.max(initial=-1)))
    vertices = growing.done()
    if not len(vertices):
        raise no_points()
    if not few.count:
        return cloud(file.scan, vertices)
    if highest >= len(vertices):
        raise no_such_point()
    if is_fine(vertices[few.rows]):
        return fine_mesh(file.scan, vertices, few.count, ())
    if few.count > MOST_POINTS:
        raise too_many(few.count)
    # read again: only now it is known that the triangles themselves are wanted
    triangles = (vertices[faces] for _, faces in obj_pieces(file, with_points=False))
    return coarse_mesh(file.scan, _together(triangles, few.count, np.float64), ())
