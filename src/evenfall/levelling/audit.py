"""Re-check of a finished plan, written apart from the code that builds the linear program.

It asks only: with these heights after work, does every promise of the specification hold? The
arithmetic is done string by string on straight lines through points, not on the program's rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from evenfall.instrument import string_lines
from evenfall.neck import default_bow

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from evenfall.strings.excursion import ExcursionTable

    FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Requirement:
    """One thing a plan promises, and by how much it fails.

    Parameters
    ----------
    name
        What is promised, with string and fret.
    violation_mm
        How far it fails [mm]; zero or less if it holds.
    """

    name: str
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
    relaxed_mm: dict[str, float],
    check_relief: bool = True,
) -> tuple[Requirement, ...]:
    """Return the worst promise of each kind.

    Parameters
    ----------
    specification, measurement, excursion
        What the plan was made from.
    attack_n
        Attack the plan promises to bear, shape (K,) [N].
    crown_top_after_mm, crown_height_after_mm
        Shape (K, F) [mm].
    nut_after_mm, saddle_after_mm
        Shape (K,) [mm].
    relaxed_mm
        By how much each limit is relaxed on purpose [mm]; empty for none.
    check_relief
        Leave out the relief where the rod may not be turned.
    """
    lines = string_lines(specification)
    target = specification.target
    one_sided = NormalDist().inv_cdf(specification.rule.coverage)
    worst: dict[str, Requirement] = {}

    def note(kind: str, place: str, violation_mm: float) -> None:
        if kind not in worst or violation_mm > worst[kind].violation_mm:
            worst[kind] = Requirement(f"{kind} {place}".strip(), float(violation_mm))

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
            need = (
                specification.rule.extra_clearance_mm
                + one_sided * uncertainty
                + attack_n[k] * excursion.excursion_mm_per_n[k, stop, ahead]
            )
            short = need - (underside - z[ahead])
            fret = int(np.argmax(short))
            note("clear", f"string {k + 1} stopped at {stop} over {stop + 1 + fret}", short[fret])
        slope = (saddle_after_mm[k] - nut_after_mm[k]) / bridge
        gap = nut_after_mm[k] + slope * x - z
        for kind, fret, limit in (
            ("action", reference, target.action[k]),
            ("first-fret-gap", 1, target.first_fret_gap[k]),
        ):
            outside = max(limit.minimum_mm - gap[fret], gap[fret] - limit.maximum_mm)
            note(kind, f"string {k + 1}", outside - relaxed_mm.get(kind, 0.0))
        more = relaxed_mm.get("travel", 0.0)
        saddle = saddle_after_mm[k] - measurement.saddle_mm[k]
        nut = nut_after_mm[k] - measurement.nut_mm[k]
        note("travel", f"saddle {k + 1}", saddle - target.saddle_up_mm - more)
        note("travel", f"saddle {k + 1}", -saddle - target.saddle_down_mm - more)
        note("travel", f"nut {k + 1}", nut - target.nut_up_mm - more)
        note("travel", f"nut {k + 1}", -nut - target.nut_down_mm - more)
        low = (
            specification.fretwire.least_crown_height_mm
            - crown_height_after_mm[k]
            - relaxed_mm.get("crown-height", 0.0)
        )
        note("crown-height", f"string {k + 1} fret {int(np.argmax(low)) + 1}", low.max())
    if check_relief:
        relief = default_bow(specification, lines).relief_mm(crown_top_after_mm)
        outside = max(target.relief.minimum_mm - relief, relief - target.relief.maximum_mm)
        note("relief", "", outside - relaxed_mm.get("relief", 0.0))
    return tuple(worst.values())
