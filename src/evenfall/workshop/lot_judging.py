"""A lot is judged as one request asks: whose it is, what was agreed, and what was found."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from evenfall.errors import At, ChangedError, RequestError
from evenfall.records.entries import LotMethod
from evenfall.workshop.kept_lots import MEASURED, KeptLots, lots_of, sizes_of
from evenfall.workshop.lot_keeping import agreement, check_agreed, keep_lot, proposed
from evenfall.workshop.lot_reports import KeptLotOutcome, shown_lots

if TYPE_CHECKING:
    from evenfall.workshop.archives import Dossiers

Level = Literal["I", "II", "III", "S-1", "S-2", "S-3", "S-4"]
_PIECES = (2, 10**9)
_TERMS = (
    *("method", "aql_percent", "level", "quantity"),
    *("lower_mm", "upper_mm", "sigma_mm", "one_in"),
)


@dataclass(frozen=True, slots=True)
class JudgeRequest:
    """Which lot to judge and keep, and what was found of it.

    Parameters
    ----------
    supplier, model
        Whose lots they are, and what they are lots of.
    pieces
        Pieces in the lot.
    receiver
        Who takes it over, where that is not you.
    name
        Name of the lot, as it stands on its papers.
    sample
        Pieces of the sample that was taken, by stage; where another one is asked for by now,
        nothing is filed.
    found
        Nonconforming pieces in the sample, by stage.
    instruments
        Instruments of the sample by number, instead: their proofs say how many do not conform.
    skipped
        Whether the lot of a qualified supplier goes without inspection.
    method, aql_percent, level, quantity, lower_mm, upper_mm, sigma_mm, one_in
        The agreement: how a lot is judged, limit [% nonconforming], inspection level, what is
        measured, its limits and standard deviation [mm], and of how many lots of a qualified
        supplier one is inspected. What is left out is as agreed, and where nothing is agreed yet
        one sample is sorted, or measured, by 1 %, level II, of every lot. Other terms than those
        that stand are refused.
    new_agreement
        Why the count begins again by the agreement of this request; empty to go on with the old.
    reason, person, done
        What the decision rests on besides, who decides, and when, if not now.
    since
        Version of these lots when they were looked at; with another one nothing is filed.

    Examples
    --------
    >>> JudgeRequest("Ulqor Yard (invented)", "Tesquil", 500, found=(0,)).inspected
    True
    """

    supplier: str
    model: str
    pieces: int
    receiver: str = ""
    name: str = ""
    sample: tuple[int, ...] = ()
    found: tuple[int, ...] = ()
    instruments: tuple[str, ...] = ()
    skipped: bool = False
    method: LotMethod | None = None
    aql_percent: float | None = None
    level: Level | None = None
    quantity: str = ""
    lower_mm: float = math.nan
    upper_mm: float = math.nan
    sigma_mm: float = math.nan
    one_in: int | None = None
    new_agreement: str = ""
    reason: str = ""
    person: str = ""
    done: str = ""
    since: str = ""

    def __post_init__(self) -> None:
        low, high = _PIECES
        if not low <= self.pieces <= high:
            text = "A lot has {low} to {high} pieces, not {given}."
            raise RequestError(text, at=At(field="pieces"), low=low, high=high, given=self.pieces)
        if any(not 0 <= one <= high for one in self.found):
            text = "As many as were found are 0 or more of each stage."
            raise RequestError(text, at=At(field="found"))

    @property
    def inspected(self) -> bool:
        """Whether it says what was found, or that nothing was looked at."""
        return bool(self.found or self.instruments or self.skipped)


def next_sample(dossiers: Dossiers, request: JudgeRequest) -> KeptLotOutcome:
    """Return which sample the next lot needs; nothing is filed."""
    return shown_lots(_lots(dossiers, request), request.pieces)


def judge_lot(dossiers: Dossiers, request: JudgeRequest) -> KeptLotOutcome:
    """Judge a lot and keep it, signed."""
    lots = _lots(dossiers, request)
    if request.since and request.since != lots.version:
        raise ChangedError(
            "Somebody judged a lot of these meanwhile; look at it, then judge yours.",
            dossier=lots.dossier,
            since=request.since,
        )
    _check_sample(lots, request)
    return shown_lots(keep_lot(dossiers, lots, request))


def _lots(dossiers: Dossiers, request: JudgeRequest) -> KeptLots:
    """Return the lots that are there, or none yet by the agreement that is asked for."""
    whose = (request.supplier, request.model, request.receiver)
    there = lots_of(dossiers.archive, *whose) if dossiers.is_there() else None
    asked = {name: getattr(request, name) for name in _TERMS}
    asked = {name: value for name, value in asked.items() if not _left_out(value)}
    if there is not None and not request.new_agreement.strip():
        check_agreed(there, **asked)
        return there
    if request.quantity:
        known = math.isfinite(request.sigma_mm)
        asked.setdefault("method", MEASURED[known])
    made = agreement(
        request.supplier,
        request.model,
        receiver=request.receiver,
        reason=request.new_agreement,
        **asked,
    )
    return proposed(made, there)


def _left_out(value: object) -> bool:
    """Say whether a term is left as agreed."""
    return value in (None, "") or (isinstance(value, float) and math.isnan(value))


def _check_sample(lots: KeptLots, request: JudgeRequest) -> None:
    """Refuse a sample that was taken while another one was asked for."""
    if not request.sample or request.skipped:
        return
    asked = sizes_of(lots.plan(request.pieces))
    taken = request.sample
    if taken != asked[: len(taken)] or len(taken) < min(len(request.found), len(asked)):
        # a lot that came between may have changed the inspection
        raise RequestError(
            "The sample that the lot needs is {asked:list} pieces, and not {taken:list}: another "
            "lot was judged since it was taken, or more than one. Ask for the sample again, and "
            "take what it lacks.",
            at=At(field="sample"),
            asked=tuple(map(str, asked)),
            taken=tuple(map(str, taken)),
        )
