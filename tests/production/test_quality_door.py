"""`evenfall quality`: whole jobs from a sheet to verdict, JSON and picture."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
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


@pytest.mark.slow
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


STEADY = np.round(0.2 + 0.01 * np.random.default_rng(2).normal(size=40), 4).tolist()
STILL = "The readings do not vary"
NO_NUMBER = 'row 42, value: "{}" is not a number'
COMMANDS = {
    "chart": ("chart",),
    "counts": ("chart", "--kind", "c"),
    "means": ("chart", "--subgroup", "group", "--kind", "xbar-s"),
    "capability": ("capability", "--lower", "0.1", "--upper", "0.3"),
    "causes": ("causes", "--factor", "station"),
    "gauge": ("gauge", "--part", "station"),
    "lot": (
        *("lot-measured", "--pieces", "120", "--aql", "2.5"),
        *("--lower", "0.15", "--upper", "0.25"),
    ),
}


def hostile(values: Sequence[object], units: Sequence[str] = ()) -> str:
    units = units or ("mm",) * len(values)
    rows = [
        f"{value},{unit},{'AB'[n % 2]},g{n // 4}"
        for n, (value, unit) in enumerate(zip(values, units, strict=True))
    ]
    return "\n".join(["value,unit,station,group", *rows])


COUNT = "a count is 0, 1, 2"
HOSTILE: list[tuple[str, str, dict[str, tuple[int, str]]]] = [
    (
        "constant",
        hostile([0.2] * 40),
        {
            **dict.fromkeys(("chart", "means", "capability"), (2, STILL)),
            "counts": (2, COUNT),
            "causes": (2, "All readings are the same"),
            "gauge": (2, "All readings are the same"),
            "lot": (2, "All readings are the same"),
        },
    ),
    (
        "one point",
        hostile([0.2]),
        {
            "chart": (2, "The limits need two points"),
            "counts": (2, COUNT),
            "means": (2, "No point has two readings or more"),
            "capability": (2, "One reading says nothing about the spread"),
            "causes": (2, "No factor with two values or more"),
            "gauge": (2, "A study needs two parts or more"),
            "lot": (2, "The plan asks for 10 readings"),
        },
    ),
    *(
        (text, hostile([*STEADY, text]), dict.fromkeys(COMMANDS, (2, NO_NUMBER.format(text))))
        for text in ("nan", "inf", "-", "0.2.1")
    ),
    (
        "numbers whose squares are none",
        hostile([1e308, -1e308] * 6),
        dict.fromkeys(COMMANDS, (2, '"1e+308" is larger than any reading')),
    ),
    (
        "as good as constant",
        hostile([0.2, 0.2 + 1e-13] * 6),
        {"capability": (1, "12 readings say little")},
    ),
    ("no rows", hostile([]), dict.fromkeys(COMMANDS, (2, "No row holds a value."))),
    (
        "units of two kinds",
        hostile(STEADY, ["mm"] * 39 + ["%"]),
        dict.fromkeys(COMMANDS, (2, 'row 41, unit: The unit "%" is another than "mm"')),
    ),
    (
        "millimetres and inches",
        hostile(
            [v / 25.4 if n > 19 else v for n, v in enumerate(STEADY)], ["mm"] * 20 + ["in"] * 20
        ),
        {
            "capability": (0, "Capable: Cpk is"),
            "causes": (0, "is not seen to move"),
            "lot": (0, "is accepted"),
        },
    ),
    (
        "negative counts",
        hostile([3, 4, -1, 2, 5, 3, 2, 4], [""] * 8),
        {"counts": (2, "Point 3: a count is 0, 1, 2")},
    ),
    (
        "no variation within points",
        hostile([0.2 + 0.01 * (n // 4 % 3) for n in range(40)]),
        {"means": (2, STILL)},
    ),
    (
        "more rows than are read",
        "value\n" + "0.2\n" * 1_000_001,
        dict.fromkeys(COMMANDS, (2, "more than 1000000 rows")),
    ),
]


@pytest.mark.parametrize(
    ("text", "command", "status", "said"),
    [
        pytest.param(text, command, *wanted, id=f"{name}, {command}")
        for name, text, of in HOSTILE
        for command, wanted in of.items()
        if name != "more rows than are read" or command == "chart"
    ],
)
def test_hostile_readings_get_one_sentence_or_the_textbooks_answer(
    tmp_path: Path, text: str, command: str, status: int, said: str
) -> None:
    path = tmp_path / "hostile.csv"
    path.write_text(text, encoding="utf-8")
    name, *more = COMMANDS[command]
    done = run(name, path, *more)
    assert (done.exit_code, said in done.output) == (status, True), done.output[:2000]
    assert status != 2 or done.output.count("evenfall: ") == 1


def test_a_quality_limit_of_nothing_is_not_the_usual_one() -> None:
    done = run("lot", "--pieces", 200, "--aql", 0)
    assert done.exit_code == 2
    assert "There is no table for an acceptance quality limit of 0 %" in done.output


def test_limits_that_leave_the_mean_outside_are_no_capability(tmp_path: Path) -> None:
    path = tmp_path / "steady.csv"
    path.write_text(hostile(STEADY), encoding="utf-8")
    values = json.loads(run("capability", path, "--lower", "1", "--upper", "2", "--json").output)
    mean, within = np.mean(STEADY), np.abs(np.diff(STEADY)).mean() / 1.128379
    cpk = next(one["value_index"] for one in values["indices"] if one["name"] == "Cpk")
    assert cpk == pytest.approx((mean - 1.0) / (3.0 * within), rel=1e-5)  # textbook: under zero
    assert values["verdict"] == "not capable"


def test_each_point_of_another_size_has_limits_of_its_own(tmp_path: Path) -> None:
    """X-bar and S with subgroups of 2 to 6: mean ± A3(n) s/c4, Montgomery, ch. 6.3.2."""
    path, draw = tmp_path / "sizes.csv", np.random.default_rng(5)
    sizes = [3, 5, 4, 2, 6, 5, 3, 4, 5, 4]
    rows = [
        f"{0.2 + draw.normal(0, 0.01):.4f},mm,g{g}" for g, n in enumerate(sizes) for _ in range(n)
    ]
    path.write_text("\n".join(["value,unit,group", *rows]), encoding="utf-8")
    asked = ("chart", path, "--subgroup", "group", "--kind", "xbar-s", "--json")
    panel = json.loads(run(*asked).output)["panels"][0]
    half = np.subtract(panel["upper"], panel["centre"])
    assert half * np.sqrt(sizes) == pytest.approx([half[0] * np.sqrt(3)] * 10, rel=1e-6)


def test_a_chart_that_no_count_can_signal_on_is_json_all_the_same(tmp_path: Path) -> None:
    few = tmp_path / "few.csv"
    few.write_text("value,size\n95,100\n" + "1,3\n2,3\n" * 20)
    made = run("chart", few, "--kind", "p", "--centre", "0.5", "--rule", "outside-limits", "--json")
    assert json.loads(made.output)["run_length_count"] is None
