"""Distributions fitted to readings, and how well they fit.

Fits are by greatest likelihood. How well one fits is the Anderson-Darling statistic: for a normal
distribution with the probability of D'Agostino & Stephens (Goodness-of-Fit Techniques, 1986, table
4.9); for the others, the readings are turned into normal ones by the fitted distribution first
(Chen & Balakrishnan, J. Qual. Technol. 27 (1995) 154).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from evenfall.arrays import FloatArray
from evenfall.production.series import deviation_of, mean_of

FAMILIES: dict[str, tuple[str, str, int]] = {
    # name for people, name in scipy.stats, how many parameters are fitted beside the bound
    "normal": ("a normal distribution", "norm", 2),
    "lognormal": ("a lognormal distribution", "lognorm", 2),
    "weibull": ("a Weibull distribution", "weibull_min", 2),
    "gamma": ("a gamma distribution", "gamma", 2),
    "half-normal": ("a half-normal distribution", "halfnorm", 1),
}
"""The families that are tried, all but the first over a natural bound."""

FITS_BADLY = 0.01
"""A distribution is not believed where so poor a fit would come by chance less often."""

_TAIL = float(special.ndtr(-3.0))
"""The share of a normal distribution beyond three standard deviations on one side."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A distribution fitted to readings."""

    family: str  # one of `FAMILIES`
    chance: float  # that readings of this distribution fit as badly; NaN under eight readings
    distance_factor: float  # Anderson-Darling statistic, corrected for the number of readings
    low_level: float  # 0.135 %, 50 % and 99.865 % of the distribution lie under these values
    middle_level: float
    high_level: float
    distribution: Any  # as a frozen one of scipy.stats, for curves and shares

    def under(self, value_level: float) -> float:
        """Return the share of the distribution under a value."""
        return float(self.distribution.cdf(value_level))

    def over(self, value_level: float) -> float:
        """Return the share of the distribution over a value."""
        return float(self.distribution.sf(value_level))


@dataclass(frozen=True, slots=True)
class Normal:
    """A normal distribution, in the few words of `scipy.stats` that are needed here."""

    centre: float
    sigma: float

    def cdf(self, value: Any) -> Any:
        """Return the share under a value."""
        return special.ndtr((value - self.centre) / self.sigma)

    def sf(self, value: Any) -> Any:
        """Return the share over a value."""
        return special.ndtr((self.centre - value) / self.sigma)

    def ppf(self, probability: Any) -> Any:
        """Return the value that a share lies under."""
        return self.centre + self.sigma * special.ndtri(probability)

    def pdf(self, value: Any) -> Any:
        """Return the density at a value."""
        z = (value - self.centre) / self.sigma
        return np.exp(-0.5 * z * z) / (math.sqrt(2.0 * math.pi) * self.sigma)


def fitted(values: FloatArray, family: str, *, bound_level: float = 0.0) -> Fit:
    """Return a distribution of one family fitted to readings, over a natural bound."""
    made: Any
    if family == "normal":
        made = Normal(mean_of(values), deviation_of(values))
    else:
        from scipy import stats  # loads slowly

        kind: Any = getattr(stats, FAMILIES[family][1])
        made = kind(*kind.fit(values, floc=bound_level))
    statistic, chance = _badness(values, made.cdf)
    low, middle, high = (float(made.ppf(share)) for share in (_TAIL, 0.5, 1.0 - _TAIL))
    return Fit(family, chance, statistic, low, middle, high, made)


def best_fit(values: FloatArray, *, bound_level: float = 0.0) -> Fit:
    """Return a normal fit where it is believed, else the best one over the bound that is.

    The normal one comes back where none is: its chance says so.
    """
    normal = fitted(values, "normal")
    if not normal.chance < FITS_BADLY or values.min() <= bound_level:
        return normal
    others = []
    for family in FAMILIES:
        if family != "normal":
            # readings so close together that no parameters are found
            with suppress(ValueError, RuntimeError, FloatingPointError), np.errstate(all="ignore"):
                others.append(fitted(values, family, bound_level=bound_level))
    best = max(others, key=lambda fit: fit.chance, default=normal)
    return best if best.chance >= FITS_BADLY else normal


def _badness(values: FloatArray, under: Callable[[FloatArray], FloatArray]) -> tuple[float, float]:
    """Return the corrected Anderson-Darling statistic and the chance of a larger one."""
    n = len(values)
    normal = special.ndtri(np.clip(under(np.sort(values)), 1e-300, 1.0 - 1e-16))
    spread = deviation_of(normal)
    if n < 8 or not spread > 0.0:
        return math.nan, math.nan
    z = (normal - mean_of(normal)) / spread
    rank = 2.0 * np.arange(1, n + 1) - 1.0
    logs = special.log_ndtr(z) + special.log_ndtr(-z[::-1])
    statistic = float(-n - rank @ logs / n) * (1.0 + 0.75 / n + 2.25 / (n * n))
    return statistic, _chance(statistic)


def _chance(a: float) -> float:
    if a >= 13.0:
        return 0.0
    if a >= 0.6:
        return math.exp(1.2937 - 5.709 * a + 0.0186 * a * a)
    if a >= 0.34:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    if a >= 0.2:
        return 1.0 - math.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    return 1.0 - math.exp(-13.436 + 101.14 * a - 223.73 * a * a)
