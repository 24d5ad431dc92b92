"""Every format but text, written by the libraries that others use and read back here."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import tifffile
import trimesh
import x3pio
from numpy.typing import NDArray
from trimesh.exchange import obj, ply, stl

from evenfall.errors import BrokenFileError, EvenfallError, FormatMismatchError, UnsupportedError
from evenfall.scans import HeightMap, Mesh
from evenfall.scans.formats import Scan, ScanOptions, is_scan, obj_lines, read_scan, text_blocks
from scans.formats.samples import (
    FACES,
    HEIGHTS,
    POINTS,
    SOUND,
    e57,
    npy,
    npz,
    obj_file,
    parquet,
    ply_file,
    ply_points,
    stl_file,
    text,
    tiff,
    x3p,
    zipped,
)

FloatArray = NDArray[np.float64]


def left_out(scan: Scan) -> tuple[str, ...]:
    """Return what could not be used, in words."""
    return tuple(map(str, scan.left_out))


def scan_of(folder: Path, content: bytes, options: ScanOptions | None = None) -> Scan:
    """Return a file's content as a scan; its name says nothing."""
    path = folder / "file"
    path.write_bytes(content)
    return read_scan(path, options)


def refused(folder: Path, content: bytes, options: ScanOptions | None = None) -> EvenfallError:
    """Return the error that a file is refused with."""
    with pytest.raises(EvenfallError) as caught:
        scan_of(folder, content, options)
    return caught.value


@pytest.mark.quick(4)
@pytest.mark.parametrize("name", SOUND)
def test_every_format_is_recognised_by_its_content(tmp_path: Path, name: str) -> None:
    options = ScanOptions("mm", (0.1, 0.2))
    for ending in (".dat", ".csv", ".stl", ""):
        path = tmp_path / f"scan{ending}"
        path.write_bytes(SOUND[name]())
        if name.startswith("tiff"):
            (tmp_path / "scan.toml").write_text("x_step = 1\ny_step = 1\nz_scale = 1.0\n")
        assert is_scan(path, options)
        seen: list[float] = []
        scan = read_scan(path, options, lambda _, share, seen=seen: seen.append(share))
        assert scan.point_count > 0
        assert scan.file in str(scan.summary())
        assert str(scan.because) in str(scan.summary())
        assert all(0.0 <= share <= 1.0 for share in seen)


def test_a_hand_sheet_and_a_measurement_are_no_scans(tmp_path: Path) -> None:
    for content in (b"quantity,string,fret,value\naction,1,12,1.5\n", b'{"schema": 1}', b"", b"\0"):
        path = tmp_path / "sheet"
        path.write_bytes(content)
        assert not is_scan(path)
        with pytest.raises(FormatMismatchError):
            read_scan(path)


# ---- Parquet -------------------------------------------------------------------------------------


def test_parquet_keeps_single_precision_and_finds_columns_by_name(tmp_path: Path) -> None:
    stream = io.BytesIO()
    table = pa.table(
        {"q": [1] * 5, "Z": POINTS[:, 2].astype("f4"), "X": POINTS[:, 0].astype("f4"),
         "Y": POINTS[:, 1].astype("f4")}
    )  # fmt: skip
    pq.write_table(table, stream)
    scan = scan_of(tmp_path, stream.getvalue())
    assert isinstance(scan.content, np.ndarray)
    assert scan.content.dtype == np.float32
    assert np.array_equal(scan.content, POINTS)
    assert left_out(scan) == ('Not used: "q".',)


def test_parquet_units_in_names_or_in_the_table(tmp_path: Path) -> None:
    stream = io.BytesIO()
    pq.write_table(pa.table({f"{a}_um": POINTS[:, i] for i, a in enumerate("xyz")}), stream)
    assert scan_of(tmp_path, stream.getvalue()).unit == "um"
    stream = io.BytesIO()
    table = pa.table({a: POINTS[:, i] for i, a in enumerate("xyz")})
    pq.write_table(table.replace_schema_metadata({"unit": "inch"}), stream)
    assert scan_of(tmp_path, stream.getvalue()).unit == "in"
    stream = io.BytesIO()
    named = {"x_mm": POINTS[:, 0], "y_mm": POINTS[:, 1], "z_um": POINTS[:, 2]}
    pq.write_table(pa.table(named), stream)
    scan = scan_of(tmp_path, stream.getvalue())
    assert scan.unit == "mm"
    assert scan.content == pytest.approx(POINTS * [1.0, 1.0, 1e-3])


