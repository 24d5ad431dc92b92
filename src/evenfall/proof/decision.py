"""Decision rules: whether a value with its uncertainty conforms with its limits.

Two rules. "guard band" (ISO 14253-1): conformity is proven where the value lies inside the limits
by the guard band, nonconformity where it lies outside by its own. "probability" (JCGM 106:2012,
clause 8): the same question asked of the probability of conformity. Errors are taken as normal, or
as Student's where the uncertainty itself comes from few repeats, with no other knowledge of the
quantity. Two risks are set apart: that of accepting a value which lies on its limit, and that of
refusing one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from evenfall.instrument.specification import DecisionRule
from evenfall.proof.uncertainty import student_exceeded, student_tail

Verdict = Literal["conforms", "does not conform", "undecided"]

EXACT_MM = 1e-9
"""A standard uncertainty under this is none: the value is compared as if exact."""

ROUNDING_MM = 1e-6
"""A value this near to an acceptance limit lies on it: a nanometre, the tolerance within which a
plan keeps its own limits, and far under anything that a gauge shows."""


@dataclass(frozen=True, slots=True)
class Decision:
    """A verdict and what it rests on."""

    verdict: Verdict  # "conforms", "does not conform" or "undecided"
    probability: float  # probability of conformity p_c (JCGM 106, 8.3)
    # how far inside its limits the value must lie to be accepted [mm]; infinity if none can be
    guard_band_mm: float
    refusal_band_mm: float  # how far outside them it must lie to be refused [mm]


def decide(
    value_mm: float,
    standard_uncertainty_mm: float,
    *,
    lower_mm: float = -math.inf,
    upper_mm: float = math.inf,
    rule: DecisionRule = "guard band",
    false_acceptance: float = 0.05,
    false_refusal: float = 0.05,
    degrees_of_freedom: float = math.inf,
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
    false_acceptance, false_refusal
        Chance of accepting, and of refusing, a quantity that lies on its limit, each at most 0.5.
    degrees_of_freedom
        Of the uncertainty, 1 or more; infinite where it is taken as known.

    Examples
    --------
    >>> decide(1.50, 0.01, lower_mm=1.45).verdict
    'conforms'
    >>> decide(1.50, 0.01, lower_mm=1.45, degrees_of_freedom=1.0).verdict
    'undecided'
    """
    u_mm, nu = standard_uncertainty_mm, degrees_of_freedom
    limits = {"lower_mm": lower_mm, "upper_mm": upper_mm, "degrees_of_freedom": nu}
    band = guard_band_mm(u_mm, **limits, false_acceptance=false_acceptance)
    outside_mm = one_sided_factor(false_refusal, nu) * u_mm
    probability = conformance_probability(value_mm, u_mm, **limits)
    inside_mm = min(value_mm - lower_mm, upper_mm - value_mm)
    if math.isnan(value_mm):
        return Decision("undecided", math.nan, band, outside_mm)
    if u_mm <= EXACT_MM:
        proven, disproven = inside_mm >= -ROUNDING_MM, True
    elif rule == "guard band":
        proven, disproven = inside_mm >= band - ROUNDING_MM, inside_mm <= -outside_mm
    else:
        wider = limits | {"lower_mm": lower_mm - ROUNDING_MM, "upper_mm": upper_mm + ROUNDING_MM}
        proven = conformance_probability(value_mm, u_mm, **wider) >= 1.0 - false_acceptance
        disproven = probability <= false_refusal
    if proven:
        return Decision("conforms", probability, band, outside_mm)
    refused = disproven and inside_mm < 0.0
    return Decision("does not conform" if refused else "undecided", probability, band, outside_mm)


def conformance_probability(
    value_mm: float,
    standard_uncertainty_mm: float,
    *,
    lower_mm: float = -math.inf,
    upper_mm: float = math.inf,
    degrees_of_freedom: float = math.inf,
) -> float:
    """Return p_c = F((upper - value)/u) - F((lower - value)/u) (JCGM 106:2012, 8.3).

    F is the normal distribution, or Student's with its degrees of freedom (JCGM 106, 7.2.3).
    """
    if math.isnan(value_mm):
        return math.nan
    below_mm, above_mm = value_mm - lower_mm, upper_mm - value_mm
    if standard_uncertainty_mm <= EXACT_MM:
        return 1.0 if min(below_mm, above_mm) >= -ROUNDING_MM else 0.0
    low, high = below_mm / standard_uncertainty_mm, above_mm / standard_uncertainty_mm
    below, above = (
        student_tail(abs(low), degrees_of_freedom),
        student_tail(abs(high), degrees_of_freedom),
    )
    # Taken from the tails, so that no digits are lost far outside one limit.
    if low < 0.0:
        return max(0.0, below - above)
    if high < 0.0:
        return max(0.0, above - below)
    return 1.0 - below - above


def guard_band_mm(
    standard_uncertainty_mm: float,
    *,
    lower_mm: float,
    upper_mm: float,
    false_acceptance: float,
    degrees_of_freedom: float = math.inf,
) -> float:
    """Return how far inside its limits a value must lie to be accepted [mm].

    With one limit this is t u, t the one-sided factor (ISO 14253-1; 1.645 u for 5 %). With two,
    the value may also lie beyond the far limit, which counts once the uncertainty is not small
    against the zone between them; the band is then widened until the chance of lying beyond one or
    the other is the false acceptance at its edge. If even the middle of the zone falls short of
    that, no value can be accepted and the band is infinite.
    """
    factor = one_sided_factor(false_acceptance, degrees_of_freedom)
    zone_mm = upper_mm - lower_mm
    if math.isinf(zone_mm) or standard_uncertainty_mm <= EXACT_MM:
        return factor * standard_uncertainty_mm
    far = zone_mm / standard_uncertainty_mm

    def beyond(band: float) -> float:
        near = student_tail(band, degrees_of_freedom)
        return near + student_tail(far - band, degrees_of_freedom)

    low, high = min(factor, 0.5 * far), 0.5 * far
    if beyond(high) > false_acceptance:
        return math.inf
    if beyond(low) <= false_acceptance:
        return low * standard_uncertainty_mm
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if beyond(middle) > false_acceptance else (low, middle)
    return high * standard_uncertainty_mm


def deciding_uncertainty_mm(
    value_mm: float,
    *,
    lower_mm: float,
    upper_mm: float,
    false_acceptance: float,
    false_refusal: float,
) -> float:
    """Return the largest known standard uncertainty [mm] that would decide this very value."""
    inside_mm = min(value_mm - lower_mm, upper_mm - value_mm)
    factor = one_sided_factor(false_refusal if inside_mm < 0.0 else false_acceptance)
    if factor == 0.0:  # an even chance is enough, whatever the uncertainty
        return math.inf
    largest_mm = abs(inside_mm) / factor
    if inside_mm <= 0.0 or math.isinf(upper_mm - lower_mm):
        return largest_mm
    low, high = 0.0, largest_mm
    for _ in range(60):
        middle = 0.5 * (low + high)
        chance = conformance_probability(value_mm, middle, lower_mm=lower_mm, upper_mm=upper_mm)
        low, high = (middle, high) if chance >= 1.0 - false_acceptance else (low, middle)
    return low


def one_sided_factor(chance: float, degrees_of_freedom: float = math.inf) -> float:
    """Return the t that Student's T exceeds with a chance of 0.5 at most."""
    if not 0.0 < chance <= 0.5:
        raise ValueError("the risk of a decision lies between 0 and 0.5")
    if chance == 0.5:
        return 0.0
    return student_exceeded(chance, degrees_of_freedom)
