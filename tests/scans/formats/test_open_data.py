"""Files that nobody here wrote: every one is read right, or refused with the right kind of error.

They lie beside the checkout, with source and licence; some are copied nowhere, so these tests are
skipped, by name, where that folder is absent. What is right comes from other readers: the general
libraries trimesh and zipfile/NumPy on the raw bytes, and the point counts that the format's
reference library publishes in its own tests (libE57Format, test/src/test_SimpleReader.cpp).
"""

from __future__ import annotations

import zipfile
from fnmatch import fnmatch
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pye57
import pytest
import trimesh
from numpy.typing import NDArray

from evenfall.errors import (
    BrokenFileError,
    EvenfallError,
    FormatMismatchError,
    UnsupportedError,
)
from evenfall.scans import HeightMap, Mesh
from evenfall.scans.formats import ScanOptions, is_scan, read_scan
from evenfall.scans.formats.scan import usual_edge
from open_data import FOLDER, needs_open_data, open_data

FORMATS = FOLDER / "formats"

pytestmark = needs_open_data("formats of scans")

FloatArray = NDArray[np.float64]
ErrorKind = type[EvenfallError]

#: Which sample gives what, by pattern: number of points, cells or triangles; or kind of error.
EXPECTED: dict[str, int | ErrorKind] = {
    # text: line profiles and single columns hold numbers but no surface
    "*/csv-?.csv": UnsupportedError,
    "*/xy-?.txt": UnsupportedError,
    "*/nonuniform.asc": UnsupportedError,
    "*/opdx-3.txt": UnsupportedError,
    "*/single_column.txt": UnsupportedError,
    # text: a matrix without steps; one with steps in comments, in English and in German
    "*/matrix-4.txt": UnsupportedError,
    "*/matrix-5.txt": UnsupportedError,
    "*/matrix-6.txt": 12,
    "*-export-english.txt": 12,
    "*-export-german.txt": 12,
    "*/txt_example.txt": 18,
    # text: points, one with rows whose height is NaN
    "*/xyz-1.txt": 16,
    "*/xyz-1-different-order.txt": 16,
    "*/xyz-2.txt": 14,
    # text: no rows of points at all
    "*/nonsense_txt_file.txt": FormatMismatchError,
    "*/d*tak-1.csv": FormatMismatchError,
    "*_mock.xlsx": FormatMismatchError,
    "*/sdf-1.sdf": UnsupportedError,
    # points far from zero, with colours
    "trimesh/points_a*.xyz": 100,
    "trimesh/points_c*.xyz": 101,
    # a height map without steps
    "*/example-2d.npy": UnsupportedError,
    "e57/ColouredCubeFloat.e57": 7_680,
    "e57/bunny*.e57": 30_571,
    "e57/*testWithNormals.e57": 2,
    "e57/*translationWithoutRotation.e57": 4,
    "e57/bad-crc.e57": BrokenFileError,
    "e57/InvalidCVHeader.e57": BrokenFileError,
    "e57/ZeroPointsInvalid.e57": BrokenFileError,
    "e57/ZeroPoints.e57": UnsupportedError,
    "e57/empty.e57": UnsupportedError,
    "trimesh/1002_tray_bottom.STL": 4_520,
    "trimesh/counter.unitsmm.STL": 83_750,
    "trimesh/counterX.3MF": UnsupportedError,
    "trimesh/empty.ply": UnsupportedError,
    "trimesh/ply_empty_header.ply": UnsupportedError,
    "trimesh/ply_points_ascii.ply": 8,
    "trimesh/points_ascii.ply": 5,
    "trimesh/points_ascii_with_lists.ply": 5,
    "trimesh/points_bin.ply": 5,
    "trimesh/points_emptyascii.ply": 12,
    "trimesh/points_emptyface.ply": 1_024,
    "x3ptools/pyramid.stl": 32,
    "x3ptools/pyramid.x3p": 25,
    "x3ptools/testing.x3p": 600,
    # the root element has not the name that the standard gives it
    "x3ptools/sample-land.x3p": BrokenFileError,
    "*/x3p-2.x3p": 422_500,
}


def samples() -> list[Path]:
    """Return every sample."""
    about = {"LICENSE.md", "SOURCE.txt"}
    return [p for p in sorted(FORMATS.rglob("*")) if p.is_file() and p.name not in about]


