"""The empty sheet: filled in, it reads; opened, it helps."""

from __future__ import annotations

import doctest
import io
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Literal

import numpy as np
import openpyxl
import pytest

from evenfall.measurement import Origin
from evenfall.sheets import empty_sheet, hand, template
from evenfall.sheets.quantities import COLUMNS, QUANTITIES
from sheets.made_sheets import codes, heights, read_file, refused, ukulele

#: What a bench would write into each kind of row, in mm.
TYPICAL = {"relief": 0.1, "action": 2.2, "crown_height": 0.95}


def reading(quantity: str, string: int, fret: int) -> float:
    crowns, nut, saddle = heights()
    if quantity in ("crown_top", "crown_again"):
        return float(crowns[string - 1, fret - 1])
    if quantity in ("nut_slot", "saddle"):
        return float((nut if quantity == "nut_slot" else saddle)[string - 1])
    return TYPICAL[quantity]


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_a_filled_csv_template_is_complete(tmp_path: Path, unit: str) -> None:
    path = tmp_path / "readings.csv"
    path.write_bytes(empty_sheet(ukulele(unit), "csv"))
    lines = []
    for line in path.read_text(encoding="utf-8").splitlines():
        cells = line.split(",")
        if cells[0] in QUANTITIES:
            value = reading(cells[0], int(cells[1] or 0), int(cells[3] or 0))
            assert cells[5] == unit
            if cells[0] == "crown_again" and not cells[1]:
                continue  # to be filled in when the program has asked for a crown
            cells[4] = repr(value / (25.4 if unit == "in" else 1.0))
        lines.append(",".join(cells))
    path.write_text("\n".join(lines), encoding="utf-8")
    measurement, findings = read_file(path, unit=unit)
    assert measurement.complete
    np.testing.assert_allclose(measurement.crown_top_mm, heights()[0], atol=1e-12)
    assert np.all(measurement.crown_height_origin == Origin.READ)
    assert "state" not in codes(findings)


def test_a_filled_workbook_template_reads_the_same(tmp_path: Path) -> None:
    path = tmp_path / "readings.xlsx"
    path.write_bytes(empty_sheet(ukulele(), "xlsx"))
    book = openpyxl.load_workbook(path)
    page = book["Readings"]
    for row in page.iter_rows(min_row=2):
        if row[0].value is not None and (row[0].value != "crown_again" or row[1].value):
            row[4].value = reading(row[0].value, row[1].value or 0, row[3].value or 0)
    book.save(path)
    measurement, _ = read_file(path)
    assert measurement.complete
    np.testing.assert_allclose(measurement.crown_top_mm, heights()[0], atol=1e-12)


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_an_empty_template_says_that_nothing_is_filled_in(
    tmp_path: Path, kind: Literal["csv", "xlsx"]
) -> None:
    name = f"empty.{kind}"
    (tmp_path / name).write_bytes(empty_sheet(ukulele(), kind))
    [finding] = refused(lambda: read_file(tmp_path / name))
    assert "No row has a value yet" in finding.sentence


def test_the_workbook_has_drop_downs_units_and_a_page_set_up(tmp_path: Path) -> None:
    path = tmp_path / "readings.XLSX"
    path.write_bytes(empty_sheet(ukulele("in"), "xlsx"))
    book = openpyxl.load_workbook(path)
    page = book["Readings"]
    assert [cell.value for cell in page[1]] == list(COLUMNS)
    lists = {str(v.sqref)[0]: v.formula1 for v in page.data_validations.dataValidation}
    assert lists["A"] == '"' + ",".join(QUANTITIES) + '"'
    assert lists["F"] == '"mm,in"'
    assert lists["H"] == '"strung,unstrung"'
    assert len(lists["A"]) < 255  # more is refused by spreadsheet programs
    assert page["F2"].value == "in"
    assert page["E2"].number_format == "0.0000"
    assert page.freeze_panes == "A2"
    assert page.page_setup.orientation == "landscape"
    words = " ".join(str(cell.value) for row in book["How to read"].iter_rows() for cell in row)
    assert "eye protection" in words
    for name in (*COLUMNS, *QUANTITIES):
        assert name in words


def test_the_csv_carries_the_cautions_too() -> None:
    assert "eye protection" in empty_sheet(ukulele(), "csv").decode()


def test_a_name_that_looks_like_a_formula_stays_a_name() -> None:
    odd = replace(ukulele(), name="=1+1 & more")
    book = openpyxl.load_workbook(io.BytesIO(empty_sheet(odd, "xlsx")))
    cell = book["How to read"]["B1"]
    assert (cell.value, cell.data_type) == ("=1+1 & more", "s")


def test_another_kind_is_refused() -> None:
    [finding] = refused(lambda: empty_sheet(ukulele(), "ods"))  # type: ignore[arg-type]
    assert "CSV or XLSX" in finding.sentence
    assert finding.at.field == "kind"


@pytest.mark.parametrize(("unit", "paper"), [("mm", "9"), ("in", "1")])
def test_the_workbook_prints_on_the_paper_of_its_unit(
    tmp_path: Path, unit: str, paper: str
) -> None:
    """Paper sizes by ISO/IEC 29500-1, 18.3.1.63 (from memory): 1 is US letter, 9 is A4."""
    path = tmp_path / "readings.xlsx"
    path.write_bytes(empty_sheet(ukulele(unit), "xlsx"))
    pages = openpyxl.load_workbook(path).worksheets
    assert len(pages) == 2
    assert {str(page.page_setup.paperSize) for page in pages} == {paper}


@pytest.mark.parametrize("module", [hand, template], ids=["hand", "template"])
def test_the_examples_of_the_face_come_true(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0
