"""Skip-lot inspection: of the lots of a qualified supplier only some are inspected, by chance.

A supplier qualifies by a number of lots accepted in a row. From then on each lot is inspected with
the probability agreed, until one is not accepted; then every lot is inspected until the supplier
qualifies again (SkSP-2: Perry (1973), J. Qual. Technol. 5, 123, from memory). That the lots to
inspect are drawn by chance, and that tightened inspection ends it, is also what 7 CFR 42.123 asks
for. The ten lots to qualify are our choice; the tables of ISO 2859-3 are not used.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenfall.production.sampling import Decision, State

CLEARANCE = 10
"""Lots accepted in a row that qualify a supplier."""
_DIGITS = 8


@dataclass(frozen=True, slots=True)
class Qualification:
    """Where a supplier stands; without arguments, before any lot."""

    in_a_row_count: int = 0  # lots accepted in a row when inspected
    qualified: bool = False

    def after(self, decision: Decision, state: State) -> Qualification:
        """Return where a supplier stands after one inspected lot more, and the state after it."""
        good = decision == "accepted" and state in ("normal", "reduced")
        row = self.in_a_row_count + 1 if good else 0
        return Qualification(row, good and (self.qualified or row >= CLEARANCE))


def is_drawn(entry: str, one_in: int) -> bool:
    """Say whether the next lot is inspected, drawn from the hash of the last entry.

    Nobody can foresee it before that is filed, and both sides come to the same.
    """
    return int(entry[:_DIGITS] or "0", 16) % one_in == 0