def test_parquet_whole_numbers_and_nulls(tmp_path: Path) -> None:
    stream = io.BytesIO()
    table = pa.table({"x": [1, 2, 3], "y": [4, None, 6], "z": pa.array([7, 8, 9], pa.int16())})
    pq.write_table(table, stream)
    scan = scan_of(tmp_path, stream.getvalue())
    assert np.array_equal(scan.content, [[1.0, 4.0, 7.0], [3.0, 6.0, 9.0]])
    assert left_out(scan) == ("1 row lacks a number (33.3 %).",)


def test_parquet_without_points(tmp_path: Path) -> None:
    stream = io.BytesIO()
    pq.write_table(pa.table({"x": [1.0], "y": ["a"], "z": [2.0]}), stream)
    assert isinstance(refused(tmp_path, stream.getvalue()), UnsupportedError)
    stream = io.BytesIO()
    pq.write_table(pa.table({"a": [1.0], "b": [2.0]}), stream)
    assert "no column x, y or z" in refused(tmp_path, stream.getvalue()).sentence
    assert isinstance(refused(tmp_path, parquet()[:-30]), BrokenFileError)


# ---- NumPy ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["f8", "f4", ">f4", "i4", "u2"])
def test_npy_heights_of_any_kind(tmp_path: Path, kind: str) -> None:
    made = np.arange(20).reshape(4, 5).astype(kind)
    for array in (made, np.asfortranarray(made)):
        scan = scan_of(tmp_path, npy(array), ScanOptions("mm", (0.1, 0.2)))
        assert isinstance(scan.content, HeightMap)
        assert np.array_equal(scan.content.heights, np.arange(20.0).reshape(4, 5))


def test_npy_points_plain_and_named(tmp_path: Path) -> None:
    for array in (POINTS, POINTS.astype("f4"), np.asfortranarray(POINTS)):
        assert np.array_equal(scan_of(tmp_path, npy(array)).content, POINTS)
    named = np.zeros(5, dtype=[("z", "f4"), ("x", "f8"), ("y", "f4"), ("i", "u1")])
    for at, axis in enumerate("xyz"):
        named[axis] = POINTS[:, at]
    scan = scan_of(tmp_path, npy(named))
    assert np.array_equal(scan.content, POINTS)
    assert left_out(scan) == ('Not used: "i".',)


def test_npy_with_a_sidecar(tmp_path: Path) -> None:
    (tmp_path / "file.toml").write_text(
        'unit = "um"\nx_step = 50\ny_step = 200.0\nz_scale = 0.1\nmissing = -9999\n'
        "origin = [1, 2, 3]\n"
    )
    made = np.array([[10, 20, -9999, 10], [30, 40, 50, 0]], dtype=np.int32)
    scan = scan_of(tmp_path, npy(made))
    assert isinstance(scan.content, HeightMap)
    assert scan.content.heights == pytest.approx(
        np.array([[1.0, 2.0, np.nan, 1.0], [3.0, 4.0, 5.0, 0.0]]), nan_ok=True
    )
    assert (scan.content.column_step, scan.content.row_step) == (50, 200.0)
    assert (scan.unit, scan.unit_from) == ("um", "sidecar")
    assert left_out(scan) == ("Steps from file.toml.",)


@pytest.mark.parametrize(
    ("sidecar", "word"),
    [
        ("x_step = 1", "y_step"),
        ("x_step = 1\ny_step = -1", "y_step"),
        ("x_step = 1\ny_step = 1\nz_scale = 0", "z_scale"),
        ('x_step = 1\ny_step = 1\nunit = "furlong"', "unit"),
        ("x_step = 1\ny_step = 1\norigin = [1, 2]", "origin"),
        ('x_step = 1\ny_step = 1\nmissing = "none"', "missing"),
        ("x_step = 1\ny_step = 1\nz_sclae = 2", "z_sclae"),
        ("x_step = true\ny_step = 1", "x_step"),
        ("x_step = = 1", "TOML"),
    ],
)
def test_a_faulty_sidecar_is_named_with_its_fault(tmp_path: Path, sidecar: str, word: str) -> None:
    (tmp_path / "file.toml").write_text(sidecar)
    error = refused(tmp_path, npy())
    assert isinstance(error, BrokenFileError)
    assert error.where == "file.toml"
    assert word in error.sentence


