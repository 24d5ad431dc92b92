"""Linear programs, quietly: nothing but the program's own answers may reach standard output."""

from __future__ import annotations

from dataclasses import dataclass, replace

import highspy
import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import SolverError

_FEASIBLE = 1e-10
"""What a row may be missed by, in its own unit."""
_REACH = 100.0
"""No height on an instrument is over this [mm]: how far a column without a bound can go."""
_DUAL, _PRIMAL = 1, 4  # values of the optimiser's option simplex_strategy
_TRIES = (("off", _DUAL), ("off", _PRIMAL), ("on", _PRIMAL), ("on", _DUAL))


class _QuietHighs(highspy.Highs):
    """HiGHS with its banner and log off from the start.

    The class's own constructor prints a banner before any option can be set (highspy 1.16), and
    that would break the JSON that other programs read; so the option is set in between.
    """

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()
        self.setOptionValue("output_flag", False)


@dataclass(frozen=True, slots=True, eq=False)
class Program:
    """A linear program: the least cost of N columns within limits of columns and of M rows."""

    cost: FloatArray  # (N,)
    low_bound: FloatArray  # of the columns, (N,)
    high_bound: FloatArray
    row_weights: FloatArray  # (M, N)
    row_low_bound: FloatArray  # (M,)
    row_high_bound: FloatArray

    def with_row(self, weights: FloatArray, bound: float) -> Program:
        """Return the program with one more row, shape (N,), that is bounded from above."""
        return replace(
            self,
            row_weights=np.vstack([self.row_weights, weights]),
            row_low_bound=np.append(self.row_low_bound, -np.inf),
            row_high_bound=np.append(self.row_high_bound, bound),
        )

    def solve(self) -> Answer | None:
        """Return the columns of the least cost, None if nothing fits the limits."""
        lp = highspy.HighsLp()
        lp.num_row_, lp.num_col_ = self.row_weights.shape
        lp.col_cost_, lp.col_lower_, lp.col_upper_ = self.cost, self.low_bound, self.high_bound
        lp.row_lower_, lp.row_upper_ = self.row_low_bound, self.row_high_bound
        row, column = np.nonzero(self.row_weights)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = np.searchsorted(row, np.arange(len(self.row_weights) + 1)).astype(
            np.int32
        )
        lp.a_matrix_.index_ = column.astype(np.int32)
        lp.a_matrix_.value_ = self.row_weights[row, column]
        status = highspy.HighsModelStatus.kNotset
        for presolve, strategy in _TRIES:  # rounding may be in the way of one path, not of another
            solver = _QuietHighs()
            solver.setOptionValue("presolve", presolve)
            solver.setOptionValue("simplex_strategy", strategy)
            solver.setOptionValue("primal_feasibility_tolerance", _FEASIBLE)
            solver.setOptionValue("dual_feasibility_tolerance", _FEASIBLE)
            solver.passModel(lp)
            ran = solver.run() != highspy.HighsStatus.kError
            status = solver.getModelStatus()
            if ran and status == highspy.HighsModelStatus.kOptimal:
                found = solver.getSolution()
                return Answer(np.array(found.col_value), np.array(found.row_dual))
            if ran and status == highspy.HighsModelStatus.kInfeasible:
                return None
        raise SolverError("The optimiser stopped early ({status}).", status=status.name)

    def bound_by(self, row_dual: FloatArray) -> float:
        """Return the bound on the cost that some row duals prove.

        Computed here from the program's own data, not taken from the optimiser: for row duals y
        and reduced costs d = c - A'y, the bound is the sum of each y and d times the bound it
        leans on (LP duality). A dual that leans on no bound proves nothing and is set to zero,
        which loosens the bound by what its column could still move. So any values give a true
        bound, and the right ones the best.
        """
        leaning = np.where(row_dual > 0.0, self.row_low_bound, self.row_high_bound)
        y = np.where(np.isfinite(leaning), row_dual, 0.0)
        reduced = self.cost - y @ self.row_weights
        bound = np.where(reduced > 0.0, self.low_bound, self.high_bound)
        free = ~np.isfinite(bound)
        part = np.where(free, -np.abs(reduced) * _REACH, reduced * np.where(free, 0.0, bound))
        return float(part.sum() + (y * np.where(y == 0.0, 0.0, leaning)).sum())


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """The columns of a least cost, and the row duals that prove it."""

    parameters: FloatArray  # the columns, (N,)
    row_dual: FloatArray  # (M,)
