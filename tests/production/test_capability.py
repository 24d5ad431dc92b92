"""Capability against published indices and limits, drawn cover, and shapes that are not normal."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats

from evenfall.cli import main, quality
from evenfall.errors import RequestError
from evenfall.production import Series, Tolerance, capability, control_chart
from evenfall.production.capability import normal_indices, steady
from evenfall.production.fits import FAMILIES, best_fit, fitted
from pictures.drawing import faults, texts

CASES = tomllib.loads(
    (Path(__file__).parents[1] / "authorities" / "control_charts.toml").read_text(encoding="utf-8")
)


def drawn(count: int, spread: float = 0.1, seed: int = 4) -> Series:
    values = np.random.default_rng(seed).normal(8.0, spread, count)
    return Series("action", "mm", values)


def test_indices_of_the_handbook() -> None:
    cp, cpk = normal_indices(16.0, 2.0, Tolerance(8.0, 20.0), degrees_of_freedom=49.0, count=50)
    printed = CASES["handbook_capability"]["indices"]
    assert (cp.value_index, cpk.value_index) == pytest.approx(
        (printed["cp"], printed["cpk"]), abs=5e-5
    )


def test_bottles_to_all_printed_digits() -> None:
    case = CASES["bottles"]
    made = capability(
        Series("volume", "ml", np.array(case["values"])), Tolerance(740.0, 760.0), family="normal"
    )
    found = {index.name: index.value_index for index in made.indices}
    assert found["Pp"] == pytest.approx(case["cp"], rel=1e-13)
    assert found["Ppk"] == pytest.approx(case["cpk"], rel=1e-13)


def test_michelson_between_limits() -> None:
    values = np.array(CASES["light"]["values"])
    made = capability(Series("speed", "Mm/s", values), Tolerance(299.6, 300.1), family="normal")
    assert made.index("Pp") is not None
    assert made.index("Pp").value_index == pytest.approx(CASES["light"]["performance"], rel=1e-12)


def test_confidence_limits_as_printed() -> None:
    cp, _ = normal_indices(50.0, 1.75, Tolerance(38.0, 62.0), degrees_of_freedom=19.0, count=20)
    assert (cp.low_index, cp.high_index) == pytest.approx(CASES["index_limits"]["cp"], abs=6e-3)
    _, cpk = normal_indices(0.0, 1.0, Tolerance(-4.0, 3.99), degrees_of_freedom=19.0, count=20)
    assert (cpk.low_index, cpk.high_index) == pytest.approx(
        CASES["index_limits"]["cpk"], abs=5.1e-3
    )


@pytest.mark.parametrize("row", CASES["natural_zero"]["rows"], ids=str)
def test_one_limit_and_a_natural_zero(row: list[float]) -> None:
    mean, sigma, upper, cp, cpk = row
    tolerance = Tolerance(upper_level=upper, bound_level=0.0)
    found = normal_indices(mean, sigma, tolerance, degrees_of_freedom=99.0, count=100)
    assert [one.value_index for one in found] == pytest.approx([cp, cpk], abs=5.1e-3)


@pytest.mark.quick(1)
@pytest.mark.parametrize(("count", "mean"), [(30, 0.0), (50, 0.5), (100, 1.0)])
def test_confidence_limits_cover_as_often_as_stated(count: int, mean: float) -> None:
    draw = np.random.default_rng(20261127)
    trials, true = 2000, (4.0 - mean) / 3.0
    hit = 0
    for _ in range(trials):
        x = draw.normal(mean, 1.0, count)
        _, ppk = normal_indices(
            float(x.mean()),
            float(x.std(ddof=1)),
            Tolerance(-4.0, 4.0),
            degrees_of_freedom=count - 1.0,
            count=count,
        )
        hit += ppk.low_index <= true <= ppk.high_index
    # 95 % within one percent, and three standard errors of this smaller number of draws
    assert abs(hit / trials - 0.95) < 0.01 + 3.0 * math.sqrt(0.95 * 0.05 / trials)


@pytest.mark.parametrize(
    ("family", "distribution"),
    [
        ("lognormal", stats.lognorm(0.5, scale=0.1)),
        ("weibull", stats.weibull_min(1.3, scale=0.1)),
        ("gamma", stats.gamma(2.0, scale=0.05)),
        ("half-normal", stats.halfnorm(scale=0.1)),
    ],
)
def test_percentiles_of_a_fitted_family_are_those_of_the_truth(family, distribution) -> None:
    values = distribution.rvs(4000, random_state=np.random.default_rng(8))
    fit = fitted(values, family)
    true = [distribution.ppf(share) for share in (0.00135, 0.5, 0.99865)]
    assert (fit.middle_level, fit.high_level) == pytest.approx(true[1:], rel=0.08)
    assert fit.low_level == pytest.approx(true[0], abs=0.02 * true[2])
    assert fit.chance > 0.01
    assert fitted(values, "normal").chance < 1e-6
    assert best_fit(values).family != "normal"


def test_a_sound_normal_sample_is_seldom_called_anything_else() -> None:
    draw = np.random.default_rng(3)
    wrong = sum(best_fit(draw.normal(5.0, 1.0, 50)).family != "normal" for _ in range(400))
    assert wrong < 4 + 3 * 2 + 3


def test_a_mixture_gets_no_index() -> None:
    draw = np.random.default_rng(6)
    values = draw.permutation(
        np.concatenate([draw.normal(1.0, 0.02, 50), draw.normal(1.2, 0.02, 50)])
    )
    made = capability(Series("gap", "mm", values), Tolerance(0.5, 1.7))
    assert made.indices == ()
    assert made.verdict == "undecided"
    assert any("two sorts of instruments" in finding.sentence for finding in made.findings)


def test_stability_is_said_first_and_decides_what_is_given() -> None:
    made = capability(drawn(60), Tolerance(7.0, 9.0))
    assert made.findings[0].sentence.startswith("The process ")
    assert [index.name for index in made.indices] == ["Cp", "Cpk", "Pp", "Ppk"]
    assert made.verdict == "capable"
    drift = Series("action", "mm", drawn(60).values + np.linspace(0.0, 1.0, 60))
    made = capability(drift, Tolerance(7.0, 10.0), family="normal")
    assert made.findings[0].sentence.startswith("The process is not stable")
    assert {index.name for index in made.indices} <= {"Pp", "Ppk"}
    assert made.verdict == "undecided"


def test_verdicts_follow_the_confidence_limits() -> None:
    assert capability(drawn(200), Tolerance(7.8, 8.2)).verdict == "not capable"
    assert capability(drawn(40), Tolerance(7.57, 8.43)).verdict == "undecided"


def test_measurement_takes_its_share_of_the_spread() -> None:
    made = capability(drawn(100), Tolerance(7.5, 8.5), uncertainty_level=0.05)
    assert made.uncertainty_share == pytest.approx((0.05 / made.sigma) ** 2)
    assert any("Measurement makes" in finding.sentence for finding in made.findings)
    made = capability(drawn(100), Tolerance(7.5, 8.5), uncertainty_level=0.2)
    assert any("what is seen is the gauge" in finding.sentence for finding in made.findings)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (Tolerance, "Give a lower limit, an upper limit or both."),
        (lambda: Tolerance(2.0, 1.0), "The lower limit 2 is not under the upper limit 1."),
        (
            lambda: capability(Series("x", "", np.array([1.0])), Tolerance(0.0)),
            "One reading says nothing",
        ),
        (lambda: capability(Series("x", "", np.ones(9)), Tolerance(0.0)), "do not vary"),
        (lambda: capability(drawn(9), Tolerance(0.0), family="odd"), 'distribution "odd"'),
        (
            lambda: capability(
                Series("x", "", np.array([-1.0, 1.0, 2.0])), Tolerance(-5.0), family="gamma"
            ),
            "A reading of −1 is not over the natural bound 0",
        ),
    ],
)
def test_what_cannot_be_judged_is_one_sentence(make, said: str) -> None:
    with pytest.raises(RequestError) as refused:
        make()
    assert said in refused.value.sentence


def test_limits_that_exclude_the_mean_give_a_negative_index() -> None:
    made = capability(drawn(50), Tolerance(9.0, 10.0))
    assert made.index("Cpk").value_index < 0.0
    assert made.verdict == "not capable"
    assert made.outside_count == 50


def test_the_command_draws_readings_limits_and_share(tmp_path: Path) -> None:
    assert set(quality._FAMILIES) == set(FAMILIES)
    sheet = tmp_path / "action.csv"
    rows = "".join(f"{value:.3f},mm\n" for value in drawn(80).values)
    sheet.write_text("value,unit\n" + rows, encoding="utf-8")
    arguments = ["quality", "capability", str(sheet), "--lower", "7.4", "--upper", "8.6"]
    arguments += ["--uncertainty", "0.03", "--pictures", str(tmp_path / "p")]
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 0, done.output
    assert done.output.index("stable") < done.output.index("Cpk")
    svg = (tmp_path / "p" / "capability.svg").read_text(encoding="utf-8")
    assert faults(svg) == []
    assert any("upper limit 8.600 mm" in text.content for text in texts(svg))
    done = CliRunner().invoke(main, ["quality", "capability", str(sheet)])
    assert done.exit_code == 2
    assert "Give a lower limit, an upper limit or both." in done.output


@pytest.mark.slow
def test_stable_processes_count_as_stable_and_stepped_ones_do_not() -> None:
    draw = np.random.default_rng(12)
    level = {}
    for step in (0.0, 1.5):
        kept = 0
        for _ in range(150):
            values = draw.normal(size=100) + step * (np.arange(100) >= 50)
            kept += steady(control_chart(Series("x", "", values), "individuals"))
        level[step] = kept / 150
    assert level[0.0] > 0.95
    assert level[1.5] < 0.05
