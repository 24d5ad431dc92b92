"""A scan, and hand sheets beside it, to a measurement and a plan.

The scans are made from surfaces of known truth (`tests/oracles/surfaces.py`): one from the heights
that a hand sheet of the same invented instrument gives.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from evenfall.errors import EvenfallError, ReadingsError, RequestError
from evenfall.gates import Gates, open_gates
from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.instrument.geometry import board_drop_mm
from evenfall.levelling import make_plan
from evenfall.measurement import Measurement, Origin
from evenfall.readings import scanned as scanned_readings
from evenfall.readings.of_instrument import read_files
from evenfall.readings.scanned import ScanSetting, read_scanned
from evenfall.scans import measure_crowns
from evenfall.scans.formats import ScanOptions, is_scan
from evenfall.sheets import SheetFile, read_measurement
from evenfall.strings.clearance import open_gap_weights
from evenfall.strings.excursion import ExcursionTable, excursion_table
from evenfall.workshop.measuring import line_of
from oracles.bodies import Parts, make_assembly, strung_from_above
from oracles.surfaces import Recipe, make_scan, specification
from scans.formats.samples import ply_file, ply_points

FloatArray = NDArray[np.float64]
INVENTED = resources.files("evenfall") / "invented"
SHEET = Path(str(INVENTED / "tesquil-before.csv"))


SURVEYS: dict[tuple[object, ...], object] = {}


def gates_of(specification: Specification, measurement: Measurement) -> Gates:
    return open_gates(specification, measurement, line_of(specification, measurement))


@pytest.fixture(autouse=True)
def surveyed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the same points be surveyed once: what follows from a survey is what is tested here."""

    def survey(
        given: object, spec: Specification, progress: object = None, **more: object
    ) -> object:
        points = given.tobytes() if isinstance(given, np.ndarray) else id(given)
        key = (points, spec.content_hash, *sorted(more.items()))
        if key not in SURVEYS:
            SURVEYS[key] = measure_crowns(given, spec, **more)  # type: ignore[arg-type]
        return SURVEYS[key]

    monkeypatch.setattr(scanned_readings, "measure_crowns", survey)


def file(path: Path) -> SheetFile:
    """Return a sheet as a door hands it in."""
    return SheetFile(path.name, path.read_bytes())


@cache
def tesquil() -> tuple[Specification, Measurement, ExcursionTable]:
    """Return the invented instrument, what its hand sheet gives, and its excursions."""
    spec, _ = read_specification((INVENTED / "tesquil.spec.toml").read_text(encoding="utf-8"))
    return (
        spec,
        read_measurement([file(SHEET)], spec)[0],
        excursion_table(spec, string_lines(spec)),
    )


def straight(x: FloatArray, z: FloatArray) -> FloatArray:
    """Return the best straight line through z over x, along the last axis."""
    rows = [np.polyval(np.polyfit(a, b, 1), a) for a, b in zip(x, z, strict=True)]
    return np.array(rows)


@cache
def tesquil_points(*, shadow: float = 0.0, seed: int = 5) -> FloatArray:
    """Return a scan of the board whose crowns stand as the hand sheet says.

    A sheet's heights mean something only up to a straight line per string, which is chosen here so
    that the crowns stand on the specified board.
    """
    spec, sheet, _ = tesquil()
    lines = string_lines(spec)
    station = lines.station_mm[:, 1:]
    on_board = spec.fretwire.crown_height_mm - board_drop_mm(spec, lines)[:, 1:]
    tops = sheet.crown_top_mm - straight(station, sheet.crown_top_mm - on_board)
    recipe = Recipe(
        seed=seed, crown_top=tops, shadow_share=shadow, noise=0.003, step_x=0.1, step_y=0.4
    )
    return make_scan(spec, recipe).points_mm


def scan_file(folder: Path, points: FloatArray, name: str = "scan.npy") -> Path:
    path = folder / name
    np.save(path, points.astype(np.float32))
    return path


def codes(findings: tuple[object, ...]) -> set[str]:
    return {f.code for f in findings}  # type: ignore[attr-defined]


