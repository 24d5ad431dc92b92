"""Points as text: what a first row can look like, and what must not be guessed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from draws import draws
from evenfall.errors import (
    BrokenFileError,
    EvenfallError,
    FormatMismatchError,
    UnsupportedError,
)
from evenfall.scans import HeightMap
from evenfall.scans.formats import Scan, ScanOptions, is_scan, read_scan, text_blocks
from scans.formats.samples import POINTS, text

FloatArray = NDArray[np.float64]


def scan_of(folder: Path, content: bytes | str, options: ScanOptions | None = None) -> Scan:
    """Return a text as a scan."""
    path = folder / "points"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    assert is_scan(path, options)
    return read_scan(path, options)


def points_of(folder: Path, content: bytes | str) -> FloatArray:
    """Return the points in a text."""
    content_read = scan_of(folder, content).content
    assert isinstance(content_read, np.ndarray)
    return content_read


@pytest.mark.parametrize("delimiter", [",", ";", "\t", " ", "   ", "|", " , "])
@pytest.mark.parametrize("header", ["x,y,z", ""])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_any_delimiter_and_line_end(tmp_path: Path, delimiter: str, header: str, end: str) -> None:
    named = header.replace(",", delimiter)
    made = text(header=named, delimiter=delimiter, end=end)
    assert np.array_equal(points_of(tmp_path, made), POINTS)


@pytest.mark.parametrize("delimiter", [";", "\t", " ", "|"])
def test_decimal_commas(tmp_path: Path, delimiter: str) -> None:
    made = text(header="", delimiter=delimiter, decimal=",")
    assert np.array_equal(points_of(tmp_path, made), POINTS)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_encodings_of_text(tmp_path: Path, encoding: str) -> None:
    for header in ("x [µm],y [µm],z [µm]", ""):
        made = text(header=header).decode().encode(encoding)
        assert np.array_equal(points_of(tmp_path, made), POINTS)


def test_a_latin_micro_sign_in_the_header_is_a_unit(tmp_path: Path) -> None:
    made = "x [µm];y [µm];z [µm]\n1;2;3\n4;5;6\n7;8;9\n".encode("latin-1")
    assert scan_of(tmp_path, made).unit == "um"


HEADERS: dict[str, tuple[tuple[int, int, int], str | None]] = {
    "x,y,z": ((0, 1, 2), None),
    "z,x,y": ((1, 2, 0), None),
    "X (mm),Y (mm),Z (mm)": ((0, 1, 2), "mm"),
    "x_mm,y_mm,z_mm": ((0, 1, 2), "mm"),
    "x [inch],y [inch],z [inch]": ((0, 1, 2), "in"),
    '"x in µm","y in µm","z in µm"': ((0, 1, 2), "um"),
    "Pos X,Pos Y,Height [m]": ((0, 1, 2), None),
    "X-Wert;Y-Wert;Höhe": ((0, 1, 2), None),
    "# x, y, z": ((0, 1, 2), None),
    "//X,Y,Z": ((0, 1, 2), None),
    "# unit: um\nx,y,z": ((0, 1, 2), "um"),
    "# Einheit: mm\n# made by hand\nx,y,z": ((0, 1, 2), "mm"),
    "x,y,z\nmm,mm,mm": ((0, 1, 2), "mm"),
    "sep=,\nx,y,z": ((0, 1, 2), None),
    "A board that was scanned\n\nx,y,z": ((0, 1, 2), None),
}


@pytest.mark.parametrize("header", HEADERS)
def test_columns_and_units_by_header(tmp_path: Path, header: str) -> None:
    order, unit = HEADERS[header]
    columns = np.empty_like(POINTS)
    columns[:, order] = POINTS
    scan = scan_of(tmp_path, text(columns, header=header, delimiter=";" if ";" in header else ","))
    if "[m]" in header:  # only one column says its unit: the others follow it
        unit = "m"
    assert scan.unit == unit
    assert scan.unit_from == ("file" if unit else "")
    assert np.array_equal(scan.content, POINTS)


def test_mixed_units_become_millimetres(tmp_path: Path) -> None:
    scan = scan_of(tmp_path, text(header="x [mm],y [in],z [µm]"))
    assert scan.unit == "mm"
    assert scan.content == pytest.approx(POINTS * [1.0, 25.4, 1e-3])


def test_an_option_wins_over_the_file(tmp_path: Path) -> None:
    scan = scan_of(tmp_path, text(header="x_mm,y_mm,z_mm"), ScanOptions("in"))
    assert (scan.unit, scan.unit_from) == ("in", "option")
    assert any("gave way" in str(said) for said in scan.left_out)


def test_other_columns_are_left_out_by_name(tmp_path: Path) -> None:
    made = "intensity,x,y,z,label\n" + "".join(
        f"0.5,{x},{y},{z},wood\n" for x, y, z in POINTS.tolist()
    )
    for word in ("wood", "7"):
        scan = scan_of(tmp_path, made.replace("wood", word))
        assert np.array_equal(scan.content, POINTS)
        assert str(*scan.left_out) == 'Not used: "intensity" and "label".'


@pytest.mark.parametrize(
    ("more", "what"),
    [
        ("0.25", "a fourth column"),
        ("255,0,17", "a colour"),
        ("0.6,0.8,0", "a direction"),
        ("0.3,255,0,17", "a colour and an intensity"),
        ("0,0,1,1,2,3", "a colour and a direction"),
    ],
)
def test_columns_without_names_after_the_third(tmp_path: Path, more: str, what: str) -> None:
    made = "".join(f"{x},{y},{z},{more}\n" for x, y, z in POINTS.tolist())
    scan = scan_of(tmp_path, made)
    assert np.array_equal(scan.content, POINTS)
    assert str(*scan.left_out) == f"Not used: {what}."


# ---- what must not be guessed --------------------------------------------------------------------

REFUSED: dict[str, tuple[str, type[EvenfallError], str]] = {
    "decimal commas between commas": (
        "1,5,2,5,3,5\n4,5,5,5,6,5\n7,5,8,5,9,5\n", UnsupportedError, "semicolons"
    ),
    "a matrix": ("1.5 2 3 4.5 5 6\n" * 5, UnsupportedError, "distances"),
    "a wide matrix": ("1 2 3 4 5 6 7 8 9 10 11 12\n" * 5, UnsupportedError, "12 columns"),
    "lengths before three columns": (
        "# Largeur: 12 mm\n# Hauteur: 3 mm\n1 2 3\n4 5 6\n", UnsupportedError, "in a known unit"
    ),
    "a length that is no extent": (
        "# pixel size = 0.1 mm\n1 2 3\n4 5 6\n", UnsupportedError, "distances"
    ),
    "a line profile": ("1 2\n3 4\n5 6\n", UnsupportedError, "line profile"),
    "a header without z": ("x,y,quality\n1,2,3\n4,5,6\n", UnsupportedError, "no column z"),
    "words": ("There is nothing to read here.\n", FormatMismatchError, "rows of numbers"),
    "only missing": ("x,y,z\n1,2,nan\n4,5,nan\n", UnsupportedError, "without a height"),
    "words in a row": ("x,y,z\n1,2,3\n4,five,6\n7,8,9\n", BrokenFileError, 'line 3: "five" stands'),
    "a row cut short": ("x,y,z\n1,2,3\n4,5,6\n7,8\n", BrokenFileError, "line 4: .* 2 cells"),
    "fewer rows than claimed": ("9\n1 2 3\n4 5 6\n7 8 9\n", BrokenFileError, "9 rows"),
    "rows beyond the file": ("9000000000\n1 2 3\n4 5 6\n7 8 9\n", BrokenFileError, "9,000,000"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_told_is_refused(tmp_path: Path, case: str) -> None:
    content, kind, word = REFUSED[case]
    path = tmp_path / "points"
    path.write_text(content)
    with pytest.raises(kind, match=word):
        read_scan(path)


@pytest.mark.parametrize("word", ["", "NaN", "null", "---", "***", "inf", "N/A"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_missing_readings_are_left_out_and_counted(
    tmp_path: Path, word: str, delimiter: str
) -> None:
    rows = [[*map(str, row)] for row in POINTS.tolist()]
    rows[1][2] = rows[3][0] = word
    made = "x,y,z\n".replace(",", delimiter) + "".join(delimiter.join(r) + "\n" for r in rows)
    scan = scan_of(tmp_path, made)
    assert np.array_equal(scan.content, POINTS[[0, 2, 4]])
    assert str(*scan.left_out) == "2 rows lack a number (40.0 %)."


def test_a_line_of_a_later_block_is_named_by_its_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text_blocks, "BLOCK_BYTES", 1000)
    lines = [f"{n},{n % 7},0.5" for n in range(2000)]
    path = tmp_path / "points"
    path.write_text("\n".join(["# made", "x,y,z", *lines, ""]))
    found = read_scan(path).content
    assert isinstance(found, np.ndarray)
    assert np.array_equal(found[:, 0], np.arange(2000.0))
    lines[1500] = "1500,oops,0.5"
    path.write_text("\n".join(["# made", "x,y,z", *lines, ""]))
    with pytest.raises(BrokenFileError, match="line 1503"):
        read_scan(path)


def test_comments_and_blank_lines_between_rows(tmp_path: Path) -> None:
    rows = text(header="x,y,z").decode().splitlines()
    rows[3:3] = ["", "# a new line of the scan", "   "]
    assert np.array_equal(points_of(tmp_path, "\n".join(rows)), POINTS)
    rows[3:3] = ["// another"]
    assert np.array_equal(points_of(tmp_path, "\n".join(rows)), POINTS)


# ---- height maps ---------------------------------------------------------------------------------


def test_a_matrix_with_named_steps(tmp_path: Path) -> None:
    made = "\n".join(" ".join(f"{10 * r + c}.5" for c in range(12)) for r in range(4))
    scan = scan_of(tmp_path, made, ScanOptions("mm", (0.1, 0.2)))
    assert isinstance(scan.content, HeightMap)
    assert scan.content.heights.shape == (4, 12)
    assert scan.content.heights[2, 3] == 23.5
    assert (scan.content.column_step, scan.content.row_step) == (0.1, 0.2)


def test_a_matrix_that_says_its_size(tmp_path: Path) -> None:
    made = "# Width: 12 mm\n# Height: 8 mm\n# Value units: um\n1 2 3\n4 5 NaN\n"
    scan = scan_of(tmp_path, made)
    assert isinstance(scan.content, HeightMap)
    assert scan.content.heights == pytest.approx(
        np.array([[1e-3, 2e-3, 3e-3], [4e-3, 5e-3, np.nan]]), nan_ok=True
    )
    assert (scan.content.column_step, scan.content.row_step, scan.unit) == (4.0, 4.0, "mm")


# ---- any points, any layout ----------------------------------------------------------------------

numbers = st.integers(-(10**7), 10**7).map(lambda n: n / 1000.0)


@draws(60)
@given(
    rows=st.lists(st.tuples(numbers, numbers, numbers), min_size=2, max_size=30),
    order=st.permutations("xyz"),
    delimiter=st.sampled_from([",", ";", "\t", " ", "|"]),
    comma=st.booleans(),
    named=st.booleans(),
    unit=st.sampled_from(["", "mm", "µm", "in", "m"]),
)
def test_points_survive_any_layout(
    tmp_path_factory: pytest.TempPathFactory,
    *,
    rows: list[tuple[float, float, float]],
    order: list[str],
    delimiter: str,
    comma: bool,
    named: bool,
    unit: str,
) -> None:
    comma = comma and delimiter != ","
    unit = unit if named and delimiter != " " else ""
    wanted = np.array(rows)
    if not named:
        order = ["x", "y", "z"]
    columns = wanted[:, ["xyz".index(axis) for axis in order]]
    header = delimiter.join(f"{axis} [{unit}]" if unit else axis for axis in order)
    made = text(
        columns, header=header if named else "", delimiter=delimiter,
        decimal="," if comma else ".", form="%.3f",
    )  # fmt: skip
    scan = scan_of(tmp_path_factory.mktemp("layout"), made)
    assert scan.content == pytest.approx(wanted, abs=1e-12)
    assert scan.unit == ({"µm": "um"}.get(unit, unit) or None)
