"""Causes against published mixed models, drawn processes, and whole jobs at the door."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from scipy import stats

from evenfall.arrays import FloatArray
from evenfall.cli import main
from evenfall.errors import RequestError
from evenfall.pictures.causes import causes_picture
from evenfall.production.causes import Causes, fitted_causes
from evenfall.production.factors import MOST_LEVELS, cross_products, factors_of
from pictures.drawing import faults, texts

AUTHORITIES = Path(__file__).parents[1] / "authorities"
CASES = tomllib.loads((AUTHORITIES / "causes.toml").read_text(encoding="utf-8"))
GAUGES = tomllib.loads((AUTHORITIES / "gauge_studies.toml").read_text(encoding="utf-8"))
NIST = Path(stats.__file__).parent / "tests" / "data" / "nist_anova"


def asked(values: FloatArray, random: tuple[str, ...] = (), **columns: np.ndarray) -> Causes:
    named = {name: [str(one) for one in column] for name, column in columns.items()}
    return fitted_causes("relief", "mm", values, factors_of(named, random=random))


# ---- published ---------------------------------------------------------------------------------


def test_batches_of_dyestuff() -> None:
    case = CASES["dyestuff"]
    table = np.array(case["values"], dtype=float)
    made = asked(table.ravel(), ("batch",), batch=np.repeat(list("ABCDEF"), 5))
    assert made.effect("batch").effect_level == pytest.approx(case["batch"], abs=6e-3)
    assert made.rest_level == pytest.approx(case["rest"], abs=6e-3)
    assert made.effect("batch").degrees_of_freedom == (5, 24)


def test_two_crossed_random_factors() -> None:
    case = GAUGES["prototypes"]
    table = np.array(case["values"])
    part, person, _ = np.indices(table.shape).reshape(3, -1)
    made = asked(table.ravel(), ("part", "person"), part=part, person=person)
    printed = case["sigma"]
    found = [made.effect("part").effect_level, made.effect("person").effect_level, made.rest_level]
    wanted = [printed[name] for name in ("parts", "reproducibility", "repeatability")]
    assert found == pytest.approx(wanted, abs=2e-7)  # printed to 1e-8, REML climbed to 1e-7
    # the F of both factors is that of the analysis of variance
    for name, factor in (("parts", "part"), ("persons", "person")):
        assert made.effect(factor).f_ratio == pytest.approx(case["reduced_f"][name], abs=6e-3)


def test_days_of_the_guide() -> None:
    case = CASES["day_to_day"]
    one = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    one /= one.std(ddof=1)
    values = np.array(case["mean"])[:, None] + np.array(case["deviation"])[:, None] * one
    made = asked(values.ravel(), ("day",), day=np.repeat(np.arange(10), 5))
    assert made.effect("day").effect_level == pytest.approx(case["between"], abs=0.51)
    assert made.rest_level == pytest.approx(case["within"], abs=0.51)
    assert made.effect("day").f_ratio == pytest.approx(case["f"], abs=6e-3)
    assert made.effect("day").degrees_of_freedom == (9, 40)


# Digits that the readings allow: from SmLs04 on they have seven constant leading digits and more,
# of which a double has lost some before anything is worked out.
@pytest.mark.parametrize(
    ("name", "digits"),
    [
        *(("SiRstv", 12), ("SmLs01", 12), ("SmLs02", 12), ("SmLs03", 12)),
        *(("AtmWtAg", 9), ("SmLs04", 9), ("SmLs05", 9), ("SmLs06", 9)),
        *(("SmLs07", 3), ("SmLs08", 3), ("SmLs09", 3)),
    ],
)
def test_analysis_of_variance_of_the_statistical_reference_datasets(name: str, digits: int) -> None:
    """NIST StRD, certified F of one factor; the files come with SciPy's own tests."""
    text = (NIST / f"{name}.dat").read_text(encoding="ascii").splitlines()
    certified = float(next(line for line in text if line.startswith("Between")).split()[-1])
    rows = [line.split() for line in text[60:] if line.strip()]
    part, values = zip(*rows, strict=True)
    named = {"part": list(part)}
    made = fitted_causes(
        "y", "", np.array(values, dtype=float), factors_of(named, levels=("part",))
    )
    found = made.effect("part").f_ratio
    assert -np.log10(abs(found / certified - 1.0) + 1e-16) > digits


