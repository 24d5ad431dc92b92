"""The optimiser, quiet: nothing but the program's own answers may reach standard output."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import highspy
import numpy as np

from evenfall.errors import SolverError

if TYPE_CHECKING:
    from collections.abc import Callable

    from evenfall.arrays import FloatArray

FEASIBLE_MM = 1e-10
"""What a row of a linear program may be missed by [mm]."""


class QuietHighs(highspy.Highs):
    """HiGHS with its banner and log off from the start.

    The class's own constructor prints a banner before any option can be set (highspy 1.16), and
    that would break the JSON that other programs read; so the option is set in between.
    """

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()
        self.setOptionValue("output_flag", False)

    def run_watched(self, watch: Callable[[], None]) -> None:
        """Run an integer program; what `watch` raises while it runs stops it, and is raised."""
        raised: list[BaseException] = []

        def look(_kind: Any, _message: str, _out: Any, answer: Any, _data: Any) -> None:
            try:
                watch()
            except BaseException as error:  # nothing may pass through the optimiser
                raised.append(error)
                answer.user_interrupt = True

        self.setCallback(look, None)
        self.startCallback(highspy.cb.HighsCallbackType.kCallbackMipInterrupt)
        self.run()
        if raised:
            raise raised[0]


def least(
    cost: FloatArray,
    column_limits: tuple[FloatArray, FloatArray],
    rows: FloatArray,
    row_limits: tuple[FloatArray, FloatArray],
) -> FloatArray | None:
    """Return the columns of the least cost within limits of columns and rows, or None if none fit.

    Costs and columns have the shape (N,), rows (M, N).
    """
    lp = highspy.HighsLp()
    lp.num_row_, lp.num_col_ = rows.shape
    lp.col_cost_ = cost
    lp.col_lower_, lp.col_upper_ = column_limits
    lp.row_lower_, lp.row_upper_ = row_limits
    row, column = np.nonzero(rows)
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.searchsorted(row, np.arange(len(rows) + 1)).astype(np.int32)
    lp.a_matrix_.index_ = column.astype(np.int32)
    lp.a_matrix_.value_ = rows[row, column]
    solver = QuietHighs()
    solver.setOptionValue("presolve", "off")
    solver.setOptionValue("primal_feasibility_tolerance", FEASIBLE_MM)
    solver.setOptionValue("dual_feasibility_tolerance", FEASIBLE_MM)
    solver.passModel(lp)
    solver.run()
    status = solver.getModelStatus()
    if status == highspy.HighsModelStatus.kOptimal:
        return np.array(solver.getSolution().col_value)
    if status == highspy.HighsModelStatus.kInfeasible:
        return None
    raise SolverError("The optimiser stopped early ({status}).", status=status.name)