def expected(path: Path) -> int | ErrorKind:
    """Return what a sample is to give."""
    name = path.relative_to(FORMATS).as_posix()
    found = [result for pattern, result in EXPECTED.items() if fnmatch(name, pattern)]
    assert len(found) == 1, f"{name} is in {len(found)} lines of the table"
    return found[0]


def the(pattern: str) -> Path:
    """Return the one sample that a pattern names."""
    (path,) = FORMATS.glob(pattern)
    return path


@pytest.mark.slow
def test_every_sample_is_read_or_refused_with_the_right_kind_of_error() -> None:
    complaints = []
    for path in samples():
        wanted = expected(path)
        try:
            outcome: int | ErrorKind = read_scan(path).point_count
        except EvenfallError as error:
            outcome = type(error) if error.where == path.name else EvenfallError
        if outcome != wanted:
            complaints.append(f"{path.name}: {outcome}, not {wanted}")
    assert complaints == []
    assert len(samples()) == 54


def test_what_is_refused_as_another_format_goes_the_way_of_hand_sheets() -> None:
    for path in samples():
        if expected(path) is FormatMismatchError:
            assert not is_scan(path), path.name
        elif isinstance(expected(path), int):
            assert is_scan(path), path.name


# ---- numbers against other readers ---------------------------------------------------------------


def points(pattern: str) -> FloatArray:
    """Return the points of a sample as they are read here."""
    content = read_scan(the(pattern)).content
    assert isinstance(content, np.ndarray)
    return content.astype(float)


