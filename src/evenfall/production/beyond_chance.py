"""Which points of a chart chance does not bring: how often a stable process reaches so far.

The readings normal, or counts of their distribution, and the limits right, the chance of one point
is exact; but of a range, the largest of its differences, their chances are added up, and medians
count as normal. A weighted mean is normal; a sum lies over h standard deviations with a chance of
at most exp(-2kh), k its reference, however long it has run (Lundberg's inequality).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from scipy import special

from evenfall.production.chart_kinds import Memory
from evenfall.production.constants import c4, d2

_ONCE_IN = 1000.0
"""A chart of a stable process has a point beyond chance once in so many charts. (Our choice.)"""


def is_beyond_chance(
    kind: str,
    panel: str,
    value: float,
    *,
    centre: float,
    limit: float,
    size: int,
    points: int,
    memory: Memory | None = None,
) -> bool:
    """Say whether chance brings a point so far out hardly ever in a chart of so many points.

    `limit` is the one that it lies beyond, `size` how many readings it holds, `memory` how a chart
    that remembers does so.
    """
    remembered = _REMEMBERED.get(panel)
    if remembered is not None:
        share = remembered((value - centre) / (limit - centre), memory or Memory())
    else:
        sigma = abs(limit - centre) / 3.0
        share = (_COUNTED.get(kind) or _NORMAL[panel])(value, centre, sigma, max(size, 2))
    return points * share < 1.0 / _ONCE_IN


def _two_sided(z: float) -> float:
    return float(special.erfc(abs(z) / math.sqrt(2.0)))


def _of_range(value: float, centre: float, size: int) -> float:
    pairs = size * (size - 1) / 2.0
    return pairs * _two_sided(value / (centre / d2(size)) / math.sqrt(2.0))


def _of_deviation(value: float, centre: float, size: int) -> float:
    half = (size - 1) / 2.0
    tail = special.gammaincc if value > centre else special.gammainc
    return float(tail(half, half * (value / (centre / c4(size))) ** 2))


def _of_poisson(value: float, mean: float, sigma: float) -> float:
    size = mean / sigma**2  # in how much it was found
    count, mean_count = round(value * size), mean * size
    return float(
        special.pdtrc(count - 1, mean_count)
        if count > mean_count
        else special.pdtr(count, mean_count)
    )


def _of_binomial(count: float, size: float, share: float) -> float:
    k, n = round(count), round(size)
    return float(special.bdtrc(k - 1, n, share) if k > n * share else special.bdtr(k, n, share))


def _of_nonconforming(count: float, mean_count: float, sigma: float) -> float:
    share = 1.0 - sigma**2 / mean_count
    return _of_binomial(count, mean_count / share, share)


def _of_share(value: float, share: float, sigma: float) -> float:
    size = share * (1.0 - share) / sigma**2
    return _of_binomial(value * size, size, share)


_Bound = Callable[[float, float, float, int], float]
"""From a value, the centre, a third of the way to the limit and the size to the bound."""

_NORMAL: Mapping[str, _Bound] = {
    **dict.fromkeys(("value", "mean", "median"), lambda x, m, s, _: _two_sided((x - m) / s)),
    "moving range": lambda x, m, _, __: _of_range(x, m, 2),
    "range": lambda x, m, _, n: _of_range(x, m, n),
    "standard deviation": lambda x, m, _, n: _of_deviation(x, m, n),
}
_COUNTED: Mapping[str, _Bound] = {
    "c": lambda x, m, s, _: _of_poisson(x, m, s),
    "u": lambda x, m, s, _: _of_poisson(x, m, s),
    "np": lambda x, m, s, _: _of_nonconforming(x, m, s),
    "p": lambda x, m, s, _: _of_share(x, m, s),
}
_REMEMBERED: Mapping[str, Callable[[float, Memory], float]] = {
    "weighted mean": lambda out, how: _two_sided(out * how.weighted_limit_ratio),
    **dict.fromkeys(
        ("sum above", "sum below"),
        lambda out, how: math.exp(-2.0 * how.reference_ratio * out * how.sum_limit_ratio),
    ),
}
"""From how far out a point lies, its limit being 1, to the bound."""