@pytest.mark.slow
def test_a_scan_made_from_a_hand_sheet_gives_the_same_plan(tmp_path: Path) -> None:
    spec, sheet, table = tesquil()
    u = float(np.median(sheet.heights.crown_top_u_mm))
    # margins follow the uncertainty, so the plans are the same only if it is
    scanned = read_scanned(
        scan_file(tmp_path, tesquil_points()),
        spec,
        sheets=[file(SHEET)],
        setting=ScanSetting(scan_uncertainty_mm=u),
    )
    found = scanned.measurement
    station = string_lines(spec).station_mm[:, 1:]
    off = found.crown_top_mm - sheet.crown_top_mm
    off = off - straight(station, off)
    assert float(np.std(off)) < 0.002
    assert float(np.std(off)) < u
    by_hand = make_plan(spec, sheet, excursion=table)
    # the crowns' height over the board is another quantity, which this sheet reads differently
    same_life = replace(found, crown_height_mm=sheet.crown_height_mm,
                        crown_height_u_mm=sheet.crown_height_u_mm)  # fmt: skip
    by_scan = make_plan(spec, same_life, method=by_hand.method, excursion=table)
    difference = np.abs(by_scan.removal_mm - by_hand.removal_mm)
    assert float(difference.max()) < 2.0 * u
    assert by_scan.status == by_hand.status
    assert by_scan.metal_mm == pytest.approx(by_hand.metal_mm, abs=0.05)


@pytest.mark.slow
def test_the_ends_of_the_strings_come_from_the_sheet_over_the_scans_datum(tmp_path: Path) -> None:
    spec, sheet, _ = tesquil()
    scanned = read_scanned(scan_file(tmp_path, tesquil_points()), spec, sheets=[file(SHEET)])
    found = scanned.measurement
    lines = string_lines(spec)
    share = lines.station_mm[:, 1:] / lines.saddle_station_mm[:, None]

    def gaps(m: Measurement) -> FloatArray:
        return (1 - share) * m.nut_mm[:, None] + share * m.saddle_mm[:, None] - m.crown_top_mm

    assert found.complete
    assert float(np.abs(gaps(found) - gaps(sheet)).max()) < 0.005
    assert float(np.abs(found.nut_mm - sheet.nut_mm).max()) > 0.01, "the datum is another one"
    assert scanned.sheet is not None
    assert np.array_equal(scanned.sheet.crown_top_mm, sheet.crown_top_mm)
    assert any("differ by at most" in f.sentence for f in scanned.findings)


@pytest.mark.slow
def test_actions_beside_a_scan_need_no_datum(tmp_path: Path) -> None:
    spec, sheet, _ = tesquil()
    lines = string_lines(spec)
    share = lines.station_mm[:, 1:] / lines.saddle_station_mm[:, None]
    gap = (1 - share) * sheet.nut_mm[:, None] + share * sheet.saddle_mm[:, None]
    gap = gap - sheet.crown_top_mm
    rows = ["quantity,string,fret,value,unit,uncertainty"]
    rows += [f"action,{k + 1},{j},{gap[k, j - 1]:.4f},mm,0.005" for k in range(6) for j in (1, 12)]
    actions = tmp_path / "actions.csv"
    actions.write_text("\n".join(rows))
    found = read_scanned(
        scan_file(tmp_path, tesquil_points()), spec, sheets=[file(actions)]
    ).measurement
    assert found.complete
    assert set(found.heights.origin[:, 0].tolist()) == {Origin.DERIVED}
    again = (1 - share) * found.nut_mm[:, None] + share * found.saddle_mm[:, None]
    assert float(np.abs(again - found.crown_top_mm - gap).max()) < 0.006
    assert found.source == ("scan.npy", "actions.csv")


@pytest.mark.slow
def test_heights_over_another_datum_are_refused(tmp_path: Path) -> None:
    sheet = tmp_path / "ends.csv"
    rows = [f"{q},{k},{v},mm" for k in range(1, 7) for q, v in (("nut_slot", 1), ("saddle", 9))]
    sheet.write_text("quantity,string,value,unit\n" + "\n".join(rows))
    with pytest.raises(ReadingsError, match="another datum"):
        read_scanned(scan_file(tmp_path, tesquil_points()), tesquil()[0], sheets=[file(sheet)])