def test_npy_that_is_no_scan(tmp_path: Path) -> None:
    steps = ScanOptions("mm", (1.0, 1.0))
    for array in (np.zeros(5), np.zeros((2, 3, 4)), np.array([["a", "b"]]), np.ones((2, 4)) * 1j):
        assert isinstance(refused(tmp_path, npy(array), steps), UnsupportedError)
    objects = np.array([[{}, 1], [2, 3]], dtype=object)
    stream = io.BytesIO()
    np.save(stream, objects, allow_pickle=True)
    assert "run code" in refused(tmp_path, stream.getvalue(), steps).sentence
    assert isinstance(refused(tmp_path, npy(np.full((4, 4), np.nan)), steps), UnsupportedError)
    assert isinstance(refused(tmp_path, npy(np.zeros((1, 50))), steps), UnsupportedError)


def test_npz_heights_with_steps_or_places(tmp_path: Path) -> None:
    x, y = np.arange(4) * 0.1 + 3.0, np.arange(3) * -0.5
    for made in (npz(z=HEIGHTS, x_step=0.1, y_step=-0.5), npz(heights=HEIGHTS, x=x, y=y)):
        scan = scan_of(tmp_path, made)
        assert isinstance(scan.content, HeightMap)
        assert np.array_equal(scan.content.heights, HEIGHTS, equal_nan=True)
        assert scan.content.column_step == pytest.approx(0.1)
        assert scan.content.row_step == pytest.approx(-0.5)
    uneven = npz(z=HEIGHTS, x=x**2, y=y)
    assert "evenly" in refused(tmp_path, uneven).sentence


def test_npz_points(tmp_path: Path) -> None:
    x, y, z = POINTS.T
    for made in (npz(x=x, y=y, z=z, unit="mm", other=1), npz(points=POINTS, unit="mm", other=1)):
        scan = scan_of(tmp_path, made)
        assert np.array_equal(scan.content, POINTS)
        assert (scan.unit, scan.unit_from) == ("mm", "file")
        assert left_out(scan) == ('Not used: "other".',)
    assert isinstance(refused(tmp_path, npz(a=1)), UnsupportedError)


# ---- TIFF ----------------------------------------------------------------------------------------


def with_sidecar(folder: Path, *, z_scale: str = "z_scale = 0.001\n") -> Path:
    (folder / "file.toml").write_text(f'unit = "mm"\nx_step = 0.05\ny_step = 0.2\n{z_scale}')
    return folder


@pytest.mark.parametrize("kind", ["u2", "i2", "u4", "i4", "f4"])
@pytest.mark.parametrize("packed", [None, "zlib"])
def test_tiff_of_16_and_32_bits(tmp_path: Path, kind: str, packed: str | None) -> None:
    counts = np.arange(600).reshape(20, 30).astype(kind)
    scan = scan_of(with_sidecar(tmp_path), tiff(counts, compression=packed))
    assert isinstance(scan.content, HeightMap)
    assert scan.content.heights == pytest.approx(np.arange(600.0).reshape(20, 30) * 1e-3, rel=1e-6)
    assert (scan.content.column_step, scan.content.row_step, scan.unit) == (0.05, 0.2, "mm")


def test_tiff_that_is_no_height_map(tmp_path: Path) -> None:
    with_sidecar(tmp_path)
    assert "8 bits" in refused(tmp_path, tiff(np.zeros((4, 4), np.uint8))).sentence
    assert "colour" in refused(tmp_path, tiff(np.zeros((4, 4, 3), np.uint16))).sentence
    several = scan_of(tmp_path, tiff(np.ones((3, 4, 4), np.uint16), photometric="minisblack"))
    assert "Only the first of 3" in left_out(several)[0]


def test_tiff_counts_need_their_height(tmp_path: Path) -> None:
    with_sidecar(tmp_path, z_scale="")
    assert "z_scale" in refused(tmp_path, tiff()).sentence
    assert isinstance(scan_of(tmp_path, tiff(np.ones((4, 4), np.float32))).content, HeightMap)
    (tmp_path / "file.toml").unlink()
    assert "file.toml" in refused(tmp_path, tiff()).sentence


