"""The page about hand sheets says what the reader does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from evenfall.measurement import Origin
from evenfall.sheets.cells import FILE_LIMIT_BYTES, ROW_LIMIT
from evenfall.sheets.quantities import COLUMNS, QUANTITIES
from evenfall.sheets.readings import CELL_LIMIT
from sheets.made_sheets import codes, read

PAGE = (Path(__file__).parents[2] / "docs" / "reference" / "sheets.md").read_text(encoding="utf-8")


def test_every_column_and_quantity_has_a_row() -> None:
    rows = re.findall(r"^\| `([^`]+)` \|", PAGE, flags=re.MULTILINE)
    assert sorted(rows) == sorted([*COLUMNS, *QUANTITIES])


@pytest.mark.parametrize("name", [n for n, q in QUANTITIES.items() if not q.over_datum])
def test_the_ranges_on_the_page_are_those_of_the_reader(name: str) -> None:
    [row] = [line for line in PAGE.splitlines() if line.startswith(f"| `{name}` |")]
    low, high = QUANTITIES[name].low_mm, QUANTITIES[name].high_mm
    assert row.endswith(f"| {low:g} to {high:g} |")


def test_the_limits_on_the_page_are_those_of_the_reader() -> None:
    assert f"At most {ROW_LIMIT // 1000} 000 rows and {FILE_LIMIT_BYTES // 1_000_000} MB;" in PAGE
    assert f"at most {CELL_LIMIT} characters in a cell that is read" in PAGE


def test_the_example_on_the_page_reads_right(tmp_path: Path) -> None:
    [example] = re.findall(r"```csv\n(.*?)```", PAGE, flags=re.DOTALL)
    measurement, findings = read(tmp_path, example)
    assert measurement.complete
    assert measurement.humidity_percent == pytest.approx(45.0)
    assert measurement.crown_top_mm[2, 4] - measurement.crown_top_mm[1, 4] == pytest.approx(
        0.0425, abs=0.005
    )  # gaps of 0.08 and 0.09 mm past the pivot are twice the height of the fret
    assert measurement.crown_height_origin[0, 0] == Origin.READ
    assert codes(findings, "warning") == []