def test_a_sheet_that_contradicts_the_scan_is_reported(tmp_path: Path) -> None:
    changed = SHEET.read_text().splitlines()
    at = next(n for n, row in enumerate(changed) if row.startswith("crown_top,3,9"))
    cells = changed[at].split(",")
    cells[3] = f"{float(cells[3]) + 0.2:.4f}"
    changed[at] = ",".join(cells)
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("\n".join(changed))
    scanned = read_scanned(
        scan_file(tmp_path, tesquil_points()), tesquil()[0], sheets=[file(sheet)]
    )
    (finding,) = [f for f in scanned.findings if f.code == "disagree"]
    assert "string 3, fret 9" in finding.sentence


def test_a_scan_alone_says_what_it_does_not_show(tmp_path: Path) -> None:
    spec, _, _ = tesquil()
    scanned = read_scanned(scan_file(tmp_path, tesquil_points()), spec, serial="UY-1")
    assert not scanned.measurement.complete
    assert np.isnan(scanned.measurement.nut_mm).all()
    assert scanned.measurement.serial == "UY-1"
    assert "missing" in codes(scanned.findings)
    assert scanned.sheet is None
    assert str(scanned.recognised).startswith("scan.npy: NumPy array")


@pytest.mark.parametrize("strung", [True, False])
def test_the_state_of_the_strings(tmp_path: Path, strung: bool) -> None:
    spec, _, _ = tesquil()
    path = scan_file(tmp_path, tesquil_points())
    scanned = read_scanned(path, spec, setting=ScanSetting(strung=strung))
    assert scanned.measurement.strung is strung
    assert any("will bow" in f.sentence for f in scanned.findings) is not strung
    states = {"strung" if s else "unstrung" for s in (strung,)}
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(
        "quantity,string,fret,value,unit,state\n"
        + "\n".join(f"relief,{k},8,0.2,mm,{'un' if strung else ''}strung" for k in range(1, 7))
    )
    with pytest.raises(EvenfallError) as caught:
        read_scanned(path, spec, sheets=[file(sheet)], setting=ScanSetting(strung=strung))
    assert "bows in between" in str(caught.value)
    assert states


@pytest.mark.slow
def test_a_unit_that_the_frets_contradict_gives_way_and_is_reported(tmp_path: Path) -> None:
    spec, _, _ = tesquil()
    x, y, z = tesquil_points().T
    path = tmp_path / "scan.npz"
    np.savez(path, x=x, y=y, z=z, unit="in")
    scanned = read_scanned(path, spec)
    assert scanned.survey.orientation.unit == "mm"
    (slip,) = [f for f in scanned.findings if f.code == "unit-slip" and "were taken" in f.sentence]
    assert "taken as mm. Give the unit (unit)" in slip.sentence
    with pytest.raises(ReadingsError):
        read_scanned(path, spec, options=ScanOptions("in"))
    settled = read_scanned(path, spec, options=ScanOptions("mm"))
    assert "unit-slip" not in codes(settled.findings)


@pytest.mark.slow
def test_shadows_stay_missing_or_are_marked(tmp_path: Path) -> None:
    spec = specification("electric")
    points = make_scan(spec, Recipe(seed=2, step_x=0.06)).points_mm
    found = read_scanned(scan_file(tmp_path, points), spec).measurement
    assert (found.heights.origin[:, 1:-1] != Origin.READ).all()
    assert (
        np.isfinite(found.crown_top_mm) == (found.heights.origin[:, 1:-1] != Origin.MISSING)
    ).all()


@pytest.mark.slow
def test_another_instrument_is_no_measurement(tmp_path: Path) -> None:
    with pytest.raises(ReadingsError, match="scale"):
        read_scanned(scan_file(tmp_path, tesquil_points()), specification("ukulele"))


@pytest.mark.parametrize("content", [ply_points(), ply_file()])
def test_what_is_no_fretboard_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "scan"
    path.write_bytes(content)
    with pytest.raises(ReadingsError) as caught:
        read_scanned(path, tesquil()[0])
    assert caught.value.where == "scan"


# ---- which file is what --------------------------------------------------------------------------


