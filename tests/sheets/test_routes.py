"""Every route from readings to heights, against heights that are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from evenfall.measurement import Origin
from evenfall.neck import default_bow
from evenfall.neck.gaps import line_gap_weights, rocking_gap_weights
from evenfall.sheets.bow_route import DETECTION_U_MM
from sheets.made_sheets import (
    FloatArray,
    codes,
    full_sheet,
    height_rows,
    heights,
    lines,
    read,
    refused,
    sheet,
    ukulele,
)

STATION = lines().station_mm[:, 1:]
SADDLE = lines().saddle_station_mm


def clearance(crowns: FloatArray, nut: FloatArray, saddle: FloatArray) -> FloatArray:
    """Return the gap of each open string over each fret: all that a datum leaves to compare."""
    share = STATION / SADDLE[:, None]
    return (1.0 - share) * nut[:, None] + share * saddle[:, None] - crowns


# ---- heights as read ---------------------------------------------------------------------------


def test_heights_that_were_read_are_kept_as_read(tmp_path: Path) -> None:
    crowns, nut, saddle = heights()
    measurement, findings = read(tmp_path, full_sheet())
    np.testing.assert_allclose(measurement.crown_top_mm, crowns, atol=1e-12)
    np.testing.assert_allclose(measurement.nut_mm, nut, atol=1e-12)
    np.testing.assert_allclose(measurement.saddle_mm, saddle, atol=1e-12)
    assert np.all(measurement.heights.origin[:, 1:-1] == Origin.READ)
    assert measurement.complete
    assert measurement.strung
    assert str(measurement.routes[0]) == "Crown tops were read over the datum."
    assert codes(findings, "warning") == []


def test_with_all_heights_read_nothing_else_changes_them(tmp_path: Path) -> None:
    alone, _ = read(tmp_path, full_sheet())
    more = "relief,,7,0.5,mm,,,,\naction,2,12,3.9,mm,,,,\nrocking,2,5 gap at 6,0.4,mm,,,,\n"
    both, findings = read(tmp_path, full_sheet() + more)
    for name in ("crown_top_mm", "crown_top_u_mm", "nut_mm", "saddle_mm", "nut_u_mm"):
        np.testing.assert_array_equal(getattr(alone.heights, name), getattr(both.heights, name))
    assert [(d.quantity, d.string, d.fret) for d in both.direct] == [
        ("action", 2, 12),
        ("relief", 0, 7),
    ]
    assert all(one.checks for one in both.direct)  # which the gates compare with the heights
    assert codes(findings, "warning") == ["disagree"]
    assert "unused" in codes(findings, "note")


def test_readings_that_make_the_heights_do_not_check_them(tmp_path: Path) -> None:
    rows = ["relief,,7,0.1,mm,,,,", "action,all,1,0.4,mm,,,,", "action,all,12,2.2,mm,,,,"]
    header = "quantity,string,fret,value,unit,uncertainty,state,measured_with,note\n"
    without_datum, findings = read(tmp_path, header + "\n".join(rows))
    assert any(str(one.said).startswith("No rocking was read, so no fret") for one in findings)
    assert len(without_datum.direct) == 9
    assert not any(one.checks for one in without_datum.direct)


def test_a_crown_read_again_checks_and_changes_nothing(tmp_path: Path) -> None:
    alone, _ = read(tmp_path, full_sheet())
    crown = heights()[0][0, 0]
    both, findings = read(tmp_path, full_sheet() + f"crown_again,1,1,{crown + 0.1:.3f},mm,,,,\n")
    np.testing.assert_array_equal(alone.crown_top_mm, both.crown_top_mm)
    [again] = both.direct
    assert (again.quantity, again.string, again.fret) == ("crown-top", 1, 1)
    assert again.value_mm == pytest.approx(crown + 0.1, abs=5e-4)
    assert codes(findings, "warning") == []


def test_actions_that_fit_the_heights_raise_no_uncertainty(tmp_path: Path) -> None:
    gap = clearance(*heights())
    rows = [f"action,{k + 1},12,{gap[k, 11]:.3f},mm,0.02,,," for k in range(4)]
    _, findings = read(tmp_path, full_sheet() + "\n".join(rows))
    assert codes(findings, "warning") == []


# ---- crown heights -----------------------------------------------------------------------------


def test_crown_height_prefers_the_nearest_reading(tmp_path: Path) -> None:
    rows = [
        "crown_height,2,3,0.91,mm,0.01,,,",
        "crown_height,,3,0.95,mm,0.02,,,",
        "crown_height,1,4,0.90,mm,,,,",
        "crown_height,4,4,0.96,mm,,,,",
    ]
    measurement, findings = read(tmp_path, full_sheet() + "\n".join(rows))
    height, origin = measurement.crown_height_mm, measurement.crown_height_origin
    np.testing.assert_allclose(height[:, 2], [0.95, 0.91, 0.95, 0.95])
    np.testing.assert_allclose(height[:, 3], [0.90, 0.93, 0.93, 0.96])
    assert list(origin[:, 3]) == [Origin.READ, Origin.DERIVED, Origin.DERIVED, Origin.READ]
    # the spread over the fret stands in for what was not read: s of 0.90 and 0.96
    assert measurement.crown_height_u_mm[1, 3] == pytest.approx(0.06 / np.sqrt(2.0))
    assert np.all(height[:, 4] == 1.0)
    assert np.all(origin[:, 4] == Origin.NOMINAL)
    [note] = [f for f in findings if f.where == "crown_height"]
    assert "frets 1, 2 and 5 to 15" in note.sentence
    assert note.severity == "note"


def test_crown_height_follows_from_top_and_board(tmp_path: Path) -> None:
    crowns, _, _ = heights()
    rows = [f"board,{k + 1},6,{crowns[k, 5] - 0.8:.6f},mm,0.01,,," for k in range(4)]
    measurement, _ = read(tmp_path, full_sheet() + "\n".join(rows))
    np.testing.assert_allclose(measurement.crown_height_mm[:, 5], 0.8)
    np.testing.assert_allclose(measurement.crown_height_u_mm[:, 5], 0.01 * np.sqrt(2.0))
    wrong = [f"board,1,6,{crowns[0, 5] + 0.8:.6f},mm,0.01,,,"]
    [finding] = refused(lambda: read(tmp_path, full_sheet() + "\n".join(wrong)))
    assert "−0.800 mm" in finding.sentence


# ---- board and crown height --------------------------------------------------------------------


def board_rows(crowns: FloatArray, wire: FloatArray) -> list[str]:
    rows = [
        f"board,{k + 1},{j + 1},{z:.6f},mm,0.01,,," for (k, j), z in np.ndenumerate(crowns - wire)
    ]
    return rows + [f"crown_height,,{j + 1},{h:.6f},mm,0.02,,," for j, h in enumerate(wire)]


def test_board_plus_crown_height_gives_the_crown_tops(tmp_path: Path) -> None:
    crowns, nut, saddle = heights()
    wire = np.round(np.linspace(0.9, 1.0, 15), 3)
    ends = height_rows(crowns, nut, saddle)[:8]
    measurement, _ = read(tmp_path, sheet(ends + board_rows(crowns, wire)))
    np.testing.assert_allclose(measurement.crown_top_mm, crowns, atol=1e-12)
    np.testing.assert_allclose(measurement.heights.crown_top_u_mm, np.hypot(0.01, 0.02))
    assert np.all(measurement.heights.origin[:, 1:-1] == Origin.DERIVED)
    assert str(measurement.routes[0]) == "Crown tops were worked out as board plus crown height."


def test_a_board_read_on_the_centre_line_follows_the_radius(tmp_path: Path) -> None:
    """The outer strings, y off the centre, lie R - sqrt(R² - y²) lower (a circle)."""
    _, nut, saddle = heights()
    ends = height_rows(np.zeros((4, 15)), nut, saddle)[:8]
    rows = [f"board,,{j},-1.0,mm,,,," for j in range(1, 16)]
    rows += [f"crown_height,,{j},1.0,mm,,,," for j in range(1, 16)]
    measurement, _ = read(tmp_path, sheet(ends + rows))
    y = lines().y_mm[:, 1:]
    np.testing.assert_allclose(measurement.crown_top_mm, np.sqrt(305.0**2 - y**2) - 305.0)
    assert "centre line" in str(measurement.routes[0])
    across, _ = read(tmp_path, sheet(ends + [r.replace("board,,", "board,all,") for r in rows]))
    np.testing.assert_allclose(across.crown_top_mm, 0.0, atol=1e-12)


def test_a_board_without_crown_heights_is_not_enough(tmp_path: Path) -> None:
    rows = [f"board,,{j},0.0,mm,,,," for j in range(1, 16)]
    findings = refused(lambda: read(tmp_path, sheet(rows)))
    assert codes(findings) == ["missing"]
    assert "crown_height" in findings[0].sentence


# ---- relief and rocking ------------------------------------------------------------------------


def bow_over_end_frets() -> FloatArray:
    bow = default_bow(ukulele(), lines()).frets
    share = (STATION - STATION[:, :1]) / (STATION[:, -1:] - STATION[:, :1])
    return bow - (1 - share) * bow[:, :1] - share * bow[:, -1:]


def gap_rows(crowns: FloatArray, rocking: dict[int, list[tuple[int, int]]]) -> list[str]:
    """Return what a straightedge and feelers would read on these crowns, to 1e-9 mm."""
    rows = []
    for k in range(4):
        gap = line_gap_weights(STATION[k], 7, 1, 15) @ crowns[k]
        rows.append(f"relief,{k + 1},7,{gap:.9f},mm,0.01,,,")
        for middle, at in rocking.get(k + 1, []):
            gap = rocking_gap_weights(STATION[k], middle, at) @ crowns[k]
            rows.append(f"rocking,{k + 1},{middle} gap at {at},{gap:.9f},mm,0.01,,,")
    return rows


def action_rows(crowns: FloatArray, nut: FloatArray, saddle: FloatArray, *frets: int) -> list[str]:
    gap = clearance(crowns, nut, saddle)
    return [
        f"action,{k + 1},{fret},{gap[k, fret - 1]:.9f},mm,0.02,,,"
        for k in range(4)
        for fret in frets
    ]


def test_gap_weights_are_those_of_the_straightedge() -> None:
    """Similar triangles, worked by hand on stations 0, 10, 30."""
    x = np.array([0.0, 10.0, 30.0])
    z = np.array([1.0, 1.3, 1.2])
    assert rocking_gap_weights(x, 2, 3) @ z == pytest.approx(1.0 + 0.3 * 3 - 1.2)
    assert rocking_gap_weights(x, 2, 1) @ z == pytest.approx(1.3 + 0.1 / 20 * 10 - 1.0)
    assert rocking_gap_weights(x, 2, 2) @ z == pytest.approx(1.0 + 0.2 / 3 - 1.3)
    assert line_gap_weights(x, 2, 1, 3) @ z == pytest.approx(1.0 + 0.2 / 3 - 1.3)


def test_relief_and_rocking_recover_bow_high_and_low_frets(tmp_path: Path) -> None:
    deviation = np.zeros((4, 15))
    deviation[0, 4], deviation[1, 8], deviation[1, 9], deviation[2, 6] = 0.12, 0.09, 0.07, -0.06
    crowns = 0.15 * bow_over_end_frets() + deviation
    rocking = {
        1: [(5, 6), (5, 4)],
        2: [(9, 8), (10, 11)],
        3: [(7, 7)],  # fret 7 is also where relief is read
    }
    nut, saddle = np.full(4, 0.4), np.full(4, 4.0)
    rows = gap_rows(crowns, rocking) + action_rows(crowns, nut, saddle, 1, 12)
    measurement, findings = read(tmp_path, sheet(rows))
    np.testing.assert_allclose(measurement.crown_top_mm, crowns, atol=1e-6)
    np.testing.assert_allclose(measurement.nut_mm, nut, atol=1e-6)
    np.testing.assert_allclose(measurement.saddle_mm, saddle, atol=1e-6)
    assert np.all(measurement.heights.origin[:, 1:-1] == Origin.DERIVED)
    assert np.all(measurement.heights.origin[:, 0] == Origin.DERIVED)
    assert "disagree" not in codes(findings)
    assert "relief" in str(measurement.routes[0])


def test_relief_over_other_frets_gives_the_same_bow(tmp_path: Path) -> None:
    crowns = 0.2 * bow_over_end_frets()
    nut, saddle = np.full(4, 0.4), np.full(4, 4.0)
    rows = []
    for k in range(4):
        gap = line_gap_weights(STATION[k], 6, 2, 12) @ crowns[k]
        rows.append(f"relief,{k + 1},6 between 2 and 12,{gap:.9f},mm,,,,")
    text = sheet(rows + action_rows(crowns, nut, saddle, 1, 12))
    measurement, _ = read(tmp_path, text)
    np.testing.assert_allclose(measurement.crown_top_mm, crowns, atol=1e-6)
    assert [d.quantity for d in measurement.direct] == ["action"] * 8


def test_one_relief_serves_all_strings(tmp_path: Path) -> None:
    rows = [
        "relief,,7,0.12,mm,0.01,,,",
        "action,all,1,0.4,mm,0.02,,,",
        "action,all,12,2,mm,0.02,,,",
    ]
    measurement, _ = read(tmp_path, sheet(rows))
    gaps = [line_gap_weights(STATION[k], 7, 1, 15) @ measurement.crown_top_mm[k] for k in range(4)]
    np.testing.assert_allclose(gaps, 0.12, atol=1e-12)
    other = [row.replace("relief,,", "relief,2,") for row in rows]
    same, _ = read(tmp_path, sheet(other))
    np.testing.assert_allclose(same.crown_top_mm, measurement.crown_top_mm, atol=1e-3)


def test_the_uncertainty_of_the_bow_route_agrees_with_simulation(tmp_path: Path) -> None:
    """Monte Carlo (JCGM 101:2008): the same readings, drawn again with their errors."""
    crowns = 0.15 * bow_over_end_frets()
    crowns[0, 4] += 0.12
    nut, saddle = np.full(4, 0.4), np.full(4, 4.0)
    plan = {1: [(5, 6), (5, 4)]}
    measurement, _ = read(
        tmp_path, sheet(gap_rows(crowns, plan) + action_rows(crowns, nut, saddle, 1, 12))
    )
    random = np.random.default_rng(7)
    x, bow = STATION[0], bow_over_end_frets()[0]
    gaps = np.array(
        [line_gap_weights(x, 7, 1, 15), rocking_gap_weights(x, 5, 6), rocking_gap_weights(x, 5, 4)]
    )
    named = np.zeros((15, 1))
    named[4] = 1.0
    basis = np.column_stack([bow, named])
    share = x[[0, 11]] / SADDLE[0]
    draws = 40_000
    escaped = random.normal(0.0, DETECTION_U_MM, (draws, 15)) * (np.arange(15) != 4)
    truth = crowns[0] + escaped
    read_gaps = truth @ gaps.T + random.normal(0.0, 0.01, (draws, 3))
    fitted = np.linalg.lstsq(gaps @ basis, read_gaps.T, rcond=None)[0]
    found = (basis @ fitted).T
    string_line = (1 - share) * 0.4 + share * 4.0
    action = string_line - truth[:, [0, 11]] + random.normal(0.0, 0.02, (draws, 2))
    seen = found[:, [0, 11]] + action
    slope = (seen[:, 1] - seen[:, 0]) / (x[11] - x[0])
    at_nut = seen[:, 0] - slope * x[0]
    errors = np.column_stack([found - truth, at_nut - 0.4, at_nut + slope * SADDLE[0] - 4.0])
    spread = np.std(errors, axis=0)
    stated = [
        *measurement.heights.crown_top_u_mm[0],
        measurement.heights.nut_u_mm[0],
        measurement.heights.saddle_u_mm[0],
    ]
    # 40 000 draws give a standard deviation to 0.35 % (one sigma)
    np.testing.assert_allclose(stated, spread, rtol=0.015)


def test_a_gap_that_contradicts_the_others_is_named(tmp_path: Path) -> None:
    crowns = 0.15 * bow_over_end_frets()
    crowns[0, 4] += 0.12
    ends = action_rows(crowns, np.full(4, 0.4), np.full(4, 4.0), 1, 12)
    changed = [
        "rocking,1,5 gap at 6,0.500,mm,0.01,,," if row.startswith("rocking,1,5 gap at 6") else row
        for row in gap_rows(crowns, {1: [(5, 6), (5, 4)]})
    ]
    _, findings = read(tmp_path, sheet(changed + ends))
    assert any(
        f.code == "disagree" and "The rocking of string 1 on fret 5" in f.sentence for f in findings
    )


def test_relief_where_the_neck_does_not_bow_is_not_enough(tmp_path: Path) -> None:
    rows = ["relief,,14 between 13 and 15,0.02,mm,,,,", "action,all,1,0.4,,,,,"]
    findings = refused(lambda: read(tmp_path, sheet([*rows, "action,all,12,2,,,,,"])))
    assert "hardly bows" in findings[0].sentence


# ---- nut and saddle from actions ---------------------------------------------------------------


def test_actions_give_nut_and_saddle_that_were_not_read(tmp_path: Path) -> None:
    crowns, nut, saddle = heights()
    rows = height_rows(crowns, nut, saddle)[8:] + action_rows(crowns, nut, saddle, 1, 7, 12)
    measurement, findings = read(tmp_path, sheet(rows))
    np.testing.assert_allclose(measurement.nut_mm, nut, atol=1e-6)
    np.testing.assert_allclose(measurement.saddle_mm, saddle, atol=1e-6)
    assert np.all(measurement.heights.origin[:, -1] == Origin.DERIVED)
    assert codes(findings, "warning") == []


def test_one_action_and_the_nut_give_the_saddle(tmp_path: Path) -> None:
    crowns, nut, saddle = heights()
    rows = height_rows(crowns, nut, saddle)
    rows = rows[:4] + rows[8:] + action_rows(crowns, nut, saddle, 12)
    measurement, _ = read(tmp_path, sheet(rows))
    np.testing.assert_allclose(measurement.saddle_mm, saddle, atol=1e-6)
    assert np.all(measurement.heights.origin[:, 0] == Origin.READ)
    # half way along the string (the 12th fret): 2 (crown + action) - nut, so u² = 4 (u² + u²) + u²
    expected = np.sqrt(4 * (0.01**2 + 0.02**2) + 0.01**2)
    np.testing.assert_allclose(measurement.heights.saddle_u_mm, expected, rtol=1e-6)


def test_actions_close_together_are_called_so(tmp_path: Path) -> None:
    crowns, nut, saddle = heights()
    rows = height_rows(crowns, nut, saddle)[8:] + action_rows(crowns, nut, saddle, 1, 2)
    _, findings = read(tmp_path, sheet(rows))
    assert any(f.code == "route" and "strings 1 to 4" in f.sentence for f in findings)


def test_actions_off_a_straight_string_are_named(tmp_path: Path) -> None:
    crowns, nut, saddle = heights()
    rows = height_rows(crowns, nut, saddle)[8:] + action_rows(crowns, nut, saddle, 1, 7, 12)
    rows = ["action,2,7,2.0,mm,0.02,,," if r.startswith("action,2,7,") else r for r in rows]
    _, findings = read(tmp_path, sheet(rows))
    assert any(f.code == "disagree" and "string 2" in f.sentence for f in findings)


def test_missing_ends_are_named_with_their_strings(tmp_path: Path) -> None:
    crowns, nut, saddle = heights()
    rows = height_rows(crowns, nut, saddle)
    del rows[5], rows[2]  # saddle 2, nut_slot 3
    findings = refused(lambda: read(tmp_path, sheet(rows)))
    assert codes(findings) == ["missing", "missing"]
    assert "The nut_slot is missing on string 3;" in findings[0].sentence
    assert "The saddle is missing on string 2;" in findings[1].sentence


def test_where_actions_were_read_only_the_missing_crowns_are_named(tmp_path: Path) -> None:
    """One stray crown top asks for the rest of them, not for actions that are on the sheet."""
    crowns, nut, saddle = heights()
    rows = ["crown_top,1,1,0.1,mm,0.01,,,", *action_rows(crowns, nut, saddle, 1, 12)]
    findings = refused(lambda: read(tmp_path, sheet(rows)))
    assert codes(findings) == ["missing"]
    assert "crown_top" in findings[0].sentence


# ---- gaps in the crown tops --------------------------------------------------------------------


def test_an_isolated_gap_is_filled_across_the_strings_never_along(tmp_path: Path) -> None:
    crowns, nut, saddle = heights()
    crowns[:, 6] += 0.25  # one high fret: along the string it would be smoothed away
    crowns[:, 6] = np.round(crowns[:, 6].mean() + 0.002 * np.arange(4), 3)
    rows = height_rows(crowns, nut, saddle, left_out=[(2, 7), (4, 3)])
    measurement, findings = read(tmp_path, sheet(rows))
    assert measurement.crown_top_mm[1, 6] == pytest.approx(crowns[1, 6], abs=0.05)
    assert measurement.heights.origin[:, 1:-1][1, 6] == Origin.INTERPOLATED
    assert measurement.heights.origin[:, 1:-1][3, 2] == Origin.INTERPOLATED
    assert np.count_nonzero(measurement.heights.origin[:, 1:-1] == Origin.INTERPOLATED) == 2
    [finding] = [f for f in findings if f.code == "interpolated"]
    assert "string 2 fret 7" in finding.sentence
    assert "string 4 fret 3" in finding.sentence
    assert measurement.heights.crown_top_u_mm[1, 6] > 0.01
    assert measurement.heights.crown_top_u_mm[3, 2] > measurement.heights.crown_top_u_mm[1, 6]


def test_the_added_uncertainty_is_that_of_the_formula(tmp_path: Path) -> None:
    """On planes per string the gap is filled exactly; D is then zero and only u is carried."""
    slope = np.array([0.1, -0.2, 0.3, 0.05])[:, None] / 100.0
    crowns = np.array([0.0, 0.4, 0.1, 0.7])[:, None] + slope * STATION
    rows = height_rows(crowns, crowns[:, 0] + 0.4, crowns[:, 0] + 4.0, left_out=[(2, 7), (4, 3)])
    measurement, _ = read(tmp_path, sheet(rows))
    np.testing.assert_allclose(measurement.crown_top_mm, crowns, atol=1e-9)
    assert measurement.heights.crown_top_u_mm[1, 6] == pytest.approx(0.01 / np.sqrt(2.0))
    assert measurement.heights.crown_top_u_mm[3, 2] == pytest.approx(0.01 * np.sqrt(5.0))


@pytest.mark.parametrize(
    ("left_out", "named"),
    [
        ([(k, 7) for k in (1, 2, 3)], "fret 7 under strings 1 to 3"),
        ([(k, 7) for k in (1, 2, 3, 4)], "crown tops of fret 7 are"),
        ([(2, j) for j in range(1, 16)], "frets 1 to 15 under string 2"),
        ([(2, 7), (3, 7)], "fret 7 under strings 2 and 3"),
        ([(1, 7), (3, 7)], "fret 7 under string 1"),
    ],
)
def test_more_gaps_than_neighbours_can_fill_are_named(
    tmp_path: Path, left_out: list[tuple[int, int]], named: str
) -> None:
    rows = height_rows(*heights(), left_out=left_out)
    [finding] = refused(lambda: read(tmp_path, sheet(rows)))
    assert finding.code == "missing"
    assert named in finding.sentence


def test_nothing_about_the_crowns_is_one_sentence(tmp_path: Path) -> None:
    rows = height_rows(*heights())[:8]
    [finding] = refused(lambda: read(tmp_path, sheet(rows)))
    assert "Nothing says how high the crowns are" in finding.sentence


# ---- heights that cannot be --------------------------------------------------------------------


def test_a_crown_top_that_no_fret_has_is_refused_with_its_row(tmp_path: Path) -> None:
    crowns, nut, saddle = heights()
    crowns[2, 5] += 10.0
    text = sheet(height_rows(crowns, nut, saddle))
    row = next(
        i for i, line in enumerate(text.splitlines(), 1) if line.startswith("crown_top,3,6,")
    )
    [finding] = refused(lambda: read(tmp_path, text))
    assert finding.code == "implausible"
    assert finding.where == f"sheet.csv, row {row}"


@pytest.mark.parametrize(("at", "quantity"), [(1, "nut_slot"), (2, "saddle")])
def test_ends_far_off_the_crowns_are_refused(tmp_path: Path, at: int, quantity: str) -> None:
    given = list(heights())
    given[at] = given[at] + np.array([0.0, 40.0, 0.0, 0.0])
    [finding] = refused(lambda: read(tmp_path, sheet(height_rows(*given))))
    assert finding.code == "implausible"
    assert finding.sentence.startswith(f"The {quantity} of string 2 ")
