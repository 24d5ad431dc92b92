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


def test_nothing_is_said_of_charts_that_remember() -> None:
    assert not beyond("ewma", "weighted mean", 99.0, 0.0, 1.0)
    assert not beyond("cusum", "sum above", 99.0, 0.0, 1.0)


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
