"""Repeat readings: mean, uncertainty, and what does not fit together."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from evenfall.sheets.means import mean_of_repeats
from sheets.made_sheets import codes, full_sheet, read, refused, sheet

#: JCGM 100:2008 (GUM), 4.4.3, table 1: twenty temperature readings (°C; from memory, recomputed).
GUM_TABLE_1 = [
    *(96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07),
    *(100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72),
]


def test_type_a_evaluation_agrees_with_the_gum() -> None:
    """JCGM 100:2008, 4.4.3: mean 100.145 °C (printed 100.14), s(mean) = 0.333 °C."""
    mean, u = mean_of_repeats(GUM_TABLE_1)
    assert mean == pytest.approx(100.145, abs=5e-4)
    assert u == pytest.approx(0.333, abs=5e-4)


def test_mean_and_deviation_keep_their_digits() -> None:
    """NIST StRD univariate set NumAcc4: mean 10000000.2, s = 0.1, both exact, n = 1001."""
    values = [10000000.2] + [10000000.1, 10000000.3] * 500
    mean, u = mean_of_repeats(values)
    assert mean == pytest.approx(10000000.2, rel=1e-15)
    assert u * math.sqrt(1001) == pytest.approx(0.1, rel=1e-7)


def test_the_tool_does_not_average_away() -> None:
    """JCGM 100:2008, 5.1.2 applied to mean plus correction of the tool: u² = s²/n + u_tool²."""
    mean, u = mean_of_repeats([1.50, 1.52, 1.54], tool_u_mm=0.03)
    assert mean == pytest.approx(1.52)
    assert u == pytest.approx(math.hypot(0.02 / math.sqrt(3), 0.03))
    assert mean_of_repeats([1.5], tool_u_mm=0.03) == (1.5, 0.03)
    assert mean_of_repeats([1.5, 1.5]) == (1.5, 0.0)


def test_two_equal_repeats_are_not_exact(tmp_path: Path) -> None:
    """JCGM 100:2008, F.2.2.1: a reading knows no more than its last digit, u = step/sqrt(12)."""
    assert mean_of_repeats([1.5, 1.5], resolution_mm=0.01)[1] == pytest.approx(0.01 / 12**0.5)
    assert mean_of_repeats([1.4, 1.6], resolution_mm=0.01)[1] == pytest.approx(0.1)
    rows = "relief,,7,0.10,mm,,,,\nrelief,,7,0.10,mm,,,,\n"
    measurement, _ = read(tmp_path, full_sheet() + rows)
    [relief] = measurement.direct
    assert relief.u_mm == pytest.approx(0.01 / 12**0.5)
    assert relief.degrees_of_freedom == pytest.approx(1.0)
    inch = "relief,,7,0.004,in,,,,\nrelief,,7,0.004,in,,,,\n"
    measurement, _ = read(tmp_path, full_sheet() + inch)
    assert measurement.direct[0].u_mm == pytest.approx(0.0254 / 12**0.5)


def test_repeats_of_one_quantity_are_pooled(tmp_path: Path) -> None:
    """JCGM 100:2008, 4.2.4: s_p² of k pairs is the mean of theirs, with k degrees of freedom."""
    pairs = [(1.50, 1.54), (1.60, 1.60), (1.62, 1.64)]
    rows = "".join(
        f"action,{k},5,{value},mm,,,,\n" for k, pair in enumerate(pairs, 1) for value in pair
    )
    measurement, _ = read(tmp_path, full_sheet() + rows)
    pooled = math.sqrt((0.04**2 / 2 + 0.0 + 0.02**2 / 2) / 3)
    assert [d.u_mm for d in measurement.direct] == pytest.approx([pooled / math.sqrt(2)] * 3)
    assert [d.degrees_of_freedom for d in measurement.direct] == [3.0] * 3
    # what differs by too much says nothing of the others
    odd = rows.replace("action,1,5,1.54", "action,1,5,1.74")
    measurement, _ = read(tmp_path, full_sheet() + odd)
    first, second, _ = measurement.direct
    assert (first.u_mm, first.degrees_of_freedom) == (pytest.approx(0.12), 1.0)
    assert second.u_mm == pytest.approx(math.sqrt(0.02**2 / 2 / 2) / math.sqrt(2))


def test_repeats_on_a_sheet_become_mean_and_uncertainty(tmp_path: Path) -> None:
    text = full_sheet() + "saddle,1,,4.16,mm,0.02,strung,,\n"
    measurement, _ = read(tmp_path, text)
    assert measurement.saddle_mm[0] == pytest.approx(4.13)
    deviation = math.sqrt(2.0) * 0.03
    assert measurement.heights.saddle_u_mm[0] == pytest.approx(
        math.hypot(deviation / math.sqrt(2), 0.02)
    )


def test_the_uncertainty_is_read_in_the_unit_of_its_row(tmp_path: Path) -> None:
    text = full_sheet().replace("saddle,1,,4.1,mm,0.01", f"saddle,1,,{4.1 / 25.4!r},in,0.001")
    measurement, _ = read(tmp_path, text)
    assert measurement.saddle_mm[0] == pytest.approx(4.1)
    assert measurement.heights.saddle_u_mm[0] == pytest.approx(0.0254)


RELIEF = "relief,,7,0.10,mm,,,,"


@pytest.mark.parametrize(
    ("first", "second", "factor"),
    [
        ("action,1,12,2.20,mm", "action,1,12,0.87,in", "10"),
        ("action,1,12,2.20,mm", "action,1,12,0.22,mm", "10"),
        ("action,1,12,2.20,mm", "action,1,12,2.2,in", "25.4"),
        ("action,1,12,0.0866,mm", "action,1,12,2.20,mm", "25.4"),
        ("relief,,7,0.10,mm", "relief,,7,0.04,in", "10"),
        ("relief,,7,0.10,mm", "relief,,7,1.0,mm", "10"),
        ("crown_height,,3,0.95,mm", "crown_height,,3,0.374,in", "10"),
        ("relief,,7,0.10,mm", "relief,,7,0.0001,mm", "1000"),
        ("saddle,1,,4.1,mm", "saddle,1,,41,mm", "10"),
    ],
)
def test_a_slip_of_unit_or_point_is_named_and_never_averaged(
    tmp_path: Path, first: str, second: str, factor: str
) -> None:
    rows = [f"{first},,,,", f"{second},,,,"]
    for order in (rows, rows[::-1]):
        text = full_sheet().replace("saddle,1,,4.1,mm,0.01,strung,,\n", "") + "\n".join(order)
        findings = refused(lambda text=text: read(tmp_path, text))
        slip = next(f for f in findings if f.code == "unit-slip")
        assert f"factor of {factor}," in slip.sentence
        first = len(text.splitlines()) - 1
        assert slip.at.rows == (first, first + 1)
        assert slip.at.file == "sheet.csv"
        assert f"in row {first}" in slip.sentence
        assert f"in row {first + 1}" in slip.sentence
        assert "implausible" not in codes(findings)  # the slip says it


def test_a_slip_among_many_repeats_names_the_odd_row(tmp_path: Path) -> None:
    readings = ["2.21", "2.19", "22.0", "2.20", "2.22"]
    rows = [f"action,1,12,{value},mm,,,," for value in readings]
    rows[2] = "action,1,12,0.0866,mm,,,,"
    base = full_sheet()
    row = len(base.splitlines()) + 3
    [finding] = refused(lambda: read(tmp_path, base + "\n".join(rows)))
    assert finding.code == "unit-slip"
    assert row in finding.at.rows
    assert f"0.087 mm in row {row}, a factor of 25.4" in finding.sentence
    assert (finding.at.strings, finding.at.frets) == ((1,), (12,))


def test_mm_and_inches_that_agree_are_averaged(tmp_path: Path) -> None:
    text = full_sheet() + f"{RELIEF}\nrelief,,7,0.004,in,,,,\n"
    measurement, findings = read(tmp_path, text)
    assert "disagree" not in [f.code for f in findings if "inches" in f.sentence]
    [relief] = measurement.direct
    assert relief.value_mm == pytest.approx((0.10 + 0.1016) / 2)


def test_mm_and_inches_that_disagree_are_named(tmp_path: Path) -> None:
    text = full_sheet() + "action,2,12,2.2,mm,,,,\naction,2,12,0.0900,in,,,,\n"
    _, findings = read(tmp_path, text)
    [finding] = [f for f in findings if "inches" in f.sentence]
    assert (finding.code, finding.severity) == ("disagree", "warning")
    assert "0.086 mm" in finding.sentence  # 2.286 - 2.2
    far = full_sheet() + "action,2,12,2.2,mm,,,,\naction,2,12,0.18,in,,,,\n"
    assert codes(refused(lambda: read(tmp_path, far))) == ["disagree"]


def test_a_stated_uncertainty_allows_for_the_difference(tmp_path: Path) -> None:
    rows = "action,2,12,2.2,mm,0.03,,,\naction,2,12,0.0900,in,0.001,,,\n"
    _, findings = read(tmp_path, full_sheet() + rows)
    assert not [f for f in findings if "inches" in f.sentence]


def test_repeats_that_scatter_are_named(tmp_path: Path) -> None:
    rows = "action,2,12,2.2,mm,,,,\naction,2,12,2.4,mm,,,,\n"
    _, findings = read(tmp_path, full_sheet() + rows)
    assert any(f.code == "disagree" and "2.400 mm" in f.sentence for f in findings)


def test_unknown_uncertainty_is_noted_once(tmp_path: Path) -> None:
    _, findings = read(tmp_path, full_sheet(u=""))
    [note] = [f for f in findings if f.code == "no-uncertainty"]
    assert note.severity == "note"
    measurement, findings = read(tmp_path, full_sheet())
    assert "no-uncertainty" not in codes(findings)
    assert np.all(measurement.heights.crown_top_u_mm == pytest.approx(0.01))


def test_the_same_sheet_twice_is_refused(tmp_path: Path) -> None:
    from sheets.made_sheets import read_file, write

    path, copied = write(tmp_path, full_sheet()), write(tmp_path, full_sheet(), "copied.csv")
    for files in ((path, path), (path, copied)):
        [finding] = refused(lambda files=files: read_file(*files))
        assert "twice" in finding.sentence
        assert "sheet.csv" in finding.sentence


def test_an_empty_list_of_sheets_is_refused() -> None:
    from sheets.made_sheets import read_file

    [finding] = refused(read_file)
    assert "No sheet" in finding.sentence


def test_a_sheet_without_any_value_is_refused(tmp_path: Path) -> None:
    [finding] = refused(lambda: read(tmp_path, sheet(["action,1,12,,mm,,,,"])))
    assert finding.code == "missing"
