"""Lots judged by measured values: the plan, and the decision by the estimated share beyond limits.

Tables of such plans are in copyright or were superseded, and their letters and sizes differ from
edition to edition, so none is kept here. The plan is worked out: a lot of just the agreed quality
is accepted with a probability that grows with the sample, from 0.90 to 0.99. That rule gives the k
of ANSI/ASQ Z1.9 for an acceptance quality limit of 1.0 % within a unit of their last printed digit
(a test compares twelve); sample sizes are those of that standard for general inspection.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

from scipy import special

from evenfall.arrays import FloatArray
from evenfall.errors import At, RequestError
from evenfall.production.aql_tables import AQLS, LAST_PERCENT, LETTERS, Inspection, code_letter
from evenfall.production.sampling import (
    Decision,
    VariablesPlan,
    acceptance_factor,
    estimated_share,
    variables_plan_by_risks,
)
from evenfall.production.series import check_limits, check_numbers, deviation_of, mean_of

SIZES = {
    **{"A": 3, "B": 3, "C": 4, "D": 5, "E": 7, "F": 10, "G": 15, "H": 20, "J": 35},
    **{"K": 50, "L": 75, "M": 100, "N": 150, "P": 200, "Q": 200, "R": 200},
}
"""Pieces to measure, by code letter; lots of 401 to 500 have a size of their own, 25."""

_LEAST, _BETWEEN = 401, 500
_OWN_SIZE = 25
_FEWER = 2  # code letters
_ACCEPTED = (
    *((10, 0.90), (15, 0.91), (20, 0.92), (25, 0.93), (35, 0.94), (50, 0.95)),
    *((75, 0.96), (100, 0.97), (150, 0.98)),
)
_LARGEST_ACCEPTED = 0.99


def accepted_probability(count: int) -> float:
    """Return how often a lot of just the agreed quality is accepted by so many readings."""
    return next((p for most, p in _ACCEPTED if count <= most), _LARGEST_ACCEPTED)


def measured_plan(
    lot_count: int,
    aql_percent: float,
    *,
    level: str = "II",
    inspection: Inspection = "normal",
    sigma_known: bool = False,
    size_count: int = 0,
) -> VariablesPlan:
    """Return the plan of a lot; `size_count` readings, by default those of its code letter.

    Tightened, the lot is judged by the next smaller limit. Reduced, the sample is that of the code
    letter two before, as in the tables for counts, and its k follows by the same rule (our choice).
    With a known standard deviation fewer readings keep the same two risks.
    """
    if aql_percent not in AQLS or aql_percent > LAST_PERCENT:
        raise RequestError(
            "There is no plan for an acceptance quality limit of {aql:g} %; use one of "
            "{aqls:list}.",
            at=At(field="aql"),
            aql=aql_percent,
            aqls=tuple(f"{one:g}" for one in AQLS if one <= LAST_PERCENT),
        )
    if inspection == "tightened":
        column = AQLS.index(aql_percent)
        if not column:
            raise RequestError("There is no smaller limit to tighten to.", at=At(field="aql"))
        aql_percent = AQLS[column - 1]
    letter = code_letter(lot_count, level)
    if inspection == "reduced":
        letter = LETTERS[max(LETTERS.index(letter) - _FEWER, 0)]
    usual = SIZES[letter]
    if inspection != "reduced" and level == "II" and _LEAST <= lot_count <= _BETWEEN:
        usual = _OWN_SIZE
    good = aql_percent / 100.0
    n = max(min(usual if sigma_known or not size_count else size_count, lot_count), 3)
    probability = accepted_probability(n)
    plan = VariablesPlan(n, acceptance_factor(n, good, probability), sigma_known=False)
    if not sigma_known:
        return plan
    if size_count:
        k = acceptance_factor(size_count, good, probability, sigma_known=True)
        return VariablesPlan(size_count, k, sigma_known=True)
    bad = plan.quality_at(0.10)
    return variables_plan_by_risks(good, probability, bad, 0.10, sigma_known=True)


@dataclass(frozen=True, slots=True)
class MeasuredLot:
    """A lot judged by measured values."""

    plan: VariablesPlan
    centre: float  # mean of the readings
    sigma: float  # their standard deviation, or the known one
    under_share: float  # estimated share of the lot under the lower limit; 0 without one
    over_share: float  # and over the upper limit
    allowed_share: float  # what both together may come to
    decision: Decision


def judged_by_values(
    values: FloatArray,
    lower_level: float,
    upper_level: float,
    plan: VariablesPlan,
    sigma_level: float = math.nan,
) -> MeasuredLot:
    """Return the decision on a lot; limits that do not exist are NaN.

    With both limits the estimated shares beyond them are added (MIL-STD-414, 1957, part B-II); with
    one, that is the same as comparing (limit - mean) / standard deviation with k.
    """
    check_limits(lower_level, upper_level)
    check_numbers(values)
    n = len(values)
    if n < plan.size_count:
        raise RequestError(
            "The plan asks for {needed:count reading}, {given} were given; measure {more} more "
            "pieces, drawn at random.",
            at=At(field="readings"),
            needed=plan.size_count,
            given=n,
            more=plan.size_count - n,
        )
    mean = mean_of(values)
    sigma = sigma_level if plan.sigma_known else deviation_of(values)
    if not sigma > 0.0:
        raise RequestError(
            "All readings are the same, so their spread is not known; read finer, or give the "
            "standard deviation if it is known.",
            at=At(field="readings"),
        )

    def share(quality: float) -> float:
        if plan.sigma_known:
            return float(special.ndtr(-quality * math.sqrt(n / (n - 1.0))))
        return estimated_share(quality, n)

    under = share((mean - lower_level) / sigma) if math.isfinite(lower_level) else 0.0
    over = share((upper_level - mean) / sigma) if math.isfinite(upper_level) else 0.0
    allowed = share(plan.k_factor)
    decision: Decision = "accepted" if under + over <= allowed else "not accepted"
    return MeasuredLot(plan, mean, sigma, under, over, allowed, decision)


def plan_for(
    count: int,
    lot_count: int,
    aql_percent: float,
    *,
    level: str = "II",
    inspection: Inspection = "normal",
    sigma_known: bool = False,
) -> VariablesPlan:
    """Return the plan by which so many readings are judged: all count, by the k of so many."""
    if count > lot_count:
        raise RequestError(
            "{count:count reading} cannot be of a lot of {pieces:count piece}; give one reading of "
            "each piece, or the right size of the lot.",
            at=At(field="pieces"),
            count=count,
            pieces=lot_count,
        )
    plan = partial(
        measured_plan,
        lot_count,
        aql_percent,
        level=level,
        inspection=inspection,
        sigma_known=sigma_known,
    )
    asked = plan()
    return asked if count <= asked.size_count else plan(size_count=count)