@pytest.mark.parametrize(
    "name",
    ["points_ascii.ply", "points_bin.ply", "points_emptyface.ply", "points_emptyascii.ply",
     "ply_points_ascii.ply", "points_ascii_with_lists.ply"],
)  # fmt: skip
def test_points_of_ply_are_those_of_a_general_library(name: str) -> None:
    other = trimesh.load(FORMATS / "trimesh" / name)
    np.testing.assert_allclose(points(f"trimesh/{name}"), other.vertices, rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize(
    "pattern", ["trimesh/1002*.STL", "trimesh/counter.*.STL", "x3ptools/*.stl"]
)
def test_triangles_of_stl_are_those_of_a_general_library(pattern: str) -> None:
    other = trimesh.load_mesh(the(pattern), process=False)
    content = read_scan(the(pattern)).content
    assert isinstance(content, Mesh)
    np.testing.assert_allclose(content.triangles, other.triangles, rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("pattern", ["trimesh/points_a*.xyz", "trimesh/points_c*.xyz"])
def test_points_hundreds_of_kilometres_from_zero_keep_their_micrometres(pattern: str) -> None:
    wanted = np.loadtxt(the(pattern))[:, :3]
    found = points(pattern)
    assert np.array_equal(found, wanted)
    assert found[:, 1].min() > 5.6e6
    scan = read_scan(the(pattern))
    assert any("a colour" in str(said) for said in scan.left_out)
    assert scan.unit is None


@pytest.mark.slow
def test_both_writings_of_one_cloud_give_the_same_points_within_their_digits() -> None:
    double, whole = points("e57/bunnyDouble.e57"), points("e57/bunnyInt32.e57")
    np.testing.assert_allclose(double, whole, rtol=0.0, atol=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("pattern", ["e57/Coloured*.e57", "e57/bunny*.e57", "e57/pye57_*.e57"])
def test_points_of_e57_are_those_of_its_library(pattern: str) -> None:
    for path in sorted(FORMATS.glob(pattern)):
        file = pye57.E57(str(path))
        other = file.read_scan(0, ignore_missing_fields=True)
        file.close()
        wanted = np.column_stack([other[f"cartesian{axis}"] for axis in "XYZ"])
        np.testing.assert_allclose(points(f"e57/{path.name}"), wanted, rtol=0.0, atol=1e-12)


def raw_x3p(path: Path) -> tuple[FloatArray, float, float]:
    """Return heights and steps of an X3P straight from its archive."""
    with zipfile.ZipFile(path) as archive:
        root = ElementTree.fromstring(archive.read("main.xml"))  # noqa: S314 (a known file)
        size = [int(root.findtext(f".//Size{axis}") or 0) for axis in "XY"]
        steps = [float(root.findtext(f".//C{axis}/Increment") or "nan") for axis in "XY"]
        kind = {"F": "<f4", "D": "<f8"}[root.findtext(".//CZ/DataType") or ""]
        data = np.frombuffer(archive.read("bindata/data.bin"), dtype=kind)
    return data.reshape(size[1], size[0]).astype(float), steps[0], steps[1]


@pytest.mark.parametrize("pattern", ["x3ptools/pyramid.x3p", "x3ptools/testing.x3p", "*/x3p-2.x3p"])
def test_heights_of_x3p_are_those_in_its_archive(pattern: str) -> None:
    scan = read_scan(the(pattern))
    assert isinstance(scan.content, HeightMap)
    heights, x_step, y_step = raw_x3p(the(pattern))
    assert np.array_equal(scan.content.heights, heights, equal_nan=True)
    assert (scan.content.column_step, scan.content.row_step) == (x_step, y_step)
    assert (scan.unit, scan.unit_from) == ("m", "standard")


# ---- the traps among them ------------------------------------------------------------------------


@pytest.mark.parametrize("language", ["english", "german"])
def test_a_matrix_with_three_columns_is_not_taken_for_points(language: str) -> None:
    scan = read_scan(the(f"*/*-export-{language}.txt"))
    assert isinstance(scan.content, HeightMap)
    assert scan.content.heights.shape == (4, 3)
    # 12.34 µm over three columns, 5678.9 nm over four rows, heights in metres, all told in mm
    assert scan.content.column_step == pytest.approx(12.34e-3 / 3)
    assert scan.content.row_step == pytest.approx(5678.9e-6 / 4)
    assert scan.content.heights[:, 1] == pytest.approx([1500.0, -3000.0, 0.0, 9000.0])


@pytest.mark.parametrize("pattern", ["*/*-export-german.txt", "x3ptools/pyramid.x3p"])
def test_a_unit_that_makes_a_fretboard_impossible_is_reported(pattern: str) -> None:
    (finding,) = read_scan(the(pattern)).findings
    assert finding.code == "unit-slip"
    assert "(unit)" in finding.sentence
    settled = read_scan(the(pattern), ScanOptions(unit="um"))
    assert (settled.unit, settled.unit_from) == ("um", "option")
    assert any("gave way" in str(said) for said in settled.left_out)


def test_rows_without_a_height_are_left_out_and_counted() -> None:
    scan = read_scan(the("*/xyz-2.txt"))
    assert str(*scan.left_out) == "2 rows lack a number (12.5 %)."
    assert np.isfinite(points("*/xyz-2.txt")).all()


@pytest.mark.parametrize("pattern", ["*/example-2d.npy", "*/matrix-5.txt", "*/matrix-4.txt"])
def test_a_bare_height_map_is_read_once_its_steps_are_named(pattern: str) -> None:
    scan = read_scan(the(pattern), ScanOptions("mm", (0.05, 0.2)))
    assert isinstance(scan.content, HeightMap)
    assert (scan.content.column_step, scan.content.row_step) == (0.05, 0.2)
    if pattern.endswith("npy"):
        assert np.array_equal(scan.content.heights, np.load(the(pattern)))


REFUSED: dict[str, str] = {
    "e57/bad-crc.e57": "checksum",
    "e57/ZeroPoints.e57": "no points",
    "*/xy-5.txt": "line profile",
    "*/csv-2.csv": "no column z",
    "trimesh/counterX.3MF": "3MF",
    "*/sdf-1.sdf": "SDF",
    "*/matrix-5.txt": r"columns and rows are apart \(step\)",
}


@pytest.mark.quick(4)
@pytest.mark.parametrize(("pattern", "word"), REFUSED.items())
def test_a_refusal_says_what_is_wrong(pattern: str, word: str) -> None:
    with pytest.raises(EvenfallError, match=word):
        read_scan(the(pattern))


# ---- a fingerboard drawn by somebody else --------------------------------------------------------


def mini_tenor(name: str) -> Path:
    return open_data("mini-tenor", name)


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    "name", ["mtenor-out-fretboard-full.stl", "mtenor-out-neck-a.stl", "older_assembled.stl"]
)
def test_triangles_of_the_fingerboard_are_those_of_a_general_library(name: str) -> None:
    path = mini_tenor(name)
    other = trimesh.load_mesh(path, process=False)
    content = read_scan(path).content
    assert isinstance(content, Mesh)
    np.testing.assert_allclose(content.triangles, other.triangles, rtol=1e-9, atol=1e-12)


def test_every_mesh_of_the_instrument_is_known_to_be_coarse() -> None:
    for path in sorted(mini_tenor("LICENSE").parent.glob("*.stl")):
        content = read_scan(path).content
        assert isinstance(content, Mesh)
        assert usual_edge(content.triangles) > 0.01, path.name
