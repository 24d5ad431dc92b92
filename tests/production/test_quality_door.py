"""`evenfall quality`: whole jobs from a sheet to verdict, JSON and picture."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from evenfall.cli import main, quality
from evenfall.cli.quality import command
from evenfall.production.chart_kinds import KINDS
from evenfall.production.run_rules import RULES
from pictures.drawing import faults, texts

HEAD = "time,serial,station,value,unit\n"


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    """Relief of sixty instruments; the last twelve come from another jig."""
    draw = np.random.default_rng(42)
    values = 0.22 + draw.normal(0.0, 0.012, 60) + 0.03 * (np.arange(60) >= 48)
    rows = [
        f"2026-{3 + n // 28:02d}-{1 + n % 28:02d},AL-{400 + n},{'AB'[n % 2]},{value:.3f},mm\n"
        for n, value in enumerate(values)
    ]
    path = tmp_path / "relief.csv"
    path.write_text(HEAD + "".join(rows), encoding="utf-8")
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["quality", *map(str, arguments)])


def test_the_command_offers_every_kind_and_every_rule() -> None:
    assert set(quality._KINDS) == set(KINDS)
    assert set(quality._RULES) == set(RULES)
    assert "chart" in command.commands


def test_a_shift_is_found_named_and_drawn(sheet: Path, tmp_path: Path) -> None:
    freeze = "AL-439=stable since the jig was set"
    done = run("chart", sheet, "--freeze", freeze, "--by", "Ilva", "--pictures", tmp_path / "p")
    assert done.exit_code == 1, done.output
    first = done.output.splitlines()[1]
    assert "The process is not stable" in first
    assert "AL-4" in first
    assert "stable since the jig was set, noted by Ilva." in done.output
    svg = (tmp_path / "p" / "control-chart.svg").read_text(encoding="utf-8")
    assert faults(svg) == []
    shown = " ".join(text.content for text in texts(svg))
    assert "once in 88 points" in shown
    assert "stable since the jig was set" in shown


def test_a_sheet_is_judged_without_loading_the_archive(sheet: Path) -> None:
    code = """if True:
        import sys
        from evenfall.cli import main
        for verb in ("chart", "capability", "causes", "lot-measured", "gauge"):
            more = ["--part", "station"] if verb == "gauge" else []
            more = ["--lower", "0"] if verb in ("capability", "lot-measured") else more
            main(["quality", verb, sys.argv[1], *more], standalone_mode=False)
        print("loaded", "evenfall.production" in sys.modules, "sqlalchemy" in sys.modules)
    """
    done = subprocess.run(
        [sys.executable, "-c", code, str(sheet)], capture_output=True, text=True, check=True
    )
    assert done.stdout.endswith("loaded True False\n")


def test_a_stable_station_leaves_with_nothing_to_settle(sheet: Path) -> None:
    lines = sheet.read_text(encoding="utf-8").splitlines()[:41]
    sheet.write_text("\n".join(lines), encoding="utf-8")
    done = run("chart", sheet, "--only", "station=A", "--rule", "outside-limits", "--unit", "in")
    assert done.exit_code == 0, done.output
    assert "The process is stable: none of 20 points signals. Go on." in done.output
    assert " in to " in done.output


def test_json_holds_every_number_of_the_chart(sheet: Path) -> None:
    done = run("chart", sheet, "--size", 5, "--json")
    values = json.loads(done.output)
    assert values["schema"] == "evenfall/chart@1"
    assert values["kind"] == "xbar-r"
    assert len(values["panels"][0]["values"]) == 12
    assert values["findings"][0]["code"] == "chart"


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--exclude", "AL-999=x"], 'No point is named "AL-999"'),
        (["--exclude", "AL-403"], "is not of the form POINT=REASON"),
        (["--exclude", "99=x"], "There is no point 99 to leave out; there are 60."),
        (["--only", "station=Q"], 'No reading has station "Q"'),
        (["--subgroup", "jig"], 'There is no column "jig"'),
        (["--subgroup", "station", "--size", "3"], "name one of the two"),
        (["--freeze", "20=a", "--freeze", "30=b"], "frozen once, not at points 20 and 30"),
        (["--kind", "p"], "a count is 0, 1, 2"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(sheet: Path, more: list[str], said: str) -> None:
    done = run("chart", sheet, *more)
    assert done.exit_code == 2, done.output
    assert said in done.output
    assert done.output.count("evenfall: ") == 1


def test_subgroups_by_factor_follow_the_order_of_time(sheet: Path) -> None:
    text = sheet.read_text(encoding="utf-8").splitlines()
    rows = [f"{line},{n // 6}" for n, line in enumerate(text[1:])]
    sheet.write_text("\n".join([text[0] + ",batch", *rows]), encoding="utf-8")
    done = run("chart", sheet, "--subgroup", "batch", "--json")
    values = json.loads(done.output)
    assert values["labels"] == [str(n) for n in range(10)]
    assert values["point_sizes"] == [6] * 10
