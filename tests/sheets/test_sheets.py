"""Sheets that are odd but honest must read right; row numbers are a spreadsheet's."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from evenfall.measurement import Measurement
from evenfall.sheets.cells import SheetRow
from evenfall.sheets.readings import read_rows
from sheets.made_sheets import (
    HEADER,
    codes,
    full_sheet,
    height_rows,
    heights,
    read,
    read_file,
    refused,
    sheet,
    ukulele,
    write,
)


def semicolons(text: str) -> str:
    return text.replace(",", ";").replace(".", ",")


def shuffled_columns(text: str) -> str:
    rows = [line.split(",") for line in text.splitlines()]
    return "\n".join(",".join(row[i] for i in (6, 3, 8, 0, 5, 2, 1, 4, 7)) for row in rows)


def quoted_decimal_commas(text: str) -> str:
    head, *rows = text.splitlines()
    cells = [row.split(",") for row in rows]
    for row in cells:
        row[3] = '"' + row[3].replace(".", ",") + '"'
    return "\n".join([head, *(",".join(row) for row in cells)])


def every_cell_quoted(text: str) -> str:
    rows = [",".join(f'"{cell}"' for cell in line.split(",")) for line in text.splitlines()]
    return "\n".join(rows)


ODD_BUT_HONEST = {
    "plain": lambda t: t.encode(),
    "UTF-8 with byte-order mark": lambda t: b"\xef\xbb\xbf" + t.encode(),
    "UTF-16 little endian": lambda t: b"\xff\xfe" + t.encode("utf-16-le"),
    "UTF-16 big endian": lambda t: b"\xfe\xff" + t.encode("utf-16-be"),
    "UTF-16 and tabs, as a spreadsheet exports": lambda t: t.replace(",", "\t").encode("utf-16"),
    "semicolons and decimal commas": lambda t: semicolons(t).encode(),
    "semicolons and decimal points": lambda t: t.replace(",", ";").encode(),
    "tabs": lambda t: t.replace(",", "\t").encode(),
    "tabs and decimal commas": lambda t: semicolons(t).replace(";", "\t").encode(),
    "a line naming the separator": lambda t: ("sep=;\r\n" + semicolons(t)).encode(),
    "quoted decimal commas": lambda t: quoted_decimal_commas(t).encode(),
    "every cell quoted": lambda t: every_cell_quoted(t).encode(),
    "DOS line ends": lambda t: t.replace("\n", "\r\n").encode(),
    "old Macintosh line ends": lambda t: t.replace("\n", "\r").encode(),
    "mixed line ends": lambda t: t.replace("\n", "\r\n", 9).encode(),
    "no line end at the end": lambda t: t.rstrip().encode(),
    "blank lines": lambda t: t.replace("\n", "\n\n,,,,,,,,\n  \n").encode(),
    "comments": lambda t: ("# made by hand\n" + t.replace("\n", '\n# "not, closed\n')).encode(),
    "other column order": lambda t: shuffled_columns(t).encode(),
    "header with capitals and spaces": lambda t: t.replace(
        HEADER, " Quantity ,STRING, Fret,Value,Unit , UNCERTAINTY,State,Measured With,Note"
    ).encode(),
    "quantities with capitals and spaces": lambda t: (
        t.replace("crown_top", "Crown Top").replace("nut_slot", "NUT-SLOT").encode()
    ),
    "spaces around cells": lambda t: t.replace(",", " , ").encode(),
    "numbers with exponents": lambda t: t.replace(",4.1,mm", ",41e-1,mm").encode(),
    "typographic minus": lambda t: t.replace("-0.", "−0.").encode(),
    "units written differently": lambda t: t.replace(",mm,", ", Millimetre,").encode(),
    "a note with a line end": lambda t: t.replace(
        "strung,,\n", 'strung,,"two\nlines, and more"\n', 3
    ).encode(),
    "cells beyond the header that are empty": lambda t: t.replace("\n", ",,,\n").encode(),
    "rows cut short after the state": lambda t: t.replace("strung,,\n", "strung\n").encode(),
    "an extra column": lambda t: t.replace("\n", ",x\n").replace("note,x", "note,bench").encode(),
}


def same(one: Measurement, other: Measurement) -> None:
    for name in ("crown_top_mm", "crown_top_u_mm", "nut_mm", "saddle_mm", "saddle_u_mm"):
        np.testing.assert_allclose(
            getattr(one.heights, name), getattr(other.heights, name), atol=1e-12
        )
    assert one.strung == other.strung


@pytest.mark.parametrize("name", ODD_BUT_HONEST)
def test_odd_but_honest_sheets_read_right(tmp_path: Path, name: str) -> None:
    plain, _ = read(tmp_path, full_sheet())
    odd, findings = read(tmp_path, ODD_BUT_HONEST[name](full_sheet()), "odd.txt")
    same(plain, odd)
    assert codes(findings, "warning") == []
    assert ("unused" in codes(findings)) == (name == "an extra column")


def workbook(text: str, title: str = "Readings") -> openpyxl.Workbook:
    """Return a workbook with the rows of a CSV sheet, numbers as numbers."""
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    page.title = title
    for line in text.splitlines():
        cells: list[object] = []
        for cell in line.split(","):
            try:
                cells.append(float(cell))
            except ValueError:
                cells.append(cell or None)
        page.append(cells)
    return book


def saved(book: openpyxl.Workbook) -> bytes:
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


@pytest.mark.parametrize("name", ["sheet.xlsx", "sheet.csv", "no suffix"])
def test_a_workbook_reads_like_the_same_csv(tmp_path: Path, name: str) -> None:
    plain, _ = read(tmp_path, full_sheet())
    book = workbook(full_sheet())
    notes = book.create_sheet("How to read")
    notes.append(["anything", "else"])
    book.move_sheet(notes, -1)
    found, findings = read(tmp_path, saved(book), name)
    same(plain, found)
    assert codes(findings, "warning") == []


def test_a_workbook_may_hold_blank_rows_words_beside_and_formulas_in_notes(tmp_path: Path) -> None:
    book = workbook(full_sheet())
    page = book["Readings"]
    page.insert_rows(1, 2)
    page.insert_rows(8)
    page["M9"] = "checked twice"
    page["I9"] = "=1+1"
    page["H10"] = True
    plain, _ = read(tmp_path, full_sheet())
    found, _ = read(tmp_path, saved(book))
    same(plain, found)


def test_extensions_of_a_workbook_do_no_harm(tmp_path: Path) -> None:
    """What a newer spreadsheet adds (ISO/IEC 29500-1, 18.2.10, extLst) holds no reading."""
    extension = b'<extLst><ext uri="{CCE6A557-97BC-4B89-ADB6-D9C93CAAB3DF}"/></extLst></worksheet>'
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(saved(workbook(full_sheet())))) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            content = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                assert b"</worksheet>" in content
                content = content.replace(b"</worksheet>", extension)
            new.writestr(name, content)
    found, findings = read(tmp_path, stream.getvalue(), "sheet.xlsx")
    same(read(tmp_path, full_sheet())[0], found)
    assert codes(findings, "warning") == []


def test_rows_are_numbered_as_a_spreadsheet_shows_them(tmp_path: Path) -> None:
    record = '"saddle",1,,"4.1",mm,,,"a\nb",x\n'
    text = "# a comment\n\n" + full_sheet() + "\n" + record + "action,9,1,1,,,,,\n"
    # comment, blank, header, 8 + 60 rows, blank, one record over two lines, then the faulty one
    [finding] = refused(lambda: read(tmp_path, text))
    assert finding.where == "sheet.csv, row 74, string"
    book = workbook(full_sheet())
    book["Readings"]["B72"] = 9
    book["Readings"]["A72"], book["Readings"]["D72"] = "saddle", 4.1
    [finding] = refused(lambda: read(tmp_path, saved(book)))
    assert finding.where == "sheet.csv, row 72, string"


def test_several_files_are_one_sheet(tmp_path: Path) -> None:
    rows = height_rows(*heights())
    first = write(tmp_path, sheet(rows[:30]), "a.csv")
    second = write(tmp_path, saved(workbook(sheet(rows[30:]))), "b.xlsx")
    plain, _ = read(tmp_path, full_sheet())
    both, _ = read_file(first, second, serial="U-7")
    same(plain, both)
    assert both.source == ("a.csv", "b.xlsx")
    assert both.serial == "U-7"
    third = write(tmp_path, sheet(["saddle,1,,41,mm,,,,", "action,9,1,1,,,,,"]), "c.csv")
    findings = refused(lambda: read_file(first, second, third))
    assert [f.where for f in findings] == ["c.csv, row 3, string", "a.csv, row 6"]
    assert "in row 6 of a.csv and 41.000 mm in row 2 of c.csv, a factor" in findings[1].sentence


def test_all_faults_come_at_once_but_not_endlessly(tmp_path: Path) -> None:
    rows = [f"action,{n},1,1,,,,," for n in range(5, 40)]
    findings = refused(lambda: read(tmp_path, sheet(rows)))
    assert len(findings) == 21
    assert "15 more" in findings[-1].sentence


def test_the_same_fault_in_many_rows_is_one_sentence(tmp_path: Path) -> None:
    text = full_sheet(state="tight")
    [finding] = refused(lambda: read(tmp_path, text))
    assert finding.where == "sheet.csv, rows 2 to 69, state"


def test_the_unit_of_the_specification_counts_where_none_is_written(tmp_path: Path) -> None:
    rows = [row.replace(",mm,", ",,") for row in height_rows(*heights())]
    metric, _ = read(tmp_path, sheet(rows))
    inches = [row.replace(",in,", ",,") for row in height_rows(*heights(), unit="in")]
    imperial, _ = read(tmp_path, sheet(inches), unit="in")
    np.testing.assert_allclose(metric.crown_top_mm, imperial.crown_top_mm, atol=1e-12)


def test_state_and_moisture(tmp_path: Path) -> None:
    measurement, findings = read(tmp_path, full_sheet(state="strung 45 %"))
    assert measurement.strung
    assert measurement.humidity_percent == pytest.approx(45.0)
    assert "state" not in codes(findings)
    measurement, findings = read(tmp_path, full_sheet(state='"Unstrung; 48,5%"'))
    assert not measurement.strung
    assert ("state", "warning") in [(f.code, f.severity) for f in findings]
    measurement, findings = read(tmp_path, full_sheet(state=""))
    assert measurement.strung
    assert np.isnan(measurement.humidity_percent)
    assert ("state", "note") in [(f.code, f.severity) for f in findings]


@pytest.mark.parametrize(
    ("state", "humidity_percent", "celsius"),
    [
        ("strung 45% 21C", 45.0, 21.0),
        ("strung 45 % RH 21.5 °C", 45.0, 21.5),
        ("strung 68°F", np.nan, 20.0),
        ("strung 45% at 21", 45.0, np.nan),
    ],
)
def test_state_and_temperature(
    tmp_path: Path, state: str, humidity_percent: float, celsius: float
) -> None:
    measurement, _ = read(tmp_path, full_sheet(state=state))
    assert measurement.humidity_percent == pytest.approx(humidity_percent, nan_ok=True)
    assert measurement.temperature_celsius == pytest.approx(celsius, nan_ok=True)
    for given in ("70C", "-40C"):
        [finding] = refused(lambda given=given: read(tmp_path, full_sheet(state=f"strung {given}")))
        assert f"No instrument is read at {given};" in finding.sentence


def test_mixed_states_are_refused_with_the_fewer_rows(tmp_path: Path) -> None:
    text = full_sheet().replace("saddle,3,,4.1,mm,0.01,strung", "saddle,3,,4.1,mm,0.01,unstrung")
    [finding] = refused(lambda: read(tmp_path, text))
    assert (finding.code, finding.where) == ("state", "sheet.csv, row 8, state")


def test_action_without_strings_is_refused(tmp_path: Path) -> None:
    text = full_sheet(state="unstrung") + "action,1,12,2.2,mm,,,,\n"
    [finding] = refused(lambda: read(tmp_path, text))
    assert "unstrung" in finding.sentence


def test_moisture_that_moves_is_named(tmp_path: Path) -> None:
    text = full_sheet(state="strung 40%").replace("strung 40%", "strung 55%", 1)
    _, findings = read(tmp_path, text)
    assert any("40 % to 55 %" in f.sentence for f in findings)


def test_string_spacing_is_checked_against_the_specification(tmp_path: Path) -> None:
    good = "string_spacing,,0,28.2,mm,,,,\nstring_spacing,2,0,9.4,mm,,,,\n"
    _, findings = read(tmp_path, full_sheet() + good)
    assert codes(findings, "warning") == []
    _, findings = read(tmp_path, full_sheet() + "string_spacing,,0,36,mm,,,,\n")
    assert codes(findings, "warning") == ["disagree"]
    [finding] = refused(lambda: read(tmp_path, full_sheet() + "string_spacing,4,0,9,mm,,,,\n"))
    assert finding.code == "row"


@pytest.mark.parametrize(
    ("value", "wanted_in"), [("5/64", 5 / 64), ("1/8", 0.125), ("1 3/16", 1.1875)]
)
def test_a_rule_in_inches_is_read_in_fractions(value: str, wanted_in: float) -> None:
    said = {"quantity": "action", "string": "1", "fret": "12", "value": value, "unit": "in"}
    rows = (SheetRow(2, said), SheetRow(3, {**said, "unit": "mm"}))
    [reading], [fault] = read_rows(rows, ukulele(), file="sheet.csv")
    assert reading.value_mm == pytest.approx(wanted_in * 25.4)
    assert reading.step_mm == min(1.0, 25.4 / int(value.partition("/")[2]))
    assert "is not a number; write digits" in fault.sentence


def test_actions_that_look_like_inches_are_questioned(tmp_path: Path) -> None:
    rows = [f"action,{k},12,0.088,mm,,,," for k in range(1, 5)]
    _, findings = read(tmp_path, full_sheet() + "\n".join(rows))
    assert any(f.code == "implausible" and "inches" in f.sentence for f in findings)


# ---- the pitch of a string ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("string", "pitch", "said"),
    [
        ("1", "G4", "that of string 4"),
        ("4", "A4", "that of string 1"),
        ("2", "B2", "no string's here"),
        ("2", "H9", "not a pitch name"),
    ],
)
def test_a_pitch_of_another_string_is_refused(
    tmp_path: Path, string: str, pitch: str, said: str
) -> None:
    header = "quantity,string,pitch,fret,value\n"
    [finding] = refused(lambda: read(tmp_path, header + f"action,{string},{pitch},12,2.2\n"))
    assert said in finding.sentence
    assert (finding.at.field, finding.at.rows) == ("pitch", (2,))


@pytest.mark.parametrize(("string", "pitch"), [("1", "A4"), ("4", "g4"), ("all", "C4"), ("3", "")])
def test_a_pitch_that_fits_is_no_matter(tmp_path: Path, string: str, pitch: str) -> None:
    header = "quantity,string,pitch,fret,value\n"
    faults = refused(lambda: read(tmp_path, header + f"action,{string},{pitch},12,2.2\n"))
    assert all(fault.at.field != "pitch" for fault in faults)
