"""Files that cannot be used: each is refused in clear sentences, one for each fault.

Every case states words that the sentence must hold, so that a refusal for another reason fails.
"""

from __future__ import annotations

import datetime
import io
import re
import tempfile
import tracemalloc
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.errors import (
    BrokenFileError,
    EvenfallError,
    Finding,
    FindingsError,
    FormatMismatchError,
    ReadingsError,
    SpecificationError,
    UnsupportedError,
)
from evenfall.files import read_text
from evenfall.instrument import read_specification
from evenfall.sheets.quantities import QUANTITIES
from sheets.made_sheets import HEADER, SPECIFICATION, full_sheet, read_file, sheet, ukulele, write

GOOD = full_sheet()


def one_clear_sentence(finding: Finding) -> None:
    """Fail unless a finding is one sentence for a person, and says where."""
    sentence = finding.sentence
    assert finding.where
    assert sentence.endswith(".")
    assert not re.search(r"[.!?]\s+[A-Z]", sentence), f"more than one sentence: {sentence}"
    assert sentence.isprintable()
    assert 20 < len(sentence) < 420
    # nothing of the program's inside; what the file itself holds is shown, in quotes or after "="
    own_words = re.sub(r'".*"', "", sentence)
    assert not re.search(r"Traceback|Error\b|object at|<class|np\.|None\b|(?<!= )nan\b", own_words)


def findings_of(call: Callable[[], object]) -> tuple[EvenfallError, list[Finding]]:
    with pytest.raises(EvenfallError) as caught:
        call()
    error = caught.value
    if isinstance(error, FindingsError):
        assert len(set(error.findings)) == len(error.findings), "the same fault twice"
        return error, list(error.findings)
    return error, [Finding("row", error.sentence, error.at, "error")]


@dataclass(frozen=True)
class Case:
    """Content of a file, the kind of error, and words of its sentence."""

    content: bytes | str
    kind: type[EvenfallError]
    words: str

    @property
    def data(self) -> bytes:
        return self.content.encode() if isinstance(self.content, str) else self.content


def with_row(row: str, words: str, kind: type[EvenfallError] = ReadingsError) -> Case:
    """Return a sheet that is good but for one more row."""
    return Case(GOOD + row + "\n", kind, words)


# ---- workbooks ---------------------------------------------------------------------------------


def workbook(change: Callable[[openpyxl.Workbook], None] = lambda book: None) -> bytes:
    """Return a good sheet as a workbook, changed."""
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    for line in GOOD.splitlines():
        page.append(
            [float(c) if re.fullmatch(r"-?[0-9.]+", c) else c or None for c in line.split(",")]
        )
    change(book)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def set_cells(**cells: object) -> bytes:
    """Return the workbook with some cells changed."""

    def change(book: openpyxl.Workbook) -> None:
        for place, value in cells.items():
            book.worksheets[0][place] = value

    return workbook(change)


def error_cell() -> bytes:
    def change(book: openpyxl.Workbook) -> None:
        cell = book.worksheets[0]["D3"]
        cell.value, cell.data_type = "#DIV/0!", "e"

    return workbook(change)


def merged(reference: str) -> bytes:
    return workbook(lambda book: book.worksheets[0].merge_cells(reference))


