"""The least cut at fixed settings as a linear program, by scipy; nothing of the package is used."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

FloatArray = NDArray[np.float64]


def least_cut_by_program(share: FloatArray, asked: FloatArray, clear: FloatArray) -> FloatArray:
    """Return the removal r >= 0 of least sum with c + r[j] - (1 - a) r[i] >= asked, shape (K, F).

    Shares of the saddle, clearances asked (-inf for none) and found have the shape
    (K, F + 1, F + 1). The strings do not know each other.
    """
    strings, points = share.shape[:2]
    removal = np.zeros((strings, points - 1))
    for k in range(strings):
        rows, least = [], []
        for i in range(points):
            for j in range(i + 1, points):
                if np.isfinite(asked[k, i, j]):
                    row = np.zeros(points)
                    row[j] = 1.0
                    row[i] = -(1.0 - share[k, i, j])
                    rows.append(row[1:])
                    least.append(asked[k, i, j] - clear[k, i, j])
        found = linprog(
            np.ones(points - 1),
            A_ub=-np.array(rows),
            b_ub=-np.array(least),
            method="highs-ds",
            options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
        )
        removal[k] = found.x
    return removal
