"""Skip-lot inspection: of the lots of a qualified supplier only some are inspected, by chance.

A supplier qualifies by a number of lots accepted in a row. From then on each lot is inspected with
the probability agreed, until one is not accepted; then every lot is inspected until the supplier
qualifies again. What this lets pass is exact: Perry (1973), J. Qual. Technol. 5, 123 (SkSP-2, from
memory). That the lots to inspect are drawn by chance, and that tightened inspection ends it, is
also what 7 CFR 42.123 asks for. The ten lots to qualify are our choice; the tables of ISO 2859-3
are not used.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenfall.production.sampling import Decision, State

CLEARANCE = 10
"""Lots accepted in a row that qualify a supplier."""
_DIGITS = 8


@dataclass(frozen=True, slots=True)
class SkipPlan:
    """Inspection of one lot in so many, once the supplier qualified."""

    one_in: int  # lots; 1 for every lot
    clearance: int = CLEARANCE  # lots accepted in a row that qualify

    def acceptance(self, probability: float) -> float:
        """Return how often a lot is accepted, from how often the plan of each lot accepts it."""
        share, cleared = 1.0 / self.one_in, probability**self.clearance
        accepted = share * probability + (1.0 - share) * cleared
        return accepted / (share + (1.0 - share) * cleared)

    def inspected_share(self, probability: float) -> float:
        """Return the share of lots that is inspected in the long run."""
        share, cleared = 1.0 / self.one_in, probability**self.clearance
        return share / (share + (1.0 - share) * cleared)


@dataclass(frozen=True, slots=True)
class Qualification:
    """Where a supplier stands; without arguments, before any lot."""

    in_a_row_count: int = 0  # lots accepted in a row when inspected
    qualified: bool = False

    def after(self, decision: Decision, state: State, clearance: int = CLEARANCE) -> Qualification:
        """Return where a supplier stands after one inspected lot more, and the state after it."""
        good = decision == "accepted" and state in ("normal", "reduced")
        row = self.in_a_row_count + 1 if good else 0
        return Qualification(row, good and (self.qualified or row >= clearance))


def is_drawn(entry: str, one_in: int) -> bool:
    """Say whether the next lot is inspected, drawn from the hash of the last entry.

    Nobody can foresee it before that is filed, and both sides come to the same.
    """
    return int(entry[:_DIGITS] or "0", 16) % one_in == 0