def test_files_are_read_by_what_they_are(tmp_path: Path) -> None:
    spec, sheet, _ = tesquil()
    assert not is_scan(SHEET)
    taken = read_files([SHEET], spec)
    assert (taken.recognised, taken.survey, taken.sheet) == (None, None, None)
    assert taken.measurement.as_dict() == sheet.as_dict()
    scan = scan_file(tmp_path, tesquil_points())
    for files in ([scan, SHEET], [SHEET, scan]):
        assert read_files(files, spec).measurement.complete


def test_options_without_a_scan_are_refused() -> None:
    spec, _, _ = tesquil()
    with pytest.raises(RequestError, match="hand sheets"):
        read_files([SHEET], spec, options=ScanOptions("mm"))
    with pytest.raises(RequestError, match="scan_uncertainty_mm"):
        ScanSetting(scan_uncertainty_mm=-1.0)
    with pytest.raises(RequestError):
        ScanOptions("furlong")
    with pytest.raises(RequestError):
        ScanOptions(step=(0.0, 1.0))


def strung_points(*, bare: tuple[int, int, int] | None = None) -> tuple[FloatArray, FloatArray]:
    """Return a scan, with a string's frets hidden where `bare` says, and the true tops."""
    spec = specification("electric")
    made = make_scan(spec, Recipe(seed=11, step_x=0.12, step_y=0.4, shadow_share=0.0))
    points, lines = made.points_mm, made.lines
    if bare is not None:
        k, low, high = bare
        x, y, _ = points.T
        beside = np.abs(y - np.interp(x, lines.x_mm[k], lines.y_mm[k])) > 3.2
        ends = 0.5 * (lines.x_mm[k, :-1] + lines.x_mm[k, 1:])
        points = points[beside | (x < ends[low - 1]) | (x > ends[high])]
    return points, made.crown_top_mm


def actions(path: Path) -> Path:
    rows = [f"action,{k},{f},{a},mm,0.01" for k in range(1, 7) for f, a in ((1, 0.4), (12, 1.7))]
    path.write_text("quantity,string,fret,value,unit,uncertainty\n" + "\n".join(rows))
    return path


@pytest.mark.slow
def test_a_crown_that_neither_string_side_shows_is_filled_in_across_the_strings(
    tmp_path: Path,
) -> None:
    spec = specification("electric")
    points, truth = strung_points(bare=(2, 5, 8))
    path = scan_file(tmp_path, points)
    found = read_scanned(path, spec, sheets=[file(actions(tmp_path / "actions.csv"))])
    measurement = found.measurement
    gaps = measurement.heights.origin[:, 1:-1] == Origin.INTERPOLATED
    assert np.argwhere(gaps).tolist() == [[2, j] for j in range(4, 8)]
    assert measurement.complete
    assert "interpolated" in codes(found.findings)
    off = measurement.crown_top_mm - truth
    across = off[2, 4:8] - 0.5 * (off[1, 4:8] + off[3, 4:8])
    assert np.abs(across).max() < 3.0 * measurement.heights.crown_top_u_mm[gaps].max()
    assert (measurement.heights.crown_top_u_mm[gaps] > 0.002).all()


@pytest.mark.slow
def test_a_string_hidden_too_far_is_named_has_no_uncertainty_and_comes_from_a_sheet(
    tmp_path: Path,
) -> None:
    spec = specification("electric")
    points, truth = strung_points(bare=(2, 4, 18))
    path, ends = scan_file(tmp_path, points), actions(tmp_path / "actions.csv")
    lacking = read_scanned(path, spec, sheets=[file(ends)])
    gone = ~np.isfinite(lacking.measurement.crown_top_mm)
    assert gone[2, 3:18].all()
    assert np.isnan(lacking.measurement.heights.crown_top_u_mm[gone]).all()
    assert (lacking.measurement.heights.crown_top_u_mm[~gone] > 0.0).all()
    (told,) = [f for f in lacking.findings if f.code == "missing"]
    assert "frets 4 to 18 under string 3" in told.sentence
    # the sheet's heights stand over a datum of their own
    station = string_lines(spec).station_mm[2, 1:]
    rows = [
        f"crown_top,3,{j + 1},{truth[2, j] + 1.0 + 0.002 * station[j]:.4f},mm,0.01"
        for j in range(spec.frets)
    ]
    sheet = tmp_path / "tops.csv"
    sheet.write_text("quantity,string,fret,value,unit,uncertainty\n" + "\n".join(rows))
    whole = read_scanned(path, spec, sheets=[file(ends), file(sheet)])
    assert whole.measurement.complete
    off = whole.measurement.crown_top_mm[2] - truth[2]
    left = off - np.polyval(np.polyfit(station, off, 1), station)
    assert np.abs(left).max() < 0.01
    assert (whole.measurement.heights.crown_top_u_mm[2, 3:18] > 0.01).all()
    assert any(f.code == "route" and "from the sheet" in f.sentence for f in whole.findings)


