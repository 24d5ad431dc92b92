"""Which format a file is of, told by its content; its name is never asked."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from evenfall.errors import (
    At,
    BrokenFileError,
    Cancelled,
    EvenfallError,
    Finding,
    FormatMismatchError,
    Progress,
    UnsupportedError,
    silent,
)
from evenfall.files import read_start
from evenfall.scans.formats import arrays, e57, meshes, parquet, ply, text_points, tiff, x3p
from evenfall.scans.formats.scan import Scan, ScanFile, ScanOptions, library
from evenfall.scans.formats.text_blocks import HEAD_BYTES, head_lines
from evenfall.scans.formats.text_layout import split_cells
from evenfall.scans.refused import UNIT_WORDS
from evenfall.scans.slots import LONGEST_MM, SHORTEST_MM
from evenfall.scans.surface import UNITS_MM, HeightMap, Mesh
from evenfall.wording import plain_line, sentence


@dataclass(frozen=True, slots=True)
class Head:
    """What a file is recognised by."""

    path: Path  # the file
    start: bytes  # its first bytes
    size: int  # its length in bytes
    members: tuple[str, ...] = ()  # names of what it holds, if it is a zip archive
    options: ScanOptions = field(default_factory=ScanOptions)  # what the caller knows about it


@dataclass(frozen=True, slots=True)
class Format:
    """A format of scans."""

    name: str  # what it is called
    because: str  # what it is recognised by, in words
    is_this: Callable[[Head], bool]  # says whether a file is of it
    read: Callable[[ScanFile], Scan]  # reads such a file
    needs: str = ""  # module of the optional library that reading it needs; empty if it needs none


def _starts(*magic: bytes) -> Callable[[Head], bool]:
    return lambda head: head.start.startswith(magic)


FORMATS = (
    Format("E57", "the file starts with ASTM-E57", _starts(b"ASTM-E57"), e57.read_e57,
           "pye57.libe57"),
    Format("Parquet", "the file starts with PAR1", _starts(b"PAR1"), parquet.read_parquet,
           "pyarrow.parquet"),
    Format("NumPy array", "the file starts with \\x93NUMPY", _starts(b"\x93NUMPY"),
           arrays.read_npy),
    Format("TIFF height map", "the file starts as TIFF does",
           _starts(b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"), tiff.read_tiff, "tifffile"),
    Format("X3P (ISO 25178-72)", "a zip archive with main.xml",
           lambda head: any(n.rpartition("/")[2] == "main.xml" for n in head.members),
           x3p.read_x3p, "x3pio"),
    Format("NumPy archive", "a zip archive of NumPy arrays",
           lambda head: bool(head.members) and all(n.endswith(".npy") for n in head.members),
           arrays.read_npz),
    Format("PLY", "the file starts with the word ply",
           lambda head: re.match(rb"ply[ \t]*[\r\n]", head.start) is not None, ply.read_ply),
    Format("STL, binary", "80 bytes of header and a count of triangles",
           lambda head: _is_binary_stl(head.start, head.size), meshes.read_stl),
    Format("STL, ASCII", "the file starts with the words solid and facet",
           lambda head: _is_stl_text(head.start), meshes.read_stl_text),
    Format("OBJ", "its lines start with v and f", lambda head: _is_obj(head.start),
           meshes.read_obj),
    # last: whether text holds points, and if not why, is told by its layout
    Format("points as text", "rows of numbers",
           lambda head: bool(text_points.layout_in(head.path, head.options)),
           text_points.read_text),
)  # fmt: skip
"""Formats that are read, in the order in which they are tried."""

_ZIP, _EMPTY_ZIP = b"PK\x03\x04", b"PK\x05\x06"

_OTHERS: tuple[tuple[bytes, str], ...] = (
    (b"PARE", "This is an encrypted Parquet file, which is not read; save it without encryption."),
    (b"LASF", "This is a LAS file, which is not read; save the points as PLY, E57 or CSV."),
    (b"glTF", "This is a glTF file, which is not read; save the mesh as PLY or STL."),
    (b"# .PCD", "This is a PCD file, which is not read; save the points as PLY or CSV."),
    (b"OFF\n", "This is an OFF mesh, which is not read; save it as PLY or STL."),
    *((kind + b"ISO-1.0", "This is an SDF file of ISO 25178-71, which is not read; save it as X3P "
       "or as x, y, z text.") for kind in (b"a", b"b")),
    (b"\x89HDF", "This is an HDF5 file, which is not read; save the points as Parquet or CSV."),
    *((magic, "This is a compressed file, which is not read; unpack it first.")
      for magic in (b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf")),
    (b"\x89PNG", "This is a PNG picture, which is not read; save the heights as TIFF with 16 or 32 "
     "bits."),
    (b"ISO-10303", "This is a STEP file, which is not read; save the mesh as STL or PLY."),
)  # fmt: skip
"""Formats that are known and not read: how they start, what they are, what to do."""

_OBJ_WORDS = frozenset(
    {"v", "vn", "vt", "vp", "f", "l", "p", "o", "g", "s", "mtllib", "usemtl", "cstype", "deg"}
)


def is_scan(path: Path, options: ScanOptions | None = None) -> bool:
    r"""Say whether a file is a scan rather than a hand sheet or something else.

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

    Examples
    --------
    >>> import tempfile
    >>> sheet = Path(tempfile.mkdtemp()) / "readings.csv"
    >>> _ = sheet.write_text("quantity,string,fret,value\naction,1,12,1.5\n")
    >>> is_scan(sheet)
    False
    """
    start = read_start(path, HEAD_BYTES)
    if not start.strip(b"\0 \t\r\n") or start.lstrip()[:1] == b"{" or _names_quantities(start):
        return False
    try:
        return _format_of(path, start, options or ScanOptions()) is not None
    except FormatMismatchError:
        return False
    except EvenfallError as error:
        error.at = error.at.in_file(plain_line(path.name))
        raise


def read_scan(path: Path, options: ScanOptions | None = None, progress: Progress = silent) -> Scan:
    r"""Return the scan in a file of any format that is read.

    Parameters
    ----------
    path
        The file.
    options
        What the caller knows about it: unit, and steps of a bare height map.
    progress
        Told what is being done and how far it is; stops the reading by raising `Cancelled`.

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

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "scan.xyz"
    >>> _ = path.write_text("0.0 0.0 1.5\n0.1 0.0 1.4\n0.2 0.0 1.3\n")
    >>> read_scan(path).point_count
    3
    """
    known = options or ScanOptions()
    start = read_start(path, HEAD_BYTES)
    try:
        if not start:
            raise FormatMismatchError("The file is empty.")
        found = _format_of(path, start, known)
        if found is None:
            raise FormatMismatchError(
                "This is not a scan in a format that is read: points as text, Parquet, PLY, STL, "
                "OBJ, E57, X3P, TIFF or NumPy."
            )
        needed = library(found.needs, found.name) if found.needs else None
        because = sentence(found.because)
        bare = Scan(plain_line(path.name), found.name, because, np.empty((0, 3)))
        with np.errstate(all="ignore"):  # damaged numbers; what matters is checked in the end
            scan = found.read(ScanFile(path, bare, known, progress, needed))
    except Cancelled:
        raise
    except EvenfallError as error:
        error.at = error.at.in_file(plain_line(path.name))
        raise
    except MemoryError:
        raise UnsupportedError(
            "There is not enough memory for this file; thin the scan out.",
            at=At(file=plain_line(path.name)),
        ) from None
    except OSError as error:
        raise BrokenFileError(
            "The file cannot be read to its end ({cause}); copy it again.",
            at=At(file=plain_line(path.name)),
            cause=error.strerror or type(error).__name__,
        ) from None
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
        few = content.heights.reshape(-1)[:: max(1, content.heights.size // 100_000)]
        known = few[np.isfinite(few)]
        if not len(known):
            return ()
        height = float(np.quantile(known, 0.99) - np.quantile(known, 0.01))
    else:
        corners = content.triangles if isinstance(content, Mesh) else content
        rows = corners.reshape(-1, 3)
        few = rows[:: max(1, len(rows) // 100_000)].astype(float)
        length = float(np.max(np.quantile(few, 0.99, axis=0) - np.quantile(few, 0.01, axis=0)))
    factor = UNITS_MM[scan.unit]
    if SHORTEST_MM <= length * factor <= LONGEST_MM and height <= length:
        return ()
    return (
        Finding(
            "unit-slip",
            "In {unit}, as the {unit_from} says, the scan would be {length:size} long and "
            "{height:size} high, which no fretboard is; if the unit is wrong, give the right one "
            "({door_scan_unit})."
            if height > length
            else "In {unit}, as the {unit_from} says, the scan would be {length:size} long, which "
            "no fretboard is; if the unit is wrong, give the right one ({door_scan_unit}).",
            At(file=scan.file),
            unit=UNIT_WORDS.get(scan.unit, scan.unit),
            unit_from=scan.unit_from,
            length=length * factor,
            height=height * factor,
        ),
    )


def _with_option(scan: Scan, options: ScanOptions) -> Scan:
    """Return the scan in the unit that the caller named, if one was named."""
    if options.unit is None:
        return scan
    if scan.unit and scan.unit != options.unit:
        gave_way = sentence(
            "The unit {unit} that the {unit_from} says gave way to the option.",
            unit=scan.unit,
            unit_from=scan.unit_from,
        )
        scan = replace(scan, left_out=(*scan.left_out, gave_way))
    return scan.in_unit(options.unit, "option")


def _format_of(path: Path, start: bytes, options: ScanOptions) -> Format | None:
    """Return the format of a file; None if it is of none that is known."""
    members: tuple[str, ...] = ()
    if start.startswith((_ZIP, _EMPTY_ZIP)):
        members = _members(path, start)
        if not members or any(name.startswith("xl/") for name in members):
            return None  # a workbook, or nothing
    for magic, text in _OTHERS:
        if start.startswith(magic):
            raise UnsupportedError(text)
    head = Head(path, start, path.stat().st_size, members, options)
    for one in FORMATS:
        if one.is_this(head):
            return one
        if members and one.read is arrays.read_npz:
            break  # no other format is a zip archive
    if any(name.startswith("3D/") and name.endswith(".model") for name in members):
        raise UnsupportedError("This is a 3MF model, which is not read; save it as STL or PLY.")
    if any(name.lower().endswith((".ply", ".stl", ".csv", ".e57")) for name in members):
        raise UnsupportedError("This is a zip archive; unpack it and name the file in it.")
    return None


def _members(path: Path, start: bytes) -> tuple[str, ...]:
    """Return the names of what a zip archive holds; none if it is a damaged one of no scan."""
    try:
        with zipfile.ZipFile(path) as archive:
            return tuple(entry.filename for entry in archive.infolist())
    except (*arrays.UNPACKING, ValueError, OSError):
        if any(name in start[:4096] for name in (b"main.xml", b"bindata/", b".npy")):
            raise BrokenFileError(
                "The archive is damaged or cut short; export or copy it again."
            ) from None
        return ()


def _is_stl_text(start: bytes) -> bool:
    """Say whether a text starts as ASCII STL does."""
    lowered = start[:2000].lstrip().lower()
    return lowered.startswith(b"solid") and (b"facet" in lowered or b"endsolid" in lowered)


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
