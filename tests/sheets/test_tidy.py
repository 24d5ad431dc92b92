"""Sheets of many instruments: what is read, and one sentence for what cannot be."""

from __future__ import annotations

import io

import openpyxl
import pytest

from evenfall.errors import EvenfallError, ReadingsError, RequestError
from evenfall.sheets import SheetFile, read_tidy


def sheet(text: str) -> SheetFile:
    return SheetFile("readings.csv", text.encode())


def test_lengths_of_every_unit_become_mm_and_other_columns_factors() -> None:
    table = read_tidy(
        sheet("value;unit;Station;serial\n0,21;mm;A;AL-1\n8.0;thou;B;AL-2\n\n;mm;A;AL-3\n")
    )
    assert table.value.tolist() == pytest.approx([0.21, 0.2032])
    assert (table.unit, table.inch, table.quantity) == ("mm", True, "value")
    assert table.factor("station") == ("A", "B")
    assert table.factors["serial"] == ("AL-1", "AL-2")
    assert table.where("Station", "b").value.tolist() == pytest.approx([0.2032])


def test_rows_are_put_into_the_order_of_time_and_it_is_said() -> None:
    table = read_tidy(sheet("time,value,unit\n2026-03-02,2,min\n2026-03-01 08:00,1,min\n"))
    assert table.value.tolist() == [1.0, 2.0]
    assert table.rows == (3, 2)
    assert "order of time" in table.findings[0].sentence


def test_one_of_several_quantities_is_named() -> None:
    text = "quantity,value,unit\nrelief,0.2,mm\naction,1.5,mm\n"
    assert read_tidy(sheet(text), quantity="action").value.tolist() == [1.5]
    with pytest.raises(RequestError, match="several quantities") as refused:
        read_tidy(sheet(text))
    assert '"action" and "relief"; name one with quantity' in refused.value.sentence
    with pytest.raises(RequestError) as refused:
        read_tidy(sheet(text), quantity="twist")
    assert 'holds no "twist"' in refused.value.sentence


def test_a_workbook_is_read_as_well() -> None:
    book = openpyxl.Workbook()
    for row in (["value", "unit", "shift"], [0.21, "mm", "early"], [0.22, "mm", "late"]):
        book.active.append(row)
    stream = io.BytesIO()
    book.save(stream)
    table = read_tidy(SheetFile("readings.xlsx", stream.getvalue()))
    assert table.factor("shift") == ("early", "late")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "The file is empty"),
        ("a,b\n1,2\n", "at least value, but it has no value"),
        ("value\n", "No row holds a value."),
        ("value\nfine\n", 'row 2, value: "fine" is not a number'),
        ("value\nnan\n", '"nan" is not a number'),
        ("value,unit\n1,mm\n2,kg\n", 'row 3, unit: The unit "kg" is another than "mm"'),
        ("value,time\n1,2026-03-01\n2,soon\n", '"soon" is not a time'),
        ("value,time\n1,2026-03-01\n2,\n", "The times are not all written alike"),
        ("value,time\n1,2026-03-01\n2,2026-03-01T08:00+01:00\n", "not all written alike"),
        ("value,size\n1,20\n2,\n", "row 3, size: The size is missing."),
        ("value,station\n1,A,spare\n", "The row has 3 cells"),
        ("value\n1\n" + "x\n" * 30, "rows 3 to 32, value"),
    ],
)
def test_what_cannot_be_used_is_said_with_its_row(text: str, said: str) -> None:
    with pytest.raises(EvenfallError) as refused:
        read_tidy(sheet(text))
    assert said in str(refused.value)


def test_a_factor_that_is_not_there_is_named_with_those_that_are() -> None:
    table = read_tidy(sheet("value,station\n1,A\n"))
    with pytest.raises(RequestError) as refused:
        table.factor("shift")
    assert 'There is no column "shift"; there are station' in refused.value.sentence
    with pytest.raises(RequestError, match="there are"):
        table.where("station", "B")
    with pytest.raises(ReadingsError):
        read_tidy(sheet("value,station\n,A\n"))


def test_more_rows_than_are_read_at_once_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    from dataclasses import replace

    from evenfall.sheets import tidy

    monkeypatch.setattr(tidy, "TIDY", replace(tidy.TIDY, row_limit=3))
    with pytest.raises(EvenfallError) as refused:
        read_tidy(sheet("value\n" + "1\n" * 5))
    assert "more than 3 rows, more than are read at once; split it" in str(refused.value)
