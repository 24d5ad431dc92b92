"""The use case "measured lot": a lot is judged by what was measured of its sample."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenfall.codec import plain
from evenfall.errors import Finding, Progress, silent
from evenfall.pictures.inks import Theme
from evenfall.production.aql_tables import Inspection
from evenfall.production.fits import FITS_BADLY, fitted
from evenfall.production.measured_lots import MeasuredLot, judged_by_values, plan_for
from evenfall.production.sampling import VariablesPlan
from evenfall.production.series import amount
from evenfall.units import LengthUnit
from evenfall.workshop.lots import CONSUMER, PRODUCER
from evenfall.workshop.quality import ReadingsOutcome, ReadingsRequest

_LEAST_TO_TELL = 8


@dataclass(frozen=True, slots=True)
class MeasuredLotRequest(ReadingsRequest):
    """Which lot is to be judged by measured values, and by which agreement.

    Parameters
    ----------
    pieces
        Pieces in the lot; 0 for as many as there are readings.
    lower_level, upper_level
        Limits [mm, or the unit of the readings]; NaN for none.
    aql_percent
        Acceptance quality limit that was agreed [%].
    level
        Inspection level.
    tightened
        Whether inspection is tightened.
    sigma_level
        Standard deviation of what is made, where it is known; NaN if not.
    """

    pieces: int = 0
    lower_level: float = math.nan
    upper_level: float = math.nan
    aql_percent: float = 1.0
    level: str = "II"
    tightened: bool = False
    sigma_level: float = math.nan


@dataclass(frozen=True, slots=True)
class MeasuredLotOutcome(ReadingsOutcome):
    """What was decided of a lot, and why."""

    made: MeasuredLot
    asked: VariablesPlan  # what the plan asks for at least
    count: int  # readings
    pieces: int
    quantity: str
    unit_of_values: str
    normal: bool  # whether the readings may be normal
    about: str

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """The decision first."""
        return tuple(_findings(self))

    def values(self) -> dict[str, Any]:
        """Return plan and decision as plain values."""
        return {
            "schema": "evenfall/measured-lot@0",
            "about": self.about,
            "quantity": self.quantity,
            "unit": self.unit_of_values,
            "pieces": self.pieces,
            "count": self.count,
            "plan": plain(self.made.plan),
            "decision": self.made.decision,
            "mean": self.made.centre,
            "standard_deviation": self.made.sigma,
            "under_share": self.made.under_share,
            "over_share": self.made.over_share,
            "allowed_share": self.made.allowed_share,
            "accepted_in_95_percent": self.made.plan.quality_at(PRODUCER),
            "accepted_in_10_percent": self.made.plan.quality_at(CONSUMER),
        }

    def drawings(self, _unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws how often lots of each quality are accepted."""
        from evenfall.pictures.operating_curve import operating_curve

        return {
            "operating curve": lambda: operating_curve(self.made.plan, self.pieces, theme=theme)
        }


def measured_lot(request: MeasuredLotRequest, progress: Progress = silent) -> MeasuredLotOutcome:
    r"""Find out whether a lot is accepted by what was measured of its sample.

    Parameters
    ----------
    request
        The readings, the limits and the agreement.
    progress
        Told what is being done and how far it is, 0 to 1; it may stop the work.

    Returns
    -------
    MeasuredLotOutcome
        The decision, with the estimated share beyond the limits and what is allowed.

    Raises
    ------
    RequestError, ReadingsError
        The readings cannot be used or are too few, or no limit is given.

    Examples
    --------
    >>> from evenfall.workshop import Source
    >>> rows = "value,unit\n" + "".join(f"{v},mm\n" for v in (197, 188, 184, 205, 201))
    >>> source = Source("lot.csv", rows.encode())
    >>> measured_lot(MeasuredLotRequest(source, pieces=40, upper_level=209.0)).made.decision
    'accepted'
    """
    progress("Reading", 0.0)
    table = request.read()
    count = len(table.value)
    pieces = request.pieces or count
    known = math.isfinite(request.sigma_level)
    inspection: Inspection = "tightened" if request.tightened else "normal"
    asked, plan = (
        plan_for(
            n,
            pieces,
            request.aql_percent,
            level=request.level,
            inspection=inspection,
            sigma_known=known,
        )
        for n in (0, count)
    )
    progress("Judging", 0.5)
    values = np.array(table.value)
    made = judged_by_values(
        values, request.lower_level, request.upper_level, plan, request.sigma_level
    )
    tells = count >= _LEAST_TO_TELL and float(np.ptp(values)) > 0.0
    normal = not tells or not fitted(values, "normal").chance < FITS_BADLY
    return MeasuredLotOutcome(
        table.inch,
        table.findings,
        made,
        asked,
        count,
        pieces,
        table.quantity,
        table.unit,
        normal,
        request.about,
    )


def _findings(outcome: MeasuredLotOutcome) -> list[Finding]:
    made = outcome.made
    bad = made.decision != "accepted"
    told = [
        Finding(
            "lot",
            "The lot is {decision}: {share:.2f} % of it are estimated to lie beyond the limits, "
            "{allowed:.2f} % may.",
            severity="warning" if bad else "note",
            decision=made.decision,
            share=100.0 * (made.under_share + made.over_share),
            allowed=100.0 * made.allowed_share,
        ),
        Finding(
            "lot",
            "{count:count reading} of a lot of {pieces}: mean {mean}, standard deviation {sigma}. "
            "The plan asks for {least}; k is {k:.3f}.",
            severity="note",
            count=outcome.count,
            pieces=outcome.pieces,
            mean=amount(made.centre, outcome.unit_of_values),
            sigma=amount(made.sigma, outcome.unit_of_values),
            least=outcome.asked.size_count,
            k=made.plan.k_factor,
        ),
        Finding(
            "lot",
            "Of lots with {good:.2f} % nonconforming this plan accepts 95 %, of lots with "
            "{bad:.2f} % it accepts 10 %. The plan is worked out from its risks, not taken from a "
            "table.",
            severity="note",
            good=100.0 * made.plan.quality_at(PRODUCER),
            bad=100.0 * made.plan.quality_at(CONSUMER),
        ),
    ]
    if not outcome.normal:
        told.append(
            Finding(
                "lot",
                "The readings are not normal, and the estimate needs that: sort the pieces and "
                "judge the lot by counts.",
            )
        )
    return told
