"""An empty hand sheet for one instrument, ready to fill in: CSV, or XLSX with drop-downs."""

from __future__ import annotations

import csv
import io
from string import ascii_uppercase
from typing import Any, Literal

from evenfall.errors import At, RequestError
from evenfall.instrument import Specification, string_lines
from evenfall.neck.bow import relief_point
from evenfall.sheets.quantities import COLUMNS, QUANTITIES
from evenfall.units import LengthUnit

#: The usual cautions (common practice, no source).
CAUTIONS = (
    "Strings are under tension and can whip when they break: wear eye protection.",
    "Let the instrument settle in the air of the shop, strung to pitch, before reading.",
    "Your tools' manuals, local rules and qualified practice come first.",
)

_HOW_TO_READ = (
    "One row is one reading. Fill in the column value; rows left empty are skipped.",
    "Repeat a reading by adding a row with the same quantity, string and fret: repeats give the "
    "mean and its uncertainty.",
    "Strings are numbered from the treble (1), frets from the nut. Several strings at once: 1 to "
    "6, or all.",
    "crown_top, nut_slot, saddle and board are heights over one straight datum common to all "
    "readings, for example a straightedge beside the strings.",
    "Begin with the checks by hand: the action of the two outer strings and the relief by "
    "straightedge. They show whether sign, unit or order of the heights slipped.",
    "At the end read the first crown once more (crown_again), the datum untouched. When the "
    "readings have been looked at, up to three more crowns are asked for in the same way: leave "
    "the datum where it is until then.",
    "With crown_top, nut_slot and saddle given, nothing else is needed to find what is wrong. "
    "crown_height says how much metal is left, once for a fret or under each string; of a used "
    "fret it is asked for before metal comes off.",
    "Without a datum: read relief, action over fret 1 and over the reference fret, and rocking "
    "wherever a short straightedge rocks on three frets (5 gap at 6: it rocks on 5, gap at 6).",
    "uncertainty is the standard uncertainty (k = 1) of the tool, in the unit of the row; leave "
    "it empty where it is not known.",
    "Paste values, not formulas; do not merge cells.",
)

_EMPTY_ROWS = 200
"""Rows under the last reading that still have the drop-downs."""

ASKED_AGAIN = 3
"""Crowns that `evenfall.gates` asks for once more when it has seen the readings."""

_LETTERS = dict(zip(COLUMNS, ascii_uppercase, strict=False))
"""Letters of a worksheet's columns by name."""

_WIDTHS = {
    "quantity": 16,
    "string": 8,
    "pitch": 8,
    "fret": 16,
    "value": 12,
    "unit": 7,
    "uncertainty": 12,
    "state": 14,
    "measured_with": 18,
    "note": 32,
}


def empty_sheet(specification: Specification, kind: Literal["csv", "xlsx"]) -> bytes:
    """Return an empty sheet for an instrument, CSV or XLSX.

    Parameters
    ----------
    specification
        The instrument.
    kind
        "csv", or "xlsx" for a workbook with drop-downs and instructions, set up for printing.

    Raises
    ------
    RequestError
        It is another kind.

    Examples
    --------
    >>> from importlib import resources
    >>> from evenfall.instrument import read_specification
    >>> invented = resources.files("evenfall") / "invented" / "tesquil.spec.toml"
    >>> specification, _ = read_specification(invented.read_text(encoding="utf-8"))
    >>> print(empty_sheet(specification, "csv").decode()[:30])
    quantity,string,pitch,fret,val
    """
    if kind not in ("csv", "xlsx"):
        text = "An empty sheet is CSV or XLSX, not {given:quoted}."
        raise RequestError(text, at=At(field="kind"), given=str(kind))
    return _csv(specification).encode() if kind == "csv" else _workbook(specification)


def _rows(specification: Specification) -> list[dict[str, Any]]:
    """Return the cells of every reading that are known before, in the order of work."""
    numbers = [string.number for string in specification.strings]
    frets = range(1, specification.frets + 1)
    outer, reference = (numbers[0], numbers[-1]), specification.scale.reference_fret
    # where the bench sheet asks for it again
    relief: int | str = relief_point(specification, string_lines(specification))[0]
    first, last = specification.target.relief_over
    if (first, last) != (1, specification.frets):
        relief = f"{relief} between {first} and {last}"
    by_hand, no_datum = "check by hand", "needed without a datum only"
    again, asked = "first crown once more, datum untouched", "one of those that are asked for"
    rows: list[tuple[str, int | None, int | str | None, str | None]]
    rows = [("action", s, reference, by_hand) for s in outer]
    rows += [("relief", None, relief, "by straightedge")]
    nut = "top of the zero fret" if specification.board.zero_fret else None
    rows += [("nut_slot", s, None, nut) for s in numbers]
    rows += [("saddle", s, None, None) for s in numbers]
    rows += [("crown_top", s, f, None) for s in numbers for f in frets]
    rows += [("crown_again", 1, 1, again), *[("crown_again", None, None, asked)] * ASKED_AGAIN]
    rows += [("crown_height", None, f, None) for f in frets]
    rows += [("action", s, 1, no_datum) for s in numbers]
    rows += [("action", s, reference, no_datum) for s in numbers if s not in outer]
    names = ("quantity", "string", "fret", "note")
    known = {"unit": specification.unit, "state": "strung"}
    pitch = {string.number: string.pitch for string in specification.strings}
    return [
        {**known, **dict(zip(names, row, strict=True)), "pitch": pitch.get(row[1] or 0)}
        for row in rows
    ]


