"""Which format a file is of, told by its content; its name is never asked."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from evenfall.errors import (
    BrokenFileError,
    EvenfallError,
    Finding,
    FormatMismatchError,
    UnsupportedError,
)
from evenfall.files import read_start
from evenfall.scans.formats import arrays, e57, meshes, parquet, ply, text_points, tiff, x3p
from evenfall.scans.formats.scan import Options, Progress, Scan, file_size, silent
from evenfall.scans.formats.text_blocks import HEAD_BYTES, head_lines
from evenfall.scans.formats.text_layout import split_cells
from evenfall.scans.orientation import UNITS_MM
from evenfall.scans.surface import HeightMap, Mesh

Reader = Callable[[Path, Options, Progress], Scan]

SHORTEST_MM, LONGEST_MM = 50.0, 3000.0
"""A scan of a fretboard is of a length between these (common practice, no source)."""

_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_ZIP = b"PK\x03\x04"
_EMPTY_ZIP = b"PK\x05\x06"

_MAGIC: tuple[tuple[bytes, Reader], ...] = (
    (b"ASTM-E57", e57.read_e57),
    (b"PAR1", parquet.read_parquet),
    (b"\x93NUMPY", arrays.read_npy),
    *((magic, tiff.read_tiff) for magic in _TIFF),
)

#: Formats that are known and not read: how they start, what they are, how to mend it.
_OTHERS: tuple[tuple[bytes, str, str], ...] = (
    (b"PARE", "an encrypted Parquet file", "save it without encryption"),
    (b"LASF", "a LAS file", "save the points as PLY, E57 or CSV"),
    (b"glTF", "a glTF file", "save the mesh as PLY or STL"),
    (b"# .PCD", "a PCD file", "save the points as PLY or CSV"),
    (b"OFF\n", "an OFF mesh", "save it as PLY or STL"),
    (b"aISO-1.0", "an SDF file of ISO 25178-71", "save it as X3P or as x, y, z text"),
    (b"bISO-1.0", "an SDF file of ISO 25178-71", "save it as X3P or as x, y, z text"),
    (b"\x89HDF", "an HDF5 file", "save the points as Parquet, PLY or CSV"),
    (b"\x1f\x8b", "a compressed file", "unpack it first"),
    (b"BZh", "a compressed file", "unpack it first"),
    (b"\xfd7zXZ", "a compressed file", "unpack it first"),
    (b"7z\xbc\xaf", "a compressed file", "unpack it first"),
    (b"\x89PNG", "a PNG picture", "save the heights as TIFF with 16 or 32 bits"),
    (b"ISO-10303", "a STEP file", "save the mesh as STL or PLY"),
)

_OBJ_WORDS = frozenset(
    {"v", "vn", "vt", "vp", "f", "l", "p", "o", "g", "s", "mtllib", "usemtl", "cstype", "deg"}
)


def is_scan(path: Path, options: Options | None = None) -> bool:
    """Say whether a file is a scan rather than a hand sheet or something else.

    Parameters
    ----------
    path
        The file.
    options
        What the caller knows about it: with steps a matrix of numbers is a height map.

    Raises
    ------
    RequestError
        There is no such file, or it cannot be read.
    UnsupportedError, BrokenFileError
        It is a scan, but of a kind that is not read, or damaged.
    """
    start = read_start(path, HEAD_BYTES)
    if not start.strip(b"\0 \t\r\n") or start.lstrip()[:1] == b"{":
        return False
    if start.startswith(_ZIP):
        return _zip_reader(path) is not None
    if _names_quantities(start):
        return False
    try:
        return _reader(path, start, options or Options()) is not None
    except FormatMismatchError:
        return False
    except EvenfallError as error:
        error.where = error.where or path.name
        raise


def read_scan(path: Path, options: Options | None = None, progress: Progress = silent) -> Scan:
    """Return the scan in a file of any format that is read.

    Parameters
    ----------
    path
        The file.
    options
        What the caller knows about it: unit, and steps of a bare height map.
    progress
        Told what is being done and how far it is.

    Raises
    ------
    RequestError
        There is no such file, or it cannot be read.
    FormatMismatchError
        It is no scan.
    BrokenFileError
        It is one, but damaged or cut short.
    UnsupportedError
        It is sound, but of a kind that is not read, empty, or its library is not installed.
    """
    known = options or Options()
    start = read_start(path, HEAD_BYTES)
    if not start:
        raise FormatMismatchError("The file is empty.", where=path.name)
    try:
        reader = _reader(path, start, known)
        if reader is None:
            raise FormatMismatchError(
                "This is no scan in a format that is read: points as text, Parquet, PLY, STL, OBJ, "
                "E57, X3P, TIFF or NumPy."
            )
        scan = reader(path, known, progress)
    except EvenfallError as error:
        error.where = error.where or path.name
        raise
    scan = _with_option(scan, known)
    return replace(scan, findings=(*scan.findings, *_odd_sizes(scan)))


def _odd_sizes(scan: Scan) -> tuple[Finding, ...]:
    """Return a finding if a fretboard cannot be of the size that the stated unit gives the scan."""
    if scan.unit is None:
        return ()
    content = scan.content
    height = 0.0
    if isinstance(content, HeightMap):
        rows, columns = content.heights.shape
        length = max(rows * abs(content.row_step), columns * abs(content.column_step))
        known = content.heights[np.isfinite(content.heights)]
        height = float(np.quantile(known, 0.99) - np.quantile(known, 0.01))
    else:
        corners = content.triangles if isinstance(content, Mesh) else content
        rows = corners.reshape(-1, 3)
        few = rows[:: max(1, len(rows) // 100_000)].astype(float)
        length = float(np.max(np.quantile(few, 0.99, axis=0) - np.quantile(few, 0.01, axis=0)))
    factor = UNITS_MM[scan.unit]
    if SHORTEST_MM <= length * factor <= LONGEST_MM and height <= length:
        return ()
    what = f"{_size(length * factor)} mm long"
    if height > length:
        what += f" and {_size(height * factor)} mm high"
    return (
        Finding(
            "unit-slip",
            f"In {scan.unit}, as {scan.unit_from} says, the scan would be {what}, which no "
            "fretboard is; if the unit is wrong, name the right one with --length-unit.",
            scan.file,
        ),
    )


def _size(length_mm: float) -> str:
    return f"{length_mm:,.0f}" if 10.0 <= length_mm < 1e9 else f"{length_mm:.3g}"


def _with_option(scan: Scan, options: Options) -> Scan:
    """Return the scan in the unit that the caller named, if one was named."""
    if options.unit is None:
        return scan
    left = scan.left_out
    if scan.unit and scan.unit != options.unit and scan.unit_from != "":
        left += (f"The unit {scan.unit} that {scan.unit_from} says gave way to the option.",)
    return replace(scan, unit=options.unit, unit_from="the option", left_out=left)


def _reader(path: Path, start: bytes, options: Options) -> Reader | None:
    """Return the reader for a file; None if it is of no format that is known."""
    if start.startswith((_ZIP, _EMPTY_ZIP)):
        return _zip_reader(path)
    found = next((reader for magic, reader in _MAGIC if start.startswith(magic)), None)
    if found is None and re.match(rb"ply[ \t]*[\r\n]", start):
        found = ply.read_ply
    return found or _plain_reader(path, start, options)


def _plain_reader(path: Path, start: bytes, options: Options) -> Reader:
    """Return the reader for a file that does not start with a mark of its own."""
    for magic, what, mend in _OTHERS:
        if start.startswith(magic):
            raise UnsupportedError(f"This is {what}, which is not read; {mend}.", where=path.name)
    size = file_size(path)
    if _is_binary_stl(start, size):
        return meshes.read_stl
    lowered = start[:2000].lstrip().lower()
    if lowered.startswith(b"solid") and (b"facet" in lowered or b"endsolid" in lowered):
        return meshes.read_stl_text
    if _is_obj(start):
        return meshes.read_obj
    text_points.layout_in(path, options)
    return text_points.read_text


def _is_binary_stl(start: bytes, size: int) -> bool:
    """Say whether a file is a binary STL: by its length, or, if that is off, by its triangles."""
    if len(start) < meshes.STL_HEAD_BYTES:
        return False
    count = int.from_bytes(start[80:84], "little")
    row = meshes.STL_TRIANGLE.itemsize
    if size == meshes.STL_HEAD_BYTES + count * row and (count or b"\0" in start):
        return True
    if b"\0" not in start[: meshes.STL_HEAD_BYTES + 20 * row]:
        return False  # text holds no zero bytes
    have = min(20, (len(start) - meshes.STL_HEAD_BYTES) // row)
    if not have:
        return False
    few = np.frombuffer(start, meshes.STL_TRIANGLE, have, offset=meshes.STL_HEAD_BYTES)
    with np.errstate(all="ignore"):
        length = np.linalg.norm(few["normal"].astype(float), axis=1)
        sound = (np.abs(length - 1.0) < 0.01) | (length == 0.0)
        reach = np.abs(few["corners"].astype(float)).max(axis=(1, 2))
        sound &= np.isfinite(reach) & (reach < 1e7) & (reach > 1e-9)
    return bool(sound.all())


def _is_obj(start: bytes) -> bool:
    """Say whether a text starts as OBJ does."""
    if b"\0" in start:
        return False
    lines = [line.split() for line in start.split(b"\n")[:-1] or [start]]
    lines = [words for words in lines if words and not words[0].startswith(b"#")]
    if not lines:
        return False
    known = sum(words[0].decode("latin-1") in _OBJ_WORDS for words in lines)
    points = sum(words[0] == b"v" and len(words) >= 4 for words in lines)
    return points > 0 and known >= 0.9 * len(lines)


def _names_quantities(start: bytes) -> bool:
    """Say whether a text's header is that of a hand sheet."""
    try:
        lines = head_lines(start[:20_000], whole=len(start) <= 20_000)
    except EvenfallError:
        return False
    for line in lines[:20]:
        text = line.strip().lstrip("\ufeff")
        if not text or text.startswith("#") or text.startswith("sep="):
            continue
        return any(
            "quantity" in (c.lower() for c in split_cells(text[:5000], d)) for d in (",", ";", "\t")
        )
    return False


def _zip_reader(path: Path) -> Reader | None:
    """Return the reader of a zip archive by what is in it; None for a workbook."""
    try:
        with zipfile.ZipFile(path) as archive:
            names = [entry.filename for entry in archive.infolist()]
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, EOFError):
        first = read_start(path, 4096)
        if b"main.xml" in first or b"bindata/" in first or b".npy" in first[:200]:
            raise BrokenFileError(
                "The archive is damaged or cut short; export or copy it again.", where=path.name
            ) from None
        return None
    if any(name.startswith("xl/") for name in names):
        return None
    if any(name == "main.xml" or name.endswith("/main.xml") for name in names):
        return x3p.read_x3p
    if any(name.startswith("3D/") and name.endswith(".model") for name in names):
        raise UnsupportedError(
            "This is a 3MF model, which is not read; save it as STL or PLY.", where=path.name
        )
    if names and all(name.endswith(".npy") for name in names):
        return arrays.read_npz
    if names and any(name.lower().endswith((".ply", ".stl", ".csv", ".e57")) for name in names):
        raise UnsupportedError(
            "This is a zip archive; unpack it and name the file in it.", where=path.name
        )
    return None
