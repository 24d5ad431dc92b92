"""How the instrument after the work differs from its plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.measurement import Origin
from evenfall.proof.result import Deviation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument import StringLines
    from evenfall.measurement import Measurement
    from evenfall.neck import Bow
    from evenfall.plan import Plan

    FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Heights:
    """Heights that were read, with their standard uncertainties; NaN where none was.

    Parameters
    ----------
    nut_mm, nut_u_mm
        Nut slots [mm], shape (K,).
    top_mm, top_u_mm
        Crown tops [mm], shape (K, F).
    saddle_mm, saddle_u_mm
        Saddles [mm], shape (K,).
    """

    nut_mm: FloatArray
    nut_u_mm: FloatArray
    top_mm: FloatArray
    top_u_mm: FloatArray
    saddle_mm: FloatArray
    saddle_u_mm: FloatArray


def heights_read(measurement: Measurement) -> Heights:
    """Return the heights of a measurement without those that nobody read.

    Nominal heights prove nothing about an instrument and count as missing. Where no uncertainty
    is stated it is zero.

    Parameters
    ----------
    measurement
        Any measurement.
    """

    def known(height_mm: FloatArray, origin: NDArray[np.int8]) -> FloatArray:
        unread = (origin == Origin.NOMINAL) | (origin == Origin.MISSING)
        return np.where(unread, np.nan, height_mm)

    m = measurement
    return Heights(
        nut_mm=known(m.nut_mm, m.nut_origin),
        nut_u_mm=stated(m.heights.own_u_mm[:, 0]),
        top_mm=known(m.crown_top_mm, m.crown_top_origin),
        top_u_mm=stated(m.heights.own_u_mm[:, 1:-1]),
        saddle_mm=known(m.saddle_mm, m.saddle_origin),
        saddle_u_mm=stated(m.heights.own_u_mm[:, -1]),
    )


def stated(u_mm: FloatArray) -> FloatArray:
    """Return standard uncertainties with zero where none is stated.

    Parameters
    ----------
    u_mm
        Standard uncertainties [mm], any shape.
    """
    return np.where(np.isfinite(u_mm), u_mm, 0.0)


def deviation_from_plan(lines: StringLines, bow: Bow, plan: Plan, after: Heights) -> Deviation:
    """Return how much higher than planned each crown, nut slot and saddle stands.

    Least squares on the crown tops: one straight line per string, since the two set-ups need not
    share a datum, and one bow common to all strings, since the neck may have come to rest at
    another relief. What is left at a crown is metal left standing (positive) or cut too deep.
    A cut that is wrong along the whole neck in the shape of a line or a bow cannot be told from
    a change of datum or of relief.

    Uncertainties of the readings before and after are propagated through the fit exactly.

    Parameters
    ----------
    lines, bow
        Geometry of K strings over F frets.
    plan
        The plan.
    after
        Heights read after the work.
    """
    before = heights_read(plan.measurement)
    off_mm = after.top_mm - plan.crown_top_after_mm
    u_mm = np.hypot(after.top_u_mm, before.top_u_mm)
    count, frets = off_mm.shape
    used = np.isfinite(off_mm)
    used &= (used.sum(axis=1) >= 3)[:, None]
    place = lines.station_mm[:, 1:] / lines.saddle_station_mm[:, None]

    design = np.zeros((count, frets, 2 * count + 1))
    for k in range(count):
        design[k, :, 2 * k] = 1.0
        design[k, :, 2 * k + 1] = place[k]
    design[:, :, -1] = bow.frets
    rows = design[used]
    solve = np.linalg.pinv(rows) if len(rows) else np.zeros((2 * count + 1, 0))
    fitted = solve @ off_mm[used]
    spread = solve * u_mm[used]  # each reading's share in each fitted number

    top_mm, top_u_mm = np.full((count, frets), np.nan), np.full((count, frets), np.nan)
    top_mm[used] = off_mm[used] - rows @ fitted
    through_fit = (np.eye(len(rows)) - rows @ solve) * u_mm[used]
    top_u_mm[used] = np.sqrt(np.sum(through_fit**2, axis=1))

    at_nut = np.zeros((count, 2 * count + 1))
    at_nut[np.arange(count), 2 * np.arange(count)] = 1.0
    at_saddle = at_nut.copy()
    at_saddle[np.arange(count), 2 * np.arange(count) + 1] = 1.0
    unknown = np.where(used.any(axis=1), 0.0, np.nan)

    def beyond(row: FloatArray, found_mm: FloatArray, found_u_mm: FloatArray) -> list[FloatArray]:
        fit_u_mm = np.sqrt(np.sum((row @ spread) ** 2, axis=1))
        return [found_mm - row @ fitted + unknown, np.hypot(found_u_mm, fit_u_mm) + unknown]

    nut_mm, nut_u_mm = beyond(
        at_nut, after.nut_mm - plan.nut_after_mm, np.hypot(after.nut_u_mm, before.nut_u_mm)
    )
    saddle_mm, saddle_u_mm = beyond(
        at_saddle,
        after.saddle_mm - plan.saddle_after_mm,
        np.hypot(after.saddle_u_mm, before.saddle_u_mm),
    )
    # With no more readings than numbers fitted, the bow is not determined.
    bowed = len(rows) > 2 * int(used.any(axis=1).sum())
    return Deviation(
        crown_top_mm=top_mm,
        crown_top_u_mm=top_u_mm,
        nut_mm=nut_mm,
        nut_u_mm=nut_u_mm,
        saddle_mm=saddle_mm,
        saddle_u_mm=saddle_u_mm,
        relief_mm=float(fitted[-1]) if bowed else float("nan"),
        relief_u_mm=float(np.sqrt(np.sum(spread[-1] ** 2))) if bowed else float("nan"),
    )
