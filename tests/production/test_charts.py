"""Control charts against published ones, by trap and by hostile input."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special
from scipy.stats import ttest_ind

from draws import draws
from evenfall.errors import RequestError
from evenfall.production import (
    ControlChart,
    Excluded,
    Phase,
    Series,
    Tolerance,
    capability,
    control_chart,
)
from evenfall.production.chart_kinds import KINDS, Known, Memory
from evenfall.production.constants import c4, d2, d3, median_deviation
from evenfall.production.enough import content_factor, readings_needed
from evenfall.production.memory import sum_run_length, weighted_mean_run_length
from evenfall.production.run_rules import (
    RULES,
    ZONES,
    normal_zones,
    run_length,
)
from evenfall.production.series import by_keys, consecutive, deviation_of, mean_of
from open_data import open_data

CASES = tomllib.loads(
    (Path(__file__).parents[1] / "authorities" / "control_charts.toml").read_text(encoding="utf-8")
)


def single(values: object, **more: object) -> Series:
    return Series("relief", "mm", np.asarray(values, dtype=float), **more)


def subgroups(values: object) -> Series:
    table = np.asarray(values, dtype=float)
    return single(table.ravel(), starts=consecutive(table.size, table.shape[1]))


def limits(chart: ControlChart, panel: int = 0, at: int = -1) -> tuple[float, float, float]:
    one = chart.panels[panel]
    return float(one.lower[at]), float(one.centre[at]), float(one.upper[at])


def points(chart: ControlChart, panel: str) -> list[int]:
    return sorted(chart.signalled(panel))


# ---- constants -------------------------------------------------------------


@pytest.mark.parametrize("row", CASES["constants"]["rows"], ids=lambda row: str(row[0]))
def test_constants_come_from_their_integrals(row: list[float]) -> None:
    n = int(row[0])
    sixths = [d2(n), d3(n), c4(n)]
    spread, half = d3(n) / d2(n), math.sqrt(1.0 - c4(n) ** 2) / c4(n)
    factors = [
        3.0 / (d2(n) * math.sqrt(n)),
        3.0 / (c4(n) * math.sqrt(n)),
        max(0.0, 1.0 - 3.0 * spread),
        1.0 + 3.0 * spread,
        max(0.0, 1.0 - 3.0 * half),
        1.0 + 3.0 * half,
    ]
    assert sixths == pytest.approx(row[1:4], abs=5.1e-6)
    assert factors == pytest.approx(row[4:], abs=5.1e-6)
    # closed forms
    assert d2(2) == pytest.approx(2.0 / math.sqrt(math.pi), abs=1e-12)
    assert d2(3) == pytest.approx(3.0 / math.sqrt(math.pi), abs=1e-12)


def test_constants_of_twenty_are_those_of_a_public_package() -> None:
    case = CASES["package_constants"]
    n = case["size"]
    printed = [case["d2"], case["d3"], case["c4"]]
    assert [d2(n), d3(n), c4(n)] == pytest.approx(printed, abs=5.1e-3)


def test_constants_of_medians_are_those_printed() -> None:
    found = [3.0 * median_deviation(n) / d2(n) for n in range(2, 11)]
    assert found == pytest.approx(CASES["median_constants"]["a4"], abs=6e-4)
    assert median_deviation(1) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.slow
def test_how_many_readings_are_enough() -> None:
    case = CASES["enough"]
    content = case["content"]
    found = content_factor(content["count"], content["share"], content["confidence"])
    assert found == pytest.approx(content["unrounded"], abs=6e-9)
    assert round(found, 3) == content["factor"]
    assert readings_needed(1.0) == case["estimated_sigma"]
    # of many readings the standard deviation is as good as known; 8.567 is printed by rounded
    # quantiles, (1.645 + 1.282) squared
    assert readings_needed(0.01) == pytest.approx(case["known_sigma_exact"] * 1e4, abs=35.0)
    draw = np.random.default_rng(4)
    n = readings_needed(0.8, groups=2, both_sides=True)
    seen = 0
    for _ in range(800):
        a, b = draw.normal(0.0, 1.0, n), draw.normal(0.8, 1.0, n)
        seen += ttest_ind(a, b).pvalue < 0.05
    assert seen / 800 > 0.90 - 4.0 * math.sqrt(0.09 / 800)
    with pytest.raises(RequestError, match="greater than zero"):
        readings_needed(0.0)


def test_check_standard_of_the_handbook() -> None:
    case = CASES["check_standard"]
    values, short = (np.array(column) for column in zip(*case["rows"], strict=True))
    chart = control_chart(single(values.tolist()), "individuals")
    assert chart.stable
    assert chart.panels[0].centre[0] == pytest.approx(case["mean"], abs=5.1e-6)
    assert deviation_of(values) == pytest.approx(case["deviation"], abs=5.1e-6)
    assert math.sqrt(float((short**2).mean())) == pytest.approx(case["pooled"], abs=5.1e-6)


# ---- published charts -------------------------------------------------------------


def test_single_readings_by_exact_and_by_printed_constants() -> None:
    """Trap 4: the printed limits follow the rounded d2; ours follow the integral."""
    case = CASES["flow"]
    chart = control_chart(single(case["values"]), "individuals")
    lower, centre, upper = limits(chart)
    assert centre == pytest.approx(case["printed"]["mean"], abs=5e-3)
    assert (lower, upper) == pytest.approx(
        (case["exact"]["lower"], case["exact"]["upper"]), abs=5e-5
    )
    moving = limits(chart, 1)[1]
    assert moving == pytest.approx(case["printed"]["moving_range"], abs=5e-5)
    by_print = 3.0 * moving / case["printed_d2"]
    assert centre + by_print == pytest.approx(case["printed"]["upper"], abs=5.1e-5)
    assert centre - by_print == pytest.approx(case["printed"]["lower"], abs=5.1e-5)
    assert case["printed_d4"] * moving == pytest.approx(case["printed"]["range_upper"], abs=6e-5)
    assert limits(chart, 1)[2] == pytest.approx(case["printed"]["range_upper"], abs=2e-3)
    assert chart.stable


def test_milk_powder() -> None:
    case = CASES["milk"]
    chart = control_chart(single(case["values"]), "individuals")
    lower, centre, upper = limits(chart)
    printed = case["printed"]
    moving = round(limits(chart, 1)[1], 2)
    assert (centre, moving) == pytest.approx((printed["mean"], printed["moving_range"]), abs=1e-9)
    # the printed limits follow the rounded range and 3 / d2 = 2.66
    assert centre + 2.66 * moving == pytest.approx(printed["upper"], abs=5.1e-3)
    assert centre - 2.66 * moving == pytest.approx(printed["lower"], abs=5.1e-3)
    assert (lower, upper) == pytest.approx((printed["lower"], printed["upper"]), abs=0.0133)
    assert limits(chart, 1)[2] == pytest.approx(printed["range_upper"], abs=0.0133)


def test_plug_radius_and_its_revision() -> None:
    case = CASES["plug"]
    series = subgroups(case["values"])
    chart = control_chart(series, "xbar-r", rules=("outside-limits",))
    printed = case["printed"]
    lower, centre, upper = limits(chart)
    assert (lower, centre, upper) == pytest.approx(
        (printed["lower"], printed["mean"], printed["upper"]), abs=1.1e-4
    )
    assert limits(chart, 1)[1:] == pytest.approx(
        (printed["range"], printed["range_upper"]), abs=2.1e-4
    )
    assert points(chart, "mean") == case["signals"]
    out = [Excluded(point, "worn bush") for point in case["signals"]]
    revised = case["revised"]
    chart = control_chart(series, "xbar-r", rules=("outside-limits",), excluded=out)
    lower, centre, upper = limits(chart)
    assert (lower, centre, upper) == pytest.approx(
        (revised["lower"], revised["mean"], revised["upper"]), abs=1.1e-4
    )
    assert limits(chart, 1)[1:] == pytest.approx(
        (revised["range"], revised["range_upper"]), abs=1.1e-4
    )
    assert any("worn bush" in finding.sentence for finding in chart.findings)


def test_a_stop_names_where_the_run_began_and_not_an_old_outlier() -> None:
    draw = np.random.default_rng(4)
    values = draw.normal(0.0, 1.0, 70)
    values[16] = 9.0
    chart = control_chart(single([*np.clip(values, -9.0, 9.0), *[7.0] * 4]), "individuals")
    said = chart.findings[0].sentence
    assert "the newest at point 74; the run up to it began about point 71." in said
    on_one_side = single([1.0, -1.0] * 20 + [0.4] * 9)
    made = control_chart(on_one_side, "individuals", rules=("9-on-one-side",))
    assert "point 49; the run up to it began about point 41." in made.findings[0].sentence


@pytest.mark.parametrize("kind", ["individuals", "ewma", "cusum"])
def test_a_run_is_of_one_side_and_begins_at_the_same_point_on_each_chart(kind: str) -> None:
    draw = np.random.default_rng(7)
    levels = [(0.2, 0.012, 50), (0.192, 0.01, 20), (0.25, 0.01, 8)]
    values = np.concatenate([draw.normal(middle, sigma, n) for middle, sigma, n in levels])
    if kind == "individuals":
        values[66] = 0.13  # under the limit, four points before the run over it
    chart = control_chart(Series("relief", "mm", values), kind)
    assert "the run up to it began about point 71." in chart.findings[0].sentence
    assert sum("began" in finding.sentence for finding in chart.findings) == 1
    (since,) = (one.sentence for one in chart.findings if "need not be bad" in one.sentence)
    assert since.startswith("What was made from point 71 on")


def test_a_point_on_the_limit_does_not_lie_outside_it() -> None:
    case = CASES["wafers"]
    chart = control_chart(
        Series("faults", "", np.array(case["values"], dtype=float)), "c", rules=("outside-limits",)
    )
    printed = case["printed"]
    assert limits(chart) == (printed["lower"], printed["mean"], printed["upper"])
    on = case["on_the_limit"]
    assert chart.panels[0].values[on - 1] == chart.panels[0].upper[on - 1]
    assert points(chart, "nonconformities") == case["signals"]


@pytest.mark.parametrize("name", ["share", "revised_share"])
def test_shares_of_fifty(name: str) -> None:
    case = CASES[name]
    series = Series("faulty", "", np.array([11.0, 12.0]), sizes=np.full(2, float(case["size"])))
    share = control_chart(series, "p", known=Known(case["share"]))
    assert (limits(share)[0], limits(share)[2]) == pytest.approx(
        (case["lower"], case["upper"]), abs=1.1e-4
    )
    number = control_chart(series, "np", known=Known(case["share"]))
    assert limits(number) == pytest.approx([50 * limit for limit in limits(share)])


def test_cumulative_sums_of_the_handbook() -> None:
    case = CASES["sums"]
    memory = Memory(
        reference_ratio=case["reference"] / case["sigma"],
        sum_limit_ratio=case["limit"] / case["sigma"],
    )
    known = Known(case["target"], case["sigma"])
    chart = control_chart(single(case["values"]), "cusum", known=known, memory=memory)
    above, below = chart.panels
    assert above.values == pytest.approx(case["above"], abs=5.1e-3)
    assert below.values == pytest.approx(case["below"], abs=5.1e-3)
    assert above.upper[0] == pytest.approx(case["limit"])
    assert points(chart, "sum above")[0] == case["first_signal"]
    assert chart.signals[0].since == 13


def test_weighted_means_of_the_handbook() -> None:
    case = CASES["weighted"]
    memory = Memory(weight=case["weight"], weighted_limit_ratio=3.0)
    known = Known(case["start"], case["sigma"])
    chart = control_chart(single(case["values"]), "ewma", known=known, memory=memory)
    assert chart.panels[0].values == pytest.approx(case["averages"], abs=5.1e-3)
    lower, _, upper = limits(chart)
    assert (lower, upper) == pytest.approx((case["lower"], case["upper"]), abs=1.1e-4)
    assert chart.stable


def test_table_9_1_by_sums_and_by_weighted_means() -> None:
    case = CASES["table_9_1"]
    known = Known(10.0, 1.0)
    sums = control_chart(single(case["values"]), "cusum", known=known)
    assert points(sums, "sum above")[0] == case["sum_signal"]
    assert sums.panels[0].values[28:] == pytest.approx(
        [case["sum_at_29"], case["sum_at_30"]], abs=5.1e-3
    )
    assert sums.signals[0].since == case["shift_after"] + 1
    memory = Memory(weight=0.1, weighted_limit_ratio=2.7)
    chart = control_chart(single(case["values"]), "ewma", known=known, memory=memory)
    values = chart.panels[0].values
    assert values[:3] == pytest.approx(case["average_first"], abs=5.1e-6)
    assert values[28:] == pytest.approx(case["average_last"], abs=5.1e-5)
    assert limits(chart)[2] == pytest.approx(case["average_upper"], abs=1.1e-4)
    assert limits(chart)[0] == pytest.approx(case["average_lower"], abs=1.1e-4)
    assert points(chart, "weighted mean") == case["average_signals"]


def test_piston_rings_with_frozen_limits() -> None:
    rings = np.loadtxt(open_data("quality", "pistonrings.csv"), delimiter=",")
    frozen = (Phase(1, frozen_at=25, reason="the first 25 were stable"),)
    chart = control_chart(subgroups(rings), "xbar-r", rules=("outside-limits",), phases=frozen)
    assert limits(chart) == pytest.approx((73.988048, 74.001176, 74.014304), abs=1e-6)
    assert limits(chart, 1)[2] == pytest.approx(0.048126, abs=1e-6)
    assert points(chart, "mean") == [37, 38, 39]
    chart = control_chart(subgroups(rings), "xbar-s", phases=frozen)
    assert limits(chart) == pytest.approx((73.987988, 74.001176, 74.014364), abs=1e-6)
    assert limits(chart, 1)[2] == pytest.approx(0.019302, abs=1.1e-6)


def test_hard_bake() -> None:
    table = np.loadtxt(open_data("quality", "montgomery_hardbake.csv"), delimiter=",")
    chart = control_chart(subgroups(table), "xbar-r")
    assert limits(chart) == pytest.approx((1.31795, 1.5056, 1.69325), abs=2e-4)
    assert limits(chart, 1)[1:] == pytest.approx((0.32521, 0.68749), abs=2e-4)
    made = capability(subgroups(table), Tolerance(1.0, 2.0))
    assert made.within_level == pytest.approx(0.1398, abs=6e-5)
    (cp,) = [one.value_index for one in made.indices if one.name == "Cp"]
    assert cp == pytest.approx(1.192, abs=6e-4)


# ---- run lengths -------------------------------------------------------------


@pytest.mark.parametrize("row", CASES["run_rules"]["rows"], ids=str)
def test_run_lengths_of_sets_of_rules(row: tuple[list[int], list[float]]) -> None:
    names = tuple(CASES["run_rules"]["names"][number - 1] for number in row[0])
    found = [run_length(names, normal_zones(shift)) for shift in (0.0, 1.0, 2.0)]
    assert found == pytest.approx(row[1], abs=5.1e-3)


@pytest.mark.slow
def test_run_lengths_of_charts_that_remember() -> None:
    case = CASES["sum_run_lengths"]
    for limit in (4, 5):
        for shift, printed in zip(case["shifts"], case[f"limit_{limit}"], strict=True):
            found = sum_run_length(0.5, float(limit), shift)
            assert found == pytest.approx(printed, abs=0.51 if printed > 100 else 0.051)
    assert sum_run_length(0.5, 4.0) == pytest.approx(167.68, abs=5e-3)
    case = CASES["weighted_run_lengths"]
    for weight, limit, printed in case["rows"]:
        for shift, length in zip(case["shifts"], printed, strict=True):
            found = weighted_mean_run_length(weight, limit, shift)
            assert found == pytest.approx(weighted_by_steps(weight, limit, shift), rel=1e-4)
            # the printed ones come from chains of few steps: 15.9 where both ours say 15.85
            assert found == pytest.approx(length, abs=0.51 if length > 100 else 0.06)
    assert weighted_mean_run_length(1.0, 3.0) == pytest.approx(370.398, abs=1e-3)


def weighted_by_steps(weight: float, limit: float, shift: float, steps: int = 601) -> float:
    """Return the run length of a weighted mean by a chain of steps (Brook & Evans)."""
    half = limit * math.sqrt(weight / (2.0 - weight))
    wide = 2.0 * half / steps
    middle = -half + wide * (np.arange(steps) + 0.5)
    low = (middle[None, :] - 0.5 * wide - (1.0 - weight) * middle[:, None]) / weight - shift
    chain = special.ndtr(low + wide / weight) - special.ndtr(low)
    return float(np.linalg.solve(np.eye(steps) - chain, np.ones(steps))[steps // 2])


def restarted(z: np.ndarray, names: tuple[str, ...]) -> float:
    """Return the mean run length by letting the machines of the rules run, begun again."""
    zone = np.sign(z) * np.minimum(np.ceil(np.abs(z)), 4)
    order = np.sign(np.diff(z, prepend=z[0]))
    rules = [RULES[name] for name in names]
    start = [rule.start for rule in rules]
    state, hits, fresh = list(start), 0, True
    for where, up in zip(zone.astype(int).tolist(), order.astype(int).tolist(), strict=True):
        hit = False
        for number, rule in enumerate(rules):
            state[number], signals = rule.step(state[number], where, 0 if fresh else up)
            hit |= signals
        fresh = hit
        if hit:
            hits, state = hits + 1, list(start)
    return len(z) / hits


@pytest.mark.slow
@pytest.mark.parametrize(
    "names",
    [("6-rising-or-falling",), ("14-up-and-down",), ("outside-limits", "9-on-one-side")],
    ids=str,
)
def test_exact_run_lengths_are_those_of_drawn_processes(names: tuple[str, ...]) -> None:
    z = np.random.default_rng(20261127).standard_normal(200_000)
    exact, found = run_length(names, normal_zones()), restarted(z, names)
    hits = len(z) / exact
    assert abs(found / exact - 1.0) < 4.0 / math.sqrt(hits)


@pytest.mark.parametrize("name", RULES)
def test_a_rule_over_a_series_and_its_machine_say_the_same(name: str) -> None:
    draw = np.random.default_rng(7)
    for spread in (0.4, 1.0, 1.6):
        for z in (draw.normal(0.3, spread, 400), np.cumsum(draw.normal(0.0, spread, 400)) / 4):
            rule, state, told = RULES[name], RULES[name].start, []
            for n, value in enumerate(z):
                zone = int(np.sign(value) * min(math.ceil(abs(value)), 4))
                order = int(np.sign(value - z[n - 1])) if n else 0
                state, signals = rule.step(state, zone, order)
                told.append(signals)
            assert rule.found(z).tolist() == told
            assert zone in ZONES


@draws(50)
@given(st.lists(st.sampled_from([-3.5, -2.5, -1.5, -0.5, 0.0, 0.5, 1.5, 2.5, 3.5]), max_size=60))
def test_rules_agree_on_any_series_of_zones(z: list[float]) -> None:
    for name, rule in RULES.items():
        if not rule.by_order:
            state, told = rule.start, []
            for value in z:
                zone = int(math.copysign(math.ceil(abs(value)), value))
                state, signals = rule.step(state, zone, 0)
                told.append(signals)
            assert rule.found(np.array(z)).tolist() == told, name


def test_a_chart_of_single_readings_counts_both_panels() -> None:
    chart = control_chart(
        single(np.random.default_rng(3).normal(size=100_000)),
        "individuals",
        rules=("outside-limits",),
    )
    # 1/370 by the readings, 1/110 by the moving ranges, a little less than both together
    assert chart.panels[1].run_length_count == pytest.approx(109.5, abs=0.5)
    assert 100.0 < chart.run_length_count < 110.0
    stated = 1.0 / chart.run_length_count
    hit = {point for panel in chart.panels for point in chart.signalled(panel.name)}
    # both signal together now and then, and a range after a signal is not asked again
    assert len(hit) / chart.point_count == pytest.approx(stated, rel=0.15)


# ---- precision: NIST StRD -------------------------------------------------------------


def digits_agreed(found: float, certified: float) -> float:
    return 15.0 if found == certified else -math.log10(abs(found - certified) / abs(certified))


def accurate(number: int) -> tuple[np.ndarray, float, float]:
    """Return NumAcc 1 to 4 of the StRD as constructed, certified mean and deviation."""
    if number == 1:
        return np.array([10000001.0, 10000003.0, 10000002.0]), 10000002.0, 1.0
    base = {2: 1.2, 3: 1000000.2, 4: 10000000.2}[number]
    steps = np.tile([-0.1, 0.1], 500)
    return np.round(np.concatenate([[base], base + steps]), 1), base, 0.1


@pytest.mark.parametrize(
    ("number", "digits"),
    # 10000000.3 is no binary fraction: of the deviation 0.1 eight digits are left
    [(1, 15.0), (2, 13.0), (3, 9.0), (4, 8.0)],
)
def test_mean_and_deviation_of_the_statistical_reference_datasets(
    number: int, digits: float
) -> None:
    values, mean, deviation = accurate(number)
    assert digits_agreed(mean_of(values), mean) >= 14.0
    assert digits_agreed(deviation_of(values), deviation) >= digits


def test_michelson() -> None:
    values = np.array(CASES["light"]["values"])
    certified = CASES["light"]["certified"]
    assert digits_agreed(mean_of(values), certified["mean"]) >= 14.0
    assert digits_agreed(deviation_of(values), certified["deviation"]) >= 12.0


# ---- phases, sizes, hostile input -------------------------------------------------------------


def test_phases_have_limits_of_their_own_and_say_why() -> None:
    draw = np.random.default_rng(5)
    values = np.concatenate([draw.normal(1.0, 0.02, 30), draw.normal(1.3, 0.02, 30)])
    phases = (Phase(1), Phase(31, reason="new cutter.", person="Ilva"))
    chart = control_chart(single(values), "individuals", phases=phases, rules=("outside-limits",))
    assert points(chart, "value") == []
    assert limits(chart, at=0)[1] == pytest.approx(1.0, abs=0.02)
    assert limits(chart, at=-1)[1] == pytest.approx(1.3, abs=0.02)
    assert math.isnan(chart.panels[1].values[30])  # a range across the change is none
    told = [finding.sentence for finding in chart.findings]
    assert "New limits from point 31 on: new cutter, noted by Ilva." in told
    assert not control_chart(single(values), "individuals").stable


@pytest.mark.parametrize("kind", ["xbar-r", "xbar-s", "median", "ewma", "cusum"])
def test_subgroups_of_changing_size_have_limits_by_their_size(kind: str) -> None:
    draw = np.random.default_rng(11)
    sizes = draw.integers(2, 7, 60)
    values = draw.normal(10.0, 0.5, int(sizes.sum()))
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    chart = control_chart(single(values, starts=starts), kind)
    first = chart.panels[0]
    wide = first.upper - first.centre
    if kind != "ewma":
        assert wide[sizes == 2].min() > wide[sizes == 6].max()
    if kind in ("xbar-r", "xbar-s"):
        sigma = wide * np.sqrt(sizes) / 3.0
        assert sigma == pytest.approx(np.full(60, 0.5), rel=0.15)
        assert first.centre[0] == pytest.approx(values.mean())


def test_a_subgroup_of_one_among_others_has_a_mean_and_no_range() -> None:
    series = single([1.0, 1.1, 0.9, 1.0, 1.2], starts=np.array([0, 2, 4]))
    chart = control_chart(series, "xbar-r")
    assert chart.panels[0].values.tolist() == pytest.approx([1.05, 0.95, 1.2])
    assert math.isnan(chart.panels[1].values[2])


NAN = math.nan


@pytest.mark.parametrize(
    ("values", "kind", "said"),
    [
        ([], "individuals", "There is no reading of relief."),
        ([1.0], "individuals", "The limits need two points in a row or more; 1 point will not do."),
        ([1.0, NAN], "individuals", "Reading 2 of relief is not a number"),
        ([1.0, math.inf], "individuals", "Reading 2 of relief is not a number"),
        ([1.0, 1.0, 1.0], "individuals", "The readings do not vary"),
        ([1.0, 1.0, 1.0], "cusum", "The readings do not vary"),
        ([1.0, 2.0], "xbar-r", "No point has two readings or more"),
        ([0.0, 0.0], "c", "The readings do not vary"),
        ([-1.0, 2.0], "c", "Point 1: a count is 0, 1, 2"),
        ([1.0, 2.5], "u", "Point 2: a count is 0, 1, 2"),
        ([1.0, 1e12], "c", "Point 2: over 10000000 is more than is counted here"),
        ([1.0, 2.0], "p", "Point 2: 2 nonconforming of 1 looked at is not possible"),
        ([1.0, 1.0], "p", "The readings do not vary"),
        ([1.0, 2.0], "pie", 'The kind "pie" is not known'),
    ],
)
def test_what_makes_no_chart_is_refused_in_one_sentence(
    values: list[float], kind: str, said: str
) -> None:
    with pytest.raises(RequestError) as refused:
        control_chart(single(values), kind)
    assert said in refused.value.sentence


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"rules": ("often",)}, 'The rule "often" is not known'),
        ({"phases": (Phase(9, reason="x"),)}, "A phase begins at one of the 4 points"),
        ({"phases": (Phase(1, 5, "x"),)}, "frozen at 5"),
        ({"phases": (Phase(1, 3),)}, "Note why the limits change or are frozen at point 3."),
        ({"excluded": (Excluded(5, "x"),)}, "There is no point 5 to leave out; there are 4."),
        ({"excluded": (Excluded(2, " "),)}, "Note why point 2 is left out."),
        ({"excluded": [Excluded(n, "x") for n in (1, 2, 3, 4)]}, "has no point left"),
        ({"memory": Memory(weight=0.0)}, "The weight of the newest point is over 0"),
    ],
)
def test_what_does_not_exist_is_refused(more: dict[str, object], said: str) -> None:
    with pytest.raises(RequestError) as refused:
        control_chart(single([1.0, 2.0, 1.0, 3.0]), "individuals", **more)
    assert said in refused.value.sentence


def test_a_step_to_or_from_a_point_that_is_left_out_is_not_judged() -> None:
    values = [0.2, 0.21, 0.19] * 8
    values[9] = 0.6
    assert points(control_chart(single(values), "individuals"), "moving range") == [10, 11]
    chart = control_chart(single(values), "individuals", excluded=[Excluded(10, "dropped")])
    assert points(chart, "moving range") == []


def test_rules_about_rising_are_not_asked_of_counts() -> None:
    with pytest.raises(RequestError, match="Counts are often equal"):
        control_chart(single([1.0, 2.0, 3.0]), "c", rules=("6-rising-or-falling",))


def test_many_points_take_no_longer_than_their_number() -> None:
    values = np.random.default_rng(1).normal(size=1_000_000)
    chart = control_chart(single(values, starts=consecutive(len(values), 5)), "xbar-r")
    assert chart.point_count == 200_000
    share = len(chart.signalled("mean")) / chart.point_count
    assert 1.0 / 250.0 < share < 1.0 / 100.0


@pytest.mark.parametrize(
    ("count", "more", "few", "said"),
    [
        (
            8,
            {},
            8,
            "None of 8 points signals, but limits from 8 points tell little: they will move",
        ),
        (24, {}, 0, "The process is stable: none of 24 points signals. Go on."),
        (24, {"excluded": [Excluded(n, "jig") for n in (1, 2, 3, 4, 5)]}, 19, "limits from 19"),
        (
            40,
            {"phases": [Phase(1, 6, "runs well")]},
            6,
            "limits from 6 points tell little: freeze them again from 20",
        ),
        (40, {"phases": [Phase(1), Phase(35, 0, "jig")]}, 6, "limits from 6 points tell little"),
        (40, {"phases": [Phase(1), Phase(6, 0, "jig")]}, 0, "The process is stable"),
        (8, {"known": Known(0.2, 0.03)}, 0, "The process is stable"),
        (8, {"known": Known(0.2)}, 8, "limits from 8 points tell little"),
        (8, {"phases": [Phase(1, 0, "ok", known=Known(0.2, 0.03), known_points=9)]}, 9, "from 9"),
        (8, {"phases": [Phase(1, 0, "ok", known=Known(0.2, 0.03))]}, 0, "The process is stable"),
    ],
)
def test_few_points_are_no_stable_process(
    count: int, more: dict[str, object], few: int, said: str
) -> None:
    values = 0.2 + 0.03 * np.sin(2.1 * np.arange(count))
    chart = control_chart(single(values), "individuals", **more)
    told = [one.sentence for one in chart.findings]
    assert chart.stable
    assert chart.few_points == few
    assert ("process is stable" in told[0]) is (few == 0)
    assert any(said in one for one in told)


def test_a_known_centre_outside_the_readings_makes_all_signal() -> None:
    chart = control_chart(single([1.0, 1.1, 0.9, 1.0]), "individuals", known=Known(5.0, 0.1))
    assert points(chart, "value") == [1, 2, 3, 4]
    assert "4 points of 4 signal" in chart.findings[0].sentence


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_says_its_verdict_first_and_its_false_alarms(kind: str) -> None:
    counts = np.random.default_rng(2).integers(1, 9, 40).astype(float)
    chart = control_chart(
        Series("scratches", "", counts, sizes=np.full(40, 20.0), labels=tuple(map(str, range(40)))),
        *(["ewma"] if kind.startswith(("xbar", "median")) else [kind]),
    )
    told = [finding.sentence for finding in chart.findings]
    assert told[0].startswith("The process is ")
    assert any("would be stopped for nothing once in" in line for line in told)
    assert 10.0 < chart.run_length_count < 1000.0


def test_counts_of_a_known_mean_signal_as_often_as_stated() -> None:
    draw = np.random.default_rng(9)
    for kind, counts, sizes, known in (
        ("c", draw.poisson(6.0, 200_000), np.zeros(0), Known(6.0)),
        ("p", draw.binomial(40, 0.1, 200_000), np.full(200_000, 40.0), Known(0.1)),
    ):
        series = Series("faults", "", counts.astype(float), sizes=sizes)
        chart = control_chart(series, kind, known=known, rules=("outside-limits",))
        found = len(chart.signalled(chart.panels[0].name))
        stated = 200_000 / chart.run_length_count
        assert abs(found - stated) < 4.0 * math.sqrt(stated)


def test_counts_of_too_few_pieces_to_signal_have_no_run_length() -> None:
    """The chain of a chart that never signals has no solution: where one did, a traceback came."""
    counts, sizes = np.array([1.0, 2.0] * 20), np.full(40, 3.0)
    counts[5], sizes[5] = 95.0, 100.0
    series = Series("faults", "", counts, sizes=sizes)
    chart = control_chart(series, "p", known=Known(0.5), rules=("outside-limits",))
    assert (chart.run_length_count, chart.hit) == (math.inf, (6,))
    told = " ".join(one.sentence for one in chart.findings)
    assert "Chance brings point 6 so far out" in told
    assert "So few pieces at a time can hardly signal" in told
    near = control_chart(
        Series("faults", "", np.where(sizes > 3.0, 66.0, counts), sizes=sizes),
        "p",
        known=Known(0.5),
        rules=("outside-limits",),
    )
    assert "In a stable process no point would signal" in near.findings[0].sentence


def test_subgroups_by_key_begin_where_the_key_changes() -> None:
    assert by_keys(["a", "a", "b", "a"]).tolist() == [0, 2, 3]
    with pytest.raises(RequestError, match="A subgroup of 9 cannot be taken from 4 readings"):
        consecutive(4, 9)
