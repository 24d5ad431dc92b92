"""Scans through the command line: what is recognised, what is drawn, what is refused."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from evenfall.cli import main
from evenfall.cli.waiting import Waiting
from open_data import open_data
from oracles.surfaces import specification
from readings.test_scanned import INVENTED, SHEET, tesquil_points

NOT_SEATED = 1
"""Exit status: frets 1 and 2 of this scan stand higher over its board than new wire."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder with a specification, a hand sheet and a scan of one instrument."""
    (tmp_path / "tesquil.spec.toml").write_text((INVENTED / "tesquil.spec.toml").read_text())
    (tmp_path / "sheet.csv").write_text(SHEET.read_text())
    points = tesquil_points()
    table = pa.table({f"{a}_mm": points[:, at] for at, a in enumerate("xyz")})
    pq.write_table(table, tmp_path / "scan.parquet")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["measure", *arguments, "--spec", "tesquil.spec.toml"])


@pytest.mark.slow
def test_a_scan_and_a_sheet_become_a_measurement_that_later_commands_take(folder: Path) -> None:
    result = run("scan.parquet", "sheet.csv", "--serial", "UY-0417", "--pictures", "drawn")
    assert result.exit_code == NOT_SEATED, result.output
    assert "scan.parquet: Parquet (the file starts with PAR1)" in result.output
    assert "in mm, as the file says" in result.output
    assert "Standard uncertainty of a crown top: 0." in result.output
    assert " µm" in result.output
    drawn = {path.name for path in (folder / "drawn").iterdir()}
    names = ("board", "board-along-the-neck", "crown-lines", "crown-section", "fret-places")
    names += ("kinds-of-crown", "neck")
    assert drawn == {f"{name}.{kind}" for name in names for kind in ("svg", "png")}
    assert "by the hand sheet" in (folder / "drawn" / "neck.svg").read_text()
    diagnosed = CliRunner().invoke(main, ["diagnose", "scan.measurement.json", "--json"])
    assert diagnosed.exit_code == NOT_SEATED, diagnosed.output
    planned = CliRunner().invoke(main, ["plan", "scan.measurement.json", "--json"])
    assert planned.exit_code == NOT_SEATED, planned.output


def test_drawings_that_cannot_be_written_leave_no_measurement_behind(folder: Path) -> None:
    (folder / "drawn").write_text("a file, not a folder")
    result = run("scan.parquet", "--pictures", "drawn")
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert not list(folder.glob("*.measurement.json"))


@pytest.mark.slow
def test_a_scan_alone_is_measured_and_the_gap_is_named(folder: Path) -> None:
    result = run("scan.parquet", "--json")
    assert result.exit_code == NOT_SEATED, result.output
    values = json.loads(result.stdout)
    (what,) = [f["sentence"] for f in values["findings"] if f["code"] == "recognised"]
    assert what.startswith("scan.parquet: Parquet")
    assert {f["code"] for f in values["findings"]} >= {"missing", "orientation"}
    assert [row[0] for row in values["heights"]["height_mm"]] == [None] * 6
    kept = {k: v for k, v in values.items() if k != "findings"}
    (folder / "alone.json").write_text(json.dumps(kept))
    refused = CliRunner().invoke(main, ["diagnose", "alone.json"])
    assert refused.exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("sheet.csv", "--length-unit", "mm"), "hand sheets"),
        (("sheet.csv", "--unstrung"), "hand sheets"),
        pytest.param(
            *(("scan.parquet", "--length-unit", "in"), "if its numbers are mm; give that unit"),
            marks=pytest.mark.slow,
        ),
        (("scan.parquet", "--scan-uncertainty", "-1"), "from 0 to 1.000 mm"),
        (("map.npy",), "--step"),
        (("map.npy", "--step", "0", "1"), "greater than zero"),
        (("profile.txt",), "line profile"),
    ],
)
def test_what_cannot_be_used_is_one_sentence(
    folder: Path, arguments: tuple[str, ...], sentence: str
) -> None:
    np.save(folder / "map.npy", np.zeros((50, 50)))
    (folder / "profile.txt").write_text("1 2\n2 3\n3 4\n")
    before = {path.name for path in folder.iterdir()}
    result = run(*arguments)
    assert result.exit_code == 2
    assert sentence in result.output
    assert "Traceback" not in result.output
    assert {path.name for path in folder.iterdir()} == before


@pytest.mark.slow
def test_a_bare_height_map_with_steps(folder: Path) -> None:
    points = tesquil_points()
    step = 0.15
    rows, columns = 2 * int(29 / step), int(500 / step)
    heights = np.full((rows, columns), np.nan, dtype=np.float32)
    row = ((points[:, 1] + 29) / step).astype(int)
    column = ((points[:, 0] + 4) / step).astype(int)
    heights[row, column] = points[:, 2]
    np.save(folder / "map.npy", heights)
    result = run("map.npy", "--step", "0.15", "0.15", "--length-unit", "mm", "--not-mirrored")
    assert result.exit_code == NOT_SEATED, result.output
    assert "a height map of" in result.output
    assert "missing" in result.output
    assert "in mm, as the option says" in result.output


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        (
            "mtenor-out-fretboard-full.stl",
            r"No crowns: slots only\. 20 slots, 0\.75\d mm wide and 2\.000 mm deep, up is nearest "
            r"-z; they fit a scale of 457\.(199|200|201) mm \(standard uncertainty 0\.00[12] mm\)",
        ),
        ("mtenor-out-neck-a.stl", "are not in this scan"),
    ],
)
def test_a_fingerboard_drawn_by_somebody_else(folder: Path, name: str, sentence: str) -> None:
    path = open_data("mini-tenor", name)
    result = run(str(path))
    assert result.exit_code == 2
    assert re.search(sentence, result.output)
    assert not list(folder.glob("*.measurement.json"))


@pytest.mark.slow
def test_other_instruments_are_told_apart(folder: Path) -> None:
    (folder / "ukulele.spec.toml").write_text(specification("ukulele").text)
    result = CliRunner().invoke(main, ["measure", "scan.parquet", "--spec", "ukulele.spec.toml"])
    assert result.exit_code == 2
    assert "scale" in result.output


# ---- waiting -------------------------------------------------------------------------------------


def waited(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    step: Callable[[Waiting], None],
) -> str:
    """Return what is shown while `step` runs, with no patience and quick ticks."""
    import evenfall.cli.waiting as module

    monkeypatch.setattr(module, "PATIENCE_S", 0.0)
    monkeypatch.setattr(module, "TICK_S", 0.001)
    with Waiting() as waiting:
        step(waiting)
    return capsys.readouterr().err


def test_long_work_is_told_once_a_step(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from time import sleep

    def steps(waiting: Waiting) -> None:
        for what in ("reading a.ply", "finding the frets"):
            for share in (0.0, 0.3, 1.0):
                waiting(what, share)
                sleep(0.02)

    shown = waited(monkeypatch, capsys, steps)
    assert shown == "reading a.ply ...\nfinding the frets ...\n"


def test_a_terminal_sees_the_share_and_is_left_clean(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import sys
    from time import sleep

    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)

    def steps(waiting: Waiting) -> None:
        waiting("reading a.ply", 0.42)
        sleep(0.05)

    shown = waited(monkeypatch, capsys, steps)
    assert "\rreading a.ply ... 42 %" in shown
    assert shown.endswith(" \r")


def test_quick_work_says_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with Waiting() as waiting:
        waiting("reading a.ply", 0.5)
    assert capsys.readouterr().err == ""
