"""What a rocker shows over each fret before it is filed: the last check that costs no metal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenfall.plan.before_cut import Rock

if TYPE_CHECKING:
    from evenfall.levelling.decision import Decision

ROCKER_U_MM = 0.008
"""Standard uncertainty of a rocking gap taken with feelers [mm]; common practice, no source."""
LEAST_BAND_MM = 0.03
_COVERAGE = 3.0
_CUT_MM = 0.03
"""For cuts over this the rocker has to show at least what no faultless fret shows [mm]."""
_FAULTLESS_MM, _FAULTLESS_SHARE = 0.015, 0.3


def rocker_figures(decision: Decision) -> tuple[Rock, ...]:
    """Return what a rocker shows over each fret to be filed, once rod, nut and saddle are set.

    It lies over the fret and its neighbours, at the end of the board over the last three frets,
    along the string where the cut is deepest. Frets that get new wire are not looked at.
    """
    problem = decision.problem
    tops = decision.crown_top_after_mm + decision.removal_mm
    u = problem.measurement.heights.crown_top_u_mm
    figures = []
    for fret in decision.cut_frets:
        if fret in decision.replaced:
            continue
        k = int(np.argmax(decision.removal_mm[:, fret - 1]))
        middle = min(max(fret, 2), problem.frets - 1)
        over = (middle - 1, middle, middle + 1)
        x, z = problem.lines.station_mm[k, list(over)], tops[k, [at - 1 for at in over]]
        share = float((x[1] - x[0]) / (x[2] - x[0]))
        weights = np.array([share - 1.0, 1.0, -share])
        shows = float(weights @ z)
        u_shows = float(np.linalg.norm(weights * u[k, [at - 1 for at in over]]))
        band = max(LEAST_BAND_MM, _COVERAGE * math.hypot(u_shows, ROCKER_U_MM))
        cut = float(decision.removal_mm[k, fret - 1])
        least = min(_FAULTLESS_MM, _FAULTLESS_SHARE * cut)
        asks = cut > _CUT_MM and middle == fret and shows > least
        figures.append(Rock(fret, k + 1, over, shows, band, least if asks else math.nan))
    return tuple(figures)
