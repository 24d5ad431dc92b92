"""Constants of control charts and range methods, each from the integral that defines it.

For samples of n from a normal distribution with standard deviation 1: the distribution of their
range W, its mean d2 and standard deviation d3; the mean c4 of their standard deviation; the
standard deviation of their median. (ISO 7870-2; H. L. Harter, Ann. Math. Stat. 31 (1960) 1122.)
Beside them the chances of a count.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import special

from evenfall.arrays import FloatArray

_FAR = 9.0
"""Beyond so many standard deviations lies less than 1e-18 of a normal distribution."""


@lru_cache(maxsize=8)
def nodes(count: int, low: float, high: float) -> tuple[FloatArray, FloatArray]:
    """Return places and weights of Gauss's rule for an integral from low to high."""
    at, weight = np.polynomial.legendre.leggauss(count)
    half = 0.5 * (high - low)
    return low + half * (at + 1.0), half * weight


def log_choices(n: int, k: FloatArray) -> FloatArray:
    """Return the logarithm of how many ways there are to choose k of n."""
    return np.asarray(special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1))


def binomial(n: int, share: float) -> FloatArray:
    """Return the chance of each number from 0 to n, where each of n has one chance, the share."""
    k = np.arange(n + 1, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        made = np.exp(log_choices(n, k) + special.xlogy(k, share) + special.xlog1py(n - k, -share))
    return np.asarray(made)


def poisson(most: int, mean_count: float) -> FloatArray:
    """Return the chance of each number from 0 to the most, where so many come on average."""
    k = np.arange(most + 1, dtype=float)
    return np.asarray(np.exp(special.xlogy(k, mean_count) - mean_count - special.gammaln(k + 1.0)))


def range_chance(n: int, ranges_over_sigma_ratio: FloatArray) -> FloatArray:
    """Return the probability that the range of n is at most so many standard deviations."""
    x, weight = nodes(200, -_FAR, _FAR)
    wide = np.asarray(ranges_over_sigma_ratio, dtype=float)[..., None]
    between = np.clip(special.ndtr(x + wide) - special.ndtr(x), 0.0, 1.0)
    density = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    return np.asarray(n * (between ** (n - 1) * density) @ weight)


@lru_cache(maxsize=1024)
def _range_moments(n: int) -> tuple[float, float]:
    """Return the mean and the standard deviation of the range of n."""
    w, weight = nodes(200, 0.0, 2.0 * _FAR)
    above = 1.0 - range_chance(n, w)
    mean = float(above @ weight)
    return mean, math.sqrt(float((2.0 * w * above) @ weight) - mean * mean)


def d2(n: int) -> float:
    """Return the mean range of n over the standard deviation."""
    return _range_moments(n)[0]


def d3(n: int) -> float:
    """Return the standard deviation of the range of n over the standard deviation."""
    return _range_moments(n)[1]


def d2_of_few(n: int, ranges: int) -> float:
    """Return what the root mean square of a mean of so many ranges is over the deviation."""
    return math.hypot(d2(n), d3(n) / math.sqrt(ranges))


def c4(n: int) -> float:
    """Return the mean standard deviation of n over that of the distribution."""
    return math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))


@lru_cache(maxsize=1024)
def median_deviation(n: int) -> float:
    """Return the standard deviation of the median of n over that of the distribution."""
    x, weight = nodes(200, -_FAR, _FAR)
    under = special.ndtr(x)
    density = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    half = n // 2
    if n % 2:
        log_ways = math.lgamma(n + 1) - 2.0 * math.lgamma(half + 1)
        with np.errstate(divide="ignore"):
            power = half * (np.log(under) + np.log(special.ndtr(-x)))
        return math.sqrt(float((x * x * density * np.exp(log_ways + power)) @ weight))
    # the mean of the two in the middle, a <= b: half - 1 lie below a and half - 1 above b
    a, b = x[:, None], x[None, :]
    log_ways = math.lgamma(n + 1) - 2.0 * math.lgamma(half)
    # integrate over b from a upward, at places of its own for each a
    step, share = nodes(200, 0.0, 1.0)
    b = a + (_FAR - a) * step
    with np.errstate(divide="ignore"):
        power = (half - 1) * (np.log(special.ndtr(a)) + np.log(special.ndtr(-b)))
    pair = np.exp(-0.5 * (a * a + b * b) + log_ways + power) / (2.0 * math.pi)
    inner = ((0.5 * (a + b)) ** 2 * pair * (_FAR - a)) @ share
    return math.sqrt(float(inner @ weight))
