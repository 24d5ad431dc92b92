"""Meshes: triangles from CAD are exact and coarse; those of a scanner are as fine as its points."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.crowns.surface import Mesh
from evenfall.errors import BrokenFileError, UnsupportedError
from evenfall.intake.dense.scan import (
    MOST_POINTS,
    PIECE_POINTS,
    GrowingPoints,
    Options,
    Progress,
    Scan,
    claims_more,
    cloud,
    file_size,
    library,
    no_points,
    reading,
    silent,
    too_many,
    usual_edge,
)
from evenfall.intake.dense.text_blocks import LineBlocks, rows_in

if TYPE_CHECKING:
    from numpy.typing import NDArray

FINE_SHARE = 1.0 / 1500.0
"""Triangles whose usual edge is under this share of the length (0.3 mm on a neck) are a scanner's:
their corners are as dense as points."""

STL_TRIANGLE = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
"""One triangle of a binary STL file."""

STL_HEAD_BYTES = 84

DISTINCT_BITS = 4
"""Corners are compared in so many parts, as a power of two."""

MOST_OBJ_BYTES = 1 << 30
"""Larger OBJ files would need several times their size in memory."""


def mesh_scan(
    scan: Scan,
    vertices: NDArray[Any],
    faces: NDArray[np.int64],
    *,
    left_out: tuple[str, ...] = (),
) -> Scan:
    """Return the scan with a mesh as its content; a scanner's fine mesh counts as its points.

    Parameters
    ----------
    scan
        What is known of it so far.
    vertices
        Corners as rows x, y, z, shape (N, 3).
    faces
        Three corners of each triangle, shape (T, 3), all of them there.
    left_out
        What could not be used.
    """
    if len(faces) > MOST_POINTS:
        raise too_many(len(faces), scan.file)
    few = faces[:: max(1, len(faces) // 20_000)]
    if usual_edge(vertices[few]) < FINE_SHARE:
        note = f"Its {len(faces):,} triangles are finer than the crowns; their corners were used."
        return cloud(scan, vertices, left_out=(*left_out, note))
    return _triangles(scan, vertices[faces], left_out=left_out)


def _triangles(scan: Scan, triangles: NDArray[Any], *, left_out: tuple[str, ...] = ()) -> Scan:
    sound = np.isfinite(triangles).all(axis=(1, 2))
    if not sound.all():
        lost = int(len(sound) - np.count_nonzero(sound))
        left_out += (f"{lost:,} triangles lack a number.",)
        triangles = triangles[sound]
    if not len(triangles):
        raise no_points(scan.file)
    return replace(scan, content=Mesh(triangles), left_out=scan.left_out + left_out)


# ---- STL ---------------------------------------------------------------------------------------


def read_stl(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the mesh in a binary STL file.

    Parameters
    ----------
    path
        The file.
    options
        What the caller knows about it; nothing of it is needed here.
    progress
        Told how far reading is.

    Raises
    ------
    BrokenFileError
        The header promises more triangles than the file holds.
    UnsupportedError
        It holds no triangles.
    """
    del options
    scan = Scan(
        path.name, "STL, binary", "80 bytes of header and a count of triangles", np.empty((0, 3))
    )
    with reading(path.name, "STL file"), path.open("rb") as stream:
        size = file_size(path)
        head = stream.read(STL_HEAD_BYTES)
        count = int.from_bytes(head[80:84], "little")
        room = (size - STL_HEAD_BYTES) // STL_TRIANGLE.itemsize
        if len(head) < STL_HEAD_BYTES or count > room:
            raise claims_more(path.name, f"{count:,} triangles", f"room for {max(0, room):,}")
        if not count:
            raise no_points(path.name)
        triangles = np.empty((count, 3, 3), dtype=np.float32)
        for at in range(0, count, PIECE_POINTS):
            many = min(PIECE_POINTS, count - at)
            data = stream.read(many * STL_TRIANGLE.itemsize)
            if len(data) < many * STL_TRIANGLE.itemsize:
                raise claims_more(path.name, f"{count:,} triangles", "less; it is being written")
            triangles[at : at + many] = np.frombuffer(data, dtype=STL_TRIANGLE)["corners"]
            progress(f"reading {path.name}", (at + many) / count)
        extra = size - STL_HEAD_BYTES - count * STL_TRIANGLE.itemsize
        left = (f"{extra:,} bytes follow the last triangle.",) if extra else ()
        return _stl_scan(scan, triangles, left)


