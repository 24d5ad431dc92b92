"""Acceptance sampling: what a plan lets pass, plans from both risks, and switching between them.

Attributes: a sample is sorted, in one stage or several. Variables: a sample is measured, and the
lot accepted if the mean stays k standard deviations inside the limit; the standard deviation is
that of the sample (s method) or known (sigma method). (ISO 2859-1, ISO 3951-1.)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from evenfall.arrays import FloatArray
from evenfall.errors import At, RequestError
from evenfall.production.constants import binomial, log_choices, poisson

Decision = Literal["accepted", "not accepted"]
_LARGEST_PLAN = 20_000


@dataclass(frozen=True, slots=True)
class Stage:
    """One sample of a plan; the numbers are of all found so far."""

    size_count: int  # pieces
    accepted_count: int  # accept at so many or fewer; -1: not at this stage
    refused_count: int  # do not accept at so many or more


@dataclass(frozen=True, slots=True)
class Plan:
    """A sampling plan by attributes."""

    stages: tuple[Stage, ...]
    letter: str = ""  # code letter, if it comes from a table
    single: Stage | None = None  # the single plan whose risks it was worked out to keep
    # nonconformities are counted, of which a piece may have several, and not nonconforming pieces
    each_counts: bool = False

    @property
    def first_count(self) -> int:
        """How many pieces are looked at in any case."""
        return self.stages[0].size_count

    @property
    def most_count(self) -> int:
        """How many pieces are looked at at most."""
        return sum(stage.size_count for stage in self.stages)

    def acceptance(self, share: float, lot_count: int = 0) -> float:
        """Return the probability that a lot is accepted.

        By the binomial distribution for a share of nonconforming pieces made; by the hypergeometric
        one for that share of a lot of so many pieces. Where nonconformities are counted, the share
        is their mean number on a piece, and the distribution is Poisson's.
        """
        return sum(accepted for accepted, _, _ in self._run(share, lot_count))

    def mean_sample_count(self, share: float) -> float:
        """Return how many pieces are looked at on average, all stages carried through."""
        return sum(looked for _, looked, _ in self._run(share))

    def _run(self, share: float, lot_count: int = 0) -> Iterator[tuple[float, float, int]]:
        """Yield of each stage how often it accepts, pieces looked at on average, and so far."""
        bad, most = round(share * lot_count), max(one.refused_count for one in self.stages)
        open_, taken = {0: 1.0}, 0
        for stage in self.stages:
            looked = stage.size_count * sum(open_.values())
            of_lot = lot_count > 0 and not self.each_counts
            made = []
            if not of_lot:
                each = self.each_counts
                made = drawn_of(stage.size_count, share, most, each_counts=each).tolist()
            after: dict[int, float] = {}
            accepted = 0.0
            for found, chance in open_.items():
                drawn = made
                if of_lot:
                    left = lot_count - taken
                    drawn = _without_return(bad - found, left, stage.size_count).tolist()
                for more, p in enumerate(drawn):
                    total = found + more
                    if total <= stage.accepted_count:
                        accepted += chance * p
                    elif total < stage.refused_count:
                        after[total] = after.get(total, 0.0) + chance * p
            taken += stage.size_count
            open_ = after
            if stage is self.stages[-1]:
                # between both numbers (reduced inspection) the lot is accepted
                accepted += sum(after.values())
            yield accepted, looked, taken

    def outgoing_share(self, share: float, lot_count: int) -> float:
        """Return the average outgoing quality where lots not accepted are sorted and corrected."""
        unseen = sum(accepted * max(lot_count - n, 0) for accepted, _, n in self._run(share))
        return share * unseen / lot_count

    def total_inspected_count(self, share: float, lot_count: int) -> float:
        """Return how many pieces are looked at on average where other lots are sorted whole."""
        return lot_count - sum(
            accepted * max(lot_count - n, 0) for accepted, _, n in self._run(share)
        )

    def quality_at(self, probability: float) -> float:
        """Return the share of nonconforming pieces that is accepted with a probability."""
        most = 1.0
        if self.each_counts:  # so many on a piece that hardly a lot is accepted
            most = (4.0 * self.stages[-1].refused_count + 40.0) / self.most_count
        return quality_accepted(self.acceptance, probability, most)

    def decide(self, found: Sequence[int]) -> Decision | None:
        """Return what the numbers found in each stage mean; None where the next one is needed."""
        if len(found) > len(self.stages):
            raise RequestError(
                "The plan has {stages:count stage}, but {given:count number} were given.",
                at=At(field="found"),
                stages=len(self.stages),
                given=len(found),
            )
        total = 0
        for stage, more in zip(self.stages, found, strict=False):
            if more < 0 or (more > stage.size_count and not self.each_counts):
                raise RequestError(
                    "{found} nonconforming of {size} is not possible.",
                    at=At(field="found"),
                    found=more,
                    size=stage.size_count,
                )
            total += more
            if total <= stage.accepted_count:
                return "accepted"
            if total >= stage.refused_count:
                return "not accepted"
        return "accepted" if len(found) == len(self.stages) else None


def quality_accepted(
    acceptance: Callable[[float], float], probability: float, most_share: float = 1.0
) -> float:
    """Return the share that a falling curve of acceptance brings to a probability."""
    low, high = 0.0, most_share
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if acceptance(middle) > probability else (low, middle)
    return 0.5 * (low + high)


def drawn_of(size_count: int, share: float, most: int, *, each_counts: bool) -> FloatArray:
    """Return the chance of each number in a sample of what is made.

    Of nonconforming pieces up to all of them; of nonconformities up to `most`.
    """
    if each_counts:
        return poisson(most, size_count * share)
    return binomial(size_count, share)


def _without_return(bad: int, lot: int, n: int) -> FloatArray:
    k = np.arange(n + 1, dtype=float)
    with np.errstate(invalid="ignore"):
        logs = (
            log_choices(bad, k)
            + log_choices(lot - bad, n - k)
            - log_choices(lot, np.array(float(n)))
        )
        return np.where((k <= bad) & (n - k <= lot - bad), np.exp(logs), 0.0)


def plan_by_risks(
    good_share: float,
    producer_probability: float,
    bad_share: float,
    consumer_probability: float,
) -> Plan:
    """Return the smallest single plan that keeps both risks.

    A lot with the good share is accepted with at least `producer_probability`, one with the bad
    share with at most `consumer_probability`.
    """
    _check_risks(good_share, producer_probability, bad_share, consumer_probability)
    n = 1
    for c in range(_LARGEST_PLAN):
        n = max(n, c + 1)
        while special.bdtr(c, n, bad_share) > consumer_probability and n <= _LARGEST_PLAN:
            n += 1
        if n > _LARGEST_PLAN:
            break
        if special.bdtr(c, n, good_share) >= producer_probability:
            return Plan((Stage(n, c, c + 1),))
    raise RequestError(
        "No plan of up to {most} pieces tells these two qualities apart; let them lie further "
        "apart.",
        at=At(field="risks"),
        most=_LARGEST_PLAN,
    )


def _check_risks(good: float, producer: float, bad: float, consumer: float) -> None:
    if not (0.0 < good < bad < 1.0 and 0.0 < consumer < producer < 1.0):
        raise RequestError(
            "The good quality must be better than the bad one, and be accepted with a higher "
            "probability.",
            at=At(field="risks"),
        )


# ---- by variables ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class VariablesPlan:
    """A sampling plan by variables for one limit."""

    size_count: int  # pieces measured
    k_factor: float  # accept if (limit - mean) / standard deviation is at least this
    sigma_known: bool  # sigma method, else s method

    @property
    def first_count(self) -> int:
        """How many pieces are looked at in any case."""
        return self.size_count

    @property
    def most_count(self) -> int:
        """How many pieces are looked at at most."""
        return self.size_count

    def acceptance(self, share: float) -> float:
        """Return the probability that a lot with this share nonconforming is accepted."""
        if not 0.0 < share < 1.0:
            return 1.0 if share <= 0.0 else 0.0
        n, k, root = self.size_count, self.k_factor, math.sqrt(self.size_count)
        away = -float(special.ndtri(share))
        if self.sigma_known:
            return float(special.ndtr((away - k) * root))
        return 1.0 - float(special.nctdtr(n - 1, away * root, k * root))

    def outgoing_share(self, share: float, lot_count: int) -> float:
        """Return the average outgoing quality where lots not accepted are sorted and corrected."""
        return share * self.acceptance(share) * max(lot_count - self.size_count, 0) / lot_count

    def quality_at(self, probability: float) -> float:
        """Return the share of nonconforming pieces that is accepted with a probability."""
        return quality_accepted(self.acceptance, probability)


def acceptance_factor(
    count: int, good_share: float, probability: float, *, sigma_known: bool = False
) -> float:
    """Return the k by which a lot of a quality is accepted with just a probability."""
    root, away = math.sqrt(count), -float(special.ndtri(good_share))
    if sigma_known:
        return away - float(special.ndtri(probability)) / root
    return _quantile(count - 1, away * root, 1.0 - probability) / root


def variables_plan_by_risks(
    good_share: float,
    producer_probability: float,
    bad_share: float,
    consumer_probability: float,
    *,
    sigma_known: bool,
) -> VariablesPlan:
    """Return the smallest plan by variables that keeps both risks."""
    _check_risks(good_share, producer_probability, bad_share, consumer_probability)
    for n in range(2, _LARGEST_PLAN):
        # the k that gives the producer just the probability asked for
        k = acceptance_factor(n, good_share, producer_probability, sigma_known=sigma_known)
        plan = VariablesPlan(n, k, sigma_known)
        if plan.acceptance(bad_share) <= consumer_probability:
            return plan
    raise RequestError("No plan tells these two qualities apart.", at=At(field="risks"))


def _quantile(freedom: int, offset: float, probability: float) -> float:
    """Return a quantile of the noncentral t distribution, by halving."""
    # farther out the library knows no probability
    wide = 12.0 * math.sqrt(1.0 + 0.5 * offset * offset / freedom)
    low, high = offset - wide, offset + wide
    for _ in range(80):
        middle = 0.5 * (low + high)
        chance = float(special.nctdtr(freedom, offset, middle))
        under = middle < offset if math.isnan(chance) else chance < probability
        low, high = (middle, high) if under else (low, middle)
    return 0.5 * (low + high)


def estimated_share(quality_factor: float, n: int) -> float:
    """Return the unbiased estimate of the share beyond a limit from (limit - mean) / s of n.

    (MIL-STD-414, 1957, table B-5; Lieberman & Resnikoff, J. Am. Stat. Assoc. 50 (1955) 457.)
    """
    if n < 3:
        raise RequestError("The share beyond a limit is estimated from three readings or more.")
    at = 0.5 - 0.5 * quality_factor * math.sqrt(n) / (n - 1)
    return float(special.betainc(n / 2.0 - 1.0, n / 2.0 - 1.0, min(max(at, 0.0), 1.0)))


# ---- switching -------------------------------------------------------------------------------

State = Literal["normal", "tightened", "reduced", "stopped"]


@dataclass(frozen=True, slots=True)
class Lot:
    """A lot that was judged."""

    decision: Decision
    # whether one limit tighter would have accepted it too; for acceptance numbers of 0 and 1,
    # whether it was accepted
    clearly: bool
    number_count: int  # acceptance number of the single plan it was judged by
    between: bool = False  # reduced inspection: more found than accepted, fewer than refused


@dataclass(frozen=True, slots=True)
class Switching:
    """Where the inspection of one supplier and model stands; without arguments, before any lot."""

    state: State = "normal"
    score_count: int = 0  # switching score, on normal inspection
    refused_count: int = 0  # of the last five lots on normal, or of all on tightened inspection
    accepted_in_a_row_count: int = 0
    latest: tuple[bool, ...] = ()  # of the last five on normal, whether each was accepted

    def after(self, lot: Lot) -> Switching:
        """Return where it stands after one lot more (ISO 2859-1, 9.3; score from memory).

        Normal to tightened: two of five lots in a row not accepted. Tightened to normal: five
        accepted in a row; stopped after five not accepted on tightened. Normal to reduced: a score
        of 30, which grows by 3 for a lot that one limit tighter would have accepted too, by 2 where
        the acceptance number is 0 or 1, and else begins again. Reduced to normal: one lot not
        accepted, or between.
        """
        good = lot.decision == "accepted"
        if self.state == "normal":
            latest = (*self.latest[-4:], good)
            gain = 2 if lot.number_count < 2 else 3
            score = self.score_count + gain if good and lot.clearly else 0
            refused = latest.count(False)
            if refused >= 2:
                return Switching("tightened")
            if score >= 30:
                return Switching("reduced")
            return Switching("normal", score, refused, 0, latest)
        if self.state == "tightened":
            row = self.accepted_in_a_row_count + 1 if good else 0
            refused = self.refused_count + (not good)
            if row >= 5:
                return Switching()
            return Switching("stopped" if refused >= 5 else "tightened", 0, refused, row)
        over = self.state == "reduced" and (not good or lot.between)
        return Switching() if over else self