# ---- drawn -------------------------------------------------------------------------------------


def production(draw: np.random.Generator, count: int = 600) -> dict[str, np.ndarray]:
    station = draw.integers(0, 3, count)
    return {
        "station": station,
        "person": 2 * station + draw.integers(0, 2, count),
        "humidity": draw.uniform(40.0, 60.0, count).round(2),
        "batch": draw.choice([f"B{n:02}" for n in range(24)], count),
        "model": draw.integers(0, 2, count),
    }


def of_batch(draw: np.random.Generator, columns: dict[str, np.ndarray]) -> FloatArray:
    """Return an offset of each batch, standard deviation 1."""
    return draw.normal(size=24)[np.unique(columns["batch"], return_inverse=True)[1]]


def test_half_a_million_readings_give_what_the_library_gives_of_all_of_them() -> None:
    # cross products against MixedLM over every reading
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    draw = np.random.default_rng(8)
    columns = production(draw, 400)
    values = (
        1.0 * (columns["station"] == 1) + 2.0 * of_batch(draw, columns) + draw.normal(0.0, 1.0, 400)
    )
    mine = {name: columns[name] for name in ("station", "humidity", "batch")}
    made = asked(values, station=mine["station"], humidity=mine["humidity"], batch=mine["batch"])
    x = np.column_stack(
        [
            np.ones(400),
            columns["station"] == 1,
            columns["station"] == 2,
            columns["humidity"],
        ]
    ).astype(float)
    z = (columns["batch"][:, None] == np.unique(columns["batch"])).astype(float)
    spec = VCSpec(["batch"], [[[str(n) for n in range(24)]]], [[z]])
    whole = MixedLM(values, x, np.zeros(400, dtype=int), exog_vc=spec).fit(reml=True)
    assert made.effect("batch").effect_level == pytest.approx(np.sqrt(whole.vcomp[0]), rel=2e-3)
    assert made.rest_level == pytest.approx(np.sqrt(whole.scale), rel=1e-4)
    humidity = made.effect("humidity")
    low, high = (float(name) for name in humidity.levels)
    error = whole.bse_fe[3] * (high - low)
    assert humidity.effect_level == pytest.approx(
        whole.fe_params[3] * (high - low), abs=1e-3 * error
    )
    offsets = made.effect("station").offset_level
    assert offsets[1] - offsets[0] == pytest.approx(whole.fe_params[1], abs=1e-5)


def test_what_moves_is_found_and_judged_against_what_it_lies_within() -> None:
    draw = np.random.default_rng(3)
    columns = production(draw)
    values = (
        0.01 * (columns["station"] == 1)
        + 0.0005 * columns["humidity"]
        + 0.008 * of_batch(draw, columns)
        + draw.normal(0.0, 0.002, 6)[columns["person"]]
        + draw.normal(0.0, 0.01, 600)
    )
    jig = np.array(list("uvw"))[columns["station"]]
    made = asked(values, jig=jig, **columns)
    assert {one.factor for one in made.moving} >= {"batch", "humidity"}
    assert made.effect("model").verdict == "not seen"
    assert made.sorted_out.same == (("jig", "station"),)
    assert made.sorted_out.within == (("person", "jig"),)
    assert made.effect("jig").against == "person"
    assert made.effect("jig").degrees_of_freedom == (2, 3)
    batch = made.effect("batch")
    assert batch.low_level < 0.008 < batch.high_level
    told = " ".join(finding.sentence for finding in made.findings)
    assert "jig and station always go together" in told
    assert "5 factors were asked at once" in told
    assert "swap batch on purpose" in told
    assert sum(one.variance_share for one in made.effects) + made.rest_share == pytest.approx(1.0)