@pytest.mark.slow
def test_the_claim_says_that_the_scanner_s_own_error_is_not_in_it(tmp_path: Path) -> None:
    path = scan_file(tmp_path, tesquil_points())
    told = read_scanned(path, tesquil()[0])
    assert any(
        "scan_uncertainty_mm" in f.sentence for f in told.findings if f.code == "no-uncertainty"
    )
    settled = read_scanned(path, tesquil()[0], setting=ScanSetting(scan_uncertainty_mm=0.01))
    assert "no-uncertainty" not in codes(settled.findings)


@pytest.mark.slow
def test_scans_are_looked_at_like_sheets(tmp_path: Path) -> None:
    """A crown 0.3 mm over its fret, in the points; and a relief by hand of the wrong sign."""
    spec, _, _ = tesquil()
    lines = string_lines(spec)
    points = tesquil_points().copy()
    x, y = lines.x_mm[2, 9], lines.y_mm[2, 9]
    near = (np.abs(points[:, 0] - x) < 3.0) & (np.abs(points[:, 1] - y) < 3.5)
    points[near, 2] += 0.3
    scanned = read_scanned(
        scan_file(tmp_path, tesquil_points()), spec, setting=ScanSetting(scan_uncertainty_mm=0.004)
    )
    # the board of these points is straight under crowns that bow, so some stand high over it
    asked = {gate.code for gate in gates_of(spec, scanned.measurement).found}
    assert asked <= {"over-new-wire"}
    sheet = tmp_path / "checks.csv"
    rows = ["relief,,8,-0.3,mm,0.02", "action,all,1,0.4,mm,0.02", "action,all,12,1.9,mm,0.03"]
    sheet.write_text("quantity,string,fret,value,unit,uncertainty\n" + "\n".join(rows))
    raised = read_scanned(
        scan_file(tmp_path, points, "raised.npy"),
        spec,
        sheets=[file(sheet)],
        setting=ScanSetting(scan_uncertainty_mm=0.004),
    )
    found = gates_of(spec, raised.measurement).found
    assert ("lone-crown", (9,), (3,)) in [(g.code, g.at.frets, g.at.strings) for g in found]
    assert ("hand-check", (8,), ()) in [(g.code, g.at.frets, g.at.strings) for g in found]


@pytest.mark.slow
def test_a_strung_scan_needs_no_sheet_and_readings_by_hand_check_it(tmp_path: Path) -> None:
    spec = specification("ukulele")
    recipe = Recipe(seed=3, step_x=0.1, step_y=0.5, shadow_share=1.8)
    made = make_assembly(spec, recipe, Parts())
    path = scan_file(tmp_path, strung_from_above(made))
    alone = read_scanned(path, spec)
    assert alone.measurement.complete
    assert "missing" not in codes(alone.findings)
    heights = alone.measurement.heights
    gap = float(open_gap_weights(string_lines(spec), 12)[0] @ heights.height_mm[0])
    for read, agrees in ((gap + 0.01, True), (gap + 0.3, False)):
        rows = f"quantity,string,fret,value,unit,uncertainty\naction,1,12,{read:.3f},mm,0.01\n"
        sheet = SheetFile("hand.csv", rows.encode())
        both = read_scanned(path, spec, sheets=[sheet]).measurement
        np.testing.assert_allclose(both.heights.height_mm, heights.height_mm, atol=1e-9)
        assert [one.name for one in both.heights.shared] == [one.name for one in heights.shared]
        assert ("hand-check" not in {f.code for f in gates_of(spec, both).unmet}) is agrees
