"""Headers that claim more than the file holds are refused before anything is allocated."""

from __future__ import annotations

import io
import struct
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import tifffile

from evenfall.errors import BrokenFileError, EvenfallError, UnsupportedError
from evenfall.scans.formats import ScanOptions, read_scan
from scans.formats.fuzz import crc32c
from scans.formats.samples import (
    POINTS,
    e57,
    npy,
    obj_file,
    parquet,
    ply_points,
    stl_file,
    text,
    tiff,
    x3p,
)

MOST_BYTES = 32_000_000
"""More than this is not allocated over a file of a few kilobytes."""

HUGE = 10**12


def npy_of(shape: tuple[int, ...]) -> bytes:
    stream = io.BytesIO()
    np.lib.format.write_array_header_1_0(
        stream, {"descr": "<f8", "fortran_order": False, "shape": shape}
    )
    return stream.getvalue() + bytes(800)


def npz_of(content: bytes, claimed: int) -> bytes:
    """Return an archive whose directory gives a member another size than it has."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("z.npy", content)
    made = bytearray(stream.getvalue())
    at = made.rindex(b"PK\x01\x02")
    made[at + 24 : at + 28] = struct.pack("<I", claimed)
    return bytes(made)


def e57_of(count: int, claimed_bytes: int = 1024) -> bytes:
    """Return the start of an E57 file whose description claims a number of points."""
    xml = b'<points type="CompressedVector" fileOffset="48" recordCount="%d"/>' % count
    head = b"ASTM-E57" + struct.pack("<IIQQQQ", 1, 0, claimed_bytes, 80, len(xml), 1024)
    page = (head + b"\1".ljust(32, b"\0") + xml).ljust(1020, b"\0")
    return page + crc32c(page).to_bytes(4)


def ply_claiming(count: int, kind: str = "binary_little_endian") -> bytes:
    head = f"ply\nformat {kind} 1.0\nelement vertex {count}\n"
    head += "property float x\nproperty float y\nproperty float z\nend_header\n"
    return head.encode() + (bytes(1200) if kind != "ascii" else b"1 2 3\n" * 200)


def ply_claiming_faces(count: int) -> bytes:
    head = "ply\nformat binary_little_endian 1.0\nelement vertex 3\nproperty float x\n"
    head += f"property float y\nproperty float z\nelement face {count}\n"
    head += "property list uchar int vertex_indices\nend_header\n"
    return head.encode() + bytes(36) + (b"\3" + struct.pack("<3i", 0, 1, 2)) * 5


def ply_claiming_a_list(count: int) -> bytes:
    head = "ply\nformat binary_little_endian 1.0\nelement vertex 3\nproperty float x\n"
    head += "property float y\nproperty float z\nelement face 1\n"
    head += "property list uint int vertex_indices\nend_header\n"
    return head.encode() + bytes(36) + struct.pack("<I3i", count, 0, 1, 2)


def stl_claiming(count: int) -> bytes:
    made = bytearray(stl_file())
    made[80:84] = struct.pack("<I", count)
    return bytes(made)


def tiff_claiming(width: int) -> bytes:
    made = bytearray(tiff(np.ones((8, 8), np.uint16)))
    with tifffile.TiffFile(io.BytesIO(bytes(made))) as file:
        at = file.pages[0].tags["ImageWidth"].offset
    made[at : at + 12] = struct.pack("<HHII", 256, 4, 1, width)
    return bytes(made)


LIES: dict[str, Callable[[], bytes]] = {
    "PLY, points": lambda: ply_claiming(HUGE),
    "PLY, a few too many": lambda: ply_claiming(101),
    "PLY, ASCII": lambda: ply_claiming(HUGE, "ascii"),
    "PLY, 25 digits": lambda: ply_claiming(10**25),
    "PLY, faces": lambda: ply_claiming_faces(HUGE),
    "PLY, a list": lambda: ply_claiming_a_list(4_000_000_000),
    "STL": lambda: stl_claiming(4_000_000_000),
    "STL, one too many": lambda: stl_claiming(4),
    "NPY": lambda: npy_of((1_000_000, 1_000_000)),
    "NPY, one too many": lambda: npy_of((101, 1)),
    "NPY, overflowing": lambda: npy_of((2**40, 2**40)),
    "NPY, below zero": lambda: npy_of((-1, 5)),
    "NPZ, size": lambda: npz_of(npy(), 4_000_000_000),
    "NPZ, shape": lambda: npz_of(npy_of((1_000_000, 1_000_000)), 900),
    "E57": lambda: e57_of(HUGE),
    "E57, length": lambda: e57_of(5, HUGE),
    "TIFF": lambda: tiff_claiming(4_000_000_000),
    "text": lambda: b"1000000000000\n" + text(header="", delimiter=" "),
    "Parquet, cut": lambda: parquet()[:4] + parquet()[-400:],
}


@pytest.mark.parametrize("lie", LIES)
def test_a_claim_that_the_file_cannot_keep_is_refused_at_once(tmp_path: Path, lie: str) -> None:
    path = tmp_path / "scan"
    path.write_bytes(LIES[lie]())
    (tmp_path / "scan.toml").write_text("x_step = 1\ny_step = 1\nz_scale = 1.0\n")
    tracemalloc.start()
    try:
        with pytest.raises(EvenfallError) as caught:
            read_scan(path)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    kinds = (BrokenFileError, UnsupportedError) if lie == "TIFF" else (BrokenFileError,)
    assert isinstance(caught.value, kinds), caught.value
    assert peak < MOST_BYTES


def test_the_lies_are_lies_and_nothing_else_is_wrong(tmp_path: Path) -> None:
    path = tmp_path / "scan"
    for sound in (
        ply_claiming(100),
        ply_claiming_faces(5),
        ply_points(),
        stl_claiming(3),
    ):
        path.write_bytes(sound)
        assert read_scan(path).point_count > 0
    path.write_bytes(npy_of((10, 10)))
    assert read_scan(path, ScanOptions("mm", (1.0, 1.0))).point_count == 100


@pytest.mark.parametrize("size", [3, 4])
def test_an_archive_that_unpacks_to_far_more_is_refused(tmp_path: Path, size: int) -> None:
    """A zip bomb: thousands of layers of nothing, under each format that zips."""
    path = tmp_path / "scan"
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("z.npy" if size == 3 else "main.xml", b"\x93NUMPY" + bytes(10**7))
    path.write_bytes(bomb.getvalue())
    with pytest.raises((BrokenFileError, UnsupportedError)):
        read_scan(path)


def packed_zeros(kind: str, count: int) -> bytes:
    """Return a file of so many rows and columns of zeros, packed."""
    made = io.BytesIO()
    if kind == "npz":
        np.savez_compressed(made, z=np.zeros((count, count)))
    elif kind == "tiff":
        tifffile.imwrite(made, np.zeros((count, count), np.float64), compression="zlib")
    else:
        zeros = np.zeros(count * count, np.float64)
        pq.write_table(pa.table(dict.fromkeys("xyz", zeros)), made)
    return made.getvalue()


@pytest.mark.quick(1)
@pytest.mark.parametrize("kind", ["npz", "tiff", "parquet"])
def test_what_packs_as_no_measured_heights_do_is_refused_before_it_is_unpacked(
    tmp_path: Path, kind: str
) -> None:
    path = tmp_path / "scan"
    path.with_suffix(".toml").write_text("x_step = 0.1\ny_step = 0.1\nunit = 'mm'\n")
    path.write_bytes(packed_zeros(kind, 3_000))
    tracemalloc.start()
    with pytest.raises(UnsupportedError, match=r"would unpack to [\d,]+ times its size"):
        read_scan(path)
    assert tracemalloc.get_traced_memory()[1] < 20e6  # of 72 MB
    tracemalloc.stop()
    if kind != "parquet":  # a small map of level heights is no trap
        path.write_bytes(packed_zeros(kind, 100))
        assert read_scan(path).point_count == 10_000


def test_an_element_that_stands_twice_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "scan"
    path.write_bytes(ply_points().replace(b"end_header", b"element vertex 5\nend_header", 1))
    with pytest.raises(BrokenFileError, match='"vertex" twice'):
        read_scan(path)


def test_an_array_of_three_dimensions_is_refused_by_its_header(tmp_path: Path) -> None:
    path = tmp_path / "scan"
    path.write_bytes(npy_of((2, 5, 10)))
    with pytest.raises(UnsupportedError, match="3 dimensions"):
        read_scan(path)


def test_more_points_than_are_read_are_refused_before_they_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from evenfall.scans.formats import e57 as e57_reader
    from evenfall.scans.formats import parquet as parquet_reader
    from evenfall.scans.formats import ply, scan
    from evenfall.scans.formats import x3p as x3p_reader

    for module in (scan, parquet_reader, ply, e57_reader, x3p_reader):
        monkeypatch.setattr(module, "MOST_POINTS", 4)
    path = tmp_path / "scan"
    for content in (parquet(), ply_points(), text(), e57(), x3p(), obj_file()):
        path.write_bytes(content)
        with pytest.raises(UnsupportedError, match="at most 4"):
            read_scan(path)
    assert len(POINTS) == 5