def test_factors_that_nearly_go_together_are_named_and_mingled_ones_left_out() -> None:
    draw = np.random.default_rng(5)
    station, model = draw.integers(0, 2, 400), draw.integers(0, 2, 400)
    person = np.where(draw.uniform(size=400) < 0.03, 1 - station, station)
    both = station + 2 * model  # tells station and model, and is told by both
    made = asked(draw.normal(size=400), station=station, person=person, model=model)
    assert [one[:2] for one in made.sorted_out.nearly_share] == [("station", "person")]
    assert "association 0.9" in " ".join(f.sentence for f in made.findings)
    wet = 3.0 * station - 2.0 * model + 10.0
    made = asked(draw.normal(size=400), station=station, model=model, wet=wet)
    assert made.sorted_out.mingled == () or made.sorted_out.within
    made = asked(draw.normal(size=400), station=station, model=model, both=both)
    assert set(made.sorted_out.within) == {("both", "station"), ("both", "model")}


def test_limits_wider_than_all_readings_are_no_reassurance() -> None:
    draw = np.random.default_rng(11)
    wet, warm = draw.uniform(40.0, 55.0, 60), draw.integers(0, 2, 60)
    still = 20.0 + 0.1 * wet + draw.normal(0.0, 0.01, 60)  # goes along with the humidity
    made = asked(draw.normal(0.2, 0.01, 60), wet=wet, still=still, warm=warm)
    told = made.effect("still")
    assert told.verdict == "cannot tell"
    assert told.most_level > 2.0 * made.sigma_level
    assert made.effect("warm").verdict == "not seen"
    said = next(f.sentence for f in made.findings if "still" in f.sentence)
    assert said.startswith("These readings cannot tell whether still moves relief")
    drawn = " ".join(text.content for text in texts(causes_picture(made)))
    assert "cannot be told" in drawn
    assert "not seen to move it" in drawn


def test_of_too_many_levels_a_part_is_taken_and_told() -> None:
    draw = np.random.default_rng(6)
    batch = draw.integers(0, 1000, 20_000)
    values = draw.normal(0.0, 0.5, 1000)[batch] + draw.normal(0.0, 1.0, 20_000)
    named = [f"B{n}" for n in batch]
    made = fitted_causes("relief", "mm", values, factors_of({"batch": named}))
    assert len(made.effect("batch").levels) == MOST_LEVELS
    assert made.effect("batch").low_level < 0.5 < made.effect("batch").high_level
    assert "batch has 1000 levels; a part of them" in " ".join(f.sentence for f in made.findings)


@pytest.mark.slow
def test_no_factor_that_does_nothing_moves_anything_more_often_than_stated() -> None:
    draw, wrong, covered, rounds = np.random.default_rng(12), 0, 0, 60
    for _ in range(rounds):
        columns = production(draw, 240)
        values = 0.7 * of_batch(draw, columns) + draw.normal(0.0, 1.0, 240)
        made = asked(values, **columns)
        wrong += any(one.adjusted_chance < 0.05 for one in made.effects if one.factor != "batch")
        one = made.effect("batch")
        covered += one.low_level <= 0.7 <= one.high_level
    assert wrong / rounds < 0.05 + 3.0 * np.sqrt(0.05 * 0.95 / rounds)
    assert covered / rounds > 0.95 - 3.0 * np.sqrt(0.05 * 0.95 / rounds)


def test_cross_products_are_those_of_the_columns() -> None:
    draw = np.random.default_rng(2)
    columns = {
        "a": draw.integers(0, 3, 50).astype(str).tolist(),
        "b": [f"{n / 7}" for n in range(50)],
    }
    values = draw.normal(size=50)
    made = cross_products(values, factors_of(columns))
    names = sorted(set(columns["a"]))
    b = np.array(columns["b"], dtype=float)
    dense = np.column_stack(
        [*(np.array([one == name for one in columns["a"]]) for name in names), b / b.std(), values]
    ).astype(float)
    dense -= dense.mean(0)
    assert made.sum_level == pytest.approx(dense.T @ dense, abs=1e-9)


@pytest.mark.parametrize(
    ("values", "columns", "said"),
    [
        (np.ones(20), {"station": ["A", "B"] * 10}, "All readings are the same"),
        (np.arange(3.0), {"station": ["A", "B", "C"]}, "3 readings are too few for 1 factor"),
        (np.arange(4.0), {"station": ["A"] * 4}, "No factor with two values or more"),
        (np.array([1.0, np.nan]), {"station": ["A", "B"]}, "Reading 2 of relief is not a number"),
        (np.repeat([0.0, 1.0], 10), {"station": ["A"] * 10 + ["B"] * 10}, "without a rest"),
    ],
)
def test_what_makes_no_model_is_one_sentence(values, columns, said: str) -> None:
    with pytest.raises(RequestError) as refused:
        fitted_causes("relief", "mm", values, factors_of(columns))
    assert said in refused.value.sentence


