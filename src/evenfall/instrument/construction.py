"""What a string weighs, from how it is made: plain, or a core with a wrap around it.

The wrap of a wound string fills a ring between core and outside. Round wire that lies turn by turn
fills pi / 4 of it, whatever its thickness and in however many layers, and a little more for its
slant; flat wire leaves the gaps that round wire below it or rounded edges leave. So the mass hardly
depends on the core, which few sets state: between cores of 0.35 and 0.5 of the gauge it changes by
2 %. The stiffness goes with its fourth power.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple, get_args

Winding = Literal["round", "flat"]
WINDINGS: tuple[Winding, ...] = get_args(Winding)

WRAPS_KG_PER_M3: dict[str, float] = {
    "nickel-plated steel": 7870.0,
    "stainless steel": 7900.0,
    "nickel": 8900.0,
    "phosphor bronze": 8860.0,
    "80/20 bronze": 8670.0,
    "silver-plated copper": 8960.0,
}
"""Density of what strings are wrapped with [kg/m³] (handbook values, from memory; that of phosphor
bronze as printed in a table of materials)."""

USUAL_CORE_SHARE = 0.42
"""Steel core over gauge where it is not stated: with it, round wound guitar and bass strings of
published mass are met within 2 % on average (tests/instrument/test_construction.py)."""

_FLAT_FILL = 0.83  # so that published flat wound sets are met on average
_U_SHARE = {"plain": 0.006, "round": 0.025, "flat": 0.04}
"""Relative standard uncertainty of the mass: the scatter of published masses about it."""


class Mass(NamedTuple):
    """Mass per length as computed."""

    kg_per_m: float
    u_share: float  # relative standard uncertainty


def plain_mass(gauge_mm: float, density_kg_per_m3: float) -> Mass:
    """Return the mass of a plain string: density x pi / 4 x gauge²."""
    return Mass(density_kg_per_m3 * _round_m2(gauge_mm), _U_SHARE["plain"])


def wound_mass(
    gauge_mm: float,
    core_mm: float,
    core_kg_per_m3: float,
    wrap: str,
    winding: Winding = "round",
) -> Mass:
    """Return the mass of a wound string, its wrap being a key of `WRAPS_KG_PER_M3`."""
    ring = _round_m2(gauge_mm) - _round_m2(core_mm)
    slant = (gauge_mm - core_mm) / (math.pi * (gauge_mm + core_mm))  # of one layer's turns
    fill = _FLAT_FILL if winding == "flat" else math.pi / 4.0 * math.hypot(1.0, slant)
    kg_per_m = core_kg_per_m3 * _round_m2(core_mm) + fill * WRAPS_KG_PER_M3[wrap] * ring
    return Mass(kg_per_m, _U_SHARE[winding])


def _round_m2(diameter_mm: float) -> float:
    return math.pi / 4.0 * (1e-3 * diameter_mm) ** 2