def read_stl_text(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the mesh in an ASCII STL file.

    Parameters
    ----------
    path
        The file.
    options
        What the caller knows about it; nothing of it is needed here.
    progress
        Told how far reading is.

    Raises
    ------
    BrokenFileError
        A corner cannot be read, or the file was cut short.
    UnsupportedError
        It holds no triangles.
    """
    del options
    scan = Scan(
        path.name, "STL, ASCII", "the file starts with the words solid and facet", np.empty((0, 3))
    )
    with reading(path.name, "STL file"):
        size = file_size(path)
        corners = GrowingPoints(size // 80)
        last = b""
        blocks = LineBlocks(path)
        for block in blocks:
            data = block if b"vertex" in block else block.lower()
            chosen = [line for line in data.split(b"\n") if line.lstrip()[:7] == b"vertex "]
            if chosen:
                corners.add(
                    rows_in(
                        b"\n".join(chosen) + b"\n", delimiter=None, decimal_comma=False,
                        columns=(1, 2, 3), width=4, first_line=blocks.line, name=path.name,
                    )
                )  # fmt: skip
            last = next((s for s in reversed(block.split(b"\n")) if s.strip()), last)
            progress(f"reading {path.name}", blocks.read_bytes / size)
        if not last.strip().lower().startswith(b"endsolid") or corners.count % 3:
            raise BrokenFileError(
                "The file ends within a solid; it was cut short, so export or copy it again.",
                where=path.name,
            )
        if not corners.count:
            raise no_points(path.name)
        return _stl_scan(scan, corners.done().reshape(-1, 3, 3), ())


def _stl_scan(scan: Scan, triangles: NDArray[Any], left: tuple[str, ...]) -> Scan:
    """Return triangles as a mesh, or, if a scanner made them, the points they share."""
    if usual_edge(triangles) >= FINE_SHARE:
        return _triangles(scan, triangles, left_out=left)
    points = _distinct(triangles.reshape(-1, 3))
    note = f"Its {len(triangles):,} triangles are finer than the crowns; their corners were used."
    return cloud(scan, points, left_out=(*left, note))


def _distinct(corners: NDArray[Any]) -> NDArray[Any]:
    """Return each corner once: STL repeats it for every triangle around it."""
    mixed = np.empty(len(corners), dtype=np.uint64)
    for start in range(0, len(corners), PIECE_POINTS):
        piece = np.ascontiguousarray(corners[start : start + PIECE_POINTS], dtype=np.float32)
        words = piece.view(np.uint32).astype(np.uint64)
        part = mixed[start : start + PIECE_POINTS]
        part[:] = words[:, 0] * np.uint64(0x9E3779B97F4A7C15)
        part ^= (words[:, 1] + np.uint64(0x632BE59BD9B4E019)) * np.uint64(0xC2B2AE3D27D4EB4F)
        part ^= (words[:, 2] + np.uint64(0x85157AF5D1B54A33)) * np.uint64(0x165667B19E3779F9)
    # a part of them at a time, so that sorting needs little memory
    kept = np.zeros(len(corners), dtype=bool)
    byte = mixed.view(np.uint8)[7::8] >> (8 - DISTINCT_BITS)
    for bucket in range(1 << DISTINCT_BITS):
        at = np.flatnonzero(byte == bucket)
        _, first = np.unique(mixed[at], return_index=True)
        kept[at[first]] = True
    del mixed, byte, part
    points = GrowingPoints(int(np.count_nonzero(kept)), np.float32)
    for start in range(0, len(corners), PIECE_POINTS):
        end = start + PIECE_POINTS
        points.add(corners[start:end][kept[start:end]])
    return points.done()


# ---- OBJ ---------------------------------------------------------------------------------------


def read_obj(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the mesh or the points in an OBJ file.

    Parameters
    ----------
    path
        The file.
    options
        What the caller knows about it; nothing of it is needed here.
    progress
        Told how far reading is.

    Raises
    ------
    BrokenFileError
        A line cannot be read.
    UnsupportedError
        It holds no points, or is too large.
    """
    del options
    if file_size(path) > MOST_OBJ_BYTES:
        raise UnsupportedError(
            "The OBJ file is larger than 1 GB; save the scan as binary PLY.", where=path.name
        )
    trimesh_obj = library("trimesh.exchange.obj", "OBJ")
    scan = Scan(path.name, "OBJ", "its lines start with v and f", np.empty((0, 3)))
    progress(f"reading {path.name}", 0.0)
    with reading(path.name, "OBJ file"):
        with path.open("rb") as stream:
            # no resolver: other files that this one names are never opened
            loaded = trimesh_obj.load_obj(
                stream, resolver=None, skip_materials=True, maintain_order=True,
                group_material=False,
            )  # fmt: skip
        progress(f"reading {path.name}", 1.0)
        vertices, faces = _joined(loaded.get("geometry") or {"": loaded})
        if not len(vertices):
            raise no_points(path.name)
        if not len(faces):
            return cloud(scan, vertices)
        if int(faces.min()) < 0 or int(faces.max()) >= len(vertices):
            raise BrokenFileError("A face names a point that is not there; export the mesh again.")
        return mesh_scan(scan, vertices, faces)


def _joined(parts: Mapping[str, Mapping[str, Any]]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Return the points and triangles of all parts of a model."""
    vertices, faces, before = [np.empty((0, 3))], [np.empty((0, 3), dtype=np.int64)], 0
    for part in parts.values():
        points = np.asarray(part.get("vertices", np.empty((0, 3))), dtype=float).reshape(-1, 3)
        corners = np.asarray(part.get("faces", np.empty((0, 3))), dtype=np.int64).reshape(-1, 3)
        vertices.append(points)
        faces.append(corners + before)
        before += len(points)
    return np.concatenate(vertices), np.concatenate(faces)