def repacked(change: Callable[[str, bytes], bytes | None], **more: bytes) -> bytes:
    """Return the workbook with its parts changed; None drops a part."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook())) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            if (content := change(name, old.read(name))) is not None:
                new.writestr(name, content)
        for name, content in more.items():
            new.writestr(name, content)
    return stream.getvalue()


def zip_of(**parts: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as package:
        for name, content in parts.items():
            package.writestr(name.replace("__", "/"), content)
    return stream.getvalue()


def sheet_xml(old: bytes, new: bytes) -> bytes:
    def change(name: str, content: bytes) -> bytes:
        if name != "xl/worksheets/sheet1.xml":
            return content
        assert old in content
        return content.replace(old, new, 1)

    return repacked(change)


def zip_bomb() -> bytes:
    return repacked(lambda name, content: content, bomb=bytes(60_000_000))


def far_row() -> bytes:
    row = b'<row r="99999999999"><c r="D99999999999"><v>1</v></c></row></sheetData>'
    return sheet_xml(b"</sheetData>", row)


def many_cells() -> bytes:
    """Return a workbook of about 100 kB that unpacks to 37 MB and, read whole, takes 1 GB."""
    row = b"<row>" + b"<c><v>1</v></c>" * 10 + b"</row>"
    return sheet_xml(b"</sheetData>", row * 150_000 + b"</sheetData>")


def wide_rows() -> bytes:
    """Return a workbook that unpacks to 50 MB, in rows of a hundred cells."""
    figures = np.random.default_rng(1).integers(10**9, 10**10, 100)
    row = b"<row>" + b"".join(b"<c><v>%d</v></c>" % figure for figure in figures) + b"</row>"
    return sheet_xml(b"</sheetData>", row * 20_000 + b"</sheetData>")


def two_sheets_of_readings(book: openpyxl.Workbook) -> None:
    book.copy_worksheet(book.worksheets[0])


def encrypted_flag() -> bytes:
    data = bytearray(workbook())
    at = 0
    while (at := data.find(b"PK\x01\x02", at)) >= 0:
        data[at + 8] |= 1
        at += 4
    return bytes(data)


random_bytes = np.random.default_rng(3).bytes
COMPOUND = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
ENTITIES = (
    b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><worksheet>&b;'
)

LARGE = ("a million and a half small cells",)  # takes seconds; a row far out meets the same check

SHEETS: dict[str, Callable[[], Case]] = {
    # ---- no sheet at all
    "empty": lambda: Case("", FormatMismatchError, "empty"),
    "only white space": lambda: Case(" \n\t\n", FormatMismatchError, "empty"),
    "only comments": lambda: Case("# nothing\n# here\n", FormatMismatchError, "no header"),
    "only a byte-order mark": lambda: Case(b"\xef\xbb\xbf", FormatMismatchError, "no header"),
    "binary noise": lambda: Case(random_bytes(5000), FormatMismatchError, "not a text file"),
    "null bytes": lambda: Case(bytes(3000), FormatMismatchError, "null bytes"),
    "null bytes inside": lambda: Case(GOOD.replace("4.1", "4\0.1"), FormatMismatchError, "null"),
    "a PDF document": lambda: Case(b"%PDF-1.7\n" + random_bytes(99), FormatMismatchError, "PDF"),
    "a picture": lambda: Case(b"\x89PNG\r\n\x1a\n" + bytes(50), FormatMismatchError, "picture"),
    "a compressed file": lambda: Case(b"\x1f\x8b\x08" + bytes(9), FormatMismatchError, "compress"),
    "a web page": lambda: Case("<html><table>", FormatMismatchError, "web page"),
    "a JSON file": lambda: Case('{"value": 1}', FormatMismatchError, "JSON"),
    "prose": lambda: Case("Dear all,\nno readings today.\n", FormatMismatchError, "first row"),
    "the specification": lambda: Case(SPECIFICATION, FormatMismatchError, "first row"),
    # ---- encodings
    "Latin-1": lambda: Case(
        (GOOD + "saddle,1,,4.1,mm,,,Messuhr,größer\n").encode("latin-1"),
        FormatMismatchError,
        "A character here is not UTF-8",
    ),
    "UTF-16 without a mark": lambda: Case(GOOD.encode("utf-16-le"), FormatMismatchError, "null"),
    "UTF-16 cut short": lambda: Case(GOOD.encode("utf-16")[:-1], BrokenFileError, "cut short"),
    "UTF-16 with a lone surrogate": lambda: Case(
        GOOD.encode("utf-16") + b"\x00\xd8a\x00", BrokenFileError, "damaged"
    ),
    "UTF-32": lambda: Case(GOOD.encode("utf-32"), FormatMismatchError, "UTF-32"),
    # ---- headers
    "no header": lambda: Case("\n".join(GOOD.splitlines()[1:]), FormatMismatchError, "first row"),
    "no value column": lambda: Case(
        "quantity,string,fret\nrelief,,7\n", FormatMismatchError, "no value"
    ),
    "no quantity column": lambda: Case("value,fret\n1,2\n", FormatMismatchError, "no quantity"),
    "value column misspelt": lambda: Case(
        GOOD.replace("value", "vlaue", 1), FormatMismatchError, "rename it value"
    ),
    "uncertainty column misspelt": lambda: Case(
        GOOD.replace("uncertainty", "uncertanty", 1), FormatMismatchError, "rename it uncertainty"
    ),
    "a column twice": lambda: Case(
        GOOD.replace("note", "Value", 1), FormatMismatchError, "value is there twice"
    ),
    "separated by bars": lambda: Case(GOOD.replace(",", "|"), FormatMismatchError, "first row"),
    "separator of header and rows differ": lambda: Case(
        HEADER + "\n" + "\n".join(GOOD.replace(",", ";").splitlines()[1:]),
        ReadingsError,
        "one single cell",
    ),
    "an endless header": lambda: Case("x" * 500_000 + "\n", FormatMismatchError, "first row"),
    # ---- cut short or torn
    "cut in a quoted cell": lambda: Case(
        GOOD + 'saddle,1,,4.1,mm,,,"dial in', BrokenFileError, "row 70 is not closed"
    ),
    "quotes never closed": lambda: Case(
        GOOD.replace("4.1", '"4.1', 1), BrokenFileError, "row 6 is not closed"
    ),
    "an inch mark as the unit": lambda: with_row(
        'relief,,7,0.004,",,,,', "without the mark", BrokenFileError
    ),
    "text after a closing quote": lambda: with_row(
        'relief,,7,"0.1"0,mm,,,,', "after a closing quotation mark", BrokenFileError
    ),
    "a cell without end": lambda: with_row(
        "relief,,7,0.1,mm,,,," + "x" * 200_000, "quotation mark", BrokenFileError
    ),
    # ---- numbers
    "a word for a value": lambda: with_row("relief,,7,low,mm,,,,", "not a number"),
    "not a number": lambda: with_row("relief,,7,NaN,mm,,,,", "not a finite number"),
    "infinite": lambda: with_row("relief,,7,-inf,mm,,,,", "not a finite number"),
    "huge power": lambda: with_row("relief,,7,1e400,mm,,,,", "too large"),
    "ten to the 400th": lambda: with_row("relief,,7,10^400,mm,,,,", "not a number"),
    "four hundred digits": lambda: with_row("relief,,7," + "9" * 400 + ",mm,,,,", "too large"),
    "a value of 100 kB": lambda: with_row(
        "relief,,7," + "1" * 100_000 + ",mm,,,,", "more than 500 characters"
    ),
    "a value of 100 kB and its unit": lambda: with_row(
        "relief,,7," + "1" * 100_000 + "m,mm,,,,", "more than 500 characters"
    ),
    "a fret of 100 kB": lambda: with_row(
        "relief,,7 between" + " " * 100_000 + "1,0.1,mm,,,,", "more than 500 characters"
    ),
    "a state of 100 kB": lambda: with_row(
        "relief,,7,0.1,mm,,strung" + " " * 100_000 + "4,,", "more than 500 characters"
    ),
    "a quantity of 100 kB": lambda: with_row(
        "-" * 100_000 + ",,7,0.1,mm,,,,", "more than 500 characters"
    ),
    "negative action": lambda: with_row("action,1,12,-2.2,mm,,,,", "outside 0.000 to 12.000 mm"),
    "a huge value": lambda: with_row("saddle,1,,1e12,mm,,,,", "cannot be 1e+12 mm"),
    "crown height of 10": lambda: with_row(
        "crown_height,,3,10,mm,,,,", "1.000 mm would fit, so check the decimal point"
    ),
    "relief of 25": lambda: with_row("relief,,7,25,mm,,,,", "0.250 mm would fit"),
    "mm called inches": lambda: with_row(
        "crown_height,,3,0.95,in,,,,", "0.950 mm would fit, so check whether it was read in mm"
    ),
    "inches called mm": lambda: with_row(
        "crown_height,,3,0.0394,mm,,,,", "so check whether it was read in inches"
    ),
    "mixed decimal commas": lambda: with_row(
        "action,1,12,2,2,mm,,,,", "a decimal comma split the value"
    ),
    "decimal comma in a short row": lambda: with_row("action,1,12,2,2", "decimal comma split"),
    "thousands separator": lambda: with_row('relief,,7,"1.000,5",mm,,,,', "not a number"),
    "unit in the value": lambda: with_row("relief,,7,0.1 mm,mm,,,,", "the unit in the column unit"),
    "an unknown unit": lambda: with_row("relief,,7,0.1,furlong,,,,", "not known"),
    "a hexadecimal value": lambda: with_row("relief,,7,0x1p3,mm,,,,", "not a number"),
    "digits of another script": lambda: with_row("action,1,١٢,2.2,mm,,,,", "not a whole number"),
    "uncertainty of zero": lambda: with_row("relief,,7,0.1,mm,0,,,", "more than zero"),
    "negative uncertainty": lambda: with_row("relief,,7,0.1,mm,-0.01,,,", "more than zero"),
    "uncertainty of 20 mm": lambda: with_row("relief,,7,0.1,mm,20,,,", "more than any tool"),
    # ---- places
    "an unknown quantity": lambda: with_row("actoin,1,12,2.2,mm,,,,", "the nearest is action"),
    "a quantity of nobody": lambda: with_row("colour,1,12,2.2,mm,,,,", "use one of action"),
    "a command for a quantity": lambda: with_row("=cmd|' /C calc'!A0,1,1,1,mm,,,,", "not known"),
    "no quantity": lambda: with_row(",1,12,2.2,mm,,,,", "quantity is empty"),
    "string 0": lambda: with_row("action,0,12,2.2,mm,,,,", "no string 0"),
    "string 99": lambda: with_row("action,99,12,2.2,mm,,,,", "no string 99"),
    "string 1-9": lambda: with_row("action,1-9,12,2.2,mm,,,,", "no string 1-9"),
    "string of words": lambda: with_row("action,high E,12,2.2,mm,,,,", "not a number"),
    "no string": lambda: with_row("action,,12,2.2,mm,,,,", "string is empty"),
    "fret -1": lambda: with_row("action,1,-1,2.2,mm,,,,", "not a whole number"),
    "fret 0": lambda: with_row("action,1,0,2.2,mm,,,,", "Fret 0 is the nut"),
    "fret 99": lambda: with_row("action,1,99,2.2,mm,,,,", "no fret 99"),
    "fret 1.5": lambda: with_row("action,1,1.5,2.2,mm,,,,", "not a whole number"),
    "fret 1/8/15": lambda: with_row("relief,,1/8/15,0.1,mm,,,,", "8 between 1 and 16"),
    "no fret": lambda: with_row("action,1,,2.2,mm,,,,", "fret is empty"),
    "a fret for the saddle": lambda: with_row("saddle,1,12,4.1,mm,,,,", "no fret"),
    "relief at the end of its line": lambda: with_row("relief,,15,0.1,mm,,,,", "cannot be"),
    "relief outside its line": lambda: with_row("relief,,9 between 1 and 7,0.1,,,,,", "cannot be"),
    "rocking on the first fret": lambda: with_row("rocking,1,1 gap at 2,0.1,,,,,", "middle"),
    "rocking gap far away": lambda: with_row("rocking,1,5 gap at 9,0.1,,,,,", "no gap at fret 9"),
    "rocking without a gap": lambda: with_row("rocking,1,5,0.1,,,,,", "5 gap at 6"),
    "unknown state": lambda: with_row("relief,,7,0.1,mm,,tight,,", "strung or unstrung"),
    "moisture of 400 %": lambda: with_row("relief,,7,0.1,mm,,strung 400%,,", "0 to 100"),
    "both states": lambda: with_row("relief,,7,0.1,mm,,unstrung,,", "mixed"),
    # ---- readings that do not fit together
    "duplicated rows of another size": lambda: Case(
        GOOD + GOOD.split("\n", 1)[1].replace("saddle,1,,4.1,", "saddle,1,,41,"),
        ReadingsError,
        "factor of 10",
    ),
    "nothing filled in": lambda: Case(
        sheet(["action,1,12,,mm,,,,"]), ReadingsError, "No row has a value"
    ),
    "only a header": lambda: Case(HEADER, ReadingsError, "No row has a value"),
    "one reading": lambda: Case(
        sheet(["action,1,12,2.2,mm,,,,"]), ReadingsError, "Nothing says how high the crowns are"
    ),
    "many faults": lambda: Case(
        sheet([f"action,{n},1,1,,,,," for n in range(5, 300)]), ReadingsError, "no string 5 "
    ),
    # ---- workbooks
    "an old workbook": lambda: Case(COMPOUND + random_bytes(600), UnsupportedError, "XLS"),
    "a locked workbook": lambda: Case(
        COMPOUND + bytes(500) + "EncryptedPackage".encode("utf-16-le"), UnsupportedError, "password"
    ),
    "a workbook with locked parts": lambda: Case(encrypted_flag(), UnsupportedError, "password"),
    "an OpenDocument sheet": lambda: Case(
        zip_of(mimetype=b"application/vnd.oasis.opendocument.spreadsheet"),
        UnsupportedError,
        "OpenDocument",
    ),
    "a binary workbook": lambda: Case(
        zip_of(**{"xl__workbook.bin": b"x"}), UnsupportedError, "XLSB"
    ),
    "some archive": lambda: Case(zip_of(readme=b"x"), FormatMismatchError, "ZIP archive"),
    "a text document": lambda: Case(
        zip_of(**{"[Content_Types].xml": b"<x/>", "word__document.xml": b"<x/>"}),
        FormatMismatchError,
        "ZIP archive",
    ),
    "a workbook cut short": lambda: Case(workbook()[:3000], BrokenFileError, "cut short"),
    "a workbook of one signature": lambda: Case(b"PK\x03\x04", BrokenFileError, "cut short"),
    "a workbook with damaged data": lambda: Case(
        workbook().replace(b"\x00", b"\x01", 50), BrokenFileError, "damaged"
    ),
    "a workbook without its sheet": lambda: Case(
        repacked(lambda name, content: None if "sheet1" in name else content),
        FormatMismatchError,
        "No worksheet",
    ),
    "a workbook with a torn sheet": lambda: Case(
        sheet_xml(b"</sheetData>", b""), BrokenFileError, "damaged"
    ),
    "a workbook whose styles are no XML": lambda: Case(
        repacked(lambda name, content: b"<1>" if "styles" in name else content),
        BrokenFileError,
        "damaged",
    ),
    "a workbook with words for numbers": lambda: Case(
        sheet_xml(b"<v>4.1</v>", b"<v>4..1</v>"), BrokenFileError, "damaged"
    ),
    "a workbook with a number past all bounds": lambda: Case(
        sheet_xml(b"<v>4.1</v>", b"<v>4.1E400</v>"), ReadingsError, "not a finite number"
    ),
    "a zip bomb": lambda: Case(zip_bomb(), UnsupportedError, "unpacks to far more"),
    "an entity bomb": lambda: Case(
        repacked(lambda name, content: ENTITIES if "sheet1" in name else content),
        UnsupportedError,
        "document type definition",
    ),
    "a row far out": lambda: Case(far_row(), UnsupportedError, "more than 20000 rows"),
    "a million and a half small cells": lambda: Case(
        many_cells(), UnsupportedError, "more than 20000 rows"
    ),
    "fifty megabytes of wide rows": lambda: Case(
        wide_rows(), UnsupportedError, "unpacks to far more"
    ),
    "an empty workbook": lambda: Case(
        workbook(lambda book: book.worksheets[0].delete_rows(1, 99)),
        FormatMismatchError,
        "No worksheet",
    ),
    "a workbook about something else": lambda: Case(
        workbook(add_title),
        FormatMismatchError,
        "No worksheet",
    ),
    "readings on two worksheets": lambda: Case(
        workbook(two_sheets_of_readings), UnsupportedError, "both hold readings"
    ),
    "a hundred more worksheets": lambda: Case(
        workbook(lambda book: [book.create_sheet() for _ in range(100)] and None),
        UnsupportedError,
        "101 worksheets",
    ),
    "a formula": lambda: Case(set_cells(D3="=A1*2"), ReadingsError, "value is a formula"),
    "a formula for the fret": lambda: Case(
        set_cells(C12="=1+2"), ReadingsError, "fret is a formula"
    ),
    "an error of the spreadsheet": lambda: Case(error_cell(), ReadingsError, "#DIV/0!"),
    "true for a value": lambda: Case(set_cells(D3=True), ReadingsError, "true or false"),
    "a date for a value": lambda: Case(
        set_cells(D3=datetime.date(2024, 5, 1)), ReadingsError, "date or time"
    ),
    "merged cells": lambda: Case(merged("D3:D5"), ReadingsError, "D3:D5 are merged"),
    "a text beginning with =": lambda: Case(formula_as_text(), ReadingsError, "=cmd"),
}


def add_title(book: openpyxl.Workbook) -> None:
    book.worksheets[0].insert_rows(1)
    book.worksheets[0]["A1"] = "Monday"


def formula_as_text() -> bytes:
    def change(book: openpyxl.Workbook) -> None:
        cell = book.worksheets[0]["D3"]
        cell.value, cell.data_type = "=cmd", "s"

    return workbook(change)


@pytest.mark.quick(15)
@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=pytest.mark.slow if name in LARGE else []) for name in SHEETS],
)
def test_a_sheet_that_cannot_be_used_is_refused_clearly(tmp_path: Path, name: str) -> None:
    case = SHEETS[name]()
    path = write(tmp_path, case.data, "sheet.csv")
    error, findings = findings_of(lambda: read_file(path))
    assert type(error) is case.kind, f"{type(error).__name__}: {error}"
    assert any(case.words in finding.sentence for finding in findings), str(error)
    assert len(findings) <= 21
    for finding in findings:
        one_clear_sentence(finding)
    assert "sheet.csv" in str(error)
    assert str(tmp_path) not in str(error)
    assert list(tmp_path.iterdir()) == [path]


def test_there_are_enough_hostile_sheets() -> None:
    assert len(SHEETS) >= 60


@pytest.mark.slow
@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("action,1,12,2.2,mm,,,,\n", "more than 20000 rows"),
        ("x" * 1_000_000 + "\n", "first row"),
        ('"' + "y" * 999_999, "first row"),
    ],
)
def test_fifty_megabytes_are_refused(tmp_path: Path, line: str, words: str) -> None:
    data = line * (50_000_000 // len(line))
    if line.startswith("action"):
        data = HEADER + "\n" + data
    path = write(tmp_path, data)
    _, [finding] = findings_of(lambda: read_file(path))
    assert words in finding.sentence
    one_clear_sentence(finding)


def test_a_file_past_the_limit_is_refused_by_its_size(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    with path.open("wb") as stream:
        stream.truncate(70_000_000)  # takes no room on most disks
    error, [finding] = findings_of(lambda: read_file(path))
    assert isinstance(error, UnsupportedError)
    assert "64 MB" in finding.sentence


@pytest.mark.slow
def test_cells_far_to_the_right_cost_nothing(tmp_path: Path) -> None:
    """A row with one cell in the last column of all would be 16 384 cells wide."""
    far = b"".join(
        b'<row r="%d"><c r="XFD%d"><v>1</v></c></row>' % (row, row) for row in range(100, 20_000)
    )
    path = write(tmp_path, sheet_xml(b"</sheetData>", far + b"</sheetData>"))
    tracemalloc.start()
    measurement, _ = read_file(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert measurement.complete
    assert peak < 100e6


WORKBOOK = workbook()


def read_or_refused(data: bytes) -> None:
    """Read a sheet; if it is refused, fail unless every sentence is clear."""
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder), data)
        try:
            _, findings = read_file(path)
        except FindingsError as error:
            findings = error.findings
        except EvenfallError as error:
            findings = (Finding("row", error.sentence, error.at),)
    for finding in findings:
        one_clear_sentence(finding)


@pytest.mark.parametrize("data", [GOOD.encode(), WORKBOOK], ids=["CSV", "XLSX"])
def test_any_cut_of_a_sheet_is_read_or_refused_clearly(data: bytes) -> None:
    for length in range(0, len(data), 97):
        read_or_refused(data[:length])


CELLS = st.one_of(
    st.sampled_from(["", "0", "1", "9", "-1", "1,5", "0.1", "1e400", "7", "12", "mm", "in"]),
    st.sampled_from(
        ["1-4", "all", "5 gap at 6", "strung", "unstrung 40%", "#", '"', "=1", "\ufeff"]
    ),
    st.sampled_from(list(QUANTITIES)),
)


@draws(150)
@given(rows=st.lists(st.lists(CELLS, min_size=1, max_size=11), max_size=12), good=st.booleans())
def test_any_rows_are_read_or_refused_clearly(rows: list[list[str]], good: bool) -> None:
    text = (GOOD if good else HEADER + "\n") + "\n".join(",".join(row) for row in rows)
    read_or_refused(text.encode())


@draws(100)
@given(
    data=st.binary(max_size=200), start=st.sampled_from([b"", b"PK\x03\x04", GOOD[:90].encode()])
)
def test_any_bytes_are_read_or_refused_clearly(data: bytes, start: bytes) -> None:
    read_or_refused(start + data)


@draws(60)
@given(at=st.integers(0), change=st.integers(1, 255))
def test_any_workbook_with_a_wrong_byte_is_read_or_refused_clearly(at: int, change: int) -> None:
    data = bytearray(WORKBOOK)
    data[at % len(data)] ^= change
    read_or_refused(bytes(data))


# ---- specifications ----------------------------------------------------------------------------

SPECIFICATIONS: dict[str, tuple[str, str, str]] = {
    # name: (old, new, words); an empty old replaces the whole text
    "empty": ("", "", "schema must be"),
    "not TOML": ("", "quantity,string\n", "not a specification"),
    "TOML with a slip": ("frets = 15", "frets 15", "not valid TOML"),
    "cut short": ("", SPECIFICATION.split("[target]")[0], "missing"),
    "cut in a string": ("", SPECIFICATION[:60], "not valid TOML"),
    "a key twice": ("frets = 15", "frets = 15\nfrets = 16", "not valid TOML"),
    "a null character": ("frets = 15", "frets = 1\0", "not valid TOML"),
    "another schema": ("spec@1", "spec@9", "schema must be"),
    "a table as schema": ('schema = "evenfall/spec@1"', "schema.a.b = 1", "not a table"),
    "text for a number": ("crown_height = 1.0", 'crown_height = "1.0"', "without quotes"),
    "a list for a number": ("length = 432.0", "length = [432.0]", "not a list"),
    "a date for a number": ("frets = 15", "frets = 1979-05-27", "not a date"),
    "true for a number": ("frets = 15", "frets = true", "not true or false"),
    "not a number": ("crown_height = 1.0", "crown_height = nan", "out of range"),
    "infinite": ("length = 432.0", "length = inf", "out of range"),
    "negative": ("radius_nut = 305.0", "radius_nut = -305.0", "out of range"),
    "huge": ("length = 432.0", "length = 1" + "0" * 400, "a huge number"),
    "more digits than can be": ("frets = 15", "frets = " + "9" * 5000, "too many digits"),
    "frets of a huge number": ("frets = 15", "frets = " + "9" * 4000, "a huge number"),
    "nested without end": ("frets = 15", "frets = " + "[" * 5000, "nested too deeply"),
    "a pitch in space": ('pitch = "A4"', 'pitch = "A99"', "out of range"),
    "a pitch without end": ('pitch = "A4"', f'pitch = "{"A" * 9000}"', "not a pitch name"),
    "an octave without end": ('pitch = "A4"', f'pitch = "A{"9" * 5000}"', "not a pitch name"),
    "a file too long": ("", SPECIFICATION + "#" * 200_000, "longer than any specification"),
    "a name that does not print": ('kind = "ukulele"', 'kind = "a\\u202eb"', "printable"),
    "flat wire on a plain string": ('pitch = "A4"', 'pitch = "A4"\nwinding = "flat"', "wound"),
    "a misspelt table": ("[player]", "[plyer]", "nearest known name is player"),
    "a misspelt key": ("string_spread_nut", "string_spred_nut", "is string_spread_nut"),
    "a table for a list": ("[board]", "[[board]]", "must be a table"),
    "a list for a table": ("[rule]", "[[rule]]", "must be a table"),
    "a number for a table": ("[target]", "[x]", "[target] is missing"),
    "two strings with one number": ("number = 2", "number = 1", "there twice"),
    "string 99": ("number = 4", "number = 99", "there are 4 strings"),
    "another material": ('material = "nylon"', 'material = "wood"', "material must be"),
    "inches called mm": ("length = 432.0", "length = 17.0", "out of range"),
    "a target that is no table": ("relief = {", "relief = 0.1 #", "must be a table"),
    "limits out of order": ("minimum = 0.02", "minimum = 0.5", "minimum <= value"),
    "a reference fret past the last": (
        "reference_fret = 12",
        "reference_fret = 16",
        "from 1 to 15",
    ),
}


@pytest.mark.parametrize("name", SPECIFICATIONS)
def test_a_specification_that_cannot_be_used_is_refused_clearly(name: str) -> None:
    old, new, words = SPECIFICATIONS[name]
    assert old in SPECIFICATION
    text = SPECIFICATION.replace(old, new, 1) if old else new
    error, findings = findings_of(lambda: read_specification(text, source="uke.toml"))
    assert isinstance(error, SpecificationError)
    assert any(words in finding.sentence for finding in findings), str(error)
    for finding in findings:
        one_clear_sentence(finding)
    assert "uke.toml" in str(error)


def faults_of(text: str) -> list[str]:
    with pytest.raises(SpecificationError) as caught:
        read_specification(text)
    return [finding.sentence for finding in caught.value.findings]


def test_one_slip_in_a_specification_is_one_fault() -> None:
    """What follows from a fault is not listed as faults of its own."""
    for old, new in (("frets = 15", "frets = 0"), ("frets = 15", 'frets = "15"')):
        assert len(faults_of(SPECIFICATION.replace(old, new))) == 1
    without = faults_of(SPECIFICATION.replace("[fretwire]", "[wire]"))
    assert len(without) == 2  # the unknown table, and the one that is missing
    assert not [sentence for sentence in without if "crown_height is missing" in sentence]


def test_of_many_faults_the_first_are_shown_and_the_rest_is_counted() -> None:
    many = SPECIFICATION + "".join(f"x{n} = 1\n" for n in range(1_000))
    error, findings = findings_of(lambda: read_specification(many, source="uke.toml"))
    shown = error.words().splitlines()
    assert len(findings) == 1_000
    assert len(shown) == 51
    assert shown[-1] == "950 more faults; correct these first."


def test_lengths_in_the_other_unit_are_named_first() -> None:
    """A file of inches without its unit: the cause stands before what it causes."""
    assert 'units = "mm"' in SPECIFICATION
    first = faults_of(SPECIFICATION.replace('units = "mm"', 'units = "in"'))[0]
    assert "as millimetres" in first
    assert 'check units = "in" first' in first
    assert "inches" not in " ".join(faults_of(SPECIFICATION.replace("432.0", "43.2")))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (SPECIFICATION.replace("ukulele of", "größe").encode("latin-1"), "not UTF-8"),
        (SPECIFICATION.encode("utf-16-le"), "null bytes"),
        (random_bytes(2000), "not a text file"),
        (b" " * 9_000_000, "larger than 8 MB"),
    ],
    ids=["Latin-1", "UTF-16 without a mark", "noise", "9 MB"],
)
def test_a_specification_file_that_is_no_text_is_refused(
    tmp_path: Path, data: bytes, words: str
) -> None:
    path = write(tmp_path, data, "uke.toml")
    _, [finding] = findings_of(lambda: read_text(path))
    assert words in finding.sentence
    one_clear_sentence(finding)


def test_a_specification_with_a_mark_or_in_utf_16_reads_right(tmp_path: Path) -> None:
    for data in (b"\xef\xbb\xbf" + SPECIFICATION.encode(), SPECIFICATION.encode("utf-16")):
        text = read_text(write(tmp_path, data, "uke.toml"))
        assert read_specification(text)[0] == ukulele()


def test_a_long_line_in_a_text_takes_no_time() -> None:
    text = SPECIFICATION.replace('kind = "ukulele"', 'kind = """' + "\n[" + " " * 100_000 + '\n"""')
    _, [finding] = findings_of(lambda: read_specification(text, source="uke.toml"))
    assert "one line" in finding.sentence
