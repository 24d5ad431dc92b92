"""Whether a second reading confirms the frets that a plan would cut, before metal comes off."""

from __future__ import annotations

from collections.abc import Collection
from statistics import NormalDist

import numpy as np

from evenfall.measurement import Measurement
from evenfall.neck.level_line import LevelLine
from evenfall.plan.before_cut import Confirmation
from evenfall.wording import sentence

BY_CHANCE = 0.005
"""Chance that two good readings of a neck are said to differ."""


def confirmation(
    first: LevelLine, second: LevelLine, frets: Collection[int], measurement: Measurement
) -> Confirmation:
    """Return whether a second reading agrees about frets, within the uncertainty of both.

    What each crown stands over its own level line is compared, so that the datum, the tension and
    the rod may have changed between the readings. The measurement is the second one.
    """
    at = np.zeros(first.off_mm.shape, dtype=bool)
    at[:, np.array(sorted(frets), dtype=int) - 1] = True
    both = at & first.read & second.read
    code = measurement.content_hash
    if not both.any():
        said = sentence(
            "The second reading has no crown of {frets:frets}, so it confirms nothing. Read "
            "{frets:plural it|them} and plan again.",
            frets=tuple(sorted(frets)),
        )
        return Confirmation(agrees=False, said=said, measurement_hash=code)
    quantile = NormalDist().inv_cdf(1.0 - BY_CHANCE / (2.0 * int(both.sum())))
    differ = np.where(both, np.abs(first.off_mm - second.off_mm), 0.0)
    far = differ / np.hypot(first.u_mm, second.u_mm)
    k, j = (int(at) for at in np.unravel_index(int(far.argmax()), far.shape))
    if far[k, j] <= quantile:
        said = sentence(
            "A second reading agrees about {frets:frets}: they differ by {most:length} at most.",
            frets=tuple(sorted(frets)),
            most=float(differ.max()),
        )
        return Confirmation(agrees=True, said=said, measurement_hash=code)
    said = sentence(
        "The second reading does not agree. Fret {fret}, string {string} stands {one:length} over "
        "the level line in the first reading, {two:length} in the second. Read it a third time: "
        "no metal comes off until two readings agree.",
        fret=j + 1,
        string=k + 1,
        one=float(first.off_mm[k, j]),
        two=float(second.off_mm[k, j]),
    )
    return Confirmation(agrees=False, said=said, measurement_hash=code)