def test_tiff_in_a_packing_that_is_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise ValueError("<COMPRESSION.LZW: 5> requires the 'imagecodecs' package")

    monkeypatch.setattr(tifffile.TiffPage, "asarray", refuse)
    assert "packed" in refused(with_sidecar(tmp_path), tiff()).sentence


# ---- PLY, STL, OBJ -------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("kind", ["float", "double", "short"])
@pytest.mark.parametrize("extra", [True, False])
def test_ply_points_of_either_byte_order(
    tmp_path: Path, order: str, kind: str, extra: bool
) -> None:
    scan = scan_of(tmp_path, ply_points(order, kind, extra))
    wanted = POINTS.astype(int) if kind == "short" else POINTS
    assert np.array_equal(scan.content, wanted)
    assert left_out(scan) == (('Not used: "red".',) if extra else ())


@pytest.mark.parametrize("encoding", ["binary", "ascii"])
def test_ply_meshes(tmp_path: Path, encoding: str) -> None:
    scan = scan_of(tmp_path, ply_file(encoding))
    assert isinstance(scan.content, Mesh)
    assert np.array_equal(scan.content.triangles, POINTS[FACES])


MIXED = """ply
format ascii 1.0
comment unit: mm
element vertex 5
property float x
property float y
property float z
element face 2
property list uchar int vertex_indices
end_header
0 0 1.5
10.25 0 1.25
10.25 5.5 1
0 5.5 -0.75
20.5 2.75 0.5
4 0 1 2 3
3 1 4 2
"""


def test_ply_polygons_become_triangles(tmp_path: Path) -> None:
    scan = scan_of(tmp_path, MIXED.encode())
    assert isinstance(scan.content, Mesh)
    assert np.array_equal(scan.content.triangles, POINTS[FACES])
    assert scan.unit == "mm"
    head, _ = MIXED.split("end_header\n")
    content = head.replace("ascii", "binary_little_endian").encode() + b"end_header\n"
    content += POINTS.astype("<f4").tobytes()
    content += b"\4" + np.array([0, 1, 2, 3], "<i4").tobytes()
    content += b"\3" + np.array([1, 4, 2], "<i4").tobytes()
    scan = scan_of(tmp_path, content)
    assert isinstance(scan.content, Mesh)
    assert np.array_equal(scan.content.triangles, POINTS[FACES])


@pytest.mark.parametrize(
    ("old", "new", "kind"),
    [
        ("4 0 1 2 3", "4 0 1 2 9", BrokenFileError),
        ("4 0 1 2 3", "4 0 1 2", BrokenFileError),
        ("4 0 1 2 3", "4 0 1 2 -3", BrokenFileError),
        ("20.5 2.75 0.5\n", "", BrokenFileError),
        ("property float x", "property float q", UnsupportedError),
        ("property float x", "property float y", BrokenFileError),
        ("property float x", "property quad x", UnsupportedError),
        ("element vertex 5", "element vertex 0", UnsupportedError),
        ("element vertex 5", "element vertex five", BrokenFileError),
        ("format ascii 1.0", "format text 1.0", UnsupportedError),
        ("format ascii 1.0\n", "", BrokenFileError),
        ("end_header", "end", BrokenFileError),
    ],
)
def test_ply_faults(tmp_path: Path, old: str, new: str, kind: type[EvenfallError]) -> None:
    assert old in MIXED
    assert type(refused(tmp_path, MIXED.replace(old, new).encode())) is kind


