"""One point that chance hardly ever brings is not called chance, however many others signal."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from evenfall.production.beyond_chance import is_beyond_chance
from evenfall.production.chart_kinds import Known
from evenfall.production.charts import control_chart
from evenfall.production.constants import c4, d2
from evenfall.production.series import Series

POINTS = 100
SHARE = 0.001 / POINTS
"""Chance of one point where one of a thousand charts of so many has it."""


def beyond(
    kind: str, panel: str, value: float, centre: float, limit: float, *, size: int = 1
) -> bool:
    return is_beyond_chance(
        kind, panel, value, centre=centre, limit=limit, size=size, points=POINTS
    )


@pytest.mark.parametrize("panel", ["value", "mean", "median"])
def test_a_normal_figure_is_beyond_chance_where_its_distribution_says(panel: str) -> None:
    z = float(stats.norm.isf(SHARE / 2.0))
    assert z == pytest.approx(4.42, abs=0.01)
    assert not beyond("individuals", panel, 5.0 + 0.1 * (z - 0.01), 5.0, 5.3)
    assert beyond("individuals", panel, 5.0 + 0.1 * (z + 0.01), 5.0, 5.3)
    assert beyond("individuals", panel, 5.0 - 0.1 * (z + 0.01), 5.0, 4.7)


@pytest.mark.parametrize("size", [2, 5, 10])
def test_a_range_is_beyond_chance_hardly_later_than_its_distribution_says(size: int) -> None:
    wide = np.arange(5.0, 9.0, 0.01)
    far = [beyond("xbar-r", "range", x, d2(size), 9.0, size=size) for x in wide]
    first = float(wide[far.index(True)])
    assert 0.8 * SHARE < stats.studentized_range.sf(first, size, np.inf) < 1.001 * SHARE
    if size == 2:
        alone = [beyond("individuals", "moving range", x, d2(2), 9.0) for x in wide]
        assert alone == far


@pytest.mark.parametrize("size", [2, 5, 12])
def test_a_standard_deviation_is_beyond_chance_where_its_distribution_says(size: int) -> None:
    high = float(np.sqrt(stats.chi2.isf(SHARE, size - 1) / (size - 1)))
    assert not beyond("xbar-s", "standard deviation", 0.999 * high, c4(size), 9.0, size=size)
    assert beyond("xbar-s", "standard deviation", 1.001 * high, c4(size), 9.0, size=size)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.4])
@pytest.mark.parametrize("size", [50, 400])
def test_a_count_that_is_beyond_chance_is_so_by_its_distribution(size: int, share: float) -> None:
    wide = np.sqrt(share * (1.0 - share) / size)
    mean = size * share
    counts = np.arange(size + 1)
    for kind, of, scale, sigma in (
        ("np", stats.binom(size, share), 1.0, size * wide),
        ("p", stats.binom(size, share), 1.0 / size, wide),
        ("c", stats.poisson(mean), 1.0, np.sqrt(mean)),
        ("u", stats.poisson(mean), 1.0 / size, np.sqrt(mean) / size),
    ):
        limits = scale * mean + np.where(counts > mean, 3.0, -3.0) * sigma
        pairs = zip(scale * counts, limits, strict=True)
        far = np.array([beyond(kind, "x", x, scale * mean, limit) for x, limit in pairs])
        chance = np.where(counts > mean, of.sf(counts - 1), of.cdf(counts))
        assert far.any()
        assert far.tolist() == (chance < SHARE).tolist(), kind


def test_a_weighted_mean_is_beyond_chance_where_its_distribution_says() -> None:
    z = float(stats.norm.isf(SHARE / 2.0))
    for out, far in ((z - 0.01, False), (z + 0.01, True)):
        assert beyond("ewma", "weighted mean", 5.0 - 0.1 * out, 5.0, 5.0 - 0.2962) is far


def test_a_sum_is_no_sooner_beyond_chance_than_a_stable_process_brings_it() -> None:
    """A hundred thousand points of one, against how often it is called too far out."""
    steps = np.random.default_rng(5).normal(-0.5, 1.0, 100_000)
    total = np.cumsum(steps)
    sums = total - np.minimum(np.minimum.accumulate(total), 0.0)
    for high in (3.0, 4.0, 5.0):
        assert 0.1 * np.exp(-high) < np.mean(sums > high) < np.exp(-high)
    assert not beyond("cusum", "sum above", float(-np.log(SHARE)) - 0.01, 0.0, 5.0)
    assert beyond("cusum", "sum below", float(-np.log(SHARE)) + 0.01, 0.0, 5.0)


@pytest.mark.parametrize(
    ("kind", "shift", "said"),
    [
        ("ewma", 4.0, "so far out in fewer than one in a thousand such charts: go on, and find"),
        ("cusum", 4.0, "so far out in fewer than one in a thousand such charts: go on, and find"),
        ("ewma", 1.5, "about one chart in 8 of so many points has a signal: go on, and find out"),
        ("cusum", 1.5, "about one chart in 8 of so many points has a signal: go on, and find out"),
    ],
)
def test_a_run_of_a_chart_that_remembers_counts_once(kind: str, shift: float, said: str) -> None:
    """Its many points were counted against how many chance brings: "about 0 of so many"."""
    values = np.sin(2.1 * np.arange(60))
    values[4:10] += shift
    series = Series("relief", "mm", values)
    told = control_chart(series, kind, known=Known(0.0, 1.0)).findings[0].sentence
    assert said in told, told


@pytest.mark.parametrize(
    ("out", "said"),
    [
        (3.1, "In a stable process about 2 of so many would by chance: go on."),
        (
            6.0,
            "Chance brings point 90 so far out in fewer than one in a thousand such charts: go on, "
            "and find out what happened then.",
        ),
    ],
)
def test_one_point_far_out_among_many_is_not_called_chance(out: float, said: str) -> None:
    values = np.sin(2.1 * np.arange(200))
    values[89] = out
    series = Series("relief", "mm", values)
    rules = ("outside-limits",)
    chart = control_chart(series, "individuals", rules=rules, known=Known(0.0, 1.0))
    told = chart.findings[0].sentence
    assert "none of the newest 1" in told
    assert told.endswith(said), told