# ---- at the door -------------------------------------------------------------------------------


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["quality", "causes", *map(str, arguments)])


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    draw = np.random.default_rng(9)
    columns = production(draw, 300)
    values = 0.2 + 0.02 * (columns["station"] == 1) + draw.normal(0.0, 0.01, 300)
    rows = zip(values.round(4), *columns.values(), range(300), strict=True)
    path = tmp_path / "relief.csv"
    head = ",".join(("value", *columns, "serial", "unit"))
    path.write_text(
        "\n".join([head, *(",".join(map(str, row)) + ",mm" for row in rows)]), encoding="utf-8"
    )
    return path


def test_from_a_sheet_to_verdict_json_and_picture(sheet: Path, tmp_path: Path) -> None:
    done = run(sheet, "--pictures", tmp_path / "p")
    assert done.exit_code == 1, done.output
    assert "value goes with station: 1, the highest, lies 0.02" in done.output
    assert "humidity is not seen to move value" in done.output
    svg = (tmp_path / "p" / "causes.svg").read_text(encoding="utf-8")
    assert faults(svg) == []
    assert any("Station" in text.content for text in texts(svg))
    values = json.loads(run(sheet, "--json").output)
    assert values["schema"] == "evenfall/causes@0"
    assert values["effects"][0]["factor"] == "station"
    assert values["effects"][0]["verdict"] == "moves"
    assert "serial" not in {one["factor"] for one in values["effects"]}
    assert run(sheet, "--factor", "model").exit_code == 0


def test_to_say_that_a_factor_is_random_leaves_the_others_asked(sheet: Path) -> None:
    def kinds(*more: str) -> dict[str, str]:
        effects = json.loads(run(sheet, "--json", *more).output)["effects"]
        return {one["factor"]: one["kind"] for one in effects}

    assert kinds()["model"] == "levels"
    assert kinds("--random", "model") == {**kinds(), "model": "random"}
    assert kinds("--factor", "station", "--random", "batch").keys() == {"station", "batch"}
    assert 'no column "jig"' in run(sheet, "--factor", "station", "--names", "jig").output


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--factor", "jig"], 'There is no column "jig"'),
        (["--names", "jig"], 'There is no column "jig"'),
        (["--only", "station=9"], 'No reading has station "9"'),
    ],
)
def test_what_cannot_be_asked_is_one_sentence(sheet: Path, more: list[str], said: str) -> None:
    done = run(sheet, *more)
    assert done.exit_code == 2, done.output
    assert said in done.output
    assert done.output.count("evenfall: ") == 1


def test_a_number_that_never_changes_is_no_factor(sheet: Path) -> None:
    """Of rows that have both numbers, one of them may be the same on all."""
    head, *rows = sheet.read_text(encoding="utf-8").splitlines()
    ends = [f"{20 + n}," if n % 2 else f"7,{30 + n}" for n in range(len(rows))]
    rows = [f"{row},{end}" for row, end in zip(rows, ends, strict=True)]
    sheet.write_text("\n".join([f"{head},warmth,pressure", *rows]), encoding="utf-8")
    named = [text for name in ("station", "warmth", "pressure") for text in ("--factor", name)]
    done = run(sheet, "--json", *named)
    assert done.exit_code == 1, done.output
    factors = {one["factor"] for one in json.loads(done.output)["effects"]}
    assert "pressure" in factors
    assert "warmth" not in factors
    # unless it is asked by name, a number that half the rows lack takes no row from the others
    assert (
        "pressure is not asked, for too few of the readings have a figure of it"
        in run(sheet).output
    )


def test_rows_without_a_number_are_left_out_and_counted(sheet: Path) -> None:
    lines = sheet.read_text(encoding="utf-8").splitlines()
    at = lines[0].split(",").index("humidity")
    cells = lines[7].split(",")
    cells[at] = ""
    sheet.write_text("\n".join([*lines[:7], ",".join(cells), *lines[8:]]), encoding="utf-8")
    done = run(sheet)
    assert "1 row without a number in a column of numbers is left out." in done.output