def fine_mesh() -> trimesh.Trimesh:
    """Return a mesh whose triangles are as fine as a scanner's."""
    x, y = np.meshgrid(np.arange(2501) * 0.1, np.arange(41) * 0.1, indexing="ij")
    vertices = np.column_stack([x.ravel(), y.ravel(), 0.1 * np.sin(x.ravel())])
    at = np.arange(2501 * 41).reshape(2501, 41)
    a, b, c, d = (part.ravel() for part in (at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return trimesh.Trimesh(vertices.astype(np.float32), faces, process=False)


@pytest.mark.slow
def test_the_corners_of_a_scanners_mesh_count_as_points(tmp_path: Path) -> None:
    made = fine_mesh()
    contents = (
        bytes(ply.export_ply(made)),
        bytes(stl.export_stl(made)),
        str(stl.export_stl_ascii(made)).encode(),
    )
    for content in contents:
        scan = scan_of(tmp_path, content)
        assert isinstance(scan.content, np.ndarray)
        found = scan.content[np.lexsort(scan.content.T)]
        wanted = made.vertices[np.lexsort(made.vertices.T)].astype(np.float32)
        assert np.array_equal(found, wanted)
        assert "finer than the crowns" in left_out(scan)[0]


@pytest.mark.slow
def test_the_points_of_a_scanners_obj_keep_their_order(tmp_path: Path) -> None:
    made = fine_mesh()
    scan = scan_of(tmp_path, str(obj.export_obj(made, digits=12)).encode())
    assert isinstance(scan.content, np.ndarray)
    assert np.array_equal(scan.content.astype(np.float32), made.vertices.astype(np.float32))
    assert left_out(scan) == ("Its 200,000 triangles are finer than the crowns; their corners were "
                             "used.",)  # fmt: skip


def test_stl_with_a_header_that_says_solid(tmp_path: Path) -> None:
    made = bytearray(stl_file())
    made[:80] = b"solid made for a test facet".ljust(80)
    scan = scan_of(tmp_path, bytes(made))
    assert scan.format == "STL, binary"
    assert isinstance(scan.content, Mesh)
    assert np.array_equal(scan.content.triangles, POINTS[FACES])
    longer = scan_of(tmp_path, stl_file() + b"more")
    assert left_out(longer) == ("4 bytes follow the last triangle.",)


def test_stl_text_in_capitals_and_several_solids(tmp_path: Path) -> None:
    one = SOUND["stl-ascii"]()
    scan = scan_of(tmp_path, one.upper().replace(b"E-", b"e-").replace(b"E+", b"e+"))
    assert isinstance(scan.content, Mesh)
    assert np.array_equal(scan.content.triangles, POINTS[FACES])
    assert scan_of(tmp_path, one + b"\n" + one).point_count == 6
    assert isinstance(refused(tmp_path, one[: len(one) // 2]), BrokenFileError)
    line = next(n for n, text in enumerate(one.split(b"\n"), 1) if b"10.25" in text)
    error = refused(tmp_path, one.replace(b"10.25", b"ten", 1))
    assert isinstance(error, BrokenFileError)
    assert error.at.lines == (line,)
    assert '"ten" stands where' in error.sentence
    assert isinstance(refused(tmp_path, b"solid a\nendsolid a\n"), UnsupportedError)


def test_obj_meshes_polygons_and_points(tmp_path: Path) -> None:
    scan = scan_of(tmp_path, obj_file())
    assert isinstance(scan.content, Mesh)
    assert np.array_equal(scan.content.triangles, POINTS[FACES])
    points = "".join(f"v {x} {y} {z}\n" for x, y, z in POINTS.tolist())
    assert np.array_equal(scan_of(tmp_path, points.encode()).content, POINTS)
    polygons = scan_of(tmp_path, (points + "o a\nf 1/1 2/1 3/1 4/1\nf -4 -1 -3\n").encode())
    assert polygons.point_count == 3
    assert isinstance(refused(tmp_path, (points + "f 1 2 9\n").encode()), BrokenFileError)


OBJ_POINTS = "".join(f"v {x} {y} {z}\n" for x, y, z in POINTS.tolist())


@pytest.mark.parametrize(
    ("lines", "faces"),
    [
        ("f 1 2 3\nf 1 3 4\nf 2 5 3\n", FACES),
        ("f 1/7/9 2//8 3/6\nf 1 3/1 4\n\nf 2 5 3", FACES),
        ("f 1 2 3 4\nf 2 5 3\n", FACES),  # a polygon is a fan around its first corner
        ("s off\nusemtl a\nf -5 -4 -3 -2 # four\nl 1 2\nf -4 -1 -3\n", FACES),
        ("\tf\t1 2 3 4 \r\n  f 2 5 3\r\n", FACES),
        (20 * "vn 0 0 1\n" + "f 1 2 \\\n3 \\\n4\n# C:\\\nf 2 5 3\n", FACES),
        ("f 1 2\nf\nf 2 5 3 4\n", [[1, 4, 2], [1, 2, 3]]),  # two corners are no face
        ("f 1 2 6\nv 9 9 9\n", [[0, 1, 5]]),  # of a point that comes later
        ("v 9 9 9\nf -1 1 2\nv 8 8 8\nf -1 1 2\n", [[5, 0, 1], [6, 0, 1]]),
    ],
)
def test_obj_faces_of_every_make(tmp_path: Path, lines: str, faces: object) -> None:
    scan = scan_of(tmp_path, (OBJ_POINTS + lines).encode())
    points = np.vstack([POINTS, [[9.0] * 3, [8.0] * 3]])
    assert isinstance(scan.content, Mesh)
    assert np.array_equal(scan.content.triangles, points[np.asarray(faces)])


def test_obj_points_with_colours_weights_and_gaps(tmp_path: Path) -> None:
    made = b"v 1 2 3 0.5 0.5 0.5\nvn 0 0 1\nv nan 5 6\nv 4 5e0 -6 1.0\nv\t7 +8 9\n"
    scan = scan_of(tmp_path, made)
    assert np.array_equal(scan.content, [[1.0, 2.0, 3.0], [4.0, 5.0, -6.0], [7.0, 8.0, 9.0]])
    assert left_out(scan) == ("1 row lacks a number (25.0 %).",)
    mesh = scan_of(tmp_path, made + b"f 1 2 3\nf 1 3 4\n")
    assert mesh.point_count == 1
    assert left_out(mesh) == ("1 triangle lacks a number.",)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("f 1 2 9\n", "not there"),
        ("f 1 2 -6\n", "before the first"),
        ("f 1 2 99999999999999999999\n", "belongs|not there"),
        ("f 1 2 0\n", 'line 6: "0" stands'),
        ("\nf 1 2 3\nf 1 two 3\n", 'line 8: "two" stands'),
        ("f 1 2 3.5\n", 'line 6: "3.5" stands'),
        ("f 1 2 /3\n", 'line 6: "/3" stands'),
        ("f 1 2 f 3\n", 'line 6: "f" stands'),
        ("f 1 2-3\n", 'line 6: "2-3" stands'),
        ("f 1 2 - 3\n", 'line 6: "-" stands'),
        ("f 1 2 3\nv 1 2 zwei\n", 'line 7: "zwei" stands'),
        ("vn 0 0 1\nv 1 2\n", "line 7: This line has 3 cells"),
    ],
)
def test_obj_faults_are_named_with_their_line(tmp_path: Path, lines: str, words: str) -> None:
    error = refused(tmp_path, (OBJ_POINTS + lines).encode())
    assert isinstance(error, BrokenFileError)
    assert re.search(words, str(error)), str(error)


def test_obj_faces_and_lines_without_an_end(tmp_path: Path) -> None:
    many = OBJ_POINTS + "f" + " 1" * (obj_lines.MOST_CORNERS + 1) + "\n"
    assert isinstance(refused(tmp_path, many.encode()), UnsupportedError)
    assert isinstance(refused(tmp_path, many.replace("1\n", "1 #\n").encode()), UnsupportedError)
    whole = OBJ_POINTS + "f" + " 1" * obj_lines.MOST_CORNERS + "\n"
    assert isinstance(scan_of(tmp_path, whole.encode()), Scan)
    endless = OBJ_POINTS * 50_000 + "f 1 \\\n" + "2 \\\n" * (text_blocks.BLOCK_BYTES // 2) + "3\n"
    assert "without an end" in refused(tmp_path, endless.encode()).sentence


@pytest.mark.slow
def test_obj_and_stl_text_in_many_portions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = fine_mesh()
    made.update_faces(np.arange(3000))
    wide = trimesh.Trimesh(made.vertices[made.faces].reshape(-1, 3), process=False)
    wide.faces = np.arange(9000).reshape(-1, 3)
    wide.vertices[1::3, 0] += 90.0  # coarse, so that the triangles themselves are kept
    found = []
    for size in (text_blocks.PORTION_BYTES, 700):
        monkeypatch.setattr(text_blocks, "PORTION_BYTES", size)
        for content in (str(obj.export_obj(wide)), str(stl.export_stl_ascii(wide))):
            scan = scan_of(tmp_path, content.encode())
            assert isinstance(scan.content, Mesh)
            assert scan.content.triangles == pytest.approx(wide.triangles, abs=1e-6)
            found.append(scan.content.triangles)
    assert np.array_equal(found[0], found[2])
    assert np.array_equal(found[1], found[3])


def test_obj_opens_no_other_file(tmp_path: Path) -> None:
    (tmp_path / "secret.mtl").write_text("newmtl a\nmap_Kd picture.png\n")
    made = b"mtllib secret.mtl\nusemtl a\n" + obj_file()
    assert scan_of(tmp_path, made).point_count == 3


# ---- E57, X3P ------------------------------------------------------------------------------------


@pytest.mark.slow
def test_e57_points_marked_invalid_are_missing(tmp_path: Path) -> None:
    scan = scan_of(tmp_path, e57(invalid=[0, 1, 0, 2, 0]))
    assert np.array_equal(scan.content, POINTS[[0, 2, 4]])
    assert left_out(scan)[-1] == "2 rows lack a number (40.0 %)."
    assert (scan.unit, scan.unit_from) == ("m", "standard")


def test_e57_points_stand_where_the_scan_was_put(tmp_path: Path) -> None:
    half = np.sqrt(0.5)
    made = e57(rotation=np.array([half, 0.0, 0.0, half]), translation=np.array([1.0, 2.0, 3.0]))
    turned = np.column_stack([-POINTS[:, 1], POINTS[:, 0], POINTS[:, 2]])  # a quarter about z
    assert scan_of(tmp_path, made).content == pytest.approx(turned + np.array([1.0, 2.0, 3.0]))


def test_a_file_that_brings_the_library_down_is_told_as_broken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", "false")
    error = refused(tmp_path, e57())
    assert isinstance(error, BrokenFileError)
    assert "brings its library down" in error.sentence


def test_x3p_heights_points_and_profiles(tmp_path: Path) -> None:
    scan = scan_of(tmp_path, x3p())
    assert isinstance(scan.content, HeightMap)
    assert scan.content.heights == pytest.approx(HEIGHTS * 1e-3, nan_ok=True)
    assert (scan.content.column_step, scan.content.row_step) == pytest.approx((1e-4, 2e-4))
    stream = io.BytesIO()
    x3pio.write_points(stream, POINTS)
    assert scan_of(tmp_path, stream.getvalue()).content == pytest.approx(POINTS)
    stream = io.BytesIO()
    x3pio.write(stream, HEIGHTS[0], x_scale=1e-4)
    assert "line profile" in refused(tmp_path, stream.getvalue()).sentence
    broken = bytearray(x3p())
    broken[60] ^= 0xFF
    assert isinstance(refused(tmp_path, bytes(broken)), BrokenFileError)


# ---- formats that are known and not read ---------------------------------------------------------


@pytest.mark.parametrize(
    "content",
    [b"LASF" + bytes(300), b"glTF" + bytes(40), b"\x1f\x8b" + bytes(40), b"\x89HDF\r\n\x1a\n",
     b"OFF\n3 1 0\n", b"\x89PNG\r\n\x1a\n", zipped(**{"3D/3dmodel.model": b"<model/>"}),
     zipped(**{"scan.ply": b"ply\n"})],
    ids=["LAS", "glTF", "gzip", "HDF5", "OFF", "PNG", "3MF", "zip"],
)  # fmt: skip
def test_other_formats_are_named_and_what_to_do(tmp_path: Path, content: bytes) -> None:
    error = refused(tmp_path, content)
    assert isinstance(error, UnsupportedError)
    assert "; " in error.sentence


@pytest.mark.parametrize(
    ("library", "content"),
    [("pyarrow", parquet), ("tifffile", tiff), ("pye57", e57), ("x3pio", x3p)],
)
def test_without_the_extra_the_error_says_how_to_install_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, library: str, content: object
) -> None:
    assert callable(content)
    made = content()
    for name in [n for n in sys.modules if n.split(".")[0] == library]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, library, None)
    error = refused(tmp_path, made, ScanOptions("mm", (1.0, 1.0)))
    assert isinstance(error, UnsupportedError)
    assert "python3 dev.py setup installs it" in error.sentence
    assert np.array_equal(scan_of(tmp_path, text()).content, POINTS)


def test_single_precision_far_from_zero_is_reported(tmp_path: Path) -> None:
    (tmp_path / "near").mkdir()
    board = np.random.default_rng(1).uniform(0, 400, (1000, 3))
    assert scan_of(tmp_path / "near", npy(board.astype("f4"))).findings == ()
    (finding,) = scan_of(tmp_path, npy((board + 5e6).astype("f4"))).findings
    assert finding.code == "scan"
    assert "double precision" in finding.sentence
    assert scan_of(tmp_path, npy(board + 5e6)).findings == ()
