"""Re-check of a finished plan, written apart from the code that builds the linear program.

It asks only: with these heights after work, is every requirement of the specification met? The
arithmetic is done string by string on straight lines through points, not on the program's rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from evenfall import requirement
from evenfall.instrument import string_lines
from evenfall.neck import default_bow

if TYPE_CHECKING:
    from collections.abc import Mapping

    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification
    from evenfall.instrument.specification import Limit
    from evenfall.measurement import Measurement
    from evenfall.plan import LimitName
    from evenfall.strings.excursion import ExcursionTable


@dataclass(frozen=True, slots=True)
class Requirement:
    """One thing that a plan has to meet, and by how much it is missed.

    Parameters
    ----------
    limit, strings, stopped_fret, fret
        What has to be met, and where.
    violation_mm
        By how much it is missed [mm]; zero or less if it is met.
    """

    limit: LimitName
    strings: tuple[int, ...]
    stopped_fret: int | None
    fret: int | None
    violation_mm: float


def audit(
    specification: Specification,
    measurement: Measurement,
    excursion: ExcursionTable,
    *,
    attack_n: FloatArray,
    crown_top_after_mm: FloatArray,
    crown_height_after_mm: FloatArray,
    nut_after_mm: FloatArray,
    saddle_after_mm: FloatArray,
    relaxed_mm: Mapping[str, float],
    check_relief: bool = True,
) -> tuple[Requirement, ...]:
    """Return the requirement of each kind that is missed by most, shapes as in `Plan`.

    `relaxed_mm` is by how much each limit is relaxed on purpose [mm]; without `check_relief` the
    relief, which no rod can set, is left out.
    """
    lines = string_lines(specification)
    target = specification.target
    one_sided = NormalDist().inv_cdf(specification.rule.coverage)
    needed_mm = requirement.Requirement.of(specification, excursion).need_mm(attack_n)
    worst: dict[LimitName, Requirement] = {}

    def note(
        limit: LimitName, k: int, violation_mm: float, fret: int | None, stop: int | None = None
    ) -> None:
        if limit not in worst or violation_mm > worst[limit].violation_mm:
            worst[limit] = Requirement(limit, (k + 1,), stop, fret, float(violation_mm))

    reference = specification.scale.reference_fret
    for k in range(specification.string_count):
        x = lines.station_mm[k]
        bridge = float(lines.saddle_station_mm[k])
        z = np.append(nut_after_mm[k], crown_top_after_mm[k])
        for stop in range(specification.frets):
            ahead = slice(stop + 1, None)
            rise = (saddle_after_mm[k] - z[stop]) / (bridge - x[stop])
            underside = z[stop] + rise * (x[ahead] - x[stop])
            along = (x[ahead] - x[stop]) / (bridge - x[stop])
            weights = np.zeros((len(along), len(x) + 1))
            weights[:, stop], weights[:, -1] = 1.0 - along, along
            weights[np.arange(len(along)), stop + 1 + np.arange(len(along))] = -1.0
            uncertainty = measurement.heights.u_mm(weights, k)
            need = needed_mm[k, stop, ahead] + one_sided * uncertainty
            short = need - (underside - z[ahead])
            fret = int(np.argmax(short))
            note("clearance", k, short[fret], stop + 1 + fret, stop)
        slope = (saddle_after_mm[k] - nut_after_mm[k]) / bridge
        gap = nut_after_mm[k] + slope * x - z
        gaps: tuple[tuple[LimitName, int, Limit], ...] = (
            ("action", reference, target.action[k]),
            ("first-fret-gap", 1, target.first_fret_gap[k]),
        )
        for name, fret, limit in gaps:
            outside = max(limit.minimum_mm - gap[fret], gap[fret] - limit.maximum_mm)
            note(name, k, outside - relaxed_mm.get(name, 0.0), fret, 0)
        more = relaxed_mm.get("travel", 0.0)
        saddle = saddle_after_mm[k] - measurement.saddle_mm[k]
        nut = nut_after_mm[k] - measurement.nut_mm[k]
        note("saddle-travel", k, saddle - target.saddle_up_mm - more, None)
        note("saddle-travel", k, -saddle - target.saddle_down_mm - more, None)
        note("nut-travel", k, nut - target.nut_up_mm - more, None)
        note("nut-travel", k, -nut - target.nut_down_mm - more, None)
        low = (
            specification.fretwire.least_crown_height_mm
            - crown_height_after_mm[k]
            - relaxed_mm.get("crown-height", 0.0)
        )
        note("crown-height", k, low.max(), int(np.argmax(low)) + 1)
    if check_relief:
        relief = default_bow(specification, lines).relief_mm(crown_top_after_mm)
        outside = max(target.relief.minimum_mm - relief, relief - target.relief.maximum_mm)
        violation = float(outside - relaxed_mm.get("relief", 0.0))
        worst["relief"] = Requirement("relief", (), None, None, violation)
    return tuple(worst.values())