def _csv(specification: Specification) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for cells in _rows(specification):
        writer.writerow([cells.get(column) for column in COLUMNS])
    for line in (*_HOW_TO_READ, *CAUTIONS):
        stream.write(f"# {line}\r\n")
    return stream.getvalue()


def _workbook(specification: Specification) -> bytes:
    import openpyxl  # takes longer to load than everything else here
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
    from openpyxl.utils import get_column_letter

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Readings"
    thin = Side(style="thin", color="A0A0A0")
    border = Border(left=thin, right=thin, top=thin, bottom=thin)
    sheet.append(list(COLUMNS))
    for cells in _rows(specification):
        sheet.append([cells.get(column) for column in COLUMNS])
    last = sheet.max_row
    number_format = "0.000" if specification.unit == "mm" else "0.0000"
    for index, column in enumerate(COLUMNS, start=1):
        letter = get_column_letter(index)
        sheet.column_dimensions[letter].width = _WIDTHS[column]
        header = sheet[f"{letter}1"]
        header.font = Font(bold=True)
        header.fill = PatternFill("solid", fgColor="E4E4E4")
        header.alignment = Alignment(horizontal="left", vertical="center")
        for row in range(1, last + 1):
            sheet[f"{letter}{row}"].border = border
        for row in range(2, last + _EMPTY_ROWS + 1):
            if column in ("value", "uncertainty"):
                sheet[f"{letter}{row}"].number_format = number_format
    for row in range(2, last + 1):  # where to write shows at a glance, in print too
        sheet[f"{_LETTERS['value']}{row}"].fill = PatternFill("solid", fgColor="FFF6D5")
    _add_drop_downs(sheet, last + _EMPTY_ROWS)
    sheet.freeze_panes = "A2"
    sheet.print_title_rows = "1:1"
    sheet.print_area = f"A1:{_LETTERS['note']}{last}"
    _set_page(sheet, f"{specification.name}: readings", specification.unit)
    _add_instructions(book, specification)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _add_drop_downs(sheet: Any, last: int) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    for column, choices, strict in (
        ("quantity", ",".join(QUANTITIES), True),
        ("unit", "mm,in", False),
        ("state", "strung,unstrung", False),  # "strung 45%" may be typed
    ):
        validation = DataValidation(type="list", formula1=f'"{choices}"', allow_blank=True)
        validation.errorTitle = "Not in the list"
        validation.error = "Choose one from the list."
        validation.errorStyle = "stop" if strict else "warning"
        validation.showErrorMessage = True
        sheet.add_data_validation(validation)
        validation.add(f"{_LETTERS[column]}2:{_LETTERS[column]}{last}")
    number = DataValidation(
        type="decimal", operator="between", formula1="-300", formula2="300", allow_blank=True
    )
    number.errorTitle = "Not a reading"
    number.error = "Write a number; the unit has a column of its own."
    number.showErrorMessage = True
    sheet.add_data_validation(number)
    for column in ("value", "uncertainty"):
        number.add(f"{_LETTERS[column]}2:{_LETTERS[column]}{last}")


def _set_page(sheet: Any, title: str, unit: LengthUnit) -> None:
    sheet.page_setup.orientation = "landscape"
    # who works in inches has US letter in the printer
    sheet.page_setup.paperSize = sheet.PAPERSIZE_LETTER if unit == "in" else sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_options.horizontalCentered = True
    sheet.oddHeader.left.text = title.replace("&", "&&")  # & starts a code in page headers
    sheet.oddFooter.left.text = "Serial:                              Date:                    By:"
    sheet.oddFooter.right.text = "&P / &N"


def _add_instructions(book: Any, specification: Specification) -> None:
    from openpyxl.styles import Alignment, Font

    sheet = book.create_sheet("How to read")
    sheet.column_dimensions["A"].width = 20
    sheet.column_dimensions["B"].width = 96
    rows: list[tuple[str, str, bool]] = [("How to read", specification.name, True)]
    rows += [("Caution", line, True) for line in CAUTIONS]
    rows += [("", line, False) for line in _HOW_TO_READ]
    rows += [("Columns", "", True)]
    rows += [(name, text.replace("`", ""), False) for name, text in COLUMNS.items()]
    rows += [("Quantities", "", True)]
    rows += [(name, quantity.meaning, False) for name, quantity in QUANTITIES.items()]
    for number, (left, right, bold) in enumerate(rows, start=1):
        for letter, text in (("A", left), ("B", right)):
            cell = sheet[f"{letter}{number}"]
            cell.value = text or None
            if text:
                cell.data_type = "s"  # a name may begin with =, and is no formula
            cell.font = Font(bold=bold)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
        sheet.row_dimensions[number].height = 15.0 * max(1, -(-len(right) // 95))
    _set_page(sheet, f"{specification.name}: how to read", specification.unit)
