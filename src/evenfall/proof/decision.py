"""Decision rules: whether a value with its uncertainty conforms with its limits.

Two rules. "guard band" (ISO 14253-1): conformity is proven where the value lies inside the limits
by the guard band, nonconformity where it lies outside by as much. "probability" (JCGM 106:2012,
clause 8): the same question asked of the probability of conformity. Readings are taken as normal
about the value, with no other knowledge of the quantity.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from evenfall.instrument.specification import DecisionRule

Verdict = Literal["conforms", "does not conform", "undecided"]

EXACT_MM = 1e-9
"""A standard uncertainty under this is none: the value is compared as if exact."""

ROUNDING_MM = 1e-6
"""A value this near to an acceptance limit lies on it: a nanometre, the tolerance within which a
plan keeps its own limits, and far under anything that a gauge shows."""


@dataclass(frozen=True, slots=True)
class Decision:
    """A verdict and what it rests on.

    Parameters
    ----------
    verdict
        "conforms", "does not conform" or "undecided".
    probability
        Probability of conformity p_c (JCGM 106, 8.3).
    guard_band_mm
        How far inside its limits the value must lie [mm]; infinity if no value can be accepted.
    """

    verdict: Verdict
    probability: float
    guard_band_mm: float


def decide(
    value_mm: float,
    standard_uncertainty_mm: float,
    *,
    lower_mm: float = -math.inf,
    upper_mm: float = math.inf,
    rule: DecisionRule = "guard band",
    coverage: float = 0.95,
) -> Decision:
    """Return the verdict on one value.

    Under either rule "does not conform" asks for a value outside its limits: however wide the
    uncertainty, a value inside them is no proof of the contrary. Without uncertainty the limits
    are compared exactly, and a value on its limit conforms.

    Parameters
    ----------
    value_mm, standard_uncertainty_mm
        The value and its standard uncertainty [mm]; a value that is NaN is undecided.
    lower_mm, upper_mm
        The limits [mm]; infinite where there is none.
    rule
        "guard band" or "probability".
    coverage
        Probability with which a verdict is to hold, one-sided, 0.5 <= p < 1.
    """
    band = guard_band_mm(
        standard_uncertainty_mm, lower_mm=lower_mm, upper_mm=upper_mm, coverage=coverage
    )
    probability = conformance_probability(
        value_mm, standard_uncertainty_mm, lower_mm=lower_mm, upper_mm=upper_mm
    )
    if math.isnan(value_mm):
        return Decision("undecided", math.nan, band)
    inside_mm = min(value_mm - lower_mm, upper_mm - value_mm)
    if standard_uncertainty_mm <= EXACT_MM:
        exact: Verdict = "conforms" if inside_mm >= -ROUNDING_MM else "does not conform"
        return Decision(exact, probability, band)
    if rule == "guard band":
        proven = inside_mm >= band - ROUNDING_MM
        disproven = inside_mm <= -one_sided_factor(coverage) * standard_uncertainty_mm
    else:
        rounded = conformance_probability(
            value_mm,
            standard_uncertainty_mm,
            lower_mm=lower_mm - ROUNDING_MM,
            upper_mm=upper_mm + ROUNDING_MM,
        )
        proven = rounded >= coverage
        disproven = probability <= 1.0 - coverage
    if proven:
        return Decision("conforms", probability, band)
    if disproven and inside_mm < 0.0:
        return Decision("does not conform", probability, band)
    return Decision("undecided", probability, band)


def conformance_probability(
    value_mm: float,
    standard_uncertainty_mm: float,
    *,
    lower_mm: float = -math.inf,
    upper_mm: float = math.inf,
) -> float:
    """Return p_c = Phi((upper - value)/u) - Phi((lower - value)/u) (JCGM 106:2012, 8.3)."""
    if math.isnan(value_mm):
        return math.nan
    below_mm, above_mm = value_mm - lower_mm, upper_mm - value_mm
    if standard_uncertainty_mm <= EXACT_MM:
        return 1.0 if min(below_mm, above_mm) >= -ROUNDING_MM else 0.0
    low, high = below_mm / standard_uncertainty_mm, above_mm / standard_uncertainty_mm
    # Taken from the tails, so that no digits are lost far outside one limit.
    if low < 0.0:
        return max(0.0, _normal_tail(-low) - _normal_tail(high))
    if high < 0.0:
        return max(0.0, _normal_tail(-high) - _normal_tail(low))
    return 1.0 - _normal_tail(low) - _normal_tail(high)


def guard_band_mm(
    standard_uncertainty_mm: float, *, lower_mm: float, upper_mm: float, coverage: float
) -> float:
    """Return how far inside its limits a value must lie to be accepted [mm].

    With one limit this is z u with Phi(z) = coverage (ISO 14253-1; 1.645 u for 95 %). With two,
    the value may also lie beyond the far limit, which counts once the uncertainty is not small
    against the zone between them; the band is then widened until the probability of conformity
    at its edge is the coverage over both limits together. If even the middle of the zone falls
    short of that, no value can be accepted and the band is infinite.
    """
    least_mm = one_sided_factor(coverage) * standard_uncertainty_mm
    zone_mm = upper_mm - lower_mm
    if math.isinf(zone_mm) or standard_uncertainty_mm <= EXACT_MM:
        return least_mm
    far = zone_mm / standard_uncertainty_mm

    def at_edge(band: float) -> float:
        return 1.0 - _normal_tail(band) - _normal_tail(far - band)

    low, high = min(one_sided_factor(coverage), 0.5 * far), 0.5 * far
    if at_edge(high) < coverage:
        return math.inf
    if at_edge(low) >= coverage:
        return low * standard_uncertainty_mm
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if at_edge(middle) < coverage else (low, middle)
    return high * standard_uncertainty_mm


def deciding_uncertainty_mm(
    value_mm: float, *, lower_mm: float, upper_mm: float, coverage: float
) -> float:
    """Return the largest standard uncertainty [mm] at which this very value would be decided."""
    inside_mm = min(value_mm - lower_mm, upper_mm - value_mm)
    factor = one_sided_factor(coverage)
    if factor == 0.0:  # an even chance is enough, whatever the uncertainty
        return math.inf
    largest_mm = abs(inside_mm) / factor
    if inside_mm <= 0.0 or math.isinf(upper_mm - lower_mm):
        return largest_mm
    low, high = 0.0, largest_mm
    for _ in range(60):
        middle = 0.5 * (low + high)
        chance = conformance_probability(value_mm, middle, lower_mm=lower_mm, upper_mm=upper_mm)
        low, high = (middle, high) if chance >= coverage else (low, middle)
    return low


def one_sided_factor(coverage: float) -> float:
    """Return z with Phi(z) = coverage for the standard normal distribution."""
    if not 0.5 <= coverage < 1.0:
        raise ValueError("the coverage of a decision rule lies between 0.5 and 1")
    return NormalDist().inv_cdf(coverage)


def _normal_tail(z: float) -> float:
    """Return 1 - Phi(z) without loss of digits."""
    return 0.5 * math.erfc(z / math.sqrt(2.0))
