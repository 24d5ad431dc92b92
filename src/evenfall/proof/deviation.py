"""How the instrument after the work differs from its plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import StringLines
from evenfall.measurement import Heights, Measurement, Origin
from evenfall.measurement.heights import Shared
from evenfall.neck import Bow
from evenfall.plan import Plan
from evenfall.proof.result import Deviation

_SHAPE_SHARE = 0.15
"""Standard uncertainty of the bow's shape, as a share of the change of relief (our judgement)."""


def heights_read(measurement: Measurement) -> Heights:
    """Return the heights of a measurement without those that nobody read.

    Nominal heights prove nothing about an instrument and count as missing.
    """
    origin = measurement.heights.origin
    return measurement.heights.only((origin != Origin.NOMINAL) & (origin != Origin.MISSING))


@dataclass(frozen=True, slots=True)
class Fit:
    """A deviation from the plan, and how it follows from the heights."""

    deviation: Deviation  # what is off plan
    # weights of the heights after the work in the deviation of each height, those of the heights
    # before it with the other sign; shape (K, F + 2, K, F + 2)
    weights: FloatArray
    before: Heights  # the heights before the work, with the uncertainty that the work itself adds


def _shape(lines: StringLines, plan: Plan) -> Shared:
    """Return what the shape of a bow of another relief than before does to each height.

    As far as `_SHAPE_SHARE` of the change, it may bow more towards the nut and less towards the
    body, or the other way round.
    """
    along = lines.station_mm[:, 1:] / lines.station_mm[:, -1:]
    effect = np.zeros(plan.measurement.heights.height_mm.shape)
    skew = plan.bow_mm_per_mm * np.cos(np.pi * along)
    effect[:, 1:-1] = _SHAPE_SHARE * plan.relief_change_mm * skew
    return Shared("bow-shape", "all", effect)


def deviation_from_plan(lines: StringLines, bow: Bow, plan: Plan, after: Heights) -> Fit:
    """Return how much higher than planned each crown, nut slot and saddle stands.

    Least squares on the crown tops: one straight line per string, since the two set-ups need not
    share a datum, and one bow common to all strings, since the neck may have come to rest at
    another relief. What is left at a crown is metal left standing (positive) or cut too deep.
    A cut that is wrong along the whole neck in the shape of a line or a bow cannot be told from
    a change of datum or of relief.

    Uncertainties of the readings before and after are propagated through the fit exactly, with all
    that the heights have in common. Where the plan changes the relief, the neck may come to rest in
    a somewhat other shape than the plan's bow: that is one more cause that all crowns share.
    """
    before = plan.measurement.heights.sharing(_shape(lines, plan))
    planned = np.column_stack([plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm])
    off_mm = after.height_mm - planned
    count, columns = off_mm.shape
    used = np.isfinite(off_mm)
    used[:, [0, -1]] = False
    used &= np.sum(used, axis=1, keepdims=True) >= 3
    place = np.column_stack([lines.station_mm / lines.saddle_station_mm[:, None], np.ones(count)])

    design = np.zeros((count, columns, 2 * count + 1))
    for k in range(count):
        design[k, :, 2 * k] = 1.0
        design[k, :, 2 * k + 1] = place[k]
    design[:, 1:-1, -1] = bow.frets
    rows = design[used]
    solve = np.zeros((2 * count + 1, count, columns))
    if len(rows):
        solve[:, used] = np.linalg.pinv(rows)
    fitted = solve[:, used] @ off_mm[used]

    known = np.where(np.any(used, axis=1, keepdims=True), off_mm, np.nan)
    known[:, 1:-1][~used[:, 1:-1]] = np.nan
    found_mm = known - design @ fitted
    weights = np.eye(count * columns).reshape(count, columns, count, columns)
    weights = weights - np.tensordot(design, solve, axes=1)
    u_mm = np.sqrt(after.variance(weights) + before.variance(weights))
    u_mm = np.where(np.isfinite(found_mm), u_mm, np.nan)
    # With no more readings than numbers fitted, the bow is not determined.
    bowed = len(rows) > 2 * int(np.sum(np.any(used, axis=1)))
    relief_u_mm = np.sqrt(after.variance(solve[-1]) + before.variance(solve[-1]))
    deviation = Deviation(
        crown_top_mm=found_mm[:, 1:-1],
        crown_top_u_mm=u_mm[:, 1:-1],
        nut_mm=found_mm[:, 0],
        nut_u_mm=u_mm[:, 0],
        saddle_mm=found_mm[:, -1],
        saddle_u_mm=u_mm[:, -1],
        relief_mm=float(fitted[-1]) if bowed else float("nan"),
        relief_u_mm=float(relief_u_mm) if bowed else float("nan"),
    )
    return Fit(deviation, weights, before)
